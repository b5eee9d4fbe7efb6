//! Rasters: read, write, sample.
//!
//! `GeoTIFF`, ESRI ASCII, binary rows with a .hdr, and NetCDF, one band. Values come out as physical ones (scale and offset applied) and a cell
//! without data is NaN. Knows nothing of agriculture.

mod affine;
mod error;
mod geokeys;
mod netcdf;
mod plain;
mod read;
mod sample;
pub(crate) mod terrain;
mod tiff;
mod write;

pub use affine::Affine;
pub(crate) use error::RasterError;
pub(crate) use read::{Ask, EXTENSIONS, Month, Raster, RasterFile, Window, companions, is_grid};
pub(crate) use sample::{Sampler, nearest};
pub use write::{GeoTiff, write_geotiff};
pub(crate) use write::{encode_described, encode_geotiff};
