//! Pooling the site-years' own estimates: random effects by restricted likelihood, with the modified Knapp–Hartung
//! adjustment, which few and unequal studies need (Röver, Knapp & Friede 2015, BMC Med. Res. Methodol. 15:99).

use crate::stats::meta::{BetweenVariance, CoefficientInference, Estimates, MetaFit};
use crate::stats::{ContrastTest, StatsError};

/// The fit of the estimates.
///
/// # Errors
/// As the meta-analysis's.
pub(super) fn fit(estimates: Estimates<'_>) -> Result<MetaFit, StatsError> {
    MetaFit::new(estimates, BetweenVariance::RestrictedLikelihood, CoefficientInference::KnappHartungModified)
}

/// The test of a contrast of the means, and the standard deviation between site-years.
///
/// # Errors
/// As the meta-analysis's.
pub(super) fn pool(estimates: Estimates<'_>, contrast: &[f64]) -> Result<(ContrastTest, f64), StatsError> {
    let fit = fit(estimates)?;
    let (mean, std_error) = fit.contrast(contrast)?;
    Ok((ContrastTest::new(mean, std_error, fit.df)?, fit.tau2.sqrt()))
}
