//! What `inspect` tells of the entries beside the harvest: logs of what was put down, what was seen, other layers of the ground.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate};
use geo::Contains;
use serde_json::{Value, json};

use crate::config::FieldSettings;
use crate::ingest::{self, LONGEST_STEP_S, SiteYearFiles};
use crate::points::{AppliedLog, CovariateGround, CovariateKind, Header, Ingested, Measure, Scale};
use crate::quantity::RateUnit;
use crate::quantity::factor::HA_PER_AC;

/// A longer way between two rows is a gap, m; as is a longer time than [`LONGEST_STEP_S`].
const LONGEST_STEP_M: f64 = 60.0;
/// Days between planting as it is given and as the log has it that are reported.
const FAR_D: i64 = 3;
/// Correlation of a column's rises with rate × width × distance from which it is taken for the total of the product.
const GOES_WITH: f64 = 0.7;
/// A total that differs by more from rate × width × distance is reported, as a share (common practice, no source: flow meters are
/// calibrated to some percent, and sections that are off make the rest).
const OFF: f64 = 0.15;

/// Lines for people, and the same for programs.
#[derive(Default)]
pub(super) struct Told {
    pub(super) lines: Vec<String>,
    pub(super) json: serde_json::Map<String, Value>,
}

/// All entries of a site-year.
pub(super) fn told(field: &FieldSettings, files: &SiteYearFiles, ingested: &Ingested) -> Told {
    let mut told = Told::default();
    let mut all = Vec::new();
    for (log, files) in ingested.logs.iter().zip(&files.applied) {
        all.push(applied(log, files, field, ingested, &mut told.lines));
    }
    told.json.insert("applied".to_owned(), Value::Array(all));
    let seen = ingested.observed.iter().map(|measure| observed(measure, ingested, &mut told.lines)).collect();
    told.json.insert("observed".to_owned(), Value::Array(seen));
    let ground = ingested.covariates.iter().map(|one| {
        let (what, count, range) = match &one.ground {
            CovariateGround::Field(value) => ("one value for the field", 1, spread(value.iter().copied())),
            CovariateGround::Points { values, .. } => ("points", values.len(), spread(values.iter().copied())),
            CovariateGround::Polygons { values, .. } => ("polygons", values.len(), spread(values.iter().copied())),
            CovariateGround::Grid(raster) => ("cells", raster.data.len(), spread(raster.data.iter().copied())),
        };
        let values = match (one.kind, range) {
            (CovariateKind::Class, _) => format!("classes {}", one.classes.join(", ")),
            (CovariateKind::Number, Some((low, high))) => format!("{low:.4} to {high:.4} {}", one.unit).trim().to_owned(),
            (CovariateKind::Number, None) => "no value".to_owned(),
        };
        told.lines.push(format!("  ground:   {}: {count} {what}; {values}", one.name));
        json!({ "name": one.name, "kind": one.kind, "unit": one.unit, "classes": one.classes, "count": count, "range": range })
    });
    let ground = ground.collect();
    told.json.insert("covariates".to_owned(), Value::Array(ground));
    told
}

fn spread(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let known = values.filter(|value| value.is_finite());
    known.fold(None, |range: Option<(f64, f64)>, value| {
        let (low, high) = range.unwrap_or((value, value));
        Some((low.min(value), high.max(value)))
    })
}

fn day_of(seconds: f64) -> Option<NaiveDate> {
    DateTime::from_timestamp(seconds as i64, 0).map(|time| time.date_naive())
}

/// Litres, kilograms or pieces that each row put down since the one before, with the ground it covered, m²; nothing after gaps.
fn put_down(log: &AppliedLog) -> Vec<(f64, f64)> {
    let step = |at: usize| {
        let before = at.checked_sub(1).filter(|&before| log.file[before] == log.file[at])?;
        let (seconds, way) =
            (log.time_s[at] - log.time_s[before], (log.x_m[at] - log.x_m[before]).hypot(log.y_m[at] - log.y_m[before]));
        let share = log.share_on.get(at).copied().unwrap_or(1.0);
        let is_on = log.state[at] != Header::Up && seconds <= LONGEST_STEP_S && way <= LONGEST_STEP_M;
        let ground = way * log.width_m[at] * share;
        let put = log.rate_per_ha[at] * ground / 1e4;
        (is_on && put.is_finite()).then_some((put, ground))
    };
    (0..log.len()).map(|at| step(at).unwrap_or((0.0, 0.0))).collect()
}

fn applied(
    log: &AppliedLog,
    files: &[ingest::InputFile],
    field: &FieldSettings,
    ingested: &Ingested,
    lines: &mut Vec<String>,
) -> Value {
    let (symbol, per_ha) = (&log.rate_unit.0, log.rate_unit.1);
    // of one unit of the product, litres, kilograms or pieces
    let kind = RateUnit::parse(symbol).map_or("", |unit| unit.kind.symbol()).split('/').next().unwrap_or("").to_owned();
    let put = put_down(log);
    let (product, ground): (f64, f64) = put.iter().fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    let treated: f64 = put.iter().filter(|one| one.0 > 0.0).map(|one| one.1).sum();
    let (first, last) =
        (log.time_s.first().and_then(|time| day_of(*time)), log.time_s.last().and_then(|time| day_of(*time)));
    let days = first.zip(last).map_or_else(String::new, |(first, last)| {
        if first == last { first.to_string() } else { format!("{first} to {last}") }
    });
    let mean = if treated > 0.0 { product / (treated / 1e4) / per_ha } else { 0.0 };
    lines.push(format!(
        "  applied:  {}: {} rows, {days}; {:.2} ha gone over, {:.2} ha of them with the product, on average {mean:.3} {symbol}; {product:.1} {kind} by rate × width × distance",
        log.name,
        log.len(),
        ground / 1e4,
        treated / 1e4,
    ));
    let mut notes = Vec::new();
    if let (Some(planted), Some(first), Some(last)) = (field.planted, first, last)
        && ((first - planted).num_days() > FAR_D || (planted - last).num_days() > FAR_D)
    {
        notes.push(format!("field.toml has planted = {planted}, the log runs {days}; is it of another pass?"));
    }
    // where the log lies
    let every = log.len().div_ceil(4_000).max(1);
    let looked_at: Vec<usize> = (0..log.len()).step_by(every).collect();
    let inside = ingested.boundary.as_ref().map(|boundary| {
        let is_in = |&&at: &&usize| boundary.contains(&geo::Point::new(log.x_m[at], log.y_m[at]));
        looked_at.iter().filter(is_in).count() as f64 / looked_at.len().max(1) as f64
    });
    if let Some(inside) = inside {
        lines.push(format!("            {:.0} % of its rows lie within the boundary", 100.0 * inside));
    }
    let totals = totals(log, files, &put);
    for (column, ratio) in &totals {
        lines.push(format!(
            "            column `{column}` rises by {:.1}, which is {ratio:.3} of rate × width × distance",
            ratio * product
        ));
        if let Some(note) = doubt(*ratio, symbol) {
            notes.push(format!("column `{column}` {note}"));
        }
    }
    lines.extend(notes.iter().map(|note| format!("  doubtful: {}: {note}", log.name)));
    json!({
        "name": log.name, "rows": log.len(), "first_day": first.map(|day| day.to_string()), "last_day": last.map(|day| day.to_string()), "unit": symbol, "mean_rate": mean,
        "area_m2": ground, "treated_m2": treated, "product": product, "within_boundary": inside,
        "totals": totals.iter().map(|(column, ratio)| json!({ "column": column, "ratio": ratio })).collect::<Vec<_>>(),
        "doubtful": notes,
    })
}

/// What a total that is no multiple of rate × width × distance by a unit of its kind says.
fn doubt(ratio: f64, symbol: &str) -> Option<String> {
    let kind = RateUnit::parse(symbol).ok()?.kind;
    // how much of the rate's kind is in one of each unit; thousands are written, too
    let ground = |unit: &RateUnit| if unit.symbol.ends_with("/ac") { HA_PER_AC } else { 1.0 };
    let units = RateUnit::all().filter(|unit| unit.kind == kind && !unit.symbol.ends_with("/m2"));
    let fits = units.map(|unit| unit.per_ha * ground(&unit)).any(|unit| (ratio * unit).ln().abs() < OFF);
    (!fits).then(|| {
        format!(
            "is {ratio:.2} of rate × width × distance, which no unit makes; is the unit of the rate or of the width right?"
        )
    })
}

/// Columns that rise as the product is put down, each with its rise over all that the rates make.
fn totals(log: &AppliedLog, files: &[ingest::InputFile], put: &[(f64, f64)]) -> Vec<(String, f64)> {
    let mut rises: BTreeMap<String, Vec<(f64, f64)>> = BTreeMap::new();
    for file in files {
        let Some(at) = log.files.iter().position(|name| *name == file.name) else { continue };
        let Ok(table) = ingest::numbers_of(&file.name, &file.path) else { continue };
        for (name, values) in table {
            let rows: Vec<usize> = (1..log.len()).filter(|&row| log.file[row] as usize == at).collect();
            let own = rises.entry(name).or_default();
            for row in rows {
                let value = |row: usize| values.get(log.row[row] as usize - 1).copied().unwrap_or(f64::NAN);
                if put[row].1 > 0.0 {
                    own.push((put[row].0, value(row) - value(row - 1)));
                }
            }
        }
    }
    rises
        .into_iter()
        .filter_map(|(name, steps)| {
            let known: Vec<(f64, f64)> = steps.into_iter().filter(|step| step.1.is_finite()).collect();
            let falls = known.iter().filter(|step| step.1 < 0.0).count();
            let (count, sum) =
                (known.len() as f64, known.iter().fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1)));
            let (x, y) = (sum.0 / count, sum.1 / count);
            let products = known.iter().fold((0.0, 0.0, 0.0), |sum: (f64, f64, f64), one| {
                let (a, b) = (one.0 - x, one.1 - y);
                (sum.0 + a * b, sum.1 + a * a, sum.2 + b * b)
            });
            let correlation = products.0 / (products.1 * products.2).sqrt();
            (known.len() > 30 && falls == 0 && sum.0 > 0.0 && correlation > GOES_WITH).then_some((name, sum.1 / sum.0))
        })
        .collect()
}

fn observed(measure: &Measure, ingested: &Ingested, lines: &mut Vec<String>) -> Value {
    let looks = &measure.observations;
    let days: BTreeSet<&str> = looks.iter().filter_map(|look| look.day.as_deref()).collect();
    let when = match (days.first(), days.last()) {
        (Some(first), Some(last)) if first == last => format!(", {first}"),
        (Some(first), Some(last)) => format!(", {first} to {last}"),
        _ => String::new(),
    };
    let values = match &measure.scale {
        Scale::Ordinal(levels) => {
            let count = |at: usize| looks.iter().filter(|look| (look.value - at as f64).abs() < 0.5).count();
            let each = levels.iter().enumerate().map(|(at, level)| format!("{level} {}", count(at)));
            each.collect::<Vec<_>>().join(", ")
        }
        _ => spread(looks.iter().map(|look| look.value))
            .map_or_else(String::new, |(low, high)| format!("{low} to {high}")),
    };
    let on_strip = |place: &(f64, f64)| {
        ingested.strips.iter().any(|strip| strip.ground.contains(&geo::Point::new(place.0, place.1)))
    };
    let placed = looks.iter().filter_map(|look| look.place_m.as_ref());
    let on_strips =
        looks.iter().filter(|look| look.strip.is_some()).count() + placed.filter(|place| on_strip(place)).count();
    let strips = if ingested.strips.is_empty() { String::new() } else { format!("; {on_strips} on strips") };
    lines.push(format!("  seen:     {}: {} looks{when}; {values}{strips}", measure.name, looks.len()));
    json!({
        "name": measure.name, "looks": looks.len(), "first_day": days.first(), "last_day": days.last(), "on_strips": on_strips,
        "range": spread(looks.iter().map(|look| look.value)),
    })
}
