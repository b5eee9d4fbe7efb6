//! Grids of numbers with a short header: ESRI ASCII (.asc), and binary rows (.bil, .bsq, .bip, .flt) with a .hdr beside them; the
//! reference system stands in a .prj.
//!
//! Format: ArcGIS Desktop help, "Esri ASCII raster format" and "BIL, BIP, and BSQ raster files". One band, in which the three
//! layouts are one.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Cursor, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::affine::Affine;
use super::error::RasterError;
use super::read::{Block, Blocks, Described};
use crate::bundle::{Bundle, has_extension};
use crate::geometry::Crs;

/// Most columns or rows.
const MOST_ACROSS: f64 = 1e6;

/// The keys of a header, in lower case.
struct Header<'p> {
    path: &'p Path,
    keys: BTreeMap<String, String>,
}

impl Header<'_> {
    fn fault(&self, expected: &'static str, found: String) -> RasterError {
        RasterError::Unsupported { path: self.path.to_path_buf(), expected, found }
    }

    fn number(&self, key: &str) -> Result<Option<f64>, RasterError> {
        let Some(text) = self.keys.get(key) else { return Ok(None) };
        let number = text.parse::<f64>().ok().filter(|number| number.is_finite());
        number
            .map(Some)
            .ok_or_else(|| self.fault("numbers in its header", format!("`{key} {}`", crate::text::short(text))))
    }

    fn needed(&self, key: &'static str) -> Result<f64, RasterError> {
        let missing = || self.fault("a header with size, corner and cells (ESRI)", format!("no `{key}`"));
        self.number(key)?.ok_or_else(missing)
    }

    fn count(&self, key: &'static str) -> Result<u32, RasterError> {
        let number = self.needed(key)?;
        if number.fract().abs() > 0.0 || !(1.0..=MOST_ACROSS).contains(&number) {
            return Err(self.fault("at most a million columns and rows", format!("`{key} {number}`")));
        }
        Ok(number as u32)
    }

    fn word(&self, key: &str) -> String {
        self.keys.get(key).map_or_else(String::new, |word| word.to_ascii_uppercase())
    }

    /// Where the cells lie: by the outer corner or the centre of the lower left cell, or by the centre of the upper left one.
    fn transform(&self, rows: u32) -> Result<Affine, RasterError> {
        let (size, corner) = if self.keys.contains_key("ulxmap") {
            let (wide, high) = (self.needed("xdim")?, self.needed("ydim")?);
            ((wide, high), (self.needed("ulxmap")? - wide / 2.0, self.needed("ulymap")? + high / 2.0))
        } else {
            let (wide, high) = match self.number("cellsize")? {
                Some(size) => (size, size),
                None => (self.needed("dx")?, self.needed("dy")?),
            };
            let west = match self.number("xllcenter")? {
                Some(centre) => centre - wide / 2.0,
                None => self.needed("xllcorner")?,
            };
            let south = match self.number("yllcenter")? {
                Some(centre) => centre - high / 2.0,
                None => self.needed("yllcorner")?,
            };
            ((wide, high), (west, south + high * f64::from(rows)))
        };
        if !(size.0 > 0.0 && size.1 > 0.0) {
            return Err(self.fault("cells of some size", format!("{} by {}", size.0, size.1)));
        }
        Ok(Affine::north_up(corner.0, corner.1, size.0, size.1))
    }
}

fn keys(lines: &str) -> BTreeMap<String, String> {
    let pair = |line: &str| {
        let mut words = line.split_whitespace();
        Some((words.next()?.to_ascii_lowercase(), words.next()?.to_owned()))
    };
    lines.lines().filter_map(pair).collect()
}

pub(super) fn open(path: &Path, bundle: &mut Bundle) -> Result<(Described, Box<dyn Blocks>), RasterError> {
    let of_bundle = |error| RasterError::from_bundle(path, error);
    let crs = match bundle.text("prj").map_err(of_bundle)?.filter(|text| !text.trim().is_empty()) {
        None => None,
        Some(text) => Some(Crs::parse(&text).map_err(|source| RasterError::Crs { path: path.to_path_buf(), source })?),
    };
    if has_extension(&bundle.name(), &["asc"]) {
        return text(path, bundle.main().map_err(of_bundle)?, crs);
    }
    let Some(header) = bundle.text("hdr").map_err(of_bundle)? else {
        let found = "none".to_owned();
        return Err(RasterError::Unsupported { path: path.to_path_buf(), expected: "a .hdr beside it", found });
    };
    let header = Header { path, keys: keys(&header) };
    binary(&header, bundle, crs)
}

fn binary(
    header: &Header<'_>,
    bundle: &mut Bundle,
    crs: Option<Crs>,
) -> Result<(Described, Box<dyn Blocks>), RasterError> {
    let path = header.path;
    let (width, height) = (header.count("ncols")?, header.count("nrows")?);
    let is_float_grid = has_extension(&bundle.name(), &["flt"]);
    let bands = header.number("nbands")?.unwrap_or(1.0);
    if bands > 1.0 {
        return Err(header.fault("one band", format!("{bands} bands")));
    }
    let bits = header.number("nbits")?.unwrap_or(if is_float_grid { 32.0 } else { 8.0 });
    let kind = header.word("pixeltype");
    let is_float = is_float_grid || kind.starts_with("FLOAT");
    let cell = match (bits as u32, is_float, kind.starts_with("SIGNED")) {
        (8, false, false) => Cell::U8,
        (8, false, true) => Cell::I8,
        (16, false, false) => Cell::U16,
        (16, false, true) => Cell::I16,
        (32, false, false) => Cell::U32,
        (32, false, true) => Cell::I32,
        (32, true, _) => Cell::F32,
        (64, true, _) => Cell::F64,
        _ => {
            let found = format!("{bits} bits of `{kind}`");
            return Err(header.fault("integers of 8, 16 or 32 bits, or floating-point numbers of 32 or 64", found));
        }
    };
    let order = header.word("byteorder");
    // I: Intel, least significant byte first; M: Motorola
    let is_big = order.starts_with('M');
    if !(is_big || order.is_empty() || order.starts_with(['I', 'L'])) {
        return Err(header.fault("byteorder I, M, LSBFIRST or MSBFIRST", format!("`{order}`")));
    }
    let bytes = |key: &str, default: u64| -> Result<u64, RasterError> {
        let number = header.number(key)?.unwrap_or(default as f64);
        let is_sane = (0.0..1e15).contains(&number) && number.fract().abs() < f64::EPSILON;
        if is_sane { Ok(number as u64) } else { Err(header.fault("a number of bytes", format!("`{key} {number}`"))) }
    };
    let row = u64::from(width) * cell.bytes() as u64;
    let start = bytes("skipbytes", 0)?;
    let stride = bytes("totalrowbytes", bytes("bandrowbytes", row)?)?;
    let (reader, length): (Box<dyn ReadSeek>, u64) = match bundle {
        Bundle::Disk(file) => {
            let io = |source| RasterError::Io { path: path.to_path_buf(), source };
            let opened = File::open(&*file).map_err(io)?;
            let length = opened.metadata().map_err(io)?.len();
            (Box::new(opened), length)
        }
        Bundle::Member(..) => {
            let main = bundle.main().map_err(|error| RasterError::from_bundle(path, error))?;
            let length = main.len() as u64;
            (Box::new(Cursor::new(main)), length)
        }
    };
    let needed = start + stride * u64::from(height - 1) + row;
    if stride < row || length < needed {
        let reason = format!("its header declares {needed} bytes, found {length}");
        return Err(RasterError::Damaged { path: path.to_path_buf(), reason });
    }
    let nodata = header.number("nodata")?.or(header.number("nodata_value")?);
    let described = Described {
        format: if is_float_grid { "binary grid (.flt)" } else { "binary grid (BIL, BSQ, BIP)" },
        single_precision: matches!(cell, Cell::F32),
        ..described((width, height), header.transform(height)?, crs, nodata)
    };
    Ok((described, Box::new(Binary { path: path.to_path_buf(), reader, cell, is_big, start, stride, width })))
}

fn described((width, height): (u32, u32), transform: Affine, crs: Option<Crs>, nodata: Option<f64>) -> Described {
    Described {
        format: "ESRI ASCII grid",
        width,
        height,
        transform,
        crs,
        nodata,
        scale: 1.0,
        offset: 0.0,
        single_precision: false,
        unit: None,
        months: Vec::new(),
        block: (width, 1),
    }
}

trait ReadSeek: Read + Seek {}
impl<T: Read + Seek> ReadSeek for T {}

#[derive(Clone, Copy)]
enum Cell {
    U8,
    I8,
    U16,
    I16,
    U32,
    I32,
    F32,
    F64,
}

impl Cell {
    fn bytes(self) -> usize {
        match self {
            Self::U8 | Self::I8 => 1,
            Self::U16 | Self::I16 => 2,
            Self::U32 | Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// The number in bytes of the least significant first.
    fn number(self, bytes: [u8; 8]) -> f64 {
        let two = [bytes[0], bytes[1]];
        let four = [bytes[0], bytes[1], bytes[2], bytes[3]];
        match self {
            Self::U8 => f64::from(bytes[0]),
            Self::I8 => f64::from(i8::from_le_bytes([bytes[0]])),
            Self::U16 => f64::from(u16::from_le_bytes(two)),
            Self::I16 => f64::from(i16::from_le_bytes(two)),
            Self::U32 => f64::from(u32::from_le_bytes(four)),
            Self::I32 => f64::from(i32::from_le_bytes(four)),
            Self::F32 => f64::from(f32::from_le_bytes(four)),
            Self::F64 => f64::from_le_bytes(bytes),
        }
    }
}

struct Binary {
    path: PathBuf,
    reader: Box<dyn ReadSeek>,
    cell: Cell,
    is_big: bool,
    start: u64,
    stride: u64,
    width: u32,
}

impl Blocks for Binary {
    fn block(&mut self, _: u32, row: u32) -> Result<Block, RasterError> {
        let size = self.cell.bytes();
        let mut bytes = vec![0; self.width as usize * size];
        let read = self.reader.seek(SeekFrom::Start(self.start + self.stride * u64::from(row)));
        read.and_then(|_| self.reader.read_exact(&mut bytes))
            .map_err(|source| RasterError::Io { path: self.path.clone(), source })?;
        let number = |cell: &[u8]| {
            let mut ordered = [0; 8];
            ordered[..size].copy_from_slice(cell);
            if self.is_big {
                ordered[..size].reverse();
            }
            self.cell.number(ordered)
        };
        Ok(Block { width: self.width, values: bytes.chunks_exact(size).map(number).collect() })
    }
}

/// Numbers as text; a row need not be a line.
struct Text {
    path: PathBuf,
    bytes: Vec<u8>,
    /// Where each row begins.
    starts: Vec<usize>,
    width: u32,
}

fn text(path: &Path, bytes: Vec<u8>, crs: Option<Crs>) -> Result<(Described, Box<dyn Blocks>), RasterError> {
    let damaged = |reason: String| RasterError::Damaged { path: path.to_path_buf(), reason };
    // the header ends before the first line that begins with a number
    let mut at = 0;
    while let Some(length) = bytes[at..].iter().position(|&byte| byte == b'\n') {
        let word = bytes[at..at + length].trim_ascii_start();
        if !word.first().is_none_or(u8::is_ascii_alphabetic) || word.to_ascii_lowercase().starts_with(b"nan") {
            break;
        }
        at += length + 1;
    }
    let header = Header { path, keys: keys(&String::from_utf8_lossy(&bytes[..at])) };
    let (width, height) = (header.count("ncols")?, header.count("nrows")?);
    let described = described((width, height), header.transform(height)?, crs, header.number("nodata_value")?);

    let (mut starts, mut values, mut inside) = (Vec::new(), 0_u64, false);
    for (place, byte) in bytes.iter().enumerate().skip(at) {
        let is_blank = byte.is_ascii_whitespace();
        if !is_blank && !inside {
            if values.is_multiple_of(u64::from(width)) {
                starts.push(place);
            }
            values += 1;
        }
        inside = !is_blank;
    }
    let expected = u64::from(width) * u64::from(height);
    if values != expected {
        return Err(damaged(format!(
            "its header declares {height} rows of {width} values ({expected}), found {values}"
        )));
    }
    Ok((described, Box::new(Text { path: path.to_path_buf(), bytes, starts, width })))
}

impl Blocks for Text {
    fn block(&mut self, _: u32, row: u32) -> Result<Block, RasterError> {
        let start = self.starts.get(row as usize).copied().unwrap_or(self.bytes.len());
        let end = self.starts.get(row as usize + 1).copied().unwrap_or(self.bytes.len());
        let damaged = |reason: String| RasterError::Damaged { path: self.path.clone(), reason };
        let cells = self.bytes[start..end].split(u8::is_ascii_whitespace).filter(|cell| !cell.is_empty());
        let number = |(column, cell): (usize, &[u8])| {
            let text = std::str::from_utf8(cell).unwrap_or("");
            text.parse::<f64>().map_err(|_| {
                let found = String::from_utf8_lossy(cell);
                let found = crate::text::short(&found);
                damaged(format!("row {}, column {}: found `{found}`, expected a number", row + 1, column + 1))
            })
        };
        Ok(Block { width: self.width, values: cells.enumerate().map(number).collect::<Result<_, _>>()? })
    }
}
