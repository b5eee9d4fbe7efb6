//! Moisture readings that froze: the sensor holds one value while the grain goes by.
//!
//! A held value differs from a sensor that reads in batches, or in coarse steps, by its length: many times what this
//! sensor usually repeats itself. Held readings are replaced by the median of the other readings of their pass.

use super::track::{Doing, Track};
use crate::points::{Caution, Cautions, Records};
use crate::stats::robust;

/// Shortest time for which a value is held, s (common practice, no source).
const LEAST_S: f64 = 45.0;
/// The same in multiples of the usual repetition.
const TIMES_USUAL: f64 = 8.0;
/// Share of held readings that is reported.
const TOLD_SHARE: f64 = 0.01;

/// The readings with held ones replaced, in the order of the records.
pub(super) fn thawed(records: &Records, tracks: &[Track], cautions: &mut Cautions) -> Vec<f64> {
    let mut readings = records.moisture_pct.clone();
    if !records.channels.moisture || !records.channels.time {
        return readings;
    }
    let mut frozen = 0_usize;
    for track in tracks {
        let runs = runs(records, track);
        let mut lengths: Vec<f64> = runs.iter().map(|&(from, to)| (to - from) as f64).collect();
        let Ok(usual) = robust::median_in_place(&mut lengths) else { continue };
        let held: Vec<(usize, usize)> = runs
            .into_iter()
            .filter(|&(from, to)| {
                let seconds = track.time_s[to - 1] - track.time_s[from];
                seconds >= LEAST_S && (to - from) as f64 >= TIMES_USUAL * usual
            })
            .collect();
        let mut is_held = vec![false; track.len()];
        for &(from, to) in &held {
            is_held[from..to].fill(true);
        }
        for &(from, to) in &held {
            // The first reading of a run was still a reading.
            for fix in from + 1..to {
                if let Some(median) = pass_median(records, track, &is_held, fix) {
                    readings[track.row[fix] as usize] = median;
                    frozen += 1;
                }
            }
        }
    }
    let share = frozen as f64 / records.len().max(1) as f64;
    if share > TOLD_SHARE {
        cautions.add(Caution::MoistureFrozen, format!("{:.0} % of the records", 100.0 * share));
    }
    lend(records, tracks, &mut readings, cautions);
    readings
}

/// Gives a combine that never read a moisture the median of the others' readings.
fn lend(records: &Records, tracks: &[Track], readings: &mut [f64], cautions: &mut Cautions) {
    let reads = |track: &Track| track.rows.clone().any(|at| records.moisture_pct[at].is_finite());
    let mut known: Vec<f64> = readings.iter().copied().filter(|reading| reading.is_finite()).collect();
    let Ok(median) = robust::median_in_place(&mut known) else { return };
    for track in tracks.iter().filter(|track| !track.rows.is_empty() && !reads(track)) {
        readings[track.rows.clone()].fill(median);
        let machine = records.machine.get(track.rows.start).unwrap_or_default();
        cautions.add(Caution::MoistureAssumed, format!("{machine}: {median:.1} %"));
    }
}

/// Runs of equal readings while cutting, as ranges of fixes.
fn runs(records: &Records, track: &Track) -> Vec<(usize, usize)> {
    let reading = |fix: usize| records.moisture_pct[track.row[fix] as usize];
    let cutting = |fix: usize| matches!(track.doing[fix], Doing::Cutting(_));
    let mut runs = Vec::new();
    let mut from = 0;
    for fix in 1..=track.len() {
        let goes_on = fix < track.len()
            && cutting(fix)
            && reading(fix).to_bits() == reading(from).to_bits()
            && !track.gap_before[fix];
        if !goes_on {
            if cutting(from) {
                runs.push((from, fix));
            }
            from = fix;
        }
    }
    runs
}

/// The median of the readings of a fix's pass that are not held.
fn pass_median(records: &Records, track: &Track, is_held: &[bool], fix: usize) -> Option<f64> {
    let pass = track.doing[fix];
    let mut values: Vec<f64> = Vec::new();
    let mut take = |at: usize| {
        let reading = records.moisture_pct[track.row[at] as usize];
        if !is_held[at] && reading.is_finite() {
            values.push(reading);
        }
    };
    (0..fix).rev().take_while(|&at| track.doing[at] == pass).for_each(&mut take);
    (fix..track.len()).take_while(|&at| track.doing[at] == pass).for_each(&mut take);
    robust::median_in_place(&mut values).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{FaultPlan, InjectedFault, Scenario, simulate};
    use crate::points::Reasons;

    #[test]
    fn held_readings_are_replaced_and_sound_ones_stay() {
        let mut scenario = Scenario::trial(7, 4, 400.0, [0.0; 3]);
        scenario.faults = FaultPlan { stuck_moisture: 2, ..FaultPlan::default() };
        let done = simulate(&scenario);
        let records = done.to_records(&scenario);
        let marks = vec![Reasons::default(); records.len()];
        let mut tracks = Track::all(&records, &marks);
        crate::clean::passes::find(&records, &crate::config::CleanSettings::default(), &mut tracks);
        let mut cautions = Cautions::default();
        let readings = thawed(&records, &tracks, &mut cautions);
        let (mut changed, mut stuck_changed) = (0, 0);
        for at in 0..records.len() {
            if (readings[at] - records.moisture_pct[at]).abs() > 0.0 {
                changed += 1;
                let fault = done.truth[records.row[at] as usize - 1].fault;
                stuck_changed += usize::from(fault == Some(InjectedFault::StuckMoisture));
            }
        }
        assert!(stuck_changed > 60, "{stuck_changed}");
        assert_eq!(changed, stuck_changed, "a sound reading was replaced");
    }
}
