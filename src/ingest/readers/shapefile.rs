//! ESRI shapefiles: .shp with .dbf, .prj and .cpg beside it, or all of them in a .zip.
//!
//! Format: ESRI Shapefile Technical Description (1998).

use std::io::{Read, Seek};
use std::path::{Path, PathBuf};

use dbase::encoding::{DynEncoding, EncodingRs};
use dbase::{CodePageMark, FieldValue, ReadableRecord};
use geo::Geometry;
use shapefile::{Shape, ShapeReader};

use super::table::{Cell, Filler, Table, Wanted};
use crate::bundle::{Bundle, BundleError, Packed, Source, Stream};
use crate::geometry::Crs;
use crate::ingest::IngestError;

/// The parts of one shapefile.
pub(crate) struct Parts {
    shp: Source,
    dbf: Source,
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
    /// Reads the parts of a .shp file, on the disk or in a .zip.
    pub(crate) fn of(file: &str, bundle: &mut Bundle) -> Result<Self, IngestError> {
        let of_bundle = |error| IngestError::of_bundle(file, error);
        let shp = bundle.source().map_err(of_bundle)?;
        if shp.size().map_err(of_bundle)? == 0 {
            return Err(IngestError::Empty { file: file.to_owned(), what: "bytes" });
        }
        let dbf = bundle.part_source("dbf").map_err(of_bundle)?;
        let dbf = dbf.ok_or_else(|| IngestError::damaged(file, "there is no .dbf beside it"))?;
        let (prj, cpg) = (bundle.text("prj").map_err(of_bundle)?, bundle.text("cpg").map_err(of_bundle)?);
        Ok(Self { shp, dbf, prj, cpg })
    }

    /// The shapefiles of a .zip, each with the name that messages use.
    pub(crate) fn all_zipped(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<(String, Self)>, IngestError> {
        let of_bundle = |error| IngestError::of_bundle(file, error);
        let members = Packed::open(path, most_bytes).map_err(of_bundle)?.of_kind(&["shp"]);
        let (several, mut all, mut left) = (members.len() > 1, Vec::new(), most_bytes);
        for member in members {
            let mut bundle = Bundle::open(&path.join(&member), &["shp"], left).map_err(|error| match error {
                BundleError::TooLarge(_) => IngestError::of_bundle(file, BundleError::TooLarge(most_bytes)),
                other => of_bundle(other),
            })?;
            let name = if several { format!("{file}/{member}") } else { file.to_owned() };
            let parts = Self::of(&name, &mut bundle)?;
            let sizes = parts.shp.size().and_then(|shp| Ok(shp + parts.dbf.size()?)).map_err(of_bundle)?;
            left = left.saturating_sub(sizes);
            all.push((name, parts));
        }
        Ok(all)
    }
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

/// Codes of code pages of DOS in the header of a .dbf (dBASE, byte 29), for a .cpg that names one by its number.
const DOS_PAGES: [(&str, u8); 6] =
    [("437", 0x01), ("850", 0x02), ("852", 0x64), ("866", 0x65), ("865", 0x66), ("861", 0x67)];

/// The code page that a .cpg names.
fn named_encoding(label: &str) -> Option<DynEncoding> {
    let digits = label.trim_start_matches(|c: char| !c.is_ascii_digit());
    if let Some((_, code)) = DOS_PAGES.iter().find(|(page, _)| *page == digits) {
        return CodePageMark::from(*code).to_encoding();
    }
    let by_number = |family: &str| encoding_rs::Encoding::for_label(format!("{family}{digits}").as_bytes());
    let found = encoding_rs::Encoding::for_label(label.as_bytes()).or_else(|| by_number("windows-")).or_else(|| {
        encoding_rs::Encoding::for_label(format!("iso-8859-{}", digits.trim_start_matches("8859")).as_bytes())
    });
    found.map(|encoding| EncodingRs::from(encoding).into())
}

/// The rows of an attribute table.
type Rows<'p> = dbase::Reader<Box<dyn Stream + 'p>>;

/// Whether what follows the first bytes of a stream is UTF-8.
fn is_utf8_after(mut stream: impl Read, first: usize) -> std::io::Result<bool> {
    std::io::copy(&mut stream.by_ref().take(first as u64), &mut std::io::sink())?;
    let (mut block, mut held) = (vec![0; 1 << 16], 0);
    loop {
        let count = stream.read(&mut block[held..])?;
        let text = &block[..held + count];
        match std::str::from_utf8(text) {
            Ok(_) => held = 0,
            // a letter that goes on in the next block
            Err(fault) if fault.error_len().is_none() && count > 0 => {
                let rest = fault.valid_up_to()..text.len();
                held = rest.len();
                block.copy_within(rest, 0);
            }
            Err(_) => return Ok(false),
        }
        if count == 0 {
            return Ok(true);
        }
    }
}

fn attributes<'p>(file: &str, parts: &'p Parts) -> Result<Rows<'p>, IngestError> {
    /// Byte of the code page, and end of the fixed part of the header.
    const MARK: usize = 29;
    const HEAD: usize = 32;
    let of_bundle = |error| IngestError::of_bundle(file, error);
    let unreadable = |error: std::io::Error| of_bundle(BundleError::Unreadable(error.to_string()));
    let mut builder = dbase::ReaderBuilder::new();
    let mut head = Vec::new();
    parts.dbf.open().map_err(of_bundle)?.take(HEAD as u64).read_to_end(&mut head).map_err(unreadable)?;
    let mark = head.get(MARK).map_or(CodePageMark::Undefined, |&code| CodePageMark::from(code));
    if let Some(label) = parts.cpg.as_deref().map(str::trim).filter(|label| !label.is_empty()) {
        let encoding = named_encoding(label);
        let unknown = || IngestError::damaged(file, format!("unknown code page `{label}` in its .cpg"));
        builder = builder.with_encoding(encoding.ok_or_else(unknown)?);
    } else if matches!(mark, CodePageMark::Undefined | CodePageMark::Invalid) {
        // without a name it is UTF-8, or else the Western code page, as with text files
        let is_utf8 = is_utf8_after(parts.dbf.open().map_err(of_bundle)?, HEAD).map_err(unreadable)?;
        let encoding = if is_utf8 { encoding_rs::UTF_8 } else { encoding_rs::WINDOWS_1252 };
        builder = builder.with_encoding(EncodingRs::from(encoding));
    }
    builder
        .build(parts.dbf.open().map_err(of_bundle)?)
        .map_err(|error| IngestError::damaged(file, format!("its .dbf: {error}")))
}

/// The names of the attributes.
pub(crate) fn columns(file: &str, parts: &Parts) -> Result<Vec<String>, IngestError> {
    Ok(attributes(file, parts)?.fields().iter().map(|field| field.name().to_owned()).collect())
}

/// The rows of the attribute table, all of which are there.
fn rows(file: &str, parts: &Parts, attributes: &Rows<'_>) -> Result<usize, IngestError> {
    let header = attributes.header();
    let rows = header.num_records as usize;
    let expected = usize::from(header.offset_to_first_record) + rows * usize::from(header.size_of_record);
    let size = parts.dbf.size().map_err(|error| IngestError::of_bundle(file, error))?;
    if size >= expected as u64 {
        return Ok(rows);
    }
    Err(IngestError::damaged(
        file,
        format!("its .dbf is truncated: its header declares {expected} bytes, found {size}"),
    ))
}

/// All columns of an attribute table by itself, as texts.
pub(crate) fn attribute_table(file: &str, path: &Path, dbf: Vec<u8>) -> Result<Table, IngestError> {
    let cpg = std::fs::read(path.with_extension("cpg")).ok().map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    let parts = Parts { shp: Source::Bytes(Vec::new()), dbf: Source::Bytes(dbf), prj: None, cpg };
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
    let of_bundle = |error| IngestError::of_bundle(file, error);
    let size = parts.shp.size().map_err(of_bundle)?;
    let mut shapes = ShapeReader::new(parts.shp.open().map_err(of_bundle)?)
        .map_err(|error| IngestError::damaged(file, shape_fault(&error)))?;
    let declared = u64::try_from(shapes.header().file_length).unwrap_or(0) * 2;
    if declared > size {
        return Err(IngestError::damaged(
            file,
            format!("truncated: its header declares {declared} bytes, found {size}"),
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
        Some(text) if !text.trim().is_empty() => {
            Some(Crs::parse(text).map_err(|error| IngestError::crs(file, format_args!("its .prj: {error}")))?)
        }
        _ => None,
    };

    let mut filler = Filler::new(file, wanted);
    filler.reserve(rows);
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
