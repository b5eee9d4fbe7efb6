//! The swath of a machine that records none: the distance between its neighbouring passes.

use rstar::RTree;
use rstar::primitives::GeomWithData;

use crate::points::Records;
use crate::stats::robust;

/// Narrower headers are not built: what lies nearer belongs to the same pass (common practice, no source).
const LEAST_M: f64 = 1.0;
/// Records that are asked for their neighbouring pass, at most.
const ASKED: usize = 2000;
/// Records near one that are looked at for it, at most.
const NEAREST: usize = 500;
/// Fewest answers, and their least share, that tell a spacing (common practice, no source).
const FEWEST: usize = 10;
const SHARE: f64 = 0.5;

/// Gives each machine without any swath the spacing of its passes; returns the machines with it, m. One whose passes do not
/// tell keeps none.
pub(super) fn fill(records: &mut Records) -> Vec<(String, f64)> {
    let mut filled = Vec::new();
    let codes = records.machine.codes.clone();
    for (code, name) in records.machine.names.clone().into_iter().enumerate() {
        let rows: Vec<usize> = (0..codes.len()).filter(|&at| codes[at] as usize == code).collect();
        if rows.iter().any(|&at| !records.swath_m[at].is_nan()) {
            continue;
        }
        let track: Vec<[f64; 2]> =
            rows.iter().filter(|&&at| records.has_position(at)).map(|&at| [records.x_m[at], records.y_m[at]]).collect();
        if let Some(spacing_m) = between_passes(&track) {
            for at in rows {
                records.swath_m[at] = spacing_m;
            }
            filled.push((name, spacing_m));
        }
    }
    filled
}

/// The median distance from a record to the next pass beside it; the places are in the order of driving.
fn between_passes(track: &[[f64; 2]]) -> Option<f64> {
    let length = |from: [f64; 2], to: [f64; 2]| (to[0] - from[0]).hypot(to[1] - from[1]);
    let mut steps: Vec<f64> =
        track.windows(2).map(|pair| length(pair[0], pair[1])).filter(|&step| step > 0.0).collect();
    let step = robust::median_in_place(&mut steps).ok()?;
    let is_even = |from: usize| (0.5 * step..=2.0 * step).contains(&length(track[from], track[from + 1]));
    let tree = RTree::bulk_load(track.iter().map(|&place| GeomWithData::new(place, ())).collect());
    let every = track.len().div_ceil(ASKED).max(1);
    let (mut asked, mut answers) = (0, Vec::new());
    for at in (1..track.len().saturating_sub(1)).step_by(every) {
        if !(is_even(at - 1) && is_even(at)) {
            continue;
        }
        let ([x, y], chord) = (track[at], length(track[at - 1], track[at + 1]));
        // not where it turns
        if chord < 1.5 * step {
            continue;
        }
        asked += 1;
        let ahead = [(track[at + 1][0] - track[at - 1][0]) / chord, (track[at + 1][1] - track[at - 1][1]) / chord];
        let beside = tree.nearest_neighbor_iter(&[x, y]).take(NEAREST).find_map(|near| {
            let [u, v] = *near.geom();
            let along = ((u - x) * ahead[0] + (v - y) * ahead[1]).abs();
            let across = ((u - x) * ahead[1] - (v - y) * ahead[0]).abs();
            (along <= 0.6 * step && across >= LEAST_M).then_some(across)
        });
        answers.extend(beside);
    }
    let enough = answers.len() >= FEWEST && answers.len() as f64 >= SHARE * f64::from(asked);
    if enough { robust::median_in_place(&mut answers).ok() } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Passes up and down, some metres apart, a record each two metres.
    fn field(passes: usize, apart_m: f64) -> Vec<[f64; 2]> {
        let along = |pass: usize, step: usize| {
            let y = 2.0 * step as f64;
            [pass as f64 * apart_m, if pass.is_multiple_of(2) { y } else { 198.6 - y }]
        };
        (0..passes).flat_map(|pass| (0..100).map(move |step| along(pass, step))).collect()
    }

    #[test]
    fn the_spacing_of_passes_is_found_whatever_the_step() {
        for apart_m in [1.5, 4.5, 9.144, 12.2] {
            let found = between_passes(&field(8, apart_m)).unwrap();
            assert!((found - apart_m).abs() < 1e-9, "{apart_m}: {found}");
        }
        assert_eq!(between_passes(&field(1, 9.0)), None);
        assert_eq!(between_passes(&[]), None);
    }
}
