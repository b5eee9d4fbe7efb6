//! The track of one combine: positions in the order of time, asked between the fixes.

use std::ops::Range;

use super::sideways;
use crate::points::{Header, Labels, Reasons, Records};
use crate::stats::robust;

/// What the combine was doing at a fix.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Doing {
    /// Cutting, in this pass of the site-year.
    Cutting(u32),
    /// Driving with the header raised.
    HeaderUp,
    /// Turning with the header down.
    Turning,
    /// Standing still, or too slow to cut.
    Standing,
}

/// The good fixes of one combine, in the order of time.
#[derive(Debug, Clone)]
pub(crate) struct Track {
    /// Index of the machine's label.
    pub(crate) machine: u32,
    /// Rows of the machine in the records.
    pub(crate) rows: Range<usize>,
    /// Row of each fix.
    pub(crate) row: Vec<u32>,
    pub(crate) time_s: Vec<f64>,
    pub(crate) x_m: Vec<f64>,
    pub(crate) y_m: Vec<f64>,
    /// Distance logged up to and including the fix, m.
    pub(crate) path_m: Vec<f64>,
    /// Course over ground, radians clockwise from north; NaN before the first movement.
    pub(crate) course_rad: Vec<f64>,
    /// Whether the header was down, after single flickers are dropped.
    pub(crate) header_down: Vec<bool>,
    /// Whether the fix begins after a gap in time or a jump in place.
    pub(crate) gap_before: Vec<bool>,
    pub(crate) doing: Vec<Doing>,
    /// Usual seconds between fixes.
    pub(crate) step_s: f64,
    /// Usual metres between fixes.
    pub(crate) step_m: f64,
    /// Nine in ten steps are at most so long, m.
    pub(crate) long_step_m: f64,
}

/// A place on the track between two fixes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    /// The fix before (or at) the moment.
    pub(crate) fix: usize,
    /// Share of the way to the next fix.
    pub(crate) share: f64,
}

impl Track {
    /// The tracks of all machines, from the records that carry no mark yet.
    pub(crate) fn all(records: &Records, marks: &[Reasons]) -> Vec<Self> {
        machine_ranges(&records.machine, records.len())
            .into_iter()
            .map(|(machine, rows)| Self::of(records, marks, machine, rows))
            .collect()
    }

    fn of(records: &Records, marks: &[Reasons], machine: u32, rows: Range<usize>) -> Self {
        let row: Vec<u32> = rows.clone().filter(|&at| marks[at].is_empty()).map(|at| at as u32).collect();
        let pick = |values: &[f64]| row.iter().map(|&at| values[at as usize]).collect::<Vec<f64>>();
        let (time_s, x_m, y_m) = (pick(&records.time_s), pick(&records.x_m), pick(&records.y_m));
        let mut total = 0.0;
        let path_m = row
            .iter()
            .map(|&at| {
                let distance = records.distance_m[at as usize];
                total += if distance.is_finite() { distance.max(0.0) } else { 0.0 };
                total
            })
            .collect();
        let sorted = |values: Vec<f64>| {
            let mut values: Vec<f64> = values.into_iter().filter(|&value| value > 0.0).collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let steps_s = sorted(time_s.windows(2).map(|pair| pair[1] - pair[0]).collect());
        let steps_m = sorted((1..row.len()).map(|at| (x_m[at] - x_m[at - 1]).hypot(y_m[at] - y_m[at - 1])).collect());
        let quantile = |steps: &[f64], p: f64| robust::quantile_sorted(steps, p).unwrap_or(1.0);
        let count = row.len();
        let mut track = Self {
            machine,
            rows,
            row,
            time_s,
            x_m,
            y_m,
            path_m,
            course_rad: Vec::new(),
            header_down: vec![true; count],
            gap_before: vec![false; count],
            doing: vec![Doing::HeaderUp; count],
            step_s: quantile(&steps_s, 0.5),
            step_m: quantile(&steps_m, 0.5),
            long_step_m: quantile(&steps_m, 0.9),
        };
        track.find_gaps(records);
        if records.channels.time {
            sideways::mend(&mut track);
        }
        track.find_courses();
        track.read_header(records);
        track
    }

    pub(crate) fn len(&self) -> usize {
        self.row.len()
    }

    /// The way from one fix to another, east and north, m.
    pub(super) fn way_m(&self, from: usize, to: usize) -> (f64, f64) {
        (self.x_m[to] - self.x_m[from], self.y_m[to] - self.y_m[from])
    }

    /// How far apart two fixes are, m.
    pub(super) fn apart_m(&self, from: usize, to: usize) -> f64 {
        let (east, north) = self.way_m(from, to);
        east.hypot(north)
    }

    /// Metres from the fix before.
    pub(super) fn step(&self, at: usize) -> f64 {
        self.apart_m(at - 1, at)
    }

    /// A gap: no fix for long, or a step farther than any combine drives meanwhile.
    fn find_gaps(&mut self, records: &Records) {
        const LONGEST_GAP_S: f64 = 10.0;
        for at in 0..self.len() {
            let jumped = |seconds: f64| self.step(at) > 6.0 * seconds + 5.0;
            self.gap_before[at] = at == 0
                || if records.channels.time {
                    let seconds = self.time_s[at] - self.time_s[at - 1];
                    seconds > LONGEST_GAP_S.max(5.0 * self.step_s) || jumped(seconds)
                } else {
                    self.step(at) > (4.0 * self.step_m).max(20.0)
                };
        }
    }

    /// Courses over a baseline of some metres: over single fixes half a metre of noise turns them by tens of degrees.
    fn find_courses(&mut self) {
        const BASELINE_M: f64 = 4.0;
        let count = self.len();
        let mut last = f64::NAN;
        self.course_rad = (0..count)
            .map(|at| {
                let (mut from, mut to) = (at, at);
                while from > 0 && !self.gap_before[from] && self.apart_m(from, at) < BASELINE_M {
                    from -= 1;
                }
                while to + 1 < count && !self.gap_before[to + 1] && self.apart_m(at, to) < BASELINE_M {
                    to += 1;
                }
                if self.apart_m(from, to) > 1.0 {
                    let (east, north) = self.way_m(from, to);
                    last = east.atan2(north);
                } else if self.gap_before[at] {
                    last = f64::NAN;
                }
                last
            })
            .collect();
    }

    /// Reads the header's state; a state that lasts one fix only is a flicker of the switch.
    fn read_header(&mut self, records: &Records) {
        let raw: Vec<bool> = self.row.iter().map(|&at| records.header[at as usize] != Header::Up).collect();
        for at in 0..raw.len() {
            let alone = at > 0 && at + 1 < raw.len() && raw[at - 1] == raw[at + 1] && raw[at] != raw[at - 1];
            self.header_down[at] = if alone { raw[at - 1] } else { raw[at] };
        }
    }

    /// Where the combine was at a moment; `None` before its first and after its last fix.
    ///
    /// `hint` is the fix of an earlier answer: moments asked in order are found at once.
    pub(crate) fn place_at(&self, time_s: f64, hint: &mut usize) -> Option<Place> {
        let last = self.len().checked_sub(1)?;
        if !(time_s >= self.time_s[0] && time_s <= self.time_s[last]) {
            return None;
        }
        let mut fix = (*hint).min(last);
        while fix > 0 && self.time_s[fix] > time_s {
            fix -= 1;
        }
        while fix < last && self.time_s[fix + 1] <= time_s {
            fix += 1;
        }
        *hint = fix;
        let share = if fix == last {
            0.0
        } else {
            let span = self.time_s[fix + 1] - self.time_s[fix];
            if span > 0.0 { (time_s - self.time_s[fix]) / span } else { 0.0 }
        };
        Some(Place { fix, share })
    }

    /// A column between two fixes.
    pub(crate) fn between(&self, values: &[f64], place: Place) -> f64 {
        let next = (place.fix + 1).min(self.len() - 1);
        values[place.fix] + place.share * (values[next] - values[place.fix])
    }

    /// What the combine was doing at a place: what it did at the nearer fix, but nothing in a gap.
    pub(crate) fn doing_at(&self, place: Place) -> Option<Doing> {
        let next = (place.fix + 1).min(self.len() - 1);
        if next > place.fix && self.gap_before[next] && place.share > 0.0 {
            // The record before a gap stands for one more step.
            let beyond_s = place.share * (self.time_s[next] - self.time_s[place.fix]);
            return (beyond_s <= self.step_s).then(|| self.doing[place.fix]);
        }
        Some(if place.share < 0.5 { self.doing[place.fix] } else { self.doing[next] })
    }

    /// The nearer fix.
    pub(crate) fn nearer(&self, place: Place) -> usize {
        if place.share < 0.5 { place.fix } else { (place.fix + 1).min(self.len() - 1) }
    }
}

/// The rows of each machine: records are sorted by machine.
pub(crate) fn machine_ranges(machine: &Labels, rows: usize) -> Vec<(u32, Range<usize>)> {
    let mut ranges = Vec::new();
    let mut start = 0;
    for at in 1..=rows {
        if at == rows || machine.codes[at] != machine.codes[start] {
            ranges.push((machine.codes[start], start..at));
            start = at;
        }
    }
    ranges
}

/// An angle folded into (−π, π].
pub(crate) fn folded(angle_rad: f64) -> f64 {
    let turn = std::f64::consts::TAU;
    let angle = angle_rad.rem_euclid(turn);
    if angle > std::f64::consts::PI { angle - turn } else { angle }
}
