//! Finding and mending faulty polygons.
//!
//! A sound polygon is one of the OGC's Simple Features (OGC 06-103r4, 6.1.11): rings do not cross themselves or each other,
//! holes lie within their shell, parts do not overlap. Rings that merely touch in a point are let pass: no area depends
//! on them. Unclosed rings are closed when they are built and repeated vertices are ignored.

use geo::algorithm::bool_ops::FillRule;
use geo::kernels::{Kernel, RobustKernel};
use geo::{Area, BooleanOps, Coord, CoordsIter, LineString, MultiPolygon, Orientation, Polygon, unary_union};

use super::clip::signed_area;
use super::rings::{Bands, Edge, Place, edges, rings};

/// Ground on the wrong side of a crossing, as a share of all the ring encloses, up to which the repaired polygon is taken
/// to be what was meant. A slip of the digitiser encloses a sliver; a quarter of the ground is no slip (our judgement, no
/// source).
const LARGEST_SLIP: f64 = 0.25;

/// Whether a polygon can be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Validity {
    /// Sound as it was given.
    Valid,
    /// Faulty; the mended polygon encloses what was meant.
    Repaired,
    /// Empty, without area, or crossing itself so that nobody can tell what was meant.
    BeyondRepair,
}

/// A polygon after inspection.
#[derive(Debug, Clone, PartialEq)]
pub struct Repair {
    /// The sound polygon (the given one where nothing could be done).
    pub ground: MultiPolygon<f64>,
    /// How it was found.
    pub validity: Validity,
    /// What was wrong; empty for a sound polygon.
    pub fault: &'static str,
}

/// Inspects a polygon and mends it where that is possible.
///
/// Shells keep all ground that they wind round (non-zero rule), holes are taken out, parts are joined.
pub fn repair(ground: &MultiPolygon<f64>) -> Repair {
    let beyond = |fault| Repair { ground: ground.clone(), validity: Validity::BeyondRepair, fault };
    if ground.coords_iter().next().is_none() {
        return beyond("the polygon is empty");
    }
    if !ground.coords_iter().all(|at| at.x.is_finite() && at.y.is_finite()) {
        return beyond("a vertex is not a finite number");
    }
    let Some(fault) = find_fault(ground) else {
        return if ground.unsigned_area() > 0.0 {
            Repair { ground: ground.clone(), validity: Validity::Valid, fault: "" }
        } else {
            beyond("the polygon has no area")
        };
    };
    let parts: Vec<MultiPolygon<f64>> = ground.iter().map(mended_part).collect();
    let mended = unary_union(parts.iter());
    let area = mended.unsigned_area();
    if area <= 0.0 {
        return beyond("the polygon has no area");
    }
    if misplaced_share(ground) > LARGEST_SLIP {
        return beyond("the polygon crosses itself so that more than a quarter of its ground is in doubt");
    }
    Repair { ground: mended, validity: Validity::Repaired, fault }
}

fn mended_part(part: &Polygon<f64>) -> MultiPolygon<f64> {
    let nothing = MultiPolygon::<f64>::new(Vec::new());
    let filled = |ring: &LineString<f64>| {
        Polygon::new(ring.clone(), Vec::new()).union_with_fill_rule(&nothing, FillRule::NonZero)
    };
    part.interiors().iter().fold(filled(part.exterior()), |shell, hole| shell.difference(&filled(hole)))
}

/// The largest share, over the shells, of ground wound in the sense opposite to the rest: one half for a bow tie with equal
/// lobes, next to nothing for a slip.
fn misplaced_share(ground: &MultiPolygon<f64>) -> f64 {
    ground
        .iter()
        .map(|part| {
            let shell = Polygon::new(part.exterior().clone(), Vec::new());
            let all = shell.union_with_fill_rule(&MultiPolygon::new(Vec::new()), FillRule::NonZero).unsigned_area();
            let open = &part.exterior().0[..part.exterior().0.len().saturating_sub(1)];
            let net = signed_area(open).abs();
            if all > 0.0 { ((all - net) / (2.0 * all)).max(0.0) } else { 0.0 }
        })
        .fold(0.0, f64::max)
}

fn find_fault(ground: &MultiPolygon<f64>) -> Option<&'static str> {
    let mut all: Vec<(u32, u32, u32, Edge)> = Vec::new();
    for (ring, line) in (0_u32..).zip(rings(ground)) {
        let ring_edges: Vec<Edge> = edges(line).collect();
        let count = ring_edges.len() as u32;
        if count < 3 {
            return Some("a ring has fewer than three corners");
        }
        all.extend((0_u32..).zip(ring_edges).map(|(at, edge)| (ring, at, count, edge)));
    }
    // A sweep from west to east: only edges whose spans of x overlap are compared.
    all.sort_by(|p, q| p.3.low_x().total_cmp(&q.3.low_x()).then(p.0.cmp(&q.0)).then(p.1.cmp(&q.1)));
    let mut active: Vec<usize> = Vec::new();
    for (here, &(ring, at, count, edge)) in all.iter().enumerate() {
        active.retain(|&other| all[other].3.high_x() >= edge.low_x());
        for &other in &active {
            let (other_ring, other_at, _, other_edge) = all[other];
            if other_edge.low_y() > edge.high_y() || other_edge.high_y() < edge.low_y() {
                continue;
            }
            let follows = ring == other_ring && ((at + 1) % count == other_at || (other_at + 1) % count == at);
            let faulty = if follows { folds_back(edge, other_edge) } else { cross_or_overlap(edge, other_edge) };
            if faulty {
                return Some(if ring == other_ring {
                    "a ring crosses itself"
                } else {
                    "two rings cross or run along each other"
                });
            }
        }
        active.push(here);
    }
    misplaced_ring(ground)
}

/// Whether two edges that follow each other run back over the same ground.
fn folds_back(p: Edge, q: Edge) -> bool {
    let (first, second) = if p.b == q.a { (p, q) } else { (q, p) };
    RobustKernel::orient2d(first.a, first.b, second.b) == Orientation::Collinear
        && (first.b.x - first.a.x) * (second.b.x - second.a.x) + (first.b.y - first.a.y) * (second.b.y - second.a.y)
            < 0.0
}

/// Whether two edges cross within both, or share a stretch; touching in a point is neither.
fn cross_or_overlap(p: Edge, q: Edge) -> bool {
    let (c, d) = (p.side(q.a), p.side(q.b));
    if c == Orientation::Collinear && d == Orientation::Collinear {
        let along = |at: Coord<f64>| if (p.b.x - p.a.x).abs() >= (p.b.y - p.a.y).abs() { at.x } else { at.y };
        let low = along(p.a).min(along(p.b)).max(along(q.a).min(along(q.b)));
        let high = along(p.a).max(along(p.b)).min(along(q.a).max(along(q.b)));
        return low < high;
    }
    let opposite = |one: Orientation, two: Orientation| {
        one != two && one != Orientation::Collinear && two != Orientation::Collinear
    };
    opposite(c, d) && opposite(q.side(p.a), q.side(p.b))
}

/// Rings that cross nothing but lie where they should not: a hole outside its shell or in another hole, a part within
/// another part.
fn misplaced_ring(ground: &MultiPolygon<f64>) -> Option<&'static str> {
    if ground.0.len() == 1 && ground.0[0].interiors().is_empty() {
        return None;
    }
    let bands = |ring: &LineString<f64>| Bands::new(&Polygon::new(ring.clone(), Vec::new()).into());
    // A ring that touches another's boundary with its first vertex is judged by the next vertex off that boundary.
    let place = |ring: &LineString<f64>, in_ring: &Bands| {
        ring.coords().map(|&at| in_ring.locate(at)).find(|&place| place != Place::Boundary).unwrap_or(Place::Boundary)
    };
    for part in ground {
        let shell = bands(part.exterior());
        let holes: Vec<Bands> = part.interiors().iter().map(bands).collect();
        for (at, hole) in part.interiors().iter().enumerate() {
            if place(hole, &shell) != Place::Inside {
                return Some("a hole lies outside its polygon");
            }
            if holes.iter().enumerate().any(|(other, ring)| other != at && place(hole, ring) == Place::Inside) {
                return Some("a hole lies in another hole");
            }
        }
    }
    let whole: Vec<Bands> = ground.iter().map(|part| Bands::new(&part.clone().into())).collect();
    for (at, part) in ground.iter().enumerate() {
        if whole.iter().enumerate().any(|(other, ring)| other != at && place(part.exterior(), ring) == Place::Inside) {
            return Some("two parts overlap");
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{Validation, coord, polygon};

    fn square(x: f64, y: f64, side: f64) -> Polygon<f64> {
        polygon![(x: x, y: y), (x: x + side, y: y), (x: x + side, y: y + side), (x: x, y: y + side)]
    }

    fn found(ground: impl Into<MultiPolygon<f64>>) -> Repair {
        let repaired = repair(&ground.into());
        if repaired.validity != Validity::BeyondRepair {
            assert!(repaired.ground.is_valid(), "{repaired:?}");
        }
        repaired
    }

    #[test]
    fn sound_polygons_are_left_alone() {
        let with_hole =
            Polygon::new(square(0., 0., 10.).exterior().clone(), vec![square(4., 4., 2.).exterior().clone()]);
        let nested = MultiPolygon(vec![with_hole.clone(), square(4.5, 4.5, 1.)]);
        for ground in [
            square(0., 0., 1.).into(),
            with_hole.into(),
            nested,
            MultiPolygon(vec![square(0., 0., 1.), square(1., 1., 1.)]),
        ] {
            let result = found(ground.clone());
            assert_eq!((result.validity, &result.ground), (Validity::Valid, &ground), "{}", result.fault);
        }
        let unclosed = Polygon::new(
            LineString::new(vec![coord! {x: 0., y: 0.}, coord! {x: 1., y: 0.}, coord! {x: 1., y: 1.}]),
            vec![],
        );
        assert_eq!(found(unclosed).validity, Validity::Valid, "rings are closed when they are built");
        let repeated = polygon![(x: 0., y: 0.), (x: 1., y: 0.), (x: 1., y: 0.), (x: 1., y: 1.), (x: 0., y: 1.)];
        assert_eq!(repair(&repeated.into()).validity, Validity::Valid);
    }

    #[test]
    fn a_small_slip_is_mended() {
        // One corner digitised twice in the wrong order: a sliver of 0.5 by 0.5 is wound the other way round.
        let slip = polygon![(x: 0., y: 0.), (x: 10., y: 0.), (x: 10., y: 10.), (x: 0.5, y: 10.), (x: 0., y: 10.5), (x: 0., y: 10.), (x: 0.5, y: 10.5), (x: 0., y: 9.)];
        let result = found(slip);
        assert_eq!((result.validity, result.fault), (Validity::Repaired, "a ring crosses itself"));
        assert!((result.ground.unsigned_area() - 100.0).abs() < 1.0, "{}", result.ground.unsigned_area());
    }

    #[test]
    fn spikes_overlapping_parts_and_stray_holes_are_mended() {
        let spike = polygon![(x: 0., y: 0.), (x: 10., y: 0.), (x: 15., y: 5.), (x: 10., y: 0.), (x: 10., y: 10.), (x: 0., y: 10.)];
        let result = found(spike);
        assert_eq!(result.validity, Validity::Repaired);
        assert!((result.ground.unsigned_area() - 100.0).abs() < 1e-6);

        let overlapping = found(MultiPolygon(vec![square(0., 0., 10.), square(5., 0., 10.)]));
        assert_eq!(overlapping.fault, "two rings cross or run along each other");
        assert!((overlapping.ground.unsigned_area() - 150.0).abs() < 1e-6);

        let inside = found(MultiPolygon(vec![square(0., 0., 10.), square(2., 2., 1.)]));
        assert_eq!(inside.fault, "two parts overlap");
        assert!((inside.ground.unsigned_area() - 100.0).abs() < 1e-6);

        let stray = Polygon::new(square(0., 0., 10.).exterior().clone(), vec![square(20., 20., 2.).exterior().clone()]);
        let result = found(stray);
        assert_eq!(result.fault, "a hole lies outside its polygon");
        assert!((result.ground.unsigned_area() - 100.0).abs() < 1e-6);
    }

    #[test]
    fn what_nobody_can_mend_is_said_to_be_beyond_repair() {
        let bow_tie = polygon![(x: 0., y: 0.), (x: 10., y: 10.), (x: 10., y: 0.), (x: 0., y: 10.)];
        let line = polygon![(x: 0., y: 0.), (x: 10., y: 0.), (x: 5., y: 0.)];
        let point = polygon![(x: 1., y: 1.), (x: 1., y: 1.), (x: 1., y: 1.)];
        let nan = polygon![(x: 0., y: 0.), (x: f64::NAN, y: 1.), (x: 1., y: 1.)];
        for (ground, word) in [
            (MultiPolygon(vec![]), "empty"),
            (MultiPolygon(vec![bow_tie]), "in doubt"),
            (MultiPolygon(vec![line]), "no area"),
            (MultiPolygon(vec![point]), "no area"),
            (MultiPolygon(vec![nan]), "finite"),
        ] {
            let result = found(ground);
            assert_eq!(result.validity, Validity::BeyondRepair);
            assert!(result.fault.contains(word), "{}", result.fault);
        }
    }

    #[test]
    fn a_ring_of_many_vertices_is_checked_quickly() {
        let vertices = 40_000;
        let ring: Vec<_> = (0..vertices)
            .map(|k| {
                let a = f64::from(k) / f64::from(vertices) * std::f64::consts::TAU;
                coord! {x: 1e3 * a.cos(), y: 1e3 * a.sin()}
            })
            .collect();
        let started = std::time::Instant::now();
        assert_eq!(repair(&Polygon::new(LineString::new(ring), vec![]).into()).validity, Validity::Valid);
        assert!(started.elapsed().as_secs_f64() < 2.0, "{:?}", started.elapsed());
    }
}
