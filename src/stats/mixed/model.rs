//! What is modelled: the response, the design and the parts of the covariance.

use std::collections::BTreeMap;

use super::block::{Block, Grouping, Part};
use crate::stats::dense::{Mat, MatRef};
use crate::stats::{StatsError, check, linear::independent_columns};

/// A model; built up from response and design, then fitted.
#[derive(Debug, Clone)]
pub struct MixedModel {
    pub(super) y: Vec<f64>,
    pub(super) x: Mat<f64>,
    random: Vec<Grouping>,
    weights: Option<Vec<f64>>,
}

/// Values of the covariance parameters, in the unit of the response squared.
#[derive(Debug, Clone, PartialEq)]
pub struct CovarianceParameters {
    /// One variance a random effect, in the order they were added.
    pub random: Vec<f64>,
    /// σ².
    pub residual: f64,
}

/// What a position in the vector of parameters stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Parameter {
    Random(usize),
    Residual,
}

impl MixedModel {
    /// With a response, one value a row, and a design, one row a row and one column a fixed effect; residuals are
    /// independent.
    ///
    /// # Errors
    /// Lengths that differ, values that are not finite, collinear columns, or no rows to spare.
    pub fn new(y: &[f64], x: MatRef<'_, f64>) -> Result<Self, StatsError> {
        check::sample("response", y, 1)?;
        check::length("rows of the design", x.nrows(), y.len())?;
        let kept = independent_columns(x)?;
        if kept.len() < x.ncols() {
            let aliased = (0..x.ncols()).filter(|column| !kept.contains(column)).collect();
            return Err(StatsError::RankDeficient { rank: kept.len(), columns: x.ncols(), aliased });
        }
        if y.len() <= x.ncols() {
            return Err(StatsError::NoResidualDegreesOfFreedom { rows: y.len(), rank: x.ncols() });
        }
        Ok(Self { y: y.to_vec(), x: x.to_owned(), random: Vec::new(), weights: None })
    }

    /// Adds a random intercept: rows of one level share a deviation drawn from `N(0, σ²)`.
    ///
    /// # Errors
    /// A number of levels that is not the number of rows.
    pub fn with_random(mut self, levels: &[usize]) -> Result<Self, StatsError> {
        check::length("levels of a random effect", levels.len(), self.y.len())?;
        self.random.push(Grouping { levels: levels.to_vec() });
        Ok(self)
    }

    /// Gives the uncorrelated residual of each row the variance `σ²/w`.
    ///
    /// # Errors
    /// A wrong length, or weights not above 0.
    pub fn with_weights(mut self, weights: &[f64]) -> Result<Self, StatsError> {
        check::length("weights", weights.len(), self.y.len())?;
        check::positive("weights", weights)?;
        self.weights = Some(weights.to_vec());
        Ok(self)
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.y.len()
    }

    /// Number of fixed effects.
    pub fn fixed_effects(&self) -> usize {
        self.x.ncols()
    }

    pub(super) fn parameters(&self) -> Vec<Parameter> {
        let random = (0..self.random.len()).map(Parameter::Random);
        random.chain([Parameter::Residual]).collect()
    }

    pub(super) fn parameters_of(&self, vector: &[f64]) -> CovarianceParameters {
        let (random, residual) = vector.split_at(self.random.len());
        CovarianceParameters { random: random.to_vec(), residual: residual.first().copied().unwrap_or(0.0) }
    }

    /// The rows in blocks that nothing connects.
    pub(super) fn blocks(&self) -> Vec<Block> {
        let layout = self.layout();
        let block = |parts: &Vec<Vec<usize>>| Block {
            parts: parts.iter().map(|rows| self.part(rows)).collect(),
            shared: layout.shared.filter(|_| parts.len() > 1),
        };
        layout.blocks.iter().map(block).collect()
    }

    /// The rows of each part of each block, and the random intercept that joins parts.
    fn layout(&self) -> Layout {
        let whole = self.connected(None);
        let mut best = Layout { blocks: whole.iter().map(|rows| vec![rows.clone()]).collect(), shared: None };
        for k in 0..self.random.len() {
            let parts = self.connected(Some(k));
            let level = |row: usize| self.random[k].levels[row];
            let is_outermost = parts.iter().all(|rows| rows.iter().all(|&row| level(row) == level(rows[0])));
            if !is_outermost || parts.len() == whole.len() {
                continue;
            }
            let mut by_level: BTreeMap<usize, Vec<Vec<usize>>> = BTreeMap::new();
            for rows in parts {
                by_level.entry(level(rows[0])).or_default().push(rows);
            }
            let layout = Layout { blocks: by_level.into_values().collect(), shared: Some(k) };
            if layout.largest_part() < best.largest_part() {
                best = layout;
            }
        }
        best
    }

    /// The rows that the parts of the covariance connect, without the random effect `except`.
    fn connected(&self, except: Option<usize>) -> Vec<Vec<usize>> {
        let n = self.y.len();
        let mut forest = Forest((0..n).collect());
        let mut join_equal = |labels: &[usize]| {
            let mut first = BTreeMap::new();
            for (row, &label) in labels.iter().enumerate() {
                forest.join(row, *first.entry(label).or_insert(row));
            }
        };
        let joining = self.random.iter().enumerate().filter(|(k, _)| Some(*k) != except);
        joining.for_each(|(_, grouping)| join_equal(&grouping.levels));
        let mut members: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for row in 0..n {
            members.entry(forest.root(row)).or_default().push(row);
        }
        members.into_values().collect()
    }

    fn part(&self, rows: &[usize]) -> Part {
        let size = rows.len();
        let inverse_weights: Vec<f64> =
            rows.iter().map(|&row| self.weights.as_ref().map_or(1.0, |weights| 1.0 / weights[row])).collect();
        Part {
            x: Mat::from_fn(size, self.x.ncols(), |i, j| self.x[(rows[i], j)]),
            y: Mat::from_fn(size, 1, |i, _| self.y[rows[i]]),
            random: self.random.iter().map(|grouping| grouping.of_rows(rows)).collect(),
            inverse_weights,
        }
    }
}

/// Rows in the parts of blocks.
struct Layout {
    blocks: Vec<Vec<Vec<usize>>>,
    /// The random intercept that joins the parts of a block.
    shared: Option<usize>,
}

impl Layout {
    fn largest_part(&self) -> usize {
        self.blocks.iter().flatten().map(Vec::len).max().unwrap_or(0)
    }
}

/// Disjoint sets of rows.
struct Forest(Vec<usize>);

impl Forest {
    fn root(&mut self, mut row: usize) -> usize {
        while self.0[row] != row {
            self.0[row] = self.0[self.0[row]];
            row = self.0[row];
        }
        row
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        let (low, high) = (a.min(b), a.max(b));
        self.0[high] = low;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn model(n: usize) -> MixedModel {
        let y: Vec<f64> = (0..n).map(|i| (i as f64).sin()).collect();
        MixedModel::new(&y, Mat::from_fn(n, 1, |_, _| 1.0).as_ref()).unwrap()
    }

    #[test]
    fn nested_effects_fall_into_blocks_and_crossed_ones_do_not() {
        let nested = model(6).with_random(&[0, 0, 1, 1, 2, 2]).unwrap();
        assert_eq!(nested.blocks().len(), 3);
        let crossed = nested.clone().with_random(&[0, 1, 0, 1, 0, 1]).unwrap();
        assert_eq!(crossed.blocks().len(), 1);
        assert_eq!(model(4).blocks().len(), 4);
    }

    #[test]
    fn what_one_intercept_alone_holds_together_falls_into_parts() {
        let parts = |model: &MixedModel| -> Vec<Vec<usize>> {
            model.blocks().iter().map(|block| block.parts.iter().map(Part::size).collect()).collect()
        };
        let (season, site, row) = ([0, 0, 0, 0, 1, 1], [0, 0, 1, 1, 2, 2], [0, 1, 2, 3, 4, 5]);
        let nested = model(6).with_random(&site).unwrap().with_random(&season).unwrap().with_random(&row).unwrap();
        assert_eq!(parts(&nested), [vec![2, 2], vec![2]]);
        assert_eq!(nested.blocks()[0].shared, Some(1));
        assert_eq!(nested.blocks()[1].shared, None, "a part alone needs no intercept beside");
        let crossed = model(6).with_random(&season).unwrap().with_random(&[0, 1, 0, 1, 0, 1]).unwrap();
        assert_eq!(parts(&crossed), [vec![6]]);
    }

    #[test]
    fn faults_are_named() {
        let x = Mat::from_fn(3, 2, |_, _| 1.0);
        assert!(matches!(MixedModel::new(&[1.0, 2.0, 3.0], x.as_ref()), Err(StatsError::RankDeficient { .. })));
        let one = Mat::from_fn(1, 1, |_, _| 1.0);
        assert!(matches!(MixedModel::new(&[1.0], one.as_ref()), Err(StatsError::NoResidualDegreesOfFreedom { .. })));
        assert!(model(3).with_random(&[0, 1]).is_err());
        assert!(model(3).with_weights(&[1.0, 0.0, 1.0]).is_err());
    }
}
