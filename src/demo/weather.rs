//! The invented May precipitation: normals and totals on a grid of longitudes and latitudes.

use ndarray::Array2;

use super::catalogue::{FARMS, SEASONS};
use crate::raster::{Affine, GeoTiff, Raster, RasterError, encode_geotiff};

/// Side of a cell, degrees: about 4 km.
const CELL_DEG: f64 = 1.0 / 24.0;
const WEST_DEG: f64 = -95.25;
const NORTH_DEG: f64 = 43.5;
const COLUMNS: usize = 48;
const ROWS: usize = 36;

fn grid() -> Affine {
    Affine::north_up(WEST_DEG, NORTH_DEG, CELL_DEG, CELL_DEG)
}

/// Normal precipitation of May at a place, mm.
fn normal_mm(lon: f64, lat: f64) -> f64 {
    104.0 + 9.0 * (lon + 94.0) - 6.0 * (lat - 42.7) + 2.5 * (7.0 * lon).sin() * (9.0 * lat).cos()
}

/// Departure from normal, mm: near each farm its own, a mean in between.
fn departure_mm(season: usize, lon: f64, lat: f64) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for farm in &FARMS {
        let weight = 1.0 / (0.002 + (lon - farm.lon).powi(2) + (lat - farm.lat).powi(2)).powi(2);
        sum += weight * farm.departure_mm[season];
        weights += weight;
    }
    sum / weights
}

fn raster(value: impl Fn(f64, f64) -> f64) -> Array2<f32> {
    let grid = grid();
    Array2::from_shape_fn((ROWS, COLUMNS), |(row, column)| {
        let (lon, lat) = grid.centre(column as u32, row as u32);
        // To a hundredth of a millimetre, as such grids are published.
        ((value(lon, lat) * 100.0).round() / 100.0) as f32
    })
}

fn encoded(data: &Array2<f32>) -> Result<Vec<u8>, RasterError> {
    encode_geotiff(&GeoTiff { data: data.view(), transform: grid(), epsg: 4_326, is_geographic: true })
}

/// The file of normals.
pub(super) fn normal_file() -> Result<Vec<u8>, RasterError> {
    encoded(&raster(normal_mm))
}

/// The file of totals of a season (index).
pub(super) fn total_file(season: usize) -> Result<Vec<u8>, RasterError> {
    encoded(&raster(|lon, lat| normal_mm(lon, lat) + departure_mm(season, lon, lat)))
}

/// The departure at a place as the files have it (nearest cell), mm.
pub(super) fn departure_at(season: i32, lon: f64, lat: f64) -> Result<f64, RasterError> {
    let season = SEASONS.iter().position(|&one| one == season).unwrap_or(0);
    let nearest = |data: Array2<f32>| {
        let mut raster = Raster { data: data.mapv(f64::from), transform: grid(), crs: None };
        crate::raster::nearest(&mut raster, lon, lat)
    };
    let total = nearest(raster(|lon, lat| normal_mm(lon, lat) + departure_mm(season, lon, lat)))?;
    Ok(total.zip(nearest(raster(normal_mm))?).map_or(f64::NAN, |(total, normal)| total - normal))
}
