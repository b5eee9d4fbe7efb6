//! Figures as SVG. Colours that depend on light and dark come from classes of the style sheet.

pub(super) mod along;
pub(super) mod compare;
pub(super) mod doses;
pub(super) mod intervals;
pub(super) mod kept;
pub(super) mod labels;
pub(super) mod match_curve;
pub(super) mod overturn;
pub(super) mod panel;
pub(super) mod planned;
pub(super) mod repeat;
pub(super) mod sites;
pub(super) mod soils;
pub(super) mod wetness;

use std::fmt::{Display, Write};

/// Text as it may stand in markup, in quoted attributes too.
pub(in crate::report) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;").replace('\'', "&#39;")
}

/// Width of a drawing that fits a telephone of 390 px beside the page's rims and a scroll bar.
pub(super) const NARROW: f64 = 330.0;

/// A drawing for wide screens and paper, and the same for narrow ones, so that its letters stay as large; the style sheet shows one of
/// them. `draw` takes the width and the class that says which it is.
pub(super) fn in_two_widths<T>(wide: f64, draw: impl Fn(f64, &str) -> T) -> [T; 2] {
    [(wide, "wide"), (NARROW, "narrow")].map(|(width, class)| draw(width, class))
}

/// A linear scale from values to pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    values: (f64, f64),
    pixels: (f64, f64),
}

impl Scale {
    /// From the values' range to a range of pixels; a range without extent is widened.
    pub(super) fn new((low, high): (f64, f64), pixels: (f64, f64)) -> Self {
        let (low, high) = if high - low > 1e-12 { (low, high) } else { (low - 1.0, high + 1.0) };
        Self { values: (low, high), pixels }
    }

    /// With some room at both ends.
    pub(super) fn padded((low, high): (f64, f64), pixels: (f64, f64)) -> Self {
        let room = 0.05 * (high - low);
        Self::new((low - room, high + room), pixels)
    }

    pub(super) fn at(&self, value: f64) -> f64 {
        let share = (value - self.values.0) / (self.values.1 - self.values.0);
        self.pixels.0 + share * (self.pixels.1 - self.pixels.0)
    }

    /// Round values inside the range, some `about` of them: 1, 2 or 5 times a power of ten apart.
    pub(super) fn ticks(&self, about: f64) -> Vec<f64> {
        let rough = (self.values.1 - self.values.0) / about;
        let power = 10.0_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|digit| digit * power).into_iter().find(|step| *step >= rough);
        let step = step.unwrap_or(10.0 * power);
        let first = (self.values.0 / step).ceil() as i64;
        let last = (self.values.1 / step).floor() as i64;
        (first..=last).map(|at| at as f64 * step).collect()
    }
}

/// The range of some values, with 0 inside where asked.
pub(super) fn range(values: impl IntoIterator<Item = f64>, with_zero: bool) -> (f64, f64) {
    let start = if with_zero { (0.0, 0.0) } else { (f64::INFINITY, f64::NEG_INFINITY) };
    let (low, high) = values
        .into_iter()
        .filter(|value| value.is_finite())
        .fold(start, |(low, high), value| (low.min(value), high.max(value)));
    if low <= high { (low, high) } else { (0.0, 1.0) }
}

/// A tick's label: as many decimals as the step needs.
pub(super) fn tick_label(value: f64, ticks: &[f64]) -> String {
    let step = ticks.windows(2).map(|pair| pair[1] - pair[0]).fold(f64::INFINITY, f64::min);
    let decimals = if step.is_finite() { (-(step * 1.000_001).log10().floor()).clamp(0.0, 6.0) as usize } else { 1 };
    let text = format!("{value:.decimals$}");
    if text.trim_start_matches('-').bytes().all(|byte| matches!(byte, b'0' | b'.')) {
        text.trim_start_matches('-').to_owned()
    } else {
        text.replace('-', "−")
    }
}

/// A drawing under way.
#[derive(Debug)]
pub(super) struct Svg {
    markup: String,
}

/// Adds a line through points to the data of a path.
fn trace(d: &mut String, points: impl IntoIterator<Item = (f64, f64)>) {
    for (at, (x, y)) in points.into_iter().enumerate() {
        let _ = write!(d, "{}{x:.1} {y:.1}", if at == 0 { 'M' } else { 'L' });
    }
}

/// The data of a path along closed rings.
pub(super) fn outline<R: IntoIterator<Item = (f64, f64)>>(rings: impl IntoIterator<Item = R>) -> String {
    let mut d = String::new();
    for ring in rings {
        trace(&mut d, ring);
        d.push('Z');
    }
    d
}

impl Svg {
    /// A drawing of a size in px, with what it shows for those who cannot see it.
    pub(super) fn new(width: f64, height: f64, class: &str, label: &str) -> Self {
        Self::with_data(width, height, class, label, "")
    }

    /// With further attributes, escaped.
    pub(super) fn with_data(width: f64, height: f64, class: &str, label: &str, data: &str) -> Self {
        let markup = format!(
            "<svg class=\"{class}\"{data} viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" height=\"{height:.0}\" role=\"img\" aria-label=\"{}\">",
            escaped(label)
        );
        Self { markup }
    }

    /// A line.
    pub(super) fn line(&mut self, class: &str, (x1, y1): (f64, f64), (x2, y2): (f64, f64)) {
        self.raw(format_args!("<path class=\"{class}\" d=\"M{x1:.1} {y1:.1}L{x2:.1} {y2:.1}\"/>"));
    }

    /// A line through points.
    pub(super) fn path(&mut self, class: &str, points: impl IntoIterator<Item = (f64, f64)>) {
        let mut d = String::new();
        trace(&mut d, points);
        if !d.is_empty() {
            self.raw(format_args!("<path class=\"{class}\" d=\"{d}\"/>"));
        }
    }

    /// A word at a place; `anchor` is `start`, `middle` or `end`.
    pub(super) fn text(&mut self, class: &str, (x, y): (f64, f64), anchor: &str, text: &str) {
        let text = escaped(text);
        self.raw(format_args!(
            "<text class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{text}</text>"
        ));
    }

    /// Labels below a plot that ends at `bottom`, for round values of the horizontal scale.
    pub(super) fn labels_below(&mut self, x: &Scale, about: f64, bottom: f64) {
        let ticks = x.ticks(about);
        for &tick in &ticks {
            self.text("tick", (x.at(tick), bottom), "middle", &tick_label(tick, &ticks));
        }
    }

    /// Lines across a plot, from left to right, at round values of the vertical scale, with their labels; that of 0 stands out.
    pub(super) fn lines_across(&mut self, y: &Scale, about: f64, (left, right): (f64, f64), room: f64) {
        let ticks = y.ticks(about);
        for &tick in &ticks {
            let class = if tick.abs() < 1e-9 { "zero" } else { "grid" };
            self.line(class, (left, y.at(tick)), (right, y.at(tick)));
            self.text("tick", (left - room, y.at(tick) + 4.0), "end", &tick_label(tick, &ticks));
        }
    }

    /// Markup as it is: the caller has escaped what is text.
    pub(super) fn raw(&mut self, markup: impl Display) {
        let _ = write!(self.markup, "{markup}");
    }

    /// Bytes of the drawing so far: where it can be cut in two.
    pub(super) fn len(&self) -> usize {
        self.markup.len()
    }

    pub(super) fn finish(mut self) -> String {
        self.markup.push_str("</svg>");
        self.markup
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let scale = Scale::new((-3.2, 11.9), (0.0, 100.0));
        assert_eq!(scale.ticks(5.0), [0.0, 5.0, 10.0]);
        assert!((scale.at(-3.2)).abs() < 1e-9 && (scale.at(11.9) - 100.0).abs() < 1e-9);
        let fine = Scale::new((0.0, 0.31), (0.0, 1.0)).ticks(4.0);
        assert_eq!(fine.iter().map(|&tick| tick_label(tick, &fine)).collect::<Vec<_>>(), ["0.0", "0.1", "0.2", "0.3"]);
        assert_eq!(tick_label(-10.0, &[-10.0, 0.0]), "−10");
        assert_eq!(Scale::new((2.0, 2.0), (0.0, 1.0)).ticks(2.0), [1.0, 2.0, 3.0]);
    }

    #[test]
    fn text_from_files_stays_text() {
        assert_eq!(escaped("<script>\"a\" & 'b'"), "&lt;script&gt;&quot;a&quot; &amp; &#39;b&#39;");
        let mut svg = Svg::new(10.0, 10.0, "", "\"><script>");
        svg.text("", (0.0, 0.0), "start", "</svg><script>");
        assert!(!svg.finish().contains("<script>"));
    }
}
