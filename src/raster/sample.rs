//! The value of a raster at a place.

use super::affine::Affine;
use super::error::RasterError;
use super::read::{Raster, RasterFile};
use crate::geometry::{Crs, CrsError, Projector};

/// Anything with cells: a raster in memory or an open file.
pub trait Cells {
    /// Columns and rows.
    fn size(&self) -> (u32, u32);
    /// Where the cells lie.
    fn transform(&self) -> Affine;
    /// The reference system, if known.
    fn crs(&self) -> Option<&Crs>;
    /// The physical value of a cell within the raster; NaN where there are no data.
    ///
    /// # Errors
    /// When the file is damaged there.
    fn cell(&mut self, column: u32, row: u32) -> Result<f64, RasterError>;
}

impl Cells for Raster {
    fn size(&self) -> (u32, u32) {
        (self.data.ncols() as u32, self.data.nrows() as u32)
    }

    fn transform(&self) -> Affine {
        self.transform
    }

    fn crs(&self) -> Option<&Crs> {
        self.crs.as_ref()
    }

    fn cell(&mut self, column: u32, row: u32) -> Result<f64, RasterError> {
        Ok(self.data[(row as usize, column as usize)])
    }
}

impl Cells for RasterFile {
    fn size(&self) -> (u32, u32) {
        (self.width(), self.height())
    }

    fn transform(&self) -> Affine {
        self.transform()
    }

    fn crs(&self) -> Option<&Crs> {
        self.crs()
    }

    fn cell(&mut self, column: u32, row: u32) -> Result<f64, RasterError> {
        self.value(column, row)
    }
}

/// Fractions of a cell nearer than this to a centre or an edge are taken to lie on it: rounding of coordinates.
const ROUNDING: f64 = 1e-9;

/// The (fractional) column and row of a place. In a geographic raster the place may be one turn of the globe away (rasters
/// from 0° to 360°).
fn column_and_row(cells: &impl Cells, x: f64, y: f64) -> Option<(f64, f64)> {
    let (width, height) = cells.size();
    let turns: &[f64] = if cells.crs().is_some_and(Crs::is_geographic) { &[0.0, 360.0, -360.0] } else { &[0.0] };
    turns.iter().map(|turn| cells.transform().to_cell(x + turn, y)).find(|&(column, row)| {
        column >= -ROUNDING
            && row >= -ROUNDING
            && column <= f64::from(width) + ROUNDING
            && row <= f64::from(height) + ROUNDING
    })
}

/// The value of the cell that holds a place given in the raster's own coordinates; `None` outside the raster and where
/// there are no data.
///
/// # Errors
/// When the file is damaged there.
pub fn nearest(cells: &mut impl Cells, x: f64, y: f64) -> Result<Option<f64>, RasterError> {
    let Some((column, row)) = column_and_row(cells, x, y) else { return Ok(None) };
    let (width, height) = cells.size();
    let cell = |at: f64, count: u32| (at.max(0.0) as u32).min(count - 1);
    let value = cells.cell(cell(column, width), cell(row, height))?;
    Ok(value.is_finite().then_some(value))
}

/// The value interpolated between the four nearest centres. Cells without data (or beyond the rim) are left out and the
/// weights of the others raised to make one; `None` outside the raster and where no cell has data.
///
/// # Errors
/// When the file is damaged there.
pub fn bilinear(cells: &mut impl Cells, x: f64, y: f64) -> Result<Option<f64>, RasterError> {
    let Some((column, row)) = column_and_row(cells, x, y) else { return Ok(None) };
    let (width, height) = cells.size();
    let split = |at: f64| {
        let at = at - 0.5;
        let at = if (at - at.round()).abs() < ROUNDING { at.round() } else { at };
        (at.floor(), at - at.floor())
    };
    let ((left, right_share), (top, bottom_share)) = (split(column), split(row));
    let (mut sum, mut weights) = (0.0, 0.0);
    for (across, column_share) in [(0.0, 1.0 - right_share), (1.0, right_share)] {
        for (down, row_share) in [(0.0, 1.0 - bottom_share), (1.0, bottom_share)] {
            let (column, row, weight) = (left + across, top + down, column_share * row_share);
            if weight > 0.0 && column >= 0.0 && row >= 0.0 && column < f64::from(width) && row < f64::from(height) {
                let value = cells.cell(column as u32, row as u32)?;
                if value.is_finite() {
                    sum += weight * value;
                    weights += weight;
                }
            }
        }
    }
    Ok((weights > 0.0).then(|| sum / weights))
}

/// A raster asked in the coordinates of another reference system: the place is converted, never the raster.
#[derive(Debug)]
pub struct Sampler<C = RasterFile> {
    cells: C,
    projector: Projector,
}

impl<C: Cells> Sampler<C> {
    /// Prepares a raster for places in `from`; a raster that does not name its system is taken to be in `from` itself.
    ///
    /// # Errors
    /// [`CrsError`] when there is no way from one to the other.
    pub fn new(cells: C, from: &Crs) -> Result<Self, CrsError> {
        let projector = Projector::new(from, cells.crs().unwrap_or(from))?;
        Ok(Self { cells, projector })
    }

    /// As [`nearest()`].
    ///
    /// # Errors
    /// When the file is damaged there or the place cannot be converted.
    pub fn nearest(&mut self, x: f64, y: f64) -> Result<Option<f64>, RasterError> {
        self.convert(x, y)?.map_or(Ok(None), |(x, y)| nearest(&mut self.cells, x, y))
    }

    /// As [`bilinear()`].
    ///
    /// # Errors
    /// When the file is damaged there or the place cannot be converted.
    pub fn bilinear(&mut self, x: f64, y: f64) -> Result<Option<f64>, RasterError> {
        self.convert(x, y)?.map_or(Ok(None), |(x, y)| bilinear(&mut self.cells, x, y))
    }

    fn convert(&self, x: f64, y: f64) -> Result<Option<(f64, f64)>, RasterError> {
        self.projector.convert_point(x, y).map_err(|source| RasterError::Crs { path: "raster".into(), source })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    /// The plane z = x + 1000 y on a grid of 0.5 by 0.25.
    fn plane(crs: Option<Crs>, west: f64) -> Raster {
        let transform = Affine::north_up(west, 43.0, 0.5, 0.25);
        let data = Array2::from_shape_fn((8, 6), |(row, column)| {
            let (x, y) = transform.centre(column as u32, row as u32);
            x + 1_000.0 * y
        });
        Raster { data, transform, crs }
    }

    #[test]
    fn a_plane_is_reproduced_at_centres_exactly_and_by_bilinear_everywhere_inside() {
        let mut raster = plane(None, -94.0);
        for row in 0..8 {
            for column in 0..6 {
                let (x, y) = raster.transform.centre(column, row);
                assert_eq!(nearest(&mut raster, x, y).unwrap(), Some(x + 1_000.0 * y));
                assert_eq!(bilinear(&mut raster, x, y).unwrap(), Some(x + 1_000.0 * y));
            }
        }
        for (x, y) in [(-93.6, 42.7), (-92.31, 41.2), (-91.26, 41.13)] {
            let got = bilinear(&mut raster, x, y).unwrap().unwrap();
            assert!((got - (x + 1_000.0 * y)).abs() < 1e-8, "{got}");
        }
    }

    #[test]
    fn outside_is_outside_and_the_rim_is_inside() {
        let mut raster = plane(None, -94.0);
        assert_eq!(nearest(&mut raster, -94.001, 42.0).unwrap(), None);
        assert_eq!(nearest(&mut raster, -90.999, 42.0).unwrap(), None);
        assert!(nearest(&mut raster, -94.0, 43.0).unwrap().is_some());
        assert!(nearest(&mut raster, -91.0, 41.0).unwrap().is_some());
        assert_eq!(nearest(&mut raster, f64::NAN, 41.0).unwrap(), None);
        // Within half a cell of the rim only the cells that exist count.
        assert_eq!(bilinear(&mut raster, -94.0, 43.0).unwrap(), nearest(&mut raster, -93.75, 42.9).unwrap());
    }

    #[test]
    fn weights_are_raised_where_cells_are_missing() {
        let mut raster = plane(None, 0.0);
        raster.data.fill(f64::NAN);
        raster.data[(0, 0)] = 10.0;
        raster.data[(0, 1)] = 20.0;
        // A quarter of the way from the first centre to the second, half-way down to a row without data.
        let (x, y) = raster.transform.to_plane(0.75, 1.0);
        assert_eq!(bilinear(&mut raster, x, y).unwrap(), Some(12.5));
        let (x, y) = raster.transform.to_plane(4.0, 4.0);
        assert_eq!(bilinear(&mut raster, x, y).unwrap(), None);
        assert_eq!(nearest(&mut raster, x, y).unwrap(), None);
    }

    #[test]
    fn longitudes_from_0_to_360_are_met_by_a_turn() {
        let mut raster = plane(Some(Crs::wgs84()), 266.0);
        let got = nearest(&mut raster, -93.75, 42.875).unwrap();
        assert_eq!(got, Some(266.25 + 42_875.0));
        assert_eq!(
            nearest(&mut plane(None, 266.0), -93.75, 42.875).unwrap(),
            None,
            "only where coordinates are angles"
        );
    }

    #[test]
    fn the_place_is_converted_to_the_system_of_the_raster() {
        let utm = Crs::from_epsg(32_615).unwrap();
        let (x, y) = Projector::new(&Crs::wgs84(), &utm).unwrap().convert_point(-93.62, 42.03).unwrap().unwrap();
        let mut sampler = Sampler::new(plane(Some(Crs::wgs84()), -94.0), &utm).unwrap();
        let got = sampler.bilinear(x, y).unwrap().unwrap();
        assert!((got - (-93.62 + 42_030.0)).abs() < 1e-6, "{got}");
        assert_eq!(sampler.nearest(f64::NAN, y).unwrap(), None);
    }
}
