//! Student's t distribution.

use super::beta::{Argument, ln_beta, regularised};
use super::normal::{standard_normal_cdf, standard_normal_pdf, standard_normal_quantile};
use super::solve::positive_quantile;
use crate::stats::{StatsError, check};

/// From here on the expansion of [`StudentT::normal_score`] is exact in double precision.
const EXPANSION_FROM: f64 = 3000.0;

/// Student's t with any positive degrees of freedom, infinity (the normal distribution) included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudentT {
    df: f64,
}

impl StudentT {
    /// With the given degrees of freedom; infinity gives the normal distribution.
    ///
    /// # Errors
    /// Degrees of freedom that are NaN or not above 0.
    pub fn new(df: f64) -> Result<Self, StatsError> {
        if df > 0.0 {
            Ok(Self { df })
        } else {
            Err(StatsError::OutOfRange { what: "degrees of freedom", allowed: "greater than 0", value: df })
        }
    }

    /// The degrees of freedom.
    pub fn df(&self) -> f64 {
        self.df
    }

    /// The density at `t`.
    pub fn pdf(&self, t: f64) -> f64 {
        self.density()(t)
    }

    /// [`Self::pdf`] for many places: what does not depend on the place is found once.
    pub(super) fn density(&self) -> impl Fn(f64) -> f64 {
        let (df, is_normal) = (self.df, self.df.is_infinite());
        let (ln_whole, root) = if is_normal { (0.0, 1.0) } else { (ln_beta(0.5, 0.5 * df), df.sqrt()) };
        move |t: f64| {
            if is_normal {
                return standard_normal_pdf(t);
            }
            let exponent = -0.5 * (df + 1.0) * (t * t / df).ln_1p() - ln_whole;
            exponent.exp() / root
        }
    }

    /// `P(T ≤ t)`.
    pub fn cdf(&self, t: f64) -> f64 {
        self.survival(-t)
    }

    /// `P(T > t)`, exact in the far tail too.
    pub fn survival(&self, t: f64) -> f64 {
        if self.df.is_infinite() {
            return standard_normal_cdf(-t);
        }
        if self.df >= EXPANSION_FROM {
            return standard_normal_cdf(-self.normal_score(t));
        }
        let outside = 0.5 * regularised(0.5, 0.5 * self.df, Argument::from_odds(t * t / self.df)).1;
        if t >= 0.0 { outside } else { 1.0 - outside }
    }

    /// `P(|T| ≥ |t|)`, the two-sided p value.
    pub fn two_sided(&self, t: f64) -> f64 {
        (2.0 * self.survival(t.abs())).min(1.0)
    }

    /// The value below which a share `p` lies.
    ///
    /// # Errors
    /// `p` not between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<f64, StatsError> {
        check::open_probability("probability", p)?;
        if self.df.is_infinite() {
            return standard_normal_quantile(p);
        }
        let tail = p.min(1.0 - p);
        if tail >= 0.5 {
            return Ok(0.0);
        }
        let guess = self.guess(tail)?;
        let size = positive_quantile(tail, guess, false, |t| self.survival(t), self.density());
        Ok(if p < 0.5 { -size } else { size })
    }

    /// The normal deviate with the same tail: Hill 1970, Algorithm 395: Student's t-distribution, Commun. ACM 13:617–619.
    fn normal_score(self, t: f64) -> f64 {
        let a = self.df - 0.5;
        let b = 48.0 * a * a;
        let y = a * (t * t / self.df).ln_1p();
        let second = (((-0.4 * y - 3.3) * y - 24.0) * y - 85.5) / (0.8 * y * y + 100.0 + b);
        (((second + y + 3.0) / b + 1.0) * y.sqrt()).copysign(t)
    }

    /// The normal quantile stretched by the first terms of the Cornish–Fisher expansion (Abramowitz & Stegun 26.7.5),
    /// or the power law of the tail where few degrees of freedom make it heavier.
    fn guess(self, tail: f64) -> Result<f64, StatsError> {
        let z = -standard_normal_quantile(tail)?;
        let expansion = z + (z * z * z + z) / (4.0 * self.df);
        let nu = self.df;
        let power = (nu.sqrt().ln() - (tail.ln() + nu.ln() + ln_beta(0.5, 0.5 * nu)) / nu).exp();
        Ok(if nu < 3.0 { power.max(z) } else { expansion })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn one_degree_is_the_cauchy_distribution() {
        let cauchy = StudentT::new(1.0).unwrap();
        for t in [-20.0_f64, -1.0, -0.1, 0.0, 0.5, 3.0, 1e6] {
            assert!((cauchy.cdf(t) - (0.5 + t.atan() / std::f64::consts::PI)).abs() < 1e-15, "{t}");
        }
        assert!((cauchy.quantile(0.75).unwrap() - 1.0).abs() < 1e-14);
    }

    #[test]
    fn two_degrees_have_a_closed_form() {
        let t2 = StudentT::new(2.0).unwrap();
        for t in [0.1_f64, 1.0, 4.0, 50.0] {
            assert!((t2.cdf(t) - 0.5 * (1.0 + t / (2.0 + t * t).sqrt())).abs() < 1e-15, "{t}");
        }
    }

    #[test]
    fn many_degrees_tend_to_the_normal_at_the_known_rate() {
        // F_ν(t) = Φ(t) − φ(t) (t³ + t) / (4ν) + O(ν⁻²), Abramowitz & Stegun 26.7.8
        for df in [1e5, 1e6, 1e9] {
            let t_dist = StudentT::new(df).unwrap();
            for t in [0.2, 1.0, 1.96, 3.0] {
                let expected = standard_normal_cdf(t) - standard_normal_pdf(t) * t.mul_add(t * t, t) / (4.0 * df);
                assert!((t_dist.cdf(t) - expected).abs() < 1.0 / (df * df) + 2e-14, "{df} {t}");
            }
        }
        assert_eq!(StudentT::new(f64::INFINITY).unwrap().cdf(1.0), standard_normal_cdf(1.0));
    }

    #[test]
    fn bad_degrees_are_refused() {
        assert!(StudentT::new(0.0).is_err() && StudentT::new(f64::NAN).is_err());
        assert!(StudentT::new(3.0).unwrap().quantile(1.0).is_err());
    }

    proptest! {
        #[test]
        fn the_quantile_inverts_the_tail(ln_df in -1.0_f64..14.0, ln_tail in -30.0_f64..-0.7) {
            let t_dist = StudentT::new(ln_df.exp()).unwrap();
            let tail = ln_tail.exp();
            let t = -t_dist.quantile(tail).unwrap();
            prop_assert!((t_dist.survival(t) / tail - 1.0).abs() < 1e-11, "{} {}", t, t_dist.survival(t));
        }
    }
}
