//! The sentences: every number in them stands in the tables, and nothing is said that the numbers do not carry.

use bandlift::batch::conclude;
use bandlift::report;
use bandlift::results::{Conclusions, SiteYear};

use crate::site_years::{Draw, KG_HA, World, settings, without_errors};

fn told(site_years: &[SiteYear]) -> (Conclusions, String) {
    let conclusions = conclude(site_years, &settings());
    let answers = report::answers(&conclusions, &settings());
    assert_eq!(answers.len(), 1);
    assert_eq!(answers[0].title, "at-planting band on corn");
    (conclusions, answers[0].text.clone())
}

fn drawn(world: &World, count: usize, seed: u64) -> Vec<SiteYear> {
    Draw::new(seed).archive(&World { segment_model: Some((0.55, 12.0)), ..world.clone() }, count, &settings()).0
}

#[test]
fn one_and_two_site_years_decide_nothing() {
    for count in [1, 2] {
        let (_, text) = told(&drawn(&World::default(), count, 3));
        for word in ["pay", "would settle", "probability", "USD", "surely"] {
            assert!(!text.contains(word), "{word}: {text}");
        }
        assert!(text.contains("so far"), "{text}");
    }
    let (_, text) = told(&drawn(&World::default(), 2, 3));
    assert!(!text.contains("interval"), "{text}");
    assert!(text.contains("in at least one more site-year"), "{text}");
}

#[test]
fn without_any_estimate_no_number_is_given() {
    let mut site_years = drawn(&World::default(), 3, 3);
    for response in site_years.iter_mut().flat_map(|one| &mut one.responses) {
        response.estimate = bandlift::results::Estimate::default();
    }
    let (_, text) = told(&site_years);
    assert!(text.starts_with("No number can be given for at-planting band on corn"), "{text}");
}

#[test]
fn the_numbers_are_those_of_the_tables() {
    let (conclusions, text) = told(&drawn(&World::default(), 15, 8));
    let zone = conclusions.synthesis.zones.iter().find(|zone| zone.class.is_none() && zone.wetness.is_none()).unwrap();
    let bu = |kg_ha: f64| format!("{:.1}", kg_ha / KG_HA);
    let estimate = &zone.estimate;
    let effect = format!(
        "Over 15 site-years in 8 seasons, at-planting band on corn yielded {} bu/ac more than the check on average (90 % interval {} to {}); {} of the 15 gained (90 % interval of their share ",
        bu(estimate.mean.unwrap()),
        bu(estimate.low.unwrap()),
        bu(estimate.high.unwrap()),
        zone.gained
    );
    assert!(text.contains(&effect), "{text}\n{effect}");
    // Wilson 1927 by hand, z = 1.645: centre (p + 0.0902) / 1.1804 and reach 1.3935 √(p (1 − p) / 15 + 0.003006)
    let p = zone.gained as f64 / 15.0;
    let (centre, reach) = ((p + 0.0902) / 1.1804, 1.3935 * (p * (1.0 - p) / 15.0 + 0.003_006).sqrt());
    let share = format!("{:.0} to {:.0} %).", 100.0 * (centre - reach), 100.0 * (centre + reach).min(1.0));
    assert!(text.contains(&share), "{text}\n{share}");
    assert!(text.contains("At 4.20 USD/bu and a cost of 16.00 USD/ac it takes 3.8 bu/ac to pay"), "{text}");
    // money at the ends of the interval, by hand: 4.20 × response − 16
    let low = (4.20 * estimate.low.unwrap() / KG_HA - 16.0).round() as i64;
    assert!(text.contains(&format!("({low} to ")), "{text}");
    assert!(text.contains("Where precipitation was near normal") || text.contains("near normal is not known yet"));
}

#[test]
fn what_is_shown_is_said_and_what_is_not_is_not() {
    let steep = World { class_means: vec![-4.0, 4.0, 12.0], site_class: 0.5, presence: 1.0, ..World::default() };
    let (_, text) = told(&drawn(&steep, 15, 5));
    assert!(text.contains("From one soil class to the next wetter one the response grows by"), "{text}");
    assert!(text.contains("It pays most surely on: ") && text.contains("wet ("), "{text}");
    assert!(text.contains("least on: dry ("), "{text}");
    let (conclusions, text) =
        told(&drawn(&World { class_means: vec![4.0; 3], interaction: 0.0, ..World::default() }, 6, 1));
    let trend = &conclusions.synthesis.trends[0].estimate;
    assert!(trend.low.unwrap() < 0.0 && trend.high.unwrap() > 0.0);
    assert!(text.contains("is not shown"), "{text}");
}

#[test]
fn an_open_question_says_what_would_settle_it() {
    let close_call = World { class_means: vec![3.8; 3], ..World::default() };
    let (conclusions, text) = told(&drawn(&close_call, 10, 2));
    let worth = conclusions.worth.iter().find(|row| row.is_configured && row.class.is_none()).unwrap();
    let pays = worth.probability_pays.unwrap();
    assert!((0.2..0.8).contains(&pays), "{pays}");
    assert!(text.contains("Whether it pays on average is open: "), "{text}");
    assert!(text.contains("more site-year"), "{text}");
    assert!(text.contains("with a probability of 80 % if the average stays where it is"), "{text}");
}

#[test]
fn doubts_stand_in_the_paragraph() {
    let world = World { seasons: 1, ..World::default() };
    let (_, text) = told(&without_errors(drawn(&world, 4, 2)));
    assert!(text.contains("Reasons to doubt it: "), "{text}");
    assert!(text.contains("one season only") && text.contains("fewer than five site-years"), "{text}");
}

/// Alike on all soils, and just paid for: whichever soil is named, luck named it.
#[test]
fn no_soil_is_named_where_all_are_alike_and_break_even() {
    let alike = World {
        class_means: vec![16.0 / 4.20; 3],
        wetness_slope: 0.0,
        interaction: 0.0,
        presence: 1.0,
        ..World::default()
    };
    let (mut named, mut seldom) = (0, 0);
    for seed in 0..40 {
        let (_, text) = told(&drawn(&alike, 12, 700 + seed));
        named += u32::from(text.contains("pays most surely") || text.contains("pays least on"));
        seldom += u32::from(text.contains("seldom change"));
    }
    assert!(named <= 4 && seldom <= 6, "{named} {seldom}");
}
