//! Measured properties of the ground as covariates.
//!
//! Only what no treatment can have changed may be adjusted for: elevation may, grain moisture may not, since a treatment
//! that delays or hastens ripening would lose that part of its response.

use std::collections::BTreeMap;

use super::trial::Trial;

/// Spread of the elevation below which there is nothing to adjust for, m: that of a good position fix.
const LEAST_SPREAD_M: f64 = 0.1;

/// Elevation of each row, centred, by its standard deviation; a segment without one takes the mean of its strip. `None` where a
/// strip has none at all, or the field is flat.
pub(super) fn elevation(trial: &Trial<'_>) -> Option<Vec<f64>> {
    let mut strips: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
    for row in &trial.rows {
        let sums = strips.entry(row.sides.first.strip).or_default();
        if row.elevation_m.is_finite() {
            *sums = (sums.0 + row.elevation_m, sums.1 + 1.0);
        }
    }
    if strips.is_empty() || strips.values().any(|&(_, count)| count < 1.0) {
        return None;
    }
    let values: Vec<f64> = trial
        .rows
        .iter()
        .map(|row| {
            let (sum, count) = strips[&row.sides.first.strip];
            if row.elevation_m.is_finite() { row.elevation_m } else { sum / count }
        })
        .collect();
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let spread = (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt();
    (spread >= LEAST_SPREAD_M).then(|| values.iter().map(|value| (value - mean) / spread).collect())
}
