//! Filling depressions.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};

use ndarray::{Array2, Zip};

use crate::raster::RasterError;

/// The surface with every depression filled to its pour point, and each filled cell a hair higher than the one it drains
/// to, so that water finds its way out everywhere.
///
/// Priority-flood with an ε gradient: the cells of the edge enter a queue ordered by height; the lowest is taken, its
/// neighbours are raised to just above it where they lie lower, and enter the queue. Raised cells need no order among
/// themselves: they enter a plain queue (Barnes, Lehman & Mulla 2014, Comput. Geosci. 62:117–127, algorithms 2 and 3). ε is
/// the next number that the machine can tell.
///
/// # Errors
/// No cell with data, or more cells than a 32-bit index counts.
pub fn fill(surface: &Array2<f64>) -> Result<Array2<f64>, RasterError> {
    let (rows, columns) = surface.dim();
    let count = rows * columns;
    if u32::try_from(count).is_err() {
        return Err(RasterError::terrain(format!("{rows} × {columns} cells are too many")));
    }
    let mut filled = surface.as_standard_layout().into_owned();
    let Some(height) = filled.as_slice_mut() else {
        return Err(RasterError::terrain("the cells do not lie in rows".to_owned()));
    };
    let mut is_seen: Vec<bool> = height.iter().map(|value| value.is_nan()).collect();
    if is_seen.iter().all(|&seen| seen) {
        return Err(RasterError::terrain("no cell has data".to_owned()));
    }
    let mut open: BinaryHeap<Reverse<(u64, u32)>> = BinaryHeap::new();
    let mut pit: VecDeque<u32> = VecDeque::new();
    for at in 0..count {
        let (row, column) = (at / columns, at % columns);
        let on_rim = row == 0 || column == 0 || row + 1 == rows || column + 1 == columns;
        let is_edge =
            !height[at].is_nan() && (on_rim || neighbours(at, rows, columns).any(|other| height[other].is_nan()));
        if is_edge {
            is_seen[at] = true;
            open.push(Reverse((ordered(height[at]), at as u32)));
        }
    }
    loop {
        let at = match pit.pop_front() {
            Some(at) => at as usize,
            None => match open.pop() {
                Some(Reverse((_, at))) => at as usize,
                None => break,
            },
        };
        let least = height[at].next_up();
        for other in neighbours(at, rows, columns) {
            if is_seen[other] {
                continue;
            }
            is_seen[other] = true;
            if height[other] <= least {
                height[other] = least;
                pit.push_back(other as u32);
            } else {
                open.push(Reverse((ordered(height[other]), other as u32)));
            }
        }
    }
    Ok(filled)
}

/// How deep the depressions were, in the unit of the surface; 0 outside of them, NaN without data.
#[must_use]
pub fn depression_depth(surface: &Array2<f64>, filled: &Array2<f64>) -> Array2<f64> {
    let mut depth = Array2::zeros(surface.raw_dim());
    Zip::from(&mut depth).and(surface).and(filled).for_each(|depth, &surface, &filled| {
        // what is only the ε of a flat is no depth
        let raised = filled - surface;
        *depth = if raised > 1e-9 * filled.abs().max(1.0) || raised.is_nan() { raised } else { 0.0 };
    });
    depth
}

/// A number whose order is that of the float.
fn ordered(value: f64) -> u64 {
    let bits = value.to_bits();
    if bits >> 63 == 1 { !bits } else { bits | 1 << 63 }
}

/// The cells around a cell, row by row.
pub(super) fn neighbours(at: usize, rows: usize, columns: usize) -> impl Iterator<Item = usize> {
    let (row, column) = (at / columns, at % columns);
    let (first_row, last_row) = (row.saturating_sub(1), (row + 1).min(rows - 1));
    let (first, last) = (column.saturating_sub(1), (column + 1).min(columns - 1));
    (first_row..=last_row)
        .flat_map(move |row| (first..=last).map(move |column| row * columns + column))
        .filter(move |&other| other != at)
}
