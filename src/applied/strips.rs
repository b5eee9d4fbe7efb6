//! From passes to strips: stretches of one rate beside each other.

use std::collections::BTreeMap;

use geo::{Area, BooleanOps, BoundingRect, MultiPolygon, Rect, coord};

use super::ribbons::{Piece, joined};
use super::track::{State, Track};
use crate::points::AppliedLog;

/// Passes whose sides lie no farther apart are neighbours, m: two rows that were left between them (ours).
const NEIGHBOURS_M: f64 = 1.5;
/// Half of the gap between two passes of one strip that is closed, m: no row of the crop fits in (ours).
const GAP_M: f64 = 0.35;

/// A stretch of a pass under one rate, what is left out within it aside.
#[derive(Debug, Clone)]
pub(super) struct Leg {
    pub(super) pass: usize,
    /// First row of the pass, and the row after the last.
    pub(super) rows: (usize, usize),
    pub(super) state: State,
    /// Least and greatest place along, m.
    along: (f64, f64),
    /// Mean place across, m.
    across: f64,
    width_m: f64,
}

impl Leg {
    fn length_m(&self) -> f64 {
        self.along.1 - self.along.0
    }

    /// Length of ground that two legs pass side by side, m.
    fn beside_m(&self, other: &Self) -> f64 {
        self.along.1.min(other.along.1) - self.along.0.max(other.along.0)
    }

    fn holds(&self, piece: &Piece) -> bool {
        piece.pass == self.pass
            && piece.state == self.state
            && piece.rows.0 >= self.rows.0
            && piece.rows.1 <= self.rows.1
    }
}

/// The legs of the passes along the axis, those that are long enough first.
pub(super) fn legs(track: &Track, log: &AppliedLog, least_m: f64) -> (Vec<Leg>, Vec<Leg>) {
    let mut legs: Vec<Leg> = Vec::new();
    for (number, pass) in track.passes.iter().enumerate().filter(|(_, pass)| !pass.is_across) {
        let first = legs.len();
        for (at, row) in pass.rows.iter().enumerate().filter(|(_, row)| !matches!(row.state, State::LeftOut(_))) {
            let (place, width_m) = (row.place, log.width_m[row.at]);
            match legs[first..].last_mut() {
                Some(leg) if leg.state == row.state => {
                    leg.rows.1 = at + 1;
                    leg.along = (leg.along.0.min(place.x), leg.along.1.max(place.x));
                    leg.across += place.y;
                    leg.width_m += width_m;
                }
                _ => legs.push(Leg {
                    pass: number,
                    rows: (at, at + 1),
                    state: row.state,
                    along: (place.x, place.x),
                    across: place.y,
                    width_m,
                }),
            }
        }
        for leg in &mut legs[first..] {
            let of_leg = |row: &&super::track::Row| row.state == leg.state;
            let rows = pass.rows[leg.rows.0..leg.rows.1].iter().filter(of_leg).count() as f64;
            leg.across /= rows;
            leg.width_m /= rows;
        }
    }
    legs.into_iter().partition(|leg| leg.length_m() >= least_m)
}

/// The pieces' ground that a leg holds.
pub(super) fn ground<'p>(legs: impl Iterator<Item = &'p Leg>, pieces: &'p [Piece], gap_m: f64) -> MultiPolygon<f64> {
    let legs: Vec<&Leg> = legs.collect();
    let held = |piece: &&Piece| legs.iter().any(|leg| leg.holds(piece));
    joined(pieces.iter().filter(held).map(|piece| &piece.ground), gap_m)
}

/// Legs of one strip: by the strip's number, from one side of the field to the other.
pub(super) fn groups(legs: &[Leg]) -> Vec<Vec<usize>> {
    let mut group: Vec<usize> = (0..legs.len()).collect();
    let root = |group: &[usize], mut at: usize| {
        while group[at] != at {
            at = group[at];
        }
        at
    };
    for at in 0..legs.len() {
        for other in at + 1..legs.len() {
            let (one, two) = (&legs[at], &legs[other]);
            if one.state != two.state {
                continue;
            }
            // legs are in the order of their pass: what stands between two of one pass is of another rate
            let same_pass = one.pass == two.pass && legs[at + 1..other].iter().all(|leg| leg.state == one.state);
            let apart_m = (one.across - two.across).abs() - f64::midpoint(one.width_m, two.width_m);
            let side_by_side = apart_m <= NEIGHBOURS_M && one.beside_m(two) >= 0.5 * one.length_m().min(two.length_m());
            if same_pass || side_by_side {
                let (a, b) = (root(&group, at), root(&group, other));
                group[a.max(b)] = a.min(b);
            }
        }
    }
    let mut of_root: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for at in 0..legs.len() {
        of_root.entry(root(&group, at)).or_default().push(at);
    }
    let mut lanes: Vec<Vec<Vec<usize>>> = of_root.into_values().map(|group| lanes(legs, group)).collect();
    // neighbouring strips of two blocks may be under one rate: strips are as many passes wide as the narrowest treated one
    let treated = lanes.iter().filter(|lanes| matches!(legs[lanes[0][0]].state, State::Treated(_)));
    let unit = treated.map(Vec::len).min().unwrap_or(1);
    lanes =
        lanes
            .into_iter()
            .flat_map(|lanes| {
                if lanes.len() % unit == 0 { lanes.chunks(unit).map(<[_]>::to_vec).collect() } else { vec![lanes] }
            })
            .collect();
    let mut groups: Vec<Vec<usize>> = lanes.into_iter().map(|lanes| lanes.concat()).collect();
    let across = |group: &Vec<usize>| group.iter().map(|&at| legs[at].across).sum::<f64>() / group.len() as f64;
    groups.sort_by(|a, b| across(a).total_cmp(&across(b)).then(a.cmp(b)));
    groups
}

/// The legs of a strip by the pass that they lie in, across the field.
fn lanes(legs: &[Leg], mut group: Vec<usize>) -> Vec<Vec<usize>> {
    group.sort_by(|&a, &b| legs[a].across.total_cmp(&legs[b].across).then(a.cmp(&b)));
    group.chunk_by(|&a, &b| legs[b].across - legs[a].across < 0.5 * legs[a].width_m).map(<[usize]>::to_vec).collect()
}

/// Legs by the drawn strip that holds most of their ground and says what they say, with the strip's place among the drawn ones. Legs
/// that lie on none are no part of the trial.
pub(super) fn by_drawn(
    legs: &[Leg],
    pieces: &[Piece],
    drawn: &[MultiPolygon<f64>],
    told: &[Option<String>],
    key: impl Fn(State) -> String,
) -> Vec<(usize, MultiPolygon<f64>)> {
    let mut of_strip: BTreeMap<usize, Vec<&Leg>> = BTreeMap::new();
    for leg in legs {
        let (ground, own) = (ground(std::iter::once(leg), pieces, 0.0), key(leg.state));
        let shares = drawn.iter().enumerate().filter(|(strip, _)| told[*strip].as_ref() == Some(&own));
        let held = shares.map(|(strip, drawn)| (strip, drawn.intersection(&ground).unsigned_area()));
        // headlands lie outside the strips: of two strips the one with more of the leg
        if let Some((strip, _)) =
            held.filter(|(_, m2)| *m2 > 0.25 * ground.unsigned_area()).max_by(|a, b| a.1.total_cmp(&b.1))
        {
            of_strip.entry(strip).or_default().push(leg);
        }
    }
    of_strip
        .into_iter()
        .filter_map(|(strip, legs)| {
            // a strip ends where it was drawn to end, and is as wide as the passes
            let (low, high) = drawn[strip].bounding_rect().map(|rect| (rect.min().x, rect.max().x))?;
            let ground = ground(legs.into_iter(), pieces, GAP_M);
            let around = ground.bounding_rect()?;
            let slab =
                Rect::new(coord! { x: low, y: around.min().y - 1.0 }, coord! { x: high, y: around.max().y + 1.0 });
            Some((strip, ground.intersection(&MultiPolygon::from(slab.to_polygon()))))
        })
        .collect()
}

/// The strips that a log tells by itself.
pub(super) fn by_log(legs: &[Leg], pieces: &[Piece]) -> Vec<(State, MultiPolygon<f64>)> {
    groups(legs)
        .into_iter()
        .map(|group| (legs[group[0]].state, ground(group.iter().map(|&at| &legs[at]), pieces, GAP_M)))
        .collect()
}

/// The usual distance between neighbouring legs by their width, where they are straight and many enough to tell.
pub(super) fn spacing_by_width(legs: &[Leg]) -> Option<f64> {
    const FEWEST: usize = 4;
    let mut across: Vec<(f64, f64)> = legs.iter().map(|leg| (leg.across, leg.width_m)).collect();
    across.sort_by(|a, b| a.0.total_cmp(&b.0));
    across.dedup_by(|b, a| b.0 - a.0 < 0.3 * a.1);
    let mut steps: Vec<f64> = across.windows(2).map(|pair| (pair[1].0 - pair[0].0) / pair[0].1).collect();
    if steps.len() < FEWEST { None } else { crate::stats::robust::median_in_place(&mut steps).ok() }
}
