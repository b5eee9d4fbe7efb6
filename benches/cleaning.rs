//! What cleaning finds of what was true: `cargo bench --bench cleaning`.
//!
//! Simulated fields with known truth; prints tables, asserts nothing. `FIELDS` (default 240) sets the size of the study,
//! `ONLY` (`lag`, `varied` or `response`) one of its tables.
#![expect(clippy::print_stdout, reason = "the tables are the purpose")]

use std::collections::BTreeMap;

use bandlift::config::{ArchiveSettings, CleanSettings, CropSettings, FieldSettings};
use bandlift::demo::{
    FaultPlan, HarvestPlan, InjectedFault, MachinePlan, Pattern, RecordTruth, Scenario, Sharing, Simulated,
    SurfacePlan, simulate,
};
use bandlift::points::{Cleaned, Mark, Source};
use bandlift::{assign, clean};
use rayon::prelude::*;

fn corn() -> CropSettings {
    let settings = ArchiveSettings::parse("archive.toml", "name = \"x\"\n[crops.corn]\n").unwrap_or_else(|faults| {
        println!("{faults}");
        std::process::abort()
    });
    settings.crops["corn"].clone()
}

fn fields() -> u64 {
    std::env::var("FIELDS").ok().and_then(|text| text.parse().ok()).unwrap_or(240)
}

fn cleaned(scenario: &Scenario, done: &Simulated, settings: &CleanSettings) -> Cleaned {
    clean::run(&done.to_ingested(scenario), &corn(), settings, scenario.seed)
}

fn quantile(values: &mut [f64], p: f64) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * p).round() as usize]
}

fn mean_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (mean, (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

/// The lag that puts the measured mass best on the ground: at which mass by area cut comes nearest to the true yield of
/// that ground. What an estimator can hope to find, by machine.
fn best_lag(scenario: &Scenario, done: &Simulated, machine: u32) -> f64 {
    let step = scenario.machines[machine as usize].interval_s;
    let rows: Vec<usize> = (0..done.records.len())
        .filter(|&at| done.records[at].machine == machine && done.truth[at].fault != Some(InjectedFault::Duplicate))
        .collect();
    let truth = |at: usize| &done.truth[rows[at]];
    let wet = |at: usize| {
        let RecordTruth { yield_kg_ha, moisture_pct, .. } = *truth(at);
        yield_kg_ha * (100.0 - scenario.field.market_moisture_pct) / (100.0 - moisture_pct) / 1e4
    };
    let most = (22.0 / step) as usize;
    let inner = (30.0 / step) as usize;
    let inside: Vec<usize> = (inner..rows.len().saturating_sub(most + inner))
        .filter(|&at| {
            let drive = truth(at).drive;
            drive != u32::MAX
                && truth(at - inner).drive == drive
                && truth(at + most).drive == drive
                && truth(at).area_m2 > 0.0
        })
        .collect();
    let loss = |shift: usize| {
        let sum: f64 = inside
            .iter()
            .map(|&at| {
                let measured = truth(at + shift).mass_kg / truth(at).area_m2 / scenario.machines[machine as usize].gain;
                (measured / wet(at) - 1.0).abs().min(0.3).powi(2)
            })
            .sum();
        sum / inside.len() as f64
    };
    let losses: Vec<f64> = (0..=most).map(loss).collect();
    let best = (1..most).min_by(|&a, &b| losses[a].total_cmp(&losses[b])).unwrap_or(1);
    let (a, b, c) = (losses[best - 1], losses[best], losses[best + 1]);
    (best as f64 + 0.5 * (a - c) / (a - 2.0 * b + c)) * step
}

/// The effective lags by machine of the same field cut by the same machines with perfect sensors: what the estimates are
/// held to.
fn effective_lags(scenario: &Scenario) -> (BTreeMap<String, f64>, BTreeMap<String, f64>) {
    let mut perfect = scenario.clone();
    for machine in &mut perfect.machines {
        machine.flow_noise = 0.0;
        machine.position_sd_m = 0.01;
        machine.drift_sd_m = 0.0;
        machine.moisture_noise_pct = 0.0;
    }
    perfect.faults = FaultPlan::default();
    perfect.field.surface.nugget_cv = 0.0;
    let done = simulate(&perfect);
    let facts = cleaned(&perfect, &done, &CleanSettings::default()).facts;
    let by_machine = |pick: fn(&bandlift::points::MachineFacts) -> bandlift::points::Sourced| {
        let machines = facts.machines.iter().filter(|(_, facts)| pick(facts).source == Source::Estimated);
        machines.map(|(name, facts)| (name.clone(), pick(facts).value)).collect()
    };
    (by_machine(|facts| facts.lag_s), by_machine(|facts| facts.moisture_lag_s))
}

/// The named cases: delay, mixing, what is special.
fn lag_table() {
    println!("\n## Lag by case (24 fields each; 24 passes of 400 m, 9 m, 2 m/s, 5 % noise unless said)\n");
    println!("| case | delay, mixing | estimate mean (sd) | within [d + τ/2, d + τ] ± 0.5 | assumed |");
    println!("| --- | --- | --- | --- | --- |");
    let plain = |seed: u64| {
        let machine = MachinePlan { delay_s: 12.0, mixing_s: 3.0, ..MachinePlan::default() };
        Scenario::bare(seed, 24, 400.0, machine)
    };
    type Change = fn(&mut Scenario);
    let cases: [(&str, Change); 9] = [
        ("pure delay", |one| one.machines[0].mixing_s = 0.0),
        ("delay and mixing", |_| {}),
        ("more mixing", |one| (one.machines[0].delay_s, one.machines[0].mixing_s) = (10.0, 5.0)),
        ("15 % noise", |one| one.machines[0].flow_noise = 0.15),
        ("short-range field", |one| one.field.surface = SurfacePlan::plain(10_000.0, 0.12, 8.0)),
        ("8 passes", |one| one.field.width_m = f64::from(8 * one.machines[0].header_rows) * one.field.row_m),
        ("4 passes", |one| one.field.width_m = f64::from(4 * one.machines[0].header_rows) * one.field.row_m),
        ("nearly uniform field", |one| {
            one.field.surface = SurfacePlan::plain(10_000.0, 0.02, 25.0);
            one.machines[0].flow_noise = 0.10;
        }),
        ("same direction", |one| one.harvest.pattern = Pattern::SameDirection),
    ];
    for (name, change) in cases {
        let results: Vec<(f64, bool, f64, f64)> = (0..24_u64)
            .into_par_iter()
            .map(|seed| {
                let mut scenario = plain(seed);
                change(&mut scenario);
                let done = simulate(&scenario);
                let lag = cleaned(&scenario, &done, &CleanSettings::default()).facts.machines["A"].lag_s;
                let machine = &scenario.machines[0];
                (lag.value, lag.source == Source::Estimated, machine.delay_s, machine.mixing_s)
            })
            .collect();
        let estimated: Vec<f64> = results.iter().filter(|one| one.1).map(|one| one.0).collect();
        let (delay, mixing) = (results[0].2, results[0].3);
        // A record of a second tells the mean of that second: half of it is added.
        let low = delay + mixing / 2.0 - 0.5;
        let inside = estimated.iter().filter(|lag| (low..=delay + mixing + 1.0).contains(*lag)).count();
        let (mean, sd) = if estimated.len() > 1 { mean_sd(&estimated) } else { (f64::NAN, f64::NAN) };
        println!(
            "| {name} | {delay}, {mixing} | {mean:.2} ({sd:.2}) | {inside} of {} | {} of 24 |",
            estimated.len(),
            24 - estimated.len()
        );
    }
}

/// A field of the varied study.
fn varied(seed: u64) -> Scenario {
    let pick = |salt: u64, count: u64| {
        let mut mixed = (seed + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ salt.wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((mixed ^ (mixed >> 31)) % count) as usize
    };
    let blocks = 3 + pick(1, 4);
    let mut scenario = Scenario::trial(seed, blocks, [300.0, 400.0, 600.0][pick(2, 3)], [0.0, 300.0, 600.0]);
    scenario.name = format!("varied-{seed}");
    let machine = &mut scenario.machines[0];
    machine.delay_s = [6.0, 8.0, 10.0, 12.0, 14.0][pick(3, 5)];
    machine.mixing_s = [1.5, 3.0, 4.5][pick(4, 3)];
    machine.moisture_delay_s = machine.delay_s + [0.0, 4.0, 8.0][pick(5, 3)];
    machine.speed_m_s = [1.5, 2.0, 2.6][pick(6, 3)];
    machine.speed_cv = [0.04, 0.08, 0.14][pick(7, 3)];
    machine.flow_noise = [0.02, 0.05, 0.08][pick(8, 3)];
    machine.position_sd_m = [0.03, 0.10, 0.4][pick(9, 3)];
    machine.interval_s = [1.0, 1.0, 2.0][pick(10, 3)];
    scenario.field.surface.range_m = [20.0, 40.0, 80.0][pick(11, 3)];
    scenario.field.surface.cv = [0.05, 0.08, 0.14][pick(12, 3)];
    match pick(13, 8) {
        0 => scenario.harvest.pattern = Pattern::RoundAndRound,
        1 => scenario.harvest.pattern = Pattern::SameDirection,
        2 => scenario.field.bend_m = 40.0,
        _ => {}
    }
    if pick(14, 4) == 0 {
        let second = MachinePlan {
            name: "B".to_owned(),
            delay_s: scenario.machines[0].delay_s + 1.5,
            gain: [0.94, 1.05][pick(15, 2)],
            ..scenario.machines[0].clone()
        };
        scenario.machines.push(second);
        scenario.harvest.sharing = [Sharing::Alternate, Sharing::Sides, Sharing::ByTreatment][pick(16, 3)];
    }
    scenario.harvest = HarvestPlan { stops_per_1000_s: [0.0, 0.3, 1.0][pick(17, 3)], ..scenario.harvest };
    scenario.faults = FaultPlan::USUAL;
    scenario
}

#[derive(Default)]
struct Study {
    lag_errors: Vec<f64>,
    /// Sizes of the errors whose standard error is at most 0.3 s.
    sure_errors: Vec<f64>,
    /// Against the lag that puts the mass best on the ground.
    placing_errors: Vec<f64>,
    /// Estimates off [d + τ/2, d + τ] by more than 0.6 s.
    outside: usize,
    lag_standardised: Vec<f64>,
    moisture_errors: Vec<f64>,
    /// Phase correlation less the estimate.
    second_opinions: Vec<f64>,
    estimated: usize,
    machines: usize,
    wrong: Vec<String>,
    factor_errors: Vec<f64>,
    aliased: (usize, usize),
    recall: BTreeMap<InjectedFault, (usize, usize)>,
    marked: BTreeMap<Mark, usize>,
    kept_good: (usize, usize),
    off: (usize, usize),
    yield_errors: Vec<f64>,
    seconds: f64,
    records: usize,
}

impl Study {
    fn join(mut self, other: Self) -> Self {
        self.lag_errors.extend(other.lag_errors);
        self.placing_errors.extend(other.placing_errors);
        self.sure_errors.extend(other.sure_errors);
        self.outside += other.outside;
        self.lag_standardised.extend(other.lag_standardised);
        self.moisture_errors.extend(other.moisture_errors);
        self.second_opinions.extend(other.second_opinions);
        self.estimated += other.estimated;
        self.machines += other.machines;
        self.wrong.extend(other.wrong);
        self.factor_errors.extend(other.factor_errors);
        self.aliased = (self.aliased.0 + other.aliased.0, self.aliased.1 + other.aliased.1);
        for (fault, (found, all)) in other.recall {
            let entry = self.recall.entry(fault).or_default();
            *entry = (entry.0 + found, entry.1 + all);
        }
        for (mark, count) in other.marked {
            *self.marked.entry(mark).or_default() += count;
        }
        self.kept_good = (self.kept_good.0 + other.kept_good.0, self.kept_good.1 + other.kept_good.1);
        self.off = (self.off.0 + other.off.0, self.off.1 + other.off.1);
        self.yield_errors.extend(other.yield_errors);
        self.seconds += other.seconds;
        self.records += other.records;
        self
    }
}

fn study_one(seed: u64) -> Study {
    let scenario = varied(seed);
    let done = simulate(&scenario);
    let ingested = done.to_ingested(&scenario);
    let begun = std::time::Instant::now();
    let cleaned = clean::run(&ingested, &corn(), &CleanSettings::default(), seed);
    let mut study = Study { seconds: begun.elapsed().as_secs_f64(), records: cleaned.len(), ..Study::default() };
    let (effective, effective_moisture) = effective_lags(&scenario);
    for (at, machine) in scenario.machines.iter().enumerate() {
        let Some(facts) = cleaned.facts.machines.get(&machine.name) else { continue };
        study.machines += 1;
        if facts.lag_s.source == Source::Estimated {
            study.estimated += 1;
            let second = cleaned.facts.limits.get(&format!("lag of {} by phase correlation, s", machine.name));
            if let Some(second) = second
                && (second - facts.lag_s.value).abs() > 1.0
            {
                study.wrong.push(format!(
                    "{} {}: phase correlation says {second:.2}, the estimate {:.2}",
                    scenario.name, machine.name, facts.lag_s.value
                ));
            }
            study.second_opinions.extend(second.map(|second| second - facts.lag_s.value));
            study.placing_errors.push(facts.lag_s.value - best_lag(&scenario, &done, at as u32));
            let (low, high) = (machine.delay_s + machine.mixing_s / 2.0, machine.delay_s + machine.mixing_s);
            study.outside += usize::from(!(low - 0.6..=high + 0.6).contains(&facts.lag_s.value));
            let Some(effective) = effective.get(&machine.name) else { continue };
            let error = facts.lag_s.value - effective;
            study.lag_errors.push(error);
            if let Some(se) = facts.lag_s.std_error {
                study.lag_standardised.push(error / se.max(0.05));
                if se <= 0.3 {
                    study.sure_errors.push(error.abs());
                }
            }
            if error.abs() > 1.0 {
                study.wrong.push(format!(
                    "{} {}: {:.2} ± {:.2}, best {:.2} ({:?})",
                    scenario.name,
                    machine.name,
                    facts.lag_s.value,
                    facts.lag_s.std_error.unwrap_or(f64::NAN),
                    facts.lag_s.value - error,
                    scenario.harvest.pattern
                ));
            }
        }
        if facts.moisture_lag_s.source == Source::Estimated
            && let Some(effective) = effective_moisture.get(&machine.name)
        {
            study.moisture_errors.push(facts.moisture_lag_s.value - effective);
        }
    }
    if scenario.machines.len() > 1 {
        let aliased = scenario.harvest.sharing == Sharing::ByTreatment;
        let factor = |name: &str| cleaned.facts.machines.get(name).map_or(f64::NAN, |facts| facts.machine_factor.value);
        if aliased {
            study.aliased.1 += 1;
            study.aliased.0 += usize::from(
                cleaned.facts.machines.values().any(|facts| facts.machine_factor.source == Source::Assumed),
            );
        } else if cleaned.facts.machines.values().all(|facts| facts.machine_factor.source == Source::Estimated) {
            let truth = (scenario.machines[0].gain / scenario.machines[1].gain).ln();
            study.factor_errors.push((factor("B") / factor("A")).ln() - truth);
        }
    }
    judge_marks(&scenario, &done, &cleaned, &mut study);
    study
}

/// Compares marks with what was injected, and kept yields with what was cut there.
fn judge_marks(scenario: &Scenario, done: &Simulated, cleaned: &Cleaned, study: &mut Study) {
    // The true yield where a record's grain is put: that of the record of the same machine nearest in place and drive.
    let lag_rows: Vec<usize> = scenario
        .machines
        .iter()
        .map(|machine| {
            let lag = cleaned.facts.machines.get(&machine.name).map_or(12.0, |facts| facts.lag_s.value);
            (lag / machine.interval_s).round().max(0.0) as usize
        })
        .collect();
    for at in 0..cleaned.len() {
        let row = cleaned.records.row[at] as usize - 1;
        let truth = &done.truth[row];
        if let Some(mark) = cleaned.mark[at].first() {
            *study.marked.entry(mark).or_default() += 1;
        }
        if let Some(fault) = truth.fault {
            let entry = study.recall.entry(fault).or_default();
            entry.1 += 1;
            entry.0 += usize::from(!cleaned.is_kept(at));
        }
        let machine = done.records[row].machine as usize;
        let Some(cut) = row.checked_sub(lag_rows[machine]).map(|cut| &done.truth[cut]) else { continue };
        let sound = truth.fault.is_none() && cut.fault.is_none();
        // Well inside a drive: filling and emptying are over.
        let inside = row >= lag_rows[machine] + 30
            && row + 30 < done.truth.len()
            && cut.drive != u32::MAX
            && done.truth[row - lag_rows[machine] - 30].drive == cut.drive
            && done.truth[row + 15].drive == cut.drive
            && done.records[row].machine == done.records[row - lag_rows[machine] - 30].machine;
        if sound && inside && cut.area_m2 > 0.0 {
            study.kept_good.1 += 1;
            study.kept_good.0 += usize::from(cleaned.is_kept(at));
        }
        if cleaned.is_kept(at) && cut.yield_kg_ha.is_finite() && cut.yield_kg_ha > 500.0 {
            let gain = scenario.machines[machine].gain
                * cleaned
                    .facts
                    .machines
                    .get(&scenario.machines[machine].name)
                    .map_or(1.0, |facts| facts.machine_factor.value);
            let ratio = cleaned.dry_yield_kg_ha[at] / gain / cut.yield_kg_ha;
            study.off.1 += 1;
            let off = !(0.75..=1.25).contains(&ratio);
            study.off.0 += usize::from(off);
            if row.is_multiple_of(7) {
                study.yield_errors.push((ratio - 1.0).abs());
            }
        }
    }
}

fn varied_table() {
    let count = fields();
    let study = (0..count).into_par_iter().map(study_one).reduce(Study::default, Study::join);
    println!("\n## {count} varied fields, {} records\n", study.records);
    let mut absolute: Vec<f64> = study.lag_errors.iter().map(|error| error.abs()).collect();
    let (bias, _) = mean_sd(&study.lag_errors);
    println!(
        "lag: estimated for {} of {} machines; error against perfect sensors: mean {bias:+.2} s, median |.| {:.2} s, 95 % {:.2} s, worst {:.2} s",
        study.estimated,
        study.machines,
        quantile(&mut absolute.clone(), 0.5),
        quantile(&mut absolute.clone(), 0.95),
        quantile(&mut absolute, 1.0)
    );
    let mut placing: Vec<f64> = study.placing_errors.iter().map(|error| error.abs()).collect();
    println!(
        "lag against the one that puts the mass best on the ground: mean {:+.2} s, median |.| {:.2} s; outside [d + τ/2, d + τ] by more than 0.6 s: {}",
        mean_sd(&study.placing_errors).0,
        quantile(&mut placing, 0.5),
        study.outside
    );
    let mut sure = study.sure_errors.clone();
    println!(
        "of those with a standard error of at most 0.3 s: {}; median |error| {:.2} s, 95 % {:.2} s",
        sure.len(),
        quantile(&mut sure.clone(), 0.5),
        quantile(&mut sure, 0.95)
    );
    let (_, spread) = mean_sd(&study.lag_standardised);
    println!("lag error by its own standard error: sd {spread:.2} (1 if the standard error means what it says)");
    for line in &study.wrong {
        println!("  off by more than 1 s: {line}");
    }
    let mut moisture: Vec<f64> = study.moisture_errors.iter().map(|error| error.abs()).collect();
    println!(
        "moisture lag against perfect sensors: {} estimated, median |error| {:.2} s",
        moisture.len(),
        quantile(&mut moisture, 0.5)
    );
    let apart: Vec<f64> = study.second_opinions.iter().map(|apart| apart.abs()).collect();
    println!(
        "phase correlation: {} of the estimated lags; less the estimate: mean {:+.2} s, median |.| {:.2} s; apart by more than 1 s: {}",
        apart.len(),
        mean_sd(&study.second_opinions).0,
        quantile(&mut apart.clone(), 0.5),
        apart.iter().filter(|apart| **apart > 1.0).count()
    );
    let mut factor: Vec<f64> = study.factor_errors.iter().map(|error| error.abs()).collect();
    println!(
        "combine factors: {} compared, median |log error| {:.4}; aliased fields refused: {} of {}",
        factor.len(),
        quantile(&mut factor, 0.5),
        study.aliased.0,
        study.aliased.1
    );
    println!("\n| injected | records | marked |\n| --- | --- | --- |");
    for (fault, (found, all)) in &study.recall {
        println!("| {fault:?} | {all} | {:.1} % |", 100.0 * *found as f64 / *all as f64);
    }
    println!(
        "\ngood interior records kept: {:.2} % of {}; kept records off by more than 25 %: {:.3} %; median |error| {:.2} %",
        100.0 * study.kept_good.0 as f64 / study.kept_good.1 as f64,
        study.kept_good.1,
        100.0 * study.off.0 as f64 / study.off.1 as f64,
        100.0 * quantile(&mut study.yield_errors.clone(), 0.5)
    );
    println!("\n| mark | records | share |\n| --- | --- | --- |");
    for (mark, marked) in &study.marked {
        println!("| `{}` | {marked} | {:.2} % |", mark.code(), 100.0 * *marked as f64 / study.records as f64);
    }
    println!("\ntime: {:.1} µs a record", 1e6 * study.seconds / study.records as f64);
}

const CORN_ARCHIVE: &str = "name = \"x\"\n[crops.corn]\nprice = \"4 USD/bu\"\n[treatments.check]\nlabel = \"check\"\ncheck = true\n[treatments.band]\nlabel = \"band\"\ncost = \"0 USD/ac\"\n";
const CORN_FIELD: &str = "farm = \"x\"\nfield = \"x\"\nseason = 2023\ncrop = \"corn\"\n[strips]\npath = \"strips.geojson\"\n[[harvest]]\npath = \"x.csv\"\nswath = \"30 ft\"\n[harvest.columns]\nlongitude = \"x\"\nlatitude = \"y\"\nmass_flow = { column = \"f\", unit = \"kg/s\" }\n";

/// Treated minus check over the strips, kg/ha: the mean over blocks of area-weighted means of usable segments; and the share of
/// records removed.
fn response(scenario: &Scenario, settings: &CleanSettings) -> Option<(f64, f64)> {
    let archive = ArchiveSettings::parse("archive.toml", CORN_ARCHIVE).map_err(|faults| println!("{faults}")).ok()?;
    let field = FieldSettings::parse("field.toml", CORN_FIELD, &archive).map_err(|faults| println!("{faults}")).ok()?;
    let ingested = simulate(scenario).to_ingested(scenario);
    let cleaned = clean::run(&ingested, &archive.crops["corn"], settings, scenario.seed);
    let removed = cleaned.mark.iter().filter(|mark| !mark.is_empty()).count() as f64 / cleaned.len() as f64;
    let assigned = assign::run(cleaned, &ingested, &field, &archive.model).map_err(|error| println!("{error}")).ok()?;
    let mean = |block: &str, check: bool| {
        let (mut mass, mut area) = (0.0, 0.0);
        for segment in assigned.segments.iter().filter(|segment| segment.usable) {
            let strip = &assigned.strips[segment.strip as usize];
            if strip.block == block && (strip.treatment == "check") == check {
                mass += segment.area_m2 * segment.dry_yield_kg_ha;
                area += segment.area_m2;
            }
        }
        mass / area
    };
    let blocks = &assigned.design.blocks;
    let sum: f64 = blocks.iter().map(|block| mean(block, false) - mean(block, true)).sum();
    Some((sum / blocks.len() as f64, removed))
}

/// What each rule does to a response of 8 %: the same field with and without the response, so that its noise cancels.
fn response_table() {
    const RESPONSE_KG_HA: f64 = 960.0;
    let count = fields() / 6;
    println!("\n## A response of 8 % under the rules, each switched off ({count} fields of 4 blocks, twice each)\n");
    println!("| switched off | of the response kept | error of the response, kg/ha | records removed |");
    println!("| --- | --- | --- | --- |");
    type Change = fn(&mut CleanSettings);
    let rules: [(&str, Change); 12] = [
        ("nothing", |_| {}),
        ("lag (12 s instead)", |one| (one.lag_s, one.moisture_lag_s) = (Some(12.0), Some(12.0))),
        ("lag (none)", |one| (one.lag_s, one.moisture_lag_s) = (Some(0.0), Some(0.0))),
        ("pass entry and exit", |one| (one.pass_entry_s, one.pass_exit_s) = (Some(0.0), Some(0.0))),
        ("short passes", |one| one.pass_length_m = 0.0),
        ("speed range", |one| (one.speed_least_m_s, one.speed_most_m_s) = (0.0, 20.0)),
        ("speed change", |one| one.speed_change_pct = 1000.0),
        ("swath corrected for ground cut before", |one| one.overlap = false),
        ("narrow swath", |one| one.swath_share_pct = 0.0),
        ("yield rules", |one| one.yield_rules = false),
        ("neighbours", |one| one.neighbour_limit = 100.0),
        ("neighbours at 2 deviations", |one| one.neighbour_limit = 2.0),
    ];
    for (name, change) in rules {
        let mut settings = CleanSettings::default();
        change(&mut settings);
        let found: Vec<(f64, f64, f64)> = (0..count)
            .into_par_iter()
            .filter_map(|seed| {
                let field = |response: f64| {
                    let mut scenario = Scenario::trial(seed, 4, 400.0, [response; 3]);
                    scenario.faults = FaultPlan::USUAL;
                    scenario
                };
                let (with, removed) = response(&field(RESPONSE_KG_HA), &settings)?;
                let (without, _) = response(&field(0.0), &settings)?;
                Some((with - without, with - RESPONSE_KG_HA, removed))
            })
            .collect();
        let kept: Vec<f64> = found.iter().map(|one| 100.0 * one.0 / RESPONSE_KG_HA).collect();
        let (mean, sd) = mean_sd(&kept);
        let error = (found.iter().map(|one| one.1 * one.1).sum::<f64>() / found.len() as f64).sqrt();
        let removed = found.iter().map(|one| one.2).sum::<f64>() / found.len() as f64;
        println!(
            "| {name} | {mean:.1} ± {:.1} % | {error:.0} | {:.1} % |",
            sd / (kept.len() as f64).sqrt(),
            100.0 * removed
        );
    }
}

fn main() {
    let only = std::env::var("ONLY").unwrap_or_default();
    let tables: [(&str, fn()); 3] = [("lag", lag_table), ("varied", varied_table), ("response", response_table)];
    for (name, table) in tables {
        if only.is_empty() || only == name {
            table();
        }
    }
}
