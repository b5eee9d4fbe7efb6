//! The response over rates: the curve with its band, and what was found at each tested rate.

use super::panel::{Panel, Sheet, WIDTH};
use super::{Scale, escaped, outline, range, tick_label};

/// The response over the rates of one product, in the report's units: mean, low and high.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Dose {
    /// Along the rates.
    pub(in crate::report::html) curve: Vec<(f64, [f64; 3])>,
    /// At the tested rates.
    pub(in crate::report::html) points: Vec<Point>,
}

/// What was found at a tested rate.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Point {
    /// Key of its treatment.
    pub(in crate::report::html) key: String,
    pub(in crate::report::html) rate: f64,
    /// Mean, low and high.
    pub(in crate::report::html) response: [f64; 3],
    /// Whether the rate is of the most profitable range.
    pub(in crate::report::html) in_range: bool,
}

const PLOT: (f64, f64) = (40.0, WIDTH - 8.0);
const HEIGHT: f64 = 200.0;

/// The panel; nothing is drawn beyond the largest tested rate.
pub(in crate::report::html) fn draw(dose: &Dose, yield_unit: &str, rate_unit: &str) -> Panel {
    let values = dose.curve.iter().map(|one| one.1).chain(dose.points.iter().map(|one| one.response)).flatten();
    let largest = dose.curve.iter().map(|one| one.0).fold(0.0, f64::max);
    let x = Scale::padded((0.0, largest), PLOT);
    let mut sheet = Sheet::new(&format!("Response over rates, {yield_unit}"), 1, HEIGHT + 38.0, "");
    let y = Scale::padded(range(values, true), (sheet.y + HEIGHT, sheet.y + 4.0));
    sheet.axis(&x, 5.0, HEIGHT, rate_unit);
    let ticks = y.ticks(5.0);
    for &tick in &ticks {
        sheet.svg.line(if tick.abs() < 1e-9 { "zero" } else { "grid" }, (PLOT.0, y.at(tick)), (PLOT.1, y.at(tick)));
        sheet.svg.text("tick", (PLOT.0 - 6.0, y.at(tick) + 4.0), "end", &tick_label(tick, &ticks));
    }
    let upper = dose.curve.iter().map(|(rate, told)| (x.at(*rate), y.at(told[2])));
    let lower = dose.curve.iter().rev().map(|(rate, told)| (x.at(*rate), y.at(told[1])));
    let band: Vec<(f64, f64)> = upper.chain(lower).collect();
    sheet.svg.raw(format_args!("<path class=\"band\" d=\"{}\"/>", outline([band])));
    for pair in dose.curve.windows(2) {
        let at = |(rate, told): (f64, [f64; 3])| (x.at(rate), y.at(told[0]));
        sheet.svg.line("curve", at(pair[0]), at(pair[1]));
    }
    for Point { key, rate, response, in_range } in &dose.points {
        let (class, key) = (if *in_range { "gain" } else { "open" }, escaped(key));
        sheet.svg.raw(format_args!("<g class=\"{class}\" data-rate=\"{key}\">"));
        sheet.svg.line("reach", (x.at(*rate), y.at(response[1])), (x.at(*rate), y.at(response[2])));
        sheet.dot(x.at(*rate), y.at(response[0]), 4.5, "");
        sheet.svg.raw("</g>");
    }
    sheet.finish()
}
