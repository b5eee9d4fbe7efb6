//! What treating is worth over a range of prices and costs, what it risks, and what more strips would be worth.

use super::{Budget, probability_above};
use crate::config::{ArchiveSettings, CropSettings, Treatment};
use crate::results::{Worth, ZoneResponse};
use crate::stats::distribution::expected_loss;

/// Multiples of the configured price and cost that are reported (ours).
pub const PRICE_AND_COST_STEPS: [f64; 5] = [0.70, 0.85, 1.00, 1.15, 1.30];

/// The table price × cost of every zone over all wetness classes with an interval and enough blocks to decide by; the
/// configured price and cost stand in the middle.
pub fn worth(zones: &[ZoneResponse], archive: &ArchiveSettings) -> Vec<Worth> {
    zones
        .iter()
        .filter(|zone| zone.wetness.is_none() && zone.estimate.std_error.is_some() && zone.decision_allowed())
        .filter_map(|zone| Some((zone, archive.crops.get(&zone.crop)?, archive.treatment(&zone.treatment)?)))
        .flat_map(|(zone, crop, treatment)| of_zone(zone, crop, treatment))
        .collect()
}

fn of_zone(zone: &ZoneResponse, crop: &CropSettings, treatment: &Treatment) -> Vec<Worth> {
    let Some(price) = crop.price_per_kg else { return Vec::new() };
    let mut rows = Vec::new();
    for (i, price_step) in PRICE_AND_COST_STEPS.into_iter().enumerate() {
        for (j, cost_step) in PRICE_AND_COST_STEPS.into_iter().enumerate() {
            let crop = CropSettings { price_per_kg: Some(price * price_step), ..crop.clone() };
            let treatment = Treatment { cost_per_ha: treatment.cost_per_ha * cost_step, ..treatment.clone() };
            let middle = PRICE_AND_COST_STEPS.len() / 2;
            rows.extend(at(zone, &crop, &treatment, (i, j) == (middle, middle)));
        }
    }
    rows
}

/// One price and cost. The expected losses are those of Raiffa & Schlaifer 1961, Applied Statistical Decision Theory,
/// chapter 5: of treating where the response does not pay, and of leaving where it does; the smaller of the two is what
/// certainty would be worth.
fn at(zone: &ZoneResponse, crop: &CropSettings, treatment: &Treatment, is_configured: bool) -> Option<Worth> {
    let price_per_kg = crop.price_per_kg?;
    let budget = Budget::new(crop, treatment, zone.check_yield, zone.moistures)?;
    let judged = budget.priced(zone.judged());
    let (mean, std_error, df) = (judged.mean?, judged.std_error?, judged.df?);
    let net = budget.net_return(mean);
    let spread = budget.worth_per_kg * std_error;
    let loss = expected_loss(net, spread, df).ok();
    let moved = budget.net_return(zone.drawn_by());
    let predictive = zone.predictive.as_ref().and_then(|one| one.scaled(budget.worth_per_kg, moved).ok());
    // the response that pays at a price p: cost / (p − what is paid a kilogram); turned round
    let paid_per_kg = price_per_kg - budget.worth_per_kg;
    Some(Worth {
        crop: zone.crop.clone(),
        treatment: zone.treatment.clone(),
        class: zone.class,
        class_name: zone.class_name.clone(),
        is_configured,
        price_per_kg,
        cost_per_ha: treatment.cost_per_ha,
        break_even: budget.break_even(),
        break_even_price_per_kg: (mean > 0.0).then(|| budget.cost_per_ha / mean + paid_per_kg),
        net_return: budget.net_return(zone.estimate.mean?),
        probability_pays: probability_above(&judged, budget.break_even()),
        probability_new_site_pays: zone
            .predictive
            .as_ref()
            .map(|one| one.survival(budget.break_even() - zone.drawn_by())),
        loss_of_treating: loss,
        loss_of_leaving: loss.map(|loss| loss + net),
        loss_of_treating_new_site: predictive.and_then(|one| one.expected_loss().ok()),
        value_of_another_year: another_year(zone, net, spread, df),
    })
}

/// What the decision gains on average from another year with as many site-years as the years so far had.
///
/// `k` site-years of like precision gave the standard error `s` of the mean, so `n` more move it by a t deviate of scale
/// `s √(n / (k + n))`; the gain is the expected opportunity loss at that scale (Raiffa & Schlaifer 1961, section 5.4). The
/// seasons' own spread is not told apart, so this is an upper limit where site-years share seasons.
fn another_year(zone: &ZoneResponse, net: f64, spread: f64, df: f64) -> Option<f64> {
    if !zone.estimator.is_pooled() || zone.seasons == 0 {
        return None;
    }
    let (k, n) = (zone.site_years as f64, zone.site_years as f64 / zone.seasons as f64);
    expected_loss(net.abs(), spread * (n / (k + n)).sqrt(), df).ok()
}
