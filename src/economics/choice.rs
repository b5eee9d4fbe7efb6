//! The treatments of a crop side by side: which is best, nothing included.
//!
//! The mean of each treatment has a t distribution of its own, and their errors go together (`results::correlations`). The joint
//! distribution has those margins and a normal copula (Nelsen 2006, An
//! Introduction to Copulas, section 2.3); it is summed over points that fill the cube evenly (a Kronecker sequence; Niederreiter 1992, Random Number
//! Generation and Quasi-Monte Carlo Methods, chapter 3), so that no seed decides.

use super::Budget;
use crate::config::{ArchiveSettings, CropSettings};
use crate::results::{Choice, ChoiceWorth, Choices, Synthesis, ZoneResponse, correlations};
use crate::stats::dense::{Cholesky, Mat};
use crate::stats::distribution::{StudentT, standard_normal_cdf, standard_normal_quantile};

/// Points that the joint distribution is summed over (ours: a probability is exact to the percent).
const DRAWS: usize = 2_000;
/// Values that stand for a distribution (ours: what lies between is exact to a ten-thousandth).
const VALUES: usize = 399;

/// The treatments of each crop, in the order of the zones.
pub fn choices(synthesis: &Synthesis, archive: &ArchiveSettings) -> Vec<Choices> {
    let wholes: Vec<&ZoneResponse> =
        synthesis.zones.iter().filter(|zone| zone.class.is_none() && zone.wetness.is_none()).collect();
    wholes
        .chunk_by(|one, next| one.crop == next.crop)
        .filter_map(|zones| Some(of_crop(zones, synthesis, archive.crops.get(&zones[0].crop)?, archive)))
        .collect()
}

fn of_crop(zones: &[&ZoneResponse], synthesis: &Synthesis, crop: &CropSettings, archive: &ArchiveSettings) -> Choices {
    let mut treatments: Vec<Choice> = zones
        .iter()
        .map(|zone| Choice {
            treatment: zone.treatment.clone(),
            site_years: zone.site_years,
            seasons: zone.seasons,
            estimate: zone.estimate,
            worth: worth(zone, crop, archive),
        })
        .collect();
    let priced: Vec<usize> = (0..zones.len()).filter(|&at| treatments[at].worth.is_some()).collect();
    let priced_zones: Vec<&ZoneResponse> = priced.iter().map(|&at| zones[at]).collect();
    let margins: Vec<&[f64]> =
        treatments.iter().filter_map(|one| Some(one.worth.as_ref()?.mean_at.as_slice())).collect();
    let draws = joint(&margins, &correlations(&priced_zones, &synthesis.forest));
    for (&at, draws) in priced.iter().zip(draws) {
        if let Some(worth) = &mut treatments[at].worth {
            worth.draws = draws;
        }
    }
    let mut best = vec![0_usize; priced.len() + 1];
    for draw in 0..DRAWS {
        let mut winner = (priced.len(), 0.0);
        for (place, &at) in priced.iter().enumerate() {
            let net = treatments[at].worth.as_ref().map_or(0.0, |one| one.net_return_of(one.draws[draw]));
            if net > winner.1 {
                winner = (place, net);
            }
        }
        best[winner.0] += 1;
    }
    let share = |place: usize| best[place] as f64 / DRAWS as f64;
    for (place, &at) in priced.iter().enumerate() {
        if let Some(worth) = &mut treatments[at].worth {
            worth.probability_best = share(place);
        }
    }
    Choices {
        crop: zones[0].crop.clone(),
        price_per_kg: crop.price_per_kg,
        treatments,
        probability_nothing_best: (!priced.is_empty()).then(|| share(priced.len())),
    }
}

/// What the treatment is worth; nothing without a pooled mean, enough blocks, and a price.
fn worth(zone: &ZoneResponse, crop: &CropSettings, archive: &ArchiveSettings) -> Option<ChoiceWorth> {
    if !zone.estimator.is_pooled() || !zone.decision_allowed() {
        return None;
    }
    let treatment = archive.treatment(&zone.treatment)?;
    let budget = Budget::new(crop, treatment, zone.check_yield, zone.moistures)?;
    let estimate = &zone.estimate;
    let judged = budget.priced(zone.judged());
    let shown = budget.priced(estimate);
    let (mean, scale, df) = (judged.mean?, judged.std_error?, judged.df?);
    let t = StudentT::new(df).ok()?;
    let levels = (1..=VALUES).map(|at| at as f64 / (VALUES + 1) as f64);
    let mean_at: Vec<f64> =
        levels.clone().map(|level| Some(mean + scale * t.quantile(level).ok()?)).collect::<Option<_>>()?;
    let new_sites = zone.predictive.as_ref().and_then(|predictive| predictive.quantiles(levels).ok());
    let new_site_at = new_sites.into_iter().flatten().map(|value| value + zone.drawn_by()).collect();
    Some(ChoiceWorth {
        break_even: budget.break_even(),
        net_return: budget.net_return(estimate.mean?),
        net_interval: (budget.net_return(shown.low?), budget.net_return(shown.high?)),
        cost_per_ha: treatment.cost_per_ha,
        drying_per_ha: budget.cost_per_ha - treatment.cost_per_ha,
        worth_per_kg: budget.worth_per_kg,
        probability_pays: zone.returns.probability_pays?,
        probability_new_site_pays: zone.probability_new_site_pays,
        paid: zone.paid,
        paid_share: share_interval(zone.paid, zone.site_years, archive.model.confidence)?,
        probability_best: 0.0,
        mean_at,
        new_site_at,
        draws: Vec::new(),
    })
}

impl ChoiceWorth {
    /// Net return of a response in kg/ha, money per hectare.
    pub(super) fn net_return_of(&self, response: f64) -> f64 {
        self.worth_per_kg * response - self.cost_per_ha - self.drying_per_ha
    }
}

/// The interval of a share of `of` cases by the score test: Wilson 1927, Journal of the American Statistical Association 22:209.
pub fn share_interval(count: usize, of: usize, confidence: f64) -> Option<(f64, f64)> {
    interval_of_share(count as f64 / of.max(1) as f64, of as f64, confidence)
}

/// The same of a share that is known as well as by `n` independent cases.
pub fn interval_of_share(share: f64, n: f64, confidence: f64) -> Option<(f64, f64)> {
    let z = standard_normal_quantile(0.5 + 0.5 * confidence).ok()?;
    let centre = (share + z * z / (2.0 * n)) / (1.0 + z * z / n);
    let reach = z / (1.0 + z * z / n) * (share * (1.0 - share) / n + z * z / (4.0 * n * n)).sqrt();
    (n > 0.0).then(|| ((centre - reach).max(0.0), (centre + reach).min(1.0)))
}

/// Points that fill the space of some standard normal numbers evenly.
pub(super) fn evenly(draws: usize, count: usize) -> Vec<Vec<f64>> {
    // the positive root of x^(count + 1) = x + 1: its powers are the steps that fill the cube most evenly
    let mut root = 1.5_f64;
    for _ in 0..60 {
        root = (1.0 + root).powf(1.0 / (count as f64 + 1.0));
    }
    let of = |draw: usize, at: usize| {
        let place = (0.5 + (draw as f64 + 1.0) * root.powf(-(at as f64 + 1.0))).fract();
        standard_normal_quantile(place.clamp(1e-9, 1.0 - 1e-9)).unwrap_or(0.0)
    };
    (0..draws).map(|draw| (0..count).map(|at| of(draw, at)).collect()).collect()
}

/// Draws with the given margins, each given by [`VALUES`] values.
fn joint(margins: &[&[f64]], correlations: &Mat<f64>) -> Vec<Vec<f64>> {
    let mut draws = vec![Vec::with_capacity(DRAWS); margins.len()];
    let Some(factor) = Cholesky::new(correlations.as_ref()) else { return draws };
    for even in evenly(DRAWS, margins.len()) {
        for (at, margin) in margins.iter().enumerate() {
            let z: f64 = (0..=at).map(|k| factor.lower()[(at, k)] * even[k]).sum();
            draws[at].push(value_at(margin, standard_normal_cdf(z)));
        }
    }
    draws
}

/// The value that a distribution given by evenly spaced values falls short of with a probability.
fn value_at(values: &[f64], share: f64) -> f64 {
    let place = (share * (values.len() + 1) as f64 - 1.0).clamp(0.0, (values.len() - 1) as f64);
    let below = (place as usize).min(values.len().saturating_sub(2));
    values[below] + (place - below as f64) * (values[below + 1] - values[below])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Newcombe 1998, Statistics in Medicine 17:857, table I, method 3: 81 of 263 give 0.2553 to 0.3662, 15 of 148 give 0.0624 to 0.1605, 0 of
    /// 20 give 0 to 0.1611, at 95 % (from memory).
    #[test]
    fn the_interval_of_a_share_is_that_of_a_published_table() {
        for (count, of, low, high) in [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611)] {
            let found = share_interval(count, of, 0.95).unwrap();
            assert!((found.0 - low).abs() < 5e-5 && (found.1 - high).abs() < 5e-5, "{count} of {of}: {found:?}");
        }
    }

    fn normal(mean: f64) -> Vec<f64> {
        (1..=VALUES).map(|at| mean + standard_normal_quantile(at as f64 / (VALUES + 1) as f64).unwrap()).collect()
    }

    /// For normal margins with correlation r both lie above 0 with a probability of 1/4 + asin(r) / 2π (Sheppard 1899,
    /// Philosophical Transactions A 192:101).
    #[test]
    fn draws_go_together_as_asked() {
        for r in [-0.6, 0.0, 0.5, 0.9] {
            let draws = joint(&[&normal(0.0), &normal(0.0)], &Mat::from_fn(2, 2, |i, j| if i == j { 1.0 } else { r }));
            let both = draws[0].iter().zip(&draws[1]).filter(|(a, b)| **a > 0.0 && **b > 0.0).count();
            let expected = 0.25 + r.asin() / std::f64::consts::TAU;
            assert!((both as f64 / DRAWS as f64 - expected).abs() < 4e-3, "{r}: {both}");
        }
    }

    #[test]
    fn margins_stand_as_they_are_reported() {
        let draws = joint(
            &[&normal(1.0), &normal(-2.0), &normal(0.3)],
            &Mat::from_fn(3, 3, |i, j| if i == j { 1.0 } else { 0.5 }),
        );
        for (draws, mean) in draws.iter().zip([1.0, -2.0, 0.3]) {
            for limit in [-1.0, 0.0, 0.8] {
                let above = draws.iter().filter(|value| **value > limit).count() as f64 / DRAWS as f64;
                assert!((above - standard_normal_cdf(mean - limit)).abs() < 5e-3, "{mean} {limit}: {above}");
            }
        }
    }
}
