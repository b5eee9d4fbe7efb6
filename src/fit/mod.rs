//! Fit: [`Joined`] → the response of one site-year, by soil class and over the whole field.
//!
//! The strip is the unit to which a treatment was assigned, so it is the unit of inference: ten thousand records of eight
//! strips are eight strips. The primary analysis sees segments of some 20 m, and tells three things apart: the response by
//! class, deviations of whole strips, and a field in which neighbours yield alike.

mod alternatives;
mod covariate;
mod design;
mod differences;
mod doubts;
mod estimate;
mod field;
mod interactions;
mod local;
mod placebo;
mod pooling;
mod questions;
mod soil_lines;
mod support;
mod trial;
mod variants;

#[cfg(test)]
mod corn_tests;
#[cfg(test)]
mod example;
#[cfg(test)]
mod interactions_tests;
#[cfg(test)]
mod placebo_tests;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use crate::config::{ArchiveSettings, ModelSettings};
use crate::points::{Caution, Cautions, Joined};
use crate::results::{
    BlockDifference, DrainageTrend, Estimate, FieldModel, LocalResponse, RemovalByTreatment, Response, ResponseKey,
    Returns, Supplement, TreatmentContrast,
};
use crate::stats::distribution::Mixture;
use design::Design;
use field::KnownField;
use questions::Question;
use soil_lines::{Asked, MovedLines};
use support::{Support, support};
use trial::Trial;

pub use alternatives::{ANALYSES, Alternative, alternatives};
pub use differences::segment_differences;
pub use interactions::{COVARIATES_VERSION, covariates};
pub use variants::Fitted;

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 15;

/// Largest standard deviation of a response that is reported, by the check's yield: its 90 % interval then spans a tenth of the yield
/// either way, the most that such treatments give or cost (ours).
const LEAST_TOLD: f64 = 0.06;
/// Distance of the quartiles of a normal distribution, in standard deviations; with few strips the tails are the prior's.
const QUARTILES: f64 = 1.349;
/// The answer under half and twice the scale of the prior of the strips, by name.
const STRIP_PRIORS: [&str; 2] = ["prior of the strips halved", "prior of the strips doubled"];

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
    /// Treatments against each other, the trend over drainage, untreated pairs.
    pub supplement: Supplement,
    /// Probability that each segment has its soil class, as [`Joined::segment_class_probability`].
    pub class_probability: Vec<f64>,
    /// The responses piece by piece, by treatment.
    pub local: Vec<LocalResponse>,
    /// The responses with the scale of the strips' prior halved, and doubled.
    pub strip_priors: Vec<Alternative>,
    /// Removal on the strips, by treatment.
    pub removal_by_treatment: Vec<RemovalByTreatment>,
    /// Reasons to doubt the site-year as a whole.
    pub cautions: Cautions,
}

/// Fits a site-year; a field without strips has no responses.
pub fn run<'j>(joined: &'j Joined, archive: &'j ArchiveSettings) -> Fitted<'j> {
    let assigned = &joined.assigned;
    let mut fit = Fit::default();
    let Some(check) = archive.check().filter(|_| !assigned.strips.is_empty()) else { return Fitted::alone(fit) };
    let settings = &archive.model;
    fit.removal_by_treatment = doubts::removal(assigned, archive, &mut fit.cautions);
    doubts::of_the_design(joined, &check.key, &mut fit.cautions);
    let trial = Trial::new(joined, &check.key, &treated(joined, archive), settings);
    let own = support::estimable_classes(&trial, settings);
    let design = Design::new(&trial, &own, &[]);
    for treatment in (1..trial.treatments.len()).filter(|&treatment| design.is_aliased(treatment)) {
        fit.cautions.add(
            Caution::MachineAliased,
            format!("{}: no strip separates its response from other differences", trial.treatments[treatment]),
        );
    }
    let told: Vec<Told> = (1..trial.treatments.len()).map(|at| Told::new(&trial, at, settings)).collect();
    let found = answers(&trial, &design, (&own, &told), settings, &mut fit);
    let nothing = BTreeMap::new();
    let answers = found.as_ref().map_or(&nothing, |found| &found.by_question);
    let present = present_classes(joined);
    for told in &told {
        let at = told.treatment;
        let treatment = trial.treatments[at];
        let facing = differences::facing_segments(joined, treatment, &check.key);
        let mut doubts = Cautions::default();
        doubts::of_the_comparison(joined, &facing, &mut doubts);
        doubts::of_the_ground(&trial, at, &mut doubts);
        if !told.is_replicated
            && let Some(placebo) = placebo::placebo(&trial, at)
        {
            fit.supplement.placebos.push(placebo);
        }
        let shrunken = match told.level {
            Some(level) if told.is_replicated => pooling::shrunken(answers, at, level),
            _ => BTreeMap::new(),
        };
        for class in present.iter().map(|&class| Some(class)).chain([None]) {
            let key = ResponseKey { treatment: treatment.to_owned(), class };
            let least = if class.is_some() { settings.class_segments as usize } else { 1 };
            let by_block = differences::by_block(joined, &facing, &key, least);
            let found = told.answer(answers, class);
            let answer = found.filter(|answer| told.is_known(answer));
            let estimate = Estimate {
                p_randomization: estimate::sign_flip_p(&by_block, settings.seed),
                ..told.estimate(answer).unwrap_or_default()
            };
            let mut response = respond(&trial, key, at, estimate, least, &doubts);
            response.shrunken = class.filter(|_| answer.is_some()).and_then(|class| shrunken.get(&class).copied());
            if found.is_some() && answer.is_none() {
                let detail = format!("known to no better than {:.0} % of the yield", 100.0 * LEAST_TOLD);
                response.cautions.add(Caution::NotEstimable, detail);
            }
            doubts::of_the_class(&trial, at, class, &fit.class_probability, &mut response.cautions);
            if let Some(placebo) = fit.supplement.placebos.iter().find(|one| one.treatment == treatment)
                && response.cautions.contains(Caution::Unreplicated)
            {
                response.cautions.add(
                    Caution::Unreplicated,
                    format!(
                        "{} of {} pairs of like passes as far apart differ by as much",
                        placebo.as_large, placebo.positions
                    ),
                );
            }
            fit.responses.push(response);
            fit.differences.extend(by_block);
        }
    }
    supplement(&trial, &design, answers, settings, &mut fit);
    fit.local = found
        .as_ref()
        .map_or_else(Vec::new, |found| local_responses(&trial, &design, &found.field, &fit, settings.confidence));
    match found {
        Some(Answers { field, moved_lines, .. }) => Fitted::new(fit, trial, own, field, moved_lines),
        None => Fitted::alone(fit),
    }
}

/// The treatments that some strip has.
fn treated<'a>(joined: &Joined, archive: &'a ArchiveSettings) -> Vec<&'a str> {
    let treatments = archive.treatments.iter().filter(|treatment| !treatment.check);
    let keys = treatments.map(|treatment| treatment.key.as_str());
    keys.filter(|key| joined.assigned.strips.iter().any(|strip| strip.treatment == **key)).collect()
}

/// Which answers about a treatment are told.
struct Told {
    treatment: usize,
    /// Strips that no block compares inform the field, but a difference that rests on them alone is none.
    is_compared: bool,
    is_replicated: bool,
    /// Yield of the check, kg/ha.
    level: Option<f64>,
    confidence: f64,
}

impl Told {
    fn new(trial: &Trial<'_>, treatment: usize, settings: &ModelSettings) -> Self {
        Self {
            treatment,
            is_compared: support(trial, treatment, 0, None, 1).blocks > 0,
            is_replicated: support::is_replicated(trial, treatment, 0),
            level: trial.mean(0, treatment, None, |row| row.yield_kg_ha),
            confidence: settings.confidence,
        }
    }

    fn answer<'a>(&self, answers: &'a BTreeMap<Question, Mixture>, class: Option<usize>) -> Option<&'a Mixture> {
        answers.get(&Question::Response(self.treatment, class)).filter(|_| self.is_compared)
    }

    fn is_known(&self, answer: &Mixture) -> bool {
        let distance = answer.quartile_distance().unwrap_or(f64::INFINITY);
        self.level.is_some_and(|level| distance <= QUARTILES * LEAST_TOLD * level)
    }

    fn estimate(&self, answer: Option<&Mixture>) -> Option<Estimate> {
        answer.and_then(|answer| estimate::told(answer, self.is_replicated, self.confidence))
    }
}

/// The responses piece by piece, of the treatments that have an answer over the whole field.
fn local_responses(
    trial: &Trial<'_>,
    design: &Design,
    field: &KnownField,
    fit: &Fit,
    confidence: f64,
) -> Vec<LocalResponse> {
    let Some(model) = &fit.field_model else { return Vec::new() };
    let Some(level) = trial.mean(0, 0, None, |row| row.yield_kg_ha) else { return Vec::new() };
    let mut all = local::responses(trial, design, (field, model), (level, confidence)).unwrap_or_default();
    let is_answered = |response: &Response| response.key.class.is_none() && response.estimate.std_error.is_some();
    let answered = |key: &str| fit.responses.iter().any(|one| one.key.treatment == key && is_answered(one));
    all.retain(|one| answered(&one.treatment) && !one.pieces.is_empty());
    all
}

/// What the segment model answers.
struct Answers {
    by_question: BTreeMap<Question, Mixture>,
    /// Under the covariance that it found.
    field: KnownField,
    /// What moving the lines of the soil map did to the answers.
    moved_lines: MovedLines,
}

/// The answers; nothing where the model has none.
fn answers(
    trial: &Trial<'_>,
    design: &Design,
    (own, told): (&[Vec<usize>], &[Told]),
    settings: &ModelSettings,
    fit: &mut Fit,
) -> Option<Answers> {
    let (questions, contrasts): (Vec<Question>, Vec<Vec<f64>>) = questions::all(trial, design).into_iter().unzip();
    let level = trial.mean(0, 0, None, |row| row.yield_kg_ha)?;
    let mut posterior = field::fit(trial, design, &contrasts, level, field::STRIPS).ok()?;
    let field = KnownField::of_fit(&posterior, trial, design).ok()?;
    let moved_lines;
    (moved_lines, fit.class_probability) =
        Asked { trial, own, questions: &questions, field: &field }.moved_lines(settings.seed);
    for answers in std::iter::once(&mut posterior.contrasts).chain(&mut posterior.rescaled) {
        moved_lines.average(&questions, answers).ok()?;
    }
    fit.variance = BTreeMap::from([
        ("field".to_owned(), posterior.model.field_sd.powi(2)),
        ("segments".to_owned(), posterior.model.nugget_sd.powi(2)),
        ("strips".to_owned(), posterior.model.strip_sd.powi(2)),
    ]);
    fit.field_model = Some(posterior.model);
    for (analysis, answers) in STRIP_PRIORS.into_iter().zip(&posterior.rescaled) {
        for (question, answer) in questions.iter().zip(answers) {
            let Question::Response(treatment, class) = *question else { continue };
            let told = &told[treatment - 1];
            if told.is_compared {
                let key = ResponseKey { treatment: trial.treatments[treatment].to_owned(), class };
                let estimate = told.estimate(Some(answer)).unwrap_or_default();
                fit.strip_priors.push(Alternative { analysis: analysis.into(), key, estimate });
            }
        }
    }
    Some(Answers { by_question: questions.into_iter().zip(posterior.contrasts).collect(), field, moved_lines })
}

/// Treatments against each other, and the trends over drainage.
fn supplement(
    trial: &Trial<'_>,
    design: &Design,
    answers: &BTreeMap<Question, Mixture>,
    settings: &ModelSettings,
    fit: &mut Fit,
) {
    let class_name =
        |class: Option<usize>| class.map_or_else(|| "all".to_owned(), |class| trial.joined.classes[class].clone());
    for (question, answer) in answers {
        match *question {
            Question::Trend(treatment) => {
                let blocks = support(trial, treatment, 0, None, 1).blocks;
                if let Some(estimate) = estimate::told(answer, blocks > 1, settings.confidence) {
                    fit.supplement.trends.push(DrainageTrend {
                        treatment: trial.treatments[treatment].to_owned(),
                        classes: design.classes(treatment).into_iter().map(|class| class_name(Some(class))).collect(),
                        blocks,
                        estimate,
                    });
                }
            }
            Question::Between(treatment, against, class) => {
                let least = if class.is_some() { settings.class_segments as usize } else { 1 };
                let blocks = support(trial, treatment, against, class, least).blocks;
                let enough = class.is_none() || blocks >= settings.class_blocks as usize;
                let mut cautions = Cautions::default();
                let estimate = if enough && blocks > 0 {
                    estimate::told(answer, blocks > 1, settings.confidence).unwrap_or_default()
                } else {
                    Estimate::default()
                };
                doubt_replication(blocks, &estimate, &mut cautions);
                fit.supplement.contrasts.push(TreatmentContrast {
                    treatment: trial.treatments[treatment].to_owned(),
                    against: trial.treatments[against].to_owned(),
                    class,
                    class_name: class_name(class),
                    blocks,
                    estimate,
                    cautions,
                });
            }
            Question::Response(..) | Question::Both(..) => {}
        }
    }
}

/// What few blocks leave in doubt.
fn doubt_replication(blocks: usize, estimate: &Estimate, cautions: &mut Cautions) {
    if estimate.mean.is_none() {
        cautions.add(Caution::NotEstimable, format!("compared in {blocks} blocks"));
    }
    match blocks {
        1 if estimate.std_error.is_some() => cautions.add(Caution::FewBlocks, "1 block, and strips beside it"),
        1 => cautions.add(Caution::Unreplicated, ""),
        2 | 3 => {
            let least_p = if blocks == 2 { 0.5 } else { 0.25 };
            cautions.add(
                Caution::FewBlocks,
                format!("{blocks} blocks, of which the sign-flip p cannot fall below {least_p}"),
            );
        }
        _ => {}
    }
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
    doubt_replication(blocks, &estimate, &mut cautions);
    let moisture = |row: &trial::Row| row.moisture_pct;
    let moisture_std_error_pct = trial.block_std_error(treatment, key.class, moisture);
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
        moisture_std_error_pct,
        estimate,
        shrunken: None,
        returns: Returns::default(),
        cautions,
        key,
    }
}
