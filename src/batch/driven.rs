//! How a field was driven at its last harvest: the direction of the passes, and the width of the header.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;

use polars::prelude::{DataFrame, DataType, ParquetReader, SerReader};

use crate::stats::robust;

/// A mean direction shorter than this share of what it is made of is none.
const LEAST_SHARE: f64 = 0.1;
/// Records of a pass that lie farther apart do not follow each other, m.
const FARTHEST_M: f64 = 30.0;
/// The full width of a machine is nearly the greatest that it logs.
const FULL: f64 = 0.95;

/// What the records tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Driven {
    /// Main direction of the passes, radians counter-clockwise from grid east; absent where none prevails.
    pub(super) angle_rad: Option<f64>,
    /// Full width of the widest header, m.
    pub(super) header_m: Option<f64>,
}

/// Reads `points.parquet` of a site-year.
pub(super) fn driven(folder: &Path) -> Result<Driven, String> {
    let path = folder.join("points.parquet");
    let fault = |error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    let file = File::open(&path).map_err(|error| fault(&error))?;
    let columns = ["machine", "pass", "x_m", "y_m", "swath_m", "kept"].map(str::to_owned).to_vec();
    let frame: DataFrame =
        ParquetReader::new(file).with_columns(Some(columns)).finish().map_err(|error| fault(&error))?;
    let floats = |name: &str| -> Result<Vec<f64>, String> {
        let column = frame.column(name).map_err(|error| fault(&error))?;
        let values = column.f64().map_err(|error| fault(&error))?;
        Ok(values.iter().map(|value| value.unwrap_or(f64::NAN)).collect())
    };
    let column = frame.column("machine").and_then(|column| column.cast(&DataType::String)).map_err(|e| fault(&e))?;
    let machine: Vec<Option<&str>> = column.str().map_err(|error| fault(&error))?.iter().collect();
    let column = frame.column("pass").map_err(|error| fault(&error))?;
    let pass: Vec<Option<u32>> = column.u32().map_err(|error| fault(&error))?.iter().collect();
    let column = frame.column("kept").map_err(|error| fault(&error))?;
    let kept: Vec<Option<bool>> = column.bool().map_err(|error| fault(&error))?.iter().collect();
    let (x, y, swath) = (floats("x_m")?, floats("y_m")?, floats("swath_m")?);
    let rows: Vec<usize> = (0..x.len()).filter(|&at| kept[at] == Some(true) && pass[at].is_some()).collect();
    let follow = |pair: &[usize]| pass[pair[0]] == pass[pair[1]] && machine[pair[0]] == machine[pair[1]];
    let steps =
        rows.windows(2).filter(|pair| follow(pair)).map(|pair| (x[pair[1]] - x[pair[0]], y[pair[1]] - y[pair[0]]));
    let mut widths: BTreeMap<Option<&str>, Vec<f64>> = BTreeMap::new();
    for at in rows.iter().copied().filter(|&at| swath[at] > 0.0) {
        widths.entry(machine[at]).or_default().push(swath[at]);
    }
    let full = widths.into_values().filter_map(|mut widths| robust::quantile_in_place(&mut widths, FULL).ok());
    Ok(Driven { angle_rad: main_direction(steps), header_m: full.reduce(f64::max) })
}

/// The mean of directions without a sense, doubled angles weighted by length (Mardia & Jupp 2000, Directional Statistics,
/// section 9.1). Headlands across the passes shorten it without turning it.
fn main_direction(steps: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let (mut sine, mut cosine, mut total) = (0.0, 0.0, 0.0);
    for (dx, dy) in steps {
        let (length, angle) = (f64::hypot(dx, dy), 2.0 * f64::atan2(dy, dx));
        if length <= FARTHEST_M {
            sine += length * angle.sin();
            cosine += length * angle.cos();
            total += length;
        }
    }
    (f64::hypot(sine, cosine) > LEAST_SHARE * total).then(|| 0.5 * sine.atan2(cosine))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back_is_one_direction_and_headlands_do_not_turn_it() {
        let angle = 0.3_f64;
        let along = (2.0 * angle.cos(), 2.0 * angle.sin());
        let across = (-along.1, along.0);
        let mut steps = vec![along; 50];
        steps.extend(vec![(-along.0, -along.1); 50]);
        steps.extend(vec![across; 20]);
        // a jump is no step
        steps.push((500.0, -700.0));
        assert!((main_direction(steps.into_iter()).unwrap() - angle).abs() < 1e-12);
        let round = (0..360).map(|degree| f64::from(degree).to_radians().sin_cos());
        assert_eq!(main_direction(round), None);
        assert_eq!(main_direction(std::iter::empty()), None);
    }
}
