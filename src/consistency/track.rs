//! What places and times tell by themselves: steps, speeds, the spacing of passes.

use rstar::RTree;
use rstar::primitives::GeomWithData;

use crate::stats::robust;

/// A longer step between two records is a gap, s (as in ingest).
const LONGEST_STEP_S: f64 = 10.0;
/// Records on either side over which a speed is taken.
const REACH: usize = 2;
/// Records asked for the pass beside them, at the most.
const ASKED: usize = 1500;
/// Narrower headers are not built, m (common practice, no source).
const NARROWEST_M: f64 = 1.0;
/// Records near one that are looked at for the pass beside it, at the most.
const NEAREST: usize = 400;

/// Records of one machine in the order of driving.
#[derive(Debug, Clone, Default)]
pub(crate) struct Track {
    /// Rows of the columns, in the order of driving.
    pub(crate) order: Vec<usize>,
    /// Time since the record before, s; NaN after a gap. By row.
    pub(crate) step_s: Vec<f64>,
    /// Way since the record before, m; NaN after a gap. By row.
    pub(crate) step_m: Vec<f64>,
    /// Speed over some records, m/s; NaN where it cannot be told. By row.
    pub(crate) speed_m_s: Vec<f64>,
    /// Median distance to the pass beside, m.
    pub(crate) spacing_m: Option<f64>,
}

impl Track {
    /// From places (m) and, where there are any, times (s). Without times the order is that of the rows, and neither steps of time
    /// nor speeds are known.
    pub(crate) fn new(time_s: Option<&[f64]>, x_m: &[f64], y_m: &[f64]) -> Self {
        let rows = x_m.len();
        let placed = |at: &usize| x_m[*at].is_finite() && y_m[*at].is_finite();
        let mut order: Vec<usize> = (0..rows).filter(placed).collect();
        if let Some(time_s) = time_s {
            order.retain(|&at| time_s[at].is_finite());
            order.sort_by(|&one, &other| time_s[one].total_cmp(&time_s[other]).then(one.cmp(&other)));
        }
        let far = |from: usize, to: usize| (x_m[to] - x_m[from]).hypot(y_m[to] - y_m[from]);
        let since = |from: usize, to: usize| time_s.map_or(f64::NAN, |time_s| time_s[to] - time_s[from]);
        let (mut step_s, mut step_m) = (vec![f64::NAN; rows], vec![f64::NAN; rows]);
        for pair in order.windows(2) {
            let seconds = since(pair[0], pair[1]);
            let joined = if time_s.is_some() { seconds > 0.0 && seconds <= LONGEST_STEP_S } else { true };
            if joined {
                (step_s[pair[1]], step_m[pair[1]]) = (seconds, far(pair[0], pair[1]));
            }
        }
        let mut speed_m_s = vec![f64::NAN; rows];
        for at in REACH..order.len().saturating_sub(REACH) {
            let (from, to) = (order[at - REACH], order[at + REACH]);
            let unbroken = order[at + 1 - REACH..=at + REACH].iter().all(|&row| step_s[row] > 0.0);
            if unbroken {
                speed_m_s[order[at]] = far(from, to) / since(from, to);
            }
        }
        let places: Vec<[f64; 2]> = order.iter().map(|&at| [x_m[at], y_m[at]]).collect();
        Self { spacing_m: spacing(&places), order, step_s, step_m, speed_m_s }
    }

    /// The usual time between two records, s.
    pub(crate) fn usual_step_s(&self) -> Option<f64> {
        let mut steps: Vec<f64> = self.step_s.iter().copied().filter(|step| *step > 0.0).collect();
        if steps.len() < 10 { None } else { robust::median_in_place(&mut steps).ok() }
    }
}

/// The median distance from a record to the next pass beside it; places in the order of driving.
fn spacing(track: &[[f64; 2]]) -> Option<f64> {
    let length = |from: [f64; 2], to: [f64; 2]| (to[0] - from[0]).hypot(to[1] - from[1]);
    let mut steps: Vec<f64> =
        track.windows(2).map(|pair| length(pair[0], pair[1])).filter(|step| *step > 0.0).collect();
    let step = robust::median_in_place(&mut steps).ok()?;
    let tree = RTree::bulk_load(track.iter().map(|&place| GeomWithData::new(place, ())).collect());
    let every = track.len().div_ceil(ASKED).max(1);
    let (mut asked, mut answers) = (0_usize, Vec::new());
    for at in (1..track.len().saturating_sub(1)).step_by(every) {
        let (before, after) = (length(track[at - 1], track[at]), length(track[at], track[at + 1]));
        let chord = length(track[at - 1], track[at + 1]);
        let even = |step_m: f64| (0.5 * step..=2.0 * step).contains(&step_m);
        if !(even(before) && even(after)) || chord < 0.95 * (before + after) {
            continue;
        }
        asked += 1;
        let [x, y] = track[at];
        let ahead = [(track[at + 1][0] - track[at - 1][0]) / chord, (track[at + 1][1] - track[at - 1][1]) / chord];
        let beside = tree.nearest_neighbor_iter(&[x, y]).take(NEAREST).find_map(|near| {
            let [u, v] = *near.geom();
            let along = ((u - x) * ahead[0] + (v - y) * ahead[1]).abs();
            let across = ((u - x) * ahead[1] - (v - y) * ahead[0]).abs();
            (along <= 0.6 * step && across >= NARROWEST_M).then_some(across)
        });
        answers.extend(beside);
    }
    let enough = answers.len() >= 20 && answers.len() * 2 >= asked;
    if enough { robust::median_in_place(&mut answers).ok() } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_speed_and_spacing_come_from_places_and_times() {
        let rows = 8 * 100;
        let place = |at: usize| {
            let (pass, step) = (at / 100, at % 100);
            let y = 2.0 * step as f64;
            (pass as f64 * 9.144, if pass % 2 == 0 { y } else { 198.0 - y })
        };
        let (x, y): (Vec<f64>, Vec<f64>) = (0..rows).map(place).unzip();
        let time: Vec<f64> = (0..rows).map(|at| at as f64 + 60.0 * (at / 100) as f64).collect();
        let track = Track::new(Some(&time), &x, &y);
        assert_eq!(track.usual_step_s(), Some(1.0));
        assert!((track.speed_m_s[50] - 2.0).abs() < 1e-9 && track.speed_m_s[100].is_nan());
        assert!((track.step_m[50] - 2.0).abs() < 1e-9 && track.step_m[100].is_nan());
        assert!((track.spacing_m.unwrap() - 9.144).abs() < 1e-9);
        assert!(Track::new(None, &x, &y).usual_step_s().is_none());
    }
}
