//! From distributions and block differences to the numbers that are reported.

use crate::results::{BlockDifference, Estimate};
use crate::stats::distribution::Mixture;
use crate::stats::sign_flip;

/// Fewest blocks for the sign-flip test: with three, p cannot fall below 0.25, but it can still be given.
const LEAST_FOR_SIGN_FLIP: usize = 3;
/// Degrees of freedom beyond which a t distribution is as good as normal.
const MOST_DF: f64 = 1000.0;

/// The t distribution with the median of the mixture and its central intervals, so that mean, standard error, degrees of
/// freedom, interval and probabilities belong to one distribution.
pub(super) fn of_mixture(mixture: &Mixture, confidence: f64) -> Option<Estimate> {
    let (mean, std_error, df) = mixture.nearest_t().ok()?;
    Estimate::of_t(mean, std_error, df.min(MOST_DF), confidence)
}

/// What may be reported of a response: with one block a difference, but nothing of how far it may be off.
pub(super) fn told(answer: &Mixture, replicated: bool, confidence: f64) -> Option<Estimate> {
    if replicated { of_mixture(answer, confidence) } else { answer.mean().map(Estimate::of_mean) }
}

/// Two-sided p value of the sign-flip test over blocks.
pub(super) fn sign_flip_p(differences: &[BlockDifference], seed: u64) -> Option<f64> {
    if differences.len() < LEAST_FOR_SIGN_FLIP {
        return None;
    }
    let values: Vec<f64> = differences.iter().map(|block| block.difference).collect();
    sign_flip(&values, seed).ok()
}
