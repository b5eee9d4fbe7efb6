//! Errors put into records on purpose, each known.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::outcome::{RawRecord, RecordTruth};
use super::plan::FaultPlan;

/// How a record was spoilt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InjectedFault {
    /// Flow several times too high, or none.
    FlowSpike,
    /// A position 30 to 500 m off.
    PositionJump,
    /// No position.
    NoPosition,
    /// The record before, again.
    Duplicate,
    /// A speed that no combine drives.
    WrongSpeed,
    /// A moisture that does not change.
    StuckMoisture,
}

/// Spoils the records of one machine.
pub(super) fn spoil(
    records: &mut Vec<RawRecord>,
    truth: &mut Vec<RecordTruth>,
    plan: &FaultPlan,
    random: &mut ChaCha8Rng,
) {
    for _ in 0..if records.len() > 600 { plan.stuck_moisture } else { 0 } {
        let from = random.random_range(0..records.len() - 300);
        let held = records[from].moisture_pct;
        let length = random.random_range(60..240);
        for at in from..from + length {
            records[at].moisture_pct = held;
            truth[at].fault = Some(InjectedFault::StuckMoisture);
        }
    }
    let mut jump: Option<(u32, f64, f64)> = None;
    for (record, truth) in records.iter_mut().zip(truth.iter_mut()) {
        if let Some((left, dx, dy)) = jump {
            (record.x_m, record.y_m) = (record.x_m + dx, record.y_m + dy);
            truth.fault = Some(InjectedFault::PositionJump);
            jump = (left > 1).then_some((left - 1, dx, dy));
            continue;
        }
        let draw: f64 = random.random();
        let mut below = plan.position_jumps / 2.0;
        if draw < below {
            // On average two records in a row.
            let (angle, far) = (random.random_range(0.0..std::f64::consts::TAU), random.random_range(30.0..500.0_f64));
            let (dx, dy) = (far * angle.cos(), far * angle.sin());
            (record.x_m, record.y_m) = (record.x_m + dx, record.y_m + dy);
            truth.fault = Some(InjectedFault::PositionJump);
            let more = random.random_range(0..3_u32);
            jump = (more > 0).then_some((more, dx, dy));
            continue;
        }
        below += plan.flow_spikes;
        if draw < below {
            if truth.area_m2 > 0.0 && record.mass_kg > 0.0 {
                record.mass_kg *= if random.random_bool(0.25) { 0.0 } else { random.random_range(2.5..6.0) };
                truth.fault = Some(InjectedFault::FlowSpike);
            }
            continue;
        }
        below += plan.wrong_speeds;
        if draw < below {
            let wrong = if random.random_bool(0.2) { -1.0 } else { 1.0 };
            record.speed_m_s = wrong * random.random_range(8.0..25.0);
            truth.fault = Some(InjectedFault::WrongSpeed);
            continue;
        }
        below += plan.no_position;
        if draw < below {
            (record.x_m, record.y_m) = (f64::NAN, f64::NAN);
            truth.fault = Some(InjectedFault::NoPosition);
        }
    }
    if plan.duplicates > 0.0 {
        let mut doubled = (Vec::with_capacity(records.len()), Vec::with_capacity(records.len()));
        for (record, truth) in records.iter().zip(truth.iter()) {
            doubled.0.push(*record);
            doubled.1.push(*truth);
            if truth.fault.is_none() && random.random_bool(plan.duplicates) {
                doubled.0.push(*record);
                doubled.1.push(RecordTruth { fault: Some(InjectedFault::Duplicate), ..*truth });
            }
        }
        (*records, *truth) = doubled;
    }
}
