//! Dense matrices: a Cholesky factor and products, always sequential so that results have the same bits at any number
//! of threads.

use faer::linalg::matmul::matmul;
use faer::linalg::triangular_inverse::invert_lower_triangular;
use faer::linalg::triangular_solve::{solve_lower_triangular_in_place, solve_upper_triangular_in_place};
use faer::{Accum, Par};
pub use faer::{Mat, MatMut, MatRef};

/// A row-major table as a matrix.
#[cfg(test)]
pub(crate) fn matrix(rows: usize, columns: usize, row_major: &[f64]) -> Mat<f64> {
    assert_eq!(row_major.len(), rows * columns, "one value a cell");
    Mat::from_fn(rows, columns, |i, j| row_major[i * columns + j])
}

/// One column.
#[must_use]
pub fn column(values: &[f64]) -> Mat<f64> {
    Mat::from_fn(values.len(), 1, |i, _| values[i])
}

/// Sides up to which a matrix is worked on by plain loops, and multiplications up to which a product is: the library's
/// setting up costs more than such work itself (a synthesis has thousands of site-years with a few classes each).
const SMALL: usize = 8;
const FEW: usize = 1_000;

/// `A B`.
pub fn product(a: MatRef<'_, f64>, b: MatRef<'_, f64>) -> Mat<f64> {
    let mut result = Mat::zeros(a.nrows(), b.ncols());
    add_product(result.as_mut(), a, b);
    result
}

/// Adds `A B` to `C`.
pub fn add_product(mut c: MatMut<'_, f64>, a: MatRef<'_, f64>, b: MatRef<'_, f64>) {
    if a.nrows() * a.ncols() * b.ncols() > FEW {
        return matmul(c, Accum::Add, a, b, 1.0, Par::Seq);
    }
    for j in 0..b.ncols() {
        for k in 0..a.ncols() {
            let factor = b[(k, j)];
            for i in 0..a.nrows() {
                c[(i, j)] += a[(i, k)] * factor;
            }
        }
    }
}

/// `A′ B`.
pub fn product_transposed(a: MatRef<'_, f64>, b: MatRef<'_, f64>) -> Mat<f64> {
    product(a.transpose(), b)
}

/// `a′ b`.
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// `c′ A c`.
pub fn quadratic_form(a: MatRef<'_, f64>, c: &[f64]) -> f64 {
    (0..a.ncols()).map(|j| c[j] * (0..a.nrows()).map(|i| c[i] * a[(i, j)]).sum::<f64>()).sum()
}

/// `tr(A B)` of square matrices.
pub fn trace_of_product(a: MatRef<'_, f64>, b: MatRef<'_, f64>) -> f64 {
    (0..a.ncols()).map(|j| (0..a.nrows()).map(|i| a[(i, j)] * b[(j, i)]).sum::<f64>()).sum()
}

/// The lower Cholesky factor of a symmetric positive definite matrix.
#[derive(Debug, Clone)]
pub struct Cholesky {
    factor: Mat<f64>,
}

impl Cholesky {
    /// Factors a matrix, reading its lower triangle; `None` when it is not positive definite to working accuracy.
    pub fn new(a: MatRef<'_, f64>) -> Option<Self> {
        Self::of_owned(a.to_owned())
    }

    /// [`Cholesky::new`] in the memory of the matrix.
    pub fn of_owned(mut a: Mat<f64>) -> Option<Self> {
        let before: Vec<f64> = (0..a.nrows()).map(|i| a[(i, i)]).collect();
        if a.nrows() <= SMALL {
            factor_small(a.as_mut());
        } else {
            factor_large(a.as_mut())?;
        }
        // a pivot that is rounding error of its own diagonal means a singular matrix
        let sound = |i: usize| {
            let pivot = a[(i, i)];
            pivot.is_finite() && pivot > 0.0 && pivot * pivot > 4.0 * f64::EPSILON * before[i]
        };
        (0..a.nrows()).all(sound).then_some(Self { factor: a })
    }

    /// Number of rows.
    pub fn size(&self) -> usize {
        self.factor.nrows()
    }

    /// The factor; only its lower triangle has meaning.
    pub fn lower(&self) -> MatRef<'_, f64> {
        self.factor.as_ref()
    }

    /// `ln det A`.
    pub fn ln_determinant(&self) -> f64 {
        2.0 * (0..self.size()).map(|i| self.factor[(i, i)].ln()).sum::<f64>()
    }

    /// Overwrites `B` by `L⁻¹ B`.
    pub fn whiten(&self, mut b: MatMut<'_, f64>) {
        if self.size() <= SMALL {
            for j in 0..b.ncols() {
                for i in 0..self.size() {
                    let known: f64 = (0..i).map(|k| self.factor[(i, k)] * b[(k, j)]).sum();
                    b[(i, j)] = (b[(i, j)] - known) / self.factor[(i, i)];
                }
            }
            return;
        }
        solve_lower_triangular_in_place(self.factor.as_ref(), b, Par::Seq);
    }

    /// Overwrites `B` by `L′⁻¹ B`.
    pub fn whiten_transposed(&self, mut b: MatMut<'_, f64>) {
        let n = self.size();
        if n <= SMALL {
            for j in 0..b.ncols() {
                for i in (0..n).rev() {
                    let known: f64 = (i + 1..n).map(|k| self.factor[(k, i)] * b[(k, j)]).sum();
                    b[(i, j)] = (b[(i, j)] - known) / self.factor[(i, i)];
                }
            }
            return;
        }
        solve_upper_triangular_in_place(self.factor.transpose(), b, Par::Seq);
    }

    /// `A⁻¹ B`.
    pub fn solve(&self, b: MatRef<'_, f64>) -> Mat<f64> {
        let mut result = b.to_owned();
        self.whiten(result.as_mut());
        self.whiten_transposed(result.as_mut());
        result
    }

    /// `A⁻¹`, both triangles.
    pub fn inverse(&self) -> Mat<f64> {
        if self.size() <= SMALL {
            let mut inverse = Mat::identity(self.size(), self.size());
            self.whiten(inverse.as_mut());
            return product_transposed(inverse.as_ref(), inverse.as_ref());
        }
        let mut inverse = Mat::zeros(self.size(), self.size());
        invert_lower_triangular(inverse.as_mut(), self.factor.as_ref(), Par::Seq);
        product_transposed(inverse.as_ref(), inverse.as_ref())
    }
}

/// Overwrites the lower triangle by the factor; pivots that are not above 0 come out as no number.
fn factor_small(mut a: MatMut<'_, f64>) {
    for j in 0..a.ncols() {
        for i in j..a.nrows() {
            let known: f64 = (0..j).map(|k| a[(i, k)] * a[(j, k)]).sum();
            let left = a[(i, j)] - known;
            a[(i, j)] = if i == j { left.sqrt() } else { left / a[(j, j)] };
        }
    }
}

/// The same by the library; `None` when it finds the matrix not to be positive definite.
fn factor_large(a: MatMut<'_, f64>) -> Option<()> {
    use faer::dyn_stack::{MemBuffer, MemStack};
    use faer::linalg::cholesky::llt::factor::{
        LltParams, LltRegularization, cholesky_in_place, cholesky_in_place_scratch,
    };
    let params = faer::Spec::<LltParams, f64>::default();
    let mut memory = MemBuffer::new(cholesky_in_place_scratch::<f64>(a.nrows(), Par::Seq, params));
    cholesky_in_place(a, LltRegularization::default(), Par::Seq, MemStack::new(&mut memory), params).ok().map(|_| ())
}

/// Makes the library's own operators and decompositions sequential; called where one is used that takes no such
/// argument.
pub(crate) fn sequential() {
    static ONCE: std::sync::Once = std::sync::Once::new();
    ONCE.call_once(|| faer::set_global_parallelism(Par::Seq));
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn spread(a: MatRef<'_, f64>, b: MatRef<'_, f64>) -> f64 {
        (0..a.ncols())
            .flat_map(|j| (0..a.nrows()).map(move |i| (i, j)))
            .map(|at| (a[at] - b[at]).abs())
            .fold(0.0, f64::max)
    }

    proptest! {
        #[test]
        fn the_matrix_is_rebuilt_from_its_factor(n in 1_usize..40, values in prop::collection::vec(-1.0_f64..1.0, 1600)) {
            let root = Mat::from_fn(n, n, |i, j| values[i * 40 + j]);
            let mut a = product_transposed(root.as_ref(), root.as_ref());
            for i in 0..n {
                a[(i, i)] += 0.5;
            }
            let cholesky = Cholesky::new(a.as_ref()).unwrap();
            let lower = Mat::from_fn(n, n, |i, j| if i >= j { cholesky.lower()[(i, j)] } else { 0.0 });
            prop_assert!(spread(product(lower.as_ref(), lower.transpose()).as_ref(), a.as_ref()) < 1e-12);
            let identity = product(cholesky.inverse().as_ref(), a.as_ref());
            prop_assert!(spread(identity.as_ref(), Mat::<f64>::identity(n, n).as_ref()) < 1e-9);
            let solved = cholesky.solve(a.as_ref());
            prop_assert!(spread(solved.as_ref(), Mat::<f64>::identity(n, n).as_ref()) < 1e-9);
        }
    }

    #[test]
    fn singular_and_nan_matrices_have_no_factor() {
        assert!(Cholesky::new(matrix(2, 2, &[1.0, 1.0, 1.0, 1.0]).as_ref()).is_none());
        assert!(Cholesky::new(matrix(1, 1, &[f64::NAN]).as_ref()).is_none());
        assert!(Cholesky::new(matrix(1, 1, &[-1.0]).as_ref()).is_none());
        assert!(Cholesky::new(matrix(1, 1, &[4.0]).as_ref()).is_some_and(|c| c.ln_determinant() == 4.0_f64.ln()));
    }
}
