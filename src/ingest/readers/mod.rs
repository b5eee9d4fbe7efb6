//! The readers, one file a format. All deliver a [`Table`]; none knows what the columns mean.

mod csv;
mod csv_text;
mod frame;
mod geojson;
mod geopackage;
mod kml;
mod parquet;
mod shapefile;
mod table;
mod task_data;

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

pub(crate) use table::{Shapes, Table, TextColumn, Wanted, number_text};
pub(crate) use task_data::{TIME, main_file};

use super::IngestError;
use crate::bundle::{Bundle, Packed, Source, has_extension, on_disk};

/// A format, known by the file's name; a .zip by what it holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Format {
    Csv,
    Shapefile,
    ZippedShapefiles,
    GeoJson,
    GeoPackage,
    Kml,
    Parquet,
    TaskData,
    ZippedTaskData,
}

/// Each format with its name in messages and the ends of the names of its files. A .zip may hold one file of them.
const FORMATS: [(Format, &str, &[&str]); 6] = [
    (Format::Csv, "CSV", &["csv", "txt", "tsv"]),
    (Format::Shapefile, "shapefile", &["shp"]),
    (Format::GeoJson, "GeoJSON", &["geojson", "json", "geojsonl", "geojsons", "geojsonseq", "ndjson", "jsonl"]),
    (Format::GeoPackage, "GeoPackage", &["gpkg"]),
    (Format::Kml, "KML", &["kml"]),
    (Format::Parquet, "Parquet", &["parquet"]),
];

impl Format {
    /// The format of a file, by the end of its name; of a .zip, by its members; of what lies in a file, by its own name.
    pub(crate) fn of(path: &Path) -> Option<Self> {
        let (holder, member) = on_disk(path);
        let holder_name = holder.file_name()?.to_str()?.to_ascii_lowercase();
        if has_extension(&holder_name, &["gpkg"]) {
            return Some(Self::GeoPackage);
        }
        let by_name = |name: &str| {
            let name = name.strip_suffix(".gz").filter(|plain| has_extension(plain, &["csv"])).unwrap_or(name);
            FORMATS.iter().find(|(.., ends)| has_extension(name, ends)).map(|(format, ..)| *format)
        };
        if let Some(member) = member {
            return by_name(&member.to_ascii_lowercase());
        }
        if has_extension(&holder_name, &["kmz"]) {
            return Some(Self::Kml);
        }
        if has_extension(&holder_name, &["zip"]) {
            if task_data::is_in_zip(&holder) {
                return Some(Self::ZippedTaskData);
            }
            let members = Packed::open(&holder, u64::MAX).map(|packed| packed.of_kind(&TABLES)).unwrap_or_default();
            let is_shape = members.is_empty() || members.iter().any(|name| has_extension(name, &["shp"]));
            return if is_shape { Some(Self::ZippedShapefiles) } else { by_name(&members[0].to_ascii_lowercase()) };
        }
        by_name(&holder_name).or_else(|| task_data::is_main(path).then_some(Self::TaskData))
    }

    /// What the format is called in messages.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::ZippedShapefiles => "zipped shapefile",
            Self::TaskData => "task data (ISO 11783-10)",
            Self::ZippedTaskData => "zipped task data (ISO 11783-10)",
            plain => FORMATS.iter().find(|(format, ..)| *format == plain).map_or("", |(_, name, _)| name),
        }
    }

    /// Whether the file holds its own geometry.
    pub(crate) fn has_geometry(self) -> bool {
        !matches!(self, Self::Csv | Self::Parquet)
    }

    /// Whether the standard of the format tells what its columns mean.
    pub(crate) fn is_task_data(self) -> bool {
        matches!(self, Self::TaskData | Self::ZippedTaskData)
    }
}

/// The ends of the names of files that are read as a whole, also out of a .zip; a GeoPackage is a bundle by itself.
static TABLES: LazyLock<Vec<&str>> = LazyLock::new(|| {
    let whole = FORMATS.iter().filter(|(format, ..)| *format != Format::GeoPackage);
    whole.flat_map(|(.., ends)| ends.iter().copied()).collect()
});

/// The tables and grids in a .zip; empty for anything else, and for task data, which stands as a whole.
pub(crate) fn members(path: &Path) -> Vec<String> {
    if !has_extension(&path.to_string_lossy(), &["zip"]) || task_data::is_in_zip(path) {
        return Vec::new();
    }
    let kinds: Vec<&str> = TABLES.iter().chain(&crate::raster::EXTENSIONS).copied().collect();
    Packed::open(path, u64::MAX).map(|packed| packed.of_kind(&kinds)).unwrap_or_default()
}

const KINDS: &str = ".csv, .csv.gz, .shp, .geojson, .gpkg, .kml, .kmz, .parquet, one of them in a .zip, or TASKDATA.XML (also in a .zip)";

/// The other files that belong to a file (those of a shapefile or of task data), for fingerprints.
pub(crate) fn companions(path: &Path) -> Vec<PathBuf> {
    match Format::of(path) {
        Some(Format::Shapefile) => shapefile::companions(path),
        Some(Format::TaskData) => task_data::companions(path),
        Some(Format::Csv) => names_of_columns(path).into_iter().filter(|names| names.is_file()).collect(),
        _ => crate::raster::companions(path),
    }
}

/// The bytes of a file, or of a member of a .zip.
fn bytes(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<u8>, IngestError> {
    let bundle = Bundle::open(path, &TABLES, most_bytes);
    let bytes = bundle.and_then(|mut bundle| bundle.main()).map_err(|error| IngestError::of_bundle(file, error))?;
    if bytes.is_empty() {
        return Err(IngestError::Empty { file: file.to_owned(), what: "bytes" });
    }
    Ok(bytes)
}

/// A file, or a member of a .zip, to be read bit by bit.
fn source(file: &str, path: &Path, most_bytes: u64) -> Result<Source, IngestError> {
    let bundle = Bundle::open(path, &TABLES, most_bytes);
    let source = bundle.and_then(|mut bundle| bundle.source()).map_err(|error| IngestError::of_bundle(file, error))?;
    if source.size().map_err(|error| IngestError::of_bundle(file, error))? == 0 {
        return Err(IngestError::Empty { file: file.to_owned(), what: "bytes" });
    }
    Ok(source)
}

/// What a packed stream unpacks to, no more than `most_bytes` of it.
fn unpacked(file: &str, packed: impl std::io::Read, most_bytes: u64) -> Result<Vec<u8>, IngestError> {
    let mut content = Vec::new();
    let mut limited = packed.take(most_bytes.saturating_add(1));
    std::io::Read::read_to_end(&mut limited, &mut content)
        .map_err(|error| IngestError::damaged(file, format!("the packed stream ends or breaks: {error}")))?;
    if content.len() as u64 > most_bytes {
        return Err(IngestError::TooLarge { file: file.to_owned(), most_bytes });
    }
    Ok(content)
}

/// The shapefiles at a path: one, or those of a .zip.
fn shapefiles(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<(String, shapefile::Parts)>, IngestError> {
    if Format::of(path) == Some(Format::ZippedShapefiles) {
        let all = shapefile::Parts::all_zipped(file, path, most_bytes)?;
        return if all.is_empty() {
            Err(IngestError::damaged(file, format!("holds none of {KINDS}")))
        } else {
            Ok(all)
        };
    }
    let mut bundle = Bundle::open(path, &["shp"], most_bytes).map_err(|error| IngestError::of_bundle(file, error))?;
    Ok(vec![(file.to_owned(), shapefile::Parts::of(file, &mut bundle)?)])
}

/// Reads the wanted columns of a file; `file` is how it is named in messages.
pub(crate) fn read(file: &str, path: &Path, wanted: &Wanted) -> Result<Table, IngestError> {
    let format = Format::of(path).ok_or_else(|| IngestError::UnknownKind { file: file.to_owned(), expected: KINDS })?;
    let most_bytes = wanted.most_unpacked_bytes;
    let bytes = || bytes(file, path, most_bytes);
    match format {
        Format::Csv if wanted.shapes == Shapes::Polygons => {
            Err(IngestError::UnknownKind { file: file.to_owned(), expected: "a layer of polygons" })
        }
        Format::Csv => csv::read(file, bytes()?, wanted),
        Format::Parquet => parquet::read(file, bytes()?, wanted),
        Format::Shapefile | Format::ZippedShapefiles => {
            let mut whole: Option<Table> = None;
            for (name, parts) in shapefiles(file, path, most_bytes)? {
                let table = shapefile::read(&name, &parts, wanted)?;
                whole = Some(match whole {
                    None => table,
                    Some(known) => known.with(&name, table)?,
                });
            }
            Ok(whole.unwrap_or_default())
        }
        Format::GeoJson => geojson::read(file, &source(file, path, most_bytes)?, wanted),
        Format::Kml => kml::read(file, path, wanted),
        Format::GeoPackage => geopackage::read(file, path, wanted),
        Format::TaskData => task_data::TaskData::beside(file, path, most_bytes)?.read(wanted),
        Format::ZippedTaskData => {
            task_data::TaskData::zipped(file, bytes_of_zip(file, path)?, most_bytes)?.read(wanted)
        }
    }
}

/// The table that names the columns of survey tables without headers, beside a table.
pub(crate) fn names_of_columns(path: &Path) -> Option<PathBuf> {
    const NAMES: &str = "mstabcol.txt";
    let is_text = path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("txt"));
    is_text.then(|| path.with_file_name(NAMES)).filter(|names| names != path && on_disk(names).0.is_file())
}

/// The rows of a table without a header, as texts.
pub(crate) fn rows(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<Vec<String>>, IngestError> {
    csv::rows(file, bytes(file, path, most_bytes)?, most_bytes)
}

/// As [`read`], of a delimited table without a header whose columns are called otherwise.
pub(crate) fn read_with_names(
    file: &str,
    path: &Path,
    names: &[String],
    wanted: &Wanted,
) -> Result<Table, IngestError> {
    csv::read_with_names(file, bytes(file, path, wanted.most_unpacked_bytes)?, names, wanted)
}

fn bytes_of_zip(file: &str, path: &Path) -> Result<Vec<u8>, IngestError> {
    std::fs::read(path).map_err(|error| IngestError::Unreadable { file: file.to_owned(), reason: error.to_string() })
}

/// An attribute table (.dbf) by itself, all columns as texts: for a look at it, since its records lie nowhere.
pub(crate) fn attribute_table(file: &str, path: &Path) -> Result<Table, IngestError> {
    shapefile::attribute_table(file, path, bytes(file, path, u64::MAX)?)
}

/// A cell as a number, with a decimal point or a decimal comma.
pub(crate) fn number_or_comma(text: &str) -> Option<f64> {
    text.parse::<f64>().ok().or_else(|| {
        let comma = text.matches(',').count() == 1 && !text.contains('.');
        if comma { text.replace(',', ".").parse().ok() } else { None }
    })
}

/// The units in a row of their own below the header of a CSV file, one a column.
pub(crate) fn units(file: &str, path: &Path, most_bytes: u64) -> Option<Vec<String>> {
    if Format::of(path)? != Format::Csv {
        return None;
    }
    csv_text::units(file, bytes(file, path, most_bytes).ok()?, most_bytes).ok().flatten()
}

/// The names of a file's columns; a packed file may unpack to `most_bytes`.
pub(crate) fn columns(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<String>, IngestError> {
    let format = Format::of(path).ok_or_else(|| IngestError::UnknownKind { file: file.to_owned(), expected: KINDS })?;
    let bytes = || bytes(file, path, most_bytes);
    match format {
        Format::Csv => csv::columns(file, bytes()?, most_bytes),
        Format::Parquet => parquet::columns(file, bytes()?, most_bytes),
        Format::Shapefile | Format::ZippedShapefiles => {
            let all = shapefiles(file, path, most_bytes)?;
            all.first().map_or_else(|| Ok(Vec::new()), |(name, parts)| shapefile::columns(name, parts))
        }
        Format::GeoJson => geojson::columns(file, &source(file, path, most_bytes)?),
        Format::Kml => kml::columns(file, path, most_bytes),
        Format::GeoPackage => geopackage::columns(file, path),
        Format::TaskData => Ok(task_data::TaskData::beside(file, path, most_bytes)?.columns()),
        Format::ZippedTaskData => {
            Ok(task_data::TaskData::zipped(file, bytes_of_zip(file, path)?, most_bytes)?.columns())
        }
    }
}

/// The names of the columns of task data that a map may hold, with those that several device elements compete for.
pub(crate) fn columns_to_map(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<String>, IngestError> {
    let data = match Format::of(path) {
        Some(Format::ZippedTaskData) => task_data::TaskData::zipped(file, bytes_of_zip(file, path)?, most_bytes)?,
        _ => task_data::TaskData::beside(file, path, most_bytes)?,
    };
    Ok(data.columns().into_iter().chain(data.rivals().keys().cloned()).collect())
}

#[cfg(test)]
mod mutated;
#[cfg(test)]
mod speed;
#[cfg(test)]
mod tests;
