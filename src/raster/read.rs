//! Reading `GeoTIFF` files, whole or cell by cell.

use std::fs::File;
use std::io::{BufReader, Read, Seek};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use ndarray::Array2;
use tiff::TiffError;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};
use tiff::tags::Tag;

use super::affine::Affine;
use super::error::RasterError;
use super::geokeys::{self, GeoKeys};
use crate::geometry::Crs;

/// The tag in which scale and offset stand (a widely used private tag, as is 42113 for missing data).
const METADATA: Tag = Tag::Unknown(42_112);
/// Decoded strips or tiles that are kept for the next question.
const KEPT_CHUNKS: usize = 16;
/// Values of this size or more stand for missing data whatever the file declares: common practice (1e20, −3.4e38).
const NO_MEASUREMENT: f64 = 1e19;

/// A raster in memory: physical values, NaN where there are no data; row 0 is the first row of the file.
#[derive(Debug, Clone)]
pub struct Raster {
    /// Values, rows by columns.
    pub data: Array2<f64>,
    /// Where the cells lie.
    pub transform: Affine,
    /// The reference system; `None` where the file does not say.
    pub crs: Option<Crs>,
}

/// A rectangle of cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// First column.
    pub column: u32,
    /// First row.
    pub row: u32,
    /// Number of columns.
    pub width: u32,
    /// Number of rows.
    pub height: u32,
}

/// An open `GeoTIFF` of one band. Only the strips or tiles that are asked for are decoded.
pub struct RasterFile<R: Read + Seek = BufReader<File>> {
    path: PathBuf,
    decoder: Decoder<R>,
    width: u32,
    height: u32,
    transform: Affine,
    crs: Option<Crs>,
    nodata: Option<f64>,
    scale: f64,
    offset: f64,
    single_precision: bool,
    chunk_width: u32,
    chunk_height: u32,
    /// Bytes of each strip or tile in the file: 0 for one that was never written.
    chunk_bytes: Vec<u64>,
    kept: Vec<(u32, Arc<Chunk>)>,
}

/// What is in a raster.
#[derive(Debug, Clone, PartialEq)]
pub struct RasterSummary {
    /// Columns.
    pub columns: u64,
    /// Rows.
    pub rows: u64,
    /// `[west, south, east, north]` in its own reference system.
    pub extent: [f64; 4],
    /// Its reference system; `None` where the file does not say.
    pub crs: Option<String>,
    /// Least and greatest physical value; `None` where no cell holds data.
    pub range: Option<[f64; 2]>,
    /// Cells that hold data.
    pub cells_with_data: u64,
    /// The stored value that stands for missing data.
    pub nodata: Option<f64>,
}

#[derive(Debug)]
struct Chunk {
    width: u32,
    values: Vec<f64>,
}

impl<R: Read + Seek> std::fmt::Debug for RasterFile<R> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RasterFile")
            .field("path", &self.path)
            .field("width", &self.width)
            .field("height", &self.height)
            .field("transform", &self.transform)
            .field("crs", &self.crs)
            .finish_non_exhaustive()
    }
}

impl RasterFile {
    /// Opens a file and reads what describes it.
    ///
    /// # Errors
    /// [`RasterError`] when it cannot be opened, is damaged, has several bands or does not say where it lies.
    pub fn open(path: &Path) -> Result<Self, RasterError> {
        let file = File::open(path).map_err(|source| RasterError::Io { path: path.to_path_buf(), source })?;
        Self::from_reader(BufReader::new(file), path)
    }
}

impl<R: Read + Seek> RasterFile<R> {
    /// As [`RasterFile::open`] for bytes from elsewhere; `path` names them in messages.
    ///
    /// # Errors
    /// As [`RasterFile::open`].
    pub fn from_reader(reader: R, path: &Path) -> Result<Self, RasterError> {
        let broken = |fault: TiffError| RasterError::from_tiff(path, fault);
        let unsupported =
            |expected, found: String| RasterError::Unsupported { path: path.to_path_buf(), expected, found };
        let mut limits = Limits::default();
        limits.ifd_value_size = 64 << 20;
        let mut decoder = Decoder::new(reader).map_err(broken)?.with_limits(limits);
        let (width, height) = decoder.dimensions().map_err(broken)?;

        let bands: u16 = decoder.find_tag_unsigned(Tag::SamplesPerPixel).map_err(broken)?.unwrap_or(1);
        if bands != 1 {
            return Err(unsupported("one band", format!("{bands} bands")));
        }
        let bits: u16 = first(&mut decoder, Tag::BitsPerSample).map_err(broken)?.unwrap_or(1);
        let format: u16 = first(&mut decoder, Tag::SampleFormat).map_err(broken)?.unwrap_or(1);
        if !(matches!(bits, 8 | 16 | 32 | 64) && (1..=3).contains(&format)) {
            return Err(unsupported(
                "integers or floating-point numbers of 8, 16, 32 or 64 bits",
                format!("{bits} bits in sample format {format}"),
            ));
        }
        let (chunk_width, chunk_height) = decoder.chunk_dimensions();
        let counts = match decoder.get_chunk_type() {
            ChunkType::Strip => Tag::StripByteCounts,
            ChunkType::Tile => Tag::TileByteCounts,
        };
        let chunk_bytes = decoder.get_tag_u64_vec(counts).map_err(broken)?;

        let doubles = |decoder: &mut Decoder<R>, tag| optional(decoder.get_tag_f64_vec(tag)).map_err(broken);
        let pixel_scale = doubles(&mut decoder, Tag::ModelPixelScaleTag)?;
        let tie_point = doubles(&mut decoder, Tag::ModelTiepointTag)?;
        let matrix = doubles(&mut decoder, Tag::ModelTransformationTag)?;
        let keys = GeoKeys::new(
            &optional(decoder.get_tag_u16_vec(Tag::GeoKeyDirectoryTag)).map_err(broken)?.unwrap_or_default(),
            &doubles(&mut decoder, Tag::GeoDoubleParamsTag)?.unwrap_or_default(),
            &optional(decoder.get_tag_ascii_string(Tag::GeoAsciiParamsTag)).map_err(broken)?.unwrap_or_default(),
        );
        let mut transform =
            affine(pixel_scale.as_deref(), tie_point.as_deref(), matrix.as_deref()).ok_or_else(|| {
                RasterError::NoGeoreference {
                    path: path.to_path_buf(),
                    missing: "tie point and pixel scale, nor a transformation",
                }
            })?;
        if keys.code(geokeys::RASTER_TYPE) == Some(geokeys::PIXEL_IS_POINT) {
            // Coordinates are those of the cells' centres: the outer corner lies half a cell before.
            transform = transform.shifted(-0.5, -0.5);
        }
        let crs = if keys.is_empty() {
            None
        } else {
            Some(keys.crs().map_err(|source| RasterError::Crs { path: path.to_path_buf(), source })?)
        };
        let nodata = optional(decoder.get_tag_ascii_string(Tag::GdalNodata))
            .map_err(broken)?
            .and_then(|text| text.trim_matches(['\0', ' ']).to_ascii_lowercase().parse::<f64>().ok());
        let metadata = optional(decoder.get_tag_ascii_string(METADATA)).map_err(broken)?.unwrap_or_default();
        Ok(Self {
            path: path.to_path_buf(),
            width,
            height,
            transform,
            crs,
            nodata,
            scale: metadata_item(&metadata, "scale").unwrap_or(1.0),
            offset: metadata_item(&metadata, "offset").unwrap_or(0.0),
            single_precision: bits == 32 && format == 3,
            chunk_width,
            chunk_height,
            chunk_bytes,
            kept: Vec::new(),
            decoder,
        })
    }

    /// Columns.
    pub fn width(&self) -> u32 {
        self.width
    }

    /// Rows.
    pub fn height(&self) -> u32 {
        self.height
    }

    /// Where the cells lie.
    pub fn transform(&self) -> Affine {
        self.transform
    }

    /// The reference system; `None` where the file does not say.
    pub fn crs(&self) -> Option<&Crs> {
        self.crs.as_ref()
    }

    /// What is in it, from all its cells.
    ///
    /// # Errors
    /// As [`RasterFile::window`].
    pub fn summary(&mut self) -> Result<RasterSummary, RasterError> {
        let (mut range, mut cells_with_data) = (None, 0);
        for row in (0..self.height).step_by(self.chunk_height.max(1) as usize) {
            let rows = Window { column: 0, row, width: self.width, height: self.chunk_height.max(1) };
            for &value in self.window(rows)?.data.iter().filter(|value| value.is_finite()) {
                cells_with_data += 1;
                let [least, most] = range.unwrap_or([value, value]);
                range = Some([value.min(least), value.max(most)]);
            }
        }
        let (width, height) = (f64::from(self.width), f64::from(self.height));
        let corners =
            [(0.0, 0.0), (width, 0.0), (0.0, height), (width, height)].map(|(x, y)| self.transform.to_plane(x, y));
        let extent =
            corners.iter().fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |known, at| {
                [known[0].min(at.0), known[1].min(at.1), known[2].max(at.0), known[3].max(at.1)]
            });
        let crs = self.crs.as_ref().map(ToString::to_string);
        let (columns, rows) = (u64::from(self.width), u64::from(self.height));
        Ok(RasterSummary { columns, rows, extent, crs, range, cells_with_data, nodata: self.nodata })
    }

    /// The physical value of a cell; NaN where there are no data.
    ///
    /// # Errors
    /// [`RasterError::Damaged`] when its strip or tile cannot be decoded.
    ///
    /// # Panics
    /// When the cell lies outside the raster.
    pub fn value(&mut self, column: u32, row: u32) -> Result<f64, RasterError> {
        assert!(column < self.width && row < self.height, "the cell lies in the raster");
        let across = self.width.div_ceil(self.chunk_width);
        let chunk = self.chunk((row / self.chunk_height) * across + column / self.chunk_width)?;
        let at = (row % self.chunk_height) as usize * chunk.width as usize + (column % self.chunk_width) as usize;
        chunk.values.get(at).copied().ok_or_else(|| self.short_chunk())
    }

    /// The cells of a rectangle; parts of it outside the raster are cut off.
    ///
    /// # Errors
    /// [`RasterError::Damaged`] when a strip or tile cannot be decoded; [`RasterError::Unsupported`] when nothing of the
    /// rectangle lies in the raster or it does not fit into memory.
    pub fn window(&mut self, window: Window) -> Result<Raster, RasterError> {
        let right = window.column.saturating_add(window.width).min(self.width);
        let bottom = window.row.saturating_add(window.height).min(self.height);
        if window.column >= right || window.row >= bottom {
            return Err(self.unsupported(
                "cells in the window that is asked for",
                format!("{} by {} cells", self.width, self.height),
            ));
        }
        let (width, height) = (right - window.column, bottom - window.row);
        let cells = u64::from(width) * u64::from(height);
        if cells > 1 << 30 {
            return Err(self.unsupported("at most 2^30 cells at once", format!("{width} by {height} cells")));
        }
        let mut data = Array2::from_elem((height as usize, width as usize), f64::NAN);
        let across = self.width.div_ceil(self.chunk_width);
        for chunk_row in window.row / self.chunk_height..=(bottom - 1) / self.chunk_height {
            for chunk_column in window.column / self.chunk_width..=(right - 1) / self.chunk_width {
                let chunk = self.chunk(chunk_row * across + chunk_column)?;
                let (left, top) = (chunk_column * self.chunk_width, chunk_row * self.chunk_height);
                let from = window.column.max(left);
                let until = right.min(left + chunk.width);
                for row in window.row.max(top)..bottom.min(top.saturating_add(self.chunk_height)) {
                    let start = (row - top) as usize * chunk.width as usize;
                    let cells = chunk
                        .values
                        .get(start + (from - left) as usize..start + (until - left) as usize)
                        .ok_or_else(|| self.short_chunk())?;
                    let to = (from - window.column) as usize;
                    for (at, &value) in cells.iter().enumerate() {
                        data[((row - window.row) as usize, to + at)] = value;
                    }
                }
            }
        }
        Ok(Raster {
            data,
            transform: self.transform.shifted(f64::from(window.column), f64::from(window.row)),
            crs: self.crs.clone(),
        })
    }

    /// The whole raster.
    ///
    /// # Errors
    /// As [`Self::window`].
    #[cfg(test)]
    pub(crate) fn read_all(&mut self) -> Result<Raster, RasterError> {
        self.window(Window { column: 0, row: 0, width: self.width, height: self.height })
    }

    fn unsupported(&self, expected: &'static str, found: String) -> RasterError {
        RasterError::Unsupported { path: self.path.clone(), expected, found }
    }

    fn short_chunk(&self) -> RasterError {
        RasterError::Damaged { path: self.path.clone(), reason: "a strip or tile holds too few cells".to_owned() }
    }

    fn chunk(&mut self, index: u32) -> Result<Arc<Chunk>, RasterError> {
        if let Some((_, chunk)) = self.kept.iter().find(|(kept, _)| *kept == index) {
            return Ok(Arc::clone(chunk));
        }
        let Some(&bytes) = self.chunk_bytes.get(index as usize) else { return Err(self.short_chunk()) };
        let (width, height) = self.decoder.chunk_data_dimensions(index);
        let values = if bytes == 0 {
            // A strip or tile that was never written holds no data.
            vec![f64::NAN; width as usize * height as usize]
        } else {
            let stored = self.decoder.read_chunk(index).map_err(|fault| RasterError::from_tiff(&self.path, fault))?;
            numbers(stored)
                .ok_or_else(|| {
                    self.unsupported("numbers of 8, 16, 32 or 64 bits", "half-precision numbers".to_owned())
                })?
                .into_iter()
                .map(|value| self.physical(value))
                .collect()
        };
        let chunk = Arc::new(Chunk { width, values });
        if self.kept.len() == KEPT_CHUNKS {
            self.kept.remove(0);
        }
        self.kept.push((index, Arc::clone(&chunk)));
        Ok(chunk)
    }

    fn physical(&self, stored: f64) -> f64 {
        if self.is_missing(stored) { f64::NAN } else { stored * self.scale + self.offset }
    }

    /// The declared value is text, often rounded: it is compared in the precision of the cells, with a tolerance of one
    /// part in a million.
    fn is_missing(&self, stored: f64) -> bool {
        if !stored.is_finite() || stored.abs() >= NO_MEASUREMENT {
            return true;
        }
        self.nodata.is_some_and(|nodata| {
            let nodata = if self.single_precision { f64::from(nodata as f32) } else { nodata };
            (stored - nodata).abs() <= 1e-6 * nodata.abs()
        })
    }
}

/// The first of a tag's values.
fn first<R: Read + Seek>(decoder: &mut Decoder<R>, tag: Tag) -> Result<Option<u16>, TiffError> {
    Ok(decoder.find_tag_unsigned_vec::<u16>(tag)?.and_then(|values| values.first().copied()))
}

/// A tag that may be absent.
fn optional<T>(found: Result<T, TiffError>) -> Result<Option<T>, TiffError> {
    match found {
        Ok(value) => Ok(Some(value)),
        Err(TiffError::FormatError(tiff::TiffFormatError::RequiredTagNotFound(_))) => Ok(None),
        Err(fault) => Err(fault),
    }
}

fn numbers(stored: DecodingResult) -> Option<Vec<f64>> {
    Some(match stored {
        DecodingResult::U8(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::U16(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::U32(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::U64(values) => values.into_iter().map(|value| value as f64).collect(),
        DecodingResult::I8(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::I16(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::I32(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::I64(values) => values.into_iter().map(|value| value as f64).collect(),
        DecodingResult::F32(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::F64(values) => values,
        DecodingResult::F16(_) => return None,
    })
}

/// The map from cells to the plane: a 4 × 4 matrix, or one tie point and the size of the cells.
fn affine(pixel_scale: Option<&[f64]>, tie_point: Option<&[f64]>, matrix: Option<&[f64]>) -> Option<Affine> {
    let found = if let Some(m) = matrix.filter(|m| m.len() >= 8) {
        Affine { x0: m[3], dx_column: m[0], dx_row: m[1], y0: m[7], dy_column: m[4], dy_row: m[5] }
    } else {
        let (size, tie) = (pixel_scale.filter(|s| s.len() >= 2)?, tie_point.filter(|t| t.len() >= 6)?);
        Affine::north_up(tie[3] - tie[0] * size[0], tie[4] + tie[1] * size[1], size[0], size[1])
    };
    (found.determinant() != 0.0 && found.determinant().is_finite()).then_some(found)
}

/// `<Item name="SCALE" sample="0" role="scale">0.1</Item>`: the number of the item with the role.
fn metadata_item(metadata: &str, role: &str) -> Option<f64> {
    let role = format!("role=\"{role}\"");
    metadata.split("<Item").find(|item| item.contains(&role))?.split_once('>')?.1.split('<').next()?.trim().parse().ok()
}

#[cfg(test)]
#[path = "read_tests.rs"]
mod tests;
