//! How the errors of several treatments' means go together.
//!
//! Treatments are compared with the same checks in the same weather: the correlation of the site-years' responses about their
//! means, drawn towards that of equal plots against one common check, one half (Dunnett 1955, Journal of the American Statistical
//! Association 50:1096), and scaled by how far the two means rest on the same site-years.

use super::{ForestKind, ForestRow, SiteYearIdentity, ZoneResponse};
use crate::stats::dense::{Cholesky, Mat};

/// Correlation of two treatments against one check in plots of one size: Dunnett 1955.
const COMMON_CHECK: f64 = 0.5;
/// Site-years that [`COMMON_CHECK`] counts as (ours: fewer tell little of a correlation).
const PRIOR_SITE_YEARS: f64 = 4.0;

/// A site-year behind a mean: what it deviates by, and what it weighs.
struct Member<'s> {
    identity: &'s SiteYearIdentity,
    deviation: f64,
    weight: f64,
}

fn members<'s>(zone: &ZoneResponse, forest: &'s [ForestRow]) -> Vec<Member<'s>> {
    let is_own = |row: &&ForestRow| {
        row.kind == ForestKind::SiteYear
            && row.class.is_none()
            && row.crop == zone.crop
            && row.treatment == zone.treatment
    };
    let own = forest.iter().filter(is_own);
    own.filter_map(|row| {
        let deviation = row.estimate.mean? - zone.estimate.mean?;
        Some(Member { identity: row.identity.as_ref()?, deviation, weight: row.weight? })
    })
    .collect()
}

/// Correlations of the errors of the means of treatments over all ground, weakened until they are those of some distribution.
pub(crate) fn correlations(zones: &[&ZoneResponse], forest: &[ForestRow]) -> Mat<f64> {
    let members: Vec<Vec<Member<'_>>> = zones.iter().map(|zone| members(zone, forest)).collect();
    let mut found = Mat::<f64>::identity(zones.len(), zones.len());
    for one in 0..zones.len() {
        for other in 0..one {
            found[(one, other)] = correlation(&members[one], &members[other]);
            found[(other, one)] = found[(one, other)];
        }
    }
    while !is_positive(&found) {
        found = Mat::from_fn(zones.len(), zones.len(), |i, j| if i == j { 1.0 } else { 0.95 * found[(i, j)] });
    }
    found
}

fn is_positive(correlations: &Mat<f64>) -> bool {
    /// Least square of a pivot.
    const LEAST: f64 = 1e-9;
    let pivots = |factor: Cholesky| (0..factor.size()).all(|i| factor.lower()[(i, i)].powi(2) > LEAST);
    Cholesky::new(correlations.as_ref()).is_some_and(pivots)
}

fn correlation(one: &[Member<'_>], other: &[Member<'_>]) -> f64 {
    let shared: Vec<(&Member<'_>, &Member<'_>)> = one
        .iter()
        .filter_map(|own| Some((own, other.iter().find(|theirs| theirs.identity == own.identity)?)))
        .collect();
    let sum = |pick: &dyn Fn(&Member<'_>, &Member<'_>) -> f64| {
        shared.iter().map(|(a, b)| (a.weight * b.weight).max(0.0).sqrt() * pick(a, b)).sum::<f64>()
    };
    let (across, own, theirs) =
        (sum(&|a, b| a.deviation * b.deviation), sum(&|a, _| a.deviation.powi(2)), sum(&|_, b| b.deviation.powi(2)));
    let n = shared.len() as f64;
    let found = across / (own * theirs).sqrt();
    let told = if shared.len() > 2 && found.is_finite() {
        (n * found + PRIOR_SITE_YEARS * COMMON_CHECK) / (n + PRIOR_SITE_YEARS)
    } else {
        COMMON_CHECK
    };
    let squares = |all: &[Member<'_>]| all.iter().map(|member| member.weight.powi(2)).sum::<f64>();
    let overlap = shared.iter().map(|(a, b)| a.weight * b.weight).sum::<f64>() / (squares(one) * squares(other)).sqrt();
    if overlap.is_finite() { (told * overlap).clamp(-0.99, 0.99) } else { 0.0 }
}
