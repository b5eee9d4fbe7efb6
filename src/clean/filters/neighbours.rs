//! Disagreement with neighbours under the same treatment.
//!
//! *When it harms*: a tight limit, or neighbours of another treatment, eats a real response: two robust deviations blind
//! to the treatment took 11 to 16 % of an 8 % response. So the limit is wide, and a record is compared with its own
//! treatment only; where the strips are not known, the limit is 4.
//!
//! *Method*: `e = ln(y / median of the neighbours)`; a record is marked when `|e|` exceeds the limit times the robust
//! standard deviation of all `e` of the field. At most two rounds.

use crate::geometry::NeighbourGrid;
use crate::points::{Labels, Mark};
use crate::stats::robust;

/// The least limit where the strips are not known, robust standard deviations.
const BLIND_LIMIT: f64 = 4.0;
const ROUNDS: usize = 2;
/// A round that marks a smaller share is the last.
const SHARE_TO_GO_ON: f64 = 0.002;
/// Neighbours beyond this many add nothing to a median.
const MOST_NEIGHBOURS: usize = 30;
/// The spread is at least this, so that a uniform field does not lose records for nothing.
const LEAST_SPREAD: f64 = 0.01;

/// What the rule needs of the records.
pub(crate) struct Field<'c> {
    pub(crate) x_m: &'c [f64],
    pub(crate) y_m: &'c [f64],
    pub(crate) yields: &'c [f64],
    pub(crate) pass: &'c [u32],
    /// Code of the treatment, [`Labels::NONE`] outside the strips.
    pub(crate) treatment: &'c [u32],
    pub(crate) bare: &'c [bool],
    /// Whether the treatments are known at all.
    pub(crate) treatments_known: bool,
}

/// Limits of the rule.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Limits {
    pub(crate) radius_m: f64,
    pub(crate) robust_deviations: f64,
    pub(crate) least_neighbours: usize,
}

/// Marks the records; returns the robust standard deviation of `e`.
pub(crate) fn mark(field: &Field<'_>, limits: Limits, marks: &mut [Option<Mark>]) -> f64 {
    let limit =
        if field.treatments_known { limits.robust_deviations } else { limits.robust_deviations.max(BLIND_LIMIT) };
    let mut spread = 0.0;
    for _ in 0..ROUNDS {
        let kept: Vec<u32> = (0..marks.len() as u32)
            .filter(|&at| marks[at as usize].is_none() && !field.bare[at as usize] && field.yields[at as usize] > 0.0)
            .collect();
        let deviations = deviations(field, limits, &kept);
        let known: Vec<f64> = deviations.iter().copied().filter(|e| e.is_finite()).collect();
        let Ok(mad) = robust::mad(&known) else { return spread };
        spread = mad.max(LEAST_SPREAD);
        let mut marked = 0_usize;
        for (&at, e) in kept.iter().zip(&deviations) {
            if e.abs() > limit * spread {
                marks[at as usize] = Some(Mark::LocalDisagreement);
                marked += 1;
            }
        }
        if (marked as f64) < SHARE_TO_GO_ON * kept.len() as f64 {
            break;
        }
    }
    spread
}

/// `e` of each kept record; NaN where there are too few neighbours, or all of one pass.
fn deviations(field: &Field<'_>, limits: Limits, kept: &[u32]) -> Vec<f64> {
    let mut all = vec![f64::NAN; kept.len()];
    let mut groups: Vec<u32> = kept.iter().map(|&at| field.treatment[at as usize]).collect();
    groups.sort_unstable();
    groups.dedup();
    let mut found = Vec::new();
    let mut values = Vec::new();
    for group in groups {
        let members: Vec<usize> = (0..kept.len()).filter(|&k| field.treatment[kept[k] as usize] == group).collect();
        let pick = |values: &[f64]| members.iter().map(|&k| values[kept[k] as usize]).collect::<Vec<f64>>();
        let (x, y) = (pick(field.x_m), pick(field.y_m));
        let grid = NeighbourGrid::new(&x, &y, 0.5 * limits.radius_m);
        for (m, &k) in members.iter().enumerate() {
            grid.nearest(x[m], y[m], MOST_NEIGHBOURS, limits.radius_m, Some(m as u32), &mut found);
            let own_pass = field.pass[kept[k] as usize];
            let others = found.iter().any(|&(_, n)| field.pass[kept[members[n as usize]] as usize] != own_pass);
            if found.len() < limits.least_neighbours || (!others && own_pass != Labels::NONE) {
                continue;
            }
            values.clear();
            values.extend(found.iter().map(|&(_, n)| field.yields[kept[members[n as usize]] as usize]));
            if let Ok(median) = robust::median_in_place(&mut values) {
                all[k] = (field.yields[kept[k] as usize] / median).ln();
            }
        }
    }
    all
}
