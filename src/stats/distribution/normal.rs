//! The normal distribution.

use statrs::function::erf::erfc_inv;

use super::gamma::regularised;
use crate::stats::{StatsError, check};

const INVERSE_SQRT_2PI: f64 = 0.398_942_280_401_432_7;

/// Φ(z), to full accuracy in both tails: `½ Q(½, z²/2)` with the regularised incomplete gamma function.
pub fn standard_normal_cdf(z: f64) -> f64 {
    if z.is_nan() {
        return z;
    }
    let outside = 0.5 * regularised(0.5, 0.5 * z * z).1;
    if z <= 0.0 { outside } else { 1.0 - outside }
}

/// φ(z).
pub fn standard_normal_pdf(z: f64) -> f64 {
    INVERSE_SQRT_2PI * (-0.5 * z * z).exp()
}

/// Φ⁻¹(p).
///
/// # Errors
/// `p` not between 0 and 1.
pub fn standard_normal_quantile(p: f64) -> Result<f64, StatsError> {
    check::open_probability("probability", p)?;
    let z = -std::f64::consts::SQRT_2 * erfc_inv(2.0 * p);
    // one Newton step on the smaller tail takes the last digits
    let tail = if p < 0.5 { standard_normal_cdf(z) - p } else { (1.0 - p) - standard_normal_cdf(-z) };
    let density = standard_normal_pdf(z);
    Ok(if density > 0.0 { z - tail / density } else { z })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tails_and_quantiles_agree() {
        for p in [1e-12, 1e-6, 0.025, 0.3, 0.5, 0.7, 0.975, 1.0 - 1e-9] {
            let z = standard_normal_quantile(p).unwrap();
            assert!((standard_normal_cdf(z) - p).abs() < 4e-16 + 1e-14 * p, "{p}");
        }
        assert!(standard_normal_quantile(0.0).is_err());
    }
}
