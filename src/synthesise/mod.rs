//! Synthesise: the responses of all site-years → zones, spread between site-years, prediction, trends.
//!
//! A model over the site-years' own estimates, each weighed by its standard error, with the spread between seasons, farms,
//! fields and site-years averaged over; over block differences where too few site-years have a standard error. One site-year
//! says nothing of others; two give a mean and no interval. Below three seasons what is said of other years rests on the
//! priors, and the answer under half and twice their scales stands beside it.

mod cells;
mod covariates;
mod influence;
mod members;
mod observed;
mod priors;
mod rows;
mod shrink;
mod treatments;
mod trend;
mod zones;

use std::collections::BTreeMap;

use rayon::prelude::*;

use cells::{Cell, Cells};
use members::Comparison;
use priors::Priors;

use crate::config::ArchiveSettings;
use crate::results::{FieldAnswer, FieldResponse, LEAST_POOLED, SiteYear, Synthesis, ZoneResponse};

/// Version of this stage's results.
pub const VERSION: u32 = 6;

/// Site-years below which the spread between them is poorly known (common practice, no source).
pub const FEW_SITE_YEARS: usize = 5;
/// Seasons below which weather cannot be separated from all else that a year brings (common practice, no source).
pub const FEW_SEASONS: usize = 3;

/// The synthesis of an archive; `site_years` in any order, the result does not depend on it, nor on the number of threads.
pub fn run(site_years: &[SiteYear], archive: &ArchiveSettings) -> Synthesis {
    let mut sorted: Vec<&SiteYear> = site_years.iter().collect();
    sorted.sort_by(|one, other| one.identity.cmp(&other.identity));
    let comparisons = Comparison::all(&sorted, archive);
    let told: Vec<Synthesis> = comparisons.into_par_iter().map(|one| compare(one, &sorted, archive)).collect();
    let associations = observed::associations(&sorted, archive.model.confidence);
    let mut synthesis = Synthesis { associations, ..Synthesis::default() };
    for one in told {
        synthesis.zones.extend(one.zones);
        synthesis.trends.extend(one.trends);
        synthesis.forest.extend(one.forest);
        synthesis.without_season.extend(one.without_season);
        synthesis.fields.extend(one.fields);
        synthesis.left_out.extend(one.left_out);
        synthesis.covariates.extend(one.covariates);
    }
    treatments::towards_each_other(&mut synthesis, archive);
    covariates::adjust(&mut synthesis.covariates);
    synthesis
}

/// The models of one comparison.
struct Models {
    classes: Option<Cells>,
    classes_by_wetness: Option<Cells>,
    field: Option<Cells>,
    field_by_wetness: Option<Cells>,
}

impl Models {
    fn of(&self, cell: Cell) -> Option<&Cells> {
        match (cell.class, cell.wetness) {
            (Some(_), None) => self.classes.as_ref(),
            (Some(_), Some(_)) => self.classes_by_wetness.as_ref(),
            (None, None) => self.field.as_ref(),
            (None, Some(_)) => self.field_by_wetness.as_ref(),
        }
    }
}

fn compare(comparison: Comparison<'_>, site_years: &[&SiteYear], archive: &ArchiveSettings) -> Synthesis {
    let settings = cells::Settings {
        confidence: archive.model.confidence,
        priors: Priors { check_yield: comparison.check_yield().unwrap_or(FALLBACK_YIELD_KG_HA), factor: 1.0 },
    };
    let classes = comparison.classes(site_years);
    let ranks = comparison.wetness_ranks(archive);
    let soil: Vec<Option<usize>> = classes.iter().copied().map(Some).collect();
    let cells = |classes: &[Option<usize>], wetness: Option<&[Option<usize>]>| {
        cells::fit(&comparison, classes, wetness, &settings)
    };
    let by_class = || rayon::join(|| cells(&soil, Some(&ranks)), || cells(&soil, None));
    let whole = || rayon::join(|| cells(&[None], Some(&ranks)), || cells(&[None], None));
    let (trends, ((classes_by_wetness, classes), (field_by_wetness, field))) =
        rayon::join(|| trend::all(&comparison, &soil, &settings, archive), || rayon::join(by_class, whole));
    let models = Models { classes, classes_by_wetness, field, field_by_wetness };
    // The classes dry to wet, then the whole field; within each the wetness classes dry to wet, then all of them.
    let mut zones: BTreeMap<Cell, ZoneResponse> = BTreeMap::new();
    let mut order = Vec::new();
    for class in soil.iter().copied().chain([None]) {
        let labels = archive.wetness.as_ref().map_or(0, |settings| settings.labels.len());
        for wetness in (0..labels).filter(|at| ranks.contains(&Some(*at))).map(Some).chain([None]) {
            let cell = Cell { class, wetness };
            let mean = models.of(cell).and_then(|cells| cells.means.iter().find(|mean| mean.cell == cell));
            let mut zone = zones::zone(&comparison, cell, mean, &ranks, archive);
            zone.prediction = zone
                .predictive
                .as_ref()
                .and_then(|predictive| predictive.interval(settings.confidence).ok())
                .map(|interval| (interval.lower, interval.upper));
            zones.insert(cell, zone);
            order.push(cell);
        }
    }
    let all = [&models.classes, &models.classes_by_wetness, &models.field, &models.field_by_wetness];
    for cells in all.into_iter().flatten() {
        shrink::towards_neighbours(cells, &mut zones, &settings);
    }
    let (forest, without_season) = influence::forest(&comparison, &models, &mut zones);
    let zones = order.iter().filter_map(|cell| zones.remove(cell)).collect();
    let fields = fields(&comparison, &models, settings.confidence);
    let covariates = covariates::all(&comparison, &settings, archive);
    let left_out = comparison.left_out;
    Synthesis { zones, trends, forest, without_season, fields, covariates, left_out, ..Synthesis::default() }
}

/// What is reported of each field that had strips, on each class and over all of them.
fn fields(comparison: &Comparison<'_>, models: &Models, confidence: f64) -> Vec<FieldResponse> {
    let mut told: BTreeMap<(usize, usize), Vec<FieldAnswer>> = BTreeMap::new();
    let mut identities = BTreeMap::new();
    for cells in [&models.classes, &models.field].into_iter().flatten() {
        for member in cells.rows.members() {
            identities.insert(cells.rows.place(member), &comparison.members[member].site_year.identity);
        }
        for (place, cell, answer) in cells.fields(confidence) {
            if cells.means.iter().any(|mean| mean.cell == cell && mean.pooled.is_some()) {
                told.entry(place).or_default().push(answer);
            }
        }
    }
    told.into_iter()
        .filter_map(|(place, answers)| {
            let identity = identities.get(&place)?;
            Some(FieldResponse {
                crop: comparison.crop.clone(),
                treatment: comparison.treatment.clone(),
                farm: identity.farm.clone(),
                field: identity.field.clone(),
                answers,
            })
        })
        .collect()
}

/// Yield that stands in for an unknown one in the scale of the priors, kg/ha.
const FALLBACK_YIELD_KG_HA: f64 = 10_000.0;
