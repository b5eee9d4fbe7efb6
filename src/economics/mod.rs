//! Economics: what a response is worth, by partial budget.
//!
//! Per hectare, treated minus check: `(P − h) ΔY − r (pts_T Y_T − pts_C Y_C) − c`, where `P` is the price at market moisture,
//! `h` hauling and handling, `r` the drying cost per mass and point, `pts` the points of moisture above market (never below
//! 0), `Y` yields at market moisture and `c` the cost of product, application and an extra pass. Wetter grain costs drying
//! on *all* treated bushels, so the break-even response is `(c + r Δpts Y_C) / (P − h − r pts_T)`. The water itself is
//! already out of `Y`. A site-year is priced at its season's prices, the synthesis at those of the seasons to come.

mod choice;
pub(crate) mod doses;
mod worth;

pub use choice::{choices, interval_of_share, share_interval};
pub use doses::doses;
pub use worth::{PRICE_AND_COST_STEPS, worth};

use crate::config::{CropSettings, Treatment};
use crate::results::{Estimate, Moistures, Response, Returns, ZoneResponse};
use crate::stats::distribution::StudentT;

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 4;

/// The terms of the partial budget of one comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Budget {
    /// Money per kilogram of response.
    pub worth_per_kg: f64,
    /// Money per hectare that the treatment costs whatever the response.
    pub cost_per_ha: f64,
    /// Standard error of that cost, by the difference of the moistures.
    pub cost_std_error_per_ha: f64,
}

impl Budget {
    /// The budget of a treatment; `None` without a price, or when hauling and drying eat all of it.
    ///
    /// Yields in kg/ha and moistures in percent; unknown ones leave the drying of wetter grain out.
    pub fn new(
        crop: &CropSettings,
        treatment: &Treatment,
        check_yield: Option<f64>,
        moistures: Option<Moistures>,
    ) -> Option<Self> {
        let price = crop.price_per_kg?;
        let points = |moisture: f64| (moisture - crop.market_moisture_pct).max(0.0);
        let (mut worth, mut cost, mut std_error) = (price - crop.hauling_per_kg, treatment.cost_per_ha, 0.0);
        if let (Some(moistures), Some(check_yield)) = (moistures, check_yield) {
            let (treated, check) = (points(moistures.treated_pct), points(moistures.check_pct));
            worth -= crop.drying_per_kg_point * treated;
            cost += crop.drying_per_kg_point * (treated - check) * check_yield;
            // grain below market moisture is not dried, however well that is known
            if treated.max(check) > 0.0 {
                std_error = crop.drying_per_kg_point * moistures.std_error_pct * check_yield;
            }
        }
        (worth > 0.0).then_some(Self { worth_per_kg: worth, cost_per_ha: cost, cost_std_error_per_ha: std_error })
    }

    /// The response that pays, kg/ha.
    pub fn break_even(&self) -> f64 {
        self.cost_per_ha / self.worth_per_kg
    }

    /// Net return of a response, money per hectare.
    pub fn net_return(&self, response_kg_ha: f64) -> f64 {
        self.worth_per_kg * response_kg_ha - self.cost_per_ha
    }

    /// A spread of responses, kg/ha, with what is not known of the break-even response.
    pub fn widened(&self, spread_kg_ha: f64) -> f64 {
        spread_kg_ha.hypot(self.cost_std_error_per_ha / self.worth_per_kg)
    }

    /// An estimated response with what is not known of the break-even response: as it is to be set against that.
    pub fn priced(&self, estimate: &Estimate) -> Estimate {
        let wider = || {
            let (mean, std_error) = (estimate.mean?, estimate.std_error?);
            let ratio = if std_error > 0.0 { self.widened(std_error) / std_error } else { 1.0 };
            let end = |end: f64| mean + ratio * (end - mean);
            Some(Estimate {
                std_error: Some(ratio * std_error),
                low: estimate.low.map(end),
                high: estimate.high.map(end),
                ..*estimate
            })
        };
        wider().unwrap_or(*estimate)
    }

    /// What an estimated response is worth.
    pub fn returns(&self, estimate: &Estimate) -> Returns {
        let priced = self.priced(estimate);
        Returns {
            break_even: Some(self.break_even()),
            probability_pays: probability_above(&priced, self.break_even()),
            net_return: estimate.mean.map(|mean| self.net_return(mean)),
            worth_per_kg: Some(self.worth_per_kg),
            net_interval: priced.low.zip(priced.high).map(|(low, high)| (self.net_return(low), self.net_return(high))),
        }
    }
}

/// The probability that the mean lies above a limit, by the t distribution of the estimate.
pub fn probability_above(estimate: &Estimate, limit: f64) -> Option<f64> {
    let (mean, std_error, df) = (estimate.mean?, estimate.std_error?, estimate.df?);
    Some(StudentT::new(df).ok()?.cdf((mean - limit) / std_error))
}

/// Fills in what the response of a site-year is worth; nothing is reported of one that rests on too few blocks.
pub fn price_response(response: &mut Response, crop: &CropSettings, treatment: &Treatment) {
    if !response.decision_allowed() {
        return;
    }
    if let Some(budget) = Budget::new(crop, treatment, response.check_yield, response.moistures()) {
        response.returns = budget.returns(&response.estimate);
    }
}

/// Fills in what the response of a zone is worth. The site-years' moistures differ, so drying of wetter grain is left to
/// the site-years. Nothing is reported of a zone that rests on too few blocks.
pub fn price_zone(zone: &mut ZoneResponse, crop: &CropSettings, treatment: &Treatment) {
    if !zone.decision_allowed() || zone.estimate.mean.is_none() {
        return;
    }
    let Some(budget) = Budget::new(crop, treatment, zone.check_yield, zone.moistures) else { return };
    zone.returns = Returns {
        probability_pays: probability_above(&budget.priced(zone.judged()), budget.break_even()),
        ..budget.returns(&zone.estimate)
    };
    // what the other treatments take off the mean, they take off what is expected of a new site
    let needed = budget.break_even() - zone.drawn_by();
    zone.probability_new_site_pays = zone.predictive.as_ref().map(|predictive| predictive.survival(needed));
    for check in &mut zone.prior_checks {
        check.probability_pays = probability_above(&budget.priced(&check.estimate), needed);
        check.probability_new_site_pays = Some(check.predictive.survival(needed));
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

    fn moistures(treated_pct: f64) -> Moistures {
        Moistures { treated_pct, check_pct: 20.0, std_error_pct: 0.4 }
    }

    fn corn(price_per_bu: f64, hauling_per_bu: f64, drying_per_bu_point: f64) -> CropSettings {
        let bushel_kg = 25.401_172_72;
        CropSettings {
            market_moisture_pct: 15.0,
            bushel_kg,
            price_per_kg: Some(price_per_bu / bushel_kg),
            drying_per_kg_point: drying_per_bu_point / bushel_kg,
            hauling_per_kg: hauling_per_bu / bushel_kg,
            seasons: BTreeMap::new(),
            plausible_yield_kg_ha: (0.0, 25_000.0),
            plausible_moisture_pct: (8.0, 40.0),
        }
    }

    fn treatment(cost_per_ac: f64) -> Treatment {
        Treatment {
            key: "band".to_owned(),
            label: "band".to_owned(),
            cost_per_ha: cost_per_ac / 0.404_685_642_24,
            season_cost_per_ha: BTreeMap::new(),
            check: false,
            rate: None,
            of: Vec::new(),
        }
    }

    /// By hand: 14 USD/ac at 4.50 less 0.22 for hauling = 4.28 USD/bu, grain at 20 % dried by 5 points at 0.045: 14 / (4.28 − 0.225) =
    /// 3.45 bu/ac; without drying and hauling 14 / 4.50 = 3.11.
    #[test]
    fn the_break_even_response_agrees_with_hand_calculation() {
        let kg_ha_per_bu_ac = 62.767_664_746_889_54;
        let dry = Budget::new(
            &corn(4.50, 0.22, 0.045),
            &treatment(14.0),
            Some(200.0 * kg_ha_per_bu_ac),
            Some(moistures(20.0)),
        )
        .unwrap();
        assert!((dry.break_even() / kg_ha_per_bu_ac - 3.452_5).abs() < 5e-4);
        let plain = Budget::new(&corn(4.50, 0.0, 0.045), &treatment(14.0), None, None).unwrap();
        assert!((plain.break_even() / kg_ha_per_bu_ac - 3.111_1).abs() < 5e-4);
        assert!(plain.net_return(plain.break_even()).abs() < 1e-9);
        let returns = plain.returns(&Estimate::of_mean(500.0));
        assert!((returns.net_return_of(500.0).unwrap() - plain.net_return(500.0)).abs() < 1e-9);
    }

    /// By hand: 0.3 points wetter grain at 210 bu/ac and 0.045 USD/bu/point costs 0.3 × 210 × 0.045 = 2.84 USD/ac.
    #[test]
    fn wetter_grain_costs_drying_on_all_bushels() {
        let kg_ha_per_bu_ac = 62.767_664_746_889_54;
        let check = Some(210.0 * kg_ha_per_bu_ac);
        let wetter = Budget::new(&corn(4.50, 0.0, 0.045), &treatment(0.0), check, Some(moistures(20.3))).unwrap();
        assert!((wetter.cost_per_ha * 0.404_685_642_24 - 2.835).abs() < 5e-3);
    }

    /// By hand: moistures that differ by 0.3 ± 0.4 points make that cost 2.84 ± 3.78 USD/ac. A response of 3 ± 1 bu/ac at 4.50 less
    /// 0.045 × 5.3 USD/bu is worth 4.2615 USD/bu, so it is set against its break-even with ± √(1 + (3.78 / 4.2615)²) = ± 1.3371 bu/ac.
    #[test]
    fn moistures_are_priced_with_what_is_not_known_of_them() {
        let kg_ha = 62.767_664_746_889_54;
        let budget =
            Budget::new(&corn(4.50, 0.0, 0.045), &treatment(0.0), Some(210.0 * kg_ha), Some(moistures(20.3))).unwrap();
        let estimate = Estimate::of_t(3.0 * kg_ha, kg_ha, 8.0, 0.9).unwrap();
        let priced = budget.priced(&estimate);
        assert!((priced.std_error.unwrap() / kg_ha - 1.3371).abs() < 1e-3, "{priced:?}");
        let ratio = (priced.high.unwrap() - priced.mean.unwrap()) / (estimate.high.unwrap() - estimate.mean.unwrap());
        assert!((ratio - 1.3371).abs() < 1e-3);
        let returns = budget.returns(&estimate);
        assert!(returns.probability_pays < probability_above(&estimate, budget.break_even()));
        // below market moisture nothing is dried
        let dry = Moistures { treated_pct: 12.3, check_pct: 12.0, std_error_pct: 0.4 };
        let dry = Budget::new(&corn(4.50, 0.0, 0.045), &treatment(0.0), Some(210.0 * kg_ha), Some(dry)).unwrap();
        assert_eq!(dry.priced(&estimate), estimate);
    }

    /// The published partial budget of 100 acres of corn in place of dry beans ("Partial budget is simple, useful financial
    /// tool", Delta Farm Press): 97,500 more revenue and 55,000 less cost against 88,000 less revenue and 69,000 more cost
    /// leave a loss of 4,500. Here as a response worth 9,500 at an added cost of 14,000.
    #[test]
    fn the_net_return_is_that_of_a_published_partial_budget() {
        let per_ha = Budget { worth_per_kg: 1.0, cost_per_ha: 69_000.0 - 55_000.0, cost_std_error_per_ha: 0.0 };
        assert!((per_ha.net_return(97_500.0 - 88_000.0) + 4_500.0).abs() < 1e-9);
    }

    #[test]
    fn a_season_has_its_own_price_and_cost_where_they_are_given() {
        let mut crop = corn(4.20, 0.10, 0.05);
        let own = crate::config::SeasonPrices { price_per_kg: Some(0.2), ..Default::default() };
        crop.seasons.insert(2022, own);
        assert_eq!(crop.in_season(2022).price_per_kg, Some(0.2));
        assert_eq!(crop.in_season(2022).hauling_per_kg, crop.hauling_per_kg);
        assert_eq!(crop.in_season(2021), crop);
        let mut band = treatment(20.0);
        band.season_cost_per_ha.insert(2022, 60.0);
        assert!((band.in_season(2022).cost_per_ha - 60.0).abs() < 1e-12);
        assert!((band.in_season(2023).cost_per_ha - band.cost_per_ha).abs() < 1e-12);
    }
}
