//! Passes: continuous runs of the header through the crop.

use super::track::{Doing, Track, folded};
use crate::config::CleanSettings;
use crate::points::Records;
use crate::stats::robust;

/// One pass.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Pass {
    /// Index into the tracks.
    pub(crate) track: usize,
    /// First and last fix on the track.
    pub(crate) first: usize,
    pub(crate) last: usize,
    /// Begin and end, seconds.
    pub(crate) start_s: f64,
    pub(crate) end_s: f64,
    /// Length along its fixes, m.
    pub(crate) length_m: f64,
}

/// Shortest stretch whose want of grain tells that nothing was being cut, s (ours).
const EMPTY_S: f64 = 60.0;
/// Grain that arrives this soon after the start is that of the ground before, s: two usual lags (ours).
const ARRIVING_S: f64 = 25.0;
/// Greatest share of its records that carry grain (ours).
const EMPTY_SHARE: f64 = 0.1;
/// Less than this share of the usual mass of a record is no grain (ours).
const NO_GRAIN: f64 = 0.05;

/// Finds the passes and writes into the tracks what the combines were doing.
pub(crate) fn find(records: &Records, settings: &CleanSettings, tracks: &mut [Track]) -> Vec<Pass> {
    let mut passes = Vec::new();
    let mut masses: Vec<f64> = records.mass_kg.iter().copied().filter(|&mass| mass > 0.0).collect();
    let grain_kg = NO_GRAIN * robust::median_in_place(&mut masses).unwrap_or(0.0);
    for (number, track) in tracks.iter_mut().enumerate() {
        let turning = turning(track, settings.turn_deg.to_radians());
        let standing = standing(records, track, settings.speed_least_m_s);
        let mut open: Option<usize> = None;
        for fix in 0..track.len() {
            let cutting = track.header_down[fix] && !turning[fix] && !standing[fix];
            let new_label = fix > 0 && records.pass.is_present() && {
                let code = |fix: usize| records.pass.codes[track.row[fix] as usize];
                code(fix) != code(fix - 1)
            };
            if let Some(first) = open
                && (!cutting || track.gap_before[fix] || new_label)
            {
                close(records, grain_kg, track, (number, first, fix - 1), &mut passes);
                open = None;
            }
            if cutting {
                open.get_or_insert(fix);
                let code = passes.len() as u32;
                track.doing[fix] = Doing::Cutting(code);
            } else {
                track.doing[fix] = if !track.header_down[fix] {
                    Doing::HeaderUp
                } else if standing[fix] {
                    Doing::Standing
                } else {
                    Doing::Turning
                };
            }
        }
        if let Some(first) = open {
            close(records, grain_kg, track, (number, first, track.len() - 1), &mut passes);
        }
    }
    passes
}

/// Ends a pass. A long one without grain has cut nothing, whatever was recorded of the header: a combine on its way back. As a
/// pass it would take its ground from the one that did cut it.
fn close(
    records: &Records,
    grain_kg: f64,
    track: &mut Track,
    (number, first, last): (usize, usize, usize),
    passes: &mut Vec<Pass>,
) {
    let (start_s, end_s) = (track.time_s[first], track.time_s[last]);
    let arrived = (first..=last).find(|&fix| track.time_s[fix] >= start_s + ARRIVING_S).unwrap_or(last);
    let with_grain = (arrived..=last).filter(|&fix| records.mass_kg[track.row[fix] as usize] > grain_kg).count();
    let is_empty = (with_grain as f64) < EMPTY_SHARE * (last - arrived + 1) as f64;
    if records.channels.time && end_s - track.time_s[arrived] >= EMPTY_S && is_empty {
        track.doing[first..=last].fill(Doing::HeaderUp);
        return;
    }
    let length_m = (first + 1..=last).map(|at| track.step(at)).sum();
    passes.push(Pass { track: number, first, last, start_s, end_s, length_m });
}

/// Whether the course changes by more than the limit within a short way.
fn turning(track: &Track, limit_rad: f64) -> Vec<bool> {
    const HALF_WINDOW_M: f64 = 12.0;
    let count = track.len();
    // Way along the fixes, which never stands still as the logged distance may.
    let mut way = vec![0.0; count];
    for at in 1..count {
        way[at] = way[at - 1] + if track.gap_before[at] { 0.0 } else { track.step(at) };
    }
    let (mut from, mut to) = (0, 0);
    (0..count)
        .map(|at| {
            from = from.min(at);
            while way[at] - way[from] > HALF_WINDOW_M {
                from += 1;
            }
            to = to.max(at);
            while to + 1 < count && way[to + 1] - way[at] <= HALF_WINDOW_M {
                to += 1;
            }
            let start = (from..=at).rev().find(|&k| track.gap_before[k]).unwrap_or(from).max(from);
            let end = (at + 1..=to).find(|&k| track.gap_before[k]).map_or(to, |gap| gap - 1);
            let (one, other) = (track.course_rad[start], track.course_rad[end]);
            one.is_finite() && other.is_finite() && folded(other - one).abs() > limit_rad
        })
        .collect()
}

/// Whether the combine stands (or creeps) for some seconds; a moment of slowness is left to the speed rules.
fn standing(records: &Records, track: &Track, least_m_s: f64) -> Vec<bool> {
    const LEAST_S: f64 = 5.0;
    let slow: Vec<bool> = track.row.iter().map(|&at| records.speed_m_s[at as usize] < least_m_s).collect();
    let mut standing = vec![false; slow.len()];
    let mut start = 0;
    while start < slow.len() {
        if !slow[start] {
            start += 1;
            continue;
        }
        let end = (start..slow.len()).find(|&at| !slow[at]).unwrap_or(slow.len());
        if track.time_s[end - 1] - track.time_s[start] + track.step_s >= LEAST_S && records.channels.time {
            standing[start..end].fill(true);
        }
        start = end;
    }
    standing
}

/// The main direction of driving, radians clockwise from north in [0, π), by the way driven; `None` when no direction
/// prevails.
pub(crate) fn axis(tracks: &[Track], passes: &[Pass]) -> Option<f64> {
    let (mut sine, mut cosine, mut way) = (0.0, 0.0, 0.0);
    for pass in passes {
        let track = &tracks[pass.track];
        for at in pass.first + 1..=pass.last {
            let step = track.step(at);
            let course = track.course_rad[at];
            if course.is_finite() {
                sine += step * (2.0 * course).sin();
                cosine += step * (2.0 * course).cos();
                way += step;
            }
        }
    }
    // Passes in all directions cancel.
    (way > 0.0 && sine.hypot(cosine) > 0.3 * way).then(|| (0.5 * sine.atan2(cosine)).rem_euclid(std::f64::consts::PI))
}
