//! The factor of a block's covariance: those of its parts, and what the intercept that they share adds.

use super::block::{Block, BlockDerivative};
use super::model::Parameter;
use crate::stats::dense::{Cholesky, Mat, add_product, trace_of_product};

/// A root of `V⁻¹` with `V = D + σ² 1 1′`, `D = L L′` block-diagonal: `(I − α w w′) L⁻¹` with `w = L⁻¹ 1`, where
/// `(I − α w w′)² = (I + σ² w w′)⁻¹`. Every step costs what the parts cost.
pub(super) struct Factor {
    parts: Vec<Cholesky>,
    shared: Option<Shared>,
}

struct Shared {
    /// `w`, part by part.
    whitened: Vec<Mat<f64>>,
    /// `1′D⁻¹1`.
    precision: f64,
    /// α.
    root: f64,
    /// `1 + σ² 1′D⁻¹1`.
    inflation: f64,
}

impl Factor {
    /// At these parameter values; `None` when the covariance is not positive definite.
    pub(super) fn new(block: &Block, parameters: &[Parameter], values: &[f64]) -> Option<Self> {
        let parts = block
            .parts
            .iter()
            .map(|part| Cholesky::of_owned(part.covariance(parameters, values, block.shared)))
            .collect::<Option<Vec<_>>>()?;
        let position = |k: usize| parameters.iter().position(|parameter| *parameter == Parameter::Random(k));
        let shared = block.shared.and_then(position).map(|at| {
            let ones = |part: &Cholesky| {
                let mut ones = Mat::from_fn(part.size(), 1, |_, _| 1.0);
                part.whiten(ones.as_mut());
                ones
            };
            let whitened: Vec<Mat<f64>> = parts.iter().map(ones).collect();
            let precision = sum_of_products(&whitened, &whitened);
            let inflation = 1.0 + values[at] * precision;
            let root = values[at] / (inflation.sqrt() * (inflation.sqrt() + 1.0));
            Shared { whitened, precision, root, inflation }
        });
        Some(Self { parts, shared })
    }

    /// `ln det V`.
    pub(super) fn ln_determinant(&self) -> f64 {
        let parts: f64 = self.parts.iter().map(Cholesky::ln_determinant).sum();
        parts + self.shared.as_ref().map_or(0.0, |shared| shared.inflation.ln())
    }

    /// Overwrites `B` by `S B`, `S` the root of `V⁻¹`.
    pub(super) fn whiten(&self, b: &mut [Mat<f64>]) {
        self.whiten_within(b);
        self.turn(b);
    }

    /// Overwrites `B` by `S′ B`.
    pub(super) fn whiten_transposed(&self, b: &mut [Mat<f64>]) {
        self.turn(b);
        for (part, b) in self.parts.iter().zip(b) {
            part.whiten_transposed(b.as_mut());
        }
    }

    /// `L⁻¹ B`.
    fn whiten_within(&self, b: &mut [Mat<f64>]) {
        for (part, b) in self.parts.iter().zip(b) {
            part.whiten(b.as_mut());
        }
    }

    /// `(I − α w w′) B`.
    fn turn(&self, b: &mut [Mat<f64>]) {
        let Some(shared) = &self.shared else { return };
        for j in 0..b.first().map_or(0, Mat::ncols) {
            let along = |(w, b): (&Mat<f64>, &Mat<f64>)| -> f64 {
                w.col(0).iter().zip(b.col(j).iter()).map(|(w, b)| w * b).sum()
            };
            let amount = shared.root * shared.whitened.iter().zip(b.iter()).map(along).sum::<f64>();
            for (w, b) in shared.whitened.iter().zip(b.iter_mut()) {
                for i in 0..b.nrows() {
                    b[(i, j)] -= amount * w[(i, 0)];
                }
            }
        }
    }

    /// What the traces take.
    pub(super) fn inverse(&self) -> Inverse<'_> {
        let ones = self.shared.as_ref().map_or_else(Vec::new, |shared| {
            let mut ones = shared.whitened.clone();
            for (part, ones) in self.parts.iter().zip(&mut ones) {
                part.whiten_transposed(ones.as_mut());
            }
            ones
        });
        Inverse { factor: self, parts: self.parts.iter().map(Cholesky::inverse).collect(), ones }
    }
}

/// `A′ B` of matrices in parts.
pub(super) fn gram(a: &[Mat<f64>], b: &[Mat<f64>]) -> Mat<f64> {
    let columns = |parts: &[Mat<f64>]| parts.first().map_or(0, Mat::ncols);
    let mut sum = Mat::<f64>::zeros(columns(a), columns(b));
    for (a, b) in a.iter().zip(b) {
        add_product(sum.as_mut(), a.transpose(), b.as_ref());
    }
    sum
}

/// The sum over all places of the products of two matrices in parts: `tr(A′ B)`.
pub(super) fn sum_of_products(a: &[Mat<f64>], b: &[Mat<f64>]) -> f64 {
    let of_part = |(a, b): (&Mat<f64>, &Mat<f64>)| -> f64 {
        (0..a.ncols()).map(|j| a.col(j).iter().zip(b.col(j).iter()).map(|(a, b)| a * b).sum::<f64>()).sum()
    };
    a.iter().zip(b).map(of_part).sum()
}

/// `V⁻¹ = D⁻¹ − c u u′` with `u = D⁻¹ 1`, `c = σ²/(1 + σ² 1′u)`.
pub(super) struct Inverse<'f> {
    factor: &'f Factor,
    /// `D⁻¹`.
    parts: Vec<Mat<f64>>,
    /// `u`; empty where nothing is shared.
    ones: Vec<Mat<f64>>,
}

/// A derivative with what its traces have in common.
pub(super) struct Scaled {
    /// `D⁻¹ V_i`; `None` for the shared intercept.
    parts: Option<Vec<Mat<f64>>>,
    /// `L⁻¹ V_i u`.
    whitened: Vec<Mat<f64>>,
    /// `u′ V_i u`.
    of_ones: f64,
}

impl Inverse<'_> {
    /// `1′D⁻¹1` and `1 + σ² 1′D⁻¹1`; 0 and 1 where nothing is shared.
    fn precision(&self) -> (f64, f64) {
        self.factor.shared.as_ref().map_or((0.0, 1.0), |shared| (shared.precision, shared.inflation))
    }

    /// `c`, by the square of the root: `α (2 − α 1′D⁻¹1)`.
    fn taken(&self) -> f64 {
        self.factor.shared.as_ref().map_or(0.0, |shared| shared.root * (2.0 - shared.root * shared.precision))
    }

    /// `tr(V⁻¹ V_i)`.
    pub(super) fn trace(&self, derivative: &BlockDerivative<'_>) -> f64 {
        let (precision, inflation) = self.precision();
        match derivative {
            BlockDerivative::Shared => precision / inflation,
            BlockDerivative::Parts(parts) => {
                let within: f64 =
                    parts.iter().zip(&self.parts).map(|(part, inverse)| part.trace_with(inverse.as_ref())).sum();
                within - self.taken() * sum_of_products(&self.ones, &derivative.left_multiply(&self.ones))
            }
        }
    }

    /// A derivative made ready for [`Inverse::trace_of_pair`].
    pub(super) fn scaled(&self, derivative: &BlockDerivative<'_>) -> Scaled {
        let parts = match derivative {
            BlockDerivative::Shared => None,
            BlockDerivative::Parts(parts) => Some(
                parts.iter().zip(&self.parts).map(|(part, inverse)| part.right_multiply(inverse.as_ref())).collect(),
            ),
        };
        let mut whitened = derivative.left_multiply(&self.ones);
        let of_ones = sum_of_products(&self.ones, &whitened);
        self.factor.whiten_within(&mut whitened);
        Scaled { parts, whitened, of_ones }
    }

    /// `tr(V⁻¹ V_a V⁻¹ V_b)`.
    pub(super) fn trace_of_pair(&self, a: &Scaled, b: &Scaled) -> f64 {
        let (precision, inflation) = self.precision();
        match (&a.parts, &b.parts) {
            (None, None) => (precision / inflation).powi(2),
            (None, Some(_)) => b.of_ones / (inflation * inflation),
            (Some(_), None) => a.of_ones / (inflation * inflation),
            (Some(one), Some(other)) => {
                let within: f64 =
                    one.iter().zip(other).map(|(one, other)| trace_of_product(one.as_ref(), other.as_ref())).sum();
                let c = self.taken();
                within - 2.0 * c * sum_of_products(&a.whitened, &b.whitened) + c * c * a.of_ones * b.of_ones
            }
        }
    }
}
