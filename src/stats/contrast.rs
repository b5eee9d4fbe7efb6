//! The t test of one contrast.

use super::StatsError;
use super::distribution::StudentT;

/// A t test of one contrast of the fixed effects.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ContrastTest {
    /// `c′β`, in the unit of the response.
    pub estimate: f64,
    /// Its standard error.
    pub se: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// `estimate / se`.
    pub t: f64,
    /// Two-sided p value.
    pub p: f64,
}

impl ContrastTest {
    /// From an estimate, its standard error and degrees of freedom.
    ///
    /// # Errors
    /// A standard error that is not finite and above 0, or degrees of freedom not above 0.
    pub fn new(estimate: f64, se: f64, df: f64) -> Result<Self, StatsError> {
        if !(se.is_finite() && se > 0.0) {
            return Err(StatsError::NoVariation { what: "contrast" });
        }
        let t = estimate / se;
        Ok(Self { estimate, se, df, t, p: StudentT::new(df)?.two_sided(t) })
    }
}
