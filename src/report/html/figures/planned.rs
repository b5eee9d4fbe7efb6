//! The plan: ground to treat, to test and to leave, and the money that is expected.

use super::panel::{LINE, Panel, Sheet, WIDTH, shown, wrapped};
use super::{Scale, range};
use crate::report::html::text::signed;

/// What is planned for a treatment, in the report's units.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Planned {
    pub(in crate::report::html) label: String,
    /// Area to treat, to leave and to test.
    pub(in crate::report::html) areas: [f64; 3],
    /// Money with its interval; absent where nothing is to be treated.
    pub(in crate::report::html) money: Option<(f64, (f64, f64))>,
}

const ROW: f64 = 4.0 * LINE;
const PLOT: (f64, f64) = (6.0, WIDTH - 6.0);

/// The panels; `units` are those of area and money.
pub(in crate::report::html) fn draw(treatments: &[Planned], units: (&str, &str)) -> Vec<Panel> {
    let rows = ROW * treatments.len() as f64;
    let most = treatments.iter().map(|one| one.areas.iter().sum::<f64>()).fold(0.0, f64::max);
    let x = Scale::new((0.0, most), PLOT);
    let mut sheet = Sheet::new(&format!("Ground by treatment, {}", units.0), 1, rows + 8.0, "");
    let mut y = sheet.y;
    for one in treatments {
        for line in wrapped(&one.label, 52, 1) {
            sheet.svg.text("label", (0.0, y + 13.0), "start", &line);
        }
        let mut from = 0.0;
        // treat, test, leave: what is settled for, what is open, what is settled against
        for (class, at) in [("treat", 0), ("test", 2), ("leave", 1)] {
            let area = one.areas[at];
            if area > 0.0 {
                sheet.svg.raw(format_args!(
                    "<rect class=\"{class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"16\"/>",
                    x.at(from),
                    y + LINE + 2.0,
                    x.at(from + area) - x.at(from)
                ));
            }
            from += area;
        }
        let printed = format!("treat {:.0}, test {:.0}, leave {:.0}", one.areas[0], one.areas[2], one.areas[1]);
        sheet.svg.text("number", (0.0, y + 2.0 * LINE + 15.0), "start", &printed);
        y += ROW;
    }
    let mut panels = vec![sheet.finish()];
    if treatments.iter().any(|one| one.money.is_some()) {
        panels.push(money(treatments, rows, units.1));
    }
    panels
}

fn money(treatments: &[Planned], rows: f64, unit: &str) -> Panel {
    let ends = treatments.iter().filter_map(|one| one.money).flat_map(|(_, ends)| [ends.0, ends.1]);
    let x = Scale::padded(range(ends, true), PLOT);
    let mut sheet = Sheet::new(&format!("Expected where it is the best treatment, {unit}"), 1, rows + 22.0, "");
    sheet.axis(&x, 4.0, rows, "");
    let mut y = sheet.y;
    for one in treatments {
        for line in wrapped(&one.label, 52, 1) {
            sheet.svg.text("label", (0.0, y + 13.0), "start", &line);
        }
        let printed = match one.money {
            Some((money, (low, high))) => {
                sheet.mark(&x, y + LINE + 10.0, shown(Some((low, high))), Some(money), Some((low, high)));
                format!("{} ({} to {})", signed(money, 0), signed(low, 0), signed(high, 0))
            }
            None => "nothing to treat".to_owned(),
        };
        sheet.svg.text("number", (0.0, y + 2.0 * LINE + 15.0), "start", &printed);
        y += ROW;
    }
    sheet.finish()
}
