//! Weighted least squares by a pivoted QR factor with refinement in twice the working precision.

use faer::linalg::solvers::ColPivQr;

use super::compensated::Accumulator;
use crate::stats::dense::{self, Cholesky, Mat, MatRef};
use crate::stats::{StatsError, check};

/// A column whose part outside the others is below this share of the largest is taken as a repetition of them.
///
/// Columns are brought to unit length first. Indicator columns that repeat each other leave some 10⁻¹⁶, the worst of
/// the certified regression sets (a polynomial of degree 10) 10⁻⁹.
pub const RANK_TOLERANCE: f64 = 1e-12;

const REFINEMENTS: usize = 12;

/// A least-squares fit.
#[derive(Debug, Clone)]
pub struct LeastSquares {
    /// Coefficients, one a column of the design.
    pub coefficients: Vec<f64>,
    /// `(X′WX)⁻¹`.
    pub unscaled_covariance: Mat<f64>,
    /// `y − Xb`, in the unit of `y`.
    pub residuals: Vec<f64>,
    /// `Σ w (y − Xb)²`.
    pub residual_sum_of_squares: f64,
    /// Rows less columns.
    pub df: usize,
}

impl LeastSquares {
    /// The residual variance, `RSS / df`.
    pub fn residual_variance(&self) -> f64 {
        self.residual_sum_of_squares / self.df as f64
    }

    /// The standard error of each coefficient.
    pub fn standard_errors(&self) -> Vec<f64> {
        let variance = self.residual_variance();
        (0..self.coefficients.len()).map(|j| (variance * self.unscaled_covariance[(j, j)]).sqrt()).collect()
    }
}

/// Fits `y = Xb + e`, `var e = σ²/w`. `x` has one row an observation, one column a coefficient; `weights` are above 0.
///
/// Householder QR with column pivoting on columns scaled by powers of two, then refinement of coefficients and residuals
/// together in the augmented system with residuals summed in twice the working precision: Björck 1967, Iterative
/// refinement of linear least squares solutions I, BIT 7:257–278.
///
/// # Errors
/// Lengths that differ, values that are not finite, weights not above 0, collinear columns
/// ([`StatsError::RankDeficient`]), or no rows to spare ([`StatsError::NoResidualDegreesOfFreedom`]).
pub fn least_squares(x: MatRef<'_, f64>, y: &[f64], weights: Option<&[f64]>) -> Result<LeastSquares, StatsError> {
    let (n, p) = (x.nrows(), x.ncols());
    check::length("response", y.len(), n)?;
    check::finite("response", y)?;
    if let Some(weights) = weights {
        check::length("weights", weights.len(), n)?;
        check::positive("weights", weights)?;
    }
    let root = |i: usize| weights.map_or(1.0, |weights| weights[i].sqrt());
    let scaled = Scaled::new(x, root)?;
    let factor = Factor::new(&scaled)?;
    if n <= p {
        return Err(StatsError::NoResidualDegreesOfFreedom { rows: n, rank: p });
    }
    let target: Vec<f64> = (0..n).map(|i| root(i) * y[i]).collect();
    let (solution, whitened) = factor.solve(&scaled, &target);
    Ok(LeastSquares {
        coefficients: solution.iter().zip(&scaled.scales).map(|(value, scale)| value * scale).collect(),
        unscaled_covariance: factor.covariance(&scaled.scales),
        residual_sum_of_squares: whitened.iter().map(|r| r * r).sum(),
        residuals: (0..n).map(|i| whitened[i] / root(i)).collect(),
        df: n - p,
    })
}

/// The columns of a design that do not repeat the others, ascending; where several repeat each other the one that keeps
/// the most of its length comes first.
///
/// # Errors
/// A value that is not finite.
pub fn independent_columns(x: MatRef<'_, f64>) -> Result<Vec<usize>, StatsError> {
    let all = || (0..x.ncols()).collect();
    if are_plainly_independent(x) {
        return Ok(all());
    }
    match Factor::new(&Scaled::new(x, |_| 1.0)?) {
        Ok(_) => Ok(all()),
        Err(StatsError::RankDeficient { aliased, .. }) => {
            Ok((0..x.ncols()).filter(|column| !aliased.contains(column)).collect())
        }
        Err(other) => Err(other),
    }
}

/// Whether columns are so far from repeating each other that the factor of their products shows it: no part of a column outside those
/// before it is below a thousandth of it. The smallest singular value of so few columns is then far above [`RANK_TOLERANCE`].
fn are_plainly_independent(x: MatRef<'_, f64>) -> bool {
    const MOST_COLUMNS: usize = 16;
    const LEAST_PART: f64 = 1e-3;
    if x.ncols() > MOST_COLUMNS || x.nrows() <= x.ncols() {
        return false;
    }
    let products = dense::product_transposed(x, x);
    let Some(factor) = Cholesky::new(products.as_ref()) else { return false };
    let lower = factor.lower();
    // false for what is not a number
    (0..x.ncols()).all(|j| lower[(j, j)].powi(2) >= LEAST_PART.powi(2) * products[(j, j)])
}

/// The design with weighted rows and columns scaled to a length between ½ and 2.
struct Scaled {
    matrix: Mat<f64>,
    /// The power of two each column was multiplied by.
    scales: Vec<f64>,
}

impl Scaled {
    fn new(x: MatRef<'_, f64>, root: impl Fn(usize) -> f64) -> Result<Self, StatsError> {
        let mut matrix = Mat::from_fn(x.nrows(), x.ncols(), |i, j| root(i) * x[(i, j)]);
        let mut scales = Vec::with_capacity(x.ncols());
        for j in 0..matrix.ncols() {
            let column: Vec<f64> = matrix.col(j).iter().copied().collect();
            check::finite("design", &column)?;
            let largest = column.iter().fold(0.0_f64, |largest, value| largest.max(value.abs()));
            let length =
                largest * column.iter().map(|v| (v / largest.max(f64::MIN_POSITIVE)).powi(2)).sum::<f64>().sqrt();
            let scale = if length > 0.0 { (-length.log2().round()).exp2() } else { 1.0 };
            matrix.col_mut(j).iter_mut().for_each(|value| *value *= scale);
            scales.push(scale);
        }
        Ok(Self { matrix, scales })
    }
}

struct Factor {
    q: Mat<f64>,
    r: Mat<f64>,
    /// Column of the design at each column of the factor.
    order: Vec<usize>,
}

impl Factor {
    fn new(scaled: &Scaled) -> Result<Self, StatsError> {
        dense::sequential();
        let (n, p) = (scaled.matrix.nrows(), scaled.matrix.ncols());
        let qr = ColPivQr::new(scaled.matrix.as_ref());
        let order = qr.P().arrays().0.to_vec();
        let r = qr.thin_R().to_owned();
        let steps = n.min(p);
        let largest = if steps > 0 { r[(0, 0)].abs() } else { 0.0 };
        let rank = (0..steps).take_while(|&k| r[(k, k)].abs() > RANK_TOLERANCE * largest).count();
        if rank < p {
            let mut aliased = order[rank..].to_vec();
            aliased.sort_unstable();
            return Err(StatsError::RankDeficient { rank, columns: p, aliased });
        }
        Ok(Self { q: qr.compute_thin_Q(), r, order })
    }

    /// Coefficients of the scaled columns, and residuals.
    fn solve(&self, scaled: &Scaled, target: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let a = scaled.matrix.as_ref();
        let (n, p) = (a.nrows(), a.ncols());
        let (mut solution, mut residual) = (vec![0.0; p], vec![0.0; n]);
        let mut last = f64::INFINITY;
        for _ in 0..REFINEMENTS {
            // what the two equations r + A x = b and A′ r = 0 still miss
            let f: Vec<f64> = (0..n)
                .map(|i| {
                    let mut sum = Accumulator::default();
                    sum.add(target[i]);
                    sum.add(-residual[i]);
                    (0..p).for_each(|j| sum.add_product(-a[(i, j)], solution[j]));
                    sum.value()
                })
                .collect();
            let g: Vec<f64> = (0..p)
                .map(|j| {
                    let mut sum = Accumulator::default();
                    (0..n).for_each(|i| sum.add_product(-a[(i, j)], residual[i]));
                    sum.value()
                })
                .collect();
            let (step, residual_step) = self.correction(&f, &g);
            let size = step.iter().zip(&solution).fold(0.0_f64, |m, (d, s)| m.max(d.abs() / (s + d).abs().max(1e-300)));
            if size >= last {
                break; // no longer shrinking: the digits are used up
            }
            solution.iter_mut().zip(&step).for_each(|(value, d)| *value += d);
            residual.iter_mut().zip(&residual_step).for_each(|(value, d)| *value += d);
            last = size;
            if size <= 0.5 * f64::EPSILON {
                break;
            }
        }
        (solution, residual)
    }

    /// Solves `r + A x = f`, `A′ r = g`.
    fn correction(&self, f: &[f64], g: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let p = self.order.len();
        let mut h = vec![0.0; p]; // R′ h = P′ g
        for k in 0..p {
            let known: f64 = (0..k).map(|i| self.r[(i, k)] * h[i]).sum();
            h[k] = (g[self.order[k]] - known) / self.r[(k, k)];
        }
        let projected: Vec<f64> = (0..p).map(|k| self.q.col(k).iter().zip(f).map(|(q, f)| q * f).sum()).collect();
        let mut permuted = vec![0.0; p]; // R x = Q′ f − h
        for k in (0..p).rev() {
            let known: f64 = (k + 1..p).map(|j| self.r[(k, j)] * permuted[j]).sum();
            permuted[k] = (projected[k] - h[k] - known) / self.r[(k, k)];
        }
        let mut step = vec![0.0; p];
        self.order.iter().zip(&permuted).for_each(|(&column, &value)| step[column] = value);
        let residual =
            (0..f.len()).map(|i| f[i] + (0..p).map(|k| self.q[(i, k)] * (h[k] - projected[k])).sum::<f64>()).collect();
        (step, residual)
    }

    fn covariance(&self, scales: &[f64]) -> Mat<f64> {
        let p = self.order.len();
        let mut inverse = Mat::<f64>::zeros(p, p); // R⁻¹, column by column
        for column in 0..p {
            for k in (0..=column).rev() {
                let unit = if k == column { 1.0 } else { 0.0 };
                let known: f64 = (k + 1..=column).map(|j| self.r[(k, j)] * inverse[(j, column)]).sum();
                inverse[(k, column)] = (unit - known) / self.r[(k, k)];
            }
        }
        let mut covariance = Mat::zeros(p, p);
        for (row, &i) in self.order.iter().enumerate() {
            for (column, &j) in self.order.iter().enumerate() {
                let sum: f64 = (row.max(column)..p).map(|k| inverse[(row, k)] * inverse[(column, k)]).sum();
                covariance[(i, j)] = scales[i] * scales[j] * sum;
            }
        }
        covariance
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::dense::matrix;
    use proptest::prelude::*;

    #[test]
    fn only_columns_far_from_repeating_each_other_are_plainly_independent() {
        let x = |off: f64| Mat::from_fn(9, 3, |i, j| [1.0, i as f64, i as f64 + off * ((i * i) % 5) as f64][j]);
        assert!(are_plainly_independent(x(1.0).as_ref()));
        // close to it the factor with pivots has to say
        for off in [1e-4, 1e-9] {
            assert!(!are_plainly_independent(x(off).as_ref()));
            assert_eq!(independent_columns(x(off).as_ref()).unwrap(), [0, 1, 2]);
        }
        assert!(!are_plainly_independent(x(0.0).as_ref()) && independent_columns(x(0.0).as_ref()).unwrap().len() == 2);
        assert!(!are_plainly_independent(x(f64::NAN).as_ref()));
    }

    #[test]
    fn a_line_by_hand() {
        // y = 1 + 2 x, with +1 and −1 on the outer points: slope 2 − … worked by the normal equations
        let x = matrix(3, 2, &[1.0, 0.0, 1.0, 1.0, 1.0, 2.0]);
        let fit = least_squares(x.as_ref(), &[2.0, 3.0, 4.0 + 3.0], None).unwrap();
        assert!((fit.coefficients[0] - 1.5).abs() < 1e-14 && (fit.coefficients[1] - 2.5).abs() < 1e-14);
        assert!((fit.residual_sum_of_squares - 1.5).abs() < 1e-14);
        assert!((fit.standard_errors()[1] - 0.75_f64.sqrt()).abs() < 1e-14);
    }

    #[test]
    fn collinear_columns_are_named() {
        let x = matrix(4, 3, &[1.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0]);
        let error = least_squares(x.as_ref(), &[1.0, 2.0, 3.0, 5.0], None).unwrap_err();
        assert!(matches!(&error, StatsError::RankDeficient { rank: 2, columns: 3, aliased } if aliased.len() == 1));
        let kept = independent_columns(x.as_ref()).unwrap();
        assert_eq!(kept.len(), 2);
        assert!(least_squares(Mat::<f64>::zeros(3, 1).as_ref(), &[1.0; 3], None).is_err());
    }

    #[test]
    fn a_fit_without_spare_rows_is_refused() {
        let x = matrix(2, 2, &[1.0, 0.0, 1.0, 1.0]);
        let error = least_squares(x.as_ref(), &[1.0, 2.0], None).unwrap_err();
        assert_eq!(error, StatsError::NoResidualDegreesOfFreedom { rows: 2, rank: 2 });
        assert!(least_squares(x.as_ref(), &[1.0], None).is_err());
        assert!(least_squares(x.as_ref(), &[1.0, 2.0], Some(&[1.0, 0.0])).is_err());
    }

    proptest! {
        #[test]
        fn residuals_are_orthogonal_to_the_design(
            values in prop::collection::vec(-1.0_f64..1.0, 60), weights in prop::collection::vec(0.1_f64..4.0, 20),
        ) {
            let x = Mat::from_fn(20, 3, |i, j| if j == 0 { 1.0 } else { values[i * 3 + j] });
            let y: Vec<f64> = (0..20).map(|i| values[i * 3]).collect();
            let fit = least_squares(x.as_ref(), &y, Some(&weights)).unwrap();
            for j in 0..3 {
                let inner: f64 = (0..20).map(|i| weights[i] * x[(i, j)] * fit.residuals[i]).sum();
                prop_assert!(inner.abs() < 1e-12);
            }
            // weights are the numbers of equal rows
            let twice = least_squares(x.as_ref(), &y, Some(&weights.iter().map(|w| 2.0 * w).collect::<Vec<_>>())).unwrap();
            prop_assert!((twice.coefficients[1] - fit.coefficients[1]).abs() < 1e-10);
            prop_assert!((twice.residual_sum_of_squares - 2.0 * fit.residual_sum_of_squares).abs() < 1e-10);
        }

        #[test]
        fn the_unit_of_a_column_does_not_matter(factor in 1e-6_f64..1e6) {
            let x = matrix(5, 2, &[1.0, 0.3, 1.0, 1.1, 1.0, 2.4, 1.0, 3.9, 1.0, 5.2]);
            let y = [1.0, 2.0, 2.5, 4.5, 6.0];
            let scaled = Mat::from_fn(5, 2, |i, j| if j == 1 { factor * x[(i, j)] } else { 1.0 });
            let (a, b) = (least_squares(x.as_ref(), &y, None).unwrap(), least_squares(scaled.as_ref(), &y, None).unwrap());
            prop_assert!((a.coefficients[1] / (factor * b.coefficients[1]) - 1.0).abs() < 1e-13);
            prop_assert!((a.standard_errors()[1] / (factor * b.standard_errors()[1]) - 1.0).abs() < 1e-13);
        }
    }
}
