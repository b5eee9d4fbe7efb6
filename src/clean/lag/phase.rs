//! A second opinion on the lag: phase correlation of the passes driven one way with those driven the other.
//!
//! Where the lag is not taken off, grain cut on the way up lies too far up by speed × lag, and grain cut on the way down too
//! far down by as much. Each pass is held against its neighbours of the other direction, the cross spectra are summed over
//! the field, and the phase alone tells the shift. Lee, Sudduth, Drummond, Chung & Myers 2012, Trans. ASABE 55:743–752.
//!
//! It shares nothing with the matching of profiles but the records: no robust loss, no choice of a lag by a curve.

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

use super::LagCase;
use crate::clean::passes::{self, Pass};
use crate::clean::track::{Track, folded};
use crate::stats::robust;

/// Cell along the passes, m.
const CELL_M: f64 = 3.0;
/// Shorter waves tell more of noise and mixing than of the ground, m.
const SHORTEST_WAVE_M: f64 = 60.0;
/// Shortest pass that counts, m.
const LEAST_PASS_M: f64 = 120.0;
/// Left out at both ends of a pass, s.
const TRIM_S: f64 = 20.0;
/// Fewest comparisons of a pass with its neighbours.
const LEAST_ROWS: usize = 6;
/// Passes farther apart are no neighbours, swaths.
const NEIGHBOUR_SWATHS: f64 = 1.6;
/// The peak must stand this far above the rest (common practice, no source).
const LEAST_PEAK: f64 = 4.0;
/// Most rounds of shifting and correlating, and what is nothing left to shift, s.
const ROUNDS: usize = 6;
/// Where to begin, from the usual lag, s; and how near the ends must be to each other.
const STARTS_S: [f64; 2] = [-4.0, 3.0];
const SAME_S: f64 = 0.4;
const CLOSE_S: f64 = 0.1;
/// Mass by the way beyond this deviation from the pass's median is cut off.
const CLIP: f64 = 0.5;

/// One pass as a profile along the axis.
struct Profile {
    up: bool,
    across_m: f64,
    /// First cell and the values from there; NaN where there are none.
    first: i64,
    values: Vec<f64>,
}

/// The lag of a track in seconds, or `None` where the field has no axis, too few opposing neighbours, or no clear peak.
///
/// The window at the ends of the passes draws a shift towards none. So the passes are shifted by what was found and
/// correlated again, until nothing is left to shift, from a start below and one above the usual lag; only where both end at
/// the same lag is it one.
pub(super) fn lag_s(case: LagCase<'_>, track: usize) -> Option<f64> {
    let LagCase { records, tracks, passes, .. } = case;
    if !records.channels.time {
        return None;
    }
    let own: Vec<Pass> = passes.iter().filter(|pass| pass.track == track).cloned().collect();
    let axis = passes::axis(tracks, &own)?;
    let found = STARTS_S.map(|start| settled(case, &tracks[track], &own, axis, super::usual_s(case) + start));
    let [Some(one), Some(other)] = found else { return None };
    ((one - other).abs() <= SAME_S).then_some(f64::midpoint(one, other))
}

/// Where shifting and correlating ends that began at `lag_s`.
fn settled(case: LagCase<'_>, track: &Track, own: &[Pass], axis_rad: f64, mut lag_s: f64) -> Option<f64> {
    for _ in 0..ROUNDS {
        let left_s = residual_s(case, track, own, axis_rad, lag_s)?;
        lag_s += left_s;
        if !(case.settings.lag_from_s..=case.settings.lag_to_s).contains(&lag_s) {
            return None;
        }
        if left_s.abs() < CLOSE_S {
            return Some(lag_s);
        }
    }
    None
}

/// The lag that is left when the grain has been put where it was cut `lag_s` before.
fn residual_s(case: LagCase<'_>, track: &Track, own: &[Pass], axis_rad: f64, lag_s: f64) -> Option<f64> {
    let LagCase { swath_m, settings, .. } = case;
    let mut profiles: Vec<Profile> =
        own.iter().filter_map(|pass| profile(case, track, pass, axis_rad, lag_s)).collect();
    profiles.sort_by(|one, other| one.across_m.total_cmp(&other.across_m));
    let (first, last) = profiles.iter().fold((i64::MAX, i64::MIN), |(first, last), one| {
        (first.min(one.first), last.max(one.first + signed(one.values.len())))
    });
    let cells = usize::try_from(last.checked_sub(first)?).ok()?;
    // as much again, so that the ends do not meet
    let size = (2 * cells).next_power_of_two();
    let mut planner = FftPlanner::new();
    let forward = planner.plan_fft_forward(size);
    let mut sum = vec![Complex::new(0.0, 0.0); size];
    let mut rows = 0;
    for at in 0..profiles.len() {
        let near = |other: usize| {
            profiles.get(other).filter(|other| {
                other.up != profiles[at].up
                    && (other.across_m - profiles[at].across_m).abs() <= NEIGHBOUR_SWATHS * swath_m
            })
        };
        let beside: Vec<&Profile> = [at.checked_sub(1), Some(at + 1)].into_iter().flatten().filter_map(near).collect();
        if beside.is_empty() {
            continue;
        }
        let mut own = laid_out(&[&profiles[at]], first, size);
        let mut other = laid_out(&beside, first, size);
        forward.process(&mut own);
        forward.process(&mut other);
        let (up, down) = if profiles[at].up { (own, other) } else { (other, own) };
        for (sum, (up, down)) in sum.iter_mut().zip(up.iter().zip(&down)) {
            *sum += up * down.conj();
        }
        rows += 1;
    }
    if rows < LEAST_ROWS {
        return None;
    }
    let length_m = size as f64 * CELL_M;
    for (k, value) in sum.iter_mut().enumerate() {
        let wave_m = length_m / k.min(size - k).max(1) as f64;
        let norm = value.norm();
        let kept = if k == 0 || norm <= 0.0 { 0.0 } else { (-(SHORTEST_WAVE_M / wave_m).powi(2)).exp() / norm };
        *value *= kept;
    }
    planner.plan_fft_inverse(size).process(&mut sum);
    let speeds: Vec<f64> = own.iter().map(|pass| pass.length_m / (pass.end_s - pass.start_s).max(1.0)).collect();
    let speed = robust::median(&speeds).ok()?;
    let at = |shift: i64| sum[shift.rem_euclid(signed(size)) as usize].re;
    let reach = (2.0 * speed * (settings.lag_to_s - settings.lag_from_s) / CELL_M) as i64;
    let peak = (-reach..=reach).max_by(|&one, &other| at(one).total_cmp(&at(other)))?;
    let rms = (sum.iter().map(|value| value.re * value.re).sum::<f64>() / size as f64).sqrt();
    if at(peak) < LEAST_PEAK * rms {
        return None;
    }
    let (before, top, after) = (at(peak - 1), at(peak), at(peak + 1));
    let shift = peak as f64 + 0.5 * (before - after) / (before - 2.0 * top + after);
    Some(shift * CELL_M / (2.0 * speed))
}

fn signed(count: usize) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

/// The mass by the way along a pass, where it was cut `lag_s` before; `None` for a short or an oblique pass.
fn profile(case: LagCase<'_>, track: &Track, pass: &Pass, axis_rad: f64, lag_s: f64) -> Option<Profile> {
    let records = case.records;
    if pass.length_m < LEAST_PASS_M {
        return None;
    }
    let span = |values: &[f64]| values[pass.last] - values[pass.first];
    let course = span(&track.x_m).atan2(span(&track.y_m));
    let off = folded(course - axis_rad).abs();
    let oblique_rad = 20_f64.to_radians();
    let up = off < oblique_rad;
    if !up && off < std::f64::consts::PI - oblique_rad {
        return None;
    }
    let (sine, cosine) = axis_rad.sin_cos();
    let (from_s, to_s) = (pass.start_s + TRIM_S, pass.end_s - TRIM_S);
    let begin = track.time_s.partition_point(|&time| time < from_s + lag_s);
    let (mut hint, mut hint_before) = (pass.first, pass.first);
    let rows: Vec<(f64, f64)> = (begin..track.len())
        .take_while(|&fix| track.time_s[fix] <= to_s + lag_s)
        .filter_map(|fix| {
            let at = track.row[fix] as usize;
            if case.faulty[at] {
                return None;
            }
            let cut_s = track.time_s[fix] - lag_s;
            let before = track.place_at(cut_s - records.interval_s[at], &mut hint_before)?;
            let place = track.place_at(cut_s, &mut hint)?;
            let way = track.between(&track.path_m, place) - track.between(&track.path_m, before);
            let by_way = records.mass_kg[at] / way;
            let (x, y) = (track.between(&track.x_m, place), track.between(&track.y_m, place));
            by_way.is_finite().then_some((x * sine + y * cosine, by_way))
        })
        .collect();
    let masses: Vec<f64> = rows.iter().map(|row| row.1).collect();
    let usual = robust::median(&masses).ok().filter(|&usual| usual > 0.0)?;
    let cell = |along: f64| (along / CELL_M).floor() as i64;
    let first = rows.iter().map(|row| cell(row.0)).min()?;
    let last = rows.iter().map(|row| cell(row.0)).max()?;
    let mut sums = vec![(0.0, 0.0); usize::try_from(last - first).ok()? + 1];
    for &(along, mass) in &rows {
        let sum = &mut sums[(cell(along) - first) as usize];
        sum.0 += (mass / usual - 1.0).clamp(-CLIP, CLIP);
        sum.1 += 1.0;
    }
    let mut values: Vec<f64> =
        sums.iter().map(|&(sum, count)| if count > 0.0 { sum / count } else { f64::NAN }).collect();
    let known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    let mean = known.iter().sum::<f64>() / known.len() as f64;
    let count = values.len() as f64;
    for (at, value) in values.iter_mut().enumerate() {
        // Hann's window
        let window = (std::f64::consts::PI * (at as f64 + 0.5) / count).sin().powi(2);
        *value = (*value - mean) * window;
    }
    let middle = usize::midpoint(pass.first, pass.last);
    let across_m = track.x_m[middle] * cosine - track.y_m[middle] * sine;
    Some(Profile { up, across_m, first, values })
}

/// The mean of some profiles on the cells of the field.
fn laid_out(profiles: &[&Profile], first: i64, size: usize) -> Vec<Complex<f64>> {
    let mut cells = vec![Complex::new(0.0, 0.0); size];
    for profile in profiles {
        for (at, value) in profile.values.iter().enumerate().filter(|(_, value)| value.is_finite()) {
            cells[(profile.first - first) as usize + at].re += value / profiles.len() as f64;
        }
    }
    cells
}
