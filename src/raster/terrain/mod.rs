//! Where water gathers on a surface: depressions, flow, and the topographic wetness index.
//!
//! The surface should reach to the divide: what flows in from beyond its edge is not known. NaN marks cells without data; they
//! are an edge like any other.

mod flood;
mod flow;

pub use flood::{depression_depth, fill};
pub use flow::d_infinity;

use ndarray::{Array2, Axis, Zip};

use super::RasterError;

/// Slopes below this are too flat to be separated from errors of the surface (common practice, no source).
pub const LEAST_SLOPE: f64 = 0.001;
/// Reach of the smoothing kernel in standard deviations.
const REACH_SD: f64 = 4.0;

/// What is known of the wetness of a surface; NaN where the surface has no data.
#[derive(Debug, Clone)]
pub struct Wetness {
    /// `ln(a / tan β)`: the higher, the wetter (Beven & Kirkby 1979, Hydrol. Sci. Bull. 24:43–69).
    pub index: Array2<f64>,
    /// Depth of the depressions, in the unit of the surface; 0 outside of them.
    pub depth: Array2<f64>,
}

/// The topographic wetness index and the depth of the depressions of a surface in metres with cells of the given width and
/// height, m.
///
/// # Errors
/// A cell size not above 0, more cells than a 32-bit index counts, or no cell with data.
pub fn wetness(surface: &Array2<f64>, cell_m: (f64, f64)) -> Result<Wetness, RasterError> {
    let filled = fill(surface)?;
    let flow = d_infinity(&filled, cell_m)?;
    let area = flow.accumulate();
    let contour_m = (cell_m.0 * cell_m.1).sqrt();
    let mut index = area;
    Zip::from(&mut index).and(flow.slope()).for_each(|value, &slope| {
        // cells above × area of one / length of contour
        *value = (*value * contour_m / f64::from(slope).max(LEAST_SLOPE)).ln();
    });
    Ok(Wetness { index, depth: depression_depth(surface, &filled) })
}

/// The surface smoothed by a Gaussian of the given standard deviation in cells; cells without data are left out of the means
/// and stay without. Laser surfaces of a metre show furrows and tillage, which lead no water across a field.
#[must_use]
pub fn smooth(surface: &Array2<f64>, sd_cells: f64) -> Array2<f64> {
    if !(sd_cells > 0.0 && sd_cells.is_finite()) {
        return surface.to_owned();
    }
    let reach = (REACH_SD * sd_cells).ceil() as usize;
    let weights: Vec<f64> = (0..=reach).map(|at| (-0.5 * (at as f64 / sd_cells).powi(2)).exp()).collect();
    let mut values = surface.mapv(|value| if value.is_nan() { 0.0 } else { value });
    let mut known = surface.mapv(|value| f64::from(u8::from(!value.is_nan())));
    for axis in [Axis(1), Axis(0)] {
        values = along(&values, axis, &weights);
        known = along(&known, axis, &weights);
    }
    Zip::from(&mut values).and(&known).and(surface).for_each(|value, &known, &original| {
        *value = if original.is_nan() { f64::NAN } else { *value / known };
    });
    values
}

fn along(values: &Array2<f64>, axis: Axis, weights: &[f64]) -> Array2<f64> {
    let mut out = Array2::zeros(values.raw_dim());
    Zip::from(out.lanes_mut(axis)).and(values.lanes(axis)).for_each(|mut out, lane| {
        let count = lane.len();
        for at in 0..count {
            let mut sum = weights[0] * lane[at];
            for (step, weight) in weights.iter().enumerate().skip(1) {
                if at >= step {
                    sum += weight * lane[at - step];
                }
                if at + step < count {
                    sum += weight * lane[at + step];
                }
            }
            out[at] = sum;
        }
    });
    out
}

#[cfg(test)]
mod tests;
