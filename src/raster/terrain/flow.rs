//! Which way water runs, and how much of it comes by.

use ndarray::Array2;
use rayon::prelude::*;

#[cfg(test)]
use super::flood::neighbours;
use crate::raster::RasterError;

/// The eight triangles around a cell, each by its side neighbour and its corner neighbour (row, column): Tarboton 1997,
/// table 1.
const FACETS: [((isize, isize), (isize, isize)); 8] = [
    ((0, 1), (-1, 1)),
    ((-1, 0), (-1, 1)),
    ((-1, 0), (-1, -1)),
    ((0, -1), (-1, -1)),
    ((0, -1), (1, -1)),
    ((1, 0), (1, -1)),
    ((1, 0), (1, 1)),
    ((0, 1), (1, 1)),
];
/// No way down: water leaves the surface, or stays.
const NONE: u8 = 8;

/// The direction of flow of every cell.
#[derive(Debug, Clone)]
pub struct Flow {
    /// The facet that is steepest.
    facet: Array2<u8>,
    /// Share that goes to the facet's corner neighbour; the rest goes to its side neighbour.
    corner: Array2<f32>,
    /// tan β down the steepest facet; 0 without a way down, NaN without data.
    slope: Array2<f32>,
}

/// The infinite-direction flow of a surface without depressions ([`super::fill()`]): down the steepest of the eight triangular
/// facets, divided between the two neighbours that its direction lies between (Tarboton 1997, Water Resour. Res.
/// 33:309–319).
///
/// # Errors
/// A cell size not above 0.
pub fn d_infinity(surface: &Array2<f64>, cell_m: (f64, f64)) -> Result<Flow, RasterError> {
    if !(cell_m.0 > 0.0 && cell_m.1 > 0.0 && cell_m.0.is_finite() && cell_m.1.is_finite()) {
        return Err(RasterError::terrain(format!("cells of {} m × {} m", cell_m.0, cell_m.1)));
    }
    let (rows, columns) = surface.dim();
    let mut flow = Flow {
        facet: Array2::from_elem((rows, columns), NONE),
        corner: Array2::zeros((rows, columns)),
        slope: Array2::zeros((rows, columns)),
    };
    let Flow { facet, corner, slope } = &mut flow;
    let lines: Vec<_> =
        facet.outer_iter_mut().zip(corner.outer_iter_mut()).zip(slope.outer_iter_mut()).enumerate().collect();
    lines.into_par_iter().for_each(|(row, ((mut facet, mut corner), mut slope))| {
        for column in 0..columns {
            let (of, share, steepest) = steepest(surface, (row, column), cell_m);
            (facet[column], corner[column], slope[column]) = (of, share as f32, steepest as f32);
        }
    });
    Ok(flow)
}

fn steepest(surface: &Array2<f64>, (row, column): (usize, usize), cell_m: (f64, f64)) -> (u8, f64, f64) {
    let height = surface[(row, column)];
    if height.is_nan() {
        return (NONE, 0.0, f64::NAN);
    }
    let at = |(down, right): (isize, isize)| {
        let (row, column) = (row.checked_add_signed(down)?, column.checked_add_signed(right)?);
        surface.get((row, column)).copied().filter(|value| !value.is_nan())
    };
    let mut best = (NONE, 0.0, 0.0);
    for (number, (side, corner)) in FACETS.into_iter().enumerate() {
        let (along, across) = if side.0 == 0 { cell_m } else { (cell_m.1, cell_m.0) };
        let (e1, e2) = (at(side), at(corner));
        let (share, slope) = match (e1, e2) {
            (Some(e1), Some(e2)) => {
                let (s1, s2) = ((height - e1) / along, (e1 - e2) / across);
                let angle = s2.atan2(s1);
                let widest = across.atan2(along);
                if angle <= 0.0 {
                    (0.0, s1)
                } else if angle >= widest {
                    (1.0, (height - e2) / along.hypot(across))
                } else {
                    (angle / widest, s1.hypot(s2))
                }
            }
            // at an edge only one of the two neighbours can take it
            (Some(e1), None) => (0.0, (height - e1) / along),
            (None, Some(e2)) => (1.0, (height - e2) / along.hypot(across)),
            (None, None) => continue,
        };
        if slope > best.2 {
            best = (number as u8, share, slope);
        }
    }
    best
}

impl Flow {
    /// tan β of the steepest way down; 0 without one, NaN without data.
    pub fn slope(&self) -> &Array2<f32> {
        &self.slope
    }

    /// The cells that a cell drains to, with their shares.
    fn receivers(&self, at: usize, columns: usize) -> [(usize, f64); 2] {
        let (row, column) = (at / columns, at % columns);
        let facet = self.facet[(row, column)];
        if facet == NONE {
            return [(at, 0.0); 2];
        }
        let (side, corner) = FACETS[facet as usize];
        let place = |(down, right): (isize, isize), share: f64| {
            // a share of 0 may point beyond the edge
            if share <= 0.0 {
                return (at, 0.0);
            }
            (row.wrapping_add_signed(down) * columns + column.wrapping_add_signed(right), share)
        };
        let share = f64::from(self.corner[(row, column)]);
        [place(side, 1.0 - share), place(corner, share)]
    }

    /// The cells that drain through each cell, itself included; NaN without data. From the tops down: a cell is counted when all
    /// that drain into it have been.
    #[must_use]
    pub fn accumulate(&self) -> Array2<f64> {
        let (rows, columns) = self.facet.dim();
        let count = rows * columns;
        let mut waits = vec![0_u8; count];
        for at in 0..count {
            for (other, share) in self.receivers(at, columns) {
                waits[other] += u8::from(share > 0.0);
            }
        }
        let mut cells = self.slope.mapv(|slope| if slope.is_nan() { f64::NAN } else { 1.0 });
        let mut ready: Vec<u32> = Vec::new();
        for start in 0..count {
            if waits[start] > 0 {
                continue;
            }
            ready.push(start as u32);
            // each cell is taken once: it never waits for less than nothing again
            while let Some(at) = ready.pop() {
                let at = at as usize;
                waits[at] = u8::MAX;
                let own = cells[(at / columns, at % columns)];
                for (other, share) in self.receivers(at, columns) {
                    if share > 0.0 {
                        cells[(other / columns, other % columns)] += share * own;
                        waits[other] -= 1;
                        // those further on are met by the outer loop
                        if waits[other] == 0 && other < start {
                            ready.push(other as u32);
                        }
                    }
                }
            }
        }
        cells
    }

    /// Whether every cell with data drains to an edge of the data.
    #[cfg(test)]
    pub(crate) fn drains(&self) -> bool {
        let (rows, columns) = self.facet.dim();
        (0..rows * columns).all(|at| {
            let place = (at / columns, at % columns);
            let inner = place.0 > 0 && place.1 > 0 && place.0 + 1 < rows && place.1 + 1 < columns;
            let surrounded = inner
                && neighbours(at, rows, columns).all(|other| !self.slope[(other / columns, other % columns)].is_nan());
            self.facet[place] != NONE || self.slope[place].is_nan() || !surrounded
        })
    }
}
