//! Where to treat: decisions under an outlook, and what zones are worth.

use bandlift::batch::conclude;
use bandlift::points::Caution;
use bandlift::results::{Advice, Decision, SiteYear, ZoneResponse};
use bandlift::targeting::{Outlook, advise, value_of_zoning, without_optimism};

use crate::site_years::{Draw, KG_HA, World, settings};
use crate::support::{Tol, close};

const BAND: (&str, &str) = ("corn", "band");

fn drawn(world: &World, count: usize, seed: u64) -> Vec<SiteYear> {
    Draw::new(seed).archive(&World { segment_model: Some((0.55, 12.0)), ..world.clone() }, count, &settings()).0
}

fn zones(site_years: &[SiteYear]) -> Vec<ZoneResponse> {
    conclude(site_years, &settings()).synthesis.zones
}

fn steep() -> World {
    World { class_means: vec![-4.0, 4.0, 14.0], site_class: 0.5, site_year: 1.0, presence: 1.0, ..World::default() }
}

fn at(zones: &[ZoneResponse], class: usize, outlook: &str) -> Advice {
    let settings = settings();
    let outlook = Outlook::parse(outlook, settings.wetness.as_ref()).unwrap();
    advise(zones, &settings, BAND, Some(class), &outlook).unwrap()
}

const EVEN: &str = "drier=0.34,near normal=0.33,wetter=0.33";

#[test]
fn what_surely_pays_is_treated_and_what_surely_does_not_is_left() {
    let zones = zones(&drawn(&steep(), 20, 4));
    let (dry, wet) = (at(&zones, 0, EVEN), at(&zones, 2, EVEN));
    assert_eq!((dry.decision, wet.decision), (Decision::Leave, Decision::Treat));
    assert!(wet.net_return.unwrap() > 0.0 && dry.net_return.unwrap() < 0.0);
    close(
        "net",
        wet.net_return.unwrap() * 0.404_685_642_24,
        4.20 * wet.response.unwrap() / KG_HA - 16.0,
        Tol::abs(0.01),
    );
    // the average is surer than any one field
    assert!(wet.probability_pays.unwrap() >= wet.probability_new_site_pays.unwrap());
    let (low, high) = wet.interval.unwrap();
    assert!(low < wet.response.unwrap() && wet.response.unwrap() < high);
}

#[test]
fn a_wetter_outlook_raises_what_is_expected_where_wet_springs_raise_the_response() {
    let world = World { wetness_slope: 12.0, seasons: 20, ..steep() };
    let zones = zones(&drawn(&world, 40, 6));
    let dry = at(&zones, 1, "drier=0.9,near normal=0.1,wetter=0").response.unwrap();
    let wet = at(&zones, 1, "drier=0,near normal=0.1,wetter=0.9").response.unwrap();
    assert!(wet > dry + 3.0 * KG_HA, "{dry} {wet}");
}

#[test]
fn two_site_years_decide_nothing() {
    let zones = zones(&drawn(&steep(), 2, 4));
    let advice = at(&zones, 2, EVEN);
    assert_eq!(advice.decision, Decision::Test);
    assert!(advice.response.is_none() && advice.net_return.is_none());
}

#[test]
fn an_outlook_of_few_seasons_is_doubted() {
    let settings = settings();
    let zones = zones(&drawn(&steep(), 8, 4));
    let outlook = Outlook::of_seasons(&[0.0, 40.0, -3.0], settings.wetness.as_ref().unwrap());
    let advice = advise(&zones, &settings, BAND, Some(2), &outlook).unwrap();
    assert!(advice.cautions.contains(Caution::OutlookShort));
    assert!(advise(&zones, &settings, ("corn", "other"), Some(2), &outlook).is_none());
}

fn honest(world: &World, count: usize, seed: u64) -> bandlift::results::ZoningValue {
    let settings = settings();
    let site_years = drawn(world, count, seed);
    value_of_zoning(&site_years, &settings, BAND, |_| Outlook::none(), zones).unwrap()
}

#[test]
fn zones_that_differ_are_worth_their_trouble_and_zones_that_do_not_are_not_shown_to_be() {
    let value = honest(&steep(), 14, 9);
    assert_eq!(value.site_years, 14);
    // by hand: the three classes at −4, 4 and 14 bu/ac: everything earns 4.20 × 4.67 − 16 = 3.6, the right zones
    // (0.8 + 42.8)/3 = 14.5 USD/ac
    assert!(value.is_shown && value.gain > 0.0, "{value:?}");
    close("everything", value.blanket * 0.404_685_642_24, 3.6, Tol::abs(5.0));
    close("zones", value.zoned * 0.404_685_642_24, 14.5, Tol::abs(5.0));
    assert!(value.probability.unwrap() > 0.9 && value.promised > 0.0, "{value:?}");
    // the same response everywhere
    let alike =
        World { class_means: vec![6.0; 3], wetness_slope: 0.0, interaction: 0.0, site_class: 0.0, ..World::default() };
    let mut shown = 0;
    for seed in 0..6 {
        shown += u32::from(honest(&alike, 8, 40 + seed).is_shown);
    }
    assert!(shown <= 1, "{shown} of 6");
}

/// What is still expected to pay after the optimism is treated; the rest is tested, with the reason.
#[test]
fn ground_that_does_not_pay_after_the_optimism_is_tested() {
    let zones = zones(&drawn(&steep(), 14, 9));
    let wet = at(&zones, 2, EVEN);
    assert_eq!(wet.decision, Decision::Treat);
    let value =
        |optimism: f64| bandlift::results::ZoningValue { optimism: Some((optimism, 0.0)), ..honest(&steep(), 14, 9) };
    let net = wet.net_return.unwrap();
    let kept = without_optimism(wet.clone(), Some(&value(0.9 * net)));
    assert_eq!(kept, wet);
    let tested = without_optimism(wet.clone(), Some(&value(1.1 * net)));
    assert_eq!(tested.decision, Decision::Test);
    assert!(tested.cautions.contains(Caution::PromisedTooMuch));
    assert_eq!(without_optimism(wet.clone(), None), wet);
}

/// Left-out fields of two seasons tell nothing of other seasons.
#[test]
fn fields_of_two_seasons_do_not_show_what_zones_are_worth() {
    let value = honest(&World { seasons: 2, ..steep() }, 14, 9);
    assert!(value.gain > 0.0 && value.probability.unwrap() > 0.8 && !value.is_shown, "{value:?}");
}

#[test]
fn too_few_site_years_tell_nothing_of_zones() {
    let settings = settings();
    let site_years = drawn(&steep(), 3, 1);
    assert!(value_of_zoning(&site_years, &settings, BAND, |_| Outlook::none(), zones).is_none());
}
