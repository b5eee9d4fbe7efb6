//! `economics.csv`: what treating is worth over prices and costs.

use super::tables::{Column, by_columns};
use super::units::{fixed, yes_no};
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::{ChoiceWorth, Conclusions, Worth};

/// A row: one treatment on one soil class, at one price and cost.
pub(super) struct Row<'r> {
    zone: &'r Worth,
    /// The treatment beside the others: over all soils, at the price and cost of the settings.
    beside: Option<&'r ChoiceWorth>,
    probability_nothing_best: Option<f64>,
    units: Units,
}

impl Row<'_> {
    fn price(&self, per_kg: Option<f64>) -> String {
        fixed(per_kg.map(|per_kg| self.units.price(per_kg)), 2)
    }
}

/// The columns of `economics.csv`.
pub(super) const ECONOMICS: &[Column<fn(&Row<'_>) -> String>] = &[
    ("crop", |row| row.zone.crop.clone()),
    ("treatment", |row| row.zone.treatment.clone()),
    ("drainage_class", |row| row.zone.class_name.clone()),
    ("configured", |row| yes_no(row.zone.is_configured)),
    ("price", |row| row.price(Some(row.zone.price_per_kg))),
    ("price_unit", |row| row.units.price_unit.clone()),
    ("cost", |row| row.units.money_cell(row.zone.cost_per_ha)),
    ("money_unit", |row| row.units.money_unit.clone()),
    ("break_even", |row| row.units.yield_cell(row.zone.break_even)),
    ("yield_unit", |row| row.units.yield_unit.to_owned()),
    ("break_even_price", |row| row.price(row.zone.break_even_price_per_kg)),
    ("net_return", |row| row.units.money_cell(row.zone.net_return)),
    ("probability_pays", |row| fixed(row.zone.probability_pays, 4)),
    ("probability_new_site_pays", |row| fixed(row.zone.probability_new_site_pays, 4)),
    ("loss_of_treating", |row| row.units.money_cell(row.zone.loss_of_treating)),
    ("loss_of_leaving", |row| row.units.money_cell(row.zone.loss_of_leaving)),
    ("loss_of_treating_new_site", |row| row.units.money_cell(row.zone.loss_of_treating_new_site)),
    ("value_of_another_year", |row| row.units.money_cell(row.zone.value_of_another_year)),
    ("paid", |row| row.beside.map_or_else(String::new, |one| one.paid.to_string())),
    ("paid_low", |row| fixed(row.beside.map(|one| one.paid_share.0), 4)),
    ("paid_high", |row| fixed(row.beside.map(|one| one.paid_share.1), 4)),
    ("probability_best", |row| fixed(row.beside.map(|one| one.probability_best), 4)),
    ("probability_nothing_best", |row| fixed(row.probability_nothing_best, 4)),
];

/// `economics.csv`.
pub(super) fn table(conclusions: &Conclusions, archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = conclusions.worth.iter().map(|zone| {
        let choices = conclusions.choices.iter().find(|one| one.crop == zone.crop);
        let choices = choices.filter(|_| zone.is_configured && zone.class.is_none());
        let own = choices.and_then(|one| one.treatments.iter().find(|one| one.treatment == zone.treatment));
        let beside = own.and_then(|one| one.worth.as_ref());
        let probability_nothing_best =
            choices.filter(|_| beside.is_some()).and_then(|one| one.probability_nothing_best);
        Row { zone, beside, probability_nothing_best, units: Units::new(archive, &zone.crop) }
    });
    by_columns("economics.csv", ECONOMICS, rows)
}
