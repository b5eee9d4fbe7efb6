//! The dense form: exact, for any kernel, in n³; what the tests hold the others against.

use std::cmp::Ordering;

use super::{Columns, Gram, SpatialForm, check_parameters};
use crate::stats::dense::{Cholesky, Mat, MatRef, product_transposed};
use crate::stats::{Kernel, StatsError, check};

/// A field with a dense covariance.
#[derive(Debug, Clone)]
pub struct DenseField {
    columns: Columns,
    kernel: Kernel,
    distances: Mat<f64>,
}

impl DenseField {
    /// With one position a row and one column a coordinate.
    ///
    /// # Errors
    /// A number of positions that is not the number of rows.
    pub fn new(columns: Columns, kernel: Kernel, positions: MatRef<'_, f64>) -> Result<Self, StatsError> {
        check::length("positions", positions.nrows(), columns.rows())?;
        let distances = Mat::from_fn(positions.nrows(), positions.nrows(), |i, j| {
            (0..positions.ncols()).map(|c| (positions[(i, c)] - positions[(j, c)]).powi(2)).sum::<f64>().sqrt()
        });
        Self::from_distances(columns, kernel, distances)
    }

    /// With distances between all rows, one row and one column a row; infinite between rows that are independent.
    ///
    /// # Errors
    /// A matrix of the wrong size.
    pub fn from_distances(columns: Columns, kernel: Kernel, distances: Mat<f64>) -> Result<Self, StatsError> {
        check::length("rows of the distances", distances.nrows(), columns.rows())?;
        check::length("columns of the distances", distances.ncols(), columns.rows())?;
        Ok(Self { columns, kernel, distances })
    }
}

impl SpatialForm for DenseField {
    fn columns(&self) -> &Columns {
        &self.columns
    }

    fn gram(&self, range: f64, nugget: f64) -> Result<Gram, StatsError> {
        check_parameters(range, nugget)?;
        let n = self.columns.rows();
        // the factor reads the lower triangle only
        let h = Mat::from_fn(n, n, |i, j| match i.cmp(&j) {
            Ordering::Equal => (1.0 - nugget) + nugget * self.columns.inverse_weights[i],
            Ordering::Greater => (1.0 - nugget) * self.kernel.correlation(self.distances[(i, j)] / range),
            Ordering::Less => 0.0,
        });
        let factor =
            Cholesky::of_owned(h).ok_or(StatsError::NotPositiveDefinite { what: "the covariance of the rows" })?;
        let mut whitened = self.columns.matrix();
        factor.whiten(whitened.as_mut());
        Ok(Gram {
            ln_determinant: factor.ln_determinant(),
            products: product_transposed(whitened.as_ref(), whitened.as_ref()),
            rows: n,
            random: self.columns.random,
            fixed: self.columns.fixed,
        })
    }
}
