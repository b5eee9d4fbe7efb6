//! The forest: site-year by site-year, what it weighs, and what the mean would be without it.

use std::collections::BTreeMap;

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

/// Adds the forest of each soil class and of the whole field, and the caution where one site-year decides the sign.
pub(super) fn forest(
    comparison: &Comparison<'_>,
    models: &Models,
    zones: &mut BTreeMap<Cell, ZoneResponse>,
    into: &mut Vec<ForestRow>,
) {
    let wanted: Vec<Cell> = zones.keys().copied().filter(|cell| cell.wetness.is_none()).collect();
    let (field, classes): (Vec<Cell>, Vec<Cell>) = wanted.into_iter().partition(|cell| cell.class.is_none());
    for cell in classes.into_iter().chain(field) {
        let Some(zone) = zones.get_mut(&cell) else { continue };
        let influences = match (models.of(cell), zone.estimate.mean) {
            (Some(cells), Some(mean)) => influences(cells, cell, mean),
            _ => Vec::new(),
        };
        let mut decisive = Vec::new();
        for (at, member) in comparison.members.iter().enumerate() {
            let Some(response) = member.response(cell.class) else { continue };
            let influence = influences.iter().find(|one| one.member == at);
            let without = influence.and_then(|one| one.without);
            let turns_sign = without.zip(zone.estimate.mean).is_some_and(|(without, mean)| without.mean * mean < 0.0);
            if turns_sign {
                decisive.push(member.name());
            }
            into.push(ForestRow {
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
        into.push(ForestRow {
            estimate: zone.estimate,
            wetness_mm: zone.wetness_mm,
            blocks: zone.blocks,
            shrunken: zone.shrunken.as_ref().map(|shrunken| shrunken.mean),
            cautions: zone.cautions.clone(),
            ..empty(comparison, zone, ForestKind::Mean)
        });
        if let (Some((low, high)), Some(predictive)) = (zone.prediction, &zone.predictive) {
            into.push(ForestRow {
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
    member: usize,
    weight: f64,
    shrunken: f64,
    without: Option<LeaveOneOut>,
}

fn influences(cells: &Cells, cell: Cell, mean: f64) -> Vec<Influence> {
    let members: Vec<Summary> =
        cells.summaries.iter().copied().filter(|one| cell.class.is_none_or(|class| one.class == class)).collect();
    if members.len() < LEAST_POOLED {
        return Vec::new();
    }
    let Ok(all) = pooled(&members) else { return Vec::new() };
    let shrunken = all.shrunken();
    let weight = |one: &Summary| 1.0 / (one.variance + all.tau2);
    let total: f64 = members.iter().map(weight).sum();
    members
        .iter()
        .enumerate()
        .map(|(at, one)| Influence {
            member: one.member,
            weight: weight(one) / total,
            shrunken: shrunken[at].estimate,
            without: without(&members, at, &all, mean).ok().flatten(),
        })
        .collect()
}

fn pooled(members: &[Summary]) -> Result<MetaFit, StatsError> {
    let y: Vec<f64> = members.iter().map(|one| one.mean).collect();
    let variances: Vec<f64> = members.iter().map(|one| one.variance).collect();
    let ones = Mat::from_fn(y.len(), 1, |_, _| 1.0);
    two_stage::fit(Estimates::new(&y, &variances, ones.as_ref())?)
}

/// The mean of the others, as far as the mean of all moves; `None` where fewer than three would remain.
fn without(members: &[Summary], left: usize, all: &MetaFit, mean: f64) -> Result<Option<LeaveOneOut>, StatsError> {
    if members.len() <= LEAST_POOLED {
        return Ok(None);
    }
    let others: Vec<Summary> = members.iter().enumerate().filter(|(at, _)| *at != left).map(|(_, one)| *one).collect();
    let (moved, tau2) = if members.len() > REFITTED_UP_TO {
        let weight = |one: &Summary| 1.0 / (one.variance + all.tau2);
        let total: f64 = others.iter().map(weight).sum();
        (others.iter().map(|one| weight(one) * one.mean).sum::<f64>() / total, all.tau2)
    } else {
        let fit = pooled(&others)?;
        (fit.coefficients[0], fit.tau2)
    };
    Ok(Some(LeaveOneOut { mean: mean + moved - all.coefficients[0], tau: tau2.sqrt() }))
}
