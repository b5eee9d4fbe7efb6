//! The F distribution.

use super::beta::{Argument, regularised};
use super::gamma::ChiSquared;
use crate::stats::{StatsError, check};

/// Fisher's F; infinite denominator degrees of freedom give χ²/ν.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FisherF {
    numerator: f64,
    denominator: f64,
}

impl FisherF {
    /// With degrees of freedom of the numerator (finite) and of the denominator (may be infinite).
    ///
    /// # Errors
    /// Degrees of freedom that are NaN, not above 0, or an infinite numerator.
    pub fn new(numerator: f64, denominator: f64) -> Result<Self, StatsError> {
        check::positive("numerator degrees of freedom", &[numerator])?;
        if denominator > 0.0 {
            Ok(Self { numerator, denominator })
        } else {
            Err(StatsError::OutOfRange {
                what: "denominator degrees of freedom",
                allowed: "greater than 0",
                value: denominator,
            })
        }
    }

    /// `P(F > f)`, the p value of an F test.
    pub fn survival(&self, f: f64) -> f64 {
        self.tails(f).1
    }

    fn limit(&self) -> Option<ChiSquared> {
        if self.denominator.is_infinite() { ChiSquared::new(self.numerator).ok() } else { None }
    }

    fn tails(&self, f: f64) -> (f64, f64) {
        if f <= 0.0 {
            return (0.0, 1.0);
        }
        match self.limit() {
            Some(limit) => (limit.cdf(self.numerator * f), limit.survival(self.numerator * f)),
            None => regularised(
                0.5 * self.numerator,
                0.5 * self.denominator,
                Argument::from_odds(self.numerator * f / self.denominator),
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::StudentT;
    use super::*;

    #[test]
    fn t_squared_is_f() {
        for df in [1.0, 2.5, 10.0, 45.0, 1e6, f64::INFINITY] {
            let (t_dist, f_dist) = (StudentT::new(df).unwrap(), FisherF::new(1.0, df).unwrap());
            for t in [0.1, 1.0, 2.2, 7.0] {
                let (two_sided, upper) = (t_dist.two_sided(t), f_dist.survival(t * t));
                assert!((two_sided - upper).abs() <= 1e-11 * upper, "{df} {t}: {two_sided} {upper}");
            }
        }
    }

    #[test]
    fn two_numerator_degrees_have_a_closed_form() {
        // P(F > f) = (1 + 2 f / ν)^(−ν/2)
        let f_dist = FisherF::new(2.0, 10.0).unwrap();
        assert!((f_dist.survival(3.0) - 1.6_f64.powi(-5)).abs() < 1e-15);
    }
}
