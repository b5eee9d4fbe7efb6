//! Weighted least squares at a given variance between, and the traces the estimators of it need.

use super::Estimates;
use crate::stats::StatsError;
use crate::stats::dense::{Cholesky, Mat, dot, product, trace_of_product};

/// Everything that depends on `W`: with `P = W − WX(X′WX)⁻¹X′W`.
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
    /// `tr P`.
    pub(super) trace: f64,
    /// `tr PP`.
    pub(super) trace_squared: f64,
}

impl Weighted {
    /// With weights `1 / (v_i + τ²)`.
    pub(super) fn at(estimates: &Estimates<'_>, tau2: f64) -> Result<Self, StatsError> {
        Self::with(estimates, estimates.variances.iter().map(|v| 1.0 / (v + tau2)).collect())
    }

    /// With any positive weights.
    pub(super) fn with(estimates: &Estimates<'_>, weights: Vec<f64>) -> Result<Self, StatsError> {
        let (x, y) = (estimates.design, estimates.y);
        let (k, p) = (x.nrows(), x.ncols());
        let moment = |power: i32| {
            Mat::from_fn(p, p, |i, j| (0..k).map(|row| weights[row].powi(power) * x[(row, i)] * x[(row, j)]).sum())
        };
        let information: Mat<f64> = moment(1);
        let factor = Cholesky::new(information.as_ref())
            .ok_or(StatsError::NotPositiveDefinite { what: "the information of the coefficients" })?;
        let covariance = factor.inverse();
        let right: Vec<f64> = (0..p).map(|j| (0..k).map(|row| weights[row] * x[(row, j)] * y[row]).sum()).collect();
        let beta: Vec<f64> = (0..p).map(|i| (0..p).map(|j| covariance[(i, j)] * right[j]).sum()).collect();
        let residuals: Vec<f64> =
            (0..k).map(|row| y[row] - (0..p).map(|j| x[(row, j)] * beta[j]).sum::<f64>()).collect();
        let py: Vec<f64> = residuals.iter().zip(&weights).map(|(r, w)| r * w).collect();
        let (second, third): (Mat<f64>, Mat<f64>) = (moment(2), moment(3));
        let shrunk = product(covariance.as_ref(), second.as_ref());
        Ok(Self {
            quadratic: dot(&py, &residuals),
            quadratic_squared: dot(&py, &py),
            trace: weights.iter().sum::<f64>() - trace_of_product(covariance.as_ref(), second.as_ref()),
            trace_squared: weights.iter().map(|w| w * w).sum::<f64>()
                - 2.0 * trace_of_product(covariance.as_ref(), third.as_ref())
                + trace_of_product(shrunk.as_ref(), shrunk.as_ref()),
            ln_determinant: factor.ln_determinant(),
            weights,
            beta,
            covariance,
        })
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
