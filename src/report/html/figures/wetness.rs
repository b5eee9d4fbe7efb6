//! Wetness of the spring against the response, a point for each site-year.

use super::{Scale, Svg, escaped, in_two_widths, range};

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 240.0;
/// Site-years that are drawn with their intervals and named; of more, the points alone.
const MOST_WITH_INTERVALS: usize = 200;
const LEFT: f64 = 46.0;
const BOTTOM: f64 = 36.0;

/// A site-year.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Place {
    pub(in crate::report::html) label: String,
    /// Departure from normal, mm.
    pub(in crate::report::html) wetness_mm: f64,
    /// Response with its interval, in the report's unit.
    pub(in crate::report::html) response: f64,
    pub(in crate::report::html) interval: Option<(f64, f64)>,
    /// Its share in the mean.
    pub(in crate::report::html) weight: f64,
}

/// A straight line: its value at no departure, and its slope for one mm.
#[derive(Debug, Clone, Copy)]
pub(in crate::report::html) struct Line {
    pub(in crate::report::html) at_zero: f64,
    pub(in crate::report::html) slope: f64,
}

/// The figure for wide and for narrow screens; empty with fewer than two site-years.
pub(in crate::report::html) fn draw(
    places: &[Place],
    line: Option<Line>,
    breaks_mm: &[f64],
    label: &str,
    unit: &str,
) -> String {
    if places.len() < 2 {
        return String::new();
    }
    in_two_widths(WIDTH, |width, class| at_width(places, line, breaks_mm, (label, unit), (width, class))).concat()
}

fn at_width(
    places: &[Place],
    line: Option<Line>,
    breaks_mm: &[f64],
    (label, unit): (&str, &str),
    (width, class): (f64, &str),
) -> String {
    let x = Scale::padded(range(places.iter().map(|one| one.wetness_mm), true), (LEFT, width - 8.0));
    let ends = places.iter().flat_map(|one| {
        let (low, high) = one.interval.unwrap_or((one.response, one.response));
        [low, high]
    });
    let y = Scale::padded(range(ends, true), (HEIGHT - BOTTOM, 8.0));
    let mut svg = Svg::new(width, HEIGHT, &format!("figure {class}"), label);
    svg.lines_across(&y, 5.0, (LEFT, width - 8.0), 6.0);
    svg.labels_below(&x, (width / 80.0).round(), HEIGHT - BOTTOM + 15.0);
    svg.text("tick", (width - 8.0, HEIGHT - 3.0), "end", "precipitation, mm from normal");
    svg.text("tick", (LEFT + 3.0, 12.0), "start", unit);
    for &limit in breaks_mm {
        if (LEFT..width - 8.0).contains(&x.at(limit)) {
            svg.line("border", (x.at(limit), 8.0), (x.at(limit), HEIGHT - BOTTOM));
        }
    }
    if let Some(line) = line {
        let (from, to) = range(places.iter().map(|one| one.wetness_mm), false);
        svg.path("curve", [from, to].map(|at| (x.at(at), y.at(line.at_zero + line.slope * at))));
    }
    let is_crowded = places.len() > MOST_WITH_INTERVALS;
    for one in places {
        if is_crowded {
            let (x, y) = (x.at(one.wetness_mm), y.at(one.response));
            svg.raw(format_args!("<circle class=\"mean\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.5\"/>"));
            continue;
        }
        svg.raw(format_args!("<g class=\"plain\"><title>{}</title>", escaped(&one.label)));
        let place = x.at(one.wetness_mm);
        if let Some((low, high)) = one.interval {
            svg.line("reach thin", (place, y.at(low)), (place, y.at(high)));
        }
        svg.raw(format_args!(
            "<circle class=\"mean\" cx=\"{place:.1}\" cy=\"{:.1}\" r=\"{:.1}\"/></g>",
            y.at(one.response),
            2.5 + 6.0 * one.weight.sqrt()
        ));
    }
    svg.finish()
}
