//! AR(1) and nugget along lines, in time in proportion to the rows.

use super::{Columns, Gram, Profile, SpatialForm, check_parameters};
use crate::stats::dense::{Mat, product_transposed};
use crate::stats::mixed::Estimation;
use crate::stats::{StatsError, check};

/// An exponential (first-order autoregressive) process along each line, lines independent of each other.
///
/// The likelihood is exact: the innovations of the Kalman filter whiten the response and every column of the design with
/// the same gains (Harvey 1989, Forecasting, Structural Time Series Models and the Kalman Filter, section 3.4). Uneven
/// steps along a line are taken as they are.
#[derive(Debug, Clone)]
pub struct LineField {
    columns: Columns,
    /// Rows line by line, by position within a line.
    order: Vec<usize>,
    /// Step from the row before, `None` at the start of a line.
    steps: Vec<Option<f64>>,
}

/// A fitted [`LineField`].
#[derive(Debug, Clone)]
pub struct LineFit {
    /// Range of the exponential correlation, in the unit of the positions.
    pub range: f64,
    /// Share of the nugget in the residual variance.
    pub nugget: f64,
    /// Variance of the random effect over the residual variance; 0 without one.
    pub ratio: f64,
    /// Whether the likelihood still rose at the upper limit of the range.
    pub range_at_limit: bool,
    /// Estimates at these parameters.
    pub profile: Profile,
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
        let mut order: Vec<usize> = (0..lines.len()).collect();
        order.sort_by(|&a, &b| lines[a].cmp(&lines[b]).then(positions[a].total_cmp(&positions[b])).then(a.cmp(&b)));
        let steps = order
            .iter()
            .enumerate()
            .map(|(index, &row)| {
                let before = *index.checked_sub(1).and_then(|before| order.get(before))?;
                (lines[before] == lines[row]).then(|| positions[row] - positions[before])
            })
            .collect();
        Ok(Self { columns, order, steps })
    }

    /// Maximises the likelihood over range (up to `range_limit`), nugget and, where there is one, the random effect.
    ///
    /// # Errors
    /// A limit not above the smallest step, no line with two rows, or a response without variation.
    pub fn fit(&self, range_limit: f64, estimation: Estimation) -> Result<LineFit, StatsError> {
        check::positive("limit of the range", &[range_limit])?;
        let positive = || self.steps.iter().flatten().copied().filter(|step| *step > 0.0);
        let smallest = positive().fold(f64::INFINITY, f64::min);
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
        // ln range, nugget share and the root of the ratio, each within its bounds
        let bounded = |at: &[f64]| (at[0].clamp(low, high).exp(), at[1].clamp(0.0, 1.0), at[2].max(0.0).powi(2));
        let has_effect = self.columns.random > 0;
        let value = |at: &[f64]| {
            let (range, nugget, ratio) = bounded(at);
            let inside = [at[0].clamp(low, high) - at[0], at[1].clamp(0.0, 1.0) - at[1], at[2].min(0.0)];
            let penalty: f64 = inside.iter().map(|d| d.abs()).sum();
            self.gram(range, nugget)
                .and_then(|gram| gram.profile(if has_effect { ratio } else { 0.0 }, estimation))
                .map_or(f64::INFINITY, |profile| -profile.log_likelihood + 1e3 * penalty)
        };
        let mut best: Option<(f64, Vec<f64>)> = None;
        for start in [0.25, 0.5, 0.8] {
            let start = [low + start * (high - low), 0.3, 0.5];
            let free = if has_effect { 3 } else { 2 };
            let (height, at) = crate::stats::optimise::simplex(&value, &start, &[0.5, 0.15, 0.3], free);
            if best.as_ref().is_none_or(|(lowest, _)| height < *lowest) {
                best = Some((height, at));
            }
        }
        let Some((_, at)) = best else {
            return Err(StatsError::NoConvergence { what: "the fit along lines", iterations: 0 });
        };
        let (range, nugget, ratio) = bounded(&at);
        let ratio = if has_effect { ratio } else { 0.0 };
        let profile = self.gram(range, nugget)?.profile(ratio, estimation)?;
        Ok(LineFit {
            range,
            nugget,
            ratio,
            range_at_limit: range >= range_limit * (1.0 - 1e-6) && nugget < 1.0,
            profile,
        })
    }
}

impl SpatialForm for LineField {
    fn columns(&self) -> &Columns {
        &self.columns
    }

    fn gram(&self, range: f64, nugget: f64) -> Result<Gram, StatsError> {
        check_parameters(range, nugget)?;
        let (n, width) = (self.columns.rows(), self.columns.width());
        let sill = 1.0 - nugget;
        let mut whitened = Mat::<f64>::zeros(width, n);
        let mut ln_determinant = 0.0;
        let mut state = vec![0.0; width]; // the process expected, for each column
        let mut variance = sill; // its variance given the rows before
        for (index, &row) in self.order.iter().enumerate() {
            match self.steps[index] {
                None => {
                    state.fill(0.0);
                    variance = sill;
                }
                Some(step) => {
                    let phi = (-step / range).exp();
                    state.iter_mut().for_each(|value| *value *= phi);
                    variance = phi * phi * variance - sill * (-2.0 * step / range).exp_m1();
                }
            }
            let total = variance + nugget * self.columns.inverse_weights[row];
            if total <= 1e-14 {
                return Err(StatsError::NotPositiveDefinite { what: "the covariance of the rows" });
            }
            ln_determinant += total.ln();
            let (gain, scale) = (variance / total, 1.0 / total.sqrt());
            for (j, expected) in state.iter_mut().enumerate() {
                let innovation = self.columns.matrix[(row, j)] - *expected;
                whitened[(j, index)] = innovation * scale;
                *expected += gain * innovation;
            }
            variance *= 1.0 - gain;
        }
        Ok(Gram {
            ln_determinant,
            products: product_transposed(whitened.transpose(), whitened.transpose()),
            rows: n,
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
    fn the_fit_is_that_of_the_mixed_model() {
        use crate::stats::mixed::{FitOptions, MixedModel, RangeLimit, Residual, SpatialResidual};
        let n = 90;
        let data = example(n, false);
        let lines: Vec<usize> = (0..n).map(|i| i / 30).collect();
        let positions: Vec<f64> = (0..n).map(|i| (i % 30) as f64).collect();
        // an AR(1) series added to the noise of the example
        let mut level = 0.0;
        let y: Vec<f64> = (0..n)
            .map(|i| {
                let noise = data.matrix[(i, data.width() - 1)];
                level = 0.85 * level + 0.6 * noise;
                level + 0.4 * (noise * 7.0).sin()
            })
            .collect();
        let x = Mat::from_fn(n, 2, |i, j| data.matrix[(i, j)]);
        let columns = Columns::new(&y, x.as_ref(), None, None).unwrap();
        let fit = LineField::new(columns, &lines, &positions).unwrap().fit(290.0, Estimation::Restricted).unwrap();
        let spatial = SpatialResidual {
            kernel: Kernel::Exponential,
            positions: Mat::from_fn(n, 1, |i, _| positions[i]),
            groups: Some(lines),
            nugget: true,
        };
        let model = MixedModel::new(&y, x.as_ref()).unwrap().with_residual(Residual::Spatial(spatial)).unwrap();
        let options = FitOptions { range_limit: RangeLimit::Absolute(290.0), ..FitOptions::default() };
        let dense = model.fit(&options).unwrap();
        assert!((fit.profile.log_likelihood - dense.log_likelihood()).abs() < 1e-7, "{fit:?} {dense:?}");
        assert!((fit.range / dense.parameters().range - 1.0).abs() < 1e-3, "{fit:?} {dense:?}");
    }

    #[test]
    fn lines_of_one_row_are_refused() {
        let field = LineField::new(example(6, false), &[0, 1, 2, 3, 4, 5], &[0.0; 6]).unwrap();
        assert!(matches!(field.fit(10.0, Estimation::Restricted), Err(StatsError::TooFew { .. })));
    }
}
