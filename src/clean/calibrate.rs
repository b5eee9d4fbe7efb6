//! The level of the yields, from scale tickets.
//!
//! *Loads*: all mass that went into a load counts, marked or not: the grain went into the truck. A gain for each load would
//! carry the ticket's noise into the response, so there is one for the site-year; and an offset besides where the loads were
//! harvested at flows so different that both can be estimated.
//!
//! *Strips weighed by themselves*: the weight is the response, and the monitor only tells how it lies along the strip.

use std::collections::BTreeMap;

use crate::config::CropSettings;
use crate::points::{Caution, Cautions, Reasons, Records, Sourced, Ticket};
use crate::quantity::dry_factor;
use crate::stats::{linear, robust};
use faer::Mat;

/// With this many loads the median ratio is taken instead of the ratio of sums: of four, one that is
/// wrong does not move it far (ours).
const LOADS_FOR_MEDIAN: usize = 4;
/// Loads for a moisture correction: the fewest whose median stands when one is wrong (ours).
const LOADS_FOR_MOISTURE: usize = 3;
/// Loads for an offset, and the ratio of their greatest to their least mean flow (common practice, no source).
const LOADS_FOR_OFFSET: usize = 5;
const FLOW_RATIO_FOR_OFFSET: f64 = 1.5;
/// The offset must exceed this many of its standard errors (common practice, no source).
const CLEAR_OFFSET: f64 = 2.5;
/// Scatter of the loads' ratios beyond which a gain does not mend them (calibrated monitors show 1 to 3 %; common
/// practice, no source).
const MOST_SCATTER: f64 = 0.05;
/// A strip whose ratio is off the others' by more is reported (common practice, no source).
const MOST_STRIP_DEVIATION: f64 = 0.15;

/// What the tickets tell.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Calibration {
    pub(crate) gain: Sourced,
    /// Added for each second of threshing after the gain, kg/s of grain at market moisture.
    pub(crate) offset_kg_s: f64,
    /// Added to the moistures, points.
    pub(crate) moisture_bias_pct: f64,
}

impl Calibration {
    /// No tickets: the monitor's own level.
    pub(crate) const NONE: Self = Self { gain: Sourced::configured(1.0), offset_kg_s: 0.0, moisture_bias_pct: 0.0 };
}

/// What the monitor weighed.
#[derive(Clone, Copy)]
pub(crate) struct Weighed<'c> {
    pub(crate) records: &'c Records,
    /// Wet mass, kg.
    pub(crate) mass_kg: &'c [f64],
    pub(crate) moisture_pct: &'c [f64],
    pub(crate) marks: &'c [Reasons],
    /// Index of the strip of the ground of each record.
    pub(crate) strip: &'c [Option<u32>],
    /// Names of the strips.
    pub(crate) strip_names: &'c [String],
    /// By machine code.
    pub(crate) factor: &'c [f64],
    pub(crate) crop: &'c CropSettings,
}

/// One load: by the scale and by the monitor, kg at market moisture, and its seconds of threshing.
#[derive(Clone, Copy)]
struct Load {
    scale_kg: f64,
    monitor_kg: f64,
    threshing_s: f64,
    /// By the scale less by the monitor, points.
    moisture_difference: Option<f64>,
}

/// Compares the loads with what the monitor weighed; `None` without tickets of loads.
pub(crate) fn calibrate(weighed: Weighed<'_>, tickets: &[Ticket], cautions: &mut Cautions) -> Option<Calibration> {
    let loads = loads(weighed, tickets.iter().filter(|ticket| ticket.strip.is_none()), cautions);
    if loads.is_empty() {
        return None;
    }
    let count = loads.len() as f64;
    let sum = |pick: fn(&Load) -> f64| loads.iter().map(pick).sum::<f64>();
    let (scale, monitor) = (sum(|load| load.scale_kg), sum(|load| load.monitor_kg));
    let mut ratios: Vec<f64> = loads.iter().map(|load| load.scale_kg / load.monitor_kg).collect();
    let mut moisture: Vec<f64> = loads.iter().filter_map(|load| load.moisture_difference).collect();
    let moisture_bias_pct =
        if moisture.len() >= LOADS_FOR_MOISTURE { robust::median_in_place(&mut moisture).unwrap_or(0.0) } else { 0.0 };
    if let Some((gain, offset_kg_s)) = gain_and_offset(&loads) {
        return Some(Calibration { gain, offset_kg_s, moisture_bias_pct });
    }
    let gain =
        if loads.len() >= LOADS_FOR_MEDIAN { robust::median_in_place(&mut ratios).ok()? } else { scale / monitor };
    let residual = |load: &Load| (load.scale_kg - gain * load.monitor_kg).powi(2);
    let spread = (loads.iter().map(residual).sum::<f64>() / (count - 1.0).max(1.0)).sqrt() / (monitor / count);
    if loads.len() > 1 && spread > MOST_SCATTER * gain {
        cautions.add(Caution::TicketsDisagree, format!("{:.0} % between loads", 100.0 * spread / gain));
    }
    let gain =
        if loads.len() > 1 { Sourced::estimated(gain, spread / count.sqrt()) } else { Sourced::configured(gain) };
    Some(Calibration { gain, offset_kg_s: 0.0, moisture_bias_pct })
}

/// `scale = offset × threshing time + gain × monitor`, the scatter in proportion to the load; where there are loads enough at
/// flows different enough, and the offset is clear.
fn gain_and_offset(loads: &[Load]) -> Option<(Sourced, f64)> {
    let flow = |load: &Load| load.monitor_kg / load.threshing_s;
    let most = loads.iter().map(flow).fold(f64::NAN, f64::max);
    let least = loads.iter().map(flow).fold(f64::NAN, f64::min);
    if loads.len() < LOADS_FOR_OFFSET || !(most >= FLOW_RATIO_FOR_OFFSET * least) {
        return None;
    }
    let x = Mat::from_fn(loads.len(), 2, |row, column| if column == 0 { 1.0 } else { 1.0 / flow(&loads[row]) });
    let y: Vec<f64> = loads.iter().map(|load| load.scale_kg / load.monitor_kg).collect();
    let fit = linear::least_squares(x.as_ref(), &y, None).ok()?;
    let errors = fit.standard_errors();
    let (gain, offset) = (fit.coefficients[0], fit.coefficients[1]);
    (offset.abs() > CLEAR_OFFSET * errors[1] && gain > 0.0).then(|| (Sourced::estimated(gain, errors[0]), offset))
}

fn loads<'t>(weighed: Weighed<'_>, tickets: impl Iterator<Item = &'t Ticket>, cautions: &mut Cautions) -> Vec<Load> {
    let Weighed { records, mass_kg, moisture_pct, marks, factor, crop, .. } = weighed;
    let mut loads = Vec::new();
    for ticket in tickets {
        let (mut wet, mut dry, mut water, mut threshing_s) = (0.0, 0.0, 0.0, 0.0);
        for at in 0..records.len() {
            if !marks[at].is_weighed() || !belongs(records, ticket, at) {
                continue;
            }
            let mass = mass_kg[at] * factor[records.machine.codes[at] as usize];
            if mass.is_finite() && moisture_pct[at].is_finite() {
                wet += mass;
                dry += mass * dry_factor(moisture_pct[at], crop.market_moisture_pct);
                water += mass * moisture_pct[at];
                threshing_s += if mass > 0.0 { records.interval_s[at] } else { 0.0 };
            }
        }
        if wet <= 0.0 {
            cautions.add(Caution::TicketsDisagree, format!("load {}: the monitor has no grain for it", ticket.load));
            continue;
        }
        let monitored_pct = water / wet;
        loads.push(Load {
            scale_kg: dry_scale_kg(ticket, monitored_pct, crop),
            monitor_kg: dry,
            threshing_s,
            moisture_difference: ticket.moisture_pct.map(|by_scale| by_scale - monitored_pct),
        });
    }
    loads
}

fn dry_scale_kg(ticket: &Ticket, monitored_pct: f64, crop: &CropSettings) -> f64 {
    ticket.net_kg * dry_factor(ticket.moisture_pct.unwrap_or(monitored_pct), crop.market_moisture_pct)
}

/// By index of the strip: what its records' masses must be multiplied by, so that together they weigh what the scale says.
/// Several tickets of one strip add up. Empty without tickets of strips.
pub(crate) fn strip_factors(weighed: Weighed<'_>, tickets: &[Ticket], cautions: &mut Cautions) -> BTreeMap<u32, f64> {
    let Weighed { records, mass_kg, moisture_pct, marks, strip, strip_names, factor, crop } = weighed;
    // by strip: wet, at market moisture, water
    let mut monitor: BTreeMap<u32, (f64, f64, f64)> = BTreeMap::new();
    if tickets.iter().all(|ticket| ticket.strip.is_none()) {
        return BTreeMap::new();
    }
    for at in 0..records.len() {
        let mass = mass_kg[at] * factor[records.machine.codes[at] as usize];
        if let Some(strip) = strip[at]
            && marks[at].is_weighed()
            && mass.is_finite()
            && moisture_pct[at].is_finite()
        {
            let sums = monitor.entry(strip).or_default();
            sums.0 += mass;
            sums.1 += mass * dry_factor(moisture_pct[at], crop.market_moisture_pct);
            sums.2 += mass * moisture_pct[at];
        }
    }
    let mut scale: BTreeMap<u32, f64> = BTreeMap::new();
    for ticket in tickets {
        let Some(name) = &ticket.strip else { continue };
        let index = strip_names.iter().position(|known| known == name).map(|at| at as u32);
        let Some((index, sums)) = index.and_then(|at| Some((at, monitor.get(&at)?))) else {
            cautions.add(Caution::TicketsDisagree, format!("strip {name}: the monitor has no grain for it"));
            continue;
        };
        *scale.entry(index).or_default() += dry_scale_kg(ticket, sums.2 / sums.0, crop);
    }
    let factors: BTreeMap<u32, f64> = scale
        .into_iter()
        .filter(|(strip, _)| monitor[strip].1 > 0.0)
        .map(|(strip, scale)| (strip, scale / monitor[&strip].1))
        .collect();
    if let Ok(usual) = robust::median(&factors.values().copied().collect::<Vec<f64>>()) {
        for (strip, factor) in &factors {
            if (factor / usual).ln().abs() > MOST_STRIP_DEVIATION {
                let detail = format!(
                    "strip {}: the scale says {:.0} % of what the other strips suggest",
                    strip_names[*strip as usize],
                    100.0 * factor / usual
                );
                cautions.add(Caution::TicketsDisagree, detail);
            }
        }
    }
    factors
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

#[cfg(test)]
mod tests {
    use super::*;

    fn load(monitor_kg: f64, flow: f64, gain: f64, offset: f64) -> Load {
        let threshing_s = monitor_kg / flow;
        let scale_kg = gain * monitor_kg + offset * threshing_s;
        Load { scale_kg, monitor_kg, threshing_s, moisture_difference: None }
    }

    #[test]
    fn gain_and_offset_are_found_where_flows_differ() {
        // exact but for a part in a thousand, alternating
        let loads: Vec<Load> = [3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
            .iter()
            .enumerate()
            .map(|(at, &flow)| {
                let mut one = load(8000.0, flow, 1.04, -0.30);
                one.scale_kg *= 1.0 + if at % 2 == 0 { 1e-3 } else { -1e-3 };
                one
            })
            .collect();
        let (gain, offset) = gain_and_offset(&loads).unwrap();
        assert!((gain.value - 1.04).abs() < 0.01 && (offset + 0.30).abs() < 0.05, "{gain:?} {offset}");
    }

    #[test]
    fn loads_at_one_flow_or_too_few_give_no_offset() {
        let alike: Vec<Load> = (0..8).map(|at| load(8000.0, 5.0 + 0.1 * f64::from(at), 1.0, -0.3)).collect();
        assert!(gain_and_offset(&alike).is_none());
        let few: Vec<Load> = [3.0, 5.0, 8.0].iter().map(|&flow| load(8000.0, flow, 1.0, -0.3)).collect();
        assert!(gain_and_offset(&few).is_none());
    }
}
