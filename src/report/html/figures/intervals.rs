//! Means with their intervals, a line each: responses by class, the answer under other analyses, site-year by site-year.

use super::panel::shortened;
use super::{NARROW, Scale, Svg, escaped, range, tick_label};
use crate::report::html::signed;

/// Height of a line, px.
const ROW: f64 = 22.0;
/// Width of the labels and of the plot, px.
const LABELS: f64 = 250.0;
const PLOT: f64 = 330.0;
const NUMBERS: f64 = 150.0;

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::report::html) enum Look {
    /// One response.
    Plain,
    /// The answer itself, or a mean.
    Strong,
    /// What is to be expected of a new site-year: an interval without a point.
    Outlook,
}

/// A line of the figure, in the report's unit.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Row {
    pub(in crate::report::html) label: String,
    pub(in crate::report::html) mean: Option<f64>,
    pub(in crate::report::html) interval: Option<(f64, f64)>,
    /// A response that pays.
    pub(in crate::report::html) break_even: Option<f64>,
    /// Size of the point by its share in the mean, 0 to 1.
    pub(in crate::report::html) weight: Option<f64>,
    pub(in crate::report::html) look: Look,
}

/// Height of a line of a narrow figure, whose label and numbers stand above the interval, px.
const NARROW_ROW: f64 = 40.0;
/// Width of a letter of a label and of a number, px.
const LETTER: f64 = 7.2;

/// The figure for wide and for narrow screens; empty where no line has a number.
pub(in crate::report::html) fn draw(rows: &[Row], label: &str, unit: &str, decimals: usize) -> String {
    wide(rows, label, unit, decimals) + &narrow(rows, label, unit, decimals)
}

/// A line for a label with its numbers, and one for the interval.
fn narrow(rows: &[Row], label: &str, unit: &str, decimals: usize) -> String {
    let rows: Vec<&Row> = rows.iter().filter(|row| row.mean.is_some() || row.interval.is_some()).collect();
    if rows.is_empty() {
        return String::new();
    }
    let x = Scale::padded(range(ends(&rows), true), (4.0, NARROW - 4.0));
    let bottom = NARROW_ROW * rows.len() as f64 + 6.0;
    let mut svg = Svg::new(NARROW, bottom + 36.0, "figure narrow", label);
    let ticks = x.ticks(5.0);
    for &tick in &ticks {
        let class = if tick.abs() < 1e-9 { "zero" } else { "grid" };
        svg.line(class, (x.at(tick), 2.0), (x.at(tick), bottom));
        svg.text("tick", (x.at(tick), bottom + 14.0), "middle", &tick_label(tick, &ticks));
    }
    svg.text("tick", (NARROW, bottom + 30.0), "end", unit);
    for (at, row) in rows.iter().enumerate() {
        let top = NARROW_ROW * at as f64;
        let numbers = in_figures(row, decimals);
        let letters = ((NARROW - LETTER * numbers.chars().count() as f64) / LETTER - 1.0).max(8.0) as usize;
        svg.raw(format_args!("<g class=\"{}\"><title>{}</title>", class_of(row), escaped(&row.label)));
        svg.text("label over", (0.0, top + 15.0), "start", &shortened(&row.label, letters));
        svg.text("number over", (NARROW, top + 15.0), "end", &numbers);
        draw_reach(&mut svg, row, &x, top + 29.0);
        svg.raw("</g>");
    }
    svg.finish()
}

/// What the scale must hold.
fn ends<'r>(rows: &'r [&Row]) -> impl Iterator<Item = f64> + 'r {
    rows.iter().flat_map(|row| {
        let (low, high) = row.interval.unzip();
        [row.mean, low, high, row.break_even].into_iter().flatten()
    })
}

/// The figure for wide screens and paper.
pub(in crate::report::html) fn wide(rows: &[Row], label: &str, unit: &str, decimals: usize) -> String {
    let rows: Vec<&Row> = rows.iter().filter(|row| row.mean.is_some() || row.interval.is_some()).collect();
    if rows.is_empty() {
        return String::new();
    }
    let x = Scale::padded(range(ends(&rows), true), (LABELS, LABELS + PLOT));
    let height = ROW * (rows.len() as f64 + 1.9);
    let mut svg = Svg::new(LABELS + PLOT + NUMBERS, height, "figure wide", label);
    let bottom = ROW * (rows.len() as f64 + 0.4);
    let ticks = x.ticks(5.0);
    for &tick in &ticks {
        let class = if tick.abs() < 1e-9 { "zero" } else { "grid" };
        svg.line(class, (x.at(tick), 2.0), (x.at(tick), bottom));
        svg.text("tick", (x.at(tick), bottom + 14.0), "middle", &tick_label(tick, &ticks));
    }
    svg.text("tick", (LABELS + PLOT + NUMBERS, bottom + 14.0), "end", unit);
    for (at, row) in rows.iter().enumerate() {
        draw_row(&mut svg, row, &x, ROW * (at as f64 + 0.7), decimals);
    }
    svg.finish()
}

fn draw_row(svg: &mut Svg, row: &Row, x: &Scale, y: f64, decimals: usize) {
    svg.raw(format_args!("<g class=\"{}\"><title>{}</title>", class_of(row), escaped(&row.label)));
    svg.text("label", (0.0, y + 4.0), "start", &shortened(&row.label, 40));
    draw_reach(svg, row, x, y);
    svg.text("number", (LABELS + PLOT + NUMBERS, y + 4.0), "end", &in_figures(row, decimals));
    svg.raw("</g>");
}

fn class_of(row: &Row) -> &'static str {
    match row.look {
        Look::Plain => "plain",
        Look::Strong => "strong",
        Look::Outlook => "outlook",
    }
}

/// The interval with its mean, and what it takes to pay.
fn draw_reach(svg: &mut Svg, row: &Row, x: &Scale, y: f64) {
    if let Some(pays) = row.break_even {
        svg.line("limit", (x.at(pays), y - 8.0), (x.at(pays), y + 8.0));
    }
    if let Some((low, high)) = row.interval {
        svg.line("reach", (x.at(low), y), (x.at(high), y));
    }
    if let Some(mean) = row.mean {
        let radius = row.weight.map_or(4.5, |weight| 2.5 + 6.0 * weight.sqrt());
        svg.raw(format_args!("<circle class=\"mean\" cx=\"{:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\"/>", x.at(mean)));
    }
}

/// "8.4 (4.1 to 12.6)".
fn in_figures(row: &Row, decimals: usize) -> String {
    let signed = |value: f64| signed(value, decimals);
    match (row.mean, row.interval) {
        (Some(mean), Some((low, high))) => format!("{} ({} to {})", signed(mean), signed(low), signed(high)),
        (Some(mean), None) => signed(mean),
        (None, Some((low, high))) => format!("{} to {}", signed(low), signed(high)),
        (None, None) => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(mean: Option<f64>, interval: Option<(f64, f64)>) -> Row {
        Row { label: "a & b".to_owned(), mean, interval, break_even: None, weight: None, look: Look::Plain }
    }

    #[test]
    fn a_line_without_a_number_is_left_out_and_none_is_no_figure() {
        assert_eq!(draw(&[row(None, None)], "", "bu/ac", 1), "");
        let rows = [row(None, None), row(Some(2.0), Some((-1.0, 5.0)))];
        let figure = wide(&rows, "", "bu/ac", 1);
        let other = narrow(&rows, "", "bu/ac", 1);
        assert!(other.contains("+2.0 (−1.0 to +5.0)") && other.matches("class=\"mean\"").count() == 1, "{other}");
        assert_eq!(figure.matches("class=\"mean\"").count(), 1);
        assert!(figure.contains("+2.0 (−1.0 to +5.0)"), "{figure}");
        assert!(figure.contains("a &amp; b"));
    }
}
