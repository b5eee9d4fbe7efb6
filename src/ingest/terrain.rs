//! The surface about a field.

use super::IngestError;
use super::assemble::Extent;
use super::layers::InputFile;
use crate::geometry::{Crs, Projector};
use crate::points::Surface;
use crate::raster::{RasterFile, Window};

/// Ground around the field that is read with it, m: what drains into the field from further off is not known (common
/// practice, no source).
const MARGIN_M: f64 = 500.0;

/// The part of an elevation model that covers the field and its surroundings; `None` where it does not reach the field.
pub(super) fn surface(file: &InputFile, field: Extent, utm: &Crs) -> Result<Option<Surface>, IngestError> {
    let fault = |error: &dyn std::fmt::Display| file.damaged_grid(error);
    if !crate::bundle::on_disk(&file.path).0.is_file() {
        return Err(IngestError::NoFile { pattern: file.name.clone() });
    }
    let mut raster = RasterFile::open(&file.path).map_err(|error| fault(&error))?;
    let crs = raster.crs().ok_or_else(|| super::wetness::no_crs(file))?.clone();
    let projector = Projector::new(utm, &crs).map_err(|error| fault(&error))?;
    let [west, south, east, north] = field;
    let corners = [
        (west - MARGIN_M, south - MARGIN_M),
        (west - MARGIN_M, north + MARGIN_M),
        (east + MARGIN_M, south - MARGIN_M),
        (east + MARGIN_M, north + MARGIN_M),
    ];
    let (mut low, mut high) = ((f64::INFINITY, f64::INFINITY), (f64::NEG_INFINITY, f64::NEG_INFINITY));
    for (x, y) in corners {
        let Some((x, y)) = projector.convert_point(x, y).map_err(|error| fault(&error))? else { return Ok(None) };
        let (column, row) = raster.transform().to_cell(x, y);
        low = (low.0.min(column), low.1.min(row));
        high = (high.0.max(column), high.1.max(row));
    }
    let inside = |value: f64, size: u32| value.clamp(0.0, f64::from(size)) as u32;
    let (left, right) = (inside(low.0.floor(), raster.width()), inside(high.0.ceil(), raster.width()));
    let (top, bottom) = (inside(low.1.floor(), raster.height()), inside(high.1.ceil(), raster.height()));
    if left + 2 >= right || top + 2 >= bottom {
        return Ok(None);
    }
    let window = Window { column: left, row: top, width: right - left, height: bottom - top };
    let read = raster.window(window).map_err(|error| fault(&error))?;
    // the cell's size on the ground, whatever the units of the raster
    let back = Projector::new(&crs, utm).map_err(|error| fault(&error))?;
    let (middle_column, middle_row) = ((right - left) / 2, (bottom - top) / 2);
    let ground = |column: u32, row: u32| -> Result<Option<(f64, f64)>, IngestError> {
        let (x, y) = read.transform.centre(column, row);
        back.convert_point(x, y).map_err(|error| fault(&error))
    };
    let (Some(at), Some(beside), Some(below)) = (
        ground(middle_column, middle_row)?,
        ground(middle_column + 1, middle_row)?,
        ground(middle_column, middle_row + 1)?,
    ) else {
        return Ok(None);
    };
    let distance = |other: (f64, f64)| (other.0 - at.0).hypot(other.1 - at.1);
    Ok(Some(Surface { cell_m: (distance(beside), distance(below)), raster: read }))
}
