//! The numbers of the data dictionary (ISO 11783-11): what a value in a log means and in which unit it is handed on.
//!
//! Names, units and resolutions are those of the public data dictionary, compared with the copy that a general-purpose library of
//! the standard carries. A number that is not listed here is handed on as it stands, as `ddi_<number>`.

use std::borrow::Cow;

/// One entry.
pub(super) struct Entry {
    pub(super) ddi: u16,
    /// The dictionary's name with the unit that values are handed on in.
    pub(super) name: &'static str,
    /// Steps of the log in one unit. A division by a power of ten gives the same number as the decimal text of the value.
    pub(super) steps: f64,
    /// A state, a width, a setpoint or a counter stands until the log tells another.
    pub(super) stands: bool,
}

const fn entry(ddi: u16, name: &'static str, steps: f64, stands: bool) -> Entry {
    Entry { ddi, name, steps, stands }
}

const ENTRIES: [Entry; 46] = [
    entry(1, "setpoint_volume_per_area_application_rate_l_ha", 1e4, true),
    entry(2, "actual_volume_per_area_application_rate_l_ha", 1e4, true),
    entry(6, "setpoint_mass_per_area_application_rate_kg_ha", 100.0, true),
    entry(7, "actual_mass_per_area_application_rate_kg_ha", 100.0, true),
    entry(11, "setpoint_count_per_area_application_rate_per_m2", 1e3, true),
    entry(12, "actual_count_per_area_application_rate_per_m2", 1e3, true),
    entry(36, "setpoint_volume_per_time_application_rate_l_s", 1e6, true),
    entry(37, "actual_volume_per_time_application_rate_l_s", 1e6, true),
    entry(41, "setpoint_mass_per_time_application_rate_kg_s", 1e6, true),
    entry(42, "actual_mass_per_time_application_rate_kg_s", 1e6, true),
    entry(66, "setpoint_working_width_m", 1e3, true),
    entry(67, "actual_working_width_m", 1e3, true),
    entry(80, "application_total_volume_l", 1.0, true),
    entry(81, "application_total_mass_kg", 1.0, true),
    entry(82, "application_total_count", 1.0, true),
    entry(83, "volume_per_area_yield_ml_m2", 1.0, false),
    entry(84, "mass_per_area_yield_kg_ha", 100.0, false),
    entry(85, "count_per_area_yield_per_m2", 1e3, false),
    entry(86, "volume_per_time_yield_l_s", 1e3, false),
    entry(87, "mass_per_time_yield_kg_s", 1e6, false),
    entry(88, "count_per_time_yield_per_s", 1e3, false),
    entry(89, "yield_total_volume_l", 1.0, true),
    entry(90, "yield_total_mass_kg", 1.0, true),
    entry(91, "yield_total_count", 1.0, true),
    entry(98, "percentage_crop_loss_pct", 1e4, true),
    entry(99, "crop_moisture_pct", 1e4, true),
    entry(116, "total_area_m2", 1.0, true),
    entry(117, "effective_total_distance_m", 1e3, true),
    entry(118, "ineffective_total_distance_m", 1e3, true),
    entry(119, "effective_total_time_s", 1.0, true),
    entry(120, "ineffective_total_time_s", 1.0, true),
    entry(140, "setpoint_percentage_application_rate_pct", 1e4, true),
    entry(141, "actual_work_state", 1.0, true),
    entry(181, "dry_mass_per_area_yield_kg_ha", 100.0, false),
    entry(182, "dry_mass_per_time_yield_kg_s", 1e6, false),
    entry(183, "yield_total_dry_mass_kg", 1.0, true),
    entry(184, "reference_moisture_for_dry_mass_pct", 1e4, true),
    entry(239, "yield_hold_status", 1.0, true),
    entry(261, "average_yield_mass_per_time_kg_s", 1e6, true),
    entry(262, "average_crop_moisture_pct", 1e4, true),
    entry(263, "average_yield_mass_per_area_kg_ha", 100.0, true),
    entry(289, "setpoint_work_state", 1.0, true),
    entry(308, "actual_percentage_application_rate_pct", 1e4, true),
    entry(358, "average_dry_yield_mass_per_time_kg_s", 1e6, true),
    entry(359, "average_dry_yield_mass_per_area_kg_ha", 100.0, true),
    entry(397, "actual_speed_m_s", 1e3, true),
];

/// The number of the work state.
const WORK_STATES: [u16; 2] = [141, 289];

/// What the dictionary says of a number.
pub(super) fn of(ddi: u16) -> Option<&'static Entry> {
    ENTRIES.iter().find(|entry| entry.ddi == ddi)
}

/// The condensed work states, sixteen sections each, two bits a section.
const CONDENSED: std::ops::RangeInclusive<u16> = 161..=176;

/// The name of a number's column.
pub(super) fn name(ddi: u16) -> Cow<'static, str> {
    if CONDENSED.contains(&ddi) {
        let first = 16 * (ddi - CONDENSED.start()) + 1;
        return Cow::Owned(format!("sections_on_{first}_{}", first + 15));
    }
    of(ddi).map_or_else(|| Cow::Owned(format!("ddi_{ddi}")), |entry| Cow::Borrowed(entry.name))
}

/// Whether a number tells the flow or the yield of a harvest, now or on average.
pub(super) fn is_yield(ddi: u16) -> bool {
    matches!(ddi, 83..=88 | 181 | 182 | 261 | 263 | 358 | 359)
}

/// Whether a number tells what was put down, by area: the rate or its setpoint.
pub(super) fn is_rate(ddi: u16) -> bool {
    matches!(ddi, 1 | 2 | 6 | 7 | 11 | 12)
}

/// Whether a value stands until the log tells another.
pub(super) fn stands(ddi: u16) -> bool {
    CONDENSED.contains(&ddi) || of(ddi).is_some_and(|entry| entry.stands)
}

/// A value of a log in the unit of its column; a work state beyond off and on (error, not installed) is missing,
/// and a condensed one is the number of sections that are on.
pub(super) fn value(ddi: u16, steps: i32) -> f64 {
    if WORK_STATES.contains(&ddi) && !(0..=1).contains(&steps) {
        return f64::NAN;
    }
    if CONDENSED.contains(&ddi) {
        return (0..16).filter(|section| steps >> (2 * section) & 0b11 == 0b01).count() as f64;
    }
    f64::from(steps) / of(ddi).map_or(1.0, |entry| entry.steps)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_number_and_each_name_stands_once_and_in_order() {
        assert!(ENTRIES.windows(2).all(|pair| pair[0].ddi < pair[1].ddi));
        let names: std::collections::BTreeSet<_> = ENTRIES.iter().map(|entry| entry.name).collect();
        assert_eq!(names.len(), ENTRIES.len());
    }

    #[test]
    fn values_are_those_of_their_decimal_texts() {
        assert_eq!(value(87, 5_437_211).to_bits(), 5.437_211_f64.to_bits());
        assert_eq!(value(99, 171_234).to_bits(), 17.1234_f64.to_bits());
        assert_eq!(value(84, 1_000_001).to_bits(), 10_000.01_f64.to_bits());
        assert_eq!(value(700, -3).to_bits(), (-3.0_f64).to_bits());
        assert!(value(141, 3).is_nan());
        assert_eq!(name(162), "sections_on_17_32");
        assert_eq!(value(161, 0b01_11_00_01).to_bits(), 2.0_f64.to_bits());
        assert_eq!(value(161, i32::from_le_bytes([0, 0, 0, 0x40])).to_bits(), 1.0_f64.to_bits());
    }
}
