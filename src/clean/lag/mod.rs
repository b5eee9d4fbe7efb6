//! The transport lag of the grain, estimated from the data.
//!
//! What is estimated is the *effective* lag: the delay plus most of the mixing time, and it is signed, because an export
//! may already be shifted. Published criteria all pick the lag that makes the map most coherent: Chung, Sudduth &
//! Drummond 2002, Appl. Eng. Agric. 18; Beal & Tian 2001, Appl. Eng. Agric. 17:385; Lee et al. 2012, Trans. ASABE 55:743.

mod agreement;
mod compare;
mod edges;
mod phase;
mod profile;
mod speed;

use serde::{Deserialize, Serialize};

use super::passes::Pass;
use super::track::Track;
use crate::config::CleanSettings;
use crate::points::{Caution, Cautions, LagCurve, Records, Source, Sourced};
use profile::Signal;

/// Two estimates that differ by more are reported, s.
const DISAGREEMENT_S: f64 = 1.0;
/// The gate: widest 90 % interval of a lag that counts as estimated, s (ours: of 400 messy site-years, benches/messy.rs, five in six
/// lags then count, half of them within 0.35 s of the truth and 95 % within 1.3 s; a narrower gate gives up lags that are known as well).
const WIDEST_S: f64 = 4.6;
/// The usual lag of a recorded flow, s: the middle of the 10 to 15 s that are reported for combines (common practice, no source).
const USUAL_LAG_S: f64 = 12.0;
/// Width of a normal 90 % interval in standard errors.
const INTERVAL_90: f64 = 3.29;

/// Shortest pass that is matched, s.
const LEAST_PASS_S: f64 = 80.0;
/// Left out at both ends of a pass: filling and emptying. s.
const TRIM_S: f64 = 24.0;
/// Reach of the parabola through the minimum, s.
const PARABOLA_S: f64 = 2.0;

/// The lags of one combine.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[expect(clippy::struct_field_names, reason = "all are seconds")]
pub(crate) struct Lags {
    pub(crate) mass_s: Sourced,
    pub(crate) moisture_s: Sourced,
    /// The lag of the grain by phase correlation, s, where that can tell.
    pub(crate) second_opinion_s: Option<f64>,
}

impl Lags {
    /// The same, later by some seconds.
    pub(crate) fn moved(self, by_s: f64) -> Self {
        let moved = |lag: Sourced| Sourced { value: lag.value + by_s, ..lag };
        Self { mass_s: moved(self.mass_s), moisture_s: moved(self.moisture_s), ..self }
    }
}

/// The lags of a site-year, which can be kept until what they were estimated from changes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KnownLags {
    /// Hash of what they were estimated from; none where it is not known.
    of: Option<String>,
    /// By track.
    pub(super) each: Vec<Lags>,
    /// The curves that those of the grain rest on.
    pub(super) curves: Vec<LagCurve>,
    pub(super) cautions: Cautions,
}

impl KnownLags {
    /// The lags of a case, estimated unless they are known. Tracks and passes follow from the records as `ingested` and the settings,
    /// so that these tell whether anything has changed.
    pub(super) fn of(case: LagCase<'_>, ingested: &Records, known: Option<&Self>) -> Self {
        let settings = serde_json::to_string(case.settings).ok();
        let of = settings.map(|settings| {
            let versions = (env!("CARGO_PKG_VERSION"), super::VERSION);
            blake3::hash(format!("{versions:?} {} {settings} {}", case.seed, ingested.digest()).as_bytes())
                .to_hex()
                .to_string()
        });
        if let Some(known) = known.filter(|known| of.is_some() && known.of == of) {
            return known.clone();
        }
        let mut cautions = Cautions::default();
        let (each, curves) = estimate(case, &mut cautions);
        Self { of, each, curves, cautions }
    }

    /// The same, unless a number is missing, which the memory cannot hold.
    pub fn to_keep(&self) -> Option<Self> {
        let of_lag = |lag: &Sourced| lag.value.is_finite() && lag.std_error.is_none_or(f64::is_finite);
        let of_track = |lags: &Lags| {
            [lags.mass_s, lags.moisture_s].iter().all(of_lag) && lags.second_opinion_s.is_none_or(f64::is_finite)
        };
        let of_curve = |curve: &LagCurve| curve.lags_s.iter().chain(&curve.mismatch).all(|value| value.is_finite());
        (self.each.iter().all(of_track) && self.curves.iter().all(of_curve)).then(|| self.clone())
    }
}

/// What the estimate rests on.
#[derive(Clone, Copy)]
pub(crate) struct LagCase<'c> {
    pub(crate) records: &'c Records,
    /// Flows that are faults of the sensor.
    pub(crate) faulty: &'c [bool],
    pub(crate) tracks: &'c [Track],
    pub(crate) passes: &'c [Pass],
    /// Full width of the widest header, m.
    pub(crate) swath_m: f64,
    pub(crate) settings: &'c CleanSettings,
    /// Of the bootstrap.
    pub(crate) seed: u64,
}

/// Estimates the lags of every track, with the curves that those of the grain rest on.
fn estimate(case: LagCase<'_>, cautions: &mut Cautions) -> (Vec<Lags>, Vec<LagCurve>) {
    let LagCase { records, tracks, settings, .. } = case;
    let name = |track: usize| records.machine.name(tracks[track].machine);
    let mut curves: Vec<LagCurve> =
        (0..tracks.len()).map(|track| LagCurve { machine: name(track).to_owned(), ..LagCurve::default() }).collect();
    let wants_mass = settings.lag_s.is_none() && records.channels.time;
    let wants_moisture = settings.moisture_lag_s.is_none() && records.channels.moisture && records.channels.time;
    let wanted = [(wants_mass, Signal::Yield), (wants_moisture, Signal::Moisture)];
    let signals: Vec<Signal> =
        wanted.into_iter().filter_map(|(is_wanted, signal)| is_wanted.then_some(signal)).collect();
    let mut matched = if signals.is_empty() { Vec::new() } else { agreement::lags(case, &signals, &mut curves) };
    let by_moisture = if wants_moisture { matched.pop() } else { None };
    let mass: Vec<Sourced> = match settings.lag_s {
        Some(lag) => vec![Sourced::configured(lag); tracks.len()],
        None => mass_lags(case, matched.pop())
            .iter()
            .enumerate()
            .map(|(track, own)| taken(case, name(track), own, cautions))
            .collect(),
    };
    let moisture: Vec<Sourced> = match (settings.moisture_lag_s, by_moisture) {
        (Some(lag), _) => vec![Sourced::configured(lag); tracks.len()],
        (None, Some(own)) => {
            let own_or_mass = |(own, mass): (Result<Sourced, String>, &Sourced)| match own {
                Ok(own) => own,
                Err(_) => Sourced::assumed(mass.value),
            };
            own.into_iter().zip(&mass).map(own_or_mass).collect()
        }
        (None, None) => mass.iter().map(|mass| Sourced::assumed(mass.value)).collect(),
    };
    let lags = (0..tracks.len())
        .map(|track| {
            let mass = mass[track];
            let second_opinion_s = records.channels.flow.then(|| phase::lag_s(case, track)).flatten();
            if let Some(second) = second_opinion_s
                && mass.source == Source::Estimated
                && (second - mass.value).abs() > DISAGREEMENT_S
            {
                let name = name(track);
                let detail = format!("{name}: {:.1} s by profiles, {second:.1} s by phase correlation", mass.value);
                cautions.add(Caution::LagDisagrees, detail);
            }
            Lags { mass_s: mass, moisture_s: moisture[track], second_opinion_s }
        })
        .collect();
    curves.retain(|curve| !curve.lags_s.is_empty());
    (lags, curves)
}

/// The lag as it is used: what the field's own records tell, or the usual one, with a caution.
///
/// Fields do not borrow from each other: loggers are set up anew each season, and a lag that is right in one field is wrong
/// by seconds in the next.
fn taken(case: LagCase<'_>, name: &str, own: &Result<Sourced, String>, cautions: &mut Cautions) -> Sourced {
    match own {
        Ok(own) => {
            if let (Source::Assumed, Some(std_error)) = (own.source, own.std_error) {
                cautions.add(Caution::LagAssumed, format!("{name}: the data give it only to ± {std_error:.1} s"));
            }
            *own
        }
        Err(reason) => {
            let usual_s = usual_s(case);
            let shifted =
                if case.records.channels.flow { "" } else { " (an exported yield is taken as already shifted)" };
            cautions.add(Caution::LagAssumed, format!("{name}: {reason}; {usual_s} s taken{shifted}"));
            Sourced::assumed(usual_s)
        }
    }
}

/// The lag where the data tell none, s. An exported yield has been shifted by whoever exported it, so that no more is taken off,
/// unless the settings say so.
fn usual_s(case: LagCase<'_>) -> f64 {
    let LagCase { records, settings, .. } = case;
    settings.lag_assumed_s.unwrap_or(if records.channels.flow { USUAL_LAG_S } else { 0.0 })
}

/// A lag that is not known well enough to be called estimated is assumed, at the best value there is.
fn graded(lag: Sourced) -> Sourced {
    let wide = lag.std_error.is_some_and(|std_error| INTERVAL_90 * std_error > WIDEST_S);
    if wide { Sourced { source: Source::Assumed, ..lag } } else { lag }
}

/// What the records tell of the lag of the grain of every track, or why they tell nothing; `matched` is what neighbouring passes tell,
/// where times were recorded.
fn mass_lags(case: LagCase<'_>, matched: Option<Vec<Result<Sourced, String>>>) -> Vec<Result<Sourced, String>> {
    let LagCase { records, faulty, tracks, passes, settings, seed, .. } = case;
    let Some(matched) = matched else {
        return vec![Err("no time was recorded".to_owned()); tracks.len()];
    };
    let moved = records.channels.speed || records.channels.distance;
    let or_by_speed = |(track, own): (usize, Result<Sourced, String>)| match own {
        Err(reason) if records.channels.flow && moved => {
            speed::estimate(records, &tracks[track], passes, track, settings, seed)
                .map(graded)
                .map_err(|other| format!("{reason}; by changes of speed: {other}"))
        }
        own => own,
    };
    let or_by_edges = |(track, own): (usize, Result<Sourced, String>)| {
        own.or_else(|reason| edges::estimate((records, faulty), &tracks[track], passes, track).ok_or(reason))
    };
    let known = matched.into_iter().enumerate().map(or_by_speed);
    if records.channels.flow { known.enumerate().map(or_by_edges).collect() } else { known.collect() }
}

/// From one end to the other in equal steps.
fn steps(from: f64, to: f64, step: f64) -> Vec<f64> {
    let count = ((to - from) / step + 1e-9).floor() as u32;
    (0..=count).map(|at| from + f64::from(at) * step).collect()
}

fn argmin(values: &[f64]) -> usize {
    (0..values.len()).min_by(|&a, &b| values[a].total_cmp(&values[b])).unwrap_or(0)
}

/// Slope and half the curvature at a centre: a parabola through the samples (place, value) within reach, by least squares.
fn parabola(samples: impl Iterator<Item = (f64, f64)>, centre: f64) -> Option<(f64, f64)> {
    let near: Vec<(f64, f64)> =
        samples.map(|(place, value)| (place - centre, value)).filter(|(u, _)| u.abs() <= PARABOLA_S).collect();
    // Normal equations of y = a + b u + c u².
    let moment = |power: i32| near.iter().map(|(u, _)| u.powi(power)).sum::<f64>();
    let product = |power: i32| near.iter().map(|(u, y)| u.powi(power) * y).sum::<f64>();
    let (s0, s1, s2, s3, s4) = (moment(0), moment(1), moment(2), moment(3), moment(4));
    let (t0, t1, t2) = (product(0), product(1), product(2));
    let determinant = s0 * (s2 * s4 - s3 * s3) - s1 * (s1 * s4 - s2 * s3) + s2 * (s1 * s3 - s2 * s2);
    let b = s0 * (t1 * s4 - t2 * s3) - t0 * (s1 * s4 - s2 * s3) + s2 * (s1 * t2 - s2 * t1);
    let c = s0 * (s2 * t2 - s3 * t1) - s1 * (s1 * t2 - s2 * t1) + t0 * (s1 * s3 - s2 * s2);
    (determinant.abs() >= f64::MIN_POSITIVE).then_some((b / determinant, c / determinant))
}

/// The vertex of the parabola through the values near the lowest; the lowest itself where they bend the wrong way.
fn vertex(lags: &[f64], curve: &[f64]) -> f64 {
    let lowest = lags[argmin(curve)];
    let fitted = parabola(lags.iter().copied().zip(curve.iter().copied()), lowest);
    match fitted.map(|(b, c)| (-b / (2.0 * c), c)) {
        Some((shift, c)) if c > 0.0 && shift.abs() <= PARABOLA_S => lowest + shift,
        _ => lowest,
    }
}
