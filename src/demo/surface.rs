//! Random surfaces with a given spatial correlation.
//!
//! Method: white noise shaped in the frequency domain by the square root of the spectral density of the exponential
//! covariance, `S(k) ∝ (1 + a²k²)^(−3/2)` in the plane (Lantuéjoul 2002, Geostatistical Simulation, section 15.1), on a grid
//! larger than the field, so that the surface does not repeat within it.

use rand_chacha::ChaCha8Rng;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::random::normal;

/// Side of a grid cell, m: well below the ranges that are asked for.
const CELL_M: f64 = 4.0;

/// Two independent surfaces of mean 0, standard deviation 1 and covariance exp(−h/a), stretched along one axis.
#[derive(Debug, Clone)]
pub struct Surface {
    columns: usize,
    rows: usize,
    low: (f64, f64),
    values: Vec<(f32, f32)>,
}

impl Surface {
    /// Makes surfaces over the rectangle from `low` to `high` (m). `range_m` is a in exp(−h/a) across (x); along (y) it is
    /// `range_m × anisotropy`.
    pub(super) fn new(
        low: (f64, f64),
        high: (f64, f64),
        range_m: f64,
        anisotropy: f64,
        random: &mut ChaCha8Rng,
    ) -> Self {
        let (range_x, range_y) = (range_m.max(CELL_M), (range_m * anisotropy).max(CELL_M));
        let cells = |extent: f64, range: f64| good_size(((extent + 4.0 * range) / CELL_M).ceil() as usize + 2);
        let (columns, rows) = (cells(high.0 - low.0, range_x), cells(high.1 - low.1, range_y));
        let mut grid: Vec<Complex<f64>> = Vec::with_capacity(columns * rows);
        let wave = |at: usize, count: usize| {
            let turns = if 2 * at > count { at as f64 - count as f64 } else { at as f64 };
            std::f64::consts::TAU * turns / (count as f64 * CELL_M)
        };
        let mut power = 0.0;
        for row in 0..rows {
            let along = wave(row, rows) * range_y;
            for column in 0..columns {
                let across = wave(column, columns) * range_x;
                let density = (1.0 + across * across + along * along).powf(-1.5);
                power += density;
                let size = density.sqrt();
                grid.push(Complex::new(size * normal(random), size * normal(random)));
            }
        }
        transform(&mut grid, columns, rows);
        // Real and imaginary part each have the variance Σ density.
        let scale = 1.0 / power.sqrt();
        let values = grid.iter().map(|value| ((value.re * scale) as f32, (value.im * scale) as f32)).collect();
        Self { columns, rows, low, values }
    }

    /// Both surfaces at a place, interpolated between cells.
    pub(super) fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let (column, row) = (((x - self.low.0) / CELL_M).max(0.0), ((y - self.low.1) / CELL_M).max(0.0));
        let (left, top) = ((column as usize).min(self.columns - 2), (row as usize).min(self.rows - 2));
        let (right_share, bottom_share) = ((column - left as f64).min(1.0), (row - top as f64).min(1.0));
        let at = top * self.columns + left;
        let mix = |pick: fn(&(f32, f32)) -> f32| {
            let value = |index: usize| f64::from(pick(&self.values[index]));
            (1.0 - bottom_share) * ((1.0 - right_share) * value(at) + right_share * value(at + 1))
                + bottom_share
                    * ((1.0 - right_share) * value(at + self.columns) + right_share * value(at + self.columns + 1))
        };
        (mix(|pair| pair.0), mix(|pair| pair.1))
    }
}

/// The next size without a prime factor above 5: such transforms are fast.
fn good_size(least: usize) -> usize {
    (least..=2 * least)
        .find(|&size| {
            let mut rest = size;
            for factor in [2, 3, 5] {
                while rest.is_multiple_of(factor) {
                    rest /= factor;
                }
            }
            rest == 1
        })
        .unwrap_or(least)
}

fn transform(grid: &mut [Complex<f64>], columns: usize, rows: usize) {
    let mut planner = FftPlanner::new();
    let (along_rows, along_columns) = (planner.plan_fft_inverse(columns), planner.plan_fft_inverse(rows));
    let mut scratch =
        vec![Complex::default(); along_rows.get_inplace_scratch_len().max(along_columns.get_inplace_scratch_len())];
    let mut run = |fft: &dyn Fft<f64>, line: &mut [Complex<f64>]| fft.process_with_scratch(line, &mut scratch);
    for line in grid.chunks_exact_mut(columns) {
        run(along_rows.as_ref(), line);
    }
    let mut line = vec![Complex::default(); rows];
    for column in 0..columns {
        for (row, value) in line.iter_mut().enumerate() {
            *value = grid[row * columns + column];
        }
        run(along_columns.as_ref(), &mut line);
        for (row, value) in line.iter().enumerate() {
            grid[row * columns + column] = *value;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::random::stream;

    /// Mean product of values `dx`, `dy` apart over many seeds: the covariance.
    fn covariance(range: f64, anisotropy: f64, dx: f64, dy: f64) -> f64 {
        let mut sum = 0.0;
        let mut count = 0.0;
        for seed in 0..30 {
            let surface = Surface::new((0.0, 0.0), (600.0, 600.0), range, anisotropy, &mut stream(seed, "surface"));
            for i in 0..30 {
                for j in 0..30 {
                    let (x, y) = (f64::from(i) * 18.0, f64::from(j) * 18.0);
                    let (one, two) = surface.at(x, y);
                    let (one_there, two_there) = surface.at(x + dx, y + dy);
                    sum += one * one_there + two * two_there;
                    count += 2.0;
                }
            }
        }
        sum / count
    }

    #[test]
    fn the_surface_has_the_covariance_that_was_asked_for() {
        for (range, anisotropy, dx, dy, want) in [
            (40.0, 1.0, 0.0, 0.0, 1.0),
            (40.0, 1.0, 40.0, 0.0, (-1.0_f64).exp()),
            (40.0, 1.0, 0.0, 40.0, (-1.0_f64).exp()),
            (40.0, 2.0, 0.0, 80.0, (-1.0_f64).exp()),
            (40.0, 2.0, 80.0, 0.0, (-2.0_f64).exp()),
        ] {
            let got = covariance(range, anisotropy, dx, dy);
            assert!((got - want).abs() < 0.07, "{range} {anisotropy} {dx} {dy}: {got} {want}");
        }
    }

    #[test]
    fn sizes_are_fast_ones() {
        assert_eq!([1, 7, 97, 121, 128].map(good_size), [1, 8, 100, 125, 128]);
    }
}
