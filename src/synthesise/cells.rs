//! The means of soil classes and wetness classes over site-years, from one model.
//!
//! `d = Xβ + t + f + g + u + v + e`: `t` the season, whose site-years share its weather and all else that the year brings, `f` the
//! farm, `g` the field, `u` the site-year, `v` the site-year on one soil class, `e` the error of the estimate, whose variance is
//! that of the site-year's own analysis. Every standard deviation is averaged over ([`crate::stats::crossed`]) with the priors of
//! [`Priors`].

use super::LEAST_POOLED;
use super::members::Comparison;
use super::priors::Priors;
use super::rows::{Rows, distinct};
use crate::results::{Estimate, Estimator, FieldAnswer, PriorCheck};
use crate::stats::StatsError;
use crate::stats::crossed::{CrossedPosterior, PARTS, Part};
use crate::stats::dense::Mat;
use crate::stats::distribution::{Component, Mixture};

/// One mean of the model.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Cell {
    /// Rank of the soil class; `None` over the whole field.
    pub(super) class: Option<usize>,
    /// Rank of the wetness class; `None` over all of them.
    pub(super) wetness: Option<usize>,
}

/// What is known of one cell.
#[derive(Debug, Clone)]
pub(super) struct CellMean {
    pub(super) cell: Cell,
    /// Site-years in it.
    pub(super) members: Vec<usize>,
    /// The pooled mean; only with [`LEAST_POOLED`] site-years.
    pub(super) pooled: Option<Pooled>,
    /// Its place among the coefficients of the model.
    pub(super) column: usize,
}

/// A pooled mean.
#[derive(Debug, Clone)]
pub(super) struct Pooled {
    pub(super) estimate: Estimate,
    pub(super) estimator: Estimator,
    /// Standard deviation between site-years, kg/ha.
    pub(super) tau: f64,
    /// The response of a field without strips in a season without strips.
    pub(super) predictive: Mixture,
    /// The answer under other scales of the priors; only below [`super::FEW_SEASONS`] seasons.
    pub(super) checks: Vec<PriorCheck>,
}

/// The cells of one model.
pub(super) struct Cells {
    pub(super) means: Vec<CellMean>,
    pub(super) rows: Rows,
    pub(super) posterior: CrossedPosterior,
    /// The scales that it was fitted with.
    pub(super) scales: [Option<f64>; PARTS],
    /// The place of each row among the coefficients.
    pub(super) columns: Vec<usize>,
}

/// What the cells are formed and reported by.
pub(super) struct Settings {
    pub(super) confidence: f64,
    pub(super) priors: Priors,
}

/// Multiples of the scales of the priors under which the answer of few seasons is tried.
const TRIED: [f64; 2] = [0.5, 2.0];

/// What makes a new site-year differ from the mean.
pub(super) const NEW_SITE_YEAR: [Part; 5] = [Part::Cross, Part::Outer, Part::Inner, Part::Leaf, Part::Unit];
/// What makes a field's next season differ from its own mean.
const NEXT_SEASON: [Part; 3] = [Part::Cross, Part::Leaf, Part::Unit];

/// Fits the cells of the given classes (or of the whole field); `None` with too few site-years for any spread between.
pub(super) fn fit(
    comparison: &Comparison<'_>,
    classes: &[Option<usize>],
    wetness: Option<&[Option<usize>]>,
    settings: &Settings,
) -> Option<Cells> {
    let rank = |member: usize| wetness.map_or(Some(None), |ranks| ranks[member].map(Some));
    let rows = Rows::of(comparison, classes)?.filtered(|member, _| rank(member).is_some());
    if rows.members().len() < LEAST_POOLED {
        return None;
    }
    let is_field = classes == [None];
    let cell_of =
        |at: usize| Cell { class: (!is_field).then_some(rows.class[at]), wetness: rank(rows.member[at]).flatten() };
    let mut cells: Vec<Cell> = (0..rows.y.len()).map(cell_of).collect();
    cells.sort_unstable();
    cells.dedup();
    let columns: Vec<usize> = (0..rows.y.len()).map(|at| cells.binary_search(&cell_of(at)).unwrap_or(0)).collect();
    let posterior_under = |factor: f64| {
        let scales = Priors { factor, ..settings.priors }.scales(&rows, !is_field, false);
        let data = rows.laid_out(cells.len(), |at| vec![(columns[at], 1.0)], None)?;
        Ok::<_, StatsError>((CrossedPosterior::new(data, &scales)?, scales))
    };
    let (posterior, scales) = posterior_under(1.0).ok()?;
    let tried: Vec<(f64, CrossedPosterior)> = if rows.seasons_and_farms().0 < super::FEW_SEASONS {
        TRIED.iter().filter_map(|&factor| Some((factor, posterior_under(factor).ok()?.0))).collect()
    } else {
        Vec::new()
    };
    let estimator = if rows.are_estimates() { Estimator::TwoStage } else { Estimator::OneStage };
    let means = cells
        .iter()
        .enumerate()
        .map(|(column, &cell)| {
            let own = (0..rows.y.len()).filter(|&row| columns[row] == column).map(|row| rows.member[row]);
            let members = distinct(&own.collect::<Vec<_>>());
            let unit = unit(cells.len(), column);
            let pooled = || -> Result<Pooled, StatsError> {
                Ok(Pooled {
                    estimate: told(&posterior.coefficient(&unit)?, settings.confidence)?,
                    estimator,
                    tau: posterior.mean_of(between),
                    predictive: posterior.prediction(&unit, &NEW_SITE_YEAR)?,
                    checks: tried
                        .iter()
                        .map(|(factor, under)| check(*factor, under, &unit, settings.confidence))
                        .collect::<Result<_, _>>()?,
                })
            };
            let pooled = (members.len() >= LEAST_POOLED).then(pooled).and_then(Result::ok);
            CellMean { cell, members, pooled, column }
        })
        .collect();
    Some(Cells { means, rows, posterior, scales, columns })
}

/// A contrast that picks one coefficient.
pub(super) fn unit(columns: usize, column: usize) -> Vec<f64> {
    (0..columns).map(|j| f64::from(u8::from(j == column))).collect()
}

/// The standard deviation between site-years.
pub(super) fn between(deviations: &[f64; PARTS]) -> f64 {
    NEW_SITE_YEAR.iter().map(|part| deviations[*part as usize].powi(2)).sum::<f64>().sqrt()
}

fn check(factor: f64, under: &CrossedPosterior, unit: &[f64], confidence: f64) -> Result<PriorCheck, StatsError> {
    let predictive = under.prediction(unit, &NEW_SITE_YEAR)?;
    let interval = predictive.interval(confidence)?;
    Ok(PriorCheck {
        factor,
        estimate: told(&under.coefficient(unit)?, confidence)?,
        prediction: (interval.lower, interval.upper),
        predictive,
        probability_pays: None,
        probability_new_site_pays: None,
    })
}

/// A mixture as the estimate of the t distribution nearest to it.
pub(super) fn told(mixture: &Mixture, confidence: f64) -> Result<Estimate, StatsError> {
    let (centre, scale, df) = mixture.nearest_t()?;
    Estimate::of_t(centre, scale, df, confidence).ok_or(StatsError::NoVariation { what: "mean over site-years" })
}

impl Cells {
    /// What is reported of each field that had strips, by cell: farm and field as numbers of the rows, cell, answer.
    pub(super) fn fields(&self, confidence: f64) -> Vec<((usize, usize), Cell, FieldAnswer)> {
        let estimate = |of: Component| Estimate::of_t(of.centre, of.scale, of.df, confidence);
        let mut told = Vec::new();
        for mean in &self.means {
            let unit = unit(self.means.len(), mean.column);
            for group in self.posterior.groups(&unit, &NEXT_SEASON).unwrap_or_default() {
                if let Some((mean_of_field, next_season)) = estimate(group.mean).zip(estimate(group.new_case)) {
                    let answer = FieldAnswer { class: mean.cell.class, mean: mean_of_field, next_season };
                    told.push((group.group, mean.cell, answer));
                }
            }
        }
        told
    }

    /// Posterior mean and covariance of the coefficients.
    pub(super) fn coefficients(&self) -> (Vec<f64>, Mat<f64>) {
        self.posterior.coefficients()
    }
}
