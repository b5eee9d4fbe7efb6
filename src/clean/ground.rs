//! Puts every record on the ground where its grain was cut.
//!
//! The mass stays with its record; position, speed, swath and pass are those of a lag earlier, and the area is the way
//! driven then, times the swath then. Moisture has a lag of its own.

use super::lag::Lags;
use super::passes::Pass;
use super::track::{Doing, Track};
use crate::points::{Labels, Records};

/// The records on their ground; columns in the order of the records, NaN where there is no ground.
#[derive(Debug, Clone)]
pub(crate) struct Ground {
    pub(crate) x_m: Vec<f64>,
    pub(crate) y_m: Vec<f64>,
    pub(crate) course_rad: Vec<f64>,
    pub(crate) speed_m_s: Vec<f64>,
    pub(crate) swath_m: Vec<f64>,
    pub(crate) distance_m: Vec<f64>,
    /// Wet mass, kg: that of the record, and of records that stand for no ground of their own.
    pub(crate) mass_kg: Vec<f64>,
    pub(crate) moisture_pct: Vec<f64>,
    /// The lag that was applied, s.
    pub(crate) lag_s: Vec<f64>,
    /// Pass in which the grain was cut, or [`Labels::NONE`].
    pub(crate) pass: Vec<u32>,
    /// What the combine did when the grain was cut; `None` before the first fix and in gaps.
    pub(crate) doing: Vec<Option<Doing>>,
    /// Seconds since the pass began and until it ends, at the cutting moment; NaN outside passes.
    pub(crate) since_start_s: Vec<f64>,
    pub(crate) until_end_s: Vec<f64>,
}

/// Places the records, given the lags of each track; `moisture_pct` are the readings in the order of the records.
pub(crate) fn of_records(
    records: &Records,
    tracks: &[Track],
    passes: &[Pass],
    lags: &[Lags],
    moisture_pct: &[f64],
) -> Ground {
    let rows = records.len();
    let missing = || vec![f64::NAN; rows];
    let mut ground = Ground {
        x_m: records.x_m.clone(),
        y_m: records.y_m.clone(),
        course_rad: missing(),
        speed_m_s: missing(),
        swath_m: records.swath_m.clone(),
        distance_m: missing(),
        mass_kg: records.mass_kg.clone(),
        moisture_pct: missing(),
        lag_s: vec![0.0; rows],
        pass: vec![Labels::NONE; rows],
        doing: vec![None; rows],
        since_start_s: missing(),
        until_end_s: missing(),
    };
    for (track, lags) in tracks.iter().zip(lags) {
        if records.channels.time {
            shifted(records, track, passes, *lags, moisture_pct, &mut ground);
        } else {
            in_place(records, track, passes, moisture_pct, &mut ground);
        }
        fill_moisture(track, &mut ground.moisture_pct);
        merge_standing(track, &mut ground);
    }
    ground
}

/// Gives the mass of records without a distance travelled to the record before that has one (in the same run of cutting), or to the next: the
/// grain came from its ground. Mass and way are kept, and nothing is divided by almost nothing.
fn merge_standing(track: &Track, ground: &mut Ground) {
    const STANDING_M: f64 = 0.3;
    let least_m = STANDING_M.min(0.25 * track.step_m);
    let (mut carrier, mut waiting) = (None, Vec::new());
    let mut last_pass = Labels::NONE;
    for at in track.rows.clone() {
        if ground.pass[at] != Labels::NONE && ground.pass[at] != last_pass {
            // grain is not carried from one pass to another
            (carrier, waiting) = (None, Vec::new());
            last_pass = ground.pass[at];
        }
        match ground.doing[at] {
            Some(Doing::Cutting(_) | Doing::Standing) => {}
            // between records of two passes there may be unplaced ones
            None if ground.distance_m[at].is_nan() => continue,
            _ => {
                (carrier, waiting) = (None, Vec::new());
                continue;
            }
        }
        if !(ground.mass_kg[at] > 0.0 && ground.distance_m[at] >= 0.0) {
            continue;
        }
        if ground.distance_m[at] >= least_m {
            for standing in waiting.drain(..) {
                hand_over(standing, at, ground);
            }
            carrier = Some(at);
        } else if let Some(carrier) = carrier {
            hand_over(at, carrier, ground);
        } else {
            waiting.push(at);
        }
    }
}

fn hand_over(from: usize, to: usize, ground: &mut Ground) {
    ground.mass_kg[to] += std::mem::take(&mut ground.mass_kg[from]);
    ground.distance_m[to] += std::mem::take(&mut ground.distance_m[from]);
}

fn in_place(records: &Records, track: &Track, passes: &[Pass], moisture_pct: &[f64], ground: &mut Ground) {
    for (fix, &row) in track.row.iter().enumerate() {
        let at = row as usize;
        ground.course_rad[at] = track.course_rad[fix];
        ground.speed_m_s[at] = records.speed_m_s[at];
        ground.distance_m[at] = records.distance_m[at];
        ground.moisture_pct[at] = moisture_pct[at];
        set_pass(track, passes, Some(track.doing[fix]), track.time_s[fix], at, ground);
    }
}

fn set_pass(track: &Track, passes: &[Pass], doing: Option<Doing>, cut_s: f64, at: usize, ground: &mut Ground) {
    ground.doing[at] = doing;
    if let Some(Doing::Cutting(pass)) = doing {
        let span = &passes[pass as usize];
        ground.pass[at] = pass;
        ground.since_start_s[at] = (cut_s - span.start_s).max(0.0);
        ground.until_end_s[at] = (span.end_s - cut_s).max(-track.step_s);
    }
}

fn shifted(records: &Records, track: &Track, passes: &[Pass], lags: Lags, moisture_pct: &[f64], ground: &mut Ground) {
    if track.len() == 0 {
        return;
    }
    let speed: Vec<f64> = track.row.iter().map(|&at| records.speed_m_s[at as usize]).collect();
    let moisture: Vec<f64> = track.row.iter().map(|&at| moisture_pct[at as usize]).collect();
    let (mut hint, mut hint_before, mut hint_moisture) = (0, 0, 0);
    for at in track.rows.clone() {
        ground.lag_s[at] = lags.mass_s.value;
        let time = records.time_s[at];
        if !time.is_finite() {
            continue;
        }
        let cut_s = time - lags.mass_s.value;
        let Some(place) = track.place_at(cut_s, &mut hint) else { continue };
        let fix = track.nearer(place);
        ground.x_m[at] = track.between(&track.x_m, place);
        ground.y_m[at] = track.between(&track.y_m, place);
        ground.course_rad[at] = track.course_rad[fix];
        ground.speed_m_s[at] = track.between(&speed, place);
        ground.swath_m[at] = records.swath_m[track.row[fix] as usize];
        let interval = records.interval_s[at];
        let before = track.place_at(cut_s - interval, &mut hint_before);
        // the way over a gap was driven at another time
        ground.distance_m[at] =
            match before.filter(|before| !track.gap_before[before.fix + 1..=place.fix].contains(&true)) {
                Some(before) => track.between(&track.path_m, place) - track.between(&track.path_m, before),
                None => ground.speed_m_s[at] * interval,
            };
        set_pass(track, passes, track.doing_at(place), cut_s, at, ground);
        // The moisture of this grain is read its own lag after the cut.
        if let Some(read) = track.place_at(cut_s + lags.moisture_s.value, &mut hint_moisture) {
            ground.moisture_pct[at] = moisture[track.nearer(read)];
        }
    }
}

/// Fills missing moistures from the nearest reading before or after; moisture changes slowly.
fn fill_moisture(track: &Track, moisture_pct: &mut [f64]) {
    let mut last = f64::NAN;
    for at in track.rows.clone() {
        if moisture_pct[at].is_finite() {
            last = moisture_pct[at];
        } else {
            moisture_pct[at] = last;
        }
    }
    for at in track.rows.clone().rev() {
        if moisture_pct[at].is_finite() {
            last = moisture_pct[at];
        } else {
            moisture_pct[at] = last;
        }
    }
}
