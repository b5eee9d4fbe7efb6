//! What the model over site-years is fitted to: the site-years' own estimates, or the means of their block differences.

use super::members::{Comparison, Member};
use crate::stats::StatsError;
use crate::stats::crossed::{Crossed, CrossedLeaf, CrossedRow, Scatter};

/// What is modelled: one entry a row.
#[derive(Debug, Clone, Default)]
pub(super) struct Rows {
    /// Index of the member.
    pub(super) member: Vec<usize>,
    /// Rank of the soil class; 0 where the whole field is modelled.
    pub(super) class: Vec<usize>,
    /// The response, kg/ha.
    pub(super) y: Vec<f64>,
    /// Its sampling variance, (kg/ha)², or the inverse of the number of blocks where one variance is shared by all blocks.
    variance: Vec<f64>,
    /// The part of it that the rows of one site-year share, (kg/ha)².
    shared: Vec<f64>,
    /// By member: season, farm and field, numbered.
    places: Vec<CrossedLeaf>,
    /// How the differences of blocks scatter about their means; without it the variances are known.
    scatter: Option<Scatter>,
}

/// Largest share of the smallest variance of a site-year's classes that their errors may have in common: with all of it,
/// one class would tell the others exactly.
const MOST_SHARED: f64 = 0.9;

/// Degrees of freedom below which a standard error is too uncertain for any correction.
const LEAST_DF: f64 = 1.5;

/// The sampling variance of an estimate with few degrees of freedom: too small as often as too large, and the small ones
/// would get too much weight. `(ν + 1)/(ν − 1)` makes up for it.
pub(super) fn inflated_variance(std_error: f64, df: f64) -> f64 {
    let factor = if df > LEAST_DF { (df + 1.0) / (df - 1.0) } else { 5.0 };
    std_error * std_error * factor
}

impl Rows {
    /// What tells of the classes (or of the whole field, with `None`): the site-years' own estimates, or block differences
    /// where they cover more than twice as many site-years, as with single blocks, which have no standard error of their own.
    ///
    /// The estimates come first because each weighs its segments by what they tell, which a block difference does not.
    pub(super) fn of(comparison: &Comparison<'_>, classes: &[Option<usize>]) -> Option<Self> {
        let estimates = Self::of_estimates(comparison, classes);
        let covered = |rows: &Option<Self>| rows.as_ref().map_or(0, |rows| rows.members().len());
        let blocks = Self::of_blocks(comparison, classes);
        if covered(&blocks) > 2 * covered(&estimates) { blocks } else { estimates }
    }

    /// The means of the block differences of the classes (or of the whole field, with `None`) in which the site-year has an
    /// estimate of its own; `None` when some of them has no differences.
    fn of_blocks(comparison: &Comparison<'_>, classes: &[Option<usize>]) -> Option<Self> {
        let mut rows = Self { places: places(comparison), ..Self::default() };
        let mut scatter = Scatter::default();
        for (at, member) in comparison.members.iter().enumerate() {
            for &class in classes {
                let estimated = member.response(class).is_some_and(|response| response.estimate.mean.is_some());
                if !estimated {
                    continue;
                }
                let own = member.differences.iter().filter(|one| one.key.class == class).map(|one| one.difference);
                let own: Vec<f64> = own.collect();
                if own.is_empty() {
                    return None;
                }
                let count = own.len() as f64;
                let mean = own.iter().sum::<f64>() / count;
                scatter.squares += own.iter().map(|one| (one - mean) * (one - mean)).sum::<f64>();
                scatter.df += count - 1.0;
                rows.push(at, class, mean, (1.0 / count, 0.0));
            }
        }
        rows.scatter = Some(scatter);
        (!rows.y.is_empty()).then_some(rows)
    }

    fn push(&mut self, member: usize, class: Option<usize>, y: f64, (variance, shared): (f64, f64)) {
        self.member.push(member);
        self.class.push(class.unwrap_or(0));
        self.y.push(y);
        self.variance.push(variance);
        self.shared.push(shared);
    }

    /// The site-years' own estimates with their sampling variances.
    fn of_estimates(comparison: &Comparison<'_>, classes: &[Option<usize>]) -> Option<Self> {
        let mut rows = Self { places: places(comparison), ..Self::default() };
        for (at, member) in comparison.members.iter().enumerate() {
            let known: Vec<(Option<usize>, f64, f64, f64, f64)> = classes
                .iter()
                .filter_map(|&class| {
                    let response = member.response(class)?;
                    let estimate = &response.estimate;
                    let (mean, std_error, df) = (estimate.mean?, estimate.std_error?, estimate.df?);
                    (std_error > 0.0).then_some((class, mean, std_error, df, response.area_m2))
                })
                .collect();
            let whole = member.response(None).and_then(|response| response.estimate.std_error);
            let parts: Vec<(f64, f64)> = known.iter().map(|one| (one.2 * one.2, one.4)).collect();
            let common = whole.map_or(0.0, |std_error| common_covariance(std_error * std_error, &parts));
            for (class, mean, std_error, df, _) in known {
                rows.push(at, class, mean, (inflated_variance(std_error, df) - common, common));
            }
        }
        (!rows.y.is_empty()).then_some(rows)
    }

    /// The rows that `keep` admits.
    pub(super) fn filtered(&self, keep: impl Fn(usize, usize) -> bool) -> Self {
        let mut rows = Self { places: self.places.clone(), scatter: self.scatter, ..Self::default() };
        for at in (0..self.y.len()).filter(|&at| keep(self.member[at], self.class[at])) {
            rows.member.push(self.member[at]);
            rows.class.push(self.class[at]);
            rows.y.push(self.y[at]);
            rows.variance.push(self.variance[at]);
            rows.shared.push(self.shared[at]);
        }
        rows
    }

    /// Whether they are the site-years' own estimates.
    pub(super) fn are_estimates(&self) -> bool {
        self.scatter.is_none()
    }

    /// Mean sampling variance where it is known, (kg/ha)²; else 0.
    pub(super) fn mean_variance(&self) -> f64 {
        let all = self.variance.iter().zip(&self.shared).map(|(own, shared)| own + shared);
        if self.are_estimates() { all.sum::<f64>() / self.y.len() as f64 } else { 0.0 }
    }

    /// Laid out for the model: `x` is the design of a row by its entries that are not 0, `slope` what its site-year's own slope
    /// is multiplied with.
    ///
    /// # Errors
    /// As [`Crossed::new`].
    pub(super) fn laid_out(
        &self,
        columns: usize,
        x: impl Fn(usize) -> Vec<(usize, f64)>,
        slope: Option<&[f64]>,
    ) -> Result<Crossed, StatsError> {
        let members = self.members();
        let leaf = |at: usize| members.binary_search(&self.member[at]).unwrap_or(0);
        let mut leaves: Vec<CrossedLeaf> = members.iter().map(|&member| self.places[member]).collect();
        let rows: Vec<CrossedRow> = (0..self.y.len())
            .map(|at| {
                leaves[leaf(at)].shared = self.shared[at];
                CrossedRow {
                    y: self.y[at],
                    variance: self.variance[at],
                    leaf: leaf(at),
                    slope: slope.map_or(0.0, |values| values[at]),
                    x: x(at),
                }
            })
            .collect();
        Crossed::new(&rows, &leaves, columns, self.scatter.unwrap_or_default())
    }

    /// The farm and the field of each number that a layout answers with.
    pub(super) fn place(&self, member: usize) -> (usize, usize) {
        (self.places[member].outer, self.places[member].inner)
    }

    /// Seasons and farms of the rows.
    pub(super) fn seasons_and_farms(&self) -> (usize, usize) {
        let count = |pick: fn(&CrossedLeaf) -> usize| {
            distinct(&self.members().iter().map(|&member| pick(&self.places[member])).collect::<Vec<_>>()).len()
        };
        (count(|place| place.cross), count(|place| place.outer))
    }

    /// Different members.
    pub(super) fn members(&self) -> Vec<usize> {
        distinct(&self.member)
    }
}

/// The covariance that any two classes of a site-year have in common, from the variances of the classes with their areas and
/// that of their area-weighted mean: `V = Σ w² v + 2 c Σ w w′`, solved for `c` and kept between 0 and what a covariance can
/// be. One class has none.
fn common_covariance(of_mean: f64, parts: &[(f64, f64)]) -> f64 {
    let area: f64 = parts.iter().map(|part| part.1).sum();
    let shares: Vec<f64> = parts.iter().map(|part| part.1 / area).collect();
    let alone: f64 = parts.iter().zip(&shares).map(|(part, share)| share * share * part.0).sum();
    let pairs = 1.0 - shares.iter().map(|share| share * share).sum::<f64>();
    let least = parts.iter().map(|part| part.0).fold(f64::INFINITY, f64::min);
    let common = (of_mean - alone) / pairs;
    if common.is_finite() { common.clamp(0.0, MOST_SHARED * least) } else { 0.0 }
}

/// Season, farm and field of each member, numbered in order.
pub(super) fn places(comparison: &Comparison<'_>) -> Vec<CrossedLeaf> {
    let identity = |member: &Member<'_>| member.site_year.identity.clone();
    let mut farms: Vec<String> = comparison.members.iter().map(|member| identity(member).farm).collect();
    let mut fields: Vec<(String, String)> =
        comparison.members.iter().map(|member| (identity(member).farm, identity(member).field)).collect();
    farms.sort_unstable();
    farms.dedup();
    fields.sort_unstable();
    fields.dedup();
    let place = |member: &Member<'_>| {
        let identity = identity(member);
        CrossedLeaf {
            cross: usize::try_from(identity.season).unwrap_or(0),
            outer: farms.binary_search(&identity.farm).unwrap_or(0),
            inner: fields.binary_search(&(identity.farm, identity.field)).unwrap_or(0),
            shared: 0.0,
        }
    };
    comparison.members.iter().map(place).collect()
}

pub(super) fn distinct(values: &[usize]) -> Vec<usize> {
    let mut values = values.to_vec();
    values.sort_unstable();
    values.dedup();
    values
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: variances 4 and 9 with covariance 3, shares 1/4 and 3/4: 4/16 + 81/16 + 2 · 3 · 3/16 = 6.4375.
    #[test]
    fn the_covariance_of_two_classes_follows_from_the_variance_of_their_mean() {
        let parts = [(4.0, 1.0), (9.0, 3.0)];
        assert!((common_covariance(6.437_5, &parts) - 3.0).abs() < 1e-12);
        // never below 0, never more than nine tenths of the smaller variance, none for a single class
        assert!(common_covariance(5.0, &parts).abs() < 1e-12);
        assert!((common_covariance(9.0, &parts) - 3.6).abs() < 1e-12);
        assert!(common_covariance(4.0, &parts[..1]).abs() < 1e-12);
    }
}
