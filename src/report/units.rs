//! From SI to the units of the reports.

use rusqlite::types::Value;

use super::geopackage::number;
use crate::config::{ArchiveSettings, ReportUnits};
use crate::quantity::factor::{KG_PER_T, M_PER_FT};
use crate::results::Estimate;

/// The units of one crop's reports.
#[derive(Debug, Clone, PartialEq)]
pub struct Units {
    /// Kilograms per hectare in one unit of yield.
    pub yield_kg_ha: f64,
    /// The unit of yield, for instance `bu/ac`.
    pub yield_unit: &'static str,
    /// Square metres in one unit of area.
    pub area_m2: f64,
    /// Hectares in one unit of area.
    pub area_ha: f64,
    /// The unit of area.
    pub area_unit: &'static str,
    /// The unit of money, for instance `USD/ac`; empty when nothing is costed.
    pub money_unit: String,
    /// The unit of a price of grain, for instance `USD/bu`; empty when nothing is costed.
    pub price_unit: String,
    /// Kilograms in the unit of grain that a price is given for.
    pub price_kg: f64,
    /// Decimals that a yield is printed with in tables.
    pub yield_decimals: usize,
    /// Metres in the unit of length of fields and machines.
    pub length_m: f64,
    /// That unit.
    pub length_unit: &'static str,
}

impl Units {
    /// The units of a crop of the archive.
    pub fn new(archive: &ArchiveSettings, crop: &str) -> Self {
        let units = archive.report_units;
        let bushel = archive.crops[crop].bushel();
        Self {
            yield_kg_ha: units.kg_per_ha(bushel),
            yield_unit: units.yield_unit().symbol(),
            area_m2: units.area_m2(),
            area_ha: units.area_ha(),
            area_unit: units.area_symbol(),
            money_unit: archive
                .currency
                .as_ref()
                .map(|currency| format!("{currency}/{}", units.area_symbol()))
                .unwrap_or_default(),
            price_unit: archive
                .currency
                .as_ref()
                .map(|currency| match units {
                    ReportUnits::Us => format!("{currency}/bu"),
                    ReportUnits::Metric => format!("{currency}/t"),
                })
                .unwrap_or_default(),
            price_kg: match units {
                ReportUnits::Us => bushel.kg,
                ReportUnits::Metric => KG_PER_T,
            },
            yield_decimals: match units {
                ReportUnits::Us => 3,
                ReportUnits::Metric => 5,
            },
            length_m: match units {
                ReportUnits::Us => M_PER_FT,
                ReportUnits::Metric => 1.0,
            },
            length_unit: match units {
                ReportUnits::Us => "ft",
                ReportUnits::Metric => "m",
            },
        }
    }

    /// A yield in the report's unit.
    pub fn yields(&self, kg_ha: f64) -> f64 {
        kg_ha / self.yield_kg_ha
    }

    /// Money per area in the report's unit.
    pub fn money(&self, per_ha: f64) -> f64 {
        per_ha * self.area_ha
    }

    /// A price of grain in the report's unit.
    pub fn price(&self, per_kg: f64) -> f64 {
        per_kg * self.price_kg
    }

    /// A length of fields and machines in the report's unit.
    pub fn length(&self, m: f64) -> f64 {
        m / self.length_m
    }

    /// An area in the report's unit.
    pub fn area(&self, m2: f64) -> f64 {
        m2 / self.area_m2
    }

    /// A yield, kg/ha, as the cell of a table; empty where there is none.
    pub(super) fn yield_cell(&self, kg_ha: impl Into<Option<f64>>) -> String {
        fixed(kg_ha.into().map(|value| self.yields(value)), self.yield_decimals)
    }

    /// Money per hectare as the cell of a table; empty where there is none.
    pub(super) fn money_cell(&self, per_ha: impl Into<Option<f64>>) -> String {
        fixed(per_ha.into().map(|money| self.money(money)), 2)
    }

    /// A yield, kg/ha, as a value of a layer; null where there is none.
    pub(super) fn yield_value(&self, kg_ha: impl Into<Option<f64>>) -> Value {
        number(kg_ha.into().map(|value| self.yields(value)))
    }

    /// Money per hectare as a value of a layer; null where there is none.
    pub(super) fn money_value(&self, per_ha: impl Into<Option<f64>>) -> Value {
        number(per_ha.into().map(|money| self.money(money)))
    }

    /// An estimate in the report's unit of yield.
    #[must_use]
    pub fn estimate(&self, estimate: &Estimate) -> Estimate {
        estimate.scaled(|value| self.yields(value))
    }
}

/// Yes or no, as the cell of a table.
pub(super) fn yes_no(is: bool) -> String {
    if is { "yes" } else { "no" }.to_owned()
}

/// So many of something, in words: one season, three as 3 seasons.
pub(super) fn counted(count: usize, one: &str) -> String {
    if count == 1 { format!("one {one}") } else { format!("{count} {one}s") }
}

/// A number without the zeros at its end.
pub(super) fn trimmed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A number with fixed decimals; empty where there is none. A negative zero is printed as zero.
pub(super) fn fixed(value: Option<f64>, decimals: usize) -> String {
    match value {
        Some(value) if value.is_finite() => {
            let text = format!("{value:.decimals$}");
            if text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.')) {
                text.trim_start_matches('-').to_owned()
            } else {
                text
            }
        }
        _ => String::new(),
    }
}

/// A probability in words and percent: the one way in which pages, answers and terminal tell one. Never a certainty, which no
/// data give.
pub(super) fn probability(share: f64) -> String {
    if share > 0.99 {
        "more than 99 %".to_owned()
    } else if share < 0.01 {
        "less than 1 %".to_owned()
    } else {
        format!("{:.0} %", 100.0 * share)
    }
}

/// A level that was set, such as that of the intervals, in percent with the decimals that it needs: 0.999 is not 100 %.
pub(crate) fn level(share: f64) -> String {
    format!("{} %", trimmed(100.0 * share, 3))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_probability_is_reported_as_a_certainty_and_no_level_is_rounded_to_one() {
        for at in 0..=10_000_u32 {
            let text = probability(f64::from(at) / 10_000.0);
            assert!(text != "0 %" && text != "100 %", "{at}: {text}");
        }
        assert_eq!(
            [1e-12, 0.0099, 0.01, 0.5, 0.99, 0.9901, 1.0 - 1e-12].map(probability),
            ["less than 1 %", "less than 1 %", "1 %", "50 %", "99 %", "more than 99 %", "more than 99 %"]
        );
        assert_eq!([0.8, 0.9, 0.95, 0.975, 0.999].map(level), ["80 %", "90 %", "95 %", "97.5 %", "99.9 %"]);
        assert_eq!(level(0.1), "10 %");
    }

    #[test]
    fn numbers_are_printed_with_fixed_decimals_and_without_negative_zero() {
        assert_eq!(fixed(Some(-0.0001), 2), "0.00");
        assert_eq!(fixed(Some(-1.005), 1), "-1.0");
        assert_eq!(fixed(None, 2), "");
        assert_eq!(fixed(Some(f64::NAN), 2), "");
    }

    #[test]
    fn trimmed_numbers_end_in_no_zero() {
        assert_eq!(["60", "2.5", "0"], [trimmed(60.0, 2), trimmed(2.5, 2), trimmed(0.0, 2)]);
    }
}
