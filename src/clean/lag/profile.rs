//! Cross-pass matching: at the right lag, neighbouring passes driven in opposite directions show the same profile.
//!
//! The positions are moved, never the masses interpolated: interpolating at half a sample smooths the noise away and
//! draws the estimate to half seconds.

use crate::clean::neighbour_passes::PassPair;
use crate::clean::passes::Pass;
use crate::clean::track::{Place, Track};
use crate::points::Records;

/// Least length of a bin along the pass, m.
const BIN_M: f64 = 4.0;
/// Fewest bins that two passes must share.
const LEAST_BINS: usize = 12;

/// Shortest way of a record that tells a yield, in usual steps.
const LEAST_WAY: f64 = 0.4;

/// What is matched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Signal {
    /// Mass by the area cut a lag earlier.
    Yield,
    /// Moisture as it was read.
    Moisture,
}

/// The records whose grain may come from a pass, for all lags that are tried.
struct Stretch {
    track: usize,
    /// Rows of the records.
    rows: Vec<u32>,
    /// Cutting moments that count, s.
    from_s: f64,
    to_s: f64,
}

/// Lags of two combines that lie apart by what is tried, about a middle.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Apart {
    /// The track whose lag is the greater where the difference is above zero.
    pub(crate) first: usize,
    pub(crate) middle_s: f64,
}

/// The mismatch of every pair at every lag.
pub(crate) struct Mismatch {
    /// Logarithm of the mean over the shared bins of each pair, by lag; 0 without a shared bin.
    pub(crate) log_mean: Vec<Vec<f64>>,
    /// Shared bins of each pair, by lag.
    pub(crate) bins: Vec<Vec<f64>>,
}

/// Everything that does not depend on the lag.
pub(crate) struct Matcher<'c> {
    records: &'c Records,
    /// Flows that tell nothing.
    faulty: &'c [bool],
    tracks: &'c [Track],
    passes: &'c [Pass],
    pairs: Vec<&'c PassPair>,
    stretches: Vec<Option<Stretch>>,
    signal: Signal,
    bin_m: f64,
}

impl<'c> Matcher<'c> {
    /// Prepares the pairs; `trim_s` is left out at both ends of each pass.
    pub(crate) fn new(
        (records, faulty): (&'c Records, &'c [bool]),
        tracks: &'c [Track],
        passes: &'c [Pass],
        pairs: Vec<&'c PassPair>,
        signal: Signal,
        trim_s: f64,
        lags_s: (f64, f64),
    ) -> Self {
        let mut stretches: Vec<Option<Stretch>> = (0..passes.len()).map(|_| None).collect();
        for pass in pairs.iter().flat_map(|pair| [pair.one, pair.other]) {
            if stretches[pass].is_none() {
                stretches[pass] = Some(stretch(records, tracks, &passes[pass], trim_s, lags_s));
            }
        }
        let step = tracks.iter().map(|track| track.step_m).fold(0.0, f64::max);
        Self { records, faulty, tracks, passes, pairs, stretches, signal, bin_m: BIN_M.max(1.3 * step) }
    }

    /// The mismatch of all pairs over the lags, or over the differences of two lags, in units of the squared spread of the profiles.
    pub(crate) fn mismatch(&self, lags_s: &[f64], apart: Option<Apart>) -> Mismatch {
        let mut raw: Vec<Vec<Vec<(f64, f64)>>> = vec![Vec::with_capacity(lags_s.len()); self.pairs.len()];
        let mut values: Vec<Vec<(Place, f64)>> = vec![Vec::new(); self.passes.len()];
        for &lag in lags_s {
            for (pass, stretch) in self.stretches.iter().enumerate() {
                if let Some(stretch) = stretch {
                    let lag = apart.map_or(lag, |apart| {
                        let sign = if stretch.track == apart.first { 0.5 } else { -0.5 };
                        apart.middle_s + sign * lag
                    });
                    self.cut_values(stretch, lag, &mut values[pass]);
                }
            }
            for (at, pair) in self.pairs.iter().enumerate() {
                raw[at].push(self.shared(pair, &values[pair.one], &values[pair.other]));
            }
        }
        let mut spread: Vec<f64> = raw
            .iter()
            .flat_map(|by_lag| by_lag.get(lags_s.len() / 2).into_iter().flatten())
            .flat_map(|&(one, other)| [one.abs(), other.abs()])
            .collect();
        let scale = crate::stats::robust::MAD_CONSISTENCY
            * crate::stats::robust::median_in_place(&mut spread).unwrap_or(0.0).max(f64::MIN_POSITIVE);
        let loss = |(one, other): &(f64, f64)| {
            let u = (one - other).abs() / (scale * std::f64::consts::SQRT_2);
            let k = crate::stats::robust::HUBER_K;
            if u <= k { u * u } else { 2.0 * k * u - k * k }
        };
        let log_mean = |bins: &Vec<(f64, f64)>| {
            let sum: f64 = bins.iter().map(loss).sum();
            if bins.is_empty() { 0.0 } else { (sum / bins.len() as f64).max(f64::MIN_POSITIVE).ln() }
        };
        Mismatch {
            log_mean: raw.iter().map(|by_lag| by_lag.iter().map(log_mean).collect()).collect(),
            bins: raw.iter().map(|by_lag| by_lag.iter().map(|bins| bins.len() as f64).collect()).collect(),
        }
    }

    /// Where each record's grain was cut at this lag, and its value there.
    fn cut_values(&self, stretch: &Stretch, lag_s: f64, out: &mut Vec<(Place, f64)>) {
        out.clear();
        let track = &self.tracks[stretch.track];
        let (mut hint, mut hint_before) = (0, 0);
        if let Some(&first) = stretch.rows.first() {
            let begin = self.records.time_s[first as usize] - lag_s;
            hint = track.time_s.partition_point(|&time| time <= begin).saturating_sub(1);
            hint_before = hint;
        }
        for &row in &stretch.rows {
            let at = row as usize;
            let cut_s = self.records.time_s[at] - lag_s;
            if cut_s < stretch.from_s || cut_s > stretch.to_s {
                continue;
            }
            let Some(place) = track.place(cut_s, &mut hint) else { continue };
            let value = match self.signal {
                Signal::Moisture => self.records.moisture_pct[at],
                Signal::Yield if self.faulty[at] => continue,
                Signal::Yield => {
                    let Some(before) = track.place(cut_s - self.records.interval_s[at], &mut hint_before) else {
                        continue;
                    };
                    let distance = track.between(&track.path_m, place) - track.between(&track.path_m, before);
                    // standing, or nearly: the grain is that of other ground
                    if distance < LEAST_WAY * track.step_m {
                        continue;
                    }
                    let swath = self.records.swath_m[track.row[track.nearer(place)] as usize];
                    self.records.mass_kg[at] / (distance * swath)
                }
            };
            if value.is_finite() {
                out.push((place, value));
            }
        }
    }

    /// The centred profiles of two passes in the bins that both have.
    fn shared(&self, pair: &PassPair, one: &[(Place, f64)], other: &[(Place, f64)]) -> Vec<(f64, f64)> {
        let one = self.binned(&self.passes[pair.one], &pair.way_one_m, one);
        let other = self.binned(&self.passes[pair.other], &pair.way_other_m, other);
        let (one, other) = (smoothed(&one), smoothed(&other));
        let mut bins: Vec<(f64, f64)> = one.iter().zip(&other).filter_map(|(a, b)| Some(((*a)?, (*b)?))).collect();
        if bins.len() < LEAST_BINS {
            return Vec::new();
        }
        let count = bins.len() as f64;
        let (sum_one, sum_other) = bins.iter().fold((0.0, 0.0), |sums, bin| (sums.0 + bin.0, sums.1 + bin.1));
        for bin in &mut bins {
            // Relative to the pass's own mean: a combine's gain and a treatment drop out.
            *bin = match self.signal {
                Signal::Yield => (bin.0 * count / sum_one - 1.0, bin.1 * count / sum_other - 1.0),
                Signal::Moisture => (bin.0 - sum_one / count, bin.1 - sum_other / count),
            };
        }
        bins
    }

    fn binned(&self, pass: &Pass, way_m: &[f64], values: &[(Place, f64)]) -> Vec<(f64, f64)> {
        let mut bins: Vec<(f64, f64)> = Vec::new();
        let last = way_m.len() - 1;
        for &(place, value) in values {
            let Some(fix) = place.fix.checked_sub(pass.first).filter(|&fix| fix <= last) else { continue };
            let next = (fix + 1).min(last);
            let way = way_m[fix] + place.share * (way_m[next] - way_m[fix]);
            if !(way >= 0.0) {
                continue;
            }
            let bin = (way / self.bin_m) as usize;
            if bins.len() <= bin {
                bins.resize(bin + 1, (0.0, 0.0));
            }
            bins[bin].0 += value;
            bins[bin].1 += 1.0;
        }
        bins
    }
}

/// Means of the bins, each with its neighbours; `None` where a bin is empty. The ground is smoother than
/// the sensor's noise.
fn smoothed(bins: &[(f64, f64)]) -> Vec<Option<f64>> {
    (0..bins.len())
        .map(|at| {
            let (mut sum, mut count) = bins[at];
            if count == 0.0 {
                return None;
            }
            for neighbour in [at.wrapping_sub(1), at + 1] {
                if let Some(&(value, records)) = bins.get(neighbour) {
                    sum += value;
                    count += records;
                }
            }
            Some(sum / count)
        })
        .collect()
}

fn stretch(records: &Records, tracks: &[Track], pass: &Pass, trim_s: f64, lags_s: (f64, f64)) -> Stretch {
    let track = &tracks[pass.track];
    let (from_s, to_s) = (pass.start_s + trim_s, pass.end_s - trim_s);
    let first = track.rows.start;
    let times = &records.time_s[track.rows.clone()];
    let begin = times.partition_point(|&time| time < from_s + lags_s.0);
    let end = times.partition_point(|&time| time <= to_s + lags_s.1);
    let rows = (first + begin..first + end.max(begin)).map(|at| at as u32).collect();
    Stretch { track: pass.track, rows, from_s, to_s }
}
