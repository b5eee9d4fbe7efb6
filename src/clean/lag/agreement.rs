//! The lags at which neighbouring passes agree, of all combines at once.
//!
//! A lag that is wrong by δ moves the profile of a pass by δ times the speed, in its direction. So opposing passes of one combine tell
//! its lag, opposing passes of two combines the mean of both lags, and passes of two combines in the same direction their difference.
//! Where two combines take turns, each has few neighbours of its own, and the pairs between them tell the most.
//!
//! Each pair counts with the logarithm of its mean mismatch: the profile likelihood of a normal error whose variance is the pair's
//! own. Pairs that differ by more than a shift (a treatment's edge, drowned ground, a fault) so weigh less by themselves.

use std::borrow::Cow;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::profile::{Apart, Matcher, Mismatch, Signal};
use super::{LEAST_PASS_S, LagCase, PARABOLA_S, TRIM_S, argmin, graded, parabola, steps};
use crate::clean::neighbour_passes::{self, PassPair, TOUCHING_SWATHS};
use crate::points::{LagCurve, Sourced};
use crate::stats::robust;

/// Passes farther apart share too little of the ground's pattern, in swaths.
const FARTHEST_SWATHS: f64 = 3.6;
/// The same for short passes, as a share of the pass.
const TRIM_SHARE: f64 = 0.25;
/// The gate: how much lower the mismatch must be at its minimum than usual (common practice, no source).
const LEAST_DEPTH: f64 = 0.15;
/// Up to this width of its 90 % interval a lag is better than the usual one, though it is called assumed, s (ours: benches/messy.rs).
const WIDEST_ROUGH_S: f64 = 6.0;
/// The gate: fewest pairs, and fewest of each hand.
const LEAST_PAIRS: usize = 4;
const LEAST_PAIRS_OF_A_HAND: usize = 2;
/// Pairs of a kind beyond this add time and nothing else.
const MOST_PAIRS: usize = 80;
const BOOTSTRAP: usize = 200;
/// By how much the bootstrap is too sure: with it the errors of the lags that count as estimated, over 300 messy site-years, were 1.04
/// times their standard errors, and of the rougher ones 0.7 (benches/messy.rs).
const BOOTSTRAP_SHORT: f64 = 1.3;
/// Neighbouring pairs that are drawn together.
const RUN_OF_PAIRS: usize = 3;
/// Weight of a pair that does not touch.
const FAR_WEIGHT: f64 = 0.25;
const COARSE_S: f64 = 1.0;
const FINE_S: f64 = 0.25;
const FINE_REACH_S: f64 = 3.0;
/// Rounds of moving one lag at a time; they settle after two or three.
const ROUNDS: usize = 6;

/// What a kind of pairs tells of the lags.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Tells {
    /// The lag of a combine.
    Lag(usize),
    /// The mean of two.
    Mean(usize, usize),
    /// The first less the second.
    Difference(usize, usize),
}

impl Tells {
    /// By how much what is learnt grows with the lag of a combine.
    fn slope(self, track: usize) -> f64 {
        match self {
            Self::Lag(own) => f64::from(u8::from(own == track)),
            Self::Mean(one, other) => 0.5 * f64::from(u8::from(one == track || other == track)),
            Self::Difference(one, other) => f64::from(u8::from(one == track)) - f64::from(u8::from(other == track)),
        }
    }

    fn of(self, lags_s: &[f64]) -> f64 {
        match self {
            Self::Lag(own) => lags_s[own],
            Self::Mean(one, other) => 0.5 * (lags_s[one] + lags_s[other]),
            Self::Difference(one, other) => lags_s[one] - lags_s[other],
        }
    }

    fn tracks(self) -> [usize; 2] {
        match self {
            Self::Lag(own) => [own; 2],
            Self::Mean(one, other) | Self::Difference(one, other) => [one, other],
        }
    }
}

/// Pairs that tell the same.
struct Kind {
    tells: Tells,
    pairs: Vec<PassPair>,
    /// Passes that touch share the ground's pattern, those farther apart only a part of it.
    weights: Vec<f64>,
}

impl Kind {
    fn of_hand(&self, left: bool) -> usize {
        self.pairs.iter().filter(|pair| pair.left == left).count()
    }
}

/// The logarithm of the mismatch of a kind of pairs, over what it tells.
struct Curve {
    tells: Tells,
    from_s: f64,
    step_s: f64,
    values: Vec<f64>,
    weight: f64,
}

impl Curve {
    /// At a place between the samples; beyond them that of the end.
    fn at(&self, argument_s: f64) -> f64 {
        let last = self.values.len() - 1;
        let place = ((argument_s - self.from_s) / self.step_s).clamp(0.0, last as f64);
        let before = place as usize;
        let share = place - before as f64;
        let after = (before + 1).min(last);
        self.values[before] + share * (self.values[after] - self.values[before])
    }

    /// Slope and half the curvature at a place.
    fn parabola(&self, centre_s: f64) -> Option<(f64, f64)> {
        let place = |(at, value): (usize, &f64)| (self.from_s + at as f64 * self.step_s, *value);
        parabola(self.values.iter().enumerate().map(place), centre_s)
    }
}

/// The lags of all combines by each signal, or why the data cannot tell one; `tried` is filled with the curves of the yield.
pub(super) fn lags(case: LagCase<'_>, signals: &[Signal], tried: &mut [LagCurve]) -> Vec<Vec<Result<Sourced, String>>> {
    let LagCase { records, faulty, tracks, passes, settings, .. } = case;
    let (kinds, own_pairs) = kinds(case);
    let identified = identified(&kinds, tracks.len());
    let few = |track: usize| Err(format!("only {} neighbouring passes in opposite directions", own_pairs[track]));
    let mut found: Vec<Vec<Result<Sourced, String>>> = vec![(0..tracks.len()).map(few).collect(); signals.len()];
    let kinds: Vec<&Kind> =
        kinds.iter().filter(|kind| kind.tells.tracks().iter().all(|&track| identified[track])).collect();
    if kinds.is_empty() {
        return found;
    }

    let shortest = kinds
        .iter()
        .flat_map(|kind| &kind.pairs)
        .flat_map(|pair| [pair.one, pair.other])
        .map(|pass| passes[pass].end_s - passes[pass].start_s)
        .fold(f64::INFINITY, f64::min);
    let trim = TRIM_S.min(TRIM_SHARE * shortest);
    let (from, to) = (settings.lag_from_s, settings.lag_to_s);
    let pairs: Vec<&[PassPair]> = kinds.iter().map(|kind| kind.pairs.as_slice()).collect();
    let all_pairs = pairs.iter().copied().flatten();
    let matcher = Matcher::new((records, faulty), tracks, passes, all_pairs, trim, (from, to));
    let apart = |which: usize, middle_s: f64| match kinds[which].tells {
        Tells::Difference(first, _) => Some(Apart { first, middle_s }),
        Tells::Lag(_) | Tells::Mean(..) => None,
    };

    // by kind and signal; kinds are sorted, the differences last
    let coarse = steps(from, to, COARSE_S);
    let one_lag = kinds.partition_point(|kind| !matches!(kind.tells, Tells::Difference(..)));
    let mut rough = matcher.mismatch(&pairs[..one_lag], signals, &coarse, None);
    let differences = steps(from - to, to - from, COARSE_S);
    for which in one_lag..kinds.len() {
        let apart = apart(which, 0.5 * (from + to));
        rough.extend(matcher.mismatch(&pairs[which..=which], signals, &differences, apart));
    }
    let pair_weights: Vec<&[f64]> = kinds.iter().map(|kind| kind.weights.as_slice()).collect();
    let centres: Vec<Vec<f64>> = (0..signals.len())
        .map(|signal| lowest(&curves(&kinds, &of_signal(&rough, signal), &pair_weights), &coarse, tracks.len()))
        .collect();

    // fine samples about the coarse solution, which both signals often share
    let reach = (FINE_REACH_S / FINE_S) as i32;
    let fine = |which: usize, signals: &[Signal], centre: &[f64]| {
        let argument_s = kinds[which].tells.of(centre);
        let samples: Vec<f64> = (-reach..=reach).map(|step| argument_s + f64::from(step) * FINE_S).collect();
        let [one, other] = kinds[which].tells.tracks();
        let apart = apart(which, 0.5 * (centre[one] + centre[other]));
        matcher.mismatch(&pairs[which..=which], signals, &samples, apart).swap_remove(0)
    };
    let close: Vec<Vec<Mismatch>> = (0..kinds.len())
        .map(|which| {
            if centres.iter().all(|centre| *centre == centres[0]) {
                return fine(which, signals, &centres[0]);
            }
            let each = |(signal, centre): (&Signal, &Vec<f64>)| fine(which, std::slice::from_ref(signal), centre);
            signals.iter().zip(&centres).flat_map(each).collect()
        })
        .collect();

    for (at, signal) in signals.iter().enumerate() {
        let matched = Matched {
            kinds: &kinds,
            coarse: &coarse,
            rough: of_signal(&rough, at),
            close: of_signal(&close, at),
            centre: &centres[at],
        };
        let judged = matched.judged(&identified, case.seed);
        for ((track, found), (curve, lag)) in
            found[at].iter_mut().enumerate().filter(|(track, _)| identified[*track]).zip(judged)
        {
            if *signal == Signal::Yield {
                (tried[track].lags_s, tried[track].mismatch) = (coarse.clone(), curve);
            }
            *found = lag;
        }
    }
    found
}

fn of_signal(mismatch: &[Vec<Mismatch>], signal: usize) -> Vec<&Mismatch> {
    mismatch.iter().map(|by_signal| &by_signal[signal]).collect()
}

/// What the pairs tell by one signal.
struct Matched<'m> {
    kinds: &'m [&'m Kind],
    /// The coarse lags, s, and the mismatch of each kind over them.
    coarse: &'m [f64],
    rough: Vec<&'m Mismatch>,
    /// The mismatch of each kind close to the best coarse lags.
    close: Vec<&'m Mismatch>,
    /// The best coarse lag of each combine, s.
    centre: &'m [f64],
}

impl Matched<'_> {
    /// The curve and the lag of each combine that the pairs identify.
    fn judged(&self, identified: &[bool], seed: u64) -> Vec<(Vec<f64>, Result<Sourced, String>)> {
        let Self { kinds, coarse, rough, close, centre } = self;
        let tracks = centre.len();
        let pair_weights: Vec<&[f64]> = kinds.iter().map(|kind| kind.weights.as_slice()).collect();
        let value = refined(&curves(kinds, close, &pair_weights), centre);

        // Runs of neighbouring pairs are drawn again: the bins of a pair are not independent, and a pass is in several pairs.
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut draws: Vec<Vec<f64>> = vec![Vec::with_capacity(BOOTSTRAP); tracks];
        for _ in 0..BOOTSTRAP {
            let drawn: Vec<Vec<f64>> = kinds.iter().map(|kind| drawn(kind, &mut random)).collect();
            let weights: Vec<&[f64]> = drawn.iter().map(Vec::as_slice).collect();
            let far = lowest(&curves(kinds, rough, &weights), coarse, tracks);
            let fine = refined(&curves(kinds, close, &weights), centre);
            for (track, draws) in draws.iter_mut().enumerate() {
                let is_far = (far[track] - centre[track]).abs() > FINE_REACH_S;
                draws.push(if is_far { far[track] } else { fine[track] });
            }
        }

        let curves = curves(kinds, rough, &pair_weights);
        (0..tracks)
            .filter(|&track| identified[track])
            .map(|track| {
                let mut lags = centre.to_vec();
                let totals = totals(&curves, track, &mut lags, coarse);
                let curve: Vec<f64> = totals.into_iter().map(f64::exp).collect();
                let lag = judged(coarse, &curve, value[track], &mut draws[track]);
                (curve, lag)
            })
            .collect()
    }
}

/// Whether the curve has a minimum that tells something, and how well the draws agree on it.
fn judged(coarse: &[f64], curve: &[f64], value: f64, draws: &mut [f64]) -> Result<Sourced, String> {
    if curve.iter().any(|value| value.is_nan()) {
        return Err("the passes share too little ground".to_owned());
    }
    let lowest = argmin(curve);
    let usual = robust::median(curve).map_err(|_| "the passes share too little ground".to_owned())?;
    let depth = (usual - curve[lowest]) / usual;
    if !(usual > 0.0) || depth < LEAST_DEPTH {
        return Err(format!("no lag makes neighbouring passes agree (depth {:.0} %)", 100.0 * depth.max(0.0)));
    }
    if lowest < 2 || lowest + 2 >= coarse.len() {
        return Err(format!("the best lag lies at the end of the range, {} s", coarse[lowest]));
    }
    draws.sort_by(f64::total_cmp);
    let quantile = |p: f64| robust::quantile_sorted(draws, p).map_err(|error| error.to_string());
    let width = BOOTSTRAP_SHORT * (quantile(0.95)? - quantile(0.05)?);
    if width > WIDEST_ROUGH_S {
        return Err(format!("the lag is uncertain by {width:.1} s"));
    }
    let mean = draws.iter().sum::<f64>() / draws.len() as f64;
    let variance = draws.iter().map(|draw| (draw - mean).powi(2)).sum::<f64>() / (draws.len() - 1) as f64;
    // some draws far off widen the standard error and not the quantiles
    let std_error = (BOOTSTRAP_SHORT * variance.sqrt()).max(width / super::INTERVAL_90);
    Ok(graded(Sourced::estimated(value, std_error)))
}

/// The pairs of long passes by what they tell, those kinds that both hands support, and for each combine its opposing neighbours.
fn kinds(case: LagCase<'_>) -> (Vec<Kind>, Vec<usize>) {
    let LagCase { tracks, passes, swath_m, .. } = case;
    let usable: Vec<usize> =
        (0..passes.len()).filter(|&pass| passes[pass].end_s - passes[pass].start_s >= LEAST_PASS_S).collect();
    let mut kinds: Vec<Kind> = Vec::new();
    let mut own_pairs = vec![0; tracks.len()];
    for pair in neighbour_passes::find(tracks, passes, &usable, swath_m, FARTHEST_SWATHS) {
        let (one, other) = (passes[pair.one].track, passes[pair.other].track);
        let (first, second) = (one.min(other), one.max(other));
        let (tells, left) = match (one == other, pair.opposite) {
            (true, true) => (Tells::Lag(one), pair.left),
            (true, false) => continue,
            (false, true) => (Tells::Mean(first, second), pair.left),
            // the hand as seen from the first combine
            (false, false) => (Tells::Difference(first, second), pair.left == (one == first)),
        };
        if tells == Tells::Lag(one) {
            own_pairs[one] += 1;
        }
        let weight = if pair.apart_m <= TOUCHING_SWATHS * swath_m { 1.0 } else { FAR_WEIGHT };
        let at = kinds.iter().position(|kind| kind.tells == tells).unwrap_or_else(|| {
            kinds.push(Kind { tells, pairs: Vec::new(), weights: Vec::new() });
            kinds.len() - 1
        });
        kinds[at].pairs.push(PassPair { left, ..pair });
        kinds[at].weights.push(weight);
    }
    kinds.retain(|kind| {
        kind.pairs.len() >= LEAST_PAIRS && kind.of_hand(true).min(kind.of_hand(false)) >= LEAST_PAIRS_OF_A_HAND
    });
    kinds.sort_by_key(|kind| kind.tells);
    kinds.iter_mut().for_each(thinned);
    (kinds, own_pairs)
}

/// Every second pair of each hand, and so on, keeps both hands and the whole field.
fn thinned(kind: &mut Kind) {
    if kind.pairs.len() <= MOST_PAIRS {
        return;
    }
    let stride = kind.pairs.len().div_ceil(MOST_PAIRS);
    let mut seen = [0_usize; 2];
    let stays: Vec<bool> = kind
        .pairs
        .iter()
        .map(|pair| {
            let count = &mut seen[usize::from(pair.left)];
            *count += 1;
            (*count - 1).is_multiple_of(stride)
        })
        .collect();
    let mut stay = stays.iter();
    kind.pairs.retain(|_| stay.next() == Some(&true));
    let mut stay = stays.iter();
    kind.weights.retain(|_| stay.next() == Some(&true));
}

/// Which lags the kinds of pairs tell: those with neighbours of their own, those of two combines with mean and difference, and what
/// follows from these.
fn identified(kinds: &[Kind], tracks: usize) -> Vec<bool> {
    let has = |tells: Tells| kinds.iter().any(|kind| kind.tells == tells);
    let mut identified: Vec<bool> = (0..tracks).map(|track| has(Tells::Lag(track))).collect();
    for kind in kinds {
        if let Tells::Mean(one, other) = kind.tells
            && has(Tells::Difference(one, other))
        {
            (identified[one], identified[other]) = (true, true);
        }
    }
    for _ in 0..tracks {
        for kind in kinds {
            let [one, other] = kind.tells.tracks();
            let either = identified[one] || identified[other];
            (identified[one], identified[other]) = (either, either);
        }
    }
    identified
}

/// Runs of pairs drawn with replacement: the weight of each pair.
fn drawn(kind: &Kind, random: &mut ChaCha8Rng) -> Vec<f64> {
    let count = kind.pairs.len();
    let mut weights = vec![0.0; count];
    for _ in 0..count.div_ceil(RUN_OF_PAIRS) {
        let first = random.random_range(0..count);
        for at in (first..first + RUN_OF_PAIRS).map(|at| at % count) {
            weights[at] += kind.weights[at];
        }
    }
    weights
}

/// The curve of each kind under these weights of its pairs, both hands with equal weight, so that features oblique to the passes
/// cancel; kinds without a shared place drop out.
fn curves(kinds: &[&Kind], mismatch: &[&Mismatch], weights: &[&[f64]]) -> Vec<Curve> {
    let curve = |(kind, (mismatch, weights)): (&&Kind, (&&Mismatch, &&[f64]))| {
        let samples = &mismatch.lags_s;
        let mut values = vec![0.0; samples.len()];
        let (mut hands, mut all_bins) = (0.0, 0.0);
        let (mut sums, mut counts) = (vec![0.0; samples.len()], vec![0.0; samples.len()]);
        for hand in [false, true] {
            sums.fill(0.0);
            counts.fill(0.0);
            // Both hands count the same where both have passes that touch.
            let mut most = 0.0_f64;
            for (pair, &weight) in weights.iter().enumerate() {
                if kind.pairs[pair].left != hand || !(weight > 0.0) {
                    continue;
                }
                most = most.max(weight);
                let (log_mean, bins) = (&mismatch.log_mean[pair][..sums.len()], &mismatch.bins[pair][..sums.len()]);
                for at in 0..sums.len() {
                    let share = weight * bins[at];
                    sums[at] += share * log_mean[at];
                    counts[at] += share;
                }
            }
            let most = most.min(1.0);
            if counts.iter().all(|&count| count > 0.0) {
                hands += most;
                all_bins += counts.iter().sum::<f64>() / counts.len() as f64;
                for (value, (sum, count)) in values.iter_mut().zip(sums.iter().zip(&counts)) {
                    *value += most * sum / count;
                }
            }
        }
        if !(hands > 0.0) {
            return None;
        }
        for value in &mut values {
            *value /= hands;
        }
        let (from_s, step_s) = (samples[0], samples[1] - samples[0]);
        Some(Curve { tells: kind.tells, from_s, step_s, values, weight: all_bins })
    };
    kinds.iter().zip(mismatch.iter().zip(weights)).filter_map(curve).collect()
}

/// The mean logarithm of the mismatch over the kinds that know of a combine, at some lags of it; the others stay.
fn totals(curves: &[Curve], track: usize, lags_s: &mut [f64], samples: &[f64]) -> Vec<f64> {
    let (mut sums, mut weight) = (vec![0.0; samples.len()], 0.0);
    for curve in curves.iter().filter(|curve| curve.tells.tracks().contains(&track)) {
        for (sum, &sample) in sums.iter_mut().zip(samples) {
            lags_s[track] = sample;
            *sum += curve.weight * curve.at(curve.tells.of(lags_s));
        }
        weight += curve.weight;
    }
    for sum in &mut sums {
        *sum /= weight;
    }
    sums
}

/// The sampled lags with the lowest mismatch: from the best common lag and the best of each combine alone, one at a time.
fn lowest(curves: &[Curve], samples: &[f64], tracks: usize) -> Vec<f64> {
    let whole = |lags: &[f64]| curves.iter().map(|curve| curve.weight * curve.at(curve.tells.of(lags))).sum::<f64>();
    let best = |value: &mut dyn FnMut(f64) -> f64| {
        let values: Vec<f64> = samples.iter().map(|&lag| value(lag)).collect();
        samples[argmin(&values)]
    };
    let alone = |track: usize| {
        let own = curves.iter().find(|curve| curve.tells == Tells::Lag(track));
        own.map(|own| best(&mut |lag| own.at(lag)))
    };
    let mut lags = vec![0.0; tracks];
    let common = best(&mut |lag| {
        lags.fill(lag);
        whole(&lags)
    });
    let starts = [vec![common; tracks], (0..tracks).map(|track| alone(track).unwrap_or(common)).collect()];
    let [common, alone] = starts.map(|start| settled(curves, start, |_| Cow::Borrowed(samples)));
    if whole(&alone) < whole(&common) { alone } else { common }
}

/// The lags moved to their lowest sample, one combine after another, until none moves.
fn settled<'s>(curves: &[Curve], mut lags: Vec<f64>, samples_of: impl Fn(usize) -> Cow<'s, [f64]>) -> Vec<f64> {
    for _ in 0..ROUNDS {
        let before = lags.clone();
        for track in 0..lags.len() {
            let samples = samples_of(track);
            let values = totals(curves, track, &mut lags.clone(), &samples);
            if values.iter().all(|value| value.is_finite()) {
                lags[track] = samples[argmin(&values)];
            }
        }
        if lags == before {
            break;
        }
    }
    lags
}

/// The lags between the fine samples about a centre where the mismatch is least: the lowest sample, then the vertex of the parabolas
/// through the curves, all combines together.
fn refined(curves: &[Curve], centre: &[f64]) -> Vec<f64> {
    let tracks = centre.len();
    let reach = (FINE_REACH_S / FINE_S) as i32;
    let about =
        |track: usize| Cow::Owned((-reach..=reach).map(|step| centre[track] + f64::from(step) * FINE_S).collect());
    let lags = settled(curves, centre.to_vec(), about);
    // Newton's step of the sum of parabolas, one combine after another until it settles
    let parabolas: Vec<(Tells, f64, f64)> = curves
        .iter()
        .filter_map(|curve| {
            let (slope, half_bend) = curve.parabola(curve.tells.of(&lags))?;
            Some((curve.tells, curve.weight * slope, curve.weight * half_bend))
        })
        .collect();
    let mut shift = vec![0.0; tracks];
    for _ in 0..20 {
        for track in 0..tracks {
            let (mut slope, mut bend) = (0.0, 0.0);
            for &(tells, of_curve, half_bend) in &parabolas {
                let own = tells.slope(track);
                slope += own * (of_curve + 2.0 * half_bend * tells.of(&shift));
                bend += 2.0 * half_bend * own * own;
            }
            if bend > 0.0 {
                shift[track] = (shift[track] - slope / bend).clamp(-PARABOLA_S, PARABOLA_S);
            }
        }
    }
    lags.iter().zip(shift).map(|(lag, shift)| lag + shift).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(tells: Tells, lowest_s: f64, weight: f64) -> Curve {
        let (from_s, step_s) = (lowest_s.round() - 3.0, 0.25);
        let values = (0..25).map(|at| (from_s + f64::from(at) * step_s - lowest_s).powi(2)).collect();
        Curve { tells, from_s, step_s, values, weight }
    }

    #[test]
    fn the_vertex_of_a_parabola_is_found_between_the_samples() {
        let lags = refined(&[curve(Tells::Lag(0), 10.37, 1.0)], &[10.0]);
        assert!((lags[0] - 10.37).abs() < 1e-9);
    }

    #[test]
    fn mean_and_difference_tell_two_lags_without_a_pair_of_their_own() {
        let curves = [curve(Tells::Mean(0, 1), 11.3, 1.0), curve(Tells::Difference(0, 1), 2.2, 1.0)];
        let lags = refined(&curves, &[12.0, 10.0]);
        assert!((lags[0] - 12.4).abs() < 1e-6 && (lags[1] - 10.2).abs() < 1e-6, "{lags:?}");
    }

    #[test]
    fn curves_weigh_by_what_they_rest_on() {
        // least of w₀(a − 10)² + w₁(b − 12)² + w₂((a + b)/2 − 12)²: by hand, a = 10.2, b = 13.0 with weights 5, 1, 4
        let curves =
            [curve(Tells::Lag(0), 10.0, 5.0), curve(Tells::Lag(1), 12.0, 1.0), curve(Tells::Mean(0, 1), 12.0, 4.0)];
        let lags = refined(&curves, &[10.0, 12.0]);
        // ∂/∂a: 10(a − 10) + 4((a + b)/2 − 12) = 0; ∂/∂b: 2(b − 12) + 4((a + b)/2 − 12) = 0
        let (a, b) = (lags[0], lags[1]);
        assert!((10.0 * (a - 10.0) + 4.0 * (0.5 * (a + b) - 12.0)).abs() < 1e-6, "{lags:?}");
        assert!((2.0 * (b - 12.0) + 4.0 * (0.5 * (a + b) - 12.0)).abs() < 1e-6, "{lags:?}");
    }
}
