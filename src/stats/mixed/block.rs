//! One block of rows: its covariance and the derivatives of that.

use super::model::Parameter;
use crate::stats::Kernel;
use crate::stats::dense::{Mat, MatRef, product};

/// A random effect: the level of each row, and the value its deviation is multiplied by.
#[derive(Debug, Clone)]
pub(super) struct Grouping {
    pub(super) levels: Vec<usize>,
    pub(super) values: Option<Vec<f64>>,
}

impl Grouping {
    pub(super) fn of_rows(&self, rows: &[usize]) -> Self {
        let mut codes = std::collections::BTreeMap::new();
        for &row in rows {
            let next = codes.len();
            codes.entry(self.levels[row]).or_insert(next);
        }
        Self {
            levels: rows.iter().map(|&row| codes[&self.levels[row]]).collect(),
            values: self.values.as_ref().map(|values| rows.iter().map(|&row| values[row]).collect()),
        }
    }

    fn value(&self, row: usize) -> f64 {
        self.values.as_ref().map_or(1.0, |values| values[row])
    }

    fn count(&self) -> usize {
        self.levels.iter().max().map_or(0, |most| most + 1)
    }

    /// `A Z Z′`.
    fn right_multiply(&self, a: MatRef<'_, f64>) -> Mat<f64> {
        let mut by_level = Mat::<f64>::zeros(a.nrows(), self.count()); // A Z
        for (row, &level) in self.levels.iter().enumerate() {
            let value = self.value(row);
            for i in 0..a.nrows() {
                by_level[(i, level)] += a[(i, row)] * value;
            }
        }
        Mat::from_fn(a.nrows(), a.ncols(), |i, j| by_level[(i, self.levels[j])] * self.value(j))
    }

    /// `Z Z′ B`.
    fn left_multiply(&self, b: MatRef<'_, f64>) -> Mat<f64> {
        let mut by_level = Mat::<f64>::zeros(self.count(), b.ncols()); // Z′ B
        for (row, &level) in self.levels.iter().enumerate() {
            let value = self.value(row);
            for j in 0..b.ncols() {
                by_level[(level, j)] += value * b[(row, j)];
            }
        }
        Mat::from_fn(b.nrows(), b.ncols(), |i, j| by_level[(self.levels[i], j)] * self.value(i))
    }
}

/// Rows that nothing connects to the others.
#[derive(Debug, Clone)]
pub(super) struct Block {
    pub(super) x: Mat<f64>,
    pub(super) y: Mat<f64>,
    pub(super) random: Vec<Grouping>,
    pub(super) inverse_weights: Vec<f64>,
    /// Distances within groups, infinite between groups.
    pub(super) distances: Option<Mat<f64>>,
    pub(super) known: Option<Mat<f64>>,
}

/// The derivative of the covariance with respect to one parameter.
pub(super) enum Derivative<'a> {
    Grouped(&'a Grouping),
    Diagonal(&'a [f64]),
    Full(Mat<f64>),
}

impl Derivative<'_> {
    /// `A V_i`.
    pub(super) fn right_multiply(&self, a: MatRef<'_, f64>) -> Mat<f64> {
        match self {
            Self::Grouped(grouping) => grouping.right_multiply(a),
            Self::Diagonal(values) => Mat::from_fn(a.nrows(), a.ncols(), |i, j| a[(i, j)] * values[j]),
            Self::Full(matrix) => product(a, matrix.as_ref()),
        }
    }

    /// `V_i B`.
    pub(super) fn left_multiply(&self, b: MatRef<'_, f64>) -> Mat<f64> {
        match self {
            Self::Grouped(grouping) => grouping.left_multiply(b),
            Self::Diagonal(values) => Mat::from_fn(b.nrows(), b.ncols(), |i, j| values[i] * b[(i, j)]),
            Self::Full(matrix) => product(matrix.as_ref(), b),
        }
    }
}

impl Block {
    pub(super) fn size(&self) -> usize {
        self.y.nrows()
    }

    /// The covariance at these parameter values.
    pub(super) fn covariance(&self, parameters: &[Parameter], values: &[f64], kernel: Option<Kernel>) -> Mat<f64> {
        let n = self.size();
        let mut v = match &self.known {
            Some(known) => known.clone(),
            None => Mat::zeros(n, n),
        };
        let (sill, range) = sill_and_range(parameters, values);
        if let (Some(kernel), Some(distances)) = (kernel, &self.distances) {
            for j in 0..n {
                for i in j..n {
                    let value = sill * kernel.correlation(distances[(i, j)] / range);
                    v[(i, j)] += value;
                    if i != j {
                        v[(j, i)] += value;
                    }
                }
            }
        }
        for (parameter, &value) in parameters.iter().zip(values) {
            match *parameter {
                Parameter::Random(k) if value > 0.0 => {
                    let grouping = &self.random[k];
                    for j in 0..n {
                        for i in 0..n {
                            if grouping.levels[i] == grouping.levels[j] {
                                v[(i, j)] += value * grouping.value(i) * grouping.value(j);
                            }
                        }
                    }
                }
                Parameter::Residual => {
                    for i in 0..n {
                        v[(i, i)] += value * self.inverse_weights[i];
                    }
                }
                Parameter::Random(_) | Parameter::Sill | Parameter::LnRange => {}
            }
        }
        v
    }

    /// The derivatives of the covariance, one a parameter.
    pub(super) fn derivatives<'a>(
        &'a self,
        parameters: &[Parameter],
        values: &[f64],
        kernel: Option<Kernel>,
    ) -> Vec<Derivative<'a>> {
        let (sill, range) = sill_and_range(parameters, values);
        parameters
            .iter()
            .map(|parameter| match *parameter {
                Parameter::Random(k) => Derivative::Grouped(&self.random[k]),
                Parameter::Residual => Derivative::Diagonal(&self.inverse_weights),
                Parameter::Sill => self.spatial(range, |u| kernel.map_or(0.0, |kernel| kernel.correlation(u))),
                Parameter::LnRange => {
                    self.spatial(range, |u| kernel.map_or(0.0, |kernel| sill * kernel.range_derivatives(u).0))
                }
            })
            .collect()
    }

    /// The second derivative by the parameters `i` and `j`, where it is not 0.
    pub(super) fn second_derivative(
        &self,
        parameters: &[Parameter],
        values: &[f64],
        kernel: Option<Kernel>,
        pair: (Parameter, Parameter),
    ) -> Option<Mat<f64>> {
        let (sill, range) = sill_and_range(parameters, values);
        let of = |f: &dyn Fn(f64) -> f64| match self.spatial(range, f) {
            Derivative::Full(matrix) => Some(matrix),
            _ => None,
        };
        let kernel = kernel?;
        match pair {
            (Parameter::LnRange, Parameter::LnRange) => of(&|u| sill * kernel.range_derivatives(u).1),
            (Parameter::LnRange, Parameter::Sill) | (Parameter::Sill, Parameter::LnRange) => {
                of(&|u| kernel.range_derivatives(u).0)
            }
            _ => None,
        }
    }

    fn spatial(&self, range: f64, of: impl Fn(f64) -> f64) -> Derivative<'static> {
        let n = self.size();
        let mut matrix = Mat::zeros(n, n);
        if let Some(distances) = &self.distances {
            for j in 0..n {
                for i in j..n {
                    let value = of(distances[(i, j)] / range);
                    matrix[(i, j)] = value;
                    matrix[(j, i)] = value;
                }
            }
        }
        Derivative::Full(matrix)
    }
}

fn sill_and_range(parameters: &[Parameter], values: &[f64]) -> (f64, f64) {
    let find = |wanted: Parameter| parameters.iter().position(|p| *p == wanted).map(|at| values[at]);
    (find(Parameter::Sill).unwrap_or(0.0), find(Parameter::LnRange).map_or(f64::INFINITY, f64::exp))
}
