//! Neighbours of places in the plane.
//!
//! A uniform grid with the places sorted by cell. For neighbourhoods of a few dozen among a hundred thousand places it does
//! the work of an R-tree in a fraction of the time (the ignored test prints both), because the cells of a row are one run of
//! memory.

/// Places in a grid of square cells.
#[derive(Debug, Clone)]
pub struct NeighbourGrid {
    x: Vec<f64>,
    y: Vec<f64>,
    /// Index of each place as given, in the order of the cells.
    given: Vec<u32>,
    starts: Vec<u32>,
    low: (f64, f64),
    cell_m: f64,
    columns: usize,
    rows: usize,
    /// Ground for each place in the cells that hold any, m².
    area_each_m2: f64,
}

/// At most this many cells for each place: a few places far apart must not fill the memory.
const CELLS_PER_PLACE: f64 = 4.0;

impl NeighbourGrid {
    /// Prepares places (m); those that are not finite have no neighbours and are nobody's. `cell_m` is best near the
    /// search radius, or half of it.
    ///
    /// # Panics
    /// When the slices differ in length or `cell_m` is not positive.
    pub fn new(x: &[f64], y: &[f64], cell_m: f64) -> Self {
        assert_eq!(x.len(), y.len(), "as many x as y");
        assert!(cell_m > 0.0, "cells have a size");
        let usable: Vec<u32> =
            (0..x.len() as u32).filter(|&at| x[at as usize].is_finite() && y[at as usize].is_finite()).collect();
        let extent = |values: &[f64]| {
            usable
                .iter()
                .map(|&at| values[at as usize])
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
        };
        let ((low_x, high_x), (low_y, high_y)) = (extent(x), extent(y));
        let (wide, high) = ((high_x - low_x).max(0.0), (high_y - low_y).max(0.0));
        let mut cell_m = cell_m;
        while (wide / cell_m + 1.0) * (high / cell_m + 1.0) > CELLS_PER_PLACE * usable.len() as f64 + 64.0 {
            cell_m *= 2.0;
        }
        let (columns, rows) =
            if usable.is_empty() { (1, 1) } else { ((wide / cell_m) as usize + 1, (high / cell_m) as usize + 1) };
        let mut grid = Self {
            x: Vec::new(),
            y: Vec::new(),
            given: Vec::new(),
            starts: vec![0; columns * rows + 1],
            low: (low_x, low_y),
            cell_m,
            columns,
            rows,
            area_each_m2: 0.0,
        };
        let cells: Vec<u32> = usable.iter().map(|&at| grid.cell(x[at as usize], y[at as usize])).collect();
        for &cell in &cells {
            grid.starts[cell as usize + 1] += 1;
        }
        let held = grid.starts.iter().filter(|&&places| places > 0).count();
        grid.area_each_m2 = held as f64 * cell_m * cell_m / usable.len().max(1) as f64;
        for cell in 0..columns * rows {
            grid.starts[cell + 1] += grid.starts[cell];
        }
        let mut next = grid.starts.clone();
        grid.given = vec![0; usable.len()];
        for (&at, &cell) in usable.iter().zip(&cells) {
            grid.given[next[cell as usize] as usize] = at;
            next[cell as usize] += 1;
        }
        grid.x = grid.given.iter().map(|&at| x[at as usize]).collect();
        grid.y = grid.given.iter().map(|&at| y[at as usize]).collect();
        grid
    }

    fn column(&self, x: f64) -> usize {
        (((x - self.low.0) / self.cell_m).max(0.0) as usize).min(self.columns - 1)
    }

    fn row(&self, y: f64) -> usize {
        (((y - self.low.1) / self.cell_m).max(0.0) as usize).min(self.rows - 1)
    }

    fn cell(&self, x: f64, y: f64) -> u32 {
        (self.row(y) * self.columns + self.column(x)) as u32
    }

    /// The places within `radius_m` (its rim included) of a place, as indices into the slices given; `out` is cleared first.
    /// The order is that of the cells, then of the slices: the same for the same places.
    pub fn within(&self, x: f64, y: f64, radius_m: f64, out: &mut Vec<u32>) {
        out.clear();
        self.for_each_within(x, y, radius_m, |at, _| out.push(at));
    }

    /// Calls `visit` with the index and the squared distance, m², of each place within `radius_m`, in the order of
    /// [`Self::within`].
    pub fn for_each_within(&self, x: f64, y: f64, radius_m: f64, mut visit: impl FnMut(u32, f64)) {
        if !(x.is_finite() && y.is_finite() && radius_m >= 0.0) {
            return;
        }
        let radius2 = radius_m * radius_m;
        let (first, last) = (self.column(x - radius_m), self.column(x + radius_m));
        for row in self.row(y - radius_m)..=self.row(y + radius_m) {
            let run =
                self.starts[row * self.columns + first] as usize..self.starts[row * self.columns + last + 1] as usize;
            let places = self.x[run.clone()].iter().zip(&self.y[run.clone()]).zip(&self.given[run]);
            for ((&px, &py), &at) in places {
                let distance2 = (px - x) * (px - x) + (py - y) * (py - y);
                if distance2 <= radius2 {
                    visit(at, distance2);
                }
            }
        }
    }

    /// The `count` nearest places within `radius_m`, nearest first, ties by index, as (squared distance m², index); `out` is
    /// cleared first. Leave the place itself out with `skip`.
    pub fn nearest(&self, x: f64, y: f64, count: usize, radius_m: f64, skip: Option<u32>, out: &mut Vec<(f64, u32)>) {
        self.nearest_any_order(x, y, count, radius_m, skip, out);
        out.sort_unstable_by(nearer);
    }

    /// As [`Self::nearest`], in no order.
    pub fn nearest_any_order(
        &self,
        x: f64,
        y: f64,
        count: usize,
        radius_m: f64,
        skip: Option<u32>,
        out: &mut Vec<(f64, u32)>,
    ) {
        out.clear();
        if count == 0 {
            return;
        }
        // The radius begins where a few more than enough are to be expected, and grows until they are found or the limit is
        // reached.
        let expected = (count as f64 * self.area_each_m2 / std::f64::consts::PI).sqrt();
        let mut radius = (1.15 * expected).max(self.cell_m / 4.0).min(radius_m);
        loop {
            out.clear();
            self.for_each_within(x, y, radius, |at, distance2| {
                if Some(at) != skip {
                    out.push((distance2, at));
                }
            });
            if out.len() >= count || !(radius < radius_m) {
                break;
            }
            radius = (radius * 1.5).min(radius_m);
        }
        if out.len() > count {
            out.select_nth_unstable_by(count - 1, nearer);
            out.truncate(count);
        }
    }
}

/// Nearest first, ties by index.
fn nearer(p: &(f64, u32), q: &(f64, u32)) -> std::cmp::Ordering {
    p.0.total_cmp(&q.0).then(p.1.cmp(&q.1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn random(count: usize, size: f64, seed: u64) -> Vec<f64> {
        let mut state = seed;
        (0..count)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 11) as f64 / (1_u64 << 53) as f64 * size
            })
            .collect()
    }

    proptest! {
        #[test]
        fn the_grid_agrees_with_looking_at_every_place(seed in 0_u64..1_000, cell in 0.5..200.0_f64, radius in 0.0..60.0_f64, count in 1_usize..20) {
            let (x, y) = (random(300, 100.0, seed), random(300, 300.0, seed + 7));
            let grid = NeighbourGrid::new(&x, &y, cell);
            let mut all: Vec<(f64, u32)> = (0..300).map(|at| ((x[at] - x[5]).powi(2) + (y[at] - y[5]).powi(2), at as u32)).filter(|found| found.0 <= radius * radius).collect();
            all.sort_by(|p, q| p.0.total_cmp(&q.0).then(p.1.cmp(&q.1)));
            let mut within = Vec::new();
            grid.within(x[5], y[5], radius, &mut within);
            within.sort_unstable();
            let mut want: Vec<u32> = all.iter().map(|found| found.1).collect();
            want.sort_unstable();
            prop_assert_eq!(within, want);
            let mut nearest = Vec::new();
            grid.nearest(x[5], y[5], count, radius, Some(5), &mut nearest);
            let want: Vec<(f64, u32)> = all.into_iter().filter(|found| found.1 != 5).take(count).collect();
            prop_assert_eq!(nearest, want);
        }
    }

    #[test]
    fn missing_and_far_places_do_no_harm() {
        let grid = NeighbourGrid::new(&[0.0, f64::NAN, 1e7, 1.0], &[0.0, 0.0, 1e7, f64::INFINITY], 1.0);
        let mut out = Vec::new();
        grid.within(0.0, 0.0, 5.0, &mut out);
        assert_eq!(out, [0]);
        grid.within(f64::NAN, 0.0, 5.0, &mut out);
        assert!(out.is_empty());
        grid.within(1e7, 1e7, 0.0, &mut out);
        assert_eq!(out, [2]);
        NeighbourGrid::new(&[], &[], 1.0).within(0.0, 0.0, 1.0, &mut out);
        assert!(out.is_empty());
    }

    /// Prints the speed beside that of an R-tree; run with `--ignored --nocapture`.
    #[test]
    #[ignore = "a measurement"]
    #[expect(clippy::print_stderr, reason = "a measurement is read on the screen")]
    fn speed_beside_an_r_tree() {
        let count = 200_000;
        let (x, y) = (random(count, 2_000.0, 1), random(count, 2_000.0, 2));
        let start = std::time::Instant::now();
        let grid = NeighbourGrid::new(&x, &y, 15.0);
        let (mut out, mut found) = (Vec::new(), 0_usize);
        for at in 0..count {
            grid.within(x[at], y[at], 15.0, &mut out);
            found += out.len();
        }
        let of_grid = start.elapsed();
        let start = std::time::Instant::now();
        let tree = rstar::RTree::bulk_load(
            (0..count).map(|at| rstar::primitives::GeomWithData::new([x[at], y[at]], at)).collect::<Vec<_>>(),
        );
        let of_tree: usize = (0..count).map(|at| tree.locate_within_distance([x[at], y[at]], 225.0).count()).sum();
        eprintln!(
            "{count} places, {:.0} neighbours each: grid {of_grid:?}, R-tree {:?}",
            found as f64 / count as f64,
            start.elapsed()
        );
        assert_eq!(found, of_tree);
    }
}
