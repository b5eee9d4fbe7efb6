//! The answer again under variants of the model and of the data, under the covariance that the answer itself was given under: so they
//! show what hangs on a choice, and not a new search.

use std::borrow::Cow;
use std::collections::BTreeMap;

use super::design::Design;
use super::field::{self, KnownField};
use super::questions::{self, Question};
use super::soil_lines::MovedLines;
use super::trial::Trial;
use super::{Alternative, Fit, Told, covariate, present_classes, support, treated};
use crate::config::{ArchiveSettings, ModelSettings};
use crate::points::Joined;
use crate::results::ResponseKey;
use crate::stats::StatsError;
use crate::stats::distribution::{Component, Mixture};

/// A site-year that has been fitted.
#[derive(Debug)]
pub struct Fitted<'j> {
    /// The fit.
    pub fit: Fit,
    known: Option<Known<'j>>,
}

/// What the variants share with the fit.
#[derive(Debug)]
struct Known<'j> {
    trial: Trial<'j>,
    own: Vec<Vec<usize>>,
    field: KnownField,
    moved_lines: MovedLines,
}

impl<'j> Fitted<'j> {
    /// Without variants.
    pub(super) fn alone(fit: Fit) -> Self {
        Self { fit, known: None }
    }

    pub(super) fn new(
        fit: Fit,
        trial: Trial<'j>,
        own: Vec<Vec<usize>>,
        field: KnownField,
        moved_lines: MovedLines,
    ) -> Self {
        Self { fit, known: Some(Known { trial, own, field, moved_lines }) }
    }

    /// Variants of the model: the lines of the soil map as drawn, yields adjusted for the elevation of the ground, which no treatment can
    /// have changed, and passes that lie on one strip.
    pub fn of_the_model(&self, settings: &ModelSettings) -> Vec<Alternative> {
        let Some(known) = &self.known else { return Vec::new() };
        let Known { trial, own, field, moved_lines } = known;
        let mut all = Vec::new();
        if trial.joined.soil_lines.is_some() {
            let design = Design::new(trial, own, &[]);
            let answer = |questions: &[Question], contrasts: &[Vec<f64>]| match moved_lines.as_drawn(questions) {
                Some(answers) => Ok(answers),
                None => Ok(field.answers(&design, contrasts)?.1),
            };
            all.extend(Again { trial, settings, moved_lines: None }.told("soil lines as drawn", &design, answer));
        }
        if let Some(elevation) = covariate::elevation(trial) {
            let design = Design::new(trial, own, &[elevation]);
            all.extend(
                known
                    .again(settings)
                    .told("adjusted for elevation", &design, |_, contrasts| Ok(field.answers(&design, contrasts)?.1)),
            );
        }
        let is_kept: Vec<bool> = trial.rows.iter().map(|row| row.side().is_some()).collect();
        if is_kept.contains(&false) {
            all.extend(known.of_kept("passes on one strip".into(), &is_kept, settings));
        }
        all
    }

    /// Without each block in turn.
    pub fn without_blocks(&self, settings: &ModelSettings) -> Vec<Alternative> {
        let Some(known) = &self.known else { return Vec::new() };
        let trial = &known.trial;
        let blocks = &trial.joined.assigned.design.blocks;
        let without = |block: &String| {
            let rows = trial.rows.iter();
            let is_kept: Vec<bool> =
                rows.map(|row| row.sides.iter().all(|side| trial.block_of(side) != block)).collect();
            known.of_kept(format!("without block {block}").into(), &is_kept, settings)
        };
        if blocks.len() > 1 { blocks.iter().flat_map(without).collect() } else { Vec::new() }
    }

    /// With the same field under other data.
    pub fn of_other_data(&self, variant: &str, joined: &Joined, archive: &ArchiveSettings) -> Vec<Alternative> {
        let (Some(known), Some(model), Some(check)) = (&self.known, &self.fit.field_model, archive.check()) else {
            return Vec::new();
        };
        let settings = &archive.model;
        let trial = Trial::new(joined, &check.key, &treated(joined, archive), settings);
        let design = Design::new(&trial, &support::estimable_classes(&trial, settings), &[]);
        Again { trial: &trial, settings, moved_lines: Some(&known.moved_lines) }.told(
            variant.to_owned(),
            &design,
            |_, contrasts| Ok(KnownField::new(&trial, &design, model)?.answers(&design, contrasts)?.1),
        )
    }
}

impl Known<'_> {
    fn again<'k>(&'k self, settings: &'k ModelSettings) -> Again<'k> {
        Again { trial: &self.trial, settings, moved_lines: Some(&self.moved_lines) }
    }

    /// With some of the rows.
    fn of_kept(&self, variant: Cow<'static, str>, is_kept: &[bool], settings: &ModelSettings) -> Vec<Alternative> {
        let trial = self.trial.of_kept(is_kept);
        let design = Design::new(&trial, &support::estimable_classes(&trial, settings), &[]);
        Again { trial: &trial, ..self.again(settings) }
            .told(variant, &design, |_, contrasts| self.field.answers_of_kept(is_kept, &design, contrasts))
    }
}

/// A trial that is asked again.
#[derive(Clone, Copy)]
struct Again<'a> {
    trial: &'a Trial<'a>,
    settings: &'a ModelSettings,
    /// What moving the lines of the soil map did to the answers of the fit; none where they are to lie as drawn.
    moved_lines: Option<&'a MovedLines>,
}

impl Again<'_> {
    /// The responses, of `answer` to questions and their contrasts; empty ones where it has none.
    fn told(
        self,
        variant: impl Into<Cow<'static, str>>,
        design: &Design,
        answer: impl FnOnce(&[Question], &[Vec<f64>]) -> Result<Vec<Component>, StatsError>,
    ) -> Vec<Alternative> {
        let Self { trial, settings, .. } = self;
        let variant = variant.into();
        let answers = self.answers(design, answer).unwrap_or_default();
        let classes = present_classes(trial.joined);
        let mut all = Vec::new();
        for treatment in 1..trial.treatments.len() {
            let told = Told::new(trial, treatment, settings);
            for class in classes.iter().map(|&class| Some(class)).chain([None]) {
                let answer = told.answer(&answers, class).filter(|answer| told.is_known(answer));
                all.push(Alternative {
                    analysis: variant.clone(),
                    key: ResponseKey { treatment: trial.treatments[treatment].to_owned(), class },
                    estimate: told.estimate(answer).unwrap_or_default(),
                });
            }
        }
        all
    }

    fn answers(
        self,
        design: &Design,
        answer: impl FnOnce(&[Question], &[Vec<f64>]) -> Result<Vec<Component>, StatsError>,
    ) -> Result<BTreeMap<Question, Mixture>, StatsError> {
        let (questions, contrasts): (Vec<Question>, Vec<Vec<f64>>) =
            questions::responses(self.trial, design).into_iter().unzip();
        let mut answers = field::told(answer(&questions, &contrasts)?, self.trial, design, &contrasts)?;
        if let Some(lines) = self.moved_lines {
            lines.average(&questions, &mut answers)?;
        }
        Ok(questions.into_iter().zip(answers).collect())
    }
}
