//! Clocks that were set back while a file was written (the end of summer time, or another time zone), and clocks that show
//! whole seconds while records are written faster.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::ops::Range;

/// Least step back that is no jitter of the log, s.
const LEAST_BACK_S: f64 = 3.0;
/// Greatest change of a clock, s: time zones that meet differ by no more (common practice, no source).
const MOST_BACK_S: f64 = 7200.0;
/// Clocks that are set are changed by whole half hours, and the combine does not stand for long meanwhile, s; other clocks slip by
/// any time, and the next record follows at the usual step.
const STEP_S: f64 = 1800.0;
const PAUSE_S: f64 = 60.0;
/// The combine went on from where it stood, m.
const SAME_PLACE_M: f64 = 60.0;
/// Records nearer to each other are one record written twice, m.
const SAME_RECORD_M: f64 = 0.01;
/// A file is in the order of time where no more than this share of its steps goes back.
const DISORDER: f64 = 0.005;

/// Moves the times after each set-back on, so that time goes on as the combine did; returns how often.
///
/// Looks at the `rows` of a file in their order, each machine (by code) by itself, and only where that order is that of time; in a
/// file sorted otherwise nothing can be said. Positions in metres.
pub(super) fn move_on(rows: &[usize], time_s: &mut [f64], x_m: &[f64], y_m: &[f64], machine: &[u32]) -> usize {
    let mut of_machine: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
    for &at in rows {
        if time_s[at].is_finite() && x_m[at].is_finite() && y_m[at].is_finite() {
            of_machine.entry(machine[at]).or_default().push(at);
        }
    }
    of_machine.values().map(|rows| of_one_machine(rows, time_s, x_m, y_m)).sum()
}

fn of_one_machine(rows: &[usize], time_s: &mut [f64], x_m: &[f64], y_m: &[f64]) -> usize {
    let back = |pair: &[usize]| time_s[pair[0]] - time_s[pair[1]];
    let disorder = rows.windows(2).filter(|pair| back(pair) > 0.0).count();
    let usual = usual_step(rows.windows(2).map(|pair| -back(pair)));
    let set_back: Vec<(usize, f64)> = rows
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| {
            let went = (x_m[pair[1]] - x_m[pair[0]]).hypot(y_m[pair[1]] - y_m[pair[0]]);
            (LEAST_BACK_S..=MOST_BACK_S).contains(&back(pair)) && went <= SAME_PLACE_M
        })
        .map(|(place, pair)| (place + 1, set_by(back(pair), usual)))
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

/// By how much a clock was set back that goes back by `back` seconds from one record to the next.
fn set_by(back: f64, usual_step: f64) -> f64 {
    let whole = (back / STEP_S).ceil() * STEP_S;
    if whole - back <= PAUSE_S { whole } else { back + usual_step }
}

fn usual_step(steps: impl Iterator<Item = f64>) -> f64 {
    let mut forward: Vec<f64> = steps.filter(|&step| step > 0.0).collect();
    crate::stats::robust::median_in_place(&mut forward).unwrap_or(1.0)
}

/// Greatest speed of a combine, and the scatter of positions, by which a record may follow another, m/s and m.
const REACH_M_S: f64 = 12.0;
const REACH_M: f64 = 12.0;
/// Fewest records of a way that is not taken for strays.
const LEAST_WAY: usize = 30;
/// Share of records out of reach of the one before, from which ways are told apart.
const TANGLED: f64 = 0.02;

/// Moves the times after a set-back on where the rows are in no order: the log then shows one combine in two places at once.
///
/// `order` lists the records by machine and time. Each record is given to the way whose last place and speed it follows; of two
/// ways at one time the one that begins where the other ends is the later. Returns the machines (by code) that were moved on.
pub(super) fn untangle(order: &[u32], time_s: &mut [f64], x_m: &[f64], y_m: &[f64], machine: &[u32]) -> Vec<u32> {
    let mut moved = Vec::new();
    for rows in order.chunk_by(|&one, &other| machine[one as usize] == machine[other as usize]) {
        let placed = |at: usize| time_s[at].is_finite() && x_m[at].is_finite() && y_m[at].is_finite();
        let rows: Vec<usize> = rows.iter().map(|&at| at as usize).filter(|&at| placed(at)).collect();
        let far = |one: usize, other: usize| {
            (x_m[one] - x_m[other]).hypot(y_m[one] - y_m[other])
                > REACH_M + REACH_M_S * (time_s[other] - time_s[one]).max(1.0)
        };
        let jumps = rows.windows(2).filter(|pair| far(pair[0], pair[1])).count();
        if (jumps as f64) < TANGLED * rows.len() as f64 || jumps < LEAST_WAY {
            continue;
        }
        let usual = usual_step(rows.windows(2).map(|pair| time_s[pair[1]] - time_s[pair[0]]));
        let ways: Vec<Vec<usize>> =
            ways(&rows, time_s, x_m, y_m).into_iter().filter(|way| way.len() >= LEAST_WAY).collect();
        let end = |way: &[usize]| way[way.len() - 1];
        let link = ways.iter().find_map(|first| {
            ways.iter().find_map(|second| {
                let back = time_s[end(first)] - time_s[second[0]];
                let went = (x_m[second[0]] - x_m[end(first)]).hypot(y_m[second[0]] - y_m[end(first)]);
                let follows = went <= SAME_PLACE_M && (LEAST_BACK_S..=MOST_BACK_S).contains(&back);
                (second[0] != first[0] && follows).then(|| (second, set_by(back, usual)))
            })
        });
        if let Some((second, by_s)) = link {
            for &at in second {
                time_s[at] += by_s;
            }
            moved.push(machine[rows[0]]);
        }
    }
    moved
}

/// The records in the order of time, parted into ways that a combine can have driven.
fn ways(rows: &[usize], time_s: &[f64], x_m: &[f64], y_m: &[f64]) -> Vec<Vec<usize>> {
    /// A way is not looked for further back, s.
    const MEMORY_S: f64 = 900.0;
    let mut ways: Vec<(Vec<usize>, (f64, f64))> = Vec::new();
    for &at in rows {
        let ahead = |(way, speed): &(Vec<usize>, (f64, f64))| {
            let last = way[way.len() - 1];
            let since = time_s[at] - time_s[last];
            let near = (x_m[at] - x_m[last]).hypot(y_m[at] - y_m[last]);
            let glide = since.min(10.0);
            let off = (x_m[at] - x_m[last] - glide * speed.0).hypot(y_m[at] - y_m[last] - glide * speed.1);
            (since <= MEMORY_S && near <= REACH_M + REACH_M_S * since.min(30.0)).then_some(off)
        };
        let nearest = (0..ways.len())
            .filter_map(|way| ahead(&ways[way]).map(|off| (way, off)))
            .min_by(|one, other| one.1.total_cmp(&other.1));
        if let Some((way, _)) = nearest {
            let (way, speed) = &mut ways[way];
            let last = way[way.len() - 1];
            let since = time_s[at] - time_s[last];
            if since > 0.0 {
                *speed = ((x_m[at] - x_m[last]) / since, (y_m[at] - y_m[last]) / since);
            }
            way.push(at);
        } else {
            ways.push((vec![at], (0.0, 0.0)));
        }
    }
    ways.into_iter().map(|way| way.0).collect()
}

/// Records on either side that tell the time of a record whose stamp was rounded.
const STAMPS: usize = 8;
/// Share of the steps of a log that is written at a regular beat which rounding explains.
const REGULAR: f64 = 0.97;
/// Mean square of a step's deviation from the beat, in squared units of the clock, up to which rounding explains it: it gives
/// at most 1/4 (both ends of a step of half a unit), and a logger's own jitter some more (ours).
const REGULAR_SQUARE: f64 = 0.6;
/// A longer step between two records is a gap: it ends a run, and the later record does not stand for it. s (common practice, no
/// source).
pub(crate) const LONGEST_STEP_S: f64 = 10.0;

/// Parts records that share a time stamp: a clock that shows whole seconds, or records that are written faster than it ticks.
///
/// `order` lists the records by machine and time, and is put in the order in which they were written: that of the rows where the
/// file is in the order of time, else that of the places along the way. Where the log keeps a beat (its recorded `interval_s`, or
/// steps that only rounding makes uneven) a record's time is that of the beat, held to the stamps about it; otherwise the records
/// of a stamp are spread over the time to the next one. Records of one place keep one time, so that repetitions are still seen as
/// such. A log in which no two places share a stamp is left as it is.
pub(super) fn part(
    order: &mut [u32],
    time_s: &mut [f64],
    (x_m, y_m): (&[f64], &[f64]),
    interval_s: &[f64],
    machine: &[u32],
) {
    let mut start = 0;
    while start < order.len() {
        let code = machine[order[start] as usize];
        let end = (start..order.len()).find(|&at| machine[order[at] as usize] != code).unwrap_or(order.len());
        part_one_machine(&mut order[start..end], time_s, (x_m, y_m), interval_s);
        start = end;
    }
}

fn part_one_machine(order: &mut [u32], time_s: &mut [f64], (x_m, y_m): (&[f64], &[f64]), interval_s: &[f64]) {
    let place = |at: u32| (x_m[at as usize], y_m[at as usize]);
    let same_place = |one: u32, other: u32| {
        let ((x, y), (u, v)) = (place(one), place(other));
        (x - u).hypot(y - v) < SAME_RECORD_M || x.is_nan() || u.is_nan()
    };
    // the stamps, as ranges of `order`
    let mut stamps: Vec<Range<usize>> = Vec::new();
    for at in 0..order.len() {
        match stamps.last_mut() {
            Some(last) if time_s[order[last.start] as usize].to_bits() == time_s[order[at] as usize].to_bits() => {
                last.end = at + 1;
            }
            _ => stamps.push(at..at + 1),
        }
    }
    let is_shared = |range: &Range<usize>| {
        order[range.clone()].iter().any(|&at| !same_place(order[range.start], at))
            && time_s[order[range.start] as usize].is_finite()
    };
    if !stamps.iter().any(is_shared) {
        return;
    }
    let mut written: Vec<u32> = order.to_vec();
    written.sort_unstable();
    let back = written.windows(2).filter(|pair| time_s[pair[1] as usize] < time_s[pair[0] as usize]).count();
    let in_order = back as f64 <= DISORDER * written.len() as f64;
    let middles: Vec<(f64, f64)> = stamps
        .iter()
        .map(|range| {
            let count = range.len() as f64;
            let sum = order[range.clone()].iter().map(|&at| place(at)).fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
            (sum.0 / count, sum.1 / count)
        })
        .collect();
    // A fix: the records of one place under one stamp, as a range of `order`.
    let mut fixes: Vec<(f64, Range<usize>)> = Vec::with_capacity(order.len());
    for (number, range) in stamps.iter().enumerate() {
        let (before, after) = (middles[number.saturating_sub(1)], middles[(number + 1).min(middles.len() - 1)]);
        let (east, north) = (after.0 - before.0, after.1 - before.1);
        let along = |at: u32| place(at).0 * east + place(at).1 * north;
        order[range.clone()].sort_by(|&one, &other| {
            let by_place = if in_order { Ordering::Equal } else { along(one).total_cmp(&along(other)) };
            by_place.then(one.cmp(&other))
        });
        for at in range.clone() {
            match fixes.last_mut() {
                Some((_, fix)) if fix.start >= range.start && same_place(order[fix.start], order[at]) => {
                    fix.end = at + 1;
                }
                _ => fixes.push((time_s[order[at] as usize], at..at + 1)),
            }
        }
    }
    let stamp: Vec<f64> = fixes.iter().map(|fix| fix.0).collect();
    let recorded: Vec<f64> = fixes.iter().map(|fix| interval_s[order[fix.1.start] as usize]).collect();
    let parted = on_the_beat(&stamp, &recorded).unwrap_or_else(|| spread(&stamp));
    for ((_, fix), time) in fixes.into_iter().zip(parted) {
        for &at in &order[fix] {
            time_s[at as usize] = time;
        }
    }
}

/// The times of a log that keeps a beat, its own where `interval_s` was recorded throughout; `None` where it keeps none.
fn on_the_beat(stamp: &[f64], interval_s: &[f64]) -> Option<Vec<f64>> {
    let steps: Vec<f64> = stamp.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let unit = if stamp.iter().all(|time| time.fract().abs() < f64::EPSILON) {
        1.0
    } else {
        steps.iter().copied().filter(|&step| step > 0.0).fold(f64::INFINITY, f64::min)
    };
    let mean = |steps: &mut dyn Iterator<Item = f64>| {
        let (sum, count) = steps.fold((0.0, 0.0), |(sum, count), step| (sum + step, count + 1.0));
        sum / count
    };
    let rough = mean(&mut steps.iter().copied().filter(|&step| step <= LONGEST_STEP_S));
    let near: Vec<f64> = steps.iter().copied().filter(|&step| step <= rough + 1.5 * unit).collect();
    let beat = mean(&mut near.iter().copied());
    let own = interval_s.iter().all(|&seconds| seconds > 0.0);
    let rounded = steps.iter().filter(|&&step| step > LONGEST_STEP_S || (step - beat).abs() <= 1.01 * unit).count();
    let square = mean(&mut near.iter().map(|step| (step - beat).powi(2)));
    let regular = rounded as f64 >= REGULAR * steps.len() as f64 && square <= REGULAR_SQUARE * unit * unit;
    if !own && !regular {
        return None;
    }
    let step_of = |at: usize| if own { interval_s[at] } else { beat };
    let mut parted: Vec<f64> = Vec::with_capacity(stamp.len());
    let mut start = 0;
    for end in 1..=stamp.len() {
        if end < stamp.len() && stamp[end] - stamp[end - 1] <= step_of(end) + 1.01 * unit {
            continue;
        }
        // The time by the beat since the run began, and how far the stamps stand from it.
        let mut by_beat = vec![0.0; end - start];
        for at in start + 1..end {
            by_beat[at - start] = by_beat[at - start - 1] + step_of(at);
        }
        let off: Vec<f64> = (start..end).map(|at| stamp[at] - by_beat[at - start]).collect();
        for at in 0..off.len() {
            let mut near: Vec<f64> = off[at.saturating_sub(STAMPS)..(at + STAMPS + 1).min(off.len())].to_vec();
            near.sort_by(f64::total_cmp);
            let quarter = near.len() / 4;
            let middle = &near[quarter..near.len() - quarter];
            let time = by_beat[at] + middle.iter().sum::<f64>() / middle.len() as f64;
            let time = time.clamp(stamp[start + at] - unit, stamp[start + at] + unit);
            let least = parted.last().map_or(f64::NEG_INFINITY, |last| last + 1e-3 * unit);
            parted.push(time.max(least));
        }
        start = end;
    }
    Some(parted)
}

/// The fixes of a stamp spread over the time to the next stamp, or over the usual step where that is shorter.
fn spread(stamp: &[f64]) -> Vec<f64> {
    let mut steps: Vec<f64> = stamp.windows(2).map(|pair| pair[1] - pair[0]).filter(|&step| step > 0.0).collect();
    let usual = crate::stats::robust::median_in_place(&mut steps).unwrap_or(1.0);
    let mut parted = Vec::with_capacity(stamp.len());
    let mut start = 0;
    for end in 1..=stamp.len() {
        if end < stamp.len() && stamp[end].to_bits() == stamp[start].to_bits() {
            continue;
        }
        let room = stamp.get(end).map_or(usual, |next| usual.min(next - stamp[start]));
        let count = (end - start) as f64;
        parted.extend((0..end - start).map(|k| stamp[start] + room * k as f64 / count));
        start = end;
    }
    parted
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

    fn rows(time: &[f64]) -> Vec<usize> {
        (0..time.len()).collect()
    }

    #[test]
    fn an_hour_set_back_is_moved_on() {
        let (truth, x, y) = log(3000);
        let mut time = truth.clone();
        for later in &mut time[1200..] {
            *later -= 3600.0;
        }
        assert_eq!(move_on(&rows(&time), &mut time, &x, &y, &[0; 3000]), 1);
        assert_eq!(time, truth);
    }

    #[test]
    fn a_clock_that_slips_back_by_some_seconds_is_moved_on() {
        let (truth, x, y) = log(3000);
        let mut time = truth.clone();
        for later in &mut time[1200..] {
            *later -= 47.0;
        }
        assert_eq!(move_on(&rows(&time), &mut time, &x, &y, &[0; 3000]), 1);
        assert!(time.iter().zip(&truth).all(|(found, expected)| (found - expected).abs() < 1e-6));
    }

    #[test]
    fn two_ways_at_one_time_are_one_after_the_other() {
        let (truth, x, y) = log(3000);
        let mut time = truth.clone();
        for later in &mut time[1800..] {
            *later -= 1800.0;
        }
        let mut order: Vec<u32> = (0..3000).collect();
        order.sort_by(|&a, &b| time[a as usize].total_cmp(&time[b as usize]));
        assert_eq!(untangle(&order, &mut time, &x, &y, &[0; 3000]), [0]);
        assert_eq!(time, truth);
        // what is in order stays
        let order: Vec<u32> = (0..3000).collect();
        assert!(untangle(&order, &mut time, &x, &y, &[0; 3000]).is_empty());
        // two combines under one name that never meet stay, too
        let (mut both, mut across) = (truth[..1500].to_vec(), y);
        both.extend_from_slice(&truth[..1500]);
        across[1500..].fill(400.0);
        let x: Vec<f64> = x[..1500].iter().chain(&x[..1500]).copied().collect();
        let mut order: Vec<u32> = (0..3000).collect();
        order.sort_by(|&a, &b| both[a as usize].total_cmp(&both[b as usize]));
        assert!(untangle(&order, &mut both, &x, &across, &[0; 3000]).is_empty());
    }

    #[test]
    fn a_log_in_order_or_in_another_order_stays() {
        let (truth, x, y) = log(3000);
        let mut time = truth.clone();
        assert_eq!(move_on(&rows(&time), &mut time, &x, &y, &[0; 3000]), 0);
        assert_eq!(time, truth);
        // sorted backwards: nothing can be said
        let mut backwards: Vec<f64> = truth.iter().rev().copied().collect();
        let before = backwards.clone();
        assert_eq!(move_on(&rows(&backwards), &mut backwards, &x, &y, &[0; 3000]), 0);
        assert_eq!(backwards, before);
    }

    #[test]
    fn whole_seconds_are_spread_along_the_way() {
        // two records a second, driven westward; the rows are not in the order of time, nor those of a stamp in that of driving
        let truth: Vec<f64> = (0..400).map(|at| 1.7e9 + 0.5 * f64::from(at)).collect();
        let x: Vec<f64> = (0..400).map(|at| -f64::from(at)).collect();
        let shuffled: Vec<usize> = (0..400).map(|at| (at * 147) % 400).collect();
        let pick = |values: &[f64]| shuffled.iter().map(|&at| values[at]).collect::<Vec<f64>>();
        let (truth, x) = (pick(&truth), pick(&x));
        let mut time: Vec<f64> = truth.iter().map(|time| time.floor()).collect();
        let mut order: Vec<u32> = (0..400).collect();
        order.sort_by(|&one, &other| time[one as usize].total_cmp(&time[other as usize]));
        part(&mut order, &mut time, (&x, &vec![0.0; 400]), &vec![f64::NAN; 400], &vec![0; 400]);
        // the stamps lie a quarter of a second early on average, all alike
        let off: Vec<f64> = time.iter().zip(&truth).map(|(time, truth)| time - truth + 0.25).collect();
        assert!(off.iter().all(|off| off.abs() < 0.13), "{off:?}");
        assert!(order.windows(2).all(|pair| x[pair[0] as usize] > x[pair[1] as usize]));
    }

    /// A record a second, its moments uneven by some tenths, stamped with whole seconds.
    #[test]
    fn rounded_stamps_come_back_to_the_beat_of_the_log() {
        let uneven = |at: u32| 0.35 * (f64::from(at) * 2.399).sin();
        let truth: Vec<f64> = (0..900).map(|at| 1.7e9 + 0.2 + 1.003 * f64::from(at) + uneven(at)).collect();
        let x: Vec<f64> = truth.iter().map(|time| 2.0 * (time - 1.7e9)).collect();
        let mut time: Vec<f64> = truth.iter().map(|time| time.round()).collect();
        let shared = time.windows(2).filter(|pair| pair[0].to_bits() == pair[1].to_bits()).count();
        assert!(shared > 90, "{shared}");
        let mut order: Vec<u32> = (0..900).collect();
        part(&mut order, &mut time, (&x, &vec![0.0; 900]), &vec![f64::NAN; 900], &vec![0; 900]);
        let worst = time.iter().zip(&truth).map(|(time, truth)| (time - truth).abs()).fold(0.0, f64::max);
        assert!(worst < 0.6, "{worst}");
        assert!(time.windows(2).all(|pair| (pair[1] - pair[0] - 1.0).abs() < 0.25));
        assert_eq!(order, (0..900).collect::<Vec<u32>>());
    }

    #[test]
    fn one_wrong_stamp_is_mended_and_moves_no_other() {
        let x: Vec<f64> = (0..400).map(|at| 2.0 * f64::from(at)).collect();
        let truth: Vec<f64> = (0..400).map(f64::from).collect();
        let mut time = truth.clone();
        time[200] = time[199];
        let mut order: Vec<u32> = (0..400).collect();
        part(&mut order, &mut time, (&x, &vec![0.0; 400]), &vec![f64::NAN; 400], &vec![0; 400]);
        assert!(time.iter().zip(&truth).all(|(time, truth)| (time - truth).abs() < 1e-6));
    }

    #[test]
    fn an_uneven_log_is_spread_to_the_next_stamp() {
        // steps of 1 to 4 s; one stamp carries two places
        let mut truth = vec![0.0];
        for at in 1..300 {
            truth.push(truth[at - 1] + [1.0, 4.0, 2.0, 3.0][at % 4]);
        }
        let x: Vec<f64> = truth.iter().map(|time| 2.0 * time).collect();
        let mut time = truth.clone();
        time[101] = time[100];
        let mut order: Vec<u32> = (0..300).collect();
        part(&mut order, &mut time, (&x, &vec![0.0; 300]), &vec![f64::NAN; 300], &vec![0; 300]);
        for at in (0..300).filter(|&at| at != 101) {
            assert!((time[at] - truth[at]).abs() < 1e-9);
        }
        assert!(time[101] > time[100] && time[101] < time[102]);
    }

    #[test]
    fn two_machines_one_after_the_other_are_no_set_back() {
        let (mut time, x, y) = log(3000);
        for at in 1500..3000 {
            time[at] -= 1500.0;
        }
        let before = time.clone();
        let machine: Vec<u32> = (0..3000).map(|at| u32::from(at >= 1500)).collect();
        assert_eq!(move_on(&rows(&time), &mut time, &x, &y, &machine), 0);
        assert_eq!(time, before);
    }
}
