//! What plans promised against what the harvests gave.

use super::panel::{Panel, Sheet, WIDTH};
use super::{Scale, range, tick_label};

/// A promise that was scored, in the report's unit of yield.
#[derive(Debug, Clone, Copy)]
pub(in crate::report::html) struct Kept {
    pub(in crate::report::html) predicted: f64,
    pub(in crate::report::html) found: f64,
    pub(in crate::report::html) interval: Option<(f64, f64)>,
    /// Whether it lies within what was promised.
    pub(in crate::report::html) is_inside: bool,
}

const PLOT: (f64, f64) = (40.0, WIDTH - 8.0);
const HEIGHT: f64 = 230.0;

/// The panel: on the line, what was found is what was promised; `None` without promises.
pub(in crate::report::html) fn draw(promises: &[Kept], unit: &str) -> Option<Panel> {
    if promises.is_empty() {
        return None;
    }
    let ends = promises.iter().flat_map(|one| {
        let (low, high) = one.interval.unwrap_or((one.found, one.found));
        [one.found, low, high]
    });
    let predicted = range(promises.iter().map(|one| one.predicted), true);
    let x = Scale::padded(predicted, PLOT);
    let mut sheet = Sheet::new(&format!("Found against promised, {unit}"), 1, HEIGHT + 38.0, "");
    let (top, bottom) = (sheet.y + 4.0, sheet.y + HEIGHT);
    let found = range(ends.chain([predicted.0, predicted.1]), true);
    let y = Scale::padded(found, (bottom, top));
    sheet.axis(&x, 4.0, HEIGHT, &format!("promised, {unit}"));
    let ticks = y.ticks(5.0);
    for &tick in &ticks {
        sheet.svg.line(if tick.abs() < 1e-9 { "zero" } else { "grid" }, (PLOT.0, y.at(tick)), (PLOT.1, y.at(tick)));
        sheet.svg.text("tick", (PLOT.0 - 6.0, y.at(tick) + 4.0), "end", &tick_label(tick, &ticks));
    }
    sheet.svg.line("limit", (x.at(predicted.0), y.at(predicted.0)), (x.at(predicted.1), y.at(predicted.1)));
    for one in promises {
        sheet.svg.raw(format_args!("<g class=\"{}\">", if one.is_inside { "gain" } else { "loss" }));
        if let Some((low, high)) = one.interval {
            sheet.svg.line("reach", (x.at(one.predicted), y.at(low)), (x.at(one.predicted), y.at(high)));
        }
        sheet.dot(x.at(one.predicted), y.at(one.found), 3.5, "");
        sheet.svg.raw("</g>");
    }
    Some(sheet.finish())
}
