//! Yields per area, bushel weights, and the reduction to market moisture.

use super::factor::{HA_PER_AC, KG_PER_LB, KG_PER_QUINTAL, KG_PER_T};
use super::measure::Unit;
use super::parse::{QuantityError, nearest};

/// The legal weight of one bushel, in kilograms. A bushel is a unit of *weight* here (the trade's convention), never
/// the measured test weight of a load.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct BushelWeight {
    /// Kilograms in one bushel.
    pub kg: f64,
}

impl BushelWeight {
    /// From pounds in a bushel.
    pub fn from_pounds(pounds: f64) -> Self {
        Self { kg: pounds * KG_PER_LB }
    }
}

/// A unit of yield (mass or bushels per area).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum YieldUnit {
    /// Bushels per acre; needs the crop's bushel weight.
    BushelsPerAcre,
    /// A mass per area.
    MassPerArea(Unit),
}

const MASS_PER_AREA: [Unit; 4] = [
    Unit { symbol: "kg/ha", also: &[], factor: 1.0 },
    Unit { symbol: "t/ha", also: &["Mg/ha"], factor: KG_PER_T },
    Unit { symbol: "q/ha", also: &[], factor: KG_PER_QUINTAL },
    Unit { symbol: "lb/ac", also: &["lbs/ac"], factor: KG_PER_LB / HA_PER_AC },
];

impl YieldUnit {
    /// Tonnes per hectare, the metric report unit.
    pub const TONNES_PER_HECTARE: Self = Self::MassPerArea(MASS_PER_AREA[1]);

    /// Reads a unit of yield.
    ///
    /// # Errors
    /// [`QuantityError::UnknownUnit`].
    pub fn parse(symbol: &str) -> Result<Self, QuantityError> {
        if symbol == "bu/ac" {
            return Ok(Self::BushelsPerAcre);
        }
        MASS_PER_AREA
            .iter()
            .find(|unit| unit.symbol == symbol || unit.also.contains(&symbol))
            .map(|&unit| Self::MassPerArea(unit))
            .ok_or_else(|| QuantityError::UnknownUnit {
                quantity: "yield",
                found: symbol.to_owned(),
                fitting: "bu/ac, kg/ha, t/ha, q/ha, lb/ac".to_owned(),
                nearest: nearest(symbol, ["bu/ac", "kg/ha", "t/ha", "q/ha", "lb/ac"]),
            })
    }

    /// The symbol that is printed.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::BushelsPerAcre => "bu/ac",
            Self::MassPerArea(unit) => unit.symbol,
        }
    }

    /// Kilograms per hectare in one of this unit.
    pub fn kg_per_ha(self, bushel: BushelWeight) -> f64 {
        match self {
            Self::BushelsPerAcre => bushel.kg / HA_PER_AC,
            Self::MassPerArea(unit) => unit.factor,
        }
    }
}

/// Mass at market moisture per wet mass: `(100 − M) / (100 − M_market)`, moistures in percent, wet basis.
///
/// Dry matter is conserved, so wet grain at moisture `M` weighs this many times as much once it is at market moisture.
pub fn dry_factor(moisture_pct: f64, market_moisture_pct: f64) -> f64 {
    (100.0 - moisture_pct) / (100.0 - market_moisture_pct)
}
