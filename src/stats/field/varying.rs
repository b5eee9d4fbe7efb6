//! An effect that varies over the ground, beside effects that do not.
//!
//! `y = X β + B u + random effect + field + nugget` with `u ~ N(0, τ² R)` at some knots: a spatially varying coefficient (Gelfand, Kim,
//! Sirmans & Banerjee 2003, J. Am. Stat. Assoc. 98:387; for strips in fields Rakshit et al. 2020, Field Crops Res. 255:107783), its
//! process known at knots and drawn out between them by `B`. The covariance of the rest is known; `β` is flat.

use super::{Lists, SolvedField};
use crate::stats::StatsError;
use crate::stats::dense::{Cholesky, Mat, MatRef, dot, product, product_transposed};

/// Rows under a known covariance, for a coefficient that varies.
#[derive(Debug)]
pub struct Varying {
    /// `A′ V⁻¹ A` of `A = [X | B | y]`, the random effect in `V`.
    products: Mat<f64>,
    fixed: usize,
    knots: usize,
    /// `ln det V`.
    ln_determinant: f64,
}

/// The same with the correlation of the knots known: `B` times a root of it.
#[derive(Debug)]
pub struct Correlated {
    rooted: Varying,
    /// `L` of `R = L L′`.
    root: Mat<f64>,
}

/// The posterior of the effects, with the standard deviation of the coefficient known too.
#[derive(Debug)]
pub struct Varied {
    /// The logarithm of the likelihood of that standard deviation and all of the covariance, the effects integrated out, up to a constant
    /// of the rows and the fixed effects.
    pub ln_evidence: f64,
    /// Of the inverse covariance of `(β, v)` with `u = τ L v`.
    factor: Cholesky,
    /// Their means, turned by it.
    turned: Vec<f64>,
    /// `τ L`.
    root: Mat<f64>,
}

impl Varying {
    /// `basis` has by row the knots that count there, with their weights; `variance` is the field's σ², and `ratio` that of the random effect to it.
    ///
    /// # Errors
    /// A basis of the wrong length, or a covariance that is not positive definite.
    pub fn new(
        field: &SolvedField,
        (basis, knots): (&Lists<(u32, f64)>, usize),
        variance: f64,
        ratio: f64,
    ) -> Result<Self, StatsError> {
        let (products, ln_determinant) = field.gram_with(basis, knots)?.absorbed(ratio)?;
        Ok(Self {
            products: Mat::from_fn(products.nrows(), products.ncols(), |i, j| products[(i, j)] / variance),
            fixed: field.fixed_effects(),
            knots,
            ln_determinant: ln_determinant + basis.len() as f64 * variance.ln(),
        })
    }

    /// With the correlation between the knots.
    ///
    /// # Errors
    /// A correlation that is not positive definite.
    pub fn correlated(&self, correlation: MatRef<'_, f64>) -> Result<Correlated, StatsError> {
        let (p, m) = (self.fixed, self.knots);
        let factor = Cholesky::new(correlation)
            .ok_or(StatsError::NotPositiveDefinite { what: "the correlation of a varying effect" })?;
        let root = Mat::from_fn(m, m, |i, j| if i >= j { factor.lower()[(i, j)] } else { 0.0 });
        let of_basis = self.products.submatrix(0, p, p + m + 1, m);
        let across = product(of_basis, root.as_ref());
        let within = product_transposed(root.as_ref(), across.submatrix(p, 0, m, m));
        let side = |at: usize| p <= at && at < p + m;
        let products = Mat::from_fn(p + m + 1, p + m + 1, |i, j| match (side(i), side(j)) {
            (true, true) => within[(i - p, j - p)],
            (false, true) => across[(i, j - p)],
            (true, false) => across[(j, i - p)],
            (false, false) => self.products[(i, j)],
        });
        Ok(Correlated { rooted: Self { products, ..*self }, root })
    }
}

impl Correlated {
    /// With the standard deviation τ, in the unit of the response.
    ///
    /// # Errors
    /// Effects that cannot be told apart.
    pub fn given(&self, sd: f64) -> Result<Varied, StatsError> {
        let Varying { ref products, fixed: p, knots: m, ln_determinant } = self.rooted;
        let scale = |at: usize| if at < p { 1.0 } else { sd };
        let information = Mat::from_fn(p + m, p + m, |i, j| {
            scale(i) * scale(j) * products[(i, j)] + if i == j && i >= p { 1.0 } else { 0.0 }
        });
        let factor = Cholesky::of_owned(information)
            .ok_or(StatsError::NotPositiveDefinite { what: "the information of a varying effect" })?;
        let mut turned = Mat::from_fn(p + m, 1, |i, _| scale(i) * products[(i, p + m)]);
        factor.whiten(turned.as_mut());
        let turned: Vec<f64> = turned.col(0).iter().copied().collect();
        Ok(Varied {
            ln_evidence: 0.5
                * (dot(&turned, &turned) - factor.ln_determinant() - ln_determinant - products[(p + m, p + m)]),
            factor,
            turned,
            root: Mat::from_fn(m, m, |i, j| sd * self.root[(i, j)]),
        })
    }
}

impl Varied {
    /// Mean and variance of sums of effects, each a row of weights of the fixed effects and one of weights of the knots.
    pub fn sums(&self, fixed: MatRef<'_, f64>, basis: MatRef<'_, f64>) -> Vec<(f64, f64)> {
        let p = fixed.ncols();
        let rooted = product_transposed(self.root.as_ref(), basis.transpose());
        let mut weights =
            Mat::from_fn(
                p + rooted.nrows(),
                fixed.nrows(),
                |i, j| {
                    if i < p { fixed[(j, i)] } else { rooted[(i - p, j)] }
                },
            );
        self.factor.whiten(weights.as_mut());
        let column = |j: usize| weights.col(j).iter().copied();
        let mean = |j: usize| column(j).zip(&self.turned).map(|(weight, turned)| weight * turned).sum();
        (0..weights.ncols()).map(|j| (mean(j), column(j).map(|weight| weight * weight).sum())).collect()
    }
}
