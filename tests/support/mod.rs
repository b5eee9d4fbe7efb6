//! What the test programs share: a tolerance with named parts, and comparisons that prove they can fail.

#![allow(dead_code, reason = "each test program uses a part")]

/// How far a number may lie from the expected one: `abs + rel × |expected|`.
#[derive(Debug, Clone, Copy)]
pub struct Tol {
    /// Absolute part, in the unit of the number.
    pub abs: f64,
    /// Relative part.
    pub rel: f64,
}

impl Tol {
    /// An absolute tolerance.
    pub const fn abs(abs: f64) -> Self {
        Self { abs, rel: 0.0 }
    }

    /// A relative tolerance.
    pub const fn rel(rel: f64) -> Self {
        Self { abs: 0.0, rel }
    }

    /// The width for this expectation.
    pub fn width(self, expected: f64) -> f64 {
        self.abs + self.rel * expected.abs()
    }
}

/// A number as a source prints it; its tolerance is half a unit of the last printed digit.
pub fn printed(text: &str) -> (f64, Tol) {
    let value: f64 = text.parse().unwrap();
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().unwrap()),
        None => (text, 0),
    };
    let decimals = mantissa.split_once('.').map_or(0, |(_, decimals)| i32::try_from(decimals.len()).unwrap());
    (value, Tol::abs(0.5 * 10_f64.powi(exponent - decimals)))
}

/// Fails unless `found` lies within the tolerance of `expected`; and unless it would fail for an expectation moved by ten
/// tolerances, so that no check can pass for want of a tolerance.
#[track_caller]
pub fn close(what: &str, found: f64, expected: f64, tol: Tol) {
    let width = tol.width(expected);
    assert!(width.is_finite() && width > 0.0, "{what}: the tolerance {tol:?} cannot fail or cannot pass");
    assert!(within(found, expected, width), "{what}: found {found:?}, expected {expected:?} ± {width:e}");
    for moved in [expected + 10.0 * width, expected - 10.0 * width] {
        assert!(!within(found, moved, width), "{what}: {found:?} would also pass for {moved:?} ± {width:e}");
    }
}

/// [`close`] to a number as its source prints it.
#[track_caller]
pub fn close_to_printed(what: &str, found: f64, text: &str) {
    let (expected, tol) = printed(text);
    // half a unit, and the rounding of the last digit itself
    close(what, found, expected, Tol { abs: tol.abs * (1.0 + 1e-6), rel: 0.0 });
}

fn within(found: f64, expected: f64, width: f64) -> bool {
    (found - expected).abs() <= width
}

/// Decimal digits that agree: `−log₁₀` of the relative error (of the absolute error where `expected` is 0), at most 16.
pub fn digits(found: f64, expected: f64) -> f64 {
    let error = if expected == 0.0 { found.abs() } else { ((found - expected) / expected).abs() };
    if error == 0.0 { 16.0 } else { (-error.log10()).clamp(0.0, 16.0) }
}

/// A file of the open data in `tests/data` (its README names sources and licences).
pub fn open_data(file: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(format!("{file}.gz"));
    let mut text = String::new();
    let packed = std::fs::File::open(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    std::io::Read::read_to_string(&mut flate2::read::GzDecoder::new(packed), &mut text).unwrap();
    text
}

/// The settings of the raw field in `gartner_yield_points.csv`, which lies beside them as `harvest.csv`.
pub const RAW_FIELD: &str = r#"farm = "Hollow"
field = "one"
season = 2001
crop = "corn"
[[harvest]]
path = "harvest.csv"
crs = "EPSG:4326"
[harvest.columns]
time = { column = "Time", format = "epoch_s" }
longitude = "Longitude"
latitude = "Latitude"
mass_flow = { column = "Flow", unit = "lb/s" }
interval = { column = "Cycles", unit = "s" }
distance = { column = "Distance", unit = "in" }
swath = { column = "Swath", unit = "in" }
moisture = { column = "Moisture", unit = "%" }
elevation = { column = "Altitude", unit = "ft" }
"#;
