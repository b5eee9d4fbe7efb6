//! The three scales: in each, one figure for a treatment in a block, and the spread of the differences between blocks.

use std::collections::BTreeMap;

use crate::results::Estimate;
use crate::stats::dense::Mat;
use crate::stats::linear::paired_t;
use crate::stats::ordinal::CumulativeLogit;
use crate::stats::quasi::{Family, NegativeBinomialFit, QuasiFit};

/// What was seen of both in one block: values with the number of their spot.
pub(super) struct Pair {
    pub(super) check: Vec<(f64, Option<usize>)>,
    pub(super) treated: Vec<(f64, Option<usize>)>,
}

impl Pair {
    /// Check, then treated: sum and number of the values.
    fn sums(&self) -> [(f64, f64); 2] {
        [&self.check, &self.treated].map(|side| (side.iter().map(|one| one.0).sum(), side.len() as f64))
    }
}

/// What a model tells.
pub(super) struct Told {
    /// On the scale of the link.
    pub(super) estimate: Estimate,
    /// On the measure's own terms.
    pub(super) difference: Option<f64>,
    pub(super) interval: Option<(f64, f64)>,
}

impl Told {
    /// `own` turns the link's scale into the measure's own terms, and rises.
    fn new(estimate: Estimate, own: impl Fn(f64) -> f64) -> Self {
        let interval = estimate.low.zip(estimate.high).map(|(low, high)| (own(low), own(high)));
        Self { difference: estimate.mean.map(own), interval, estimate }
    }
}

/// Why a model tells nothing.
type Why = String;

/// A column for each block, then one for the treated; rows as [`Pair::sums`] block by block.
fn design(blocks: usize) -> Mat<f64> {
    Mat::from_fn(2 * blocks, blocks + 1, |i, j| {
        let is = if j < blocks { i / 2 == j } else { i % 2 == 1 };
        f64::from(u8::from(is))
    })
}

/// An error below this, in logarithms, is that of the arithmetic: the blocks do not vary (ours).
const NO_SPREAD: f64 = 1e-5;

/// A mean with its error between blocks; without one where they do not vary.
fn told(mean: f64, error: f64, df: f64, confidence: f64) -> Estimate {
    let varies = error > NO_SPREAD;
    varies.then(|| Estimate::of_t(mean, error, df, confidence)).flatten().unwrap_or(Estimate::of_mean(mean))
}

/// The coefficient of the treated, its error by Pearson's χ² on the blocks' degrees of freedom.
fn treated(fit: &QuasiFit, confidence: f64) -> Estimate {
    let at = fit.coefficients.len() - 1;
    let (mean, error) = (fit.coefficients[at], fit.std_error(at, fit.dispersion()));
    told(mean, error, fit.df as f64, confidence)
}

/// The ratio of counts: sums by block, negative binomial where they vary more than Poisson's do, else Poisson; in both the
/// dispersion is estimated from the data. Where the sum of a block's check or treated is 0, half a count is added to both (Haldane 1956, Ann.
/// Hum. Genet. 20:309–311, from memory).
pub(super) fn counts(pairs: &[Pair], confidence: f64) -> Result<Told, Why> {
    let (mut sums, mut offset) = (Vec::new(), Vec::new());
    for pair in pairs {
        let both = pair.sums();
        let half = if both.iter().any(|side| side.0 == 0.0) { 0.5 } else { 0.0 };
        sums.extend(both.map(|side| side.0 + half));
        offset.extend(both.map(|side| side.1.ln()));
    }
    if sums.iter().all(|sum| *sum < 1.0) {
        return Err("nothing was counted anywhere".to_owned());
    }
    if pairs.len() == 1 {
        let log = |at: usize| sums[at].ln() - offset[at];
        return Ok(Told::new(Estimate::of_mean(log(1) - log(0)), f64::exp));
    }
    let x = design(pairs.len());
    let fit = match NegativeBinomialFit::new(x.as_ref(), &sums, &offset).map_err(|error| error.to_string())? {
        Some(found) => found.fit,
        None => QuasiFit::new(Family::Poisson, x.as_ref(), &sums, &offset).map_err(|error| error.to_string())?,
    };
    Ok(Told::new(treated(&fit, confidence), f64::exp))
}

/// The difference in percent points: the logits of the means of treated and check by block, and the mean of their differences with a t
/// interval over blocks; reported at the level of the checks. Each block counts once: weighed by what a binomial share would tell, the error
/// of few blocks came out too small. A mean of 0 or 100 counts as half as far from it as the nearest other mean (ours: a rule that hangs
/// on no assumed number).
pub(super) fn percent(pairs: &[Pair], confidence: f64) -> Result<Told, Why> {
    let mut share: Vec<f64> =
        pairs.iter().flat_map(|pair| pair.sums().map(|(sum, count)| sum / count / 100.0)).collect();
    for turned in [false, true] {
        let near = |share: f64| if turned { 1.0 - share } else { share };
        let least = share.iter().map(|one| near(*one)).filter(|one| *one > 0.0).fold(f64::INFINITY, f64::min);
        if least >= 1.0 {
            return Err("all means are 0 or 100".to_owned());
        }
        for one in share.iter_mut().filter(|one| near(**one) <= 0.0) {
            *one = if turned { 1.0 - 0.5 * least } else { 0.5 * least };
        }
    }
    let logit = |share: f64| (share / (1.0 - share)).ln();
    let points = |blocks: &[f64], by: f64| {
        let of = |eta: f64| 100.0 / (1.0 + (-eta).exp());
        blocks.iter().map(|eta| of(eta + by) - of(*eta)).sum::<f64>() / blocks.len() as f64
    };
    let checks: Vec<f64> = share.chunks(2).map(|both| logit(both[0])).collect();
    let differences: Vec<f64> = share.chunks(2).map(|both| logit(both[1]) - logit(both[0])).collect();
    Ok(Told::new(of_blocks(&differences, confidence), |by| points(&checks, by)))
}

/// The mean of the differences of blocks, with a t interval where there are two that vary.
fn of_blocks(differences: &[f64], confidence: f64) -> Estimate {
    let tested = paired_t(differences).ok().map(|test| told(test.mean, test.se, test.df, confidence));
    tested.unwrap_or_else(|| Estimate::of_mean(differences.iter().sum::<f64>() / differences.len() as f64))
}

/// The odds ratio of a worse level: a place on the scale for each treatment in each block by one cumulative logit (plants of one spot
/// share a deviation), then the mean of the differences between blocks. A place where all plants have the best or the worst level counts
/// one plant more, with the levels of the whole field (ours: else it would lie nowhere).
pub(super) fn ordinal(pairs: &[Pair], levels: usize, confidence: f64) -> Result<Told, Why> {
    let all = || pairs.iter().flat_map(|pair| [&pair.check, &pair.treated]);
    let mut count = vec![0.0; levels];
    all().flatten().for_each(|one| count[one.0 as usize] += 1.0);
    // levels that nobody saw cannot be separated from their neighbours
    let used: Vec<usize> = (0..levels).filter(|level| count[*level] > 0.0).collect();
    let rank: BTreeMap<usize, usize> = used.iter().enumerate().map(|(rank, level)| (*level, rank)).collect();
    if used.len() < 2 {
        return Err("all were rated alike".to_owned());
    }
    let total: f64 = count.iter().sum();
    let (mut level, mut weight, mut cell, mut spot) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut lone = all().flatten().filter_map(|one| one.1).max().map_or(0, |most| most + 1);
    let mut apart = || {
        lone += 1;
        lone
    };
    for (at, side) in all().enumerate() {
        for one in side {
            level.push(rank[&(one.0 as usize)]);
            weight.push(1.0);
            cell.push(at);
            spot.push(one.1.unwrap_or_else(&mut apart));
        }
        for end in [used[0], used[used.len() - 1]] {
            if side.iter().all(|one| one.0 as usize == end) {
                for (rank, of) in used.iter().enumerate() {
                    level.push(rank);
                    weight.push(count[*of] / total);
                    cell.push(at);
                    spot.push(apart());
                }
            }
        }
    }
    let x = Mat::from_fn(level.len(), 2 * pairs.len() - 1, |i, j| f64::from(u8::from(cell[i] == j + 1)));
    let mut model = CumulativeLogit::new(&level, used.len(), x.as_ref(), &weight).map_err(|error| error.to_string())?;
    let mut in_spot: BTreeMap<usize, usize> = BTreeMap::new();
    all().flatten().filter_map(|one| one.1).for_each(|spot| *in_spot.entry(spot).or_default() += 1);
    if in_spot.len() > 2 * pairs.len() && in_spot.values().any(|plants| *plants > 1) {
        model = model.with_groups(&spot).map_err(|error| error.to_string())?;
    }
    let fit = model.fit().map_err(|error| error.to_string())?;
    let place = |cell: usize| if cell == 0 { 0.0 } else { fit.coefficients[cell - 1] };
    let differences: Vec<f64> = (0..pairs.len()).map(|pair| place(2 * pair + 1) - place(2 * pair)).collect();
    Ok(Told::new(of_blocks(&differences, confidence), f64::exp))
}
