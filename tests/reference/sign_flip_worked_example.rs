//! Six paired differences, worked with numpy 2.4 and scipy 1.17 (`scipy.stats.t`) and, for the sign flips, by enumeration
//! of all 64 sign vectors; the method is that of Fisher 1935, The Design of Experiments, section 21.

use bandlift::stats::linear::paired_t;
use bandlift::stats::permutation::{Layouts, joint_sign_flip, sign_flip, sign_flip_interval};

use crate::support::{Tol, close, close_to_printed};

const DIFFERENCES: [f64; 6] = [4.1, 6.3, -1.2, 5.5, 2.8, 7.0];
const ALL: Layouts<'static> = Layouts::Independent { seed: 0 };

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
    let test = sign_flip(&DIFFERENCES, None, &ALL).unwrap();
    close("two-sided p", test.p_two_sided, 0.0625, Tol::abs(1e-15));
    close("one-sided p", test.p_greater, 0.03125, Tol::abs(1e-15));
    let interval = sign_flip_interval(&DIFFERENCES, None, &ALL, 0.9).unwrap();
    close("lower", interval.lower, 1.45, Tol::abs(1e-12));
    close("upper", interval.upper, 6.30, Tol::abs(1e-12));
}

/// Two outcomes of the same six blocks; the shares were counted over the 64 sign vectors in a separate program (numpy).
#[test]
fn two_outcomes_adjusted_by_the_largest_t() {
    let other = [1.0, 2.0, 3.0, -1.0, 2.5, 4.0];
    let rows: Vec<_> = DIFFERENCES.iter().zip(other).map(|(&d, o)| vec![Some(d), Some(o)]).collect();
    let joint = joint_sign_flip(&rows, None, &ALL).unwrap();
    let (first, second) = (joint.outcomes[0].unwrap(), joint.outcomes[1].unwrap());
    close("p of the first", first.p, 4.0 / 64.0, Tol::abs(1e-15));
    close("p of the second", second.p, 6.0 / 64.0, Tol::abs(1e-15));
    close("adjusted p of the first", first.p_adjusted, 6.0 / 64.0, Tol::abs(1e-15));
    close("adjusted p of the second", second.p_adjusted, 8.0 / 64.0, Tol::abs(1e-15));
}
