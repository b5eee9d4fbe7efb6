//! Rates of application: a volume, a mass or a count by area.

use super::factor::{HA_PER_AC, KG_PER_LB, L_PER_FL_OZ, L_PER_GAL, M2_PER_HA};
use super::parse::{QuantityError, nearest, split_number};

/// What is counted of a product.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RateKind {
    /// Litres.
    Volume,
    /// Kilograms.
    Mass,
    /// Pieces (seeds, capsules).
    Count,
}

impl RateKind {
    /// The unit in which rates of this kind are kept.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Volume => "L/ha",
            Self::Mass => "kg/ha",
            Self::Count => "1/ha",
        }
    }
}

/// A unit of application rates.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct RateUnit {
    /// The symbol that is printed.
    pub symbol: &'static str,
    /// What it counts.
    pub kind: RateKind,
    /// Litres, kilograms or pieces per hectare in one of it.
    pub per_ha: f64,
}

const fn unit(symbol: &'static str, kind: RateKind, per_ha: f64) -> RateUnit {
    RateUnit { symbol, kind, per_ha }
}

use RateKind::{Count, Mass, Volume};

/// The units that are read.
const UNITS: [RateUnit; 17] = [
    unit("L/ha", Volume, 1.0),
    unit("mL/ha", Volume, 1e-3),
    unit("m3/ha", Volume, 1e3),
    unit("gal/ac", Volume, L_PER_GAL / HA_PER_AC),
    unit("qt/ac", Volume, L_PER_GAL / 4.0 / HA_PER_AC),
    unit("pt/ac", Volume, L_PER_GAL / 8.0 / HA_PER_AC),
    unit("fl oz/ac", Volume, L_PER_FL_OZ / HA_PER_AC),
    unit("kg/ha", Mass, 1.0),
    unit("g/ha", Mass, 1e-3),
    unit("t/ha", Mass, 1e3),
    unit("lb/ac", Mass, KG_PER_LB / HA_PER_AC),
    unit("oz/ac", Mass, KG_PER_LB / 16.0 / HA_PER_AC),
    unit("ton/ac", Mass, 2000.0 * KG_PER_LB / HA_PER_AC),
    unit("1/ha", Count, 1.0),
    unit("1/ac", Count, 1.0 / HA_PER_AC),
    unit("1/m2", Count, M2_PER_HA),
    unit("1000/ac", Count, 1e3 / HA_PER_AC),
];

impl RateUnit {
    const NAME: &'static str = "rate of application";

    /// The unit that rates of a kind are kept in.
    pub fn of_kind(kind: RateKind) -> Self {
        unit(kind.symbol(), kind, 1.0)
    }

    /// Every unit.
    pub(crate) fn all() -> impl Iterator<Item = Self> {
        UNITS.into_iter()
    }

    /// Every symbol, for messages.
    pub fn symbols() -> String {
        UNITS.map(|unit| unit.symbol).join(", ")
    }

    /// The unit written `symbol`.
    ///
    /// # Errors
    /// [`QuantityError::UnknownUnit`], naming the units that fit and the nearest of them.
    pub fn parse(symbol: &str) -> Result<Self, QuantityError> {
        UNITS.into_iter().find(|unit| unit.symbol.eq_ignore_ascii_case(symbol)).ok_or_else(|| {
            QuantityError::UnknownUnit {
                quantity: Self::NAME,
                found: symbol.to_owned(),
                fitting: Self::symbols(),
                nearest: nearest(symbol, UNITS.iter().map(|unit| unit.symbol)),
            }
        })
    }
}

/// A rate of application, for instance `8 fl oz/ac`.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct ApplicationRate {
    /// Litres, kilograms or pieces per hectare.
    pub per_ha: f64,
    /// The unit that it was typed in.
    pub unit: RateUnit,
}

impl ApplicationRate {
    /// Reads a number followed by a unit.
    ///
    /// # Errors
    /// When the number or the unit is missing or unknown.
    pub fn parse(text: &str) -> Result<Self, QuantityError> {
        let (number, symbol) = split_number(text, RateUnit::NAME)?;
        if symbol.is_empty() {
            let (quantity, fitting) = (RateUnit::NAME, RateUnit::symbols());
            return Err(QuantityError::MissingUnit { quantity, found: text.to_owned(), fitting });
        }
        let unit = RateUnit::parse(symbol)?;
        Ok(Self { per_ha: number * unit.per_ha, unit })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST SP 811 (2008), Appendix B.8: gallon (U.S.) 3.785412 E−03 m³, fluid ounce (U.S.) 2.957353 E−05 m³, acre 4.046873 E+03 m²
    /// (the international acre, 4.046856, is the one that is used here), pound 4.535924 E−01 kg.
    #[test]
    fn rates_convert_by_the_factors_that_nist_prints() {
        let per_ha = |text: &str| ApplicationRate::parse(text).unwrap().per_ha;
        let acre = 0.404_685_6;
        for (text, want) in [
            ("5 gal/ac", 5.0 * 3.785_412 / acre),
            ("8 fl oz/ac", 8.0 * 0.029_573_53 / acre),
            ("200 lb/ac", 200.0 * 0.453_592_4 / acre),
            ("34000 1/ac", 34_000.0 / acre),
            ("1 pt/ac", 0.473_176_5 / acre),
        ] {
            assert!((per_ha(text) / want - 1.0).abs() < 5e-7, "{text}: {} {want}", per_ha(text));
        }
        let fault = ApplicationRate::parse("8 floz/ac").unwrap_err().to_string();
        assert!(fault.contains("did you mean `fl oz/ac`"), "{fault}");
        assert!(ApplicationRate::parse("8").unwrap_err().to_string().contains("has no unit"));
        assert!(RateUnit::parse("mph").is_err());
    }
}
