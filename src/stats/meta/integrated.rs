//! The variance between averaged over its posterior instead of plugged in.

use super::Estimates;
use super::weighted::Weighted;
use crate::stats::dense::{Mat, dot, quadratic_form};
use crate::stats::distribution::{Component, Mixture};
use crate::stats::{StatsError, check};

pub(super) const POINTS: usize = 200;

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
