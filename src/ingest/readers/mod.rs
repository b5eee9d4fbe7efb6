//! The readers, one file a format. All deliver a [`Table`]; none knows what the columns mean.

mod csv;
mod geojson;
mod geopackage;
mod parquet;
mod shapefile;
mod table;
mod task_data;

use std::path::{Path, PathBuf};

pub(crate) use table::{Shapes, Table, TextColumn, Wanted, number_text};
pub(crate) use task_data::{TIME, main_file};

use super::IngestError;

/// A format, told by the file's name; a .zip by what it holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Format {
    Csv,
    Shapefile,
    ZippedShapefile,
    GeoJson,
    GeoPackage,
    Parquet,
    TaskData,
    ZippedTaskData,
}

impl Format {
    /// The format of a file, by the end of its name; of a .zip, by its members.
    pub(crate) fn of(path: &Path) -> Option<Self> {
        let name = path.file_name()?.to_str()?.to_ascii_lowercase();
        let ends = |ends: &[&str]| ends.iter().any(|end| name.ends_with(end));
        if ends(&[".csv", ".csv.gz", ".txt", ".tsv"]) {
            Some(Self::Csv)
        } else if ends(&[".shp"]) {
            Some(Self::Shapefile)
        } else if ends(&[".zip"]) {
            Some(if task_data::is_in_zip(path) { Self::ZippedTaskData } else { Self::ZippedShapefile })
        } else if ends(&[".geojson", ".json"]) {
            Some(Self::GeoJson)
        } else if ends(&[".gpkg"]) {
            Some(Self::GeoPackage)
        } else if ends(&[".parquet"]) {
            Some(Self::Parquet)
        } else if task_data::is_main(path) {
            Some(Self::TaskData)
        } else {
            None
        }
    }

    /// What the format is called in messages.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Csv => "CSV",
            Self::Shapefile => "shapefile",
            Self::ZippedShapefile => "zipped shapefile",
            Self::GeoJson => "GeoJSON",
            Self::GeoPackage => "GeoPackage",
            Self::Parquet => "Parquet",
            Self::TaskData => "task data (ISO 11783-10)",
            Self::ZippedTaskData => "zipped task data (ISO 11783-10)",
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

const KINDS: &str = ".csv, .csv.gz, .shp, .zip (shapefile or task data), .geojson, .gpkg, .parquet or TASKDATA.XML";

/// The other files that belong to a file (those of a shapefile or of task data), for fingerprints.
pub(crate) fn companions(path: &Path) -> Vec<PathBuf> {
    match Format::of(path) {
        Some(Format::Shapefile) => shapefile::companions(path),
        Some(Format::TaskData) => task_data::companions(path),
        _ => crate::raster::companions(path),
    }
}

fn bytes(file: &str, path: &Path) -> Result<Vec<u8>, IngestError> {
    let bytes = std::fs::read(path)
        .map_err(|error| IngestError::Unreadable { file: file.to_owned(), reason: error.to_string() })?;
    if bytes.is_empty() {
        return Err(IngestError::Empty { file: file.to_owned(), what: "bytes" });
    }
    Ok(bytes)
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

/// Reads the wanted columns of a file; `file` is how it is named in messages.
pub(crate) fn read(file: &str, path: &Path, wanted: &Wanted) -> Result<Table, IngestError> {
    let format = Format::of(path).ok_or_else(|| IngestError::UnknownKind { file: file.to_owned(), expected: KINDS })?;
    let bytes = bytes(file, path)?;
    match format {
        Format::Csv if wanted.shapes == Shapes::Polygons => {
            Err(IngestError::UnknownKind { file: file.to_owned(), expected: "a layer of polygons" })
        }
        Format::Csv => csv::read(file, bytes, wanted),
        Format::Parquet => parquet::read(file, bytes, wanted),
        Format::Shapefile => shapefile::read(file, &shapefile::Parts::beside(file, path, bytes)?, wanted),
        Format::ZippedShapefile => {
            shapefile::read(file, &shapefile::Parts::zipped(file, bytes, wanted.most_unpacked_bytes)?, wanted)
        }
        Format::GeoJson => geojson::read(file, &bytes, wanted),
        Format::GeoPackage => geopackage::read(file, path, wanted),
        Format::TaskData => task_data::TaskData::beside(file, path, wanted.most_unpacked_bytes)?.read(wanted),
        Format::ZippedTaskData => task_data::TaskData::zipped(file, bytes, wanted.most_unpacked_bytes)?.read(wanted),
    }
}

/// An attribute table (.dbf) by itself, all columns as texts: for a look at it, since its records lie nowhere.
pub(crate) fn attribute_table(file: &str, path: &Path) -> Result<Table, IngestError> {
    shapefile::attribute_table(file, path, bytes(file, path)?)
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
    csv::units(file, bytes(file, path).ok()?, most_bytes).ok().flatten()
}

/// The names of a file's columns; a packed file may unpack to `most_bytes`.
pub(crate) fn columns(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<String>, IngestError> {
    let format = Format::of(path).ok_or_else(|| IngestError::UnknownKind { file: file.to_owned(), expected: KINDS })?;
    let bytes = bytes(file, path)?;
    match format {
        Format::Csv => csv::columns(file, bytes, most_bytes),
        Format::Parquet => parquet::columns(file, bytes),
        Format::Shapefile => shapefile::columns(file, &shapefile::Parts::beside(file, path, bytes)?),
        Format::ZippedShapefile => shapefile::columns(file, &shapefile::Parts::zipped(file, bytes, most_bytes)?),
        Format::GeoJson => geojson::columns(file, &bytes),
        Format::GeoPackage => geopackage::columns(file, path),
        Format::TaskData => Ok(task_data::TaskData::beside(file, path, most_bytes)?.columns()),
        Format::ZippedTaskData => Ok(task_data::TaskData::zipped(file, bytes, most_bytes)?.columns()),
    }
}

/// The names of the columns of task data that a map may hold, with those that several device elements compete for.
pub(crate) fn columns_to_map(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<String>, IngestError> {
    let data = match Format::of(path) {
        Some(Format::ZippedTaskData) => task_data::TaskData::zipped(file, bytes(file, path)?, most_bytes)?,
        _ => task_data::TaskData::beside(file, path, most_bytes)?,
    };
    Ok(data.columns().into_iter().chain(data.rivals().keys().cloned()).collect())
}
