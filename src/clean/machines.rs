//! Several combines brought to one level, by neighbouring passes under the same treatment.
//!
//! Whole-area means would take away true differences of the ground; neighbouring passes do not. Two combines can be
//! compared only through passes of one treatment, and all combines must be linked that way.

use faer::Mat;
use faer::linalg::solvers::Solve;

use super::neighbour_passes::PassPair;
use super::passes::Pass;
use super::track::Track;
use crate::points::{Labels, Reasons, Sourced};
use crate::stats::{linear, robust};

/// Length of a bin along the pass, m.
const BIN_M: f64 = 20.0;
/// Fewest records in a bin, and bins in a pair.
const LEAST_RECORDS: usize = 3;
const LEAST_BINS: usize = 4;
/// Fewest pairs between combines.
const LEAST_PAIRS: usize = 2;
const ROUNDS: usize = 10;
/// Standard deviation of the logarithm of the ratio of two combines before any comparison: uncalibrated yield monitors lie 3 to 10 %
/// apart (common practice, no source). A factor that rests on little is drawn towards 1; one that is known to 1 % moves by a
/// hundredth of itself.
const APART_SD: f64 = 0.1;

/// The factors of all combines and the covariance of their logarithms.
#[derive(Debug, Clone)]
pub(crate) struct Factors {
    /// By machine label code.
    pub(crate) factor: Vec<Sourced>,
    pub(crate) covariance: Vec<Vec<f64>>,
}

/// One comparison of two combines.
#[derive(Clone, Copy)]
struct Comparison {
    one: usize,
    other: usize,
    /// Median of ln(yield of one / yield of other).
    log_ratio: f64,
    bins: f64,
}

/// What the comparison needs of the records.
pub(crate) struct Field<'c> {
    pub(crate) tracks: &'c [Track],
    pub(crate) passes: &'c [Pass],
    pub(crate) pairs: &'c [PassPair],
    pub(crate) x_m: &'c [f64],
    pub(crate) y_m: &'c [f64],
    pub(crate) yields: &'c [f64],
    pub(crate) area_m2: &'c [f64],
    pub(crate) pass: &'c [u32],
    pub(crate) treatment: &'c [u32],
    pub(crate) machine: &'c Labels,
    pub(crate) marks: &'c [Reasons],
}

/// Estimates the factors, or says why the combines cannot be compared.
pub(crate) fn factors(field: &Field<'_>) -> Result<Factors, String> {
    let machines = field.machine.names.len();
    let comparisons = comparisons(field);
    let between: Vec<Comparison> = comparisons.into_iter().filter(|one| one.one != one.other).collect();
    if between.len() < LEAST_PAIRS {
        return Err(format!("{} neighbouring passes of different combines under one treatment", between.len()));
    }
    if !connected(machines, &between) {
        return Err("some combines never cut beside another under one treatment".to_owned());
    }
    let share = area_shares(field, machines);
    let offsets = solve(machines, &between, &share)?;
    // Each comparison is left out once.
    let count = between.len();
    let mut left_out: Vec<Vec<f64>> = Vec::new();
    for at in 0..count {
        let mut rest = between.clone();
        rest.remove(at);
        if connected(machines, &rest) {
            left_out.push(solve(machines, &rest, &share)?);
        }
    }
    if left_out.len() < 2 {
        return Err("too few neighbouring passes link the combines".to_owned());
    }
    let (offsets, covariance) = drawn_together(&offsets, &left_out, &share)?;
    let factor = (0..machines)
        .map(|machine| {
            let value = (-offsets[machine]).exp();
            Sourced::estimated(value, value * covariance[machine][machine].max(0.0).sqrt())
        })
        .collect();
    Ok(Factors { factor, covariance })
}

/// The log offsets and their covariance by what is known of combines and by the comparisons, whose own covariance is that of the
/// jackknife; the area-weighted mean stays 0.
fn drawn_together(offsets: &[f64], left_out: &[Vec<f64>], share: &[f64]) -> Result<(Vec<f64>, Vec<Vec<f64>>), String> {
    let others = offsets.len() - 1;
    let n = left_out.len() as f64;
    // differences from the first combine
    let apart = |offsets: &[f64], machine: usize| offsets[machine + 1] - offsets[0];
    let mean: Vec<f64> =
        (0..others).map(|machine| left_out.iter().map(|one| apart(one, machine)).sum::<f64>() / n).collect();
    let jackknife = |a: usize, b: usize| {
        let product = |one: &Vec<f64>| (apart(one, a) - mean[a]) * (apart(one, b) - mean[b]);
        left_out.iter().map(product).sum::<f64>() * (n - 1.0) / n
    };
    let prior = |a: usize, b: usize| APART_SD * APART_SD * if a == b { 1.0 } else { 0.5 };
    let (a, b) = (Mat::from_fn(others, others, prior), Mat::from_fn(others, others, jackknife));
    let factor = (&a + &b).llt(faer::Side::Lower).map_err(|error| format!("{error:?}"))?;
    let weight = factor.solve(&a).transpose().to_owned();
    let found = &weight * Mat::from_fn(others, 1, |machine, _| apart(offsets, machine));
    let covariance = &a - &weight * &a;

    // from differences to offsets about the area-weighted mean
    let turn = Mat::from_fn(offsets.len(), others, |machine, column| {
        f64::from(u8::from(machine == column + 1)) - share[column + 1]
    });
    let (offsets, covariance) = (&turn * found, &turn * covariance * turn.transpose());
    let rows = |at: usize| (0..covariance.ncols()).map(|column| covariance[(at, column)]).collect();
    Ok(((0..offsets.nrows()).map(|at| offsets[(at, 0)]).collect(), (0..covariance.nrows()).map(rows).collect()))
}

fn area_shares(field: &Field<'_>, machines: usize) -> Vec<f64> {
    let mut area = vec![0.0; machines];
    for at in 0..field.yields.len() {
        if field.marks[at].is_empty() {
            area[field.machine.codes[at] as usize] += field.area_m2[at];
        }
    }
    let total: f64 = area.iter().sum();
    area.iter().map(|area| area / total).collect()
}

fn comparisons(field: &Field<'_>) -> Vec<Comparison> {
    let mut rows_of: Vec<Vec<u32>> = vec![Vec::new(); field.passes.len()];
    for at in 0..field.yields.len() {
        if field.marks[at].is_empty()
            && field.yields[at] > 0.0
            && let Some(rows) = rows_of.get_mut(field.pass[at] as usize)
        {
            rows.push(at as u32);
        }
    }
    let machine_of = |pass: usize| field.tracks[field.passes[pass].track].machine as usize;
    field
        .pairs
        .iter()
        .filter(|pair| machine_of(pair.one) != machine_of(pair.other))
        .filter_map(|pair| {
            let one = profile(field, pair.one, &pair.way_one_m, &rows_of[pair.one]);
            let other = profile(field, pair.other, &pair.way_other_m, &rows_of[pair.other]);
            let mut ratios: Vec<f64> = one
                .iter()
                .zip(&other)
                .filter_map(|(a, b)| match (a, b) {
                    (Some((treatment, a)), Some((same, b))) if treatment == same => Some((a / b).ln()),
                    _ => None,
                })
                .collect();
            let bins = ratios.len();
            let log_ratio = robust::median_in_place(&mut ratios).ok()?;
            (bins >= LEAST_BINS).then_some(Comparison {
                one: machine_of(pair.one),
                other: machine_of(pair.other),
                log_ratio,
                bins: bins as f64,
            })
        })
        .collect()
}

/// By bin along the pair's coordinate: treatment and mean yield, where all records of the bin are of one treatment.
fn profile(field: &Field<'_>, pass: usize, way_m: &[f64], rows: &[u32]) -> Vec<Option<(u32, f64)>> {
    let span = &field.passes[pass];
    let track = &field.tracks[span.track];
    let mut bins: Vec<(u32, f64, f64, usize, bool)> = Vec::new();
    let mut fix = span.first;
    for &at in rows {
        let at = at as usize;
        // The nearest fix of the pass: records and fixes advance together.
        let apart = |fix: usize| (track.x_m[fix] - field.x_m[at]).powi(2) + (track.y_m[fix] - field.y_m[at]).powi(2);
        while fix < span.last && apart(fix + 1) <= apart(fix) {
            fix += 1;
        }
        let way = way_m[fix - span.first];
        if !(way >= 0.0) {
            continue;
        }
        let bin = (way / BIN_M) as usize;
        if bins.len() <= bin {
            bins.resize(bin + 1, (Labels::NONE, 0.0, 0.0, 0, true));
        }
        let entry = &mut bins[bin];
        let treatment = field.treatment[at];
        entry.4 &= entry.3 == 0 || entry.0 == treatment;
        entry.0 = treatment;
        entry.1 += field.yields[at] * field.area_m2[at];
        entry.2 += field.area_m2[at];
        entry.3 += 1;
    }
    bins.into_iter()
        .map(|(treatment, mass, area, count, pure)| {
            (pure && count >= LEAST_RECORDS && mass > 0.0).then(|| (treatment, mass / area))
        })
        .collect()
}

fn connected(machines: usize, comparisons: &[Comparison]) -> bool {
    let mut group: Vec<usize> = (0..machines).collect();
    for one in comparisons {
        let (from, to) = (group[one.one], group[one.other]);
        group.iter_mut().filter(|group| **group == from).for_each(|group| *group = to);
    }
    group.iter().all(|&other| other == group[0])
}

/// The log offsets of the combines by weighted least squares with Huber weights; their area-weighted mean is 0.
fn solve(machines: usize, comparisons: &[Comparison], share: &[f64]) -> Result<Vec<f64>, String> {
    let y: Vec<f64> = comparisons.iter().map(|one| one.log_ratio).collect();
    let x = Mat::from_fn(comparisons.len(), machines - 1, |row, column| {
        let sign = |machine: usize| f64::from(u8::from(machine == column + 1));
        sign(comparisons[row].one) - sign(comparisons[row].other)
    });
    let mut weights: Vec<f64> = comparisons.iter().map(|one| one.bins).collect();
    let mut offsets = vec![0.0; machines];
    for _ in 0..ROUNDS {
        let fit = linear::least_squares(x.as_ref(), &y, Some(&weights)).map_err(|error| error.to_string())?;
        for (machine, offset) in offsets.iter_mut().enumerate().skip(1) {
            *offset = fit.coefficients[machine - 1];
        }
        let residuals: Vec<f64> =
            comparisons.iter().zip(&y).map(|(one, y)| y - offsets[one.one] + offsets[one.other]).collect();
        let sizes: Vec<f64> = residuals.iter().map(|residual| residual.abs()).collect();
        let scale = (robust::MAD_CONSISTENCY * robust::median(&sizes).unwrap_or(0.0)).max(1e-3);
        for ((weight, one), residual) in weights.iter_mut().zip(comparisons).zip(&residuals) {
            *weight = one.bins * robust::huber_weight(residual / scale, robust::HUBER_K);
        }
    }
    let mean: f64 = offsets.iter().zip(share).map(|(offset, share)| offset * share).sum();
    Ok(offsets.iter().map(|offset| offset - mean).collect())
}
