//! A fitted random-effects model and what can be read from it.

use super::between::{BetweenVariance, generalised_q_equals};
use super::weighted::Weighted;
use super::{Estimates, TauPosterior};
use crate::stats::dense::{Cholesky, Mat, column, dot, quadratic_form};
use crate::stats::distribution::{ChiSquared, FisherF, StudentT};
use crate::stats::{Interval, StatsError, check};

/// How the uncertainty of the coefficients is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CoefficientInference {
    /// `(X′WX)⁻¹` and the normal distribution.
    Wald,
    /// `q (X′WX)⁻¹` with `q = y′Py/(k − p)` and t on `k − p`: Knapp & Hartung 2003, Stat. Med. 22:2693–2710.
    KnappHartung,
    /// The same with `max(1, q)`, which never shortens the interval: Röver, Knapp & Friede 2015, BMC Med. Res. Methodol.
    /// 15:99, advised for few estimates of unequal precision.
    KnappHartungModified,
}

/// The degrees of freedom of a prediction interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PredictionDegrees {
    /// Those of the coefficients: the normal distribution for Wald inference, t on `k − p` otherwise.
    OfCoefficients,
    /// t on `k − p − 1` with the Wald standard error: Higgins, Thompson & Spiegelhalter 2009, J. R. Stat. Soc. A
    /// 172:137–159.
    OneLess,
}

/// Cochran's Q and its relatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heterogeneity {
    /// The sum of squares weighted by `1/v`.
    pub q: f64,
    /// `k − p`.
    pub df: usize,
    /// P value of the χ² test that τ² is 0.
    pub p: f64,
}

/// A joint test of several coefficients.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Omnibus {
    /// χ² for Wald inference, F otherwise.
    pub statistic: f64,
    /// Number of coefficients tested.
    pub numerator_df: usize,
    /// Denominator degrees of freedom; infinite for Wald inference.
    pub denominator_df: f64,
    /// P value.
    pub p: f64,
}

/// An estimate drawn towards its expectation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shrunken {
    /// The empirical Bayes estimate.
    pub estimate: f64,
    /// Its standard error.
    pub se: f64,
    /// Share of the estimate's own value that is kept, `τ²/(τ² + v)`.
    pub kept: f64,
}

/// A fitted model.
#[derive(Debug, Clone)]
pub struct MetaFit {
    y: Vec<f64>,
    variances: Vec<f64>,
    design: Mat<f64>,
    inference: CoefficientInference,
    /// Coefficients.
    pub coefficients: Vec<f64>,
    /// Their covariance under the chosen inference.
    pub covariance: Mat<f64>,
    /// The covariance `(X′WX)⁻¹` itself.
    pub wald_covariance: Mat<f64>,
    /// Degrees of freedom of the coefficients; infinite for Wald inference.
    pub df: f64,
    /// The variance between, in the unit of the estimates squared.
    pub tau2: f64,
    /// Its asymptotic standard error; `None` where τ² is not estimated.
    pub tau2_se: Option<f64>,
    /// `q = y′Py/(k − p)` at the estimated τ².
    pub scale: f64,
    /// The logarithm of the likelihood, all constants included.
    pub log_likelihood: f64,
    /// The logarithm of the restricted likelihood, all constants and `½ ln det X′X` included.
    pub restricted_log_likelihood: f64,
    /// `(k − p)/tr P` at τ² = 0: the typical sampling variance of Higgins & Thompson 2002.
    typical_variance: f64,
}

impl MetaFit {
    /// Fits the model.
    ///
    /// # Errors
    /// Collinear columns, or no more estimates than coefficients.
    pub fn new(
        estimates: Estimates<'_>,
        method: BetweenVariance,
        inference: CoefficientInference,
    ) -> Result<Self, StatsError> {
        let (k, p) = (estimates.count(), estimates.coefficients());
        let kept = crate::stats::linear::independent_columns(estimates.design)?;
        if kept.len() < p {
            let aliased = (0..p).filter(|column| !kept.contains(column)).collect();
            return Err(StatsError::RankDeficient { rank: kept.len(), columns: p, aliased });
        }
        if k <= p {
            return Err(StatsError::NoResidualDegreesOfFreedom { rows: k, rank: p });
        }
        let spare = (k - p) as f64;
        let estimated = method.estimate(&estimates)?;
        let at = Weighted::at(&estimates, estimated.tau2)?;
        let scale = at.quadratic / spare;
        let (inflation, df) = match inference {
            CoefficientInference::Wald => (1.0, f64::INFINITY),
            CoefficientInference::KnappHartung => (scale, spare),
            CoefficientInference::KnappHartungModified => (scale.max(1.0), spare),
        };
        let plain = Weighted::with(&estimates, vec![1.0; k])?;
        Ok(Self {
            covariance: Mat::from_fn(p, p, |i, j| inflation * at.covariance[(i, j)]),
            log_likelihood: at.log_likelihood(),
            restricted_log_likelihood: at.restricted_log_likelihood() + 0.5 * plain.ln_determinant,
            typical_variance: spare / Weighted::at(&estimates, 0.0)?.trace(&estimates),
            coefficients: at.beta,
            wald_covariance: at.covariance,
            df,
            tau2: estimated.tau2,
            tau2_se: estimated.se,
            scale,
            y: estimates.y.to_vec(),
            variances: estimates.variances.to_vec(),
            design: estimates.design.to_owned(),
            inference,
        })
    }

    /// The standard error of each coefficient.
    pub fn standard_errors(&self) -> Vec<f64> {
        (0..self.coefficients.len()).map(|j| self.covariance[(j, j)].sqrt()).collect()
    }

    /// Estimate and standard error of `c′β`.
    ///
    /// # Errors
    /// A contrast of the wrong length.
    pub fn contrast(&self, c: &[f64]) -> Result<(f64, f64), StatsError> {
        check::length("contrast", c.len(), self.coefficients.len())?;
        Ok((dot(c, &self.coefficients), quadratic_form(self.covariance.as_ref(), c).sqrt()))
    }

    /// The two-sided p value of `c′β = 0`.
    ///
    /// # Errors
    /// A contrast of the wrong length.
    pub fn p_value(&self, c: &[f64]) -> Result<f64, StatsError> {
        let (estimate, se) = self.contrast(c)?;
        Ok(StudentT::new(self.df)?.two_sided(estimate / se))
    }

    /// The confidence interval of `c′β`.
    ///
    /// # Errors
    /// A contrast of the wrong length or a level not between 0 and 1.
    pub fn interval(&self, c: &[f64], level: f64) -> Result<Interval, StatsError> {
        check::open_probability("level", level)?;
        let (estimate, se) = self.contrast(c)?;
        Ok(Interval::around(estimate, se * StudentT::new(self.df)?.quantile(0.5 + 0.5 * level)?))
    }

    /// The interval for the effect of a new case with covariates `x`, τ² plugged in. Where the inference on the coefficients
    /// gives a wider one for the mean itself, it is that one.
    ///
    /// # Errors
    /// Covariates of the wrong length, a level not between 0 and 1, or no degrees of freedom left.
    pub fn prediction_interval(
        &self,
        x: &[f64],
        level: f64,
        degrees: PredictionDegrees,
    ) -> Result<Interval, StatsError> {
        check::open_probability("level", level)?;
        let (estimate, se) = self.contrast(x)?;
        let (variance, df) = match degrees {
            PredictionDegrees::OfCoefficients => (se * se, self.df),
            PredictionDegrees::OneLess => {
                let (rows, rank) = (self.y.len(), self.coefficients.len());
                if rows < rank + 2 {
                    return Err(StatsError::NoResidualDegreesOfFreedom { rows, rank: rank + 1 });
                }
                (quadratic_form(self.wald_covariance.as_ref(), x), (rows - rank - 1) as f64)
            }
        };
        let reach = |df: f64, variance: f64| -> Result<f64, StatsError> {
            Ok(StudentT::new(df)?.quantile(0.5 + 0.5 * level)? * variance.sqrt())
        };
        Ok(Interval::around(estimate, reach(df, self.tau2 + variance)?.max(reach(self.df, se * se)?)))
    }

    /// Cochran's test that τ² is 0.
    ///
    /// # Errors
    /// None for a fitted model; the weighted sum of squares is computed anew.
    pub fn heterogeneity(&self) -> Result<Heterogeneity, StatsError> {
        let q = Weighted::at(&self.estimates(), 0.0)?.quadratic;
        let df = self.y.len() - self.coefficients.len();
        Ok(Heterogeneity { q, df, p: ChiSquared::new(df as f64)?.survival(q) })
    }

    /// I²: the share of the variation that lies between, from 0 to 1 (Higgins & Thompson 2002, Stat. Med. 21:1539–1558).
    pub fn i2(&self) -> f64 {
        self.tau2 / (self.tau2 + self.typical_variance)
    }

    /// H²: total over sampling variance.
    pub fn h2(&self) -> f64 {
        self.tau2 / self.typical_variance + 1.0
    }

    /// The interval of τ² by inversion of the generalised Q: Viechtbauer 2007, Stat. Med. 26:37–52.
    ///
    /// # Errors
    /// A level not between 0 and 1.
    pub fn tau2_interval(&self, level: f64) -> Result<Interval, StatsError> {
        check::open_probability("level", level)?;
        let chi = ChiSquared::new((self.y.len() - self.coefficients.len()) as f64)?;
        let end = |p: f64| generalised_q_equals(&self.estimates(), chi.quantile(p)?);
        Ok(Interval { lower: end(0.5 + 0.5 * level)?, upper: end(0.5 - 0.5 * level)? })
    }

    /// A joint test that the listed coefficients are all 0.
    ///
    /// # Errors
    /// No coefficients, or a position out of range.
    pub fn omnibus(&self, coefficients: &[usize]) -> Result<Omnibus, StatsError> {
        let m = coefficients.len();
        if m == 0 {
            return Err(StatsError::TooFew { what: "coefficients to test", found: 0, needed: 1 });
        }
        if let Some(&position) = coefficients.iter().find(|&&j| j >= self.coefficients.len()) {
            return Err(StatsError::OutOfRange {
                what: "position of a coefficient",
                allowed: "below their number",
                value: position as f64,
            });
        }
        let block = Mat::from_fn(m, m, |i, j| self.covariance[(coefficients[i], coefficients[j])]);
        let values: Vec<f64> = coefficients.iter().map(|&j| self.coefficients[j]).collect();
        let mut whitened = column(&values);
        Cholesky::new(block.as_ref())
            .ok_or(StatsError::NotPositiveDefinite { what: "the covariance of the tested coefficients" })?
            .whiten(whitened.as_mut());
        let quadratic: f64 = whitened.col(0).iter().map(|value| value * value).sum();
        let (statistic, p) = if self.inference == CoefficientInference::Wald {
            (quadratic, ChiSquared::new(m as f64)?.survival(quadratic))
        } else {
            (quadratic / m as f64, FisherF::new(m as f64, self.df)?.survival(quadratic / m as f64))
        };
        Ok(Omnibus { statistic, numerator_df: m, denominator_df: self.df, p })
    }

    /// Each estimate drawn towards its expectation, `λ y + (1 − λ) x′β` with `λ = τ²/(τ² + v)`: Raudenbush & Bryk 1985,
    /// J. Educ. Stat. 10:75–98. The standard error counts the uncertainty of β, not that of τ².
    pub fn shrunken(&self) -> Vec<Shrunken> {
        (0..self.y.len())
            .map(|i| {
                let x: Vec<f64> = self.design.row(i).iter().copied().collect();
                let kept = self.tau2 / (self.tau2 + self.variances[i]);
                let of_mean = quadratic_form(self.covariance.as_ref(), &x);
                Shrunken {
                    estimate: kept * self.y[i] + (1.0 - kept) * dot(&x, &self.coefficients),
                    se: (kept * self.variances[i] + (1.0 - kept) * (1.0 - kept) * of_mean).sqrt(),
                    kept,
                }
            })
            .collect()
    }

    /// The posterior with τ averaged over instead of plugged in, see [`TauPosterior`].
    ///
    /// # Errors
    /// A scale of the prior not above 0.
    pub fn integrated(&self, prior_scale: f64) -> Result<TauPosterior, StatsError> {
        TauPosterior::new(self.estimates(), prior_scale)
    }

    /// The share of the variance between that the covariates explain, from 0 to 1, given the fit without them.
    pub fn explained_between(&self, without: &Self) -> f64 {
        if without.tau2 > 0.0 { (1.0 - self.tau2 / without.tau2).max(0.0) } else { 0.0 }
    }

    fn estimates(&self) -> Estimates<'_> {
        Estimates { y: &self.y, variances: &self.variances, design: self.design.as_ref() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::dense::matrix;
    use proptest::prelude::*;

    fn fit(y: &[f64], v: &[f64], method: BetweenVariance, inference: CoefficientInference) -> MetaFit {
        let design = Mat::from_fn(y.len(), 1, |_, _| 1.0);
        MetaFit::new(Estimates::new(y, v, design.as_ref()).unwrap(), method, inference).unwrap()
    }

    #[test]
    fn equal_variances_with_knapp_hartung_are_the_t_test() {
        let y = [4.1, 6.3, -1.2, 5.5, 2.8, 7.0];
        let pooled = fit(&y, &[2.0; 6], BetweenVariance::RestrictedLikelihood, CoefficientInference::KnappHartung);
        let test = crate::stats::linear::paired_t(&y).unwrap();
        assert!((pooled.coefficients[0] - test.mean).abs() < 1e-12);
        assert!((pooled.standard_errors()[0] - test.se).abs() < 1e-12);
        assert!((pooled.p_value(&[1.0]).unwrap() - test.p).abs() < 1e-12);
    }

    #[test]
    fn agreement_gives_no_variance_between_and_no_nan() {
        let pooled = fit(
            &[1.0; 4],
            &[1.0; 4],
            BetweenVariance::RestrictedLikelihood,
            CoefficientInference::KnappHartungModified,
        );
        assert_eq!((pooled.tau2, pooled.i2(), pooled.h2()), (0.0, 0.0, 1.0));
        assert!(pooled.prediction_interval(&[1.0], 0.9, PredictionDegrees::OneLess).unwrap().width() > 0.0);
        assert!(pooled.shrunken().iter().all(|each| each.kept == 0.0 && (each.estimate - 1.0).abs() < 1e-12));
        assert_eq!(pooled.tau2_interval(0.95).unwrap().lower, 0.0);
    }

    #[test]
    fn too_many_or_repeated_columns_are_refused() {
        let (y, v) = ([1.0, 2.0, 3.0], [1.0; 3]);
        let refused = |x: Mat<f64>| {
            let estimates = Estimates::new(&y, &v, x.as_ref()).unwrap();
            MetaFit::new(estimates, BetweenVariance::RestrictedLikelihood, CoefficientInference::Wald).unwrap_err()
        };
        let square = matrix(3, 3, &[1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]);
        assert!(matches!(refused(square), StatsError::NoResidualDegreesOfFreedom { .. }));
        assert!(matches!(refused(matrix(3, 2, &[1.0; 6])), StatsError::RankDeficient { rank: 1, .. }));
        let pooled = fit(&y, &v, BetweenVariance::Common, CoefficientInference::Wald);
        assert!(pooled.omnibus(&[]).is_err() && pooled.omnibus(&[1]).is_err());
        assert!(pooled.contrast(&[1.0, 0.0]).is_err());
    }

    proptest! {
        #[test]
        fn scaling_the_estimates_scales_the_answer(
            y in prop::collection::vec(-3.0_f64..3.0, 4..9), v in prop::collection::vec(0.1_f64..2.0, 9), c in 0.1_f64..50.0,
        ) {
            let v = &v[..y.len()];
            let run = |factor: f64| {
                let y: Vec<f64> = y.iter().map(|y| factor * y).collect();
                let v: Vec<f64> = v.iter().map(|v| factor * factor * v).collect();
                fit(&y, &v, BetweenVariance::RestrictedLikelihood, CoefficientInference::KnappHartung)
            };
            let (one, scaled) = (run(1.0), run(c));
            prop_assert!((scaled.tau2 - c * c * one.tau2).abs() < 1e-9 * c * c);
            prop_assert!((scaled.coefficients[0] - c * one.coefficients[0]).abs() < 1e-9 * c);
            prop_assert!((scaled.standard_errors()[0] / (c * one.standard_errors()[0]) - 1.0).abs() < 1e-8);
        }
    }
}
