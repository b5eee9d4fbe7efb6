//! The interval of all shifts that the sign-flip test does not reject.

use super::Layouts;
use super::sign_flip::weighted_differences;
use crate::stats::{Interval, StatsError, check};

/// The interval `{g : p(d − g) > 1 − level}` of the two-sided test.
///
/// Exact, without a grid: for signs that split the blocks into two sets, the flipped mean of `d − g` is at least as
/// far from zero as the observed one exactly when `g` lies between the two sets' weighted means, an interval that
/// always holds the overall mean. So `p(g)` falls away on both sides, and each end is an order statistic of subset
/// means (Hartigan 1969, Using subsample values as typical values, J. Am. Stat. Assoc. 64:1303–1317). An end is
/// infinite where the layouts are too few ever to reject.
///
/// # Errors
/// As [`super::sign_flip()`], or a level not between 0 and 1.
pub fn sign_flip_interval(
    differences: &[f64],
    weights: Option<&[f64]>,
    layouts: &Layouts<'_>,
    level: f64,
) -> Result<Interval, StatsError> {
    check::open_probability("level", level)?;
    let weighted = weighted_differences(differences, weights)?;
    let weight = |block: usize| weights.map_or(1.0, |weights| weights[block]);
    let (mut lower_ends, mut upper_ends) = (Vec::new(), Vec::new());
    let mut always = 0_u64;
    let (count, _) = layouts.visit(differences.len(), |signs| {
        let (mut kept, mut kept_weight, mut flipped, mut flipped_weight) = (0.0, 0.0, 0.0, 0.0);
        for (block, &keep) in signs.iter().enumerate() {
            if keep {
                kept += weighted[block];
                kept_weight += weight(block);
            } else {
                flipped += weighted[block];
                flipped_weight += weight(block);
            }
        }
        if kept_weight > 0.0 && flipped_weight > 0.0 {
            let (a, b) = (kept / kept_weight, flipped / flipped_weight);
            lower_ends.push(a.min(b));
            upper_ends.push(a.max(b));
        } else {
            always += 1;
        }
    })?;
    // the smallest number of layouts that keeps p above 1 − level; the guard is against rounding of the product
    let needed = ((1.0 - level) * count as f64 * (1.0 + 1e-12)).floor() as u64 + 1;
    if needed <= always {
        return Ok(Interval { lower: f64::NEG_INFINITY, upper: f64::INFINITY });
    }
    let rank = (needed - always - 1) as usize;
    if rank >= lower_ends.len() {
        return Err(StatsError::OutOfRange { what: "level", allowed: "large enough to leave one shift", value: level });
    }
    let (_, &mut lower, _) = lower_ends.select_nth_unstable_by(rank, f64::total_cmp);
    let (_, &mut upper, _) = upper_ends.select_nth_unstable_by(rank, |a, b| b.total_cmp(a));
    Ok(Interval { lower, upper })
}

#[cfg(test)]
mod tests {
    use super::super::sign_flip;
    use super::*;
    use proptest::prelude::*;

    const SEED: Layouts<'static> = Layouts::Independent { seed: 7 };

    #[test]
    fn few_blocks_set_no_limit() {
        let interval = sign_flip_interval(&[1.0, 2.0, 3.0], None, &SEED, 0.9).unwrap();
        assert!(interval.lower.is_infinite() && interval.upper.is_infinite());
        assert!(sign_flip_interval(&[1.0], None, &SEED, 1.0).is_err());
    }

    proptest! {
        #[test]
        fn just_inside_is_kept_and_just_outside_rejected(
            values in prop::collection::vec(-9.0_f64..9.0, 5..9),
            weighted in any::<bool>(),
        ) {
            let weights: Vec<f64> = (0..values.len()).map(|i| 1.0 + i as f64 / 3.0).collect();
            let weights = weighted.then_some(weights.as_slice());
            let interval = sign_flip_interval(&values, weights, &SEED, 0.8).unwrap();
            let p = |shift: f64| {
                let shifted: Vec<f64> = values.iter().map(|value| value - shift).collect();
                sign_flip(&shifted, weights, &SEED).unwrap().p_two_sided
            };
            prop_assert!(p(interval.lower + 1e-6) > 0.2 && p(interval.upper - 1e-6) > 0.2);
            prop_assert!(p(interval.lower - 1e-6) <= 0.2 && p(interval.upper + 1e-6) <= 0.2);
        }
    }
}
