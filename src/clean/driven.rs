//! How a field was driven at its last harvest: the direction of the passes, and the width of the header.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;

use polars::prelude::{DataFrame, DataType, ParquetReader, SerReader};

use crate::stats::robust;

/// Steps within so many degrees of a direction are near it.
const NEAR_DEG: usize = 5;
/// Share of the way that runs near the main direction; near any of a circle's, a sixteenth does.
const LEAST_SHARE: f64 = 0.25;
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
    let columns: Vec<String> = ["machine", "pass", "x_m", "y_m", "swath_m", "kept"].map(str::to_owned).to_vec();
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

/// The direction that prevails: the mean of all steps near the most common one, doubled angles weighted by length (Mardia &
/// Jupp 2000, Directional Statistics, section 9.1). Headlands and point rows lie far from it and do not turn it. `None` where
/// too little of the way runs near any direction.
fn main_direction(steps: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let steps: Vec<(f64, f64)> = steps
        .map(|(dx, dy)| (f64::atan2(dy, dx), f64::hypot(dx, dy)))
        .filter(|&(_, length)| length > 0.0 && length <= FARTHEST_M)
        .collect();
    let mut by_degree = [0.0; 180];
    for &(angle, length) in &steps {
        by_degree[(angle.to_degrees().rem_euclid(180.0) as usize).min(179)] += length;
    }
    let total: f64 = by_degree.iter().sum();
    let near = |centre: usize| (0..2 * NEAR_DEG).map(|at| by_degree[(centre + 180 + at - NEAR_DEG) % 180]).sum::<f64>();
    let centre = (0..180).max_by(|&one, &other| near(one).total_cmp(&near(other)))?;
    if near(centre) < LEAST_SHARE * total || total <= 0.0 {
        return None;
    }
    let centre = (centre as f64).to_radians();
    let (mut sine, mut cosine) = (0.0, 0.0);
    for (angle, length) in steps {
        let doubled = 2.0 * (angle - centre);
        if doubled.cos() >= (2.0 * NEAR_DEG as f64).to_radians().cos() {
            sine += length * doubled.sin();
            cosine += length * doubled.cos();
        }
    }
    Some(centre + 0.5 * f64::atan2(sine, cosine))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back_is_one_direction_and_headlands_do_not_turn_it() {
        let along = |angle: f64| (2.0 * angle.cos(), 2.0 * angle.sin());
        for angle in [0.3, 1.55, 3.1, 0.001] {
            let mut steps = vec![along(angle - 0.02); 25];
            steps.extend(vec![along(angle + 0.02); 25]);
            steps.extend(vec![along(angle + std::f64::consts::PI); 50]);
            // headlands across and aslant
            steps.extend(vec![along(angle + 1.57); 20]);
            steps.extend(vec![along(angle + 0.7); 20]);
            // a jump is no step
            steps.push((500.0, -700.0));
            let found = main_direction(steps.into_iter()).unwrap() - angle;
            assert!(found.sin().abs() < 1e-9, "{angle}: {found}");
        }
        let round = (0..360).map(|degree| f64::from(degree).to_radians().sin_cos());
        assert_eq!(main_direction(round), None);
        assert_eq!(main_direction(std::iter::empty()), None);
    }
}
