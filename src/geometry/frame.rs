//! A frame along and across a strip.

use geo::{Coord, CoordsIter, MapCoords, MultiPolygon};

use super::rings::{Edge, edges, rings};

/// Plane coordinates turned so that the first axis runs along the longer side of something.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// The point with along and across 0, m.
    pub origin: Coord<f64>,
    /// Unit vector of the axis: it points east, or north where it is exactly meridional, so that opposite courses give the
    /// same frame.
    pub axis: Coord<f64>,
}

impl Frame {
    /// A frame by its origin and the angle of its axis, radians counter-clockwise from east.
    pub fn new(origin: Coord<f64>, angle_rad: f64) -> Self {
        let (mut sin, mut cos) = angle_rad.sin_cos();
        if cos < -1e-12 || (cos.abs() <= 1e-12 && sin < 0.0) {
            (sin, cos) = (-sin, -cos);
        }
        Self { origin, axis: Coord { x: cos, y: sin } }
    }

    /// The frame of a polygon: its axis is the mean direction of its edges, doubled angles weighted by length (Mardia &
    /// Jupp 2000, Directional Statistics, section 9.1, axial data), its origin the middle of its extent along that axis.
    /// Where no direction prevails (a square, a circle) the longest edge leads. `None` for a polygon without edges.
    pub fn of(ground: &MultiPolygon<f64>) -> Option<Self> {
        let all: Vec<Edge> = rings(ground).flat_map(edges).collect();
        let (mut sine, mut cosine, mut total) = (0.0, 0.0, 0.0);
        let mut longest: Option<(f64, f64)> = None;
        for edge in &all {
            let (dx, dy) = (edge.b.x - edge.a.x, edge.b.y - edge.a.y);
            let (length, angle) = (dx.hypot(dy), dy.atan2(dx));
            sine += length * (2.0 * angle).sin();
            cosine += length * (2.0 * angle).cos();
            total += length;
            if longest.is_none_or(|(most, _)| length > most) {
                longest = Some((length, angle));
            }
        }
        let (_, of_longest) = longest?;
        let angle = if sine.hypot(cosine) > 0.02 * total { sine.atan2(cosine) / 2.0 } else { of_longest };
        let mut frame = Self::new(all[0].a, angle);
        let (low, high) = frame.extent(ground.coords_iter());
        frame.origin = frame.from_frame(Coord { x: f64::midpoint(low.x, high.x), y: f64::midpoint(low.y, high.y) });
        Some(frame)
    }

    /// Angle of the axis, radians counter-clockwise from east, in (−π/2, π/2].
    pub fn angle_rad(&self) -> f64 {
        self.axis.y.atan2(self.axis.x)
    }

    /// Plane coordinates as (along, across), m; across is positive to the left of the axis.
    pub fn to_frame(self, at: Coord<f64>) -> Coord<f64> {
        let (dx, dy) = (at.x - self.origin.x, at.y - self.origin.y);
        Coord { x: dx * self.axis.x + dy * self.axis.y, y: dy * self.axis.x - dx * self.axis.y }
    }

    /// (along, across) as plane coordinates, m.
    #[expect(clippy::wrong_self_convention, reason = "the way back of `to_frame`")]
    pub fn from_frame(&self, at: Coord<f64>) -> Coord<f64> {
        Coord {
            x: self.origin.x + at.x * self.axis.x - at.y * self.axis.y,
            y: self.origin.y + at.x * self.axis.y + at.y * self.axis.x,
        }
    }

    /// The least and the greatest (along, across) of some places, m; infinite the wrong way round without any.
    pub fn extent(&self, places: impl IntoIterator<Item = Coord<f64>>) -> (Coord<f64>, Coord<f64>) {
        let none = (Coord { x: f64::INFINITY, y: f64::INFINITY }, Coord { x: f64::NEG_INFINITY, y: f64::NEG_INFINITY });
        places.into_iter().map(|at| self.to_frame(at)).fold(none, |(low, high), at| {
            (Coord { x: low.x.min(at.x), y: low.y.min(at.y) }, Coord { x: high.x.max(at.x), y: high.y.max(at.y) })
        })
    }

    /// The same with the origin moved along the axis by `along_m` and across it by `across_m`.
    #[must_use]
    pub fn moved(&self, along_m: f64, across_m: f64) -> Self {
        Self { origin: self.from_frame(Coord { x: along_m, y: across_m }), axis: self.axis }
    }
}

/// A polygon in its frame, for the distances along and across to its edge.
#[derive(Debug, Clone)]
pub struct Clearances {
    frame: Frame,
    edges: Vec<Edge>,
}

impl Clearances {
    /// Prepares a polygon.
    pub fn new(ground: &MultiPolygon<f64>, frame: Frame) -> Self {
        let turned = ground.map_coords(|at| frame.to_frame(at));
        Self { frame, edges: rings(&turned).flat_map(edges).collect() }
    }

    /// Distances, m, from a place within the polygon to its edge, (along, across): the nearer of the two directions of each
    /// axis; infinite where no edge is met.
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let at = self.frame.to_frame(Coord { x, y });
        let (mut along, mut across) = (f64::INFINITY, f64::INFINITY);
        for edge in &self.edges {
            let (a, b) = (edge.a, edge.b);
            if (a.y <= at.y) != (b.y <= at.y) {
                let met = a.x + (at.y - a.y) / (b.y - a.y) * (b.x - a.x);
                along = f64::min(along, (met - at.x).abs());
            }
            if (a.x <= at.x) != (b.x <= at.x) {
                let met = a.y + (at.x - a.x) / (b.x - a.x) * (b.y - a.y);
                across = f64::min(across, (met - at.y).abs());
            }
        }
        (along, across)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{Polygon, coord, polygon};

    fn strip(angle: f64, long: f64, wide: f64) -> MultiPolygon<f64> {
        let frame = Frame { origin: coord! {x: 4e5, y: 4.6e6}, axis: coord! {x: angle.cos(), y: angle.sin()} };
        let ring = [(-long, -wide), (long, -wide), (long, wide), (-long, wide)]
            .map(|(u, v)| frame.from_frame(coord! {x: u / 2.0, y: v / 2.0}));
        Polygon::new(ring.to_vec().into(), vec![]).into()
    }

    #[test]
    fn the_axis_follows_the_long_side_whatever_its_course() {
        for degrees in [0.0, 30.0, 90.0, 120.0, 179.0, 210.0, 270.0] {
            let frame = Frame::of(&strip(f64::to_radians(degrees), 400.0, 18.0)).unwrap();
            let turned = (frame.angle_rad().to_degrees() - degrees).rem_euclid(180.0);
            assert!(turned.min(180.0 - turned) < 1e-6, "{degrees} {turned}");
            assert!((frame.origin.x - 4e5).abs() < 1e-6 && (frame.origin.y - 4.6e6).abs() < 1e-6);
        }
        assert!(Frame::of(&MultiPolygon(vec![])).is_none());
        let square = Frame::of(&strip(0.3, 50.0, 50.0)).unwrap();
        assert!(
            (square.angle_rad() - 0.3).abs() < 1e-6
                || (square.angle_rad() - 0.3 + std::f64::consts::FRAC_PI_2).abs() < 1e-6
        );
    }

    #[test]
    fn there_and_back_is_the_same_place() {
        let frame = Frame::new(coord! {x: 10.0, y: -3.0}, 2.0);
        let back = frame.from_frame(frame.to_frame(coord! {x: 77.0, y: 5.0}));
        assert!((back.x - 77.0).abs() < 1e-12 && (back.y - 5.0).abs() < 1e-12);
        assert_eq!(frame.to_frame(frame.moved(5.0, 2.0).origin).x.round(), 5.0);
    }

    #[test]
    fn clearances_are_measured_along_and_across() {
        let ground = strip(0.7, 400.0, 18.0);
        let frame = Frame::of(&ground).unwrap();
        let place = frame.from_frame(coord! {x: 190.0, y: -6.0});
        let (along, across) = Clearances::new(&ground, frame).at(place.x, place.y);
        assert!((along - 10.0).abs() < 1e-6 && (across - 3.0).abs() < 1e-6, "{along} {across}");
        let notched: MultiPolygon<f64> = polygon![(x: 0., y: 0.), (x: 100., y: 0.), (x: 100., y: 10.), (x: 60., y: 10.), (x: 60., y: 4.), (x: 50., y: 4.), (x: 50., y: 10.), (x: 0., y: 10.)].into();
        let (along, across) = Clearances::new(&notched, Frame::new(coord! {x: 0., y: 0.}, 0.0)).at(40.0, 7.0);
        assert_eq!((along, across), (10.0, 3.0), "the notch is an edge");
    }
}
