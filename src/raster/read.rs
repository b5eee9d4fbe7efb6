//! Reading grids, whole or cell by cell, whatever their format.

use std::fs::File;
use std::io::{BufReader, Cursor, Read, Seek};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use ndarray::Array2;

use super::affine::Affine;
use super::error::RasterError;
use super::{netcdf, plain, tiff};
use crate::bundle::{Bundle, has_extension, on_disk};
use crate::geometry::Crs;

/// Decoded blocks that are kept for the next question.
const KEPT_BLOCKS: usize = 16;
/// Values of this size or more stand for missing data whatever the file declares: common practice (1e20, −3.4e38).
const NO_MEASUREMENT: f64 = 1e19;
/// The ends of the names of NetCDF files.
const NETCDF: [&str; 2] = ["nc", "nc4"];
/// The ends of the names of grids.
pub(crate) const EXTENSIONS: [&str; 9] = ["tif", "tiff", "asc", "bil", "bsq", "bip", "flt", "nc", "nc4"];

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

/// A month of a year, or of every year.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Month {
    pub(crate) year: Option<i32>,
    pub(crate) month: u32,
}

impl std::fmt::Display for Month {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.year {
            Some(year) => write!(f, "{year}-{:02}", self.month),
            None => write!(f, "month {:02}", self.month),
        }
    }
}

/// What is wanted from a file of grids.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ask {
    /// The month; a file that says which months it holds must hold it.
    pub(crate) month: Option<Month>,
    /// Whether the file must say which months it holds: several are asked of it.
    pub(crate) must_tell: bool,
    /// Whether any month will do where none is asked for: to look at a file.
    pub(crate) any_month: bool,
    /// Most bytes that a packed file may unpack to.
    pub(crate) most_bytes: u64,
}

impl Default for Ask {
    fn default() -> Self {
        Self { month: None, must_tell: false, any_month: false, most_bytes: 1 << 30 }
    }
}

/// What a file says of its grid.
pub(super) struct Described {
    pub(super) format: &'static str,
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) transform: Affine,
    pub(super) crs: Option<Crs>,
    pub(super) nodata: Option<f64>,
    pub(super) scale: f64,
    pub(super) offset: f64,
    /// Whether the cells are stored in single precision.
    pub(super) single_precision: bool,
    /// The unit of the values as recorded.
    pub(super) unit: Option<String>,
    /// The months that the file says it holds.
    pub(super) months: Vec<Month>,
    /// Columns and rows of a block, the part that is decoded at once.
    pub(super) block: (u32, u32),
}

/// Values as stored, row by row, and the columns of a row.
pub(super) struct Block {
    pub(super) width: u32,
    pub(super) values: Vec<f64>,
}

/// Where the cells come from.
pub(super) trait Blocks {
    /// Block number `across` of block row `down`.
    fn block(&mut self, across: u32, down: u32) -> Result<Block, RasterError>;
}

/// An open grid of one band. Only the blocks that are asked for are decoded.
pub struct RasterFile {
    path: PathBuf,
    described: Described,
    blocks: Box<dyn Blocks>,
    kept: Vec<((u32, u32), Arc<Block>)>,
}

/// What is in a raster.
#[derive(Debug, Clone, PartialEq)]
pub struct RasterSummary {
    /// The format's name.
    pub format: &'static str,
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
    /// The unit of its values; `None` where the file does not say.
    pub unit: Option<String>,
    /// The months that the file says it holds; the values are those of the first.
    pub(crate) months: Vec<Month>,
}

impl std::fmt::Debug for RasterFile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RasterFile")
            .field("path", &self.path)
            .field("width", &self.width())
            .field("height", &self.height())
            .field("transform", &self.transform())
            .field("crs", &self.crs())
            .finish_non_exhaustive()
    }
}

/// Whether the name of a file is that of a grid; of a .zip, whether it holds one.
pub(crate) fn is_grid(path: &Path) -> bool {
    let (holder, member) = on_disk(path);
    let holder_name = holder.to_string_lossy().into_owned();
    if has_extension(&holder_name, &NETCDF) {
        return true;
    }
    let name = member.unwrap_or(holder_name);
    if has_extension(&name, &["zip"]) {
        let packed = crate::bundle::Packed::open(&holder, u64::MAX);
        return packed.is_ok_and(|packed| !packed.of_kind(&EXTENSIONS).is_empty());
    }
    has_extension(&name, &EXTENSIONS)
}

/// The files that belong to the grid at `path`, those that exist.
pub(crate) fn companions(path: &Path) -> Vec<PathBuf> {
    if !has_extension(&path.to_string_lossy(), &["asc", "bil", "bsq", "bip", "flt"]) {
        return Vec::new();
    }
    let beside = ["hdr", "prj", "HDR", "PRJ"].map(|extension| path.with_extension(extension));
    beside.into_iter().filter(|companion| companion.is_file()).collect()
}

impl RasterFile {
    /// Opens a file and reads what describes it: `GeoTIFF`, ESRI ASCII, BIL, BSQ, BIP and FLT with their .hdr, NetCDF; also as a
    /// member of a .zip, `grids.zip/may.asc`.
    ///
    /// # Errors
    /// [`RasterError`] when it cannot be opened, is damaged, has several bands or does not say where it lies.
    pub fn open(path: &Path) -> Result<Self, RasterError> {
        Self::open_with(path, Ask::default())
    }

    /// As [`RasterFile::open`], for one month of a file that may hold several.
    ///
    /// # Errors
    /// As [`RasterFile::open`], and when the file says that it holds other months.
    pub(crate) fn open_with(path: &Path, ask: Ask) -> Result<Self, RasterError> {
        let of_bundle = |error| RasterError::from_bundle(path, error);
        // a variable of NetCDF is named as if the file were a folder
        let (holder, member) = on_disk(path);
        if has_extension(&holder.to_string_lossy(), &NETCDF) {
            let (described, blocks) = netcdf::open(path, &mut Bundle::Disk(holder), member.as_deref(), ask)?;
            return Self::new(path, described, blocks);
        }
        let mut bundle = Bundle::open(path, &EXTENSIONS, ask.most_bytes).map_err(of_bundle)?;
        let name = bundle.name();
        if has_extension(&name, &["tif", "tiff"]) {
            return match &mut bundle {
                Bundle::Disk(path) => {
                    let io = |source| RasterError::Io { path: path.clone(), source };
                    Self::from_reader(BufReader::new(File::open(&*path).map_err(io)?), path)
                }
                Bundle::Member(..) => Self::from_reader(Cursor::new(bundle.main().map_err(of_bundle)?), path),
            };
        }
        if let Bundle::Disk(path) = &bundle {
            File::open(path).map_err(|source| RasterError::Io { path: path.clone(), source })?;
        }
        let (described, blocks) = if has_extension(&name, &NETCDF) {
            netcdf::open(path, &mut bundle, None, ask)?
        } else {
            plain::open(path, &mut bundle)?
        };
        Self::new(path, described, blocks)
    }

    /// A `GeoTIFF` from elsewhere; `path` names it in messages.
    ///
    /// # Errors
    /// As [`RasterFile::open`].
    pub fn from_reader<R: Read + Seek + 'static>(reader: R, path: &Path) -> Result<Self, RasterError> {
        let (described, blocks) = tiff::open(reader, path)?;
        Self::new(path, described, blocks)
    }

    fn new(path: &Path, described: Described, blocks: Box<dyn Blocks>) -> Result<Self, RasterError> {
        let path = path.to_path_buf();
        if described.width == 0 || described.height == 0 || described.block.0 == 0 || described.block.1 == 0 {
            return Err(RasterError::Damaged { path, reason: "it has no cells".to_owned() });
        }
        Ok(Self { path, described, blocks, kept: Vec::new() })
    }

    /// Columns.
    pub fn width(&self) -> u32 {
        self.described.width
    }

    /// Rows.
    pub fn height(&self) -> u32 {
        self.described.height
    }

    /// Where the cells lie.
    pub fn transform(&self) -> Affine {
        self.described.transform
    }

    /// The reference system; `None` where the file does not say.
    pub fn crs(&self) -> Option<&Crs> {
        self.described.crs.as_ref()
    }

    /// The unit of the values as the file tells it.
    pub(crate) fn unit(&self) -> Option<&str> {
        self.described.unit.as_deref()
    }

    /// What is in it, from all its cells.
    ///
    /// # Errors
    /// As [`RasterFile::window`].
    pub fn summary(&mut self) -> Result<RasterSummary, RasterError> {
        let (mut range, mut cells_with_data) = (None, 0);
        let (width, height, rows) = (self.width(), self.height(), self.described.block.1);
        for row in (0..height).step_by(rows as usize) {
            for &value in &self.window(Window { column: 0, row, width, height: rows })?.data {
                if value.is_finite() {
                    cells_with_data += 1;
                    let [least, most] = range.unwrap_or([value, value]);
                    range = Some([value.min(least), value.max(most)]);
                }
            }
        }
        let (across, down) = (f64::from(width), f64::from(height));
        let corners = [(0.0, 0.0), (across, 0.0), (0.0, down), (across, down)];
        let corners = corners.map(|(x, y)| self.described.transform.to_plane(x, y));
        let extent =
            corners.iter().fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |known, at| {
                [known[0].min(at.0), known[1].min(at.1), known[2].max(at.0), known[3].max(at.1)]
            });
        Ok(RasterSummary {
            format: self.described.format,
            columns: u64::from(width),
            rows: u64::from(height),
            extent,
            crs: self.crs().map(ToString::to_string),
            range,
            cells_with_data,
            nodata: self.described.nodata,
            unit: self.described.unit.clone(),
            months: self.described.months.clone(),
        })
    }

    /// The physical value of a cell; NaN where there are no data.
    ///
    /// # Errors
    /// [`RasterError::Damaged`] when its block cannot be decoded.
    ///
    /// # Panics
    /// When the cell lies outside the raster.
    pub fn value(&mut self, column: u32, row: u32) -> Result<f64, RasterError> {
        assert!(column < self.width() && row < self.height(), "the cell lies in the raster");
        let (wide, high) = self.described.block;
        let block = self.block(column / wide, row / high)?;
        let at = (row % high) as usize * block.width as usize + (column % wide) as usize;
        block.values.get(at).copied().ok_or_else(|| self.short_block())
    }

    /// The cells of a rectangle; parts of it outside the raster are cut off.
    ///
    /// # Errors
    /// [`RasterError::Damaged`] when a block cannot be decoded; [`RasterError::Unsupported`] when nothing of the
    /// rectangle lies in the raster or it does not fit into memory.
    pub fn window(&mut self, window: Window) -> Result<Raster, RasterError> {
        let right = window.column.saturating_add(window.width).min(self.width());
        let bottom = window.row.saturating_add(window.height).min(self.height());
        if window.column >= right || window.row >= bottom {
            return Err(self.unsupported(
                "cells in the window that is asked for",
                format!("{} by {} cells", self.width(), self.height()),
            ));
        }
        let (width, height) = (right - window.column, bottom - window.row);
        let cells = u64::from(width) * u64::from(height);
        if cells > 1 << 30 {
            return Err(self.unsupported("at most 2^30 cells at once", format!("{width} by {height} cells")));
        }
        let mut data = Array2::from_elem((height as usize, width as usize), f64::NAN);
        let (wide, high) = self.described.block;
        for down in window.row / high..=(bottom - 1) / high {
            for across in window.column / wide..=(right - 1) / wide {
                let block = self.block(across, down)?;
                let (left, top) = (across * wide, down * high);
                let from = window.column.max(left);
                let until = right.min(left + block.width);
                for row in window.row.max(top)..bottom.min(top.saturating_add(high)) {
                    let start = (row - top) as usize * block.width as usize;
                    let cells = block
                        .values
                        .get(start + (from - left) as usize..start + (until - left) as usize)
                        .ok_or_else(|| self.short_block())?;
                    let to = (from - window.column) as usize;
                    for (at, &value) in cells.iter().enumerate() {
                        data[((row - window.row) as usize, to + at)] = value;
                    }
                }
            }
        }
        let transform = self.transform().shifted(f64::from(window.column), f64::from(window.row));
        Ok(Raster { data, transform, crs: self.crs().cloned() })
    }

    /// The whole raster.
    ///
    /// # Errors
    /// As [`Self::window`].
    #[cfg(test)]
    pub(crate) fn read_all(&mut self) -> Result<Raster, RasterError> {
        self.window(Window { column: 0, row: 0, width: self.width(), height: self.height() })
    }

    fn unsupported(&self, expected: &'static str, found: String) -> RasterError {
        RasterError::Unsupported { path: self.path.clone(), expected, found }
    }

    fn short_block(&self) -> RasterError {
        RasterError::Damaged { path: self.path.clone(), reason: "a strip or tile holds too few cells".to_owned() }
    }

    fn block(&mut self, across: u32, down: u32) -> Result<Arc<Block>, RasterError> {
        if let Some((_, block)) = self.kept.iter().find(|(at, _)| *at == (across, down)) {
            return Ok(Arc::clone(block));
        }
        let mut block = self.blocks.block(across, down)?;
        for value in &mut block.values {
            *value = self.physical(*value);
        }
        let block = Arc::new(block);
        if self.kept.len() == KEPT_BLOCKS {
            self.kept.remove(0);
        }
        self.kept.push(((across, down), Arc::clone(&block)));
        Ok(block)
    }

    fn physical(&self, stored: f64) -> f64 {
        if self.is_missing(stored) { f64::NAN } else { stored * self.described.scale + self.described.offset }
    }

    /// The declared value is text, often rounded: it is compared in the precision of the cells, with a tolerance of one
    /// part in a million.
    fn is_missing(&self, stored: f64) -> bool {
        if !stored.is_finite() || stored.abs() >= NO_MEASUREMENT {
            return true;
        }
        self.described.nodata.is_some_and(|nodata| {
            let nodata = if self.described.single_precision { f64::from(nodata as f32) } else { nodata };
            (stored - nodata).abs() <= 1e-6 * nodata.abs()
        })
    }
}

#[cfg(test)]
#[path = "read_tests.rs"]
mod tests;
