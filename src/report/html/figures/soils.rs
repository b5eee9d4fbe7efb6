//! Soil by wetness: a panel for each treatment.

use super::panel::{LINE, Panel, Sheet, WIDTH, shortened, shown, title_lines, wrapped};
use super::{Scale, range};

/// One cell, in the report's unit.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Cell {
    pub(in crate::report::html) wetness: String,
    pub(in crate::report::html) mean: Option<f64>,
    pub(in crate::report::html) interval: Option<(f64, f64)>,
}

/// A soil class, or the whole field.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Soil {
    pub(in crate::report::html) name: String,
    pub(in crate::report::html) cells: Vec<Cell>,
}

/// A treatment's panel.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Grounds {
    pub(in crate::report::html) title: String,
    pub(in crate::report::html) soils: Vec<Soil>,
    /// What it takes to pay.
    pub(in crate::report::html) break_even: Option<f64>,
}

const PLOT: (f64, f64) = (198.0, WIDTH - 6.0);
const ROW: f64 = 15.0;
const GAP: f64 = 7.0;

/// The panels, all on one scale.
pub(in crate::report::html) fn draw(treatments: &[Grounds], unit: &str) -> Vec<Panel> {
    let ends = treatments.iter().flat_map(|one| {
        let cells = one.soils.iter().flat_map(|soil| &soil.cells);
        let values = cells.flat_map(|cell| {
            let (low, high) = cell.interval.unzip();
            [cell.mean, low, high].into_iter().flatten()
        });
        values.chain(one.break_even)
    });
    let x = Scale::padded(range(ends, true), PLOT);
    let titles = title_lines(treatments.iter().map(|one| one.title.as_str()));
    treatments.iter().map(|one| panel(one, &x, titles, unit)).collect()
}

fn panel(one: &Grounds, x: &Scale, titles: usize, unit: &str) -> Panel {
    let height = |soil: &Soil| ROW * soil.cells.len().max(2) as f64 + GAP;
    let room: f64 = one.soils.iter().map(height).sum();
    let mut sheet = Sheet::new(&one.title, titles, room + 36.0, "");
    sheet.axis(x, 4.0, room, unit);
    if let Some(pays) = one.break_even {
        sheet.svg.line("limit thin", (x.at(pays), sheet.y), (x.at(pays), sheet.y + room));
    }
    let mut y = sheet.y;
    for soil in &one.soils {
        for (at, line) in wrapped(&soil.name, 15, 2).iter().enumerate() {
            sheet.svg.text("number", (0.0, y + 13.0 + (LINE - 2.0) * at as f64), "start", line);
        }
        for (at, cell) in soil.cells.iter().enumerate() {
            let middle = y + ROW * at as f64 + 9.0;
            sheet.svg.text("tick", (118.0, middle + 4.0), "start", &shortened(&cell.wetness, 12));
            if cell.mean.is_some() {
                sheet.mark(x, middle, shown(cell.interval), cell.mean, cell.interval);
            } else {
                sheet.svg.text("tick", (PLOT.0 + 2.0, middle + 4.0), "start", "too little to judge by");
            }
        }
        y += height(soil);
        sheet.svg.line("grid", (0.0, y - 2.0), (WIDTH, y - 2.0));
    }
    sheet.finish()
}
