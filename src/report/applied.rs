//! What was put down: `applied.csv` and its part of a site-year's page.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::tables::write;
use super::units::fixed;
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::geometry::{Crs, Projector};
use crate::points::{Applied, Finding, Ingested, PutDown, Stretch};

/// How to keep settled product out of the strips.
pub(super) const ADVICE: &str = "Keep a mixture that settles agitated before each fill; park with the tank low and the valves below it \
    closed; mark the first stretch after a long stop and leave it out (common practice, no source). The product label comes first.";

/// The columns of `applied.csv`.
pub(super) const APPLIED_COLUMNS: [&str; 20] = [
    "log",
    "finding",
    "treatment",
    "strip",
    "from",
    "to",
    "longitude",
    "latitude",
    "length",
    "length_unit",
    "area",
    "area_unit",
    "rate",
    "target_rate",
    "rate_unit",
    "source_file",
    "first_row",
    "last_row",
    "used",
    "note",
];

/// Decimals of a rate and of a length.
const RATE_DECIMALS: usize = 3;

/// `applied.csv`; `None` without logs.
pub(super) fn table(ingested: &Ingested, units: &Units) -> Result<Option<Vec<u8>>, ReportError> {
    let Some(applied) = &ingested.applied else { return Ok(None) };
    let fault = |error: crate::geometry::CrsError| ReportError::new("applied.csv", error);
    let utm = Crs::from_epsg(ingested.records.epsg).map_err(fault)?;
    let to_degrees = Projector::new(&utm, &Crs::wgs84()).map_err(fault)?;
    let mut rows = Vec::new();
    for one in &applied.stretches {
        let (x, y) = one.middle_m;
        let place = if x.is_finite() { to_degrees.convert_point(x, y).map_err(fault)? } else { None };
        let (unit, of_one) = rate_unit(applied, one);
        let rate = |per_ha: Option<f64>| fixed(per_ha.map(|rate| rate / of_one), RATE_DECIMALS);
        let (file, first, last) = one
            .rows
            .clone()
            .map_or_else(Default::default, |(file, first, last)| (file, first.to_string(), last.to_string()));
        rows.push(vec![
            one.log.clone(),
            one.finding.code().to_owned(),
            one.treatment.clone().unwrap_or_default(),
            one.strip.clone().unwrap_or_default(),
            one.time_s.map_or_else(String::new, |time| stamp(time.0, "%Y-%m-%dT%H:%M:%SZ")),
            one.time_s.map_or_else(String::new, |time| stamp(time.1, "%Y-%m-%dT%H:%M:%SZ")),
            fixed(place.map(|place| place.0), 6),
            fixed(place.map(|place| place.1), 6),
            fixed(one.length_m.map(|m| units.length(m)), 1),
            units.length_unit.to_owned(),
            fixed(Some(units.area(one.area_m2)), 4),
            units.area_unit.to_owned(),
            rate(one.rate_per_ha),
            rate(one.target_per_ha),
            unit.to_owned(),
            file,
            first,
            last,
            applied.used.code().to_owned(),
            one.note.clone(),
        ]);
    }
    write("applied.csv", &APPLIED_COLUMNS, rows).map(Some)
}

fn rate_unit<'a>(applied: &'a Applied, one: &Stretch) -> (&'a str, f64) {
    let known = applied.rate_units.iter().find(|known| known.0 == one.log);
    known.map_or(("", 1.0), |known| (known.1.as_str(), known.2))
}

fn stamp(seconds: f64, pattern: &str) -> String {
    chrono::DateTime::from_timestamp(seconds as i64, 0)
        .map_or_else(String::new, |time| time.format(pattern).to_string())
}

/// The part of the page; `None` without logs.
pub(super) fn part(ingested: &Ingested, archive: &ArchiveSettings, units: &Units) -> Option<Value> {
    let applied = ingested.applied.as_ref()?;
    let is_of_strips = |one: &&Stretch| one.strip.is_some() && one.finding != Finding::Strip;
    let mut left_out: BTreeMap<Finding, (usize, f64)> = BTreeMap::new();
    for one in applied.stretches.iter().filter(|one| one.strip.is_none() && one.finding != Finding::LogMoved) {
        let sum = left_out.entry(one.finding).or_default();
        *sum = (sum.0 + 1, sum.1 + one.area_m2);
    }
    let area = |m2: f64| format!("{:.2} {}", units.area(m2), units.area_unit);
    let label = |key: &Option<String>| key.as_ref().map_or_else(String::new, |key| archive.label(key).to_owned());
    let rate = |one: &Stretch| {
        let (unit, of_one) = rate_unit(applied, one);
        one.rate_per_ha.map_or_else(String::new, |rate| format!("{:.2} {unit}", rate / of_one))
    };
    let listed = applied.stretches.iter().filter(|one| one.strip.is_none());
    Some(json!({
        "logs": applied.rate_units.iter().map(|log| log.0.as_str()).collect::<Vec<_>>(),
        "by_log": applied.used == PutDown::Log,
        "strips": applied.stretches.iter().filter(|one| one.finding == Finding::Strip).map(|one| json!({
            "name": one.strip,
            "label": label(&one.treatment),
            "area": area(one.area_m2),
            "rate": rate(one),
        })).collect::<Vec<_>>(),
        "disagree": applied.stretches.iter().filter(is_of_strips).map(|one| json!({
            "strip": one.strip,
            "text": one.finding.text(),
            "note": one.note,
        })).collect::<Vec<_>>(),
        "left_out": left_out.iter().map(|(finding, (count, m2))| json!({
            "code": finding.code(),
            "text": finding.text(),
            "count": count,
            "area": area(*m2),
        })).collect::<Vec<_>>(),
        "stretches": listed.map(|one| json!({
            "log": one.log,
            "code": one.finding.code(),
            "when": one.time_s.map_or_else(String::new, |time| stamp(time.0, "%Y-%m-%d %H:%M:%S")),
            "rows": one.rows.as_ref().map_or_else(String::new, |(file, first, last)| format!("{file}: {first} to {last}")),
            "length": one.length_m.map_or_else(String::new, |m| format!("{:.0} {}", units.length(m), units.length_unit)),
            "rate": rate(one),
            "note": one.note,
        })).collect::<Vec<_>>(),
        "advice": left_out.contains_key(&Finding::AfterLongStop).then_some(ADVICE),
    }))
}
