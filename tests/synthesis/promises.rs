//! Promises of plans, in archives that grow season by season: kept where the model's assumptions hold, and told where they are not.

use bandlift::batch::conclude;
use bandlift::economics::price_response;
use bandlift::results::{Decision, Estimate, Record, ScoredPromise, SiteYear};
use bandlift::targeting::{Outlook, advise, for_field, promise, record, score};

use crate::site_years::{Draw, KG_HA, Layout, World, settings};

const BAND: (&str, &str) = ("corn", "band");
/// Ground that stands for each class of a field, m².
const GROUND_M2: f64 = 50_000.0;

/// Plans each season from `from` on by those before it, and scores it by its harvest.
fn grown(mut site_years: Vec<SiteYear>, from: i32) -> Vec<ScoredPromise> {
    let settings = settings();
    let wetness = settings.wetness.as_ref().unwrap();
    let (crop, treatment) = (&settings.crops["corn"], settings.treatment("band").unwrap());
    for response in site_years.iter_mut().flat_map(|one| &mut one.responses) {
        price_response(response, crop, treatment);
    }
    let last = site_years.iter().map(|one| one.identity.season).max().unwrap();
    let mut scored = Vec::new();
    for season in from..=last {
        let (known, own): (Vec<SiteYear>, Vec<SiteYear>) = site_years
            .iter()
            .filter(|one| one.identity.season <= season)
            .cloned()
            .partition(|one| one.identity.season < season);
        let synthesis = conclude(&known, &settings).synthesis;
        let departures: Vec<f64> = known.iter().filter_map(|one| one.wetness_mm).collect();
        let outlook = Outlook::of_seasons(&departures, wetness);
        let mut promises = Vec::new();
        for one in &own {
            let place = (one.identity.farm.as_str(), one.identity.field.as_str());
            let classes: Vec<Option<usize>> = one.responses.iter().map(|response| response.key.class).collect();
            let has_classes = classes.iter().any(Option::is_some);
            for class in classes.into_iter().filter(|class| class.is_some() == has_classes) {
                let Some(advice) = advise(&synthesis.zones, &settings, BAND, class, &outlook) else { continue };
                let advice = match synthesis.of_field(BAND, place, class) {
                    Some(own) => for_field(advice, &synthesis.zones, &settings, own),
                    None => advice,
                };
                let treat_m2 = if advice.decision == Decision::Treat { GROUND_M2 } else { 0.0 };
                let decision = (advice.decision, treat_m2);
                promises.extend(promise(&advice, place, (season, season - 1), decision, &outlook.shares, 0.90));
            }
        }
        scored.extend(score(&promises, &own));
    }
    scored
}

fn kept(scored: Vec<ScoredPromise>) -> Record {
    record("corn", scored, 0.90).unwrap()
}

/// New fields each season; from 2005 on the responses change by so much more each season, bu/ac.
fn world(seed: u64, drift: f64) -> Vec<SiteYear> {
    let world = World { segment_model: Some((0.55, 12.0)), seasons: 10, season: 1.5, ..World::default() };
    let mut site_years = Draw::new(seed).archive(&world, 40, &settings()).0;
    for one in site_years.iter_mut().filter(|one| one.identity.season >= 2005) {
        let shift = drift * f64::from(one.identity.season - 2004);
        for response in &mut one.responses {
            let own = response.estimate;
            let (mean, std_error, df) = (own.mean.unwrap(), own.std_error.unwrap(), own.df.unwrap());
            response.estimate = Estimate::of_t(mean + shift * KG_HA, std_error, df, 0.90).unwrap();
        }
    }
    site_years
}

/// A single step is told once and then known to the plans (of 16 archives whose later seasons all lie 20 bu/ac lower, 6 are told: after
/// the first season the intervals are wide enough); a change that goes on breaks promise after promise.
#[test]
fn promises_are_kept_where_the_assumptions_hold_and_told_where_a_change_breaks_them() {
    let (mut inside, mut count, mut broken, mut told) = (0, 0, 0, 0);
    let (mut promised, mut made) = (0.0, 0.0);
    const ARCHIVES: u64 = 8;
    for seed in 0..ARCHIVES {
        let record = kept(grown(world(500 + seed, 0.0), 2004));
        assert_eq!(record.seasons, 6);
        inside += record.inside;
        count += record.scored.len();
        broken += usize::from(record.is_broken());
        if let Some(money) = record.money {
            promised += money.promised;
            made += money.made;
        }
        told += usize::from(kept(grown(world(500 + seed, -10.0), 2005)).is_broken());
    }
    let share = inside as f64 / count as f64;
    // the spread between farms and fields, of which these archives have none, leaves the intervals somewhat too wide: 96 % of 991
    assert!((0.88..=0.985).contains(&share), "{inside} of {count}: {share}");
    assert!(broken <= 1 && told >= 7, "{broken} {told}");
    // what is promised is made, within what ten seasons of luck leave open
    assert!(promised > 0.0 && made > 0.5 * promised && made < 1.5 * promised, "{promised} {made}");
}

/// The same fields in every season: what their own strips showed moves the promise, and it is kept.
#[test]
fn promises_of_fields_with_strips_of_their_own_are_kept() {
    let layout =
        Layout { farms: 3, fields: 9, seasons: 7, farm: 1.0, field: 2.0, season: 2.0, rest: 2.0, std_error: 1.5 };
    let (mut inside, mut count) = (0, 0);
    for seed in 0..20 {
        let record = kept(grown(Draw::new(900 + seed).layout(&layout, &settings()).0, 2003));
        inside += record.inside;
        count += record.scored.len();
    }
    let share = inside as f64 / count as f64;
    assert!((0.85..=0.96).contains(&share), "{inside} of {count}: {share}");
}

#[test]
fn a_promise_made_when_the_harvest_was_in_is_not_scored() {
    let settings = settings();
    let site_years = world(7, 0.0);
    let (known, own): (Vec<SiteYear>, Vec<SiteYear>) =
        site_years.into_iter().partition(|one| one.identity.season < 2009);
    let zones = conclude(&known, &settings).synthesis.zones;
    let advice = advise(&zones, &settings, BAND, None, &Outlook::none()).unwrap();
    let place = (own[0].identity.farm.as_str(), own[0].identity.field.as_str());
    let made = |known_to: i32, season: i32| {
        let decision = (advice.decision, 0.0);
        score(&[promise(&advice, place, (season, known_to), decision, &[], 0.90).unwrap()], &own).len()
    };
    assert_eq!(made(2008, 2009), 1);
    assert_eq!(made(2009, 2009), 0);
    assert_eq!(made(2010, 2009), 0);
    // a season without a harvest waits
    assert_eq!(made(2009, 2010), 0);
    assert!(record("corn", Vec::new(), 0.90).is_none());
}
