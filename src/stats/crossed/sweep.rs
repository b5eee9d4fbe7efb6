//! The likelihood at given standard deviations, by elimination from the rows upward.

use super::{Crossed, Deviations, Part};
use crate::stats::dense::{Cholesky, Mat, product};

/// What is known at given standard deviations.
#[derive(Debug, Clone)]
pub(super) struct Swept {
    /// The logarithm of the restricted likelihood, without constants.
    pub(super) height: f64,
    pub(super) beta: Vec<f64>,
    /// `(X′V⁻¹X)⁻¹`.
    pub(super) covariance: Mat<f64>,
    /// `σ² (I + σ² Z′N⁻¹Z)⁻¹`, with `N` the covariance without the crossed factor.
    pub(super) crossed: Mat<f64>,
    /// `Z′N⁻¹[X y]`.
    pub(super) between: Mat<f64>,
}

/// Sums that the groups leave behind, for what is reported of them.
#[derive(Debug, Clone, Default)]
pub(super) struct Kept {
    /// For each inner group, over its columns, with its own variance eliminated: `Q′W1`.
    pub(super) inner: Vec<(Vec<f64>, f64)>,
    /// For each outer group, over all columns, before its own variance is.
    pub(super) outer: Vec<(Vec<f64>, f64)>,
}

/// Takes the variance `a` of an effect that all of a group share out of its sums: `b` is `Q′W1`, `s` is `1′W1`. Answers
/// `ln(1 + a s)`.
fn eliminate(
    a: f64,
    b: &mut [f64],
    s: &mut f64,
    column: impl Fn(usize) -> usize,
    moments: &mut [f64],
    m: usize,
) -> f64 {
    if a <= 0.0 {
        return 0.0;
    }
    let scale = 1.0 / (1.0 + a * *s);
    let factor = a * scale;
    for i in 0..b.len() {
        if b[i] == 0.0 {
            continue;
        }
        let (row, weight) = (column(i) * m, factor * b[i]);
        for j in 0..=i {
            moments[row + column(j)] -= weight * b[j];
        }
    }
    for value in b.iter_mut() {
        *value *= scale;
    }
    *s *= scale;
    -scale.ln()
}

impl Crossed {
    /// Columns of `[X y Z]`.
    pub(super) fn width(&self) -> usize {
        self.columns + 1 + self.levels
    }

    /// `None` where the columns are collinear or a value overflows.
    pub(super) fn sweep(&self, deviations: &Deviations, mut kept: Option<&mut Kept>) -> Option<Swept> {
        let square = |part: Part| deviations[part as usize] * deviations[part as usize];
        let (slope, leaf_variance, unit) = (square(Part::Slope), square(Part::Leaf), square(Part::Unit));
        let within = if square(Part::Within) > 0.0 { square(Part::Within) } else { 1.0 };
        let m = self.width();
        let mut moments = vec![0.0; m * m]; // lower triangle
        let mut ln_determinant = 0.0;
        let (mut b, mut turned, mut inner_b) = (Vec::new(), Vec::new(), Vec::new());
        let mut outer_b = vec![0.0; m];
        for outer in &self.outers {
            outer_b.fill(0.0);
            let mut outer_s = 0.0;
            for inner in &self.inners[outer.inners.clone()] {
                let inner_columns = &self.inner_columns[inner.columns.clone()];
                inner_b.clear();
                inner_b.resize(inner_columns.len(), 0.0);
                let mut inner_s = 0.0;
                for leaf in &self.leaves[inner.leaves.clone()] {
                    let columns = &self.leaf_columns[leaf.columns.clone()];
                    b.clear();
                    b.resize(columns.len(), 0.0);
                    turned.clear();
                    turned.resize(columns.len(), 0.0);
                    let (mut s, mut slope_one, mut slope_slope) = (0.0, 0.0, 0.0);
                    for row in &self.rows[leaf.rows.clone()] {
                        let variance = row.variance * within + unit;
                        ln_determinant += variance.ln();
                        let weight = 1.0 / variance;
                        s += weight;
                        let entries = &self.entries[row.entries.clone()];
                        for (at, entry) in entries.iter().enumerate() {
                            let weighted = weight * entry.value;
                            b[entry.local] += weighted;
                            for other in &entries[..=at] {
                                moments[entry.column * m + other.column] += weighted * other.value;
                            }
                            if slope > 0.0 {
                                turned[entry.local] += weighted * row.slope;
                            }
                        }
                        slope_one += weight * row.slope;
                        slope_slope += weight * row.slope * row.slope;
                    }
                    if slope > 0.0 {
                        let factor = slope / (1.0 + slope * slope_slope);
                        ln_determinant += (slope * slope_slope).ln_1p();
                        for i in 0..b.len() {
                            for j in 0..=i {
                                moments[columns[i].column * m + columns[j].column] -= factor * turned[i] * turned[j];
                            }
                            b[i] -= factor * slope_one * turned[i];
                        }
                        s -= factor * slope_one * slope_one;
                    }
                    let shared = leaf.shared + leaf_variance;
                    ln_determinant += eliminate(shared, &mut b, &mut s, |at| columns[at].column, &mut moments, m);
                    for (column, value) in columns.iter().zip(&b) {
                        moments[leaf.cross * m + column.column] += value;
                        inner_b[column.inner] += value;
                    }
                    moments[leaf.cross * m + leaf.cross] += s;
                    inner_b[leaf.cross_inner] += s;
                    inner_s += s;
                }
                let variance = square(Part::Inner);
                ln_determinant +=
                    eliminate(variance, &mut inner_b, &mut inner_s, |at| inner_columns[at], &mut moments, m);
                for (&column, value) in inner_columns.iter().zip(&inner_b) {
                    outer_b[column] += value;
                }
                outer_s += inner_s;
                if let Some(kept) = kept.as_deref_mut() {
                    kept.inner.push((inner_b.clone(), inner_s));
                }
            }
            if let Some(kept) = kept.as_deref_mut() {
                kept.outer.push((outer_b.clone(), outer_s));
            }
            ln_determinant += eliminate(square(Part::Outer), &mut outer_b, &mut outer_s, |at| at, &mut moments, m);
        }
        self.finish(&moments, ln_determinant, square(Part::Cross), within)
    }

    /// The crossed factor and the coefficients.
    fn finish(&self, moments: &[f64], mut ln_determinant: f64, cross: f64, within: f64) -> Option<Swept> {
        let (m, p, levels) = (self.width(), self.columns, self.levels);
        let at = |i: usize, j: usize| moments[i.max(j) * m + i.min(j)];
        let between = Mat::from_fn(levels, p + 1, |i, j| at(p + 1 + i, j));
        let mut crossed = Mat::zeros(levels, levels);
        let mut top = Mat::from_fn(p + 1, p + 1, at);
        if cross > 0.0 {
            let factor = Cholesky::of_owned(Mat::from_fn(levels, levels, |i, j| {
                f64::from(u8::from(i == j)) + cross * at(p + 1 + i, p + 1 + j)
            }))?;
            ln_determinant += factor.ln_determinant();
            let inverse = factor.inverse();
            crossed = Mat::from_fn(levels, levels, |i, j| cross * inverse[(i, j)]);
            let less = product(between.transpose(), product(crossed.as_ref(), between.as_ref()).as_ref());
            top = Mat::from_fn(p + 1, p + 1, |i, j| top[(i, j)] - less[(i, j)]);
        }
        let information = Cholesky::of_owned(Mat::from_fn(p, p, |i, j| top[(i, j)]))?;
        ln_determinant += information.ln_determinant();
        let covariance = information.inverse();
        let beta: Vec<f64> = (0..p).map(|i| (0..p).map(|j| covariance[(i, j)] * top[(j, p)]).sum()).collect();
        let quadratic = top[(p, p)] - (0..p).map(|j| beta[j] * top[(j, p)]).sum::<f64>();
        let scatter =
            if self.scatter.df > 0.0 { self.scatter.df * within.ln() + self.scatter.squares / within } else { 0.0 };
        let height = -0.5 * (ln_determinant + quadratic + scatter);
        height.is_finite().then_some(Swept { height, beta, covariance, crossed, between })
    }

    /// `V⁻¹t` for one value a row, in the order of the layout.
    pub(super) fn solve(&self, deviations: &Deviations, swept: &Swept, t: &[f64]) -> Vec<f64> {
        let plain = self.solve_nested(deviations, t);
        if self.levels == 0 || !(deviations[Part::Cross as usize] > 0.0) {
            return plain;
        }
        // the crossed effects that t would be explained by, then the rest without them
        let mut sums = vec![0.0; self.levels];
        for leaf in &self.leaves {
            sums[leaf.cross - self.columns - 1] += plain[leaf.rows.clone()].iter().sum::<f64>();
        }
        let effects: Vec<f64> =
            (0..self.levels).map(|i| (0..self.levels).map(|j| swept.crossed[(i, j)] * sums[j]).sum()).collect();
        let mut rest = t.to_vec();
        for leaf in &self.leaves {
            for value in &mut rest[leaf.rows.clone()] {
                *value -= effects[leaf.cross - self.columns - 1];
            }
        }
        self.solve_nested(deviations, &rest)
    }

    /// The same without the crossed factor: sums upward, the groups' effects downward.
    fn solve_nested(&self, deviations: &Deviations, t: &[f64]) -> Vec<f64> {
        let square = |part: Part| deviations[part as usize] * deviations[part as usize];
        let within = if square(Part::Within) > 0.0 { square(Part::Within) } else { 1.0 };
        let weight = |row: &super::Row| 1.0 / (row.variance * within + square(Part::Unit));
        // by group: what is left of Σ w t and Σ w after the effects within the group
        let up = |variance: f64, (sum, s): (f64, f64)| {
            let scale = 1.0 / (1.0 + variance * s);
            (sum * scale, s * scale)
        };
        let total = |parts: &[(f64, f64)]| parts.iter().fold((0.0, 0.0), |all, one| (all.0 + one.0, all.1 + one.1));
        let effect =
            |variance: f64, (sum, s): (f64, f64), above: f64| variance * (sum - s * above) / (1.0 + variance * s);
        let leaf_variance = |leaf: &super::Leaf| leaf.shared + square(Part::Leaf);
        let leaf_sums: Vec<(f64, f64)> = self
            .leaves
            .iter()
            .map(|leaf| {
                leaf.rows.clone().fold((0.0, 0.0), |all, at| {
                    let weight = weight(&self.rows[at]);
                    (all.0 + weight * t[at], all.1 + weight)
                })
            })
            .collect();
        let reduced: Vec<(f64, f64)> =
            self.leaves.iter().zip(&leaf_sums).map(|(leaf, sums)| up(leaf_variance(leaf), *sums)).collect();
        let inner_sums: Vec<(f64, f64)> =
            self.inners.iter().map(|inner| total(&reduced[inner.leaves.clone()])).collect();
        let mut solved = vec![0.0; t.len()];
        for outer in &self.outers {
            let reduced: Vec<(f64, f64)> =
                inner_sums[outer.inners.clone()].iter().map(|sums| up(square(Part::Inner), *sums)).collect();
            let of_outer = effect(square(Part::Outer), total(&reduced), 0.0);
            for at in outer.inners.clone() {
                let of_inner = of_outer + effect(square(Part::Inner), inner_sums[at], of_outer);
                for leaf in self.inners[at].leaves.clone() {
                    let of_leaf = of_inner + effect(leaf_variance(&self.leaves[leaf]), leaf_sums[leaf], of_inner);
                    for row in self.leaves[leaf].rows.clone() {
                        solved[row] = weight(&self.rows[row]) * (t[row] - of_leaf);
                    }
                }
            }
        }
        solved
    }
}
