//! Response, design, random effect and weights of a field, side by side.

use crate::stats::dense::{Mat, MatRef};
use crate::stats::linear::independent_columns;
use crate::stats::{StatsError, check};

/// The data of a field: the columns `[Z | X | y]` and the weight of each row.
#[derive(Debug, Clone)]
pub struct Columns {
    pub(super) matrix: Mat<f64>,
    pub(super) random: usize,
    pub(super) fixed: usize,
    /// Level of the random effect of each row, counted from 0; empty without one.
    pub(super) level: Vec<usize>,
    /// `1/w`.
    pub(super) inverse_weights: Vec<f64>,
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
        let (n, p) = (y.len(), x.ncols());
        check::sample("response", y, 1)?;
        check::length("rows of the design", x.nrows(), n)?;
        let kept = independent_columns(x)?;
        if kept.len() < p {
            let aliased = (0..p).filter(|column| !kept.contains(column)).collect();
            return Err(StatsError::RankDeficient { rank: kept.len(), columns: p, aliased });
        }
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
            for &strip in strips {
                codes.insert(strip, 0_usize);
            }
            for (code, value) in codes.values_mut().enumerate() {
                *value = code;
            }
        }
        let random = codes.len();
        let matrix = Mat::from_fn(n, random + p + 1, |i, j| {
            if j < random {
                strips.map_or(0.0, |strips| f64::from(u8::from(codes[&strips[i]] == j)))
            } else if j < random + p {
                x[(i, j - random)]
            } else {
                y[i]
            }
        });
        Ok(Self {
            matrix,
            random,
            fixed: p,
            level: strips.map_or_else(Vec::new, |strips| strips.iter().map(|strip| codes[strip]).collect()),
            inverse_weights: weights.map_or_else(|| vec![1.0; n], |weights| weights.iter().map(|w| 1.0 / w).collect()),
        })
    }

    /// The same with columns more beside the fixed effects, which may repeat them.
    ///
    /// # Errors
    /// A basis of the wrong length.
    pub(super) fn with_basis(&self, basis: MatRef<'_, f64>) -> Result<Self, StatsError> {
        check::length("rows of the basis", basis.nrows(), self.rows())?;
        let (before, more) = (self.random + self.fixed, basis.ncols());
        let matrix = Mat::from_fn(self.rows(), before + more + 1, |i, j| {
            if j < before {
                self.matrix[(i, j)]
            } else if j < before + more {
                basis[(i, j - before)]
            } else {
                self.matrix[(i, before)]
            }
        });
        Ok(Self { matrix, fixed: self.fixed + more, ..self.clone() })
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.matrix.nrows()
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
        self.matrix.ncols()
    }
}
