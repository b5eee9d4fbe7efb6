//! From cells to the plane and back.

/// The affine map from (column, row) to plane coordinates. Column 0, row 0 is the *outer corner* of the first cell; its
/// centre is (0.5, 0.5), whatever convention the file was written under.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine {
    /// x of the outer corner of the first cell.
    pub x0: f64,
    /// Change of x for one column.
    pub dx_column: f64,
    /// Change of x for one row (0 unless the grid is turned).
    pub dx_row: f64,
    /// y of the outer corner of the first cell.
    pub y0: f64,
    /// Change of y for one column (0 unless the grid is turned).
    pub dy_column: f64,
    /// Change of y for one row (negative where rows run from north to south).
    pub dy_row: f64,
}

impl Affine {
    /// A grid with rows from north to south, by its upper-left outer corner and the size of its cells.
    pub fn north_up(west: f64, north: f64, cell_x: f64, cell_y: f64) -> Self {
        Self { x0: west, dx_column: cell_x, dx_row: 0.0, y0: north, dy_column: 0.0, dy_row: -cell_y }
    }

    /// Plane coordinates of a (fractional) column and row.
    pub fn to_plane(&self, column: f64, row: f64) -> (f64, f64) {
        (self.x0 + column * self.dx_column + row * self.dx_row, self.y0 + column * self.dy_column + row * self.dy_row)
    }

    /// Plane coordinates of the centre of a cell.
    pub fn centre(&self, column: u32, row: u32) -> (f64, f64) {
        self.to_plane(f64::from(column) + 0.5, f64::from(row) + 0.5)
    }

    /// The (fractional) column and row of plane coordinates.
    pub fn to_cell(&self, x: f64, y: f64) -> (f64, f64) {
        let determinant = self.determinant();
        let (dx, dy) = (x - self.x0, y - self.y0);
        ((dx * self.dy_row - dy * self.dx_row) / determinant, (dy * self.dx_column - dx * self.dy_column) / determinant)
    }

    /// Area of a cell with its sign; 0 for a map that cannot be turned round.
    pub fn determinant(&self) -> f64 {
        self.dx_column * self.dy_row - self.dx_row * self.dy_column
    }

    /// The same grid with the first cell at the given column and row.
    #[must_use]
    pub fn shifted(&self, columns: f64, rows: f64) -> Self {
        let (x0, y0) = self.to_plane(columns, rows);
        Self { x0, y0, ..*self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_and_plane_are_inverse_also_for_turned_grids() {
        let turned = Affine { x0: 10.0, dx_column: 3.0, dx_row: 1.0, y0: 20.0, dy_column: 1.0, dy_row: -2.0 };
        for grid in [turned, Affine::north_up(-94.0, 43.0, 0.25, 0.5), turned.shifted(2.0, 5.0)] {
            let (x, y) = grid.to_plane(7.25, 3.5);
            let (column, row) = grid.to_cell(x, y);
            assert!((column - 7.25).abs() < 1e-12 && (row - 3.5).abs() < 1e-12);
        }
        assert_eq!(Affine::north_up(0.0, 100.0, 10.0, 10.0).centre(0, 0), (5.0, 95.0));
        assert_eq!(turned.shifted(1.0, 0.0).to_plane(0.0, 0.0), turned.to_plane(1.0, 0.0));
    }
}
