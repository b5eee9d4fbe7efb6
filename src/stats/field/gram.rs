//! Cross products under a covariance, and what follows from them without the rows.

use crate::stats::dense::{self, Cholesky, Mat, MatRef, dot, quadratic_form};
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
    /// The logarithm of the restricted likelihood at that σ², all constants included except `½ ln det X′X`.
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
    pub fn profile(&self, ratio: f64) -> Result<Profile, StatsError> {
        if !(ratio >= 0.0 && ratio.is_finite()) {
            return Err(StatsError::OutOfRange {
                what: "ratio of variances",
                allowed: "finite and not below 0",
                value: ratio,
            });
        }
        self.absorber().profile(ratio)
    }

    /// `[X | y]′H_γ⁻¹[X | y]` with the random effect of ratio γ in `H_γ`.
    ///
    /// # Errors
    /// A random effect whose covariance is not positive definite.
    pub(super) fn absorbed(&self, ratio: f64) -> Result<(Mat<f64>, f64), StatsError> {
        self.absorber().absorbed(ratio)
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
    /// `[X | y]′H_γ⁻¹[X | y]` and `ln det H_γ`, by the identity of Woodbury: `H_γ = H + γ Z Z′`, with `(I + γ Z′H⁻¹Z) = L L′`.
    fn absorbed(&self, ratio: f64) -> Result<(Mat<f64>, f64), StatsError> {
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
        Ok((products, ln_determinant))
    }

    /// The factor of what is [`absorbed`](Self::absorbed), with its determinant.
    fn factored(&self, ratio: f64) -> Result<(Cholesky, f64), StatsError> {
        let (products, ln_determinant) = self.absorbed(ratio)?;
        let p = self.gram.fixed;
        match Cholesky::new(products.as_ref()) {
            Some(factor) => Ok((factor, ln_determinant)),
            None => Err(match Cholesky::new(products.submatrix(0, 0, p, p)) {
                Some(_) => StatsError::NoVariation { what: "response about the fixed effects" },
                None => StatsError::NotPositiveDefinite { what: "the information of the fixed effects" },
            }),
        }
    }

    /// The logarithm of the likelihood at the σ² that maximises it, that σ², and the factor that both rest on.
    fn height(&self, ratio: f64) -> Result<(f64, f64, Cholesky), StatsError> {
        let (factor, ln_determinant) = self.factored(ratio)?;
        let (n, p, lower) = (self.gram.rows, self.gram.fixed, factor.lower());
        // the last pivot of the factor is the root of the sum of squares
        let sum_of_squares = lower[(p, p)] * lower[(p, p)];
        let dimension = (n - p) as f64;
        let penalty = 2.0 * (0..p).map(|j| lower[(j, j)].ln()).sum::<f64>();
        let variance = sum_of_squares / dimension;
        let log_likelihood =
            -0.5 * (dimension * ((std::f64::consts::TAU * variance).ln() + 1.0) + ln_determinant + penalty);
        Ok((log_likelihood, variance, factor))
    }

    /// As [`Profile::log_likelihood`].
    pub(super) fn log_likelihood(&self, ratio: f64) -> Result<f64, StatsError> {
        self.height(ratio).map(|(log_likelihood, ..)| log_likelihood)
    }

    /// Generalised least squares with the random effect of ratio γ.
    pub(super) fn profile(&self, ratio: f64) -> Result<Profile, StatsError> {
        let (log_likelihood, factor_of_variance, factor) = self.height(ratio)?;
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
    use super::super::{Columns, DenseField, Parts, SpatialForm};
    use super::*;
    use crate::stats::Kernel;
    use crate::stats::dense::product_transposed;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Noise, an intercept and a covariate; strips and weights on demand.
    pub(in super::super) fn example(n: usize, full: bool) -> Columns {
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let mut draw = || random.random::<f64>() * 2.0 - 1.0;
        let y: Vec<f64> = (0..n).map(|_| draw() + draw()).collect();
        let x = Mat::from_fn(n, 2, |_, j| if j == 0 { 1.0 } else { draw() });
        let strips: Vec<Parts> = (0..n).map(parts).collect();
        let weights: Vec<f64> = (0..n).map(|i| 0.5 + (i % 4) as f64).collect();
        Columns::of_independent(&y, x.as_ref(), full.then_some(strips.as_slice()), full.then_some(weights.as_slice()))
            .unwrap()
    }

    /// Five strips; every third row lies on two of them.
    fn parts(row: usize) -> Parts {
        let (strip, next) = (10 + row % 5, 10 + (row + 1) % 5);
        if row.is_multiple_of(3) { Parts { first: (strip, 0.7), second: Some((next, 0.3)) } } else { strip.into() }
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

    /// The covariance with its random effect as one matrix, by the textbook.
    #[test]
    fn the_profile_is_generalised_least_squares_under_the_whole_covariance() {
        let columns = example(30, true);
        let (random, last) = (columns.random, columns.width() - 1);
        let place = |i: usize| ((i % 6) as f64, (i / 6) as f64 * 1.3);
        let positions = Mat::from_fn(30, 2, |i, j| if j == 0 { place(i).0 } else { place(i).1 });
        let y = Mat::from_fn(30, 1, |i, _| columns.value(i, last));
        let x = Mat::from_fn(30, 2, |i, j| columns.value(i, random + j));
        let dense = DenseField::new(columns.clone(), Kernel::Matern32, positions.as_ref()).unwrap();
        for (range, nugget, ratio) in [(2.0, 0.3, 0.0), (5.0, 0.1, 0.7)] {
            let found = dense.gram(range, nugget).unwrap().profile(ratio).unwrap();
            let covariance = Mat::from_fn(30, 30, |i, j| {
                let apart = (place(i).0 - place(j).0).hypot(place(i).1 - place(j).1);
                let own = if i == j { nugget * columns.inverse_weights[i] } else { 0.0 };
                let shared = |(one, part): (usize, f64)| -> f64 {
                    parts(j).iter().filter(|(other, _)| *other == one).map(|(_, other)| part * other).sum()
                };
                let strip: f64 = ratio * parts(i).iter().map(shared).sum::<f64>();
                (1.0 - nugget) * Kernel::Matern32.correlation(apart / range) + own + strip
            });
            let of_rows = Cholesky::new(covariance.as_ref()).unwrap();
            let weighted = of_rows.solve(x.as_ref());
            let of_fixed = Cholesky::new(product_transposed(x.as_ref(), weighted.as_ref()).as_ref()).unwrap();
            let beta = of_fixed.solve(product_transposed(weighted.as_ref(), y.as_ref()).as_ref());
            let rest = Mat::from_fn(30, 1, |i, _| y[(i, 0)] - x[(i, 0)] * beta[(0, 0)] - x[(i, 1)] * beta[(1, 0)]);
            let variance = product_transposed(rest.as_ref(), of_rows.solve(rest.as_ref()).as_ref())[(0, 0)] / 28.0;
            let determinants = of_rows.ln_determinant() + of_fixed.ln_determinant();
            let expected = -0.5 * (28.0 * ((std::f64::consts::TAU * variance).ln() + 1.0) + determinants);
            assert!((found.log_likelihood - expected).abs() < 1e-9);
            assert!((found.factor / variance - 1.0).abs() < 1e-10);
            for c in [[1.0, 0.0], [0.0, 1.0], [1.0, -2.0]] {
                let (estimate, se) = found.contrast(&c).unwrap();
                assert!((estimate - dot(&c, &[beta[(0, 0)], beta[(1, 0)]])).abs() < 1e-10);
                let expected = (variance * quadratic_form(of_fixed.inverse().as_ref(), &c)).sqrt();
                assert!((se / expected - 1.0).abs() < 1e-9);
            }
        }
        assert!(dense.gram(1.0, 0.2).unwrap().profile(-1.0).is_err());
    }
}
