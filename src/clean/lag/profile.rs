//! Cross-pass matching: at the right lag, neighbouring passes driven in opposite directions show the same profile.
//!
//! The positions are moved, never the masses interpolated: interpolating at half a sample smooths the noise away and
//! draws the estimate to half seconds.

use crate::clean::neighbour_passes::PassPair;
use crate::clean::passes::Pass;
use crate::clean::track::{Place, Track};
use crate::points::Records;
use crate::stats::robust;

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

/// How many there are.
const SIGNALS: usize = 2;

/// The records whose grain may come from a pass, for all lags that are tried.
struct Stretch {
    pass: usize,
    /// Rows of the records.
    rows: Vec<u32>,
    /// Cutting moments that count, s.
    from_s: f64,
    to_s: f64,
}

/// Where a record's grain was cut at some lag, and its values there.
struct Cut {
    /// The fix before (or at) the moment, from the first of the pass.
    fix: usize,
    /// Share of the way to the next fix.
    share: f64,
    /// By signal; NaN where it tells nothing, or is not wanted.
    values: [f64; SIGNALS],
}

/// Sum and count of the values in a bin, by signal.
type Bin = [(f64, f64); SIGNALS];

/// Means of the bins along a pass; NaN where a bin is empty.
type Profile = Vec<f64>;

/// Lags of two combines that lie apart by what is tried, about a middle.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Apart {
    /// The track whose lag is the greater where the difference is above zero.
    pub(crate) first: usize,
    pub(crate) middle_s: f64,
}

/// The mismatch of every pair at every lag.
pub(crate) struct Mismatch {
    /// The lags that were tried, or the differences of two lags, s.
    pub(crate) lags_s: Vec<f64>,
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
    /// By pass; none where no pair has it.
    stretches: Vec<Option<Stretch>>,
    bin_m: f64,
}

/// The grain of the passes at one lag.
struct Sight {
    /// By pass.
    cuts: Vec<Vec<Cut>>,
    /// Profiles along a pass's own way, by signal, once a pair has asked.
    own: Vec<Option<[Profile; SIGNALS]>>,
    /// What is filled again for each pair.
    bins: Vec<Bin>,
    shared: Vec<(f64, f64)>,
}

impl<'c> Matcher<'c> {
    /// Prepares the passes of some pairs; `trim_s` is left out at both ends of each.
    pub(crate) fn new(
        (records, faulty): (&'c Records, &'c [bool]),
        tracks: &'c [Track],
        passes: &'c [Pass],
        pairs: impl Iterator<Item = &'c PassPair>,
        trim_s: f64,
        lags_s: (f64, f64),
    ) -> Self {
        let mut stretches: Vec<Option<Stretch>> = (0..passes.len()).map(|_| None).collect();
        for pass in pairs.flat_map(|pair| [pair.one, pair.other]) {
            if stretches[pass].is_none() {
                stretches[pass] = Some(stretch(records, tracks, passes, pass, trim_s, lags_s));
            }
        }
        let step = tracks.iter().map(|track| track.step_m).fold(0.0, f64::max);
        Self { records, faulty, tracks, passes, stretches, bin_m: BIN_M.max(1.3 * step) }
    }

    /// The mismatch of the pairs of each group by each signal over the lags, or over the differences of two lags, in units of the
    /// squared spread of the group's profiles. Each pass is placed once at a lag, for all its pairs and both signals.
    pub(crate) fn mismatch(
        &self,
        groups: &[&[PassPair]],
        signals: &[Signal],
        lags_s: &[f64],
        apart: Option<Apart>,
    ) -> Vec<Vec<Mismatch>> {
        let empty = |pairs: &&[PassPair]| {
            let by_lag = || vec![vec![0.0; lags_s.len()]; pairs.len()];
            let one = || Mismatch { lags_s: lags_s.to_vec(), log_mean: by_lag(), bins: by_lag() };
            signals.iter().map(|_| one()).collect::<Vec<Mismatch>>()
        };
        let mut found: Vec<Vec<Mismatch>> = groups.iter().map(empty).collect();
        let mut is_paired = vec![false; self.passes.len()];
        for pair in groups.iter().copied().flatten() {
            (is_paired[pair.one], is_paired[pair.other]) = (true, true);
        }
        let mut sight = Sight::new(self.passes.len());
        let mut scales = vec![vec![0.0; signals.len()]; groups.len()];
        // The middle of the lags comes first: it tells the spread.
        let middle = lags_s.len() / 2;
        for at in std::iter::once(middle).chain((0..lags_s.len()).filter(|&at| at != middle)) {
            for stretch in self.stretches.iter().flatten().filter(|stretch| is_paired[stretch.pass]) {
                let lag_s = apart.map_or(lags_s[at], |apart| {
                    let sign = if self.passes[stretch.pass].track == apart.first { 0.5 } else { -0.5 };
                    apart.middle_s + sign * lags_s[at]
                });
                self.cut(stretch, lag_s, signals, &mut sight.cuts[stretch.pass]);
                sight.own[stretch.pass] = None;
            }
            for (group, pairs) in groups.iter().enumerate() {
                if at == middle {
                    scales[group] = self.scales(pairs, signals, &mut sight);
                }
                for (number, pair) in pairs.iter().enumerate() {
                    let others = self.other(pair, &mut sight);
                    for (which, &signal) in signals.iter().enumerate() {
                        sight.share(pair.one, &others[signal as usize], signal);
                        let count = sight.shared.len() as f64;
                        if count > 0.0 {
                            let scale = scales[group][which];
                            let sum: f64 = sight.shared.iter().map(|&bin| loss(bin, scale)).sum();
                            let mismatch = &mut found[group][which];
                            mismatch.log_mean[number][at] = (sum / count).max(f64::MIN_POSITIVE).ln();
                            mismatch.bins[number][at] = count;
                        }
                    }
                }
            }
        }
        found
    }

    /// The spread of the profiles of some pairs, by signal.
    fn scales(&self, pairs: &[PassPair], signals: &[Signal], sight: &mut Sight) -> Vec<f64> {
        let mut spreads: Vec<Vec<f64>> = vec![Vec::new(); signals.len()];
        for pair in pairs {
            let others = self.other(pair, sight);
            for (spread, &signal) in spreads.iter_mut().zip(signals) {
                sight.share(pair.one, &others[signal as usize], signal);
                spread.extend(sight.shared.iter().flat_map(|&(one, other)| [one.abs(), other.abs()]));
            }
        }
        let scale = |spread: &mut Vec<f64>| {
            robust::MAD_CONSISTENCY * robust::median_in_place(spread).unwrap_or(0.0).max(f64::MIN_POSITIVE)
        };
        spreads.iter_mut().map(scale).collect()
    }

    /// Where each record's grain was cut at this lag, and its values there.
    fn cut(&self, stretch: &Stretch, lag_s: f64, signals: &[Signal], out: &mut Vec<Cut>) {
        out.clear();
        let (pass, records) = (&self.passes[stretch.pass], self.records);
        let track = &self.tracks[pass.track];
        let (yields, moisture) = (signals.contains(&Signal::Yield), signals.contains(&Signal::Moisture));
        let Some(&first) = stretch.rows.first() else { return };
        let begin = records.time_s[first as usize] - lag_s;
        let mut hint = track.time_s.partition_point(|&time| time <= begin).saturating_sub(1);
        let mut hint_before = hint;
        let last = pass.last - pass.first;
        for &row in &stretch.rows {
            let at = row as usize;
            let cut_s = records.time_s[at] - lag_s;
            if cut_s < stretch.from_s || cut_s > stretch.to_s {
                continue;
            }
            let Some(place) = track.place_at(cut_s, &mut hint) else { continue };
            let Some(fix) = place.fix.checked_sub(pass.first).filter(|&fix| fix <= last) else { continue };
            let mut values = [f64::NAN; SIGNALS];
            if moisture {
                values[Signal::Moisture as usize] = records.moisture_pct[at];
            }
            if yields && !self.faulty[at] {
                values[Signal::Yield as usize] = self.by_area(track, at, place, cut_s, &mut hint_before);
            }
            if values.iter().any(|value| value.is_finite()) {
                out.push(Cut { fix, share: place.share, values });
            }
        }
    }

    /// Mass by the area on which a record's grain was cut; NaN where that tells nothing.
    fn by_area(&self, track: &Track, at: usize, place: Place, cut_s: f64, hint: &mut usize) -> f64 {
        let Some(before) = track.place_at(cut_s - self.records.interval_s[at], hint) else { return f64::NAN };
        let distance = track.between(&track.path_m, place) - track.between(&track.path_m, before);
        // standing, or nearly: the grain is that of other ground
        if distance < LEAST_WAY * track.step_m {
            return f64::NAN;
        }
        let swath = self.records.swath_m[track.row[track.nearer(place)] as usize];
        self.records.mass_kg[at] / (distance * swath)
    }

    /// The profiles of the second pass of a pair; those of the first are kept in `sight`.
    fn other(&self, pair: &PassPair, sight: &mut Sight) -> [Profile; SIGNALS] {
        if sight.own[pair.one].is_none() {
            self.bin(&pair.way_one_m, &sight.cuts[pair.one], &mut sight.bins);
            sight.own[pair.one] = Some(profiles(&sight.bins));
        }
        self.bin(&pair.way_other_m, &sight.cuts[pair.other], &mut sight.bins);
        profiles(&sight.bins)
    }

    fn bin(&self, way_m: &[f64], cuts: &[Cut], bins: &mut Vec<Bin>) {
        bins.clear();
        let last = way_m.len() - 1;
        for cut in cuts {
            let (from, to) = (way_m[cut.fix], way_m[(cut.fix + 1).min(last)]);
            let way = from + cut.share * (to - from);
            if !(way >= 0.0) {
                continue;
            }
            let bin = (way / self.bin_m) as usize;
            if bins.len() <= bin {
                bins.resize(bin + 1, Bin::default());
            }
            for (sum, value) in bins[bin].iter_mut().zip(cut.values) {
                if value.is_finite() {
                    *sum = (sum.0 + value, sum.1 + 1.0);
                }
            }
        }
    }
}

impl Sight {
    fn new(passes: usize) -> Self {
        Self {
            cuts: (0..passes).map(|_| Vec::new()).collect(),
            own: (0..passes).map(|_| None).collect(),
            bins: Vec::new(),
            shared: Vec::new(),
        }
    }

    /// Fills `shared` with the centred profiles of two passes in the bins that both have; with nothing where they are few.
    fn share(&mut self, one: usize, other: &[f64], signal: Signal) {
        self.shared.clear();
        let Some(own) = &self.own[one] else { return };
        let (mut sum_one, mut sum_other) = (0.0, 0.0);
        for (&one, &other) in own[signal as usize].iter().zip(other) {
            if !one.is_nan() && !other.is_nan() {
                sum_one += one;
                sum_other += other;
                self.shared.push((one, other));
            }
        }
        if self.shared.len() < LEAST_BINS {
            self.shared.clear();
        }
        let count = self.shared.len() as f64;
        for bin in &mut self.shared {
            // Relative to the pass's own mean: a combine's gain and a treatment drop out.
            *bin = match signal {
                Signal::Yield => (bin.0 * count / sum_one - 1.0, bin.1 * count / sum_other - 1.0),
                Signal::Moisture => (bin.0 - sum_one / count, bin.1 - sum_other / count),
            };
        }
    }
}

/// Huber's loss of the difference in a bin, by the spread of the profiles.
fn loss((one, other): (f64, f64), scale: f64) -> f64 {
    let u = (one - other).abs() / (scale * std::f64::consts::SQRT_2);
    let k = robust::HUBER_K;
    if u <= k { u * u } else { 2.0 * k * u - k * k }
}

/// Means of the bins, each with its neighbours, by signal. The ground is smoother than the sensor's noise.
fn profiles(bins: &[Bin]) -> [Profile; SIGNALS] {
    std::array::from_fn(|signal| {
        let around = |at: usize| {
            let (mut sum, mut count) = bins[at][signal];
            if count > 0.0 {
                for neighbour in [at.wrapping_sub(1), at + 1] {
                    if let Some(bin) = bins.get(neighbour) {
                        sum += bin[signal].0;
                        count += bin[signal].1;
                    }
                }
                sum / count
            } else {
                f64::NAN
            }
        };
        (0..bins.len()).map(around).collect()
    })
}

fn stretch(
    records: &Records,
    tracks: &[Track],
    passes: &[Pass],
    number: usize,
    trim_s: f64,
    lags_s: (f64, f64),
) -> Stretch {
    let pass = &passes[number];
    let track = &tracks[pass.track];
    let (from_s, to_s) = (pass.start_s + trim_s, pass.end_s - trim_s);
    let first = track.rows.start;
    let times = &records.time_s[track.rows.clone()];
    let begin = times.partition_point(|&time| time < from_s + lags_s.0);
    let end = times.partition_point(|&time| time <= to_s + lags_s.1);
    let rows = (first + begin..first + end.max(begin)).map(|at| at as u32).collect();
    Stretch { pass: number, rows, from_s, to_s }
}
