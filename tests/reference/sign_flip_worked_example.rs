//! Six paired differences, worked with numpy 2.4 and scipy 1.17 (`scipy.stats.t`) and, for the sign flips, by enumeration
//! of all 64 sign vectors; the method is that of Fisher 1935, The Design of Experiments, section 21.

use bandlift::stats::linear::paired_t;
use bandlift::stats::{sign_flip, sign_flip_interval};

use crate::support::{Tol, close, close_to_printed};

const DIFFERENCES: [f64; 6] = [4.1, 6.3, -1.2, 5.5, 2.8, 7.0];

#[test]
fn paired_t_test() {
    let test = paired_t(&DIFFERENCES).unwrap();
    close_to_printed("mean", test.mean, "4.0833");
    close_to_printed("sd", test.sd, "2.9996");
    close_to_printed("se", test.se, "1.22459");
    close_to_printed("t", test.t, "3.33446");
    close_to_printed("p", test.p, "0.02068");
    let interval = test.interval(0.9).unwrap();
    close_to_printed("lower", interval.lower, "1.616");
    close_to_printed("upper", interval.upper, "6.551");
}

#[test]
fn sign_flip_test_and_its_interval() {
    close("two-sided p", sign_flip(&DIFFERENCES, 0).unwrap(), 0.0625, Tol::abs(1e-15));
    let interval = sign_flip_interval(&DIFFERENCES, 0, 0.9).unwrap();
    close("lower", interval.lower, 1.45, Tol::abs(1e-12));
    close("upper", interval.upper, 6.30, Tol::abs(1e-12));
}
