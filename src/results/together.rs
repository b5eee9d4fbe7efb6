//! How the errors of several treatments' means go together.
//!
//! Treatments are compared with the same checks in the same weather: the correlation of the site-years' responses about their
//! means, drawn towards that of equal plots against one common check, one half (Dunnett 1955, Journal of the American Statistical
//! Association 50:1096), and scaled by how far the two means rest on the same site-years.

use super::{ForestKind, ForestRow, SiteYearIdentity, ZoneResponse};

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

/// Correlations of the errors of the means of treatments over all ground.
pub(crate) fn correlations(zones: &[&ZoneResponse], forest: &[ForestRow]) -> Vec<Vec<f64>> {
    let members: Vec<Vec<Member<'_>>> = zones.iter().map(|zone| members(zone, forest)).collect();
    let mut matrix = vec![vec![1.0; zones.len()]; zones.len()];
    for one in 0..zones.len() {
        for other in 0..one {
            let found = correlation(&members[one], &members[other]);
            matrix[one][other] = found;
            matrix[other][one] = found;
        }
    }
    matrix
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

/// The factor of a correlation matrix by Cholesky; the correlations are weakened until there is one.
pub(crate) fn factor(correlations: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let count = correlations.len();
    let mut keep = 1.0;
    loop {
        let at = |row: usize, column: usize| if row == column { 1.0 } else { keep * correlations[row][column] };
        let mut lower = vec![vec![0.0; count]; count];
        let mut is_positive = true;
        for row in 0..count {
            for column in 0..=row {
                let inner: f64 = (0..column).map(|k| lower[row][k] * lower[column][k]).sum();
                let rest: f64 = at(row, column) - inner;
                lower[row][column] = if row == column {
                    is_positive &= rest > 1e-9;
                    rest.max(1e-9).sqrt()
                } else {
                    rest / lower[column][column]
                };
            }
        }
        if is_positive {
            return lower;
        }
        keep *= 0.95;
    }
}
