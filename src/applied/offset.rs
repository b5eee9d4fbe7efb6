//! How far the planter's log lies to one side of the combine's.
//!
//! Combine and planter follow the same rows, but their receivers need not agree: a steady distance of some decimetres is common (common
//! practice, no source). Where one width is a multiple of the other, the passes of the combine must lie at known distances from those
//! of the planter: the circular mean (Mardia & Jupp 2000, Directional Statistics, section 2.2) of what is left over tells the offset,
//! and the length of the mean vector whether there is one.

use std::f64::consts::TAU;

use geo::Coord;

use super::track::Track;
use crate::geometry::NeighbourGrid;
use crate::points::{AppliedLog, Header, Records};

/// How near to a whole multiple the widths must be, as a share (ours).
const MULTIPLE_SHARE: f64 = 0.03;
/// Least length of the mean vector, and fewest records (ours: scatter of a tenth of the width gives 0.82).
const LEAST_LENGTH: f64 = 0.8;
const FEWEST: usize = 200;
/// The greatest offset that is taken off, m: two rows; what lies farther aside was cut so (ours).
pub(super) const MOST_M: f64 = 1.5;
/// Records beside a row of the log, m along.
const BESIDE_M: f64 = 6.0;

/// How far rows driven along the axis, and against it, are to be moved across it, m; `None` where nothing tells.
pub(super) fn between(track: &Track, log: &AppliedLog, records: &Records) -> [Option<f64>; 2] {
    let planter_m = track.width_m(log);
    let headers = records.header_widths_m();
    let rows: Vec<_> = track.passes.iter().filter(|pass| !pass.is_across).flat_map(|pass| &pass.rows).collect();
    let (x, y): (Vec<f64>, Vec<f64>) = rows.iter().map(|row| (row.place.x, row.place.y)).unzip();
    let grid = NeighbourGrid::new(&x, &y, planter_m.max(BESIDE_M));
    let mut sums = [(0.0, 0.0, 0_usize); 2];
    let mut periods = [0.0; 2];
    let mut near = Vec::new();
    for at in 1..records.len() {
        let header_m = headers[records.machine.codes[at] as usize];
        let (wide, narrow) = (planter_m.max(header_m), planter_m.min(header_m));
        let times = (wide / narrow).round();
        let is_full = records.swath_m[at] >= 0.95 * header_m && records.header[at] != Header::Up;
        let is_multiple = (wide / narrow / times - 1.0).abs() <= MULTIPLE_SHARE;
        if !(is_full && is_multiple && records.has_position(at) && records.has_position(at - 1)) {
            continue;
        }
        let of = |at: usize| track.frame.to_frame(Coord { x: records.x_m[at], y: records.y_m[at] });
        let (before, here) = (of(at - 1), of(at));
        let (along, across) = ((here.x - before.x).abs(), (here.y - before.y).abs());
        if !(along > 0.5 && along < 15.0 && across < 0.1 * along) {
            continue;
        }
        grid.within(here.x, here.y, planter_m.max(BESIDE_M), &mut near);
        let beside = near.iter().map(|&at| rows[at as usize]).filter(|row| (row.place.x - here.x).abs() < BESIDE_M);
        let Some(row) = beside.min_by(|a, b| {
            let aside = |row: &super::track::Row| (row.place.y - here.y).abs() + 1e-3 * (row.place.x - here.x).abs();
            aside(a).total_cmp(&aside(b))
        }) else {
            continue;
        };
        // an even number of passes lies on either side of the middle, an odd one on it
        let phase = if times as i64 % 2 == 0 { narrow / 2.0 } else { 0.0 };
        // the row is some metres away along its course
        let aside = here.y - row.place.y - (here.x - row.place.x) * row.course.y / row.course.x;
        let angle = TAU * (aside - phase) / narrow;
        let against = usize::from(row.course.x < 0.0);
        let (sine, cosine) = angle.sin_cos();
        sums[against] = (sums[against].0 + sine, sums[against].1 + cosine, sums[against].2 + 1);
        periods[against] = narrow;
    }
    let offset = |at: usize| {
        let (sine, cosine, count) = sums[at];
        let length = sine.hypot(cosine) / count.max(1) as f64;
        let moved = periods[at] * sine.atan2(cosine) / TAU;
        (count >= FEWEST && length >= LEAST_LENGTH && moved.abs() <= MOST_M).then_some(moved)
    };
    [offset(0), offset(1)]
}

/// Moves the rows across the axis.
pub(super) fn move_rows(track: &mut Track, by_m: [f64; 2]) {
    for row in track.passes.iter_mut().flat_map(|pass| &mut pass.rows) {
        row.place.y += by_m[usize::from(row.course.x < 0.0)];
    }
}
