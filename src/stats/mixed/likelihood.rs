//! The likelihood, its score and its information at given parameter values.

use super::block::Block;
use super::factor::{Factor, gram, sum_of_products};
use super::model::{MixedModel, Parameter};
use crate::stats::StatsError;
use crate::stats::dense::{Cholesky, Mat, product, product_transposed};

/// A model laid out for repeated evaluation.
pub(super) struct Workspace {
    pub(super) blocks: Vec<Block>,
    pub(super) parameters: Vec<Parameter>,
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

impl Workspace {
    pub(super) fn new(model: &MixedModel) -> Self {
        Self {
            blocks: model.blocks(),
            parameters: model.parameters(),
            rows: model.rows(),
            columns: model.fixed_effects(),
        }
    }

    /// The factor of all variances that maximises the likelihood.
    pub(super) fn best_factor(&self, vector: &[f64]) -> Result<f64, StatsError> {
        Ok(self.evaluate(vector)?.quadratic / (self.rows - self.columns) as f64)
    }

    /// The restricted likelihood, all constants included except `½ ln det X′X`, and everything its derivatives need.
    pub(super) fn evaluate(&self, vector: &[f64]) -> Result<Evaluation, StatsError> {
        const WHAT: &str = "the covariance of the rows";
        let p = self.columns;
        let mut information = Mat::<f64>::zeros(p, p);
        let mut right = Mat::<f64>::zeros(p, 1);
        let mut ln_determinant = 0.0;
        let mut whitened = Vec::with_capacity(self.blocks.len());
        for block in &self.blocks {
            let factor =
                Factor::new(block, &self.parameters, vector).ok_or(StatsError::NotPositiveDefinite { what: WHAT })?;
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
        let dimension = (self.rows - p) as f64 * std::f64::consts::TAU.ln();
        Ok(Evaluation {
            log_likelihood: -0.5 * (dimension + ln_determinant + of_fixed.ln_determinant() + quadratic),
            coefficients: beta.col(0).iter().copied().collect(),
            covariance: of_fixed.inverse(),
            quadratic,
            blocks,
        })
    }

    /// `½ (y′P V_i P y − tr(P V_i))` and `½ y′P V_i P V_j P y`.
    pub(super) fn slope(&self, at: &Evaluation) -> Slope {
        let (m, p) = (self.parameters.len(), self.columns);
        let mut score = vec![0.0; m];
        let mut inner = Mat::<f64>::zeros(m, m); // q_i′ V⁻¹ q_j with q_i = V_i P y
        let mut outer = Mat::<f64>::zeros(p, m); // X′ V⁻¹ q_i
        for (block, factored) in self.blocks.iter().zip(&at.blocks) {
            let inverse = factored.factor.inverse();
            // V⁻¹X Φ
            let of_fixed: Vec<Mat<f64>> =
                factored.weighted_x.iter().map(|x| product(x.as_ref(), at.covariance.as_ref())).collect();
            let mut q: Vec<Mat<f64>> = block.parts.iter().map(|part| Mat::zeros(part.size(), m)).collect();
            for (i, derivative) in block.derivatives(&self.parameters).iter().enumerate() {
                let qi = derivative.left_multiply(&factored.py);
                score[i] += 0.5 * (sum_of_products(&factored.py, &qi) - inverse.trace(derivative));
                // tr(Φ X′V⁻¹ V_i V⁻¹X)
                score[i] += 0.5 * sum_of_products(&of_fixed, &derivative.left_multiply(&factored.weighted_x));
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
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    #[test]
    fn the_score_equals_the_difference_of_the_likelihood() {
        let n = 24_usize;
        let mut random = ChaCha8Rng::seed_from_u64(3);
        let mut draw = || random.random::<f64>() * 2.0 - 1.0;
        let y: Vec<f64> = (0..n).map(|i| draw() + (i % 3) as f64).collect();
        let x = Mat::from_fn(n, 2, |_, j| if j == 0 { 1.0 } else { draw() });
        let levels: Vec<usize> = (0..n).map(|i| i / 6).collect();
        let crossed: Vec<usize> = (0..n).map(|i| i % 4).collect();
        let weights: Vec<f64> = (0..n).map(|i| 1.0 + (i % 5) as f64).collect();
        let model = MixedModel::new(&y, x.as_ref())
            .unwrap()
            .with_random(&levels)
            .unwrap()
            .with_random(&crossed)
            .unwrap()
            .with_weights(&weights)
            .unwrap();
        let workspace = Workspace::new(&model);
        let vector = [0.3, 0.2, 0.9];
        let slope = workspace.slope(&workspace.evaluate(&vector).unwrap());
        for i in 0..vector.len() {
            let value = |shift: f64| {
                let mut moved = vector;
                moved[i] += shift;
                workspace.evaluate(&moved).unwrap().log_likelihood
            };
            let difference = (value(1e-5) - value(-1e-5)) / 2e-5;
            assert!((slope.score[i] - difference).abs() < 1e-6, "{i}: {} {difference}", slope.score[i]);
        }
        // σ² that maximises the likelihood at these shares
        let factor = workspace.best_factor(&vector).unwrap();
        let at = |factor: f64| workspace.evaluate(&vector.map(|value| factor * value)).unwrap().log_likelihood;
        assert!(at(factor) > at(0.9 * factor) && at(factor) > at(1.1 * factor));
    }

    #[test]
    fn blocks_and_one_dense_matrix_give_the_same_likelihood() {
        // a random effect that joins everything with variance 0 turns the blocks into one
        let y: Vec<f64> = (0..12).map(|i| f64::from(i * i % 7)).collect();
        let x = Mat::from_fn(12, 1, |_, _| 1.0);
        let levels: Vec<usize> = (0..12).map(|i| i / 3).collect();
        let split = MixedModel::new(&y, x.as_ref()).unwrap().with_random(&levels).unwrap();
        let joined = split.clone().with_random(&[0; 12]).unwrap();
        let a = Workspace::new(&split).evaluate(&[0.7, 1.3]).unwrap();
        let b = Workspace::new(&joined).evaluate(&[0.7, 0.0, 1.3]).unwrap();
        assert!((a.log_likelihood - b.log_likelihood).abs() < 1e-12);
        assert!((a.coefficients[0] - b.coefficients[0]).abs() < 1e-12);
    }

    /// Seasons over site-years over rows, in parts and as one matrix, which a crossed effect of variance 0 makes.
    #[test]
    fn parts_under_a_shared_intercept_are_the_dense_matrix() {
        let n = 36_usize;
        let wave = |row: usize, by: f64| (by * (row + 1) as f64).sin();
        let y: Vec<f64> =
            (0..n).map(|row| wave(row, 7.3) + 2.0 * wave(row / 3, 3.1) + 4.0 * wave(row / 12, 1.9)).collect();
        let x = Mat::from_fn(n, 3, |i, j| f64::from(u8::from(i % 3 == j)));
        let levels = |size: usize| (0..n).map(|row| row / size).collect::<Vec<_>>();
        let parts = MixedModel::new(&y, x.as_ref()).unwrap().with_random(&levels(12)).unwrap();
        let parts = parts.with_random(&levels(3)).unwrap();
        let dense = parts.clone().with_random(&(0..n).map(|row| row % 5).collect::<Vec<_>>()).unwrap();
        let (parts, dense) = (Workspace::new(&parts), Workspace::new(&dense));
        assert_eq!((parts.blocks[0].parts.len(), dense.blocks[0].parts.len()), (4, 1));
        let (a, b) = (parts.evaluate(&[0.8, 0.5, 1.1]).unwrap(), dense.evaluate(&[0.8, 0.5, 0.0, 1.1]).unwrap());
        assert!((a.log_likelihood - b.log_likelihood).abs() < 1e-10);
        let (a, b) = (parts.slope(&a), dense.slope(&b));
        for (i, k) in [0, 1, 3].into_iter().enumerate() {
            assert!((a.score[i] - b.score[k]).abs() < 1e-9, "{i}");
            for (j, l) in [0, 1, 3].into_iter().enumerate() {
                assert!((a.information[(i, j)] - b.information[(k, l)]).abs() < 1e-9, "{i} {j}");
            }
        }
    }
}
