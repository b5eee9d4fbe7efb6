//! Speeds out of range and changes of speed that the grain flow cannot follow.

use super::Seen;
use crate::clean::ground::Ground;
use crate::clean::track::{Doing, Track};
use crate::config::CleanSettings;
use crate::points::{Mark, Reasons, Records};
use crate::stats::robust;

/// Half-width of the window that tells the usual speed, s.
const WINDOW_S: f64 = 5.0;
/// How long the flow takes to settle after a true change of speed, s: two mixing times of 3 s (common practice, no
/// source).
const SETTLING_S: f64 = 6.0;

/// Marks the speeds.
pub(super) fn mark(seen: &Seen<'_>, marks: &mut [Reasons]) {
    let Seen { records, tracks, ground, settings, .. } = *seen;
    let channels = &records.channels;
    let within = settings.speed_least_m_s..=settings.speed_most_m_s;
    for (at, mark) in marks.iter_mut().enumerate() {
        // without a way there is no area, whatever the limits are
        let no_way = !(ground.distance_m[at] > 0.0) || ground.doing[at] == Some(Doing::Standing);
        let out_of_range = Mark::SpeedRange.can_run(channels) && !within.contains(&ground.speed_m_s[at]);
        if mark.is_empty() && (no_way || out_of_range) {
            mark.add(Mark::SpeedRange);
        }
    }
    if !Mark::SpeedChange.can_run(channels) {
        return;
    }
    for track in tracks {
        let logged = logged_out_of_range(records, track, settings);
        for (row, changed) in track.rows.clone().zip(changed_on_ground(records, track, ground, settings)) {
            if marks[row].is_empty() && changed {
                marks[row].add(Mark::SpeedChange);
            }
        }
        // The record whose own speed is impossible is not to be trusted in its other channels either.
        for row in logged {
            if marks[row].is_empty() {
                marks[row].add(Mark::SpeedRange);
            }
        }
    }
}

fn logged_out_of_range(records: &Records, track: &Track, settings: &CleanSettings) -> Vec<usize> {
    track
        .rows
        .clone()
        .filter(|&row| {
            let speed = records.speed_m_s[row];
            speed.is_nan() || speed < 0.0 || speed > settings.speed_most_m_s
        })
        .collect()
}

/// Whether the speed at a record's cutting moment differs from the usual about it; after a true change (the positions
/// show it too) the records until the flow has settled are marked as well.
fn changed_on_ground(records: &Records, track: &Track, ground: &Ground, settings: &CleanSettings) -> Vec<bool> {
    let limit = settings.speed_change_pct / 100.0;
    let speed: Vec<f64> = track.row.iter().map(|&at| records.speed_m_s[at as usize]).collect();
    let count = track.len();
    let (mut from, mut to) = (0, 0);
    let mut window = Vec::new();
    let mut differs = vec![false; count];
    let mut truly = vec![false; count];
    for at in 0..count {
        while track.time_s[at] - track.time_s[from] > WINDOW_S {
            from += 1;
        }
        while to < count && track.time_s[to] - track.time_s[at] <= WINDOW_S {
            to += 1;
        }
        window.clear();
        window.extend(speed[from..to].iter().copied().filter(|value| value.is_finite()));
        let Ok(usual) = robust::median_in_place(&mut window) else { continue };
        differs[at] = (speed[at] - usual).abs() > limit * usual.max(settings.speed_least_m_s);
        if differs[at] && at > 0 && at + 1 < count {
            let seconds = track.time_s[at + 1] - track.time_s[at - 1];
            let metres = (track.x_m[at + 1] - track.x_m[at - 1]).hypot(track.y_m[at + 1] - track.y_m[at - 1]);
            truly[at] = seconds > 0.0 && (metres / seconds - usual).abs() > 0.5 * limit * usual;
        }
    }
    let mut hint = 0;
    let mut until = f64::NEG_INFINITY;
    track
        .rows
        .clone()
        .map(|row| {
            // The cutting moment, from the place on the ground.
            let Some(fix) = cutting_fix(records, track, ground, row, &mut hint) else { return false };
            if truly[fix] {
                until = until.max(track.time_s[fix] + SETTLING_S);
            }
            differs[fix] || track.time_s[fix] <= until
        })
        .collect()
}

/// The fix nearest to the cutting moment of a record.
fn cutting_fix(records: &Records, track: &Track, ground: &Ground, row: usize, hint: &mut usize) -> Option<usize> {
    ground.doing[row]?;
    let lag_s = ground.lag_s[row];
    track.place_at(records.time_s[row] - lag_s, hint).map(|place| track.nearer(place))
}
