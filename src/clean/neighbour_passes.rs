//! Passes that lie beside each other, with the way along one of them as common coordinate.
//!
//! Works for any geometry: the second pass is measured by the nearest places of the first, so that the two need not be
//! straight.

use std::collections::BTreeMap;

use super::passes::Pass;
use super::track::{Track, folded};
use crate::geometry::NeighbourGrid;

/// Two neighbouring passes.
#[derive(Debug, Clone)]
pub(crate) struct PassPair {
    /// The pass that gives the coordinate.
    pub(crate) one: usize,
    /// Its neighbour.
    pub(crate) other: usize,
    /// Whether they were driven in opposite directions.
    pub(crate) opposite: bool,
    /// Whether the neighbour lies to the left, seen along the first.
    pub(crate) left: bool,
    /// Way along the first pass at each of its fixes, m.
    pub(crate) way_one_m: Vec<f64>,
    /// The same coordinate at each fix of the neighbour; NaN where it has no counterpart.
    pub(crate) way_other_m: Vec<f64>,
    /// Median distance between them, and its scatter along the pass (median absolute deviation × 1.4826), m.
    pub(crate) apart_m: f64,
    pub(crate) scatter_m: f64,
}

/// Widths between passes that touch.
pub(crate) const TOUCHING_SWATHS: f64 = 1.6;
const NEAREST_SWATHS: f64 = 0.4;
/// Neighbours that face each other over less tell nothing, m.
const LEAST_FACING_M: f64 = 60.0;

/// Finds the neighbours of the passes in `usable`; each pair once.
pub(crate) fn find(
    tracks: &[Track],
    passes: &[Pass],
    usable: &[usize],
    swath_m: f64,
    farthest_swaths: f64,
) -> Vec<PassPair> {
    let mut fixes: Vec<(usize, usize)> = Vec::new();
    for &pass in usable {
        fixes.extend((passes[pass].first..=passes[pass].last).map(|fix| (pass, fix)));
    }
    let place = |&(pass, fix): &(usize, usize)| {
        let track = &tracks[passes[pass].track];
        (track.x_m[fix], track.y_m[fix])
    };
    let (x, y): (Vec<f64>, Vec<f64>) = fixes.iter().map(place).unzip();
    let reach = farthest_swaths * swath_m;
    let farthest = reach * reach;
    let pass_of: Vec<usize> = fixes.iter().map(|&(pass, _)| pass).collect();
    let pieces = Pieces::new(&x, &y, &pass_of, reach);

    // For each fix, the nearest fix of each pass before its own within reach.
    let mut facing: BTreeMap<(usize, usize), Vec<(usize, usize)>> = BTreeMap::new();
    const NONE: (f64, u32) = (f64::INFINITY, u32::MAX);
    let mut nearest = vec![NONE; passes.len()];
    let mut near: Vec<usize> = Vec::new();
    let mut last: Vec<u32> = Vec::new(); // what faced the fix before: what faces the next lies beside it
    for (at, &(pass, fix)) in fixes.iter().enumerate() {
        let mut look = |other: usize, found: usize| {
            let squared = (x[found] - x[at]) * (x[found] - x[at]) + (y[found] - y[at]) * (y[found] - y[at]);
            let best = &mut nearest[other];
            if squared <= farthest && (squared, found as u32) < *best {
                if best.1 == NONE.1 {
                    near.push(other);
                }
                *best = (squared, found as u32);
            }
            best.0
        };
        for found in last.drain(..).map(|found| found as usize) {
            let other = pass_of[found];
            if other < pass {
                for found in (found.saturating_sub(1)..=found + 1).filter(|&found| pass_of.get(found) == Some(&other)) {
                    look(other, found);
                }
            }
        }
        for &piece in pieces.near(at) {
            let Piece { pass: other, first, end, radius_m, .. } = pieces.all[piece as usize];
            let squared_m2 = (x[first] - x[at]) * (x[first] - x[at]) + (y[first] - y[at]) * (y[first] - y[at]);
            // nothing of a piece lies nearer than this, but for rounding
            let least_m = (squared_m2.sqrt() - radius_m - 1e-6).max(0.0);
            if least_m * least_m <= farthest.min(look(other, first)) {
                for found in first + 1..end {
                    look(other, found);
                }
            }
        }
        for other in near.drain(..) {
            let (_, found) = std::mem::replace(&mut nearest[other], NONE);
            last.push(found);
            facing.entry((other, pass)).or_default().push((fix, fixes[found as usize].1));
        }
    }
    let mut pairs: Vec<PassPair> = facing
        .into_iter()
        .filter_map(|((one, other), matches)| pair(tracks, passes, one, other, &matches, swath_m))
        .collect();
    pairs.sort_by_key(|pair| (pair.one, pair.other));
    pairs
}

/// A few fixes of a pass in a row, within a circle about the first.
#[derive(Clone, Copy)]
struct Piece {
    pass: usize,
    /// Those of earlier passes within reach of its fixes, in the list of all.
    near: (u32, u32),
    first: usize,
    /// One beyond its last fix.
    end: usize,
    radius_m: f64,
}

/// The pieces of all passes: what lies far from a few fixes is passed over at once.
struct Pieces {
    all: Vec<Piece>,
    of_fix: Vec<u32>,
    near: Vec<u32>,
}

impl Pieces {
    /// Most fixes in a piece.
    const FIXES: usize = 8;

    fn new(x: &[f64], y: &[f64], pass_of: &[usize], reach_m: f64) -> Self {
        let mut all: Vec<Piece> = Vec::new();
        let mut of_fix = Vec::with_capacity(x.len());
        for at in 0..x.len() {
            let off_m = |piece: &Piece| (x[at] - x[piece.first]).hypot(y[at] - y[piece.first]);
            match all.last_mut() {
                Some(piece)
                    if pass_of[at] == piece.pass && at - piece.first < Self::FIXES && off_m(piece) <= 0.5 * reach_m =>
                {
                    (piece.end, piece.radius_m) = (at + 1, piece.radius_m.max(off_m(piece)));
                }
                _ => all.push(Piece { pass: pass_of[at], near: (0, 0), first: at, end: at + 1, radius_m: 0.0 }),
            }
            of_fix.push(all.len() as u32 - 1);
        }
        let of_firsts = |values: &[f64]| all.iter().map(|piece| values[piece.first]).collect::<Vec<f64>>();
        let (x, y) = (of_firsts(x), of_firsts(y));
        let grid = NeighbourGrid::new(&x, &y, reach_m.max(1.0));
        let widest_m = all.iter().map(|piece| piece.radius_m).fold(0.0, f64::max);
        let (mut near, mut found) = (Vec::new(), Vec::new());
        for at in 0..all.len() {
            let begin = near.len() as u32;
            grid.within(x[at], y[at], reach_m + all[at].radius_m + widest_m + 1e-6, &mut found);
            near.extend(found.iter().copied().filter(|&other| all[other as usize].pass < all[at].pass));
            all[at].near = (begin, near.len() as u32);
        }
        Self { all, of_fix, near }
    }

    /// The pieces of earlier passes that may lie within reach of a fix.
    fn near(&self, fix: usize) -> &[u32] {
        let (begin, end) = self.all[self.of_fix[fix] as usize].near;
        &self.near[begin as usize..end as usize]
    }
}

fn pair(
    tracks: &[Track],
    passes: &[Pass],
    one: usize,
    other: usize,
    matches: &[(usize, usize)],
    swath_m: f64,
) -> Option<PassPair> {
    let (first, second) = (&passes[one], &passes[other]);
    let (track_one, track_other) = (&tracks[first.track], &tracks[second.track]);
    let mut way_one_m = vec![0.0; first.last - first.first + 1];
    for fix in first.first + 1..=first.last {
        let step = (track_one.x_m[fix] - track_one.x_m[fix - 1]).hypot(track_one.y_m[fix] - track_one.y_m[fix - 1]);
        way_one_m[fix - first.first] = way_one_m[fix - first.first - 1] + step;
    }
    let mut way_other_m = vec![f64::NAN; second.last - second.first + 1];
    let (mut opposite, mut alike, mut left, mut across) = (0, 0, 0, Vec::new());
    for &(fix, facing) in matches {
        let (course_one, course_other) = (track_one.course_rad[facing], track_other.course_rad[fix]);
        if !(course_one.is_finite() && course_other.is_finite()) {
            continue;
        }
        let turn = folded(course_other - course_one).abs().to_degrees();
        if turn > 150.0 {
            opposite += 1;
        } else if turn < 30.0 {
            alike += 1;
        } else {
            continue;
        }
        let (east, north) =
            (track_other.x_m[fix] - track_one.x_m[facing], track_other.y_m[fix] - track_one.y_m[facing]);
        let along = east * course_one.sin() + north * course_one.cos();
        let aside = north * course_one.sin() - east * course_one.cos();
        // Beyond the end of the first pass the nearest fix is its last one: that is no counterpart.
        if along.abs() > 1.5 * track_one.step_m.max(2.0) {
            continue;
        }
        left += i32::from(aside > 0.0);
        across.push(aside.abs());
        way_other_m[fix - second.first] = way_one_m[facing - first.first] + along;
    }
    let counted = across.len();
    let spacing = crate::stats::robust::median_mad(&across).ok()?;
    let facing_m = counted as f64 * track_other.step_m;
    let clear = opposite >= 9 * alike || alike >= 9 * opposite;
    (clear && facing_m >= LEAST_FACING_M && spacing.median >= NEAREST_SWATHS * swath_m).then(|| PassPair {
        one,
        other,
        opposite: opposite > alike,
        left: 2 * left as usize > counted,
        way_one_m,
        way_other_m,
        apart_m: spacing.median,
        scatter_m: spacing.mad,
    })
}
