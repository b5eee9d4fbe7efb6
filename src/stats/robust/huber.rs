//! Huber's M-estimate of location.

use super::median_mad;
use crate::stats::{StatsError, check};

/// The usual tuning constant: 95 % efficiency for normal data.
///
/// Huber & Ronchetti 2009, Robust Statistics, 2nd ed., section 4.6; Holland & Welsch 1977, Commun. Stat. A 6:813–827.
pub const HUBER_K: f64 = 1.345;

const ITERATIONS: usize = 200;

/// A location with the scale it was judged by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HuberLocation {
    /// The centre, in the unit of the values.
    pub centre: f64,
    /// The scale: the MAD about the median, held fixed, in the unit of the values.
    pub scale: f64,
}

/// The weight of a value `u` scales from the centre: 1 up to `k`, then `k / |u|`.
///
/// Huber 1964, Robust estimation of a location parameter, Ann. Math. Stat. 35:73–101.
pub fn huber_weight(u: f64, k: f64) -> f64 {
    let distance = u.abs();
    if distance <= k { 1.0 } else { k / distance }
}

/// Huber's location with the MAD as fixed scale, by winsorised means (Huber 1964, "Proposal 1").
///
/// With a MAD of zero (more than half the values are equal) the centre is the median.
///
/// # Errors
/// An empty sample, a value that is not finite, or `k` not above 0.
pub fn huber_location(values: &[f64], k: f64) -> Result<HuberLocation, StatsError> {
    check::positive("Huber's k", &[k])?;
    let start = median_mad(values)?;
    let scale = start.mad;
    if scale <= 0.0 {
        return Ok(HuberLocation { centre: start.median, scale: 0.0 });
    }
    let mut centre = start.median;
    let n = values.len() as f64;
    for _ in 0..ITERATIONS {
        let (low, high) = (-k * scale, k * scale);
        let shift = values.iter().map(|value| (value - centre).clamp(low, high)).sum::<f64>() / n;
        centre += shift;
        if shift.abs() <= 1e-12 * scale {
            return Ok(HuberLocation { centre, scale });
        }
    }
    // the step is a contraction; what is left after so many steps lies far below the scale
    Err(StatsError::NoConvergence { what: "Huber's location", iterations: ITERATIONS })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clean_data_give_the_mean() {
        let found = huber_location(&[1.0, 2.0, 3.0, 4.0, 5.0], 3.0).unwrap();
        assert!((found.centre - 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_wild_value_pulls_no_further_than_k_scales() {
        let base: Vec<f64> = (1..=20).map(f64::from).collect();
        let with = |wild: f64| huber_location(&[base.as_slice(), &[wild]].concat(), HUBER_K).unwrap().centre;
        assert!((with(1e3) - with(1e9)).abs() < 1e-9);
    }

    #[test]
    fn equal_values_give_the_median_and_no_scale() {
        assert_eq!(huber_location(&[2.0; 5], HUBER_K).unwrap(), HuberLocation { centre: 2.0, scale: 0.0 });
    }

    #[test]
    fn weights_fall_beyond_k() {
        assert_eq!(huber_weight(1.0, 1.345), 1.0);
        assert_eq!(huber_weight(-2.69, 1.345), 0.5);
        assert!(huber_location(&[1.0], 0.0).is_err());
    }
}
