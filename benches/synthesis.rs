//! What the synthesis and the plan are worth: bias, coverage, prediction, regret and power on archives with known truth; and
//! how the time of the synthesis grows with the archive.
//!
//! `cargo bench --bench synthesis`; RUNS sets the number of archives of five site-years (fewer of larger ones), 0 leaves all
//! but the time out; ONLY=regret or ONLY=designs prints that part alone.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    missing_docs,
    unreachable_pub,
    reason = "a measurement may stop at the first surprise, and prints what it found"
)]

#[path = "../tests/support/site_years.rs"]
mod site_years;

use std::time::Instant;

use bandlift::batch::conclude;
use bandlift::config::ArchiveSettings;
use bandlift::results::{Gradient, SiteYear, ZoneResponse};
use bandlift::stats::distribution::{NoncentralT, StudentT, standard_normal_cdf};
use bandlift::targeting::{Outlook, advise};
use rayon::prelude::*;
use site_years::{Draw, KG_HA, Layout, World, without_errors};

/// What the segment model is for block differences: some half of the variance, and degrees of freedom of a dozen.
const SEGMENT_MODEL: (f64, f64) = (0.55, 12.0);
const SIZES: [usize; 3] = [5, 15, 60];

fn runs(site_years: usize) -> u64 {
    let most: u64 = std::env::var("RUNS").ok().and_then(|text| text.parse().ok()).unwrap_or(400);
    (most * 5 / site_years as u64).max(most / 8).max(1)
}

/// Sums over zones.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    count: f64,
    error: f64,
    square: f64,
    held: f64,
    width: f64,
    shrunken_square: f64,
    shrunken_held: f64,
    predicted: f64,
    prediction_held: f64,
}

impl Tally {
    fn add(&mut self, zone: &ZoneResponse, truth: f64, new_site: Option<f64>) {
        let (Some(mean), Some(low), Some(high), true) =
            (zone.estimate.mean, zone.estimate.low, zone.estimate.high, zone.estimator.is_pooled())
        else {
            return;
        };
        let inside = |low: f64, value: f64, high: f64| f64::from(u8::from(low <= value && value <= high));
        self.count += 1.0;
        self.error += (mean - truth) / KG_HA;
        self.square += ((mean - truth) / KG_HA).powi(2);
        self.held += inside(low, truth, high);
        self.width += (high - low) / KG_HA;
        if let Some(shrunken) = &zone.shrunken {
            self.shrunken_square += ((shrunken.mean - truth) / KG_HA).powi(2);
            self.shrunken_held += inside(shrunken.low, truth, shrunken.high);
        }
        if let (Some((low, high)), Some(new_site)) = (zone.prediction, new_site) {
            self.predicted += 1.0;
            self.prediction_held += inside(low, new_site, high);
        }
    }

    fn merged(self, other: Self) -> Self {
        Self {
            count: self.count + other.count,
            error: self.error + other.error,
            square: self.square + other.square,
            held: self.held + other.held,
            width: self.width + other.width,
            shrunken_square: self.shrunken_square + other.shrunken_square,
            shrunken_held: self.shrunken_held + other.shrunken_held,
            predicted: self.predicted + other.predicted,
            prediction_held: self.prediction_held + other.prediction_held,
        }
    }

    fn row(&self, name: &str) -> String {
        let share = |part: f64, whole: f64| if whole > 0.0 { format!("{:.3}", part / whole) } else { String::new() };
        format!(
            "| {name} | {:.0} | {:+.2} | {:.2} | {} | {:.1} | {:.2} | {} | {} |",
            self.count,
            self.error / self.count,
            (self.square / self.count).sqrt(),
            share(self.held, self.count),
            self.width / self.count,
            (self.shrunken_square / self.count).sqrt(),
            share(self.shrunken_held, self.count),
            share(self.prediction_held, self.predicted),
        )
    }
}

const HEADER: &str = "| zones | intervals | bias | error | coverage | width | error, shrunken | coverage, shrunken | prediction |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- |";

/// Seconds of one synthesis by the number of site-years, all with estimates of three classes over eight seasons.
fn growth(world: &World, settings: &ArchiveSettings) {
    println!(
        "\nTime of one synthesis, all threads.\n| site-years | s, estimates | s, block differences |\n| --- | --- | --- |"
    );
    for size in [50, 100, 200, 500, 1_000, 5_000, 20_000] {
        let drawn = Draw::new(1).archive(world, size, settings).0;
        let seconds = |site_years: &[SiteYear]| {
            let begun = Instant::now();
            std::hint::black_box(conclude(site_years, settings));
            begun.elapsed().as_secs_f64()
        };
        let of_estimates = seconds(&drawn);
        println!("| {size} | {of_estimates:.3} | {:.3} |", seconds(&without_errors(drawn)));
    }
}

fn main() {
    let settings = site_years::settings();
    // one part alone
    match std::env::var("ONLY").as_deref() {
        Ok("regret") => return regret(&settings),
        Ok("designs") => return designs(&settings),
        _ => {}
    }
    let wet = World { segment_model: Some(SEGMENT_MODEL), season: 2.0, ..World::default() };
    growth(&wet, &settings);
    if std::env::var("RUNS").is_ok_and(|runs| runs == "0") {
        return;
    }
    designs(&settings);
    wetness_level(&settings);
    let wet = World { season: 0.0, ..wet };
    println!("\nZones by soil class, and by class and wetness (bu/ac; intervals of 90 %).\n{HEADER}");
    for size in SIZES {
        coverage("estimates", &wet, size, &settings, &|drawn| drawn, true);
    }
    println!(
        "\nThe same site-years by their block differences, and by estimates that are no better than those.\n{HEADER}"
    );
    for size in SIZES {
        coverage("block differences", &wet, size, &settings, &without_errors, false);
    }
    let no_better = World { segment_model: Some((1.0, 12.0)), ..World::default() };
    for size in SIZES {
        coverage("estimates, variance of the blocks'", &no_better, size, &settings, &|drawn| drawn, false);
    }
    println!("\nOther worlds, by soil class.\n{HEADER}");
    for (name, world) in [
        (
            "no spread between site-years",
            World { site_year: 0.0, site_class: 0.0, wetness_slope: 0.0, interaction: 0.0, ..wet.clone() },
        ),
        ("twice the spread", World { site_year: 6.0, site_class: 3.0, ..wet.clone() }),
        ("seasons differ by 3", World { season: 3.0, ..wet.clone() }),
        ("noise of fields ×0.4 to ×2.5", World { noise_ratio: 2.5, ..wet.clone() }),
    ] {
        for size in SIZES {
            coverage(name, &world, size, &settings, &|drawn| drawn, false);
        }
    }
    regret(&settings);
    power(&settings);
}

/// Layouts of farms × fields × seasons with known truth, by the site-years' estimates.
fn designs(settings: &ArchiveSettings) {
    println!(
        "\nThe long-run mean by layout (bu/ac; 90 % intervals; a mean 2 bu/ac below what pays, told as paying with 80 % or more).\n| farms × fields × seasons | spread | coverage of the mean | width | width, known variances = 1 | told as paying | with known variances | this field next season | a new field next season |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    let runs: u64 = std::env::var("RUNS").ok().and_then(|text| text.parse().ok()).unwrap_or(400).max(1);
    for (farms, fields, seasons) in
        [(1, 3, 1), (1, 5, 1), (1, 5, 2), (1, 4, 3), (1, 4, 5), (1, 8, 4), (1, 40, 8), (2, 8, 4), (4, 12, 5)]
    {
        for (name, scale) in [("half", 0.5), ("as said", 1.0), ("twice", 2.0)] {
            let layout = Layout {
                farms,
                fields,
                seasons,
                farm: 1.5 * scale,
                field: 3.0 * scale,
                season: 2.5 * scale,
                rest: 2.0 * scale,
                std_error: 1.0,
            };
            let sums = (0..runs)
                .into_par_iter()
                .map(|seed| {
                    let (drawn, beyond) = Draw::new(7_000 + seed).layout(&layout, settings);
                    let synthesis = bandlift::synthesise::run(&drawn, settings);
                    let zone = synthesis.zones.iter().find(|one| one.class.is_none() && one.wetness.is_none()).unwrap();
                    let (low, high) = (zone.estimate.low.unwrap(), zone.estimate.high.unwrap());
                    let inside = |low: f64, value: f64, high: f64| {
                        f64::from(u8::from(low <= value * KG_HA && value * KG_HA <= high))
                    };
                    let own = synthesis.of_field(("corn", "band"), ("Farm 0", "Field 000"), None).unwrap();
                    let (new_low, new_high) = zone.prediction.unwrap();
                    let pays = bandlift::economics::probability_above(&zone.estimate, 2.0 * KG_HA).unwrap();
                    [
                        inside(low, 0.0, high),
                        (high - low) / KG_HA,
                        f64::from(u8::from(pays >= 0.8)),
                        inside(own.next_season.low.unwrap(), beyond.first_field_next, own.next_season.high.unwrap()),
                        inside(new_low, beyond.new_field_next, new_high),
                    ]
                })
                .reduce(|| [0.0; 5], |one, other| std::array::from_fn(|at| one[at] + other[at]));
            let [covered, width, pays, own, new] = sums.map(|sum| sum / runs as f64);
            let best = 2.0 * 1.644_853_6 * layout.best_std_error();
            println!(
                "| {farms} × {fields} × {seasons} | {name} | {covered:.3} | {width:.1} | {:.2} | {:.1} % | {:.1} % | {own:.3} | {new:.3} |",
                width / best,
                100.0 * pays,
                // the estimate lies 0.84 standard errors above what pays
                100.0 * standard_normal_cdf(-2.0 / layout.best_std_error() - 0.841_621_2)
            );
        }
    }
}

fn coverage(
    name: &str,
    world: &World,
    size: usize,
    settings: &ArchiveSettings,
    prepare: &(dyn Fn(Vec<SiteYear>) -> Vec<SiteYear> + Sync),
    with_wetness: bool,
) {
    let begun = Instant::now();
    let runs = runs(size);
    let (by_class, by_wetness) = (0..runs)
        .into_par_iter()
        .map(|seed| {
            let mut draw = Draw::new(seed);
            let drawn = prepare(draw.archive(world, size, settings).0);
            let season = (world.departure_mm.0 * draw.normal(), world.season * draw.normal());
            let fresh = draw.truth(world, season);
            let (mut by_class, mut by_wetness) = (Tally::default(), Tally::default());
            for zone in conclude(&drawn, settings).synthesis.zones {
                let Some(class) = zone.class else { continue };
                match zone.wetness {
                    None => {
                        by_class.add(&zone, world.mean_of(class) * KG_HA, Some(fresh.response[class] * KG_HA));
                    }
                    Some(_) => {
                        // the mean at the departures that the zone's site-years had
                        let Some(departure_mm) = zone.wetness_mm else { continue };
                        let truth = world.mean_at(class, departure_mm) * KG_HA;
                        by_wetness.add(&zone, truth, None);
                    }
                }
            }
            (by_class, by_wetness)
        })
        .reduce(Default::default, |one, other| (one.0.merged(other.0), one.1.merged(other.1)));
    println!("{}", by_class.row(&format!("{name}: class, {size} site-years")));
    if with_wetness {
        println!("{}", by_wetness.row(&format!("{name}: class × wetness, {size} site-years")));
    }
    eprintln!("{name}, {size}: {:.0} ms an archive and thread", 2e3 * begun.elapsed().as_secs_f64() / runs as f64);
}

/// Rules that the regret is found for.
const RULES: usize = 7;
/// Cost of switching on and off in a field, USD/ac (assumed): what a plan with zones bears and one of everything or nothing does not.
const SWITCHING: f64 = 1.0;

/// What is lost against knowing the truth, money per acre: a class is worth its mean response at 4.20 less 16.00. Seasons, fields and
/// site-years differ; the means of the classes are drawn anew for each archive.
fn regret(settings: &ArchiveSettings) {
    println!(
        "\nRegret of the plan against knowing the mean of every class, USD/ac (three classes of equal area; zones bear {SWITCHING:.2} USD/ac for switching)."
    );
    println!(
        "| spread of the classes, bu/ac | fields × seasons | shrunken zones | where they promise more than switching costs | where the trend is shown | unshrunken zones | everything or nothing, by the mean | everything | nothing | promised by shrunken, above true | promised by unshrunken |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    let mut over_worlds = [0.0; RULES];
    let worlds = [(0.0, 0.0), (0.75, 0.0), (1.5, 0.0), (1.5, 1.5), (3.0, 0.0)];
    let designs = [(5, 1), (5, 3), (15, 4)];
    for (spread, slope) in worlds {
        for (fields, seasons) in designs {
            let runs = runs(fields * seasons);
            let sums = (0..runs)
                .into_par_iter()
                .map(|seed| regret_of(seed, (spread, slope), (fields, seasons), settings))
                .reduce(|| [0.0; RULES + 2], |one, other| std::array::from_fn(|at| one[at] + other[at]))
                .map(|sum| sum / runs as f64);
            for (all, one) in over_worlds.iter_mut().zip(sums) {
                *all += one / (worlds.len() * designs.len()) as f64;
            }
            let cells: Vec<String> = sums.iter().map(|sum| format!("{sum:.2}")).collect();
            let trend = if slope > 0.0 { format!(", and {slope} a class") } else { String::new() };
            println!("| {spread}{trend} | {fields} × {seasons} | {} |", cells.join(" | "));
        }
    }
    let cells: Vec<String> = over_worlds.iter().map(|sum| format!("{sum:.2}")).collect();
    println!("| mean of all rows | | {} | | |", cells.join(" | "));
}

/// Of one archive the regret of each rule, and what its zones promise above what is true.
fn regret_of(
    seed: u64,
    (spread, slope): (f64, f64),
    (fields, seasons): (usize, usize),
    settings: &ArchiveSettings,
) -> [f64; RULES + 2] {
    let mut draw = Draw::new(90_000 + seed);
    let level = 16.0 / 4.20 + 1.5 * draw.normal();
    let class_means: Vec<f64> =
        (0..3).map(|class| level + slope * (f64::from(class) - 1.0) + spread * draw.normal()).collect();
    let world = World {
        class_means: class_means.clone(),
        wetness_slope: 0.0,
        interaction: 0.0,
        site_year: 2.0,
        season: 2.5,
        field: 3.0,
        fields,
        seasons,
        segment_model: Some(SEGMENT_MODEL),
        ..World::default()
    };
    let synthesis = conclude(&draw.archive(&world, fields * seasons, settings).0, settings).synthesis;
    let zones = &synthesis.zones;
    let net: Vec<f64> = class_means.iter().map(|mean| 4.20 * mean - 16.0).collect();
    let promise_of = |response: f64| 4.20 * response / KG_HA - 16.0;
    let own = |class: Option<usize>| {
        let zone = zones.iter().find(|zone| zone.class == class && zone.wetness.is_none())?;
        zone.estimate.mean.map(promise_of)
    };
    let advised = |class: Option<usize>| {
        advise(zones, settings, ("corn", "band"), class, &Outlook::none())?.response.map(promise_of)
    };
    let whole = own(None).unwrap_or(0.0);
    let shrunken = [0, 1, 2].map(|class| advised(Some(class)).unwrap_or(whole));
    let plain = [0, 1, 2].map(|class| own(Some(class)).unwrap_or(whole));
    let by_mean = [whole; 3];
    // what zones promise above the better of everything and nothing, by the same numbers
    let sum = |values: &[f64; 3]| values.iter().sum::<f64>() / 3.0;
    let gain = sum(&shrunken.map(|value| value.max(0.0))) - sum(&shrunken).max(0.0);
    let blanket = [sum(&shrunken); 3];
    let is_shown = synthesis
        .trends
        .iter()
        .any(|one| one.gradient == Gradient::Drainage && one.estimate.p_value.is_some_and(|p| p < 0.10));
    let best = net.iter().map(|value| value.max(0.0)).sum::<f64>() / 3.0;
    let regret = |said: [f64; 3]| {
        let treated = said.map(|value| value > 0.0);
        let earned: f64 = net.iter().zip(treated).map(|(value, is)| if is { value / 3.0 } else { 0.0 }).sum();
        let is_zoned = treated.contains(&true) && treated.contains(&false);
        best - earned + if is_zoned { SWITCHING } else { 0.0 }
    };
    let above = |said: [f64; 3]| -> f64 {
        said.iter().zip(&net).filter(|(said, _)| **said > 0.0).map(|(said, value)| (said - value) / 3.0).sum()
    };
    [
        regret(shrunken),
        regret(if gain > SWITCHING { shrunken } else { blanket }),
        regret(if is_shown { shrunken } else { by_mean }),
        regret(plain),
        regret(by_mean),
        regret([1.0; 3]),
        regret([-1.0; 3]),
        above(shrunken),
        above(plain),
    ]
}

/// How often a slope over wetness is found at the level 0.10 where there is none and seasons differ by 2.5 bu/ac.
fn wetness_level(settings: &ArchiveSettings) {
    println!(
        "\nSlopes over wetness found at the level 0.10 where there is none; four fields a season.\n| seasons | departures differ between, within seasons, mm | archives with a slope told | found |\n| --- | --- | --- | --- |"
    );
    for (seasons, departure_mm) in
        [(2, (45.0, 40.0)), (3, (45.0, 40.0)), (4, (45.0, 5.0)), (4, (45.0, 40.0)), (8, (45.0, 5.0))]
    {
        let world = World {
            class_means: vec![2.0; 3],
            wetness_slope: 0.0,
            interaction: 0.0,
            season: 2.5,
            seasons,
            departure_mm,
            segment_model: Some(SEGMENT_MODEL),
            ..World::default()
        };
        let runs = runs(5);
        let (told, found) = (0..runs)
            .into_par_iter()
            .map(|seed| {
                let drawn = Draw::new(3_000 + seed).archive(&world, 4 * seasons, settings).0;
                let trends = bandlift::synthesise::run(&drawn, settings).trends;
                let trend = trends.iter().find(|one| one.gradient == Gradient::Wetness).unwrap();
                let p = trend.estimate.p_value;
                (f64::from(u8::from(p.is_some())), f64::from(u8::from(p.is_some_and(|p| p < 0.10))))
            })
            .reduce(|| (0.0, 0.0), |one, other| (one.0 + other.0, one.1 + other.1));
        println!("| {seasons} | {}, {} | {told:.0} of {runs} | {:.3} |", departure_mm.0, departure_mm.1, found / told);
    }
}

/// Power of the trend over drainage at the level 0.10, beside the non-central t of the site-years' own slopes.
fn power(settings: &ArchiveSettings) {
    println!("\nPower of the trend over drainage classes at the level 0.10.");
    println!("| slope, bu/ac a class | site-years | found | expected |\n| --- | --- | --- | --- |");
    for size in [5, 15] {
        for slope in [0.0, 0.75, 1.5, 3.0] {
            let world = World {
                class_means: vec![2.0 - slope, 2.0, 2.0 + slope],
                wetness_slope: 0.0,
                interaction: 0.0,
                site_slope: 1.2,
                site_class: 0.0,
                presence: 1.0,
                blocks: (4, 4),
                seasons: 60,
                segment_model: Some((1.0, 30.0)),
                ..World::default()
            };
            let runs = runs(size);
            let found: f64 = (0..runs)
                .into_par_iter()
                .map(|seed| {
                    let drawn = Draw::new(seed).archive(&world, size, settings).0;
                    let trends = bandlift::synthesise::run(&drawn, settings).trends;
                    let trend = trends.iter().find(|one| one.gradient == Gradient::Drainage).unwrap();
                    f64::from(u8::from(trend.estimate.p_value.unwrap() < 0.10))
                })
                .sum();
            // 3 to 12 segments a class and block, whose mean inverse is 0.1621
            let variance = world.site_slope.powi(2) + 2.0 * world.segment.powi(2) * 0.1621 / 4.0 / 4.0;
            let df = size as f64 - 1.0;
            let critical = StudentT::new(df).unwrap().quantile(0.95).unwrap();
            let alternative = NoncentralT::new(df, slope / (variance / size as f64).sqrt()).unwrap();
            let expected = alternative.survival(critical) + alternative.cdf(-critical);
            println!("| {slope} | {size} | {:.3} | {expected:.3} |", found / runs as f64);
        }
    }
}
