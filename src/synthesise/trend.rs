//! How the response changes from class to class and with the wetness of the season.
//!
//! A straight line over the ranks of the classes is the most powerful single test of an interaction with drainage (one
//! degree of freedom; Agresti 2010, Analysis of Ordinal Categorical Data, 2nd ed., section 1.3, on scores for ordered
//! classes). The departure from normal is one number a site-year, so its slope has at most as many degrees of freedom as
//! there are site-years less two, however many records they hold.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::cells::{Settings, told};
use super::members::Comparison;
use super::mixed::{self, Rows};
use super::{FEW_SEASONS, FEW_SITE_YEARS, LEAST_POOLED, two_stage};
use crate::config::ArchiveSettings;
use crate::points::{Caution, Cautions};
use crate::results::{Estimate, Gradient, Trend};
use crate::stats::dense::Mat;
use crate::stats::meta::Estimates;

/// Fewest site-years for a slope over wetness (common practice, no source).
pub(super) const LEAST_FOR_WETNESS: usize = 5;
/// Fewest classes in a site-year for the change from class to class to be told from the deviation of single classes.
const CLASSES_FOR_SLOPE: usize = 3;
/// Range of the departures, mm, below which they tell no slope, where the wetness classes set none: about an inch
/// (common practice, no source).
const LEAST_RANGE_MM: f64 = 25.0;

/// The trends of one comparison: one row each, whether they can be told or not.
pub(super) fn all(
    comparison: &Comparison<'_>,
    soil: &[Option<usize>],
    settings: &Settings,
    archive: &ArchiveSettings,
) -> Vec<Trend> {
    Gradient::ALL
        .par_iter()
        .filter(|gradient| archive.wetness.is_some() || **gradient == Gradient::Drainage)
        .filter(|gradient| !soil.is_empty() || **gradient == Gradient::Wetness)
        .map(|&gradient| {
            let mut trend = Trend {
                crop: comparison.crop.clone(),
                treatment: comparison.treatment.clone(),
                gradient,
                estimate: Estimate::default(),
                site_years: 0,
                seasons: 0,
                cautions: Cautions::default(),
            };
            if let Err(reason) = tell(comparison, soil, settings, archive, &mut trend) {
                trend.cautions.add(Caution::NotEstimable, reason);
            }
            trend
        })
        .collect()
}

fn tell(
    comparison: &Comparison<'_>,
    soil: &[Option<usize>],
    settings: &Settings,
    archive: &ArchiveSettings,
    trend: &mut Trend,
) -> Result<(), String> {
    let needs_wetness = trend.gradient != Gradient::Drainage;
    let needs_classes = trend.gradient != Gradient::Wetness;
    let classes = if needs_classes { soil } else { &[None][..] };
    let rows = Rows::of(comparison, classes).ok_or("no site-year with an estimate")?;
    let departure = |member: usize| comparison.members[member].site_year.wetness_mm;
    let rows = rows.filtered(|member, _| !needs_wetness || departure(member).is_some());
    // Site-years that tell of the trend: for one over classes, those with at least two of them.
    let mut classes_of: BTreeMap<usize, BTreeSet<usize>> = BTreeMap::new();
    for (&member, &class) in rows.member.iter().zip(&rows.class) {
        classes_of.entry(member).or_default().insert(class);
    }
    let has_classes = |member: usize, least: usize| classes_of.get(&member).is_some_and(|found| found.len() >= least);
    let mut telling = rows.members();
    if needs_classes {
        telling.retain(|&member| has_classes(member, 2));
    }
    trend.site_years = telling.len();
    let seasons: BTreeSet<i32> =
        telling.iter().map(|&member| comparison.members[member].site_year.identity.season).collect();
    trend.seasons = seasons.len();
    let least = if needs_wetness { LEAST_FOR_WETNESS } else { LEAST_POOLED };
    if telling.len() < least {
        let what = if needs_classes { " with two classes or more" } else { "" };
        return Err(format!("{} of the {least} site-years{what} that it takes", telling.len()));
    }
    if needs_wetness {
        wetness_is_told(&telling, &departure, trend.seasons, archive)?;
    }
    match trend.seasons {
        1 => trend.cautions.add(Caution::SingleYear, ""),
        few if few < FEW_SEASONS => trend.cautions.add(Caution::FewSeasons, format!("{few} seasons")),
        _ => {}
    }
    if telling.len() < FEW_SITE_YEARS {
        trend.cautions.add(Caution::FewSiteYears, format!("{} site-years", telling.len()));
    }
    let middle = rows.class.iter().sum::<usize>() as f64 / rows.class.len() as f64;
    let rank = |at: usize| rows.class[at] as f64 - middle;
    let wet = |at: usize| departure(rows.member[at]).unwrap_or(0.0);
    let columns: Vec<&dyn Fn(usize) -> f64> = match trend.gradient {
        Gradient::Drainage => vec![&|_| 1.0, &rank],
        Gradient::Wetness => vec![&|_| 1.0, &wet],
        Gradient::DrainageByWetness => vec![&|_| 1.0, &rank, &wet],
    };
    let product = |at: usize| rank(at) * wet(at);
    let mut columns = columns;
    if trend.gradient == Gradient::DrainageByWetness {
        columns.push(&product);
    }
    let design = Mat::from_fn(rows.y.len(), columns.len(), |i, j| columns[j](i));
    let ranks: Vec<f64> = (0..rows.y.len()).map(rank).collect();
    // A slope that differs between site-years shows only where some have three classes or more; with two, it is the
    // deviation of the classes.
    let sloping = telling.iter().filter(|&&member| has_classes(member, CLASSES_FOR_SLOPE)).count();
    let slope = (needs_classes && sloping >= LEAST_POOLED).then_some(ranks.as_slice());
    let fitted = mixed::fit(&rows, &design, slope)
        .or_else(|_| mixed::fit(&rows, &design, None))
        .map_err(|error| error.to_string())?;
    let mut unit = vec![0.0; columns.len()];
    unit[columns.len() - 1] = 1.0;
    let test = if rows.are_estimates() && trend.gradient == Gradient::Wetness && fitted.components.season <= 0.0 {
        // One estimate a site-year: a meta-regression with the adjustment for few and unequal studies.
        let variances = rows.known_variances();
        Estimates::new(&rows.y, variances, design.as_ref()).and_then(|all| two_stage::pool(all, &unit)).map(|of| of.0)
    } else if needs_wetness {
        fitted.limited_test(&unit, (telling.len() - 2) as f64)
    } else {
        fitted.test(&unit, (telling.len() - 1) as f64)
    };
    let test = test.map_err(|error| error.to_string())?;
    trend.estimate = told(&test, settings.confidence).map_err(|error| error.to_string())?;
    Ok(())
}

/// Whether the departures differ enough, and over more than one season, for a slope.
fn wetness_is_told(
    telling: &[usize],
    departure: &dyn Fn(usize) -> Option<f64>,
    seasons: usize,
    archive: &ArchiveSettings,
) -> Result<(), String> {
    let known: Vec<f64> = telling.iter().filter_map(|&member| departure(member)).collect();
    let least = known.iter().copied().fold(f64::INFINITY, f64::min);
    let most = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let breaks = archive.wetness.as_ref().and_then(|settings| settings.breaks_mm()).unwrap_or_default();
    let needed = match (breaks.first(), breaks.last()) {
        (Some(first), Some(last)) if last > first => last - first,
        _ => LEAST_RANGE_MM,
    };
    if seasons < 2 {
        return Err("one season: its weather cannot be told from all else in that year".to_owned());
    }
    if most - least < needed {
        return Err(format!("the departures span {:.0} mm; a slope takes at least {needed:.0} mm", most - least));
    }
    Ok(())
}
