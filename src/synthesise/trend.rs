//! How the response changes from class to class and with the wetness of the season.
//!
//! A straight line over the ranks of the classes is the most powerful single test of an interaction with drainage (one
//! degree of freedom; Agresti 2010, Analysis of Ordinal Categorical Data, 2nd ed., section 1.3, on scores for ordered
//! classes). The departure from normal is one number a site-year and much the same over a season's: a slope over it takes four
//! seasons, or departures that differ within one, and has no more degrees of freedom than these carry.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::cells::{Settings, unit};
use super::members::Comparison;
use super::rows::Rows;
use super::{FEW_SEASONS, FEW_SITE_YEARS, LEAST_POOLED};
use crate::config::ArchiveSettings;
use crate::points::{Caution, Cautions};
use crate::results::{Estimate, Gradient, Trend};
use crate::stats::StatsError;
use crate::stats::crossed::{CrossedPosterior, Part};
use crate::stats::distribution::{Mixture, StudentT};

/// Fewest site-years for a slope over wetness (common practice, no source).
pub(super) const LEAST_FOR_WETNESS: usize = 5;
/// Fewest seasons for a slope over wetness where the site-years of one season have much the same departure: two degrees of
/// freedom.
const SEASONS_FOR_WETNESS: usize = 4;
/// Fewest classes in a site-year for the change from class to class to be separated from the deviation of single classes.
const CLASSES_FOR_SLOPE: usize = 3;
/// Range of the departures, mm, below which they tell no slope, where the wetness classes set none: about an inch
/// (common practice, no source).
const LEAST_RANGE_MM: f64 = 25.0;

/// The trends of one comparison: one row each, whether they can be estimated or not.
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
    let season = |member: usize| comparison.members[member].site_year.identity.season;
    trend.seasons = telling.iter().map(|&member| season(member)).collect::<BTreeSet<i32>>().len();
    let least = if needs_wetness { LEAST_FOR_WETNESS } else { LEAST_POOLED };
    if telling.len() < least {
        let what = if needs_classes { " with two classes or more" } else { "" };
        return Err(format!("{} of the {least} site-years{what} needed", telling.len()));
    }
    if needs_wetness {
        wetness_is_reported(&telling, &departure, &season, archive)?;
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
    let ranks: Vec<f64> = (0..rows.y.len()).map(rank).collect();
    // A slope that differs between site-years shows only where some have three classes or more; with two, it is the
    // deviation of the classes.
    let sloping = telling.iter().filter(|&&member| has_classes(member, CLASSES_FOR_SLOPE)).count();
    let slope = (needs_classes && sloping >= LEAST_POOLED).then_some(ranks.as_slice());
    let fit = || -> Result<Estimate, StatsError> {
        let design = |at: usize| columns.iter().enumerate().map(|(j, column)| (j, column(at))).collect();
        let data = rows.laid_out(columns.len(), design, slope)?;
        let posterior = CrossedPosterior::new(data, &settings.priors.scales(&rows, needs_classes, slope.is_some()))?;
        let slope = posterior.coefficient(&unit(columns.len(), columns.len() - 1))?;
        let most = if needs_wetness {
            let known: Vec<(i32, f64)> =
                telling.iter().map(|&member| (season(member), departure(member).unwrap_or(0.0))).collect();
            carried(&known, &posterior, rows.mean_variance())
        } else {
            f64::INFINITY
        };
        limited(&slope, most, settings.confidence)
    };
    trend.estimate = fit().map_err(|error| error.to_string())?;
    Ok(())
}

/// A slope with no more degrees of freedom than seasons and site-years carry; the interval stays the posterior's.
pub(super) fn limited(slope: &Mixture, most: f64, confidence: f64) -> Result<Estimate, StatsError> {
    let (centre, scale, df) = slope.nearest_t()?;
    let reach = |df: f64| StudentT::new(df)?.quantile(0.5 + 0.5 * confidence);
    let fewer = df.min(most);
    let estimate = Estimate::of_t(centre, scale * reach(df)? / reach(fewer)?, fewer, confidence);
    estimate.ok_or(StatsError::NoVariation { what: "slope" })
}

/// Degrees of freedom that the seasons and the site-years within them carry, from season and departure of each site-year:
/// what each tells of the slope is weighed as Satterthwaite 1946, Biometrics Bull. 2:110–114, weighs variances.
pub(super) fn carried(known: &[(i32, f64)], posterior: &CrossedPosterior, sampling: f64) -> f64 {
    let mut by_season: BTreeMap<i32, Vec<f64>> = BTreeMap::new();
    for &(season, mm) in known {
        by_season.entry(season).or_default().push(mm);
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let middle = mean(&known.iter().map(|one| one.1).collect::<Vec<_>>());
    let square = |part: Part| posterior.mean_of(|sd| sd[part as usize].powi(2));
    let (of_season, rest) =
        (square(Part::Cross), square(Part::Outer) + square(Part::Inner) + square(Part::Leaf) + sampling);
    let (mut within, mut between) = (0.0, 0.0);
    for own in by_season.values() {
        let (count, own_mean) = (own.len() as f64, mean(own));
        within += own.iter().map(|mm| (mm - own_mean).powi(2)).sum::<f64>() / rest;
        between += (own_mean - middle).powi(2) / (of_season + rest / count);
    }
    let seasons = by_season.len() as f64;
    let df = |value: f64, df: f64| if value > 0.0 { value * value / df.max(1.0) } else { 0.0 };
    (within + between).powi(2) / (df(within, known.len() as f64 - seasons - 1.0) + df(between, seasons - 2.0))
}

/// Whether the departures differ enough, over enough seasons or within one.
pub(super) fn wetness_is_reported(
    telling: &[usize],
    departure: &dyn Fn(usize) -> Option<f64>,
    season: &dyn Fn(usize) -> i32,
    archive: &ArchiveSettings,
) -> Result<(), String> {
    let mut by_season: BTreeMap<i32, Vec<f64>> = BTreeMap::new();
    for &member in telling {
        by_season.entry(season(member)).or_default().extend(departure(member));
    }
    let range = |values: &mut dyn Iterator<Item = f64>| {
        let (least, most) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, m), mm| (l.min(mm), m.max(mm)));
        most - least
    };
    let breaks = archive.wetness.as_ref().and_then(|settings| settings.breaks_mm()).unwrap_or_default();
    let needed = match (breaks.first(), breaks.last()) {
        (Some(first), Some(last)) if last > first => last - first,
        _ => LEAST_RANGE_MM,
    };
    let all = range(&mut by_season.values().flatten().copied());
    if all < needed {
        return Err(format!("the departures span {all:.0} mm; a slope takes at least {needed:.0} mm"));
    }
    let within = by_season.values().map(|own| range(&mut own.iter().copied())).fold(0.0, f64::max);
    if by_season.len() < SEASONS_FOR_WETNESS && within < needed {
        return Err(format!(
            "{} of the {SEASONS_FOR_WETNESS} seasons needed where the departures of one span less than {needed:.0} mm",
            by_season.len()
        ));
    }
    Ok(())
}
