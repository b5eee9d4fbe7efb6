//! The width that was really cut: footprints against the ground cut before, in the order of time over all combines.
//!
//! *When it harms*: with positions off by metres, every second pass seems to overlap its neighbour. So a width is corrected only
//! where it is narrower than the scatter of the spacing explains, and not at all where the scatter is too wide.
//!
//! *Method*: Drummond, Fraisse & Sudduth 1998 (4th Int. Conf. on Precision Agriculture) subtract all earlier swath
//! polygons from each new one; here the polygons are drawn on a grid of half a metre, whose error averages out along a
//! segment.

use std::ops::Range;

use geo::Coord;

use crate::clean::ground::Ground;
use crate::clean::neighbour_passes::PassPair;
use crate::clean::passes::Pass;
use crate::config::CleanSettings;
use crate::geometry::Footprint;
use crate::points::{Mark, Reasons, Records};
use crate::stats::robust;

/// Cell of the grid, m.
const CELL_M: f64 = 0.5;
/// Most cells of the grid.
const MOST_CELLS: f64 = 4e8;
/// Scatter of the spacing, as a share of the swath, up to which the positions tell of widths (ours: benches/messy.rs).
const TRUSTED_SCATTER: f64 = 0.15;
/// A share of at least this counts as a full swath, for driving overlaps and positions wander. With 0.93, wandering positions made the
/// error of a field's response a sixth larger than without any correction; with 0.8 they did not (benches/messy.rs).
const FULL_SHARE: f64 = 0.8;
/// A swath is not narrow where so many scatters of the spacing explain it.
const SCATTERS: f64 = 3.0;
/// Records on either side over which the share is taken (its median): a width changes slowly, a position trembles.
const HALF_WINDOW: usize = 4;
/// Ground of which less than this is new was cut before.
const CUT_BEFORE: f64 = 0.1;

/// What was learnt of the widths.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Widths {
    /// Full width of the widest header, m.
    pub(crate) full_m: f64,
    /// Records logged below the full width of their machine.
    pub(crate) logged_narrow: usize,
    /// Whether the positions allow the correction.
    pub(crate) trusted: bool,
    /// Scatter of the spacing between passes, m.
    pub(crate) scatter_m: f64,
}

/// What the widths are judged by.
#[derive(Clone, Copy)]
pub(crate) struct SwathCase<'c> {
    pub(crate) records: &'c Records,
    pub(crate) passes: &'c [Pass],
    /// Neighbouring passes.
    pub(crate) pairs: &'c [PassPair],
    pub(crate) settings: &'c CleanSettings,
    /// Distance between the rows of the crop, m, where it stands in rows.
    pub(crate) row_spacing_m: Option<f64>,
    /// Whether it is known which of two combines was first.
    pub(crate) clocks_agree: bool,
}

/// Corrects the widths on the ground where that is trusted, and marks narrow swaths and ground cut before.
pub(crate) fn mark(case: SwathCase<'_>, ground: &mut Ground, marks: &mut [Reasons]) -> Widths {
    let SwathCase { records, pairs, settings, .. } = case;
    let (logged_m, machine) = (&records.swath_m, &records.machine);
    let full = records.header_widths_m();
    let narrower = |at: usize, width: f64| width < 0.999 * full[machine.codes[at] as usize];
    let logged_narrow = (0..logged_m.len()).filter(|&at| narrower(at, logged_m[at])).count();
    let widest = full.iter().copied().fold(f64::NAN, f64::max);
    let scatter_m = spacing_scatter(pairs);
    // Without times nobody knows which of two passes was first, and an exported yield has an area of its own.
    let known = records.channels.time && records.channels.flow;
    let trusted = settings.overlap && known && scatter_m <= TRUSTED_SCATTER * widest;
    let full_share = FULL_SHARE.min(1.0 - SCATTERS * scatter_m / widest);
    let share = if trusted { new_shares(case, ground) } else { vec![1.0; ground.x_m.len()] };
    for (at, mark) in marks.iter_mut().enumerate() {
        if !mark.is_empty() {
            continue;
        }
        if share[at] < CUT_BEFORE {
            mark.add(Mark::Overlap);
            continue;
        }
        if share[at] < full_share {
            ground.swath_m[at] = in_rows(share[at] * ground.swath_m[at], ground.swath_m[at], case.row_spacing_m);
        }
        if !(ground.swath_m[at] >= settings.swath_share_pct / 100.0 * full[machine.codes[at] as usize]) {
            mark.add(Mark::NarrowSwath);
        }
    }
    Widths { full_m: widest, logged_narrow, trusted, scatter_m }
}

/// Scatter of the spacing: along the passes, and between them; infinite where no neighbours are known.
fn spacing_scatter(pairs: &[PassPair]) -> f64 {
    let along: Vec<f64> = pairs.iter().map(|pair| pair.scatter_m).collect();
    let apart: Vec<f64> = pairs.iter().map(|pair| pair.apart_m).collect();
    match (robust::median(&along), robust::mad(&apart)) {
        (Ok(along), Ok(between)) if pairs.len() >= 3 => along.max(between),
        _ => f64::INFINITY,
    }
}

/// A header takes a row or leaves it: the nearest whole number of rows, from one row to the header's width.
fn in_rows(width_m: f64, header_m: f64, row_spacing_m: Option<f64>) -> f64 {
    match row_spacing_m {
        Some(row_m) => ((width_m / row_m).round().max(1.0) * row_m).min(header_m),
        None => width_m,
    }
}

/// The share of each footprint that was not cut in an earlier pass; 1 outside passes. Where the clocks of the combines
/// disagree, each is held against its own earlier passes only.
fn new_shares(case: SwathCase<'_>, ground: &Ground) -> Vec<f64> {
    let SwathCase { passes, clocks_agree, .. } = case;
    let mut shares = vec![1.0; ground.x_m.len()];
    let mut rows_of: Vec<Vec<u32>> = vec![Vec::new(); passes.len()];
    let mut extent = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for at in 0..ground.x_m.len() {
        if let Some(rows) = rows_of.get_mut(ground.pass[at] as usize)
            && footprint(ground, at).is_some()
        {
            rows.push(at as u32);
            let (x, y, reach) = (ground.x_m[at], ground.y_m[at], ground.swath_m[at]);
            extent = [
                extent[0].min(x - reach),
                extent[1].min(y - reach),
                extent[2].max(x + reach),
                extent[3].max(y + reach),
            ];
        }
    }
    let mut order: Vec<usize> = (0..passes.len()).collect();
    let alone = |pass: usize| if clocks_agree { 0 } else { passes[pass].track };
    order.sort_by(|&a, &b| {
        alone(a).cmp(&alone(b)).then(passes[a].start_s.total_cmp(&passes[b].start_s)).then(a.cmp(&b))
    });
    let Some(mut grid) = Coverage::new(extent) else { return shares };
    let mut last = order.first().map_or(0, |&pass| alone(pass));
    for pass in order {
        if alone(pass) != last {
            last = alone(pass);
            grid.clear();
        }
        let mut runs = Vec::new(); // cells of the pass, record after record
        let raw: Vec<f64> = rows_of[pass]
            .iter()
            .map(|&at| {
                let first = runs.len();
                let Some(footprint) = footprint(ground, at as usize) else { return 1.0 };
                grid.runs(&footprint, |run| runs.push(run));
                grid.new_share(&runs[first..])
            })
            .collect();
        for (place, &at) in rows_of[pass].iter().enumerate() {
            let window = &raw[place.saturating_sub(HALF_WINDOW)..(place + HALF_WINDOW + 1).min(raw.len())];
            shares[at as usize] = robust::median(window).unwrap_or(1.0);
        }
        grid.cover(&runs);
    }
    shares
}

fn footprint(ground: &Ground, at: usize) -> Option<Footprint> {
    let (course, distance, swath) = (ground.course_rad[at], ground.distance_m[at], ground.swath_m[at]);
    let usable = course.is_finite() && distance > 0.05 && distance < 50.0 && swath > 0.0;
    usable.then(|| Footprint::new(ground.x_m[at], ground.y_m[at], course, distance, swath))
}

/// The ground cut so far, as a grid of cells.
struct Coverage {
    west: f64,
    south: f64,
    cell_m: f64,
    columns: usize,
    rows: usize,
    cut: Vec<u64>,
}

impl Coverage {
    fn new([west, south, east, north]: [f64; 4]) -> Option<Self> {
        let (wide, high) = (east - west, north - south);
        if !(wide.is_finite() && high.is_finite()) {
            return None;
        }
        let mut cell_m = CELL_M;
        while (wide / cell_m + 1.0) * (high / cell_m + 1.0) > MOST_CELLS {
            cell_m *= 2.0;
        }
        let (columns, rows) = ((wide / cell_m) as usize + 1, (high / cell_m) as usize + 1);
        Some(Self { west, south, cell_m, columns, rows, cut: vec![0; (columns * rows).div_ceil(64)] })
    }

    /// Calls `visit` with the runs of cells, as `first..end` indices, whose centres lie in the footprint.
    fn runs(&self, footprint: &Footprint, mut visit: impl FnMut(Range<usize>)) {
        let corners = &footprint.0;
        let low = |pick: fn(&Coord<f64>) -> f64| corners.iter().map(pick).fold(f64::INFINITY, f64::min);
        let high = |pick: fn(&Coord<f64>) -> f64| corners.iter().map(pick).fold(f64::NEG_INFINITY, f64::max);
        let column = |x: f64| ((x - self.west) / self.cell_m).max(0.0) as usize;
        let row = |y: f64| ((y - self.south) / self.cell_m).max(0.0) as usize;
        let (first, last) = (column(low(|c| c.x)), column(high(|c| c.x)).min(self.columns - 1));
        for row in row(low(|c| c.y))..=row(high(|c| c.y)).min(self.rows - 1) {
            let y = self.south + (row as f64 + 0.5) * self.cell_m;
            // The convex figure cuts the row in one run.
            let (mut from, mut to) = (f64::NEG_INFINITY, f64::INFINITY);
            for at in 0..4 {
                let (a, b) = (corners[at], corners[(at + 1) % 4]);
                // Inside is to the left of each edge: (b − a) × (p − a) ≥ 0, linear in x along the row.
                let (slope, rest) = (-(b.y - a.y), (b.x - a.x) * (y - a.y) + (b.y - a.y) * a.x);
                if slope > 0.0 {
                    from = from.max(-rest / slope);
                } else if slope < 0.0 {
                    to = to.min(-rest / slope);
                } else if rest < 0.0 {
                    to = f64::NEG_INFINITY;
                }
            }
            if from > to {
                continue;
            }
            let begin = ((from - self.west) / self.cell_m - 0.5).ceil().max(first as f64) as usize;
            let end = ((to - self.west) / self.cell_m - 0.5).floor();
            if end < 0.0 {
                continue;
            }
            let end = (end as usize).min(last);
            if begin <= end {
                visit(row * self.columns + begin..row * self.columns + end + 1);
            }
        }
    }

    fn new_share(&self, runs: &[Range<usize>]) -> f64 {
        let (mut all, mut new) = (0_u32, 0_u32);
        for run in runs {
            all += run.len() as u32;
            for (word, mask) in words(run) {
                new += (mask & !self.cut[word]).count_ones();
            }
        }
        if all == 0 { 1.0 } else { f64::from(new) / f64::from(all) }
    }

    fn clear(&mut self) {
        self.cut.fill(0);
    }

    fn cover(&mut self, runs: &[Range<usize>]) {
        for (word, mask) in runs.iter().flat_map(words) {
            self.cut[word] |= mask;
        }
    }
}

/// The words that hold a run of bits, each with the bits of the run set.
fn words(run: &Range<usize>) -> impl Iterator<Item = (usize, u64)> {
    let Range { start: mut at, end: last } = *run;
    std::iter::from_fn(move || {
        if at >= last {
            return None;
        }
        let word = at / 64;
        let end = ((word + 1) * 64).min(last);
        let mask = (u64::MAX >> (64 - (end - at))) << (at % 64);
        at = end;
        Some((word, mask))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_a_swath_beside_cut_ground_is_half_new() {
        let mut grid = Coverage::new([0.0, 0.0, 60.0, 60.0]).unwrap();
        let runs = |grid: &Coverage, footprint: &Footprint| {
            let mut runs = Vec::new();
            grid.runs(footprint, |run| runs.push(run));
            runs
        };
        for step in 0..10 {
            let cut = runs(&grid, &Footprint::new(10.0, 10.0 + 2.0 * f64::from(step), 0.0, 2.0, 9.0));
            grid.cover(&cut);
        }
        for (x, expected) in [(10.0, 0.0), (14.5, 0.5), (19.0, 1.0)] {
            let mean: f64 = (0..8)
                .map(|step| Footprint::new(x, 11.0 + 2.0 * f64::from(step), 0.0, 2.0, 9.0))
                .map(|footprint| grid.new_share(&runs(&grid, &footprint)))
                .sum::<f64>()
                / 8.0;
            assert!((mean - expected).abs() < 0.06, "at {x}: {mean}");
        }
    }

    #[test]
    fn the_words_of_a_run_hold_its_bits_and_no_others() {
        for (from, to) in [(0, 1), (0, 64), (5, 64), (60, 70), (3, 200), (128, 192), (7, 7)] {
            let mut bits = [0_u64; 4];
            for (word, mask) in words(&(from..to)) {
                assert_eq!(bits[word], 0);
                bits[word] = mask;
            }
            for at in 0..256 {
                assert_eq!(bits[at / 64] >> (at % 64) & 1 == 1, (from..to).contains(&at), "{from}..{to} at {at}");
            }
        }
    }

    #[test]
    fn cells_of_a_turned_footprint_add_up_to_its_area() {
        let grid = Coverage::new([0.0, 0.0, 60.0, 60.0]).unwrap();
        for course in [0.0, 0.3, 0.8, 1.57, 2.5, 4.0] {
            let footprint = Footprint::new(30.0, 30.0, course, 20.0, 9.0);
            let mut cells = 0;
            grid.runs(&footprint, |run| cells += run.len());
            let area = cells as f64 * CELL_M * CELL_M;
            assert!((area - 180.0).abs() < 6.0, "course {course}: {area}");
        }
    }
}
