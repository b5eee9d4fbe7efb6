//! Correlation as a function of distance.

/// A correlation function `c(u)` of the distance over the range, `u = d / range`, with `c(0) = 1`.
///
/// Forms and names as in Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, table 5.2; the Matérn forms as in
/// Stein 1999, Interpolation of Spatial Data, section 2.10, with `√(2ν) u` as argument.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kernel {
    /// `e^(−u)`; over equally spaced positions the AR(1) process with [`Kernel::autocorrelation`].
    Exponential,
    /// `1 − 1.5 u + 0.5 u³` up to the range, 0 beyond.
    Spherical,
    /// `1 / (1 + u²)`, the rational quadratic.
    RationalQuadratic,
    /// `e^(−u²)`.
    Gaussian,
    /// `1 − u` up to the range, 0 beyond. A valid covariance in one dimension only.
    Linear,
    /// `(1 + s) e^(−s)`, `s = √3 u`.
    Matern32,
    /// `(1 + s + s²/3) e^(−s)`, `s = √5 u`.
    Matern52,
}

impl Kernel {
    /// Every kernel.
    pub const ALL: [Self; 7] = [
        Self::Exponential,
        Self::Spherical,
        Self::RationalQuadratic,
        Self::Gaussian,
        Self::Linear,
        Self::Matern32,
        Self::Matern52,
    ];

    /// The correlation at `u = d / range`; 0 at infinity.
    pub fn correlation(self, u: f64) -> f64 {
        match self {
            Self::Exponential => (-u).exp(),
            Self::Spherical => {
                if u < 1.0 {
                    1.0 - u * (1.5 - 0.5 * u * u)
                } else {
                    0.0
                }
            }
            Self::RationalQuadratic => 1.0 / (1.0 + u * u),
            Self::Gaussian => (-u * u).exp(),
            Self::Linear => (1.0 - u).max(0.0),
            Self::Matern32 | Self::Matern52 if u.is_infinite() => 0.0,
            Self::Matern32 => {
                let s = 3.0_f64.sqrt() * u;
                (1.0 + s) * (-s).exp()
            }
            Self::Matern52 => {
                let s = 5.0_f64.sqrt() * u;
                (1.0 + s + s * s / 3.0) * (-s).exp()
            }
        }
    }

    /// First and second derivative of the correlation with respect to the logarithm of the range.
    pub fn range_derivatives(self, u: f64) -> (f64, f64) {
        if u.is_infinite() {
            return (0.0, 0.0);
        }
        // with c′ and c″ in u: −u c′ and u c′ + u² c″
        let (first, second) = match self {
            Self::Exponential => (-(-u).exp(), (-u).exp()),
            Self::Spherical if u < 1.0 => (1.5 * (u * u - 1.0), 3.0 * u),
            Self::Linear if u < 1.0 => (-1.0, 0.0),
            Self::Spherical | Self::Linear => (0.0, 0.0),
            Self::RationalQuadratic => {
                let c = 1.0 / (1.0 + u * u);
                (-2.0 * u * c * c, c * c * (8.0 * u * u * c - 2.0))
            }
            Self::Gaussian => {
                let c = (-u * u).exp();
                (-2.0 * u * c, (4.0 * u * u - 2.0) * c)
            }
            Self::Matern32 => {
                let s = 3.0_f64.sqrt() * u;
                (-3.0_f64.sqrt() * s * (-s).exp(), 3.0 * (s - 1.0) * (-s).exp())
            }
            Self::Matern52 => {
                let s = 5.0_f64.sqrt() * u;
                (-5.0_f64.sqrt() / 3.0 * s * (1.0 + s) * (-s).exp(), -5.0 / 3.0 * (1.0 + s - s * s) * (-s).exp())
            }
        };
        (-u * first, u * first + u * u * second)
    }

    /// The AR(1) coefficient between positions one unit apart: `φ = e^(−1/range)`.
    pub fn autocorrelation(range: f64) -> f64 {
        (-1.0 / range).exp()
    }

    /// The exponential range with this AR(1) coefficient.
    pub fn range_of_autocorrelation(phi: f64) -> f64 {
        -1.0 / phi.ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_equal_differences() {
        for kernel in Kernel::ALL {
            for u in [0.05_f64, 0.4, 0.9, 1.7, 4.0] {
                let at = |shift: f64| kernel.correlation(u * (-shift).exp());
                let h = 1e-4;
                let (first, second) = kernel.range_derivatives(u);
                let one = (at(h) - at(-h)) / (2.0 * h);
                let two = (at(h) - 2.0 * at(0.0) + at(-h)) / (h * h);
                assert!((first - one).abs() < 1e-7, "{kernel:?} {u}: {first} {one}");
                assert!((second - two).abs() < 1e-5, "{kernel:?} {u}: {second} {two}");
            }
        }
    }

    #[test]
    fn correlation_falls_from_one_to_zero() {
        for kernel in Kernel::ALL {
            assert!((kernel.correlation(0.0) - 1.0).abs() < 1e-15);
            assert_eq!(kernel.correlation(f64::INFINITY), 0.0);
            assert_eq!(kernel.range_derivatives(f64::INFINITY), (0.0, 0.0));
            let values: Vec<f64> = (0..50).map(|i| kernel.correlation(f64::from(i) / 10.0)).collect();
            assert!(values.windows(2).all(|pair| pair[1] <= pair[0]), "{kernel:?}");
        }
        assert!((Kernel::autocorrelation(Kernel::range_of_autocorrelation(0.9)) - 0.9).abs() < 1e-15);
    }
}
