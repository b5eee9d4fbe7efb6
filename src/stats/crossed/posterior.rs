//! The standard deviations averaged over.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use rayon::prelude::*;

use super::sweep::{Kept, Swept};
use super::{Crossed, Deviations, PARTS, Part};
use crate::stats::dense::{Cholesky, Mat, dot, quadratic_form};
use crate::stats::distribution::{Component, Mixture, StudentT, standard_normal_cdf, standard_normal_quantile};
use crate::stats::{StatsError, check};

/// Points of the first look at the posterior of several deviations, and of the sum that is reported.
const FIRST_POINTS: usize = 96;
const POINTS: usize = 320;
/// Points where there is one deviation only: a plain grid.
const POINTS_OF_ONE: usize = 161;
/// Degrees of freedom of the points' spread: tails heavier than those of the posterior.
const TAILS: f64 = 7.0;
/// Points to which the sum is thinned for what is reported of every group and row.
const THINNED: usize = 48;

/// The posterior of the coefficients, the deviations and the groups.
#[derive(Debug, Clone)]
pub struct CrossedPosterior {
    data: Crossed,
    nodes: Vec<Node>,
}

/// The peak of a posterior.
#[derive(Debug, Clone)]
pub struct Peak {
    /// Where it lies, as normal scores of the deviations.
    scores: Vec<f64>,
    /// The likeliest deviations.
    pub deviations: Deviations,
    /// The coefficients there.
    pub coefficients: Vec<f64>,
}

#[derive(Debug, Clone)]
struct Node {
    weight: f64,
    deviations: Deviations,
    beta: Vec<f64>,
    covariance: Mat<f64>,
}

/// A normal score as a deviation: the half-normal quantile of the same probability. A half-normal prior of the deviation is
/// a standard normal one of the score.
fn deviation(score: f64, scale: f64) -> f64 {
    let (below, above) = (standard_normal_cdf(score), standard_normal_cdf(-score));
    // Φ⁻¹((1 + Φ)/2), from the tail that keeps its digits
    let p = if score > 0.0 { 0.5 * above } else { 0.5 - 0.5 * below };
    let standard = standard_normal_quantile(p.clamp(f64::MIN_POSITIVE, 0.5)).unwrap_or(0.0);
    scale * standard.abs().max(1e-9)
}

/// The parts that vary and the scales of their priors.
struct Scores<'d> {
    data: &'d Crossed,
    parts: Vec<(usize, f64)>,
}

impl Scores<'_> {
    fn deviations(&self, scores: &[f64]) -> Deviations {
        let mut all = [0.0; PARTS];
        for (&(part, scale), &score) in self.parts.iter().zip(scores) {
            all[part] = deviation(score, scale);
        }
        all
    }

    /// The logarithm of the posterior density of the scores.
    fn height(&self, scores: &[f64]) -> f64 {
        let prior: f64 = scores.iter().map(|score| -0.5 * score * score).sum();
        self.data.sweep(&self.deviations(scores), None).map_or(f64::NEG_INFINITY, |swept| swept.height + prior)
    }

    /// Its peak and the covariance there, by Newton's method with differences.
    fn peak(&self, start: &[f64]) -> (Vec<f64>, Mat<f64>) {
        let d = self.parts.len();
        let mut at = start.to_vec();
        let mut value = self.height(&at);
        let mut steps = vec![0.3; d];
        let mut covariance = Mat::<f64>::identity(d, d);
        for _ in 0..25 {
            let moved = |changes: &[(usize, f64)]| {
                let mut place = at.clone();
                for &(part, by) in changes {
                    place[part] += by;
                }
                self.height(&place)
            };
            let mut places: Vec<Vec<(usize, f64)>> = Vec::new();
            for i in 0..d {
                places.push(vec![(i, steps[i])]);
                places.push(vec![(i, -steps[i])]);
                places.extend((0..i).map(|j| vec![(i, steps[i]), (j, steps[j])]));
            }
            let heights: Vec<f64> = places.par_iter().map(|place| moved(place)).collect();
            let found = |place: &[(usize, f64)]| {
                places.iter().position(|one| one.as_slice() == place).map_or(value, |at| heights[at])
            };
            let up: Vec<f64> = (0..d).map(|i| found(&[(i, steps[i])])).collect();
            let down: Vec<f64> = (0..d).map(|i| found(&[(i, -steps[i])])).collect();
            let slope: Vec<f64> = (0..d).map(|i| (up[i] - down[i]) / (2.0 * steps[i])).collect();
            let curvature = Mat::from_fn(d, d, |i, j| {
                let (i, j) = (i.max(j), i.min(j));
                if i == j {
                    (2.0 * value - up[i] - down[i]) / (steps[i] * steps[i])
                } else {
                    (up[i] + up[j] - value - found(&[(i, steps[i]), (j, steps[j])])) / (steps[i] * steps[j])
                }
            });
            covariance = inverse_of_curvature(&curvature);
            let step: Vec<f64> = (0..d).map(|i| (0..d).map(|j| covariance[(i, j)] * slope[j]).sum()).collect();
            let gain = dot(&step, &slope);
            let longest = step.iter().fold(0.0_f64, |longest, value| longest.max(value.abs()));
            let mut scale = if longest > 2.0 { 2.0 / longest } else { 1.0 };
            let mut improved = false;
            for _ in 0..12 {
                let place: Vec<f64> = at.iter().zip(&step).map(|(at, step)| at + scale * step).collect();
                let height = self.height(&place);
                if height > value {
                    (at, value, improved) = (place, height, true);
                    break;
                }
                scale *= 0.5;
            }
            let fine = (0..d).all(|i| steps[i] <= 0.5 * covariance[(i, i)].sqrt());
            for i in 0..d {
                steps[i] = (0.4 * covariance[(i, i)].sqrt()).clamp(1e-3, 0.3);
            }
            if (gain < 1e-4 || !improved) && fine {
                break;
            }
        }
        (at, covariance)
    }

    /// Points about a centre with their weights, which sum to 1.
    fn points(&self, centre: &[f64], spread: &Mat<f64>, count: usize) -> Vec<(f64, Vec<f64>, Option<Swept>)> {
        let d = self.parts.len();
        let root = lower_root(spread);
        let standard = if d == 1 { Arc::new(even_points(count)) } else { scattered_points(d, count) };
        let told: Vec<(f64, Vec<f64>, Option<Swept>)> = standard
            .par_iter()
            .map(|&(ln_density, ref point)| {
                let scores: Vec<f64> =
                    (0..d).map(|i| centre[i] + (0..=i).map(|j| root[(i, j)] * point[j]).sum::<f64>()).collect();
                let prior: f64 = scores.iter().map(|score| -0.5 * score * score).sum();
                let swept = self.data.sweep(&self.deviations(&scores), None);
                let height = swept.as_ref().map_or(f64::NEG_INFINITY, |swept| swept.height + prior - ln_density);
                (height, scores, swept)
            })
            .collect();
        let peak = told.iter().map(|one| one.0).fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = told.iter().map(|one| (one.0 - peak).exp()).sum();
        told.into_iter().map(|(height, scores, swept)| ((height - peak).exp() / total, scores, swept)).collect()
    }
}

/// A covariance from a curvature that may not be positive definite: the prior's own is 1, and no direction is known less well than
/// a quarter of that.
fn inverse_of_curvature(curvature: &Mat<f64>) -> Mat<f64> {
    let d = curvature.nrows();
    let mut ridge = 0.0;
    for _ in 0..40 {
        let lifted = Mat::from_fn(d, d, |i, j| curvature[(i, j)] + if i == j { ridge } else { 0.0 });
        if let Some(factor) = Cholesky::of_owned(lifted) {
            let inverse = factor.inverse();
            if (0..d).all(|i| inverse[(i, i)] < 4.0) {
                return inverse;
            }
        }
        ridge = if ridge > 0.0 { 1.6 * ridge } else { 0.1 };
    }
    Mat::identity(d, d)
}

fn lower_root(spread: &Mat<f64>) -> Mat<f64> {
    Cholesky::new(spread.as_ref())
        .map_or_else(|| Mat::identity(spread.nrows(), spread.ncols()), |factor| factor.lower().to_owned())
}

/// Points at equal distances, of equal density.
fn even_points(count: usize) -> Scattered {
    let middle = (count - 1) as f64 / 2.0;
    (0..count).map(|at| (0.0, vec![8.0 * (at as f64 - middle) / middle])).collect()
}

/// Points of a t distribution in each direction, evenly scattered: the additive sequence of the generalised golden ratio (the
/// root of `x^(d+1) = x + 1`), which leaves neither gaps nor clusters (Niederreiter 1992, Random Number Generation and
/// Quasi-Monte Carlo Methods, chapter 3, on such sequences; the choice of ratio is common practice, no source). All posteriors of as
/// many deviations have the same, which are found once.
fn scattered_points(d: usize, count: usize) -> Arc<Scattered> {
    static KNOWN: Mutex<BTreeMap<(usize, usize), Arc<Scattered>>> = Mutex::new(BTreeMap::new());
    let mut known = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    Arc::clone(known.entry((d, count)).or_insert_with(|| Arc::new(scattered(d, count))))
}

/// Points, each after the logarithm of its density.
type Scattered = Vec<(f64, Vec<f64>)>;

fn scattered(d: usize, count: usize) -> Scattered {
    let Ok(t_dist) = StudentT::new(TAILS) else { return Vec::new() };
    let mut ratio = 1.5_f64;
    for _ in 0..60 {
        ratio = (1.0 + ratio).powf(1.0 / (d as f64 + 1.0));
    }
    (0..count)
        .map(|at| {
            let point: Vec<f64> = (0..d)
                .map(|j| {
                    let share = (0.5 + (at as f64 + 1.0) / ratio.powf(j as f64 + 1.0)).fract();
                    t_dist.quantile(share.clamp(1e-6, 1.0 - 1e-6)).unwrap_or(0.0)
                })
                .collect();
            (point.iter().map(|value| t_dist.pdf(*value).ln()).sum(), point)
        })
        .collect()
}

/// Mean and covariance of weighted points, and how many points of equal weight they are worth.
fn moments(points: &[(f64, Vec<f64>, Option<Swept>)]) -> (Vec<f64>, Mat<f64>, f64) {
    let d = points[0].1.len();
    let mean: Vec<f64> = (0..d).map(|i| points.iter().map(|one| one.0 * one.1[i]).sum()).collect();
    let covariance = Mat::from_fn(d, d, |i, j| {
        points.iter().map(|one| one.0 * (one.1[i] - mean[i]) * (one.1[j] - mean[j])).sum::<f64>()
    });
    (mean, covariance, 1.0 / points.iter().map(|one| one.0 * one.0).sum::<f64>())
}

impl CrossedPosterior {
    /// With half-normal priors of the given scales (their standard deviations before folding, in the unit of the estimates);
    /// a part without a scale is 0.
    ///
    /// # Errors
    /// Scales not above 0, or rows that tell nothing of a coefficient.
    pub fn new(data: Crossed, scales: &[Option<f64>; PARTS]) -> Result<Self, StatsError> {
        let parts: Vec<(usize, f64)> =
            scales.iter().enumerate().filter_map(|(part, scale)| Some((part, (*scale)?))).collect();
        check::positive("scales of the priors", &parts.iter().map(|part| part.1).collect::<Vec<_>>())?;
        let of = Scores { data: &data, parts };
        let d = of.parts.len();
        let unknown = StatsError::NotPositiveDefinite { what: "the information of the coefficients" };
        if d == 0 {
            let swept = data.sweep(&[0.0; PARTS], None).ok_or(unknown)?;
            let node = node(1.0, [0.0; PARTS], swept);
            return Ok(Self { data, nodes: vec![node] });
        }
        let (mut centre, mut spread) = of.peak(&vec![0.0; d]);
        if d > 1 {
            let (mean, covariance, worth) = moments(&of.points(&centre, &spread, FIRST_POINTS));
            if worth > 0.15 * FIRST_POINTS as f64 {
                (centre, spread) = (mean, covariance);
            }
        }
        let points = of.points(&centre, &spread, if d == 1 { POINTS_OF_ONE } else { POINTS });
        let nodes: Vec<Node> = points
            .into_iter()
            .filter(|(weight, ..)| *weight > 1e-9)
            .filter_map(|(weight, scores, swept)| Some(node(weight, of.deviations(&scores), swept?)))
            .collect();
        if nodes.is_empty() {
            return Err(unknown);
        }
        Ok(Self { data, nodes })
    }

    /// The peak of the posterior alone; the search begins at `start`, another peak of the same scales.
    ///
    /// # Errors
    /// As [`CrossedPosterior::new`].
    pub fn peak_of(data: &Crossed, scales: &[Option<f64>; PARTS], start: Option<&Peak>) -> Result<Peak, StatsError> {
        let parts: Vec<(usize, f64)> =
            scales.iter().enumerate().filter_map(|(part, scale)| Some((part, (*scale)?))).collect();
        let of = Scores { data, parts };
        let scores = of.peak(&start.map_or_else(|| vec![0.0; of.parts.len()], |peak| peak.scores.clone())).0;
        let deviations = of.deviations(&scores);
        let swept = data.sweep(&deviations, None);
        swept
            .map(|swept| Peak { scores, deviations, coefficients: swept.beta })
            .ok_or(StatsError::NotPositiveDefinite { what: "the information of the coefficients" })
    }

    /// The posterior of `c′β`.
    ///
    /// # Errors
    /// A contrast of the wrong length.
    pub fn coefficient(&self, c: &[f64]) -> Result<Mixture, StatsError> {
        self.prediction(c, &[])
    }

    /// The distribution of a new case with covariates `c`, for which the given parts are drawn anew.
    ///
    /// # Errors
    /// Covariates of the wrong length.
    pub fn prediction(&self, c: &[f64], anew: &[Part]) -> Result<Mixture, StatsError> {
        check::length("contrast", c.len(), self.data.columns)?;
        Mixture::new(self.nodes.iter().map(|node| Component {
            weight: node.weight,
            centre: dot(c, &node.beta),
            scale: (quadratic_form(node.covariance.as_ref(), c) + sum_of_squares(&node.deviations, anew)).sqrt(),
            df: f64::INFINITY,
        }))
    }

    /// The posterior mean of a function of the deviations.
    pub fn mean_of(&self, function: impl Fn(&Deviations) -> f64) -> f64 {
        self.nodes.iter().map(|node| node.weight * function(&node.deviations)).sum()
    }

    /// The posterior mean of the coefficients, and their covariance.
    pub fn coefficients(&self) -> (Vec<f64>, Mat<f64>) {
        let p = self.data.columns;
        let mean: Vec<f64> = (0..p).map(|i| self.nodes.iter().map(|node| node.weight * node.beta[i]).sum()).collect();
        let covariance = Mat::from_fn(p, p, |i, j| {
            self.nodes
                .iter()
                .map(|node| {
                    let apart = (node.beta[i] - mean[i]) * (node.beta[j] - mean[j]);
                    node.weight * (node.covariance[(i, j)] + apart)
                })
                .sum::<f64>()
        });
        (mean, covariance)
    }

    /// Points of equal weight that stand for all: systematic resampling.
    fn thinned(&self) -> Vec<&Node> {
        let mut told = Vec::with_capacity(THINNED);
        let (mut at, mut reached) = (0, self.nodes[0].weight);
        for index in 0..THINNED {
            let wanted = (index as f64 + 0.5) / THINNED as f64;
            while reached < wanted && at + 1 < self.nodes.len() {
                at += 1;
                reached += self.nodes[at].weight;
            }
            told.push(&self.nodes[at]);
        }
        told
    }

    /// By row as given: its share in the estimate of `c′β` (the weight by which its value enters), and its true value drawn
    /// towards what the others say of it.
    ///
    /// # Errors
    /// A contrast of the wrong length; slopes, which are not reported by row.
    pub fn rows(&self, c: &[f64]) -> Result<Vec<(f64, f64)>, StatsError> {
        check::length("contrast", c.len(), self.data.columns)?;
        let data = &self.data;
        let along = |coefficients: &[f64]| -> Vec<f64> {
            let of = |row: &super::Row| {
                let entries = &data.entries[row.entries.clone()];
                entries.iter().filter(|one| one.column < data.columns).map(|one| coefficients[one.column] * one.value)
            };
            data.rows.iter().map(|row| of(row).sum()).collect()
        };
        let thinned = self.thinned();
        let told: Vec<(Vec<f64>, Vec<f64>)> = thinned
            .par_iter()
            .filter_map(|node| {
                let swept = data.sweep(&node.deviations, None)?;
                let turned: Vec<f64> = (0..data.columns)
                    .map(|i| (0..data.columns).map(|j| swept.covariance[(i, j)] * c[j]).sum())
                    .collect();
                let shares = data.solve(&node.deviations, &swept, &along(&turned));
                let rest: Vec<f64> =
                    data.rows.iter().zip(along(&swept.beta)).map(|(row, fitted)| row.y - fitted).collect();
                let solved = data.solve(&node.deviations, &swept, &rest);
                let within = match node.deviations[Part::Within as usize] {
                    deviation if deviation > 0.0 => deviation * deviation,
                    _ => 1.0,
                };
                let mut values = Vec::with_capacity(solved.len());
                for leaf in &data.leaves {
                    let common = leaf.shared * solved[leaf.rows.clone()].iter().sum::<f64>();
                    for at in leaf.rows.clone() {
                        let row = &data.rows[at];
                        values.push(row.y - within * row.variance * solved[at] - common);
                    }
                }
                Some((shares, values))
            })
            .collect();
        let mut all = vec![(0.0, 0.0); data.rows.len()];
        for (shares, values) in &told {
            for (at, row) in data.rows.iter().enumerate() {
                let entry = &mut all[row.given];
                *entry = (entry.0 + shares[at] / told.len() as f64, entry.1 + values[at] / told.len() as f64);
            }
        }
        Ok(all)
    }

    /// What is reported of each inner group by the value of `c′β` with the group's own deviations: first its mean over levels of
    /// the crossed factor, then a new case of it, for which the given parts are drawn anew.
    ///
    /// # Errors
    /// A contrast of the wrong length.
    pub fn groups(&self, c: &[f64], anew: &[Part]) -> Result<Vec<GroupAnswer>, StatsError> {
        check::length("contrast", c.len(), self.data.columns)?;
        let thinned = self.thinned();
        let told: Vec<Vec<(f64, f64)>> =
            thinned.par_iter().filter_map(|node| self.data.of_groups(&node.deviations, c)).collect();
        let answers = self.data.inners.iter().enumerate().map(|(at, inner)| {
            let own: Vec<(f64, f64)> = told.iter().map(|one| one[at]).collect();
            let new = own
                .iter()
                .zip(&thinned)
                .map(|(&(mean, variance), node)| (mean, variance + sum_of_squares(&node.deviations, anew)));
            GroupAnswer { group: inner.key, mean: matched(&own), new_case: matched(&new.collect::<Vec<_>>()) }
        });
        Ok(answers.collect())
    }
}

/// What is reported of one inner group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroupAnswer {
    /// Outer and inner group, as given.
    pub group: (usize, usize),
    /// Its mean: a t distribution.
    pub mean: Component,
    /// A new case of it: a t distribution.
    pub new_case: Component,
}

/// The t distribution with mean, variance and kurtosis of a mixture of normals of equal weight: means and variances.
fn matched(parts: &[(f64, f64)]) -> Component {
    let count = parts.len() as f64;
    let centre = parts.iter().map(|part| part.0).sum::<f64>() / count;
    let (mut second, mut fourth) = (0.0, 0.0);
    for (mean, variance) in parts {
        let apart = (mean - centre) * (mean - centre);
        second += (apart + variance) / count;
        fourth += (apart * apart + 6.0 * apart * variance + 3.0 * variance * variance) / count;
    }
    let excess = fourth / (second * second) - 3.0;
    let df = if excess > 0.0 { 4.0 + 6.0 / excess } else { f64::INFINITY };
    let scale = if df.is_finite() { (second * (df - 2.0) / df).sqrt() } else { second.sqrt() };
    Component { weight: 1.0, centre, scale, df }
}

fn sum_of_squares(deviations: &Deviations, parts: &[Part]) -> f64 {
    parts.iter().map(|part| deviations[*part as usize].powi(2)).sum()
}

fn node(weight: f64, deviations: Deviations, swept: Swept) -> Node {
    Node { weight, deviations, beta: swept.beta, covariance: swept.covariance }
}

impl Crossed {
    /// Mean and variance of `c′β + f + g` for each inner group at given deviations, in the order of outer and inner group;
    /// `None` where a value overflows.
    ///
    /// With `k = Cov(f + g, y)`: mean `c′β + k′V⁻¹(y − Xβ)`, variance `Var(f + g) − k′V⁻¹k + d′(X′V⁻¹X)⁻¹d` with
    /// `d = c − X′V⁻¹k` (the best linear unbiased prediction, Henderson 1975, Biometrics 31:423–447).
    pub fn of_groups(&self, deviations: &Deviations, c: &[f64]) -> Option<Vec<(f64, f64)>> {
        let mut kept = Kept::default();
        let swept = self.sweep(deviations, Some(&mut kept))?;
        let (p, m) = (self.columns, self.width());
        let square = |part: Part| deviations[part as usize] * deviations[part as usize];
        let (outer, inner) = (square(Part::Outer), square(Part::Inner));
        let mut told = Vec::with_capacity(self.inners.len());
        let mut turned = vec![0.0; m]; // Q′N⁻¹k
        for (of_outer, (outer_b, outer_s)) in self.outers.iter().zip(&kept.outer) {
            let share = 1.0 / (1.0 + outer * outer_s);
            for at in of_outer.inners.clone() {
                let (inner_b, inner_s) = &kept.inner[at];
                // N⁻¹1 of the group, and of the outer group
                let common = outer * share;
                for (value, of_outer) in turned.iter_mut().zip(outer_b) {
                    *value = of_outer * (outer * share - inner * common * inner_s);
                }
                for (&column, value) in self.inner_columns[self.inners[at].columns.clone()].iter().zip(inner_b) {
                    turned[column] += inner * value;
                }
                let own = inner_s - inner_s * inner_s * common;
                let both = inner_s * share;
                let explained = inner * inner * own + 2.0 * inner * outer * both + outer * outer * outer_s * share;
                let crossed: Vec<f64> = (0..self.levels)
                    .map(|i| (0..self.levels).map(|j| swept.crossed[(i, j)] * turned[p + 1 + j]).sum())
                    .collect();
                let less =
                    |column: usize| -> f64 { (0..self.levels).map(|i| swept.between[(i, column)] * crossed[i]).sum() };
                let along: Vec<f64> = (0..=p).map(|column| turned[column] - less(column)).collect();
                let explained = explained - dot(&turned[p + 1..], &crossed);
                let d: Vec<f64> = (0..p).map(|j| c[j] - along[j]).collect();
                let mean = dot(c, &swept.beta) + along[p] - dot(&along[..p], &swept.beta);
                let variance = outer + inner - explained + quadratic_form(swept.covariance.as_ref(), &d);
                told.push((mean, variance.max(0.0)));
            }
        }
        Some(told)
    }
}
