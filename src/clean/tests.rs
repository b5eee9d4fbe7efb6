//! What must hold of cleaning whatever the field: mass, area, units, place, repetition.

use proptest::prelude::*;

use super::*;
use crate::config::ArchiveSettings;
use crate::demo::{self, FaultPlan, MachinePlan, Pattern, RaisedLog, Scenario, simulate};

fn corn() -> CropSettings {
    ArchiveSettings::parse("archive.toml", "name = \"x\"\n[crops.corn]\n").unwrap().crops["corn"].clone()
}

fn field(seed: u64, passes: u32, faults: bool) -> Ingested {
    let machine = MachinePlan { delay_s: 10.0, mixing_s: 2.0, ..MachinePlan::default() };
    let mut scenario = Scenario::bare(seed, passes, 260.0, machine);
    if faults {
        scenario.faults = FaultPlan::USUAL;
        scenario.harvest.stops_per_1000_s = 1.0;
    }
    simulate(&scenario).to_ingested(&scenario)
}

fn cleaned(ingested: &Ingested) -> Cleaned {
    run(ingested, &corn(), &CleanSettings::default(), 1)
}

fn with_records(ingested: &Ingested, change: impl FnOnce(&mut Records)) -> Ingested {
    let mut records = Records::clone(&ingested.records);
    change(&mut records);
    Ingested { records: records.into(), boundary: None, strips: Vec::new(), ..ingested.clone() }
}

fn wet_mass_kg(mass: impl Iterator<Item = f64>) -> f64 {
    mass.filter(|mass| mass.is_finite()).sum()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, failure_persistence: None, ..ProptestConfig::default() })]

    /// No grain is lost or made: what cleaning marks keeps its mass, and what it moves arrives.
    #[test]
    fn mass_is_conserved(seed in 0_u64..1000, faults: bool) {
        let ingested = field(seed, 8, faults);
        let cleaned = cleaned(&ingested);
        let before = wet_mass_kg(ingested.records.mass_kg.iter().copied());
        let after = wet_mass_kg(
            (0..cleaned.len()).map(|at| cleaned.mass_flow_kg_s[at] * cleaned.records.interval_s[at]),
        );
        prop_assert!((after / before - 1.0).abs() < 1e-9, "{before} kg became {after} kg");
    }

    /// The ground cut is the ground of the field.
    #[test]
    fn area_is_conserved(seed in 0_u64..1000) {
        let cleaned = cleaned(&field(seed, 10, false));
        let ratio = cleaned.facts.limits["area cut / area inside the boundary"];
        prop_assert!((ratio - 1.0).abs() < 0.03, "{ratio}");
        prop_assert!(!cleaned.cautions.contains(Caution::AreaMismatch));
    }

    /// Kept records have ground of their own, and their dry yield is what the other columns give: flow × time, dried, by area.
    #[test]
    fn kept_records_are_whole(seed in 0_u64..1000, faults: bool, least in 0.0_f64..0.4) {
        let settings = CleanSettings { speed_least_m_s: least, ..CleanSettings::default() };
        let cleaned = run(&field(seed, 6, faults), &corn(), &settings, 1);
        for at in (0..cleaned.len()).filter(|&at| cleaned.is_kept(at)) {
            let mass_kg = cleaned.mass_flow_kg_s[at] * cleaned.records.interval_s[at];
            let dry_kg = mass_kg * dry_factor(cleaned.moisture_pct[at], corn().market_moisture_pct);
            let yield_kg_ha = dry_kg / cleaned.area_m2[at] * M2_PER_HA;
            prop_assert!(cleaned.area_m2[at] > 0.0);
            prop_assert!((cleaned.dry_yield_kg_ha[at] - yield_kg_ha).abs() < 1e-6, "{yield_kg_ha}");
            prop_assert!(cleaned.x_m[at].is_finite() && cleaned.y_m[at].is_finite());
        }
    }

    /// Half a per cent more grain everywhere is half a per cent more yield, and no mark changes.
    #[test]
    fn scaling_the_flow_scales_the_yield(seed in 0_u64..1000, percent in 98.0_f64..102.0) {
        let ingested = field(seed, 6, true);
        let scaled = with_records(&ingested, |records| {
            for mass in &mut records.mass_kg {
                *mass *= percent / 100.0;
            }
        });
        let (one, other) = (cleaned(&with_records(&ingested, |_| {})), cleaned(&scaled));
        let changed = (0..one.len()).filter(|&at| one.mark[at] != other.mark[at]).count();
        // a record may lie on the edge of an absolute limit
        prop_assert!(changed <= one.len() / 500, "{changed} of {}", one.len());
        for at in (0..one.len()).filter(|&at| one.is_kept(at) && other.is_kept(at)) {
            let ratio = other.dry_yield_kg_ha[at] / one.dry_yield_kg_ha[at];
            prop_assert!(one.dry_yield_kg_ha[at] <= 0.0 || (ratio - percent / 100.0).abs() < 1e-3);
        }
    }

    /// Where on the map a field lies does not matter.
    #[test]
    fn moving_the_field_changes_nothing(seed in 0_u64..1000, east in -9e4_f64..9e4, north in -9e5_f64..9e5) {
        let ingested = with_records(&field(seed, 6, true), |_| {});
        let moved = with_records(&ingested, |records| {
            records.x_m.iter_mut().for_each(|x| *x += east);
            records.y_m.iter_mut().for_each(|y| *y += north);
        });
        let (one, other) = (cleaned(&ingested), cleaned(&moved));
        let changed = (0..one.len()).filter(|&at| one.mark[at] != other.mark[at]).count();
        prop_assert!(changed <= one.len() / 500, "{changed} of {}", one.len());
    }

    /// Cleaning what was kept, on the ground where it was put, finds next to nothing more.
    #[test]
    fn a_second_cleaning_finds_next_to_nothing(seed in 0_u64..1000) {
        let ingested = field(seed, 10, true);
        let first = cleaned(&ingested);
        let kept: Vec<usize> = (0..first.len()).filter(|&at| first.is_kept(at)).collect();
        let marks_of_yields = |cleaned: &Cleaned| {
            let count = |mark: Mark| cleaned.mark.iter().filter(|found| found.first() == Some(mark)).count();
            count(Mark::YieldRange) + count(Mark::LocalDisagreement)
        };
        // the yields' rules again, over the records that are left
        let field = filters::neighbours::Field {
            x_m: &first.x_m,
            y_m: &first.y_m,
            yields: &first.dry_yield_kg_ha,
            pass: &first.pass,
            treatment: &vec![Labels::NONE; first.len()],
            bare: &vec![false; first.len()],
            treatments_known: false,
        };
        let limits = filters::neighbours::Limits {
            radius_m: 30.0,
            robust_deviations: 3.5,
            least_neighbours: 8,
            rounds: filters::neighbours::ROUNDS,
        };
        let mut marks = first.mark.clone();
        filters::neighbours::mark(&field, limits, &mut marks);
        let more = marks.iter().filter(|mark| !mark.is_empty()).count() - (first.len() - kept.len());
        prop_assert!(more <= kept.len() / 200, "{more} more of {}; {} at first", kept.len(), marks_of_yields(&first));
    }
}

/// A combine that drives back over standing crop with the header's switch down cuts nothing: its way takes no ground from the
/// passes that cut it later.
/// Where all records of a pass lie on eighths of a second, its places are found once for all lags; half a millisecond off they are not.
#[test]
fn passes_on_whole_seconds_are_matched_as_those_a_hair_off() {
    let ingested = field(3, 16, false);
    let off = with_records(&ingested, |records| {
        records.time_s.iter_mut().step_by(40).for_each(|time| *time += 1.0 / 2048.0);
    });
    let (one, other) = (cleaned(&with_records(&ingested, |_| {})), cleaned(&off));
    assert!(one.records.time_s.iter().all(|time| (8.0 * (time - one.records.time_s[0])).fract() == 0.0));
    for (name, facts) in &one.facts.machines {
        let [one, other] = [facts, &other.facts.machines[name]].map(|facts| facts.lag_s);
        assert!(one.source == crate::points::Source::Estimated, "{one:?}");
        assert!(one.source == other.source && (one.value - other.value).abs() < 0.01, "{one:?} {other:?}");
    }
    for (one, other) in one.lag_curves.iter().zip(&other.lag_curves) {
        assert!(one.mismatch.iter().zip(&other.mismatch).all(|(one, other)| (one / other - 1.0).abs() < 0.01));
    }
}

#[test]
fn a_way_back_without_grain_is_no_pass() {
    let all = demo::archive::scenarios(demo::Options::default()).unwrap();
    let one_way = |scenario: &Scenario| scenario.harvest.pattern == Pattern::SameDirection;
    let mut scenario = all.into_iter().find(one_way).unwrap();
    for machine in &mut scenario.machines {
        machine.stays_down_share = 1.0;
        machine.raised_log = RaisedLog::Always;
    }
    let cleaned = cleaned(&simulate(&scenario).to_ingested(&scenario));
    let empty = (0..cleaned.len()).filter(|&at| cleaned.records.mass_kg[at] < 0.1).count();
    assert!(empty > 500, "the way back was to be logged: {empty}");
    let kept_empty = (0..cleaned.len()).filter(|&at| cleaned.is_kept(at) && cleaned.records.mass_kg[at] < 0.1).count();
    assert_eq!(kept_empty, 0);
    let with_grain = (0..cleaned.len()).filter(|&at| cleaned.records.mass_kg[at] >= 0.1).count();
    let kept = (0..cleaned.len()).filter(|&at| cleaned.is_kept(at)).count();
    assert!(kept as f64 > 0.75 * with_grain as f64, "{kept} of {with_grain} kept");
}

/// A spike is a spike wherever else its record fails, so that it does not count in the weight of its load; and the reason that is
/// given is the first in the order of the marks, not of the rules.
#[test]
fn a_flow_spike_in_a_pass_entry_keeps_both_reasons() {
    let ingested = field(3, 10, false);
    let first = cleaned(&ingested);
    let at = (0..first.len()).find(|&at| first.mark[at].first() == Some(Mark::PassEntry)).unwrap();
    let spiked = cleaned(&with_records(&ingested, |records| records.mass_kg[at] = 500.0));
    assert!(spiked.mark[at].has(Mark::FlowRange) && spiked.mark[at].has(Mark::PassEntry));
    assert_eq!(spiked.mark[at].first(), Some(Mark::PassEntry));
}

/// Lags that are kept are taken while the records, the limits and the seed are those they were estimated from.
#[test]
fn lags_are_kept_until_what_they_rest_on_changes() {
    let (ingested, settings) = (field(5, 12, true), CleanSettings::default());
    let estimated = track(&ingested, &settings, 1, None).lags().clone();
    assert!(estimated.each.iter().all(|lags| lags.mass_s.source == crate::points::Source::Estimated), "{estimated:?}");
    let text = serde_json::to_string(&estimated.to_keep()).unwrap();
    assert_eq!(serde_json::from_str::<KnownLags>(&text).unwrap(), estimated);
    let mut unknown = estimated.clone();
    unknown.curves[0].mismatch[3] = f64::NAN;
    assert_eq!(unknown.to_keep(), None);
    // such as no estimate would give
    let mut kept = estimated.clone();
    kept.each = estimated.each.iter().map(|lags| lags.moved(1.0)).collect();
    let found = |ingested: &Ingested, settings: &CleanSettings, seed: u64| {
        track(ingested, settings, seed, Some(&kept)).lags().each.clone()
    };
    assert_eq!(found(&ingested, &settings, 1), kept.each);
    let no_boundary = Ingested { boundary: None, ..ingested.clone() };
    assert_eq!(found(&no_boundary, &settings, 1), kept.each);
    let heavier = with_records(&ingested, |records| records.mass_kg[200] *= 1.001);
    let fewer = CleanSettings { lag_to_s: settings.lag_to_s - 1.0, ..settings.clone() };
    for (ingested, settings, seed) in [(&heavier, &settings, 1), (&ingested, &fewer, 1), (&ingested, &settings, 2)] {
        assert_eq!(found(ingested, settings, seed), track(ingested, settings, seed, None).lags().each);
    }
}
