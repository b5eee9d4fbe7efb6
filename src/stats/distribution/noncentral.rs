//! The non-central t distribution, for the power of a t test.

use super::beta::{Argument, ln_gamma, power_terms, regularised};
use super::gamma::ChiSquared;
use super::normal::standard_normal_cdf;
use crate::stats::{StatsError, check};

/// Beyond this the series would underflow; the defining integral is taken instead.
const SERIES_UP_TO: f64 = 37.0;

/// Non-central t: `(Z + δ) / √(χ²_ν / ν)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoncentralT {
    df: f64,
    noncentrality: f64,
}

impl NoncentralT {
    /// With degrees of freedom (may be infinite) and non-centrality δ.
    ///
    /// # Errors
    /// Degrees of freedom that are NaN or not above 0, a non-centrality that is not finite.
    pub fn new(df: f64, noncentrality: f64) -> Result<Self, StatsError> {
        check::finite("non-centrality", &[noncentrality])?;
        if df > 0.0 {
            Ok(Self { df, noncentrality })
        } else {
            Err(StatsError::OutOfRange { what: "degrees of freedom", allowed: "greater than 0", value: df })
        }
    }

    /// `P(T ≤ t)` to about 12 decimals by the series of Lenth 1989, Algorithm AS 243, Appl. Stat. 38:185–189; for
    /// `|δ| > 37` by Simpson's rule on `∫ Φ(t s − δ) dP(χ_ν/√ν ≤ s)`.
    pub fn cdf(&self, t: f64) -> f64 {
        if t < 0.0 { 1.0 - self.upper_half(-t, -self.noncentrality) } else { self.upper_half(t, self.noncentrality) }
    }

    /// `P(T > t)`.
    pub fn survival(&self, t: f64) -> f64 {
        1.0 - self.cdf(t)
    }

    fn upper_half(&self, t: f64, delta: f64) -> f64 {
        let nu = self.df;
        if nu.is_infinite() {
            return standard_normal_cdf(t - delta);
        }
        if delta.abs() > SERIES_UP_TO {
            return self.by_integration(t, delta);
        }
        let base = standard_normal_cdf(-delta);
        if t <= 0.0 {
            return base;
        }
        let at = Argument::from_odds(t * t / nu);
        let x = at.x;
        let half = 0.5 * delta * delta;
        let b = 0.5 * nu;
        let mut a = 0.5;
        let mut p = 0.5 * (-half).exp();
        let mut q = (2.0 / std::f64::consts::PI).sqrt() * p * delta;
        let mut left = 0.5 - p; // what the Poisson weights still have to give
        let tail = (b * at.ln_complement).exp(); // (1 − x)^b
        let mut odd = regularised(a, b, at).0;
        let mut odd_step = 2.0 * power_terms(a, b, at);
        let mut even = -(b * at.ln_complement).exp_m1();
        let mut even_step = b * x * tail;
        let mut sum = p * odd + q * even;
        for n in 1..4000_u32 {
            let n = f64::from(n);
            a += 1.0;
            odd -= odd_step;
            even -= even_step;
            odd_step *= x * (a + b - 1.0) / a;
            even_step *= x * (a + b - 0.5) / (a + 0.5);
            p *= half / n;
            q *= 2.0 * half / (2.0 * n + 1.0);
            left -= p;
            sum += p * odd + q * even;
            if n > half && 2.0 * left * (odd - odd_step) < 1e-14 {
                break;
            }
        }
        (base + sum).clamp(0.0, 1.0)
    }

    fn by_integration(&self, t: f64, delta: f64) -> f64 {
        const STEPS: u32 = 2000;
        let Ok(chi) = ChiSquared::new(self.df) else { return f64::NAN };
        // twelve standard deviations of χ/√ν, which are near 1/√(2ν)
        let reach = 12.0 / (2.0 * self.df).sqrt();
        let (low, high) = ((1.0 - reach).max(0.0), 1.0 + reach);
        let step = (high - low) / f64::from(STEPS);
        let value = |s: f64| {
            if s <= 0.0 {
                0.0
            } else {
                standard_normal_cdf(t * s - delta) * chi.pdf(self.df * s * s) * 2.0 * self.df * s
            }
        };
        let sum: f64 = (0..=STEPS)
            .map(|i| {
                let factor = if i == 0 || i == STEPS { 1.0 } else { 2.0 + 2.0 * f64::from(i % 2) };
                factor * value(low + step * f64::from(i))
            })
            .sum();
        (sum * step / 3.0).clamp(0.0, 1.0)
    }

    /// The mean, `δ √(ν/2) Γ((ν−1)/2) / Γ(ν/2)`, where `ν > 1`.
    pub fn mean(&self) -> Option<f64> {
        if self.df.is_infinite() {
            return Some(self.noncentrality);
        }
        (self.df > 1.0).then(|| {
            let nu = self.df;
            self.noncentrality * (0.5 * nu).sqrt() * (ln_gamma(0.5 * (nu - 1.0)) - ln_gamma(0.5 * nu)).exp()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::StudentT;
    use super::*;

    /// `∫ Φ(t √(w/ν) − δ) dF(w)` over the quantiles of χ², midpoint rule.
    fn over_quantiles(df: f64, delta: f64, t: f64) -> f64 {
        let chi = ChiSquared::new(df).unwrap();
        let steps = 20_000;
        (0..steps)
            .map(|i| chi.quantile((f64::from(i) + 0.5) / f64::from(steps)).unwrap())
            .map(|w| standard_normal_cdf(t * (w / df).sqrt() - delta))
            .sum::<f64>()
            / f64::from(steps)
    }

    #[test]
    fn the_series_equals_the_defining_integral() {
        for (df, delta, t) in [(3.0, 1.0, 2.0), (5.0, -2.0, 1.0), (8.0, 3.0, -0.5), (2.0, 4.0, 6.0), (29.0, 6.0, 5.0)] {
            let found = NoncentralT::new(df, delta).unwrap().cdf(t);
            let expected = over_quantiles(df, delta, t);
            assert!((found - expected).abs() < 2e-6, "{df} {delta} {t}: {found} {expected}");
        }
    }

    #[test]
    fn without_noncentrality_it_is_students_t() {
        for t in [-3.0, -0.2, 0.0, 1.5] {
            let (found, expected) = (NoncentralT::new(7.0, 0.0).unwrap().cdf(t), StudentT::new(7.0).unwrap().cdf(t));
            assert!((found - expected).abs() < 1e-13, "{t}");
        }
        assert_eq!(NoncentralT::new(f64::INFINITY, 1.0).unwrap().cdf(1.0), 0.5);
    }

    #[test]
    fn the_integral_joins_the_series() {
        let (inside, outside) =
            (NoncentralT::new(50.0, 36.999_999_9).unwrap(), NoncentralT::new(50.0, 37.000_000_1).unwrap());
        assert!((inside.cdf(38.0) - outside.cdf(38.0)).abs() < 1e-7);
        assert!(NoncentralT::new(0.0, 1.0).is_err() && NoncentralT::new(5.0, f64::NAN).is_err());
    }
}
