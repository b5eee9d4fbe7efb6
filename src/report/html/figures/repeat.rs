//! Site-year by site-year, beside how wet its season was: a panel for each treatment, all on one scale.

use super::panel::{LINE, Panel, Sheet, WIDTH, shortened, shown, title_lines};
use super::{Scale, range};
use crate::report::html::text::signed;

/// A site-year. Numbers in the unit of the figure.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct SiteYearLine {
    pub(in crate::report::html) season: i32,
    pub(in crate::report::html) field: String,
    pub(in crate::report::html) wetness_mm: Option<f64>,
    pub(in crate::report::html) mean: f64,
    pub(in crate::report::html) interval: Option<(f64, f64)>,
    /// What it takes to pay there.
    pub(in crate::report::html) break_even: Option<f64>,
}

/// A treatment's panel.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Repeated {
    pub(in crate::report::html) title: String,
    pub(in crate::report::html) cases: Vec<SiteYearLine>,
    pub(in crate::report::html) overall: Option<(f64, Option<(f64, f64)>)>,
}

/// Site-years with a line of their own; of more, a line for each season holds their points.
pub(in crate::report::html) const MOST_LINES: usize = 19;
const PLOT: (f64, f64) = (166.0, WIDTH - 6.0);
const ROW: f64 = 19.0;

/// The panels.
pub(in crate::report::html) fn draw(treatments: &[Repeated], unit: &str) -> Vec<Panel> {
    let ends = treatments.iter().flat_map(|one| &one.cases).flat_map(|case| {
        let (low, high) = case.interval.unzip();
        [Some(case.mean), low, high, case.break_even].into_iter().flatten()
    });
    let x = Scale::padded(range(ends, true), PLOT);
    let by_season = treatments.iter().any(|one| one.cases.len() > MOST_LINES);
    let titles = title_lines(treatments.iter().map(|one| one.title.as_str()));
    let panel = |one| if by_season { seasons(one, &x, titles, unit) } else { lines(one, &x, titles, unit) };
    treatments.iter().map(panel).collect()
}

fn begin(one: &Repeated, x: &Scale, titles: usize, rows: usize, unit: &str) -> Sheet {
    let room = ROW * (rows as f64 + 1.6);
    let mut sheet = Sheet::new(&one.title, titles, LINE + room + 36.0, "");
    sheet.svg.text("tick", (PLOT.0 - 8.0, sheet.y + 11.0), "end", "mm from normal");
    sheet.y += LINE;
    sheet.axis(x, 4.0, room - 4.0, unit);
    sheet
}

fn overall(sheet: &mut Sheet, one: &Repeated, x: &Scale, y: f64) {
    if let Some((mean, interval)) = one.overall {
        sheet.svg.text("title", (0.0, y + 4.0), "start", "mean over site-years");
        sheet.mark(x, y, &format!("strong {}", shown(interval)), Some(mean), interval);
    }
}

fn lines(one: &Repeated, x: &Scale, titles: usize, unit: &str) -> Panel {
    let mut sheet = begin(one, x, titles, one.cases.len(), unit);
    let mut y = sheet.y + 0.5 * ROW;
    let mut season = None;
    for case in &one.cases {
        if season.is_some_and(|season| season != case.season) {
            sheet.svg.line("grid", (0.0, y - 0.5 * ROW), (WIDTH, y - 0.5 * ROW));
        }
        season = Some(case.season);
        sheet.svg.text("number", (0.0, y + 4.0), "start", &shortened(&format!("{} {}", case.season, case.field), 19));
        if let Some(mm) = case.wetness_mm {
            sheet.svg.text("number", (PLOT.0 - 8.0, y + 4.0), "end", &signed(mm, 0));
        }
        if let Some(pays) = case.break_even {
            sheet.svg.line("limit", (x.at(pays), y - 7.0), (x.at(pays), y + 7.0));
        }
        sheet.mark(x, y, shown(case.interval), Some(case.mean), case.interval);
        y += ROW;
    }
    overall(&mut sheet, one, x, y + 0.4 * ROW);
    sheet.finish()
}

fn seasons(one: &Repeated, x: &Scale, titles: usize, unit: &str) -> Panel {
    let of_season: Vec<&[SiteYearLine]> = one.cases.chunk_by(|one, next| one.season == next.season).collect();
    let mut sheet = begin(one, x, titles, of_season.len(), unit);
    let mut y = sheet.y + 0.5 * ROW;
    for cases in of_season {
        let known: Vec<f64> = cases.iter().filter_map(|case| case.wetness_mm).collect();
        sheet.svg.text("number", (0.0, y + 4.0), "start", &format!("{}: {} sites", cases[0].season, cases.len()));
        if !known.is_empty() {
            let mean = known.iter().sum::<f64>() / known.len() as f64;
            sheet.svg.text("number", (PLOT.0 - 8.0, y + 4.0), "end", &signed(mean, 0));
        }
        sheet.svg.raw("<g class=\"many\">");
        for case in cases {
            sheet.dot(x.at(case.mean), y, 3.0, "");
        }
        sheet.svg.raw("</g>");
        y += ROW;
    }
    overall(&mut sheet, one, x, y + 0.4 * ROW);
    sheet.finish()
}
