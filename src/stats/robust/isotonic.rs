//! Isotonic regression.

use crate::stats::{StatsError, check};

/// The non-decreasing sequence nearest to the values in weighted least squares, by pooling adjacent violators.
///
/// Barlow, Bartholomew, Bremner & Brunk 1972, Statistical Inference under Order Restrictions, section 1.2. O(n).
///
/// # Errors
/// An empty sample, lengths that differ, a value that is not finite, or a weight not above zero.
pub fn isotonic(values: &[f64], weights: Option<&[f64]>) -> Result<Vec<f64>, StatsError> {
    check::sample("isotonic regression", values, 1)?;
    if let Some(weights) = weights {
        check::length("weights", weights.len(), values.len())?;
        check::positive("weights", weights)?;
    }
    // blocks of (mean, weight, length)
    let mut blocks: Vec<(f64, f64, usize)> = Vec::with_capacity(values.len());
    for (index, &value) in values.iter().enumerate() {
        let mut block = (value, weights.map_or(1.0, |weights| weights[index]), 1);
        while let Some(&(mean, weight, length)) = blocks.last() {
            if mean <= block.0 {
                break;
            }
            let total = weight + block.1;
            block = (mean + (block.0 - mean) * (block.1 / total), total, length + block.2);
            blocks.pop();
        }
        blocks.push(block);
    }
    Ok(blocks.iter().flat_map(|&(mean, _, length)| std::iter::repeat_n(mean, length)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn falling_values_pool_to_their_mean() {
        assert_eq!(isotonic(&[3.0, 2.0, 1.0], None).unwrap(), [2.0; 3]);
        assert_eq!(isotonic(&[4.0, 0.0], Some(&[1.0, 3.0])).unwrap(), [1.0; 2]);
        assert!(isotonic(&[1.0], Some(&[0.0])).is_err());
    }

    proptest! {
        // optimality (Karush–Kuhn–Tucker): partial sums of the residuals never go negative, and vanish in all
        #[test]
        fn residuals_satisfy_the_optimality_conditions(values in prop::collection::vec(-10.0_f64..10.0, 1..50)) {
            let fitted = isotonic(&values, None).unwrap();
            prop_assert!(fitted.windows(2).all(|pair| pair[0] <= pair[1]));
            let mut sum = 0.0;
            let mut inner = 0.0;
            for (value, fit) in values.iter().zip(&fitted) {
                sum += value - fit;
                inner += fit * (value - fit);
                prop_assert!(sum > -1e-9);
            }
            prop_assert!(sum.abs() < 1e-9 && inner.abs() < 1e-7);
        }
    }
}
