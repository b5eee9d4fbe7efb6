//! `economics.csv`: what treating is worth over prices and costs.

use super::tables::write;
use super::units::fixed;
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::Worth;

/// The columns of `economics.csv`.
pub const ECONOMICS_COLUMNS: [&str; 18] = [
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
];

/// `economics.csv`.
pub(super) fn table(rows: &[Worth], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = rows.iter().map(|row| {
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
        ]
    });
    write("economics.csv", &ECONOMICS_COLUMNS, rows)
}
