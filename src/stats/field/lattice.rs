//! The lattice form: exponential along two axes multiplied, on a grid with gaps.

use super::{Columns, Gram, SpatialForm, check_parameters};
use crate::stats::dense::{Mat, product_transposed};
use crate::stats::{StatsError, check};

/// A grid may hold this many times as many cells as there are rows.
const SPARSEST: usize = 10;

/// A field with correlation `e^(−|Δacross|/(k a)) e^(−|Δalong|/a)` on the cells of a rectangular grid whose lines may be
/// unevenly spaced and whose cells may be empty or hold several rows.
///
/// The separable first-order process of Gilmour, Cullis & Verbyla 1997, Accounting for natural and extraneous variation in
/// the analysis of field experiments, J. Agric. Biol. Environ. Stat. 2:269–293. Along each axis the process is Markov, so
/// the inverse covariance is a product of tridiagonal matrices; with the nugget it stays banded, and its Cholesky factor
/// costs the cells times the square of the shorter side. Exact.
#[derive(Debug, Clone)]
pub struct LatticeField {
    columns: Columns,
    /// Distances between neighbouring grid lines of the axis that changes fastest, and of the other.
    fast_steps: Vec<f64>,
    slow_steps: Vec<f64>,
    /// Range over the common range for each axis.
    fast_ratio: f64,
    slow_ratio: f64,
    /// Sum of the weights in each cell.
    cell_weight: Vec<f64>,
    /// Weighted sums of the columns in each cell, cell after cell.
    cell_sums: Vec<f64>,
    /// `A′ W A`.
    weighted_products: Mat<f64>,
    /// `Σ ln w`.
    ln_weights: f64,
}

impl LatticeField {
    /// With the coordinates of each row across and along; coordinates closer than `tolerance` share a grid line.
    /// `anisotropy` is the range across over the range along, 1 for the same in both.
    ///
    /// # Errors
    /// Lengths that differ from the number of rows, values that are not finite or not above 0, or positions that do not
    /// lie on a grid (more than ten cells a row).
    pub fn new(
        columns: Columns,
        across: &[f64],
        along: &[f64],
        anisotropy: f64,
        tolerance: f64,
    ) -> Result<Self, StatsError> {
        let n = columns.rows();
        check::length("positions across", across.len(), n)?;
        check::length("positions along", along.len(), n)?;
        check::finite("positions across", across)?;
        check::finite("positions along", along)?;
        check::positive("anisotropy", &[anisotropy])?;
        check::positive("tolerance of the grid", &[tolerance])?;
        let (of_across, of_along) = (GridLines::new(across, tolerance), GridLines::new(along, tolerance));
        let cells = of_across.count() * of_along.count();
        if cells > SPARSEST * n {
            return Err(StatsError::OutOfRange {
                what: "cells a row of the grid",
                allowed: "at most 10",
                value: cells as f64 / n as f64,
            });
        }
        let (fast, slow, fast_ratio, slow_ratio) = if of_across.count() <= of_along.count() {
            (of_across, of_along, anisotropy, 1.0)
        } else {
            (of_along, of_across, 1.0, anisotropy)
        };
        let width = columns.width();
        let weight: Vec<f64> = columns.inverse_weights.iter().map(|v| 1.0 / v).collect();
        let mut cell_weight = vec![0.0; cells];
        let mut cell_sums = vec![0.0; cells * width];
        for (row, &w) in weight.iter().enumerate() {
            let cell = slow.line[row] * fast.count() + fast.line[row];
            cell_weight[cell] += w;
            for j in 0..width {
                cell_sums[cell * width + j] += w * columns.matrix[(row, j)];
            }
        }
        let scaled = Mat::from_fn(n, width, |i, j| weight[i].sqrt() * columns.matrix[(i, j)]);
        Ok(Self {
            weighted_products: product_transposed(scaled.as_ref(), scaled.as_ref()),
            ln_weights: weight.iter().map(|w| w.ln()).sum(),
            columns,
            fast_steps: fast.steps,
            slow_steps: slow.steps,
            fast_ratio,
            slow_ratio,
            cell_weight,
            cell_sums,
        })
    }

    /// Number of cells, empty ones included.
    pub fn cells(&self) -> usize {
        self.cell_weight.len()
    }

    /// The upper band of the inverse covariance of the cells given the rows, row after row, the diagonal first.
    fn band(&self, fast: &Tridiagonal, slow: &Tridiagonal, sill: f64, nugget: f64) -> Vec<f64> {
        let side = fast.diagonal.len();
        let stride = side + 2; // bandwidth side + 1, and the diagonal
        let mut band = vec![0.0; self.cells() * stride];
        for s in 0..slow.diagonal.len() {
            for f in 0..side {
                let cell = s * side + f;
                let row = &mut band[cell * stride..(cell + 1) * stride];
                row[0] = slow.diagonal[s] * fast.diagonal[f] / sill + self.cell_weight[cell] / nugget;
                if f + 1 < side {
                    row[1] = slow.diagonal[s] * fast.below[f + 1] / sill;
                }
                if s + 1 < slow.diagonal.len() {
                    let beyond = slow.below[s + 1] / sill;
                    row[side] += beyond * fast.diagonal[f];
                    if f > 0 {
                        row[side - 1] += beyond * fast.below[f];
                    }
                    if f + 1 < side {
                        row[side + 1] += beyond * fast.below[f + 1];
                    }
                }
            }
        }
        band
    }
}

impl SpatialForm for LatticeField {
    fn columns(&self) -> &Columns {
        &self.columns
    }

    /// The nugget share must be above 0: without a nugget two rows of one cell would be the same.
    fn gram(&self, range: f64, nugget: f64) -> Result<Gram, StatsError> {
        check_parameters(range, nugget)?;
        check::positive("nugget share on a lattice", &[nugget])?;
        let (n, width, cells) = (self.columns.rows(), self.columns.width(), self.cells());
        let sill = 1.0 - nugget;
        let mut ln_determinant = n as f64 * nugget.ln() - self.ln_weights;
        let mut products = Mat::from_fn(width, width, |i, j| self.weighted_products[(i, j)] / nugget);
        if sill > 0.0 {
            let fast = Tridiagonal::new(&self.fast_steps, range * self.fast_ratio);
            let slow = Tridiagonal::new(&self.slow_steps, range * self.slow_ratio);
            let mut band = self.band(&fast, &slow, sill, nugget);
            let stride = fast.diagonal.len() + 2;
            let ln_factor = factor_band(&mut band, stride)
                .ok_or(StatsError::NotPositiveDefinite { what: "the inverse covariance of the cells" })?;
            // ln det of the prior covariance of the cells
            let ln_prior = slow.diagonal.len() as f64 * fast.ln_covariance
                + fast.diagonal.len() as f64 * slow.ln_covariance
                + cells as f64 * sill.ln();
            ln_determinant += ln_factor + ln_prior;
            let mut solved = self.cell_sums.clone();
            solve_band(&band, stride, &mut solved, width);
            let solved = faer::MatRef::from_column_major_slice(&solved, width, cells);
            let explained = product_transposed(solved.transpose(), solved.transpose());
            let square = nugget * nugget;
            for j in 0..width {
                for i in 0..width {
                    products[(i, j)] -= explained[(i, j)] / square;
                }
            }
        }
        Ok(Gram { ln_determinant, products, rows: n, random: self.columns.random, fixed: self.columns.fixed })
    }
}

/// The grid lines of one axis.
struct GridLines {
    /// Line of each row.
    line: Vec<usize>,
    steps: Vec<f64>,
}

impl GridLines {
    fn new(positions: &[f64], tolerance: f64) -> Self {
        let mut order: Vec<usize> = (0..positions.len()).collect();
        order.sort_by(|&a, &b| positions[a].total_cmp(&positions[b]));
        let mut line = vec![0; positions.len()];
        let mut groups: Vec<(f64, f64)> = Vec::new(); // sum and count of the positions of each line
        let mut last = f64::NEG_INFINITY;
        for &row in &order {
            let position = positions[row];
            if position - last > tolerance {
                groups.push((0.0, 0.0));
            }
            last = position;
            let current = groups.len() - 1;
            groups[current].0 += position;
            groups[current].1 += 1.0;
            line[row] = current;
        }
        let centres: Vec<f64> = groups.iter().map(|(sum, count)| sum / count).collect();
        Self { line, steps: centres.windows(2).map(|pair| pair[1] - pair[0]).collect() }
    }

    fn count(&self) -> usize {
        self.steps.len() + 1
    }
}

/// The inverse of the correlation matrix of an exponential process at uneven steps.
struct Tridiagonal {
    diagonal: Vec<f64>,
    /// Entry below the diagonal in each row; the first is unused.
    below: Vec<f64>,
    ln_covariance: f64,
}

impl Tridiagonal {
    fn new(steps: &[f64], range: f64) -> Self {
        let n = steps.len() + 1;
        let (mut diagonal, mut below, mut ln_covariance) = (vec![1.0; n], vec![0.0; n], 0.0);
        for (index, step) in steps.iter().enumerate() {
            let phi = (-step / range).exp();
            let innovation = -(-2.0 * step / range).exp_m1(); // 1 − φ²
            ln_covariance += innovation.ln();
            diagonal[index] += phi * phi / innovation;
            diagonal[index + 1] += phi * phi / innovation;
            below[index + 1] = -phi / innovation;
        }
        Self { diagonal, below, ln_covariance }
    }
}

/// Overwrites an upper band (rows of `stride` entries, the diagonal first) by its Cholesky factor `U`, `U′U = A`; answers
/// `ln det A`.
fn factor_band(band: &mut [f64], stride: usize) -> Option<f64> {
    let rows = band.len() / stride;
    let mut ln_determinant = 0.0;
    for i in 0..rows {
        let (upto, after) = band.split_at_mut((i + 1) * stride);
        let current = &mut upto[i * stride..];
        let pivot = current[0];
        if !(pivot.is_finite() && pivot > 0.0) {
            return None;
        }
        ln_determinant += pivot.ln();
        let scale = 1.0 / pivot.sqrt();
        for value in current.iter_mut() {
            *value *= scale;
        }
        for (k, row) in (1..stride).zip(after.chunks_exact_mut(stride)) {
            let factor = current[k];
            for (value, known) in row.iter_mut().zip(&current[k..]) {
                *value -= factor * known;
            }
        }
    }
    Some(ln_determinant)
}

/// Overwrites rows of `width` right-hand sides by `U′⁻¹` of them.
fn solve_band(band: &[f64], stride: usize, right: &mut [f64], width: usize) {
    let reach = stride - 1;
    for i in 0..band.len() / stride {
        let (before, current) = right.split_at_mut(i * width);
        let current = &mut current[..width];
        let entry = |j: usize| band[j * stride + (i - j)];
        let row = |j: usize| &before[j * width..(j + 1) * width];
        let mut j = i.saturating_sub(reach);
        // four rows at a time, for the sake of memory traffic
        while j + 4 <= i {
            let factors = [entry(j), entry(j + 1), entry(j + 2), entry(j + 3)];
            let (a, b, c, d) = (row(j), row(j + 1), row(j + 2), row(j + 3));
            for ((((value, a), b), c), d) in current.iter_mut().zip(a).zip(b).zip(c).zip(d) {
                *value -= (factors[0] * a + factors[1] * b) + (factors[2] * c + factors[3] * d);
            }
            j += 4;
        }
        while j < i {
            let factor = entry(j);
            for (value, known) in current.iter_mut().zip(row(j)) {
                *value -= factor * known;
            }
            j += 1;
        }
        let scale = 1.0 / band[i * stride];
        for value in current {
            *value *= scale;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::gram::tests::{assert_same, example};
    use super::*;
    use crate::stats::dense::Cholesky;

    #[test]
    fn the_band_equals_the_dense_covariance() {
        let columns = example(60, true);
        // uneven lines, empty cells, and cells of two rows
        let across: Vec<f64> = (0..60).map(|i| [0.0, 9.0, 18.5, 30.0, 39.0][i % 5]).collect();
        let along: Vec<f64> = (0..60).map(|i| 20.0 * (f64::from(i / 5) + if i % 7 == 0 { 3.0 } else { 0.0 })).collect();
        for (anisotropy, turned) in [(1.0, false), (0.4, false), (2.5, true)] {
            let (first, second) = if turned { (&along, &across) } else { (&across, &along) };
            let field = LatticeField::new(columns.clone(), first, second, anisotropy, 0.5).unwrap();
            for (range, nugget) in [(5.0, 0.9), (60.0, 0.2), (900.0, 0.05), (30.0, 1.0)] {
                let h = Mat::from_fn(60, 60, |i, j| {
                    let correlation = (-(first[i] - first[j]).abs() / (anisotropy * range)
                        - (second[i] - second[j]).abs() / range)
                        .exp();
                    (1.0 - nugget) * correlation + if i == j { nugget * columns.inverse_weights[i] } else { 0.0 }
                });
                let factor = Cholesky::of_owned(h).unwrap();
                let mut whitened = columns.matrix.clone();
                factor.whiten(whitened.as_mut());
                let dense = Gram {
                    ln_determinant: factor.ln_determinant(),
                    products: product_transposed(whitened.as_ref(), whitened.as_ref()),
                    rows: 60,
                    random: columns.random,
                    fixed: columns.fixed,
                };
                assert_same(&field.gram(range, nugget).unwrap(), &dense, 1e-8);
            }
        }
    }

    #[test]
    fn scattered_positions_and_missing_nuggets_are_refused() {
        let columns = example(60, false);
        let scattered: Vec<f64> = (0..60).map(|i| f64::from(i * i % 61)).collect();
        let other: Vec<f64> = (0..60).map(f64::from).collect();
        assert!(matches!(
            LatticeField::new(columns.clone(), &scattered, &other, 1.0, 0.1),
            Err(StatsError::OutOfRange { .. })
        ));
        let row = LatticeField::new(columns, &[0.0; 60], &other, 1.0, 0.1).unwrap();
        assert!(row.gram(5.0, 0.0).is_err() && row.gram(5.0, 0.5).is_ok());
        assert_eq!(row.cells(), 60);
    }
}
