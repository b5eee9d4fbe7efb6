//! Rates in archives with a known curve: which tested rate returns most, and nothing beyond what was tested.

use bandlift::batch::conclude;
use bandlift::config::ArchiveSettings;
use bandlift::report;
use bandlift::results::{DoseCurve, DoseForm, Outline, SiteYear};

use crate::site_years::{Draw, KG_HA, SETTINGS, World, settings};

/// Rates with what a true response of each costs to reach, fl oz/ac and USD/ac.
const RATES: [(&str, f64, f64); 4] = [("r4", 4.0, 6.0), ("r8", 8.0, 12.0), ("r12", 12.0, 18.0), ("r16", 16.0, 24.0)];

fn treatments(rates: &[(&str, f64, f64)]) -> String {
    let one = |(key, rate, cost): &(&str, f64, f64)| {
        format!("[treatments.{key}]\nlabel = \"{rate} oz\"\ncost = \"{cost} USD/ac\"\nrate = \"{rate} fl oz/ac\"\n")
    };
    rates.iter().map(one).collect()
}

fn priced(rates: &[(&str, f64, f64)]) -> ArchiveSettings {
    ArchiveSettings::parse("archive.toml", &format!("{SETTINGS}{}", treatments(rates))).unwrap()
}

/// The same site-years under several treatments, whose true mean responses (bu/ac) are told by the rate.
fn drawn(rates: &[(&str, f64, f64)], response: impl Fn(f64) -> f64, seed: u64) -> Vec<SiteYear> {
    let flat = World {
        class_means: vec![0.0; 3],
        wetness_slope: 0.0,
        interaction: 0.0,
        segment_model: Some((0.55, 12.0)),
        site_year: 1.0,
        site_class: 0.5,
        presence: 1.0,
        ..World::default()
    };
    let mut all: Vec<SiteYear> = Vec::new();
    for (at, (key, rate, _)) in rates.iter().enumerate() {
        let own = Draw::new(100 * seed + at as u64).archive(&flat, 12, &settings()).0;
        for (place, mut one) in own.into_iter().enumerate() {
            let shift = response(*rate) * KG_HA;
            for difference in &mut one.differences {
                (*key).clone_into(&mut difference.key.treatment);
                difference.difference += shift;
            }
            for response in &mut one.responses {
                (*key).clone_into(&mut response.key.treatment);
                let estimate = &mut response.estimate;
                for value in [&mut estimate.mean, &mut estimate.low, &mut estimate.high].into_iter().flatten() {
                    *value += shift;
                }
            }
            match all.get_mut(place) {
                Some(known) => {
                    known.responses.extend(one.responses);
                    known.differences.extend(one.differences);
                }
                None => all.push(one),
            }
        }
    }
    all
}

/// Rises to a plateau of 9 bu/ac at 8 fl oz/ac.
fn plateau(rate: f64) -> f64 {
    let up = rate.min(8.0);
    9.0 * (2.0 * up / 8.0 - (up / 8.0).powi(2))
}

fn curves(rates: &[(&str, f64, f64)], response: impl Fn(f64) -> f64, seed: u64) -> Vec<DoseCurve> {
    conclude(&drawn(rates, response, seed), &priced(rates)).doses
}

/// By hand, at 4.20 USD/bu: 6.75 bu less 6 USD return 22.4 USD/ac at 4, 9 bu less 12, 18 and 24 return 25.8, 19.8 and 13.8.
#[test]
fn the_most_profitable_tested_rate_is_found_and_none_beyond_is_named() {
    let (mut holds, mut covered, mut points) = (0, 0, 0);
    for seed in 0..10 {
        let found = curves(&RATES, plateau, seed);
        let [curve] = &found[..] else { panic!("{found:?}") };
        let rates = &curve.rates;
        assert_eq!(rates.iter().map(|one| one.treatment.as_str()).collect::<Vec<_>>(), ["r4", "r8", "r12", "r16"]);
        let sum = curve.probability_nothing_best + rates.iter().map(|one| one.probability_best).sum::<f64>();
        assert!((sum - 1.0).abs() < 1e-9 && (curve.forms.iter().map(|one| one.1).sum::<f64>() - 1.0).abs() < 1e-6);
        holds += u32::from(rates[1].in_range);
        assert!(curve.curve.iter().all(|point| point.0 <= rates[3].rate_per_ha * (1.0 + 1e-9)));
        for (one, (_, rate, _)) in rates.iter().zip(RATES) {
            let (_, low, high) = one.fitted;
            covered += u32::from((low..=high).contains(&(plateau(rate) * KG_HA)));
            points += 1;
        }
    }
    assert!(holds >= 9 && covered >= 32, "{holds} {covered} of {points}");
}

#[test]
fn two_rates_have_no_plateau_and_one_has_no_curve() {
    let two = curves(&RATES[..2], plateau, 3);
    assert!(two[0].forms.iter().all(|(form, _)| *form != DoseForm::QuadraticPlateau));
    assert!(curves(&RATES[..1], plateau, 3).is_empty());
    // two products put down together are not rates of one
    let both =
        format!("{SETTINGS}{}[treatments.both]\ncost = \"30 USD/ac\"\nof = [\"r4\", \"r8\"]\n", treatments(&RATES));
    let both = ArchiveSettings::parse("archive.toml", &both).unwrap();
    assert!(conclude(&drawn(&RATES, plateau, 3), &both).doses.is_empty());
    let written = |rates: &[(&str, f64, f64)]| {
        let (site_years, settings) = (drawn(rates, plateau, 3), priced(rates));
        let conclusions = conclude(&site_years, &settings);
        let files = report::archive(&site_years, &conclusions, &Outline::default(), &[], &settings).unwrap();
        let index = files.iter().find(|file| file.name == "index.html").unwrap();
        let text = String::from_utf8(index.bytes.clone()).unwrap();
        (files.iter().find(|file| file.name == "doses.csv").map(|file| file.bytes.clone()), text)
    };
    let (table, index) = written(&RATES[..2]);
    let table = String::from_utf8(table.unwrap()).unwrap();
    assert!(table.lines().nth(1).unwrap().starts_with("corn,check,0,fl oz/ac,"), "{table}");
    assert!(table.lines().all(|line| line.contains("first") || line.contains(report::LABEL_FIRST)), "{table}");
    assert!(
        index.contains("With two rates only a straight line and a parabola") && index.contains("Response over rates")
    );
    let (table, index) = written(&RATES[..1]);
    assert!(table.is_none() && !index.contains("over rates") && !index.contains("parabola"));
}
