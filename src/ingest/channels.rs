//! From a file's columns to channels in SI units: what the columns mean.

use std::borrow::Cow;

use chrono::{DateTime, NaiveDateTime, NaiveTime};

use super::IngestError;
use super::readers::{Shapes, Table, TextColumn, Wanted, number_text};
use crate::config::{GrainChannel, HarvestSettings, TimeColumn, TimeFormat};
use crate::points::{Header, Labelled, Readings};
use crate::quantity::BushelWeight;

/// Texts that a header column may hold.
pub(super) const CUTTING: [&str; 26] = [
    "1",
    "true",
    "down",
    "engaged",
    "on",
    "yes",
    "lowered",
    "cutting",
    "working",
    "unten",
    "abgesenkt",
    "ein",
    "ja",
    "wahr",
    "abajo",
    "bajado",
    "si",
    "sí",
    "bas",
    "baissé",
    "baissée",
    "oui",
    "vrai",
    "baixo",
    "abaixado",
    "sim",
];
pub(super) const RAISED: [&str; 26] = [
    "0",
    "false",
    "up",
    "disengaged",
    "off",
    "no",
    "raised",
    "lifted",
    "idle",
    "oben",
    "angehoben",
    "aus",
    "nein",
    "falsch",
    "arriba",
    "levantado",
    "alto",
    "haut",
    "relevé",
    "relevée",
    "non",
    "faux",
    "cima",
    "erguido",
    "não",
    "nao",
];

/// Whether a text is a header state: down, up, or none.
pub(crate) fn header_state(text: &str) -> Option<bool> {
    let folded = text.to_lowercase();
    let is_one_of = |states: &[&str]| states.contains(&folded.as_str());
    if is_one_of(&CUTTING) { Some(true) } else { is_one_of(&RAISED).then_some(false) }
}

/// The channels of one file, in SI units, before positions are projected and gaps are filled.
pub(super) struct FileChannels {
    pub(super) rows: usize,
    /// The rows' numbers in the file, from 1.
    pub(super) row: Vec<u32>,
    /// Position in the file's own reference system.
    pub(super) x: Vec<f64>,
    pub(super) y: Vec<f64>,
    pub(super) time_s: Option<Vec<f64>>,
    pub(super) grain: GrainValues,
    pub(super) readings: Readings<Option<Vec<f64>>>,
    pub(super) header: Option<Vec<Header>>,
    /// Numbers other than 0 and 1 that the header column holds.
    pub(super) header_numbers: Vec<i64>,
    pub(super) labels: Labelled<Option<TextColumn>>,
}

/// What tells the grain.
pub(super) enum GrainValues {
    /// Wet mass flow, kg/s.
    FlowKgS(Vec<f64>),
    /// Wet mass of the record, kg.
    MassKg(Vec<f64>),
    /// Yield at field moisture, kg/ha.
    WetYieldKgHa(Vec<f64>),
    /// Yield at market moisture, kg/ha.
    DryYieldKgHa(Vec<f64>),
}

/// The columns to ask the reader for.
pub(super) fn wanted(harvest: &HarvestSettings) -> Wanted {
    let mut wanted = Wanted { shapes: Shapes::Points, ..Wanted::default() };
    wanted.numbers.extend(harvest.position.names().into_iter().flatten().cloned());
    wanted.numbers.push(harvest.grain.column().to_owned());
    wanted.numbers.extend(harvest.readings.all().flatten().map(|column| column.name.clone()));
    if let Some(time) = &harvest.time {
        match time.format {
            TimeFormat::EpochSeconds | TimeFormat::EpochMilliseconds => wanted.numbers.push(time.name.clone()),
            TimeFormat::Rfc3339 | TimeFormat::Pattern(_) => {
                wanted.texts.push(time.name.clone());
                wanted.texts.extend(time.clock.clone());
            }
        }
    }
    let labels = std::iter::once(&harvest.header).chain(harvest.labels.all());
    wanted.texts.extend(labels.flatten().map(|column| column.name.clone()));
    let filter = harvest.filter.as_ref().and_then(|filter| filter.labels.as_ref());
    wanted.texts.extend(filter.map(|(column, _)| column.name.clone()));
    for names in [&mut wanted.numbers, &mut wanted.texts] {
        names.sort();
        names.dedup();
    }
    wanted
}

/// Turns the columns of a file into channels.
pub(super) fn channels(
    file: &str,
    mut table: Table,
    harvest: &HarvestSettings,
    bushel: BushelWeight,
) -> Result<FileChannels, IngestError> {
    let (x, y) = match harvest.position.names() {
        None => table.positions.take().ok_or_else(|| {
            IngestError::damaged(
                file,
                "carries no geometry; map the columns longitude and latitude, or easting and northing",
            )
        })?,
        Some([x, y]) => (table.numbers[x].clone(), table.numbers[y].clone()),
    };
    let scaled = |name: &str, factor: f64| table.numbers[name].iter().map(|value| value * factor).collect::<Vec<_>>();
    let grain = match &harvest.grain {
        GrainChannel::MassFlow(column) => GrainValues::FlowKgS(scaled(&column.name, column.factor)),
        GrainChannel::Mass(column) => GrainValues::MassKg(scaled(&column.name, column.factor)),
        GrainChannel::WetYield(name, unit) => GrainValues::WetYieldKgHa(scaled(name, unit.kg_per_ha(bushel))),
        GrainChannel::DryYield(name, unit) => GrainValues::DryYieldKgHa(scaled(name, unit.kg_per_ha(bushel))),
    };
    let header = match &harvest.header {
        None => None,
        Some(column) => Some(header(file, &column.name, &table.texts[&column.name])?),
    };
    let states = harvest.header.as_ref().map(|column| &table.texts[&column.name]);
    let header_numbers = states.map(numbers_beyond_a_state).unwrap_or_default();
    Ok(FileChannels {
        rows: table.rows,
        row: (1..=table.rows as u32).collect(),
        x,
        y,
        time_s: time(file, &table, harvest)?,
        grain,
        readings: harvest.readings.as_each(|column| Some(scaled(&column.as_ref()?.name, column.as_ref()?.factor))),
        header,
        header_numbers,
        labels: harvest.labels.as_each(|column| Some(table.texts[&column.as_ref()?.name].clone())),
    })
}

/// The whole numbers in a column other than 0 and 1, if it holds whole numbers of one digit only.
fn numbers_beyond_a_state(texts: &TextColumn) -> Vec<i64> {
    let mut numbers = std::collections::BTreeSet::new();
    for text in texts.iter().flatten() {
        match text.parse::<f64>() {
            Ok(number) if number.fract().abs() < f64::EPSILON && (0.0..10.0).contains(&number) => {
                numbers.insert(number as i64);
            }
            _ => return Vec::new(),
        }
    }
    if numbers.iter().all(|number| *number <= 1) { Vec::new() } else { numbers.into_iter().collect() }
}

impl FileChannels {
    /// Keeps the rows for which `keep` holds.
    pub(super) fn retain(&mut self, keep: &[bool]) {
        let numbers = |values: &mut Vec<f64>| {
            let mut kept = keep.iter();
            values.retain(|_| kept.next().copied().unwrap_or(false));
        };
        let texts = |column: &mut Option<TextColumn>| {
            if let Some(column) = column {
                *column = column.kept(keep);
            }
        };
        let mut kept = keep.iter();
        self.row.retain(|_| kept.next().copied().unwrap_or(false));
        self.rows = self.row.len();
        let grain = match &mut self.grain {
            GrainValues::FlowKgS(values)
            | GrainValues::MassKg(values)
            | GrainValues::WetYieldKgHa(values)
            | GrainValues::DryYieldKgHa(values) => values,
        };
        [&mut self.x, &mut self.y, grain].into_iter().for_each(numbers);
        self.readings.all_mut().chain([&mut self.time_s]).flatten().for_each(numbers);
        if let Some(header) = &mut self.header {
            let mut kept = keep.iter();
            header.retain(|_| kept.next().copied().unwrap_or(false));
        }
        self.labels.all_mut().for_each(texts);
    }
}

fn header(file: &str, column: &str, texts: &TextColumn) -> Result<Vec<Header>, IngestError> {
    texts
        .iter()
        .enumerate()
        .map(|(row, text)| {
            let Some(text) = text else { return Ok(Header::Unknown) };
            let folded = text.to_lowercase();
            if CUTTING.contains(&folded.as_str()) || folded.parse::<f64>().is_ok_and(|number| number > 0.0) {
                Ok(Header::Down)
            } else if RAISED.contains(&folded.as_str()) || folded.parse::<f64>().is_ok_and(|number| number <= 0.0) {
                Ok(Header::Up)
            } else {
                Err(IngestError::cell(
                    file,
                    row + 1,
                    column,
                    text,
                    format_args!("a header state: one of {} or {}", CUTTING[..9].join(", "), RAISED[..9].join(", ")),
                ))
            }
        })
        .collect()
}

fn time(file: &str, table: &Table, harvest: &HarvestSettings) -> Result<Option<Vec<f64>>, IngestError> {
    let Some(time) = &harvest.time else { return Ok(None) };
    let clock = time.clock.as_ref().map(|clock| &table.texts[clock]);
    let parsed = |read: &dyn Fn(&str) -> Option<f64>, expected: &str| {
        table.texts[&time.name]
            .iter()
            .enumerate()
            .map(|(row, text)| {
                let Some(text) = text else { return Ok(f64::NAN) };
                let text = match clock.map(|clock| clock.get(row)) {
                    Some(None) => return Ok(f64::NAN),
                    Some(Some(clock)) => Cow::Owned(format!("{text} {clock}")),
                    None => Cow::Borrowed(text),
                };
                read(&text).ok_or_else(|| IngestError::cell(file, row + 1, &time.name, text, expected))
            })
            .collect::<Result<Vec<f64>, _>>()
    };
    let mut seconds = match &time.format {
        TimeFormat::EpochSeconds => table.numbers[&time.name].clone(),
        TimeFormat::EpochMilliseconds => table.numbers[&time.name].iter().map(|value| value / 1000.0).collect(),
        TimeFormat::Rfc3339 => parsed(
            &|text| DateTime::parse_from_rfc3339(text).ok().map(|time| epoch_s(time.naive_utc())),
            "a time such as 2023-10-04T15:02:11Z",
        )?,
        TimeFormat::Pattern(pattern) => parsed(
            &|text| {
                DateTime::parse_from_str(text, pattern)
                    .map(|time| time.naive_utc())
                    .map(epoch_s)
                    .or_else(|_| {
                        let day =
                            || chrono::NaiveDate::parse_from_str(text, pattern).map(|day| day.and_time(NaiveTime::MIN));
                        let local = NaiveDateTime::parse_from_str(text, pattern)
                            .or_else(|error| if tells_a_day(pattern) { day() } else { Err(error) })?;
                        Ok::<f64, chrono::ParseError>(epoch_s(local) - f64::from(time.ahead_s))
                    })
                    .ok()
            },
            &format!("a time as `{pattern}`"),
        )?,
    };
    blank_beyond_the_calendar(file, time, &mut seconds)?;
    Ok(Some(seconds))
}

/// Whether a pattern tells a day and no time of it, as that of lines of a log may.
fn tells_a_day(pattern: &str) -> bool {
    pattern.split('%').skip(1).all(|item| item.starts_with(|letter| "YymdbBjeDFv-_0".contains(letter)))
}

/// Seconds since 1970 of the first and the last moment that RFC 3339 can write: the years 0000 to 9999.
const CALENDAR_S: std::ops::RangeInclusive<f64> = -62_167_219_200.0..=253_402_300_799.0;

/// A time beyond the calendar spoils its record. Where most are, it is the format that is wrong.
fn blank_beyond_the_calendar(file: &str, column: &TimeColumn, seconds: &mut [f64]) -> Result<(), IngestError> {
    let is_beyond = |time: &f64| time.is_finite() && !CALENDAR_S.contains(time);
    let Some(first) = seconds.iter().position(is_beyond) else { return Ok(()) };
    let (beyond, known) =
        (seconds.iter().filter(|time| is_beyond(time)), seconds.iter().filter(|time| time.is_finite()));
    if 2 * beyond.count() > known.count() {
        let unit = if column.format == TimeFormat::EpochMilliseconds { 1000.0 } else { 1.0 };
        return Err(IngestError::cell(
            file,
            first + 1,
            &column.name,
            number_text(seconds[first] * unit),
            "a time from year 0 to 9999; is the format epoch_s or epoch_ms, as written in field.toml?",
        ));
    }
    seconds.iter_mut().filter(|time| is_beyond(time)).for_each(|time| *time = f64::NAN);
    Ok(())
}

/// Seconds since 1970-01-01T00:00:00Z.
pub(crate) fn epoch_s(time: NaiveDateTime) -> f64 {
    let time = time.and_utc();
    time.timestamp() as f64 + f64::from(time.timestamp_subsec_nanos()) * 1e-9
}
