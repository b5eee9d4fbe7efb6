//! Which polygon holds a place, what shares of a footprint lie in which polygons, and how far the boundary is.

use geo::{BoundingRect, Coord, MultiPolygon};
use rstar::{AABB, PointDistance, RTree, RTreeObject};

use super::clip::{ClipRoom, area_inside, signed_area};
use super::rings::{Bands, Place};

/// The box round one polygon.
#[derive(Debug, Clone)]
struct Envelope {
    polygon: u32,
    low: [f64; 2],
    high: [f64; 2],
}

impl RTreeObject for Envelope {
    type Envelope = AABB<[f64; 2]>;

    fn envelope(&self) -> Self::Envelope {
        AABB::from_corners(self.low, self.high)
    }
}

impl PointDistance for Envelope {
    fn distance_2(&self, at: &[f64; 2]) -> f64 {
        let gap = |axis: usize| (self.low[axis] - at[axis]).max(at[axis] - self.high[axis]).max(0.0);
        gap(0).powi(2) + gap(1).powi(2)
    }
}

/// So many boxes are looked at one by one in less time than a tree of them is walked.
const FEW: usize = 64;

/// Polygons prepared for a great many questions: an R-tree over their boxes where they are many, and the edges of each in bands.
///
/// A place on the edge that two polygons share, or where polygons overlap, belongs to exactly one: that of the lowest
/// index. The tests are exact (adaptive-precision orientation, Shewchuk 1997, Discrete Comput. Geom. 18:305), so no place
/// falls between two polygons that have the same vertices along their common edge.
#[derive(Debug, Clone)]
pub struct PolygonIndex {
    polygons: Vec<MultiPolygon<f64>>,
    bands: Vec<Bands>,
    envelopes: Vec<Envelope>,
    tree: RTree<Envelope>,
}

impl PolygonIndex {
    /// Prepares the polygons; those without a vertex hold nothing but keep their index. Rings should be valid
    /// ([`super::repair()`]).
    pub fn new(polygons: Vec<MultiPolygon<f64>>) -> Self {
        let envelopes: Vec<Envelope> = polygons
            .iter()
            .enumerate()
            .filter_map(|(at, ground)| {
                let bounds = ground.bounding_rect()?;
                let (low, high) = (bounds.min(), bounds.max());
                Some(Envelope { polygon: at as u32, low: [low.x, low.y], high: [high.x, high.y] })
            })
            .collect();
        let bands = polygons.iter().map(Bands::new).collect();
        Self { bands, tree: RTree::bulk_load(envelopes.clone()), envelopes, polygons }
    }

    /// The number of polygons.
    pub fn len(&self) -> usize {
        self.polygons.len()
    }

    /// The polygon that holds a place; `None` outside all of them and for a place that is not finite.
    pub fn locate(&self, x: f64, y: f64) -> Option<u32> {
        if !(x.is_finite() && y.is_finite()) {
            return None;
        }
        let mut found: Option<u32> = None;
        self.for_each_near([x, y], [x, y], |polygon| {
            if found.is_none_or(|lowest| polygon < lowest)
                && self.bands[polygon as usize].locate(Coord { x, y }) != Place::Outside
            {
                found = Some(polygon);
            }
        });
        found
    }

    /// Whether one polygon holds a place, its boundary included.
    pub fn holds(&self, polygon: u32, x: f64, y: f64) -> bool {
        x.is_finite() && y.is_finite() && self.bands[polygon as usize].locate(Coord { x, y }) != Place::Outside
    }

    /// The area, m², that a convex figure given as an open counter-clockwise ring (a swath's footprint) shares with each
    /// polygon, in the order of the polygons; those that share nothing are left out. Overlapping polygons each count the
    /// ground that they overlap. `out` is cleared first. No allocation once `room` and `out` have grown.
    pub fn shares_of_window(&self, window: &[Coord<f64>], room: &mut ClipRoom, out: &mut Vec<(u32, f64)>) {
        out.clear();
        let (mut low, mut high) =
            (Coord { x: f64::INFINITY, y: f64::INFINITY }, Coord { x: f64::NEG_INFINITY, y: f64::NEG_INFINITY });
        for corner in window {
            if !(corner.x.is_finite() && corner.y.is_finite()) {
                return;
            }
            low = Coord { x: low.x.min(corner.x), y: low.y.min(corner.y) };
            high = Coord { x: high.x.max(corner.x), y: high.y.max(corner.y) };
        }
        if window.len() < 3 {
            return;
        }
        self.for_each_near([low.x, low.y], [high.x, high.y], |polygon| {
            let bands = &self.bands[polygon as usize];
            let area = if bands.touches(low, high) {
                self.polygons[polygon as usize].iter().map(|part| area_inside(part, window, room)).sum()
            } else if bands.locate(window[0]) == Place::Outside {
                0.0
            } else {
                signed_area(window)
            };
            if area > 0.0 {
                out.push((polygon, area));
            }
        });
        out.sort_unstable_by_key(|&(polygon, _)| polygon);
    }

    /// Calls `visit` with the polygons whose boxes a box touches, in no order.
    fn for_each_near(&self, low: [f64; 2], high: [f64; 2], mut visit: impl FnMut(u32)) {
        if self.envelopes.len() > FEW {
            let near = self.tree.locate_in_envelope_intersecting(&AABB::from_corners(low, high));
            return near.for_each(|envelope| visit(envelope.polygon));
        }
        for envelope in &self.envelopes {
            if (0..2).all(|axis| envelope.low[axis] <= high[axis] && envelope.high[axis] >= low[axis]) {
                visit(envelope.polygon);
            }
        }
    }

    /// Signed distance, m, to the boundary: positive within the polygon that holds the place, measured to that polygon's
    /// own boundary; negative outside all polygons, measured to the nearest. `None` where there is no polygon or the
    /// place is not finite.
    pub fn distance_to_edge(&self, x: f64, y: f64) -> Option<f64> {
        if let Some(polygon) = self.locate(x, y) {
            return Some(self.bands[polygon as usize].squared_distance(Coord { x, y }).sqrt());
        }
        if !(x.is_finite() && y.is_finite()) {
            return None;
        }
        let mut nearest = f64::INFINITY;
        for (envelope, at_least) in self.tree.nearest_neighbor_iter_with_distance_2(&[x, y]) {
            if at_least > nearest {
                break;
            }
            nearest = nearest.min(self.bands[envelope.polygon as usize].squared_distance(Coord { x, y }));
        }
        nearest.is_finite().then(|| -nearest.sqrt())
    }

    /// Signed distance, m, to the boundary of one polygon: positive within it. `None` where it has no boundary or the
    /// place is not finite.
    pub fn distance_to_edge_of(&self, polygon: u32, x: f64, y: f64) -> Option<f64> {
        let bands = &self.bands[polygon as usize];
        if bands.is_empty() || !(x.is_finite() && y.is_finite()) {
            return None;
        }
        let at = Coord { x, y };
        let distance = bands.squared_distance(at).sqrt();
        Some(if bands.locate(at) == Place::Outside { -distance } else { distance })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{Area, BooleanOps, Contains, Intersects, LineString, Point, Polygon, coord, polygon};
    use proptest::prelude::*;

    fn block(x: f64, y: f64, wide: f64, high: f64) -> MultiPolygon<f64> {
        polygon![(x: x, y: y), (x: x + wide, y: y), (x: x + wide, y: y + high), (x: x, y: y + high)].into()
    }

    fn window(x: f64, y: f64, wide: f64, high: f64) -> Polygon<f64> {
        block(x, y, wide, high).0.remove(0)
    }

    #[test]
    fn a_place_on_a_shared_edge_belongs_to_the_lowest_index_only() {
        let index = PolygonIndex::new(vec![block(10., 0., 10., 10.), block(0., 0., 10., 10.)]);
        assert_eq!(index.locate(10.0, 5.0), Some(0));
        assert_eq!(index.locate(9.999, 5.0), Some(1));
        assert_eq!(index.locate(0.0, 0.0), Some(1), "a corner is held");
        assert_eq!(index.locate(20.0, 10.0), Some(0));
        assert_eq!(index.locate(20.001, 10.0), None);
        assert_eq!(index.locate(f64::NAN, 1.0), None);
        assert!(index.holds(1, 10.0, 5.0));
    }

    #[test]
    fn holes_nested_polygons_and_parts_are_distinguished() {
        let ring = polygon!(exterior: [(x: 0., y: 0.), (x: 10., y: 0.), (x: 10., y: 10.), (x: 0., y: 10.)], interiors: [[(x: 3., y: 3.), (x: 7., y: 3.), (x: 7., y: 7.), (x: 3., y: 7.)]]);
        let island = block(4., 4., 2., 2.).0.remove(0);
        let index =
            PolygonIndex::new(vec![MultiPolygon(vec![ring, island]), block(3., 3., 4., 4.), MultiPolygon(vec![])]);
        assert_eq!(index.locate(1.0, 1.0), Some(0));
        assert_eq!(index.locate(5.0, 5.0), Some(0), "the island is a part of the first");
        assert_eq!(index.locate(3.5, 3.5), Some(1), "the hole is filled by the second");
        assert_eq!(index.locate(3.0, 5.0), Some(0), "the hole's edge is shared");
        assert_eq!(index.len(), 3);
        assert_eq!(index.distance_to_edge_of(2, 0.0, 0.0), None);
    }

    #[test]
    fn distances_are_to_the_holding_polygon_inside_and_to_the_nearest_outside() {
        let index = PolygonIndex::new(vec![block(0., 0., 100., 10.), block(200., 0., 10., 10.)]);
        assert_eq!(index.distance_to_edge(50.0, 4.0), Some(4.0));
        assert_eq!(index.distance_to_edge(190.0, 5.0), Some(-10.0));
        assert_eq!(index.distance_to_edge(-3.0, 14.0), Some(-5.0));
        assert_eq!(index.distance_to_edge_of(1, 190.0, 5.0), Some(-10.0));
        assert_eq!(index.distance_to_edge_of(0, 190.0, 5.0), Some(-90.0));
        assert_eq!(PolygonIndex::new(vec![]).distance_to_edge(0.0, 0.0), None);
    }

    #[test]
    fn many_polygons_are_found_as_few_are() {
        let blocks = |side: usize| -> Vec<MultiPolygon<f64>> {
            (0..side * side).map(|at| block((at % side * 10) as f64, (at / side * 10) as f64, 10.0, 10.0)).collect()
        };
        let (few, many) = (blocks(7), blocks(9));
        assert!(few.len() <= FEW && many.len() > FEW);
        let (few, many) = (PolygonIndex::new(few), PolygonIndex::new(many));
        for at in 0..48 {
            let (column, row) = (at % 7, at / 7);
            let (x, y) = (f64::from(column * 10) + 2.5, f64::from(row * 10) + 10.0);
            assert_eq!((few.locate(x, y), many.locate(x, y)), (Some(row * 7 + column), Some(row * 9 + column)));
            let areas = |index: &PolygonIndex| -> Vec<f64> {
                shares(index, &window(x, y - 1.0, 10.0, 1.5)).iter().map(|one| one.1).collect()
            };
            if column < 6 && row < 6 {
                assert_eq!(areas(&few), areas(&many));
                assert_eq!(areas(&few).len(), 4);
            }
        }
    }

    #[test]
    fn shares_of_a_footprint_add_up_to_its_area() {
        let index = PolygonIndex::new(vec![block(0., 0., 10., 400.), block(10., 0., 10., 400.)]);
        let tilted = polygon![(x: 8., y: 100.), (x: 14., y: 103.), (x: 13., y: 105.), (x: 7., y: 102.)];
        let found = shares(&index, &tilted);
        assert_eq!(found.iter().map(|share| share.0).collect::<Vec<_>>(), [0, 1]);
        assert!((found[0].1 + found[1].1 - tilted.unsigned_area()).abs() < 1e-9);
        assert_eq!(shares(&index, &window(2., 100., 3., 2.)), [(0, 6.0)]);
        assert!(shares(&index, &window(30., 100., 3., 2.)).is_empty());
        let nan = polygon![(x: f64::NAN, y: 0.), (x: 1., y: 0.), (x: 1., y: 1.)];
        assert!(shares(&index, &nan).is_empty());
    }

    fn shares(index: &PolygonIndex, figure: &Polygon<f64>) -> Vec<(u32, f64)> {
        let ring = &figure.exterior().0;
        let mut out = Vec::new();
        index.shares_of_window(&ring[..ring.len() - 1], &mut ClipRoom::default(), &mut out);
        out
    }

    /// A wavy ring of many vertices.
    fn wavy(vertices: usize, x: f64, y: f64) -> Polygon<f64> {
        let ring: Vec<_> = (0..vertices)
            .map(|k| {
                let angle = k as f64 / vertices as f64 * std::f64::consts::TAU;
                let radius = 100.0 + 20.0 * (7.0 * angle).sin() + 5.0 * (31.0 * angle).cos();
                coord! {x: x + radius * angle.cos(), y: y + radius * angle.sin()}
            })
            .collect();
        Polygon::new(LineString::new(ring), vec![])
    }

    proptest! {
        /// Two routes: the index and the plain tests of the geo crate.
        #[test]
        fn the_index_agrees_with_plain_tests(x in -150.0..150.0_f64, y in -150.0..150.0_f64, vertices in 3_usize..400) {
            let ground = wavy(vertices, 0.0, 0.0);
            let index = PolygonIndex::new(vec![ground.clone().into()]);
            let at = Point::new(x, y);
            prop_assert_eq!(index.locate(x, y).is_some(), ground.contains(&at) || ground.intersects(&at));
            let plain = ground.exterior().lines().map(|line| {
                super::super::rings::Edge { a: line.start, b: line.end }.squared_distance(at.0)
            }).fold(f64::INFINITY, f64::min).sqrt();
            prop_assert!((index.distance_to_edge(x, y).unwrap().abs() - plain).abs() < 1e-9);
            let quad = window(x, y, 9.0, 3.0);
            let overlay = ground.intersection(&quad).unsigned_area();
            let got: f64 = shares(&index, &quad).iter().map(|share| share.1).sum();
            prop_assert!((got - overlay).abs() < 1e-4, "{} {}", got, overlay);
        }
    }

    /// Prints the speed; run with `--ignored --nocapture`.
    #[test]
    #[ignore = "a measurement"]
    #[expect(clippy::print_stderr, reason = "a measurement is read on the screen")]
    fn speed_of_locating_and_sharing() {
        let polygons: Vec<MultiPolygon<f64>> = (0..100)
            .flat_map(|i| (0..100).map(move |j| wavy(200, f64::from(i) * 250.0, f64::from(j) * 250.0).into()))
            .collect();
        let start = std::time::Instant::now();
        let index = PolygonIndex::new(polygons);
        let built = start.elapsed();
        // Places as a machine leaves them: 1,000 lanes of 1,000 records.
        let places: Vec<(f64, f64)> =
            (0..1_000_000_u32).map(|at| (f64::from(at % 1_000) * 25.0, f64::from(at / 1_000) * 25.0)).collect();
        let start = std::time::Instant::now();
        let held = places.iter().filter(|place| index.locate(place.0, place.1).is_some()).count();
        let located = start.elapsed();
        let (mut room, mut out, mut area) = (ClipRoom::default(), Vec::new(), 0.0);
        let start = std::time::Instant::now();
        for &(x, y) in &places {
            let quad = [
                coord! {x: x, y: y},
                coord! {x: x + 9.0, y: y},
                coord! {x: x + 9.0, y: y + 2.0},
                coord! {x: x, y: y + 2.0},
            ];
            index.shares_of_window(&quad, &mut room, &mut out);
            area += out.iter().map(|share| share.1).sum::<f64>();
        }
        eprintln!(
            "10,000 polygons × 200 vertices: built {built:?}; 1 M places {located:?} ({held} held); 1 M footprints {:?} ({area:.0} m²)",
            start.elapsed()
        );
        assert!(held > 400_000);
    }
}
