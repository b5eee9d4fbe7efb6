//! What was put down: `applied.csv` and its part of a site-year's page.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::tables::{Column, by_columns};
use super::units::fixed;
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::geometry::{Crs, Projector};
use crate::points::{Applied, Finding, Ingested, PutDown, Stretch};

/// How to keep settled product out of the strips.
pub(super) const ADVICE: &str = "Keep a mixture that settles agitated before each fill; park with the tank low and the valves below it \
    closed; mark the first stretch after a long stop and leave it out (common practice, no source). The product label comes first.";

/// A row of `applied.csv`.
pub(super) struct Row<'r> {
    one: &'r Stretch,
    applied: &'r Applied,
    /// Longitude and latitude of its middle.
    place: Option<(f64, f64)>,
    units: &'r Units,
}

impl Row<'_> {
    fn time(&self, pick: fn((f64, f64)) -> f64) -> String {
        self.one.time_s.map_or_else(String::new, |time| stamp(pick(time), "%Y-%m-%dT%H:%M:%SZ"))
    }

    fn rate(&self, per_ha: Option<f64>) -> String {
        fixed(per_ha.map(|rate| rate / rate_unit(self.applied, self.one).1), RATE_DECIMALS)
    }

    fn row(&self, pick: fn(&(String, u32, u32)) -> u32) -> String {
        self.one.rows.as_ref().map_or_else(String::new, |rows| pick(rows).to_string())
    }
}

/// The columns of `applied.csv`.
pub(super) const APPLIED: &[Column<fn(&Row<'_>) -> String>] = &[
    ("log", |row| row.one.log.clone()),
    ("finding", |row| row.one.finding.code().to_owned()),
    ("treatment", |row| row.one.treatment.clone().unwrap_or_default()),
    ("strip", |row| row.one.strip.clone().unwrap_or_default()),
    ("from", |row| row.time(|time| time.0)),
    ("to", |row| row.time(|time| time.1)),
    ("longitude", |row| fixed(row.place.map(|place| place.0), 6)),
    ("latitude", |row| fixed(row.place.map(|place| place.1), 6)),
    ("length", |row| fixed(row.one.length_m.map(|m| row.units.length(m)), 1)),
    ("length_unit", |row| row.units.length_unit.to_owned()),
    ("area", |row| fixed(Some(row.units.area(row.one.area_m2)), 4)),
    ("area_unit", |row| row.units.area_unit.to_owned()),
    ("rate", |row| row.rate(row.one.rate_per_ha)),
    ("target_rate", |row| row.rate(row.one.target_per_ha)),
    ("rate_unit", |row| rate_unit(row.applied, row.one).0.to_owned()),
    ("source_file", |row| row.one.rows.as_ref().map_or_else(String::new, |rows| rows.0.clone())),
    ("first_row", |row| row.row(|rows| rows.1)),
    ("last_row", |row| row.row(|rows| rows.2)),
    ("used", |row| row.applied.used.code().to_owned()),
    ("note", |row| row.one.note.clone()),
];

/// Decimals of a rate.
const RATE_DECIMALS: usize = 3;

/// `applied.csv`; `None` without logs.
pub(super) fn table(ingested: &Ingested, units: &Units) -> Result<Option<Vec<u8>>, ReportError> {
    let Some(applied) = &ingested.applied else { return Ok(None) };
    let fault = |error: crate::geometry::CrsError| ReportError::new("applied.csv", error);
    let utm = Crs::from_epsg(ingested.records.epsg).map_err(fault)?;
    let to_degrees = Projector::new(&utm, &Crs::wgs84()).map_err(fault)?;
    let rows = applied.stretches.iter().map(|one| {
        let (x, y) = one.middle_m;
        let place = if x.is_finite() { to_degrees.convert_point(x, y).map_err(fault)? } else { None };
        Ok(Row { one, applied, place, units })
    });
    let rows = rows.collect::<Result<Vec<_>, ReportError>>()?;
    by_columns("applied.csv", APPLIED, rows).map(Some)
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
