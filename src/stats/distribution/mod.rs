//! Distributions, typed: densities, probabilities of either tail and quantiles.
//!
//! The inverse of the error function comes from a library. The incomplete beta and gamma functions and the normal
//! distribution are ours: against the 40-digit values of `tests/reference/distribution_tables.rs` the largest relative errors are
//!
//! | function | statrs 0.19 | ours |
//! | --- | --- | --- |
//! | tail of t, up to 120, 10⁴ and 10⁶ degrees of freedom (`beta_reg`) | 2·10⁻¹³, 2·10⁻¹², 4·10⁻¹⁰ | below 5·10⁻¹³ |
//! | quantile of t, 10⁶ degrees of freedom | 6·10⁻⁵ | below 10⁻¹³ |
//! | tail of χ², up to 100, 10⁴ and 10⁶ degrees of freedom (`gamma_ur`) | 10⁻¹³, 4·10⁻¹², 10⁻¹⁰ | below 2·10⁻¹² |
//! | Φ between −3 and −1 (`erfc`) | 9·10⁻¹¹ | below 10⁻¹³ |
//!
//! The library takes differences of log-gamma values in the prefactor, and stops its continued fraction after 140 terms.

mod beta;
mod expected_loss;
mod gamma;
mod mixture;
mod noncentral;
mod normal;
mod solve;
mod student;

pub use expected_loss::expected_loss;
pub(crate) use gamma::{ChiSquared, Gamma};
pub(crate) use mixture::{Component, Mixture};
pub use noncentral::NoncentralT;
pub use normal::standard_normal_cdf;
pub(crate) use normal::standard_normal_quantile;
pub use student::StudentT;
