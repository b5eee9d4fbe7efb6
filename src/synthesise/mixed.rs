//! The mixed model over site-years, from block differences or from the site-years' own estimates.
//!
//! `d = Xβ + t + u + v + e`: `t` the season, whose site-years share its weather and all else that the year brings, `u` the
//! site-year, `v` the site-year on one soil class, `e` the error of the estimate, whose covariance is that of the site-year's
//! own analysis. Without `t` the mean of sixty site-years of eight seasons would claim to know sixty seasons. Where too few
//! site-years have a standard error of their own, the rows are block differences, `e` is a block's deviation and what is
//! left, the smaller the more segments were compared, and one variance is shared by all site-years. Fitted by restricted
//! likelihood; standard errors and degrees of freedom by Kenward & Roger 1997, Biometrics 53:983–997, never more than the
//! site-years allow.

use std::collections::BTreeMap;

use super::members::{Comparison, Member};
use crate::stats::dense::Mat;
use crate::stats::mixed::{FitOptions, KnownBlock, MixedFit, MixedModel, Residual, SmallSample};
use crate::stats::{ContrastTest, StatsError};

/// What is modelled: one entry a row.
#[derive(Debug, Clone, Default)]
pub(super) struct Rows {
    /// Index of the member.
    pub(super) member: Vec<usize>,
    /// Its season.
    season: Vec<usize>,
    /// Rank of the soil class; 0 where the whole field is modelled.
    pub(super) class: Vec<usize>,
    /// Number of the block, unique over members.
    block: Vec<usize>,
    /// The response, kg/ha.
    pub(super) y: Vec<f64>,
    /// Segments behind it.
    segments: Vec<f64>,
    /// Sampling variance where it is known beforehand, (kg/ha)²; empty for block differences.
    known: Vec<f64>,
    /// The part of it that the rows of one site-year share, (kg/ha)²; as many as there are variances.
    shared: Vec<f64>,
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

    /// Block differences of the classes (or of the whole field, with `None`) in which the site-year has an estimate of
    /// its own; `None` when some of them has none.
    fn of_blocks(comparison: &Comparison<'_>, classes: &[Option<usize>]) -> Option<Self> {
        let mut rows = Self::default();
        let mut blocks = BTreeMap::new();
        for (at, member) in comparison.members.iter().enumerate() {
            for &class in classes {
                let estimated = member.response(class).is_some_and(|response| response.estimate.mean.is_some());
                if !estimated {
                    continue;
                }
                let before = rows.y.len();
                for difference in member.differences.iter().filter(|one| one.key.class == class) {
                    let next = blocks.len();
                    rows.member.push(at);
                    rows.season.push(season_of(member));
                    rows.class.push(class.unwrap_or(0));
                    rows.block.push(*blocks.entry((at, difference.block.as_str())).or_insert(next));
                    rows.y.push(difference.difference);
                    rows.segments.push(difference.segments.max(1) as f64);
                }
                if rows.y.len() == before {
                    return None;
                }
            }
        }
        (!rows.y.is_empty()).then_some(rows)
    }

    /// The site-years' own estimates with their sampling variances.
    fn of_estimates(comparison: &Comparison<'_>, classes: &[Option<usize>]) -> Option<Self> {
        let mut rows = Self::default();
        for (at, member) in comparison.members.iter().enumerate() {
            let known: Vec<(usize, f64, f64, f64, f64)> = classes
                .iter()
                .filter_map(|&class| {
                    let response = member.response(class)?;
                    let estimate = &response.estimate;
                    let (mean, std_error, df) = (estimate.mean?, estimate.std_error?, estimate.df?);
                    (std_error > 0.0).then_some((class.unwrap_or(0), mean, std_error, df, response.area_m2))
                })
                .collect();
            let whole = member.response(None).and_then(|response| response.estimate.std_error);
            let parts: Vec<(f64, f64)> = known.iter().map(|one| (one.2 * one.2, one.4)).collect();
            let common = whole.map_or(0.0, |std_error| common_covariance(std_error * std_error, &parts));
            for (class, mean, std_error, df, _) in known {
                rows.member.push(at);
                rows.season.push(season_of(member));
                rows.class.push(class);
                rows.block.push(rows.y.len());
                rows.y.push(mean);
                rows.segments.push(1.0);
                rows.known.push(inflated_variance(std_error, df));
                rows.shared.push(common);
            }
        }
        (!rows.y.is_empty()).then_some(rows)
    }

    /// The rows that `keep` admits.
    pub(super) fn filtered(&self, keep: impl Fn(usize, usize) -> bool) -> Self {
        let mut rows = Self::default();
        for at in (0..self.y.len()).filter(|&at| keep(self.member[at], self.class[at])) {
            rows.member.push(self.member[at]);
            rows.season.push(self.season[at]);
            rows.class.push(self.class[at]);
            rows.block.push(self.block[at]);
            rows.y.push(self.y[at]);
            rows.segments.push(self.segments[at]);
            rows.known.extend(self.known.get(at));
            rows.shared.extend(self.shared.get(at));
        }
        rows
    }

    /// Whether the sampling variances are known beforehand.
    pub(super) fn are_estimates(&self) -> bool {
        !self.known.is_empty()
    }

    /// The sampling variances that are known beforehand.
    pub(super) fn known_variances(&self) -> &[f64] {
        &self.known
    }

    /// Their covariance: the classes of a site-year share checks, strips and ground.
    fn known_covariance(&self) -> Vec<KnownBlock> {
        let mut by_member: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (at, &member) in self.member.iter().enumerate() {
            by_member.entry(member).or_default().push(at);
        }
        let block = |rows: Vec<usize>| {
            let between = |i: usize, j: usize| if i == j { self.known[rows[i]] } else { self.shared[rows[i]] };
            KnownBlock { covariance: Mat::from_fn(rows.len(), rows.len(), between), rows }
        };
        by_member.into_values().map(block).collect()
    }

    /// One level a site-year and class.
    fn site_class(&self) -> Vec<usize> {
        let mut levels = BTreeMap::new();
        self.member
            .iter()
            .zip(&self.class)
            .map(|key| {
                let next = levels.len();
                *levels.entry(key).or_insert(next)
            })
            .collect()
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

fn season_of(member: &Member<'_>) -> usize {
    usize::try_from(member.site_year.identity.season).unwrap_or(0)
}

pub(super) fn distinct(values: &[usize]) -> Vec<usize> {
    let mut values = values.to_vec();
    values.sort_unstable();
    values.dedup();
    values
}

/// Variances between and within site-years, (kg/ha)².
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Components {
    /// Between seasons.
    pub(super) season: f64,
    /// Between site-years of a season.
    pub(super) site_year: f64,
    /// Between the classes of a site-year, beyond what all site-years share.
    pub(super) site_class: f64,
    /// Between blocks.
    block: f64,
    /// Of one difference; of one segment where a block has several differences.
    residual: f64,
    per_segment: bool,
}

impl Components {
    /// Between site-years on one class.
    pub(super) fn between(&self) -> f64 {
        self.season + self.site_year + self.site_class
    }
}

/// Share of the variance that is taken to lie between site-years where nothing tells it from that within; not quite all,
/// since a sampling variance must be above 0.
const WHOLLY_BETWEEN: f64 = 1.0 - 1e-6;

/// Fewest seasons for a variance between them.
const LEAST_SEASONS: usize = 3;

/// A fitted model.
pub(super) struct Fitted {
    fit: MixedFit,
    small: SmallSample,
    pub(super) components: Components,
}

/// A random slope over site-years: the values of the rows.
pub(super) type Slope<'v> = Option<&'v [f64]>;

/// Fits the model to a design with one row a row.
///
/// Random effects that the data cannot tell from each other or from the residual are left out.
///
/// # Errors
/// As the mixed model's.
pub(super) fn fit(rows: &Rows, design: &Mat<f64>, slope: Slope<'_>) -> Result<Fitted, StatsError> {
    let count = |levels: &[usize]| distinct(levels).len();
    let (site_class, all) = (rows.site_class(), rows.y.len());
    let sites = count(&rows.member);
    // Effects are nested, so two of them differ where they have different numbers of levels.
    let has_site = rows.are_estimates() || sites < all;
    let has_site_class = count(&site_class) > sites && (rows.are_estimates() || count(&site_class) < all);
    let blocks = count(&rows.block);
    let seasons = count(&rows.season);
    let has_season = seasons >= LEAST_SEASONS && seasons < sites;
    let has_block = !rows.are_estimates() && blocks > sites && blocks < all;
    let mut model = MixedModel::new(&rows.y, design.as_ref())?;
    if has_season {
        model = model.with_random(&rows.season)?;
    }
    if has_site {
        model = model.with_random(&rows.member)?;
    }
    if has_site_class {
        model = model.with_random(&site_class)?;
    }
    if has_block {
        model = model.with_random(&rows.block)?.with_weights(&rows.segments)?;
    }
    if let Some(values) = slope {
        model = model.with_random_slope(&rows.member, values)?;
    }
    if rows.are_estimates() {
        model = model.with_residual(Residual::KnownOnly)?.with_known_covariance(rows.known_covariance())?;
    }
    let fit = model.fit(&FitOptions::default())?;
    let small = fit.small_sample()?;
    let parameters = fit.parameters();
    let mut random = parameters.random.iter().copied();
    let mut next = |present: bool| if present { random.next().unwrap_or(0.0) } else { 0.0 };
    let mut components = Components {
        season: next(has_season),
        site_year: next(has_site),
        site_class: next(has_site_class),
        block: next(has_block),
        residual: parameters.residual,
        per_segment: has_block,
    };
    if !has_site {
        // One difference a site-year: what varies within one cannot be told from what varies between them. All of it
        // is taken to lie between, which makes the prediction too wide rather than too narrow.
        components.site_year = WHOLLY_BETWEEN * components.residual;
        components.residual *= 1.0 - WHOLLY_BETWEEN;
    }
    Ok(Fitted { fit, small, components })
}

impl Fitted {
    /// The test of a contrast, with at most `df_limit` degrees of freedom where a variance was found to be 0: what lies
    /// between site-years then rests on them alone.
    ///
    /// # Errors
    /// A contrast without variance.
    pub(super) fn test(&self, contrast: &[f64], df_limit: f64) -> Result<ContrastTest, StatsError> {
        // Without a variance at 0 the model counts its own degrees of freedom.
        let limit = (!self.fit.boundary().is_empty()).then_some(df_limit);
        self.small.kenward_roger(contrast, limit)
    }

    /// The test of a contrast between site-years, with at most `df_limit` degrees of freedom in any case.
    ///
    /// # Errors
    /// A contrast without variance.
    pub(super) fn limited_test(&self, contrast: &[f64], df_limit: f64) -> Result<ContrastTest, StatsError> {
        self.small.kenward_roger(contrast, Some(df_limit))
    }

    /// The fixed effects.
    pub(super) fn coefficients(&self) -> &[f64] {
        self.fit.coefficients()
    }

    /// Their covariance, adjusted for the estimation of the variances.
    pub(super) fn covariance(&self) -> &Mat<f64> {
        self.small.adjusted_covariance()
    }

    /// Each site-year's own mean on each class with its sampling variance, by the variances of the model: member, class,
    /// mean, variance.
    pub(super) fn summaries(&self, rows: &Rows) -> Vec<Summary> {
        let parts = &self.components;
        let mut sums: BTreeMap<(usize, usize), (f64, f64)> = BTreeMap::new();
        for at in 0..rows.y.len() {
            let variance = rows.known.get(at).copied().unwrap_or_else(|| {
                let share = if parts.per_segment { rows.segments[at] } else { 1.0 };
                parts.block + parts.residual / share
            });
            let entry = sums.entry((rows.member[at], rows.class[at])).or_default();
            entry.0 += rows.y[at] / variance;
            entry.1 += 1.0 / variance;
        }
        sums.into_iter()
            .filter(|(_, (_, weight))| weight.is_finite() && *weight > 0.0)
            .map(|((member, class), (sum, weight))| Summary {
                member,
                class,
                mean: sum / weight,
                variance: 1.0 / weight,
            })
            .collect()
    }
}

/// A site-year's own mean on one class.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Summary {
    pub(super) member: usize,
    pub(super) class: usize,
    /// kg/ha.
    pub(super) mean: f64,
    /// Its sampling variance, (kg/ha)².
    pub(super) variance: f64,
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
