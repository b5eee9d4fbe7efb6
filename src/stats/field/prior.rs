//! Weak priors on the covariance of a field.

use crate::stats::{StatsError, check};

/// What is believed of the covariance before the data: independent priors on range, nugget share and the random effect.
///
/// σ² has the scale-free prior `1/σ²`; the fixed effects are flat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldPrior {
    /// Median of the range, in the unit of the positions.
    pub range_median: f64,
    /// Standard deviation of the logarithm of the range; 1 spans a factor of 7 each way with 95 %.
    pub range_ln_sd: f64,
    /// First and second parameter of the beta distribution of the nugget share; (1, 1) is uniform.
    pub nugget_beta: (f64, f64),
    /// Scale of the half-t prior of the random effect's standard deviation, in units of σ.
    pub ratio_scale: f64,
    /// Degrees of freedom of that prior: infinite for a half-normal, 1 for a half-Cauchy.
    pub ratio_df: f64,
}

impl FieldPrior {
    /// Checks the values.
    ///
    /// # Errors
    /// A value that is not finite and above 0.
    pub fn check(&self) -> Result<(), StatsError> {
        check::positive("median range of the prior", &[self.range_median])?;
        check::positive("spread of the prior of the range", &[self.range_ln_sd])?;
        check::positive("parameters of the prior of the nugget", &[self.nugget_beta.0, self.nugget_beta.1])?;
        check::positive("scale of the prior of the random effect", &[self.ratio_scale])?;
        // may be infinite
        check::positive("degrees of freedom of the prior of the random effect", &[self.ratio_df.min(f64::MAX)])
    }

    /// Log density of `ln range`, up to a constant.
    pub(super) fn of_ln_range(&self, ln_range: f64) -> f64 {
        -0.5 * ((ln_range - self.range_median.ln()) / self.range_ln_sd).powi(2)
    }

    /// Log density of the logit of the nugget share, up to a constant.
    pub(super) fn of_logit_nugget(&self, nugget: f64) -> f64 {
        self.nugget_beta.0 * nugget.ln() + self.nugget_beta.1 * (1.0 - nugget).ln()
    }

    /// Log density of the root of the ratio, up to a constant.
    pub fn of_root_ratio(&self, root: f64) -> f64 {
        let square = (root / self.ratio_scale).powi(2);
        if self.ratio_df.is_infinite() {
            -0.5 * square
        } else {
            -0.5 * (self.ratio_df + 1.0) * (square / self.ratio_df).ln_1p()
        }
    }
}
