//! `plan.csv`, `zoning.csv` and `replication.csv`.

use super::{basis, expected_money};
use crate::config::ArchiveSettings;
use crate::points::{Caution, Cautions};
use crate::report::tables::{Column, by_columns};
use crate::report::units::{fixed, yes_no};
use crate::report::{ReportError, Units};
use crate::results::{PlannedField, PlannedZone, Record, ReplicationRow, SeasonPlan, ZoningValue};

/// A row of `plan.csv`: one treatment on one zone of a field.
pub(in crate::report) struct ZoneRow<'r> {
    plan: &'r SeasonPlan,
    field: &'r PlannedField,
    zone: &'r PlannedZone,
    archive: &'r ArchiveSettings,
    units: &'r Units,
}

impl ZoneRow<'_> {
    /// The reasons to doubt the zone, and those to doubt the plan.
    fn cautions(&self) -> Cautions {
        let advice = &self.zone.advice;
        let mut cautions = advice.cautions.clone();
        if self.plan.zoning.iter().any(|one| one.treatment == advice.treatment && !one.is_shown) {
            cautions.add(Caution::ZoningUnproven, "");
        }
        if self.plan.record.as_ref().is_some_and(Record::is_broken) {
            cautions.add(Caution::PromisesNotKept, "");
        }
        cautions
    }

    /// The share of each class of wetness, by its label.
    fn outlook(&self) -> String {
        let labels = self.archive.wetness.as_ref().map_or(&[][..], |settings| settings.labels.as_slice());
        let parts = labels.iter().zip(&self.field.outlook).map(|(label, share)| format!("{label}={share:.2}"));
        parts.collect::<Vec<_>>().join(",")
    }
}

/// The columns of `plan.csv`.
pub(in crate::report) const PLAN: &[Column<fn(&ZoneRow<'_>) -> String>] = &[
    ("farm", |row| row.field.farm.clone()),
    ("field", |row| row.field.field.clone()),
    ("crop", |row| row.plan.crop.clone()),
    ("treatment", |row| row.zone.advice.treatment.clone()),
    ("drainage_class", |row| row.zone.advice.class_name.clone()),
    ("decision", |row| row.zone.decision.code().to_owned()),
    ("why", |row| row.zone.why.code().to_owned()),
    ("best", |row| yes_no(row.zone.is_best)),
    ("area", |row| fixed(Some(row.units.area(row.zone.area_m2)), 3)),
    ("area_unit", |row| row.units.area_unit.to_owned()),
    ("response", |row| row.units.yield_cell(row.zone.advice.response)),
    ("ci_low", |row| row.units.yield_cell(row.zone.advice.interval.map(|ends| ends.0))),
    ("ci_high", |row| row.units.yield_cell(row.zone.advice.interval.map(|ends| ends.1))),
    ("break_even", |row| row.units.yield_cell(row.zone.advice.break_even)),
    ("yield_unit", |row| row.units.yield_unit.to_owned()),
    ("net_return", |row| row.units.money_cell(row.zone.advice.net_return)),
    ("money_unit", |row| row.units.money_unit.clone()),
    ("probability_pays", |row| fixed(row.zone.advice.probability_pays, 4)),
    ("probability_new_site_pays", |row| fixed(row.zone.advice.probability_new_site_pays, 4)),
    ("expected_money", |row| fixed(expected_money(row.plan, row.zone), 0)),
    ("basis", |row| basis(row.field).to_owned()),
    ("site_years", |row| row.zone.advice.site_years.to_string()),
    ("outlook", |row| row.outlook()),
    ("folder", |row| row.field.folder.clone()),
    ("caution", |row| row.cautions().codes()),
];

/// `plan.csv`.
pub(super) fn plan(plan: &SeasonPlan, archive: &ArchiveSettings, units: &Units) -> Result<Vec<u8>, ReportError> {
    let row = |field, zone| ZoneRow { plan, field, zone, archive, units };
    let rows = plan.fields.iter().flat_map(|field| field.zones.iter().map(move |zone| row(field, zone)));
    by_columns("plan.csv", PLAN, rows)
}

/// The columns of `zoning.csv`.
pub(in crate::report) const ZONING: &[Column<fn(&(&ZoningValue, &SeasonPlan, &Units)) -> String>] = &[
    ("crop", |(_, plan, _)| plan.crop.clone()),
    ("treatment", |(one, ..)| one.treatment.clone()),
    ("left_out", |(one, ..)| one.left_out.code().to_owned()),
    ("site_years", |(one, ..)| one.site_years.to_string()),
    ("zoned", |(one, _, units)| units.money_cell(one.zoned)),
    ("everywhere", |(one, _, units)| units.money_cell(one.blanket)),
    ("gain", |(one, _, units)| units.money_cell(one.gain)),
    ("gain_std_error", |(one, _, units)| units.money_cell(one.gain_std_error)),
    ("money_unit", |(.., units)| units.money_unit.clone()),
    ("shown", |(one, ..)| yes_no(one.is_shown)),
    ("probability_gains", |(one, ..)| fixed(one.probability, 4)),
    ("promised", |(one, _, units)| units.money_cell(one.promised)),
    ("optimism", |(one, _, units)| units.money_cell(one.optimism.map(|(optimism, _)| optimism))),
    ("optimism_std_error", |(one, _, units)| units.money_cell(one.optimism.map(|(_, std_error)| std_error))),
];

/// `zoning.csv`: what zones were worth with seasons or fields left out.
pub(super) fn zoning(plan: &SeasonPlan, units: &Units) -> Result<Vec<u8>, ReportError> {
    by_columns("zoning.csv", ZONING, plan.zoning.iter().map(|one| (one, plan, units)))
}

/// A row of `replication.csv`: a layout for one treatment.
pub(in crate::report) struct LayoutRow<'r> {
    crop: &'r str,
    treatment: &'r str,
    layout: &'r ReplicationRow,
    units: &'r Units,
}

/// The columns of `replication.csv`.
pub(in crate::report) const REPLICATION: &[Column<fn(&LayoutRow<'_>) -> String>] = &[
    ("crop", |row| row.crop.to_owned()),
    ("treatment", |row| row.treatment.to_owned()),
    ("site_years", |row| row.layout.site_years.to_string()),
    ("blocks", |row| row.layout.blocks.to_string()),
    ("strips", |row| (2 * row.layout.site_years * row.layout.blocks).to_string()),
    ("std_error", |row| row.units.yield_cell(row.layout.std_error)),
    ("df", |row| row.layout.df.to_string()),
    ("half_width", |row| row.units.yield_cell(row.layout.half_width)),
    ("detectable", |row| row.units.yield_cell(row.layout.detectable)),
    ("yield_unit", |row| row.units.yield_unit.to_owned()),
];

/// `replication.csv`: what layouts of strips would tell.
pub(super) fn replication(plan: &SeasonPlan, units: &Units) -> Result<Vec<u8>, ReportError> {
    let rows = plan.replication.iter().flat_map(|one| {
        one.rows.iter().map(|layout| LayoutRow { crop: &plan.crop, treatment: &one.treatment, layout, units })
    });
    by_columns("replication.csv", REPLICATION, rows)
}
