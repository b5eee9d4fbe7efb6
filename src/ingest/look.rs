//! Looks into a data file whose columns nobody has named yet, for `inspect` and `draft`.

use std::collections::BTreeMap;
use std::path::Path;

use geo::BoundingRect;

use super::readers::{Shapes, Table, TextColumn, Wanted, number_or_comma};
use super::{IngestError, assemble, readers};
use crate::bundle;
use crate::config::ReadSettings;

/// The names of a data file's columns.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub(crate) fn read_columns(name: &str, path: &Path) -> Result<Vec<String>, IngestError> {
    readers::columns(name, path, ReadSettings::default().most_unpacked_bytes)
}

/// The wanted columns of a data file.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub(crate) fn read_table(name: &str, path: &Path, wanted: &Wanted) -> Result<Table, IngestError> {
    readers::read(name, path, wanted)
}

/// The names that stand over one column only.
fn unambiguous(columns: &[String]) -> Vec<String> {
    let is_once = |column: &&String| !column.is_empty() && columns.iter().filter(|one| one == column).count() == 1;
    columns.iter().filter(is_once).cloned().collect()
}

/// The columns of a data file that hold numbers only, in the order of its rows.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub(crate) fn numbers_of(name: &str, path: &Path) -> Result<Vec<(String, Vec<f64>)>, IngestError> {
    let texts = unambiguous(&read_columns(name, path)?);
    let table = readers::read(name, path, &Wanted { texts, ..Wanted::default() })?;
    let number = |text: Option<&str>| text.map_or(Some(f64::NAN), number_or_comma);
    let numbers = |column: &TextColumn| column.iter().map(number).collect::<Option<Vec<f64>>>();
    Ok(table.texts.iter().filter_map(|(name, column)| Some((name.clone(), numbers(column)?))).collect())
}

/// The units in a row below the header of a CSV file, one a column.
pub(crate) fn read_units(name: &str, path: &Path) -> Option<Vec<String>> {
    readers::units(name, path, ReadSettings::default().most_unpacked_bytes)
}

/// The file that stands for a path: itself, or that of a folder of task data.
pub(crate) fn data_file(path: &Path) -> Option<std::path::PathBuf> {
    if path.is_dir() { readers::main_file(path) } else { bundle::on_disk(path).0.is_file().then(|| path.to_path_buf()) }
}

/// The other files that belong to a file, those of a shapefile or of task data.
pub(crate) fn companions(path: &Path) -> Vec<std::path::PathBuf> {
    readers::companions(path)
}

/// Whether a file is task data of ISO 11783-10.
pub(crate) fn is_task_data(path: &Path) -> bool {
    readers::Format::of(path).is_some_and(readers::Format::is_task_data)
}

/// Whether the format of a file is known by its name, and read.
pub(crate) fn is_table(path: &Path) -> bool {
    readers::Format::of(path).is_some()
}

/// What stands in one data file, for `inspect`.
#[derive(Debug, Clone, PartialEq)]
pub struct FileSummary {
    /// The format's name.
    pub format: &'static str,
    /// The names of its columns.
    pub columns: Vec<String>,
    /// Its rows.
    pub rows: usize,
    /// Least and greatest value of each column that holds numbers only.
    pub ranges: BTreeMap<String, [f64; 2]>,
    /// Share of empty cells and number of different values of each column, counted up to [`MOST_DISTINCT`].
    pub cells: BTreeMap<String, (f64, usize)>,
    /// `[west, south, east, north]` of its own geometry, or of columns that are called like positions, in its own reference
    /// system.
    pub extent: Option<[f64; 4]>,
    /// Its own reference system.
    pub crs: Option<String>,
    /// Whether its rows lie somewhere.
    pub is_place: bool,
}

/// Different values of a column that are counted.
pub const MOST_DISTINCT: usize = 1000;

/// Looks into one data file without knowing what its columns mean.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub fn summarise(name: &str, path: &Path) -> Result<FileSummary, IngestError> {
    if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("dbf")) {
        let table = readers::attribute_table(name, path)?;
        let columns = table.texts.keys().cloned().collect();
        return Ok(summary("attribute table of a shapefile (dBASE)", columns, &table, None, false));
    }
    let columns = read_columns(name, path)?;
    let format = readers::Format::of(path);
    let texts = unambiguous(&columns);
    let wanted = |shapes, texts: &[String]| Wanted { shapes, texts: texts.to_vec(), ..Wanted::default() };
    // a column that holds neither numbers nor texts does no harm as long as nobody maps it
    let read = |shapes| {
        let all = readers::read(name, path, &wanted(shapes, &texts));
        all.or_else(|_| readers::read(name, path, &wanted(shapes, &[])))
    };
    let has_geometry = format.is_some_and(readers::Format::has_geometry);
    let (table, extent) = if has_geometry {
        match read(Shapes::Tracks) {
            Ok(table) => {
                let extent = match &table.positions {
                    Some((x, y)) => Some(assemble::extent_of_points(x, y)),
                    None => assemble::extent(table.lines.iter().filter_map(BoundingRect::bounding_rect)),
                };
                (table, extent)
            }
            Err(_) => {
                let table = read(Shapes::Polygons)?;
                let extent = assemble::extent(table.polygons.iter().filter_map(BoundingRect::bounding_rect));
                (table, extent)
            }
        }
    } else {
        (read(Shapes::Ignored)?, None)
    };
    Ok(summary(format.map_or("", readers::Format::name), columns, &table, extent, true))
}

fn cells(column: &TextColumn) -> (f64, usize) {
    let missing = column.iter().filter(Option::is_none).count();
    let mut seen = std::collections::BTreeSet::new();
    for text in column.iter().flatten() {
        if seen.len() >= MOST_DISTINCT {
            break;
        }
        seen.insert(text);
    }
    (missing as f64 / column.len().max(1) as f64, seen.len())
}

fn summary(
    format: &'static str,
    columns: Vec<String>,
    table: &Table,
    extent: Option<[f64; 4]>,
    is_place: bool,
) -> FileSummary {
    let range = |column: &TextColumn| {
        let numbers: Option<Vec<f64>> = column.iter().flatten().map(number_or_comma).collect();
        let known = numbers?.into_iter().filter(|number: &f64| number.is_finite());
        known.fold(None, |range: Option<[f64; 2]>, number| {
            let [least, most] = range.unwrap_or([number, number]);
            Some([number.min(least), number.max(most)])
        })
    };
    let ranges: BTreeMap<String, [f64; 2]> =
        table.texts.iter().filter_map(|(name, column)| Some((name.clone(), range(column)?))).collect();
    let called = |names: &[&str]| {
        let mut found = ranges.iter().filter(|(name, _)| names.iter().any(|known| name.eq_ignore_ascii_case(known)));
        found.next().map(|(_, range)| *range)
    };
    let by_columns = || {
        let [west, east] = called(&["longitude", "lon", "long", "easting", "x"])?;
        let [south, north] = called(&["latitude", "lat", "northing", "y"])?;
        Some([west, south, east, north])
    };
    FileSummary {
        format,
        columns,
        rows: table.rows,
        extent: extent.or_else(by_columns).filter(|extent| extent.iter().all(|value| value.is_finite())),
        cells: table.texts.iter().map(|(name, column)| (name.clone(), cells(column))).collect(),
        ranges,
        crs: table.crs.as_ref().map(|crs| crs.name().to_owned()),
        is_place,
    }
}
