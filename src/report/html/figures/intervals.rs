//! Means with their intervals, a line each: responses by class, the answer under other analyses, site-year by site-year.

use super::panel::shortened;
use super::{Scale, Svg, escaped, range, tick_label};

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

/// The figure; empty where no line has a number.
pub(in crate::report::html) fn draw(rows: &[Row], label: &str, unit: &str, decimals: usize) -> String {
    let rows: Vec<&Row> = rows.iter().filter(|row| row.mean.is_some() || row.interval.is_some()).collect();
    if rows.is_empty() {
        return String::new();
    }
    let ends = rows.iter().flat_map(|row| {
        let (low, high) = row.interval.unzip();
        [row.mean, low, high, row.break_even].into_iter().flatten()
    });
    let x = Scale::padded(range(ends, true), (LABELS, LABELS + PLOT));
    let height = ROW * (rows.len() as f64 + 1.9);
    let mut svg = Svg::new(LABELS + PLOT + NUMBERS, height, "figure", label);
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
    let class = match row.look {
        Look::Plain => "plain",
        Look::Strong => "strong",
        Look::Outlook => "outlook",
    };
    svg.raw(format_args!("<g class=\"{class}\"><title>{}</title>", escaped(&row.label)));
    svg.text("label", (0.0, y + 4.0), "start", &shortened(&row.label, 40));
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
    svg.text("number", (LABELS + PLOT + NUMBERS, y + 4.0), "end", &in_figures(row, decimals));
    svg.raw("</g>");
}

/// "8.4 (4.1 to 12.6)".
fn in_figures(row: &Row, decimals: usize) -> String {
    let signed = |value: f64| format!("{value:+.decimals$}").replace('-', "−");
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
        let figure = draw(&[row(None, None), row(Some(2.0), Some((-1.0, 5.0)))], "", "bu/ac", 1);
        assert_eq!(figure.matches("class=\"mean\"").count(), 1);
        assert!(figure.contains("+2.0 (−1.0 to +5.0)"), "{figure}");
        assert!(figure.contains("a &amp; b"));
    }
}
