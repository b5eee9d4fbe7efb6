//! The sign-flip test of one set of paired differences.

use super::Layouts;
use crate::stats::{StatsError, check};

/// The outcome of a sign-flip test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignFlip {
    /// The weighted mean difference, in the unit of the differences.
    pub estimate: f64,
    /// Share of layouts whose mean is at least as far from 0 on either side.
    pub p_two_sided: f64,
    /// Share of layouts whose mean is at least as large.
    pub p_greater: f64,
    /// Share of layouts whose mean is at most as large.
    pub p_less: f64,
    /// Layouts looked at, the observed one included.
    pub layouts: u64,
    /// Whether these are all layouts there are; otherwise they were drawn at random.
    pub exact: bool,
}

/// Sums closer than this share of `Σ |w d|` count as ties, so that rounding cannot break one.
pub(super) const TIE: f64 = 1e-10;

/// Tests whether the mean difference is zero.
///
/// `differences` has one value a block, `weights` one weight above 0 a block (all 1 when absent).
///
/// # Errors
/// No differences, lengths that differ, a value that is not finite, a weight not above 0, or layouts that do not fit.
///
/// ```
/// # use bandlift::stats::permutation::{Layouts, sign_flip};
/// let test = sign_flip(&[4.1, 6.3, -1.2, 5.5, 2.8, 7.0], None, &Layouts::Independent { seed: 1 })?;
/// assert_eq!(test.p_two_sided, 4.0 / 64.0);
/// # Ok::<(), bandlift::stats::StatsError>(())
/// ```
pub fn sign_flip(differences: &[f64], weights: Option<&[f64]>, layouts: &Layouts<'_>) -> Result<SignFlip, StatsError> {
    let weighted = weighted_differences(differences, weights)?;
    let observed: f64 = weighted.iter().sum();
    let tie = TIE * weighted.iter().map(|value| value.abs()).sum::<f64>();
    let (mut farther, mut greater, mut less) = (0_u64, 0_u64, 0_u64);
    let (layouts, exact) = layouts.visit(differences.len(), |signs| {
        let sum: f64 = weighted.iter().zip(signs).map(|(&value, &kept)| if kept { value } else { -value }).sum();
        farther += u64::from(sum.abs() >= observed.abs() - tie);
        greater += u64::from(sum >= observed - tie);
        less += u64::from(sum <= observed + tie);
    })?;
    let total_weight = weights.map_or(differences.len() as f64, |weights| weights.iter().sum());
    let share = |count: u64| count as f64 / layouts as f64;
    Ok(SignFlip {
        estimate: observed / total_weight,
        p_two_sided: share(farther),
        p_greater: share(greater),
        p_less: share(less),
        layouts,
        exact,
    })
}

/// `w d`, checked.
pub(super) fn weighted_differences(differences: &[f64], weights: Option<&[f64]>) -> Result<Vec<f64>, StatsError> {
    check::sample("differences", differences, 1)?;
    let Some(weights) = weights else { return Ok(differences.to_vec()) };
    check::length("weights", weights.len(), differences.len())?;
    check::positive("weights", weights)?;
    Ok(differences.iter().zip(weights).map(|(difference, weight)| difference * weight).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SEED: Layouts<'static> = Layouts::Independent { seed: 7 };

    #[test]
    fn the_smallest_p_halves_with_each_block() {
        for (blocks, smallest) in [(3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (7, 0.015_625), (8, 0.007_812_5)] {
            let test = sign_flip(&vec![1.0; blocks], None, &SEED).unwrap();
            assert_eq!((test.p_two_sided, test.p_greater, test.exact), (smallest, smallest / 2.0, true));
        }
    }

    #[test]
    fn many_blocks_are_sampled_with_the_same_answer_every_time() {
        let differences: Vec<f64> = (0..30).map(|i| f64::from(i % 7) - 2.5).collect();
        let first = sign_flip(&differences, None, &SEED).unwrap();
        assert_eq!(first, sign_flip(&differences, None, &SEED).unwrap());
        assert_eq!((first.layouts, first.exact), (10_000, false));
        assert!(first.p_two_sided >= 1e-4);
    }

    #[test]
    fn a_listed_randomisation_counts_only_what_could_have_been() {
        let listed = vec![vec![true, true, true], vec![true, false, true], vec![false, true, false]];
        let test = sign_flip(&[3.0, 1.0, 2.0], None, &Layouts::Listed(&listed)).unwrap();
        assert_eq!((test.p_greater, test.layouts), (1.0 / 3.0, 3));
        assert!(sign_flip(&[3.0, 1.0, 2.0], None, &Layouts::Listed(&listed[1..])).is_err());
        assert!(sign_flip(&[3.0, 1.0], None, &Layouts::Listed(&listed)).is_err());
    }

    #[test]
    fn bad_input_is_refused() {
        assert!(sign_flip(&[], None, &SEED).is_err());
        assert!(sign_flip(&[1.0, f64::NAN], None, &SEED).is_err());
        assert!(sign_flip(&[1.0, 2.0], Some(&[1.0, 0.0]), &SEED).is_err());
    }

    proptest! {
        #[test]
        fn both_one_sided_values_cover_everything(values in prop::collection::vec(-9.0_f64..9.0, 1..9)) {
            let test = sign_flip(&values, None, &SEED).unwrap();
            prop_assert!(test.p_greater + test.p_less >= 1.0);
            let turned: Vec<f64> = values.iter().map(|value| -value).collect();
            let mirror = sign_flip(&turned, None, &SEED).unwrap();
            prop_assert_eq!(test.p_greater, mirror.p_less);
            prop_assert_eq!(test.p_two_sided, mirror.p_two_sided);
        }

        #[test]
        fn equal_weights_change_nothing(values in prop::collection::vec(-9.0_f64..9.0, 1..9), weight in 0.1_f64..9.0) {
            let plain = sign_flip(&values, None, &SEED).unwrap();
            let weighted = sign_flip(&values, Some(&vec![weight; values.len()]), &SEED).unwrap();
            prop_assert_eq!(plain.p_two_sided, weighted.p_two_sided);
            prop_assert!((plain.estimate - weighted.estimate).abs() < 1e-12);
        }
    }
}
