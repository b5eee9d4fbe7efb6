//! Drawing polygons in from their edge.

use geo::algorithm::buffer::{Buffer, BufferStyle, LineJoin};
use geo::{Coord, MapCoords, MultiPolygon};

use super::frame::Frame;

/// Mitred corners stay corners when a polygon is drawn in; below this angle (radians) they are cut off.
const SHARPEST_CORNER: f64 = 0.1;
/// A distance that stands for none where only the other axis is drawn in, m.
const NEXT_TO_NOTHING: f64 = 1e-4;

/// The ground farther than `distance_m` from the edge; empty where the polygon is too narrow. A distance of 0 or less gives
/// the polygon itself.
pub fn inward(ground: &MultiPolygon<f64>, distance_m: f64) -> MultiPolygon<f64> {
    if distance_m <= 0.0 {
        return ground.clone();
    }
    ground.buffer_with_style(BufferStyle::new(-distance_m).line_join(LineJoin::Miter(SHARPEST_CORNER)))
}

/// The ground drawn in by `along_m` at the ends and by `across_m` at the sides of a strip, as its frame sees them.
///
/// Method: across distances are stretched so that both margins become one, the polygon is drawn in, and the stretch is
/// undone. Exact for sides along the axes; an edge at an angle is drawn in by a value between the two.
pub fn inward_along_across(
    ground: &MultiPolygon<f64>,
    frame: &Frame,
    along_m: f64,
    across_m: f64,
) -> MultiPolygon<f64> {
    if along_m <= 0.0 && across_m <= 0.0 {
        return ground.clone();
    }
    let (along, across) = (along_m.max(NEXT_TO_NOTHING), across_m.max(NEXT_TO_NOTHING));
    let stretch = along / across;
    let stretched = ground.map_coords(|at| {
        let turned = frame.to_frame(at);
        Coord { x: turned.x, y: turned.y * stretch }
    });
    inward(&stretched, along).map_coords(|at| frame.from_frame(Coord { x: at.x, y: at.y / stretch }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{Area, polygon};

    fn strip() -> MultiPolygon<f64> {
        polygon![(x: 4e5, y: 4.6e6), (x: 4e5 + 400., y: 4.6e6), (x: 4e5 + 400., y: 4.6e6 + 18.), (x: 4e5, y: 4.6e6 + 18.)].into()
    }

    #[test]
    fn a_rectangle_is_drawn_in_on_all_sides() {
        assert!((inward(&strip(), 2.0).unsigned_area() - 396.0 * 14.0).abs() < 0.01);
        assert!(inward(&strip(), 10.0).0.is_empty(), "narrower than twice the margin");
        assert_eq!(inward(&strip(), 0.0), strip());
    }

    #[test]
    fn ends_and_sides_are_drawn_in_by_their_own_margins() {
        let frame = Frame::of(&strip()).unwrap();
        for (along, across, want) in
            [(25.0, 2.0, 350.0 * 14.0), (25.0, 0.0, 350.0 * 18.0), (0.0, 2.0, 400.0 * 14.0), (2.0, 4.0, 396.0 * 10.0)]
        {
            let area = inward_along_across(&strip(), &frame, along, across).unsigned_area();
            assert!((area - want).abs() < 0.5, "{along} {across}: {area} {want}");
        }
        let turned = strip().map_coords(|at| Frame::new(Coord { x: 4e5, y: 4.6e6 }, 0.6).to_frame(at));
        let area = inward_along_across(&turned, &Frame::of(&turned).unwrap(), 25.0, 2.0).unsigned_area();
        assert!((area - 350.0 * 14.0).abs() < 0.5, "{area}");
    }
}
