//! Blocks of rows that nothing connects, and their parts: covariance and derivatives of that.

use super::model::Parameter;
use crate::stats::dense::{Mat, MatRef};

/// A random intercept: the level of each row.
#[derive(Debug, Clone)]
pub(super) struct Grouping {
    pub(super) levels: Vec<usize>,
}

impl Grouping {
    pub(super) fn of_rows(&self, rows: &[usize]) -> Self {
        let mut codes = std::collections::BTreeMap::new();
        for &row in rows {
            let next = codes.len();
            codes.entry(self.levels[row]).or_insert(next);
        }
        Self { levels: rows.iter().map(|&row| codes[&self.levels[row]]).collect() }
    }

    fn count(&self) -> usize {
        self.levels.iter().max().map_or(0, |most| most + 1)
    }

    /// `A Z Z′`.
    fn right_multiply(&self, a: MatRef<'_, f64>) -> Mat<f64> {
        let mut by_level = Mat::<f64>::zeros(a.nrows(), self.count()); // A Z
        for (row, &level) in self.levels.iter().enumerate() {
            for i in 0..a.nrows() {
                by_level[(i, level)] += a[(i, row)];
            }
        }
        Mat::from_fn(a.nrows(), a.ncols(), |i, j| by_level[(i, self.levels[j])])
    }

    /// `Z Z′ B`.
    fn left_multiply(&self, b: MatRef<'_, f64>) -> Mat<f64> {
        let mut by_level = Mat::<f64>::zeros(self.count(), b.ncols()); // Z′ B
        for (row, &level) in self.levels.iter().enumerate() {
            for j in 0..b.ncols() {
                by_level[(level, j)] += b[(row, j)];
            }
        }
        Mat::from_fn(b.nrows(), b.ncols(), |i, j| by_level[(self.levels[i], j)])
    }
}

/// Rows that nothing connects to the others: parts that at most one random intercept joins.
///
/// With seasons over site-years the parts are the site-years, and the cost is that of the largest part instead of that of
/// the largest season.
#[derive(Debug, Clone)]
pub(super) struct Block {
    pub(super) parts: Vec<Part>,
    /// The random intercept that all rows of the block share, and that alone joins the parts.
    pub(super) shared: Option<usize>,
}

/// The derivative of the covariance of a block with respect to one parameter.
pub(super) enum BlockDerivative<'a> {
    /// By the variance of the shared intercept: a matrix of ones.
    Shared,
    /// By any other: nothing between the parts.
    Parts(Vec<Derivative<'a>>),
}

impl BlockDerivative<'_> {
    /// `V_i B`, part by part.
    pub(super) fn left_multiply(&self, b: &[Mat<f64>]) -> Vec<Mat<f64>> {
        match self {
            Self::Shared => {
                let sum = |j: usize| b.iter().flat_map(|part| part.col(j).iter()).sum::<f64>();
                let sums: Vec<f64> = (0..b.first().map_or(0, Mat::ncols)).map(sum).collect();
                b.iter().map(|part| Mat::from_fn(part.nrows(), part.ncols(), |_, j| sums[j])).collect()
            }
            Self::Parts(parts) => parts.iter().zip(b).map(|(part, b)| part.left_multiply(b.as_ref())).collect(),
        }
    }
}

impl Block {
    /// The derivatives of the covariance, one a parameter.
    pub(super) fn derivatives(&self, parameters: &[Parameter]) -> Vec<BlockDerivative<'_>> {
        parameters
            .iter()
            .map(|&parameter| match parameter {
                Parameter::Random(k) if Some(k) == self.shared => BlockDerivative::Shared,
                _ => BlockDerivative::Parts(self.parts.iter().map(|part| part.derivative(parameter)).collect()),
            })
            .collect()
    }
}

/// Rows of a block that more than a shared intercept connects, or that stand alone.
#[derive(Debug, Clone)]
pub(super) struct Part {
    pub(super) x: Mat<f64>,
    pub(super) y: Mat<f64>,
    pub(super) random: Vec<Grouping>,
    pub(super) inverse_weights: Vec<f64>,
}

/// The derivative of the covariance of a part with respect to one parameter.
pub(super) enum Derivative<'a> {
    Grouped(&'a Grouping),
    Diagonal(&'a [f64]),
}

impl Derivative<'_> {
    /// `A V_i`.
    pub(super) fn right_multiply(&self, a: MatRef<'_, f64>) -> Mat<f64> {
        match self {
            Self::Grouped(grouping) => grouping.right_multiply(a),
            Self::Diagonal(values) => Mat::from_fn(a.nrows(), a.ncols(), |i, j| a[(i, j)] * values[j]),
        }
    }

    /// `tr(A V_i)` for a symmetric `A`, without forming the product.
    pub(super) fn trace_with(&self, a: MatRef<'_, f64>) -> f64 {
        let n = a.nrows();
        match self {
            Self::Grouped(grouping) => {
                let mut sum = 0.0;
                for j in 0..n {
                    for i in 0..n {
                        if grouping.levels[i] == grouping.levels[j] {
                            sum += a[(i, j)];
                        }
                    }
                }
                sum
            }
            Self::Diagonal(values) => (0..n).map(|i| a[(i, i)] * values[i]).sum(),
        }
    }

    /// `V_i B`.
    pub(super) fn left_multiply(&self, b: MatRef<'_, f64>) -> Mat<f64> {
        match self {
            Self::Grouped(grouping) => grouping.left_multiply(b),
            Self::Diagonal(values) => Mat::from_fn(b.nrows(), b.ncols(), |i, j| values[i] * b[(i, j)]),
        }
    }
}

impl Part {
    pub(super) fn size(&self) -> usize {
        self.y.nrows()
    }

    /// The covariance at these parameter values, without the random effect `except`.
    pub(super) fn covariance(&self, parameters: &[Parameter], values: &[f64], except: Option<usize>) -> Mat<f64> {
        let n = self.size();
        let mut v = Mat::zeros(n, n);
        for (parameter, &value) in parameters.iter().zip(values) {
            match *parameter {
                Parameter::Random(k) if value > 0.0 && Some(k) != except => {
                    let grouping = &self.random[k];
                    for j in 0..n {
                        for i in 0..n {
                            if grouping.levels[i] == grouping.levels[j] {
                                v[(i, j)] += value;
                            }
                        }
                    }
                }
                Parameter::Residual => {
                    for i in 0..n {
                        v[(i, i)] += value * self.inverse_weights[i];
                    }
                }
                Parameter::Random(_) => {}
            }
        }
        v
    }

    /// The derivative of the covariance by one of the parameters.
    fn derivative(&self, parameter: Parameter) -> Derivative<'_> {
        match parameter {
            Parameter::Random(k) => Derivative::Grouped(&self.random[k]),
            Parameter::Residual => Derivative::Diagonal(&self.inverse_weights),
        }
    }
}
