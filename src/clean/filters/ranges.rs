//! Flow and moisture that no machine or crop can show.

use crate::clean::ground::Ground;
use crate::clean::track::Track;
use crate::config::{CleanSettings, CropSettings};
use crate::points::{Mark, Reasons, Records};
use crate::stats::robust;

/// Share of the usual flow below which there is no flow.
const NOTHING: f64 = 0.02;

/// Marks flow and moisture.
///
/// A zero with the header down is data when it lasts (a drowned spot): mixing lets the flow fall to nothing only
/// slowly, so a zero that comes and goes within seconds is a drop-out of the sensor.
pub(crate) fn mark(
    records: &Records,
    tracks: &[Track],
    ground: &Ground,
    crop: &CropSettings,
    settings: &CleanSettings,
    marks: &mut [Reasons],
) -> Vec<bool> {
    let flow: Vec<f64> =
        records.mass_kg.iter().zip(&records.interval_s).map(|(mass, interval)| mass / interval).collect();
    // A flow that was derived from assumed numbers has no upper limit; and a spike is a spike wherever else the record fails.
    let most = if Mark::FlowRange.can_run(&records.channels) { settings.flow_most_kg_s } else { f64::INFINITY };
    for (at, mark) in marks.iter_mut().enumerate() {
        if mark.first().is_none_or(|first| first > Mark::PositionJump) && !(0.0..=most).contains(&flow[at]) {
            mark.add(Mark::FlowRange);
        }
    }
    let bare = bare_ground(records, tracks, ground, &flow, marks);
    let (least, most) = crop.plausible_moisture_pct;
    for (at, mark) in marks.iter_mut().enumerate() {
        if mark.is_empty()
            && !(least..=most).contains(&ground.moisture_pct[at])
            && Mark::MoistureRange.can_run(&records.channels)
        {
            mark.add(Mark::MoistureRange);
        }
    }
    bare
}

/// Which records show lasting zeros; those of drop-outs are marked.
fn bare_ground(records: &Records, tracks: &[Track], ground: &Ground, flow: &[f64], marks: &mut [Reasons]) -> Vec<bool> {
    let mut usual: Vec<f64> =
        (0..flow.len()).filter(|&at| marks[at].is_empty()).map(|at| flow[at]).filter(|&value| value > 0.0).collect();
    let nothing = NOTHING * robust::median_in_place(&mut usual).unwrap_or(0.0);
    let mut bare = vec![false; flow.len()];
    for track in tracks {
        let rows = track.rows.clone();
        let mut start = rows.start;
        while start < rows.end {
            let empty = |at: usize| flow[at] <= nothing && ground.pass[at] == ground.pass[start];
            if !marks[start].is_empty() || !empty(start) {
                start += 1;
                continue;
            }
            let end = (start..rows.end).find(|&at| !empty(at) || !marks[at].is_empty()).unwrap_or(rows.end);
            let lasts_s = records.time_s[end - 1] - records.time_s[start] + records.interval_s[start];
            let lasting = lasts_s >= ground.lag_s[start].abs().max(5.0) || !records.channels.time;
            for at in start..end {
                if lasting {
                    bare[at] = true;
                } else {
                    marks[at].add(Mark::FlowRange);
                }
            }
            start = end;
        }
    }
    bare
}
