//! Fixed effects of the segment model, and the contrasts that are answered with them.

use super::trial::{Row, Trial};
use crate::stats::dense::{Cholesky, Mat, MatRef, product_transposed};
use crate::stats::linear::independent_columns;

/// Fewest segments' worth of ground for an effect of its own.
const LEAST_SEGMENTS: f64 = 2.0;

/// Ground on which a treatment has one response.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ground {
    /// A soil class.
    Class(usize),
    /// The classes too rare for a response of their own, and ground without a class.
    Rest,
}

/// What a column stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Column {
    /// Yield of the check on a class; `None` for ground without one.
    Level(Option<usize>),
    /// A combine that could not be brought to the level of the others.
    Machine(usize),
    /// Response to a treatment on some ground.
    Response(usize, Ground),
    /// A measured property of the ground, by its place among the covariates.
    Covariate(usize),
    /// Change of the response to a treatment with the first covariate.
    Slope(usize),
}

/// The design of the segment model: columns of class shares, and of class shares of the treated segments.
///
/// A segment on two classes carries a share of both, so that no ground is left out near the lines of the soil map.
#[derive(Debug, Clone)]
pub(super) struct Design {
    columns: Vec<Column>,
    pub(super) x: Mat<f64>,
    /// By treatment: the grounds with a response, and their share of the trial's area.
    grounds: Vec<Vec<(Ground, f64)>>,
    /// By treatment: the grounds whose response cannot be separated from other effects.
    aliased: Vec<Vec<Ground>>,
    /// The slopes that can be separated from other effects.
    slopes: Vec<Column>,
}

impl Design {
    /// `own` are the classes with a response of their own, by treatment; `covariates` have one value a row each.
    ///
    /// Where cleaning could not bring several combines to one level, each but one has a level of its own. Where it could, their factors
    /// come from all passes side by side, also those outside the strips; the strips could tell them no better, and where combine and
    /// treatment go together not at all. The uncertainty of the factors is then added to the answers.
    pub(super) fn new(trial: &Trial<'_>, own: &[Vec<usize>], covariates: &[Vec<f64>]) -> Self {
        Self::of(trial, own, covariates, false)
    }

    /// One response for each treatment, which changes with a covariate.
    pub(super) fn with_slopes(trial: &Trial<'_>, covariate: Vec<f64>) -> Self {
        Self::of(trial, &vec![Vec::new(); trial.treatments.len()], &[covariate], true)
    }

    fn of(trial: &Trial<'_>, own: &[Vec<usize>], covariates: &[Vec<f64>], slopes: bool) -> Self {
        let facts = &trial.joined.assigned.cleaned.facts;
        let machines = if facts.factor_covariance.is_empty() { facts.machines.len() } else { 1 };
        let mut columns = levels(trial);
        columns.extend((1..machines).map(Column::Machine));
        columns.extend((0..covariates.len()).map(Column::Covariate));
        let mut grounds = vec![Vec::new()];
        for (treatment, own) in own.iter().enumerate().skip(1) {
            let found = grounds_of(trial, treatment, own);
            columns.extend(found.iter().map(|&(ground, _)| Column::Response(treatment, ground)));
            columns.extend(slopes.then_some(Column::Slope(treatment)));
            grounds.push(found);
        }
        let main: Vec<Option<usize>> = columns
            .iter()
            .filter_map(|column| match column {
                Column::Level(class) => Some(*class),
                _ => None,
            })
            .collect();
        let x = filled(trial, &columns, &main, &grounds, covariates);
        let kept = independent_columns(x.as_ref()).unwrap_or_default();
        let entangled = entangled(&x, &kept);
        let sloping = |at: usize, column: &Column| !entangled[at] && matches!(column, Column::Slope(_));
        let slopes = columns.iter().enumerate().filter(|(at, column)| sloping(*at, column)).map(|(_, column)| *column);
        let slopes = slopes.collect();
        let mut aliased = vec![Vec::new(); grounds.len()];
        for (at, column) in columns.iter().enumerate() {
            if let Column::Response(treatment, ground) = column
                && entangled[at]
            {
                aliased[*treatment].push(*ground);
            }
        }
        Self {
            columns: kept.iter().map(|&at| columns[at]).collect(),
            x: if kept.len() < x.ncols() { Mat::from_fn(x.nrows(), kept.len(), |i, j| x[(i, kept[j])]) } else { x },
            grounds,
            aliased,
            slopes,
        }
    }

    /// Weights of the change of a response with the covariate; `None` where it cannot be estimated.
    pub(super) fn slope(&self, treatment: usize) -> Option<Vec<f64>> {
        let slope = Column::Slope(treatment);
        let at = self.columns.iter().position(|column| *column == slope).filter(|_| self.slopes.contains(&slope))?;
        Some((0..self.columns.len()).map(|column| f64::from(u8::from(column == at))).collect())
    }

    /// Weights of the response to a treatment on a class, or over the trial's ground, area by area; `None` where it cannot
    /// be estimated.
    pub(super) fn response(&self, treatment: usize, class: Option<usize>) -> Option<Vec<f64>> {
        let mut weights = vec![0.0; self.columns.len()];
        match class {
            Some(class) => {
                let at = self.place(treatment, Ground::Class(class))?;
                weights[at] = 1.0;
            }
            None => {
                if !self.aliased[treatment].is_empty() || self.grounds[treatment].is_empty() {
                    return None;
                }
                for &(ground, share) in &self.grounds[treatment] {
                    weights[self.place(treatment, ground)?] = share;
                }
            }
        }
        Some(weights)
    }

    /// Row by row the weights of the effects in the response there: the columns of the responses, 0 elsewhere.
    pub(super) fn response_of_rows(&self) -> Mat<f64> {
        let of_response: Vec<bool> = self.columns.iter().map(|one| matches!(one, Column::Response(..))).collect();
        Mat::from_fn(self.x.nrows(), self.x.ncols(), |i, j| if of_response[j] { self.x[(i, j)] } else { 0.0 })
    }

    /// Classes with a response of their own, dry to wet.
    pub(super) fn classes(&self, treatment: usize) -> Vec<usize> {
        self.grounds[treatment]
            .iter()
            .filter_map(|&(ground, _)| match ground {
                Ground::Class(class) => self.place(treatment, ground).map(|_| class),
                Ground::Rest => None,
            })
            .collect()
    }

    /// Number of responses that were lost because they repeat other effects.
    pub(super) fn is_aliased(&self, treatment: usize) -> bool {
        !self.aliased[treatment].is_empty()
    }

    fn place(&self, treatment: usize, ground: Ground) -> Option<usize> {
        if self.aliased[treatment].contains(&ground) {
            return None;
        }
        self.columns.iter().position(|column| *column == Column::Response(treatment, ground))
    }
}

/// Which columns cannot be separated from others: a repeated column is a sum of kept ones, and none that takes part in it has an
/// effect of its own.
fn entangled(x: &Mat<f64>, kept: &[usize]) -> Vec<bool> {
    let mut entangled = vec![false; x.ncols()];
    if kept.len() == x.ncols() {
        return entangled;
    }
    let basis = Mat::from_fn(x.nrows(), kept.len(), |i, j| x[(i, kept[j])]);
    let Some(factor) = Cholesky::of_owned(product_transposed(basis.as_ref(), basis.as_ref())) else {
        return vec![true; x.ncols()];
    };
    for repeated in (0..x.ncols()).filter(|column| !kept.contains(column)) {
        let column = Mat::from_fn(x.nrows(), 1, |i, _| x[(i, repeated)]);
        let parts = factor.solve(product_transposed(basis.as_ref(), column.as_ref()).as_ref());
        entangled[repeated] = true;
        for (at, &member) in kept.iter().enumerate() {
            entangled[member] |= parts[(at, 0)].abs() > 1e-6;
        }
    }
    entangled
}

fn machine_share(row: &Row, machine: usize) -> f64 {
    row.machine_share.get(machine).copied().unwrap_or(0.0)
}

/// The classes with a level of their own; ground of rarer ones counts for the commonest.
fn levels(trial: &Trial<'_>) -> Vec<Column> {
    let classes = trial.joined.classes.len();
    let sum = |class: Option<usize>| -> f64 {
        trial.rows.iter().map(|row| class.map_or_else(|| row.unclassed(), |class| row.shares[class])).sum()
    };
    let all: Vec<(Option<usize>, f64)> =
        (0..classes).map(Some).chain([None]).map(|class| (class, sum(class))).collect();
    let common: Vec<Column> = all
        .iter()
        .filter(|(_, segments)| *segments >= LEAST_SEGMENTS)
        .map(|(class, _)| Column::Level(*class))
        .collect();
    if common.is_empty() { vec![Column::Level(None)] } else { common }
}

/// The grounds on which a treatment has a response, with their share of the trial's area. The rest has one where it is
/// common enough on both sides; else it is taken to respond as the average of the others.
fn grounds_of(trial: &Trial<'_>, treatment: usize, own: &[usize]) -> Vec<(Ground, f64)> {
    let (areas, _) = trial.class_areas();
    let total: f64 = trial.rows.iter().map(|row| row.area_m2).sum();
    let of_own: f64 = own.iter().map(|&class| areas[class]).sum();
    if own.is_empty() {
        let present = trial.rows.iter().any(|row| row.dose(treatment) > 0.0);
        return if present { vec![(Ground::Rest, 1.0)] } else { Vec::new() };
    }
    let rest = |row: &Row| 1.0 - own.iter().map(|&class| row.shares[class]).sum::<f64>();
    let common = [treatment, 0].iter().all(|&side| {
        let of_rest = trial.rows.iter().filter(|row| rest(row) > 0.5).flat_map(|row| row.tells(side));
        let blocks: std::collections::BTreeSet<usize> = of_rest.map(|side| side.block).collect();
        let segments: f64 = trial.rows.iter().map(|row| row.dose(side) * rest(row)).sum();
        blocks.len() > 1 && segments >= 2.0 * LEAST_SEGMENTS
    });
    let whole = if common { total } else { of_own };
    let mut grounds: Vec<(Ground, f64)> =
        own.iter().map(|&class| (Ground::Class(class), areas[class] / whole)).collect();
    if common {
        grounds.push((Ground::Rest, (total - of_own) / total));
    }
    grounds
}

/// The columns, row by row; `main` are the classes with a level, `grounds` those with a response, by treatment.
fn filled(
    trial: &Trial<'_>,
    columns: &[Column],
    main: &[Option<usize>],
    grounds: &[Vec<(Ground, f64)>],
    covariates: &[Vec<f64>],
) -> Mat<f64> {
    let n = trial.rows.len();
    let mut x = vec![0.0; n * columns.len()];
    let has_rest: Vec<bool> =
        grounds.iter().map(|grounds| grounds.iter().any(|&(ground, _)| ground == Ground::Rest)).collect();
    // of each treatment on a row: its dose, and the share of ground without a response of its own
    let mut treated = vec![(0.0, 0.0); grounds.len()];
    for (at, row) in trial.rows.iter().enumerate() {
        let (shares, unclassed) = (row.shares.as_slice(), row.unclassed());
        let share = |class: Option<usize>| class.map_or(unclassed, |class| shares[class]);
        let of_ground = |ground: Ground| if let Ground::Class(class) = ground { shares[class] } else { 0.0 };
        let known: f64 = main.iter().map(|&class| share(class)).sum();
        for (treatment, (dose, rest)) in treated.iter_mut().enumerate().skip(1) {
            *dose = row.dose(treatment);
            if *dose > 0.0 {
                *rest = 1.0 - grounds[treatment].iter().map(|&(ground, _)| of_ground(ground)).sum::<f64>();
            }
        }
        for (j, &column) in columns.iter().enumerate() {
            x[j * n + at] = match column {
                // the first of the levels takes what has none
                Column::Level(class) => share(class) + if main.first() == Some(&class) { 1.0 - known } else { 0.0 },
                Column::Machine(machine) => machine_share(row, machine),
                Column::Covariate(which) => covariates[which][at],
                Column::Response(treatment, ground) => match (treated[treatment], ground) {
                    ((0.0, _), _) => 0.0,
                    ((dose, rest), Ground::Rest) => dose * rest,
                    ((dose, _), Ground::Class(class)) if has_rest[treatment] => dose * shares[class],
                    ((dose, rest), Ground::Class(class)) => {
                        let known = grounds[treatment].iter().find(|known| known.0 == ground);
                        dose * (shares[class] + known.map_or(0.0, |known| known.1) * rest)
                    }
                },
                Column::Slope(treatment) => treated[treatment].0 * covariates[0][at],
            };
        }
    }
    MatRef::from_column_major_slice(&x, n, columns.len()).to_owned()
}
