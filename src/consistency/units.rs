//! The units that columns of a harvest come in, and what is plausible.

use crate::quantity::factor::{KG_PER_LB, KG_PER_T, M_PER_FT, M_PER_IN, M_S_PER_MPH};
use crate::quantity::{BushelWeight, RateUnit, YieldUnit};

use super::words::Header;

/// A unit: its symbol, its factor to SI (yields: to kg/ha), and how it is written in headers: letters and digits only, lower case.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ColumnUnit {
    pub(crate) symbol: &'static str,
    pub(crate) factor: f64,
    pub(crate) written: &'static [&'static str],
}

const fn unit(symbol: &'static str, factor: f64, written: &'static [&'static str]) -> ColumnUnit {
    ColumnUnit { symbol, factor, written }
}

pub(crate) const SPEEDS: &[ColumnUnit] = &[
    unit("m/s", 1.0, &["ms", "mps", "msec", "mpers", "mperseg"]),
    unit("km/h", 1.0 / 3.6, &["kmh", "kph", "kmhr"]),
    unit("mph", M_S_PER_MPH, &["mph", "mih", "mihr"]),
    unit("ft/s", M_PER_FT, &["fts", "fps", "ftsec"]),
];
pub(crate) const DISTANCES: &[ColumnUnit] = &[
    unit("m", 1.0, &["m", "meter", "meters", "metre", "metres", "metros"]),
    unit("ft", M_PER_FT, &["ft", "feet", "foot", "pies"]),
    unit("in", M_PER_IN, &["in", "inch", "inches"]),
    unit("cm", 0.01, &["cm"]),
];
pub(crate) const WIDTHS: &[ColumnUnit] = &[
    unit("m", 1.0, &["m", "meter", "meters", "metre", "metres", "metros"]),
    unit("ft", M_PER_FT, &["ft", "feet", "foot", "pies"]),
    unit("in", M_PER_IN, &["in", "inch", "inches"]),
    unit("cm", 0.01, &["cm"]),
    unit("mm", 0.001, &["mm"]),
];
pub(crate) const TIMES: &[ColumnUnit] = &[unit("s", 1.0, &["s", "sec", "seg"]), unit("ms", 0.001, &["ms", "msec"])];
pub(crate) const FLOWS: &[ColumnUnit] = &[
    unit("kg/s", 1.0, &["kgs", "kgsec", "kgseg", "kgpers"]),
    unit("lb/s", KG_PER_LB, &["lbs", "lbsec", "lbss", "lbssec", "poundss"]),
    unit("t/h", KG_PER_T / 3600.0, &["th", "thr", "mgh", "tonh"]),
    unit("kg/h", 1.0 / 3600.0, &["kgh", "kghr"]),
    unit("lb/min", KG_PER_LB / 60.0, &["lbmin"]),
];
pub(crate) const MOISTURES: &[ColumnUnit] = &[
    unit("%", 1.0, &["pct", "percent", "prozent", "perc", "porc", "proz"]),
    unit("fraction", 100.0, &["fraction", "frac", "kgkg"]),
];

/// The unit of a rate of application that a header names, by its symbol: in brackets, or as its last words.
pub(crate) fn rate_unit(header: &Header, beside: Option<&str>) -> Option<&'static str> {
    const WRITTEN: [(&str, &str); 14] = [
        ("gpa", "gal/ac"),
        ("lbsac", "lb/ac"),
        ("lbacre", "lb/ac"),
        ("galacre", "gal/ac"),
        ("flozacre", "fl oz/ac"),
        ("ltha", "L/ha"),
        ("litha", "L/ha"),
        ("literha", "L/ha"),
        ("lperha", "L/ha"),
        ("kgperha", "kg/ha"),
        ("seedsac", "1/ac"),
        ("seedsacre", "1/ac"),
        ("seedsha", "1/ha"),
        ("koernerm2", "1/m2"),
    ];
    let texts = match (beside, &header.in_brackets) {
        (Some(unit), _) => vec![super::words::unit_text(unit)],
        (None, Some(unit)) => vec![unit.clone()],
        (None, None) => {
            let words = &header.words;
            (1..=3)
                .rev()
                .filter(|&count| words.len() > count)
                .map(|count| words[words.len() - count..].concat())
                .collect()
        }
    };
    let known = |text: &String| {
        let by_symbol =
            RateUnit::all().find(|unit| super::words::unit_text(unit.symbol) == *text).map(|unit| unit.symbol);
        by_symbol.or_else(|| WRITTEN.iter().find(|(written, _)| written == text).map(|(_, symbol)| *symbol))
    };
    texts.iter().find_map(known)
}

/// The units of yield with their factor to kg/ha.
pub(crate) fn yields(bushel: BushelWeight) -> [ColumnUnit; 5] {
    let symbol = |symbol: &str| YieldUnit::parse(symbol).map_or(f64::NAN, |unit| unit.kg_per_ha(bushel));
    [
        unit("bu/ac", symbol("bu/ac"), &["buac", "buacre", "bpa", "bua"]),
        unit("t/ha", symbol("t/ha"), &["tha", "tonha", "tnha", "mgha"]),
        unit("kg/ha", symbol("kg/ha"), &["kgha"]),
        unit("q/ha", symbol("q/ha"), &["qha", "dtha", "qqha"]),
        unit("lb/ac", symbol("lb/ac"), &["lbac", "lbsac", "lbacre"]),
    ]
}

/// What a crop brings in a field, kg/ha at field moisture: the middle (its logarithm is taken to be normal) and the standard
/// deviation of the logarithm. Common practice, no source: wide enough for dryland and irrigated fields.
pub(crate) fn usual_yield(crop: Option<&str>) -> (f64, f64) {
    match crop {
        Some("corn") => (10_500.0, 0.30),
        Some("soybean") => (3_400.0, 0.30),
        Some("wheat") => (6_000.0, 0.40),
        Some("sorghum") => (6_000.0, 0.35),
        Some("barley") => (5_500.0, 0.35),
        Some("oats") => (4_500.0, 0.40),
        Some("canola") => (3_000.0, 0.35),
        _ => (6_500.0, 0.60),
    }
}

/// The moisture of a crop at harvest, percent: what is plausible (common practice, no source).
pub(crate) const MOISTURE_PCT: std::ops::RangeInclusive<f64> = 5.0..=42.0;
/// Widths of headers, m (common practice, no source).
pub(crate) const WIDTH_M: std::ops::RangeInclusive<f64> = 1.0..=20.0;
