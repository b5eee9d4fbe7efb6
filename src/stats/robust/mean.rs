//! Weighted and trimmed means.

use crate::stats::{StatsError, check};

/// `Σ w x / Σ w`.
///
/// # Errors
/// An empty sample, lengths that differ, a value that is not finite, a weight below zero, or no weight at all.
pub fn weighted_mean(values: &[f64], weights: &[f64]) -> Result<f64, StatsError> {
    check::sample("weighted mean", values, 1)?;
    check::length("weights", weights.len(), values.len())?;
    check::finite("weights", weights)?;
    if let Some(&value) = weights.iter().find(|&&weight| weight < 0.0) {
        return Err(StatsError::OutOfRange { what: "weights", allowed: "not below 0", value });
    }
    let total: f64 = weights.iter().sum();
    if total <= 0.0 {
        return Err(StatsError::OutOfRange { what: "sum of the weights", allowed: "greater than 0", value: total });
    }
    // about the first value, so that a large level does not cost digits
    let origin = values[0];
    let sum: f64 = values.iter().zip(weights).map(|(value, weight)| weight * (value - origin)).sum();
    Ok(origin + sum / total)
}

/// The mean of what is left after `floor(fraction × n)` values are cut at each end.
///
/// # Errors
/// An empty sample, a value that is not finite, or a fraction outside 0 ≤ f < 0.5.
///
/// ```
/// # use bandlift::stats::robust::trimmed_mean;
/// assert_eq!(trimmed_mean(&[1.0, 2.0, 3.0, 4.0, 100.0], 0.2)?, 3.0);
/// # Ok::<(), bandlift::stats::StatsError>(())
/// ```
pub fn trimmed_mean(values: &[f64], fraction: f64) -> Result<f64, StatsError> {
    check::sample("trimmed mean", values, 1)?;
    if !(0.0..0.5).contains(&fraction) {
        return Err(StatsError::OutOfRange {
            what: "trimmed fraction",
            allowed: "from 0 to below 0.5",
            value: fraction,
        });
    }
    let n = values.len();
    let cut = (fraction * n as f64).floor() as usize;
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let kept = &sorted[cut..n - cut];
    Ok(kept.iter().sum::<f64>() / kept.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_count() {
        assert!((weighted_mean(&[1.0, 2.0, 6.0], &[1.0, 1.0, 2.0]).unwrap() - 3.75).abs() < 1e-15);
        assert!(weighted_mean(&[1.0], &[0.0]).is_err());
        assert!(weighted_mean(&[1.0], &[1.0, 2.0]).is_err());
        assert!(weighted_mean(&[], &[]).is_err());
    }

    #[test]
    fn trimming_nothing_is_the_mean() {
        assert_eq!(trimmed_mean(&[1.0, 2.0, 6.0], 0.0).unwrap(), 3.0);
        assert!(trimmed_mean(&[1.0], 0.5).is_err());
    }
}
