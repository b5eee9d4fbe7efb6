//! Money per mass, per area, and per mass and point of moisture.

use super::factor::M2_PER_HA;
use super::measure::{Area, Mass, Quantity};
use super::parse::{QuantityError, nearest, split_number};
use super::yields::BushelWeight;

/// An ISO 4217 currency code, three capital letters. Amounts of different currencies are never added.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Currency([u8; 3]);

impl Currency {
    /// Reads three capital letters.
    pub fn parse(text: &str) -> Option<Self> {
        let bytes: [u8; 3] = text.as_bytes().try_into().ok()?;
        bytes.iter().all(u8::is_ascii_uppercase).then_some(Self(bytes))
    }
}

impl std::fmt::Display for Currency {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(std::str::from_utf8(&self.0).unwrap_or("???"))
    }
}

/// What an amount of money is paid for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Per {
    /// A bushel of the crop.
    Bushel,
    /// A mass in kilograms.
    Mass(f64),
    /// An area in square metres.
    Area(f64),
}

/// An amount of money for one unit of something, for instance `4.20 USD/bu`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MoneyRate {
    /// The amount, in the currency.
    pub amount: f64,
    /// The currency.
    pub currency: Currency,
    /// What it is paid for.
    pub per: Per,
}

impl MoneyRate {
    const GRAIN: &'static str = "USD/bu, USD/t, USD/q, USD/kg, USD/lb (any currency of three capital letters)";
    const LAND: &'static str = "USD/ac, USD/ha (any currency of three capital letters)";
    const DRYING: &'static str = "USD/bu/%, USD/t/%, USD/kg/% (any currency of three capital letters)";

    /// A price of grain, for instance `4.20 USD/bu` or `165 EUR/t`.
    ///
    /// # Errors
    /// When the number, the currency or what it is paid for is missing or unknown.
    pub fn parse_price(text: &str) -> Result<Self, QuantityError> {
        Self::parse(text, "price", Self::GRAIN, grain)
    }

    /// A cost of hauling and handling, for instance `0.15 USD/bu`.
    ///
    /// # Errors
    /// As [`Self::parse_price`].
    pub fn parse_hauling(text: &str) -> Result<Self, QuantityError> {
        Self::parse(text, "hauling cost", Self::GRAIN, grain)
    }

    /// A cost of land area, for instance `20 USD/ac`.
    ///
    /// # Errors
    /// As [`Self::parse_price`].
    pub fn parse_cost(text: &str) -> Result<Self, QuantityError> {
        Self::parse(text, "cost", Self::LAND, |unit| {
            Area::UNITS.iter().find(|area| area.symbol == unit).map(|area| Per::Area(area.factor))
        })
    }

    /// A drying cost per mass and point of moisture, for instance `0.05 USD/bu/%`.
    ///
    /// # Errors
    /// As [`Self::parse_price`].
    pub fn parse_drying(text: &str) -> Result<Self, QuantityError> {
        Self::parse(text, "drying cost", Self::DRYING, |unit| grain(unit.strip_suffix("/%")?))
    }

    fn parse(
        text: &str,
        quantity: &'static str,
        fitting: &str,
        per: impl Fn(&str) -> Option<Per>,
    ) -> Result<Self, QuantityError> {
        let (amount, unit) = split_number(text, quantity)?;
        if unit.is_empty() {
            return Err(QuantityError::MissingUnit { quantity, found: text.to_owned(), fitting: fitting.to_owned() });
        }
        let unknown = || QuantityError::UnknownUnit {
            quantity,
            found: unit.to_owned(),
            fitting: fitting.to_owned(),
            nearest: nearest(unit, fitting.split(" (").next().unwrap_or("").split(", ")),
        };
        let (currency, rest) = unit.split_once('/').ok_or_else(unknown)?;
        Ok(Self {
            amount,
            currency: Currency::parse(currency.trim()).ok_or_else(unknown)?,
            per: per(rest.trim()).ok_or_else(unknown)?,
        })
    }

    /// Money per kilogram of grain (per point of moisture, for a drying cost); an area rate gives `None`.
    pub fn per_kg(self, bushel: BushelWeight) -> Option<f64> {
        match self.per {
            Per::Bushel => Some(self.amount / bushel.kg),
            Per::Mass(kg) => Some(self.amount / kg),
            Per::Area(_) => None,
        }
    }

    /// Money per hectare; a rate per grain gives `None`.
    pub fn per_ha(self) -> Option<f64> {
        match self.per {
            Per::Area(m2) => Some(self.amount * M2_PER_HA / m2),
            Per::Bushel | Per::Mass(_) => None,
        }
    }
}

fn grain(unit: &str) -> Option<Per> {
    if unit == "bu" {
        return Some(Per::Bushel);
    }
    Mass::UNITS.iter().find(|mass| mass.symbol == unit).map(|mass| Per::Mass(mass.factor))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_are_read_and_converted() {
        let bushel = BushelWeight::from_pounds(56.0);
        let price = MoneyRate::parse_price("4.20 USD/bu").unwrap();
        assert!((price.per_kg(bushel).unwrap() - 4.20 / 25.401_172_72).abs() < 1e-12);
        let cost = MoneyRate::parse_cost("20 USD/ac").unwrap();
        assert!((cost.per_ha().unwrap() - 20.0 / 0.404_685_642_24).abs() < 1e-9);
        let drying = MoneyRate::parse_drying("0.05 USD/bu/%").unwrap();
        assert_eq!(drying.per, Per::Bushel);
        assert_eq!(price.currency.to_string(), "USD");
    }

    #[test]
    fn a_price_without_what_it_is_paid_for_is_an_error() {
        assert!(MoneyRate::parse_price("4.20 USD").is_err());
        assert!(MoneyRate::parse_price("4.20").is_err());
        assert!(MoneyRate::parse_cost("20 USD/bu").is_err());
        assert!(MoneyRate::parse_price("4.20 dollars/bu").is_err());
    }
}
