//! Labels that do not stand on each other.

use super::Svg;

/// Left, top, right and bottom of what is drawn, px.
pub(in crate::report::html) type Frame = [f64; 4];

/// Ground that is taken.
#[derive(Debug, Default)]
pub(in crate::report::html) struct Taken(Vec<Frame>);

impl Taken {
    /// Takes a frame.
    pub(in crate::report::html) fn take(&mut self, frame: Frame) {
        self.0.push(frame);
    }

    /// Takes the first of some frames that touches nothing taken, or else the one that covers the least of it; its place
    /// among them.
    pub(in crate::report::html) fn first_free(&mut self, frames: &[Frame]) -> usize {
        let covered = |frame: &Frame| self.0.iter().map(|taken| shared(frame, taken)).sum::<f64>();
        let mut best = (0, f64::INFINITY);
        for (at, frame) in frames.iter().enumerate() {
            let covered = covered(frame);
            if covered < best.1 {
                best = (at, covered);
            }
        }
        self.0.extend(frames.get(best.0));
        best.0
    }
}

/// Area that two frames share, px².
fn shared(one: &Frame, other: &Frame) -> f64 {
    let side = |low: usize, high: usize| (one[high].min(other[high]) - one[low].max(other[low])).max(0.0);
    side(0, 2) * side(1, 3)
}

/// Width that a text of some letters may take at a size in px: DejaVu Sans has 0.6 of its size a letter in the mean.
pub(in crate::report::html) fn width(text: &str, size: f64) -> f64 {
    0.62 * size * text.chars().count() as f64
}

/// Size of the names of soils, px.
pub(in crate::report::html) const SOIL_NAME: f64 = 12.0;

/// What a text centred on a place takes.
pub(in crate::report::html) fn centred(text: &str, size: f64, (x, y): (f64, f64)) -> Frame {
    let half = 0.5 * width(text, size);
    [x - half, y - size, x + half, y + 2.0]
}

/// The name of a soil centred on a place of a map of some width and height, or above or below where something stands there.
pub(in crate::report::html) fn near(
    svg: &mut Svg,
    taken: &mut Taken,
    name: &str,
    (x, y): (f64, f64),
    (right, bottom): (f64, f64),
) {
    let half = 0.5 * width(name, SOIL_NAME);
    let x = x.min(right - half).max(half);
    let lines =
        [0.0, -16.0, 16.0, -32.0, 32.0, -48.0, 48.0].map(|dy: f64| (y + dy).min(bottom - 4.0).max(SOIL_NAME + 2.0));
    let frames = lines.map(|y| centred(name, SOIL_NAME, (x, y)));
    svg.text("soil-name", (x, lines[taken.first_free(&frames)]), "middle", name);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_label_goes_where_there_is_room() {
        let mut taken = Taken::default();
        taken.take([0.0, 0.0, 10.0, 10.0]);
        assert_eq!(taken.first_free(&[[5.0, 5.0, 15.0, 15.0], [10.0, 0.0, 20.0, 10.0]]), 1);
        // nothing is free: the least of what is covered
        assert_eq!(taken.first_free(&[[0.0, 0.0, 20.0, 10.0], [9.0, 8.0, 12.0, 12.0]]), 1);
    }
}
