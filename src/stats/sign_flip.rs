//! The test and the interval that rest on the randomisation alone: the signs of paired differences are flipped.
//!
//! Fisher 1935, The Design of Experiments, section 21. When the side of the treatment was not drawn at random, the p value
//! assumes that it might as well have been.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::{Interval, StatsError, check};

/// Up to this many differences every choice of signs is enumerated.
const EXACT_UP_TO: usize = 16;
/// Beyond [`EXACT_UP_TO`] this many are drawn, besides the one observed.
const SAMPLES: usize = 9_999;
/// Sums closer than this share of `Σ |d|` count as ties, so that rounding cannot break one.
const TIE: f64 = 1e-10;

/// Calls `visit` with every choice of signs (`false` = flipped), the observed one included, or with [`SAMPLES`] drawn with
/// this seed. Answers how many.
fn visit(differences: usize, seed: u64, mut visit: impl FnMut(&[bool])) -> u64 {
    let mut signs = vec![true; differences];
    if differences <= EXACT_UP_TO {
        let count = 1_u64 << differences;
        for code in 0..count {
            for (at, sign) in signs.iter_mut().enumerate() {
                *sign = (code >> at) & 1 == 0;
            }
            visit(&signs);
        }
        return count;
    }
    visit(&signs);
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    for _ in 0..SAMPLES {
        for sign in &mut signs {
            *sign = random.random();
        }
        visit(&signs);
    }
    1 + SAMPLES as u64
}

/// The two-sided p value of a mean difference of zero: the share of the choices of signs whose mean is at least as far from
/// zero as the observed one. `differences` has one value a block; beyond 16 blocks the choices are drawn with `seed`.
///
/// # Errors
/// No differences, or a value that is not finite.
pub fn sign_flip(differences: &[f64], seed: u64) -> Result<f64, StatsError> {
    check::sample("differences", differences, 1)?;
    let observed: f64 = differences.iter().sum();
    let tie = TIE * differences.iter().map(|value| value.abs()).sum::<f64>();
    let mut farther = 0_u64;
    let count = visit(differences.len(), seed, |signs| {
        let sum: f64 = differences.iter().zip(signs).map(|(&value, &kept)| if kept { value } else { -value }).sum();
        farther += u64::from(sum.abs() >= observed.abs() - tie);
    });
    Ok(farther as f64 / count as f64)
}

/// The interval of all shifts that [`sign_flip`] does not reject, `{g : p(d − g) > 1 − level}`.
///
/// Exact, without a grid: for signs that split the blocks into two sets, the flipped mean of `d − g` is at least as
/// far from zero as the observed one exactly when `g` lies between the two sets' means, an interval that
/// always holds the overall mean. So `p(g)` falls away on both sides, and each end is an order statistic of subset
/// means (Hartigan 1969, Using subsample values as typical values, J. Am. Stat. Assoc. 64:1303–1317). An end is
/// infinite where the blocks are too few ever to reject.
///
/// # Errors
/// As [`sign_flip`], or a level not between 0 and 1.
pub fn sign_flip_interval(differences: &[f64], seed: u64, level: f64) -> Result<Interval, StatsError> {
    check::open_probability("level", level)?;
    check::sample("differences", differences, 1)?;
    let (mut lower_ends, mut upper_ends) = (Vec::new(), Vec::new());
    let mut always = 0_u64;
    let count = visit(differences.len(), seed, |signs| {
        let (mut kept, mut many_kept, mut flipped, mut many_flipped) = (0.0, 0.0, 0.0, 0.0);
        for (difference, &keep) in differences.iter().zip(signs) {
            if keep {
                kept += difference;
                many_kept += 1.0;
            } else {
                flipped += difference;
                many_flipped += 1.0;
            }
        }
        if many_kept > 0.0 && many_flipped > 0.0 {
            let (a, b): (f64, f64) = (kept / many_kept, flipped / many_flipped);
            lower_ends.push(a.min(b));
            upper_ends.push(a.max(b));
        } else {
            always += 1;
        }
    });
    // the smallest number of choices that keeps p above 1 − level; the guard is against rounding of the product
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
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_smallest_p_halves_with_each_block() {
        for (blocks, smallest) in [(3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (7, 0.015_625), (8, 0.007_812_5)] {
            assert_eq!(sign_flip(&vec![1.0; blocks], 7).unwrap(), smallest);
        }
    }

    #[test]
    fn many_blocks_are_sampled_with_the_same_answer_every_time() {
        let differences: Vec<f64> = (0..30).map(|i| f64::from(i % 7) - 2.5).collect();
        let first = sign_flip(&differences, 7).unwrap();
        assert_eq!(first, sign_flip(&differences, 7).unwrap());
        assert_eq!((1e4 * first).fract(), 0.0);
        // the normal approximation of the sum, 10, with √Σd² = 11.292 and steps of 1: 2 Φ(−9.5/11.292)
        assert!((first - 0.400).abs() < 0.02, "{first}");
    }

    #[test]
    fn bad_input_is_refused_and_few_blocks_set_no_limit() {
        assert!(sign_flip(&[], 7).is_err() && sign_flip(&[1.0, f64::NAN], 7).is_err());
        assert!(sign_flip_interval(&[1.0], 7, 1.0).is_err());
        let interval = sign_flip_interval(&[1.0, 2.0, 3.0], 7, 0.9).unwrap();
        assert!(interval.lower.is_infinite() && interval.upper.is_infinite());
    }

    proptest! {
        #[test]
        fn just_inside_is_kept_and_just_outside_rejected(values in prop::collection::vec(-9.0_f64..9.0, 5..9)) {
            let interval = sign_flip_interval(&values, 7, 0.8).unwrap();
            let p = |shift: f64| {
                let shifted: Vec<f64> = values.iter().map(|value| value - shift).collect();
                sign_flip(&shifted, 7).unwrap()
            };
            prop_assert!(p(interval.lower + 1e-6) > 0.2 && p(interval.upper - 1e-6) > 0.2);
            prop_assert!(p(interval.lower - 1e-6) <= 0.2 && p(interval.upper + 1e-6) <= 0.2);
        }
    }
}
