//! The linear-loss integral of the t density: Raiffa & Schlaifer 1961, Applied Statistical Decision Theory, section 11.3.
//!
//! Expected values: `∫ max(0, −x) dF(x)` by quadrature in mpmath 1.4.1 at 30 digits; the first two also by 10⁷ random draws
//! (numpy), printed to four decimals.

use bandlift::stats::distribution::{StudentT, expected_loss};

use crate::support::{Tol, close, close_to_printed};

/// `(centre, scale, df, expected loss)`.
const VALUES: [(f64, f64, f64, f64); 5] = [
    (4.0, 8.0, 5.0, 2.166546835607),
    (10.0, 6.0, 11.0, 0.21611300538463),
    (-3.0, 2.0, 2.5, 3.3734791804128),
    (0.0, 1.0, 30.0, 0.40927467402838),
    (25.0, 4.0, 8.0, 5.0858315548511e-4),
];

#[test]
fn expected_losses() {
    for (centre, scale, df, loss) in VALUES {
        close(&format!("{centre} {scale} {df}"), expected_loss(centre, scale, df).unwrap(), loss, Tol::rel(1e-12));
    }
    close_to_printed("first by simulation", expected_loss(4.0, 8.0, 5.0).unwrap(), "2.1665");
    close_to_printed("second by simulation", expected_loss(10.0, 6.0, 11.0).unwrap(), "0.2161");
}

#[test]
fn probabilities_of_a_gain() {
    close_to_printed("first", StudentT::new(5.0).unwrap().cdf(4.0 / 8.0), "0.6809");
    close_to_printed("second", StudentT::new(11.0).unwrap().cdf(10.0 / 6.0), "0.9381");
}
