//! The ground of passes: as wide as the sections that were on.

use geo::algorithm::buffer::{BufferStyle, LineJoin};
use geo::{Area, BooleanOps, BoundingRect, Buffer, Coord, MultiPolygon, Polygon, Rect, unary_union};

use super::track::{Pass, State};
use crate::points::{AppliedLog, Finding};

/// Rows of one pass that say the same, with their ground.
#[derive(Debug, Clone)]
pub(super) struct Piece {
    /// Its pass.
    pub(super) pass: usize,
    /// First row of the pass, and the row after the last.
    pub(super) rows: (usize, usize),
    pub(super) state: State,
    /// Ground of the sections that were on.
    pub(super) ground: MultiPolygon<f64>,
    /// Ground of those that were off.
    pub(super) skipped: MultiPolygon<f64>,
}

/// The pieces of a pass.
pub(super) fn pieces(number: usize, pass: &Pass, log: &AppliedLog) -> Vec<Piece> {
    // without the product no section misses any
    let runs = |at: usize| pass.rows[at].state != State::Check;
    let sections = |at: usize| log.sections.get(pass.rows[at].at).filter(|digits| runs(at) && digits.contains('1'));
    let mut pieces = Vec::new();
    let mut start = 0;
    for end in 1..=pass.rows.len() {
        let same = end < pass.rows.len()
            && pass.rows[end].state == pass.rows[start].state
            && sections(end) == sections(start)
            && (log.width_m[pass.rows[end].at] - log.width_m[pass.rows[start].at]).abs() < 0.01;
        if same {
            continue;
        }
        let width = log.width_m[pass.rows[start].at];
        let (mut ground, mut skipped) = (Vec::new(), Vec::new());
        for (on, from, to) in spans(sections(start)) {
            let ribbon = ribbon(pass, (start, end), ((0.5 - from) * width, (0.5 - to) * width));
            if on { &mut ground } else { &mut skipped }.push(ribbon);
        }
        let state = if pass.is_across { State::LeftOut(Finding::Turn) } else { pass.rows[start].state };
        let (ground, skipped) = (MultiPolygon::new(ground), MultiPolygon::new(skipped));
        pieces.push(Piece { pass: number, rows: (start, end), state, ground, skipped });
        start = end;
    }
    pieces
}

/// Neighbouring sections that are all on or all off: whether on, and where they lie from left to right as shares of the width.
fn spans(digits: Option<&str>) -> Vec<(bool, f64, f64)> {
    let Some(digits) = digits else { return vec![(true, 0.0, 1.0)] };
    let count = digits.len() as f64;
    let mut spans = Vec::new();
    let mut start = 0;
    for part in digits.as_bytes().chunk_by(|a, b| a == b) {
        let end = start + part.len();
        spans.push((part[0] == b'1', start as f64 / count, end as f64 / count));
        start = end;
    }
    spans
}

/// The ground of rows between two lines beside the track (m, positive to the left).
fn ribbon(pass: &Pass, (start, end): (usize, usize), (left_m, right_m): (f64, f64)) -> Polygon<f64> {
    let rows = &pass.rows;
    let between = |a: usize, b: usize| {
        let (p, q) = (&rows[a], &rows[b]);
        let place = Coord { x: f64::midpoint(p.place.x, q.place.x), y: f64::midpoint(p.place.y, q.place.y) };
        (place, Coord { x: p.course.x + q.course.x, y: p.course.y + q.course.y })
    };
    // a pass begins half a step before its first row, and ends half a step after its last
    let beyond = |at: usize, inner: usize| {
        let (p, q) = (rows[at].place, rows[inner].place);
        (Coord { x: 1.5 * p.x - 0.5 * q.x, y: 1.5 * p.y - 0.5 * q.y }, rows[at].course)
    };
    let last = rows.len() - 1;
    let edge = |at: usize| match at {
        0 => beyond(0, 1.min(last)),
        at if at > last => beyond(last, last.saturating_sub(1)),
        at => between(at - 1, at),
    };
    let edges: Vec<_> = (start..=end).map(edge).collect();
    let aside = |(place, course): &(Coord<f64>, Coord<f64>), m: f64| {
        let size = course.x.hypot(course.y).max(1e-9);
        Coord { x: place.x - m * course.y / size, y: place.y + m * course.x / size }
    };
    let left = edges.iter().map(|edge| aside(edge, left_m));
    let right = edges.iter().rev().map(|edge| aside(edge, right_m));
    Polygon::new(left.chain(right).collect(), Vec::new())
}

/// The ground grown (or shrunk) by some metres, corners kept.
pub(super) fn grown(ground: &MultiPolygon<f64>, by_m: f64) -> MultiPolygon<f64> {
    ground.buffer_with_style(BufferStyle::new(by_m).line_join(LineJoin::Miter(1.0)))
}

/// The pieces' ground as one, gaps up to twice `gap_m` closed.
pub(super) fn joined<'p>(pieces: impl Iterator<Item = &'p MultiPolygon<f64>>, gap_m: f64) -> MultiPolygon<f64> {
    let all: Vec<&MultiPolygon<f64>> = pieces.collect();
    let whole = unary_union(all);
    if gap_m > 0.0 { grown(&grown(&whole, gap_m), -gap_m) } else { whole }
}

/// Whether two extents meet.
fn meet(a: Option<Rect<f64>>, b: Option<Rect<f64>>) -> bool {
    let (Some(a), Some(b)) = (a, b) else { return false };
    a.min().x < b.max().x && b.min().x < a.max().x && a.min().y < b.max().y && b.min().y < a.max().y
}

/// Ground of two passes over each other that is wider than `play_m`, with the passes.
pub(super) fn overlaps(pieces: &[Piece], play_m: f64) -> Vec<(usize, usize, MultiPolygon<f64>)> {
    let rects: Vec<Option<Rect<f64>>> = pieces.iter().map(|piece| piece.ground.bounding_rect()).collect();
    let mut found: Vec<(usize, usize, MultiPolygon<f64>)> = Vec::new();
    for (at, one) in pieces.iter().enumerate() {
        for (other_at, other) in pieces.iter().enumerate().skip(at + 1) {
            if one.pass == other.pass || !meet(rects[at], rects[other_at]) {
                continue;
            }
            let core = grown(&one.ground.intersection(&other.ground), -0.5 * play_m);
            if core.unsigned_area() < 1.0 {
                continue;
            }
            let ground = grown(&core, 0.5 * play_m);
            match found.iter_mut().find(|known| (known.0, known.1) == (one.pass, other.pass)) {
                Some(known) => known.2 = known.2.union(&ground),
                None => found.push((one.pass, other.pass, ground)),
            }
        }
    }
    found
}

/// Takes from each ground what lies under one of another kind: where two meet, nobody knows to which the border belongs.
pub(super) fn part(grounds: &mut [MultiPolygon<f64>], is_same: impl Fn(usize, usize) -> bool) {
    let rects: Vec<Option<Rect<f64>>> = grounds.iter().map(BoundingRect::bounding_rect).collect();
    for at in 0..grounds.len() {
        for other in at + 1..grounds.len() {
            if is_same(at, other) || !meet(rects[at], rects[other]) {
                continue;
            }
            let shared = grounds[at].intersection(&grounds[other]);
            if shared.unsigned_area() > 0.0 {
                grounds[at] = grounds[at].difference(&shared);
                grounds[other] = grounds[other].difference(&shared);
            }
        }
    }
}
