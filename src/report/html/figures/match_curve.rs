//! How well opposing passes agree at each lag that was tried.

use super::{Scale, Svg, in_two_widths, range, tick_label};
use crate::points::{LagCurve, MachineFacts, Source};

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 190.0;
const LEFT: f64 = 56.0;
const BOTTOM: f64 = 36.0;

/// The curve of one combine with its lag and twice its standard error either side, for wide and for narrow screens.
pub(in crate::report::html) fn draw(curve: &LagCurve, facts: &MachineFacts) -> String {
    in_two_widths(WIDTH, |width, class| at_width(curve, facts, width, class)).concat()
}

fn at_width(curve: &LagCurve, facts: &MachineFacts, width: f64, class: &str) -> String {
    let ends = (curve.lags_s.first().copied().unwrap_or(0.0), curve.lags_s.last().copied().unwrap_or(1.0));
    let x = Scale::new(ends, (LEFT, width - 8.0));
    let y = Scale::padded(range(curve.mismatch.iter().copied(), false), (HEIGHT - BOTTOM, 8.0));
    let label = format!("Mismatch of neighbouring passes by lag, combine {}", curve.machine);
    let mut svg = Svg::new(width, HEIGHT, &format!("figure {class}"), &label);
    let lag = &facts.lag_s;
    if let (Source::Estimated, Some(std_error)) = (lag.source, lag.std_error) {
        let (from, to) = (x.at(lag.value - 2.0 * std_error), x.at(lag.value + 2.0 * std_error));
        svg.raw(format_args!(
            "<rect class=\"band\" x=\"{from:.1}\" y=\"8\" width=\"{:.1}\" height=\"{:.1}\"/>",
            (to - from).max(1.0),
            HEIGHT - BOTTOM - 8.0
        ));
    }
    let ticks = x.ticks((width / 70.0).round());
    for &tick in &ticks {
        svg.line("grid", (x.at(tick), 8.0), (x.at(tick), HEIGHT - BOTTOM));
        svg.text("tick", (x.at(tick), HEIGHT - BOTTOM + 15.0), "middle", &tick_label(tick, &ticks));
    }
    let ticks = y.ticks(3.0);
    for &tick in &ticks {
        svg.text("tick", (LEFT - 6.0, y.at(tick) + 4.0), "end", &tick_label(tick, &ticks));
    }
    svg.text("tick", (width - 8.0, HEIGHT - 4.0), "end", "transport lag tried, s");
    let points = curve.lags_s.iter().zip(&curve.mismatch).map(|(&lag, &mismatch)| (x.at(lag), y.at(mismatch)));
    svg.path("curve", points);
    let class = if lag.source == Source::Estimated { "chosen" } else { "assumed" };
    svg.line(class, (x.at(lag.value), 8.0), (x.at(lag.value), HEIGHT - BOTTOM));
    svg.finish()
}
