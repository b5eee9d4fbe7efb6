//! `forest.csv` and `trends.csv`: the synthesis site-year by site-year, and along its gradients.

use std::collections::BTreeMap;

use super::tables::{Column, by_columns};
use super::units::{fixed, yes_no};
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::{
    Estimate, ForestRow, Gradient, Response, Returns, SiteYear, SiteYearIdentity, Synthesis, ZoneResponse,
};

/// A row of `forest.csv`.
pub(super) struct Row<'r> {
    of: &'r ForestRow,
    site_year: Option<&'r SiteYear>,
    /// Of the site-year itself, or of the zone.
    returns: Option<Returns>,
    units: Units,
}

impl Row<'_> {
    fn of_identity(&self, pick: fn(&SiteYearIdentity) -> String) -> String {
        self.of.identity.as_ref().map_or_else(|| "all".to_owned(), pick)
    }

    fn net_end(&self, pick: fn((f64, f64)) -> f64) -> String {
        self.units.money_cell(self.returns.and_then(|returns| returns.net_interval).map(pick))
    }

    fn net_return(&self) -> Option<f64> {
        self.returns?.net_return_of(self.of.estimate.mean?)
    }
}

/// The columns of `forest.csv`.
pub(super) const FOREST: &[Column<fn(&Row<'_>) -> String>] = &[
    ("crop", |one| one.of.crop.clone()),
    ("treatment", |one| one.of.treatment.clone()),
    ("drainage_class", |one| one.of.class_name.clone()),
    ("row", |one| one.of.kind.code().to_owned()),
    ("season", |one| one.of_identity(|identity| identity.season.to_string())),
    ("farm", |one| one.of_identity(|identity| identity.farm.clone())),
    ("field", |one| one.of_identity(|identity| identity.field.clone())),
    ("wetness_mm", |one| fixed(one.of.wetness_mm, 1)),
    ("wetness_class", |one| one.of.wetness_class.clone().unwrap_or_default()),
    ("blocks", |one| one.of.blocks.to_string()),
    ("response", |one| one.units.yield_cell(one.of.estimate.mean)),
    ("std_error", |one| one.units.yield_cell(one.of.estimate.std_error)),
    ("df", |one| fixed(one.of.estimate.df, 2)),
    ("ci_low", |one| one.units.yield_cell(one.of.estimate.low)),
    ("ci_high", |one| one.units.yield_cell(one.of.estimate.high)),
    ("probability_positive", |one| fixed(one.of.estimate.probability_positive, 4)),
    ("weight", |one| fixed(one.of.weight, 4)),
    ("shrunken_response", |one| one.units.yield_cell(one.of.shrunken)),
    ("response_without", |one| one.units.yield_cell(one.of.without.map(|without| without.mean))),
    ("tau_without", |one| one.units.yield_cell(one.of.without.map(|without| without.tau))),
    ("turns_sign", |one| one.of.without.map_or_else(String::new, |_| yes_no(one.of.turns_sign))),
    ("break_even", |one| one.units.yield_cell(one.returns.and_then(|returns| returns.break_even))),
    ("net_return", |one| one.units.money_cell(one.net_return())),
    ("net_low", |one| one.net_end(|ends| ends.0)),
    ("net_high", |one| one.net_end(|ends| ends.1)),
    ("yield_unit", |one| one.units.yield_unit.to_owned()),
    ("money_unit", |one| one.units.money_unit.clone()),
    ("folder", |one| one.site_year.map_or_else(String::new, |one| one.folder.clone())),
    ("caution", |one| one.of.cautions.codes()),
];

/// A row of `trends.csv`: the change of a response along something, in steps.
pub(super) struct Slope<'r> {
    crop: &'r str,
    treatment: &'r str,
    gradient: String,
    estimate: &'r Estimate,
    /// What the slope is multiplied by, so that it has digits to show.
    step: f64,
    per: String,
    counts: [usize; 2],
    cautions: String,
    units: Units,
}

impl Slope<'_> {
    fn cell(&self, value: Option<f64>) -> String {
        fixed(value.map(|value| self.step * self.units.yields(value)), self.units.yield_decimals)
    }
}

/// The columns of `trends.csv`.
pub(super) const TRENDS: &[Column<fn(&Slope<'_>) -> String>] = &[
    ("crop", |one| one.crop.to_owned()),
    ("treatment", |one| one.treatment.to_owned()),
    ("gradient", |one| one.gradient.clone()),
    ("slope", |one| one.cell(one.estimate.mean)),
    ("slope_unit", |one| format!("{} per {}", one.units.yield_unit, one.per)),
    ("std_error", |one| one.cell(one.estimate.std_error)),
    ("df", |one| fixed(one.estimate.df, 2)),
    ("ci_low", |one| one.cell(one.estimate.low)),
    ("ci_high", |one| one.cell(one.estimate.high)),
    ("p_value", |one| fixed(one.estimate.p_value, 4)),
    ("probability_positive", |one| fixed(one.estimate.probability_positive, 4)),
    ("site_years", |one| one.counts[0].to_string()),
    ("seasons", |one| one.counts[1].to_string()),
    ("caution", |one| one.cautions.clone()),
];

/// `forest.csv`: for each treatment and soil class its site-years, then their mean, then what a new site-year would bring.
pub(super) fn forest(
    synthesis: &Synthesis,
    site_years: &[SiteYear],
    archive: &ArchiveSettings,
) -> Result<Vec<u8>, ReportError> {
    let by_identity: BTreeMap<&SiteYearIdentity, &SiteYear> =
        site_years.iter().map(|one| (&one.identity, one)).collect();
    let rows = synthesis.forest.iter().map(|row| {
        let site_year = row.identity.as_ref().and_then(|identity| by_identity.get(identity).copied());
        let returns = returns(row, synthesis, site_year);
        Row { of: row, site_year, returns, units: Units::new(archive, &row.crop) }
    });
    by_columns("forest.csv", FOREST, rows)
}

/// The returns of the site-year itself, or those of the zone.
fn returns(row: &ForestRow, synthesis: &Synthesis, site_year: Option<&SiteYear>) -> Option<Returns> {
    let Some(site_year) = site_year else {
        let is_own = |zone: &&ZoneResponse| {
            zone.crop == row.crop
                && zone.treatment == row.treatment
                && zone.class == row.class
                && zone.wetness.is_none()
        };
        return synthesis.zones.iter().find(is_own).map(|zone| zone.returns);
    };
    let is_own = |response: &&Response| response.key.treatment == row.treatment && response.key.class == row.class;
    site_year.responses.iter().find(is_own).map(|response| response.returns)
}

/// Slopes over wetness are given for so many millimetres, so that they have digits to show.
const WETNESS_STEP_MM: f64 = 25.0;

/// `trends.csv`.
pub(super) fn trends(synthesis: &Synthesis, archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let trends = synthesis.trends.iter().map(|trend| {
        let (step, per) = match trend.gradient {
            Gradient::Drainage => (1.0, "class".to_owned()),
            Gradient::Wetness => (WETNESS_STEP_MM, format!("{WETNESS_STEP_MM} mm")),
            Gradient::DrainageByWetness => (WETNESS_STEP_MM, format!("class per {WETNESS_STEP_MM} mm")),
        };
        Slope {
            crop: &trend.crop,
            treatment: &trend.treatment,
            gradient: trend.gradient.code().to_owned(),
            estimate: &trend.estimate,
            step,
            per,
            counts: [trend.site_years, trend.seasons],
            cautions: trend.cautions.codes(),
            units: Units::new(archive, &trend.crop),
        }
    });
    let associations = synthesis.associations.iter().map(|one| Slope {
        crop: &one.crop,
        treatment: &one.treatment,
        gradient: format!("observed: {}", one.measure),
        estimate: &one.estimate,
        step: 1.0,
        per: super::observed::step(&one.scale).to_owned(),
        counts: [one.site_years, one.seasons],
        cautions: String::new(),
        units: Units::new(archive, &one.crop),
    });
    by_columns("trends.csv", TRENDS, trends.chain(associations))
}
