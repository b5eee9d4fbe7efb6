//! What strips made of a planter's log are worth: `cargo bench --bench applied`.
//!
//! Simulated applications with known truth (rates that rise, stops, settled product, sections that fail, receivers that lie aside),
//! harvested by a combine; prints tables, asserts nothing. `FIELDS` (default 24) is the number of harvested fields of a kind, ten
//! times as many are looked at for swapped strips.
#![expect(clippy::print_stdout, reason = "the tables are the purpose")]

use bandlift::applied;
use bandlift::config::{ArchiveSettings, FieldSettings};
use bandlift::demo::applied::{ApplicationPlan, apply};
use bandlift::demo::{Scenario, TrialPlan, simulate};
use bandlift::points::{Finding, Ingested, Joined, Labels};
use bandlift::{assign, clean, fit, join};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

const ARCHIVE: &str = "name = \"x\"\n[soil]\npath = \"soils.geojson\"\n[crops.corn]\nprice = \"4 USD/bu\"\n\
    [treatments.check]\nlabel = \"check\"\ncheck = true\n[treatments.band]\nlabel = \"band\"\ncost = \"10 USD/ac\"\nrate = \"50 L/ha\"\n";
const FIELD: &str = "farm = \"x\"\nfield = \"x\"\nseason = 2023\ncrop = \"corn\"\n[[harvest]]\npath = \"h.csv\"\ncrs = \"EPSG:4326\"\n\
    machine = \"A\"\nswath = \"30 ft\"\n[harvest.columns]\ntime = { column = \"t\", format = \"epoch_s\" }\n\
    longitude = \"lon\"\nlatitude = \"lat\"\nmass_flow = { column = \"f\", unit = \"kg/s\" }\n\
    [applied]\npath = \"a.csv\"\ncrs = \"EPSG:4326\"\nwidth = \"60 ft\"\nrandomized = true\n\
    [applied.columns]\ntime = { column = \"t\", format = \"epoch_s\" }\nlongitude = \"lon\"\nlatitude = \"lat\"\n\
    rate = { column = \"r\", unit = \"L/ha\" }\nsections = \"s\"\nstate = \"d\"\n";
/// Kilograms per hectare in a bushel of maize per acre.
const BUSHEL: f64 = 62.767_664_746_889_54;

/// The kinds of application.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    /// Nothing goes wrong.
    Clean,
    /// All of it, the strips two passes of the combine wide.
    All,
    /// All of it, the strips one pass of the planter and of the combine wide.
    Narrow,
    /// All of it, and a pass beside the trial on either side that the log tells as check, too.
    Borders,
    /// All of it, a header that does not divide the planter.
    OtherHeader,
}

fn scenario(kind: Kind, seed: u64) -> (Scenario, ApplicationPlan) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let length_m = 500.0;
    let mut one = Scenario::trial(seed, 6, length_m, [150.0, 300.0, 450.0]);
    one.name = format!("applied-{seed}");
    let rows = if kind == Kind::Narrow { 12 } else { 24 };
    let layout = TrialPlan {
        blocks: 6,
        strip_rows: rows,
        border_rows: if kind == Kind::Borders { rows } else { 0 },
        headland_rows: 24,
        randomised: true,
    };
    (one.field.strips, one.field.width_m) = layout.strips(2, length_m, seed, &one.name);
    if kind == Kind::OtherHeader {
        one.machines[0].header_rows = 16;
    }
    let aside = random.random_range(0.3..1.0) * if random.random_bool(0.5) { 1.0 } else { -1.0 };
    let all = ApplicationPlan { planter_rows: rows, sections: rows / 2, offset_m: aside, ..ApplicationPlan::default() };
    let plan = match kind {
        Kind::Clean => {
            ApplicationPlan { offset_m: 0.0, drift_sd_m: 0.0, failing_share: 0.0, stops: 0, long_stops: 0, ..all }
        }
        _ => all,
    };
    (one, plan)
}

struct Settings {
    archive: ArchiveSettings,
    field: FieldSettings,
}

impl Settings {
    fn new() -> Result<Self, bandlift::config::Faults> {
        let archive = ArchiveSettings::parse("archive.toml", ARCHIVE)?;
        let field = FieldSettings::parse("field.toml", FIELD, &archive)?;
        Ok(Self { archive, field })
    }

    fn joined(&self, ingested: &Ingested) -> Option<Joined> {
        let cleaned = clean::run(ingested, &self.archive.crops["corn"], &self.archive.clean, 1);
        let assigned = assign::run(cleaned, ingested, &self.field, &self.archive.model).ok()?;
        Some(join::run(assigned, ingested, &self.archive))
    }

    /// The response over the whole field, its standard error, and blocks.
    fn response(&self, joined: &Joined) -> Option<(f64, f64, usize)> {
        let fit = fit::run(joined, &self.archive).fit;
        let whole = fit.responses.iter().find(|one| one.key.class.is_none())?;
        Some((whole.estimate.mean? / BUSHEL, whole.estimate.std_error.unwrap_or(f64::NAN) / BUSHEL, whole.blocks))
    }
}

/// Ground that the kept records of segments cut, m², and what of it was really under the treatment that it counts for.
fn right_ground(joined: &Joined, scenario: &Scenario) -> (f64, f64) {
    let field = &scenario.field;
    let (cleaned, assigned) = (&joined.assigned.cleaned, &joined.assigned);
    let header_m = f64::from(scenario.machines[0].header_rows) * field.row_m;
    let (mut used, mut right) = (0.0, 0.0);
    for at in 0..cleaned.len() {
        if assigned.segment[at] == Labels::NONE || !cleaned.is_kept(at) {
            continue;
        }
        let strip = &assigned.strips[assigned.strip[at] as usize];
        let treated = strip.treatment != "check";
        let (u, v) = (cleaned.x_m[at] - scenario.placement.east_m, cleaned.y_m[at] - scenario.placement.north_m);
        let rows = scenario.machines[0].header_rows;
        let good = (0..rows).filter(|row| {
            let u = u + (f64::from(*row) + 0.5) * field.row_m - header_m / 2.0;
            let of = field.strips.iter().find(|strip| u >= strip.u.0 && u < strip.u.1);
            let is_treated = of.is_some_and(|strip| strip.treatment != 0);
            is_treated == treated && (!treated || (field.dose(u, v) - 1.0).abs() <= 0.1)
        });
        used += cleaned.area_m2[at];
        right += cleaned.area_m2[at] * good.count() as f64 / f64::from(rows);
    }
    (used, right)
}

/// The drawn strips without the ground on which the product did not run as it should.
fn true_strips(drawn: &Ingested, scenario: &Scenario) -> Ingested {
    use geo::{BooleanOps, LineString, MultiPolygon, Polygon, unary_union};
    let to = |u: f64, v: f64| (u + scenario.placement.east_m, v + scenario.placement.north_m);
    let wrong: Vec<Polygon<f64>> = scenario
        .field
        .doses
        .iter()
        .filter(|dose| (dose.share - 1.0).abs() > 0.1)
        .map(|dose| {
            let corners = [(dose.u.0, dose.v.0), (dose.u.1, dose.v.0), (dose.u.1, dose.v.1), (dose.u.0, dose.v.1)];
            Polygon::new(LineString::from(corners.map(|(u, v)| to(u, v)).to_vec()), Vec::new())
        })
        .collect();
    let wrong: MultiPolygon<f64> = unary_union(&wrong);
    let mut one = drawn.clone();
    for strip in &mut one.strips {
        strip.ground = strip.ground.difference(&wrong);
    }
    one
}

struct Answer {
    used_m2: f64,
    right_m2: f64,
    true_m2: f64,
    beside: f64,
    of_drawn_m2: f64,
    right_of_drawn_m2: f64,
    log: f64,
    truth: f64,
    drawn: f64,
    std_error: f64,
    blocks: usize,
    moved_m: f64,
}

fn answer(kind: Kind, seed: u64, settings: &Settings) -> Option<Answer> {
    let (mut scenario, plan) = scenario(kind, seed);
    let log = apply(&mut scenario, &plan);
    let done = simulate(&scenario);
    let drawn = done.to_ingested(&scenario);
    let mut by_log = Ingested { strips: Vec::new(), logs: vec![log], ..drawn.clone() };
    let mut beside = Ingested { strips: drawn.strips.clone(), ..by_log.clone() };
    applied::run(&mut beside, &settings.field, &settings.archive).ok()?;
    if let Err(error) = applied::run(&mut by_log, &settings.field, &settings.archive) {
        println!("{kind:?} {seed}: {error}");
        return None;
    }
    let joined = settings.joined(&by_log)?;
    let (used_m2, right_m2) = right_ground(&joined, &scenario);
    let (log, std_error, blocks) = settings.response(&joined)?;
    let of_drawn = settings.joined(&drawn)?;
    let (of_drawn_m2, right_of_drawn_m2) = right_ground(&of_drawn, &scenario);
    let clean = settings.joined(&true_strips(&drawn, &scenario))?;
    let beside = settings.response(&settings.joined(&beside)?)?.0;
    let moved = by_log.applied?.stretches.iter().filter(|one| one.finding == Finding::LogMoved).count();
    Some(Answer {
        used_m2,
        right_m2,
        true_m2: right_ground(&clean, &scenario).0,
        beside,
        of_drawn_m2,
        right_of_drawn_m2,
        log,
        truth: settings.response(&clean)?.0,
        drawn: settings.response(&of_drawn)?.0,
        std_error,
        blocks,
        moved_m: moved as f64,
    })
}

/// Whether a swap of two drawn strips is found, and whether strips drawn right are let pass.
fn swap_found(seed: u64, settings: &Settings) -> (bool, bool) {
    let (mut scenario, plan) = scenario(if seed.is_multiple_of(2) { Kind::All } else { Kind::Narrow }, seed);
    let log = apply(&mut scenario, &plan);
    // the log alone: nobody has harvested yet
    let bare = bandlift::demo::Simulated {
        records: Vec::new(),
        truth: Vec::new(),
        field: bandlift::demo::FieldTruth::default(),
        loads: Vec::new(),
        balance: bandlift::demo::MassBalance::default(),
    };
    let right = Ingested { logs: vec![log], ..bare.to_ingested(&scenario) };
    let mut swapped = right.clone();
    let block = 2 * (seed as usize % 6);
    let treatment = swapped.strips[block].treatment.clone();
    swapped.strips[block].treatment = std::mem::replace(&mut swapped.strips[block + 1].treatment, treatment);
    let run = |mut one: Ingested| applied::run(&mut one, &settings.field, &settings.archive);
    let names = [block, block + 1].map(|at| right.strips[at].name.clone().unwrap_or_default());
    let found = match run(swapped) {
        Err(applied::AppliedError::Swapped { strips, .. }) => names.iter().all(|name| strips.contains(name.as_str())),
        _ => false,
    };
    (found, run(right).is_ok())
}

fn main() -> Result<(), bandlift::config::Faults> {
    let fields: u64 = std::env::var("FIELDS").ok().and_then(|text| text.parse().ok()).unwrap_or(24);
    let settings = Settings::new()?;
    println!(
        "| application | fields | ground right, % | with drawn strips, % | ground used, % of that with true strips | log − true strips, bu/ac: mean, spread, greatest | log beside drawn − true strips: mean, spread | drawn − true strips: mean | std. error | blocks | logs moved |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for kind in [Kind::Clean, Kind::All, Kind::Narrow, Kind::Borders, Kind::OtherHeader] {
        let all: Vec<Answer> = (0..fields).into_par_iter().filter_map(|seed| answer(kind, seed, &settings)).collect();
        let sum = |pick: fn(&Answer) -> f64| all.iter().map(pick).sum::<f64>();
        let count = all.len() as f64;
        let most = all.iter().map(|one| (one.log - one.truth).abs()).fold(0.0, f64::max);
        println!(
            "| {kind:?} | {} | {:.2} | {:.2} | {:.0} | {:+.2}, {:.2}, {most:.2} | {:+.2}, {:.2} | {:+.2} | {:.2} | {:.1} | {} |",
            all.len(),
            100.0 * sum(|one| one.right_m2) / sum(|one| one.used_m2),
            100.0 * sum(|one| one.right_of_drawn_m2) / sum(|one| one.of_drawn_m2),
            100.0 * sum(|one| one.used_m2) / sum(|one| one.true_m2),
            sum(|one| one.log - one.truth) / count,
            (sum(|one| (one.log - one.truth).powi(2)) / count).sqrt(),
            sum(|one| one.beside - one.truth) / count,
            (sum(|one| (one.beside - one.truth).powi(2)) / count).sqrt(),
            sum(|one| one.drawn - one.truth) / count,
            sum(|one| one.std_error) / count,
            sum(|one| one.blocks as f64) / count,
            sum(|one| one.moved_m),
        );
    }
    let swaps: Vec<(bool, bool)> =
        (1000..1000 + 10 * fields).into_par_iter().map(|seed| swap_found(seed, &settings)).collect();
    let found = swaps.iter().filter(|one| one.0).count();
    let passed = swaps.iter().filter(|one| one.1).count();
    println!("\nSwapped strips found: {found} of {}; right ones let pass: {passed}.", swaps.len());
    Ok(())
}
