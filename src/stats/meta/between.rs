//! Estimators of the variance between.

use super::Estimates;
use super::weighted::Weighted;
use crate::stats::StatsError;

/// How the variance between, τ², is estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BetweenVariance {
    /// τ² = 0: one common effect.
    Common,
    /// `DerSimonian` & Laird 1986, Control. Clin. Trials 7:177–188, method of moments.
    DerSimonianLaird,
    /// Hedges & Olkin 1985, Statistical Methods for Meta-Analysis, unweighted method of moments.
    HedgesOlkin,
    /// Maximum likelihood; biased low.
    MaximumLikelihood,
    /// Restricted maximum likelihood.
    RestrictedLikelihood,
    /// Paule & Mandel 1982, J. Res. Natl. Bur. Stand. 87:377–385: the weighted sum of squares equals its degrees of
    /// freedom.
    PauleMandel,
}

/// An estimate of τ² with its asymptotic standard error.
pub(super) struct Estimated {
    pub(super) tau2: f64,
    pub(super) se: Option<f64>,
}

impl BetweenVariance {
    pub(super) fn estimate(self, estimates: &Estimates<'_>) -> Result<Estimated, StatsError> {
        let df = (estimates.count() - estimates.coefficients()) as f64;
        match self {
            Self::Common => Ok(Estimated { tau2: 0.0, se: None }),
            Self::DerSimonianLaird => {
                let at = Weighted::at(estimates, 0.0)?;
                let trace = at.trace(estimates);
                let tau2 = ((at.quadratic - df) / trace).max(0.0);
                let variance = 2.0 * df + 4.0 * tau2 * trace + 2.0 * tau2 * tau2 * at.trace_squared(estimates);
                Ok(Estimated { tau2, se: Some(variance.sqrt() / trace) })
            }
            Self::HedgesOlkin => hedges_olkin(estimates, df),
            Self::MaximumLikelihood => {
                let tau2 = most_likely(estimates, false)?;
                let squares: f64 = Weighted::at(estimates, tau2)?.weights.iter().map(|w| w * w).sum();
                Ok(Estimated { tau2, se: Some((2.0 / squares).sqrt()) })
            }
            Self::RestrictedLikelihood => {
                let tau2 = most_likely(estimates, true)?;
                let at = Weighted::at(estimates, tau2)?;
                Ok(Estimated { tau2, se: Some((2.0 / at.trace_squared(estimates)).sqrt()) })
            }
            Self::PauleMandel => {
                let tau2 = generalised_q_equals(estimates, df)?;
                let total: f64 = Weighted::at(estimates, tau2)?.weights.iter().sum();
                let k = estimates.count() as f64;
                Ok(Estimated { tau2, se: Some((2.0 * k * k / df).sqrt() / total) })
            }
        }
    }
}

fn hedges_olkin(estimates: &Estimates<'_>, df: f64) -> Result<Estimated, StatsError> {
    let at = Weighted::with(estimates, vec![1.0; estimates.count()])?;
    let (x, v) = (estimates.design, estimates.variances);
    let (k, p) = (x.nrows(), x.ncols());
    // P V and P V P V with P = I − H: traces from the hat matrix, entry by entry
    let hat = |a: usize, b: usize| -> f64 {
        (0..p).map(|i| (0..p).map(|j| x[(a, i)] * at.covariance[(i, j)] * x[(b, j)]).sum::<f64>()).sum()
    };
    let trace: f64 = (0..k).map(|a| (1.0 - hat(a, a)) * v[a]).sum();
    let mut squared = 0.0;
    for a in 0..k {
        for b in 0..k {
            let entry = if a == b { 1.0 - hat(a, b) } else { -hat(a, b) };
            squared += entry * entry * v[a] * v[b];
        }
    }
    let tau2 = ((at.quadratic - trace) / df).max(0.0);
    Ok(Estimated { tau2, se: Some((2.0 * squared + 4.0 * tau2 * trace + 2.0 * tau2 * tau2 * df).sqrt() / df) })
}

/// A τ² far above anything the estimates can support.
fn ceiling(estimates: &Estimates<'_>) -> f64 {
    let mean = estimates.y.iter().sum::<f64>() / estimates.count() as f64;
    let spread: f64 = estimates.y.iter().map(|y| (y - mean) * (y - mean)).sum();
    let largest = estimates.variances.iter().fold(0.0_f64, |largest, v| largest.max(*v));
    10.0 * (spread + largest)
}

/// τ² where `y′Py` equals `target`; 0 when it is below the target already without τ².
pub(super) fn generalised_q_equals(estimates: &Estimates<'_>, target: f64) -> Result<f64, StatsError> {
    let excess = |tau2: f64| Weighted::at(estimates, tau2).map(|at| at.quadratic - target);
    if excess(0.0)? <= 0.0 {
        return Ok(0.0);
    }
    let mut high = ceiling(estimates);
    while excess(high)? > 0.0 {
        high *= 4.0;
    }
    bisect(0.0, high, excess)
}

/// The maximum of the (restricted) likelihood over τ² ≥ 0: the best of a grid, then the root of the score beside it.
fn most_likely(estimates: &Estimates<'_>, restricted: bool) -> Result<f64, StatsError> {
    const STEPS: usize = 120;
    let likelihood = |tau2: f64| {
        Weighted::at(estimates, tau2)
            .map(|at| if restricted { at.restricted_log_likelihood() } else { at.log_likelihood() })
    };
    let score = |tau2: f64| {
        Weighted::at(estimates, tau2).map(|at| {
            let expected = if restricted { at.trace(estimates) } else { at.weights.iter().sum() };
            at.quadratic_squared - expected
        })
    };
    let smallest = estimates.variances.iter().fold(f64::INFINITY, |smallest, v| smallest.min(*v));
    let (low, high) = (1e-4 * smallest, ceiling(estimates));
    let ratio = (high / low).ln() / STEPS as f64;
    let mut grid = vec![0.0];
    grid.extend((0..=STEPS).map(|step| low * (ratio * step as f64).exp()));
    let mut best = 0;
    let mut best_value = likelihood(0.0)?;
    for (index, &tau2) in grid.iter().enumerate().skip(1) {
        let value = likelihood(tau2)?;
        if value > best_value {
            (best, best_value) = (index, value);
        }
    }
    if best == 0 && score(0.0)? <= 0.0 {
        return Ok(0.0);
    }
    bisect(grid[best.saturating_sub(1)], grid[(best + 1).min(grid.len() - 1)], score)
}

/// The root of a function that falls through zero between `low` and `high`.
fn bisect(mut low: f64, mut high: f64, falling: impl Fn(f64) -> Result<f64, StatsError>) -> Result<f64, StatsError> {
    for _ in 0..200 {
        let middle = low + 0.5 * (high - low);
        if middle <= low || middle >= high {
            break;
        }
        if falling(middle)? > 0.0 { low = middle } else { high = middle }
    }
    Ok(low + 0.5 * (high - low))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::dense::Mat;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_optimum_beats_its_neighbours(
            y in prop::collection::vec(-3.0_f64..3.0, 4..12), seed in prop::collection::vec(0.05_f64..3.0, 12),
        ) {
            let design = Mat::from_fn(y.len(), 1, |_, _| 1.0);
            let estimates = Estimates::new(&y, &seed[..y.len()], design.as_ref()).unwrap();
            for restricted in [true, false] {
                let tau2 = most_likely(&estimates, restricted).unwrap();
                let value = |tau2: f64| {
                    let at = Weighted::at(&estimates, tau2).unwrap();
                    if restricted { at.restricted_log_likelihood() } else { at.log_likelihood() }
                };
                for other in [0.0, 0.5 * tau2, 0.99 * tau2, 1.01 * tau2 + 1e-6, 2.0 * tau2 + 0.01, tau2 + 1.0, 20.0] {
                    prop_assert!(value(tau2) >= value(other) - 1e-9, "{} {}", tau2, other);
                }
            }
        }

        #[test]
        fn equal_variances_make_the_moment_estimators_agree(y in prop::collection::vec(-3.0_f64..3.0, 3..12)) {
            let (v, design) = (vec![0.5; y.len()], Mat::from_fn(y.len(), 1, |_, _| 1.0));
            let estimates = Estimates::new(&y, &v, design.as_ref()).unwrap();
            let tau2 = |method: BetweenVariance| method.estimate(&estimates).unwrap().tau2;
            let moments = tau2(BetweenVariance::DerSimonianLaird);
            for other in [BetweenVariance::HedgesOlkin, BetweenVariance::PauleMandel, BetweenVariance::RestrictedLikelihood] {
                prop_assert!((tau2(other) - moments).abs() < 1e-9, "{:?}", other);
            }
        }
    }
}
