//! Zero drift: flow that the monitor shows when no grain can flow.
//!
//! *When it harms*: while grain of the last pass is still on its way, flow with the header raised is real. So only records long
//! after the last cut count, and only where they agree with each other.

use super::track::{Doing, Track};
use crate::points::{Caution, Cautions, Header, Records};
use crate::stats::robust;

/// Seconds after the last cut by which the machine is empty (common practice, no source).
const EMPTY_AFTER_S: f64 = 45.0;
/// Fewest records that tell.
const LEAST_RECORDS: usize = 30;
/// The drift is stable where its robust standard deviation is at most this share of it.
const STABLE: f64 = 0.5;
/// Drift below this share of the usual flow is left alone.
const LEAST_SHARE: f64 = 0.005;

/// Flow by machine code to be taken off, kg/s; 0 where none is found.
pub(super) fn drift_kg_s(records: &Records, tracks: &[Track], cautions: &mut Cautions) -> Vec<f64> {
    let mut drift = vec![0.0; records.machine.names.len()];
    if !(records.channels.flow && records.channels.time && records.channels.header) {
        return drift;
    }
    let flow = |at: usize| records.mass_kg[at] / records.interval_s[at];
    for track in tracks {
        let (mut idle, mut working) = (Vec::new(), Vec::new());
        let mut last_cut = f64::NEG_INFINITY;
        for (fix, &row) in track.row.iter().enumerate() {
            let at = row as usize;
            let cutting = matches!(track.doing[fix], Doing::Cutting(_));
            if cutting || records.header[at] != Header::Up {
                last_cut = track.time_s[fix];
            }
            if cutting {
                working.push(flow(at));
            } else if track.time_s[fix] - last_cut >= EMPTY_AFTER_S && flow(at).is_finite() {
                idle.push(flow(at));
            }
        }
        working.retain(|flow| flow.is_finite());
        if idle.len() < LEAST_RECORDS {
            continue;
        }
        let (Ok(found), Ok(spread), Ok(usual)) =
            (robust::median(&idle), robust::mad(&idle), robust::median_in_place(&mut working))
        else {
            continue;
        };
        if found > LEAST_SHARE * usual && spread <= STABLE * found {
            drift[track.machine as usize] = found;
            let name = records.machine.name(track.machine);
            cautions.add(Caution::ZeroDrift, format!("{name}: {found:.2} kg/s with the header raised, taken off"));
        }
    }
    drift
}
