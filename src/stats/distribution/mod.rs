//! Distributions, typed: densities, probabilities of either tail and quantiles.
//!
//! The error function and the logarithm of the gamma function come from a library. The incomplete beta and gamma
//! functions are ours: with 10⁶ degrees of freedom the differences of log-gamma values in the usual prefactor cost
//! six digits, and the iteration count of the library's continued fraction is capped too low.

mod beta;
mod expected_loss;
mod f;
mod gamma;
mod mixture;
mod noncentral;
mod normal;
mod solve;
mod student;

pub use expected_loss::expected_loss;
pub(crate) use f::FisherF;
pub(crate) use gamma::{ChiSquared, Gamma};
pub(crate) use mixture::{Component, Mixture};
pub use noncentral::NoncentralT;
#[cfg(test)]
pub(crate) use normal::standard_normal_cdf;
pub(crate) use normal::standard_normal_quantile;
pub use student::StudentT;
