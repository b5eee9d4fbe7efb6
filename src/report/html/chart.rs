//! The response by class with its interval, as an SVG.

use std::fmt::Write;

use crate::config::ArchiveSettings;
use crate::report::Units;
use crate::results::SiteYear;

const ROW: f64 = 26.0;
const LABELS: f64 = 330.0;
const PLOT: f64 = 460.0;

/// Text as it may stand in markup.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;").replace('\'', "&#39;")
}

/// One line for each response: its mean, its interval, zero and the break-even response.
pub(super) fn intervals(result: &SiteYear, archive: &ArchiveSettings, units: &Units) -> String {
    let rows: Vec<_> = result
        .responses
        .iter()
        .filter(|one| one.estimate.mean.is_some())
        .map(|one| (one, units.estimate(&one.estimate)))
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    let ends = rows.iter().flat_map(|(response, estimate)| {
        [estimate.low, estimate.high, estimate.mean, response.returns.break_even.map(|value| units.yields(value))]
    });
    let (low, high) = ends.flatten().fold((0.0_f64, 0.0_f64), |(low, high), value| (low.min(value), high.max(value)));
    let pad = 0.05 * (high - low).max(1e-9);
    let (low, high) = (low - pad, high + pad);
    let x = |value: f64| LABELS + PLOT * (value - low) / (high - low);
    let height = ROW * (rows.len() as f64 + 1.5);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {:.0} {height:.0}\" width=\"{:.0}\" role=\"img\" aria-label=\"Response by treatment and ground with intervals\">",
        LABELS + PLOT + 20.0,
        LABELS + PLOT + 20.0
    );
    let _ = write!(
        svg,
        "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"4\" y2=\"{1:.1}\" stroke=\"currentColor\" stroke-width=\"1\"/>",
        x(0.0),
        height - ROW
    );
    for (at, (response, estimate)) in rows.iter().enumerate() {
        let y = ROW * (at as f64 + 0.7);
        let label = archive.treatment(&response.key.treatment).map_or("", |treatment| &treatment.label);
        let _ = write!(
            svg,
            "<text x=\"0\" y=\"{:.1}\">{} · {}</text>",
            y + 4.0,
            escaped(label),
            escaped(&response.class_name)
        );
        if let (Some(low), Some(high)) = (estimate.low, estimate.high) {
            let _ = write!(
                svg,
                "<line x1=\"{:.1}\" x2=\"{:.1}\" y1=\"{y:.1}\" y2=\"{y:.1}\" stroke=\"#1f5f8b\" stroke-width=\"3\"/>",
                x(low),
                x(high)
            );
        }
        if let Some(pays) = response.returns.break_even.map(|value| units.yields(value)) {
            let _ = write!(
                svg,
                "<path d=\"M{0:.1} {1:.1}v14\" stroke=\"#c66f00\" stroke-width=\"2\" stroke-dasharray=\"3 2\"/>",
                x(pays),
                y - 7.0
            );
        }
        let _ = write!(
            svg,
            "<circle cx=\"{:.1}\" cy=\"{y:.1}\" r=\"5\" fill=\"#1f5f8b\"/>",
            x(estimate.mean.unwrap_or(0.0))
        );
    }
    let base = height - ROW * 0.4;
    for value in [low + pad, 0.0, high - pad] {
        let _ = write!(svg, "<text x=\"{:.1}\" y=\"{base:.1}\" text-anchor=\"middle\">{value:.1}</text>", x(value));
    }
    svg.push_str("</svg>");
    svg
}
