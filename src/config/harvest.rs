//! `[[harvest]]`: where the combine's records are and what their columns mean.

use serde::Serialize;

use super::section::Section;
use crate::points::{Labelled, Readings};
use crate::quantity::{Duration, Length, Mass, MassFlow, Quantity, QuantityError, Units, YieldUnit};

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
    /// Name in the file; of the dates, where date and clock stand in two columns.
    pub name: String,
    /// Name of the column of the clock, where there are two.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clock: Option<String>,
    /// How the times are written; with two columns, date and clock joined by a blank.
    pub format: TimeFormat,
    /// Seconds that the clock is ahead of UTC, for texts that carry no offset.
    #[serde(skip_serializing_if = "is_zero")]
    pub ahead_s: i32,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "the signature that serde asks for")]
fn is_zero(seconds: &i32) -> bool {
    *seconds == 0
}

/// Which rows of a file belong to the field; a row must fit all that is given.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RowFilter {
    /// A column of labels and the labels that belong to the field.
    pub labels: Option<(Column, Vec<String>)>,
    /// Where the rows must lie.
    pub within: Option<Within>,
    /// First day (UTC) and the day after the last, as seconds since 1970.
    pub days_s: Option<(f64, f64)>,
}

/// The place of rows.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Within {
    /// The field's boundary and this much around it, m.
    Boundary(f64),
    /// West, south, east, north in degrees.
    Degrees([f64; 4]),
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

impl PositionColumns {
    /// The names of the columns, east before north; `None` for the file's own geometry.
    pub fn names(&self) -> Option<[&String; 2]> {
        match self {
            Self::Geometry => None,
            Self::LongitudeLatitude(x, y) | Self::EastingNorthing(x, y) => Some([x, y]),
        }
    }
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
    WetYield(String, #[serde(serialize_with = "unit_as_text")] YieldUnit),
    /// Exported yield at market moisture.
    DryYield(String, #[serde(serialize_with = "unit_as_text")] YieldUnit),
}

fn unit_as_text<S: serde::Serializer>(unit: &YieldUnit, serializer: S) -> Result<S::Ok, S::Error> {
    unit.symbol().serialize(serializer)
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
    /// Paths or globs, relative to `field.toml`.
    pub paths: Vec<String>,
    /// Whether no columns are mapped, and the standard of the files tells them (task data of ISO 11783-10).
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub by_standard: bool,
    /// Which rows belong to the field; all where absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub filter: Option<RowFilter>,
    /// Coordinate reference system, for CSV and for files that carry none.
    pub crs: Option<String>,
    /// The combine, where there is no machine column.
    pub machine: Option<String>,
    /// Swath width, m, where there is no swath column; without both, exported yields take the spacing of the passes.
    pub swath_m: Option<f64>,
    /// The same as typed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub swath_typed: Option<String>,
    /// Seconds a record stands for, where there is no interval column.
    pub interval_s: Option<f64>,
    /// Times.
    pub time: Option<TimeColumn>,
    /// Positions.
    pub position: PositionColumns,
    /// Grain.
    pub grain: GrainChannel,
    /// The channels of numbers.
    #[serde(flatten)]
    pub readings: Readings<Option<MeasuredColumn>>,
    /// Header state.
    pub header: Option<Column>,
    /// The channels of labels.
    #[serde(flatten)]
    pub labels: Labelled<Option<Column>>,
}

pub(super) fn epsg_text(text: &str) -> Result<String, String> {
    match text.strip_prefix("EPSG:") {
        Some(code) if (4..=6).contains(&code.len()) && code.bytes().all(|b| b.is_ascii_digit()) => Ok(text.to_owned()),
        _ => Err(format!("expected a code such as `EPSG:4326`, found `{text}`")),
    }
}

/// Where the files of a log are, which of their rows count, and what stands for columns that they lack; no columns are mapped yet.
pub(super) fn source(entry: &Section<'_, '_>, width_key: &str) -> HarvestSettings {
    let paths = entry.required("path", entry.texts("path"), "a file or glob such as \"harvest/*.csv\"");
    if paths.as_ref().is_some_and(|paths| paths.is_empty() || paths.iter().any(|path| path.trim().is_empty())) {
        entry.fault("path", "expected a file or glob such as \"harvest/*.csv\", found an empty one");
    }
    let filter = filter(entry);
    let crs = entry.parsed("crs", epsg_text);
    let mut swath_typed = None;
    let swath = entry.with_unit(width_key, |text| {
        swath_typed = Some(text.to_owned());
        Length::parse(text)
    });
    HarvestSettings {
        paths: paths.unwrap_or_default(),
        by_standard: false,
        filter,
        crs,
        machine: None,
        swath_m: positive(entry, width_key, swath),
        swath_typed,
        interval_s: None,
        time: None,
        position: PositionColumns::Geometry,
        grain: GrainChannel::WetYield(String::new(), YieldUnit::BushelsPerAcre),
        readings: Readings::default(),
        header: None,
        labels: Labelled::default(),
    }
}

pub(super) fn read(entry: &Section<'_, '_>) -> Option<HarvestSettings> {
    let mut settings = source(entry, "swath");
    settings.machine = entry.text("machine");
    settings.interval_s = positive(entry, "interval", entry.quantity::<Duration>("interval"));
    settings.by_standard = !entry.has("columns") && settings.paths.iter().all(|path| may_be_task_data(path));
    let columns = entry.section("columns");
    if !settings.by_standard {
        entry.required("columns", columns.as_ref(), "a table [harvest.columns]");
    }
    entry.finish_known();
    if settings.by_standard {
        return Some(settings);
    }
    let columns = columns?;

    let position = position(&columns);
    let time = time(&columns);
    let grain = grain(&columns);
    let readings = Readings::of(|channel| measured(&columns, channel.key, channel.units?));
    // exported yields need a swath for the ground of a record only; there the spacing of the passes serves
    let is_yield = matches!(grain, Some(GrainChannel::WetYield(..) | GrainChannel::DryYield(..)));
    let label = |key: &str| columns.column(key).map(|name| Column { name });
    settings = HarvestSettings {
        time,
        position,
        readings,
        header: label("header"),
        labels: Labelled::of(|channel| label(channel.key)),
        grain: grain.unwrap_or(settings.grain),
        ..settings
    };
    columns.finish_known();
    if settings.readings.swath_m.is_none() && settings.swath_m.is_none() && !entry.has("swath") && !is_yield {
        entry.fault("swath", "is missing; give `swath = \"30 ft\"` here or a swath column");
    }
    Some(settings)
}

/// Whether a path may lead to task data: TASKDATA.XML, a folder or a .zip.
pub(super) fn may_be_task_data(path: &str) -> bool {
    let name = path.rsplit('/').next().unwrap_or("").to_ascii_lowercase();
    match name.rsplit_once('.') {
        None => true,
        Some((_, extension)) => matches!(extension, "xml" | "zip"),
    }
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
pub(super) fn column_and_unit<T>(
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

pub(super) fn measured(columns: &Section<'_, '_>, key: &str, units: Units) -> Option<MeasuredColumn> {
    let factor = |unit: &str| (units.unit)(unit).map(|unit| unit.factor);
    let (name, unit, factor) = column_and_unit(columns, key, units.name, &(units.symbols)(), factor)?;
    Some(MeasuredColumn { name, factor, unit })
}

fn grain(columns: &Section<'_, '_>) -> Option<GrainChannel> {
    const KEYS: [&str; 5] = ["mass_flow", "mass", "wet_yield", "dry_yield", "yield"];
    const YIELDS: &str = "bu/ac, kg/ha, t/ha, q/ha, lb/ac";
    let given: Vec<_> = KEYS.into_iter().filter(|key| columns.has(key)).collect();
    let mass_flow = measured(columns, "mass_flow", Units::of::<MassFlow>()).map(GrainChannel::MassFlow);
    let mass = measured(columns, "mass", Units::of::<Mass>()).map(GrainChannel::Mass);
    let wet = column_and_unit(columns, "wet_yield", "yield", YIELDS, YieldUnit::parse)
        .map(|(name, _, unit)| GrainChannel::WetYield(name, unit));
    let dry = column_and_unit(columns, "dry_yield", "yield", YIELDS, YieldUnit::parse)
        .map(|(name, _, unit)| GrainChannel::DryYield(name, unit));
    let either = columns.section("yield").and_then(|table| {
        let name = table.required("column", table.text("column"), "the column's name");
        let unit = table.required("unit", table.parsed("unit", YieldUnit::parse), &format!("one of: {YIELDS}"));
        let is_market = table.parsed("at", |text| match text {
            "market" => Ok(true),
            "field" => Ok(false),
            other => Err(format!("expected `market` (dry) or `field` (wet) moisture, found `{other}`")),
        });
        let is_market = table.required("at", is_market, "`market` (dry) or `field` (wet): the moisture it is given at");
        table.finish_known();
        let (name, unit) = (name?, unit?);
        Some(if is_market? { GrainChannel::DryYield(name, unit) } else { GrainChannel::WetYield(name, unit) })
    });
    match given.as_slice() {
        [_] => mass_flow.or(mass).or(wet).or(dry).or(either),
        [] => {
            columns.fault("mass_flow", "is missing; expected a column of mass_flow, mass, wet_yield or dry_yield");
            None
        }
        several => {
            columns.fault(several[1], format!("only one column can give the grain, found {}", several.join(" and ")));
            None
        }
    }
}

pub(super) fn position(columns: &Section<'_, '_>) -> PositionColumns {
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

pub(super) fn time(columns: &Section<'_, '_>) -> Option<TimeColumn> {
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
            let (name, clock) = if table.has("date") || table.has("clock") {
                if table.has("column") {
                    table.fault("column", "times are given twice: by one column, and by date and clock");
                }
                let clock = table.required("clock", table.text("clock"), "the column of the time of day");
                (table.required("date", table.text("date"), "the column of the dates"), clock)
            } else {
                (table.required("column", table.text("column"), "the column's name"), None)
            };
            let format = table.required(
                "format",
                table.parsed("format", format),
                "epoch_s, epoch_ms, rfc3339 or a strftime pattern",
            );
            let ahead_s = table.parsed("zone", zone).unwrap_or(0);
            if clock.is_some() && !matches!(format, None | Some(TimeFormat::Pattern(_))) {
                table.fault(
                    "format",
                    "date and clock in two columns take a strftime pattern such as \"%Y-%m-%d %H:%M:%S\"",
                );
            }
            if table.has("zone") && !matches!(format, None | Some(TimeFormat::Pattern(_))) {
                table.fault("zone", "goes with a strftime pattern; epoch_s, epoch_ms and rfc3339 carry UTC themselves");
            }
            table.finish_known();
            Some(TimeColumn { name: name?, clock, format: format?, ahead_s })
        }
    }
}

/// Seconds ahead of UTC: `UTC`, or an offset such as `-05:00`.
fn zone(text: &str) -> Result<i32, String> {
    let fault = || format!("expected `UTC` or an offset such as `-05:00`, found `{text}`");
    if matches!(text, "UTC" | "Z") {
        return Ok(0);
    }
    let offset: chrono::FixedOffset = text.parse().map_err(|_| fault())?;
    Ok(offset.local_minus_utc())
}

/// Ground around the boundary whose records still belong to the field, m: turns and the width of a header (common practice, no
/// source).
const MARGIN_M: f64 = 25.0;

fn filter(entry: &Section<'_, '_>) -> Option<RowFilter> {
    let table = entry.section("where")?;
    let labels = if table.has("column") || table.has("is") {
        let column = table.required("column", table.text("column"), "the column of the labels");
        let is = table.required("is", table.texts("is"), "the label, or a list of labels, of this field's rows");
        column.zip(is).map(|(name, is)| (Column { name }, is))
    } else {
        None
    };
    let within = match table.text_or_numbers("within") {
        Some(Ok(text)) if text == "boundary" => {
            Some(Within::Boundary(table.quantity_or::<Length>("margin", MARGIN_M, 0.0, 500.0)))
        }
        Some(Err(numbers)) if numbers.len() == 4 && numbers[0] < numbers[2] && numbers[1] < numbers[3] => {
            Some(Within::Degrees([numbers[0], numbers[1], numbers[2], numbers[3]]))
        }
        Some(_) => {
            table.fault("within", "expected \"boundary\", or [west, south, east, north] in degrees");
            None
        }
        None => None,
    };
    let day =
        |key: &str| table.date(key).map(|date| date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp() as f64);
    let (from, to) = (day("from"), day("to"));
    let days_s = (from.is_some() || to.is_some())
        .then(|| (from.unwrap_or(f64::NEG_INFINITY), to.map_or(f64::INFINITY, |to| to + 86_400.0)));
    table.finish_known();
    if labels.is_none() && within.is_none() && days_s.is_none() {
        entry.fault("where", "says nothing; give column and is, within, or from and to");
    }
    Some(RowFilter { labels, within, days_s })
}
