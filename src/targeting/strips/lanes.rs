//! The strips that a field has room for in one direction, and which of them to take.

use std::cmp::Reverse;

use geo::{Area, BooleanOps, CoordsIter, MultiPolygon, Polygon, Translate};

use crate::geometry::Frame;
use crate::results::StripWidths;
use crate::targeting::ground::rectangle;

/// Beyond the field's extent, m (ours: so that a lane's ends lie outside whatever the rounding).
const BEYOND_M: f64 = 1.0;
/// Steps in which the field is moved along to find what lies near an end: ground that ends for less than a quarter of the end
/// rows is passed over (ours).
const STEPS: u32 = 4;

/// A strip that could be.
#[derive(Debug, Clone)]
pub(super) struct Lane {
    /// The ground of all its planter passes, in one piece, without the end rows.
    pub(super) ground: Polygon<f64>,
    /// Area by planted width, m.
    pub(super) length_m: f64,
    /// Length on each class, m, dry to wet.
    pub(super) class_m: Vec<f64>,
}

/// Every strip of one direction.
#[derive(Debug, Clone)]
pub(super) struct Lanes {
    /// Along and across; across is 0 at the side from which passes are counted.
    pub(super) frame: Frame,
    /// By the planter pass with which it begins; `None` where it would be too short or too near the side.
    pub(super) by_pass: Vec<Option<Lane>>,
    /// Planter passes over the whole width of the field.
    pub(super) passes: usize,
}

/// The ground that lies at least `end_m` from the ends of the field along the axis of the frame.
pub(super) fn without_ends(field: &MultiPolygon<f64>, frame: &Frame, end_m: f64) -> MultiPolygon<f64> {
    let mut inner = field.clone();
    if end_m > 0.0 {
        for step in 1..=STEPS {
            let far = end_m * f64::from(step) / f64::from(STEPS);
            for way in [-far, far] {
                inner = inner.intersection(&field.translate(way * frame.axis.x, way * frame.axis.y));
            }
        }
    }
    inner
}

/// Every strip of at least `least_m` along an axis.
pub(super) fn lanes(
    field: &MultiPolygon<f64>,
    classes: &[MultiPolygon<f64>],
    angle_rad: f64,
    widths: &StripWidths,
    (end_m, least_m): (f64, f64),
) -> Option<Lanes> {
    let frame = Frame::new(field.coords_iter().next()?, angle_rad);
    let (low, high) = frame.extent(field.coords_iter());
    let (long, wide) = (high.x - low.x, high.y - low.y);
    let frame = frame.moved(low.x, low.y);
    let passes = (wide / widths.planter_m + 1e-9).floor() as usize;
    // The outermost pass of the wider machine counts for nothing.
    let outer = (widths.header_m / widths.planter_m - 1e-9).ceil().max(1.0) as usize;
    let inner = without_ends(field, &frame, end_m);
    let planted_m = widths.planted_m();
    let lane = |first: usize| {
        if first < outer || first + widths.planter_passes as usize + outer > passes {
            return None;
        }
        let across = first as f64 * widths.planter_m;
        let window = rectangle(&frame, (-BEYOND_M, long + BEYOND_M), (across, across + planted_m));
        let ground = largest(window.intersection(&inner))?;
        let length_m = ground.unsigned_area() / planted_m;
        let on = |class: &MultiPolygon<f64>| class.intersection(&ground).unsigned_area() / planted_m;
        let class_m = classes.iter().map(on).collect();
        (length_m >= least_m).then_some(Lane { ground, length_m, class_m })
    };
    Some(Lanes { frame, by_pass: (0..passes).map(lane).collect(), passes })
}

/// The piece with the most ground.
pub(super) fn largest(ground: MultiPolygon<f64>) -> Option<Polygon<f64>> {
    ground.0.into_iter().max_by(|one, other| one.unsigned_area().total_cmp(&other.unsigned_area()))
}

/// Where the blocks begin, and how good that is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Choice {
    /// By block, the planter pass with which it begins.
    pub(super) starts: Vec<usize>,
    /// Whole metres on its rarest class that the worst strip of the worst block has, up to what is enough.
    pub(super) worst_m: i64,
    /// Strips and classes of which the strip has enough.
    pub(super) enough: usize,
}

/// What blocks are to be.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted<'w> {
    /// Blocks.
    pub(super) blocks: usize,
    /// Strips of each.
    pub(super) strips: usize,
    /// Planter passes of a strip.
    pub(super) passes: usize,
    /// Ranks of the classes that every strip is to cross.
    pub(super) classes: &'w [usize],
    /// Length on each of them that is enough, m.
    pub(super) enough_m: f64,
}

impl Lanes {
    /// The places for blocks at equal distances, the best first: every strip is to cross every class for long enough, then the
    /// blocks are to spread over the field, then to lie in its middle. Empty where there is no room.
    pub(super) fn choices(&self, wanted: Wanted<'_>) -> Vec<Choice> {
        let Wanted { blocks, strips, passes, classes, enough_m } = wanted;
        let wide = strips * passes;
        // by the pass with which a block begins: worst and enough, where all its strips have room
        let of_block = |start: usize| -> Option<(f64, usize)> {
            let own: Option<Vec<&Lane>> =
                (0..strips).map(|at| self.by_pass.get(start + at * passes).and_then(Option::as_ref)).collect();
            let own = own?;
            let lengths = || own.iter().flat_map(|lane| classes.iter().map(|&class| lane.class_m[class]));
            let enough = lengths().filter(|&length| length >= enough_m).count();
            Some((lengths().fold(enough_m, f64::min), enough))
        };
        let of_block: Vec<Option<(f64, usize)>> = (0..self.passes).map(of_block).collect();
        let mut found = Vec::new();
        for stride in wide..=self.passes {
            for first in 0..self.passes {
                let starts: Vec<usize> = (0..blocks).map(|block| first + block * stride).collect();
                let end = starts[blocks - 1] + wide;
                if end > self.passes {
                    break;
                }
                let own: Option<Vec<(f64, usize)>> = starts.iter().map(|&start| of_block[start]).collect();
                let Some(own) = own else { continue };
                let worst_m = own.iter().fold(enough_m, |worst, one| worst.min(one.0)).floor() as i64;
                let choice = Choice { starts, worst_m, enough: own.iter().map(|one| one.1).sum() };
                found.push((choice, stride, (first + end).abs_diff(self.passes)));
            }
        }
        found.sort_by_key(|(choice, stride, off_centre)| {
            (Reverse(choice.worst_m), Reverse(choice.enough), Reverse(*stride), *off_centre)
        });
        found.into_iter().map(|(choice, _, _)| choice).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::targeting::strips::widths::widths;
    use geo::Rect;

    fn square(west: f64, south: f64, east: f64, north: f64) -> MultiPolygon<f64> {
        MultiPolygon::new(vec![Rect::new((west, south), (east, north)).to_polygon()])
    }

    /// Blocks of two strips of one pass.
    fn wanted(blocks: usize) -> Wanted<'static> {
        Wanted { blocks, strips: 2, passes: 1, classes: &[0, 1], enough_m: 60.0 }
    }

    #[test]
    fn end_rows_are_left_out_at_both_ends_and_at_a_hole() {
        let east = Frame::new(geo::Coord { x: 0.0, y: 0.0 }, 0.0);
        let field = square(0.0, 0.0, 400.0, 100.0);
        assert!((without_ends(&field, &east, 30.0).unsigned_area() - 340.0 * 100.0).abs() < 1e-3);
        // a pond of 20 m by 50 m takes 30 m more on either side
        let holed = field.difference(&square(190.0, 0.0, 210.0, 50.0));
        assert!((without_ends(&holed, &east, 30.0).unsigned_area() - (340.0 * 100.0 - 80.0 * 50.0)).abs() < 1e-3);
        assert_eq!(without_ends(&field, &east, 0.0), field);
    }

    /// 400 m by 100 m, planter and header 10 m, no guard: ten passes, of which the outermost two are left out; each strip is
    /// 400 − 2 × 30 m long, half of it on each class.
    #[test]
    fn a_rectangle_holds_the_strips_that_one_counts() {
        let field = square(0.0, 0.0, 400.0, 100.0);
        let classes = [square(0.0, 0.0, 200.0, 100.0), square(200.0, 0.0, 400.0, 100.0)];
        let found = lanes(&field, &classes, 0.0, &widths(10.0, 10.0, 0.0), (30.0, 200.0)).unwrap();
        assert_eq!(found.passes, 10);
        assert_eq!(
            found.by_pass.iter().map(Option::is_some).collect::<Vec<_>>(),
            [false, true, true, true, true, true, true, true, true, false]
        );
        for lane in found.by_pass.iter().flatten() {
            assert!((lane.length_m - 340.0).abs() < 1e-6);
            assert!(lane.class_m.iter().all(|length| (length - 170.0).abs() < 1e-6));
        }
        // across the field the strips would be 40 m long
        let across =
            lanes(&field, &classes, std::f64::consts::FRAC_PI_2, &widths(10.0, 10.0, 0.0), (30.0, 200.0)).unwrap();
        assert!(across.by_pass.iter().all(Option::is_none));
        // three blocks of two strips: 1–2, 4–5, 7–8 spread as far as there is room
        let choice = found.choices(wanted(3)).remove(0);
        assert_eq!((choice.starts, choice.worst_m, choice.enough), (vec![1, 4, 7], 60, 12));
        assert!(found.choices(wanted(5)).is_empty());
    }

    #[test]
    fn blocks_move_to_where_every_strip_crosses_every_class() {
        let field = square(0.0, 0.0, 400.0, 200.0);
        // the wet ground does not reach the southern passes
        let classes = [
            square(0.0, 0.0, 400.0, 200.0).difference(&square(100.0, 90.0, 300.0, 200.0)),
            square(100.0, 90.0, 300.0, 200.0),
        ];
        let found = lanes(&field, &classes, 0.0, &widths(10.0, 10.0, 0.0), (0.0, 200.0)).unwrap();
        let choice = found.choices(wanted(3)).remove(0);
        assert_eq!(choice.worst_m, 60);
        assert!(choice.starts.iter().all(|&start| start >= 9), "{choice:?}");
    }
}
