//! Zones against one choice for a field: what they promise by the plan's own numbers, and what they lose if its soils are alike.

use std::collections::BTreeMap;

use crate::config::TargetSettings;
use crate::results::{Decision, PlannedField, PlannedZone, Why, ZonesRisk, ZonesStanding, ZoningValue};

/// The zones of one treatment on a field, in money.
struct Zoned {
    /// Ground to treat or to leave of which something is known.
    decided_ha: f64,
    /// Net return of what is treated.
    treated: f64,
    /// Of treating all that is decided.
    everything: f64,
    loss_if_alike: f64,
}

impl Zoned {
    /// Above the better of everything and nothing.
    fn promised_gain(&self) -> f64 {
        self.treated - self.everything.max(0.0)
    }
}

/// `None` where one choice for the field would be no other.
fn zoned<'z>(zones: impl Iterator<Item = &'z PlannedZone>) -> Option<Zoned> {
    // area, net return by hectare, decision
    let known: Vec<(f64, f64, Decision)> =
        zones.filter_map(|zone| Some((zone.area_m2 / 10_000.0, zone.advice.net_return?, zone.decision))).collect();
    let ground = |is: &dyn Fn(Decision) -> bool| -> (f64, f64) {
        let own = known.iter().filter(|one| is(one.2));
        own.fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.0 * one.1))
    };
    let (treated, decided) = (ground(&|one| one == Decision::Treat), ground(&|one| one != Decision::Test));
    let (area_ha, net) = ground(&|_| true);
    let mean = net / area_ha;
    let otherwise_ha = if mean > 0.0 { decided.0 - treated.0 } else { treated.0 };
    (otherwise_ha > 0.0 || (treated.0 > 0.0 && treated.0 < decided.0)).then_some(Zoned {
        decided_ha: decided.0,
        treated: treated.1,
        everything: decided.1,
        loss_if_alike: otherwise_ha * mean.abs(),
    })
}

/// Gives the zones of one treatment on a field one choice where they promise less above it than it costs to follow them. The choice is
/// everything where the advice on ground of any class (`whole`) is to treat and it pays by the field's classes, else nothing. Ground that is to be
/// tested, or of which nothing is known, stays as it is.
pub(super) fn one_choice_where_zones_cost_more(zones: &mut [PlannedZone], whole: Decision, settings: &TargetSettings) {
    let Some(of_field) = zoned(zones.iter()) else { return };
    let treats = whole == Decision::Treat && of_field.everything > 0.0;
    let gain = of_field.treated - if treats { of_field.everything } else { 0.0 };
    if settings.zone_cost_per_ha <= 0.0 || gain >= settings.zone_cost_per_ha * of_field.decided_ha {
        return;
    }
    for zone in zones.iter_mut() {
        let decision = match zone.decision {
            Decision::Treat if !treats => Decision::Leave,
            Decision::Leave if treats && zone.advice.net_return.is_some() => Decision::Treat,
            _ => continue,
        };
        (zone.decision, zone.why) = (decision, Why::OneChoice);
    }
}

/// What the zones of the fields promise and risk, by treatment; `sure` is how surely advice is given.
pub fn zones_risk(fields: &[PlannedField], scored: &[ZoningValue], sure: f64) -> Vec<ZonesRisk> {
    let mut sums: BTreeMap<&str, ZonesRisk> = BTreeMap::new();
    for field in fields {
        for zones in field.zones.chunk_by(|one, next| one.advice.treatment == next.advice.treatment) {
            let treatment = zones[0].advice.treatment.as_str();
            let Some(of_field) = zoned(zones.iter()) else { continue };
            let sum = sums.entry(treatment).or_insert_with(|| ZonesRisk {
                treatment: treatment.to_owned(),
                standing: standing(ZoningValue::of(scored, treatment), sure),
                fields: 0,
                area_m2: 0.0,
                promised_gain: 0.0,
                loss_if_alike: 0.0,
            });
            sum.fields += 1;
            sum.area_m2 += of_field.decided_ha * 10_000.0;
            sum.promised_gain += of_field.promised_gain();
            sum.loss_if_alike += of_field.loss_if_alike;
        }
    }
    sums.into_values().collect()
}

fn standing(scored: Option<&ZoningValue>, sure: f64) -> ZonesStanding {
    match scored {
        Some(one) if one.is_shown => ZonesStanding::Shown,
        Some(one) if one.probability.is_some_and(|gains| gains >= sure) => ZonesStanding::Likely,
        _ => ZonesStanding::Bet,
    }
}

#[cfg(test)]
mod tests {
    use geo::MultiPolygon;

    use super::*;
    use crate::results::Advice;

    fn zone(area_ha: f64, net: Option<f64>, decision: Decision) -> PlannedZone {
        let advice = Advice { net_return: net, decision, ..Advice::to_test(("corn", "band"), None, "all") };
        let ground = MultiPolygon::new(Vec::new());
        PlannedZone { advice, decision, why: Why::Advice, is_best: false, ground, area_m2: area_ha * 10_000.0 }
    }

    /// By hand: 6 ha at 20 treated, 4 ha at −10 left: everything 80, zones 120; by the mean of 8 a hectare the 4 ha left lose 32. Ground to
    /// test counts in the mean alone.
    #[test]
    fn zones_promise_what_they_earn_above_one_choice_and_lose_the_rest_if_soils_are_alike() {
        let zones = [
            zone(6.0, Some(20.0), Decision::Treat),
            zone(4.0, Some(-10.0), Decision::Leave),
            zone(2.0, None, Decision::Test),
        ];
        let found = zoned(zones.iter()).unwrap();
        assert!((found.promised_gain() - 40.0).abs() < 1e-9 && (found.loss_if_alike - 32.0).abs() < 1e-9);
        assert!(zoned(zones[..1].iter()).is_none(), "one choice");
        // nothing is the better choice: the treated ground loses
        let zones = [zone(1.0, Some(5.0), Decision::Treat), zone(4.0, Some(-10.0), Decision::Leave)];
        let found = zoned(zones.iter()).unwrap();
        assert!((found.promised_gain() - 5.0).abs() < 1e-9 && (found.loss_if_alike - 7.0).abs() < 1e-9);
        let tested = |net: f64| [zone(3.0, Some(10.0), Decision::Treat), zone(3.0, Some(net), Decision::Test)];
        assert!(zoned(tested(4.0).iter()).is_none(), "all that is decided is treated, as the mean would have it");
        let found = zoned(tested(-14.0).iter()).unwrap();
        assert!(found.promised_gain().abs() < 1e-9 && (found.loss_if_alike - 6.0).abs() < 1e-9);
    }

    /// By hand: 10 with a standard error of 10 counts half of it.
    #[test]
    fn an_optimism_is_drawn_to_nothing_by_its_error() {
        let of = |optimism: f64, std_error: f64| {
            let value = ZoningValue {
                treatment: "band".to_owned(),
                left_out: crate::results::HeldOut::Season,
                site_years: 12,
                zoned: 0.0,
                promised: 0.0,
                blanket: 0.0,
                gain: 0.0,
                gain_std_error: 1.0,
                probability: Some(0.85),
                is_shown: false,
                optimism: Some((optimism, std_error)),
            };
            (value.to_take_off(), standing(Some(&value), 0.80))
        };
        assert_eq!(of(10.0, 10.0), (5.0, ZonesStanding::Likely));
        assert_eq!(of(-3.0, 1.0).0, 0.0);
        assert_eq!(of(0.0, 0.0).0, 0.0);
        assert_eq!(standing(None, 0.80), ZonesStanding::Bet);
    }

    #[test]
    fn zones_that_promise_less_than_following_them_costs_become_one_choice() {
        let all = || {
            vec![
                zone(6.0, Some(20.0), Decision::Treat),
                zone(4.0, Some(-10.0), Decision::Leave),
                zone(2.0, None, Decision::Test),
            ]
        };
        let under = |whole: Decision, zone_cost_per_ha: f64| {
            let mut zones = all();
            let settings = TargetSettings { zone_cost_per_ha, ..TargetSettings::default() };
            one_choice_where_zones_cost_more(&mut zones, whole, &settings);
            zones
        };
        let decided = |zones: &[PlannedZone]| -> Vec<(Decision, Why)> {
            zones.iter().map(|zone| (zone.decision, zone.why)).collect()
        };
        let (advice, choice) = (Why::Advice, Why::OneChoice);
        // 40 above everything, over 10 ha of known ground
        assert_eq!(under(Decision::Treat, 0.0), all());
        assert_eq!(under(Decision::Treat, 3.9), all());
        let found = decided(&under(Decision::Treat, 4.1));
        assert_eq!(found, [(Decision::Treat, advice), (Decision::Treat, choice), (Decision::Test, advice)]);
        // where everything is not advised, 120 above nothing
        assert_eq!(under(Decision::Test, 11.9), all());
        let found = decided(&under(Decision::Test, 12.1));
        assert_eq!(found, [(Decision::Leave, choice), (Decision::Leave, advice), (Decision::Test, advice)]);
    }
}
