//! Weighted least squares at a given variance between, and the traces the estimators of it need.

use super::Estimates;
use crate::stats::StatsError;
use crate::stats::dense::{Cholesky, Mat, MatRef, product, trace_of_product};

/// What depends on `W`: with `P = W − WX(X′WX)⁻¹X′W`.
pub(super) struct Weighted {
    pub(super) weights: Vec<f64>,
    pub(super) beta: Vec<f64>,
    /// `(X′WX)⁻¹`.
    pub(super) covariance: Mat<f64>,
    /// `ln det X′WX`.
    pub(super) ln_determinant: f64,
    /// `y′Py = Σ w r²`.
    pub(super) quadratic: f64,
    /// `y′PPy`.
    pub(super) quadratic_squared: f64,
}

impl Weighted {
    /// With weights `1 / (v_i + τ²)`.
    pub(super) fn at(estimates: &Estimates<'_>, tau2: f64) -> Result<Self, StatsError> {
        Self::with(estimates, estimates.variances.iter().map(|v| 1.0 / (v + tau2)).collect())
    }

    /// With any positive weights.
    pub(super) fn with(estimates: &Estimates<'_>, weights: Vec<f64>) -> Result<Self, StatsError> {
        let (x, y) = (estimates.design, estimates.y);
        let p = x.ncols();
        let factor = Cholesky::of_owned(moment(x, &weights, |w| w))
            .ok_or(StatsError::NotPositiveDefinite { what: "the information of the coefficients" })?;
        let covariance = factor.inverse();
        let right: Vec<f64> =
            (0..p).map(|j| weights.iter().zip(x.col(j).iter()).zip(y).map(|((w, x), y)| w * x * y).sum()).collect();
        let beta: Vec<f64> = (0..p).map(|i| (0..p).map(|j| covariance[(i, j)] * right[j]).sum()).collect();
        let (mut quadratic, mut quadratic_squared) = (0.0, 0.0);
        for (row, (w, y)) in weights.iter().zip(y).enumerate() {
            let residual = y - (0..p).map(|j| x[(row, j)] * beta[j]).sum::<f64>();
            quadratic += w * residual * residual;
            quadratic_squared += (w * residual) * (w * residual);
        }
        let ln_determinant = factor.ln_determinant();
        Ok(Self { weights, beta, covariance, ln_determinant, quadratic, quadratic_squared })
    }

    /// `tr P`, of the same estimates.
    pub(super) fn trace(&self, estimates: &Estimates<'_>) -> f64 {
        let second = moment(estimates.design, &self.weights, |w| w * w);
        self.weights.iter().sum::<f64>() - trace_of_product(self.covariance.as_ref(), second.as_ref())
    }

    /// `tr PP`, of the same estimates.
    pub(super) fn trace_squared(&self, estimates: &Estimates<'_>) -> f64 {
        let second = moment(estimates.design, &self.weights, |w| w * w);
        let third = moment(estimates.design, &self.weights, |w| w * w * w);
        let shrunk = product(self.covariance.as_ref(), second.as_ref());
        self.weights.iter().map(|w| w * w).sum::<f64>()
            - 2.0 * trace_of_product(self.covariance.as_ref(), third.as_ref())
            + trace_of_product(shrunk.as_ref(), shrunk.as_ref())
    }

    /// The logarithm of the likelihood maximised over the coefficients.
    pub(super) fn log_likelihood(&self) -> f64 {
        let k = self.weights.len() as f64;
        -0.5 * k * std::f64::consts::TAU.ln() + 0.5 * self.weights.iter().map(|w| w.ln()).sum::<f64>()
            - 0.5 * self.quadratic
    }

    /// The logarithm of the restricted likelihood, without the constant `½ ln det X′X`.
    pub(super) fn restricted_log_likelihood(&self) -> f64 {
        let p = self.beta.len() as f64;
        self.log_likelihood() + 0.5 * p * std::f64::consts::TAU.ln() - 0.5 * self.ln_determinant
    }
}

/// `X′ diag(f(w)) X`.
fn moment(x: MatRef<'_, f64>, weights: &[f64], of: impl Fn(f64) -> f64) -> Mat<f64> {
    let entry = |i: usize, j: usize| -> f64 {
        weights.iter().zip(x.col(i).iter()).zip(x.col(j).iter()).map(|((w, a), b)| of(*w) * a * b).sum()
    };
    let p = x.ncols();
    let lower = Mat::from_fn(p, p, |i, j| if i >= j { entry(i, j) } else { 0.0 });
    Mat::from_fn(p, p, |i, j| lower[(i.max(j), i.min(j))])
}
