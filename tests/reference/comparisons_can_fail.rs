//! The comparison itself: it must fail when it should.

use crate::support::{Tol, close, close_to_printed, digits, printed};

fn fails(check: impl FnOnce() + std::panic::UnwindSafe) -> bool {
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let failed = std::panic::catch_unwind(check).is_err();
    std::panic::set_hook(hook);
    failed
}

#[test]
fn a_wrong_number_a_missing_tolerance_and_nan_all_fail() {
    close("right", 1.0004, 1.0, Tol::abs(0.0005));
    assert!(fails(|| close("wrong", 1.0006, 1.0, Tol::abs(0.0005))));
    assert!(fails(|| close("ten tolerances off", 1.005, 1.0, Tol::abs(0.0005))));
    assert!(fails(|| close("no tolerance", 1.0, 1.0, Tol::abs(0.0))));
    assert!(fails(|| close("infinite tolerance", 1.0, 1.0, Tol::abs(f64::INFINITY))));
    assert!(fails(|| close("nan", f64::NAN, 1.0, Tol::abs(1.0))));
    assert!(fails(|| close("relative to zero", 0.0, 0.0, Tol::rel(0.1))));
}

#[test]
fn printed_numbers_carry_half_a_unit_of_their_last_digit() {
    let (value, tol) = printed("-0.0714e2");
    assert!((value + 7.14).abs() < 1e-15 && (tol.abs - 0.005).abs() < 1e-15);
    close_to_printed("rounded", 2.345, "2.35");
    assert!(fails(|| close_to_printed("not rounded to this", 2.344, "2.35")));
    assert_eq!(digits(1.001, 1.0).round(), 3.0);
    assert_eq!(digits(1e-5, 0.0).round(), 5.0);
}
