//! `[[covariate]]`: other layers of the ground, and what holds for a whole field.

use chrono::Datelike;
use serde::Serialize;

use super::harvest::{self, PositionColumns};
use super::section::Section;
use crate::points::{CovariateKind, covariate_column};
use crate::quantity::Length;

/// The resolved settings of one covariate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CovariateSettings {
    /// What the covariate is called in tables and pages.
    pub name: String,
    /// `class` (names without an order) or `number`.
    pub kind: CovariateKind,
    /// Unit of the numbers, as it is to be printed.
    pub unit: String,
    /// Files or globs; empty where `value` holds.
    pub paths: Vec<String>,
    /// Whether the paths are relative to archive.toml.
    pub of_archive: bool,
    /// Coordinate reference system, where the file carries none.
    pub crs: Option<String>,
    /// Column of the values; a grid has none.
    pub column: Option<String>,
    /// Where the points of a table lie.
    pub position: PositionColumns,
    /// How far a point may lie from the record that takes its value. Default 75 m: half the diagonal of a soil sample's square of one
    /// hectare is 71 m (common practice, no source).
    pub reach_m: f64,
    /// Whether a record takes the mean of all points within `reach`, in place of the nearest one.
    pub points_mean: bool,
    /// One value for the whole field, in place of a path; such a covariate is compared over site-years only.
    pub value: Option<FieldValue>,
    /// Whether the response is to be estimated along it: by class, or as a slope. Each one asked makes a chance find likelier; the tables tell
    /// how many were asked. Default false.
    pub respond: bool,
}

/// What holds for a whole field.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub enum FieldValue {
    /// A number; of a day the day of the year.
    Number(f64),
    /// A class.
    Class(String),
    /// The day of the year of `planted` in field.toml; `None` where it is not there.
    Planted(Option<f64>),
}

const REACH_M: f64 = 75.0;
/// The unit of days, where no other is given.
const DAYS: &str = "day of the year";
/// The value that stands for the day of planting.
const PLANTED: &str = "planted";

/// The covariates of a file.
pub(super) fn read(root: &Section<'_, '_>, of_archive: bool) -> Vec<CovariateSettings> {
    let mut all: Vec<CovariateSettings> = Vec::new();
    for entry in root.sections("covariate") {
        let Some(one) = one(&entry, of_archive) else { continue };
        if let Some(known) = all.iter().find(|known| covariate_column(&known.name) == covariate_column(&one.name)) {
            entry.fault(
                "name",
                format!("`{}` and `{}` would share a column; give each its own name", known.name, one.name),
            );
        }
        all.push(one);
    }
    all
}

/// Those of the archive that the field has not by the same name, then the field's own; the day of planting is the field's.
pub(super) fn of_field(
    archive: &[CovariateSettings],
    own: Vec<CovariateSettings>,
    planted: Option<chrono::NaiveDate>,
) -> Vec<CovariateSettings> {
    let is_own =
        |one: &&CovariateSettings| own.iter().any(|own| covariate_column(&own.name) == covariate_column(&one.name));
    let mut all: Vec<CovariateSettings> = archive.iter().filter(|one| !is_own(one)).cloned().collect();
    all.extend(own);
    for one in &mut all {
        if let Some(FieldValue::Planted(day)) = &mut one.value {
            *day = planted.map(|day| f64::from(day.ordinal()));
        }
    }
    all
}

fn one(entry: &Section<'_, '_>, of_archive: bool) -> Option<CovariateSettings> {
    let name = entry.required("name", entry.text("name"), "what it is called, such as \"clay\"");
    let kind = entry.parsed("kind", |text| match text {
        "class" => Ok(CovariateKind::Class),
        "number" => Ok(CovariateKind::Number),
        other => Err(format!("expected `class` or `number`, found `{other}`")),
    });
    let kind = entry.required("kind", kind, "`class` or `number`");
    let (paths, column) = (entry.texts("path"), entry.column("column"));
    let typed = entry.text_or_number("value");
    let crs = entry.parsed("crs", harvest::epsg_text);
    let position = harvest::position(entry);
    let reach_m = entry.quantity_or::<Length>("reach", REACH_M, 0.5, 1_000.0);
    let points = entry.parsed("points", |text| match text {
        "nearest" => Ok(false),
        "mean" => Ok(true),
        other => Err(format!("expected `nearest` or `mean`, found `{other}`")),
    });
    let mut unit = entry.text("unit");
    let respond = entry.boolean("respond").unwrap_or(false);
    if points == Some(true) && kind == Some(CovariateKind::Class) {
        entry.fault("points", "`mean` goes with kind = \"number\"; a class is that of the nearest point");
    }
    if unit.is_some() && kind == Some(CovariateKind::Class) {
        entry.fault("unit", "goes with kind = \"number\"");
    }
    let value = typed.and_then(|typed| {
        let value = field_value(typed, kind?, &mut unit);
        value.map_err(|reason| entry.fault("value", reason)).ok()
    });
    if paths.is_some() && entry.has("value") {
        entry.fault("value", "is given beside `path`; a covariate has one of them");
    }
    if paths.is_none() && !entry.has("path") && !entry.has("value") {
        entry.required::<()>(
            "path",
            None,
            "a layer, a table or a grid such as \"clay.tif\"; or a `value` for the whole field",
        );
    }
    let is_planted = matches!(value, Some(FieldValue::Planted(_)));
    if of_archive && entry.has("value") && value.is_some() && !is_planted {
        entry.fault("value", format!("stands in field.toml; in archive.toml it can be \"{PLANTED}\" only"));
    }
    entry.finish_known();
    let name = name?;
    if covariate_column(&name) == crate::points::COVARIATE_COLUMN {
        entry.fault("name", "holds no letter and no digit");
    }
    Some(CovariateSettings {
        name,
        kind: kind?,
        unit: unit.unwrap_or_default(),
        paths: paths.unwrap_or_default(),
        of_archive,
        crs,
        column,
        position,
        reach_m,
        points_mean: points.unwrap_or(false),
        value,
        respond,
    })
}

fn field_value(
    typed: Result<String, f64>,
    kind: CovariateKind,
    unit: &mut Option<String>,
) -> Result<FieldValue, String> {
    match (kind, typed) {
        (CovariateKind::Number, Err(number)) => Ok(FieldValue::Number(number)),
        (CovariateKind::Number, Ok(text)) => {
            let mut days = |value: FieldValue| {
                unit.get_or_insert_with(|| DAYS.to_owned());
                Ok(value)
            };
            if text == PLANTED {
                return days(FieldValue::Planted(None));
            }
            if let Ok(day) = chrono::NaiveDate::parse_from_str(&text, "%Y-%m-%d") {
                return days(FieldValue::Number(f64::from(day.ordinal())));
            }
            let number = text.parse::<f64>().ok().filter(|number| number.is_finite());
            number.map(FieldValue::Number).ok_or_else(|| {
                format!("expected a number, a day such as 2023-04-29 or \"{PLANTED}\", found `{text}`; a name takes kind = \"class\"")
            })
        }
        (CovariateKind::Class, Ok(text)) => Ok(FieldValue::Class(text)),
        (CovariateKind::Class, Err(number)) => {
            Err(format!("expected the name of a class in quotes, found {number}; a number takes kind = \"number\""))
        }
    }
}
