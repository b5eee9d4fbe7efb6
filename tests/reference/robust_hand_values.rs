//! Robust summaries worked by hand from their published definitions.

use bandlift::stats::robust::{adjusted_fences, isotonic, medcouple, quantile};

use crate::support::{Tol, close};

/// Brys, Hubert & Struyf 2004, J. Comput. Graph. Stat. 13:996–1017, definition (eq. 2.2). For 1 2 7 9 10 the median is 7
/// and the nine kernel values over 7 9 10 by 1 2 7 are in order −1 −1 −1/2 −3/7 −1/3 −1/4 0 1 1, so the middle one is −1/3.
#[test]
fn medcouple_of_five_values() {
    close("medcouple", medcouple(&[1.0, 2.0, 7.0, 9.0, 10.0]).unwrap(), -1.0 / 3.0, Tol::abs(1e-15));
}

/// The sleep data of Cushny & Peebles 1905 (the differences 0 to 4.6 hours). The median 1.3 occurs twice; by the
/// definition with its rule for ties the 36 kernel values are listed, and the middle two average 0.125.
#[test]
fn medcouple_with_ties_at_the_median() {
    let sleep = [0.0, 0.8, 1.0, 1.2, 1.3, 1.3, 1.4, 1.8, 2.4, 4.6];
    close("medcouple", medcouple(&sleep).unwrap(), 0.125, Tol::abs(1e-14));
}

/// Hubert & Vandervieren 2008, Comput. Stat. Data Anal. 52:5186–5201, eq. 5: quartiles 2 and 9, IQR 7, MC −1/3.
#[test]
fn adjusted_fences_of_five_values() {
    let fences = adjusted_fences(&[1.0, 2.0, 7.0, 9.0, 10.0], 1.5).unwrap();
    close("lower fence", fences.lower, 2.0 - 10.5 * 1.0_f64.exp(), Tol::abs(1e-12));
    close("upper fence", fences.upper, 9.0 + 10.5 * (-4.0 / 3.0_f64).exp(), Tol::abs(1e-12));
}

/// Hyndman & Fan 1996, Am. Stat. 50:361–365, definition 7: `h = (n − 1) p + 1`.
#[test]
fn quantile_type_seven() {
    close("p = 0.4 of 1 2 3 4", quantile(&[1.0, 2.0, 3.0, 4.0], 0.4).unwrap(), 2.2, Tol::abs(1e-15));
}

/// Pooling adjacent violators by hand: 4 1 3 2 6 5 pool to (4+1+3+2)/4 and (6+5)/2.
#[test]
fn pooled_adjacent_violators() {
    let fitted = isotonic(&[4.0, 1.0, 3.0, 2.0, 6.0, 5.0], None).unwrap();
    for (found, expected) in fitted.iter().zip([2.5, 2.5, 2.5, 2.5, 5.5, 5.5]) {
        close("fitted", *found, expected, Tol::abs(1e-15));
    }
}
