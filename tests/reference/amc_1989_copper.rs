//! Copper in wholemeal flour, 24 determinations (ppm): Analytical Methods Committee 1989, Robust statistics – how not to
//! reject outliers, part 1, Analyst 114:1693–1697.
//!
//! Results as in Venables & Ripley 2002, Modern Applied Statistics with S, 4th ed., section 5.5 (function
//! `mad`). Data and results are quoted from memory of the book; they agree with each other to all digits.

use bandlift::stats::robust::median_mad;

use crate::support::close_to_printed;

const COPPER: [f64; 24] = [
    2.9, 3.1, 3.4, 3.4, 3.7, 3.7, 2.8, 2.5, 2.4, 2.4, 2.7, 2.2, 5.28, 3.37, 3.03, 3.03, 28.95, 3.77, 3.4, 2.2, 3.5,
    3.6, 3.7, 3.7,
];

#[test]
fn the_mean_is_spoilt_and_the_robust_estimates_are_not() {
    close_to_printed("mean", COPPER.iter().sum::<f64>() / 24.0, "4.2804");
    let both = median_mad(&COPPER).unwrap();
    close_to_printed("median", both.median, "3.385");
    close_to_printed("mad", both.mad, "0.526323");
}
