//! The mean of the block differences with an interval that has as many degrees of freedom as the blocks allow.

use crate::results::{BlockDifference, Estimate};
use crate::stats::distribution::StudentT;
use crate::stats::linear::paired_t;
use crate::stats::permutation::{Layouts, sign_flip};

/// Fewest blocks for the sign-flip test: with three, p cannot fall below 0.25, but it can still be told.
const LEAST_FOR_SIGN_FLIP: usize = 3;

/// Student's paired comparison over blocks (Student 1908, Biometrika 6:1), with the sign-flip test beside it.
///
/// One block gives a mean and nothing else. Differences that do not vary at all give no interval either.
pub(super) fn from_blocks(differences: &[BlockDifference], confidence: f64, seed: u64) -> Estimate {
    let values: Vec<f64> = differences.iter().map(|block| block.difference).collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let mut estimate = Estimate { mean: Some(mean), ..Estimate::default() };
    if values.len() >= LEAST_FOR_SIGN_FLIP
        && let Ok(test) = sign_flip(&values, None, &Layouts::Independent { seed })
    {
        estimate.p_randomization = Some(test.p_two_sided);
    }
    let Ok(test) = paired_t(&values) else { return estimate };
    let (Ok(interval), Ok(t)) = (test.interval(confidence), StudentT::new(test.df)) else { return estimate };
    Estimate {
        std_error: Some(test.se),
        df: Some(test.df),
        low: Some(interval.lower),
        high: Some(interval.upper),
        p_value: Some(test.p),
        probability_positive: Some(t.cdf(test.t)),
        ..estimate
    }
}

/// The variance between block differences, (kg/ha)²; `None` with fewer than two.
pub(super) fn between_blocks(differences: &[BlockDifference]) -> Option<f64> {
    let values: Vec<f64> = differences.iter().map(|block| block.difference).collect();
    paired_t(&values).ok().map(|test| test.sd * test.sd)
}
