//! The means of soil classes and wetness classes over site-years, from one model with shared variances.

use super::LEAST_POOLED;
use super::members::Comparison;
use super::mixed::{self, Fitted, Rows, Summary, distinct};
use super::two_stage;
use crate::results::{Estimate, Estimator};
use crate::stats::dense::Mat;
use crate::stats::distribution::{Mixture, StudentT};
use crate::stats::meta::{Estimates, TauPosterior};
use crate::stats::{ContrastTest, StatsError};

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
    /// The response of a new site-year.
    pub(super) predictive: Option<Mixture>,
}

/// The cells of one model.
pub(super) struct Cells {
    pub(super) means: Vec<CellMean>,
    /// Coefficients, one a cell, and their covariance.
    pub(super) coefficients: Vec<f64>,
    pub(super) covariance: Mat<f64>,
    /// The site-years' own means with their sampling variances.
    pub(super) summaries: Vec<Summary>,
}

/// What the cells are to be formed and told by.
pub(super) struct Settings {
    pub(super) confidence: f64,
    /// Scale of the half-normal prior of the standard deviation between site-years, kg/ha.
    pub(super) prior_scale: f64,
}

/// Fits the cells of the given classes (or of the whole field); `None` with too few site-years for any variance between.
pub(super) fn fit(
    comparison: &Comparison<'_>,
    classes: &[Option<usize>],
    wetness: Option<&[Option<usize>]>,
    settings: &Settings,
) -> Option<Cells> {
    cells_of(&Rows::of(comparison, classes)?, classes, wetness, settings)
}

fn cells_of(
    rows: &Rows,
    classes: &[Option<usize>],
    wetness: Option<&[Option<usize>]>,
    settings: &Settings,
) -> Option<Cells> {
    let rank = |member: usize| wetness.map_or(Some(None), |ranks| ranks[member].map(Some));
    let rows = rows.filtered(|member, _| rank(member).is_some());
    if rows.members().len() < LEAST_POOLED {
        return None;
    }
    let is_field = classes == [None];
    let cell_of =
        |at: usize| Cell { class: (!is_field).then_some(rows.class[at]), wetness: rank(rows.member[at]).flatten() };
    let mut cells: Vec<Cell> = (0..rows.y.len()).map(cell_of).collect();
    cells.sort_unstable();
    cells.dedup();
    let column = |at: usize| cells.binary_search(&cell_of(at)).unwrap_or(0);
    let columns: Vec<usize> = (0..rows.y.len()).map(column).collect();
    let design = Mat::from_fn(rows.y.len(), cells.len(), |i, j| f64::from(u8::from(columns[i] == j)));
    let fitted = mixed::fit(&rows, &design, None).ok()?;
    let summaries = fitted.summaries(&rows);
    let means = cells
        .iter()
        .enumerate()
        .map(|(at, &cell)| {
            let members = distinct(
                &(0..rows.y.len()).filter(|&row| columns[row] == at).map(|row| rows.member[row]).collect::<Vec<_>>(),
            );
            let pooled = (members.len() >= LEAST_POOLED)
                .then(|| pooled(&rows, &fitted, &summaries, (cell, at, cells.len()), &rank, settings).ok())
                .flatten();
            CellMean { cell, members, pooled, column: at }
        })
        .collect();
    Some(Cells {
        means,
        coefficients: fitted.coefficients().to_vec(),
        covariance: fitted.covariance().clone(),
        summaries,
    })
}

/// The pooled mean of one cell, the spread between site-years, and what a new one would bring.
fn pooled(
    rows: &Rows,
    fitted: &Fitted,
    summaries: &[Summary],
    (cell, column, columns): (Cell, usize, usize),
    rank: &dyn Fn(usize) -> Option<Option<usize>>,
    settings: &Settings,
) -> Result<Pooled, StatsError> {
    // The site-years of this class, in all wetness classes: they share the variance between.
    let of_class: Vec<Summary> =
        summaries.iter().copied().filter(|one| cell.class.is_none_or(|class| one.class == class)).collect();
    let ranks: Vec<usize> =
        distinct(&of_class.iter().map(|one| rank(one.member).flatten().unwrap_or(0)).collect::<Vec<_>>());
    let place = |member: usize| ranks.binary_search(&rank(member).flatten().unwrap_or(0)).unwrap_or(0);
    let here = ranks.binary_search(&cell.wetness.unwrap_or(0)).unwrap_or(0);
    let design = Mat::from_fn(of_class.len(), ranks.len(), |i, j| f64::from(u8::from(place(of_class[i].member) == j)));
    let y: Vec<f64> = of_class.iter().map(|one| one.mean).collect();
    let variances: Vec<f64> = of_class.iter().map(|one| one.variance).collect();
    let contrast: Vec<f64> = (0..ranks.len()).map(|j| f64::from(u8::from(j == here))).collect();
    let estimates = Estimates::new(&y, &variances, design.as_ref())?;
    let posterior = TauPosterior::new(estimates, settings.prior_scale)?;
    // Around the mean as it is told, so that a new site-year is never told more surely than what it is predicted from.
    let new_case = |test: &ContrastTest| posterior.prediction_about(test.estimate, test.se, test.df).ok();
    // Estimates of few seasons, or seasons that do not differ: the adjustment for few and unequal studies.
    if rows.are_estimates() && fitted.components.season <= 0.0 {
        let (test, tau) = two_stage::pool(estimates, &contrast)?;
        let estimate = told(&test, settings.confidence)?;
        return Ok(Pooled { estimate, estimator: Estimator::TwoStage, tau, predictive: new_case(&test) });
    }
    let unit: Vec<f64> = (0..columns).map(|j| f64::from(u8::from(j == column))).collect();
    let df_limit = (of_class.len() - ranks.len()) as f64;
    let test = fitted.test(&unit, df_limit)?;
    let estimate = told(&test, settings.confidence)?;
    let estimator = if rows.are_estimates() { Estimator::TwoStage } else { Estimator::OneStage };
    Ok(Pooled { estimate, estimator, tau: fitted.components.between().sqrt(), predictive: new_case(&test) })
}

/// A t test as an estimate.
pub(super) fn told(test: &ContrastTest, confidence: f64) -> Result<Estimate, StatsError> {
    let interval = test.interval(confidence)?;
    Ok(Estimate {
        mean: Some(test.estimate),
        std_error: Some(test.se),
        df: Some(test.df),
        low: Some(interval.lower),
        high: Some(interval.upper),
        p_value: Some(test.p),
        p_randomization: None,
        probability_positive: Some(StudentT::new(test.df)?.cdf(test.t)),
    })
}
