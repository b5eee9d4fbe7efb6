//! The gamma and χ² distributions.

use super::beta::{ln_1p_less_argument, ln_gamma, stirling_error};
use super::normal::standard_normal_quantile;
use super::solve::positive_quantile;
use crate::stats::{StatsError, check};

/// A gamma distribution with shape and scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gamma {
    shape: f64,
    scale: f64,
}

impl Gamma {
    /// With the given shape and scale; the mean is `shape × scale`.
    ///
    /// # Errors
    /// A shape or scale that is not finite and above 0.
    pub fn new(shape: f64, scale: f64) -> Result<Self, StatsError> {
        check::positive("shape", &[shape])?;
        check::positive("scale", &[scale])?;
        Ok(Self { shape, scale })
    }

    #[cfg(test)]
    pub(crate) fn shape_and_scale(&self) -> (f64, f64) {
        (self.shape, self.scale)
    }

    /// The density at `x`.
    pub fn pdf(&self, x: f64) -> f64 {
        if x < 0.0 {
            return 0.0;
        }
        if x <= 0.0 {
            return match self.shape.total_cmp(&1.0) {
                std::cmp::Ordering::Less => f64::INFINITY,
                std::cmp::Ordering::Equal => 1.0 / self.scale,
                std::cmp::Ordering::Greater => 0.0,
            };
        }
        front(self.shape, x / self.scale) / x
    }

    /// `P(X ≤ x)`.
    pub fn cdf(&self, x: f64) -> f64 {
        regularised(self.shape, x / self.scale).0
    }

    /// `P(X > x)`.
    pub fn survival(&self, x: f64) -> f64 {
        regularised(self.shape, x / self.scale).1
    }

    /// The value below which a share `p` lies.
    ///
    /// # Errors
    /// `p` not between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<f64, StatsError> {
        check::open_probability("probability", p)?;
        // Wilson & Hilferty 1931, Proc. Natl. Acad. Sci. 17:684–688
        let spread = 1.0 / (9.0 * self.shape);
        let root = 1.0 - spread + standard_normal_quantile(p)? * spread.sqrt();
        let guess = if root > 0.1 {
            self.shape * self.scale * root.powi(3)
        } else {
            self.scale * ((p.ln() + ln_gamma(self.shape + 1.0)) / self.shape).exp()
        };
        Ok(if p <= 0.5 {
            positive_quantile(p, guess, true, |x| self.cdf(x), |x| self.pdf(x))
        } else {
            positive_quantile(1.0 - p, guess, false, |x| self.survival(x), |x| self.pdf(x))
        })
    }
}

/// The χ² distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChiSquared {
    gamma: Gamma,
}

impl ChiSquared {
    /// With the given degrees of freedom.
    ///
    /// # Errors
    /// Degrees of freedom that are not finite and above 0.
    pub fn new(df: f64) -> Result<Self, StatsError> {
        check::positive("degrees of freedom", &[df])?;
        Ok(Self { gamma: Gamma { shape: 0.5 * df, scale: 2.0 } })
    }

    /// The density at `x`.
    pub fn pdf(&self, x: f64) -> f64 {
        self.gamma.pdf(x)
    }

    /// `P(X > x)`, the p value of a χ² test.
    #[cfg(test)]
    pub fn survival(&self, x: f64) -> f64 {
        self.gamma.survival(x)
    }

    /// The value below which a share `p` lies.
    ///
    /// # Errors
    /// `p` not between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<f64, StatsError> {
        self.gamma.quantile(p)
    }
}

/// `x^a e^(−x) / Γ(a)` without cancellation for large `a`.
fn front(a: f64, x: f64) -> f64 {
    let deviation = (x - a) / a;
    if a < 1.0 {
        return (a * x.ln() - x - ln_gamma(a)).exp();
    }
    let exponent = a * ln_1p_less_argument(deviation) - stirling_error(a);
    exponent.exp() * (a / std::f64::consts::TAU).sqrt()
}

/// The regularised incomplete gamma functions `(P(a, x), Q(a, x))`.
///
/// Series 8.11.4 and continued fraction 8.9.2 of the NIST Digital Library of Mathematical Functions.
pub(super) fn regularised(a: f64, x: f64) -> (f64, f64) {
    const TINY: f64 = 1e-300;
    if x <= 0.0 {
        return (0.0, 1.0);
    }
    if x.is_infinite() {
        return (1.0, 0.0);
    }
    let terms = 500 + (20.0 * a.sqrt()) as u64;
    if x < a + 1.0 {
        let mut term = 1.0 / a;
        let mut sum = term;
        let mut n = a;
        for _ in 0..terms {
            n += 1.0;
            term *= x / n;
            sum += term;
            if term <= 0.5 * f64::EPSILON * sum {
                break;
            }
        }
        let lower = (front(a, x) * sum).min(1.0);
        return (lower, 1.0 - lower);
    }
    let away = |value: f64| if value.abs() < TINY { TINY } else { value };
    let mut b = x + 1.0 - a;
    let mut c = 1.0 / TINY;
    let mut d = 1.0 / away(b);
    let mut fraction = d;
    for term in 1..=terms {
        let i = term as f64;
        let numerator = -i * (i - a);
        b += 2.0;
        d = 1.0 / away(numerator * d + b);
        c = away(b + numerator / c);
        let step = d * c;
        fraction *= step;
        if (step - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    let upper = (front(a, x) * fraction).min(1.0);
    (1.0 - upper, upper)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn shape_one_is_the_exponential() {
        let exponential = Gamma::new(1.0, 3.0).unwrap();
        for x in [0.01_f64, 1.0, 10.0, 60.0] {
            assert!((exponential.survival(x) / (-x / 3.0).exp() - 1.0).abs() < 1e-14, "{x}");
            assert!((exponential.pdf(x) * 3.0 / (-x / 3.0).exp() - 1.0).abs() < 1e-14, "{x}");
        }
    }

    #[test]
    fn one_degree_of_freedom_is_the_squared_normal() {
        let chi = ChiSquared::new(1.0).unwrap();
        for z in [0.1, 1.0, 3.0, 8.0] {
            let expected = 2.0 * super::super::standard_normal_cdf(-z);
            assert!((chi.survival(z * z) / expected - 1.0).abs() < 1e-13, "{z}");
        }
    }

    #[test]
    fn bad_parameters_are_refused() {
        assert!(Gamma::new(0.0, 1.0).is_err() && Gamma::new(1.0, f64::NAN).is_err());
        assert!(ChiSquared::new(-1.0).is_err());
    }

    proptest! {
        #[test]
        fn the_quantile_inverts(ln_shape in -1.5_f64..13.0, p in 1e-6_f64..0.999_999) {
            let gamma = Gamma::new(ln_shape.exp(), 2.0).unwrap();
            let x = gamma.quantile(p).unwrap();
            prop_assert!((gamma.cdf(x) - p).abs() < 1e-10 * p + 1e-12, "{} {}", x, gamma.cdf(x));
            prop_assert!((gamma.cdf(x) + gamma.survival(x) - 1.0).abs() < 1e-14);
        }
    }
}
