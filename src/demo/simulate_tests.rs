//! The physics of the harvest against what it must do.

use super::*;
use crate::demo::faults::InjectedFault;
use crate::demo::plan::{FaultPlan, HarvestPlan, Pattern, Sharing};

fn quiet() -> MachinePlan {
    MachinePlan {
        flow_noise: 0.0,
        position_sd_m: 0.0,
        drift_sd_m: 0.0,
        moisture_noise_pct: 0.0,
        ..MachinePlan::default()
    }
}

#[test]
fn no_grain_is_lost_between_header_and_sensor() {
    for pattern in [Pattern::Serpentine, Pattern::SameDirection, Pattern::RoundAndRound] {
        let mut scenario = Scenario::trial(1, 4, 400.0, [0.0, 200.0, 500.0]);
        scenario.harvest.pattern = pattern;
        let done = simulate(&scenario);
        let balance = done.balance;
        assert!((balance.cut_kg - balance.passed_kg - balance.left_kg).abs() < 1e-6 * balance.cut_kg, "{balance:?}");
        assert!(balance.left_kg < 1e-4 * balance.cut_kg, "the machine was emptied: {balance:?}");
        assert!((balance.recorded_kg - balance.passed_kg).abs() < 1e-6 * balance.cut_kg, "everything was written");
        let loads: f64 = done.loads.iter().map(|load| load.mass_kg).sum();
        assert!((loads - balance.passed_kg).abs() < 1e-6 * balance.cut_kg);
        let area = scenario.field.width_m * scenario.field.length_m;
        assert!((done.field.area_m2 / area - 1.0).abs() < 0.005);
        assert!(
            (balance.cut_m2 + balance.standing_m2) / area > 0.985 && balance.cut_m2 < 1.01 * area,
            "{pattern:?} {balance:?} {area}"
        );
        assert!(balance.standing_m2 < 0.02 * area, "{pattern:?}: {balance:?}");
    }
}

#[test]
fn what_is_not_logged_while_the_header_is_raised_is_missing_and_stated() {
    let never = MachinePlan { raised_log: RaisedLog::Never, ..quiet() };
    let done = simulate(&Scenario::bare(1, 8, 300.0, never));
    let lost = 1.0 - done.balance.recorded_kg / done.balance.cut_kg;
    // The grain of the last lag (13 s) of 150 s passes, less what the late switch still sees.
    assert!((0.05..0.12).contains(&lost), "{lost}");
    assert!(done.records.iter().all(|record| record.header_down));
}

/// The first-order response to entering the crop: 1 − exp(−(t − d)/τ), and so 95 % after d + 3 τ.
#[test]
fn the_sensor_fills_as_first_order_mixing_says() {
    let machine = MachinePlan { mixing_s: 4.0, speed_cv: 0.0, steering_sd_m: 0.0, lower_late_s: 0.0, ..quiet() };
    let mut scenario = Scenario::bare(5, 1, 400.0, machine);
    scenario.field.surface.cv = 0.0;
    scenario.field.moisture_sd_pct = 0.0;
    let done = simulate(&scenario);
    let full = 10_000.0 / M2_PER_HA * 12.0 * 0.762 * 2.0 / dry_factor(19.0, 15.5);
    let entered = done.truth.iter().position(|truth| truth.area_m2 > 0.9 * 18.0).unwrap();
    // Seconds of full cutting before the middle of that record.
    let before = 0.5 + done.truth[entered - 1].area_m2 / (12.0 * 0.762 * 2.0);
    let share = |seconds: usize| done.records[entered + seconds].mass_kg / full;
    assert!(share(8) < 0.01, "{}", share(8));
    for seconds in [12, 14, 18, 22, 30] {
        let want = 1.0 - (-(seconds as f64 + before - 10.0) / 4.0).exp();
        assert!((share(seconds) - want).abs() < 0.02, "{seconds}: {} {want}", share(seconds));
    }
    assert!((share(60) - 1.0).abs() < 1e-3);
}

/// Correlates flow with the yield that was being cut: the peak lies between d + τ/2 (white field) and d + τ (smooth field).
#[test]
fn cross_correlation_recovers_the_delay() {
    for (delay, mixing, low, high) in [(12.0, 0.0, 11.5, 12.5), (12.0, 3.0, 13.0, 15.5), (8.0, 5.0, 10.0, 13.5)] {
        let machine = MachinePlan { delay_s: delay, mixing_s: mixing, speed_cv: 0.0, ..quiet() };
        let done = simulate(&Scenario::bare(2, 12, 400.0, machine));
        let mut best = (f64::NEG_INFINITY, 0);
        for lag in 0..30_usize {
            let pairs: Vec<(f64, f64)> = (0..done.records.len() - lag)
                .filter(|&at| {
                    let (here, there) = (&done.truth[at], &done.truth[at + lag]);
                    here.area_m2 > 17.5
                        && here.drive == there.drive
                        && at > 40
                        && done.truth[at - 40].drive == here.drive
                })
                .map(|at| (done.truth[at].yield_kg_ha, done.records[at + lag].mass_kg))
                .collect();
            let n = pairs.len() as f64;
            let (mx, my) = (pairs.iter().map(|p| p.0).sum::<f64>() / n, pairs.iter().map(|p| p.1).sum::<f64>() / n);
            let product = |f: fn(f64, f64) -> f64| pairs.iter().map(|p| f(p.0 - mx, p.1 - my)).sum::<f64>();
            let r = product(|a, b| a * b) / (product(|a, _| a * a) * product(|_, b| b * b)).sqrt();
            if r > best.0 {
                best = (r, lag);
            }
        }
        assert!((low..=high).contains(&(best.1 as f64)), "d {delay} τ {mixing}: {best:?}");
    }
}

#[test]
fn the_moisture_comes_later_and_smoother() {
    let machine =
        MachinePlan { moisture_delay_s: 20.0, moisture_mixing_s: 0.0, mixing_s: 0.0, speed_cv: 0.0, ..quiet() };
    let done = simulate(&Scenario::bare(2, 4, 400.0, machine));
    let mut checked = 0;
    for at in 60..done.records.len() {
        let (then, now) = (&done.truth[at - 20], &done.truth[at]);
        if then.area_m2 > 18.0 && then.drive == now.drive && done.truth[at - 40].drive == now.drive {
            assert!((done.records[at].moisture_pct - then.moisture_pct).abs() < 0.2);
            checked += 1;
        }
    }
    assert!(checked > 300, "{checked}");
}

#[test]
fn injected_faults_are_known_and_about_as_many_as_asked() {
    let clean = Scenario { faults: FaultPlan::default(), ..Scenario::trial(4, 6, 600.0, [0.0; 3]) };
    let spoilt = Scenario {
        faults: FaultPlan {
            duplicates: 0.01,
            flow_spikes: 0.01,
            position_jumps: 0.01,
            wrong_speeds: 0.01,
            no_position: 0.01,
            stuck_moisture: 1,
        },
        ..clean.clone()
    };
    let (good, bad) = (simulate(&clean), simulate(&spoilt));
    assert!(good.truth.iter().all(|truth| truth.fault.is_none()));
    let count =
        |fault| bad.truth.iter().filter(|truth| truth.fault == Some(fault)).count() as f64 / bad.truth.len() as f64;
    for fault in [
        InjectedFault::Duplicate,
        InjectedFault::FlowSpike,
        InjectedFault::PositionJump,
        InjectedFault::WrongSpeed,
        InjectedFault::NoPosition,
    ] {
        let share = count(fault);
        assert!((0.004..0.02).contains(&share), "{fault:?} {share}");
    }
    assert!(count(InjectedFault::StuckMoisture) > 0.0);
    // Without its spoilt records the outcome is the clean one.
    let mut clean_records = good.records.iter();
    for (record, truth) in bad.records.iter().zip(&bad.truth) {
        if truth.fault != Some(InjectedFault::Duplicate) {
            let want = clean_records.next().unwrap();
            if truth.fault.is_none() {
                assert_eq!(record, want);
            }
        }
    }
}

#[test]
fn machines_share_the_passes_as_planned() {
    let mut scenario = Scenario::trial(6, 4, 300.0, [0.0; 3]);
    scenario.machines = vec![quiet(), MachinePlan { name: "B".to_owned(), gain: 1.06, ..quiet() }];
    let sums = |sharing| {
        let done =
            simulate(&Scenario { harvest: HarvestPlan { sharing, ..scenario.harvest.clone() }, ..scenario.clone() });
        let mut treated = [[0_usize; 2]; 2];
        for (record, truth) in done.records.iter().zip(&done.truth) {
            if truth.strip != u32::MAX && truth.area_m2 > 0.0 {
                treated[record.machine as usize]
                    [usize::from(scenario.field.strips[truth.strip as usize].treatment > 0)] += 1;
            }
        }
        treated
    };
    let aliased = sums(Sharing::ByTreatment);
    assert_eq!((aliased[0][1], aliased[1][0]), (0, 0), "machine and treatment cannot be told apart");
    let alternate = sums(Sharing::Alternate);
    assert!(alternate.iter().flatten().all(|&count| count > 300), "{alternate:?}");
}

#[test]
fn the_same_scenario_gives_the_same_records() {
    let scenario = Scenario::trial(9, 4, 300.0, [10.0, 100.0, 200.0]);
    let (one, two) = (simulate(&scenario), simulate(&scenario));
    let bits = |done: &Simulated| {
        done.records
            .iter()
            .map(|record| (record.x_m.to_bits(), record.mass_kg.to_bits(), record.time_s.to_bits()))
            .collect::<Vec<_>>()
    };
    assert_eq!(bits(&one), bits(&two));
    assert_ne!(bits(&one), bits(&simulate(&Scenario { seed: 10, ..scenario })));
}

/// Prints the speed; run with `--ignored --nocapture`.
#[test]
#[ignore = "a measurement"]
#[expect(clippy::print_stderr, reason = "a measurement is read on the screen")]
fn speed_of_one_field() {
    let scenario = Scenario::trial(1, 6, 600.0, [0.0, 200.0, 500.0]);
    let start = std::time::Instant::now();
    let crop = Crop::new(&scenario);
    let grown = start.elapsed();
    let start = std::time::Instant::now();
    let done = simulate(&scenario);
    eprintln!(
        "{} records of {:.1} ha in {:?} (crop {grown:?})",
        done.records.len(),
        done.field.area_m2 / 1e4,
        start.elapsed()
    );
    assert!(crop.left_m2() > 0.0);
}
