//! Processor time of one fit of a site-year by its number of segments: `cargo bench --bench fit`.
//!
//! The peer is what a general-purpose library offers: generalised least squares with the dense covariance of all segments,
//! one Cholesky factor for each set of covariance parameters. It is timed for one set; averaging over the covariance takes
//! as many as the fit evaluates.
#![expect(clippy::print_stdout, reason = "the table is the purpose")]

use std::time::Instant;

use bandlift::config::{ArchiveSettings, FieldSettings};
use bandlift::demo::{FaultPlan, MachinePlan, Scenario, TrialPlan, simulate};
use bandlift::points::Joined;
use bandlift::{assign, clean, fit, join};
use faer::prelude::Solve;
use faer::{Mat, Side};

const ARCHIVE: &str = "name = \"x\"\n[soil]\npath = \"soils.geojson\"\n[crops.corn]\nprice = \"4 USD/bu\"\n\
    [treatments.check]\nlabel = \"check\"\ncheck = true\n[treatments.band]\nlabel = \"band\"\ncost = \"10 USD/ac\"\n\
    [clean]\nlag = \"13 s\"\nmoisture_lag = \"18 s\"\n";
const FIELD: &str = "farm = \"x\"\nfield = \"x\"\nseason = 2023\ncrop = \"corn\"\n[strips]\npath = \"strips.geojson\"\n\
    block = \"block\"\nstrip = \"strip\"\nrandomized = true\n[[harvest]]\npath = \"h.csv\"\ncrs = \"EPSG:4326\"\n\
    machine = \"A\"\nswath = \"30 ft\"\n[harvest.columns]\ntime = { column = \"t\", format = \"epoch_s\" }\n\
    longitude = \"lon\"\nlatitude = \"lat\"\nmass_flow = { column = \"f\", unit = \"kg/s\" }\n";

/// A trial whose strips are one pass wide.
fn site(blocks: usize, length_m: f64, archive: &ArchiveSettings, field: &FieldSettings) -> Option<Joined> {
    let mut scenario = Scenario::trial(7, blocks, length_m, [0.0, 200.0, 400.0]);
    scenario.machines = vec![MachinePlan { stays_down_share: 0.0, ..MachinePlan::default() }];
    let layout = TrialPlan { blocks, strip_rows: 12, border_rows: 0, headland_rows: 24, randomised: true };
    (scenario.field.strips, scenario.field.width_m) = layout.strips(2, length_m, 7, "fit");
    scenario.faults = FaultPlan::default();
    let ingested = simulate(&scenario).to_ingested(&scenario);
    let cleaned = clean::run(&ingested, &archive.crops["corn"], &archive.clean, 1);
    Some(join::run(assign::run(cleaned, &ingested, field, &archive.model).ok()?, &ingested, archive))
}

/// Seconds of processor time that this thread has used, where the system tells; else of the clock.
fn used_s(begun: Instant) -> f64 {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanoseconds = told.and_then(|text| text.split_whitespace().next()?.parse::<f64>().ok());
    nanoseconds.map_or_else(|| begun.elapsed().as_secs_f64(), |nanoseconds| 1e-9 * nanoseconds)
}

/// Seconds of one evaluation of the dense covariance of the segments.
fn dense_s(joined: &Joined) -> Option<f64> {
    let segments: Vec<_> = joined.assigned.segments.iter().filter(|segment| segment.usable).collect();
    let y: Vec<f64> = segments.iter().map(|segment| segment.dry_yield_kg_ha).collect();
    let treated = |at: usize| {
        let treated = joined.assigned.strips[segments[at].strip as usize].treatment != "check";
        f64::from(u8::from(treated))
    };
    let x = Mat::from_fn(y.len(), 2, |i, j| if j == 0 { 1.0 } else { treated(i) });
    let clock = Instant::now();
    let begun = used_s(clock);
    // Matérn 3/2 of range 60 m, nugget, strips
    let covariance = Mat::from_fn(y.len(), y.len(), |i, j| {
        let (one, other) = (segments[i], segments[j]);
        let s = 3.0_f64.sqrt() * (one.x_m - other.x_m).hypot(one.y_m - other.y_m) / 60.0;
        let strip = if one.strip == other.strip { 0.1 } else { 0.0 };
        0.7 * (1.0 + s) * (-s).exp() + strip + if i == j { 0.3 } else { 0.0 }
    });
    let factor = covariance.llt(Side::Lower).ok()?;
    let right = Mat::from_fn(y.len(), 3, |i, j| if j < 2 { x[(i, j)] } else { y[i] });
    let products = right.transpose() * factor.solve(&right);
    let _ = std::hint::black_box(products);
    Some(used_s(clock) - begun)
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
    println!("| segments | one fit | covariances evaluated | dense, one evaluation | dense, as many |");
    println!("| --- | --- | --- | --- | --- |");
    for (blocks, length_m) in [(2, 560.0), (4, 1_050.0), (8, 1_300.0), (14, 2_100.0), (24, 4_250.0)] {
        let Some(joined) = site(blocks, length_m, &archive, &field) else { continue };
        let segments = joined.assigned.segments.iter().filter(|segment| segment.usable).count();
        let mut fastest = f64::INFINITY;
        let mut evaluations = 0;
        for _ in 0..9 {
            let clock = Instant::now();
            let begun = used_s(clock);
            let fit = fit::run(&joined, &archive).fit;
            fastest = fastest.min(used_s(clock) - begun);
            evaluations = fit.field_model.map_or(0, |model| model.evaluations);
        }
        let (one, all) = match if segments > 4_000 { None } else { dense_s(&joined) } {
            Some(seconds) => {
                (format!("{:.1} ms", 1e3 * seconds), format!("{:.0} ms", 1e3 * seconds * evaluations as f64))
            }
            None => ("–".to_owned(), "–".to_owned()),
        };
        println!("| {segments} | {:.1} ms | {evaluations} | {one} | {all} |", 1e3 * fastest);
    }
}
