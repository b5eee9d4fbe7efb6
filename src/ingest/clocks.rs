//! Clocks that were set back while a file was written (the end of summer time, or another time zone), and clocks that show
//! whole seconds while records are written faster.

use std::collections::BTreeMap;

/// Least step back that is no jitter of the log, s.
const LEAST_BACK_S: f64 = 1200.0;
/// Greatest change of a clock, s: time zones that meet differ by no more (common practice, no source).
const MOST_BACK_S: f64 = 7200.0;
/// Clocks are changed by whole half hours.
const STEP_S: f64 = 1800.0;
/// The combine went on from where it stood, m.
const SAME_PLACE_M: f64 = 60.0;
/// Records nearer to each other are one record written twice, m.
const SAME_RECORD_M: f64 = 0.01;
/// A file is in the order of time where no more than this share of its steps goes back.
const DISORDER: f64 = 0.005;

/// Moves the times after each set-back on, so that time goes on as the combine did; returns how often.
///
/// Looks at the rows in the order of the file, each machine by itself (`machine` tells the name by row), and only where that
/// order is that of time; in a file sorted otherwise nothing can be told. Positions in metres.
pub(super) fn move_on<'n>(
    time_s: &mut [f64],
    x_m: &[f64],
    y_m: &[f64],
    machine: impl Fn(usize) -> Option<&'n str>,
) -> usize {
    let mut rows: BTreeMap<Option<&str>, Vec<usize>> = BTreeMap::new();
    for at in 0..time_s.len() {
        if time_s[at].is_finite() && x_m[at].is_finite() && y_m[at].is_finite() {
            rows.entry(machine(at)).or_default().push(at);
        }
    }
    rows.values().map(|rows| of_one_machine(rows, time_s, x_m, y_m)).sum()
}

fn of_one_machine(rows: &[usize], time_s: &mut [f64], x_m: &[f64], y_m: &[f64]) -> usize {
    let back = |pair: &[usize]| time_s[pair[0]] - time_s[pair[1]];
    let disorder = rows.windows(2).filter(|pair| back(pair) > 0.0).count();
    let set_back: Vec<(usize, f64)> = rows
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| {
            let went = (x_m[pair[1]] - x_m[pair[0]]).hypot(y_m[pair[1]] - y_m[pair[0]]);
            (LEAST_BACK_S..=MOST_BACK_S).contains(&back(pair)) && went <= SAME_PLACE_M
        })
        .map(|(place, pair)| (place + 1, (back(pair) / STEP_S).ceil() * STEP_S))
        .collect();
    if set_back.is_empty() || disorder as f64 > DISORDER * rows.len() as f64 + set_back.len() as f64 {
        return 0;
    }
    for &(from, by_s) in &set_back {
        for &at in &rows[from..] {
            time_s[at] += by_s;
        }
    }
    set_back.len()
}

/// Share of the time stamps under which several places were recorded, beyond which the clock is too coarse.
const COARSE: f64 = 0.3;

/// Spreads records that share a time stamp over the time until the next one, in the order in which the machine passed
/// their places; `order` lists the records by machine and time, and is put in the new order.
///
/// Does nothing where time stamps are rarely shared: then a shared one is an error of that record. Records of one place
/// keep one time, so that repetitions are still seen as such.
pub(super) fn spread(order: &mut [u32], time_s: &mut [f64], x_m: &[f64], y_m: &[f64], machine: &[u32]) {
    let mut start = 0;
    while start < order.len() {
        let code = machine[order[start] as usize];
        let end = (start..order.len()).find(|&at| machine[order[at] as usize] != code).unwrap_or(order.len());
        spread_one_machine(&mut order[start..end], time_s, x_m, y_m);
        start = end;
    }
}

fn spread_one_machine(order: &mut [u32], time_s: &mut [f64], x_m: &[f64], y_m: &[f64]) {
    let place = |at: u32| (x_m[at as usize], y_m[at as usize]);
    let same_place = |one: u32, other: u32| {
        let ((x, y), (u, v)) = (place(one), place(other));
        (x - u).hypot(y - v) < SAME_RECORD_M || x.is_nan() || u.is_nan()
    };
    // the stamps, as ranges of `order`
    let mut stamps: Vec<std::ops::Range<usize>> = Vec::new();
    for at in 0..order.len() {
        match stamps.last_mut() {
            Some(last) if time_s[order[last.start] as usize].to_bits() == time_s[order[at] as usize].to_bits() => {
                last.end = at + 1;
            }
            _ => stamps.push(at..at + 1),
        }
    }
    let shared = stamps.iter().filter(|range| {
        let first = order[range.start];
        order[(*range).clone()].iter().any(|&at| !same_place(first, at))
    });
    if (shared.count() as f64) < COARSE * stamps.len() as f64 {
        return;
    }
    let middles: Vec<(f64, f64)> = stamps
        .iter()
        .map(|range| {
            let count = range.len() as f64;
            let sum = order[range.clone()].iter().map(|&at| place(at)).fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
            (sum.0 / count, sum.1 / count)
        })
        .collect();
    let mut steps: Vec<f64> = stamps
        .windows(2)
        .map(|pair| time_s[order[pair[1].start] as usize] - time_s[order[pair[0].start] as usize])
        .collect();
    let Ok(usual) = crate::stats::robust::median_in_place(&mut steps) else { return };
    for (number, range) in stamps.iter().enumerate() {
        let (before, after) = (middles[number.saturating_sub(1)], middles[(number + 1).min(middles.len() - 1)]);
        let (east, north) = (after.0 - before.0, after.1 - before.1);
        let along = |at: u32| place(at).0 * east + place(at).1 * north;
        order[range.clone()].sort_by(|&one, &other| along(one).total_cmp(&along(other)).then(one.cmp(&other)));
        let mut slots = vec![0_u32; range.len()];
        for k in 1..range.len() {
            let moved = !same_place(order[range.start + k - 1], order[range.start + k]);
            slots[k] = slots[k - 1] + u32::from(moved);
        }
        let count = f64::from(slots.last().copied().unwrap_or(0) + 1);
        for (k, slot) in slots.into_iter().enumerate() {
            time_s[order[range.start + k] as usize] += usual * f64::from(slot) / count;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A combine that drives at 2 m/s, a record a second.
    fn log(rows: usize) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let time: Vec<f64> = (0..rows).map(|at| 1.7e9 + at as f64).collect();
        let x = (0..rows).map(|at| 2.0 * at as f64).collect();
        (time, x, vec![0.0; rows])
    }

    #[test]
    fn an_hour_set_back_is_moved_on() {
        let (truth, x, y) = log(3000);
        let mut time = truth.clone();
        for later in &mut time[1200..] {
            *later -= 3600.0;
        }
        assert_eq!(move_on(&mut time, &x, &y, |_| None), 1);
        assert_eq!(time, truth);
    }

    #[test]
    fn a_log_in_order_or_in_another_order_stays() {
        let (truth, x, y) = log(3000);
        let mut time = truth.clone();
        assert_eq!(move_on(&mut time, &x, &y, |_| None), 0);
        assert_eq!(time, truth);
        // sorted backwards: nothing can be told
        let mut backwards: Vec<f64> = truth.iter().rev().copied().collect();
        let before = backwards.clone();
        assert_eq!(move_on(&mut backwards, &x, &y, |_| None), 0);
        assert_eq!(backwards, before);
    }

    #[test]
    fn whole_seconds_are_spread_along_the_way() {
        // two records a second, driven westward; the order within a stamp is not that of driving
        let truth: Vec<f64> = (0..400).map(|at| 1.7e9 + 0.5 * f64::from(at)).collect();
        let x: Vec<f64> = (0..400).map(|at| -f64::from(at)).collect();
        let y = vec![0.0; 400];
        let mut time: Vec<f64> = truth.iter().map(|time| time.floor()).collect();
        let mut order: Vec<u32> = (0..200).flat_map(|pair| [2 * pair + 1, 2 * pair]).collect();
        spread(&mut order, &mut time, &x, &y, &vec![0; 400]);
        assert_eq!(time, truth);
        assert_eq!(order, (0..400).collect::<Vec<u32>>());
        // one stamp shared by an error stays
        let mut time: Vec<f64> = (0..400).map(f64::from).collect();
        time[200] = time[199];
        let before = time.clone();
        spread(&mut order, &mut time, &x, &y, &vec![0; 400]);
        assert_eq!(time, before);
    }

    #[test]
    fn two_machines_one_after_the_other_are_no_set_back() {
        let (mut time, x, y) = log(3000);
        for at in 1500..3000 {
            time[at] -= 1500.0;
        }
        let before = time.clone();
        assert_eq!(move_on(&mut time, &x, &y, |at| Some(if at < 1500 { "A" } else { "B" })), 0);
        assert_eq!(time, before);
    }
}
