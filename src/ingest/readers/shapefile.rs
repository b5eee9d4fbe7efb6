//! ESRI shapefiles: .shp with .dbf, .prj and .cpg beside it, or all of them in a .zip.
//!
//! Format: ESRI Shapefile Technical Description (1998).

use std::io::{Cursor, Read, Seek};
use std::path::{Path, PathBuf};

use dbase::{FieldValue, ReadableRecord};
use geo::Geometry;
use shapefile::{Shape, ShapeReader};

use super::table::{Cell, Filler, Table, Wanted};
use super::unpacked;
use crate::geometry::Crs;
use crate::ingest::IngestError;

/// The parts of one shapefile.
pub(crate) struct Parts {
    shp: Vec<u8>,
    dbf: Vec<u8>,
    prj: Option<String>,
    cpg: Option<String>,
}

/// The files that belong to the shapefile at `path`, those that exist.
pub(crate) fn companions(path: &Path) -> Vec<PathBuf> {
    ["dbf", "prj", "cpg", "shx", "DBF", "PRJ", "CPG", "SHX"]
        .iter()
        .map(|extension| path.with_extension(extension))
        .filter(|companion| companion.is_file())
        .collect()
}

impl Parts {
    /// Reads the parts beside a .shp file.
    pub(crate) fn beside(file: &str, path: &Path, shp: Vec<u8>) -> Result<Self, IngestError> {
        let part = |extension: &str| -> Result<Option<Vec<u8>>, IngestError> {
            for spelled in [extension.to_owned(), extension.to_uppercase()] {
                let path = path.with_extension(spelled);
                if path.is_file() {
                    return std::fs::read(&path).map(Some).map_err(|error| IngestError::Unreadable {
                        file: file.to_owned(),
                        reason: format!("its .{extension}: {error}"),
                    });
                }
            }
            Ok(None)
        };
        let dbf = part("dbf")?.ok_or_else(|| IngestError::damaged(file, "there is no .dbf beside it"))?;
        let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
        Ok(Self { shp, dbf, prj: part("prj")?.map(text), cpg: part("cpg")?.map(text) })
    }

    /// Reads the parts of the single shapefile in a .zip.
    pub(crate) fn zipped(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Self, IngestError> {
        let mut archive =
            zip::ZipArchive::new(Cursor::new(bytes)).map_err(|error| IngestError::damaged(file, error))?;
        let names: Vec<String> =
            archive.file_names().filter_map(|name| name.ok().map(std::borrow::Cow::into_owned)).collect();
        let mut shapes: Vec<&String> = names.iter().filter(|name| has_extension(name, "shp")).collect();
        shapes.retain(|name| !name.starts_with("__MACOSX"));
        let [shp] = shapes.as_slice() else {
            let found = if shapes.is_empty() { "none".to_owned() } else { format!("{}", shapes.len()) };
            return Err(IngestError::damaged(file, format!("expected one .shp in the .zip, found {found}")));
        };
        let stem = &shp[..shp.len() - ".shp".len()];
        let mut part = |extension: &str| -> Result<Option<Vec<u8>>, IngestError> {
            let named = names
                .iter()
                .find(|name| name.len() == stem.len() + 4 && name.starts_with(stem) && has_extension(name, extension));
            let Some(name) = named else { return Ok(None) };
            let packed = archive.by_name(name).map_err(|error| IngestError::damaged(file, error))?;
            unpacked(file, packed, most_bytes).map(Some)
        };
        let shp = part("shp")?.unwrap_or_default();
        let dbf = part("dbf")?.ok_or_else(|| IngestError::damaged(file, "there is no .dbf in the .zip"))?;
        let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
        Ok(Self { shp, dbf, prj: part("prj")?.map(text), cpg: part("cpg")?.map(text) })
    }
}

fn has_extension(name: &str, extension: &str) -> bool {
    Path::new(name).extension().is_some_and(|found| found.eq_ignore_ascii_case(extension))
}

/// One row of the attribute table.
struct Row(Vec<FieldValue>);

impl ReadableRecord for Row {
    fn read_using<Source, Memo>(fields: &mut dbase::FieldIterator<Source, Memo>) -> Result<Self, dbase::FieldError>
    where
        Source: Read + Seek,
        Memo: Read + Seek,
    {
        let mut values = Vec::new();
        for field in fields {
            values.push(field?.value);
        }
        Ok(Self(values))
    }
}

fn attributes(file: &str, parts: &Parts) -> Result<dbase::Reader<Cursor<Vec<u8>>>, IngestError> {
    let mut builder = dbase::ReaderBuilder::new();
    if let Some(label) = &parts.cpg {
        let label = label.trim();
        let digits = label.trim_start_matches(|c: char| !c.is_ascii_digit());
        let encoding = encoding_rs::Encoding::for_label(label.as_bytes())
            .or_else(|| encoding_rs::Encoding::for_label(format!("windows-{digits}").as_bytes()))
            .or_else(|| {
                encoding_rs::Encoding::for_label(format!("iso-8859-{}", digits.trim_start_matches("8859")).as_bytes())
            })
            .ok_or_else(|| IngestError::damaged(file, format!("unknown code page `{label}` in its .cpg")))?;
        builder = builder.with_encoding(dbase::encoding::EncodingRs::from(encoding));
    }
    builder
        .build(Cursor::new(parts.dbf.clone()))
        .map_err(|error| IngestError::damaged(file, format!("its .dbf: {error}")))
}

/// The names of the attributes.
pub(crate) fn columns(file: &str, parts: &Parts) -> Result<Vec<String>, IngestError> {
    Ok(attributes(file, parts)?.fields().iter().map(|field| field.name().to_owned()).collect())
}

/// The rows of the attribute table, all of which are there.
fn rows(file: &str, parts: &Parts, attributes: &dbase::Reader<Cursor<Vec<u8>>>) -> Result<usize, IngestError> {
    let header = attributes.header();
    let rows = header.num_records as usize;
    let expected = usize::from(header.offset_to_first_record) + rows * usize::from(header.size_of_record);
    if parts.dbf.len() >= expected {
        return Ok(rows);
    }
    Err(IngestError::damaged(
        file,
        format!("its .dbf is truncated: its header declares {expected} bytes, found {}", parts.dbf.len()),
    ))
}

/// All columns of an attribute table by itself, as texts.
pub(crate) fn attribute_table(file: &str, path: &Path, dbf: Vec<u8>) -> Result<Table, IngestError> {
    let cpg = std::fs::read(path.with_extension("cpg")).ok().map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    let parts = Parts { shp: Vec::new(), dbf, prj: None, cpg };
    let mut attributes = attributes(file, &parts)?;
    rows(file, &parts, &attributes)?;
    let texts: Vec<String> = attributes.fields().iter().map(|field| field.name().to_owned()).collect();
    let wanted = Wanted { texts, ..Wanted::default() };
    let mut filler = Filler::new(file, &wanted);
    for (at, record) in attributes.iter_records_as::<Row>().enumerate() {
        let Row(values) = record.map_err(|error| IngestError::damaged(file, format!("row {}: {error}", at + 1)))?;
        let mut values = values.iter();
        filler.push(None, |_| Ok(values.next().map_or(Cell::Missing, cell)))?;
    }
    Ok(filler.finish(None))
}

/// Reads the wanted columns and the shapes.
pub(crate) fn read(file: &str, parts: &Parts, wanted: &Wanted) -> Result<Table, IngestError> {
    let mut shapes = ShapeReader::new(Cursor::new(parts.shp.as_slice()))
        .map_err(|error| IngestError::damaged(file, shape_fault(&error)))?;
    let declared = usize::try_from(shapes.header().file_length).unwrap_or(0) * 2;
    if declared > parts.shp.len() {
        return Err(IngestError::damaged(
            file,
            format!("truncated: its header declares {declared} bytes, found {}", parts.shp.len()),
        ));
    }
    let mut attributes = attributes(file, parts)?;
    let rows = rows(file, parts, &attributes)?;
    let names: Vec<String> = attributes.fields().iter().map(|field| field.name().to_owned()).collect();
    for column in wanted.numbers.iter().chain(&wanted.texts) {
        if !names.contains(column) {
            return Err(IngestError::missing_column(file, column, &names));
        }
    }
    let crs = match &parts.prj {
        Some(text) if !text.trim().is_empty() => Some(
            Crs::parse(text)
                .map_err(|error| IngestError::Crs { file: file.to_owned(), reason: format!("its .prj: {error}") })?,
        ),
        _ => None,
    };

    let mut filler = Filler::new(file, wanted);
    let mut records = attributes.iter_records_as::<Row>();
    let mut count = 0;
    for shape in shapes.iter_shapes() {
        let shape = shape
            .map_err(|error| IngestError::damaged(file, format!("shape {}: {}", count + 1, shape_fault(&error))))?;
        count += 1;
        let Some(record) = records.next() else { continue };
        let Row(values) =
            record.map_err(|error| IngestError::damaged(file, format!("its .dbf, row {count}: {error}")))?;
        let geometry = geometry(file, count, shape)?;
        filler.push(geometry, |name| {
            let at = names.iter().position(|known| known == name).unwrap_or(usize::MAX);
            Ok(values.get(at).map_or(Cell::Missing, cell))
        })?;
    }
    if count != rows {
        return Err(IngestError::damaged(file, format!("{count} shapes, but {rows} rows in its .dbf")));
    }
    Ok(filler.finish(crs))
}

fn shape_fault(error: &shapefile::Error) -> String {
    match error {
        shapefile::Error::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => "truncated".to_owned(),
        other => other.to_string(),
    }
}

fn geometry(file: &str, number: usize, shape: Shape) -> Result<Option<Geometry<f64>>, IngestError> {
    if matches!(shape, Shape::NullShape) {
        return Ok(None);
    }
    Geometry::try_from(shape).map(Some).map_err(|error| IngestError::Polygon {
        file: file.to_owned(),
        number,
        reason: error.to_string(),
    })
}

fn cell(value: &FieldValue) -> Cell {
    match value {
        FieldValue::Character(Some(text)) | FieldValue::Memo(text) => Cell::Text(text.clone()),
        FieldValue::Numeric(Some(number)) | FieldValue::Currency(number) | FieldValue::Double(number) => {
            Cell::Number(*number)
        }
        FieldValue::Float(Some(number)) => Cell::Number(f64::from(*number)),
        FieldValue::Integer(number) => Cell::Number(f64::from(*number)),
        FieldValue::Logical(Some(value)) => Cell::Text(value.to_string()),
        FieldValue::Date(Some(date)) => Cell::Text(format!("{:04}-{:02}-{:02}", date.year(), date.month(), date.day())),
        FieldValue::DateTime(stamp) => {
            let (date, time) = (stamp.date(), stamp.time());
            Cell::Text(format!(
                "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}Z",
                date.year(),
                date.month(),
                date.day(),
                time.hours(),
                time.minutes(),
                time.seconds()
            ))
        }
        FieldValue::Character(None)
        | FieldValue::Numeric(None)
        | FieldValue::Float(None)
        | FieldValue::Logical(None)
        | FieldValue::Date(None) => Cell::Missing,
    }
}
