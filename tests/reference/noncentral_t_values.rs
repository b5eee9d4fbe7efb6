//! The non-central t distribution: `∫ Φ(t √(w/ν) − δ) dχ²_ν(w)` by quadrature in mpmath 1.4.1 at 25 digits; and the
//! smallest detectable difference of a paired t test, in standard deviations of a difference, from the power
//! integrated over χ (`scipy.integrate.quad`, scipy 1.17) and rounded to five decimals.

use bandlift::stats::distribution::{NoncentralT, StudentT};

use crate::support::{Tol, close};

/// `(df, non-centrality, t, P(T ≤ t))`.
const VALUES: [(f64, f64, f64, f64); 11] = [
    (3.0, 1.0, 2.0, 0.74362986840767),
    (5.0, -2.0, 1.0, 0.99768362434592),
    (8.0, 3.0, -0.5, 2.7057547505589e-4),
    (2.0, 4.0, 6.0, 0.63884967109974),
    (29.0, 6.0, 5.0, 0.19111572448761),
    (5.0, 4.0, 2.5705818366147395, 0.112741987945),
    (9.0, 3.162, 2.262157, 0.19697143590981),
    (99.0, 10.0, 1.98, 9.7166652028304e-16),
    (15.0, 0.5, -2.0, 0.010031267461582),
    (1.0, 20.0, 30.0, 0.50522153540009),
    (200.0, 30.0, 28.0, 0.11870962237907),
];

#[test]
fn cumulative_probabilities() {
    for (df, delta, t, below) in VALUES {
        let found = NoncentralT::new(df, delta).unwrap().cdf(t);
        close(&format!("ν {df} δ {delta} t {t}"), found, below, Tol::abs(2e-12));
    }
}

const BLOCKS: [u32; 10] = [3, 4, 5, 6, 8, 10, 12, 16, 20, 30];
/// Level of the test, then the difference detected with a power of 0.8 for each number of blocks.
const DETECTABLE: [(f64, [f64; 10]); 3] = [
    (0.05, [3.26404, 2.12795, 1.68200, 1.43454, 1.15603, 0.99600, 0.88865, 0.74947, 0.66044, 0.52924]),
    (0.10, [2.29727, 1.64971, 1.35940, 1.18577, 0.97814, 0.85282, 0.76639, 0.65168, 0.57690, 0.46493]),
    (0.20, [1.60225, 1.25056, 1.06779, 0.94963, 0.79948, 0.70443, 0.63712, 0.54579, 0.48517, 0.39305]),
];

#[test]
fn smallest_detectable_differences() {
    for (alpha, row) in DETECTABLE {
        for (blocks, expected) in BLOCKS.into_iter().zip(row) {
            let df = f64::from(blocks - 1);
            let critical = StudentT::new(df).unwrap().quantile(1.0 - 0.5 * alpha).unwrap();
            let power = |difference: f64| {
                let t_dist = NoncentralT::new(df, difference * f64::from(blocks).sqrt()).unwrap();
                t_dist.survival(critical) + t_dist.cdf(-critical)
            };
            let (mut low, mut high) = (0.0, 10.0);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if power(middle) < 0.8 { low = middle } else { high = middle }
            }
            close(&format!("α {alpha}, {blocks} blocks"), low, expected, Tol::abs(5.1e-6));
        }
    }
}
