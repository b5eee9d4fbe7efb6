//! Rasters: read, write, sample.
//!
//! `GeoTIFF` as OGC 19-008r4 defines it, one band. Values come out as physical ones (scale and offset applied) and a cell
//! without data is NaN. Knows nothing of agriculture.

mod affine;
mod error;
mod geokeys;
mod read;
mod sample;
pub mod terrain;
mod write;

pub use affine::Affine;
pub use error::RasterError;
pub use read::{Raster, RasterFile, RasterSummary, Window};
pub use sample::{Cells, Sampler, bilinear, nearest};
pub use write::{GeoTiff, encode_geotiff, write_geotiff};
