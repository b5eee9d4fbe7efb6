//! The lag from the edges of the passes: grain starts to arrive one lag after the header enters the crop, and one lag after it
//! leaves it none arrives any more.
//!
//! Where a pass begins and ends is known only to some seconds: the header goes down before the crop, ends are cut at an angle, a turn
//! runs into the pass. What makes a start early makes an end late by much the same, so that the mean of both is kept. Good enough
//! where passes side by side tell nothing (all in one direction), not to call a lag estimated. Common practice, no source.

use crate::clean::passes::Pass;
use crate::clean::track::Track;
use crate::points::{Records, Source, Sourced};
use crate::stats::robust;

use super::LEAST_PASS_S;

/// Looked at before and after an edge, s.
const BEFORE_S: f64 = 15.0;
const AFTER_S: f64 = 45.0;
/// The edge is where the flow crosses this share of the pass's usual one.
const HALF: f64 = 0.5;
/// Fixes on the far side of a crossing that must agree with it.
const LASTING: usize = 3;
/// Fewest passes with both edges.
const LEAST_PASSES: usize = 5;
/// What both edges of all passes have in common and no number of passes tells, s (ours: benches/messy.rs).
const COMMON_S: f64 = 1.5;

/// The lag of a track as its edges tell it, or nothing; not called estimated.
pub(super) fn estimate(
    (records, faulty): (&Records, &[bool]),
    track: &Track,
    passes: &[Pass],
    number: usize,
) -> Option<Sourced> {
    let flow = |fix: usize| {
        let at = track.row[fix] as usize;
        if faulty[at] { f64::NAN } else { records.mass_kg[at] / records.interval_s[at] }
    };
    let long = passes.iter().filter(|pass| pass.track == number && pass.end_s - pass.start_s >= LEAST_PASS_S);
    let mut lags: Vec<f64> = long
        .filter_map(|pass| {
            let inside = pass.first..=pass.last;
            let mut usual: Vec<f64> = inside.map(flow).filter(|flow| flow.is_finite()).collect();
            let half = HALF * robust::median_in_place(&mut usual).ok()?;
            let rise = crossing(track, pass.start_s, |fix| flow(fix) >= half)?;
            let fall = crossing(track, pass.end_s, |fix| flow(fix) < half)?;
            Some(0.5 * (rise - pass.start_s + fall - pass.end_s))
        })
        .collect();
    if lags.len() < LEAST_PASSES {
        return None;
    }
    let count = lags.len() as f64;
    let value = robust::median_in_place(&mut lags).ok()?;
    let mut sizes: Vec<f64> = lags.iter().map(|lag| (lag - value).abs()).collect();
    let spread = robust::MAD_CONSISTENCY * robust::median_in_place(&mut sizes).ok()?;
    let std_error = Some((1.25 * spread / count.sqrt()).hypot(COMMON_S));
    Some(Sourced { value, source: Source::Assumed, std_error })
}

/// The moment around an edge when the flow passes to a side and stays there; nothing where a gap hides it, or where no fix before
/// lies on the other side.
fn crossing(track: &Track, edge_s: f64, on_side: impl Fn(usize) -> bool) -> Option<f64> {
    let from = track.time_s.partition_point(|&time| time < edge_s - BEFORE_S);
    let to = track.time_s.partition_point(|&time| time <= edge_s + AFTER_S);
    let mut fix = from;
    // a start is looked for from a fix on the other side
    while fix < to && on_side(fix) {
        fix += 1;
    }
    let crossed = (fix + 1..to).find(|&fix| (fix..fix + LASTING).all(|fix| fix < track.len() && on_side(fix)))?;
    if track.gap_before[fix + 1..=crossed].contains(&true) {
        return None;
    }
    Some(0.5 * (track.time_s[crossed - 1] + track.time_s[crossed]))
}
