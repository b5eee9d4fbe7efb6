//! Fit: [`Joined`] → the response of one site-year, by soil class and over the whole field.
//!
//! The strip is the unit to which a treatment was assigned, so it is the unit of inference: ten thousand records of eight
//! strips are eight strips. The primary analysis sees segments of some 20 m, and tells three things apart: the response by
//! class, deviations of whole strips, and a field in which neighbours yield alike.

mod design;
mod differences;
mod doubts;
mod estimate;
mod field;
mod support;
mod trial;

#[cfg(test)]
mod example;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use crate::config::{ArchiveSettings, ModelSettings};
use crate::points::{Caution, Cautions, Joined};
use crate::results::{BlockDifference, Estimate, FieldModel, RemovalByTreatment, Response, ResponseKey, Returns};
use design::Design;
use support::{Support, support};
use trial::Trial;

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 2;

/// What the fit delivers.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Fit {
    /// Treatment × class, then the whole field, by treatment in the order of the settings.
    pub responses: Vec<Response>,
    /// Differences by block.
    pub differences: Vec<BlockDifference>,
    /// Variance components by name, (kg/ha)².
    pub variance: BTreeMap<String, f64>,
    /// The field as the segment model sees it.
    pub field_model: Option<FieldModel>,
    /// Removal on the strips, by treatment.
    pub removal_by_treatment: Vec<RemovalByTreatment>,
    /// Reasons to doubt the site-year as a whole.
    pub cautions: Cautions,
}

/// How a repetition of the fit, for the sensitivity of the answer, departs from the fit itself.
#[derive(Debug, Clone, Copy, Default)]
pub struct Variant<'v> {
    /// A block to leave out.
    pub without_block: Option<&'v str>,
    /// The covariance, where it is known from a fit to nearly the same data instead of being sought and averaged over.
    pub covariance: Option<&'v FieldModel>,
}

/// Fits a site-year; a field without strips has no responses.
pub fn run(joined: &Joined, archive: &ArchiveSettings, variant: Variant<'_>) -> Fit {
    let assigned = &joined.assigned;
    let Some(check) = archive.check() else { return Fit::default() };
    if assigned.strips.is_empty() {
        return Fit::default();
    }
    let settings = &archive.model;
    let mut fit = Fit::default();
    fit.removal_by_treatment = doubts::removal(assigned, archive, &mut fit.cautions);
    doubts::of_the_design(joined, &check.key, &mut fit.cautions);
    let treated: Vec<&str> = archive
        .treatments
        .iter()
        .map(|treatment| treatment.key.as_str())
        .filter(|key| *key != check.key && assigned.strips.iter().any(|strip| strip.treatment == **key))
        .collect();
    let trial = Trial::new(joined, &check.key, &treated, settings.segment_length_m, variant.without_block);
    let own = support::estimable_classes(&trial, settings);
    let design = Design::new(&trial, &own, &[]);
    let answers = answers(&trial, &design, settings, variant.covariance, &mut fit);
    let present = present_classes(joined);
    for (at, treatment) in treated.iter().enumerate() {
        let facing = differences::facing_segments(joined, treatment, &check.key, variant.without_block);
        let mut doubts = Cautions::default();
        doubts::of_the_comparison(joined, &facing, &mut doubts);
        for class in present.iter().map(|&class| Some(class)).chain([None]) {
            let key = ResponseKey { treatment: (*treatment).to_owned(), class };
            let least = if class.is_some() { settings.class_segments as usize } else { 1 };
            let by_block = differences::by_block(joined, &facing, &key, least);
            let estimate = Estimate {
                p_randomization: estimate::sign_flip_p(&by_block, settings.seed),
                ..answers.get(&(at + 1, class)).copied().unwrap_or_default()
            };
            fit.responses.push(respond(&trial, key, at + 1, estimate, least, &doubts));
            fit.differences.extend(by_block);
        }
    }
    fit
}

/// The responses that the segment model gives, by treatment and class.
fn answers(
    trial: &Trial<'_>,
    design: &Design,
    settings: &ModelSettings,
    known: Option<&FieldModel>,
    fit: &mut Fit,
) -> BTreeMap<(usize, Option<usize>), Estimate> {
    let mut keys = Vec::new();
    let mut contrasts = Vec::new();
    for treatment in 1..trial.treatments.len() {
        for class in design.classes(treatment).into_iter().map(Some).chain([None]) {
            if let Some(contrast) = design.response(treatment, class) {
                keys.push((treatment, class));
                contrasts.push(contrast);
            }
        }
        if design.is_aliased(treatment) {
            fit.cautions.add(
                Caution::MachineAliased,
                format!("{}: no strip tells its response from other differences", trial.treatments[treatment]),
            );
        }
    }
    let found = match known {
        Some(model) => field::fit_under(trial, design, &contrasts, model).ok(),
        None => trial.mean(0, 0, None, |row| row.yield_kg_ha).and_then(|level| {
            let posterior = field::fit(trial, design, &contrasts, level).ok()?;
            fit.variance = BTreeMap::from([
                ("field".to_owned(), posterior.model.field_sd.powi(2)),
                ("segments".to_owned(), posterior.model.nugget_sd.powi(2)),
                ("strips".to_owned(), posterior.model.strip_sd.powi(2)),
            ]);
            fit.field_model = Some(posterior.model);
            Some(posterior.contrasts)
        }),
    };
    let Some(mixtures) = found else { return BTreeMap::new() };
    keys.into_iter()
        .zip(&mixtures)
        .filter_map(|(key, mixture)| {
            let one_block = support(trial, key.0, 0, None, 1).blocks < 2;
            // one block tells a difference, but nothing of how far it may be off
            let estimate = if one_block {
                mixture.mean().map(Estimate::of_mean)
            } else {
                estimate::of_mixture(mixture, settings.confidence)
            };
            Some((key, estimate?))
        })
        .collect()
}

/// The classes that some usable segment has.
fn present_classes(joined: &Joined) -> Vec<usize> {
    (0..joined.classes.len())
        .filter(|&class| {
            joined
                .segment_class
                .iter()
                .zip(&joined.assigned.segments)
                .any(|(&code, segment)| segment.usable && code as usize == class)
        })
        .collect()
}

fn respond(
    trial: &Trial<'_>,
    key: ResponseKey,
    treatment: usize,
    estimate: Estimate,
    least: usize,
    doubts: &Cautions,
) -> Response {
    let mut cautions = doubts.clone();
    let Support { blocks, strips, segments, area_m2 } = support(trial, treatment, 0, key.class, least);
    if estimate.mean.is_none() {
        cautions.add(Caution::NotEstimable, format!("compared in {blocks} blocks"));
    }
    match blocks {
        1 => cautions.add(Caution::Unreplicated, ""),
        2 | 3 => cautions.add(Caution::FewBlocks, format!("{blocks} blocks")),
        _ => {}
    }
    let moisture = |row: &trial::Row| trial.joined.assigned.segments[row.segment].moisture_pct;
    let check_yield = trial.mean(0, treatment, key.class, |row| row.yield_kg_ha).filter(|_| estimate.mean.is_some());
    Response {
        class_name: key.class.map_or_else(|| "all".to_owned(), |class| trial.joined.classes[class].clone()),
        blocks,
        strips,
        segments,
        area_m2,
        check_yield,
        treated_yield: check_yield.zip(estimate.mean).map(|(check, response)| check + response),
        check_moisture_pct: trial.mean(0, treatment, key.class, moisture),
        treated_moisture_pct: trial.mean(treatment, 0, key.class, moisture),
        estimate,
        shrunken: None,
        returns: Returns::default(),
        cautions,
        key,
    }
}
