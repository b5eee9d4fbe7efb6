//! Values of distribution functions.
//!
//! Computed with mpmath 1.4.1 at 40 digits (`betainc`, `gammainc`, `ncdf`), printed to 17; and table entries as the NIST/SEMATECH
//! e-Handbook of Statistical Methods, section 1.3.6.7, prints them (upper critical values; quoted from memory).

use bandlift::stats::distribution::{ChiSquared, Gamma, StudentT, standard_normal_cdf, standard_normal_quantile};

use crate::support::{Tol, close, close_to_printed};

/// `(df, t, P(T > t))`.
const STUDENT_T: [(f64, f64, f64); 13] = [
    (0.5, 0.3, 0.42242957606524541),
    (1.0, 12.7, 0.02501216384467208),
    (2.5, 1.7, 0.10280610857994193),
    (5.0, 2.0150483733330233, 0.050000000000000058),
    (10.0, 1.0, 0.17044656615102994),
    (10.0, 8.0, 5.8874713948330799e-6),
    (24.192864, 2.7255, 5.8735551148434066e-3),
    (45.0, 4.4, 3.2868503771757329e-5),
    (120.0, 1.98, 0.024996037788770519),
    (10000.0, 2.5, 6.2176097752918484e-3),
    (1000000.0, 0.7, 0.24196373364327072),
    (1000000.0, 1.96, 0.024998033792634895),
    (1000000.0, 6.0, 9.8692490617721733e-10),
];

/// `(df, x, P(X > x))`.
const CHI_SQUARED: [(f64, f64, f64); 8] = [
    (1.0, 3.84, 0.050043521248705103),
    (2.0, 0.1, 0.95122942450071401),
    (12.0, 152.23300808, 1.9967645930619112e-26),
    (12.0, 4.4, 0.9750902496952996),
    (5.0, 11.07, 0.050009618622405482),
    (100.0, 124.3, 0.050266398300158396),
    (10000.0, 10100.0, 0.23901532524017511),
    (1000000.0, 1001000.0, 0.23967680482552136),
];

/// `(shape, scale, x, P(X ≤ x))`.
const GAMMA: [(f64, f64, f64, f64); 5] = [
    (0.3, 1.0, 0.2, 0.65750672426972174),
    (13.74934, 6.863358, 40.0, 3.5697379398738962e-3),
    (13.74934, 6.863358, 150.0, 0.97431785502800584),
    (2.0, 3.0, 1.0, 0.044624919234947666),
    (500.0, 0.1, 49.0, 0.33167326368877837),
];

/// `(z, Φ(z))`.
const NORMAL: [(f64, f64); 7] = [
    (-8.0, 6.2209605742717841e-16),
    (-3.0, 1.3498980316300945e-3),
    (-1.0, 0.15865525393145705),
    (-0.1, 0.46017216272297102),
    (0.5, 0.6914624612740131),
    (1.96, 0.97500210485177956),
    (5.0, 0.99999971334842812),
];

/// `(df, p, quantile)`.
const STUDENT_T_QUANTILE: [(f64, f64, f64); 5] = [
    (3.0, 0.95, 2.3533634348018229),
    (5.0, 0.975, 2.5705818356363148),
    (10.0, 0.995, 3.1692726726169507),
    (24.192864, 0.95, 1.7103350542448264),
    (1000000.0, 0.975, 1.9599663568141067),
];

#[test]
fn student_t_tails() {
    for (df, t, tail) in STUDENT_T {
        let t_dist = StudentT::new(df).unwrap();
        close(&format!("t {df} {t}"), t_dist.survival(t), tail, Tol::rel(5e-13));
        close(&format!("t {df} −{t}"), t_dist.cdf(-t), tail, Tol::rel(5e-13));
        close(&format!("t {df} {t} below"), t_dist.cdf(t), 1.0 - tail, Tol::abs(1e-14));
    }
}

#[test]
fn chi_squared_tails() {
    for (df, x, tail) in CHI_SQUARED {
        close(&format!("χ² {df} {x}"), ChiSquared::new(df).unwrap().survival(x), tail, Tol::rel(2e-12));
    }
}

#[test]
fn gamma_probabilities() {
    for (shape, scale, x, below) in GAMMA {
        close(&format!("Γ {shape} {x}"), Gamma::new(shape, scale).unwrap().cdf(x), below, Tol::rel(1e-13));
    }
}

#[test]
fn normal_probabilities_and_quantiles() {
    for (z, below) in NORMAL {
        close(&format!("Φ({z})"), standard_normal_cdf(z), below, Tol::rel(1e-13));
        close(&format!("Φ⁻¹({below})"), standard_normal_quantile(below).unwrap(), z, Tol::abs(1e-9));
    }
}

#[test]
fn student_t_quantiles() {
    for (df, p, quantile) in STUDENT_T_QUANTILE {
        close(&format!("t {df} {p}"), StudentT::new(df).unwrap().quantile(p).unwrap(), quantile, Tol::rel(1e-13));
    }
}

#[test]
fn upper_critical_values_as_tables_print_them() {
    let t = |df: f64, p: f64| StudentT::new(df).unwrap().quantile(p).unwrap();
    close_to_printed("t 0.975, 10", t(10.0, 0.975), "2.228");
    close_to_printed("t 0.995, 5", t(5.0, 0.995), "4.032");
    close_to_printed("t 0.95, 1", t(1.0, 0.95), "6.314");
    close_to_printed("t 0.975, ∞", t(f64::INFINITY, 0.975), "1.960");
    let chi = |df: f64, p: f64| ChiSquared::new(df).unwrap().quantile(p).unwrap();
    close_to_printed("χ² 0.95, 10", chi(10.0, 0.95), "18.307");
    close_to_printed("χ² 0.95, 1", chi(1.0, 0.95), "3.841");
    close_to_printed("χ² 0.05, 10", chi(10.0, 0.05), "3.940");
}
