//! Fitting a mixed model, from several starts.

use super::likelihood::{Evaluation, Workspace};
use super::model::{CovarianceParameters, MixedModel, Parameter};
use super::search::{ARRIVED, ROUGH_STEP, SHORT_STEP, Summit, climb};
use super::small_sample::SmallSample;
use crate::stats::StatsError;

/// Shares of the variance in the random effects from which the climbs start.
const STARTS: [f64; 3] = [0.5, 0.1, 0.9];
/// Summits lower than the highest by more than this (likelihoods apart by a factor of 150) are not climbed to the top.
const WORTH_A_LOOK: f64 = 5.0;
/// Summits whose log likelihoods differ by less are one.
const SAME_SUMMIT: f64 = 1e-6;

/// A fitted mixed model.
pub struct MixedFit {
    pub(super) workspace: Workspace,
    pub(super) vector: Vec<f64>,
    pub(super) at: Evaluation,
    parameters: CovarianceParameters,
}

impl std::fmt::Debug for MixedFit {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("MixedFit").field("parameters", &self.parameters).finish_non_exhaustive()
    }
}

impl MixedModel {
    /// Fits the model by restricted likelihood: a climb from each start, the highest summit kept.
    ///
    /// # Errors
    /// A response without variation about the fixed effects, a covariance that is nowhere positive definite, or a search
    /// that does not end.
    pub fn fit(&self) -> Result<MixedFit, StatsError> {
        let workspace = Workspace::new(self);
        let residual = crate::stats::linear::least_squares(self.x.as_ref(), &self.y, None)?;
        let size = self.y.iter().fold(0.0_f64, |largest, y| largest.max(y.abs()));
        let spread = residual.residual_variance();
        if spread.sqrt() <= 1e-12 * size {
            return Err(StatsError::NoVariation { what: "response about the fixed effects" });
        }
        let mut rough: Vec<Summit> = Vec::new();
        let mut first_error = None;
        for start in self.starts(&workspace, spread.max(f64::MIN_POSITIVE))? {
            match climb(&workspace, &start, ROUGH_STEP) {
                Ok(summit) if rough.iter().any(|other| other.is_beside(&summit)) => {}
                Ok(summit) => rough.push(summit),
                Err(error) => first_error = first_error.or(Some(error)),
            }
        }
        let highest = rough.iter().map(|summit| summit.log_likelihood).fold(f64::NEG_INFINITY, f64::max);
        let mut best: Option<Summit> = None;
        for summit in rough.into_iter().filter(|summit| summit.log_likelihood > highest - WORTH_A_LOOK) {
            match climb(&workspace, &summit.vector, SHORT_STEP) {
                Ok(summit) => {
                    if best.as_ref().is_none_or(|best| summit.log_likelihood >= best.log_likelihood + SAME_SUMMIT) {
                        best = Some(summit);
                    }
                }
                Err(error) => first_error = first_error.or(Some(error)),
            }
        }
        let Some(best) = best.filter(|best| best.decrement <= ARRIVED) else {
            return Err(first_error.unwrap_or(StatsError::NoConvergence { what: "the mixed model", iterations: 0 }));
        };
        let at = workspace.evaluate(&best.vector)?;
        Ok(MixedFit { parameters: self.parameters_of(&best.vector), vector: best.vector, at, workspace })
    }

    /// The starts, that of the highest likelihood first.
    fn starts(&self, workspace: &Workspace, spread: f64) -> Result<Vec<Vec<f64>>, StatsError> {
        let parameters = self.parameters();
        let effects = parameters.iter().filter(|p| matches!(p, Parameter::Random(_))).count();
        let shares: &[f64] = if effects == 0 { &[0.0] } else { &STARTS };
        let mut found: Vec<(f64, Vec<f64>)> = Vec::new();
        let mut error = None;
        for &share in shares {
            let part = |parameter: &Parameter| match parameter {
                Parameter::Random(_) => spread * share / effects.max(1) as f64,
                Parameter::Residual => spread * (1.0 - share),
            };
            let start: Vec<f64> = parameters.iter().map(part).collect();
            let scaled = workspace.best_factor(&start).map(|factor| start.iter().map(|value| factor * value).collect());
            match scaled.and_then(|start: Vec<f64>| Ok((workspace.evaluate(&start)?.log_likelihood, start))) {
                Ok(start) => found.push(start),
                Err(fault) => error = Some(fault),
            }
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        match (found.is_empty(), error) {
            (true, Some(error)) => Err(error),
            _ => Ok(found.into_iter().map(|(_, start)| start).collect()),
        }
    }
}

impl MixedFit {
    /// The fixed effects.
    #[cfg(test)]
    pub(crate) fn coefficients(&self) -> &[f64] {
        &self.at.coefficients
    }

    /// The covariance parameters.
    #[cfg(test)]
    pub(crate) fn parameters(&self) -> &CovarianceParameters {
        &self.parameters
    }

    /// The logarithm of the restricted likelihood.
    #[cfg(test)]
    pub(crate) fn log_likelihood(&self) -> f64 {
        self.at.log_likelihood
    }

    /// The random effects (in the order they were added) whose variance is 0.
    #[cfg(test)]
    pub(crate) fn boundary(&self) -> Vec<usize> {
        (0..self.parameters.random.len()).filter(|&k| self.parameters.random[k] <= 0.0).collect()
    }

    /// What small samples need: adjusted covariance and degrees of freedom.
    ///
    /// # Errors
    /// Information about the variances that cannot be inverted.
    pub fn small_sample(&self) -> Result<SmallSample, StatsError> {
        SmallSample::new(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::dense::Mat;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn draws(seed: u64) -> impl FnMut() -> f64 {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        // a sum of twelve uniforms is near enough to normal here
        move || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
    }

    fn ones(n: usize) -> Mat<f64> {
        Mat::from_fn(n, 1, |_, _| 1.0)
    }

    #[test]
    fn without_random_effects_it_is_least_squares() {
        let mut draw = draws(1);
        let x = Mat::from_fn(20, 2, |_, j| if j == 0 { 1.0 } else { draw() });
        let y: Vec<f64> = (0..20).map(|i| 3.0 + x[(i, 1)] + draw()).collect();
        let fit = MixedModel::new(&y, x.as_ref()).unwrap().fit().unwrap();
        let ols = crate::stats::linear::least_squares(x.as_ref(), &y, None).unwrap();
        assert!((fit.parameters().residual / ols.residual_variance() - 1.0).abs() < 1e-9);
        let se = fit.at.covariance[(1, 1)].sqrt();
        assert!((se / ols.standard_errors()[1] - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_variance_that_is_not_there_stops_at_zero() {
        // within-group differences exceed those between: the one-way estimate would be negative
        let y = [1.0, -1.0, 1.1, -1.0, 0.9, -1.1];
        let model = MixedModel::new(&y, ones(6).as_ref()).unwrap().with_random(&[0, 0, 1, 1, 2, 2]).unwrap();
        let fit = model.fit().unwrap();
        assert_eq!(fit.boundary(), vec![0]);
        let plain = MixedModel::new(&y, ones(6).as_ref()).unwrap().fit().unwrap();
        assert!((fit.log_likelihood() - plain.log_likelihood()).abs() < 1e-10);
        assert_eq!(fit.parameters().random, [0.0]);
    }

    #[test]
    fn degenerate_data_are_errors_and_one_row_a_level_is_harmless() {
        let flat = MixedModel::new(&[2.0; 5], ones(5).as_ref()).unwrap().fit();
        assert!(matches!(flat, Err(StatsError::NoVariation { .. })));
        let mut draw = draws(4);
        let y: Vec<f64> = (0..8).map(|_| draw()).collect();
        let levels: Vec<usize> = (0..8).collect();
        // one row a level: the two variances cannot be told apart, their sum can
        let fit = MixedModel::new(&y, ones(8).as_ref()).unwrap().with_random(&levels).unwrap().fit().unwrap();
        let total = fit.parameters().random[0] + fit.parameters().residual;
        let ols = crate::stats::linear::least_squares(ones(8).as_ref(), &y, None).unwrap();
        assert!((total / ols.residual_variance() - 1.0).abs() < 1e-6);
    }
}
