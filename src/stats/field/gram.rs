//! Cross products under a covariance, and what follows from them without the rows.

use crate::stats::dense::{self, Cholesky, Mat, MatRef, dot, quadratic_form};
use crate::stats::mixed::Estimation;
use crate::stats::{StatsError, check};

/// `A′H⁻¹A` for the columns `A = [Z | X | y]` and `ln det H`.
#[derive(Debug, Clone)]
pub struct Gram {
    /// `ln det H`.
    pub ln_determinant: f64,
    /// `A′H⁻¹A`.
    pub products: Mat<f64>,
    pub(super) rows: usize,
    pub(super) random: usize,
    pub(super) fixed: usize,
}

/// Generalised least squares at a given covariance up to its factor σ².
#[derive(Debug, Clone)]
pub struct Profile {
    /// Estimates of the fixed effects.
    pub coefficients: Vec<f64>,
    /// `(X′H⁻¹X)⁻¹`; times σ² the covariance of the estimates.
    pub unscaled_covariance: Mat<f64>,
    /// The σ² that maximises the likelihood.
    pub factor: f64,
    /// The logarithm of the likelihood at that σ², all constants included except `½ ln det X′X` of the restricted one.
    pub log_likelihood: f64,
    /// Rows less fixed effects.
    pub df: usize,
}

impl Profile {
    /// Estimate and standard error of `c′β` at this covariance.
    ///
    /// # Errors
    /// A contrast of the wrong length.
    pub fn contrast(&self, c: &[f64]) -> Result<(f64, f64), StatsError> {
        check::length("contrast", c.len(), self.coefficients.len())?;
        let variance = self.factor * quadratic_form(self.unscaled_covariance.as_ref(), c);
        Ok((dot(c, &self.coefficients), variance.max(0.0).sqrt()))
    }
}

/// A [`Gram`] whose random effect can be absorbed at any ratio γ: the products of its levels are a band, since levels that
/// never come near each other do not meet.
pub(super) struct Absorber<'a> {
    gram: &'a Gram,
    /// Farthest from the diagonal that a product of two levels lies.
    reach: usize,
    /// The lower band of `Z′H⁻¹Z`, row after row, the diagonal last.
    band: Vec<f64>,
}

impl Gram {
    /// Generalised least squares with the random effect of ratio γ (its variance over σ²) added to `H`.
    ///
    /// # Errors
    /// A ratio below 0, or products that are not positive definite.
    pub fn profile(&self, ratio: f64, estimation: Estimation) -> Result<Profile, StatsError> {
        if !(ratio >= 0.0 && ratio.is_finite()) {
            return Err(StatsError::OutOfRange {
                what: "ratio of variances",
                allowed: "finite and not below 0",
                value: ratio,
            });
        }
        self.absorber().profile(ratio, estimation)
    }

    pub(super) fn absorber(&self) -> Absorber<'_> {
        let reach = (0..self.random)
            .map(|i| i - (0..i).find(|&j| self.products[(i, j)].abs() > 0.0).unwrap_or(i))
            .max()
            .unwrap_or(0);
        let mut band = vec![0.0; self.random * (reach + 1)];
        for i in 0..self.random {
            for k in 0..=reach.min(i) {
                band[i * (reach + 1) + reach - k] = self.products[(i, i - k)];
            }
        }
        Absorber { gram: self, reach, band }
    }
}

impl Absorber<'_> {
    /// The factor of `[X | y]′H_γ⁻¹[X | y]` and `ln det H_γ`, by the identity of Woodbury: `H_γ = H + γ Z Z′`, with
    /// `(I + γ Z′H⁻¹Z) = L L′`.
    fn factored(&self, ratio: f64) -> Result<(Cholesky, f64), StatsError> {
        let (s, p) = (self.gram.random, self.gram.fixed);
        let mut products = Mat::from_fn(p + 1, p + 1, |i, j| self.gram.products[(s + i, s + j)]);
        let mut ln_determinant = self.gram.ln_determinant;
        if ratio > 0.0 {
            let (reach, stride, width) = (self.reach, self.reach + 1, p + 1);
            let mut lower = vec![0.0; s * stride];
            let mut turned = vec![0.0; s * width]; // L⁻¹ Z′H⁻¹[X | y], row by row
            for i in 0..s {
                for j in i.saturating_sub(reach)..=i {
                    let mut value = ratio * self.band[i * stride + reach + j - i];
                    for k in i.saturating_sub(reach)..j {
                        if k + reach >= j {
                            value -= lower[i * stride + reach + k - i] * lower[j * stride + reach + k - j];
                        }
                    }
                    lower[i * stride + reach + j - i] =
                        if i == j { (value + 1.0).sqrt() } else { value / lower[j * stride + reach] };
                }
                let pivot = lower[i * stride + reach];
                if !(pivot.is_finite() && pivot > 0.0) {
                    return Err(StatsError::NotPositiveDefinite { what: "the covariance of the random effect" });
                }
                ln_determinant += 2.0 * pivot.ln();
                let (before, current) = turned.split_at_mut(i * width);
                let current = &mut current[..width];
                for (j, value) in current.iter_mut().enumerate() {
                    *value = self.gram.products[(s + j, i)];
                }
                for k in i.saturating_sub(reach)..i {
                    let factor = lower[i * stride + reach + k - i];
                    for (value, known) in current.iter_mut().zip(&before[k * width..(k + 1) * width]) {
                        *value -= factor * known;
                    }
                }
                for value in current {
                    *value /= pivot;
                }
            }
            let turned = MatRef::from_column_major_slice(&turned, width, s);
            let explained = dense::product_transposed(turned.transpose(), turned.transpose());
            for j in 0..width {
                for i in 0..width {
                    products[(i, j)] -= ratio * explained[(i, j)];
                }
            }
        }
        match Cholesky::new(products.as_ref()) {
            Some(factor) => Ok((factor, ln_determinant)),
            None => Err(match Cholesky::new(products.submatrix(0, 0, p, p)) {
                Some(_) => StatsError::NoVariation { what: "response about the fixed effects" },
                None => StatsError::NotPositiveDefinite { what: "the information of the fixed effects" },
            }),
        }
    }

    /// The logarithm of the likelihood at the σ² that maximises it, that σ², and the factor that both rest on.
    fn height(&self, ratio: f64, estimation: Estimation) -> Result<(f64, f64, Cholesky), StatsError> {
        let (factor, ln_determinant) = self.factored(ratio)?;
        let (n, p, lower) = (self.gram.rows, self.gram.fixed, factor.lower());
        // the last pivot of the factor is the root of the sum of squares
        let sum_of_squares = lower[(p, p)] * lower[(p, p)];
        let (dimension, penalty) = match estimation {
            Estimation::Restricted => ((n - p) as f64, 2.0 * (0..p).map(|j| lower[(j, j)].ln()).sum::<f64>()),
            Estimation::Full => (n as f64, 0.0),
        };
        let variance = sum_of_squares / dimension;
        let log_likelihood =
            -0.5 * (dimension * ((std::f64::consts::TAU * variance).ln() + 1.0) + ln_determinant + penalty);
        Ok((log_likelihood, variance, factor))
    }

    /// As [`Profile::log_likelihood`].
    pub(super) fn log_likelihood(&self, ratio: f64, estimation: Estimation) -> Result<f64, StatsError> {
        self.height(ratio, estimation).map(|(log_likelihood, ..)| log_likelihood)
    }

    /// Generalised least squares with the random effect of ratio γ.
    pub(super) fn profile(&self, ratio: f64, estimation: Estimation) -> Result<Profile, StatsError> {
        let (log_likelihood, factor_of_variance, factor) = self.height(ratio, estimation)?;
        let (p, lower) = (self.gram.fixed, factor.lower());
        let mut coefficients = vec![0.0; p];
        for j in (0..p).rev() {
            let known: f64 = (j + 1..p).map(|k| lower[(k, j)] * coefficients[k]).sum();
            coefficients[j] = (lower[(p, j)] - known) / lower[(j, j)];
        }
        let mut root = Mat::<f64>::zeros(p, p); // inverse of the leading factor
        for column in 0..p {
            for i in column..p {
                let unit = if i == column { 1.0 } else { 0.0 };
                let known: f64 = (column..i).map(|k| lower[(i, k)] * root[(k, column)]).sum();
                root[(i, column)] = (unit - known) / lower[(i, i)];
            }
        }
        Ok(Profile {
            coefficients,
            unscaled_covariance: dense::product_transposed(root.as_ref(), root.as_ref()),
            factor: factor_of_variance,
            log_likelihood,
            df: self.gram.rows - p,
        })
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::{Columns, DenseField, SpatialForm};
    use super::*;
    use crate::stats::Kernel;
    use crate::stats::mixed::{CovarianceParameters, MixedModel, Residual, SpatialResidual};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Noise, an intercept and a covariate; strips and weights on demand.
    pub(in super::super) fn example(n: usize, full: bool) -> Columns {
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let mut draw = || random.random::<f64>() * 2.0 - 1.0;
        let y: Vec<f64> = (0..n).map(|_| draw() + draw()).collect();
        let x = Mat::from_fn(n, 2, |_, j| if j == 0 { 1.0 } else { draw() });
        let strips: Vec<usize> = (0..n).map(|i| 10 + i % 5).collect();
        let weights: Vec<f64> = (0..n).map(|i| 0.5 + (i % 4) as f64).collect();
        Columns::new(&y, x.as_ref(), full.then_some(strips.as_slice()), full.then_some(weights.as_slice())).unwrap()
    }

    pub(in super::super) fn assert_same(a: &Gram, b: &Gram, tolerance: f64) {
        assert!((a.ln_determinant - b.ln_determinant).abs() < tolerance * b.ln_determinant.abs().max(1.0));
        let size = (0..b.products.nrows()).map(|i| b.products[(i, i)]).fold(0.0, f64::max);
        for j in 0..a.products.ncols() {
            for i in 0..a.products.nrows() {
                let (one, other) = (a.products[(i, j)], b.products[(i, j)]);
                assert!((one - other).abs() < tolerance * size, "({i}, {j}): {one} {other}");
            }
        }
    }

    #[test]
    fn the_profile_is_the_likelihood_of_the_mixed_model() {
        let columns = example(30, true);
        let positions = Mat::from_fn(30, 2, |i, j| if j == 0 { (i % 6) as f64 } else { (i / 6) as f64 * 1.3 });
        let y: Vec<f64> = (0..30).map(|i| columns.matrix[(i, columns.width() - 1)]).collect();
        let x = Mat::from_fn(30, 2, |i, j| columns.matrix[(i, columns.random + j)]);
        let strips: Vec<usize> = (0..30).map(|i| i % 5).collect();
        let weights: Vec<f64> = columns.inverse_weights.iter().map(|v| 1.0 / v).collect();
        let dense = DenseField::new(columns, Kernel::Spherical, positions.as_ref()).unwrap();
        let spatial = SpatialResidual { kernel: Kernel::Spherical, positions, groups: None, nugget: true };
        let model = MixedModel::new(&y, x.as_ref())
            .unwrap()
            .with_random(&strips)
            .unwrap()
            .with_weights(&weights)
            .unwrap()
            .with_residual(Residual::Spatial(spatial))
            .unwrap();
        for (range, nugget, ratio) in [(2.0, 0.3, 0.0), (5.0, 0.1, 0.7)] {
            for estimation in [Estimation::Restricted, Estimation::Full] {
                let found = dense.gram(range, nugget).unwrap().profile(ratio, estimation).unwrap();
                let shares = CovarianceParameters { random: vec![ratio], residual: nugget, sill: 1.0 - nugget, range };
                let expected = model.profiled_likelihood_at(&shares, estimation).unwrap();
                assert!((found.log_likelihood - expected.at.log_likelihood).abs() < 1e-9);
                assert!((found.factor / expected.factor - 1.0).abs() < 1e-10);
                for c in [[1.0, 0.0], [0.0, 1.0], [1.0, -2.0]] {
                    let (estimate, se) = found.contrast(&c).unwrap();
                    assert!((estimate - dot(&c, &expected.at.coefficients)).abs() < 1e-10);
                    assert!((se / quadratic_form(expected.at.covariance.as_ref(), &c).sqrt() - 1.0).abs() < 1e-9);
                }
            }
        }
        assert!(dense.gram(1.0, 0.2).unwrap().profile(-1.0, Estimation::Full).is_err());
    }
}
