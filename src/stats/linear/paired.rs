//! The paired t test.

use crate::stats::{Interval, StatsError, check, distribution::StudentT};

/// A paired t test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairedT {
    /// Mean difference, in the unit of the differences.
    pub mean: f64,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// Standard error of the mean.
    pub se: f64,
    /// `mean / se`.
    pub t: f64,
    /// Pairs less one.
    pub df: f64,
    /// Two-sided p value.
    pub p: f64,
}

/// Tests whether the mean of the differences is zero: Student 1908, Biometrika 6:1–25.
///
/// # Errors
/// Fewer than two differences, a value that is not finite, or differences that do not vary.
pub fn paired_t(differences: &[f64]) -> Result<PairedT, StatsError> {
    check::sample("paired differences", differences, 2)?;
    let n = differences.len() as f64;
    let mean = differences[0] + differences.iter().map(|d| d - differences[0]).sum::<f64>() / n;
    let sd = (differences.iter().map(|d| (d - mean) * (d - mean)).sum::<f64>() / (n - 1.0)).sqrt();
    let largest = differences.iter().fold(0.0_f64, |largest, d| largest.max(d.abs()));
    if sd <= 1e-14 * largest {
        return Err(StatsError::NoVariation { what: "paired differences" });
    }
    let se = sd / n.sqrt();
    let t = mean / se;
    Ok(PairedT { mean, sd, se, t, df: n - 1.0, p: StudentT::new(n - 1.0)?.two_sided(t) })
}

impl PairedT {
    /// The t interval of the mean difference.
    ///
    /// # Errors
    /// A level not between 0 and 1.
    pub fn interval(&self, level: f64) -> Result<Interval, StatsError> {
        check::open_probability("level", level)?;
        Ok(Interval::around(self.mean, self.se * StudentT::new(self.df)?.quantile(0.5 + 0.5 * level)?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_differences_by_hand() {
        let test = paired_t(&[1.0, 3.0]).unwrap();
        assert!((test.mean - 2.0).abs() < 1e-15 && (test.se - 1.0).abs() < 1e-15 && (test.t - 2.0).abs() < 1e-15);
        assert!((test.p - 2.0 * (0.5 - 2.0_f64.atan() / std::f64::consts::PI)).abs() < 1e-15);
        assert!(test.interval(0.9).unwrap().contains(2.0));
    }

    #[test]
    fn equal_or_single_differences_are_refused() {
        assert_eq!(paired_t(&[2.0, 2.0]), Err(StatsError::NoVariation { what: "paired differences" }));
        assert!(matches!(paired_t(&[2.0]), Err(StatsError::TooFew { .. })));
    }
}
