//! The medcouple, a robust measure of skewness, and the boxplot fences adjusted by it.

use super::{quantile_sorted, weighted_median};
use crate::stats::{Interval, StatsError, check};

/// Each pass drops at least a quarter of the candidates, so that 200 are never needed.
const PASSES: usize = 200;

/// The medcouple: the median of `((x_j − m) − (m − x_i)) / (x_j − x_i)` over `x_i ≤ m ≤ x_j`, from −1 to 1.
///
/// Brys, Hubert & Struyf 2004, A robust measure of skewness, J. Comput. Graph. Stat. 13:996–1017; the selection in
/// O(n log n) is that of Johnson & Mizoguchi 1978, SIAM J. Comput. 7:147–153. For an even number of pairs it is the
/// mean of the two middle ones.
///
/// # Errors
/// An empty sample or a value that is not finite.
#[cfg(test)]
pub(crate) fn medcouple(values: &[f64]) -> Result<f64, StatsError> {
    check::sample("medcouple", values, 1)?;
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(|a, b| b.total_cmp(a));
    medcouple_descending(&sorted)
}

/// The fences of the boxplot adjusted for skewness; values outside may be called outliers.
///
/// Hubert & Vandervieren 2008, An adjusted boxplot for skewed distributions, Comput. Stat. Data Anal. 52:5186–5201:
/// `[Q1 − 1.5 e^(−4 MC) IQR, Q3 + 1.5 e^(3 MC) IQR]` for `MC ≥ 0`, `[Q1 − 1.5 e^(−3 MC) IQR, Q3 + 1.5 e^(4 MC) IQR]`
/// otherwise; `multiple` is the 1.5 of the paper, or wider.
///
/// # Errors
/// An empty sample or a value that is not finite.
pub fn adjusted_fences(values: &[f64], multiple: f64) -> Result<Interval, StatsError> {
    check::sample("adjusted boxplot", values, 1)?;
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let (first, third) = (quantile_sorted(&sorted, 0.25)?, quantile_sorted(&sorted, 0.75)?);
    sorted.reverse();
    let skew = medcouple_descending(&sorted)?;
    let (below, above) = if skew >= 0.0 { (-4.0, 3.0) } else { (-3.0, 4.0) };
    let reach = multiple * (third - first);
    Ok(Interval { lower: first - reach * (below * skew).exp(), upper: third + reach * (above * skew).exp() })
}

fn medcouple_descending(sorted: &[f64]) -> Result<f64, StatsError> {
    let kernel = Kernel::new(sorted);
    let total = kernel.upper.len() as u64 * kernel.lower.len() as u64;
    let (value, before) = kernel.select(total / 2)?;
    if total % 2 == 1 {
        return Ok(value);
    }
    let before = before.map_or_else(|| kernel.select(total / 2 - 1).map(|selected| selected.0), Ok)?;
    Ok(before + 0.5 * (value - before))
}

/// The kernel matrix `h(i, j)`, never stored: it falls along each row and each column.
struct Kernel {
    /// Deviations of the values at or above the median, descending.
    upper: Vec<f64>,
    /// Deviations of the values at or below the median, descending.
    lower: Vec<f64>,
}

impl Kernel {
    fn new(sorted: &[f64]) -> Self {
        let n = sorted.len();
        let median = if n % 2 == 1 { sorted[n / 2] } else { 0.5 * (sorted[n / 2 - 1] + sorted[n / 2]) };
        Self {
            upper: sorted.iter().filter(|&&value| value >= median).map(|value| value - median).collect(),
            lower: sorted.iter().filter(|&&value| value <= median).map(|value| value - median).collect(),
        }
    }

    /// Values tied with the median on both sides are set against each other by their order, as the paper defines.
    fn at(&self, i: usize, j: usize) -> f64 {
        let (a, b) = (self.upper[i], self.lower[j]);
        if a > b {
            (a + b) / (a - b)
        } else {
            match (self.upper.len() - 1).cmp(&(i + j)) {
                std::cmp::Ordering::Less => -1.0,
                std::cmp::Ordering::Equal => 0.0,
                std::cmp::Ordering::Greater => 1.0,
            }
        }
    }

    /// For each row the number of entries greater than (or, with `or_equal`, at least) `u`.
    fn count_above(&self, u: f64, or_equal: bool) -> Vec<usize> {
        let mut counts = vec![0; self.upper.len()];
        let mut j = 0;
        for i in (0..self.upper.len()).rev() {
            while j < self.lower.len() && (self.at(i, j) > u || (or_equal && self.at(i, j) >= u)) {
                j += 1;
            }
            counts[i] = j;
        }
        counts
    }

    /// The entry of the given zero-based rank in descending order, and that of the rank before where the last step holds it too.
    fn select(&self, rank: u64) -> Result<(f64, Option<f64>), StatsError> {
        let rows = self.upper.len();
        let mut left = vec![0_usize; rows]; // entries before `left` are too large
        let mut right = vec![self.lower.len(); rows]; // entries from `right` on are too small
        for _ in 0..PASSES {
            let settled: u64 = left.iter().map(|&count| count as u64).sum();
            let candidates: u64 = right.iter().map(|&count| count as u64).sum::<u64>() - settled;
            if candidates <= rows as u64 {
                let mut rest: Vec<f64> = (0..rows)
                    .flat_map(|i| (left[i]..right[i]).map(move |j| (i, j)))
                    .map(|(i, j)| self.at(i, j))
                    .collect();
                let (greater, &mut value, _) =
                    rest.select_nth_unstable_by((rank - settled) as usize, |a, b| b.total_cmp(a));
                return Ok((value, greater.iter().copied().min_by(f64::total_cmp)));
            }
            let open: Vec<usize> = (0..rows).filter(|&i| left[i] < right[i]).collect();
            let middles: Vec<f64> = open.iter().map(|&i| self.at(i, usize::midpoint(left[i], right[i] - 1))).collect();
            let weights: Vec<f64> = open.iter().map(|&i| (right[i] - left[i]) as f64).collect();
            let trial = pivot(&middles, &weights)?;
            let greater = self.count_above(trial, false);
            // the clamps matter only where rounding breaks the order of the kernel in its last bit
            if rank < greater.iter().map(|&count| count as u64).sum() {
                right = (0..rows).map(|i| greater[i].clamp(left[i], right[i])).collect();
                continue;
            }
            let at_least = self.count_above(trial, true);
            if rank >= at_least.iter().map(|&count| count as u64).sum() {
                left = (0..rows).map(|i| at_least[i].clamp(left[i], right[i])).collect();
            } else {
                return Ok((trial, None));
            }
        }
        Err(StatsError::NoConvergence { what: "the medcouple's selection", iterations: PASSES })
    }
}

/// The weighted median, drawn onto one of the values so that counting ties against it is exact.
fn pivot(values: &[f64], weights: &[f64]) -> Result<f64, StatsError> {
    let middle = weighted_median(values, weights)?;
    let nearest = values.iter().copied().min_by(|a, b| (a - middle).abs().total_cmp(&(b - middle).abs()));
    Ok(nearest.unwrap_or(middle))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::robust::median;
    use proptest::prelude::*;

    fn by_definition(values: &[f64]) -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_unstable_by(|a, b| b.total_cmp(a));
        let kernel = Kernel::new(&sorted);
        let all: Vec<f64> = (0..kernel.upper.len())
            .flat_map(|i| (0..kernel.lower.len()).map(move |j| (i, j)))
            .map(|(i, j)| kernel.at(i, j))
            .collect();
        median(&all).unwrap()
    }

    #[test]
    fn symmetric_data_have_none() {
        assert_eq!(medcouple(&[1.0, 2.0, 3.0, 4.0, 5.0]).unwrap(), 0.0);
        assert_eq!(medcouple(&[4.0]).unwrap(), 0.0);
        assert_eq!(medcouple(&[4.0; 8]).unwrap(), 0.0);
    }

    #[test]
    fn without_skewness_the_fences_are_those_of_tukey() {
        let fences = adjusted_fences(&[1.0, 2.0, 3.0, 4.0, 5.0], 1.5).unwrap();
        assert_eq!((fences.lower, fences.upper), (-1.0, 7.0));
    }

    #[test]
    fn a_long_tail_to_the_right_moves_the_upper_fence_out() {
        let values: Vec<f64> = (1..200).map(|i| (f64::from(i) / 40.0).exp()).collect();
        let fences = adjusted_fences(&values, 1.5).unwrap();
        let (q1, q3) = (super::super::quantile(&values, 0.25).unwrap(), super::super::quantile(&values, 0.75).unwrap());
        assert!(fences.upper > q3 + 1.5 * (q3 - q1) && fences.lower > q1 - 1.5 * (q3 - q1));
    }

    proptest! {
        #[test]
        fn the_fast_selection_equals_the_definition(values in prop::collection::vec(-20_i32..20, 1..40)) {
            let values: Vec<f64> = values.into_iter().map(|value| f64::from(value) / 4.0).collect();
            prop_assert!((medcouple(&values).unwrap() - by_definition(&values)).abs() < 1e-12);
        }

        #[test]
        fn turning_the_data_round_turns_the_sign(values in prop::collection::vec(-50.0_f64..50.0, 1..40)) {
            let turned: Vec<f64> = values.iter().map(|value| -value).collect();
            prop_assert!((medcouple(&values).unwrap() + medcouple(&turned).unwrap()).abs() < 1e-9);
        }
    }
}
