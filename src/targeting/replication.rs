//! How many site-years and blocks a wanted precision takes.
//!
//! `Var = τ²/S + σ²/(S B)` for S site-years of B blocks, on S − 1 degrees of freedom; one site-year alone speaks for itself only,
//! on B − 1. What the archive tells of σ rests on few blocks, so the upper end of what it may be is planned with.

use crate::results::{Replication, ReplicationRow, SiteYear, ZoneResponse};
use crate::stats::StatsError;
use crate::stats::distribution::{ChiSquared, NoncentralT, StudentT};

/// Layouts that are tabulated.
const SITE_YEARS: [u32; 5] = [1, 2, 4, 8, 16];
const BLOCKS: [u32; 5] = [3, 4, 6, 8, 12];
/// Probability with which a response of the detectable size is to be found.
const POWER: f64 = 0.8;
/// The standard deviation is exceeded with this probability, by the chi-squared interval of its estimate.
const EXCEEDED: f64 = 0.2;

/// What every layout would tell of a treatment, from the spread that its site-years showed; `None` where no site-year has an
/// interval. `zone` is the treatment's over all ground and weather; `confidence` that of the intervals.
pub fn replication(
    treatment: &str,
    crop: &str,
    zone: Option<&ZoneResponse>,
    site_years: &[SiteYear],
    confidence: f64,
) -> Option<Replication> {
    let own: Vec<(f64, f64)> = site_years
        .iter()
        .filter(|one| one.identity.crop == crop)
        .flat_map(|one| &one.responses)
        .filter(|response| response.key.treatment == treatment && response.key.class.is_none() && response.blocks > 1)
        .filter_map(|response| Some((response.estimate.std_error?.powi(2), response.blocks as f64)))
        .collect();
    let df: f64 = own.iter().map(|(_, blocks)| blocks - 1.0).sum();
    if own.is_empty() {
        return None;
    }
    let pooled = own.iter().map(|(variance, blocks)| (blocks - 1.0) * blocks * variance).sum::<f64>() / df;
    let block_sd = (pooled * df / ChiSquared::new(df).ok()?.quantile(EXCEEDED).ok()?).sqrt();
    let between_sd = zone.and_then(|zone| zone.tau);
    let rows = SITE_YEARS
        .iter()
        .flat_map(|&site_years| BLOCKS.map(|blocks| (site_years, blocks)))
        // without τ nothing is reported of several site-years
        .filter(|&(site_years, _)| site_years == 1 || between_sd.is_some())
        .filter_map(|(site_years, blocks)| {
            row(site_years, blocks, block_sd, between_sd.unwrap_or(0.0), confidence).ok()
        })
        .collect();
    Some(Replication { treatment: treatment.to_owned(), block_sd, between_sd, rows })
}

/// What blocks in one field and season tell, by the standard deviation of a block's difference.
///
/// # Errors
/// Fewer than two blocks, a confidence outside 0 to 1.
pub fn one_field(blocks: u32, block_sd: f64, confidence: f64) -> Result<ReplicationRow, StatsError> {
    row(1, blocks, block_sd, 0.0, confidence)
}

fn row(
    site_years: u32,
    blocks: u32,
    block_sd: f64,
    between_sd: f64,
    confidence: f64,
) -> Result<ReplicationRow, StatsError> {
    let (s, b) = (f64::from(site_years), f64::from(blocks));
    let (variance, df) = if site_years == 1 {
        (block_sd * block_sd / b, b - 1.0)
    } else {
        (between_sd * between_sd / s + block_sd * block_sd / (s * b), s - 1.0)
    };
    let std_error = variance.sqrt();
    let half_width = StudentT::new(df)?.quantile(0.5 + 0.5 * confidence)? * std_error;
    Ok(ReplicationRow {
        site_years,
        blocks,
        std_error,
        df,
        half_width,
        detectable: detectable(df, confidence)? * std_error,
    })
}

/// The least response, in standard errors, that a two-sided test at `1 − confidence` finds with the wanted power (non-central
/// t, by bisection).
///
/// # Errors
/// Degrees of freedom not above 0, a confidence outside 0 to 1.
pub fn detectable(df: f64, confidence: f64) -> Result<f64, StatsError> {
    let limit = StudentT::new(df)?.quantile(0.5 + 0.5 * confidence)?;
    let power = |size: f64| -> Result<f64, StatsError> {
        let t = NoncentralT::new(df, size)?;
        Ok(t.survival(limit) + t.cdf(-limit))
    };
    let (mut low, mut high) = (0.0, 2.0 * limit + 10.0);
    while power(high)? < POWER {
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if power(middle)? < POWER { low = middle } else { high = middle }
    }
    Ok(high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Least difference over the standard deviation of block differences that B blocks find with a power of 0.8, two-sided: values
    /// of ours by another program, printed to two decimals.
    #[test]
    fn the_least_difference_is_that_of_another_program() {
        let blocks = [3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 30.0];
        let table = [
            (0.95, [3.26, 2.13, 1.68, 1.44, 1.16, 1.00, 0.89, 0.75, 0.66, 0.53]),
            (0.90, [2.30, 1.65, 1.36, 1.19, 0.98, 0.85, 0.77, 0.65, 0.58, 0.47]),
            (0.80, [1.60, 1.25, 1.07, 0.95, 0.80, 0.70, 0.64, 0.55, 0.49, 0.39]),
        ];
        for (confidence, expected) in table {
            for (b, expected) in blocks.into_iter().zip(expected) {
                let found = detectable(b - 1.0, confidence).unwrap() / f64::sqrt(b);
                assert!((found - expected).abs() < 0.0101, "{confidence} {b}: {found} instead of {expected}");
            }
        }
    }

    #[test]
    fn more_site_years_tell_more_than_more_blocks() {
        let width = |s, b| row(s, b, 8.0, 4.0, 0.9).unwrap().half_width;
        assert!(width(8, 4) < width(4, 8) && width(4, 8) < width(4, 4));
        // τ 4, σ 8, 16 site-years of 4 blocks: √(16/16 + 64/64)
        assert!((row(16, 4, 8.0, 4.0, 0.9).unwrap().std_error - 2.0_f64.sqrt()).abs() < 1e-12);
    }
}
