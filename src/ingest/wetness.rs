//! The precipitation departure at a field: total minus normal, from the same cell of the same grid.
//!
//! A cell is an areal mean, so a field has one value: that of the nearest cell at the middle of its records.

use std::path::PathBuf;

use super::IngestError;
use super::layers::InputFile;
use crate::config::WetnessSettings;
use crate::geometry::Crs;
use crate::raster::{RasterFile, Sampler};

/// The grids of one season, one entry a month (a single entry for a seasonal departure).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeasonGrids {
    /// Totals, or departures.
    pub totals: Vec<InputFile>,
    /// Normals; empty for departures.
    pub normals: Vec<InputFile>,
}

/// The departure at a place (UTM metres), mm; `None` where a grid holds no data.
pub(super) fn departure_mm(
    grids: &SeasonGrids,
    settings: &WetnessSettings,
    utm: &Crs,
    x_m: f64,
    y_m: f64,
) -> Result<Option<f64>, IngestError> {
    let mut departure = 0.0;
    for (files, sign) in [(&grids.totals, 1.0), (&grids.normals, -1.0)] {
        for file in files {
            match sample(file, utm, x_m, y_m)? {
                Some(value) => departure += sign * value,
                None => return Ok(None),
            }
        }
    }
    Ok(Some(departure * settings.mm_per_unit))
}

fn sample(file: &InputFile, utm: &Crs, x_m: f64, y_m: f64) -> Result<Option<f64>, IngestError> {
    // The raster's own messages carry a path; the archive's name of the file stands in its place.
    let fault = |error: &dyn std::fmt::Display| {
        let text = error.to_string();
        let path = format!("{}: ", file.path.display());
        IngestError::Damaged { file: file.name.clone(), reason: text.replace(&path, "") }
    };
    if !PathBuf::from(&file.path).is_file() {
        return Err(IngestError::NoFile { pattern: file.name.clone() });
    }
    let raster = RasterFile::open(&file.path).map_err(|error| fault(&error))?;
    let mut sampler = Sampler::new(raster, utm).map_err(|error| fault(&error))?;
    sampler.nearest(x_m, y_m).map_err(|error| fault(&error))
}
