//! `[[harvest]]`: where the combine's records are and what their columns mean.

use serde::Serialize;

use super::section::Section;
use crate::quantity::{Duration, Length, MassFlow, Percent, Quantity, QuantityError, Speed, YieldUnit};

/// A column of numbers and the factor to SI.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeasuredColumn {
    /// Name in the file.
    pub name: String,
    /// SI units in one unit of the column.
    pub factor: f64,
    /// The unit as typed.
    pub unit: String,
}

/// A column of texts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Column {
    /// Name in the file.
    pub name: String,
}

/// How a time is written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TimeFormat {
    /// Seconds since 1970-01-01T00:00:00Z.
    EpochSeconds,
    /// Milliseconds since 1970-01-01T00:00:00Z.
    EpochMilliseconds,
    /// RFC 3339, for instance `2023-10-04T15:02:11Z`.
    Rfc3339,
    /// A strftime pattern; without an offset in the text, the time is read as UTC.
    Pattern(String),
}

/// The column of times.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TimeColumn {
    /// Name in the file.
    pub name: String,
    /// How the times are written.
    pub format: TimeFormat,
}

/// The columns of positions.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PositionColumns {
    /// The file's own geometry (shapefile, GeoJSON, GeoPackage).
    Geometry,
    /// Degrees.
    LongitudeLatitude(String, String),
    /// Units of the projected CRS.
    EastingNorthing(String, String),
}

/// What tells the grain.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GrainChannel {
    /// Wet mass per time (factor to kg/s).
    MassFlow(MeasuredColumn),
    /// Wet mass in a record (factor to kg).
    Mass(MeasuredColumn),
    /// Exported yield at field moisture (unit still to be resolved with the crop's bushel weight).
    WetYield(String, #[serde(skip)] YieldUnit),
    /// Exported yield at market moisture.
    DryYield(String, #[serde(skip)] YieldUnit),
}

impl GrainChannel {
    /// The unit as it is printed.
    pub fn unit(&self) -> &str {
        match self {
            Self::MassFlow(column) | Self::Mass(column) => &column.unit,
            Self::WetYield(_, unit) | Self::DryYield(_, unit) => unit.symbol(),
        }
    }

    /// Name of the column in the file.
    pub fn column(&self) -> &str {
        match self {
            Self::MassFlow(column) | Self::Mass(column) => &column.name,
            Self::WetYield(name, _) | Self::DryYield(name, _) => name,
        }
    }
}

/// The resolved settings of one kind of harvest file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HarvestSettings {
    /// Path or glob, relative to `field.toml`.
    pub path: String,
    /// Coordinate reference system, for CSV and for files that carry none.
    pub crs: Option<String>,
    /// The combine, where there is no machine column.
    pub machine: Option<String>,
    /// Swath width, m, where there is no swath column; without both, exported yields take the spacing of the passes.
    pub swath_m: Option<f64>,
    /// Seconds a record stands for, where there is no interval column.
    pub interval_s: Option<f64>,
    /// Times.
    pub time: Option<TimeColumn>,
    /// Positions.
    pub position: PositionColumns,
    /// Grain.
    pub grain: GrainChannel,
    /// Moisture (percent).
    pub moisture: Option<MeasuredColumn>,
    /// Ground speed.
    pub speed: Option<MeasuredColumn>,
    /// Swath width.
    pub swath: Option<MeasuredColumn>,
    /// Seconds a record stands for.
    pub interval: Option<MeasuredColumn>,
    /// Distance travelled in a record.
    pub distance: Option<MeasuredColumn>,
    /// Elevation.
    pub elevation: Option<MeasuredColumn>,
    /// Header state.
    pub header: Option<Column>,
    /// Combine.
    pub machine_column: Option<Column>,
    /// Load.
    pub load: Option<Column>,
    /// Pass.
    pub pass: Option<Column>,
    /// Treatment label.
    pub treatment: Option<Column>,
    /// Block label.
    pub block: Option<Column>,
    /// Strip label.
    pub strip: Option<Column>,
    /// Soil class label.
    pub drainage_class: Option<Column>,
}

pub(super) fn epsg_text(text: &str) -> Result<String, String> {
    match text.strip_prefix("EPSG:") {
        Some(code) if (4..=6).contains(&code.len()) && code.bytes().all(|b| b.is_ascii_digit()) => Ok(text.to_owned()),
        _ => Err(format!("expected a code such as `EPSG:4326`, found `{text}`")),
    }
}

pub(super) fn read(entry: &Section<'_, '_>) -> Option<HarvestSettings> {
    let path = entry.required("path", entry.text("path"), "a file or glob such as \"harvest/*.csv\"");
    let crs = entry.parsed("crs", epsg_text);
    let machine = entry.text("machine");
    let swath_m = positive(entry, "swath", entry.quantity::<Length>("swath"));
    let interval_s = positive(entry, "interval", entry.quantity::<Duration>("interval"));
    let columns = entry.required("columns", entry.section("columns"), "a table [harvest.columns]");
    entry.finish_known();
    let columns = columns?;

    let position = position(&columns);
    let time = time(&columns);
    let grain = grain(&columns);
    let moisture = measured::<Percent>(&columns, "moisture");
    let speed = measured::<Speed>(&columns, "speed");
    let swath = measured::<Length>(&columns, "swath");
    let interval = measured::<Duration>(&columns, "interval");
    let distance = measured::<Length>(&columns, "distance");
    let elevation = measured::<Length>(&columns, "elevation");
    // exported yields need a swath for the ground of a record only; there the spacing of the passes serves
    let is_yield = matches!(grain, Some(GrainChannel::WetYield(..) | GrainChannel::DryYield(..)));
    let label = |key: &str| columns.column(key).map(|name| Column { name });
    let settings = HarvestSettings {
        path: path.unwrap_or_default(),
        crs,
        machine,
        swath_m,
        interval_s,
        time,
        position,
        moisture,
        speed,
        swath,
        interval,
        distance,
        elevation,
        header: label("header"),
        machine_column: label("machine"),
        load: label("load"),
        pass: label("pass"),
        treatment: label("treatment"),
        block: label("block"),
        strip: label("strip"),
        drainage_class: label("drainage_class"),
        grain: grain.unwrap_or(GrainChannel::WetYield(String::new(), YieldUnit::BushelsPerAcre)),
    };
    columns.finish_known();
    if settings.swath.is_none() && settings.swath_m.is_none() && !entry.has("swath") && !is_yield {
        entry.fault("swath", "is missing; give `swath = \"30 ft\"` here or a swath column");
    }
    Some(settings)
}

fn positive<Q: Quantity>(section: &Section<'_, '_>, key: &str, quantity: Option<Q>) -> Option<f64> {
    let value = quantity?.si();
    if value > 0.0 {
        return Some(value);
    }
    section.fault(key, format!("must be greater than 0, found {value}"));
    None
}

/// Reads `{ column, unit }`, or a bare name, which lacks the unit.
fn column_and_unit<T>(
    columns: &Section<'_, '_>,
    key: &str,
    quantity: &'static str,
    fitting: &str,
    unit_of: impl FnOnce(&str) -> Result<T, QuantityError>,
) -> Option<(String, String, T)> {
    match columns.text_or_section(key)? {
        Ok(name) => {
            let first = fitting.split(", ").next().unwrap_or("");
            columns.fault(
                key,
                format!(
                    "column `{name}` has no unit; a {quantity} takes one of: {fitting}; write {{ column = \"{name}\", unit = \"{first}\" }}"
                ),
            );
            None
        }
        Err(table) => {
            let name = table.required("column", table.text("column"), "the column's name");
            let unit = table.required("unit", table.text("unit"), &format!("one of: {fitting}"));
            let resolved = unit
                .as_ref()
                .and_then(|unit| unit_of(unit).map_err(|error| table.fault("unit", error.to_string())).ok());
            table.finish_known();
            Some((name?, unit?, resolved?))
        }
    }
}

fn measured<Q: Quantity>(columns: &Section<'_, '_>, key: &str) -> Option<MeasuredColumn> {
    let (name, unit, factor) =
        column_and_unit(columns, key, Q::NAME, &Q::symbols(), |unit| Q::unit(unit).map(|unit| unit.factor))?;
    Some(MeasuredColumn { name, factor, unit })
}

fn grain(columns: &Section<'_, '_>) -> Option<GrainChannel> {
    const KEYS: [&str; 4] = ["mass_flow", "mass", "wet_yield", "dry_yield"];
    const YIELDS: &str = "bu/ac, kg/ha, t/ha, q/ha, lb/ac";
    let given: Vec<_> = KEYS.into_iter().filter(|key| columns.has(key)).collect();
    let mass_flow = measured::<MassFlow>(columns, "mass_flow").map(GrainChannel::MassFlow);
    let mass = measured::<crate::quantity::Mass>(columns, "mass").map(GrainChannel::Mass);
    let wet = column_and_unit(columns, "wet_yield", "yield", YIELDS, YieldUnit::parse)
        .map(|(name, _, unit)| GrainChannel::WetYield(name, unit));
    let dry = column_and_unit(columns, "dry_yield", "yield", YIELDS, YieldUnit::parse)
        .map(|(name, _, unit)| GrainChannel::DryYield(name, unit));
    match given.as_slice() {
        [_] => mass_flow.or(mass).or(wet).or(dry),
        [] => {
            columns.fault("mass_flow", "is missing; expected a column of mass_flow, mass, wet_yield or dry_yield");
            None
        }
        several => {
            columns.fault(several[1], format!("only one column can tell the grain, found {}", several.join(" and ")));
            None
        }
    }
}

fn position(columns: &Section<'_, '_>) -> PositionColumns {
    let (longitude, latitude) = (columns.column("longitude"), columns.column("latitude"));
    let (easting, northing) = (columns.column("easting"), columns.column("northing"));
    for (one, other, key) in [
        (&longitude, &latitude, "latitude"),
        (&latitude, &longitude, "longitude"),
        (&easting, &northing, "northing"),
        (&northing, &easting, "easting"),
    ] {
        if one.is_some() && other.is_none() && !columns.has(key) {
            columns.fault(key, "is missing; positions need both columns");
        }
    }
    match (longitude, latitude, easting, northing) {
        (Some(_), _, Some(_), _) => {
            columns
                .fault("easting", "positions are given twice: by longitude and latitude, and by easting and northing");
            PositionColumns::Geometry
        }
        (Some(longitude), Some(latitude), None, None) => PositionColumns::LongitudeLatitude(longitude, latitude),
        (None, None, Some(easting), Some(northing)) => PositionColumns::EastingNorthing(easting, northing),
        _ => PositionColumns::Geometry,
    }
}

fn time(columns: &Section<'_, '_>) -> Option<TimeColumn> {
    let format = |text: &str| match text {
        "epoch_s" => Ok(TimeFormat::EpochSeconds),
        "epoch_ms" => Ok(TimeFormat::EpochMilliseconds),
        "rfc3339" => Ok(TimeFormat::Rfc3339),
        pattern if pattern.contains('%') => {
            let bad =
                chrono::format::StrftimeItems::new(pattern).any(|item| matches!(item, chrono::format::Item::Error));
            if bad {
                Err(format!("`{pattern}` is not a strftime pattern"))
            } else {
                Ok(TimeFormat::Pattern(pattern.to_owned()))
            }
        }
        other => {
            Err(format!("unknown time format `{other}`; expected epoch_s, epoch_ms, rfc3339 or a strftime pattern"))
        }
    };
    match columns.text_or_section("time")? {
        Ok(name) => {
            columns.fault(
                "time",
                format!("column `{name}` has no format; write {{ column = \"{name}\", format = \"rfc3339\" }} (or epoch_s, epoch_ms, a strftime pattern)"),
            );
            None
        }
        Err(table) => {
            let name = table.required("column", table.text("column"), "the column's name");
            let format = table.required(
                "format",
                table.parsed("format", format),
                "epoch_s, epoch_ms, rfc3339 or a strftime pattern",
            );
            table.finish_known();
            Some(TimeColumn { name: name?, format: format? })
        }
    }
}
