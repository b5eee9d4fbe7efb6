//! The forest: site-year by site-year, what it weighs, and what the mean would be without it.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::cells::{Cell, Cells, between, unit};
use super::members::Comparison;
use super::{LEAST_POOLED, Models};
use crate::points::{Caution, Cautions};
use crate::results::{Estimate, ForestKind, ForestRow, LeaveOneOut, WithoutSeason, ZoneResponse};
use crate::stats::StatsError;
use crate::stats::crossed::{CrossedPosterior, Peak};

/// Site-years up to which the model is fitted anew each time one is left out; beyond, one changes the spread between them
/// little, and its weight tells what the mean becomes.
const REFITTED_UP_TO: usize = 40;

/// The forest of each soil class and of the whole field, and what its mean is without each season; a zone in which one
/// site-year decides the sign gets the caution.
pub(super) fn forest(
    comparison: &Comparison<'_>,
    models: &Models,
    zones: &mut BTreeMap<Cell, ZoneResponse>,
) -> (Vec<ForestRow>, Vec<WithoutSeason>) {
    let mut rows = Vec::new();
    let whole = Cell { class: None, wetness: None };
    let mut seasons = Vec::new();
    let wanted: Vec<Cell> = zones.keys().copied().filter(|cell| cell.wetness.is_none()).collect();
    let (field, classes): (Vec<Cell>, Vec<Cell>) = wanted.into_iter().partition(|cell| cell.class.is_none());
    let order: Vec<Cell> = classes.into_iter().chain(field).collect();
    let without_each = |cells: &Option<Cells>| cells.as_ref().map(Without::each);
    let (of_classes, of_field) = (without_each(&models.classes), without_each(&models.field));
    let found: Vec<BTreeMap<usize, Influence>> = order
        .par_iter()
        .map(|&cell| {
            let without = if cell.class.is_some() { &of_classes } else { &of_field };
            match (models.of(cell), without, zones[&cell].estimate.mean) {
                (Some(cells), Some(without), Some(mean)) => influences(cells, without, cell, mean).unwrap_or_default(),
                _ => BTreeMap::new(),
            }
        })
        .collect();
    for (cell, influences) in order.into_iter().zip(found) {
        let Some(zone) = zones.get_mut(&cell) else { continue };
        if let (true, Some(cells), Some(mean)) = (cell == whole, models.of(cell), zone.estimate.mean) {
            seasons = without_seasons(comparison, cells, &influences, mean);
        }
        let mut decisive = Vec::new();
        for (at, member) in comparison.members.iter().enumerate() {
            let Some(response) = member.response(cell.class) else { continue };
            let influence = influences.get(&at);
            let without = influence.and_then(|one| one.without);
            let turns_sign = without.zip(zone.estimate.mean).is_some_and(|(without, mean)| without.mean * mean < 0.0);
            if turns_sign {
                decisive.push(member.name());
            }
            rows.push(ForestRow {
                kind: ForestKind::SiteYear,
                identity: Some(member.site_year.identity.clone()),
                wetness_mm: member.site_year.wetness_mm,
                wetness_class: member.site_year.wetness_class.clone(),
                blocks: response.blocks,
                estimate: response.estimate,
                weight: influence.map(|one| one.weight),
                shrunken: influence.map(|one| one.shrunken),
                without,
                turns_sign,
                cautions: response.cautions.clone(),
                ..empty(comparison, zone, ForestKind::SiteYear)
            });
        }
        if !decisive.is_empty() {
            zone.cautions.add(Caution::RestsOnOne, decisive.join(", "));
        }
        rows.push(ForestRow {
            estimate: zone.estimate,
            wetness_mm: zone.wetness_mm,
            blocks: zone.blocks,
            shrunken: zone.shrunken.as_ref().map(|shrunken| shrunken.mean),
            cautions: zone.cautions.clone(),
            ..empty(comparison, zone, ForestKind::Mean)
        });
        if let (Some((low, high)), Some(predictive)) = (zone.prediction, &zone.predictive) {
            rows.push(ForestRow {
                estimate: Estimate {
                    mean: predictive.mean(),
                    low: Some(low),
                    high: Some(high),
                    probability_positive: Some(predictive.survival(0.0)),
                    ..Estimate::default()
                },
                ..empty(comparison, zone, ForestKind::NewSiteYear)
            });
        }
    }
    (rows, seasons)
}

/// The mean over the whole field without each season, where three site-years and two seasons remain. The model is fitted anew up to
/// [`REFITTED_UP_TO`] site-years; beyond, the weights of the season's site-years tell.
fn without_seasons(
    comparison: &Comparison<'_>,
    cells: &Cells,
    influences: &BTreeMap<usize, Influence>,
    mean: f64,
) -> Vec<WithoutSeason> {
    let season = |member: usize| comparison.members[member].site_year.identity.season;
    let members: Vec<usize> = influences.keys().copied().collect();
    let seasons: BTreeSet<i32> = members.iter().map(|&member| season(member)).collect();
    if seasons.len() <= 2 {
        return Vec::new();
    }
    let all = if members.len() <= REFITTED_UP_TO { peak(cells, |_| true, None).ok() } else { None };
    let told = |left_out: i32| {
        let kept = members.iter().filter(|&&member| season(member) != left_out).count();
        if kept < LEAST_POOLED {
            return None;
        }
        let without = match &all {
            Some(all) => {
                let peak = peak(cells, |member| season(member) != left_out, Some(all)).ok()?;
                mean + peak.coefficients.first()? - all.coefficients.first()?
            }
            None => {
                let of_season = (0..cells.rows.y.len()).filter(|&at| season(cells.rows.member[at]) == left_out);
                let (weights, sum) = of_season.fold((0.0, 0.0), |(weights, sum), at| {
                    let weight = influences.get(&cells.rows.member[at]).map_or(0.0, |one| one.weight);
                    (weights + weight, sum + weight * cells.rows.y[at])
                });
                (mean - sum) / (1.0 - weights)
            }
        };
        Some(WithoutSeason {
            crop: comparison.crop.clone(),
            treatment: comparison.treatment.clone(),
            season: left_out,
            mean: without,
        })
    };
    seasons.into_iter().filter_map(told).filter(|one| one.mean.is_finite()).collect()
}

/// The model at its peak, of the members that are kept.
fn peak(cells: &Cells, is_kept: impl Fn(usize) -> bool, start: Option<&Peak>) -> Result<Peak, StatsError> {
    let kept: Vec<usize> = (0..cells.rows.y.len()).filter(|&at| is_kept(cells.rows.member[at])).collect();
    let rows = cells.rows.filtered(|member, _| is_kept(member));
    let data = rows.laid_out(cells.means.len(), |at| vec![(cells.columns[kept[at]], 1.0)], None)?;
    CrossedPosterior::peak_of(&data, &cells.scales, start)
}

fn empty(comparison: &Comparison<'_>, zone: &ZoneResponse, kind: ForestKind) -> ForestRow {
    ForestRow {
        crop: comparison.crop.clone(),
        treatment: comparison.treatment.clone(),
        class: zone.class,
        class_name: zone.class_name.clone(),
        kind,
        identity: None,
        wetness_mm: None,
        wetness_class: None,
        blocks: 0,
        estimate: Estimate::default(),
        weight: None,
        shrunken: None,
        without: None,
        turns_sign: false,
        cautions: Cautions::default(),
    }
}

/// What one site-year does to the mean.
struct Influence {
    weight: f64,
    shrunken: f64,
    without: Option<LeaveOneOut>,
}

/// A model at its peak, with all site-years and without each.
struct Without {
    all: Option<Peak>,
    /// By member; empty beyond [`REFITTED_UP_TO`] site-years.
    each: BTreeMap<usize, Option<Peak>>,
}

impl Without {
    fn each(cells: &Cells) -> Self {
        let members = cells.rows.members();
        let all = peak(cells, |_| true, None).ok();
        let few = all.is_some() && members.len() > LEAST_POOLED && members.len() <= REFITTED_UP_TO;
        let each = if few { members } else { Vec::new() };
        let each = each
            .into_par_iter()
            .map(|member| (member, peak(cells, |other| other != member, all.as_ref()).ok()))
            .collect();
        Self { all, each }
    }
}

/// The influence of each member.
fn influences(
    cells: &Cells,
    without: &Without,
    cell: Cell,
    mean: f64,
) -> Result<BTreeMap<usize, Influence>, StatsError> {
    let Some(of) = cells.means.iter().find(|one| one.cell == cell).filter(|one| one.pooled.is_some()) else {
        return Ok(BTreeMap::new());
    };
    let told = cells.posterior.rows(&unit(cells.means.len(), of.column))?;
    let own = told.iter().enumerate().filter(|(at, _)| cells.columns[*at] == of.column);
    Ok(own
        .map(|(at, &(weight, shrunken))| {
            let member = cells.rows.member[at];
            // none where fewer than three would remain
            let without = without.all.as_ref().filter(|_| of.members.len() > LEAST_POOLED).and_then(|all| {
                if without.each.is_empty() {
                    let mean = mean + (mean - cells.rows.y[at]) * weight / (1.0 - weight);
                    return Some(LeaveOneOut { mean, tau: between(&all.deviations) });
                }
                let peak = without.each.get(&member)?.as_ref()?;
                // as far as the mean at the peak moves
                let mean = mean + peak.coefficients[of.column] - all.coefficients[of.column];
                Some(LeaveOneOut { mean, tau: between(&peak.deviations) })
            });
            (member, Influence { weight, shrunken, without })
        })
        .collect())
}
