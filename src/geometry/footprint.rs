//! The ground that one record stands for.

use geo::{Coord, LineString, Polygon};

use super::clip::{ClipRoom, area_inside, signed_area};

/// A quadrangle: the header's width over the distance travelled, open, counter-clockwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Footprint(pub [Coord<f64>; 4]);

impl Footprint {
    /// The rectangle round a centre (m), along a course (radians, clockwise from north), as long as the distance travelled
    /// and as wide as the swath (m).
    ///
    /// # Example
    /// ```
    /// use bandlift::geometry::Footprint;
    /// let cut = Footprint::new(500_000.0, 4_600_000.0, 0.5, 2.0, 9.144);
    /// // coordinates of this size carry 1e-9 m, so the area of a rectangle carries a little more
    /// assert!((cut.area_m2() - 18.288).abs() < 1e-6);
    /// ```
    pub fn new(x: f64, y: f64, course_rad: f64, distance_m: f64, swath_m: f64) -> Self {
        let (east, north) = course_rad.sin_cos();
        let (ahead, aside) = (distance_m / 2.0, swath_m / 2.0);
        let corner = |forward: f64, left: f64| Coord {
            x: x + forward * ahead * east - left * aside * north,
            y: y + forward * ahead * north + left * aside * east,
        };
        Self([corner(-1.0, -1.0), corner(1.0, -1.0), corner(1.0, 1.0), corner(-1.0, 1.0)])
    }

    /// The ground between two positions of the header (m), each end at right angles to the course there (radians, clockwise
    /// from north), so that the footprints of a curve join without gap or overlap. Where the ends cross (a turn tighter
    /// than the swath) the rectangle of the straight line stands in.
    pub fn between(from: (f64, f64), to: (f64, f64), course_from_rad: f64, course_to_rad: f64, swath_m: f64) -> Self {
        let ends = |(x, y): (f64, f64), course: f64| {
            let (east, north) = course.sin_cos();
            let aside = swath_m / 2.0;
            [Coord { x: x + aside * north, y: y - aside * east }, Coord { x: x - aside * north, y: y + aside * east }]
        };
        let ([right, left], [right_after, left_after]) = (ends(from, course_from_rad), ends(to, course_to_rad));
        let ring = [right, right_after, left_after, left];
        let convex = (0..4).all(|at| {
            let (p, q, r) = (ring[at], ring[(at + 1) % 4], ring[(at + 2) % 4]);
            (q.x - p.x) * (r.y - q.y) - (q.y - p.y) * (r.x - q.x) >= 0.0
        });
        if convex {
            return Self(ring);
        }
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        Self::new(f64::midpoint(from.0, to.0), f64::midpoint(from.1, to.1), dx.atan2(dy), dx.hypot(dy), swath_m)
    }

    /// Its area, m².
    pub fn area_m2(&self) -> f64 {
        signed_area(&self.0)
    }

    /// The share of it that lies in a polygon, 0 to 1; NaN for a footprint without area.
    pub fn share_inside(&self, polygon: &Polygon<f64>, room: &mut ClipRoom) -> f64 {
        area_inside(polygon, &self.0, room) / self.area_m2()
    }

    /// As a polygon.
    pub fn to_polygon(&self) -> Polygon<f64> {
        Polygon::new(LineString::new(self.0.to_vec()), Vec::new())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::polygon;
    use std::f64::consts::{FRAC_PI_2, PI};

    #[test]
    fn a_northbound_swath_is_wide_in_x_and_long_in_y() {
        let cut = Footprint::new(0.0, 0.0, 0.0, 2.0, 10.0);
        let (low, high) =
            (cut.0.iter().fold(f64::INFINITY, |m, c| m.min(c.x)), cut.0.iter().fold(0.0_f64, |m, c| m.max(c.y)));
        assert_eq!((low, high), (-5.0, 1.0));
        assert!(cut.area_m2() > 0.0, "counter-clockwise");
        let east = Footprint::new(0.0, 0.0, FRAC_PI_2, 2.0, 10.0);
        assert!((east.0[1].x - 1.0).abs() < 1e-12 && (east.area_m2() - 20.0).abs() < 1e-12);
    }

    #[test]
    fn a_straddling_swath_is_shared_out() {
        let strip = polygon![(x: 0., y: 0.), (x: 10., y: 0.), (x: 10., y: 400.), (x: 0., y: 400.)];
        let mut room = ClipRoom::default();
        for (x, want) in [(5.0, 1.0), (7.5, 0.75), (10.0, 0.5), (12.5, 0.25), (20.0, 0.0)] {
            let share = Footprint::new(x, 200.0, PI, 2.0, 10.0).share_inside(&strip, &mut room);
            assert!((share - want).abs() < 1e-12, "{x} {share}");
        }
        assert!(Footprint::new(5.0, 5.0, 0.0, 0.0, 9.0).share_inside(&strip, &mut room).is_nan());
    }

    /// An annular sector of inner radius r and outer radius r + w over an angle a has the area a w (r + w / 2).
    #[test]
    fn footprints_of_a_curve_add_up_to_the_ring_that_was_driven() {
        let (radius, swath, steps) = (60.0, 9.0, 2_000);
        let at = |k: usize| {
            let a = k as f64 / steps as f64 * PI;
            ((radius * a.sin(), radius * a.cos()), FRAC_PI_2 + a)
        };
        let area: f64 = (0..steps)
            .map(|k| {
                let ((p, c), (q, d)) = (at(k), at(k + 1));
                Footprint::between(p, q, c, d, swath).area_m2()
            })
            .sum();
        assert!((area - PI * swath * radius).abs() < 0.01, "{area}");
        let tight = Footprint::between((0.0, 0.0), (0.5, 0.0), FRAC_PI_2, FRAC_PI_2 + 1.5, 9.0);
        assert!((tight.area_m2() - 4.5).abs() < 1e-9, "ends that cross fall back to the rectangle");
    }
}
