//! The likelihood, its score and its information at given parameter values.

use super::block::Block;
use super::factor::{Factor, gram, sum_of_products};
use super::model::{CovarianceParameters, MixedModel, Parameter};
use crate::stats::dense::{Cholesky, Mat, product, product_transposed};
use crate::stats::{Kernel, StatsError};

/// Which likelihood is maximised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Estimation {
    /// The restricted likelihood: variances free of the fixed effects.
    Restricted,
    /// The full likelihood: needed to compare different fixed effects; variances biased low.
    Full,
}

/// The likelihood at fixed covariance parameters.
#[derive(Debug, Clone)]
pub struct FixedLikelihood {
    /// The logarithm of the likelihood, all constants included except `½ ln det X′X` of the restricted one.
    pub log_likelihood: f64,
    /// Generalised least-squares estimates of the fixed effects.
    pub coefficients: Vec<f64>,
    /// Their covariance, `(X′V⁻¹X)⁻¹`.
    pub covariance: Mat<f64>,
}

/// The likelihood maximised over a common factor of the whole covariance.
#[derive(Debug, Clone)]
pub struct ProfiledLikelihood {
    /// The maximising factor; with parameters given as shares of σ² it is σ² itself.
    pub factor: f64,
    /// The likelihood at the factored parameters.
    pub at: FixedLikelihood,
}

impl MixedModel {
    /// The likelihood at these covariance parameters.
    ///
    /// # Errors
    /// Parameters of the wrong number or out of range, or a covariance that is not positive definite.
    pub fn likelihood_at(
        &self,
        parameters: &CovarianceParameters,
        estimation: Estimation,
    ) -> Result<FixedLikelihood, StatsError> {
        let workspace = Workspace::new(self);
        let at = workspace.evaluate(&self.to_vector(parameters)?, estimation)?;
        Ok(at.into_fixed())
    }

    /// The likelihood at these parameters times the factor that maximises it; parameters may then be given as ratios.
    ///
    /// # Errors
    /// As [`MixedModel::likelihood_at`]; or a model with a known covariance, which has no free factor.
    pub fn profiled_likelihood_at(
        &self,
        parameters: &CovarianceParameters,
        estimation: Estimation,
    ) -> Result<ProfiledLikelihood, StatsError> {
        if self.has_known() {
            return Err(StatsError::OutOfRange {
                what: "known covariance in a profiled likelihood",
                allowed: "absent",
                value: 1.0,
            });
        }
        let workspace = Workspace::new(self);
        let vector = self.to_vector(parameters)?;
        let factor = workspace.best_factor(&vector, estimation)?;
        let scaled = workspace.scaled(&vector, factor);
        Ok(ProfiledLikelihood { factor, at: workspace.evaluate(&scaled, estimation)?.into_fixed() })
    }
}

/// A model laid out for repeated evaluation.
pub(super) struct Workspace {
    pub(super) blocks: Vec<Block>,
    pub(super) parameters: Vec<Parameter>,
    kernel: Option<Kernel>,
    rows: usize,
    columns: usize,
}

/// One block at given parameter values.
pub(super) struct Factored {
    pub(super) factor: Factor,
    /// `V⁻¹X`, part by part.
    pub(super) weighted_x: Vec<Mat<f64>>,
    /// `V⁻¹(y − Xβ)`, which is this block's share of `Py`, part by part.
    pub(super) py: Vec<Mat<f64>>,
}

/// The whole model at given parameter values.
pub(super) struct Evaluation {
    pub(super) log_likelihood: f64,
    pub(super) coefficients: Vec<f64>,
    /// `(X′V⁻¹X)⁻¹`.
    pub(super) covariance: Mat<f64>,
    /// `(y − Xβ)′V⁻¹(y − Xβ)`.
    quadratic: f64,
    pub(super) blocks: Vec<Factored>,
}

/// Score and average information.
pub(super) struct Slope {
    pub(super) score: Vec<f64>,
    pub(super) information: Mat<f64>,
}

impl Evaluation {
    fn into_fixed(self) -> FixedLikelihood {
        FixedLikelihood {
            log_likelihood: self.log_likelihood,
            coefficients: self.coefficients,
            covariance: self.covariance,
        }
    }
}

impl Workspace {
    pub(super) fn new(model: &MixedModel) -> Self {
        Self {
            blocks: model.blocks(),
            parameters: model.parameters(),
            kernel: model.kernel(),
            rows: model.rows(),
            columns: model.fixed_effects(),
        }
    }

    pub(super) fn kernel(&self) -> Option<Kernel> {
        self.kernel
    }

    /// Multiplies the variances, not the range.
    pub(super) fn scaled(&self, vector: &[f64], factor: f64) -> Vec<f64> {
        self.parameters
            .iter()
            .zip(vector)
            .map(|(parameter, &value)| if *parameter == Parameter::LnRange { value } else { factor * value })
            .collect()
    }

    /// The factor of all variances that maximises the likelihood.
    pub(super) fn best_factor(&self, vector: &[f64], estimation: Estimation) -> Result<f64, StatsError> {
        let quadratic = self.evaluate(vector, estimation)?.quadratic;
        let divisor = match estimation {
            Estimation::Restricted => self.rows - self.columns,
            Estimation::Full => self.rows,
        };
        Ok(quadratic / divisor as f64)
    }

    /// The likelihood and everything the derivatives need.
    pub(super) fn evaluate(&self, vector: &[f64], estimation: Estimation) -> Result<Evaluation, StatsError> {
        const WHAT: &str = "the covariance of the rows";
        let p = self.columns;
        let mut information = Mat::<f64>::zeros(p, p);
        let mut right = Mat::<f64>::zeros(p, 1);
        let mut ln_determinant = 0.0;
        let mut whitened = Vec::with_capacity(self.blocks.len());
        for block in &self.blocks {
            let factor = Factor::new(block, &self.parameters, vector, self.kernel)
                .ok_or(StatsError::NotPositiveDefinite { what: WHAT })?;
            ln_determinant += factor.ln_determinant();
            let mut x: Vec<Mat<f64>> = block.parts.iter().map(|part| part.x.clone()).collect();
            let mut y: Vec<Mat<f64>> = block.parts.iter().map(|part| part.y.clone()).collect();
            factor.whiten(&mut x);
            factor.whiten(&mut y);
            information += gram(&x, &x);
            right += gram(&x, &y);
            whitened.push((factor, x, y));
        }
        let of_fixed = Cholesky::new(information.as_ref())
            .ok_or(StatsError::NotPositiveDefinite { what: "the information of the fixed effects" })?;
        let beta = of_fixed.solve(right.as_ref());
        let mut quadratic = 0.0;
        let blocks = whitened
            .into_iter()
            .map(|(factor, x, mut y)| {
                for (x, y) in x.iter().zip(&mut y) {
                    *y -= product(x.as_ref(), beta.as_ref());
                    quadratic += y.col(0).iter().map(|value| value * value).sum::<f64>();
                }
                let (mut weighted_x, mut py) = (x, y);
                factor.whiten_transposed(&mut weighted_x);
                factor.whiten_transposed(&mut py);
                Factored { factor, weighted_x, py }
            })
            .collect();
        let (dimension, penalty) = match estimation {
            Estimation::Restricted => (self.rows - p, of_fixed.ln_determinant()),
            Estimation::Full => (self.rows, 0.0),
        };
        Ok(Evaluation {
            log_likelihood: -0.5
                * (dimension as f64 * std::f64::consts::TAU.ln() + ln_determinant + penalty + quadratic),
            coefficients: beta.col(0).iter().copied().collect(),
            covariance: of_fixed.inverse(),
            quadratic,
            blocks,
        })
    }

    /// `½ (y′P V_i P y − tr(P V_i))`, with `V⁻¹` for `P` in the trace of the full likelihood, and
    /// `½ y′P V_i P V_j P y`.
    pub(super) fn slope(&self, vector: &[f64], at: &Evaluation, estimation: Estimation) -> Slope {
        let (m, p) = (self.parameters.len(), self.columns);
        let mut score = vec![0.0; m];
        let mut inner = Mat::<f64>::zeros(m, m); // q_i′ V⁻¹ q_j with q_i = V_i P y
        let mut outer = Mat::<f64>::zeros(p, m); // X′ V⁻¹ q_i
        for (block, factored) in self.blocks.iter().zip(&at.blocks) {
            let inverse = factored.factor.inverse();
            // V⁻¹X Φ
            let of_fixed: Option<Vec<Mat<f64>>> = (estimation == Estimation::Restricted)
                .then(|| factored.weighted_x.iter().map(|x| product(x.as_ref(), at.covariance.as_ref())).collect());
            let mut q: Vec<Mat<f64>> = block.parts.iter().map(|part| Mat::zeros(part.size(), m)).collect();
            for (i, derivative) in block.derivatives(&self.parameters, vector, self.kernel).iter().enumerate() {
                let qi = derivative.left_multiply(&factored.py);
                score[i] += 0.5 * (sum_of_products(&factored.py, &qi) - inverse.trace(derivative));
                if let Some(of_fixed) = &of_fixed {
                    // tr(Φ X′V⁻¹ V_i V⁻¹X)
                    score[i] += 0.5 * sum_of_products(of_fixed, &derivative.left_multiply(&factored.weighted_x));
                }
                for (q, qi) in q.iter_mut().zip(&qi) {
                    q.col_mut(i).copy_from(qi.col(0));
                }
            }
            outer += gram(&factored.weighted_x, &q);
            factored.factor.whiten(&mut q);
            inner += gram(&q, &q);
        }
        let absorbed = product(at.covariance.as_ref(), outer.as_ref());
        let explained = product_transposed(outer.as_ref(), absorbed.as_ref());
        Slope { score, information: Mat::from_fn(m, m, |i, j| 0.5 * (inner[(i, j)] - explained[(i, j)])) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::model::{Residual, SpatialResidual};
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    pub(in super::super) fn example(kernel: Kernel) -> MixedModel {
        let n = 24;
        let mut random = ChaCha8Rng::seed_from_u64(3);
        let mut draw = || random.random::<f64>() * 2.0 - 1.0;
        let y: Vec<f64> = (0..n).map(|i| draw() + f64::from(i % 3)).collect();
        let x = Mat::from_fn(n as usize, 2, |_, j| if j == 0 { 1.0 } else { draw() });
        let positions = Mat::from_fn(n as usize, 2, |i, j| if j == 0 { i as f64 * 0.7 } else { draw() });
        let levels: Vec<usize> = (0..n as usize).map(|i| i / 6).collect();
        let crossed: Vec<usize> = (0..n as usize).map(|i| i % 4).collect();
        let slopes: Vec<f64> = (0..n).map(|_| draw()).collect();
        let weights: Vec<f64> = (0..n).map(|i| 1.0 + f64::from(i % 5)).collect();
        MixedModel::new(&y, x.as_ref())
            .unwrap()
            .with_random(&levels)
            .unwrap()
            .with_random_slope(&crossed, &slopes)
            .unwrap()
            .with_weights(&weights)
            .unwrap()
            .with_residual(Residual::Spatial(SpatialResidual { kernel, positions, groups: None, nugget: true }))
            .unwrap()
    }

    #[test]
    fn the_score_equals_the_difference_of_the_likelihood() {
        for kernel in Kernel::ALL {
            let model = example(kernel);
            let workspace = Workspace::new(&model);
            let vector = [0.3, 0.2, 0.5, 0.4, 1.1_f64.ln()];
            for estimation in [Estimation::Restricted, Estimation::Full] {
                let at = workspace.evaluate(&vector, estimation).unwrap();
                let slope = workspace.slope(&vector, &at, estimation);
                for i in 0..vector.len() {
                    let value = |shift: f64| {
                        let mut moved = vector;
                        moved[i] += shift;
                        workspace.evaluate(&moved, estimation).unwrap().log_likelihood
                    };
                    let difference = (value(1e-5) - value(-1e-5)) / 2e-5;
                    assert!(
                        (slope.score[i] - difference).abs() < 1e-6,
                        "{kernel:?} {i}: {} {difference}",
                        slope.score[i]
                    );
                }
            }
        }
    }

    #[test]
    fn blocks_and_one_dense_matrix_give_the_same_likelihood() {
        // a random effect that joins everything with variance 0 turns the blocks into one
        let y: Vec<f64> = (0..12).map(|i| f64::from(i * i % 7)).collect();
        let x = Mat::from_fn(12, 1, |_, _| 1.0);
        let levels: Vec<usize> = (0..12).map(|i| i / 3).collect();
        let split = MixedModel::new(&y, x.as_ref()).unwrap().with_random(&levels).unwrap();
        let joined = split.clone().with_random(&[0; 12]).unwrap();
        let mut parameters = CovarianceParameters { random: vec![0.7], residual: 1.3, sill: 0.0, range: f64::INFINITY };
        let a = split.likelihood_at(&parameters, Estimation::Restricted).unwrap();
        parameters.random.push(0.0);
        let b = joined.likelihood_at(&parameters, Estimation::Restricted).unwrap();
        assert!((a.log_likelihood - b.log_likelihood).abs() < 1e-12);
        assert!((a.coefficients[0] - b.coefficients[0]).abs() < 1e-12);
    }

    #[test]
    fn the_profiled_factor_is_a_maximum() {
        let model = example(Kernel::Exponential);
        let shares = CovarianceParameters { random: vec![0.2, 0.1], residual: 0.3, sill: 0.7, range: 2.0 };
        let best = model.profiled_likelihood_at(&shares, Estimation::Restricted).unwrap();
        for other in [0.9, 1.1] {
            let factor = best.factor * other;
            let moved = CovarianceParameters {
                random: shares.random.iter().map(|v| v * factor).collect(),
                residual: shares.residual * factor,
                sill: shares.sill * factor,
                range: shares.range,
            };
            assert!(
                model.likelihood_at(&moved, Estimation::Restricted).unwrap().log_likelihood < best.at.log_likelihood
            );
        }
    }
}
