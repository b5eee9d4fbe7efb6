//! The transport lag of the grain, estimated from the data.
//!
//! What is estimated is the *effective* lag: the delay plus most of the mixing time, and it is signed, because an export
//! may already be shifted. Published criteria all pick the lag that makes the map most coherent: Chung, Sudduth &
//! Drummond 2002, Appl. Eng. Agric. 18; Beal & Tian 2001, Appl. Eng. Agric. 17:385; Lee et al. 2012, Trans. ASABE 55:743.

mod phase;
mod profile;
mod speed;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::neighbour_passes::{self, PassPair, TOUCHING_SWATHS};
use super::passes::Pass;
use super::track::Track;
use crate::config::CleanSettings;
use crate::points::{Caution, Cautions, LagCurve, Records, Source, Sourced};
use crate::stats::robust;
use profile::{Matcher, Mismatch, Signal};

/// Shortest pass that is matched, s.
const LEAST_PASS_S: f64 = 80.0;
/// Passes farther apart share too little of the ground's pattern, in swaths.
const FARTHEST_SWATHS: f64 = 3.6;
/// Left out at both ends of a pass: filling and emptying. s.
const TRIM_S: f64 = 24.0;
/// The same for short passes, as a share of the pass.
const TRIM_SHARE: f64 = 0.25;
/// Two estimates that differ by more are told, s.
const DISAGREEMENT_S: f64 = 1.0;
/// The gate: how much lower the mismatch must be at its minimum than usual (common practice, no source).
const LEAST_DEPTH: f64 = 0.15;
/// The gate: widest 90 % interval of a lag that counts as estimated, s (ours: of 240 varied fields 95 % of such lags are then
/// within 0.65 s, none off by 1.5 s, benches/cleaning.rs; a narrower gate gives up lags that are known to a second).
const WIDEST_S: f64 = 2.5;
/// Up to this width the value is still better than the usual lag, though it is told as assumed, s.
const WIDEST_ROUGH_S: f64 = 4.0;
/// The gate: fewest opposing pairs, and fewest of each hand.
const LEAST_PAIRS: usize = 4;
const LEAST_PAIRS_OF_A_HAND: usize = 2;
/// The usual lag of a recorded flow, s: the middle of the 10 to 15 s that are told of combines (common practice, no source).
const USUAL_LAG_S: f64 = 12.0;
/// Pairs beyond this add time and nothing else.
const MOST_PAIRS: usize = 80;
const BOOTSTRAP: usize = 200;
/// Width of a normal 90 % interval in standard errors.
const INTERVAL_90: f64 = 3.29;
/// By how much the bootstrap is too sure: over 240 simulated fields of varied kind the errors were this many times its
/// standard errors (benches/cleaning.rs).
const BOOTSTRAP_SHORT: f64 = 1.3;
/// Neighbouring pairs that are drawn together.
const RUN_OF_PAIRS: usize = 3;
/// Weight of a pair that does not touch.
const FAR_WEIGHT: f64 = 0.25;
const COARSE_S: f64 = 1.0;
const FINE_S: f64 = 0.25;
const FINE_REACH_S: f64 = 3.0;
/// Reach of the parabola through the minimum, s.
const PARABOLA_S: f64 = 2.0;

/// The lags of one combine.
#[derive(Debug, Clone, Copy)]
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

/// What the estimate rests on.
#[derive(Clone, Copy)]
pub(crate) struct Case<'c> {
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
pub(crate) fn estimate(case: Case<'_>, cautions: &mut Cautions) -> (Vec<Lags>, Vec<LagCurve>) {
    let Case { records, tracks, passes, swath_m, settings, .. } = case;
    let mut curves = Vec::new();
    let lags = (0..tracks.len())
        .map(|track| {
            let name = records.machine.names.get(tracks[track].machine as usize).map_or("", String::as_str);
            let pairs = pairs_of(tracks, passes, track, swath_m);
            let mut curve = LagCurve { machine: name.to_owned(), ..LagCurve::default() };
            let own = if settings.lag_s.is_some() { None } else { Some(mass_lag(case, &pairs, track, &mut curve)) };
            if !curve.lags_s.is_empty() {
                curves.push(curve);
            }
            let mass = match (settings.lag_s, &own) {
                (Some(lag), _) => Sourced::configured(lag),
                (None, Some(own)) => taken(case, name, own, cautions),
                (None, None) => Sourced::assumed(0.0),
            };
            let moisture = match settings.moisture_lag_s {
                Some(lag) => Sourced::configured(lag),
                None if records.channels.moisture && records.channels.time => {
                    matched(case, &pairs, Signal::Moisture, &mut LagCurve::default())
                        .unwrap_or_else(|_| Sourced::assumed(mass.value))
                }
                None => Sourced::assumed(mass.value),
            };
            let second_opinion_s = records.channels.flow.then(|| phase::lag_s(case, track)).flatten();
            if let Some(second) = second_opinion_s
                && mass.source == Source::Estimated
                && (second - mass.value).abs() > DISAGREEMENT_S
            {
                let detail = format!("{name}: {:.1} s by profiles, {second:.1} s by phase correlation", mass.value);
                cautions.add(Caution::LagDisagrees, detail);
            }
            Lags { mass_s: mass, moisture_s: moisture, second_opinion_s }
        })
        .collect();
    (lags, curves)
}

/// The lag as it is used: what the field's own records tell, or the usual one, with a caution.
///
/// Fields do not borrow from each other: loggers are set up anew each season, and a lag that is right in one field is wrong
/// by seconds in the next.
fn taken(case: Case<'_>, name: &str, own: &Result<Sourced, String>, cautions: &mut Cautions) -> Sourced {
    match own {
        Ok(own) => {
            if let (Source::Assumed, Some(std_error)) = (own.source, own.std_error) {
                cautions.add(Caution::LagAssumed, format!("{name}: the data tell it only to ± {std_error:.1} s"));
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
fn usual_s(case: Case<'_>) -> f64 {
    let Case { records, settings, .. } = case;
    settings.lag_assumed_s.unwrap_or(if records.channels.flow { USUAL_LAG_S } else { 0.0 })
}

/// A lag that is not told well enough to be called estimated is assumed, at the best value there is.
fn graded(lag: Sourced) -> Sourced {
    let wide = lag.std_error.is_some_and(|std_error| INTERVAL_90 * std_error > WIDEST_S);
    if wide { Sourced { source: Source::Assumed, ..lag } } else { lag }
}

fn mass_lag(case: Case<'_>, pairs: &[PassPair], track: usize, tried: &mut LagCurve) -> Result<Sourced, String> {
    let Case { records, tracks, passes, settings, seed, .. } = case;
    if !records.channels.time {
        return Err("no time was recorded".to_owned());
    }
    matched(case, pairs, Signal::Yield, tried).or_else(|reason| {
        if !records.channels.flow || !records.channels.speed && !records.channels.distance {
            return Err(reason);
        }
        speed::estimate(records, &tracks[track], passes, track, settings, seed)
            .map(graded)
            .map_err(|other| format!("{reason}; by changes of speed: {other}"))
    })
}

/// Opposing neighbours among the long passes of one track.
fn pairs_of(tracks: &[Track], passes: &[Pass], track: usize, swath_m: f64) -> Vec<PassPair> {
    let usable: Vec<usize> = (0..passes.len())
        .filter(|&pass| passes[pass].track == track && passes[pass].end_s - passes[pass].start_s >= LEAST_PASS_S)
        .collect();
    let mut pairs = neighbour_passes::find(tracks, passes, &usable, swath_m, FARTHEST_SWATHS);
    pairs.retain(|pair| pair.opposite);
    if pairs.len() > MOST_PAIRS {
        // Every second of each hand, and so on, keeps both hands and the whole field.
        let stride = pairs.len().div_ceil(MOST_PAIRS);
        let mut seen = [0_usize; 2];
        pairs.retain(|pair| {
            let count = &mut seen[usize::from(pair.left)];
            *count += 1;
            (*count - 1).is_multiple_of(stride)
        });
    }
    pairs
}

/// The lag at which opposing neighbours agree, or why the data cannot tell it; `tried` is filled with the curve.
fn matched(case: Case<'_>, pairs: &[PassPair], signal: Signal, tried: &mut LagCurve) -> Result<Sourced, String> {
    let Case { records, faulty, tracks, passes, swath_m, settings, seed } = case;
    let of_hand = |left: bool| pairs.iter().filter(|pair| pair.left == left).count();
    if pairs.len() < LEAST_PAIRS || of_hand(true).min(of_hand(false)) < LEAST_PAIRS_OF_A_HAND {
        return Err(format!("only {} neighbouring passes in opposite directions", pairs.len()));
    }
    let (from, to) = (settings.lag_from_s, settings.lag_to_s);
    let shortest = pairs
        .iter()
        .flat_map(|pair| [pair.one, pair.other])
        .map(|pass| passes[pass].end_s - passes[pass].start_s)
        .fold(f64::INFINITY, f64::min);
    let trim = TRIM_S.min(TRIM_SHARE * shortest);
    let matcher = Matcher::new((records, faulty), tracks, passes, pairs.iter().collect(), signal, trim, (from, to));

    let coarse = steps(from, to, COARSE_S);
    let rough = matcher.mismatch(&coarse);
    let hands: Vec<bool> = pairs.iter().map(|pair| pair.left).collect();
    // What a pair tells: passes that touch share the ground's pattern, those farther apart only a part of it.
    let told: Vec<f64> =
        pairs.iter().map(|pair| if pair.apart_m <= TOUCHING_SWATHS * swath_m { 1.0 } else { FAR_WEIGHT }).collect();
    let curve = total(&rough, &hands, &told).ok_or("the passes share too little ground")?;
    (tried.lags_s, tried.mismatch) = (coarse.clone(), curve.clone());
    let lowest = argmin(&curve);
    let usual = robust::median(&curve).map_err(|_| "the passes share too little ground".to_owned())?;
    let depth = (usual - curve[lowest]) / usual;
    if !(usual > 0.0) || depth < LEAST_DEPTH {
        return Err(format!("no lag makes opposing passes agree (depth {:.0} %)", 100.0 * depth.max(0.0)));
    }
    if lowest < 2 || lowest + 2 >= coarse.len() {
        return Err(format!("the best lag lies at the end of the range, {} s", coarse[lowest]));
    }

    let reach = (FINE_REACH_S / FINE_S) as i32;
    let fine: Vec<f64> = (-reach..=reach).map(|step| coarse[lowest] + f64::from(step) * FINE_S).collect();
    let close = matcher.mismatch(&fine);
    let curve = total(&close, &hands, &told).ok_or("the passes share too little ground")?;
    let value = vertex(&fine, &curve);

    // Runs of neighbouring pairs are drawn again: the bins of a pair are not independent, and a pass is in several pairs.
    let mut draws = Vec::with_capacity(BOOTSTRAP);
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    for _ in 0..BOOTSTRAP {
        let mut weights = vec![0.0; pairs.len()];
        for _ in 0..pairs.len().div_ceil(RUN_OF_PAIRS) {
            let first = random.random_range(0..pairs.len());
            for at in (first..first + RUN_OF_PAIRS).map(|at| at % pairs.len()) {
                weights[at] += told[at];
            }
        }
        let Some(rough_curve) = total(&rough, &hands, &weights) else { continue };
        let far = coarse[argmin(&rough_curve)];
        if (far - coarse[lowest]).abs() > FINE_REACH_S {
            draws.push(far);
        } else if let Some(curve) = total(&close, &hands, &weights) {
            draws.push(vertex(&fine, &curve));
        }
    }
    draws.sort_by(f64::total_cmp);
    let quantile = |p: f64| robust::quantile_sorted(&draws, p).map_err(|error| error.to_string());
    let width = BOOTSTRAP_SHORT * (quantile(0.95)? - quantile(0.05)?);
    if width > WIDEST_ROUGH_S {
        return Err(format!("the lag is uncertain by {width:.1} s"));
    }
    let mean = draws.iter().sum::<f64>() / draws.len() as f64;
    let variance = draws.iter().map(|draw| (draw - mean).powi(2)).sum::<f64>() / (draws.len() - 1) as f64;
    let std_error = BOOTSTRAP_SHORT * variance.sqrt();
    // some draws far off widen the standard error and not the quantiles
    let std_error = std_error.max(width / INTERVAL_90);
    Ok(graded(Sourced::estimated(value, std_error)))
}

/// The mismatch by lag over all pairs, both hands with equal weight, so that features oblique to the passes cancel.
fn total(mismatch: &Mismatch, left: &[bool], weights: &[f64]) -> Option<Vec<f64>> {
    let lags = mismatch.sum.first()?.len();
    let mut curve = vec![0.0; lags];
    let mut hands = 0.0;
    for hand in [false, true] {
        let mut part = vec![(0.0, 0.0); lags];
        for (pair, _) in left.iter().enumerate().filter(|(_, is_left)| **is_left == hand) {
            for (lag, part) in part.iter_mut().enumerate() {
                part.0 += weights[pair] * mismatch.sum[pair][lag];
                part.1 += weights[pair] * mismatch.bins[pair][lag];
            }
        }
        // Both hands count the same where both have passes that touch.
        let most = (0..left.len()).filter(|&pair| left[pair] == hand).map(|pair| weights[pair]).fold(0.0, f64::max);
        let counts = if most >= 1.0 { 1.0 } else { most };
        if part.iter().all(|part| part.1 > 0.0) {
            hands += counts;
            for (curve, part) in curve.iter_mut().zip(&part) {
                *curve += counts * part.0 / part.1;
            }
        }
    }
    (hands > 0.0).then(|| curve.iter().map(|value| value / hands).collect())
}

/// From one end to the other in equal steps.
fn steps(from: f64, to: f64, step: f64) -> Vec<f64> {
    let count = ((to - from) / step + 1e-9).floor() as u32;
    (0..=count).map(|at| from + f64::from(at) * step).collect()
}

fn argmin(values: &[f64]) -> usize {
    (0..values.len()).min_by(|&a, &b| values[a].total_cmp(&values[b])).unwrap_or(0)
}

/// The vertex of the parabola through the values near the lowest, by least squares; the lowest itself where they bend
/// the wrong way.
fn vertex(lags: &[f64], curve: &[f64]) -> f64 {
    let lowest = argmin(curve);
    let centre = lags[lowest];
    let near: Vec<(f64, f64)> = lags
        .iter()
        .zip(curve)
        .filter(|(lag, _)| (**lag - centre).abs() <= PARABOLA_S)
        .map(|(lag, value)| (lag - centre, *value))
        .collect();
    // Normal equations of y = a + b u + c u².
    let moment = |power: i32| near.iter().map(|(u, _)| u.powi(power)).sum::<f64>();
    let product = |power: i32| near.iter().map(|(u, y)| u.powi(power) * y).sum::<f64>();
    let (s0, s1, s2, s3, s4) = (moment(0), moment(1), moment(2), moment(3), moment(4));
    let (t0, t1, t2) = (product(0), product(1), product(2));
    let determinant = s0 * (s2 * s4 - s3 * s3) - s1 * (s1 * s4 - s2 * s3) + s2 * (s1 * s3 - s2 * s2);
    if determinant.abs() < f64::MIN_POSITIVE {
        return centre;
    }
    let b = (s0 * (t1 * s4 - t2 * s3) - t0 * (s1 * s4 - s2 * s3) + s2 * (s1 * t2 - s2 * t1)) / determinant;
    let c = (s0 * (s2 * t2 - s3 * t1) - s1 * (s1 * t2 - s2 * t1) + t0 * (s1 * s3 - s2 * s2)) / determinant;
    let shift = -b / (2.0 * c);
    if c > 0.0 && shift.abs() <= PARABOLA_S { centre + shift } else { centre }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_vertex_of_a_parabola_is_found_between_the_samples() {
        let lags: Vec<f64> = (0..20).map(|step| 8.0 + 0.25 * f64::from(step)).collect();
        let curve: Vec<f64> = lags.iter().map(|lag| 1.0 + (lag - 10.37).powi(2)).collect();
        assert!((vertex(&lags, &curve) - 10.37).abs() < 1e-9);
    }
}
