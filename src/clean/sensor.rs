//! Readings of the flow sensor that tell of the sensor, not of the grain: zeros that come or go at once, and values held.
//!
//! *When it harms*: drowned ground shows zeros too. There the grain that is still being mixed lets the flow fall and rise over some
//! records, so that only a step from or to a usual flow between two records is a drop-out. A coarse scale repeats values by
//! chance, so that a value counts as held only when it repeats more often than the log's own repeats explain.
//!
//! *Method*: ours. Mixing without such steps: "A grain flow model to simulate grain yield sensor response", Sensors 2008,
//! 8(2):952–962.

use std::ops::Range;

use super::track::Track;
use crate::points::Records;
use crate::stats::robust;

/// Share of the usual flow below which there is no flow.
pub(in crate::clean) const NOTHING: f64 = 0.02;
/// A step between nothing and more than this share of the usual flow is no grain's (ours: mixing with a time constant of 1 s
/// leaves 0.37 after a second).
const STEP: f64 = 0.5;
/// Fewest equal values in a row that are held.
const LEAST_HELD: usize = 4;
/// Chance in a log of a run of equal values that is not held, at most (ours).
const CHANCE: f64 = 0.01;

/// Whether the flow of each record is a fault of the sensor.
pub(super) fn faults(records: &Records, tracks: &[Track]) -> Vec<bool> {
    let mut faulty = vec![false; records.len()];
    if !records.channels.time {
        return faulty;
    }
    for track in tracks {
        let signal: Vec<f64> = track
            .row
            .iter()
            .map(|&row| {
                let at = row as usize;
                // an exported yield is held as a yield
                let per = if records.channels.flow {
                    records.interval_s[at]
                } else {
                    records.distance_m[at] * records.swath_m[at]
                };
                records.mass_kg[at] / per
            })
            .collect();
        let mut usual: Vec<f64> = signal.iter().copied().filter(|&value| value > 0.0 && value.is_finite()).collect();
        let Ok(usual) = robust::median_in_place(&mut usual) else { continue };
        for run in drop_outs(track, &signal, usual).into_iter().chain(held(track, &signal, usual)) {
            for fix in run {
                faulty[track.row[fix] as usize] = true;
            }
        }
    }
    faulty
}

/// Runs of nothing that begin or end with a step.
fn drop_outs(track: &Track, signal: &[f64], usual: f64) -> Vec<Range<usize>> {
    let nothing = |fix: usize| signal[fix] <= NOTHING * usual;
    let mut found = Vec::new();
    let mut start = 0;
    while start < signal.len() {
        if !nothing(start) {
            start += 1;
            continue;
        }
        let end = (start + 1..signal.len()).find(|&fix| !nothing(fix) || track.gap_before[fix]).unwrap_or(signal.len());
        let before = start > 0 && !track.gap_before[start] && signal[start - 1] > STEP * usual;
        let after = end < signal.len() && !track.gap_before[end] && signal[end] > STEP * usual;
        if before || after {
            found.push(start..end);
        }
        start = end;
    }
    found
}

/// Runs of one value; the first of them may be a reading.
fn held(track: &Track, signal: &[f64], usual: f64) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    for fix in 0..signal.len() {
        match runs.last_mut() {
            Some(run)
                if !track.gap_before[fix] && (signal[fix] - signal[run.start]).abs() <= 1e-9 * signal[run.start] =>
            {
                run.end = fix + 1;
            }
            _ => runs.push(fix..fix + 1),
        }
    }
    // How often the scale repeats a value by chance.
    let short = runs.iter().filter(|run| run.len() < LEAST_HELD);
    let (repeats, steps) =
        short.fold((1.0, 2.0), |(repeats, steps), run| (repeats + run.len() as f64 - 1.0, steps + run.len() as f64));
    let share: f64 = repeats / steps;
    let rare = 1.0 + (CHANCE / signal.len().max(1) as f64).ln() / share.ln();
    let least = LEAST_HELD.max(rare.ceil() as usize);
    runs.retain(|run| run.len() >= least && signal[run.start] > NOTHING * usual);
    runs.into_iter().map(|run| run.start + 1..run.end).collect()
}
