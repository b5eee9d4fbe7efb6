//! The level of the yields: factors of several combines, then the scale tickets.

use super::calibrate::{self, Calibration};
use super::on_strips::OnStrips;
use super::{Tracked, areas, ground, machines, yields};
use crate::config::{CleanSettings, CropSettings};
use crate::points::{Caution, Cautions, Ingested, Reasons, Sourced};
use crate::quantity::dry_factor;

/// What brings the masses to one level.
#[derive(Debug, Clone)]
pub(super) struct Levels {
    /// By machine code: factor times ticket gain.
    pub(super) multiple: Vec<f64>,
    /// By machine code.
    pub(super) factor: Vec<Sourced>,
    pub(super) factor_covariance: Vec<Vec<f64>>,
    pub(super) gain: Sourced,
    /// Added by the tickets for each second of threshing, kg/s at market moisture.
    pub(super) offset_kg_s: f64,
    pub(super) strips_weighed: usize,
}

/// The factors of several combines, then the scale tickets; the tickets' moisture is added to the ground's.
#[expect(clippy::too_many_arguments, reason = "each is a different table of the same records")]
pub(super) fn find(
    tracked: &Tracked,
    ingested: &Ingested,
    ground: &mut ground::Ground,
    on_strips: &OnStrips,
    marks: &[Reasons],
    crop: &CropSettings,
    settings: &CleanSettings,
    cautions: &mut Cautions,
) -> Levels {
    let records = &tracked.records;
    let machines = records.machine.names.len();
    let mut factor = vec![Sourced::configured(1.0); machines];
    let mut factor_covariance = Vec::new();
    if machines > 1 && settings.machine_factors {
        let field = machines::Field {
            tracks: &tracked.tracks,
            passes: &tracked.passes,
            pairs: &tracked.pairs,
            x_m: &ground.x_m,
            y_m: &ground.y_m,
            yields: &yields(records, ground, crop, None),
            area_m2: &areas(ground),
            pass: &ground.pass,
            treatment: &on_strips.treatment,
            machine: &records.machine,
            marks,
        };
        match machines::factors(&field) {
            Ok(found) => (factor, factor_covariance) = (found.factor, found.covariance),
            Err(reason) => {
                cautions.add(Caution::MachineUncorrected, reason);
                factor = vec![Sourced::assumed(1.0); machines];
            }
        }
    }
    let mut multiple: Vec<f64> = factor.iter().map(|factor| factor.value).collect();
    let weighed = calibrate::Weighed {
        records,
        mass_kg: &ground.mass_kg,
        moisture_pct: &ground.moisture_pct,
        marks,
        strip: &on_strips.strip,
        strip_names: &on_strips.strip_names,
        factor: &multiple,
        crop,
    };
    let calibration = calibrate::calibrate(weighed, &ingested.tickets, cautions);
    let by_strip = calibrate::strip_factors(weighed, &ingested.tickets, cautions);
    let Calibration { gain, offset_kg_s, moisture_bias_pct } = calibration.unwrap_or(Calibration::NONE);
    for at in 0..records.len() {
        ground.moisture_pct[at] += moisture_bias_pct;
        if let Some(&factor) = on_strips.strip[at].and_then(|strip| by_strip.get(&strip)) {
            // the scale's weight, whatever gain the loads have
            ground.mass_kg[at] *= factor / gain.value;
            continue;
        }
        let dry = dry_factor(ground.moisture_pct[at], crop.market_moisture_pct);
        if offset_kg_s.abs() > 0.0 && ground.mass_kg[at] > 0.0 && dry > 0.0 {
            let machine = multiple[records.machine.codes[at] as usize];
            let added = offset_kg_s * records.interval_s[at] / (gain.value * machine * dry);
            ground.mass_kg[at] = (ground.mass_kg[at] + added).max(0.0);
        }
    }
    for multiple in &mut multiple {
        *multiple *= gain.value;
    }
    Levels { multiple, factor, factor_covariance, gain, offset_kg_s, strips_weighed: by_strip.len() }
}
