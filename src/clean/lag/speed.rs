//! The lag from changes of speed, for fields in which all passes were driven in one direction.
//!
//! When the combine slows down, the grain flow falls one lag later. Only abrupt changes tell anything.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::clean::passes::Pass;
use crate::clean::track::Track;
use crate::config::CleanSettings;
use crate::points::{Records, Sourced};
use crate::stats::robust;

/// Half-width of the running median that is taken out, s.
const DETREND_S: f64 = 30.0;
/// A change of speed that tells something, as a share.
const ABRUPT: f64 = 0.15;
/// Fewest abrupt moments.
const LEAST_ABRUPT: usize = 30;
const LEAST_CORRELATION: f64 = 0.35;
const WIDEST_S: f64 = 2.0;
const STEP_S: f64 = 0.5;
const BOOTSTRAP: usize = 200;

/// Sums over one pass, by lag: count, and those of the correlation.
type Sums = Vec<[f64; 4]>;

pub(super) fn estimate(
    records: &Records,
    track: &Track,
    passes: &[Pass],
    number: usize,
    settings: &CleanSettings,
    seed: u64,
) -> Result<Sourced, String> {
    let lags = super::steps(settings.lag_from_s, settings.lag_to_s, STEP_S);
    let mut abrupt = 0;
    let sums: Vec<Sums> = passes
        .iter()
        .filter(|pass| pass.track == number && pass.end_s - pass.start_s >= super::LEAST_PASS_S)
        .map(|pass| pass_sums(records, track, pass, &lags, &mut abrupt))
        .collect();
    if abrupt < LEAST_ABRUPT {
        return Err("the speed changes too little".to_owned());
    }
    let ones = vec![1.0; sums.len()];
    let curve = correlation(&sums, &ones);
    let best = argmax(&curve);
    if best < 2 || best + 2 >= lags.len() || curve[best] < LEAST_CORRELATION {
        return Err(format!("flow follows speed at no lag (correlation {:.2})", curve[best]));
    }
    let mut draws = Vec::with_capacity(BOOTSTRAP);
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    for _ in 0..BOOTSTRAP {
        let mut weights = vec![0.0; sums.len()];
        for _ in 0..sums.len() {
            weights[random.random_range(0..sums.len())] += 1.0;
        }
        let curve = correlation(&sums, &weights);
        draws.push(peak(&lags, &curve));
    }
    draws.sort_by(f64::total_cmp);
    let quantile = |p: f64| robust::quantile_sorted(&draws, p).unwrap_or(f64::NAN);
    let width = quantile(0.95) - quantile(0.05);
    if !(width <= WIDEST_S) {
        return Err(format!("uncertain by {width:.1} s"));
    }
    let mean = draws.iter().sum::<f64>() / draws.len() as f64;
    let variance = draws.iter().map(|draw| (draw - mean).powi(2)).sum::<f64>() / (draws.len() - 1) as f64;
    Ok(Sourced::estimated(peak(&lags, &curve), variance.sqrt()))
}

fn pass_sums(records: &Records, track: &Track, pass: &Pass, lags: &[f64], abrupt: &mut usize) -> Sums {
    let rows = &track.row[pass.first..=pass.last];
    let time: Vec<f64> = rows.iter().map(|&at| records.time_s[at as usize]).collect();
    let log_flow: Vec<f64> =
        rows.iter().map(|&at| (records.mass_kg[at as usize] / records.interval_s[at as usize]).ln()).collect();
    let log_speed: Vec<f64> = rows.iter().map(|&at| records.speed_m_s[at as usize].ln()).collect();
    let (flow, speed) = (detrended(&time, &log_flow), detrended(&time, &log_speed));
    *abrupt += speed.iter().filter(|change| change.abs() > (1.0 + ABRUPT).ln()).count();
    let begin = pass.start_s + super::TRIM_S;
    lags.iter()
        .map(|lag| {
            let mut sums = [0.0; 4];
            let mut next = 0;
            for at in 0..time.len() {
                let wanted = time[at] + lag;
                while next + 1 < time.len() && time[next + 1] <= wanted {
                    next += 1;
                }
                if time[at] < begin || (time[next] - wanted).abs() > track.step_s || wanted < time[0] {
                    continue;
                }
                let (f, v) = (flow[next], speed[at]);
                if f.is_finite() && v.is_finite() {
                    sums = [sums[0] + 1.0, sums[1] + f * v, sums[2] + f * f, sums[3] + v * v];
                }
            }
            sums
        })
        .collect()
}

/// The values less their running median.
fn detrended(time: &[f64], values: &[f64]) -> Vec<f64> {
    let (mut from, mut to) = (0, 0);
    let mut window = Vec::new();
    (0..values.len())
        .map(|at| {
            while time[at] - time[from] > DETREND_S {
                from += 1;
            }
            while to < values.len() && time[to] - time[at] <= DETREND_S {
                to += 1;
            }
            window.clear();
            window.extend(values[from..to].iter().copied().filter(|value| value.is_finite()));
            robust::median_in_place(&mut window).map_or(f64::NAN, |median| values[at] - median)
        })
        .collect()
}

fn correlation(sums: &[Sums], weights: &[f64]) -> Vec<f64> {
    let lags = sums.first().map_or(0, Vec::len);
    (0..lags)
        .map(|lag| {
            let mut total = [0.0; 4];
            for (sums, weight) in sums.iter().zip(weights) {
                for (total, sum) in total.iter_mut().zip(&sums[lag]) {
                    *total += weight * sum;
                }
            }
            let spread = (total[2] * total[3]).sqrt();
            if spread > 0.0 { total[1] / spread } else { 0.0 }
        })
        .collect()
}

fn argmax(values: &[f64]) -> usize {
    (0..values.len()).max_by(|&a, &b| values[a].total_cmp(&values[b])).unwrap_or(0)
}

fn peak(lags: &[f64], curve: &[f64]) -> f64 {
    let turned: Vec<f64> = curve.iter().map(|value| -value).collect();
    super::vertex(lags, &turned)
}
