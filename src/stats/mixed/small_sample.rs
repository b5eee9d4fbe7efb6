//! Inference that counts the estimation of the variances: Kenward–Roger and Satterthwaite.

use super::factor::gram;
use super::fit::MixedFit;
use super::model::Parameter;
use crate::stats::dense::{Cholesky, Mat, MatRef, dot, product, product_transposed, quadratic_form, trace_of_product};
use crate::stats::distribution::FisherF;
use crate::stats::{ContrastTest, StatsError, check};

/// An F test of several contrasts together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JointTest {
    /// F, scaled as Kenward & Roger advise.
    pub f: f64,
    /// Number of independent contrasts.
    pub numerator_df: usize,
    /// Denominator degrees of freedom.
    pub denominator_df: f64,
    /// The factor λ that F was multiplied by.
    pub scale: f64,
    /// P value.
    pub p: f64,
}

/// The pieces of Kenward & Roger 1997 at the fitted parameters; their notation.
#[derive(Debug, Clone)]
pub struct SmallSample {
    coefficients: Vec<f64>,
    /// Φ = (X′V⁻¹X)⁻¹.
    plain: Mat<f64>,
    /// `Φ_A`, Φ with the bias and the variability of the estimated V added.
    adjusted: Mat<f64>,
    /// `P_i = −X′V⁻¹ V_i V⁻¹X` of each parameter that was estimated.
    first: Vec<Mat<f64>>,
    /// W, the inverse of the expected information about those parameters.
    parameter_covariance: Mat<f64>,
    /// Positions of those parameters.
    estimated: Vec<usize>,
}

impl SmallSample {
    pub(super) fn new(fit: &MixedFit) -> Result<Self, StatsError> {
        let workspace = &fit.workspace;
        let parameters = &workspace.parameters;
        let at_limit = fit.best.status != super::SearchStatus::Converged;
        let without_sill = parameters.iter().zip(&fit.vector).any(|(p, v)| *p == Parameter::Sill && *v <= 0.0);
        // a variance at 0, or a range that was not found, is held fixed
        let estimated: Vec<usize> = (0..parameters.len())
            .filter(|&i| match parameters[i] {
                Parameter::LnRange => !at_limit && !without_sill,
                _ => fit.vector[i] > 0.0,
            })
            .collect();
        let plain = fit.at.covariance.clone();
        let p = plain.nrows();
        let m = estimated.len();
        let mut first = vec![Mat::<f64>::zeros(p, p); m];
        let mut second = vec![Mat::<f64>::zeros(p, p); m * m]; // Q_ij
        let mut curvature = vec![Mat::<f64>::zeros(p, p); m * m]; // R_ij
        let mut traces = Mat::<f64>::zeros(m, m); // tr(V⁻¹ V_i V⁻¹ V_j)
        for (block, factored) in workspace.blocks.iter().zip(&fit.at.blocks) {
            let derivatives = block.derivatives(parameters, &fit.vector, workspace.kernel());
            let inverse = factored.factor.inverse();
            let (mut whitened, mut scaled) = (Vec::with_capacity(m), Vec::with_capacity(m));
            for &i in &estimated {
                let mut turned = derivatives[i].left_multiply(&factored.weighted_x);
                first[whitened.len()] -= gram(&factored.weighted_x, &turned);
                factored.factor.whiten(&mut turned);
                whitened.push(turned);
                scaled.push(inverse.scaled(&derivatives[i]));
            }
            for a in 0..m {
                for b in 0..m {
                    second[a * m + b] += gram(&whitened[a], &whitened[b]);
                    traces[(a, b)] += inverse.trace_of_pair(&scaled[a], &scaled[b]);
                    let pair = (parameters[estimated[a]], parameters[estimated[b]]);
                    for (part, x) in block.parts.iter().zip(&factored.weighted_x) {
                        if let Some(v_ij) = part.second_derivative(parameters, &fit.vector, workspace.kernel(), pair) {
                            let turned = product(v_ij.as_ref(), x.as_ref());
                            curvature[a * m + b] += product_transposed(x.as_ref(), turned.as_ref());
                        }
                    }
                }
            }
        }
        let shrunk: Vec<Mat<f64>> = first.iter().map(|p_i| product(plain.as_ref(), p_i.as_ref())).collect(); // Φ P_i
        let information = Mat::from_fn(m, m, |a, b| {
            0.5 * (traces[(a, b)] - 2.0 * trace_of_product(plain.as_ref(), second[a * m + b].as_ref())
                + trace_of_product(shrunk[a].as_ref(), shrunk[b].as_ref()))
        });
        let parameter_covariance = invert_scaled(&information)?;
        let mut inner = Mat::<f64>::zeros(p, p);
        for a in 0..m {
            let p_phi = product(first[a].as_ref(), plain.as_ref());
            for b in 0..m {
                let bias = product(p_phi.as_ref(), first[b].as_ref());
                let w = parameter_covariance[(a, b)];
                inner += Mat::from_fn(p, p, |i, j| {
                    w * (second[a * m + b][(i, j)] - bias[(i, j)] - 0.25 * curvature[a * m + b][(i, j)])
                });
            }
        }
        let correction = product(product(plain.as_ref(), inner.as_ref()).as_ref(), plain.as_ref());
        let adjusted = Mat::from_fn(p, p, |i, j| plain[(i, j)] + correction[(i, j)] + correction[(j, i)]);
        Ok(Self { coefficients: fit.at.coefficients.clone(), plain, adjusted, first, parameter_covariance, estimated })
    }

    /// The adjusted covariance of the fixed effects.
    pub fn adjusted_covariance(&self) -> &Mat<f64> {
        &self.adjusted
    }

    /// Positions, among all covariance parameters, of those that were not at a bound.
    pub fn estimated_parameters(&self) -> &[usize] {
        &self.estimated
    }

    /// The inverse of the expected information about the covariance parameters that were not at a bound; the range
    /// enters by its logarithm.
    pub fn parameter_covariance(&self) -> &Mat<f64> {
        &self.parameter_covariance
    }

    /// The Kenward–Roger test of `c′β = 0`: adjusted standard error and degrees of freedom. `df_limit` caps the degrees
    /// of freedom, as the number of blocks less one does when a variance was estimated as 0.
    ///
    /// # Errors
    /// A contrast of the wrong length, or one without variance.
    pub fn kenward_roger(&self, c: &[f64], df_limit: Option<f64>) -> Result<ContrastTest, StatsError> {
        let df = self.degrees(c)?.min(df_limit.unwrap_or(f64::INFINITY)).max(1.0);
        let variance = quadratic_form(self.adjusted.as_ref(), c);
        ContrastTest::new(dot(c, &self.coefficients), variance.max(0.0).sqrt(), df)
    }

    /// The Satterthwaite test of `c′β = 0`: the plain standard error with the same degrees of freedom.
    ///
    /// # Errors
    /// As [`SmallSample::kenward_roger`].
    pub fn satterthwaite(&self, c: &[f64], df_limit: Option<f64>) -> Result<ContrastTest, StatsError> {
        let df = self.degrees(c)?.min(df_limit.unwrap_or(f64::INFINITY)).max(1.0);
        ContrastTest::new(dot(c, &self.coefficients), quadratic_form(self.plain.as_ref(), c).sqrt(), df)
    }

    /// `2 (c′Φc)² / (g′Wg)` with `g_i` the derivative of `c′Φc`.
    fn degrees(&self, c: &[f64]) -> Result<f64, StatsError> {
        check::length("contrast", c.len(), self.coefficients.len())?;
        let phi_c: Vec<f64> = (0..c.len()).map(|i| (0..c.len()).map(|j| self.plain[(i, j)] * c[j]).sum()).collect();
        let g: Vec<f64> = self.first.iter().map(|p_i| -quadratic_form(p_i.as_ref(), &phi_c)).collect();
        let variance = dot(c, &phi_c);
        let uncertainty = quadratic_form(self.parameter_covariance.as_ref(), &g);
        Ok(if uncertainty > 0.0 { 2.0 * variance * variance / uncertainty } else { f64::INFINITY })
    }

    /// The Kenward–Roger F test that all rows of `contrasts` (one column a fixed effect) are 0.
    ///
    /// # Errors
    /// Contrasts of the wrong width, or that depend on each other.
    pub fn kenward_roger_joint(&self, contrasts: MatRef<'_, f64>) -> Result<JointTest, StatsError> {
        check::length("columns of the contrasts", contrasts.ncols(), self.coefficients.len())?;
        let q = contrasts.nrows();
        if q == 0 {
            return Err(StatsError::TooFew { what: "contrasts", found: 0, needed: 1 });
        }
        let dependent = StatsError::NotPositiveDefinite { what: "the covariance of the contrasts" };
        let of = |covariance: MatRef<'_, f64>| product(product(contrasts, covariance).as_ref(), contrasts.transpose());
        let middle = Cholesky::new(of(self.plain.as_ref()).as_ref()).ok_or(dependent.clone())?;
        // Θ Φ with Θ = L′(LΦL′)⁻¹L
        let theta = product(contrasts.transpose(), middle.solve(contrasts).as_ref());
        let theta_phi = product(theta.as_ref(), self.plain.as_ref());
        let turned: Vec<Mat<f64>> = self
            .first
            .iter()
            .map(|p_i| product(product(theta_phi.as_ref(), p_i.as_ref()).as_ref(), self.plain.as_ref()))
            .collect();
        let trace = |a: &Mat<f64>| (0..a.nrows()).map(|i| a[(i, i)]).sum::<f64>();
        let (mut a1, mut a2) = (0.0, 0.0);
        for (a, u) in turned.iter().enumerate() {
            for (b, v) in turned.iter().enumerate() {
                let w = self.parameter_covariance[(a, b)];
                a1 += w * trace(u) * trace(v);
                a2 += w * trace_of_product(u.as_ref(), v.as_ref());
            }
        }
        let (scale, denominator_df) = scale_and_degrees(q as f64, a1, a2);
        let adjusted = Cholesky::new(of(self.adjusted.as_ref()).as_ref()).ok_or(dependent)?;
        let mut values = Mat::from_fn(q, 1, |i, _| {
            (0..contrasts.ncols()).map(|j| contrasts[(i, j)] * self.coefficients[j]).sum::<f64>()
        });
        adjusted.whiten(values.as_mut());
        let wald: f64 = values.col(0).iter().map(|value| value * value).sum();
        let f = scale * wald / q as f64;
        let p = FisherF::new(q as f64, denominator_df)?.survival(f);
        Ok(JointTest { f, numerator_df: q, denominator_df, scale, p })
    }
}

/// λ and m of Kenward & Roger 1997, section 4.
fn scale_and_degrees(q: f64, a1: f64, a2: f64) -> (f64, f64) {
    if a2 <= 0.0 {
        return (1.0, f64::INFINITY);
    }
    let b = (a1 + 6.0 * a2) / (2.0 * q);
    let g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2);
    let divisor = 3.0 * q + 2.0 * (1.0 - g);
    let (c1, c2, c3) = (g / divisor, (q - g) / divisor, (q + 2.0 - g) / divisor);
    let mean = 1.0 - a2 / q; // 1/E*
    let rounded = |value: f64| if value.abs() < 1e-10 { 0.0 } else { value };
    let (v0, v1, v2) = (rounded(1.0 + c1 * b), rounded(1.0 - c2 * b), rounded(1.0 - c3 * b));
    // both vanish together for one contrast with two degrees of freedom
    let ratio = if v1 == 0.0 && rounded(mean) == 0.0 { 1.0 } else { mean / v1 };
    let rho = ratio * ratio * v0 / (q * v2);
    let m = 4.0 + (q + 2.0) / (q * rho - 1.0);
    if !(m.is_finite() && m > 0.0) {
        return (1.0, if a2 < q { 2.0 * q / a2 } else { 1.0 });
    }
    let lambda = if (m - 2.0).abs() < 1e-2 { 1.0 } else { m * mean / (m - 2.0) };
    (lambda, m)
}

/// The inverse of an information matrix, computed on the scale of its diagonal.
fn invert_scaled(information: &Mat<f64>) -> Result<Mat<f64>, StatsError> {
    let m = information.nrows();
    let scale: Vec<f64> = (0..m).map(|i| information[(i, i)].sqrt()).collect();
    let scaled = Mat::from_fn(m, m, |i, j| information[(i, j)] / (scale[i] * scale[j]));
    let inverse = Cholesky::new(scaled.as_ref())
        .ok_or(StatsError::NotPositiveDefinite { what: "the information about the covariance parameters" })?
        .inverse();
    Ok(Mat::from_fn(m, m, |i, j| inverse[(i, j)] / (scale[i] * scale[j])))
}

#[cfg(test)]
mod tests {
    use super::super::{FitOptions, KnownBlock, MixedModel};
    use super::*;

    /// Pairs: a fixed effect of treatment, a random effect of pair.
    fn paired() -> (MixedModel, Vec<f64>) {
        let (check, treated) = ([20.1, 18.3, 25.2, 19.0, 22.4, 21.7], [24.2, 24.6, 24.0, 24.5, 25.2, 28.7]);
        let y: Vec<f64> = check.iter().chain(&treated).copied().collect();
        let x = Mat::from_fn(12, 2, |i, j| if j == 0 || i >= 6 { 1.0 } else { 0.0 });
        let pairs: Vec<usize> = (0..12).map(|i| i % 6).collect();
        let differences = check.iter().zip(&treated).map(|(c, t)| t - c).collect();
        (MixedModel::new(&y, x.as_ref()).unwrap().with_random(&pairs).unwrap(), differences)
    }

    #[test]
    fn complete_pairs_give_the_paired_t_test() {
        let (model, differences) = paired();
        let small = model.fit(&FitOptions::default()).unwrap().small_sample().unwrap();
        let expected = crate::stats::linear::paired_t(&differences).unwrap();
        for found in [small.kenward_roger(&[0.0, 1.0], None).unwrap(), small.satterthwaite(&[0.0, 1.0], None).unwrap()]
        {
            assert!((found.estimate - expected.mean).abs() < 1e-9);
            assert!((found.se - expected.se).abs() < 1e-7, "{} {}", found.se, expected.se);
            assert!((found.df - expected.df).abs() < 1e-6, "{}", found.df);
            assert!((found.p - expected.p).abs() < 1e-7);
        }
        assert!(small.kenward_roger(&[0.0, 1.0], Some(3.0)).unwrap().df == 3.0);
        assert!(small.kenward_roger(&[1.0], None).is_err());
        assert!(small.kenward_roger(&[0.0, 0.0], None).is_err());
    }

    /// Seasons over site-years over classes, in parts and as one dense matrix, which a covariance of next to nothing makes.
    #[test]
    fn parts_under_a_shared_intercept_are_the_dense_matrix() {
        let (n, season, site) = (36, |row: usize| row / 12, |row: usize| row / 3);
        let wave = |row: usize, by: f64| (by * (row + 1) as f64).sin();
        let slope: Vec<f64> = (0..n).map(|row| (row % 3) as f64 - 1.0).collect();
        let own = |row: usize| 2.0 * wave(site(row), 3.1) + 3.0 * slope[row] * wave(site(row), 5.7);
        let y: Vec<f64> = (0..n).map(|row| wave(row, 7.3) + own(row) + 4.0 * wave(season(row), 1.9)).collect();
        let x = Mat::from_fn(n, 3, |i, j| f64::from(u8::from(i % 3 == j)));
        let model = |between: f64| {
            let covariance = Mat::from_fn(n, n, |i, j| if i == j { 0.02 + 0.01 * (i % 4) as f64 } else { between });
            let known = |rows: std::ops::Range<usize>| KnownBlock {
                covariance: Mat::from_fn(rows.len(), rows.len(), |i, j| covariance[(rows.start + i, rows.start + j)]),
                rows: rows.collect(),
            };
            let blocks = if between > 0.0 { vec![known(0..n)] } else { (0..n).map(|i| known(i..i + 1)).collect() };
            MixedModel::new(&y, x.as_ref())
                .unwrap()
                .with_random(&(0..n).map(season).collect::<Vec<_>>())
                .unwrap()
                .with_random(&(0..n).map(site).collect::<Vec<_>>())
                .unwrap()
                .with_random_slope(&(0..n).map(site).collect::<Vec<_>>(), &slope)
                .unwrap()
                .with_known_covariance(blocks)
                .unwrap()
        };
        let (parts, dense) = (model(0.0), model(1e-300));
        assert_eq!((parts.blocks()[0].parts.len(), dense.blocks()[0].parts.len()), (4, 1));
        let (parts, dense) = (parts.fit(&FitOptions::default()).unwrap(), dense.fit(&FitOptions::default()).unwrap());
        assert!((parts.log_likelihood() - dense.log_likelihood()).abs() < 1e-10);
        assert!(parts.vector.iter().all(|&variance| variance > 0.0), "{:?}", parts.parameters());
        for (a, b) in parts.vector.iter().zip(&dense.vector) {
            assert!((a / b - 1.0).abs() < 1e-6, "{a} {b}");
        }
        let (a, b) = (parts.small_sample().unwrap(), dense.small_sample().unwrap());
        for i in 0..4 {
            for j in 0..4 {
                let (one, other) = (a.parameter_covariance[(i, j)], b.parameter_covariance[(i, j)]);
                assert!((one - other).abs() < 1e-6 * b.parameter_covariance[(i, i)].abs().max(other.abs()));
            }
        }
        for c in [[1.0, 0.0, 0.0], [-1.0, 0.0, 1.0]] {
            let (one, other) = (a.kenward_roger(&c, None).unwrap(), b.kenward_roger(&c, None).unwrap());
            assert!((one.se / other.se - 1.0).abs() < 1e-7 && (one.df / other.df - 1.0).abs() < 1e-5);
        }
        let (one, other) = (parts.random_deviations(0).unwrap(), dense.random_deviations(0).unwrap());
        assert!(one.iter().zip(&other).all(|(one, other)| one.0 == other.0 && (one.1 - other.1).abs() < 1e-6));
    }

    #[test]
    fn the_square_of_t_is_f() {
        let (model, _) = paired();
        let small = model.fit(&FitOptions::default()).unwrap().small_sample().unwrap();
        for c in [[0.0, 1.0], [1.0, 0.5], [1.0, 0.0]] {
            let t = small.kenward_roger(&c, None).unwrap();
            let f = small.kenward_roger_joint(Mat::from_fn(1, 2, |_, j| c[j]).as_ref()).unwrap();
            assert!((t.t * t.t / f.f - 1.0).abs() < 1e-9 && (t.df / f.denominator_df - 1.0).abs() < 1e-9);
            assert!((t.p - f.p).abs() < 1e-10);
        }
        assert!(small.kenward_roger_joint(Mat::from_fn(2, 2, |_, _| 1.0).as_ref()).is_err());
    }
}
