//! Correlation as a function of distance.

/// A correlation function `c(u)` of the distance over the range, `u = d / range`, with `c(0) = 1`.
///
/// The Matérn form as in Stein 1999, Interpolation of Spatial Data, section 2.10, with `√(2ν) u` as argument; the others, in
/// which fits are published, as in Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, table 5.2.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kernel {
    /// `e^(−u)`.
    #[cfg(test)]
    Exponential,
    /// `1 − 1.5 u + 0.5 u³` up to the range, 0 beyond.
    #[cfg(test)]
    Spherical,
    /// `1 / (1 + u²)`.
    #[cfg(test)]
    RationalQuadratic,
    /// `(1 + s) e^(−s)`, `s = √3 u`.
    Matern32,
}

impl Kernel {
    /// The correlation at `u = d / range`; 0 at infinity.
    pub fn correlation(self, u: f64) -> f64 {
        match self {
            #[cfg(test)]
            Self::Exponential => (-u).exp(),
            #[cfg(test)]
            Self::Spherical if u >= 1.0 => 0.0,
            #[cfg(test)]
            Self::Spherical => 1.0 - u * (1.5 - 0.5 * u * u),
            #[cfg(test)]
            Self::RationalQuadratic => 1.0 / (1.0 + u * u),
            Self::Matern32 if u.is_infinite() => 0.0,
            Self::Matern32 => {
                let s = 3.0_f64.sqrt() * u;
                (1.0 + s) * (-s).exp()
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn correlation_falls_from_one_to_zero() {
        for kernel in [Kernel::Exponential, Kernel::Spherical, Kernel::RationalQuadratic, Kernel::Matern32] {
            assert!((kernel.correlation(0.0) - 1.0).abs() < 1e-15);
            assert_eq!(kernel.correlation(f64::INFINITY), 0.0);
            let values: Vec<f64> = (0..50).map(|i| kernel.correlation(f64::from(i) / 10.0)).collect();
            assert!(values.windows(2).all(|pair| pair[1] <= pair[0]), "{kernel:?}");
        }
        // Γ and K of the general form at ν = 3/2 by scipy 1.17: 2^(1−ν)/Γ(ν) (√(2ν) u)^ν K_ν(√(2ν) u)
        for (u, expected) in [(0.25, MATERN[0]), (1.0, MATERN[1]), (3.0, MATERN[2])] {
            assert!((Kernel::Matern32.correlation(u) / expected - 1.0).abs() < 1e-13);
        }
    }

    const MATERN: [f64; 3] = [0.929_383_617_696_480_6, 0.483_357_724_596_507_9, 0.034_313_243_197_460_166];
}
