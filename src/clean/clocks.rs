//! Whether the clocks of several combines agree.
//!
//! One combine's own track needs no other clock. Only the question who cut a piece of ground first does.

use super::passes::Pass;
use super::track::{Doing, Track};
use crate::points::Labels;

/// Two combines cannot cut nearer than this share of a swath to each other.
const TOO_NEAR: f64 = 0.4;
/// Seconds of such nearness that are no error of a position.
const LEAST_S: f64 = 10.0;
/// Tolerance within which two differences are the same whole number of hours, s.
const WHOLE_HOUR_S: f64 = 300.0;

/// Why the clocks cannot all be right: two combines at one place at one time, or a day's work that begins and ends whole hours
/// apart.
pub(super) fn disagreement(machine: &Labels, tracks: &[Track], passes: &[Pass], swath_m: f64) -> Option<String> {
    for (one, track) in tracks.iter().enumerate() {
        for (other, second) in tracks.iter().enumerate().skip(one + 1) {
            let name = |track: &Track| machine.name(track.machine);
            let together_s = together_s(track, second, TOO_NEAR * swath_m);
            if together_s >= LEAST_S {
                return Some(format!(
                    "{} and {} at one place at one time for {together_s:.0} s",
                    name(track),
                    name(second)
                ));
            }
            let (Some(first), Some(then)) = (span(one, passes), span(other, passes)) else { continue };
            let (begun, ended) = (then.0 - first.0, then.1 - first.1);
            let hours = (begun / 3600.0).round();
            let whole = |seconds: f64| (seconds - 3600.0 * hours).abs() <= WHOLE_HOUR_S;
            if hours.abs() > 0.5 && whole(begun) && whole(ended) {
                return Some(format!(
                    "{} began and ended {} h {} {}",
                    name(second),
                    hours.abs(),
                    if hours > 0.0 { "after" } else { "before" },
                    name(track)
                ));
            }
        }
    }
    None
}

/// First and last moment of cutting.
fn span(track: usize, passes: &[Pass]) -> Option<(f64, f64)> {
    passes.iter().filter(|pass| pass.track == track).fold(None, |span: Option<(f64, f64)>, pass| {
        Some(span.map_or((pass.start_s, pass.end_s), |(from, to)| (from.min(pass.start_s), to.max(pass.end_s))))
    })
}

fn together_s(one: &Track, other: &Track, nearer_m: f64) -> f64 {
    let cutting = |doing: Doing| matches!(doing, Doing::Cutting(_));
    let mut hint = 0;
    let mut seconds = 0.0;
    for fix in 0..one.len() {
        if !cutting(one.doing[fix]) {
            continue;
        }
        let Some(place) = other.place_at(one.time_s[fix], &mut hint) else { continue };
        let (x, y) = (other.between(&other.x_m, place), other.between(&other.y_m, place));
        let near = (x - one.x_m[fix]).hypot(y - one.y_m[fix]) < nearer_m;
        if near && other.doing_at(place).is_some_and(cutting) {
            seconds += one.step_s;
        }
    }
    seconds
}
