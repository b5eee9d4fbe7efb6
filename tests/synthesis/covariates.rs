//! The response along covariates over site-years: slopes within fields, their change with wetness, and values of whole fields.
#![allow(clippy::print_stderr, reason = "the share is what is measured")]

use bandlift::points::{Caution, Cautions, CovariateKind};
use bandlift::results::{CovariateAnswer, Estimate, Interaction, PooledInteraction, SiteYear, Term};
use bandlift::synthesise;

use crate::site_years::{Draw, World, settings};
use crate::support::{Tol, close};

fn covariate(name: &str, kind: CovariateKind, unit: &str) -> CovariateAnswer {
    CovariateAnswer {
        name: name.to_owned(),
        kind,
        unit: unit.to_owned(),
        joined_by: "the nearest point within 75 m".to_owned(),
        known_share: 1.0,
        mean: None,
        std_dev: None,
        classes: Vec::new(),
        field_value: None,
        interactions: Vec::new(),
    }
}

/// A slope of kg/ha per percent, with its standard error.
fn sloped(site_year: &mut SiteYear, slope: f64, error: f64, std_dev: f64) {
    let treatment = site_year.responses[0].key.treatment.clone();
    let interaction = Interaction {
        treatment,
        class: None,
        blocks: 4,
        segments: 60,
        response: Estimate::default(),
        change: Estimate::of_t(slope, error, 30.0, 0.9).unwrap(),
        p_holm: None,
        asked: 1,
        why: None,
        cautions: Cautions::default(),
    };
    let clay = covariate("clay", CovariateKind::Number, "%");
    site_year.covariates.push(CovariateAnswer { std_dev: Some(std_dev), interactions: vec![interaction], ..clay });
}

fn site_years(seed: u64, count: usize) -> Vec<SiteYear> {
    Draw::new(seed).archive(&World { seasons: 5, ..World::default() }, count, &settings()).0
}

fn found(site_years: &[SiteYear], term: Term) -> Vec<PooledInteraction> {
    let all = synthesise::run(site_years, &settings()).covariates;
    all.into_iter().filter(|one| one.term == term).collect()
}

#[test]
fn slopes_are_pooled_by_a_random_effects_mean() {
    let mut all = site_years(3, 10);
    let mut draw = Draw::new(5);
    for one in &mut all {
        // site-years differ by 10, each known to 15
        let slope = 40.0 + 10.0 * draw.normal() + 15.0 * draw.normal();
        sloped(one, slope, 15.0, 5.0);
    }
    let mean = &found(&all, Term::Slope)[0];
    assert_eq!((mean.site_years, mean.seasons), (10, 5));
    close("slope", mean.change.mean.unwrap(), 40.0, Tol::abs(18.0));
    assert!(mean.change.low.unwrap() > 0.0 && mean.tau.unwrap() > 0.0);
    close("standard deviation", mean.std_dev.unwrap(), 5.0, Tol::rel(1e-12));
    // the error of a mean of ten that are each known to 15 is above 15/√10, and not far
    let error = mean.change.std_error.unwrap();
    assert!((15.0 / 10.0_f64.sqrt()..12.0).contains(&error), "{error}");
    // the same in another unit is the same: half the slope, twice the spread
    for one in &mut all {
        one.covariates.clear();
        sloped(one, 20.0, 7.5, 10.0);
    }
    let half = &found(&all, Term::Slope)[0];
    close("slope", half.change.mean.unwrap(), 20.0, Tol::abs(0.1));
}

#[test]
fn intervals_of_pooled_slopes_hold_the_truth() {
    let (mut held, trials) = (0, 60);
    for seed in 0..trials {
        let mut all = site_years(seed, 6);
        let mut draw = Draw::new(1_000 + seed);
        let mut of_season = std::collections::BTreeMap::new();
        for one in &mut all {
            let season = *of_season.entry(one.identity.season).or_insert_with(|| 8.0 * draw.normal());
            let slope = 25.0 + season + 8.0 * draw.normal() + 12.0 * draw.normal();
            sloped(one, slope, 12.0, 4.0);
        }
        let change = found(&all, Term::Slope)[0].change;
        held += i32::from(change.low.unwrap() <= 25.0 && 25.0 <= change.high.unwrap());
    }
    let share = f64::from(held) / trials as f64;
    eprintln!("pooled slopes: {share:.3} hold the truth");
    // the prior believes that slopes of a standard deviation differ by 1 % of the yield, three times what these do
    assert!(share >= 0.9, "{share}");
}

#[test]
fn slopes_that_change_with_wetness_are_reported() {
    let mut all = site_years(7, 14);
    for one in &mut all {
        let slope = 30.0 + 0.5 * one.wetness_mm.unwrap();
        sloped(one, slope, 4.0, 5.0);
    }
    let change = &found(&all, Term::SlopeByWetness)[0];
    close("change for a millimetre", change.change.mean.unwrap(), 0.5, Tol::abs(0.1));
    assert!(change.change.low.unwrap() > 0.0, "{change:?}");
    // too few site-years, or departures alike, tell nothing and say so
    let few = &found(&all[..4], Term::SlopeByWetness)[0];
    assert_eq!(few.why.as_deref(), Some("4 of the 5 site-years needed"));
    for one in &mut all {
        one.wetness_mm = Some(3.0);
    }
    let alike = &found(&all, Term::SlopeByWetness)[0];
    assert!(alike.why.as_ref().is_some_and(|why| why.contains("the departures span 0 mm")), "{alike:?}");
    assert!(alike.cautions.contains(Caution::NotEstimable));
}

#[test]
fn values_of_whole_fields_are_compared_over_site_years() {
    let mut all = site_years(9, 12);
    // days that do not go with the seasons, which follow each other
    let day = |at: usize| 3 * (5 * at % 12);
    for (at, one) in all.iter_mut().enumerate() {
        let mut planted = covariate("planting date", CovariateKind::Number, "day of the year");
        planted.field_value = Some((110 + day(at)).to_string());
        let mut hybrid = covariate("hybrid", CovariateKind::Class, "");
        hybrid.field_value = Some(if at % 3 == 0 { "F-12" } else { "K-4" }.to_owned());
        one.covariates = vec![planted, hybrid];
        // 100 kg/ha more for each ten days, 500 less under F-12
        let more = 10.0 * day(at) as f64 - if at % 3 == 0 { 500.0 } else { 0.0 };
        for response in one.responses.iter_mut().filter(|response| response.key.class.is_none()) {
            let estimate = &response.estimate;
            let (error, df) = (estimate.std_error.unwrap(), estimate.df.unwrap());
            response.estimate = Estimate::of_t(estimate.mean.unwrap() + more, error, df, 0.9).unwrap();
        }
    }
    let days = &found(&all, Term::BetweenFields)[0];
    let (slope, error) = (days.change.mean.unwrap(), days.change.std_error.unwrap());
    close("slope", slope, 10.0, Tol::abs(3.0 * error));
    assert!(error < 15.0, "{error}");
    assert!(days.change.df.unwrap() <= 10.0);
    let hybrids = found(&all, Term::BetweenClasses);
    assert_eq!(hybrids.iter().map(|one| one.class.as_deref().unwrap()).collect::<Vec<_>>(), ["F-12", "K-4"]);
    close("two sides", hybrids[0].change.mean.unwrap(), -hybrids[1].change.mean.unwrap(), Tol::abs(3.0));
    assert!(hybrids[0].change.high.unwrap() < 0.0, "{hybrids:?}");
    // the two sides of one comparison count once
    assert_eq!((days.asked, hybrids[0].asked), (2, 2));
    assert_eq!(hybrids[0].p_holm, hybrids[1].p_holm);
    assert!(days.p_holm >= days.change.p_value);
    // one class in one site-year tells nothing
    for one in &mut all[1..] {
        one.covariates[1].field_value = Some("K-4".to_owned());
    }
    let lone = &found(&all, Term::BetweenClasses)[0];
    assert_eq!(lone.why.as_deref(), Some("1 site-years with it and 11 without; it takes 5, 2 of either"));
}

#[test]
fn one_name_in_two_units_is_two_covariates() {
    let mut all = site_years(3, 6);
    for (at, one) in all.iter_mut().enumerate() {
        sloped(one, 30.0, 5.0, 5.0);
        one.covariates[0].unit = if at < 3 { "%" } else { "g/kg" }.to_owned();
    }
    let told = found(&all, Term::Slope);
    assert_eq!(told.iter().map(|one| (one.unit.as_str(), one.site_years)).collect::<Vec<_>>(), [("%", 3), ("g/kg", 3)]);
}
