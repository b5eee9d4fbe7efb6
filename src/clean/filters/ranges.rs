//! Flow and moisture that no machine or crop can show.

use crate::clean::ground::Ground;
use crate::clean::track::Track;
use crate::config::{CleanSettings, CropSettings};
use crate::points::{Mark, Records};
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
    marks: &mut [Option<Mark>],
) -> Vec<bool> {
    let flow: Vec<f64> =
        records.mass_kg.iter().zip(&records.interval_s).map(|(mass, interval)| mass / interval).collect();
    let within = 0.0..=settings.flow_most_kg_s;
    for (at, mark) in marks.iter_mut().enumerate() {
        if mark.is_none() && !within.contains(&flow[at]) {
            *mark = Some(Mark::FlowRange);
        }
    }
    let bare = bare_ground(records, tracks, ground, &flow, marks);
    let (least, most) = crop.plausible_moisture_pct;
    for (at, mark) in marks.iter_mut().enumerate() {
        if mark.is_none() && !(least..=most).contains(&ground.moisture_pct[at]) && records.channels.moisture {
            *mark = Some(Mark::MoistureRange);
        }
    }
    bare
}

/// Which records show lasting zeros; those of drop-outs are marked.
fn bare_ground(
    records: &Records,
    tracks: &[Track],
    ground: &Ground,
    flow: &[f64],
    marks: &mut [Option<Mark>],
) -> Vec<bool> {
    let mut usual: Vec<f64> =
        (0..flow.len()).filter(|&at| marks[at].is_none()).map(|at| flow[at]).filter(|&value| value > 0.0).collect();
    let nothing = NOTHING * robust::median_in_place(&mut usual).unwrap_or(0.0);
    let mut bare = vec![false; flow.len()];
    for track in tracks {
        let rows = track.rows.clone();
        let mut start = rows.start;
        while start < rows.end {
            let empty = |at: usize| flow[at] <= nothing && ground.pass[at] == ground.pass[start];
            if marks[start].is_some() || !empty(start) {
                start += 1;
                continue;
            }
            let end = (start..rows.end).find(|&at| !empty(at) || marks[at].is_some()).unwrap_or(rows.end);
            let lasts_s = records.time_s[end - 1] - records.time_s[start] + records.interval_s[start];
            let lasting = lasts_s >= ground.lag_s[start].abs().max(5.0) || !records.channels.time;
            for at in start..end {
                if lasting {
                    bare[at] = true;
                } else {
                    marks[at] = Some(Mark::FlowRange);
                }
            }
            start = end;
        }
    }
    bare
}
