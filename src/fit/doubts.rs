//! Reasons to doubt a comparison, computed from the layout and the data.

use std::collections::BTreeMap;

use super::differences::Facing;
use super::trial::{Row, Trial};
use crate::config::ArchiveSettings;
use crate::points::{Assigned, Caution, Cautions, Joined, Labels};
use crate::results::RemovalByTreatment;

/// Points of removal by which treated and check may differ (common practice, no source).
const REMOVAL_POINTS: f64 = 3.0;
/// Share by which speeds may differ: a zero offset of the sensor then no longer cancels (common practice, no source).
const SPEED_SHARE: f64 = 0.05;
/// Points by which moistures may differ (common practice, no source).
const MOISTURE_POINTS: f64 = 2.0;
/// Share of the area that one combine may cut more of the treated than of the check before the two are mixed up
/// (common practice, no source).
const MACHINE_SHARE: f64 = 0.9;

/// Standardised difference of a property of the ground beyond which two sides are not alike (a rule of thumb for the balance
/// of groups: Imbens & Rubin 2015, Causal Inference for Statistics, Social, and Biomedical Sciences, chapter 14, from memory).
const STANDARDISED: f64 = 0.25;

/// Removal on the strips, by treatment.
pub(super) fn removal(
    assigned: &Assigned,
    archive: &ArchiveSettings,
    cautions: &mut Cautions,
) -> Vec<RemovalByTreatment> {
    let mut counts: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for at in 0..assigned.cleaned.len() {
        let strip = assigned.strip[at];
        // Only records with ground of their own can be lost from a strip.
        if strip == Labels::NONE || assigned.edge[at] || !assigned.cleaned.mark[at].has_ground() {
            continue;
        }
        let count = counts.entry(assigned.strips[strip as usize].treatment.as_str()).or_default();
        count.0 += 1;
        count.1 += usize::from(!assigned.cleaned.is_kept(at));
    }
    let share = |key: &str| counts.get(key).map(|&(all, removed)| 100.0 * removed as f64 / all as f64);
    if let Some(check) = archive.check()
        && let Some(of_check) = share(&check.key)
    {
        for treatment in archive.treatments.iter().filter(|treatment| !treatment.check) {
            if let Some(of_treated) = share(&treatment.key)
                && (of_treated - of_check).abs() > REMOVAL_POINTS
            {
                cautions.add(
                    Caution::RemovalUnequal,
                    format!("{} {of_treated:.1} %, {} {of_check:.1} %", treatment.key, check.key),
                );
            }
        }
    }
    counts
        .into_iter()
        .map(|(treatment, (records, removed))| RemovalByTreatment { treatment: treatment.to_owned(), records, removed })
        .collect()
}

/// Doubts that concern the whole layout.
pub(super) fn of_the_design(joined: &Joined, check: &str, cautions: &mut Cautions) {
    let assigned = &joined.assigned;
    if !assigned.design.randomized {
        cautions.add(Caution::NotRandomised, "");
    }
    let mut lacking = Vec::new();
    for block in &assigned.design.blocks {
        let has_check = assigned.segments.iter().any(|segment| {
            let strip = &assigned.strips[segment.strip as usize];
            segment.usable && strip.block == *block && strip.treatment == check
        });
        if !has_check {
            lacking.push(block.as_str());
        }
    }
    if !lacking.is_empty() {
        cautions.add(Caution::NoCheckInBlock, lacking.join(", "));
    }
    // One check strip for several treatments.
    let shared = assigned.design.blocks.iter().any(|block| {
        let of = |is_check: bool| {
            assigned
                .strips
                .iter()
                .filter(|strip| strip.block == *block && (strip.treatment == check) == is_check)
                .count()
        };
        of(true) == 1 && of(false) > 1
    });
    if shared {
        cautions.add(Caution::SharedCheck, "");
    }
}

/// Doubts that concern one treatment against its check.
pub(super) fn of_the_comparison(joined: &Joined, facing: &[Facing], cautions: &mut Cautions) {
    if facing.is_empty() {
        return;
    }
    let assigned = &joined.assigned;
    let mean = |pick: &dyn Fn(usize) -> f64| {
        let (mut treated, mut check) = (0.0, 0.0);
        for pair in facing {
            treated += pick(pair.treated);
            check +=
                pair.check.iter().map(|&(at, weight)| if weight > 0.0 { weight * pick(at) } else { 0.0 }).sum::<f64>();
        }
        (treated / facing.len() as f64, check / facing.len() as f64)
    };
    let (treated, check) = mean(&|at| assigned.segments[at].speed_m_s);
    if (treated - check).abs() > SPEED_SHARE * check && assigned.cleaned.records.channels.speed {
        cautions.add(Caution::SpeedDiffers, format!("{treated:.2} against {check:.2} m/s"));
    }
    let (treated, check) = mean(&|at| assigned.segments[at].moisture_pct);
    if (treated - check).abs() > MOISTURE_POINTS {
        cautions.add(Caution::MoistureDiffers, format!("{treated:.1} against {check:.1} %"));
    }
    let machines = assigned.cleaned.records.machine.names.len();
    if machines > 1 {
        let apart: f64 = (0..machines)
            .map(|machine| {
                let (treated, check) =
                    mean(&|at| assigned.segments[at].machine_share.get(machine).copied().unwrap_or(0.0));
                (treated - check).abs()
            })
            .sum::<f64>()
            / 2.0;
        if apart > MACHINE_SHARE {
            cautions.add(Caution::MachineAliased, format!("{:.0} % of the area", 100.0 * apart));
        }
    }
    if on_one_side(joined, facing) {
        cautions.add(Caution::OneSided, "");
    }
}

/// Whether most of the ground of a class may be another's, by the probability of each segment's class.
pub(super) fn of_the_class(
    trial: &Trial<'_>,
    treatment: usize,
    class: Option<usize>,
    probability: &[f64],
    cautions: &mut Cautions,
) {
    let on_class =
        |row: &&Row| class.is_some() && row.class == class && [0, treatment].map(Some).contains(&row.treatment());
    let (mut sum, mut area) = (0.0, 0.0);
    for row in trial.rows.iter().filter(on_class) {
        if let Some(probability) = row.segment.and_then(|segment| probability.get(segment)) {
            sum += row.area_m2 * probability;
            area += row.area_m2;
        }
    }
    if sum < 0.5 * area {
        cautions.add(
            Caution::ClassUnsure,
            format!("some {:.0} % of it is expected to be of this class", 100.0 * sum / area),
        );
    }
}

/// Doubts that concern the ground of one treatment against that of its check: drainage and elevation.
pub(super) fn of_the_ground(trial: &Trial<'_>, treatment: usize, cautions: &mut Cautions) {
    // mean rank of the drainage classes, where most of the segment has one
    let drainage = |row: &Row| {
        let known: f64 = row.shares.iter().sum();
        let sum: f64 = row.shares.iter().enumerate().map(|(rank, share)| rank as f64 * share).sum();
        (known > 0.5).then(|| sum / known)
    };
    if let Some((apart, standardised)) = apart(trial, treatment, drainage)
        && standardised.abs() > STANDARDISED
    {
        let key = trial.treatments[treatment];
        if apart > 0.0 {
            cautions.add(Caution::TreatedWetter, format!("{key}: by {apart:.2} drainage classes on average"));
        } else {
            cautions.add(Caution::GroundDiffers, format!("{key} drier by {:.2} drainage classes on average", -apart));
        }
    }
    let elevation = |row: &Row| Some(row.elevation_m).filter(|m| m.is_finite());
    if let Some((apart, standardised)) = apart(trial, treatment, elevation)
        && standardised.abs() > STANDARDISED
    {
        let key = trial.treatments[treatment];
        let way = if apart > 0.0 { "higher" } else { "lower" };
        cautions.add(Caution::GroundDiffers, format!("{key} {way} by {:.2} m on average", apart.abs()));
    }
}

/// Treated minus check of a property, weighted by area within each block, and the same by the standard deviation of the
/// property over both sides.
fn apart(trial: &Trial<'_>, treatment: usize, of: impl Fn(&Row) -> Option<f64>) -> Option<(f64, f64)> {
    let mut blocks: BTreeMap<usize, [(f64, f64); 2]> = BTreeMap::new();
    let mut values = Vec::new();
    for row in &trial.rows {
        let Some(own) = row.side() else { continue };
        let side = if own.treatment == treatment {
            0
        } else if own.treatment == 0 {
            1
        } else {
            continue;
        };
        if let Some(value) = of(row) {
            let sums = &mut blocks.entry(own.block).or_default()[side];
            *sums = (sums.0 + row.area_m2, sums.1 + row.area_m2 * value);
            values.push(value);
        }
    }
    let both: Vec<f64> = blocks
        .values()
        .filter(|[treated, check]| treated.0 > 0.0 && check.0 > 0.0)
        .map(|[treated, check]| treated.1 / treated.0 - check.1 / check.0)
        .collect();
    if both.is_empty() {
        return None;
    }
    let apart = both.iter().sum::<f64>() / both.len() as f64;
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let spread = (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt();
    (spread > 1e-9 * mean.abs().max(1e-9)).then(|| (apart, apart / spread))
}

/// Whether the treated strips lie on the same side of their check in every one of several blocks.
fn on_one_side(joined: &Joined, facing: &[Facing]) -> bool {
    let assigned = &joined.assigned;
    let strip = |at: usize| &assigned.strips[assigned.segments[at].strip as usize];
    let mut sides: BTreeMap<&str, (bool, bool)> = BTreeMap::new();
    for pair in facing {
        let treated = strip(pair.treated);
        let entry = sides.entry(treated.block.as_str()).or_default();
        for &(check, weight) in &pair.check {
            if weight > 0.0 {
                let left = strip(check).across_m < treated.across_m;
                *entry = (entry.0 || left, entry.1 || !left);
            }
        }
    }
    sides.len() > 1
        && (sides.values().all(|&side| side == (true, false)) || sides.values().all(|&side| side == (false, true)))
}
