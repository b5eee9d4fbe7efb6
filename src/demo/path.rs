//! The way that the machines drive: rounds along the boundary, passes, turns.

use super::plan::{FieldPlan, HarvestPlan, Pattern, Sharing};

/// Driven before the crop begins and after it ends, m.
pub(super) const RUN_UP_M: f64 = 6.0;

/// One continuous drive with the header at work.
#[derive(Debug, Clone)]
pub(super) struct Drive {
    /// Index of the machine.
    pub(super) machine: usize,
    pub(super) line: Polyline,
    /// Length before the crop begins and after it ends, m.
    pub(super) run_up_m: f64,
}

/// A line that can be driven along.
#[derive(Debug, Clone)]
pub(super) struct Polyline {
    points: Vec<(f64, f64)>,
    /// Distance driven at each point, m.
    driven: Vec<f64>,
    /// The leg (side of a round) that begins at each point.
    legs: Vec<u16>,
}

/// A place on a line.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) u: f64,
    pub(super) v: f64,
    /// Unit vector of the course.
    pub(super) course: (f64, f64),
    pub(super) leg: u16,
}

impl Polyline {
    fn new(points: Vec<(f64, f64)>, legs: Vec<u16>) -> Self {
        let mut driven = Vec::with_capacity(points.len());
        let mut sum = 0.0;
        for (at, point) in points.iter().enumerate() {
            if at > 0 {
                sum += (point.0 - points[at - 1].0).hypot(point.1 - points[at - 1].1);
            }
            driven.push(sum);
        }
        Self { points, driven, legs }
    }

    pub(super) fn length(&self) -> f64 {
        self.driven.last().copied().unwrap_or(0.0)
    }

    pub(super) fn legs(&self) -> u16 {
        self.legs.last().map_or(1, |last| last + 1)
    }

    /// The place after `distance` m; `from` remembers the stretch and may only grow.
    pub(super) fn at(&self, distance: f64, from: &mut usize) -> Place {
        while *from + 2 < self.points.len() && self.driven[*from + 1] <= distance {
            *from += 1;
        }
        let (p, q) = (self.points[*from], self.points[*from + 1]);
        let length = (self.driven[*from + 1] - self.driven[*from]).max(1e-9);
        let share = (distance - self.driven[*from]) / length;
        let course = ((q.0 - p.0) / length, (q.1 - p.1) / length);
        Place { u: p.0 + share * (q.0 - p.0), v: p.1 + share * (q.1 - p.1), course, leg: self.legs[*from] }
    }

    pub(super) fn start(&self) -> ((f64, f64), (f64, f64)) {
        let place = self.at(0.0, &mut 0);
        ((place.u, place.v), place.course)
    }

    pub(super) fn end(&self) -> ((f64, f64), (f64, f64)) {
        let place = self.at(self.length(), &mut 0);
        ((place.u, place.v), place.course)
    }

    /// A turn from one place and course to another: a cubic curve.
    pub(super) fn turn(from: ((f64, f64), (f64, f64)), to: ((f64, f64), (f64, f64))) -> Self {
        let ((p, along_p), (q, along_q)) = (from, to);
        let apart = (q.0 - p.0).hypot(q.1 - p.1);
        let reach = (0.6 * apart).clamp(14.0, 40.0);
        let (a, b) =
            ((p.0 + reach * along_p.0, p.1 + reach * along_p.1), (q.0 - reach * along_q.0, q.1 - reach * along_q.1));
        let points = (0..=24)
            .map(|step| {
                let t = f64::from(step) / 24.0;
                let s = 1.0 - t;
                let (w0, w1, w2, w3) = (s * s * s, 3.0 * s * s * t, 3.0 * s * t * t, t * t * t);
                (w0 * p.0 + w1 * a.0 + w2 * b.0 + w3 * q.0, w0 * p.1 + w1 * a.1 + w2 * b.1 + w3 * q.1)
            })
            .collect();
        Self::new(points, vec![0; 25])
    }
}

/// All drives of a harvest, in the order in which the ground is cut.
pub(super) fn drives(field: &FieldPlan, harvest: &HarvestPlan, swath_m: f64, machines: usize) -> Vec<Drive> {
    let boundary = field.boundary();
    let mut drives = Vec::new();
    let mut region = boundary.clone();
    let most = if harvest.pattern == Pattern::RoundAndRound { u32::MAX } else { harvest.headland_rounds };
    let mut rounds = 0;
    while rounds < most {
        let inner = inset(&region, swath_m);
        let (width, length) = extent(&region);
        if width.min(length) < 2.5 * swath_m || !has_all_sides(&region, &inner) {
            break;
        }
        let machine = if harvest.sharing == Sharing::Alternate { rounds as usize % machines } else { 0 };
        drives.push(Drive { machine, line: round(&inset(&region, swath_m / 2.0)), run_up_m: 0.0 });
        region = inner;
        rounds += 1;
    }
    let passes = passes(field, harvest, &region, swath_m);
    let count = passes.len();
    let order: Vec<usize> = match harvest.sharing {
        // Two passes each: neighbours of one machine and of both. Every second pair is begun with its far pass, so that the
        // upward pass lies on either hand.
        Sharing::Alternate => (0..count.div_ceil(2))
            .flat_map(|pair| {
                let far_first = pair / machines % 2 == 1 && 2 * pair + 1 < count;
                if far_first { [2 * pair + 1, 2 * pair] } else { [2 * pair, 2 * pair + 1] }
            })
            .filter(|&at| at < count)
            .collect(),
        _ => (0..count).collect(),
    };
    for (driven, at) in order.into_iter().enumerate() {
        let (middle, (low, high)) = passes[at];
        let up = harvest.pattern == Pattern::SameDirection || driven % 2 == 0;
        let (from, to) = (low - RUN_UP_M, high + RUN_UP_M);
        let (from, to) = if up { (from, to) } else { (to, from) };
        let treated =
            || field.strips.iter().any(|strip| middle >= strip.u.0 && middle < strip.u.1 && strip.treatment != 0);
        let machine = match harvest.sharing {
            Sharing::One => 0,
            Sharing::Alternate => at / 2 % machines,
            Sharing::Sides => at * machines / count,
            Sharing::ByTreatment => usize::from(treated()).min(machines - 1),
        };
        drives.push(Drive {
            machine,
            line: Polyline::new(vec![(middle, from), (middle, to)], vec![0, 0]),
            run_up_m: RUN_UP_M,
        });
    }
    drives
}

/// Middle across, and from and to along, of each pass over what the rounds have left.
fn passes(field: &FieldPlan, harvest: &HarvestPlan, region: &[(f64, f64)], swath_m: f64) -> Vec<(f64, (f64, f64))> {
    let low = region.iter().map(|point| point.0).fold(f64::INFINITY, f64::min);
    let high = region.iter().map(|point| point.0).fold(f64::NEG_INFINITY, f64::max);
    let mut passes = Vec::new();
    let mut side = if harvest.offset_m > 0.0 { low + harvest.offset_m - swath_m } else { low };
    while side < high - 0.1 {
        let rows = (swath_m / field.row_m).round() as u32;
        let reach = (0..rows)
            .filter_map(|row| chord(region, side + (f64::from(row) + 0.5) * field.row_m))
            .reduce(|one, two| (one.0.min(two.0), one.1.max(two.1)));
        if let Some(reach) = reach {
            passes.push((side + swath_m / 2.0, reach));
        }
        side += swath_m;
    }
    passes
}

fn extent(region: &[(f64, f64)]) -> (f64, f64) {
    let span = |pick: fn(&(f64, f64)) -> f64| {
        let (low, high) = region
            .iter()
            .map(pick)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        high - low
    };
    (span(|point| point.0), span(|point| point.1))
}

/// Where the line u = `u` lies in a convex region.
fn chord(region: &[(f64, f64)], u: f64) -> Option<(f64, f64)> {
    let mut met: Option<(f64, f64)> = None;
    for at in 0..region.len() {
        let (p, q) = (region[at], region[(at + 1) % region.len()]);
        if (p.0 <= u) != (q.0 <= u) {
            let v = p.1 + (u - p.0) / (q.0 - p.0) * (q.1 - p.1);
            met = Some(met.map_or((v, v), |(low, high)| (low.min(v), high.max(v))));
        }
    }
    met
}

/// A convex counter-clockwise region with every side moved inwards.
fn inset(region: &[(f64, f64)], distance: f64) -> Vec<(f64, f64)> {
    let sides: Vec<((f64, f64), (f64, f64))> = (0..region.len())
        .map(|at| {
            let (p, q) = (region[at], region[(at + 1) % region.len()]);
            let length = (q.0 - p.0).hypot(q.1 - p.1);
            let along = ((q.0 - p.0) / length, (q.1 - p.1) / length);
            ((p.0 - along.1 * distance, p.1 + along.0 * distance), along)
        })
        .collect();
    (0..sides.len())
        .map(|at| {
            let ((p, along), (q, next)) = (sides[(at + sides.len() - 1) % sides.len()], sides[at]);
            let cross = along.0 * next.1 - along.1 * next.0;
            let share = ((q.0 - p.0) * next.1 - (q.1 - p.1) * next.0) / cross;
            (p.0 + share * along.0, p.1 + share * along.1)
        })
        .collect()
}

/// Whether no side of a region was lost (turned round) in moving its sides inwards.
fn has_all_sides(region: &[(f64, f64)], inner: &[(f64, f64)]) -> bool {
    (0..region.len()).all(|at| {
        let next = (at + 1) % region.len();
        let side = |of: &[(f64, f64)]| (of[next].0 - of[at].0, of[next].1 - of[at].1);
        let (before, after) = (side(region), side(inner));
        before.0 * after.0 + before.1 * after.1 > 0.0
    })
}

/// Once round a region, corners rounded.
fn round(region: &[(f64, f64)]) -> Polyline {
    const CORNER_M: f64 = 5.0;
    let (mut points, mut legs) = (Vec::new(), Vec::new());
    for at in 0..=region.len() {
        let corner = region[at % region.len()];
        let (before, after) = (region[(at + region.len() - 1) % region.len()], region[(at + 1) % region.len()]);
        let toward = |to: (f64, f64)| {
            let length = (to.0 - corner.0).hypot(to.1 - corner.1);
            let reach = CORNER_M.min(0.4 * length);
            (corner.0 + reach * (to.0 - corner.0) / length, corner.1 + reach * (to.1 - corner.1) / length)
        };
        let (into, out) = (toward(before), toward(after));
        if at == 0 {
            points.push(out);
            legs.push(0);
        } else if at == region.len() {
            points.push(into);
            legs.push(at as u16 - 1);
        } else {
            for step in 0..=4 {
                let t = f64::from(step) / 4.0;
                let (s, m) = ((1.0 - t) * (1.0 - t), 2.0 * t * (1.0 - t));
                points.push((s * into.0 + m * corner.0 + t * t * out.0, s * into.1 + m * corner.1 + t * t * out.1));
                legs.push(if step == 4 { at as u16 } else { at as u16 - 1 });
            }
        }
    }
    Polyline::new(points, legs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::plan::{MachinePlan, Scenario};

    #[test]
    fn an_inset_rectangle_and_its_chords() {
        let region = inset(&[(0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0)], 10.0);
        for (got, want) in region.iter().zip([(10.0, 10.0), (90.0, 10.0), (90.0, 50.0), (10.0, 50.0)]) {
            assert!((got.0 - want.0).abs() < 1e-9 && (got.1 - want.1).abs() < 1e-9);
        }
        assert_eq!(chord(&[(0.0, 0.0), (10.0, 0.0), (0.0, 10.0)], 4.0), Some((0.0, 6.0)));
        assert_eq!(chord(&[(0.0, 0.0), (10.0, 0.0), (0.0, 10.0)], 11.0), None);
    }

    #[test]
    fn passes_alternate_cover_the_width_and_end_on_the_slant() {
        let mut field = Scenario::bare(1, 10, 300.0, MachinePlan::default()).field;
        field.cut_corner_m = 60.0;
        let swath = 12.0 * field.row_m;
        let harvest = HarvestPlan { headland_rounds: 0, ..HarvestPlan::default() };
        let all = drives(&field, &harvest, swath, 1);
        assert_eq!(all.len(), 10);
        assert!(all[0].line.start().1.1 > 0.0 && all[1].line.start().1.1 < 0.0);
        assert!(all[9].line.length() < all[0].line.length() - 30.0, "the last pass is shorter");
        let same = drives(&field, &HarvestPlan { pattern: Pattern::SameDirection, ..harvest.clone() }, swath, 1);
        assert!(same.iter().all(|drive| drive.line.start().1.1 > 0.0));
        let shifted = drives(&field, &HarvestPlan { offset_m: 3.0, ..harvest.clone() }, swath, 1);
        assert_eq!(shifted.len(), 11, "a partial pass on either side");
        let rounds = drives(&field, &HarvestPlan { pattern: Pattern::RoundAndRound, ..harvest }, swath, 1);
        assert!((4..12).contains(&rounds.len()) && rounds[0].line.legs() == 5, "{}", rounds.len());
    }
}
