//! The treatments side by side: response, net return, chances.

use super::panel::{LINE, Panel, Sheet, WIDTH, shown, wrapped};
use super::{Scale, escaped, range};
use crate::report::html::text::signed;

/// A treatment. Numbers in the report's units.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Treated {
    pub(in crate::report::html) key: String,
    pub(in crate::report::html) label: String,
    pub(in crate::report::html) mean: Option<f64>,
    pub(in crate::report::html) interval: Option<(f64, f64)>,
    pub(in crate::report::html) money: Option<Money>,
    /// What stands where no money is reported.
    pub(in crate::report::html) why_not: String,
}

/// What it is worth.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Money {
    pub(in crate::report::html) break_even: f64,
    pub(in crate::report::html) net: f64,
    pub(in crate::report::html) interval: (f64, f64),
    /// Name, kind for the script, share, interval of the share, and the share in words.
    pub(in crate::report::html) chances: Vec<Chance>,
}

/// A probability or a share.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Chance {
    pub(in crate::report::html) name: &'static str,
    /// What the script knows it by; empty where nothing changes it.
    pub(in crate::report::html) kind: &'static str,
    pub(in crate::report::html) share: f64,
    pub(in crate::report::html) interval: Option<(f64, f64)>,
    pub(in crate::report::html) printed: String,
}

const LABEL_LETTERS: usize = 52;
/// Right end of the plots, px.
const RIGHT: f64 = WIDTH - 6.0;
/// The bars of the chances, px.
const BARS: (f64, f64) = (166.0, 242.0);

/// The panels; without money the response alone. `units` are those of yield and money.
pub(in crate::report::html) fn draw(
    treatments: &[Treated],
    nothing: Option<&Chance>,
    units: (&str, &str),
    decimals: usize,
) -> Vec<Panel> {
    let has_money = treatments.iter().any(|one| one.money.is_some());
    let height = |one: &Treated| if one.money.is_some() { 4.0 * LINE + 24.0 } else { 2.0 * LINE + 30.0 };
    let rows: f64 = treatments.iter().map(height).sum();
    let last = if nothing.is_some() { LINE + 24.0 } else { 0.0 };
    let mut panels = vec![responses(treatments, &height, rows, last, units.0, decimals)];
    if has_money {
        panels.push(returns(treatments, &height, rows, last, units.1));
        panels.push(chances(treatments, nothing, &height, rows, last));
    }
    panels
}

type Height<'h> = &'h dyn Fn(&Treated) -> f64;

fn label(sheet: &mut Sheet, text: &str, y: f64) {
    for line in wrapped(text, LABEL_LETTERS, 1) {
        sheet.svg.text("label", (0.0, y + 13.0), "start", &line);
    }
}

fn responses(treatments: &[Treated], height: Height<'_>, rows: f64, last: f64, unit: &str, decimals: usize) -> Panel {
    let ends = treatments.iter().flat_map(|one| {
        let (low, high) = one.interval.unzip();
        [one.mean, low, high, one.money.as_ref().map(|money| money.break_even)].into_iter().flatten()
    });
    let x = Scale::padded(range(ends, true), (6.0, RIGHT));
    let mut sheet = Sheet::new(&format!("Treated minus check, {unit}"), 1, rows + last + 34.0, "");
    sheet.axis(&x, 5.0, rows, "");
    let mut y = sheet.y;
    for one in treatments {
        label(&mut sheet, &one.label, y);
        let middle = y + LINE + 14.0;
        if let Some(money) = &one.money {
            sheet.svg.line("limit", (x.at(money.break_even), middle - 10.0), (x.at(money.break_even), middle + 10.0));
        }
        sheet.mark(&x, middle, shown(one.interval), one.mean, one.interval);
        let printed = match (one.mean, one.interval) {
            (Some(mean), Some((low, high))) => {
                format!("{} ({} to {})", signed(mean, decimals), signed(low, decimals), signed(high, decimals))
            }
            (Some(mean), None) => format!("{}, no interval yet", signed(mean, decimals)),
            (None, _) => "no number yet".to_owned(),
        };
        sheet.svg.text("number", (0.0, middle + 24.0), "start", &printed);
        y += height(one);
    }
    sheet.finish()
}

fn returns(treatments: &[Treated], height: Height<'_>, rows: f64, last: f64, unit: &str) -> Panel {
    let ends =
        treatments.iter().filter_map(|one| one.money.as_ref()).flat_map(|money| [money.interval.0, money.interval.1]);
    let (low, high) = range(ends, true);
    // room for other prices
    let room = 0.25 * (high - low);
    let x = Scale::new((low - room, high + room), (6.0, RIGHT));
    let (zero, one) = (x.at(0.0), x.at(1.0));
    let data = format!(" data-zero=\"{zero:.4}\" data-unit=\"{:.6}\" data-ends=\"6 {RIGHT}\"", one - zero);
    let mut sheet = Sheet::new(&format!("Net return after its cost, {unit}"), 1, rows + last + 34.0, &data);
    sheet.axis(&x, 5.0, rows, "");
    let mut y = sheet.y;
    for one in treatments {
        label(&mut sheet, &one.label, y);
        let middle = y + LINE + 14.0;
        match &one.money {
            Some(money) => {
                sheet.svg.raw(format_args!("<g data-net=\"{}\">", escaped(&one.key)));
                sheet.mark(&x, middle, shown(Some(money.interval)), Some(money.net), Some(money.interval));
                sheet.svg.text("number", (0.0, middle + 24.0), "start", &net_printed(money.net, money.interval));
                sheet.svg.raw("</g>");
            }
            None => sheet.svg.text("number", (0.0, middle + 4.0), "start", &one.why_not),
        }
        y += height(one);
    }
    sheet.finish()
}

/// "+1 (−16 to +18)".
pub(in crate::report::html) fn net_printed(net: f64, (low, high): (f64, f64)) -> String {
    format!("{} ({} to {})", signed(net, 0), signed(low, 0), signed(high, 0))
}

fn chances(treatments: &[Treated], nothing: Option<&Chance>, height: Height<'_>, rows: f64, last: f64) -> Panel {
    let mut sheet = Sheet::new("Chances", 1, rows + last + 34.0, "");
    let x = Scale::new((0.0, 1.0), BARS);
    let mut y = sheet.y;
    for at in [0.0, 0.5, 1.0] {
        let class = if at > 0.0 && at < 1.0 { "zero" } else { "grid" };
        sheet.svg.line(class, (x.at(at), y), (x.at(at), y + rows + last - 6.0));
        // the bars are short: the middle is named a line above the ends
        let printed = if at > 0.0 { format!("{:.0} %", 100.0 * at) } else { "0".to_owned() };
        let below = if class == "zero" { 14.0 } else { 28.0 };
        sheet.svg.text("tick", (x.at(at), y + rows + last + below), "middle", &printed);
    }
    let bar = |sheet: &mut Sheet, key: &str, chance: &Chance, y: f64| {
        let live = if chance.kind.is_empty() {
            String::new()
        } else {
            format!(" data-chance=\"{}\" data-key=\"{}\"", chance.kind, escaped(key))
        };
        sheet.svg.text("number", (8.0, y + 4.0), "start", chance.name);
        sheet.svg.raw(format_args!("<g class=\"chance\"{live}>"));
        if let Some((low, high)) = chance.interval {
            sheet.svg.line("reach", (x.at(low), y), (x.at(high), y));
            sheet.dot(x.at(chance.share), y, 4.0, "");
        } else {
            sheet.svg.raw(format_args!(
                "<rect class=\"share\" data-full=\"{}\" x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"9\"/>",
                BARS.1 - BARS.0,
                BARS.0,
                y - 4.5,
                x.at(chance.share) - BARS.0
            ));
        }
        sheet.svg.text("number", (BARS.1 + 6.0, y + 4.0), "start", &chance.printed);
        sheet.svg.raw("</g>");
    };
    for one in treatments {
        label(&mut sheet, &one.label, y);
        match &one.money {
            Some(money) => {
                for (at, chance) in money.chances.iter().enumerate() {
                    bar(&mut sheet, &one.key, chance, y + LINE * (at as f64 + 1.0) + 10.0);
                }
            }
            None => sheet.svg.text("number", (8.0, y + LINE + 14.0), "start", &one.why_not),
        }
        y += height(one);
    }
    if let Some(nothing) = nothing {
        label(&mut sheet, "no treatment at all", y);
        bar(&mut sheet, "", nothing, y + LINE + 10.0);
    }
    sheet.finish()
}
