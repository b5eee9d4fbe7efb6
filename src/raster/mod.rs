//! Rasters: read, write, sample.
//!
//! `GeoTIFF` as OGC 19-008r4 defines it, one band. Values come out as physical ones (scale and offset applied) and a cell
//! without data is NaN. Knows nothing of agriculture.

mod affine;
mod error;
mod geokeys;
mod read;
mod sample;
pub(crate) mod terrain;
mod write;

pub use affine::Affine;
pub(crate) use error::RasterError;
pub(crate) use read::{Raster, RasterFile, Window};
pub(crate) use sample::{Sampler, nearest};
pub use write::{GeoTiff, write_geotiff};
pub(crate) use write::{encode_described, encode_geotiff};
