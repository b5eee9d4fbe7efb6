//! Conversion factors, exact by definition unless said otherwise.
//!
//! Source: NIST Special Publication 811 (2008 edition), Appendix B.8; the international yard and pound agreement
//! of 1959 fixes 1 yd = 0.9144 m and 1 lb = 0.45359237 kg exactly.

/// Kilograms in one avoirdupois pound.
pub const KG_PER_LB: f64 = 0.453_592_37;
/// Metres in one international foot.
pub const M_PER_FT: f64 = 0.304_8;
/// Metres in one inch.
pub const M_PER_IN: f64 = 0.025_4;
/// Metres in one international mile.
pub const M_PER_MI: f64 = 1_609.344;
/// Metres per second in one mile per hour.
pub const M_S_PER_MPH: f64 = 0.447_04;
/// Square metres in one international acre.
pub const M2_PER_AC: f64 = 4_046.856_422_4;
/// Square metres in one hectare.
pub const M2_PER_HA: f64 = 10_000.0;
/// Hectares in one acre.
pub const HA_PER_AC: f64 = M2_PER_AC / M2_PER_HA;
/// Kilograms in one quintal (metric).
pub const KG_PER_QUINTAL: f64 = 100.0;
/// Kilograms in one tonne.
pub const KG_PER_T: f64 = 1_000.0;
/// Litres in one US gallon (231 cubic inches).
pub const L_PER_GAL: f64 = 3.785_411_784;
/// Litres in one US fluid ounce (1/128 gallon).
pub const L_PER_FL_OZ: f64 = L_PER_GAL / 128.0;
