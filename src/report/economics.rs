//! `economics.csv`: what treating is worth over prices and costs.

use super::tables::write;
use super::units::fixed;
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::Conclusions;

/// The columns of `economics.csv`.
pub const ECONOMICS_COLUMNS: [&str; 23] = [
    "crop",
    "treatment",
    "drainage_class",
    "configured",
    "price",
    "price_unit",
    "cost",
    "money_unit",
    "break_even",
    "yield_unit",
    "break_even_price",
    "net_return",
    "probability_pays",
    "probability_new_site_pays",
    "loss_of_treating",
    "loss_of_leaving",
    "loss_of_treating_new_site",
    "value_of_another_year",
    "paid",
    "paid_low",
    "paid_high",
    "probability_best",
    "probability_nothing_best",
];

/// `economics.csv`.
pub(super) fn table(conclusions: &Conclusions, archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = conclusions.worth.iter().map(|row| {
        // beside the others the treatments are told over all soils, at the price and cost of the settings
        let choices = conclusions.choices.iter().find(|one| one.crop == row.crop);
        let choices = choices.filter(|_| row.is_configured && row.class.is_none());
        let own = choices.and_then(|one| one.treatments.iter().find(|one| one.treatment == row.treatment));
        let chosen = own.and_then(|one| one.worth.as_ref());
        let nothing = choices.filter(|_| chosen.is_some()).and_then(|one| one.probability_nothing_best);
        let units = Units::new(archive, &row.crop);
        let money = |value: Option<f64>| fixed(value.map(|value| units.money(value)), 2);
        let price = |per_kg: Option<f64>| fixed(per_kg.map(|per_kg| units.price(per_kg)), 2);
        vec![
            row.crop.clone(),
            row.treatment.clone(),
            row.class_name.clone(),
            if row.is_configured { "yes" } else { "no" }.to_owned(),
            price(Some(row.price_per_kg)),
            units.price_unit.clone(),
            money(Some(row.cost_per_ha)),
            units.money_unit.clone(),
            fixed(Some(units.yields(row.break_even)), units.yield_decimals),
            units.yield_unit.to_owned(),
            price(row.break_even_price_per_kg),
            money(Some(row.net_return)),
            fixed(row.probability_pays, 4),
            fixed(row.probability_new_site_pays, 4),
            money(row.loss_of_treating),
            money(row.loss_of_leaving),
            money(row.loss_of_treating_new_site),
            money(row.value_of_another_year),
            chosen.map_or_else(String::new, |one| one.paid.to_string()),
            fixed(chosen.map(|one| one.paid_share.0), 4),
            fixed(chosen.map(|one| one.paid_share.1), 4),
            fixed(chosen.map(|one| one.probability_best), 4),
            fixed(nothing, 4),
        ]
    });
    write("economics.csv", &ECONOMICS_COLUMNS, rows)
}
