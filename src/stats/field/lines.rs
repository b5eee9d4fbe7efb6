//! AR(1) and nugget along lines, in time in proportion to the rows.

use std::cell::Cell;

use super::{Columns, Gram, Profile, SpatialForm, check_parameters};
use crate::stats::dense::Mat;
use crate::stats::{StatsError, check, optimise};

/// How closely the logarithm of the random effect's ratio is sought while range and nugget are (the likelihood at its top
/// is flat to the sixth digit over that), and how closely in the end.
const ROUGHLY: f64 = 1e-3;
const CLOSELY: f64 = 1e-5;
/// How far apart the corners of a simplex may lie, in height and in steps, before the summits of two are compared.
const FIRST_LOOK: (f64, f64) = (1e-3, 0.1);
/// The same at the higher summit: the range is then known to a thousandth.
const LAST_LOOK: (f64, f64) = (1e-7, 1e-2);

/// An exponential (first-order autoregressive) process along each line, lines independent of each other.
///
/// The likelihood is exact: the innovations of the Kalman filter whiten the response and every column of the design with
/// the same gains (Harvey 1989, Forecasting, Structural Time Series Models and the Kalman Filter, section 3.4). Uneven
/// steps along a line are taken as they are.
#[derive(Debug, Clone)]
pub struct LineField {
    columns: Columns,
    lines: Vec<Line>,
}

#[derive(Debug, Clone)]
struct Line {
    /// Rows by position.
    rows: Vec<usize>,
    /// Step from the row before, `None` for the first.
    steps: Vec<Option<f64>>,
    /// Columns that are not 0 throughout the line: its levels of the random effect, the design and the response.
    touched: Vec<usize>,
    /// Their values, row by row.
    values: Vec<f64>,
}

impl LineField {
    /// With the line of each row and its position along it.
    ///
    /// # Errors
    /// Lengths that differ from the number of rows, or positions that are not finite.
    pub fn new(columns: Columns, lines: &[usize], positions: &[f64]) -> Result<Self, StatsError> {
        check::length("lines", lines.len(), columns.rows())?;
        check::length("positions", positions.len(), columns.rows())?;
        check::finite("positions", positions)?;
        let mut members: std::collections::BTreeMap<usize, Vec<usize>> = std::collections::BTreeMap::new();
        for (row, &line) in lines.iter().enumerate() {
            members.entry(line).or_default().push(row);
        }
        let lines = members
            .into_values()
            .map(|mut rows| {
                rows.sort_by(|&a, &b| positions[a].total_cmp(&positions[b]).then(a.cmp(&b)));
                let steps = std::iter::once(None)
                    .chain(rows.windows(2).map(|pair| Some(positions[pair[1]] - positions[pair[0]])))
                    .collect();
                let touched: Vec<usize> = (0..columns.width())
                    .filter(|&j| j >= columns.random || rows.iter().any(|&row| columns.value(row, j) > 0.0))
                    .collect();
                let values = rows
                    .iter()
                    .flat_map(|&row| touched.iter().map(move |&j| (row, j)))
                    .map(|(row, j)| columns.value(row, j));
                Line { values: values.collect(), rows, steps, touched }
            })
            .collect();
        Ok(Self { columns, lines })
    }

    /// Generalised least squares at the range (up to `range_limit`), nugget and, where there is one, random effect that
    /// maximise the restricted likelihood.
    ///
    /// # Errors
    /// A limit not above the smallest step, no line with two rows, or a response without variation.
    pub fn fit(&self, range_limit: f64) -> Result<Profile, StatsError> {
        let (range, nugget) = self.most_likely(range_limit)?;
        let ratio = self.best_ratio((range, nugget), CLOSELY, None)?.ratio;
        self.gram(range, nugget)?.profile(ratio)
    }

    fn most_likely(&self, range_limit: f64) -> Result<(f64, f64), StatsError> {
        check::positive("limit of the range", &[range_limit])?;
        let steps = self.lines.iter().flat_map(|line| line.steps.iter().flatten().copied());
        let smallest = steps.filter(|step| *step > 0.0).fold(f64::INFINITY, f64::min);
        if !smallest.is_finite() {
            return Err(StatsError::TooFew { what: "rows a line with different positions", found: 1, needed: 2 });
        }
        let (low, high) = ((0.1 * smallest).ln(), range_limit.ln());
        if low >= high {
            return Err(StatsError::OutOfRange {
                what: "limit of the range",
                allowed: "above a tenth of the smallest step",
                value: range_limit,
            });
        }
        let outside = |at: &[f64]| {
            let (below, above) = (at[0].clamp(low, high) - at[0], at[1].clamp(0.0, 1.0) - at[1]);
            1e3 * (below.abs() + above.abs())
        };
        let bounded = |at: &[f64]| (at[0].clamp(low, high).exp(), at[1].clamp(0.0, 1.0));
        let near = Cell::new(None);
        let value = |at: &[f64]| {
            let (range, nugget) = bounded(at);
            self.best_ratio((range, nugget), ROUGHLY, near.take()).map_or(f64::INFINITY, |found| {
                near.set(Some(found.ratio));
                outside(at) - found.height
            })
        };
        let steps = [0.5, 0.15];
        let [first, second] = [0.3, 0.7]
            .map(|share| optimise::descend(&value, &[low + share * (high - low), 0.3], &steps, 2, FIRST_LOOK));
        let higher = if second.0 < first.0 { second } else { first };
        let (height, place) = optimise::simplex(&value, &higher.1, &steps.map(|step| 0.2 * step), 2, LAST_LOOK);
        if !height.is_finite() {
            return Err(StatsError::NotPositiveDefinite { what: "the covariance of the rows" });
        }
        Ok(bounded(&place))
    }

    /// The ratio of the random effect that maximises the likelihood at this range and nugget, its logarithm as close as
    /// that. It is sought over all ratios, or from one that it is `near`.
    fn best_ratio(&self, (range, nugget): (f64, f64), closeness: f64, near: Option<f64>) -> Result<Ratio, StatsError> {
        const LOWEST: f64 = -9.0;
        const HIGHEST: f64 = 4.0;
        let gram = self.gram(range, nugget)?;
        let absorber = gram.absorber();
        let height = |ln_ratio: f64| absorber.log_likelihood(ln_ratio.exp());
        let none = Ratio { ratio: 0.0, height: absorber.log_likelihood(0.0)? };
        if self.columns.random == 0 {
            return Ok(none);
        }
        let mut bracket = None;
        if let Some(ratio) = near {
            let middle = ratio.ln().clamp(LOWEST, HIGHEST);
            let (low, high) = ((middle - 0.5).max(LOWEST), (middle + 0.5).min(HIGHEST));
            let found = height(middle)?;
            if found >= height(low)? && found >= height(high)? {
                bracket = Some(((low, high), (middle, found)));
            }
        }
        let (ends, inside) = match bracket {
            Some(bracket) => bracket,
            None => {
                // the best of a grid, and its neighbours
                let grid: Vec<f64> = (0..=13).map(|k| LOWEST + f64::from(k)).collect();
                let heights = grid.iter().map(|&ln| height(ln)).collect::<Result<Vec<_>, _>>()?;
                let top = (0..grid.len()).fold(0, |top, k| if heights[k] > heights[top] { k } else { top });
                let ends = (grid[top.saturating_sub(1)], grid[(top + 1).min(grid.len() - 1)]);
                (ends, (grid[top], heights[top]))
            }
        };
        let (at, found) = optimise::maximum(height, ends, inside, closeness)?;
        Ok(if found > none.height { Ratio { ratio: at.exp(), height: found } } else { none })
    }
}

/// A ratio of the random effect and the likelihood there.
struct Ratio {
    ratio: f64,
    height: f64,
}

impl SpatialForm for LineField {
    fn columns(&self) -> &Columns {
        &self.columns
    }

    fn gram(&self, range: f64, nugget: f64) -> Result<Gram, StatsError> {
        check_parameters(range, nugget)?;
        let width = self.columns.width();
        let sill = 1.0 - nugget;
        let mut products = Mat::<f64>::zeros(width, width);
        let mut ln_determinant = 0.0;
        let (mut whitened, mut sums) = (Vec::new(), Vec::new());
        let mut last = (f64::NAN, 0.0, 0.0); // a step, what is left of the process after it, and the variance it adds
        for line in &self.lines {
            let count = line.touched.len();
            whitened.clear();
            whitened.resize(count, 0.0); // the columns the line touches, at a row
            sums.clear();
            sums.resize(count * count, 0.0); // their products, the lower triangle
            let mut state = vec![0.0; count]; // the process expected, for each column
            let mut variance = sill; // its variance given the rows before
            for ((&row, &step), own) in line.rows.iter().zip(&line.steps).zip(line.values.chunks_exact(count)) {
                if let Some(step) = step {
                    if step.total_cmp(&last.0).is_ne() {
                        last = (step, (-step / range).exp(), -sill * (-2.0 * step / range).exp_m1());
                    }
                    let (_, phi, added) = last;
                    for value in &mut state {
                        *value *= phi;
                    }
                    variance = phi * phi * variance + added;
                }
                let total = variance + nugget * self.columns.inverse_weights[row];
                if total <= 1e-14 {
                    return Err(StatsError::NotPositiveDefinite { what: "the covariance of the rows" });
                }
                ln_determinant += total.ln();
                let (gain, scale) = (variance / total, 1.0 / total.sqrt());
                for ((expected, value), whitened) in state.iter_mut().zip(own).zip(&mut whitened) {
                    let innovation = value - *expected;
                    *whitened = innovation * scale;
                    *expected += gain * innovation;
                }
                variance *= 1.0 - gain;
                for (i, (sums, &one)) in sums.chunks_exact_mut(count).zip(&whitened).enumerate() {
                    sums[..=i].iter_mut().zip(&whitened).for_each(|(sum, other)| *sum += one * other);
                }
            }
            for (i, &row) in line.touched.iter().enumerate() {
                for (j, &column) in line.touched[..=i].iter().enumerate() {
                    products[(row, column)] += sums[i * count + j];
                    if i != j {
                        products[(column, row)] += sums[i * count + j];
                    }
                }
            }
        }
        Ok(Gram {
            ln_determinant,
            products,
            rows: self.columns.rows(),
            random: self.columns.random,
            fixed: self.columns.fixed,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::DenseField;
    use super::super::gram::tests::{assert_same, example};
    use super::*;
    use crate::stats::Kernel;

    #[test]
    fn the_filter_equals_the_dense_covariance() {
        let example = example(40, true);
        let lines: Vec<usize> = (0..40).map(|i| i % 3).collect();
        let positions: Vec<f64> =
            (0..40).map(|i| f64::from(i).powf(1.2) + if i % 4 == 0 { 0.3 } else { 0.0 }).collect();
        let filter = LineField::new(example.clone(), &lines, &positions).unwrap();
        let distances = Mat::from_fn(40, 40, |i, j| {
            if lines[i] == lines[j] { (positions[i] - positions[j]).abs() } else { f64::INFINITY }
        });
        let dense = DenseField::from_distances(example, Kernel::Exponential, distances).unwrap();
        for (range, nugget) in [(0.5, 0.0), (5.0, 0.2), (300.0, 0.6), (20.0, 1.0)] {
            assert_same(&filter.gram(range, nugget).unwrap(), &dense.gram(range, nugget).unwrap(), 1e-9);
        }
        assert!(filter.gram(0.0, 0.5).is_err() && filter.gram(1.0, 1.5).is_err());
    }

    #[test]
    fn no_place_of_a_grid_is_more_likely_than_the_fit() {
        let n = 90;
        let data = example(n, false);
        let lines: Vec<usize> = (0..n).map(|i| i / 30).collect();
        let positions: Vec<f64> = (0..n).map(|i| (i % 30) as f64).collect();
        // an AR(1) series added to the noise of the example
        let mut level = 0.0;
        let y: Vec<f64> = (0..n)
            .map(|i| {
                let noise = data.value(i, data.width() - 1);
                level = 0.85 * level + 0.6 * noise;
                level + 0.4 * (noise * 7.0).sin()
            })
            .collect();
        let x = Mat::from_fn(n, 2, |i, j| data.value(i, j));
        let columns = Columns::new(&y, x.as_ref(), None, None).unwrap();
        let field = LineField::new(columns, &lines, &positions).unwrap();
        let fit = field.fit(290.0).unwrap();
        let mut highest = f64::NEG_INFINITY;
        for range in (0..60).map(|k| (0.1 * f64::from(k)).exp()) {
            for nugget in (0..50).map(|k| 0.02 * f64::from(k)) {
                highest = highest.max(field.gram(range, nugget).unwrap().profile(0.0).unwrap().log_likelihood);
            }
        }
        let above = fit.log_likelihood - highest;
        assert!((0.0..0.05).contains(&above), "{above}");
    }

    #[test]
    fn lines_of_one_row_are_refused() {
        let field = LineField::new(example(6, false), &[0, 1, 2, 3, 4, 5], &[0.0; 6]).unwrap();
        assert!(matches!(field.fit(10.0), Err(StatsError::TooFew { .. })));
    }
}
