//! `[[observed]]`: counts and ratings, by the readers of the harvest's files.

use geo::{BoundingRect, MultiPolygon};

use super::IngestError;
use super::SiteYearFiles;
use super::assemble;
use super::layers::{InputFile, reference_system};
use super::photos::Photos;
use super::readers::{self, Format, Shapes, Table, TextColumn, Wanted};
use crate::config::{ArchiveSettings, FieldSettings, ObservedSettings};
use crate::geometry::{Crs, PolygonIndex, Projector};
use crate::points::{Measure, Observation, Scale, StripGround};

/// How far outside the boundary, or the strips where there is none, a position may lie, m: the error of a hand-held receiver and the
/// headland (ours).
const MARGIN_M: f64 = 30.0;

/// Reads the measures of a site-year.
pub(super) fn measures(
    files: &SiteYearFiles,
    field: &FieldSettings,
    archive: &ArchiveSettings,
    utm: &Crs,
    (boundary, strips): (Option<&MultiPolygon<f64>>, &[StripGround]),
) -> Result<Vec<Measure>, IngestError> {
    let inside = Inside::new(boundary, strips);
    let mut photos = Photos::new(&files.photos);
    let mut measures = Vec::new();
    for (number, (settings, files)) in field.observed.iter().zip(&files.observed).enumerate() {
        let key = format!("field.toml: observed[{}]", number + 1);
        let mut observations = Vec::new();
        for file in files {
            observations.extend(read(
                file,
                settings,
                &key,
                archive.read.most_unpacked_bytes,
                utm,
                (&inside, &mut photos),
            )?);
        }
        measures.push(Measure {
            name: settings.name.clone(),
            scale: settings.kind.clone(),
            strip_column: settings.strip.clone(),
            observations,
        });
    }
    if let Some(wrong) = measures.iter().flat_map(|one| &one.observations).find(|one| !in_season(one, field.season)) {
        let column = field.observed.iter().find_map(|one| one.date.clone()).unwrap_or_default();
        return Err(IngestError::cell(
            &wrong.file,
            wrong.row,
            &column,
            wrong.day.clone().unwrap_or_default(),
            format_args!("a day of the season {}", field.season),
        ));
    }
    Ok(measures)
}

/// Winter crops are looked at in the autumn before, too.
fn in_season(one: &Observation, season: i32) -> bool {
    let year = one.day.as_ref().and_then(|day| day.get(..4)?.parse::<i32>().ok());
    year.is_none_or(|year| year == season || year == season - 1)
}

/// Where observations may lie.
struct Inside {
    boundary: Option<PolygonIndex>,
    extent: Option<assemble::Extent>,
}

impl Inside {
    fn new(boundary: Option<&MultiPolygon<f64>>, strips: &[StripGround]) -> Self {
        Self {
            boundary: boundary.map(|ground| PolygonIndex::new(vec![ground.clone()])),
            extent: assemble::extent(strips.iter().filter_map(|strip| strip.ground.bounding_rect())),
        }
    }

    fn holds(&self, (x, y): (f64, f64)) -> bool {
        if let Some(boundary) = &self.boundary {
            let edge = boundary.distance_to_edge_of(0, x, y).map_or(f64::INFINITY, f64::abs);
            return boundary.holds(0, x, y) || edge <= MARGIN_M;
        }
        self.extent.is_none_or(|[west, south, east, north]| {
            (west - MARGIN_M..=east + MARGIN_M).contains(&x) && (south - MARGIN_M..=north + MARGIN_M).contains(&y)
        })
    }
}

/// Where the observations of a file were made, UTM metres.
fn places(
    file: &InputFile,
    settings: &ObservedSettings,
    table: &Table,
    by_place: bool,
    utm: &Crs,
    inside: &Inside,
) -> Result<Vec<Option<(f64, f64)>>, IngestError> {
    let mut places = vec![None; table.rows];
    if by_place {
        let (mut x, mut y) = table.positions_by(&settings.position).unwrap_or_default();
        if x.iter().any(|x| x.is_finite()) {
            let crs = reference_system(&file.name, table.crs.as_ref(), settings.crs.as_deref(), "")?;
            let fault = |error: crate::geometry::CrsError| IngestError::crs(&file.name, error);
            let typed: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
            Projector::new(&crs, utm).and_then(|to| to.convert(&mut x, &mut y)).map_err(fault)?;
            for (row, place) in places.iter_mut().enumerate() {
                if !typed[row].0.is_finite() || !typed[row].1.is_finite() {
                    continue;
                }
                let at = (x[row], y[row]);
                if !(at.0.is_finite() && at.1.is_finite() && inside.holds(at)) {
                    return Err(IngestError::misplaced(
                        &file.name,
                        format_args!(
                            "row {}: ({}, {}) lies outside the field; expected a place within {MARGIN_M:.0} m of it",
                            row + 1,
                            typed[row].0,
                            typed[row].1
                        ),
                    ));
                }
                *place = Some(at);
            }
        }
    }
    Ok(places)
}

/// What a row tells: the count, the percent, or the number of its level; `None` where it is empty.
fn value(
    settings: &ObservedSettings,
    table: &Table,
    row: usize,
    cell: &dyn Fn(&str, String, String) -> IngestError,
) -> Result<Option<f64>, IngestError> {
    if let Scale::Ordinal(levels) = &settings.kind {
        let Some(level) = table.texts[&settings.value].get(row) else { return Ok(None) };
        let at = levels.iter().position(|known| known == level);
        let fault = || cell(&settings.value, level.to_owned(), format!("a level: {}", levels.join(", ")));
        return at.map(|at| Some(at as f64)).ok_or_else(fault);
    }
    let value = table.numbers[&settings.value][row];
    if value.is_nan() {
        return Ok(None);
    }
    let (expected, is_sound) = match settings.kind {
        Scale::Percent => ("a percent, 0 to 100", (0.0..=100.0).contains(&value)),
        _ => ("a whole count, 0 or more", value.is_finite() && value >= 0.0 && value.fract() == 0.0),
    };
    if is_sound { Ok(Some(value)) } else { Err(cell(&settings.value, value.to_string(), expected.to_owned())) }
}

fn read(
    file: &InputFile,
    settings: &ObservedSettings,
    key: &str,
    most_unpacked_bytes: u64,
    utm: &Crs,
    (inside, photos): (&Inside, &mut Photos<'_>),
) -> Result<Vec<Observation>, IngestError> {
    let has_geometry = Format::of(&file.path).is_some_and(Format::has_geometry);
    let by_columns = settings.position.names();
    let by_place = has_geometry || by_columns.is_some();
    if !by_place && settings.strip.is_none() {
        return Err(IngestError::Contradiction(format!(
            "{key}.columns: {} holds no geometry; map longitude and latitude, or strip",
            file.name
        )));
    }
    let is_ordinal = matches!(settings.kind, Scale::Ordinal(_));
    let optional = [
        &settings.strip,
        &settings.spot,
        &settings.plant,
        &settings.date,
        &settings.observer_column,
        &settings.blind_column,
        &settings.photo,
    ];
    let mut wanted = Wanted { most_unpacked_bytes, ..Wanted::default() };
    wanted.shapes = if has_geometry && by_columns.is_none() { Shapes::Points } else { Shapes::Ignored };
    wanted.texts.extend(optional.into_iter().flatten().cloned());
    wanted.numbers.extend(by_columns.into_iter().flatten().cloned());
    if is_ordinal { &mut wanted.texts } else { &mut wanted.numbers }.push(settings.value.clone());
    for names in [&mut wanted.numbers, &mut wanted.texts] {
        names.sort();
        names.dedup();
    }
    let table = readers::read(&file.name, &file.path, &wanted)?;
    if table.rows == 0 {
        return Err(IngestError::Empty { file: file.name.clone(), what: "observations" });
    }
    let places = places(file, settings, &table, by_place, utm, inside)?;
    let text = |column: &Option<String>, row: usize| {
        column.as_ref().and_then(|name| table.texts.get(name)).and_then(|texts: &TextColumn| texts.get(row))
    };
    let owned = |column: &Option<String>, row: usize| text(column, row).map(str::to_owned);
    let mut observations = Vec::new();
    for (row, place_m) in places.into_iter().enumerate() {
        let cell = |column: &str, found: String, expected: String| {
            IngestError::cell(&file.name, row + 1, column, found, expected)
        };
        let Some(value) = value(settings, &table, row, &cell)? else { continue };
        let strip = owned(&settings.strip, row);
        if strip.is_none() && place_m.is_none() {
            let column = settings.strip.clone().or(by_columns.map(|[east, _]| east.clone()));
            return Err(cell(&column.unwrap_or_default(), String::new(), "a position or a strip".to_owned()));
        }
        let day = owned(&settings.date, row);
        if let Some(day) = &day
            && chrono::NaiveDate::parse_from_str(day, "%Y-%m-%d").is_err()
        {
            let column = settings.date.clone().unwrap_or_default();
            return Err(cell(&column, day.clone(), "a day such as 2023-08-14".to_owned()));
        }
        let blind = match text(&settings.blind_column, row).map(str::to_ascii_lowercase).as_deref() {
            None => settings.blind,
            Some("yes" | "true" | "1") => Some(true),
            Some("no" | "false" | "0") => Some(false),
            Some(other) => {
                let column = settings.blind_column.clone().unwrap_or_default();
                return Err(cell(&column, other.to_owned(), "yes or no".to_owned()));
            }
        };
        observations.push(Observation {
            file: file.name.clone(),
            row: row + 1,
            place_m,
            strip,
            spot: owned(&settings.spot, row),
            plant: owned(&settings.plant, row),
            value,
            day,
            observer: owned(&settings.observer_column, row).or_else(|| settings.observer.clone()),
            blind,
            photo: text(&settings.photo, row).map(|cell| photos.get(&file.name, cell)).transpose()?.flatten(),
        });
    }
    if observations.is_empty() {
        return Err(IngestError::Empty { file: file.name.clone(), what: "observations with a value" });
    }
    Ok(observations)
}
