//! The standardised precipitation index: a total as a quantile of its history, in standard deviations.

use super::distribution::{Gamma, standard_normal_quantile};
use super::{StatsError, check};

/// The index goes no further out: a history of decades says nothing of rarer totals.
const FURTHEST: f64 = 3.0;

/// A gamma distribution of the totals above 0 and the share of zeros (McKee, Doesken & Kleist 1993, Proc. 8th Conf. Applied
/// Climatology, 179–184; the shape by Thom 1958, Mon. Weather Rev. 86:117–122).
#[derive(Debug, Clone, PartialEq)]
pub struct PrecipitationIndex {
    gamma: Gamma,
    zeros: f64,
}

impl PrecipitationIndex {
    /// Fits the history: `A = ln x̄ − mean(ln x)`, `α = (1 + √(1 + 4A/3)) / (4A)`, `β = x̄ / α` over the totals above 0.
    ///
    /// # Errors
    /// Totals below 0 or not finite, fewer than two above 0, or totals that are all alike.
    pub fn fit(history: &[f64]) -> Result<Self, StatsError> {
        check::finite("totals", history)?;
        if let Some(&value) = history.iter().find(|value| **value < 0.0) {
            return Err(StatsError::OutOfRange { what: "totals", allowed: "not below 0", value });
        }
        let wet: Vec<f64> = history.iter().copied().filter(|&value| value > 0.0).collect();
        if wet.len() < 2 {
            return Err(StatsError::TooFew { what: "totals above 0", found: wet.len(), needed: 2 });
        }
        let count = wet.len() as f64;
        let mean = wet.iter().sum::<f64>() / count;
        let a = mean.ln() - wet.iter().map(|value| value.ln()).sum::<f64>() / count;
        if a <= 1e-12 {
            return Err(StatsError::NoVariation { what: "totals" });
        }
        let shape = (1.0 + (1.0 + 4.0 * a / 3.0).sqrt()) / (4.0 * a);
        let zeros = (history.len() - wet.len()) as f64 / history.len() as f64;
        Ok(Self { gamma: Gamma::new(shape, mean / shape)?, zeros })
    }

    /// Shape and scale of the distribution of the totals above 0.
    #[cfg(test)]
    pub(crate) fn shape_and_scale(&self) -> (f64, f64) {
        self.gamma.shape_and_scale()
    }

    /// The index of a total, between −3 and 3.
    pub fn of(&self, total: f64) -> f64 {
        let above = if total > 0.0 { self.gamma.cdf(total) } else { 0.0 };
        let probability = self.zeros + (1.0 - self.zeros) * above;
        if probability <= 0.0 {
            return -FURTHEST;
        }
        standard_normal_quantile(probability).map_or(FURTHEST, |index| index.clamp(-FURTHEST, FURTHEST))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows with zeros; expected values by scipy 1.17.1 and mpmath (Thom's estimator).
    #[test]
    fn a_history_with_zeros_agrees_with_another_program() {
        let history = [
            0.0, 0.0, 0.0, 12.0, 3.5, 8.25, 40.0, 22.0, 5.0, 17.5, 60.0, 31.0, 9.0, 2.0, 14.0, 27.0, 0.0, 6.0, 19.0,
            11.0,
        ];
        let index = PrecipitationIndex::fit(&history).unwrap();
        let (shape, scale) = index.shape_and_scale();
        assert!((shape - 1.574_941_622_439_816_7).abs() < 1e-10);
        assert!((scale - 11.399_232_037_685_284).abs() < 1e-9);
        for (total, expected) in [
            (0.0, -0.841_621_233_572_914_2),
            (12.0, 0.093_435_737_731_737_59),
            (3.5, -0.601_312_970_174_982_3),
            (40.0, 1.525_669_149_154_601_7),
            (60.0, 2.216_988_223_629_209_6),
            (11.0, 0.020_946_721_740_026_37),
        ] {
            assert!((index.of(total) - expected).abs() < 1e-8, "{total}: {}", index.of(total));
        }
    }

    #[test]
    fn totals_beyond_the_history_end_at_three() {
        let index = PrecipitationIndex::fit(&[90.0, 100.0, 110.0, 95.0, 104.0]).unwrap();
        assert!((index.of(0.0) + 3.0).abs() < 1e-12 && (index.of(1e6) - 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_history_that_tells_nothing_is_refused() {
        assert!(PrecipitationIndex::fit(&[5.0, 5.0, 5.0]).is_err());
        assert!(PrecipitationIndex::fit(&[0.0, 0.0, 5.0]).is_err());
        assert!(PrecipitationIndex::fit(&[1.0, -2.0]).is_err());
    }
}
