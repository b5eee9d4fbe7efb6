//! Clipping by a convex window, and areas.
//!
//! Sutherland & Hodgman 1974, "Reentrant polygon clipping", Communications of the ACM 17:32. Where the subject is not
//! convex the outline may run twice along the window, in opposite directions; its area is right nevertheless.

use geo::{Coord, LineString, Polygon};

/// Twice the signed area of an open ring (the last vertex joins the first); positive counter-clockwise. Coordinates are
/// taken relative to the first vertex, so that large eastings cost no digits.
fn twice_area(ring: &[Coord<f64>]) -> f64 {
    let Some(&origin) = ring.first() else { return 0.0 };
    let cross =
        |p: Coord<f64>, q: Coord<f64>| (p.x - origin.x) * (q.y - origin.y) - (q.x - origin.x) * (p.y - origin.y);
    ring.windows(2).map(|pair| cross(pair[0], pair[1])).sum()
}

/// Signed area of an open ring, positive counter-clockwise.
pub fn signed_area(ring: &[Coord<f64>]) -> f64 {
    twice_area(ring) / 2.0
}

/// Room for clipping, kept between calls so that the hot loop does not allocate.
#[derive(Debug, Clone, Default)]
pub struct ClipRoom {
    current: Vec<Coord<f64>>,
    next: Vec<Coord<f64>>,
}

/// The ring clipped by a convex counter-clockwise window, as an open ring in `room`.
fn clip_ring<'r>(ring: &LineString<f64>, window: &[Coord<f64>], room: &'r mut ClipRoom) -> &'r [Coord<f64>] {
    room.current.clear();
    room.current.extend(&ring.0[..ring.0.len().saturating_sub(1)]);
    for (at, &from) in window.iter().enumerate() {
        let to = window[(at + 1) % window.len()];
        // Positive on the inner side (left of the window's edge), in units of twice an area.
        let depth = |p: Coord<f64>| (to.x - from.x) * (p.y - from.y) - (to.y - from.y) * (p.x - from.x);
        room.next.clear();
        let Some(&last) = room.current.last() else { break };
        let (mut before, mut depth_before) = (last, depth(last));
        for &here in &room.current {
            let depth_here = depth(here);
            if (depth_before >= 0.0) != (depth_here >= 0.0) {
                let share = depth_before / (depth_before - depth_here);
                room.next.push(Coord {
                    x: before.x + share * (here.x - before.x),
                    y: before.y + share * (here.y - before.y),
                });
            }
            if depth_here >= 0.0 {
                room.next.push(here);
            }
            (before, depth_before) = (here, depth_here);
        }
        std::mem::swap(&mut room.current, &mut room.next);
    }
    &room.current
}

/// The area, m², of the part of a polygon (holes honoured) inside a convex window given as an open counter-clockwise
/// ring.
pub fn area_inside(polygon: &Polygon<f64>, window: &[Coord<f64>], room: &mut ClipRoom) -> f64 {
    let shell = signed_area(clip_ring(polygon.exterior(), window, room)).abs();
    let holes: f64 = polygon.interiors().iter().map(|hole| signed_area(clip_ring(hole, window, room)).abs()).sum();
    (shell - holes).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{Area, BooleanOps, coord, polygon};
    use proptest::prelude::*;

    fn square(x: f64, y: f64, side: f64) -> Vec<Coord<f64>> {
        vec![
            coord! {x: x, y: y},
            coord! {x: x + side, y: y},
            coord! {x: x + side, y: y + side},
            coord! {x: x, y: y + side},
        ]
    }

    #[test]
    fn areas_of_known_figures() {
        assert_eq!(signed_area(&square(4e5, 4.6e6, 3.0)), 9.0);
        let mut turned = square(0.0, 0.0, 2.0);
        turned.reverse();
        assert_eq!(signed_area(&turned), -4.0);
        assert_eq!(signed_area(&[]), 0.0);
    }

    #[test]
    fn holes_and_notches_are_honoured() {
        let with_hole = polygon!(
            exterior: [(x: 0., y: 0.), (x: 10., y: 0.), (x: 10., y: 10.), (x: 0., y: 10.)],
            interiors: [[(x: 4., y: 4.), (x: 6., y: 4.), (x: 6., y: 6.), (x: 4., y: 6.)]]
        );
        let mut room = ClipRoom::default();
        assert!((area_inside(&with_hole, &square(0.0, 0.0, 5.0), &mut room) - 24.0).abs() < 1e-12);
        // A comb whose two teeth reach into the window.
        let comb = polygon![(x: 0., y: 0.), (x: 10., y: 0.), (x: 10., y: 5.), (x: 8., y: 5.), (x: 8., y: 1.), (x: 2., y: 1.), (x: 2., y: 5.), (x: 0., y: 5.)];
        let window =
            vec![coord! {x: -1., y: 2.}, coord! {x: 11., y: 2.}, coord! {x: 11., y: 4.}, coord! {x: -1., y: 4.}];
        assert!((area_inside(&comb, &window, &mut room) - 8.0).abs() < 1e-12);
    }

    proptest! {
        /// Two routes: the clip and the overlay of the geo crate.
        #[test]
        fn clipping_agrees_with_a_general_overlay(x in -5.0..15.0_f64, y in -5.0..15.0_f64, angle in 0.0..6.3_f64, long in 0.5..8.0_f64, wide in 0.5..12.0_f64) {
            let subject = polygon![(x: 0., y: 0.), (x: 10., y: 0.), (x: 10., y: 10.), (x: 6., y: 10.), (x: 5., y: 2.), (x: 4., y: 10.), (x: 0., y: 10.)];
            let (c, s) = (angle.cos(), angle.sin());
            let window: Vec<_> = [(-long, -wide), (long, -wide), (long, wide), (-long, wide)].iter().map(|&(u, v)| coord! {x: x + u * c - v * s, y: y + u * s + v * c}).collect();
            let overlay = subject.intersection(&Polygon::new(LineString::new(window.clone()), vec![])).unsigned_area();
            let got = area_inside(&subject, &window, &mut ClipRoom::default());
            prop_assert!((got - overlay).abs() < 1e-5, "{} {}", got, overlay);
        }
    }
}
