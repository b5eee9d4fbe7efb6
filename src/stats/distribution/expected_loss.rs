//! The expected loss of acting on an uncertain gain.

use super::StudentT;
use super::normal::{standard_normal_cdf, standard_normal_pdf};
use crate::stats::{StatsError, check};

/// `E[max(0, −X)]` for `X = centre + scale · T_ν`: what is lost on average by acting, counting a gain as nothing.
///
/// `s [(ν + z²)/(ν − 1) f_ν(z) − z (1 − F_ν(z))]` with `z = centre / scale`; Raiffa & Schlaifer 1961, Applied
/// Statistical Decision Theory, section 11.3 (the linear-loss integral of the t density). In the unit of `centre`.
///
/// # Errors
/// A centre or scale that is not finite, a scale not above 0, or `ν` not above 1 (the mean does not exist).
pub fn expected_loss(centre: f64, scale: f64, df: f64) -> Result<f64, StatsError> {
    check::finite("centre", &[centre])?;
    check::positive("scale", &[scale])?;
    if df.is_nan() || df <= 1.0 {
        return Err(StatsError::OutOfRange { what: "degrees of freedom", allowed: "greater than 1", value: df });
    }
    let z = centre / scale;
    if df.is_infinite() {
        return Ok(scale * (standard_normal_pdf(z) - z * standard_normal_cdf(-z)).max(0.0));
    }
    let t_dist = StudentT::new(df)?;
    Ok(scale * ((df + z * z) / (df - 1.0) * t_dist.pdf(z) - z * t_dist.survival(z)).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loss_less_mirrored_loss_is_the_mean() {
        // E[max(0, −X)] − E[max(0, X)] = −E[X]
        for (centre, scale, df) in [(4.0, 8.0, 5.0), (-3.0, 1.0, 1.5), (10.0, 6.0, f64::INFINITY)] {
            let difference = expected_loss(centre, scale, df).unwrap() - expected_loss(-centre, scale, df).unwrap();
            assert!((difference + centre).abs() < 1e-11, "{centre}");
        }
    }

    #[test]
    fn too_few_degrees_are_refused() {
        assert!(expected_loss(1.0, 1.0, 1.0).is_err() && expected_loss(1.0, 0.0, 5.0).is_err());
        assert!(expected_loss(f64::NAN, 1.0, 5.0).is_err());
    }
}
