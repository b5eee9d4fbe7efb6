//! The forest: site-year by site-year, what it weighs, and what the mean would be without it.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::cells::{Cell, Cells};
use super::members::Comparison;
use super::mixed::Summary;
use super::{LEAST_POOLED, Models, two_stage};
use crate::points::{Caution, Cautions};
use crate::results::{Estimate, ForestKind, ForestRow, LeaveOneOut, ZoneResponse};
use crate::stats::StatsError;
use crate::stats::dense::Mat;
use crate::stats::meta::{Estimates, MetaFit};

/// Site-years up to which the spread between them is estimated anew each time one is left out; beyond, one changes it
/// little, and the value from all of them is kept.
const REFITTED_UP_TO: usize = 200;

/// The forest of each soil class and of the whole field; a zone in which one site-year decides the sign gets the caution.
pub(super) fn forest(
    comparison: &Comparison<'_>,
    models: &Models,
    zones: &mut BTreeMap<Cell, ZoneResponse>,
) -> Vec<ForestRow> {
    let mut rows = Vec::new();
    let wanted: Vec<Cell> = zones.keys().copied().filter(|cell| cell.wetness.is_none()).collect();
    let (field, classes): (Vec<Cell>, Vec<Cell>) = wanted.into_iter().partition(|cell| cell.class.is_none());
    let order: Vec<Cell> = classes.into_iter().chain(field).collect();
    let found: Vec<BTreeMap<usize, Influence>> = order
        .par_iter()
        .map(|&cell| match (models.of(cell), zones[&cell].estimate.mean) {
            (Some(cells), Some(mean)) => influences(cells, cell, mean),
            _ => BTreeMap::new(),
        })
        .collect();
    for (cell, influences) in order.into_iter().zip(found) {
        let Some(zone) = zones.get_mut(&cell) else { continue };
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
    rows
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

/// The influence of each member.
fn influences(cells: &Cells, cell: Cell, mean: f64) -> BTreeMap<usize, Influence> {
    let members: Vec<Summary> =
        cells.summaries.iter().copied().filter(|one| cell.class.is_none_or(|class| one.class == class)).collect();
    if members.len() < LEAST_POOLED {
        return BTreeMap::new();
    }
    let Ok(all) = pooled(&members) else { return BTreeMap::new() };
    let weight = |one: &Summary| 1.0 / (one.variance + all.tau2);
    let total: f64 = members.iter().map(weight).sum();
    // the mean of the others, as far as the mean of all moves; none where fewer than three would remain
    let without = |at: usize| -> Option<LeaveOneOut> {
        if members.len() <= LEAST_POOLED {
            return None;
        }
        let (moved, tau2) = if members.len() > REFITTED_UP_TO {
            // (Σ w y − w y)/(Σ w − w) = ȳ + w (ȳ − y)/(Σ w − w)
            let (one, w) = (&members[at], weight(&members[at]));
            (w * (all.coefficients[0] - one.mean) / (total - w), all.tau2)
        } else {
            let fit = pooled(&[&members[..at], &members[at + 1..]].concat()).ok()?;
            (fit.coefficients[0] - all.coefficients[0], fit.tau2)
        };
        Some(LeaveOneOut { mean: mean + moved, tau: tau2.sqrt() })
    };
    members
        .iter()
        .zip(all.shrunken())
        .enumerate()
        .map(|(at, (one, shrunken))| {
            let share = weight(one) / total;
            (one.member, Influence { weight: share, shrunken: shrunken.estimate, without: without(at) })
        })
        .collect()
}

fn pooled(members: &[Summary]) -> Result<MetaFit, StatsError> {
    let y: Vec<f64> = members.iter().map(|one| one.mean).collect();
    let variances: Vec<f64> = members.iter().map(|one| one.variance).collect();
    let ones = Mat::from_fn(y.len(), 1, |_, _| 1.0);
    two_stage::fit(Estimates::new(&y, &variances, ones.as_ref())?)
}
