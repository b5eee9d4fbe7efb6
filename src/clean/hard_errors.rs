//! Records that tell no place: no position, seen before, or where no combine can have driven.

use super::track::machine_ranges;
use crate::config::CleanSettings;
use crate::points::{Mark, Reasons, Records};

/// Marks missing positions and times, duplicates and jumps, in this order.
pub(super) fn mark(records: &Records, settings: &CleanSettings, marks: &mut [Reasons]) {
    for at in 0..records.len() {
        if !records.has_position(at) || !records.time_s[at].is_finite() {
            marks[at].add(Mark::NoPosition);
        }
    }
    duplicates(records, marks);
    for (_, rows) in machine_ranges(&records.machine, records.len()) {
        let good: Vec<usize> = rows.filter(|&at| marks[at].is_empty()).collect();
        if records.channels.time {
            jumps(records, &good, settings, marks);
        }
    }
}

/// The same machine at the same moment: of exact repetitions the first stays; of different records with one time stamp
/// all stay when they are at different places (a clock of whole seconds), otherwise the first.
fn duplicates(records: &Records, marks: &mut [Reasons]) {
    const SAME_PLACE_M: f64 = 0.01;
    let mut first = 0;
    for at in 1..records.len() {
        let same_moment = records.machine.codes[at] == records.machine.codes[first]
            && (records.time_s[at] - records.time_s[first]).abs() < 1e-6
            && records.channels.time;
        if !same_moment {
            first = at;
            continue;
        }
        if !marks[at].is_empty() {
            continue;
        }
        let same_place = |other: usize| {
            (records.x_m[at] - records.x_m[other]).hypot(records.y_m[at] - records.y_m[other]) < SAME_PLACE_M
        };
        if (first..at).any(|other| marks[other].is_empty() && same_place(other)) {
            marks[at].add(Mark::Duplicate);
        }
    }
    if !records.channels.time {
        repeated_rows(records, marks);
    }
}

/// Without times, a file given twice repeats its rows.
fn repeated_rows(records: &Records, marks: &mut [Reasons]) {
    let key = |at: usize| {
        (
            records.machine.codes[at],
            records.x_m[at].to_bits(),
            records.y_m[at].to_bits(),
            records.mass_kg[at].to_bits(),
            records.moisture_pct[at].to_bits(),
        )
    };
    let mut seen = std::collections::BTreeSet::new();
    for at in 0..records.len() {
        if marks[at].is_empty() && !seen.insert(key(at)) {
            marks[at].add(Mark::Duplicate);
        }
    }
}

/// Marks fixes off the track: short excursions, and single fixes off the line of their neighbours.
fn jumps(records: &Records, good: &[usize], settings: &CleanSettings, marks: &mut [Reasons]) {
    let step =
        |from: usize, to: usize| (records.x_m[to] - records.x_m[from]).hypot(records.y_m[to] - records.y_m[from]);
    let feasible = |from: usize, to: usize| {
        let seconds = (records.time_s[to] - records.time_s[from]).max(0.0);
        // Road speed between fields is allowed: 12 m/s; while cutting, half as much again as logged.
        let logged = records.speed_m_s[from].max(records.speed_m_s[to]);
        let fastest =
            if logged.is_finite() && logged <= settings.speed_most_m_s { 1.5 * logged.max(1.0) } else { 12.0 };
        step(from, to) <= fastest * seconds.min(60.0) + 4.0 || seconds > 60.0
    };
    // Runs of fixes that follow from each other.
    let mut runs: Vec<(usize, usize)> = Vec::new();
    let mut start = 0;
    for at in 1..=good.len() {
        if at == good.len() || !feasible(good[at - 1], good[at]) {
            runs.push((start, at));
            start = at;
        }
    }
    // An excursion is a short run between two that follow from each other, or a short run at either end.
    const EXCURSION: usize = 12;
    let mut anchor: Option<usize> = None;
    for (number, &(from, to)) in runs.iter().enumerate() {
        let short = to - from <= EXCURSION;
        let follows = anchor.is_none_or(|anchor| feasible(good[anchor], good[from]));
        let others = runs.iter().enumerate().any(|(other, run)| other != number && run.1 - run.0 > to - from);
        if short && others && (!follows || anchor.is_none()) {
            for &at in &good[from..to] {
                marks[at].add(Mark::PositionJump);
            }
        } else {
            anchor = Some(to - 1);
        }
    }
    off_the_line(records, good, marks);
}

/// Marks single fixes that lie off the line between the fixes before and after by more than the track's own noise
/// explains: 3 m, ten times the median deviation, or what a turn explains (three quarters of a step).
fn off_the_line(records: &Records, good: &[usize], marks: &mut [Reasons]) {
    const LEAST_M: f64 = 3.0;
    const TIMES: f64 = 10.0;
    const STEPS: f64 = 0.75;
    let mut track: Vec<usize> = good.iter().copied().filter(|&at| marks[at].is_empty()).collect();
    for _ in 0..3 {
        if track.len() < 5 {
            return;
        }
        let off = |k: usize| {
            let (a, b, c) = (track[k - 1], track[k], track[k + 1]);
            let span = records.time_s[c] - records.time_s[a];
            // Across a pause the track may have turned.
            if !(span > 0.0 && span <= 5.0 * records.interval_s[b]) {
                return 0.0;
            }
            let share = (records.time_s[b] - records.time_s[a]) / span;
            let between = |values: &[f64]| values[b] - (values[a] + share * (values[c] - values[a]));
            between(&records.x_m).hypot(between(&records.y_m))
        };
        let mut offs = vec![0.0; track.len()];
        for k in 1..track.len() - 1 {
            offs[k] = off(k);
        }
        let usual = crate::stats::robust::median(&offs).unwrap_or(0.0);
        // A step of the track as it usually is: in a turn the middle fix lies off the chord by up to its half.
        let steps: Vec<f64> = track
            .windows(2)
            .map(|pair| {
                (records.x_m[pair[1]] - records.x_m[pair[0]]).hypot(records.y_m[pair[1]] - records.y_m[pair[0]])
            })
            .collect();
        let step = crate::stats::robust::median(&steps).unwrap_or(0.0);
        let limit = LEAST_M.max(TIMES * usual).max(STEPS * step);
        let worst: Vec<usize> = (1..track.len() - 1)
            .filter(|&k| offs[k] > limit && offs[k] >= offs[k - 1] && offs[k] >= offs[k + 1])
            .collect();
        if worst.is_empty() {
            return;
        }
        for &k in &worst {
            marks[track[k]].add(Mark::PositionJump);
        }
        track.retain(|&at| marks[at].is_empty());
    }
}
