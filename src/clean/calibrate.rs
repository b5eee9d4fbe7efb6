//! One gain from the scale tickets.
//!
//! All mass that went into a load counts, marked or not: the grain went into the truck. A gain for each load would
//! carry the ticket's noise into the response, so there is one for the site-year.

use crate::config::CropSettings;
use crate::points::{Caution, Cautions, Mark, Records, Sourced, Ticket};
use crate::quantity::dry_factor;
use crate::stats::robust;

/// With this many loads the median ratio is taken instead of the ratio of sums.
const LOADS_FOR_MEDIAN: usize = 4;
/// Loads for a moisture correction.
const LOADS_FOR_MOISTURE: usize = 3;
/// Scatter of the loads' ratios beyond which a gain does not mend them (calibrated monitors show 1 to 3 %; common
/// practice, no source).
const MOST_SCATTER: f64 = 0.05;

/// What the tickets tell.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Calibration {
    pub(crate) gain: Sourced,
    /// Added to the moistures, points.
    pub(crate) moisture_bias_pct: f64,
}

/// Compares the tickets with what the monitor weighed; `factor` is that of each machine.
pub(crate) fn calibrate(
    records: &Records,
    moisture_pct: &[f64],
    marks: &[Option<Mark>],
    factor: &[f64],
    tickets: &[Ticket],
    crop: &CropSettings,
    cautions: &mut Cautions,
) -> Option<Calibration> {
    // Loads: (weighed, monitored, moisture difference), masses at market moisture.
    let mut loads: Vec<(f64, f64)> = Vec::new();
    let mut moisture: Vec<f64> = Vec::new();
    for ticket in tickets {
        let (mut wet, mut dry, mut water) = (0.0, 0.0, 0.0);
        for at in 0..records.len() {
            let counted = !matches!(marks[at], Some(Mark::Duplicate | Mark::FlowRange));
            if !counted || !belongs(records, ticket, at) {
                continue;
            }
            let mass = records.mass_kg[at] * factor[records.machine.codes[at] as usize];
            if mass.is_finite() && moisture_pct[at].is_finite() {
                wet += mass;
                dry += mass * dry_factor(moisture_pct[at], crop.market_moisture_pct);
                water += mass * moisture_pct[at];
            }
        }
        if wet <= 0.0 {
            cautions.add(Caution::TicketsDisagree, format!("load {}: the monitor has no grain for it", ticket.load));
            continue;
        }
        let monitored_pct = water / wet;
        let weighed =
            ticket.net_kg * dry_factor(ticket.moisture_pct.unwrap_or(monitored_pct), crop.market_moisture_pct);
        loads.push((weighed, dry));
        if let Some(by_scale) = ticket.moisture_pct {
            moisture.push(by_scale - monitored_pct);
        }
    }
    if loads.is_empty() {
        return None;
    }
    let count = loads.len() as f64;
    let (weighed, monitored) = loads.iter().fold((0.0, 0.0), |sums, load| (sums.0 + load.0, sums.1 + load.1));
    let mut ratios: Vec<f64> = loads.iter().map(|load| load.0 / load.1).collect();
    let gain =
        if loads.len() >= LOADS_FOR_MEDIAN { robust::median_in_place(&mut ratios).ok()? } else { weighed / monitored };
    let spread = (loads.iter().map(|load| (load.0 - gain * load.1).powi(2)).sum::<f64>() / (count - 1.0).max(1.0))
        .sqrt()
        / (monitored / count);
    if loads.len() > 1 && spread > MOST_SCATTER * gain {
        cautions.add(Caution::TicketsDisagree, format!("{:.0} % between loads", 100.0 * spread / gain));
    }
    let source =
        if loads.len() > 1 { Sourced::estimated(gain, spread / count.sqrt()) } else { Sourced::configured(gain) };
    let moisture_bias_pct =
        if moisture.len() >= LOADS_FOR_MOISTURE { robust::median_in_place(&mut moisture).unwrap_or(0.0) } else { 0.0 };
    Some(Calibration { gain: source, moisture_bias_pct })
}

fn belongs(records: &Records, ticket: &Ticket, at: usize) -> bool {
    let machine = ticket.machine.as_ref().is_none_or(|name| {
        records.machine.names.get(records.machine.codes[at] as usize).is_some_and(|found| found == name)
    });
    let time = match ticket.time_s {
        Some((from, to)) => (from..=to).contains(&records.time_s[at]),
        None => true,
    };
    let load = ticket.time_s.is_some()
        || ticket.load == "field total"
        || records.load.get(at).is_none_or(|load| load == ticket.load);
    machine && time && load
}
