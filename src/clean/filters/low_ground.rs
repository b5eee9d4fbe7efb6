//! Ground that is truly poor: drowned spots, ends of irrigation, sand.
//!
//! *When the rules on yields harm*: a spot that yields a tenth is far outside the range of the field and disagrees with all sound
//! ground about it, and it is what the grower lost. It differs from an error by agreement: another pass beside it is poor too, or
//! its own pass falls and rises again over some seconds, away from its ends.
//!
//! *Method*: ours; common practice, no source.

use crate::clean::ground::Ground;
use crate::clean::passes::Pass;
use crate::geometry::NeighbourGrid;
use crate::points::{Labels, Reasons};
use crate::stats::robust;

/// Below this share of the field's usual yield ground is poor.
const POOR: f64 = 0.6;
/// Share of the records of other passes beside it that must be poor too, and fewest such records.
const ALIKE: f64 = 0.5;
const LEAST_BESIDE: usize = 3;
/// Other passes are beside a record within this many swaths.
const BESIDE_SWATHS: f64 = 1.3;
/// A dip of one pass: at least this long, at most this share of its pass, this far from its ends, s.
const LEAST_DIP_S: f64 = 6.0;
const MOST_DIP_SHARE: f64 = 0.4;
const FROM_ENDS_S: f64 = 15.0;

/// Which of the records that carry no mark stand on poor ground; `swath_m` is the full width of the header.
pub(crate) fn find(ground: &Ground, passes: &[Pass], yields: &[f64], swath_m: f64, marks: &[Reasons]) -> Vec<bool> {
    let mut found = vec![false; yields.len()];
    let open = |at: usize| marks[at].is_empty() && yields[at].is_finite() && ground.pass[at] != Labels::NONE;
    let mut kept: Vec<f64> = (0..yields.len()).filter(|&at| open(at)).map(|at| yields[at]).collect();
    let Ok(usual) = robust::median_in_place(&mut kept) else { return found };
    let poor = |at: usize| yields[at] < POOR * usual;
    let rows: Vec<usize> = (0..yields.len()).filter(|&at| open(at)).collect();
    if !rows.iter().any(|&at| poor(at)) {
        return found;
    }
    beside(ground, &rows, poor, swath_m, &mut found);
    dips(ground, passes, &rows, poor, &mut found);
    found
}

fn beside(ground: &Ground, rows: &[usize], poor: impl Fn(usize) -> bool, swath_m: f64, found: &mut [bool]) {
    let (x, y): (Vec<f64>, Vec<f64>) = rows.iter().map(|&at| (ground.x_m[at], ground.y_m[at])).unzip();
    let reach = BESIDE_SWATHS * swath_m;
    if !(reach > 0.0) {
        return;
    }
    let grid = NeighbourGrid::new(&x, &y, reach);
    for &at in rows.iter().filter(|&&at| poor(at)) {
        let (mut alike, mut all) = (0, 0);
        grid.for_each_within(ground.x_m[at], ground.y_m[at], reach, |other, _| {
            let other = rows[other as usize];
            if ground.pass[other] != ground.pass[at] {
                all += 1;
                alike += usize::from(poor(other));
            }
        });
        found[at] |= all >= LEAST_BESIDE && alike as f64 >= ALIKE * all as f64;
    }
}

fn dips(ground: &Ground, passes: &[Pass], rows: &[usize], poor: impl Fn(usize) -> bool, found: &mut [bool]) {
    let mut start = 0;
    while start < rows.len() {
        let pass = ground.pass[rows[start]];
        if !poor(rows[start]) {
            start += 1;
            continue;
        }
        let end = (start..rows.len()).find(|&k| ground.pass[rows[k]] != pass || !poor(rows[k])).unwrap_or(rows.len());
        let (first, last) = (rows[start], rows[end - 1]);
        let lasts_s = ground.since_start_s[last] - ground.since_start_s[first];
        let whole_s = passes.get(pass as usize).map_or(0.0, |pass| pass.end_s - pass.start_s);
        let inside = ground.since_start_s[first] >= FROM_ENDS_S && ground.until_end_s[last] >= FROM_ENDS_S;
        if inside && lasts_s >= LEAST_DIP_S && lasts_s <= MOST_DIP_SHARE * whole_s {
            rows[start..end].iter().for_each(|&at| found[at] = true);
        }
        start = end;
    }
}
