//! Median, quantiles and the median absolute deviation, by selection in O(n).

use crate::stats::{StatsError, check};

/// Makes the median absolute deviation estimate the standard deviation of normal data: `1/Φ⁻¹(3/4) = 1.4826`.
///
/// Rousseeuw & Croux 1993, Alternatives to the median absolute deviation, J. Am. Stat. Assoc. 88:1273–1283, eq. 1.1.
pub const MAD_CONSISTENCY: f64 = 1.4826;

/// A median and the scale about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MedianMad {
    /// The median, in the unit of the values.
    pub median: f64,
    /// [`MAD_CONSISTENCY`] × the median absolute deviation from the median, in the unit of the values.
    pub mad: f64,
}

/// The median; the mean of the two middle values for an even count.
///
/// # Errors
/// An empty sample or a value that is not finite.
pub fn median(values: &[f64]) -> Result<f64, StatsError> {
    median_in_place(&mut values.to_vec())
}

/// [`median`] that reorders the values instead of copying them.
///
/// # Errors
/// As [`median`].
pub fn median_in_place(values: &mut [f64]) -> Result<f64, StatsError> {
    check::sample("median", values, 1)?;
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    let (below, &mut upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    if odd {
        return Ok(upper);
    }
    let lower = largest(below);
    Ok(lower + 0.5 * (upper - lower))
}

/// The quantile at probability `p`, type 7 of Hyndman & Fan 1996, Sample quantiles in statistical packages,
/// Am. Stat. 50:361–365: linear between the order statistics, `h = (n − 1) p`.
///
/// # Errors
/// An empty sample, a value that is not finite, or `p` outside 0 to 1.
pub fn quantile(values: &[f64], p: f64) -> Result<f64, StatsError> {
    quantile_in_place(&mut values.to_vec(), p)
}

/// [`quantile`] that reorders the values instead of copying them.
///
/// # Errors
/// As [`quantile`].
pub fn quantile_in_place(values: &mut [f64], p: f64) -> Result<f64, StatsError> {
    check::sample("quantile", values, 1)?;
    let (index, fraction) = position(values.len(), p)?;
    let (_, &mut lower, above) = values.select_nth_unstable_by(index, f64::total_cmp);
    Ok(if fraction > 0.0 { lower + fraction * (smallest(above) - lower) } else { lower })
}

/// [`quantile`] of values that are sorted ascending already.
///
/// # Errors
/// As [`quantile`].
pub fn quantile_sorted(sorted: &[f64], p: f64) -> Result<f64, StatsError> {
    check::sample("quantile", sorted, 1)?;
    let (index, fraction) = position(sorted.len(), p)?;
    let lower = sorted[index];
    Ok(if fraction > 0.0 { lower + fraction * (sorted[index + 1] - lower) } else { lower })
}

/// [`MAD_CONSISTENCY`] × the median absolute deviation from the median.
///
/// # Errors
/// An empty sample or a value that is not finite.
pub fn mad(values: &[f64]) -> Result<f64, StatsError> {
    median_mad(values).map(|both| both.mad)
}

/// The median and the MAD together.
///
/// # Errors
/// An empty sample or a value that is not finite.
pub fn median_mad(values: &[f64]) -> Result<MedianMad, StatsError> {
    let mut work = values.to_vec();
    let median = median_in_place(&mut work)?;
    for value in &mut work {
        *value = (*value - median).abs();
    }
    Ok(MedianMad { median, mad: MAD_CONSISTENCY * median_in_place(&mut work)? })
}

/// The smallest value whose cumulative weight reaches half of the whole; the mean of it and the next when the
/// cumulative weight is exactly half.
///
/// # Errors
/// An empty sample, lengths that differ, a value that is not finite, a weight below zero, or no weight at all.
pub fn weighted_median(values: &[f64], weights: &[f64]) -> Result<f64, StatsError> {
    check::sample("weighted median", values, 1)?;
    check::length("weights", weights.len(), values.len())?;
    check::finite("weights", weights)?;
    if let Some(&value) = weights.iter().find(|&&weight| weight < 0.0) {
        return Err(StatsError::OutOfRange { what: "weights", allowed: "not below 0", value });
    }
    let mut pairs: Vec<(f64, f64)> =
        values.iter().copied().zip(weights.iter().copied()).filter(|pair| pair.1 > 0.0).collect();
    if pairs.is_empty() {
        return Err(StatsError::OutOfRange { what: "sum of the weights", allowed: "greater than 0", value: 0.0 });
    }
    pairs.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let half = 0.5 * pairs.iter().map(|pair| pair.1).sum::<f64>();
    let mut cumulative = 0.0;
    for (index, &(value, weight)) in pairs.iter().enumerate() {
        cumulative += weight;
        if cumulative > half {
            return Ok(value);
        }
        if cumulative >= half {
            return Ok(pairs.get(index + 1).map_or(value, |next| value + 0.5 * (next.0 - value)));
        }
    }
    Ok(pairs[pairs.len() - 1].0)
}

fn position(n: usize, p: f64) -> Result<(usize, f64), StatsError> {
    if !(0.0..=1.0).contains(&p) {
        return Err(StatsError::OutOfRange { what: "probability of a quantile", allowed: "from 0 to 1", value: p });
    }
    let h = (n - 1) as f64 * p;
    let index = (h.floor() as usize).min(n - 1);
    let fraction = h - index as f64;
    Ok((index, if index + 1 < n { fraction } else { 0.0 }))
}

fn largest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

fn smallest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn an_even_sample_has_the_mean_of_the_middle_two() {
        assert_eq!(median(&[9.0, 1.0, 3.0, 2.0]).unwrap(), 2.5);
        assert_eq!(median(&[9.0, 1.0, 3.0]).unwrap(), 3.0);
        assert_eq!(median(&[7.0]).unwrap(), 7.0);
    }

    #[test]
    fn quantiles_interpolate_between_order_statistics() {
        let values = [1.0, 2.0, 3.0, 4.0];
        for (p, expected) in [(0.0, 1.0), (0.25, 1.75), (0.5, 2.5), (0.75, 3.25), (1.0, 4.0)] {
            assert_eq!(quantile(&values, p).unwrap(), expected);
        }
    }

    #[test]
    fn mad_of_a_hand_example() {
        // median 2, deviations 1 1 0 0 2 4 7, median deviation 1
        let both = median_mad(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]).unwrap();
        assert_eq!((both.median, both.mad), (2.0, 1.4826));
    }

    #[test]
    fn bad_input_is_an_error() {
        assert!(matches!(median(&[]), Err(StatsError::TooFew { .. })));
        assert!(matches!(median(&[1.0, f64::NAN]), Err(StatsError::NotFinite { position: 1, .. })));
        assert!(matches!(quantile(&[1.0], 1.5), Err(StatsError::OutOfRange { .. })));
        assert!(matches!(quantile(&[1.0], f64::NAN), Err(StatsError::OutOfRange { .. })));
        assert!(weighted_median(&[1.0], &[0.0]).is_err());
        assert!(weighted_median(&[1.0, 2.0], &[1.0, -1.0]).is_err());
    }

    #[test]
    fn weights_move_the_median() {
        assert_eq!(weighted_median(&[1.0, 2.0, 3.0], &[1.0, 1.0, 1.0]).unwrap(), 2.0);
        assert_eq!(weighted_median(&[1.0, 2.0, 3.0], &[1.0, 1.0, 5.0]).unwrap(), 3.0);
        assert_eq!(weighted_median(&[1.0, 2.0], &[1.0, 1.0]).unwrap(), 1.5);
        assert_eq!(weighted_median(&[1.0, 2.0, 9.0], &[1.0, 1.0, 0.0]).unwrap(), 1.5);
    }

    proptest! {
        #[test]
        fn selection_equals_sorting(values in prop::collection::vec(-1e3_f64..1e3, 1..60), p in 0.0_f64..=1.0) {
            let mut sorted = values.clone();
            sorted.sort_unstable_by(f64::total_cmp);
            prop_assert_eq!(quantile(&values, p).unwrap(), quantile_sorted(&sorted, p).unwrap());
            prop_assert!((median(&values).unwrap() - quantile_sorted(&sorted, 0.5).unwrap()).abs() < 1e-9);
            let equal = vec![1.0; values.len()];
            prop_assert!((weighted_median(&values, &equal).unwrap() - median(&values).unwrap()).abs() < 1e-9);
        }
    }
}
