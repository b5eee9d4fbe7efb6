//! Fitting a mixed model, from several starts.

use super::likelihood::{Evaluation, Workspace};
use super::model::{CovarianceParameters, MixedModel, Parameter};
use super::search::{ARRIVED, ROUGH_STEP, RangeBounds, SHORT_STEP, Summit, climb};
use super::small_sample::SmallSample;
use crate::stats::dense::Mat;
use crate::stats::{StatsError, check};

pub use super::likelihood::Estimation;

/// Climbs from built-in starts.
const CLIMBS: usize = 3;
/// Summits lower than the highest by more than this (likelihoods apart by a factor of 150) are not climbed to the top.
const WORTH_A_LOOK: f64 = 5.0;

/// How far the range may go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RangeLimit {
    /// Up to this many times the largest distance within a group.
    TimesLargestDistance(f64),
    /// Up to this range, in the unit of the positions.
    Absolute(f64),
}

/// Settings of a fit.
#[derive(Debug, Clone)]
pub struct FitOptions {
    /// Which likelihood.
    pub estimation: Estimation,
    /// Upper limit of the range; an optimum at the limit is reported as such, not as converged.
    pub range_limit: RangeLimit,
    /// Starts to try besides the built-in ones; only the proportions of the variances matter.
    pub starts: Vec<CovarianceParameters>,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            estimation: Estimation::Restricted,
            // ten times the extent: with a longer range the data cannot tell the kernel from a line
            range_limit: RangeLimit::TimesLargestDistance(10.0),
            starts: Vec::new(),
        }
    }
}

/// How a climb ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SearchStatus {
    /// At a maximum inside the range limits; variances may be 0.
    Converged,
    /// The likelihood still rises at the upper limit of the range: there is no finite range to report.
    RangeAtUpperLimit,
    /// The range fell below the smallest distance: no correlation over distance can be told from the nugget.
    RangeAtLowerLimit,
    /// The steps did not die down.
    NotConverged,
}

/// A local maximum that was found.
#[derive(Debug, Clone)]
pub struct Optimum {
    /// The covariance parameters.
    pub parameters: CovarianceParameters,
    /// The logarithm of the likelihood.
    pub log_likelihood: f64,
    /// How the climb ended.
    pub status: SearchStatus,
    /// Steps taken.
    pub iterations: usize,
    vector: Vec<f64>,
}

/// A fitted mixed model.
pub struct MixedFit {
    pub(super) workspace: Workspace,
    pub(super) vector: Vec<f64>,
    pub(super) at: Evaluation,
    estimation: Estimation,
    model: MixedModel,
    /// The highest maximum found.
    pub best: Optimum,
    /// Other maxima found whose log likelihood comes within 5 of the best, the highest first.
    pub others: Vec<Optimum>,
}

impl std::fmt::Debug for MixedFit {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("MixedFit")
            .field("best", &self.best)
            .field("others", &self.others)
            .finish_non_exhaustive()
    }
}

impl MixedModel {
    /// Fits the model: a climb from each start, the highest summit kept.
    ///
    /// # Errors
    /// A response without variation about the fixed effects, no pair of rows to learn a range from, or a covariance that
    /// is nowhere positive definite.
    pub fn fit(&self, options: &FitOptions) -> Result<MixedFit, StatsError> {
        let workspace = Workspace::new(self);
        let residual = crate::stats::linear::least_squares(self.x.as_ref(), &self.y, None)?;
        let size = self.y.iter().fold(0.0_f64, |largest, y| largest.max(y.abs()));
        let spread = residual.residual_variance();
        if spread.sqrt() <= 1e-12 * size && !self.has_known() {
            return Err(StatsError::NoVariation { what: "response about the fixed effects" });
        }
        let bounds = self.range_bounds(options.range_limit)?;
        let mut rough: Vec<Summit> = Vec::new();
        let mut first_error = None;
        for start in self.chosen_starts(&workspace, options, bounds, spread.max(f64::MIN_POSITIVE))? {
            match climb(&workspace, &start, options.estimation, bounds, ROUGH_STEP) {
                Ok(summit) if rough.iter().any(|other| other.is_beside(&summit)) => {}
                Ok(summit) => rough.push(summit),
                Err(error) => first_error = first_error.or(Some(error)),
            }
        }
        let highest = rough.iter().map(|summit| summit.log_likelihood).fold(f64::NEG_INFINITY, f64::max);
        let mut optima: Vec<Optimum> = Vec::new();
        for summit in rough.into_iter().filter(|summit| summit.log_likelihood > highest - WORTH_A_LOOK) {
            match climb(&workspace, &summit.vector, options.estimation, bounds, SHORT_STEP) {
                Ok(summit) => {
                    let optimum = self.optimum(&workspace, summit, bounds);
                    let known = optima.iter().any(|other| {
                        (other.log_likelihood - optimum.log_likelihood).abs() < 1e-6 && other.status == optimum.status
                    });
                    if !known {
                        optima.push(optimum);
                    }
                }
                Err(error) => first_error = first_error.or(Some(error)),
            }
        }
        optima.sort_by(|a, b| b.log_likelihood.total_cmp(&a.log_likelihood));
        let mut optima = optima.into_iter();
        let Some(best) = optima.next() else {
            return Err(first_error.unwrap_or(StatsError::NoConvergence { what: "the mixed model", iterations: 0 }));
        };
        let at = workspace.evaluate(&best.vector, options.estimation)?;
        Ok(MixedFit {
            vector: best.vector.clone(),
            at,
            workspace,
            estimation: options.estimation,
            model: self.clone(),
            best,
            others: optima.collect(),
        })
    }

    /// The given starts, and the best built-in ones: one for each range, at most [`CLIMBS`] in all.
    fn chosen_starts(
        &self,
        workspace: &Workspace,
        options: &FitOptions,
        bounds: RangeBounds,
        spread: f64,
    ) -> Result<Vec<Vec<f64>>, StatsError> {
        let scaled = |start: &[f64]| -> Result<Vec<f64>, StatsError> {
            if self.has_known() {
                return Ok(start.to_vec());
            }
            Ok(workspace.scaled(start, workspace.best_factor(start, options.estimation)?))
        };
        let mut chosen = Vec::new();
        for start in &options.starts {
            chosen.push(scaled(&self.to_vector(start)?)?);
        }
        let mut screened: Vec<(f64, Vec<f64>)> = Vec::new();
        let mut error = None;
        for group in self.built_in_starts(bounds, spread) {
            let mut best: Option<(f64, Vec<f64>)> = None;
            for start in group {
                let value = scaled(&start)
                    .and_then(|start| Ok((workspace.evaluate(&start, options.estimation)?.log_likelihood, start)));
                match value {
                    Ok(value) if best.as_ref().is_none_or(|(height, _)| value.0 > *height) => best = Some(value),
                    Ok(_) => {}
                    Err(fault) => error = Some(fault),
                }
            }
            screened.extend(best);
        }
        screened.sort_by(|a, b| b.0.total_cmp(&a.0));
        chosen.extend(screened.into_iter().take(CLIMBS).map(|(_, start)| start));
        match (chosen.is_empty(), error) {
            (true, Some(error)) => Err(error),
            _ => Ok(chosen),
        }
    }

    fn optimum(&self, workspace: &Workspace, summit: Summit, bounds: RangeBounds) -> Optimum {
        let find =
            |wanted: Parameter| workspace.parameters.iter().position(|p| *p == wanted).map(|at| summit.vector[at]);
        let (range, sill) = (find(Parameter::LnRange), find(Parameter::Sill));
        let status = match range {
            _ if summit.decrement > ARRIVED => SearchStatus::NotConverged,
            Some(_) if sill.is_some_and(|sill| sill <= 0.0) => SearchStatus::Converged,
            Some(ln_range) if ln_range >= bounds.high => SearchStatus::RangeAtUpperLimit,
            Some(ln_range) if ln_range <= bounds.low => SearchStatus::RangeAtLowerLimit,
            _ => SearchStatus::Converged,
        };
        Optimum {
            parameters: self.parameters_of(&summit.vector),
            log_likelihood: summit.log_likelihood,
            status,
            iterations: summit.iterations,
            vector: summit.vector,
        }
    }

    fn range_bounds(&self, limit: RangeLimit) -> Result<RangeBounds, StatsError> {
        if self.kernel().is_none() {
            return Ok(RangeBounds { low: f64::NEG_INFINITY, high: f64::INFINITY });
        }
        let Some((nearest, farthest)) = self.distance_span() else {
            return Err(StatsError::TooFew { what: "rows a group with different positions", found: 1, needed: 2 });
        };
        let high = match limit {
            RangeLimit::TimesLargestDistance(times) => times * farthest,
            RangeLimit::Absolute(range) => range,
        };
        check::positive("limit of the range", &[high])?;
        // a tenth of the smallest distance: the correlation of neighbours is then below 10⁻⁴ for every kernel
        let low = 0.1 * nearest;
        if low >= high {
            return Err(StatsError::OutOfRange {
                what: "limit of the range",
                allowed: "above a tenth of the smallest distance",
                value: high,
            });
        }
        Ok(RangeBounds { low: low.ln(), high: high.ln() })
    }

    /// Shares of the variance in the random effects, for each of several ranges where there is one.
    fn built_in_starts(&self, bounds: RangeBounds, spread: f64) -> Vec<Vec<Vec<f64>>> {
        let parameters = self.parameters();
        let effects = parameters.iter().filter(|p| matches!(p, Parameter::Random(_))).count();
        let ranges: Vec<f64> = match self.distance_span() {
            Some((nearest, farthest)) => [0.03, 0.12, 0.4, 1.5]
                .iter()
                .map(|share| (share * farthest).max(2.0 * nearest).ln().clamp(bounds.low, bounds.high))
                .collect(),
            None => vec![0.0],
        };
        let shares: &[f64] = if effects == 0 { &[0.0] } else { &[0.5, 0.1, 0.9] };
        let spatial = self.kernel().is_some();
        let start = |ln_range: f64, share: f64| -> Vec<f64> {
            parameters
                .iter()
                .map(|parameter| match parameter {
                    Parameter::Random(_) => spread * share / effects.max(1) as f64,
                    Parameter::Residual => spread * (1.0 - share) * if spatial { 0.25 } else { 1.0 },
                    Parameter::Sill => spread * (1.0 - share) * 0.75,
                    Parameter::LnRange => ln_range,
                })
                .collect()
        };
        if spatial {
            ranges.iter().map(|&ln_range| shares.iter().map(|&share| start(ln_range, share)).collect()).collect()
        } else {
            // without a range each share is a group of its own
            shares.iter().map(|&share| vec![start(0.0, share)]).collect()
        }
    }
}

impl MixedFit {
    /// The fixed effects.
    pub fn coefficients(&self) -> &[f64] {
        &self.at.coefficients
    }

    /// `(X′V⁻¹X)⁻¹`, not adjusted for the estimation of V.
    pub fn covariance(&self) -> &Mat<f64> {
        &self.at.covariance
    }

    /// The standard error of each fixed effect, not adjusted.
    pub fn standard_errors(&self) -> Vec<f64> {
        (0..self.coefficients().len()).map(|j| self.at.covariance[(j, j)].sqrt()).collect()
    }

    /// The covariance parameters at the best optimum.
    pub fn parameters(&self) -> &CovarianceParameters {
        &self.best.parameters
    }

    /// The logarithm of the likelihood at the best optimum.
    pub fn log_likelihood(&self) -> f64 {
        self.best.log_likelihood
    }

    /// How the search for the best optimum ended.
    pub fn status(&self) -> SearchStatus {
        self.best.status
    }

    /// The random effects (in the order they were added) whose variance is 0.
    pub fn boundary(&self) -> Vec<usize> {
        (0..self.best.parameters.random.len()).filter(|&k| self.best.parameters.random[k] <= 0.0).collect()
    }

    /// The highest maximum with a range inside its limits, where there is one.
    pub fn interior(&self) -> Option<&Optimum> {
        std::iter::once(&self.best).chain(&self.others).find(|optimum| optimum.status == SearchStatus::Converged)
    }

    /// The same fit read at another of its optima.
    ///
    /// # Errors
    /// An optimum of a different model.
    pub fn at_optimum(&self, optimum: &Optimum) -> Result<Self, StatsError> {
        check::length("parameters of the optimum", optimum.vector.len(), self.vector.len())?;
        let workspace = Workspace::new(&self.model);
        let at = workspace.evaluate(&optimum.vector, self.estimation)?;
        Ok(Self {
            vector: optimum.vector.clone(),
            at,
            workspace,
            estimation: self.estimation,
            model: self.model.clone(),
            best: optimum.clone(),
            others: Vec::new(),
        })
    }

    /// `−2 ln L + 2 k`, `k` counting fixed effects and covariance parameters.
    pub fn aic(&self) -> f64 {
        -2.0 * self.log_likelihood() + 2.0 * (self.coefficients().len() + self.vector.len()) as f64
    }

    /// What small samples need: adjusted covariance and degrees of freedom.
    ///
    /// # Errors
    /// Information about the variances that cannot be inverted.
    pub fn small_sample(&self) -> Result<SmallSample, StatsError> {
        SmallSample::new(self)
    }

    /// Predictions of the deviations of one random effect, one a level in ascending order, as `(level, prediction)`.
    ///
    /// # Errors
    /// No such random effect.
    pub fn random_deviations(&self, effect: usize) -> Result<Vec<(usize, f64)>, StatsError> {
        self.model.deviations(effect, self.best.parameters.random.get(effect).copied(), &self.at)
    }
}

#[cfg(test)]
mod tests {
    use super::super::model::{Residual, SpatialResidual};
    use super::*;
    use crate::stats::Kernel;
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
        let fit = MixedModel::new(&y, x.as_ref()).unwrap().fit(&FitOptions::default()).unwrap();
        let ols = crate::stats::linear::least_squares(x.as_ref(), &y, None).unwrap();
        assert_eq!(fit.status(), SearchStatus::Converged);
        assert!((fit.parameters().residual / ols.residual_variance() - 1.0).abs() < 1e-9);
        assert!((fit.standard_errors()[1] / ols.standard_errors()[1] - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_variance_that_is_not_there_stops_at_zero() {
        // within-group differences exceed those between: the one-way estimate would be negative
        let y = [1.0, -1.0, 1.1, -1.0, 0.9, -1.1];
        let model = MixedModel::new(&y, ones(6).as_ref()).unwrap().with_random(&[0, 0, 1, 1, 2, 2]).unwrap();
        let fit = model.fit(&FitOptions::default()).unwrap();
        assert_eq!((fit.status(), fit.boundary()), (SearchStatus::Converged, vec![0]));
        let plain = MixedModel::new(&y, ones(6).as_ref()).unwrap().fit(&FitOptions::default()).unwrap();
        assert!((fit.log_likelihood() - plain.log_likelihood()).abs() < 1e-10);
        assert_eq!(fit.parameters().random, [0.0]);
    }

    #[test]
    fn degenerate_data_are_errors_and_one_row_a_level_is_harmless() {
        let flat = MixedModel::new(&[2.0; 5], ones(5).as_ref()).unwrap().fit(&FitOptions::default());
        assert!(matches!(flat, Err(StatsError::NoVariation { .. })));
        let mut draw = draws(4);
        let y: Vec<f64> = (0..8).map(|_| draw()).collect();
        let levels: Vec<usize> = (0..8).collect();
        // one row a level: the two variances cannot be told apart, their sum can
        let fit = MixedModel::new(&y, ones(8).as_ref())
            .unwrap()
            .with_random(&levels)
            .unwrap()
            .fit(&FitOptions::default())
            .unwrap();
        let total = fit.parameters().random[0] + fit.parameters().residual;
        let ols = crate::stats::linear::least_squares(ones(8).as_ref(), &y, None).unwrap();
        assert!((total / ols.residual_variance() - 1.0).abs() < 1e-6);
        let positions = Mat::zeros(8, 1);
        let spatial =
            Residual::Spatial(SpatialResidual { kernel: Kernel::Exponential, positions, groups: None, nugget: true });
        let same_place = MixedModel::new(&y, ones(8).as_ref()).unwrap().with_residual(spatial).unwrap();
        assert!(matches!(same_place.fit(&FitOptions::default()), Err(StatsError::TooFew { .. })));
    }

    #[test]
    fn the_order_of_the_rows_does_not_matter() {
        let mut draw = draws(9);
        let positions: Vec<f64> = (0..30).map(|i| f64::from(i) + 0.3 * draw()).collect();
        let y: Vec<f64> = (0..30).map(|i| (f64::from(i) / 4.0).sin() + 0.3 * draw()).collect();
        let run = |order: &[usize]| {
            let y: Vec<f64> = order.iter().map(|&i| y[i]).collect();
            let positions = Mat::from_fn(30, 1, |i, _| positions[order[i]]);
            let spatial =
                Residual::Spatial(SpatialResidual { kernel: Kernel::Matern32, positions, groups: None, nugget: true });
            MixedModel::new(&y, ones(30).as_ref())
                .unwrap()
                .with_residual(spatial)
                .unwrap()
                .fit(&FitOptions::default())
                .unwrap()
        };
        let (plain, turned) = (run(&(0..30).collect::<Vec<_>>()), run(&(0..30).rev().collect::<Vec<_>>()));
        assert_eq!(plain.status(), SearchStatus::Converged);
        assert!((plain.log_likelihood() - turned.log_likelihood()).abs() < 1e-9);
        assert!((plain.parameters().range / turned.parameters().range - 1.0).abs() < 1e-5);
    }
}
