//! What would overturn an answer: the mean under other choices, a panel for each treatment.

use super::panel::{LINE, Panel, Sheet, WIDTH, shortened, shown, title_lines};
use super::{Scale, range};

/// The mean again, with what was changed.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Again {
    pub(in crate::report::html) name: String,
    pub(in crate::report::html) mean: f64,
}

/// A treatment's panel, in the report's unit.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Tried {
    pub(in crate::report::html) title: String,
    pub(in crate::report::html) mean: f64,
    pub(in crate::report::html) interval: Option<(f64, f64)>,
    pub(in crate::report::html) break_even: Option<f64>,
    /// Kinds of changes with what each gives.
    pub(in crate::report::html) kinds: Vec<(&'static str, Vec<Again>)>,
}

const PLOT: (f64, f64) = (8.0, WIDTH - 8.0);
/// Points of a kind that are named when they are pointed at.
const MOST_NAMED: usize = 60;
/// Height of the answer, and of each kind of change, px.
const FIRST_ROW: f64 = 2.0 * LINE + 4.0;
const ROW: f64 = 3.0 * LINE + 4.0;

/// The panels, all on one scale.
pub(in crate::report::html) fn draw(treatments: &[Tried], unit: &str) -> Vec<Panel> {
    let ends = treatments.iter().flat_map(|one| {
        let (low, high) = one.interval.unzip();
        let again = one.kinds.iter().flat_map(|(_, all)| all.iter().map(|again| again.mean));
        [Some(one.mean), low, high, one.break_even].into_iter().flatten().chain(again)
    });
    let x = Scale::padded(range(ends, true), PLOT);
    let titles = title_lines(treatments.iter().map(|one| one.title.as_str()));
    treatments.iter().map(|one| panel(one, &x, titles, unit)).collect()
}

fn panel(one: &Tried, x: &Scale, titles: usize, unit: &str) -> Panel {
    let room = FIRST_ROW + ROW * one.kinds.len() as f64;
    let mut sheet = Sheet::new(&one.title, titles, room + 36.0, "");
    sheet.axis(x, 5.0, room, unit);
    if let Some(pays) = one.break_even {
        sheet.svg.line("limit", (x.at(pays), sheet.y), (x.at(pays), sheet.y + room));
    }
    let mut y = sheet.y;
    sheet.svg.text("number", (0.0, y + 13.0), "start", "the answer");
    sheet.mark(x, y + LINE + 8.0, &format!("strong {}", shown(one.interval)), Some(one.mean), one.interval);
    y += FIRST_ROW - ROW;
    for (name, all) in &one.kinds {
        y += ROW;
        sheet.svg.text("number", (0.0, y + 13.0), "start", name);
        let ends = (
            all.iter().min_by(|one, other| one.mean.total_cmp(&other.mean)),
            all.iter().max_by(|one, other| one.mean.total_cmp(&other.mean)),
        );
        if let (Some(low), Some(high)) = ends {
            let far = if one.mean - low.mean > high.mean - one.mean { low } else { high };
            let printed = format!("farthest: {}", far.name);
            sheet.svg.text("tick", (8.0, y + LINE + 12.0), "start", &shortened(&printed, 50));
        }
        sheet.svg.raw("<g class=\"many\">");
        let is_named = all.len() <= MOST_NAMED;
        for again in all {
            let title = if is_named { format!("{}: {:+.1} {unit}", again.name, again.mean) } else { String::new() };
            sheet.dot(x.at(again.mean), y + 2.0 * LINE + 7.0, 4.0, &title);
        }
        sheet.svg.raw("</g>");
    }
    sheet.finish()
}
