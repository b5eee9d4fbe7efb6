//! Random-effects meta-analysis and meta-regression: `y_i ~ N(x_i′β, v_i + τ²)` with known `v_i`.
//!
//! Viechtbauer 2010, Conducting meta-analyses in R, J. Stat. Softw. 36(3), gives the estimators in one notation.

mod between;
mod fit;
mod integrated;
mod multivariate;
mod weighted;

pub use between::BetweenVariance;
pub use fit::{CoefficientInference, Heterogeneity, MetaFit, Omnibus, PredictionDegrees, Shrunken};
pub use integrated::TauPosterior;
pub use multivariate::PartialPooling;

use super::dense::MatRef;
use super::{StatsError, check};

/// Estimates with their known sampling variances and a design.
#[derive(Debug, Clone, Copy)]
pub struct Estimates<'a> {
    y: &'a [f64],
    variances: &'a [f64],
    design: MatRef<'a, f64>,
}

impl<'a> Estimates<'a> {
    /// `y` and `variances` have one value an estimate, `design` one row an estimate and one column a coefficient.
    ///
    /// # Errors
    /// No estimates, lengths that differ, values that are not finite, or variances not above 0.
    pub fn new(y: &'a [f64], variances: &'a [f64], design: MatRef<'a, f64>) -> Result<Self, StatsError> {
        check::sample("estimates", y, 1)?;
        check::length("variances", variances.len(), y.len())?;
        check::positive("variances", variances)?;
        check::length("rows of the design", design.nrows(), y.len())?;
        if design.ncols() == 0 {
            return Err(StatsError::TooFew { what: "columns of the design", found: 0, needed: 1 });
        }
        for j in 0..design.ncols() {
            let column: Vec<f64> = design.col(j).iter().copied().collect();
            check::finite("design", &column)?;
        }
        Ok(Self { y, variances, design })
    }

    /// Number of estimates.
    pub fn count(&self) -> usize {
        self.y.len()
    }

    /// Number of coefficients.
    pub fn coefficients(&self) -> usize {
        self.design.ncols()
    }
}

/// What a number of estimates of one mean allows to be said.
#[derive(Debug, Clone)]
pub enum Pooling {
    /// One estimate: nothing is known of the variance between.
    Single {
        /// The estimate.
        estimate: f64,
        /// Its standard error.
        se: f64,
    },
    /// Two estimates: the variance between rests on one degree of freedom, so no pooled interval is given.
    Pair {
        /// The estimates.
        estimates: [f64; 2],
        /// Their standard errors.
        ses: [f64; 2],
        /// Cochran's test that they estimate the same.
        heterogeneity: Heterogeneity,
    },
    /// Three or more: pooled.
    Pooled(Box<MetaFit>),
}

/// Pools estimates of one mean, as far as their number allows.
///
/// # Errors
/// As [`Estimates::new`] and [`MetaFit::new`].
pub fn pool(
    y: &[f64],
    variances: &[f64],
    method: BetweenVariance,
    inference: CoefficientInference,
) -> Result<Pooling, StatsError> {
    let design = super::dense::Mat::from_fn(y.len(), 1, |_, _| 1.0);
    let estimates = Estimates::new(y, variances, design.as_ref())?;
    match (y, variances) {
        (&[estimate], &[variance]) => Ok(Pooling::Single { estimate, se: variance.sqrt() }),
        (&[a, b], &[va, vb]) => Ok(Pooling::Pair {
            estimates: [a, b],
            ses: [va.sqrt(), vb.sqrt()],
            heterogeneity: MetaFit::new(estimates, BetweenVariance::Common, CoefficientInference::Wald)?
                .heterogeneity()?,
        }),
        _ => Ok(Pooling::Pooled(Box::new(MetaFit::new(estimates, method, inference)?))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const REML: BetweenVariance = BetweenVariance::RestrictedLikelihood;

    #[test]
    fn one_and_two_estimates_are_not_pooled() {
        let single = pool(&[3.0], &[4.0], REML, CoefficientInference::KnappHartung).unwrap();
        assert!(matches!(single, Pooling::Single { estimate: 3.0, se: 2.0 }));
        let pair = pool(&[3.0, 5.0], &[4.0, 4.0], REML, CoefficientInference::KnappHartung).unwrap();
        let Pooling::Pair { estimates: [3.0, 5.0], heterogeneity, .. } = pair else { panic!("{pair:?}") };
        assert!((heterogeneity.q - 0.5).abs() < 1e-15 && heterogeneity.df == 1);
        let three = pool(&[3.0, 5.0, 4.0], &[4.0; 3], REML, CoefficientInference::KnappHartung).unwrap();
        assert!(matches!(three, Pooling::Pooled(_)));
    }

    #[test]
    fn bad_input_is_refused() {
        let fails = |y: &[f64], v: &[f64]| pool(y, v, REML, CoefficientInference::Wald).is_err();
        assert!(
            fails(&[], &[]) && fails(&[1.0], &[0.0]) && fails(&[1.0, f64::NAN], &[1.0; 2]) && fails(&[1.0], &[1.0; 2])
        );
    }
}
