//! The variance between averaged over its posterior instead of plugged in.

use super::Estimates;
use super::weighted::Weighted;
use crate::stats::dense::{Mat, dot, quadratic_form};
use crate::stats::distribution::{Component, Mixture};
use crate::stats::{StatsError, check};

pub(super) const POINTS: usize = 200;
/// Parts into which the posterior of τ is put together for a prediction, of about equal weight (ours: the ends of its intervals
/// are those of the whole grid to 0.5 %).
const PARTS: f64 = 24.0;

/// The step of a grid over τ > 0 and the log posterior at its midpoints, as far up as there is anything to count.
pub(super) fn tau_grid(
    prior_scale: f64,
    height: impl Fn(f64) -> Result<f64, StatsError>,
) -> Result<(f64, Vec<f64>), StatsError> {
    // the prior alone reaches no further than 6 scales
    let mut top = 6.0 * prior_scale;
    for _ in 0..20 {
        let values = (0..=64).map(|i| height(top * f64::from(i) / 64.0)).collect::<Result<Vec<_>, _>>()?;
        let peak = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let last = values.iter().rposition(|value| *value > peak - 25.0).unwrap_or(64);
        if last >= 32 {
            break;
        }
        top *= (last + 1) as f64 / 64.0;
    }
    let step = top / POINTS as f64;
    let heights = (0..POINTS).map(|index| height((index as f64 + 0.5) * step)).collect::<Result<Vec<_>, _>>()?;
    Ok((step, heights))
}

/// The posterior over τ on a grid, with flat priors on the coefficients and a half-normal prior on τ.
///
/// Given τ the coefficients are normal; so every quantity is a mixture of normals over the grid. Plugging in one τ
/// under-covers with few estimates: Röver 2020, Bayesian random-effects meta-analysis using the bayesmeta R package,
/// J. Stat. Softw. 93(6), gives the same mixture.
#[derive(Debug, Clone)]
pub struct TauPosterior {
    points: Vec<Point>,
}

#[derive(Debug, Clone)]
struct Point {
    tau: f64,
    weight: f64,
    beta: Vec<f64>,
    covariance: Mat<f64>,
}

impl TauPosterior {
    /// With a half-normal prior of the given scale (its standard deviation before folding) on τ.
    ///
    /// # Errors
    /// A scale not above 0, or collinear columns. One estimate is enough: the prior then does the work.
    pub fn new(estimates: Estimates<'_>, prior_scale: f64) -> Result<Self, StatsError> {
        check::positive("scale of the prior of τ", &[prior_scale])?;
        let at = |tau: f64| Weighted::at(&estimates, tau * tau);
        let (step, heights) =
            tau_grid(prior_scale, |tau| Ok(at(tau)?.restricted_log_likelihood() - 0.5 * (tau / prior_scale).powi(2)))?;
        let peak = heights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = heights.iter().map(|value| (value - peak).exp()).sum();
        let points = heights
            .iter()
            .enumerate()
            .map(|(index, value)| {
                let tau = (index as f64 + 0.5) * step;
                let weighted = at(tau)?;
                Ok(Point {
                    tau,
                    weight: (value - peak).exp() / total,
                    beta: weighted.beta,
                    covariance: weighted.covariance,
                })
            })
            .collect::<Result<Vec<_>, StatsError>>()?;
        Ok(Self { points })
    }

    /// The posterior of `c′β`.
    ///
    /// # Errors
    /// A contrast of the wrong length.
    pub fn coefficient(&self, c: &[f64]) -> Result<Mixture, StatsError> {
        self.mixture(c, |_| 0.0)
    }

    /// The predictive distribution of the effect of a new case with covariates `x`.
    ///
    /// # Errors
    /// Covariates of the wrong length.
    pub fn prediction(&self, x: &[f64]) -> Result<Mixture, StatsError> {
        self.mixture(x, |tau| tau * tau)
    }

    /// The predictive distribution of a new case whose mean is told as `mean` with a standard error and degrees of freedom.
    ///
    /// Given τ a new case differs from the mean by a normal deviate of that standard deviation, so each part is a t distribution
    /// around the mean with the scale `√(se² + τ²)` and the mean's degrees of freedom (the form of Higgins, Thompson &
    /// Spiegelhalter 2009, J. R. Stat. Soc. A 172:137–159, from memory; τ averaged over instead of plugged in). No
    /// part has a narrower interval than the mean's at any level, so the mixture has none, whatever the mean was estimated by.
    ///
    /// # Errors
    /// A standard error below 0, or degrees of freedom not above 0.
    pub fn prediction_about(&self, mean: f64, se: f64, df: f64) -> Result<Mixture, StatsError> {
        let mut parts: Vec<(f64, f64)> = Vec::new();
        let mut open = (0.0, 0.0);
        for point in &self.points {
            open = (open.0 + point.weight, open.1 + point.weight * point.tau * point.tau);
            if open.0 >= 1.0 / PARTS {
                parts.push(std::mem::take(&mut open));
            }
        }
        if open.0 > 0.0 {
            parts.push(open);
        }
        Mixture::new(parts.into_iter().map(|(weight, square)| Component {
            weight,
            centre: mean,
            scale: se.hypot((square / weight).sqrt()),
            df,
        }))
    }

    /// The posterior mean of τ, in the unit of the estimates.
    pub fn tau_mean(&self) -> f64 {
        self.points.iter().map(|point| point.weight * point.tau).sum()
    }

    /// The value of τ below which a share `p` of its posterior lies, linear within a cell of the grid.
    ///
    /// # Errors
    /// `p` not between 0 and 1.
    pub fn tau_quantile(&self, p: f64) -> Result<f64, StatsError> {
        check::open_probability("probability", p)?;
        let step = 2.0 * self.points[0].tau;
        let mut below = 0.0;
        for point in &self.points {
            if below + point.weight >= p {
                return Ok(point.tau + step * ((p - below) / point.weight - 0.5));
            }
            below += point.weight;
        }
        Ok(self.points[self.points.len() - 1].tau + 0.5 * step)
    }

    fn mixture(&self, c: &[f64], extra: impl Fn(f64) -> f64) -> Result<Mixture, StatsError> {
        check::length("contrast", c.len(), self.points[0].beta.len())?;
        Mixture::new(self.points.iter().map(|point| Component {
            weight: point.weight,
            centre: dot(c, &point.beta),
            scale: (quadratic_form(point.covariance.as_ref(), c) + extra(point.tau)).sqrt(),
            df: f64::INFINITY,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::meta::{BetweenVariance, CoefficientInference, MetaFit, PredictionDegrees};
    use proptest::prelude::*;

    proptest! {
        /// Whatever the estimates: at every level the interval of a new case holds that of the mean which it predicts, and no
        /// limit is more surely exceeded by a new case than by the mean.
        #[test]
        fn a_prediction_is_never_narrower_than_the_mean(
            y in prop::collection::vec(-9.0_f64..9.0, 3..12), v in prop::collection::vec(0.01_f64..9.0, 12),
            prior in 0.01_f64..20.0, level in 0.5_f64..0.999,
        ) {
            let design = Mat::from_fn(y.len(), 1, |_, _| 1.0);
            let estimates = Estimates::new(&y, &v[..y.len()], design.as_ref()).unwrap();
            let method = BetweenVariance::RestrictedLikelihood;
            for inference in
                [CoefficientInference::Wald, CoefficientInference::KnappHartung, CoefficientInference::KnappHartungModified]
            {
                let fit = MetaFit::new(estimates, method, inference).unwrap();
                let (mean, se) = fit.contrast(&[1.0]).unwrap();
                let of_mean = fit.interval(&[1.0], level).unwrap();
                let new = TauPosterior::new(estimates, prior).unwrap().prediction_about(mean, se, fit.df).unwrap();
                let of_new = new.interval(level).unwrap();
                let slack = 1e-9 * of_mean.width();
                prop_assert!(of_new.lower <= of_mean.lower + slack && of_new.upper >= of_mean.upper - slack);
                prop_assert!(new.survival(of_mean.upper) >= 0.5 * (1.0 - level) - 1e-9);
                for degrees in [PredictionDegrees::OfCoefficients, PredictionDegrees::OneLess] {
                    let plugged_in = fit.prediction_interval(&[1.0], level, degrees).unwrap();
                    prop_assert!(plugged_in.lower <= of_mean.lower && plugged_in.upper >= of_mean.upper);
                }
            }
        }
    }

    #[test]
    fn a_tight_prior_is_the_common_effect() {
        let (y, v) = ([1.0, 2.0, 6.0], [1.0, 2.0, 1.0]);
        let design = Mat::from_fn(3, 1, |_, _| 1.0);
        let posterior = TauPosterior::new(Estimates::new(&y, &v, design.as_ref()).unwrap(), 1e-6).unwrap();
        let mixture = posterior.coefficient(&[1.0]).unwrap();
        assert!((mixture.mean().unwrap() - 8.0 / 2.5).abs() < 1e-9);
        assert!((mixture.variance().unwrap() - 0.4).abs() < 1e-9);
        assert!(posterior.prediction(&[1.0, 2.0]).is_err());
        assert!(TauPosterior::new(Estimates::new(&y, &v, design.as_ref()).unwrap(), 0.0).is_err());
    }

    #[test]
    fn few_parts_of_the_posterior_predict_as_the_whole_grid_does() {
        let design = Mat::from_fn(5, 1, |_, _| 1.0);
        let (y, v) = ([1.0, 2.0, 6.0, -1.0, 3.0], [1.0, 2.0, 1.0, 0.3, 0.8]);
        let posterior = TauPosterior::new(Estimates::new(&y, &v, design.as_ref()).unwrap(), 5.0).unwrap();
        for (se, df) in [(0.5, 2.0), (1.5, 4.0), (1.5, f64::INFINITY)] {
            let whole = Mixture::new(posterior.points.iter().map(|point| Component {
                weight: point.weight,
                centre: 2.0,
                scale: point.tau.hypot(se),
                df,
            }))
            .unwrap();
            let parts = posterior.prediction_about(2.0, se, df).unwrap();
            for level in [0.5, 0.9, 0.99] {
                let (parts, whole) = (parts.interval(level).unwrap(), whole.interval(level).unwrap());
                assert!((parts.width() / whole.width() - 1.0).abs() < 5e-3, "{level}: {parts:?} {whole:?}");
            }
        }
    }

    #[test]
    fn one_estimate_leaves_the_prior_of_tau() {
        let design = Mat::from_fn(1, 1, |_, _| 1.0);
        let posterior = TauPosterior::new(Estimates::new(&[2.0], &[0.5], design.as_ref()).unwrap(), 3.0).unwrap();
        // the restricted likelihood of one estimate does not depend on τ; half-normal mean √(2/π) s, median 0.6745 s
        assert!((posterior.tau_mean() - 3.0 * (2.0 / std::f64::consts::PI).sqrt()).abs() < 1e-3);
        assert!((posterior.tau_quantile(0.5).unwrap() - 3.0 * 0.674_489_75).abs() < 1e-3);
    }

    #[test]
    fn prediction_is_wider_than_the_mean() {
        let (y, v) = ([1.0, 2.0, 6.0, -1.0], [1.0, 2.0, 1.0, 0.3]);
        let design = Mat::from_fn(4, 1, |_, _| 1.0);
        let posterior = TauPosterior::new(Estimates::new(&y, &v, design.as_ref()).unwrap(), 5.0).unwrap();
        let width = |mixture: Mixture| mixture.interval(0.9).unwrap().width();
        assert!(width(posterior.prediction(&[1.0]).unwrap()) > width(posterior.coefficient(&[1.0]).unwrap()));
    }
}
