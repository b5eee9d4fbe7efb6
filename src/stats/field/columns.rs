//! Response, design, random effect and weights of a field, side by side.

use std::sync::Arc;

use super::Lists;
#[cfg(test)]
use crate::stats::dense::Mat;
use crate::stats::dense::MatRef;
use crate::stats::linear::independent_columns;
use crate::stats::{StatsError, check};

/// Numbers that go through the arithmetic together.
pub(super) const WIDE: usize = 4;

/// One or two levels of a random effect with a row's part of each, which is above 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parts {
    /// The first level, and the row's part of it.
    pub first: (usize, f64),
    /// The second, where there is one.
    pub second: Option<(usize, f64)>,
}

impl Parts {
    /// The levels with their parts.
    pub fn iter(&self) -> impl Iterator<Item = (usize, f64)> {
        std::iter::once(self.first).chain(self.second)
    }
}

impl From<usize> for Parts {
    fn from(level: usize) -> Self {
        Self { first: (level, 1.0), second: None }
    }
}

/// The data of a field: the columns `[Z | X | y]` and the weight of each row.
#[derive(Debug, Clone)]
pub struct Columns {
    /// `[X | y]` row by row, so many pieces a row, the last filled up with zeros.
    pub(super) dense: Vec<[f64; WIDE]>,
    pub(super) pieces: usize,
    pub(super) random: usize,
    pub(super) fixed: usize,
    /// Levels of the random effect of each row, counted from 0, with its parts of them.
    pub(super) levels: Arc<Lists<(u32, f64)>>,
    /// `1/w`.
    pub(super) inverse_weights: Arc<[f64]>,
}

impl Columns {
    /// `y` has one value a row, `x` one row a row and one column a fixed effect; `strips` is the level of a random effect of
    /// each row; a row of weight `w` has a nugget of variance `ν σ²/w`.
    ///
    /// # Errors
    /// Lengths that differ, values that are not finite, weights not above 0, collinear fixed effects, no rows to spare.
    pub fn new(
        y: &[f64],
        x: MatRef<'_, f64>,
        strips: Option<&[usize]>,
        weights: Option<&[f64]>,
    ) -> Result<Self, StatsError> {
        let kept = independent_columns(x)?;
        let p = x.ncols();
        if kept.len() < p {
            let aliased = (0..p).filter(|column| !kept.contains(column)).collect();
            return Err(StatsError::RankDeficient { rank: kept.len(), columns: p, aliased });
        }
        let parts: Option<Vec<Parts>> = strips.map(|strips| strips.iter().map(|&strip| strip.into()).collect());
        Self::of_independent(y, x, parts.as_deref(), weights)
    }

    /// [`Columns::new`] with fixed effects that are known to be independent of each other, and rows that may have parts of two levels.
    ///
    /// # Errors
    /// As [`Columns::new`], but for collinear fixed effects.
    pub fn of_independent(
        y: &[f64],
        x: MatRef<'_, f64>,
        strips: Option<&[Parts]>,
        weights: Option<&[f64]>,
    ) -> Result<Self, StatsError> {
        let (n, p) = (y.len(), x.ncols());
        check::sample("response", y, 1)?;
        check::length("rows of the design", x.nrows(), n)?;
        if n <= p {
            return Err(StatsError::NoResidualDegreesOfFreedom { rows: n, rank: p });
        }
        if let Some(weights) = weights {
            check::length("weights", weights.len(), n)?;
            check::positive("weights", weights)?;
        }
        let mut codes = std::collections::BTreeMap::new();
        if let Some(strips) = strips {
            check::length("strips", strips.len(), n)?;
            for (strip, _) in strips.iter().flat_map(Parts::iter) {
                codes.insert(strip, 0_usize);
            }
            for (code, value) in codes.values_mut().enumerate() {
                *value = code;
            }
        }
        let coded = |(strip, part): (usize, f64)| (codes[&strip] as u32, part);
        let mut levels = Lists::default();
        for row in 0..n {
            levels.push(strips.into_iter().flat_map(|strips| strips[row].iter()).map(coded));
        }
        Ok(Self {
            dense: side_by_side(x, y.iter().copied()),
            pieces: (p + 1).div_ceil(WIDE),
            random: codes.len(),
            fixed: p,
            levels: Arc::new(levels),
            inverse_weights: (0..n).map(|row| weights.map_or(1.0, |weights| 1.0 / weights[row])).collect(),
        })
    }

    /// The same rows with other fixed effects, which are independent of each other.
    ///
    /// # Errors
    /// A design with another number of rows, no rows to spare.
    pub fn with_design(&self, x: MatRef<'_, f64>) -> Result<Self, StatsError> {
        let (n, p) = (self.rows(), x.ncols());
        if n <= p {
            return Err(StatsError::NoResidualDegreesOfFreedom { rows: n, rank: p });
        }
        self.with_columns(x)
    }

    /// The same with columns more behind the levels, which may repeat others: by row the columns that are not 0, with their values.
    ///
    /// # Errors
    /// A basis of the wrong length.
    pub(super) fn with_basis(&self, basis: &Lists<(u32, f64)>, columns: usize) -> Result<Self, StatsError> {
        check::length("rows of the basis", basis.len(), self.rows())?;
        let mut levels = Lists::default();
        for (own, more) in self.levels.iter().zip(basis.iter()) {
            let more = more.iter().map(|&(column, value)| (self.random as u32 + column, value));
            levels.push(own.iter().copied().chain(more));
        }
        Ok(Self { levels: Arc::new(levels), random: self.random + columns, ..self.clone() })
    }

    fn with_columns(&self, x: MatRef<'_, f64>) -> Result<Self, StatsError> {
        let (n, p) = (self.rows(), x.ncols());
        check::length("rows of the design", x.nrows(), n)?;
        let y = (0..n).map(|row| self.value(row, self.random + self.fixed));
        Ok(Self {
            dense: side_by_side(x, y),
            pieces: (p + 1).div_ceil(WIDE),
            random: self.random,
            fixed: p,
            levels: Arc::clone(&self.levels),
            inverse_weights: Arc::clone(&self.inverse_weights),
        })
    }

    /// The rows that are kept; levels that none of them has are no longer counted.
    pub(super) fn of_kept(&self, is_kept: &[bool]) -> Self {
        let rows = || is_kept.iter().enumerate().filter(|(_, is_kept)| **is_kept).map(|(row, _)| row);
        let mut numbers = vec![0; self.random];
        rows().flat_map(|row| self.levels.get(row)).for_each(|&(level, _)| numbers[level as usize] = 1);
        // from whether a level is there to its number
        let mut random = 0;
        for number in &mut numbers {
            random += std::mem::replace(number, random);
        }
        let mut levels = Lists::default();
        for row in rows() {
            levels.push(self.levels.get(row).iter().map(|&(level, part)| (numbers[level as usize], part)));
        }
        Self {
            dense: rows().flat_map(|row| &self.dense[row * self.pieces..][..self.pieces]).copied().collect(),
            pieces: self.pieces,
            random: random as usize,
            fixed: self.fixed,
            levels: Arc::new(levels),
            inverse_weights: rows().map(|row| self.inverse_weights[row]).collect(),
        }
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.inverse_weights.len()
    }

    /// Number of fixed effects.
    pub fn fixed_effects(&self) -> usize {
        self.fixed
    }

    /// Number of levels of the random effect; 0 without one.
    pub fn random_levels(&self) -> usize {
        self.random
    }

    pub(super) fn width(&self) -> usize {
        self.random + self.fixed + 1
    }

    /// An entry of `[Z | X | y]`.
    pub(super) fn value(&self, row: usize, column: usize) -> f64 {
        match column.checked_sub(self.random) {
            None => self.levels.get(row).iter().filter(|one| one.0 as usize == column).map(|one| one.1).sum(),
            Some(dense) => self.dense[row * self.pieces + dense / WIDE][dense % WIDE],
        }
    }

    /// `[Z | X | y]`.
    #[cfg(test)]
    pub(super) fn matrix(&self) -> Mat<f64> {
        Mat::from_fn(self.rows(), self.width(), |row, column| self.value(row, column))
    }
}

/// The design and the response row by row, each row filled up with zeros.
fn side_by_side(x: MatRef<'_, f64>, y: impl Iterator<Item = f64>) -> Vec<[f64; WIDE]> {
    let p = x.ncols();
    let pieces = (p + 1).div_ceil(WIDE);
    let mut dense = vec![[0.0; WIDE]; x.nrows() * pieces];
    let rows = dense.as_flattened_mut();
    for j in 0..p {
        for (row, value) in rows.chunks_exact_mut(pieces * WIDE).zip(x.col(j).iter()) {
            row[j] = *value;
        }
    }
    for (row, value) in rows.chunks_exact_mut(pieces * WIDE).zip(y) {
        row[p] = value;
    }
    dense
}
