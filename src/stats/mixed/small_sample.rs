//! Inference that counts the estimation of the variances: Kenward–Roger.

use super::factor::gram;
use super::fit::MixedFit;
use crate::stats::dense::{Cholesky, Mat, dot, product, quadratic_form, trace_of_product};
use crate::stats::{ContrastTest, StatsError, check};

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
}

impl SmallSample {
    pub(super) fn new(fit: &MixedFit) -> Result<Self, StatsError> {
        let workspace = &fit.workspace;
        let parameters = &workspace.parameters;
        // a variance at 0 is held fixed
        let estimated: Vec<usize> = (0..parameters.len()).filter(|&i| fit.vector[i] > 0.0).collect();
        let plain = fit.at.covariance.clone();
        let p = plain.nrows();
        let m = estimated.len();
        let mut first = vec![Mat::<f64>::zeros(p, p); m];
        let mut second = vec![Mat::<f64>::zeros(p, p); m * m]; // Q_ij
        let mut traces = Mat::<f64>::zeros(m, m); // tr(V⁻¹ V_i V⁻¹ V_j)
        for (block, factored) in workspace.blocks.iter().zip(&fit.at.blocks) {
            let derivatives = block.derivatives(parameters);
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
                inner += Mat::from_fn(p, p, |i, j| w * (second[a * m + b][(i, j)] - bias[(i, j)]));
            }
        }
        let correction = product(product(plain.as_ref(), inner.as_ref()).as_ref(), plain.as_ref());
        let adjusted = Mat::from_fn(p, p, |i, j| plain[(i, j)] + correction[(i, j)] + correction[(j, i)]);
        Ok(Self { coefficients: fit.at.coefficients.clone(), plain, adjusted, first, parameter_covariance })
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

    /// `2 (c′Φc)² / (g′Wg)` with `g_i` the derivative of `c′Φc`.
    fn degrees(&self, c: &[f64]) -> Result<f64, StatsError> {
        check::length("contrast", c.len(), self.coefficients.len())?;
        let phi_c: Vec<f64> = (0..c.len()).map(|i| (0..c.len()).map(|j| self.plain[(i, j)] * c[j]).sum()).collect();
        let g: Vec<f64> = self.first.iter().map(|p_i| -quadratic_form(p_i.as_ref(), &phi_c)).collect();
        let variance = dot(c, &phi_c);
        let uncertainty = quadratic_form(self.parameter_covariance.as_ref(), &g);
        Ok(if uncertainty > 0.0 { 2.0 * variance * variance / uncertainty } else { f64::INFINITY })
    }
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
    use super::super::MixedModel;
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
        let small = model.fit().unwrap().small_sample().unwrap();
        let expected = crate::stats::linear::paired_t(&differences).unwrap();
        let found = small.kenward_roger(&[0.0, 1.0], None).unwrap();
        assert!((found.estimate - expected.mean).abs() < 1e-9);
        assert!((found.se - expected.se).abs() < 1e-7, "{} {}", found.se, expected.se);
        assert!((found.df - expected.df).abs() < 1e-6, "{}", found.df);
        assert!((found.p - expected.p).abs() < 1e-7);
        assert!(small.kenward_roger(&[0.0, 1.0], Some(3.0)).unwrap().df == 3.0);
        assert!(small.kenward_roger(&[1.0], None).is_err());
        assert!(small.kenward_roger(&[0.0, 0.0], None).is_err());
    }
}
