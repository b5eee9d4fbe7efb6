//! The cumulative logit model with a random intercept: `logit P(Y ≤ k) = τ_k − x′β − u`, `u ~ N(0, σ²)` for each group.
//!
//! McCullagh 1980, J. R. Stat. Soc. B 42:109–142; the integral over `u` by adaptive Gauss–Hermite quadrature about each group's mode
//! (Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12–35).

use super::dense::{Cholesky, Mat, MatRef, column};
use super::{StatsError, check};

/// Ratings with what is known of them.
#[derive(Debug, Clone)]
pub struct CumulativeLogit {
    /// The level of each rating, from 0.
    level: Vec<usize>,
    levels: usize,
    x: Mat<f64>,
    /// What each rating counts.
    weight: Vec<f64>,
    /// The ratings of each group; empty: no random intercept.
    groups: Vec<Vec<usize>>,
}

/// A fitted model.
#[derive(Debug, Clone)]
pub struct CumulativeLogitFit {
    /// `τ`, ascending.
    #[cfg(test)]
    pub thresholds: Vec<f64>,
    /// `β`: what grows moves ratings up.
    pub coefficients: Vec<f64>,
    /// `σ`; 0 without a random intercept.
    #[cfg(test)]
    pub group_sd: f64,
    #[cfg(test)]
    vector: Vec<f64>,
}

/// Places of the quadrature.
const NODES: usize = 10;
const STEPS: usize = 60;
/// A further step of the search would gain less.
const STILL: f64 = 1e-12;

impl CumulativeLogit {
    /// Ratings of levels `0..levels`, with a row of `x` (without an intercept) and a weight each.
    ///
    /// # Errors
    /// Lengths that differ, levels out of range, weights not above 0.
    pub fn new(level: &[usize], levels: usize, x: MatRef<'_, f64>, weight: &[f64]) -> Result<Self, StatsError> {
        check::length("rows of the design", x.nrows(), level.len())?;
        check::length("weights", weight.len(), level.len())?;
        check::positive("weights", weight)?;
        let used = |level_asked: usize| level.contains(&level_asked);
        if levels < 2 || !(0..levels).all(used) {
            return Err(StatsError::TooFew { what: "levels that occur", found: levels.min(1), needed: 2 });
        }
        let (x, weight) = (x.to_owned(), weight.to_vec());
        Ok(Self { level: level.to_vec(), levels, x, weight, groups: Vec::new() })
    }

    /// With a random intercept: ratings of one group share a deviation.
    ///
    /// # Errors
    /// A group missing for a rating.
    pub fn with_groups(mut self, group: &[usize]) -> Result<Self, StatsError> {
        check::length("groups", group.len(), self.level.len())?;
        let mut groups = std::collections::BTreeMap::<usize, Vec<usize>>::new();
        group.iter().enumerate().for_each(|(at, group)| groups.entry(*group).or_default().push(at));
        self.groups = groups.into_values().collect();
        Ok(self)
    }

    /// Fits the model by maximum likelihood: Newton's steps, the curvature by differences of the slopes.
    ///
    /// # Errors
    /// A search that does not end, as where the ratings of one row of the design are all at one end of the scale.
    pub fn fit(&self) -> Result<CumulativeLogitFit, StatsError> {
        let mut vector = self.start();
        let none = || StatsError::NoConvergence { what: "the cumulative logit model", iterations: STEPS };
        let (mut height, mut slope) = self.evaluate(&vector, NODES);
        for _ in 0..STEPS {
            let size = vector.len();
            let mut curvature = self.information(&vector);
            let factor = Cholesky::new(curvature.as_ref()).or_else(|| {
                // where the spread bends upwards it goes by itself, up the slope
                let last = size - 1;
                (0..last).for_each(|i| (curvature[(i, last)], curvature[(last, i)]) = (0.0, 0.0));
                curvature[(last, last)] = curvature[(last, last)].abs();
                Cholesky::of_owned(curvature)
            });
            let factor = factor.ok_or_else(none)?;
            let step = factor.solve(column(&slope).as_ref());
            let gain: f64 = (0..size).map(|i| step[(i, 0)] * slope[i]).sum();
            if gain < STILL {
                return self.told(&vector);
            }
            // no parameter by more than one at a time
            let longest = (0..size).map(|i| step[(i, 0)].abs()).fold(0.0, f64::max);
            let mut share = longest.recip().min(1.0);
            loop {
                let next: Vec<f64> = (0..size).map(|i| vector[i] + share * step[(i, 0)]).collect();
                let (higher, its) = self.evaluate(&next, NODES);
                if higher.is_finite() && higher >= height - 1e-12 * height.abs() {
                    (vector, height, slope) = (next, higher, its);
                    break;
                }
                share *= 0.5;
                if share < 1e-9 {
                    return if gain < 1e-6 { self.told(&vector) } else { Err(none()) };
                }
            }
        }
        Err(none())
    }

    fn told(&self, vector: &[f64]) -> Result<CumulativeLogitFit, StatsError> {
        let (thresholds, coefficients, _) = self.parts(vector);
        if coefficients.iter().chain(&thresholds).any(|one| one.abs() > 30.0) {
            return Err(StatsError::NoConvergence { what: "the cumulative logit model", iterations: STEPS });
        }
        Ok(CumulativeLogitFit {
            coefficients: coefficients.to_vec(),
            #[cfg(test)]
            thresholds,
            #[cfg(test)]
            group_sd: self.parts(vector).2,
            #[cfg(test)]
            vector: vector.to_vec(),
        })
    }

    /// The first threshold, the logarithms of the steps between them, the coefficients, and the logarithm of the spread where groups are given.
    fn start(&self) -> Vec<f64> {
        let total: f64 = self.weight.iter().sum();
        let below = |k: usize| {
            let sum: f64 = self.level.iter().zip(&self.weight).filter(|one| *one.0 <= k).map(|one| one.1).sum();
            (sum / (total - sum)).ln()
        };
        let mut vector = vec![below(0)];
        vector.extend((1..self.levels - 1).map(|k| (below(k) - below(k - 1)).ln()));
        vector.extend(std::iter::repeat_n(0.0, self.x.ncols()));
        if !self.groups.is_empty() {
            vector.push(0.0);
        }
        vector
    }

    fn parts<'v>(&self, vector: &'v [f64]) -> (Vec<f64>, &'v [f64], f64) {
        let mut thresholds = vec![vector[0]];
        for step in &vector[1..self.levels - 1] {
            thresholds.push(thresholds[thresholds.len() - 1] + step.exp());
        }
        let from = self.levels - 1;
        let coefficients = &vector[from..from + self.x.ncols()];
        (thresholds, coefficients, vector.get(from + self.x.ncols()).map_or(0.0, |ln| ln.exp()))
    }

    /// Minus the second derivatives.
    fn information(&self, vector: &[f64]) -> Mat<f64> {
        let size = vector.len();
        let mut all = Mat::zeros(size, size);
        for j in 0..size {
            let step = 1e-4;
            let mut moved = vector.to_vec();
            moved[j] = vector[j] + step;
            let (_, above) = self.evaluate(&moved, NODES);
            moved[j] = vector[j] - step;
            let (_, below) = self.evaluate(&moved, NODES);
            for i in 0..size {
                let one = (below[i] - above[i]) / (4.0 * step);
                all[(i, j)] += one;
                all[(j, i)] += one;
            }
        }
        all
    }

    /// Log likelihood and its slopes in the vector.
    fn evaluate(&self, vector: &[f64], nodes: usize) -> (f64, Vec<f64>) {
        let (thresholds, coefficients, sd) = self.parts(vector);
        let at = |row: usize| (0..self.x.ncols()).map(|j| self.x[(row, j)] * coefficients[j]).sum::<f64>();
        let place: Vec<f64> = (0..self.level.len()).map(at).collect();
        let mut height = 0.0;
        let mut of_threshold = vec![0.0; thresholds.len()];
        let mut of_place = vec![0.0; place.len()];
        let mut of_sd = 0.0;
        let mut add = |row: usize, shift: f64, share: f64| {
            let (_, low, high) = self.rating(&thresholds, row, place[row] + shift);
            let share = share * self.weight[row];
            if self.level[row] > 0 {
                of_threshold[self.level[row] - 1] += share * low;
            }
            if self.level[row] < thresholds.len() {
                of_threshold[self.level[row]] += share * high;
            }
            of_place[row] -= share * (low + high);
        };
        if self.groups.is_empty() {
            for row in 0..place.len() {
                height += self.weight[row] * self.rating(&thresholds, row, place[row]).0;
                add(row, 0.0, 1.0);
            }
        }
        let rule = hermite(nodes);
        for rows in &self.groups {
            // in units of the spread, v ~ N(0, 1): the mode, then the places about it
            let (mode, width) = self.mode(&thresholds, &place, rows, sd);
            let log_of = |v: f64| {
                let of_rows: f64 = rows
                    .iter()
                    .map(|&row| self.weight[row] * self.rating(&thresholds, row, place[row] + sd * v).0)
                    .sum();
                of_rows - 0.5 * v * v
            };
            let spots: Vec<(f64, f64)> = rule
                .iter()
                .map(|(z, ln_weight)| {
                    let v = mode + std::f64::consts::SQRT_2 * width * z;
                    (v, ln_weight + z * z + log_of(v))
                })
                .collect();
            let most = spots.iter().map(|one| one.1).fold(f64::NEG_INFINITY, f64::max);
            let sum: f64 = spots.iter().map(|one| (one.1 - most).exp()).sum();
            height += most + sum.ln() + width.ln() - 0.5 * std::f64::consts::PI.ln();
            for (v, ln) in &spots {
                let share = (ln - most).exp() / sum;
                for &row in rows {
                    add(row, sd * v, share);
                    let (_, low, high) = self.rating(&thresholds, row, place[row] + sd * v);
                    of_sd -= share * self.weight[row] * (low + high) * v;
                }
            }
        }
        let mut slope = vec![of_threshold.iter().sum::<f64>()];
        for k in 1..thresholds.len() {
            slope.push(vector[k].exp() * of_threshold[k..].iter().sum::<f64>());
        }
        slope.extend(
            (0..self.x.ncols()).map(|j| (0..place.len()).map(|row| self.x[(row, j)] * of_place[row]).sum::<f64>()),
        );
        if !self.groups.is_empty() {
            slope.push(sd * of_sd);
        }
        (height, slope)
    }

    /// Logarithm of the probability of a rating at a place, and its slopes in the thresholds below and above.
    fn rating(&self, thresholds: &[f64], row: usize, place: f64) -> (f64, f64, f64) {
        let level = self.level[row];
        let below = |k: usize| 1.0 / (1.0 + (place - thresholds[k]).exp());
        let low = if level == 0 { 0.0 } else { below(level - 1) };
        let high = if level == thresholds.len() { 1.0 } else { below(level) };
        // 1 − P(Y ≤ k) without loss, where only the top is left
        let share =
            if level == thresholds.len() { 1.0 / (1.0 + (thresholds[level - 1] - place).exp()) } else { high - low };
        let share = share.max(f64::MIN_POSITIVE);
        (share.ln(), -low * (1.0 - low) / share, high * (1.0 - high) / share)
    }

    /// Where a group's deviation most likely lies, and how closely that is known, both in units of the spread.
    fn mode(&self, thresholds: &[f64], place: &[f64], rows: &[usize], sd: f64) -> (f64, f64) {
        let mut v = 0.0_f64;
        let mut curvature = 1.0;
        for _ in 0..100 {
            let (mut slope, mut bend) = (-v, 1.0);
            for &row in rows {
                let at = place[row] + sd * v;
                let (_, low, high) = self.rating(thresholds, row, at);
                let level = self.level[row];
                let below = |k: usize| 1.0 / (1.0 + (at - thresholds[k]).exp());
                let f_low = if level == 0 { 0.0 } else { below(level - 1) };
                let f_high = if level == thresholds.len() { 1.0 } else { below(level) };
                // the logarithm's curvature in the place is −(F_low (1 − F_low) + F_high (1 − F_high))
                slope -= self.weight[row] * sd * (low + high);
                bend += self.weight[row] * sd * sd * (f_low * (1.0 - f_low) + f_high * (1.0 - f_high));
            }
            curvature = bend;
            let step = slope / bend;
            v += step;
            if step.abs() < 1e-12 {
                break;
            }
        }
        (v, curvature.sqrt().recip())
    }
}

#[cfg(test)]
impl CumulativeLogit {
    /// Standard errors of thresholds, coefficients and spread.
    pub(crate) fn std_errors(&self, fit: &CumulativeLogitFit) -> Vec<f64> {
        let covariance = Cholesky::of_owned(self.information(&fit.vector)).unwrap().inverse();
        let size = fit.vector.len();
        // thresholds are sums of steps
        let row = |i: usize| -> Vec<f64> {
            (0..size)
                .map(|j| match (i < self.levels - 1, j) {
                    (true, 0) => 1.0,
                    (true, j) if j <= i => fit.vector[j].exp(),
                    (false, j) if j == i && i + 1 == size => fit.group_sd,
                    (false, j) if j == i => 1.0,
                    _ => 0.0,
                })
                .collect()
        };
        (0..size).map(|i| super::dense::quadratic_form(covariance.as_ref(), &row(i)).sqrt()).collect()
    }

    /// The log likelihood of a fit.
    pub(crate) fn height(&self, fit: &CumulativeLogitFit) -> f64 {
        self.evaluate(&fit.vector, NODES).0
    }

    /// The log likelihood at given thresholds, coefficients and spread, by a number of places; one is Laplace's approximation.
    pub(crate) fn log_likelihood(&self, thresholds: &[f64], coefficients: &[f64], sd: f64, nodes: usize) -> f64 {
        let mut vector = vec![thresholds[0]];
        vector.extend(thresholds.windows(2).map(|two| (two[1] - two[0]).ln()));
        vector.extend(coefficients);
        vector.push(sd.ln());
        self.evaluate(&vector, nodes).0
    }
}

/// Places and logarithms of the weights of Gauss–Hermite quadrature: Newton's steps on the orthonormal polynomials (Press et al. 2007,
/// Numerical Recipes, section 4.6).
fn hermite(nodes: usize) -> Vec<(f64, f64)> {
    let n = nodes as f64;
    let mut rule: Vec<(f64, f64)> = Vec::with_capacity(nodes);
    let mut z = 0.0_f64;
    // each stands with its mirror image, so that the root `i` is at `2 i`
    for i in 0..nodes.div_ceil(2) {
        z = match i {
            0 => (2.0 * n + 1.0).sqrt() - 1.85575 * (2.0 * n + 1.0).powf(-1.0 / 6.0),
            1 => z - 1.14 * n.powf(0.426) / z,
            2 => 1.86 * z - 0.86 * rule[0].0,
            3 => 1.91 * z - 0.91 * rule[2].0,
            _ => 2.0 * z - rule[2 * (i - 2)].0,
        };
        let mut derivative = 1.0;
        for _ in 0..100 {
            let (mut p, mut before) = (std::f64::consts::PI.powf(-0.25), 0.0);
            for j in 0..nodes {
                let k = j as f64 + 1.0;
                (p, before) = (z * (2.0 / k).sqrt() * p - ((k - 1.0) / k).sqrt() * before, p);
            }
            derivative = (2.0 * n).sqrt() * before;
            let step = p / derivative;
            z -= step;
            if step.abs() < 1e-15 {
                break;
            }
        }
        let ln_weight = (2.0 / (derivative * derivative)).ln();
        rule.push((z, ln_weight));
        if 2 * i + 1 < nodes {
            rule.push((-z, ln_weight));
        }
    }
    rule
}
