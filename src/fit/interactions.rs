//! The response along a covariate: a slope over a number, or a response by class; on request, and beside the answer, which it never
//! moves.
//!
//! The model is that of the answer: fixed effects, strips, and a field over the whole trial, its covariance averaged over. A number
//! comes in twice, by itself and by treatment, centred at its mean over the trial's ground; the soil classes keep their levels of yield
//! and share one response. A class takes the place of the soil classes. What is tested of a class is its response less that on the other
//! classes. Every interaction that is asked makes a chance find likelier: p is reported with Holm's correction, too.

use super::design::Design;
use super::field;
use super::support::{self, support};
use super::trial::{Row, Trial};
use super::{doubt_replication, estimate};
use crate::config::ArchiveSettings;
use crate::points::{Caution, Cautions, CovariateKind, Joined, JoinedCovariate, Labels};
use crate::results::{CovariateAnswer, Estimate, Interaction};
use crate::stats::distribution::Mixture;
use crate::stats::holm_of_groups;

/// Version of what is reported of covariates: counts for site-years that have some.
pub const COVARIATES_VERSION: u32 = 1;

/// Fewest blocks for an interaction, as for a response with an error of its own.
const LEAST_BLOCKS: usize = 2;
/// Spread below which a number does not vary, by its size: that of the arithmetic.
const LEAST_SPREAD: f64 = 1e-9;

/// The covariates of a site-year, with the interactions that were asked.
pub fn covariates(joined: &Joined, archive: &ArchiveSettings) -> Vec<CovariateAnswer> {
    let mut all: Vec<CovariateAnswer> = joined.covariates.iter().map(|one| describe(joined, one)).collect();
    let Some(check) = archive.check().filter(|_| !joined.assigned.strips.is_empty()) else { return all };
    let treated: Vec<&str> = archive
        .treatments
        .iter()
        .map(|treatment| treatment.key.as_str())
        .filter(|key| *key != check.key && joined.assigned.strips.iter().any(|strip| strip.treatment == **key))
        .collect();
    for (one, answer) in joined.covariates.iter().zip(&mut all).filter(|(one, _)| one.respond && one.of_field.is_none())
    {
        let case = Case { joined, one, archive, check: &check.key, treated: &treated };
        answer.interactions = match one.kind {
            CovariateKind::Number => case.slopes(),
            CovariateKind::Class => case.by_class(),
        };
    }
    adjust(&mut all);
    all
}

/// Holm's correction over all interactions of the site-year.
fn adjust(all: &mut [CovariateAnswer]) {
    let groups: Vec<Option<(String, String)>> = all
        .iter()
        .flat_map(|answer| answer.interactions.iter().map(move |one| (answer, one)))
        .map(|(answer, one)| one.class.as_ref().map(|_| (answer.name.clone(), one.treatment.clone())))
        .collect();
    let told: Vec<&mut Interaction> = all.iter_mut().flat_map(|answer| &mut answer.interactions).collect();
    let p: Vec<Option<f64>> = told.iter().map(|one| one.change.p_value).collect();
    let (adjusted, asked) = holm_of_groups(&p, &groups);
    for (one, p) in told.into_iter().zip(adjusted) {
        (one.p_holm, one.asked) = (p, asked);
    }
}

/// Its spread over the segments that count; in a field without strips, over the kept records.
fn describe(joined: &Joined, one: &JoinedCovariate) -> CovariateAnswer {
    let cleaned = &joined.assigned.cleaned;
    // area, value, and the share of the area that has it
    let mut ground: Vec<(f64, f64, f64)> = Vec::new();
    for (at, segment) in joined.assigned.segments.iter().enumerate().filter(|(_, segment)| segment.usable) {
        ground.push((segment.area_m2, one.segment[at], one.segment_share[at]));
    }
    if ground.is_empty() {
        let kept = (0..cleaned.len()).filter(|&at| cleaned.is_kept(at) && cleaned.area_m2[at] > 0.0);
        ground.extend(kept.map(|at| (cleaned.area_m2[at], one.of_field.unwrap_or_else(|| one.point[at]), 1.0)));
    }
    let area: f64 = ground.iter().map(|part| part.0).sum();
    let known = || ground.iter().filter(|part| part.1.is_finite());
    let valued: f64 = known().map(|part| part.0).sum();
    let is_number = one.kind == CovariateKind::Number;
    let held = known().map(|(area, _, share)| area * if is_number { *share } else { 1.0 }).sum::<f64>();
    let mean = known().map(|(area, value, _)| area * value).sum::<f64>() / valued;
    let mean = Some(mean).filter(|mean| is_number && mean.is_finite());
    let squares = |mean: f64| known().map(|(area, value, _)| area * (value - mean).powi(2)).sum::<f64>();
    let of_class = |class: usize| {
        let own: f64 = known().filter(|part| part.1 as usize == class).map(|part| part.0).sum();
        if area > 0.0 { own / area } else { 0.0 }
    };
    let of_field = one.of_field.filter(|value| value.is_finite());
    CovariateAnswer {
        name: one.name.clone(),
        kind: one.kind,
        unit: one.unit.clone(),
        joined_by: one.joined_by.clone(),
        known_share: if area > 0.0 { held / area } else { 0.0 },
        mean,
        std_dev: mean.filter(|_| one.of_field.is_none()).map(|mean| (squares(mean) / valued).sqrt()),
        classes: one.classes.iter().enumerate().map(|(class, name)| (name.clone(), of_class(class))).collect(),
        field_value: of_field.map(|value| one.class_of(value).map_or_else(|| value.to_string(), str::to_owned)),
        interactions: Vec::new(),
    }
}

/// One covariate of one trial.
struct Case<'c> {
    joined: &'c Joined,
    one: &'c JoinedCovariate,
    archive: &'c ArchiveSettings,
    check: &'c str,
    treated: &'c [&'c str],
}

/// An interaction of which nothing is reported yet.
fn empty(treatment: &str, class: Option<String>) -> Interaction {
    Interaction {
        treatment: treatment.to_owned(),
        class,
        blocks: 0,
        segments: 0,
        response: Estimate::default(),
        change: Estimate::default(),
        p_holm: None,
        asked: 0,
        why: None,
        cautions: Cautions::default(),
    }
}

impl Interaction {
    fn untold(mut self, why: impl Into<String>) -> Self {
        let why = why.into();
        self.cautions.add(Caution::NotEstimable, why.clone());
        self.why = Some(why);
        self
    }
}

impl Case<'_> {
    fn slopes(&self) -> Vec<Interaction> {
        let trial = Trial::new(self.joined, self.check, self.treated, &self.archive.model);
        let value = |row: &Row| row.segment.map_or(f64::NAN, |segment| self.one.segment[segment]);
        let trial = trial.of_kept(&trial.rows.iter().map(|row| value(row).is_finite()).collect::<Vec<_>>());
        let area: f64 = trial.rows.iter().map(|row| row.area_m2).sum();
        let mean = trial.rows.iter().map(|row| row.area_m2 * value(row)).sum::<f64>() / area;
        let squares = trial.rows.iter().map(|row| row.area_m2 * (value(row) - mean).powi(2)).sum::<f64>();
        let spread = (squares / area).sqrt();
        let blocks: Vec<(usize, usize)> = (1..trial.treatments.len())
            .map(|treatment| {
                let found = support(&trial, treatment, 0, None, 1);
                (found.blocks, found.segments)
            })
            .collect();
        let known = spread.is_finite() && spread > LEAST_SPREAD * mean.abs();
        let standard: Vec<f64> =
            trial.rows.iter().map(|row| if known { (value(row) - mean) / spread } else { 0.0 }).collect();
        let design = Design::with_slopes(&trial, standard);
        let contrasts: Vec<Option<Vec<f64>>> =
            (1..trial.treatments.len()).map(|treatment| design.slope(treatment)).collect();
        let asked: Vec<Vec<f64>> = contrasts.iter().flatten().cloned().collect();
        let mut answers = if known { fit(&trial, &design, &asked) } else { None }.into_iter().flatten();
        let told = |treatment: usize| {
            let (blocks, segments) = blocks[treatment - 1];
            let answer = contrasts[treatment - 1].as_ref().and_then(|_| answers.next());
            let one = Interaction { blocks, segments, ..empty(trial.treatments[treatment], None) };
            let unit = if self.one.unit.is_empty() { String::new() } else { format!(" {}", self.one.unit) };
            if trial.rows.is_empty() {
                return one.untold("no segment has a value");
            }
            if !known {
                return one.untold(format!("it does not vary on the strips: {mean:.4}{unit} throughout"));
            }
            if blocks < LEAST_BLOCKS {
                return one.untold(format!("{blocks} of the {LEAST_BLOCKS} blocks needed"));
            }
            let Some(answer) = answer else {
                return one.untold("it cannot be separated from other differences between strips");
            };
            // asked by the standard deviation, reported by the unit
            let Ok((centre, scale, df)) = answer.nearest_t() else { return one.untold("the model gives no spread") };
            let confidence = self.archive.model.confidence;
            let change = Estimate::of_t(centre / spread, scale / spread, df.min(1000.0), confidence);
            doubted(Interaction { change: change.unwrap_or_default(), ..one })
        };
        (1..trial.treatments.len()).map(told).collect()
    }

    fn by_class(&self) -> Vec<Interaction> {
        let settings = &self.archive.model;
        let zoned = self.zoned();
        let trial = Trial::new(&zoned, self.check, self.treated, settings);
        let own = support::estimable_classes(&trial, settings);
        let design = Design::new(&trial, &own, &[]);
        let (areas, _) = trial.class_areas();
        let least = settings.class_segments as usize;
        let blocks = |treatment: usize, class: usize| support(&trial, treatment, 0, Some(class), least).blocks;
        let mut asked = Vec::new();
        let mut places = std::collections::BTreeMap::new();
        for treatment in 1..trial.treatments.len() {
            let of = |class: usize| design.response(treatment, Some(class));
            // a class of one block cannot be separated from the block
            let compared: Vec<(usize, Vec<f64>)> = design
                .classes(treatment)
                .into_iter()
                .filter(|&class| blocks(treatment, class) >= LEAST_BLOCKS)
                .filter_map(|class| Some((class, of(class)?)))
                .collect();
            for class in design.classes(treatment) {
                let Some(response) = of(class) else { continue };
                let others = || compared.iter().filter(|one| one.0 != class);
                let ground: f64 = others().map(|one| areas[one.0]).sum();
                let is_compared = ground > 0.0 && compared.iter().any(|one| one.0 == class);
                let change = is_compared.then(|| {
                    others().fold(response.clone(), |sum, (other, weights)| {
                        sum.iter().zip(weights).map(|(sum, weight)| sum - areas[*other] / ground * weight).collect()
                    })
                });
                places.insert((treatment, class), (asked.len(), is_compared));
                asked.push(response);
                asked.extend(change);
            }
        }
        let answers = fit(&trial, &design, &asked).unwrap_or_default();
        let mut all = Vec::new();
        for treatment in 1..trial.treatments.len() {
            for class in (0..zoned.classes.len()).filter(|class| areas[*class] > 0.0) {
                let found = support(&trial, treatment, 0, Some(class), least);
                let one = Interaction {
                    blocks: found.blocks,
                    segments: found.segments,
                    ..empty(trial.treatments[treatment], Some(zoned.classes[class].clone()))
                };
                let few = format!("{} of the {LEAST_BLOCKS} blocks needed", found.blocks);
                let told = |answer: &Mixture| estimate::told(answer, true, settings.confidence).unwrap_or_default();
                let place = places.get(&(treatment, class)).copied();
                let response = place.and_then(|(at, _)| answers.get(at));
                let change = place.filter(|place| place.1).and_then(|(at, _)| answers.get(at + 1));
                let one = Interaction { response: response.map(told).unwrap_or_default(), ..one };
                all.push(match change {
                    Some(change) => doubted(Interaction { change: told(change), ..one }),
                    None if found.blocks < LEAST_BLOCKS => one.untold(few),
                    None if place.is_none() => {
                        one.untold("it cannot be separated from other differences between strips")
                    }
                    None if response.is_none() => one.untold("the model could not be fitted"),
                    None => one.untold(format!("no other class is compared in {LEAST_BLOCKS} blocks")),
                });
            }
        }
        all
    }

    /// The site-year with the covariate's classes in place of the soil's.
    fn zoned(&self) -> Joined {
        let code = |value: f64| if value.is_finite() { value as u32 } else { Labels::NONE };
        let least = self.archive.model.class_share_pct / 100.0;
        let held = self.one.segment.iter().zip(&self.one.segment_share);
        Joined {
            classes: self.one.classes.clone(),
            point_class: self.one.point.iter().map(|&value| code(value)).collect(),
            segment_class: held
                .map(|(&value, &share)| if share >= least { code(value) } else { Labels::NONE })
                .collect(),
            segment_class_share: self.one.segment_share.clone(),
            ..self.joined.clone()
        }
    }
}

fn doubted(mut one: Interaction) -> Interaction {
    doubt_replication(one.blocks, &one.change, &mut one.cautions);
    one
}

fn fit(trial: &Trial<'_>, design: &Design, asked: &[Vec<f64>]) -> Option<Vec<Mixture>> {
    let level = trial.mean(0, 0, None, |row| row.yield_kg_ha)?;
    Some(field::fit(trial, design, asked, level, field::STRIPS).ok()?.contrasts)
}
