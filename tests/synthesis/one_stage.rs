//! The model of block differences against what balanced layouts must give, and the forest.

use bandlift::results::{Estimator, ForestKind, SiteYear};
use bandlift::stats::linear::paired_t;
use bandlift::synthesise;

use crate::site_years::{Draw, KG_HA, World, settings, without_errors};
use crate::support::{Tol, close};

/// Five blocks in each of seven site-years of one season each, all classes everywhere, no standard errors.
fn balanced(seed: u64) -> Vec<SiteYear> {
    let world = World { blocks: (5, 5), presence: 1.0, seasons: 7, site_year: 6.0, ..World::default() };
    without_errors(Draw::new(seed).archive(&world, 7, &settings()).0)
}

/// In a balanced layout the mean over site-years is that of the site-years' means (Pinheiro & Bates 2000, Mixed-Effects Models
/// in S and S-PLUS, section 2.4.2, on balanced one-way layouts), and where the priors say little its standard error is near
/// that of their t test.
#[test]
fn a_balanced_archive_gives_the_mean_of_the_site_years_means() {
    let mut site_years = balanced(1);
    for one in &mut site_years {
        one.identity.farm = "Farm".to_owned();
    }
    let synthesis = synthesise::run(&site_years, &settings());
    let zone = synthesis.zones.iter().find(|zone| zone.class.is_none() && zone.wetness.is_none()).unwrap();
    let means: Vec<f64> = site_years
        .iter()
        .map(|one| {
            let own: Vec<f64> =
                one.differences.iter().filter(|one| one.key.class.is_none()).map(|one| one.difference).collect();
            own.iter().sum::<f64>() / own.len() as f64
        })
        .collect();
    let test = paired_t(&means).unwrap();
    assert_eq!(zone.estimator, Estimator::OneStage);
    close("mean", zone.estimate.mean.unwrap(), test.mean, Tol::abs(0.05 * KG_HA));
    close("standard error", zone.estimate.std_error.unwrap(), test.se, Tol::rel(0.2));
}

#[test]
fn weights_of_a_forest_sum_to_one_and_leaving_one_out_moves_the_mean_away_from_it() {
    let site_years = balanced(2);
    let synthesis = synthesise::run(&site_years, &settings());
    for class in [Some(0), Some(2), None] {
        let rows: Vec<_> = synthesis.forest.iter().filter(|row| row.class == class).collect();
        let site_year_rows: Vec<_> = rows.iter().filter(|row| row.kind == ForestKind::SiteYear).collect();
        assert_eq!(site_year_rows.len(), 7);
        close("weights", site_year_rows.iter().map(|row| row.weight.unwrap()).sum::<f64>(), 1.0, Tol::abs(1e-9));
        let mean = rows.iter().find(|row| row.kind == ForestKind::Mean).unwrap().estimate.mean.unwrap();
        for row in site_year_rows {
            let own = row.estimate.mean.unwrap();
            let without = row.without.unwrap().mean;
            assert!((without - mean) * (own - mean) <= 0.0, "{own} {mean} {without}");
            assert_eq!(row.turns_sign, without * mean < 0.0);
            // Drawn in; its farm draws, too, so that one near the mean may be moved a little away from it.
            let shrunken = row.shrunken.unwrap();
            assert!((shrunken - mean).abs() <= (own - mean).abs() + 2.0 * KG_HA);
        }
        assert_eq!(rows.last().unwrap().kind, ForestKind::NewSiteYear);
    }
}

#[test]
fn every_class_and_wetness_that_occurs_has_a_row_and_no_other() {
    let synthesis = synthesise::run(&balanced(3), &settings());
    let classes: Vec<Option<usize>> =
        synthesis.zones.iter().filter(|zone| zone.wetness.is_none()).map(|zone| zone.class).collect();
    assert_eq!(classes, [Some(0), Some(1), Some(2), None]);
    for zone in &synthesis.zones {
        assert!(zone.site_years > 0);
        match zone.site_years {
            1 => assert_eq!(zone.estimator, Estimator::SingleSiteYear),
            2 => assert_eq!(zone.estimator, Estimator::Pair),
            _ => assert_eq!(zone.estimator, Estimator::OneStage),
        }
    }
}

#[test]
fn shrunken_responses_lie_closer_together_than_the_means() {
    let mut narrower = 0;
    for seed in 0..20 {
        let synthesis = synthesise::run(&balanced(100 + seed), &settings());
        let of = |pick: &dyn Fn(&bandlift::results::ZoneResponse) -> f64| {
            let values: Vec<f64> = synthesis
                .zones
                .iter()
                .filter(|zone| zone.class.is_some() && zone.wetness.is_none())
                .map(pick)
                .collect();
            values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
                - values.iter().copied().fold(f64::INFINITY, f64::min)
        };
        let (plain, shrunken) =
            (of(&|zone| zone.estimate.mean.unwrap()), of(&|zone| zone.shrunken.as_ref().unwrap().mean));
        narrower += usize::from(shrunken < plain);
    }
    assert_eq!(narrower, 20);
}
