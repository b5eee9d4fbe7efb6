//! `forest.csv` and `trends.csv`: the synthesis site-year by site-year, and along its gradients.

use std::collections::BTreeMap;

use super::tables::write;
use super::units::fixed;
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::{Estimate, ForestRow, Gradient, SiteYear, SiteYearIdentity, Synthesis};

/// The columns of `forest.csv`.
pub const FOREST_COLUMNS: [&str; 29] = [
    "crop",
    "treatment",
    "drainage_class",
    "row",
    "season",
    "farm",
    "field",
    "wetness_mm",
    "wetness_class",
    "blocks",
    "response",
    "std_error",
    "df",
    "ci_low",
    "ci_high",
    "probability_positive",
    "weight",
    "shrunken_response",
    "response_without",
    "tau_without",
    "turns_sign",
    "break_even",
    "net_return",
    "net_low",
    "net_high",
    "yield_unit",
    "money_unit",
    "folder",
    "caution",
];

/// The columns of `trends.csv`.
pub const TREND_COLUMNS: [&str; 14] = [
    "crop",
    "treatment",
    "gradient",
    "slope",
    "slope_unit",
    "std_error",
    "df",
    "ci_low",
    "ci_high",
    "p_value",
    "probability_positive",
    "site_years",
    "seasons",
    "caution",
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
        cells(row, synthesis, site_year, &Units::new(archive, &row.crop))
    });
    write("forest.csv", &FOREST_COLUMNS, rows)
}

fn cells(row: &ForestRow, synthesis: &Synthesis, site_year: Option<&SiteYear>, units: &Units) -> Vec<String> {
    let yields = |value: Option<f64>| fixed(value.map(|value| units.yields(value)), units.yield_decimals);
    let identity = row.identity.as_ref();
    let of_identity = |pick: &dyn Fn(&SiteYearIdentity) -> String| identity.map_or_else(|| "all".to_owned(), pick);
    // The site-year's own break-even response, or that of the zone.
    let returns = match site_year {
        Some(one) => one
            .responses
            .iter()
            .find(|response| response.key.treatment == row.treatment && response.key.class == row.class)
            .map(|response| response.returns),
        None => synthesis
            .zones
            .iter()
            .find(|zone| {
                zone.crop == row.crop
                    && zone.treatment == row.treatment
                    && zone.class == row.class
                    && zone.wetness.is_none()
            })
            .map(|zone| zone.returns),
    };
    let break_even = returns.and_then(|returns| returns.break_even);
    let net = |kg_ha: Option<f64>| {
        fixed(returns.zip(kg_ha).and_then(|(returns, kg_ha)| Some(units.money(returns.net_return_of(kg_ha)?))), 2)
    };
    let ends = returns.and_then(|returns| returns.net_interval);
    let estimate = &row.estimate;
    vec![
        row.crop.clone(),
        row.treatment.clone(),
        row.class_name.clone(),
        row.kind.code().to_owned(),
        of_identity(&|identity| identity.season.to_string()),
        of_identity(&|identity| identity.farm.clone()),
        of_identity(&|identity| identity.field.clone()),
        fixed(row.wetness_mm, 1),
        row.wetness_class.clone().unwrap_or_default(),
        row.blocks.to_string(),
        yields(estimate.mean),
        yields(estimate.std_error),
        fixed(estimate.df, 2),
        yields(estimate.low),
        yields(estimate.high),
        fixed(estimate.probability_positive, 4),
        fixed(row.weight, 4),
        yields(row.shrunken),
        yields(row.without.map(|without| without.mean)),
        yields(row.without.map(|without| without.tau)),
        row.without.map_or("", |_| if row.turns_sign { "yes" } else { "no" }).to_owned(),
        yields(break_even),
        net(estimate.mean),
        fixed(ends.map(|ends| units.money(ends.0)), 2),
        fixed(ends.map(|ends| units.money(ends.1)), 2),
        units.yield_unit.to_owned(),
        units.money_unit.clone(),
        site_year.map_or_else(String::new, |one| one.folder.clone()),
        row.cautions.codes(),
    ]
}

/// Departures are told for so many millimetres, so that slopes have digits to show.
const WETNESS_STEP_MM: f64 = 25.0;

/// `trends.csv`.
pub(super) fn trends(synthesis: &Synthesis, archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = synthesis.trends.iter().map(|trend| {
        let units = Units::new(archive, &trend.crop);
        let (step, of) = match trend.gradient {
            Gradient::Drainage => (1.0, " per class".to_owned()),
            Gradient::Wetness => (WETNESS_STEP_MM, format!(" per {WETNESS_STEP_MM} mm")),
            Gradient::DrainageByWetness => (WETNESS_STEP_MM, format!(" per class per {WETNESS_STEP_MM} mm")),
        };
        slope_cells(
            [trend.crop.as_str(), &trend.treatment, trend.gradient.code()],
            (&trend.estimate, step, format!("{}{of}", units.yield_unit)),
            [trend.site_years, trend.seasons],
            (trend.cautions.codes(), &units),
        )
    });
    let associations = synthesis.associations.iter().map(|one| {
        let units = Units::new(archive, &one.crop);
        slope_cells(
            [one.crop.as_str(), &one.treatment, &format!("observed: {}", one.measure)],
            (&one.estimate, 1.0, format!("{} per {}", units.yield_unit, super::observed::step(&one.scale))),
            [one.site_years, one.seasons],
            (String::new(), &units),
        )
    });
    write("trends.csv", &TREND_COLUMNS, rows.chain(associations))
}

/// A row of `trends.csv`: what it is of, the slope with its step and unit, site-years and seasons, cautions.
fn slope_cells(
    of: [&str; 3],
    (estimate, step, unit): (&Estimate, f64, String),
    counts: [usize; 2],
    (cautions, units): (String, &Units),
) -> Vec<String> {
    let slope = |value: Option<f64>| fixed(value.map(|value| step * units.yields(value)), units.yield_decimals);
    let mut cells: Vec<String> = of.map(str::to_owned).to_vec();
    cells.extend([slope(estimate.mean), unit, slope(estimate.std_error), fixed(estimate.df, 2)]);
    cells.extend([slope(estimate.low), slope(estimate.high)]);
    cells.extend([fixed(estimate.p_value, 4), fixed(estimate.probability_positive, 4)]);
    cells.extend(counts.map(|count| count.to_string()));
    cells.push(cautions);
    cells
}
