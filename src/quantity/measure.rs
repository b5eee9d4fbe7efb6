//! The measured quantities, each a newtype over its SI value.

use super::factor::{
    KG_PER_LB, KG_PER_QUINTAL, KG_PER_T, L_PER_FL_OZ, L_PER_GAL, M_PER_FT, M_PER_IN, M_PER_MI, M_S_PER_MPH, M2_PER_AC,
    M2_PER_HA,
};
use super::parse::{QuantityError, nearest, split_number};

/// One unit of a quantity: `value in SI = factor × value in the unit`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// The symbol that is printed.
    pub symbol: &'static str,
    /// Other spellings that are read.
    pub also: &'static [&'static str],
    /// SI units in one of this unit.
    pub factor: f64,
}

impl Unit {
    const fn new(symbol: &'static str, factor: f64, also: &'static [&'static str]) -> Self {
        Self { symbol, also, factor }
    }
}

/// The units of a quantity, for what is chosen at run time.
#[derive(Debug, Clone, Copy)]
pub struct Units {
    /// What the quantity is called in messages.
    pub name: &'static str,
    /// The symbol of the SI unit.
    pub si: &'static str,
    /// Every symbol that fits, for messages.
    pub symbols: fn() -> String,
    /// The unit written so.
    pub unit: fn(&str) -> Result<Unit, QuantityError>,
}

impl Units {
    /// The units of a quantity.
    pub const fn of<Q: Quantity>() -> Self {
        Self { name: Q::NAME, si: Q::UNITS[0].symbol, symbols: Q::symbols, unit: Q::unit }
    }
}

/// A physical quantity that can be read from text with a unit.
pub trait Quantity: Copy + Sized + 'static {
    /// What the quantity is called in messages.
    const NAME: &'static str;
    /// The units that are read, the SI unit first.
    const UNITS: &'static [Unit];

    /// From a value in SI units.
    fn from_si(value: f64) -> Self;
    /// The value in SI units.
    fn si(self) -> f64;

    /// The unit written `symbol`.
    ///
    /// # Errors
    /// [`QuantityError::UnknownUnit`], naming the units that fit and the nearest of them.
    fn unit(symbol: &str) -> Result<Unit, QuantityError> {
        Self::UNITS.iter().find(|unit| unit.symbol == symbol || unit.also.contains(&symbol)).copied().ok_or_else(|| {
            QuantityError::UnknownUnit {
                quantity: Self::NAME,
                found: symbol.to_owned(),
                fitting: Self::symbols(),
                nearest: nearest(symbol, Self::UNITS.iter().map(|unit| unit.symbol)),
            }
        })
    }

    /// Every symbol that fits, for messages.
    fn symbols() -> String {
        Self::UNITS.iter().map(|unit| unit.symbol).collect::<Vec<_>>().join(", ")
    }

    /// Reads a number followed by a unit, for instance `30 ft`.
    ///
    /// # Errors
    /// When the number or the unit is missing or unknown.
    fn parse(text: &str) -> Result<Self, QuantityError> {
        let (number, unit) = split_number(text, Self::NAME)?;
        if unit.is_empty() {
            return Err(QuantityError::MissingUnit {
                quantity: Self::NAME,
                found: text.to_owned(),
                fitting: Self::symbols(),
            });
        }
        Ok(Self::from_si(number * Self::unit(unit)?.factor))
    }
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $text:literal, [$($unit:expr),+ $(,)?]) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl Quantity for $name {
            const NAME: &'static str = $text;
            const UNITS: &'static [Unit] = &[$($unit),+];

            fn from_si(value: f64) -> Self {
                Self(value)
            }

            fn si(self) -> f64 {
                self.0
            }
        }
    };
}

quantity!(
    /// A length in metres.
    Length, "length",
    [
        Unit::new("m", 1.0, &["metre", "metres", "meter", "meters"]),
        Unit::new("cm", 0.01, &[]),
        Unit::new("mm", 0.001, &[]),
        Unit::new("km", 1000.0, &[]),
        Unit::new("ft", M_PER_FT, &["feet", "foot"]),
        Unit::new("in", M_PER_IN, &["inch", "inches"]),
        Unit::new("mi", M_PER_MI, &[]),
    ]
);
quantity!(
    /// An area in square metres.
    Area, "area",
    [
        Unit::new("m2", 1.0, &["m²"]),
        Unit::new("ha", M2_PER_HA, &[]),
        Unit::new("ac", M2_PER_AC, &["acre", "acres"]),
    ]
);
quantity!(
    /// A speed in metres per second.
    Speed, "speed",
    [
        Unit::new("m/s", 1.0, &[]),
        Unit::new("km/h", 1.0 / 3.6, &["kph", "kmh"]),
        Unit::new("mph", M_S_PER_MPH, &["mi/h"]),
        Unit::new("ft/s", M_PER_FT, &[]),
    ]
);
quantity!(
    /// A mass in kilograms.
    Mass, "mass",
    [
        Unit::new("kg", 1.0, &[]),
        Unit::new("g", 0.001, &[]),
        Unit::new("q", KG_PER_QUINTAL, &["quintal"]),
        Unit::new("t", KG_PER_T, &["tonne"]),
        Unit::new("lb", KG_PER_LB, &["lbs"]),
    ]
);
quantity!(
    /// A volume in litres.
    Volume, "volume",
    [
        Unit::new("L", 1.0, &["l", "litre", "litres", "liter", "liters"]),
        Unit::new("mL", 1e-3, &["ml"]),
        Unit::new("gal", L_PER_GAL, &["gallon", "gallons"]),
        Unit::new("qt", L_PER_GAL / 4.0, &[]),
        Unit::new("fl oz", L_PER_FL_OZ, &[]),
    ]
);
quantity!(
    /// A mass flow in kilograms per second.
    MassFlow, "mass flow",
    [
        Unit::new("kg/s", 1.0, &[]),
        Unit::new("lb/s", KG_PER_LB, &["lbs/s"]),
        Unit::new("t/h", KG_PER_T / 3600.0, &[]),
        Unit::new("kg/h", 1.0 / 3600.0, &[]),
        Unit::new("lb/min", KG_PER_LB / 60.0, &[]),
    ]
);
quantity!(
    /// A span of time in seconds.
    Duration, "time span",
    [
        Unit::new("s", 1.0, &["sec"]),
        Unit::new("ms", 0.001, &[]),
        Unit::new("min", 60.0, &[]),
        Unit::new("h", 3600.0, &[]),
    ]
);
quantity!(
    /// A bearing in degrees clockwise from north.
    Bearing, "bearing",
    [Unit::new("deg", 1.0, &["°", "degree", "degrees"])]
);
quantity!(
    /// A share in percent, as it is typed: `15.5 %` is 15.5, and so is `0.155 fraction`.
    Percent, "percentage",
    [Unit::new("%", 1.0, &["percent", "pct"]), Unit::new("fraction", 100.0, &[])]
);
quantity!(
    /// An amount of data in bytes (prefixes: the SI's, and IEC 80000-13 for powers of two).
    DataSize, "amount of data",
    [
        Unit::new("B", 1.0, &["bytes"]),
        Unit::new("kB", 1e3, &[]),
        Unit::new("MB", 1e6, &[]),
        Unit::new("GB", 1e9, &[]),
        Unit::new("MiB", 1_048_576.0, &[]),
        Unit::new("GiB", 1_073_741_824.0, &[]),
    ]
);

impl Length {
    /// The length in millimetres (precipitation).
    pub fn millimetres(self) -> f64 {
        self.0 * 1000.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64) {
        assert!((got - want).abs() <= 1e-12 * want.abs().max(1.0), "got {got}, want {want}");
    }

    /// NIST SP 811 (2008), Appendix B.8: foot 3.048 E−01 m; mile per hour 4.4704 E−01 m/s; pound 4.535924 E−01 kg;
    /// acre (international) 4.046856 E+03 m².
    #[test]
    fn units_convert_as_nist_sp_811_prints_them() {
        close(Length::parse("30 ft").unwrap().si(), 9.144);
        close(Length::parse("30ft").unwrap().si(), 9.144);
        close(Speed::parse("1 mph").unwrap().si(), 0.447_04);
        close(Mass::parse("1 lb").unwrap().si(), 0.453_592_37);
        close(Area::parse("1 ac").unwrap().si(), 4_046.856_422_4);
        close(MassFlow::parse("3.6 t/h").unwrap().si(), 1.0);
        close(Length::parse("-25 mm").unwrap().millimetres(), -25.0);
    }

    #[test]
    fn a_number_without_a_unit_names_the_units_that_fit() {
        let fault = Length::parse("30").unwrap_err().to_string();
        assert!(fault.contains("m, cm, mm, km, ft, in, mi"), "{fault}");
    }

    #[test]
    fn an_unknown_unit_names_the_nearest() {
        let fault = Length::parse("30 fft").unwrap_err().to_string();
        assert!(fault.contains("`fft`") && fault.contains("did you mean `ft`"), "{fault}");
    }
}
