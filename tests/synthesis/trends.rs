//! Trends over drainage and wetness.

use bandlift::config::ArchiveSettings;
use bandlift::points::Caution;
use bandlift::results::{Gradient, SiteYear, Trend};
use bandlift::stats::distribution::{NoncentralT, StudentT};
use bandlift::stats::linear::paired_t;
use bandlift::synthesise;

use crate::site_years::{Draw, KG_HA, World, settings, without_errors};
use crate::support::{Tol, close};

fn trend(site_years: &[SiteYear], archive: &ArchiveSettings, gradient: Gradient) -> Trend {
    let synthesis = synthesise::run(site_years, archive);
    synthesis.trends.into_iter().find(|trend| trend.gradient == gradient).unwrap()
}

/// Every class in every block of every site-year, one season each.
fn full(slope: f64, site_slope: f64) -> World {
    World {
        class_means: vec![2.0 - slope, 2.0, 2.0 + slope],
        wetness_slope: 0.0,
        interaction: 0.0,
        site_slope,
        site_class: 0.0,
        presence: 1.0,
        blocks: (4, 4),
        seasons: 60,
        ..World::default()
    }
}

/// The slope of each site-year over the classes, by least squares on its class means.
fn own_slopes(site_years: &[SiteYear]) -> Vec<f64> {
    site_years
        .iter()
        .map(|one| {
            let mean = |class: usize| {
                let own: Vec<f64> = one
                    .differences
                    .iter()
                    .filter(|one| one.key.class == Some(class))
                    .map(|one| one.difference)
                    .collect();
                own.iter().sum::<f64>() / own.len() as f64
            };
            (mean(2) - mean(0)) / 2.0
        })
        .collect()
}

#[test]
fn the_trend_over_drainage_is_that_of_the_site_years_own_slopes() {
    let site_years = without_errors(Draw::new(4).archive(&full(2.0, 4.0), 8, &settings()).0);
    let found = trend(&site_years, &settings(), Gradient::Drainage);
    let test = paired_t(&own_slopes(&site_years)).unwrap();
    assert_eq!(found.site_years, 8);
    close("slope", found.estimate.mean.unwrap(), test.mean, Tol::abs(0.3 * KG_HA));
    close("standard error", found.estimate.std_error.unwrap(), test.se, Tol::rel(0.25));
}

/// Power against the non-central t distribution of the site-years' slopes (Student's t on as many degrees of freedom as
/// site-years less one): the test on the archive must come near it, and keep its level without a trend.
#[test]
fn the_trend_test_has_the_level_and_comes_near_the_power_that_the_noncentral_t_gives_it() {
    const RUNS: u32 = 60;
    let (site_years, level) = (6, 0.10);
    for (slope, of_blocks) in [(0.0, true), (1.5, true), (0.0, false), (1.5, false)] {
        let world = World { segment_model: Some((1.0, 30.0)), ..full(slope, 1.2) };
        let mut rejected = 0;
        for seed in 0..RUNS {
            let drawn = Draw::new(u64::from(seed)).archive(&world, site_years, &settings()).0;
            let drawn = if of_blocks { without_errors(drawn) } else { drawn };
            let found = trend(&drawn, &settings(), Gradient::Drainage);
            rejected += u32::from(found.estimate.p_value.unwrap() < level);
        }
        // Variance of a site-year's slope: its own, and that of the differences of its outer classes over 2, with 3 to 12
        // segments a class and block, whose mean inverse is 0.1621.
        let variance = world.site_slope.powi(2) + 2.0 * world.segment.powi(2) * 0.1621 / 4.0 / 4.0;
        let delta = slope / (variance / site_years as f64).sqrt();
        let df = site_years as f64 - 1.0;
        let critical = StudentT::new(df).unwrap().quantile(1.0 - level / 2.0).unwrap();
        let alternative = NoncentralT::new(df, delta).unwrap();
        let expected = alternative.survival(critical) + alternative.cdf(-critical);
        let found = f64::from(rejected) / f64::from(RUNS);
        // Three standard errors of a share over the runs; the priors, wider than the spread drawn here, cost power with few
        // site-years, at most two fifths of it.
        let width = 3.0 * (expected * (1.0 - expected) / f64::from(RUNS)).sqrt();
        let least = if slope > 0.0 { 0.6 * expected } else { 0.0 };
        assert!(
            found < expected + width && found > least - width,
            "slope {slope}: {found} of the runs, {expected} expected ± {width}"
        );
    }
}

#[test]
fn a_slope_over_wetness_takes_five_site_years_four_seasons_and_a_real_range() {
    let world = World { seasons: 5, presence: 1.0, ..World::default() };
    let few = Draw::new(1).archive(&world, 4, &settings()).0;
    let not_told = trend(&few, &settings(), Gradient::Wetness);
    assert!(not_told.estimate.mean.is_none() && not_told.cautions.contains(Caution::NotEstimable));
    assert!(not_told.cautions.iter().any(|(_, detail)| detail.contains("4 of the 5 site-years")));

    let mut alike = Draw::new(1).archive(&world, 8, &settings()).0;
    for (at, one) in alike.iter_mut().enumerate() {
        one.wetness_mm = Some(3.0 * at as f64);
    }
    let not_told = trend(&alike, &settings(), Gradient::Wetness);
    assert!(not_told.estimate.mean.is_none());
    assert!(not_told.cautions.iter().any(|(_, detail)| detail.contains("span 21 mm")), "{:?}", not_told.cautions);

    // departures that are those of their seasons: three tell no slope, whatever the number of fields; one season in which they
    // differ does
    let by_season = World { departure_mm: (60.0, 3.0), seasons: 3, ..world.clone() };
    let not_told = trend(&Draw::new(2).archive(&by_season, 12, &settings()).0, &settings(), Gradient::Wetness);
    assert!(not_told.estimate.mean.is_none());
    assert!(
        not_told.cautions.iter().any(|(_, detail)| detail.starts_with("3 of the 4 seasons")),
        "{:?}",
        not_told.cautions
    );
    let within = World { departure_mm: (0.0, 60.0), seasons: 1, ..world };
    let told = trend(&Draw::new(2).archive(&within, 8, &settings()).0, &settings(), Gradient::Wetness);
    assert!(told.estimate.df.unwrap() <= 6.0 + 1e-9 && told.estimate.mean.is_some());
}

/// Without a slope, one in ten p values falls below 0.10; seasons differ, too.
#[test]
fn seasons_are_not_taken_for_wetness() {
    const RUNS: u32 = 80;
    for seasons in [4, 6] {
        let world = World {
            class_means: vec![2.0; 3],
            wetness_slope: 0.0,
            interaction: 0.0,
            season: 2.5,
            seasons,
            departure_mm: (45.0, 3.0),
            segment_model: Some((0.55, 12.0)),
            ..World::default()
        };
        let (mut told, mut rejected) = (0_u32, 0_u32);
        for seed in 0..RUNS {
            let drawn = Draw::new(900 + u64::from(seed)).archive(&world, 4 * seasons, &settings()).0;
            let found = trend(&drawn, &settings(), Gradient::Wetness);
            told += u32::from(found.estimate.p_value.is_some());
            rejected += u32::from(found.estimate.p_value.is_some_and(|p| p < 0.10));
        }
        let (share, width) = (f64::from(rejected) / f64::from(told), 3.0 * (0.09 / f64::from(told)).sqrt());
        assert!(told > RUNS / 2 && share < 0.10 + width, "{seasons} seasons: {share} of {told}");
    }
}

#[test]
fn a_slope_over_wetness_is_found_and_has_at_most_site_years_less_two_degrees_of_freedom() {
    let world = World {
        wetness_slope: 8.0,
        interaction: 4.0,
        site_year: 1.0,
        site_class: 0.5,
        block: 1.0,
        segment: 3.0,
        seasons: 16,
        presence: 1.0,
        ..World::default()
    };
    let site_years = Draw::new(9).archive(&world, 16, &settings()).0;
    let slope = trend(&site_years, &settings(), Gradient::Wetness);
    close("slope", slope.estimate.mean.unwrap() / KG_HA * 100.0, 8.0, Tol::abs(2.0));
    assert!(slope.estimate.df.unwrap() <= 14.0 + 1e-6, "{:?}", slope.estimate.df);
    assert!(slope.estimate.low.unwrap() > 0.0);
    let both = trend(&site_years, &settings(), Gradient::DrainageByWetness);
    close("interaction", both.estimate.mean.unwrap() / KG_HA * 100.0, 4.0, Tol::abs(1.5));
}
