//! Whether fields with more difference in a rating have more response.

use bandlift::batch::conclude;
use bandlift::points::{Cautions, Scale};
use bandlift::report;
use bandlift::results::{Blind, Estimate, ObservedDifference, SiteYear};
use bandlift::synthesise;

use crate::site_years::{Draw, KG_HA, World, settings};
use crate::support::{Tol, close};

/// A rating of each site-year whose odds halve for each `bu_ac` of response; `noise` disturbs it.
fn rated(site_years: &mut [SiteYear], bu_ac: f64, noise: f64) {
    for (at, one) in site_years.iter_mut().enumerate() {
        let whole = one.responses.iter().find(|response| response.key.class.is_none()).unwrap();
        let halvings = whole.estimate.mean.unwrap() / (bu_ac * KG_HA) + noise * [1.0, -1.0, 0.5, -0.5][at % 4];
        let ln = -halvings * std::f64::consts::LN_2;
        one.observed = vec![ObservedDifference {
            measure: "crown rot".to_owned(),
            scale: Scale::Ordinal(vec!["healthy".to_owned(), "rotted".to_owned()]),
            treatment: whole.key.treatment.clone(),
            class: None,
            class_name: "all".to_owned(),
            blocks: 4,
            strips: 8,
            spots: 16,
            plants: 160,
            check: Some(40.0),
            treated: Some(20.0),
            estimate: Estimate::of_mean(ln),
            difference: Some(ln.exp()),
            low: None,
            high: None,
            observers: Vec::new(),
            blind: Blind::Yes,
            days: None,
            cautions: Cautions::default(),
        }];
    }
}

fn site_years(count: usize) -> Vec<SiteYear> {
    Draw::new(11).archive(&World::default(), count, &settings()).0
}

#[test]
fn a_response_that_goes_with_a_rating_is_reported_as_an_association() {
    let mut site_years = site_years(8);
    rated(&mut site_years, 2.0, 0.05);
    let synthesis = synthesise::run(&site_years, &settings());
    let found = &synthesis.associations[0];
    assert_eq!((found.site_years, found.estimate.df), (8, Some(6.0)));
    // each doubling of the odds goes with 2 bu/ac less
    close("slope", found.estimate.mean.unwrap(), -2.0 * KG_HA, Tol::abs(0.2 * KG_HA));
    assert!(found.estimate.high.unwrap() < 0.0);
    let answers = report::answers(&conclude(&site_years, &settings()), &settings());
    assert!(
        answers[0].text.contains("crown rot") && answers[0].text.contains("an association, which need not be a cause")
    );
}

#[test]
fn what_does_not_go_together_is_not_told_as_if_it_did() {
    let mut site_years = site_years(8);
    rated(&mut site_years, 1e9, 1.0);
    let synthesis = synthesise::run(&site_years, &settings());
    let estimate = &synthesis.associations[0].estimate;
    assert!(estimate.low.unwrap() < 0.0 && estimate.high.unwrap() > 0.0, "{estimate:?}");
    let answers = report::answers(&conclude(&site_years, &settings()), &settings());
    assert!(answers[0].text.contains("are not shown") && !answers[0].text.contains("goes with the difference"));
}

#[test]
fn four_site_years_tell_nothing_of_it() {
    let mut site_years = site_years(4);
    rated(&mut site_years, 2.0, 0.05);
    assert!(synthesise::run(&site_years, &settings()).associations.is_empty());
}
