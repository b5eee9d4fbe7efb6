//! One block: its difference beside the differences between untreated passes that lie as far apart.
//!
//! A single block cannot tell a response from the variation of the field, but the field's other passes show how large a
//! difference that variation makes: the contrast is repeated at every position at which all its passes carry one treatment.

use std::collections::BTreeMap;

use super::trial::Trial;
use crate::points::Labels;
use crate::quantity::factor::M2_PER_HA;
use crate::results::Placebo;

/// Share of a pass's ground that must carry one treatment (as for a record's footprint: common practice, no source).
const PURE: f64 = 0.95;
/// Share of the trial's length that a pass must cover (common practice, no source).
const COVERED: f64 = 0.7;
/// Positions below which nothing is reported: of fewer than five none can be as rare as one in five (ours).
const LEAST_POSITIONS: usize = 5;

/// Passes are neighbours if their middles lie nearer than this many times the sum of their widths, which is 0.5 where they touch
/// (ours: a gap of less than a pass's width between them).
const TOUCHING: f64 = 0.8;
/// Share of a width by which a pair may be off the distance wanted (ours: the nearest pass there is).
const BESIDE: f64 = 0.5;

/// One pass within the length of the trial.
#[derive(Debug, Clone, Copy)]
struct Pass {
    across_m: f64,
    width_m: f64,
    yield_kg_ha: f64,
    /// Index among the treatments of the trial; `None` outside the strips.
    treatment: Option<usize>,
}

/// The placebo distribution of the difference between `treatment` and the check; `None` where passes are too few.
pub(super) fn placebo(trial: &Trial<'_>, treatment: usize) -> Option<Placebo> {
    let passes = passes(trial);
    let of = |wanted: usize| -> Vec<&Pass> { passes.iter().filter(|pass| pass.treatment == Some(wanted)).collect() };
    let (treated, check) = (of(treatment), of(0));
    if treated.is_empty() || check.is_empty() {
        return None;
    }
    let mean =
        |set: &[&Pass], value: fn(&Pass) -> f64| set.iter().map(|pass| value(pass)).sum::<f64>() / set.len() as f64;
    let apart = mean(&check, |pass| pass.across_m) - mean(&treated, |pass| pass.across_m);
    let observed = mean(&treated, |pass| pass.yield_kg_ha) - mean(&check, |pass| pass.yield_kg_ha);
    // outside the strips, and within the check: ground under one treatment each
    let mut sizes = Vec::new();
    for group in [None, Some(0)] {
        let members: Vec<&Pass> = passes.iter().filter(|pass| pass.treatment == group).collect();
        let sets = |count: usize| {
            members.windows(count).filter(|set| {
                set.windows(2)
                    .all(|two| two[1].across_m - two[0].across_m < TOUCHING * (two[0].width_m + two[1].width_m))
            })
        };
        for one in sets(treated.len()) {
            let wanted = mean(one, |pass| pass.across_m) + apart;
            let other = sets(check.len())
                .map(|set| (mean(set, |pass| pass.across_m) - wanted, set))
                .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
            if let Some((off, other)) = other
                && off.abs() < BESIDE * one[0].width_m
                && !one.iter().any(|pass| other.iter().any(|also| std::ptr::eq(*pass, *also)))
            {
                sizes.push((mean(one, |pass| pass.yield_kg_ha) - mean(other, |pass| pass.yield_kg_ha)).abs());
            }
        }
    }
    if sizes.len() < LEAST_POSITIONS {
        return None;
    }
    Some(Placebo {
        treatment: trial.treatments[treatment].to_owned(),
        observed,
        positions: sizes.len(),
        as_large: sizes.iter().filter(|size| **size >= observed.abs()).count(),
        usual: crate::stats::robust::median(&sizes).ok()?,
    })
}

/// The passes that run along the trial within its length, in their order across.
fn passes(trial: &Trial<'_>) -> Vec<Pass> {
    #[derive(Default)]
    struct Sums {
        area_m2: f64,
        mass_kg: f64,
        across: f64,
        width: f64,
        length_m: f64,
        by_label: BTreeMap<Option<usize>, f64>,
    }
    let assigned = &trial.joined.assigned;
    let cleaned = &assigned.cleaned;
    let along = |x: f64, y: f64| x * trial.axis.0 + y * trial.axis.1;
    let places = trial.rows.iter().filter_map(|row| row.segment).map(|segment| {
        let segment = &assigned.segments[segment];
        along(segment.x_m, segment.y_m)
    });
    let half = 0.5 * trial.segment_length_m;
    let (from, to) = places
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(from, to), place| (from.min(place - half), to.max(place + half)));
    let mut sums: BTreeMap<u32, Sums> = BTreeMap::new();
    for at in (0..cleaned.len()).filter(|&at| cleaned.is_kept(at) && cleaned.pass[at] != Labels::NONE) {
        let place = along(cleaned.x_m[at], cleaned.y_m[at]);
        if !(place >= from && place <= to) {
            continue;
        }
        let label = assigned.strips.get(assigned.strip[at] as usize).map(|strip| {
            let known = trial.treatments.iter().position(|key| *key == strip.treatment);
            known.unwrap_or(usize::MAX)
        });
        let area = cleaned.area_m2[at];
        let sums = sums.entry(cleaned.pass[at]).or_default();
        sums.area_m2 += area;
        sums.mass_kg += cleaned.dry_mass_kg(at);
        sums.across += area * (cleaned.y_m[at] * trial.axis.0 - cleaned.x_m[at] * trial.axis.1);
        sums.width += area * cleaned.swath_m[at];
        sums.length_m += area / cleaned.swath_m[at];
        *sums.by_label.entry(label).or_default() += area;
    }
    let mut passes: Vec<Pass> = sums
        .into_values()
        .filter(|sums| sums.length_m >= COVERED * (to - from))
        .filter_map(|sums| {
            let (&treatment, _) = sums.by_label.iter().find(|(_, area)| **area >= PURE * sums.area_m2)?;
            Some(Pass {
                across_m: sums.across / sums.area_m2,
                width_m: sums.width / sums.area_m2,
                yield_kg_ha: sums.mass_kg / sums.area_m2 * M2_PER_HA,
                treatment,
            })
        })
        .collect();
    passes.sort_by(|one, other| one.across_m.total_cmp(&other.across_m));
    passes
}
