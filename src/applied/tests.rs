//! Strips made of simulated logs, against their truth.

use super::*;
use crate::demo::applied::{ApplicationPlan, apply};
use crate::demo::{FieldTruth, MassBalance, Scenario, Simulated, TrialPlan, simulate};
use crate::points::{Joined, Labels};
use crate::{assign, clean, fit, join};

const ARCHIVE: &str = "name = \"x\"\n[soil]\npath = \"soils.geojson\"\n[crops.corn]\nprice = \"4 USD/bu\"\n\
    [treatments.check]\ncheck = true\n[treatments.band]\ncost = \"10 USD/ac\"\nrate = \"50 L/ha\"\n";
const FIELD: &str = "farm = \"x\"\nfield = \"x\"\nseason = 2023\ncrop = \"corn\"\n[[harvest]]\npath = \"h.csv\"\ncrs = \"EPSG:4326\"\n\
    swath = \"30 ft\"\n[harvest.columns]\ntime = { column = \"t\", format = \"epoch_s\" }\nlongitude = \"lon\"\nlatitude = \"lat\"\n\
    mass_flow = { column = \"f\", unit = \"kg/s\" }\n[applied]\npath = \"a.csv\"\ncrs = \"EPSG:4326\"\nwidth = \"60 ft\"\nrandomized = true\n\
    [applied.columns]\ntime = { column = \"t\", format = \"epoch_s\" }\nlongitude = \"lon\"\nlatitude = \"lat\"\n\
    rate = { column = \"r\", unit = \"L/ha\" }\n";
/// Kilograms per hectare in a bushel of maize per acre.
const BUSHEL: f64 = 62.767_664_746_889_54;

fn settings() -> (ArchiveSettings, FieldSettings) {
    let archive = ArchiveSettings::parse("archive.toml", ARCHIVE).unwrap();
    let field = FieldSettings::parse("field.toml", FIELD, &archive).unwrap();
    (archive, field)
}

fn scenario(seed: u64, rows: u32) -> Scenario {
    let length_m = 400.0;
    let mut one = Scenario::trial(seed, 5, length_m, [150.0, 300.0, 450.0]);
    one.name = format!("log-{seed}");
    let layout = TrialPlan { blocks: 5, strip_rows: rows, border_rows: rows, headland_rows: 24, randomised: true };
    (one.field.strips, one.field.width_m) = layout.strips(2, length_m, seed, &one.name);
    one
}

fn plan(seed: u64, rows: u32) -> ApplicationPlan {
    let aside = 0.3 + 0.07 * (seed % 11) as f64;
    let offset_m = if seed.is_multiple_of(2) { aside } else { -aside };
    ApplicationPlan { planter_rows: rows, sections: rows / 2, offset_m, ..ApplicationPlan::default() }
}

/// What a field looks like before its harvest.
fn unharvested(scenario: &Scenario) -> Ingested {
    let (field, balance) = (FieldTruth::default(), MassBalance::default());
    Simulated { records: Vec::new(), truth: Vec::new(), field, loads: Vec::new(), balance }.to_ingested(scenario)
}

fn joined(ingested: &Ingested, archive: &ArchiveSettings, field: &FieldSettings) -> Joined {
    let cleaned = clean::run(ingested, &archive.crops["corn"], &archive.clean, 1);
    join::run(assign::run(cleaned, ingested, field, &archive.model).unwrap(), ingested, archive)
}

#[test]
fn nearly_all_ground_counts_for_the_treatment_that_it_had() {
    let (archive, field) = settings();
    let (mut used, mut right) = (0.0, 0.0);
    for (seed, rows) in [(1, 24), (2, 12), (3, 24)] {
        let mut scenario = scenario(seed, rows);
        let log = apply(&mut scenario, &plan(seed, rows));
        let mut ingested =
            Ingested { strips: Vec::new(), logs: vec![log], ..simulate(&scenario).to_ingested(&scenario) };
        run(&mut ingested, &field, &archive).unwrap();
        let joined = joined(&ingested, &archive, &field);
        let (cleaned, assigned, plan) = (&joined.assigned.cleaned, &joined.assigned, &scenario.field);
        for at in (0..cleaned.len()).filter(|&at| assigned.segment[at] != Labels::NONE && cleaned.is_kept(at)) {
            let treated = assigned.strips[assigned.strip[at] as usize].treatment == "band";
            let (x, y) = (cleaned.x_m[at] - scenario.placement.east_m, cleaned.y_m[at] - scenario.placement.north_m);
            for row in 0..12 {
                let u = x + (f64::from(row) - 5.5) * plan.row_m;
                let of = plan.strips.iter().find(|strip| u >= strip.u.0 && u < strip.u.1);
                let is_treated = of.is_some_and(|strip| strip.treatment == 1);
                used += 1.0;
                right +=
                    f64::from(u8::from(is_treated == treated && (!treated || (plan.dose(u, y) - 1.0).abs() <= 0.1)));
            }
        }
    }
    assert!(used > 50_000.0 && right / used >= 0.995, "{right} of {used}");
}

#[test]
fn the_answer_of_a_log_without_mishaps_is_that_of_its_strips() {
    let (archive, field) = settings();
    let mut scenario = scenario(7, 24);
    let mishaps = ApplicationPlan { stops: 0, long_stops: 0, failing_share: 0.0, ..plan(7, 24) };
    let log = apply(&mut scenario, &mishaps);
    let drawn = simulate(&scenario).to_ingested(&scenario);
    let mut beside = Ingested { logs: vec![log], ..drawn.clone() };
    run(&mut beside, &field, &archive).unwrap();
    let response = |ingested: &Ingested| {
        let fit = fit::run(&joined(ingested, &archive, &field), &archive).fit;
        fit.responses.iter().find(|one| one.key.class.is_none()).unwrap().estimate.mean.unwrap() / BUSHEL
    };
    let (log, strips) = (response(&beside), response(&drawn));
    assert!((log - strips).abs() < 0.2, "{log} {strips}");
}

#[test]
fn swapped_strips_are_found_and_right_ones_let_pass() {
    let (archive, field) = settings();
    for seed in 100..120_u64 {
        let rows = if seed.is_multiple_of(2) { 24 } else { 12 };
        let mut scenario = scenario(seed, rows);
        let log = apply(&mut scenario, &plan(seed, rows));
        let mut right = Ingested { logs: vec![log], ..unharvested(&scenario) };
        let mut swapped = right.clone();
        let at = 2 * (seed as usize % 5);
        let treatment = swapped.strips[at].treatment.clone();
        swapped.strips[at].treatment = std::mem::replace(&mut swapped.strips[at + 1].treatment, treatment);
        let found = run(&mut swapped, &field, &archive);
        assert!(matches!(found, Err(AppliedError::Swapped { .. })), "{seed}: {found:?}");
        run(&mut right, &field, &archive).unwrap();
        assert!(!right.cautions.contains(Caution::StripsDisagree), "{seed}: {:?}", right.cautions);
    }
}

#[test]
fn a_given_offset_moves_each_pass_to_its_own_right() {
    use geo::BoundingRect;
    let (archive, mut field) = settings();
    let mut scenario = scenario(2, 12);
    let mishaps = ApplicationPlan { stops: 0, long_stops: 0, failing_share: 0.0, offset_m: 0.0, ..plan(2, 12) };
    let log = apply(&mut scenario, &mishaps);
    let mut extent = |offset_m: f64| {
        field.applied[0].offset_m = Some(offset_m);
        let mut one = Ingested { strips: Vec::new(), logs: vec![log.clone()], ..unharvested(&scenario) };
        run(&mut one, &field, &archive).unwrap();
        let ends = one.strips.iter().filter_map(|strip| strip.ground.bounding_rect());
        ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), rect| {
            (low.min(rect.min().x), high.max(rect.max().x))
        })
    };
    // the westernmost pass runs north, the easternmost south: what lies to the left of either lies outside of both
    let ((west, east), (moved_west, moved_east)) = (extent(0.0), extent(0.5));
    assert!((moved_west - west - 0.5).abs() < 0.01, "{west} {moved_west}");
    assert!((east - moved_east - 0.5).abs() < 0.01, "{east} {moved_east}");
}

/// By hand: 6 gal at 5 gal/ac last for 1.2 ac, 52,272 ft², that is 1,306.8 ft of 40 ft.
#[test]
fn what_stands_in_the_lines_lasts_for_its_volume_by_rate_and_width() {
    let (archive, _) = settings();
    let text = FIELD.replace("randomized = true\n", "line_volume = \"6 gal\"\n");
    let field = FieldSettings::parse("field.toml", &text, &archive).unwrap();
    let rate = crate::quantity::ApplicationRate::parse("5 gal/ac").unwrap().per_ha;
    let length_ft = track::flush_m(&field.applied[0], rate, 40.0 * 0.3048) / 0.3048;
    assert!((length_ft - 1306.8).abs() < 1e-6, "{length_ft}");
}
