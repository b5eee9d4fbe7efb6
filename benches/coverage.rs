//! What the intervals of the response are worth: `cargo bench --bench coverage`.
//!
//! Simulated harvests with known truth, from raw records through cleaning, assigning and joining to the response; prints
//! tables, asserts nothing. `FIELDS` (default 500) is the number of fields with a response by class; twice as many have none,
//! and two fifths as many each misspecification. `ONLY` takes the cases whose name holds it.
#![expect(clippy::print_stdout, reason = "the tables are the purpose")]

use std::collections::BTreeMap;

use bandlift::config::{ArchiveSettings, FieldSettings};
use bandlift::demo::{
    FaultPlan, MachinePlan, ResponseVaries, Scenario, Simulated, SoilPlan, Spot, TrialPlan, WavyLine, simulate,
};
use bandlift::points::{Joined, Labels};
use bandlift::results::{Estimate, LocalResponse, ResponseKey};
use bandlift::stats::distribution::StudentT;
use bandlift::{assign, clean, fit, join};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;

const ARCHIVE: &str = "name = \"x\"\n[soil]\npath = \"soils.geojson\"\n[crops.corn]\nprice = \"4 USD/bu\"\n\
    [treatments.check]\nlabel = \"check\"\ncheck = true\n[treatments.one]\nlabel = \"one\"\ncost = \"10 USD/ac\"\n\
    [treatments.two]\nlabel = \"two\"\ncost = \"10 USD/ac\"\n[treatments.three]\nlabel = \"three\"\ncost = \"10 USD/ac\"\n";
const FIELD: &str = "farm = \"x\"\nfield = \"x\"\nseason = 2023\ncrop = \"corn\"\n[strips]\npath = \"strips.geojson\"\n\
    block = \"block\"\nstrip = \"strip\"\nrandomized = true\n[[harvest]]\npath = \"h.csv\"\ncrs = \"EPSG:4326\"\n\
    machine = \"A\"\nswath = \"30 ft\"\n[harvest.columns]\ntime = { column = \"t\", format = \"epoch_s\" }\n\
    longitude = \"lon\"\nlatitude = \"lat\"\nmass_flow = { column = \"f\", unit = \"kg/s\" }\n";
/// Kilograms per hectare in a bushel of maize per acre.
const BUSHEL: f64 = 62.767_664_746_889_54;
/// Half the width of a 90 % interval in standard deviations, and the one-sided 80 %.
const NORMAL_90: f64 = 1.645;
const NORMAL_80: f64 = 0.842;
/// A response that is asked for piece by piece, bu/ac.
const THRESHOLD: f64 = 3.0;
const KEYS: [&str; 4] = ["check", "one", "two", "three"];
/// The drainage classes of the simulated fields.
const CLASSES: [usize; 3] = [2, 4, 5];

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Case {
    Null,
    Response,
    PerfectSensors,
    AlongTheRows,
    Trend,
    DrownedSpots,
    WrongSoilLines,
    LinesApart,
    LinesWave,
    NoLevels,
    NoLevelsWrongLines,
    Inclusions,
    Varies,
    VariesMore,
    Patches,
}

impl Case {
    const ALL: [Self; 15] = [
        Self::Null,
        Self::Response,
        Self::PerfectSensors,
        Self::AlongTheRows,
        Self::Trend,
        Self::DrownedSpots,
        Self::WrongSoilLines,
        Self::LinesApart,
        Self::LinesWave,
        Self::NoLevels,
        Self::NoLevelsWrongLines,
        Self::Inclusions,
        Self::Varies,
        Self::VariesMore,
        Self::Patches,
    ];

    fn name(self) -> &'static str {
        match self {
            Self::Null => "no response",
            Self::Response => "response by class",
            Self::PerfectSensors => "… perfect sensors",
            Self::AlongTheRows => "… field four times longer along the rows",
            Self::Trend => "… 30 % trend across and along",
            Self::DrownedSpots => "… three drowned spots",
            Self::WrongSoilLines => "… soil lines 30 m off",
            Self::LinesApart => "… each soil line off by itself, 25 m",
            Self::LinesWave => "… soil lines that wave otherwise than on the map",
            Self::NoLevels => "… soils that yield alike",
            Self::NoLevelsWrongLines => "… soils that yield alike, lines 30 m off",
            Self::Inclusions => "… a fifth of each map unit is another soil",
            Self::Varies => "… response that varies over the ground, sd 4 bu/ac",
            Self::VariesMore => "… response that varies over the ground, sd 8 bu/ac",
            Self::Patches => "… response 5 bu/ac more or less in patches",
        }
    }
}

/// The soil map that is delivered of a field.
fn mapped(case: Case, seed: u64, truth: &SoilPlan) -> SoilPlan {
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x50_11);
    let mut map = truth.clone();
    match case {
        Case::WrongSoilLines | Case::NoLevelsWrongLines => map.lines.iter_mut().for_each(|line| line.base += 30.0),
        Case::LinesApart => {
            for line in &mut map.lines {
                line.base += 25.0 * random.sample::<f64, _>(StandardNormal);
            }
        }
        Case::LinesWave => {
            for line in &mut map.lines {
                line.amplitude = 25.0;
                line.wavelength = random.random_range(120.0..400.0);
                line.phase = random.random_range(0.0..std::f64::consts::TAU);
            }
        }
        // the truth has two bands more in each unit, see `scenario`
        Case::Inclusions => {
            map.lines = truth.lines.iter().copied().skip(2).step_by(3).collect();
            map.classes = truth.classes.iter().copied().step_by(3).collect();
            map.tiled = truth.tiled.iter().copied().step_by(3).collect();
        }
        _ => {}
    }
    map
}

/// The truth: blocks 2 to 8, treatments 1 to 3, strips of one pass.
fn scenario(case: Case, seed: u64) -> Scenario {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let blocks = [2, 3, 4, 5, 6, 8][(seed % 6) as usize];
    let treatments = 1 + (seed / 6 % 3) as usize;
    let length_m = 450.0;
    let mut one = Scenario::trial(seed, blocks, length_m, [0.0; 3]);
    one.name = format!("coverage-{seed}");
    let layout = TrialPlan { blocks, strip_rows: 12, border_rows: 12, headland_rows: 24, randomised: true };
    (one.field.strips, one.field.width_m) = layout.strips(treatments + 1, length_m, seed, &one.name);
    one.field.treatments = KEYS[..=treatments].iter().map(|key| (*key).to_owned()).collect();
    one.field.response_kg_ha = (0..=treatments)
        .map(|treatment| {
            let mut by_class = [0.0; 7];
            for class in CLASSES {
                let drawn = random.random_range(-300.0..900.0);
                by_class[class] = if treatment == 0 || case == Case::Null { 0.0 } else { drawn };
            }
            by_class
        })
        .collect();
    one.field.strip_sd_kg_ha = 2.0 * BUSHEL;
    one.field.surface.range_m = random.random_range(25.0..90.0);
    one.machines[0].delay_s = random.random_range(7.0..14.0);
    match case {
        Case::Null | Case::Response | Case::WrongSoilLines | Case::LinesApart | Case::LinesWave => {}
        Case::Varies | Case::VariesMore | Case::Patches => {
            let sd = match case {
                Case::Varies => 4.0,
                Case::VariesMore => 8.0,
                _ => 5.0,
            };
            let range_m = random.random_range(30.0..120.0);
            let in_patches = case == Case::Patches;
            one.field.response_varies = Some(ResponseVaries { sd_kg_ha: sd * BUSHEL, range_m, in_patches });
        }
        Case::NoLevels | Case::NoLevelsWrongLines => one.field.surface.class_change = [0.0; 7],
        Case::Inclusions => one.field.soil = with_inclusions(&one.field.soil, length_m),
        Case::PerfectSensors => {
            one.machines[0] = MachinePlan {
                mixing_s: 0.0,
                delay_s: 10.0,
                flow_noise: 0.0,
                position_sd_m: 0.0,
                drift_sd_m: 0.0,
                steering_sd_m: 0.0,
                moisture_noise_pct: 0.0,
                ..MachinePlan::default()
            };
            one.faults = FaultPlan::default();
        }
        Case::AlongTheRows => one.field.surface.anisotropy = 4.0,
        Case::Trend => (one.field.surface.trend_across, one.field.surface.trend_along) = (0.3, 0.3),
        Case::DrownedSpots => {
            let width = one.field.width_m;
            one.field.surface.spots = (0..3)
                .map(|_| Spot {
                    u: random.random_range(0.0..width),
                    v: random.random_range(40.0..410.0),
                    radius_m: random.random_range(15.0..30.0),
                    left: 0.2,
                })
                .collect();
        }
    }
    one
}

/// The soils with a band of another class in the middle of each, a fifth as wide.
fn with_inclusions(soil: &SoilPlan, length_m: f64) -> SoilPlan {
    let level = |base: f64, like: &WavyLine| WavyLine { base, ..*like };
    let wave = soil.lines[0];
    let mut with = SoilPlan { lines: Vec::new(), classes: Vec::new(), pond: soil.pond, tiled: Vec::new() };
    for (at, &class) in soil.classes.iter().enumerate() {
        let low = if at == 0 { 0.0 } else { soil.lines[at - 1].base };
        let high = soil.lines.get(at).map_or(length_m, |line| line.base);
        let (middle, half) = (0.5 * (low + high), 0.1 * (high - low));
        with.lines.extend(at.checked_sub(1).map(|line| soil.lines[line]));
        with.lines.extend([level(middle - half, &wave), level(middle + half, &wave)]);
        with.classes.extend([class, soil.classes[(at + 1) % soil.classes.len()], class]);
        with.tiled.extend([soil.tiled[at]; 3]);
    }
    with
}

/// The true response of the ground that is mapped as a class.
fn of_the_mapped(case: Case, class: usize, of_class: &[f64; 7]) -> f64 {
    let next = CLASSES[(CLASSES.iter().position(|&one| one == class).unwrap_or(0) + 1) % CLASSES.len()];
    if case == Case::Inclusions { 0.8 * of_class[class] + 0.2 * of_class[next] } else { of_class[class] }
}

/// An answer and its truth, in bu/ac.
struct Answer {
    method: &'static str,
    whole: bool,
    blocks: usize,
    error: f64,
    width: f64,
    covered: bool,
    p: f64,
}

fn answers(case: Case, seed: u64, archive: &ArchiveSettings, field: &FieldSettings) -> Vec<Answer> {
    let scenario = scenario(case, seed);
    let done = simulate(&scenario);
    let mut delivered = scenario.clone();
    delivered.field.soil = mapped(case, seed, &scenario.field.soil);
    let ingested = done.to_ingested(&delivered);
    let cleaned = clean::run(&ingested, &archive.crops["corn"], &archive.clean, 1);
    let Ok(assigned) = assign::run(cleaned, &ingested, field, &archive.model) else { return Vec::new() };
    let joined = join::run(assigned, &ingested, archive);
    let fit = fit::run(&joined, archive).fit;
    let range_m = fit.field_model.map(|model| model.range_along_m);
    let mut told: Vec<(&'static str, ResponseKey, Estimate)> = Vec::new();
    for response in &fit.responses {
        told.push(("primary", response.key.clone(), response.estimate));
        if response.estimate.std_error.is_some() {
            told.extend(points(&joined, &response.key).map(|one| ("points as replicates", response.key.clone(), one)));
        }
    }
    for other in fit::alternatives(&joined, archive, &fit.differences, range_m) {
        let analysis = fit::ANALYSES.into_iter().find(|known| *known == other.analysis);
        told.extend(analysis.map(|analysis| (analysis, other.key, other.estimate)));
    }
    let local = local_answers(&done, &scenario, &joined, &fit.local);
    let of_keys = told.into_iter().filter_map(|(method, key, estimate)| {
        let treatment = KEYS.iter().position(|known| *known == key.treatment)?;
        let truth = match key.class {
            Some(class) if scenario.field.response_varies.is_some() => {
                done.field.response_kg_ha(treatment, Some(class))?
            }
            Some(class) => of_the_mapped(case, class, &scenario.field.response_kg_ha[treatment]),
            None => done.field.response_kg_ha(treatment, None)?,
        };
        let blocks = fit.responses.iter().find(|one| one.key == key)?.blocks;
        let (mean, low, high) = (estimate.mean?, estimate.low?, estimate.high?);
        Some(Answer {
            method,
            whole: key.class.is_none(),
            blocks,
            error: (mean - truth) / BUSHEL,
            width: (high - low) / BUSHEL,
            covered: low <= truth && truth <= high,
            p: estimate.p_value?,
        })
    });
    of_keys.chain(local).collect()
}

/// The responses piece by piece, and the single differences they stand for.
fn local_answers(done: &Simulated, scenario: &Scenario, joined: &Joined, local: &[LocalResponse]) -> Vec<Answer> {
    let mut all = Vec::new();
    for one in local {
        for piece in &one.pieces {
            let segment = &joined.assigned.segments[piece.segment];
            let name = &joined.assigned.strips[segment.strip as usize].name;
            let Some(strip) = scenario.field.strips.iter().position(|strip| strip.name == *name) else { continue };
            let (sin, cos) = scenario.placement.turn_rad.sin_cos();
            let (east, north) = (segment.x_m - scenario.placement.east_m, segment.y_m - scenario.placement.north_m);
            let v = east * sin + north * cos;
            let Some(truth) = done.field.response_along_kg_ha(strip, v - 10.0, v + 10.0) else { continue };
            let answer = |method: &'static str, covered: bool| Answer {
                method,
                whole: false,
                blocks: 0,
                error: (piece.mean - truth) / BUSHEL,
                width: 2.0 * NORMAL_90 * piece.std_error / BUSHEL,
                covered,
                p: 1.0,
            };
            all.push(answer("piece by piece", (piece.mean - truth).abs() <= NORMAL_90 * piece.std_error));
            if piece.mean - NORMAL_80 * piece.std_error > THRESHOLD * BUSHEL {
                all.push(answer("pieces that gain 3 bu/ac with 80 %", truth > THRESHOLD * BUSHEL));
            }
        }
    }
    all
}

/// The t test of all points, as if each were a replicate.
fn points(joined: &Joined, key: &ResponseKey) -> Option<Estimate> {
    let assigned = &joined.assigned;
    let side = |treatment: &str| -> (f64, f64, f64) {
        let values: Vec<f64> = (0..assigned.cleaned.len())
            .filter(|&at| assigned.segment[at] != Labels::NONE && assigned.cleaned.is_kept(at))
            .filter(|&at| assigned.strips[assigned.strip[at] as usize].treatment == treatment)
            .filter(|&at| key.class.is_none_or(|class| joined.point_class[at] as usize == class))
            .map(|at| assigned.cleaned.dry_yield_kg_ha[at])
            .collect();
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        (n, mean, values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (n - 1.0))
    };
    let ((n, treated, spread), (m, check, other)) = (side(&key.treatment), side("check"));
    Estimate::of_t(treated - check, (spread / n + other / m).sqrt(), n + m - 2.0, 0.9)
}

#[derive(Default)]
struct Sums {
    count: f64,
    error: f64,
    squared: f64,
    covered: f64,
    width: f64,
    rejected: f64,
}

impl Sums {
    fn add(&mut self, one: &Answer) {
        self.count += 1.0;
        self.error += one.error;
        self.squared += one.error * one.error;
        self.covered += f64::from(u8::from(one.covered));
        self.width += one.width;
        self.rejected += f64::from(u8::from(one.p < 0.10));
    }

    fn cells(&self) -> String {
        let by = |sum: f64| sum / self.count;
        format!(
            "{} | {:+.2} ± {:.2} | {:.2} | {:.1} % | {:.1} | {:.1} %",
            self.count,
            by(self.error),
            (by(self.squared) / self.count).sqrt(),
            by(self.squared).sqrt(),
            100.0 * by(self.covered),
            by(self.width),
            100.0 * by(self.rejected)
        )
    }
}

fn main() {
    let archive = match ArchiveSettings::parse("archive.toml", ARCHIVE) {
        Ok(archive) => archive,
        Err(faults) => return println!("{faults}"),
    };
    let field = match FieldSettings::parse("field.toml", FIELD, &archive) {
        Ok(field) => field,
        Err(faults) => return println!("{faults}"),
    };
    let fields: u64 = std::env::var("FIELDS").ok().and_then(|text| text.parse().ok()).unwrap_or(500);
    let t = StudentT::new(f64::INFINITY).and_then(|normal| normal.quantile(0.95)).unwrap_or(f64::NAN);
    println!("90 % intervals (normal quantile {t:.3}); bu/ac; blocks 2 to 8, treatments 1 to 3\n");
    println!("| fields | method | ground | answers | bias ± its standard error | RMSE | covered | width | p < 0.10 |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    let mut by_blocks: BTreeMap<(Case, usize), Sums> = BTreeMap::new();
    let only = std::env::var("ONLY").unwrap_or_default();
    for case in Case::ALL.into_iter().filter(|case| case.name().contains(&only)) {
        let count = match case {
            Case::Null => 2 * fields,
            Case::Response => fields,
            _ => 2 * fields / 5,
        };
        let all: Vec<Answer> =
            (0..count).into_par_iter().flat_map_iter(|seed| answers(case, 1 + seed, &archive, &field)).collect();
        let mut sums: BTreeMap<(bool, &str), Sums> = BTreeMap::new();
        for one in &all {
            sums.entry((one.whole, one.method)).or_default().add(one);
            if one.method == "primary" && one.whole {
                by_blocks.entry((case, one.blocks)).or_default().add(one);
            }
        }
        for ((whole, method), sums) in &sums {
            let ground = if *whole { "whole field" } else { "by class" };
            println!("| {} | {method} | {ground} | {} |", case.name(), sums.cells());
        }
    }
    println!("\n| fields | blocks | answers | bias ± its standard error | RMSE | covered | width | p < 0.10 |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    for ((case, blocks), sums) in by_blocks.iter().filter(|(key, _)| matches!(key.0, Case::Null | Case::Response)) {
        println!("| {} | {blocks} | {} |", case.name(), sums.cells());
    }
}
