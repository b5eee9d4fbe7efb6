//! Partial pooling: the cells of a model drawn towards their common mean and towards their neighbours in the order of the
//! classes, by as much as they are uncertain.
//!
//! The winner among many zones owes part of its lead to luck; the shrunken response takes that part back. The spread
//! between zones is averaged over instead of plugged in, since few zones tell little of it (Gelman 2006, Bayesian Anal.
//! 1:515–534).

use std::collections::BTreeMap;

use super::cells::{Cell, Cells, Settings};
use crate::results::{ShrunkenZone, ZoneResponse};
use crate::stats::dense::Mat;
use crate::stats::distribution::{Component, Mixture};
use crate::stats::{PartialPooling, StatsError};

/// Correlation of the deviations of two classes one rank apart (ours: neighbours in drainage or wetness are alike).
const NEIGHBOURS: f64 = 0.5;
/// Degrees of freedom of a cell without a pooled mean of its own: those of three site-years.
const LEAST_DF: f64 = 2.0;

/// Fills in the shrunken responses of the cells of one model.
pub(super) fn towards_neighbours(cells: &Cells, zones: &mut BTreeMap<Cell, ZoneResponse>, settings: &Settings) {
    for (at, shrunken) in shrink(cells, settings).unwrap_or_default().into_iter().enumerate() {
        if let Some(zone) = zones.get_mut(&cells.means[at].cell) {
            zone.shrunken = Some(shrunken);
        }
    }
}

fn shrink(cells: &Cells, settings: &Settings) -> Result<Vec<ShrunkenZone>, StatsError> {
    let count = cells.means.len();
    let told = |distribution: Mixture| -> Result<ShrunkenZone, StatsError> {
        let interval = distribution.interval(settings.confidence)?;
        let mean = distribution.components().map(|part| part.weight * part.centre).sum();
        Ok(ShrunkenZone { mean, low: interval.lower, high: interval.upper, distribution })
    };
    if count == 1 {
        // Nothing to be drawn to.
        let Some(pooled) = &cells.means[0].pooled else { return Ok(Vec::new()) };
        let (Some(centre), Some(scale), Some(df)) =
            (pooled.estimate.mean, pooled.estimate.std_error, pooled.estimate.df)
        else {
            return Ok(Vec::new());
        };
        return Ok(vec![told(Mixture::new([Component { weight: 1.0, centre, scale, df }])?)?]);
    }
    let apart =
        |one: Option<usize>, other: Option<usize>| one.zip(other).map_or(0, |(one, other)| one.abs_diff(other)) as f64;
    let correlation = Mat::from_fn(count, count, |i, j| {
        let (one, other) = (cells.means[i].cell, cells.means[j].cell);
        NEIGHBOURS.powf(apart(one.class, other.class) + apart(one.wetness, other.wetness))
    });
    let ones = Mat::from_fn(count, 1, |_, _| 1.0);
    let (coefficients, covariance) = cells.coefficients();
    let pooling = PartialPooling::new(
        &coefficients,
        covariance.as_ref(),
        ones.as_ref(),
        correlation.as_ref(),
        settings.priors.zone(),
    )?;
    (0..count)
        .map(|at| {
            let unit: Vec<f64> = (0..count).map(|j| f64::from(u8::from(j == cells.means[at].column))).collect();
            // The covariance was estimated, too: its degrees of freedom are those of the cell's own mean.
            let df = cells.means[at].pooled.as_ref().and_then(|pooled| pooled.estimate.df).unwrap_or(LEAST_DF);
            told(Mixture::new(pooling.estimate(&unit)?.components().map(|part| Component { df, ..*part }))?)
        })
        .collect()
}
