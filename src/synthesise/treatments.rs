//! Partial pooling over the treatments of a crop: the best-looking of many owes part of its lead to luck.
//!
//! Of ten products that break even exactly, one seems to pay in a third of simulated archives. The means over all ground are drawn towards their common mean by as much as they are uncertain, with the covariance that their common checks and seasons
//! give them, and the spread between treatments averaged over (Gelman 2006, Bayesian Anal. 1:515–534). Two tell too little of a spread.

use super::priors::Priors;
use crate::config::ArchiveSettings;
use crate::results::{Estimate, ForestRow, ShrunkenZone, Synthesis, ZoneResponse, correlations};
use crate::stats::dense::Mat;
use crate::stats::distribution::{Component, Mixture};
use crate::stats::{PartialPooling, StatsError};

/// Treatments from which their spread is asked for (ours).
const LEAST: usize = 3;

/// Fills in what the treatments of each crop draw each other to.
pub(super) fn towards_each_other(synthesis: &mut Synthesis, archive: &ArchiveSettings) {
    let confidence = archive.model.confidence;
    let Synthesis { zones, forest, .. } = synthesis;
    for zones in zones.chunk_by_mut(|one, next| one.crop == next.crop) {
        let mut moved: Vec<(String, f64)> = Vec::new();
        for (treatment, distribution) in drawn(zones, forest).unwrap_or_default() {
            let is_whole = |zone: &&mut ZoneResponse| {
                zone.treatment == treatment && zone.class.is_none() && zone.wetness.is_none()
            };
            if let Some(zone) = zones.iter_mut().find(is_whole)
                && let (Ok((centre, scale, df)), Ok(interval)) =
                    (distribution.nearest_t(), distribution.interval(confidence))
            {
                zone.among_treatments = Estimate::of_t(centre, scale, df, confidence);
                let (low, high) = (interval.lower, interval.upper);
                zone.shrunken = Some(ShrunkenZone { mean: centre, low, high, distribution });
                moved.push((treatment, zone.drawn_by()));
            }
        }
        for (treatment, by) in moved {
            let parts = zones.iter_mut().filter(|zone| zone.treatment == treatment && zone.among_treatments.is_none());
            parts.for_each(|zone| move_by(zone, by, confidence));
        }
    }
}

/// The means over all ground, by treatment.
fn drawn(zones: &[ZoneResponse], forest: &[ForestRow]) -> Result<Vec<(String, Mixture)>, StatsError> {
    let wholes: Vec<&ZoneResponse> = zones
        .iter()
        .filter(|zone| zone.class.is_none() && zone.wetness.is_none() && zone.estimator.is_pooled())
        .filter(|zone| zone.estimate.std_error.is_some())
        .collect();
    let count = wholes.len();
    if count < LEAST {
        return Ok(Vec::new());
    }
    let of = |pick: &dyn Fn(&ZoneResponse) -> Option<f64>| -> Vec<f64> {
        wholes.iter().map(|zone| pick(zone).unwrap_or(f64::NAN)).collect()
    };
    let (means, errors, degrees) =
        (of(&|zone| zone.estimate.mean), of(&|zone| zone.estimate.std_error), of(&|zone| zone.estimate.df));
    let together = correlations(&wholes, forest);
    let sampling = Mat::from_fn(count, count, |i, j| errors[i] * errors[j] * together[(i, j)]);
    let yields: Vec<f64> = wholes.iter().filter_map(|zone| zone.check_yield).collect();
    let level = yields.iter().sum::<f64>() / yields.len().max(1) as f64;
    let priors = Priors { check_yield: if level > 0.0 { level } else { super::FALLBACK_YIELD_KG_HA }, factor: 1.0 };
    let (ones, apart) = (Mat::from_fn(count, 1, |_, _| 1.0), Mat::<f64>::identity(count, count));
    let pooling = PartialPooling::new(&means, sampling.as_ref(), ones.as_ref(), apart.as_ref(), priors.zone())?;
    (0..count)
        .map(|at| {
            let unit: Vec<f64> = (0..count).map(|j| f64::from(u8::from(j == at))).collect();
            let parts = pooling.estimate(&unit)?;
            let mean = Mixture::new(parts.components().map(|part| Component { df: degrees[at], ..*part }))?;
            Ok((wholes[at].treatment.clone(), mean))
        })
        .collect()
}

/// Moves what is said of a part of the ground, or of the weather, by what the treatment's mean over all of it was drawn by.
fn move_by(zone: &mut ZoneResponse, by: f64, confidence: f64) {
    let Estimate { mean, std_error, df, .. } = zone.estimate;
    zone.among_treatments = mean
        .zip(std_error)
        .zip(df)
        .and_then(|((mean, std_error), df)| Estimate::of_t(mean + by, std_error, df, confidence));
    if let Some(shrunken) = &mut zone.shrunken
        && let Ok(distribution) = shrunken.distribution.scaled(1.0, by)
    {
        let ShrunkenZone { mean, low, high, .. } = *shrunken;
        *shrunken = ShrunkenZone { mean: mean + by, low: low + by, high: high + by, distribution };
    }
}
