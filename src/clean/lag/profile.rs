//! Cross-pass matching: at the right lag, neighbouring passes driven in opposite directions show the same profile.
//!
//! The positions are moved, never the masses interpolated: interpolating at half a sample smooths the noise away and
//! draws the estimate to half seconds.

use std::collections::BTreeMap;
use std::ops::Range;

use super::compare::Work;
use crate::clean::neighbour_passes::PassPair;
use crate::clean::passes::Pass;
use crate::clean::track::Track;
use crate::points::Records;
use crate::stats::robust;

/// Least length of a bin along the pass, m.
const BIN_M: f64 = 4.0;
/// Shortest way of a record that tells a yield, in usual steps of a record that stands for as long.
const LEAST_WAY: f64 = 0.4;

/// The same in metres, for a record that stands for some seconds.
fn least_way_m(track: &Track, seconds: f64) -> f64 {
    LEAST_WAY * track.step_m / track.step_s * seconds
}

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
    rows: Range<usize>,
    /// Cutting moments that count, s.
    from_s: f64,
    to_s: f64,
}

/// Where a record's grain was cut at some lag, and its values there.
struct Cut {
    spot: Spot,
    /// What it adds to a bin.
    adds: Bin,
}

/// A place on a pass.
#[derive(Clone, Copy)]
struct Spot {
    /// The fix before (or at) the moment, from the first of the pass; none off the pass.
    fix: u32,
    /// Which of the pass's [`Moments`] it is, where it has them.
    moment: u32,
    /// Share of the way to the next fix.
    share: f64,
}

/// Moments a second for which the places are found once: lags are tried in steps of a quarter, and half of that between two combines.
const MOMENTS_PER_S: f64 = 8.0;
/// Longest time that a record stands for, in moments.
const LONGEST_MOMENTS: i32 = 80;
/// No fix, and no bin.
const NONE: u32 = u32::MAX;

/// The places of a pass at evenly spaced moments, where all its records lie on them: whole seconds do.
struct Moments {
    /// By record: moments from the first record, and those that it stands for.
    of_rows: Vec<(i32, i32)>,
    /// By record: its mass, kg, NaN where it tells nothing, and what its moisture adds to a bin.
    mass_kg: Vec<f64>,
    moisture: Vec<Bin>,
    /// The first of the moments, from the first record, and those that count.
    begin: i32,
    counted: Range<i32>,
    /// By moment: where it is; the distance logged by then, m, and the swath there, m.
    spots: Vec<Spot>,
    ways: Vec<(f64, f64)>,
}

impl Moments {
    fn new((records, faulty): (&Records, &[bool]), track: &Track, pass: &Pass, stretch: &Stretch) -> Option<Self> {
        let first_s = records.time_s[stretch.rows.clone().next()?];
        let on = |seconds: f64| {
            let moments = MOMENTS_PER_S * seconds;
            (moments.fract().total_cmp(&0.0).is_eq() && moments.abs() < 1e6).then_some(moments as i32)
        };
        let of_rows = stretch
            .rows
            .clone()
            .map(|row| {
                let stands_for = on(records.interval_s[row]).filter(|all| (0..=LONGEST_MOMENTS).contains(all))?;
                Some((on(records.time_s[row] - first_s)?, stands_for))
            })
            .collect::<Option<Vec<_>>>()?;
        let time_s = |moment: i32| first_s + f64::from(moment) / MOMENTS_PER_S;
        let first = |limit_s: f64, is_beyond: &dyn Fn(f64) -> bool| {
            let near = (MOMENTS_PER_S * (limit_s - first_s)).floor() as i32;
            (near.saturating_sub(1)..near.saturating_add(3)).find(|&moment| is_beyond(time_s(moment)))
        };
        let from = first(stretch.from_s, &|time_s| time_s >= stretch.from_s)?;
        let to = first(stretch.to_s, &|time_s| time_s > stretch.to_s)?.max(from);
        let begin = from - LONGEST_MOMENTS;
        let last = pass.last - pass.first;
        let mut hint = pass.first;
        let (spots, ways) = (begin..to)
            .map(|moment| {
                let nowhere = Spot { fix: NONE, moment: (moment - begin) as u32, share: 0.0 };
                let Some(place) = track.place_at(time_s(moment), &mut hint) else {
                    return (nowhere, (f64::NAN, f64::NAN));
                };
                let fix = place.fix.checked_sub(pass.first).filter(|&fix| fix <= last);
                let spot = Spot { fix: fix.map_or(NONE, |fix| fix as u32), share: place.share, ..nowhere };
                let swath_m = records.swath_m[track.row[track.nearer(place)] as usize];
                (spot, (track.between(&track.path_m, place), swath_m))
            })
            .unzip();
        let rows = stretch.rows.clone();
        let mass_kg = rows.clone().map(|row| if faulty[row] { f64::NAN } else { records.mass_kg[row] }).collect();
        let moisture = rows.map(|row| {
            let mut adds = Bin::default();
            add(&mut adds, Signal::Moisture, records.moisture_pct.get(row).copied().unwrap_or(f64::NAN));
            adds
        });
        Some(Self { of_rows, mass_kg, moisture: moisture.collect(), begin, counted: from..to, spots, ways })
    }
}

/// Sums of the values in a bin by signal, then their counts; a value that tells nothing, or is not wanted, adds to neither.
type Bin = [f64; 2 * SIGNALS];

/// Sets what a value adds to a bin.
fn add(adds: &mut Bin, signal: Signal, value: f64) {
    if value.is_finite() {
        (adds[signal as usize], adds[SIGNALS + signal as usize]) = (value, 1.0);
    }
}

/// Means of the bins along a pass, by signal; NaN where a bin is empty.
type Profile = [Vec<f64>; SIGNALS];

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

/// The bins of the moments of a pass, where it has them.
#[derive(Default)]
struct KnownBins {
    /// By moment, with an empty bin before the first: off the way it is that after the last of all.
    of_moments: Vec<u32>,
    /// Bins along the way, with an empty one at each end.
    count: usize,
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
    /// By pass; none where its records do not lie on moments.
    moments: Vec<Option<Moments>>,
    /// The bin of each moment along a pass's own way, and along that of the first of a pair for the second, by both.
    own_bins: Vec<KnownBins>,
    other_bins: BTreeMap<(usize, usize), KnownBins>,
    bin_m: f64,
}

/// The grain of the passes at one lag.
struct Sight {
    /// By pass.
    cuts: Vec<Vec<Cut>>,
    /// Profiles along a pass's own way, and whether they are those of this lag: they are made once a pair has asked.
    own: Vec<(Profile, bool)>,
    /// What is filled again for each pair.
    bins: Vec<Bin>,
    other: Profile,
    work: Work,
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
        // nearly all records lie nearer to the next than a bin is long, so that few bins are empty
        let bin_m = tracks.iter().map(|track| (1.3 * track.step_m).max(track.long_step_m)).fold(BIN_M, f64::max);
        let mut matcher = Self {
            records,
            faulty,
            tracks,
            passes,
            stretches: (0..passes.len()).map(|_| None).collect(),
            moments: (0..passes.len()).map(|_| None).collect(),
            own_bins: (0..passes.len()).map(|_| KnownBins::default()).collect(),
            other_bins: BTreeMap::new(),
            bin_m,
        };
        for pair in pairs {
            for pass in [pair.one, pair.other] {
                if matcher.stretches[pass].is_none() {
                    let stretch = stretch(records, tracks, passes, pass, trim_s, lags_s);
                    matcher.moments[pass] =
                        Moments::new((records, faulty), &tracks[passes[pass].track], &passes[pass], &stretch);
                    matcher.stretches[pass] = Some(stretch);
                }
            }
            if matcher.own_bins[pair.one].of_moments.is_empty() {
                matcher.own_bins[pair.one] = matcher.bins_of(pair.one, &pair.way_one_m);
            }
            let of_other = matcher.bins_of(pair.other, &pair.way_other_m);
            matcher.other_bins.insert((pair.one, pair.other), of_other);
        }
        matcher
    }

    /// The bin of each moment of a pass along a way.
    fn bins_of(&self, pass: usize, way_m: &[f64]) -> KnownBins {
        let spots = self.moments[pass].iter().flat_map(|moments| &moments.spots);
        let mut of_moments: Vec<u32> = spots.map(|spot| self.bin_at(way_m, *spot)).collect();
        let last = of_moments.iter().copied().filter(|&bin| bin != NONE).max();
        let count = last.map_or(2, |last| last + 3);
        for bin in &mut of_moments {
            *bin = if *bin == NONE { count } else { *bin + 1 };
        }
        KnownBins { of_moments, count: count as usize }
    }

    /// The bin of a spot along a way.
    fn bin_at(&self, way_m: &[f64], spot: Spot) -> u32 {
        if spot.fix == NONE {
            return NONE;
        }
        let fix = spot.fix as usize;
        let (from, to) = (way_m[fix], way_m[(fix + 1).min(way_m.len() - 1)]);
        let way = from + spot.share * (to - from);
        if way >= 0.0 { (way / self.bin_m) as u32 } else { NONE }
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
                sight.own[stretch.pass].1 = false;
            }
            for (group, pairs) in groups.iter().enumerate() {
                if at == middle {
                    scales[group] = self.scales(pairs, signals, &mut sight);
                }
                for (number, pair) in pairs.iter().enumerate() {
                    self.look(pair, &mut sight);
                    for ((mismatch, scale), &signal) in found[group].iter_mut().zip(&scales[group]).zip(signals) {
                        let (sum, count) = sight.loss(pair.one, signal, *scale);
                        if count > 0.0 {
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
            self.look(pair, sight);
            for (spread, &signal) in spreads.iter_mut().zip(signals) {
                sight.centred(pair.one, signal, spread);
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
        if stretch.rows.is_empty() {
            return;
        }
        let lag_moments = MOMENTS_PER_S * lag_s;
        if let Some(moments) = &self.moments[stretch.pass]
            && lag_moments.fract().total_cmp(&0.0).is_eq()
        {
            self.cut_at(moments, stretch, lag_moments as i32, signals, out);
            return;
        }
        let rows = stretch.rows.clone();
        let (time_s, interval_s) = (&records.time_s[rows.clone()], &records.interval_s[rows.clone()]);
        let (mass_kg, faulty) = (&records.mass_kg[rows.clone()], &self.faulty[rows.clone()]);
        let moisture_pct = if moisture { &records.moisture_pct[rows] } else { &[] };
        let begin = time_s[0] - lag_s;
        let mut hint = track.time_s.partition_point(|&time| time <= begin).saturating_sub(1);
        let mut hint_before = hint;
        let last = pass.last - pass.first;
        let mut path = Path { cut_s: f64::NAN, m: f64::NAN }; // of the record before
        for at in 0..time_s.len() {
            let cut_s = time_s[at] - lag_s;
            if cut_s < stretch.from_s || cut_s > stretch.to_s {
                continue;
            }
            let Some(place) = track.place_at(cut_s, &mut hint) else { continue };
            let before = path;
            path = Path { cut_s, m: track.between(&track.path_m, place) };
            let Some(fix) = place.fix.checked_sub(pass.first).filter(|&fix| fix <= last) else { continue };
            let mut adds = Bin::default();
            if moisture {
                add(&mut adds, Signal::Moisture, moisture_pct[at]);
            }
            if yields && !faulty[at] {
                // most records stand for the time since the one before
                let before_s = cut_s - interval_s[at];
                let before_m = if before_s.total_cmp(&before.cut_s).is_eq() {
                    before.m
                } else {
                    let place = track.place_at(before_s, &mut hint_before);
                    place.map_or(f64::NAN, |place| track.between(&track.path_m, place))
                };
                let distance = path.m - before_m;
                // standing, or nearly: the grain is that of other ground
                if distance >= least_way_m(track, interval_s[at]) {
                    let swath = records.swath_m[track.row[track.nearer(place)] as usize];
                    add(&mut adds, Signal::Yield, mass_kg[at] / (distance * swath));
                }
            }
            if adds[SIGNALS..].iter().any(|&count| count > 0.0) {
                out.push(Cut { spot: Spot { fix: fix as u32, moment: NONE, share: place.share }, adds });
            }
        }
    }

    /// [`Self::cut`] by moments; what lies off the pass is among it, for its moment has no bin.
    fn cut_at(&self, moments: &Moments, stretch: &Stretch, lag: i32, signals: &[Signal], out: &mut Vec<Cut>) {
        let track = &self.tracks[self.passes[stretch.pass].track];
        let least_m = least_way_m(track, 1.0 / MOMENTS_PER_S);
        let (yields, moisture) = (signals.contains(&Signal::Yield), signals.contains(&Signal::Moisture));
        // records are in the order of time
        let first = moments.of_rows.partition_point(|&(moment, _)| moment - lag < moments.counted.start);
        let last = moments.of_rows.partition_point(|&(moment, _)| moment - lag < moments.counted.end);
        let rows = moments.of_rows[first..last].iter().zip(&moments.mass_kg[first..last]);
        out.extend(rows.zip(&moments.moisture[first..last]).map(|((&(moment, stands_for), mass_kg), of_moisture)| {
            let index = (moment - lag - moments.begin) as usize;
            let mut adds = if moisture { *of_moisture } else { Bin::default() };
            if yields {
                let (path_m, swath_m) = moments.ways[index];
                let distance = path_m - moments.ways[index - stands_for as usize].0;
                // standing, or nearly: the grain is that of other ground
                if distance >= least_m * f64::from(stands_for) {
                    add(&mut adds, Signal::Yield, mass_kg / (distance * swath_m));
                }
            }
            Cut { spot: Spot { fix: NONE, moment: index as u32, share: 0.0 }, adds }
        }));
    }

    /// Fills the profiles of both passes of a pair; those of the first are kept for its other pairs.
    fn look(&self, pair: &PassPair, sight: &mut Sight) {
        let (own, is_made) = &mut sight.own[pair.one];
        if !*is_made {
            let known = &self.own_bins[pair.one];
            profile(self.bin(&pair.way_one_m, known, &sight.cuts[pair.one], &mut sight.bins), own);
            *is_made = true;
        }
        if let Some(known) = self.other_bins.get(&(pair.one, pair.other)) {
            let bins = self.bin(&pair.way_other_m, known, &sight.cuts[pair.other], &mut sight.bins);
            profile(bins, &mut sight.other);
        }
    }

    /// The bins along a way, an empty one before the first and after the last; `known` are the bins of the moments.
    fn bin<'b>(&self, way_m: &[f64], known: &KnownBins, cuts: &[Cut], bins: &'b mut Vec<Bin>) -> &'b [Bin] {
        bins.clear();
        // either all lie on moments or none
        if cuts.first().is_some_and(|cut| cut.spot.moment != NONE) {
            bins.resize(known.count + 1, Bin::default());
            for cut in cuts {
                let bin = known.of_moments[cut.spot.moment as usize];
                bins[bin as usize].iter_mut().zip(cut.adds).for_each(|(sum, value)| *sum += value);
            }
            return &bins[..known.count];
        }
        bins.resize(2, Bin::default());
        for cut in cuts {
            let bin = self.bin_at(way_m, cut.spot);
            if bin == NONE {
                continue;
            }
            let bin = bin as usize + 1;
            if bins.len() <= bin + 1 {
                bins.resize(bin + 2, Bin::default());
            }
            bins[bin].iter_mut().zip(cut.adds).for_each(|(sum, value)| *sum += value);
        }
        bins
    }
}

/// The moment a record's grain was cut, and the distance logged by then, m.
#[derive(Clone, Copy)]
struct Path {
    cut_s: f64,
    m: f64,
}

impl Sight {
    fn new(passes: usize) -> Self {
        Self {
            cuts: (0..passes).map(|_| Vec::new()).collect(),
            own: (0..passes).map(|_| (Profile::default(), false)).collect(),
            bins: Vec::new(),
            other: Profile::default(),
            work: Work::default(),
        }
    }

    /// The sum of Huber's loss of the differences in the bins that a pass shares with the other that was looked at, in units of the
    /// spread of the profiles, and how many bins these are.
    fn loss(&mut self, one: usize, signal: Signal, scale: f64) -> (f64, f64) {
        self.work.loss(&self.own[one].0[signal as usize], &self.other[signal as usize], signal, scale)
    }

    /// Adds the sizes of the centred values in the bins that a pass shares with the other.
    fn centred(&mut self, one: usize, signal: Signal, out: &mut Vec<f64>) {
        self.work.centred(&self.own[one].0[signal as usize], &self.other[signal as usize], signal, out);
    }
}

/// Means of the bins, each with its neighbours, by signal. The ground is smoother than the sensor's noise.
fn profile(bins: &[Bin], out: &mut Profile) {
    for means in out.iter_mut() {
        means.resize(bins.len() - 2, 0.0);
    }
    let [yields, moisture] = out;
    for ((around, of_yield), of_moisture) in bins.array_windows::<3>().zip(yields).zip(moisture) {
        let mut sums = around[1];
        for neighbour in [&around[0], &around[2]] {
            sums.iter_mut().zip(neighbour).for_each(|(sum, value)| *sum += value);
        }
        let [one, other] = std::array::from_fn(|signal| {
            let is_known = around[1][SIGNALS + signal] > 0.0;
            if is_known { sums[signal] / sums[SIGNALS + signal] } else { f64::NAN }
        });
        (*of_yield, *of_moisture) = (one, other);
    }
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
    Stretch { pass: number, rows: first + begin..first + end.max(begin), from_s, to_s }
}
