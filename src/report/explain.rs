//! Why a record was removed: the rule, its number and limit, its neighbours. Reads what a run wrote.

use std::fmt::Write as _;
use std::fs::File;
use std::path::Path;

use polars_core::prelude::{DataFrame, DataType};
use polars_io::prelude::{ParquetReader, SerReader};
use serde_json::Value;

use crate::geometry::NeighbourGrid;
use crate::points::Mark;
use crate::report::units::trimmed;
use crate::stats::robust;

/// Neighbours that are listed.
const LISTED: usize = 8;

/// The columns of `points.parquet` that explaining needs.
struct Points {
    file: Vec<String>,
    row: Vec<u32>,
    removed_by: Vec<Option<String>>,
    treatment: Vec<Option<String>>,
    strip: Vec<Option<String>>,
    machine: Vec<String>,
    pass: Vec<Option<u32>>,
    time: Vec<f64>,
    x: Vec<f64>,
    y: Vec<f64>,
    flow: Vec<f64>,
    moisture: Vec<f64>,
    speed: Vec<f64>,
    swath: Vec<f64>,
    yields: Vec<f64>,
}

impl Points {
    fn read(folder: &Path) -> Result<Self, String> {
        let path = folder.join("points.parquet");
        let fault = |error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
        let file = File::open(&path).map_err(|error| fault(&error))?;
        let frame: DataFrame = ParquetReader::new(file).finish().map_err(|error| fault(&error))?;
        let texts = |name: &str| -> Result<Vec<Option<String>>, String> {
            let column = frame.column(name).and_then(|column| column.cast(&DataType::String)).map_err(|e| fault(&e))?;
            Ok(column.str().map_err(|e| fault(&e))?.iter().map(|text| text.map(str::to_owned)).collect())
        };
        let floats = |name: &str| -> Result<Vec<f64>, String> {
            let column = frame.column(name).map_err(|e| fault(&e))?;
            Ok(column.f64().map_err(|e| fault(&e))?.iter().map(|value| value.unwrap_or(f64::NAN)).collect())
        };
        // seconds
        let times = || -> Result<Vec<f64>, String> {
            let column =
                frame.column("time").and_then(|column| column.cast(&DataType::Int64)).map_err(|e| fault(&e))?;
            let micros = column.i64().map_err(|e| fault(&e))?;
            Ok(micros.iter().map(|value| value.map_or(f64::NAN, |micros| micros as f64 / 1e6)).collect())
        };
        let codes = |name: &str| -> Result<Vec<Option<u32>>, String> {
            let column = frame.column(name).map_err(|e| fault(&e))?;
            Ok(column.u32().map_err(|e| fault(&e))?.iter().collect())
        };
        let known = |values: Vec<Option<String>>| values.into_iter().map(Option::unwrap_or_default).collect();
        Ok(Self {
            file: known(texts("source_file")?),
            row: codes("source_row")?.into_iter().map(Option::unwrap_or_default).collect(),
            removed_by: texts("removed_by")?,
            treatment: texts("treatment")?,
            strip: texts("strip")?,
            machine: known(texts("machine")?),
            pass: codes("pass")?,
            time: times()?,
            x: floats("x_m")?,
            y: floats("y_m")?,
            flow: floats("mass_flow_kg_s")?,
            moisture: floats("moisture_pct")?,
            speed: floats("speed_m_s")?,
            swath: floats("swath_m")?,
            yields: floats("dry_yield_kg_ha")?,
        })
    }

    fn find(&self, file: &str, row: u32) -> Result<usize, String> {
        let named = |at: &usize| self.file[*at] == file || self.file[*at].ends_with(&format!("/{file}"));
        let in_file: Vec<usize> = (0..self.row.len()).filter(named).collect();
        if in_file.is_empty() {
            let mut files = self.file.clone();
            files.sort();
            files.dedup();
            return Err(format!("no record comes from `{file}`; the files are: {}", files.join(", ")));
        }
        in_file.into_iter().find(|&at| self.row[at] == row).ok_or_else(|| format!("`{file}` has no row {row}"))
    }
}

fn summary(folder: &Path) -> Result<Value, String> {
    let path = folder.join("summary.json");
    if !path.is_file() {
        let found = if folder.is_dir() { "a folder without summary.json" } else { "no such folder" };
        return Err(format!(
            "{}: found {found}, expected the folder of a site-year below OUT/site_years, such as OUT/site_years/2023/farm/field",
            folder.display()
        ));
    }
    let text = std::fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
    serde_json::from_str(&text).map_err(|error| format!("{}: {error}", path.display()))
}

/// What was removed from a site-year and by which rules, from its output folder.
///
/// # Errors
/// When the folder holds no result.
pub fn explain_site_year(folder: &Path) -> Result<String, String> {
    let (summary, points) = (summary(folder)?, Points::read(folder)?);
    let identity = &summary["identity"];
    let mut text = format!(
        "{} {} {}: {} of {} records kept\n\n",
        identity["season"],
        identity["farm"].as_str().unwrap_or(""),
        identity["field"].as_str().unwrap_or(""),
        summary["points_kept"],
        summary["points_read"]
    );
    for mark in Mark::ALL {
        let count = points.removed_by.iter().flatten().filter(|found| *found == mark.code()).count();
        if count > 0 {
            let _ = writeln!(text, "{:>8}  {:<20} {}", count, mark.code(), mark.text());
            let _ = writeln!(text, "          {:<20} limit: {}; {}", "", limit(*mark, &summary), mark.rule().source);
        }
    }
    text.push_str("\nFor one record: --record FILE:ROW (the first data row is 1).\n");
    Ok(text)
}

/// Why one record was removed, or that it was kept.
///
/// # Errors
/// When the folder holds no result, or no such record.
pub fn explain_record(folder: &Path, file: &str, row: u32) -> Result<String, String> {
    let (summary, points) = (summary(folder)?, Points::read(folder)?);
    let yields = Yields::of_summary(&summary);
    let at = points.find(file, row)?;
    let mut text = format!("{} row {}, combine {}\n", points.file[at], row, points.machine[at]);
    let mut tell = |name: &str, value: f64, unit: &str| {
        if value.is_finite() {
            let _ = writeln!(text, "  {name:<22} {value:.2} {unit}");
        }
    };
    tell("flow", points.flow[at], "kg/s");
    tell("moisture", points.moisture[at], "%");
    tell("speed where it was cut", points.speed[at], "m/s");
    tell("swath", points.swath[at], "m");
    tell("yield", yields.of(points.yields[at]), &format!("{} at market moisture", yields.unit));
    if points.time[at].is_finite() {
        let moment = chrono::DateTime::from_timestamp_micros((points.time[at] * 1e6).round() as i64);
        let moment = moment.map_or_else(String::new, |moment| moment.format("%Y-%m-%d %H:%M:%S UTC").to_string());
        let _ = writeln!(text, "  {:<22} {moment}", "time");
    }
    if points.x[at].is_finite() {
        let epsg = &summary["epsg"];
        let _ = writeln!(text, "  {:<22} {:.1} m, {:.1} m (EPSG:{epsg})", "place", points.x[at], points.y[at]);
    } else {
        let _ = writeln!(text, "  {:<22} not recorded", "place");
    }
    let of_strip = match (&points.strip[at], &points.treatment[at]) {
        (Some(strip), Some(treatment)) => format!("{strip} ({treatment})"),
        _ => "none".to_owned(),
    };
    let _ = writeln!(text, "  {:<22} {of_strip}", "strip");
    if let Some(pass) = points.pass[at] {
        let of_pass = || (0..points.row.len()).filter(|&other| points.pass[other] == Some(pass));
        let first = of_pass().map(|other| points.time[other]).fold(f64::INFINITY, f64::min);
        let last = of_pass().map(|other| points.time[other]).fold(f64::NEG_INFINITY, f64::max);
        let (since, left) = (points.time[at] - first, last - points.time[at]);
        if since.is_finite() && left.is_finite() {
            let _ = writeln!(text, "  pass {pass}: {since:.0} s after its start, {left:.0} s before its end");
        } else {
            let _ = writeln!(text, "  pass {pass}");
        }
    }
    match points.removed_by[at].as_deref().and_then(|code| Mark::ALL.iter().find(|mark| mark.code() == code)) {
        None => text.push_str("kept\n"),
        Some(mark) => {
            let _ = writeln!(text, "removed by {}: {}", mark.code(), mark.text());
            let _ = writeln!(text, "  limit: {}", limit(*mark, &summary));
            let _ = writeln!(text, "  rule: {}", mark.rule().source);
        }
    }
    if points.x[at].is_finite() {
        neighbours(&points, at, &summary, &yields, &mut text);
    }
    Ok(text)
}

/// The report's unit of yield.
struct Yields {
    unit: String,
    kg_ha: f64,
}

impl Yields {
    fn of_summary(summary: &Value) -> Self {
        match (summary["yield_unit"].as_str(), summary["yield_unit_kg_ha"].as_f64()) {
            (Some(unit), Some(kg_ha)) => Self { unit: unit.to_owned(), kg_ha },
            _ => Self { unit: "kg/ha".to_owned(), kg_ha: 1.0 },
        }
    }

    fn of(&self, kg_ha: f64) -> f64 {
        kg_ha / self.kg_ha
    }
}

/// The nearest kept records under the same treatment, and how far the record lies from their median.
fn neighbours(points: &Points, at: usize, summary: &Value, yields: &Yields, text: &mut String) {
    let radius_m = summary["settings"]["clean"]["neighbour_radius_m"].as_f64().unwrap_or(30.0);
    let kept: Vec<usize> = (0..points.row.len())
        .filter(|&other| {
            other != at && points.removed_by[other].is_none() && points.treatment[other] == points.treatment[at]
        })
        .collect();
    let pick = |values: &[f64]| kept.iter().map(|&other| values[other]).collect::<Vec<f64>>();
    let grid = NeighbourGrid::new(&pick(&points.x), &pick(&points.y), radius_m);
    let mut found = Vec::new();
    grid.nearest(points.x[at], points.y[at], 30, radius_m, None, &mut found);
    let mut near: Vec<f64> = found.iter().map(|&(_, other)| points.yields[kept[other as usize]]).collect();
    let treatment = points.treatment[at].as_deref().unwrap_or("no strip");
    let _ = writeln!(text, "neighbours within {radius_m:.0} m ({treatment}): {}", found.len());
    for &(squared, other) in found.iter().take(LISTED) {
        let other = kept[other as usize];
        let _ = writeln!(
            text,
            "  {:>5.1} m  {:>8.2} {}  pass {}  {} row {}",
            squared.sqrt(),
            yields.of(points.yields[other]),
            yields.unit,
            points.pass[other].map_or_else(String::new, |pass| pass.to_string()),
            points.file[other],
            points.row[other]
        );
    }
    if let Ok(median) = robust::median_in_place(&mut near) {
        let (middle, unit) = (yields.of(median), &yields.unit);
        let deviation = (points.yields[at] / median).ln();
        let printed = if deviation.is_finite() {
            format!("this record deviates by {deviation:+.3} (ln)")
        } else {
            "this record has no yield to set beside it".to_owned()
        };
        let _ = writeln!(text, "  their median {middle:.2} {unit}; {printed}");
    }
}

/// The limit of a rule as it was in force: each pointer between braces gives way to what the summary holds there, yields in the
/// report's unit.
fn limit(mark: Mark, summary: &Value) -> String {
    let yields = Yields::of_summary(summary);
    let value = |pointer: &str| match summary.pointer(pointer).and_then(Value::as_f64) {
        Some(kg_ha) if pointer.ends_with("kg~1ha") => trimmed(yields.of(kg_ha), 2),
        Some(number) => trimmed(number, 4),
        None if pointer == "/yield_unit" => yields.unit.clone(),
        None => "?".to_owned(),
    };
    let mut text = String::new();
    for part in mark.rule().limit.split('{') {
        let (pointer, words) = part.split_once('}').unwrap_or(("", part));
        text += &if pointer.is_empty() { String::new() } else { value(pointer) };
        text += words;
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::CleanSettings;

    /// A setting that is called otherwise would be shown as `?`.
    #[test]
    fn every_setting_of_a_limit_is_one_of_cleaning() {
        let clean = serde_json::to_value(CleanSettings::default()).unwrap();
        let keys = Mark::ALL.iter().flat_map(|mark| mark.rule().limit.split("{/settings/clean/").skip(1));
        let keys: Vec<&str> = keys.map(|rest| rest.split('}').next().unwrap()).collect();
        assert!(keys.len() > 7 && keys.iter().all(|key| clean[key].is_number()), "{keys:?}");
    }
}
