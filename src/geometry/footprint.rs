//! The ground that one record stands for.

use geo::Coord;

use super::clip::signed_area;

/// A quadrangle: the header's width over the distance travelled, open, counter-clockwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Footprint(pub [Coord<f64>; 4]);

impl Footprint {
    /// The rectangle round a centre (m), along a course (radians, clockwise from north), as long as the distance travelled
    /// and as wide as the swath (m).
    pub fn new(x: f64, y: f64, course_rad: f64, distance_m: f64, swath_m: f64) -> Self {
        let (east, north) = course_rad.sin_cos();
        let (ahead, aside) = (distance_m / 2.0, swath_m / 2.0);
        let corner = |forward: f64, left: f64| Coord {
            x: x + forward * ahead * east - left * aside * north,
            y: y + forward * ahead * north + left * aside * east,
        };
        Self([corner(-1.0, -1.0), corner(1.0, -1.0), corner(1.0, 1.0), corner(-1.0, 1.0)])
    }

    /// Its area, m².
    pub fn area_m2(&self) -> f64 {
        signed_area(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::FRAC_PI_2;

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
}
