//! The standardised precipitation index on annual rainfall of the Murray–Darling basin, 1900–2018, mm (Australian Bureau of
//! Meteorology, as the data set `bomregions2018` of the R package DAAG). Expected values: Thom's estimator by numpy and
//! scipy 1.17.1 (`gamma.cdf`, `norm.ppf`); copied by program. The definition is that of WMO-No. 1090, Standardized Precipitation
//! Index User Guide (2012).

use bandlift::stats::PrecipitationIndex;

use crate::support::{Tol, close};

const RAIN_MM: [f64; 119] = [
    418.88, 372.09, 258.11, 534.63, 457.26, 440.98, 616.69, 443.29, 437.18, 486.58, 520.11, 512.53, 393.16, 439.61,
    374.15, 330.16, 605.84, 629.56, 376.79, 305.59, 554.5, 614.22, 326.32, 387.2, 553.34, 431.41, 452.85, 351.73,
    440.57, 336.83, 471.62, 568.12, 408.19, 500.29, 504.34, 344.62, 511.19, 375.68, 338.58, 543.69, 289.9, 449.61,
    517.76, 377.42, 267.05, 396.99, 384.35, 587.32, 426.64, 515.23, 777.83, 388.28, 536.59, 414.25, 541.15, 628.43,
    786.53, 312.01, 486.19, 483.03, 473.37, 477.38, 520.61, 549.16, 471.56, 313.53, 438.61, 285.33, 494.24, 509.01,
    500.36, 526.71, 351.65, 709.1, 671.51, 542.19, 549.74, 405.45, 628.2, 382.82, 367.68, 505.2, 268.37, 647.38,
    567.86, 452.85, 414.22, 472.2, 579.49, 525.84, 522.78, 433.47, 568.08, 510.21, 325.71, 530.72, 543.45, 444.12,
    573.32, 578.24, 557.25, 403.39, 277.51, 441.97, 466.38, 444.42, 278.65, 464.38, 449.76, 406.17, 808.56, 601.17,
    499.81, 371.19, 415.25, 430.58, 615.17, 399.08, 289.38,
];

#[test]
fn the_index_of_a_century_of_rain_is_that_of_another_program() {
    let index = PrecipitationIndex::fit(&RAIN_MM).unwrap();
    close("shape", index.shape_and_scale().0, 17.85151269364948, Tol::rel(1e-12));
    close("scale", index.shape_and_scale().1, 26.260905661124898, Tol::rel(1e-12));
    for (year, expected) in [
        (1900, -0.38720653712839853),
        (1901, -0.8595198835525114),
        (1902, -2.2113087165461947),
        (1903, 0.64574867949423),
        (1906, 1.2910764496165892),
        (1950, 2.411563526365592),
        (1956, 2.4676174267822484),
        (1973, 1.9539338238426152),
        (2010, 2.6078088257461394),
        (2018, -1.8049379609628833),
    ] {
        close(&format!("{year}"), index.of(RAIN_MM[year - 1900]), expected, Tol::abs(1e-9));
    }
}
