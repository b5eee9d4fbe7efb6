//! One row a zone: who is in it, what their mean is, and why to doubt it.

use std::collections::{BTreeMap, BTreeSet};

use super::cells::{Cell, CellMean};
use super::members::{Comparison, Member};
use super::{FEW_SEASONS, FEW_SITE_YEARS};
use crate::config::ArchiveSettings;
use crate::points::{Caution, Cautions};
use crate::results::{Estimate, Estimator, Moistures, Response, Returns, ZoneResponse};
use crate::stats::std_error_of_mean;

/// The members of a zone with their responses.
type Present<'z, 's> = Vec<(usize, &'z Member<'s>, &'s Response)>;

/// The row of a zone, without what it is worth and without the shrunken response.
pub(super) fn zone(
    comparison: &Comparison<'_>,
    cell: Cell,
    mean: Option<&CellMean>,
    ranks: &[Option<usize>],
    archive: &ArchiveSettings,
) -> ZoneResponse {
    let present: Present<'_, '_> = comparison
        .members
        .iter()
        .enumerate()
        .filter(|(at, _)| cell.wetness.is_none() || ranks[*at] == cell.wetness)
        .filter_map(|(at, member)| Some((at, member, member.response(cell.class)?)))
        .collect();
    let with_mean: Present<'_, '_> =
        present.iter().copied().filter(|(_, _, response)| response.estimate.mean.is_some()).collect();
    let pooled = mean.and_then(|mean| mean.pooled.as_ref().map(|pooled| (pooled, &mean.members)));
    // Who stands behind the mean.
    let behind: Present<'_, '_> = match &pooled {
        Some((_, members)) => with_mean.iter().copied().filter(|(at, ..)| members.binary_search(at).is_ok()).collect(),
        None => with_mean.clone(),
    };
    let (estimate, estimator) = match (&pooled, behind.as_slice()) {
        (Some((pooled, _)), _) => (pooled.estimate, pooled.estimator),
        (None, []) => (Estimate::default(), Estimator::None),
        // One site-year: its own interval; it says nothing of others.
        (None, [(_, _, response)]) => {
            (Estimate { p_randomization: None, ..response.estimate }, Estimator::SingleSiteYear)
        }
        (None, several) => {
            let means: Vec<f64> = several.iter().filter_map(|(_, _, response)| response.estimate.mean).collect();
            let mean = means.iter().sum::<f64>() / means.len() as f64;
            // Two: their mean and no interval. More without a pooled mean: their variances could not be estimated.
            let estimator = if means.len() == 2 { Estimator::Pair } else { Estimator::None };
            (Estimate { mean: Some(mean), ..Estimate::default() }, estimator)
        }
    };
    let mean_of = |pick: &dyn Fn(&Response) -> Option<f64>| {
        let values: Vec<f64> = behind.iter().filter_map(|(_, _, response)| pick(response)).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let moistures: Vec<Moistures> = behind.iter().filter_map(|(_, _, response)| response.moistures()).collect();
    let wetness: Vec<f64> = behind.iter().filter_map(|(_, member, _)| member.site_year.wetness_mm).collect();
    let sum = |pick: &dyn Fn(&Response) -> usize| behind.iter().map(|(_, _, response)| pick(response)).sum();
    let seasons: BTreeSet<i32> = behind.iter().map(|(_, member, _)| member.site_year.identity.season).collect();
    let named = |names: &[String], at: Option<usize>| at.map_or_else(|| "all".to_owned(), |at| names[at].clone());
    let labels = archive.wetness.as_ref().map_or(&[][..], |settings| settings.labels.as_slice());
    let positive = |response: &Response| response.estimate.mean.is_some_and(|mean| mean > 0.0);
    let pays =
        |response: &Response| response.estimate.mean.zip(response.returns.break_even).is_some_and(|(m, b)| m > b);
    ZoneResponse {
        crop: comparison.crop.clone(),
        treatment: comparison.treatment.clone(),
        class: cell.class,
        class_name: named(&archive.soil.zones, cell.class),
        wetness: cell.wetness,
        wetness_class: named(labels, cell.wetness),
        wetness_mm: (!wetness.is_empty()).then(|| wetness.iter().sum::<f64>() / wetness.len() as f64),
        estimator,
        site_years: behind.len(),
        seasons: seasons.len(),
        gained: behind.iter().filter(|(_, _, response)| positive(response)).count(),
        paid: behind.iter().filter(|(_, _, response)| pays(response)).count(),
        blocks: sum(&|response| response.blocks),
        strips: sum(&|response| response.strips),
        segments: sum(&|response| response.segments),
        area_m2: behind.iter().map(|(_, _, response)| response.area_m2).sum(),
        check_yield: mean_of(&|response| response.check_yield),
        treated_yield: mean_of(&|response| response.treated_yield),
        moistures: mean_moistures(&moistures),
        tau: pooled.as_ref().map(|(pooled, _)| pooled.tau),
        prediction: None,
        predictive: pooled.as_ref().map(|(pooled, _)| pooled.predictive.clone()),
        prior_checks: pooled.as_ref().map_or_else(Vec::new, |(pooled, _)| pooled.checks.clone()),
        returns: Returns::default(),
        probability_new_site_pays: None,
        shrunken: None,
        among_treatments: None,
        cautions: doubts(comparison, &present, &behind, &estimate, seasons.len()),
        estimate,
    }
}

/// The doubts of a zone: its own, and those that concern any of its members.
fn doubts(
    comparison: &Comparison<'_>,
    present: &Present<'_, '_>,
    behind: &Present<'_, '_>,
    estimate: &Estimate,
    seasons: usize,
) -> Cautions {
    let mut cautions = Cautions::default();
    let mut from: BTreeMap<Caution, BTreeSet<usize>> = BTreeMap::new();
    for (at, member, response) in present {
        for (caution, _) in response.cautions.iter().chain(member.site_year.cautions.iter()) {
            from.entry(caution).or_default().insert(*at);
        }
    }
    for (caution, members) in from {
        // What makes one member's number impossible leaves it out; it is no doubt of the others.
        let own = matches!(caution, Caution::NotEstimable | Caution::Unreplicated | Caution::FewBlocks);
        if !own || present.len() == 1 {
            cautions.add(caution, format!("{} of {} site-years", members.len(), present.len()));
        }
    }
    if !comparison.left_out.is_empty() {
        let all = comparison.left_out.len() + comparison.members.len();
        cautions.add(Caution::MachineAliased, format!("{} of {all} site-years left out", comparison.left_out.len()));
    }
    match seasons {
        0 => {}
        1 => cautions.add(Caution::SingleYear, ""),
        few if few < FEW_SEASONS => cautions.add(Caution::FewSeasons, format!("{few} seasons")),
        _ => {}
    }
    match behind.len() {
        0 => cautions.add(Caution::NotEstimable, "no site-year with an estimate"),
        1 => cautions.add(Caution::SingleSiteYear, ""),
        few => {
            if few < FEW_SITE_YEARS {
                cautions.add(Caution::FewSiteYears, format!("{few} site-years"));
            }
            if estimate.std_error.is_none() {
                cautions.add(Caution::NotEstimable, "the spread between site-years, and with it any interval");
            }
        }
    }
    cautions
}

/// The moistures over site-years; their difference errs by how it scatters over these, a single one by its own standard error.
fn mean_moistures(all: &[Moistures]) -> Option<Moistures> {
    let count = all.len() as f64;
    let mean = |of: fn(&Moistures) -> f64| all.iter().map(of).sum::<f64>() / count;
    let differences: Vec<f64> = all.iter().map(|one| one.treated_pct - one.check_pct).collect();
    Some(Moistures {
        treated_pct: mean(|one| one.treated_pct),
        check_pct: mean(|one| one.check_pct),
        std_error_pct: std_error_of_mean(&differences).unwrap_or(all.first()?.std_error_pct),
    })
}
