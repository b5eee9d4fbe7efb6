//! Flow that no machine can show.

use crate::clean::sensor::NOTHING;
use crate::config::CleanSettings;
use crate::points::{Family, Mark, Reasons, Records};
use crate::stats::robust;

/// Marks the flow.
///
/// A zero that the sensor did not make (see [`crate::clean::sensor`]) is data: drowned ground. Returns where it is so.
pub(crate) fn mark(records: &Records, faulty: &[bool], settings: &CleanSettings, marks: &mut [Reasons]) -> Vec<bool> {
    let flow: Vec<f64> =
        records.mass_kg.iter().zip(&records.interval_s).map(|(mass, interval)| mass / interval).collect();
    // A flow that was derived from assumed numbers has no upper limit; and a spike is a spike wherever else the record fails.
    let most = if Mark::FlowRange.can_run(&records.channels) { settings.flow_most_kg_s } else { f64::INFINITY };
    for (at, mark) in marks.iter_mut().enumerate() {
        if mark.first().is_none_or(|first| first.rule().family != Family::Fix)
            && (faulty[at] || !(0.0..=most).contains(&flow[at]))
        {
            mark.add(Mark::FlowRange);
        }
    }
    bare_ground(&flow, marks)
}

/// Which records show zeros that are the ground's: those of the sensor are marked by now.
fn bare_ground(flow: &[f64], marks: &[Reasons]) -> Vec<bool> {
    let mut usual: Vec<f64> =
        (0..flow.len()).filter(|&at| marks[at].is_empty()).map(|at| flow[at]).filter(|&value| value > 0.0).collect();
    let nothing = NOTHING * robust::median_in_place(&mut usual).unwrap_or(0.0);
    (0..flow.len()).map(|at| marks[at].is_empty() && flow[at] <= nothing).collect()
}
