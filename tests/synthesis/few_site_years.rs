//! One, two and three site-years; those that must not enter.

use bandlift::batch::conclude;
use bandlift::points::Caution;
use bandlift::results::{Estimator, SiteYear, ZoneResponse};
use bandlift::synthesise;

use crate::site_years::{Draw, World, settings, without_errors};

fn drawn(count: usize) -> Vec<SiteYear> {
    Draw::new(11).archive(&World { presence: 1.0, seasons: 3, ..World::default() }, count, &settings()).0
}

fn whole(zones: &[ZoneResponse]) -> &ZoneResponse {
    zones.iter().find(|zone| zone.class.is_none() && zone.wetness.is_none()).unwrap()
}

#[test]
fn one_site_year_keeps_its_own_interval_and_says_nothing_of_others() {
    let site_years = drawn(1);
    let synthesis = synthesise::run(&site_years, &settings());
    let zone = whole(&synthesis.zones);
    let own = site_years[0].responses.iter().find(|response| response.key.class.is_none()).unwrap();
    assert_eq!((zone.estimator, zone.site_years), (Estimator::SingleSiteYear, 1));
    assert_eq!((zone.estimate.low, zone.estimate.high), (own.estimate.low, own.estimate.high));
    assert!(zone.prediction.is_none() && zone.tau.is_none() && zone.shrunken.is_none());
    assert!(zone.cautions.contains(Caution::SingleSiteYear) && zone.cautions.contains(Caution::SingleYear));
}

#[test]
fn two_site_years_give_a_mean_and_no_interval() {
    let site_years = drawn(2);
    let synthesis = synthesise::run(&site_years, &settings());
    let zone = whole(&synthesis.zones);
    let means: Vec<f64> = site_years
        .iter()
        .map(|one| one.responses.iter().find(|response| response.key.class.is_none()).unwrap().estimate.mean.unwrap())
        .collect();
    assert_eq!(zone.estimator, Estimator::Pair);
    assert!((zone.estimate.mean.unwrap() - f64::midpoint(means[0], means[1])).abs() < 1e-9);
    assert!(zone.estimate.std_error.is_none() && zone.estimate.low.is_none() && zone.prediction.is_none());
    assert!(zone.cautions.contains(Caution::NotEstimable) && zone.cautions.contains(Caution::FewSiteYears));
}

#[test]
fn three_site_years_give_an_interval_and_a_prediction_that_is_wider() {
    let synthesis = synthesise::run(&drawn(3), &settings());
    let zone = whole(&synthesis.zones);
    assert_eq!((zone.estimator, zone.site_years), (Estimator::TwoStage, 3));
    let (low, high) = zone.prediction.unwrap();
    assert!(high - low > 0.0 && zone.estimate.high.unwrap() > zone.estimate.low.unwrap());
    assert!(zone.cautions.contains(Caution::FewSiteYears));
}

#[test]
fn an_unreplicated_site_year_has_a_mean_and_no_interval() {
    let world = World { blocks: (1, 1), presence: 1.0, ..World::default() };
    let synthesis = synthesise::run(&Draw::new(3).archive(&world, 1, &settings()).0, &settings());
    let zone = whole(&synthesis.zones);
    assert!(zone.estimate.mean.is_some() && zone.estimate.std_error.is_none());
    assert!(zone.cautions.contains(Caution::Unreplicated));
}

#[test]
fn site_years_of_one_block_each_tell_of_the_mean_over_site_years() {
    // Six differences, one a site-year: the mean of Student's one-sample t, and no surer than the spread of the differences allows.
    let world = World { blocks: (1, 1), presence: 1.0, seasons: 6, ..World::default() };
    let mut site_years = Draw::new(5).archive(&world, 6, &settings()).0;
    for one in &mut site_years {
        one.identity.farm = "Farm".to_owned();
    }
    let synthesis = synthesise::run(&site_years, &settings());
    let zone = whole(&synthesis.zones);
    let values: Vec<f64> = site_years
        .iter()
        .flat_map(|one| &one.differences)
        .filter(|one| one.key.class.is_none())
        .map(|one| one.difference)
        .collect();
    let test = bandlift::stats::linear::paired_t(&values).unwrap();
    assert!((zone.estimate.mean.unwrap() - test.mean).abs() < 0.1 * test.se, "{:?} {}", zone.estimate.mean, test.mean);
    // what lies within cannot be told from what lies between, and the priors of both make it wider
    let ratio = zone.estimate.std_error.unwrap() / test.se;
    assert!(ratio > 0.9 && ratio < 1.7, "{ratio}");
}

#[test]
fn a_comparison_aliased_with_the_combine_stays_out() {
    let mut site_years = drawn(5);
    let clean = synthesise::run(&site_years[..4], &settings());
    for response in &mut site_years[4].responses {
        response.cautions.add(Caution::MachineAliased, "97 % of the area");
    }
    let synthesis = synthesise::run(&site_years, &settings());
    assert_eq!(synthesis.left_out.len(), 1);
    assert_eq!(synthesis.left_out[0].identity, site_years[4].identity);
    let (with, without) = (whole(&synthesis.zones), whole(&clean.zones));
    assert_eq!(with.site_years, 4);
    assert_eq!(with.estimate, without.estimate);
    assert_eq!((with.gained, with.paid), (without.gained, without.paid));
    assert!(with.cautions.contains(Caution::MachineAliased) && !without.cautions.contains(Caution::MachineAliased));
    assert!(synthesis.forest.iter().all(|row| row.identity.as_ref() != Some(&site_years[4].identity)));
}

#[test]
fn nothing_but_aliased_comparisons_gives_empty_rows() {
    let mut site_years = drawn(3);
    for site_year in &mut site_years {
        site_year.cautions.add(Caution::MachineAliased, "");
    }
    let synthesis = synthesise::run(&site_years, &settings());
    assert_eq!(synthesis.left_out.len(), 3);
    assert!(!synthesis.zones.is_empty());
    for zone in &synthesis.zones {
        assert!(zone.estimate.mean.is_none() && zone.cautions.contains(Caution::NotEstimable));
    }
}

#[test]
fn the_order_of_the_site_years_does_not_matter() {
    let mut site_years = drawn(9);
    let one = synthesise::run(&site_years, &settings());
    site_years.reverse();
    site_years.swap(2, 5);
    assert_eq!(one, synthesise::run(&site_years, &settings()));
}

/// A new site-year is never told more surely than the mean over site-years from which it is predicted: not by its interval, nor by
/// its probability of paying.
#[test]
fn a_new_site_year_is_never_surer_than_the_mean() {
    let mut seen = 0;
    for seed in 0..24_u64 {
        let count = 3 + (seed as usize % 8);
        let world = World {
            seasons: 1 + seed as usize % 5,
            season: [0.0, 3.0][seed as usize % 2],
            site_year: [0.0, 1.0, 6.0][seed as usize % 3],
            segment_model: Some((0.55, 12.0)),
            ..World::default()
        };
        let (drawn, _) = Draw::new(900 + seed).archive(&world, count, &settings());
        for site_years in [without_errors(drawn.clone()), drawn] {
            for zone in &conclude(&site_years, &settings()).synthesis.zones {
                let (Some(low), Some(high), Some((from, to))) =
                    (zone.estimate.low, zone.estimate.high, zone.prediction)
                else {
                    continue;
                };
                assert!(from <= low + 1e-6 && to >= high - 1e-6, "{seed}: {low} to {high}, {from} to {to}");
                let pays = zone.returns.probability_pays.zip(zone.probability_new_site_pays);
                if let Some((mean, new)) = pays {
                    assert!((new - 0.5).abs() <= (mean - 0.5).abs() + 1e-6, "{seed}: {mean} {new}");
                }
                seen += 1;
            }
        }
    }
    assert!(seen > 100, "{seen}");
}
