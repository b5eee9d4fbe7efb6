//! What places and times tell by themselves: steps, speeds, the spacing of passes.

use rstar::RTree;
use rstar::primitives::GeomWithData;

use crate::stats::robust;

/// A longer step between two records is a gap, s (as in ingest).
const LONGEST_STEP_S: f64 = 10.0;
/// Records on either side over which a speed is taken.
const REACH: usize = 2;
/// Records asked for the pass beside them, at most.
const ASKED: usize = 1500;
/// Narrower headers are not built, m (common practice, no source).
const NARROWEST_M: f64 = 1.0;
/// Records near one that are looked at for the pass beside it, at most.
const NEAREST: usize = 400;

/// Records in the order of driving.
#[derive(Debug, Clone, Default)]
pub(crate) struct Track {
    /// Rows of the columns, in the order of driving.
    pub(crate) order: Vec<usize>,
    /// Time since the record before, s; NaN after a gap. By row.
    pub(crate) step_s: Vec<f64>,
    /// Way since the record before, m; NaN after a gap. By row.
    pub(crate) step_m: Vec<f64>,
    /// Speed over some records, m/s; NaN where it is not known. By row.
    pub(crate) speed_m_s: Vec<f64>,
    /// Median distance to the pass beside, m.
    pub(crate) spacing_m: Option<f64>,
    /// Whether half of these distances lie within a seventh of their median: passes side by side, not crossing or straddling ones.
    pub(crate) is_even: bool,
}

impl Track {
    /// From places (m) and, where there are any, times (s), of one or several machines (by code): each has steps and speeds of its
    /// own, and the passes of all lie beside each other. The order is by machine, then by time; without times it is that of the
    /// rows, and neither steps of time nor speeds are known.
    pub(crate) fn of_machines(time_s: Option<&[f64]>, x_m: &[f64], y_m: &[f64], machine: &[u32]) -> Self {
        let mut whole = Self {
            order: Vec::new(),
            step_s: vec![f64::NAN; x_m.len()],
            step_m: vec![f64::NAN; x_m.len()],
            speed_m_s: vec![f64::NAN; x_m.len()],
            spacing_m: None,
            is_even: false,
        };
        let mut codes: Vec<u32> = machine.to_vec();
        codes.sort_unstable();
        codes.dedup();
        for code in codes {
            let rows: Vec<usize> = (0..x_m.len()).filter(|&at| machine[at] == code).collect();
            whole.add(&rows, time_s, x_m, y_m);
        }
        let place = |&at: &usize| [x_m[at], y_m[at]];
        let ground: Vec<[f64; 2]> = whole.order.iter().map(place).collect();
        if let Some((spacing_m, is_even)) = spacing(&ground) {
            (whole.spacing_m, whole.is_even) = (Some(spacing_m), is_even);
        }
        whole
    }

    fn add(&mut self, rows: &[usize], time_s: Option<&[f64]>, x_m: &[f64], y_m: &[f64]) {
        let placed = |at: &usize| x_m[*at].is_finite() && y_m[*at].is_finite();
        let mut order: Vec<usize> = rows.iter().copied().filter(placed).collect();
        if let Some(time_s) = time_s {
            order.retain(|&at| time_s[at].is_finite());
            order.sort_by(|&one, &other| time_s[one].total_cmp(&time_s[other]).then(one.cmp(&other)));
        }
        let far = |from: usize, to: usize| (x_m[to] - x_m[from]).hypot(y_m[to] - y_m[from]);
        let since = |from: usize, to: usize| time_s.map_or(f64::NAN, |time_s| time_s[to] - time_s[from]);
        for pair in order.windows(2) {
            let seconds = since(pair[0], pair[1]);
            let joined = if time_s.is_some() { seconds > 0.0 && seconds <= LONGEST_STEP_S } else { true };
            if joined {
                (self.step_s[pair[1]], self.step_m[pair[1]]) = (seconds, far(pair[0], pair[1]));
            }
        }
        for at in REACH..order.len().saturating_sub(REACH) {
            let (from, to) = (order[at - REACH], order[at + REACH]);
            let unbroken = order[at + 1 - REACH..=at + REACH].iter().all(|&row| self.step_s[row] > 0.0);
            if unbroken {
                self.speed_m_s[order[at]] = far(from, to) / since(from, to);
            }
        }
        self.order.extend(order);
    }
}

/// The median distance from a record to the next pass beside it, and whether it is even; places in the order of driving.
fn spacing(track: &[[f64; 2]]) -> Option<(f64, bool)> {
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
    if !enough {
        return None;
    }
    answers.sort_by(f64::total_cmp);
    let at = |share: f64| answers[((answers.len() - 1) as f64 * share) as usize];
    let (low, middle, high) = (at(0.25), at(0.5), at(0.75));
    Some((middle, low > 0.86 * middle && high < 1.14 * middle))
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
        let track = Track::of_machines(Some(&time), &x, &y, &[0; 800]);
        assert!((track.speed_m_s[50] - 2.0).abs() < 1e-9 && track.speed_m_s[100].is_nan());
        assert!((track.step_m[50] - 2.0).abs() < 1e-9 && track.step_m[100].is_nan());
        assert!((track.spacing_m.unwrap() - 9.144).abs() < 1e-9);
        assert!(Track::of_machines(None, &x, &y, &[0; 800]).speed_m_s.iter().all(|speed| speed.is_nan()));
        // two machines in turn: the passes of both tell the width
        let machine: Vec<u32> = (0..rows).map(|at| (at / 100 % 2) as u32).collect();
        let both = Track::of_machines(Some(&time), &x, &y, &machine);
        assert!((both.spacing_m.unwrap() - 9.144).abs() < 1e-9 && (both.speed_m_s[350] - 2.0).abs() < 1e-9);
    }
}
