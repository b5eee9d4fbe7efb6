//! The response along covariates over site-years: slopes and classes within fields, their change with wetness, and what holds for
//! whole fields.
//!
//! Within fields each site-year tells its own slope, or its class less the other classes; the mean over them lets site-years and seasons
//! differ ([`crate::stats::crossed`]), with the prior of a slope and of a class. Between fields the site-years' responses are laid over
//! the value of each, as over wetness.

use std::collections::BTreeSet;

use super::cells::{Settings, between, told, unit};
use super::members::Comparison;
use super::rows::{Rows, inflated_variance};
use super::trend::{LEAST_FOR_WETNESS, wetness_is_reported};
use super::{FEW_SEASONS, FEW_SITE_YEARS, LEAST_POOLED};
use crate::config::ArchiveSettings;
use crate::points::{Caution, Cautions, CovariateKind};
use crate::results::{CovariateAnswer, Estimate, Interaction, PooledInteraction, Term};
use crate::stats::StatsError;
use crate::stats::crossed::{Crossed, CrossedLeaf, CrossedPosterior, CrossedRow, Scatter};
use crate::stats::holm_of_groups;

/// Fewest site-years with a class, and without it, for classes between fields: each side has a spread of its own.
const LEAST_OF_CLASS: usize = 2;

/// All that a comparison tells of covariates; p is not yet corrected.
pub(super) fn all(
    comparison: &Comparison<'_>,
    settings: &Settings,
    archive: &ArchiveSettings,
) -> Vec<PooledInteraction> {
    // one name with two kinds or units is two covariates
    let covariates: BTreeSet<(&str, CovariateKind, &str)> = comparison
        .members
        .iter()
        .flat_map(|member| &member.site_year.covariates)
        .map(|one| (one.name.as_str(), one.kind, one.unit.as_str()))
        .collect();
    let mut told = Vec::new();
    for (name, kind, unit) in covariates {
        let of = Of { comparison, settings, archive, name, kind, unit };
        told.extend(of.within());
        told.extend(of.between_fields());
    }
    told
}

/// Holm's correction over everything that was asked over site-years.
pub(super) fn adjust(all: &mut [PooledInteraction]) {
    let group = |one: &PooledInteraction| {
        let texts = [&one.crop, &one.treatment, &one.covariate, &one.unit].map(Clone::clone);
        one.class.as_ref().map(|_| (texts, one.term.code()))
    };
    let groups: Vec<_> = all.iter().map(group).collect();
    let p: Vec<Option<f64>> = all.iter().map(|one| one.change.p_value).collect();
    let (adjusted, asked) = holm_of_groups(&p, &groups);
    for (one, p) in all.iter_mut().zip(adjusted) {
        (one.p_holm, one.asked) = (p, asked);
    }
}

/// One covariate of one comparison.
struct Of<'o> {
    comparison: &'o Comparison<'o>,
    settings: &'o Settings,
    archive: &'o ArchiveSettings,
    name: &'o str,
    kind: CovariateKind,
    unit: &'o str,
}

/// What one site-year tells.
struct Told {
    member: usize,
    estimate: Estimate,
    /// Standard deviation of the covariate on its ground.
    std_dev: f64,
}

impl Of<'_> {
    fn answer(&self, member: usize) -> Option<&CovariateAnswer> {
        let mut all = self.comparison.members[member].site_year.covariates.iter();
        all.find(|one| one.name == self.name && one.kind == self.kind && one.unit == self.unit)
    }

    fn members(&self) -> std::ops::Range<usize> {
        0..self.comparison.members.len()
    }

    fn season(&self, member: usize) -> i32 {
        self.comparison.members[member].site_year.identity.season
    }

    fn empty(&self, term: Term, class: Option<&str>, members: &[usize]) -> PooledInteraction {
        let mut cautions = Cautions::default();
        let seasons = members.iter().map(|&member| self.season(member)).collect::<BTreeSet<i32>>().len();
        match seasons {
            1 => cautions.add(Caution::SingleYear, ""),
            few if few < FEW_SEASONS => cautions.add(Caution::FewSeasons, format!("{few} seasons")),
            _ => {}
        }
        if members.len() < FEW_SITE_YEARS {
            cautions.add(Caution::FewSiteYears, format!("{} site-years", members.len()));
        }
        PooledInteraction {
            crop: self.comparison.crop.clone(),
            treatment: self.comparison.treatment.clone(),
            covariate: self.name.to_owned(),
            kind: self.kind,
            unit: self.unit.to_owned(),
            term,
            class: class.map(str::to_owned),
            site_years: members.len(),
            seasons,
            change: Estimate::default(),
            std_dev: None,
            tau: None,
            p_holm: None,
            asked: 0,
            why: None,
            cautions,
        }
    }

    /// The interactions of the site-years' own analyses.
    fn within(&self) -> Vec<PooledInteraction> {
        let interactions = |member: usize| {
            let answer = self.answer(member);
            let own = answer.into_iter().flat_map(|one| &one.interactions);
            own.filter(|one| one.treatment == self.comparison.treatment)
        };
        let asked: BTreeSet<Option<&String>> =
            self.members().flat_map(|member| interactions(member).map(|one| one.class.as_ref())).collect();
        let mut all = Vec::new();
        for class in asked {
            let of = |member: usize| interactions(member).find(|one| one.class.as_ref() == class);
            let told: Vec<Told> = self.members().filter_map(|member| self.told(member, of(member)?)).collect();
            let members: Vec<usize> = told.iter().map(|one| one.member).collect();
            let term = if class.is_some() { Term::Class } else { Term::Slope };
            let mut mean = self.empty(term, class.map(String::as_str), &members);
            if let Err(why) = self.mean(&told, &mut mean) {
                mean = mean.untold(why);
            }
            all.push(mean);
            if class.is_none() && self.archive.wetness.is_some() {
                all.push(self.by_wetness(&told));
            }
        }
        all
    }

    fn told(&self, member: usize, one: &Interaction) -> Option<Told> {
        one.change.std_error.filter(|error| *error > 0.0)?;
        let std_dev = if one.class.is_some() { 1.0 } else { self.answer(member)?.std_dev.filter(|sd| *sd > 0.0)? };
        Some(Told { member, estimate: one.change, std_dev })
    }

    /// Rows of the model, changes by one standard deviation common to all site-years.
    fn laid_out(&self, told: &[Told], by: &dyn Fn(usize) -> Vec<f64>) -> Result<(Crossed, f64, f64), StatsError> {
        let common = (told.iter().map(|one| one.std_dev.powi(2)).sum::<f64>() / told.len() as f64).sqrt();
        let places = super::rows::places(self.comparison);
        let leaves: Vec<CrossedLeaf> = told.iter().map(|one| places[one.member]).collect();
        let mut variances = 0.0;
        let rows: Vec<CrossedRow> = told
            .iter()
            .enumerate()
            .map(|(leaf, one)| {
                let (mean, error, df) = (one.estimate.mean, one.estimate.std_error, one.estimate.df);
                let variance = inflated_variance(error.unwrap_or(f64::NAN) * common, df.unwrap_or(1.0));
                variances += variance / told.len() as f64;
                let x = by(one.member).into_iter().enumerate().collect();
                CrossedRow { y: mean.unwrap_or(f64::NAN) * common, variance, leaf, slope: 0.0, x }
            })
            .collect();
        let columns = rows.first().map_or(0, |row| row.x.len());
        Ok((Crossed::new(&rows, &leaves, columns, Scatter::default())?, common, variances))
    }

    fn mean(&self, told_by: &[Told], into: &mut PooledInteraction) -> Result<(), String> {
        if told_by.len() < LEAST_POOLED {
            return Err(format!("{} of the {LEAST_POOLED} site-years needed", told_by.len()));
        }
        let fit = || -> Result<(Estimate, f64, f64), StatsError> {
            let (data, common, _) = self.laid_out(told_by, &|_| vec![1.0])?;
            let scales = self.settings.priors.within_fields(into.class.is_some());
            let posterior = CrossedPosterior::new(data, &scales)?;
            let mean = told(&posterior.coefficient(&[1.0])?, self.settings.confidence)?;
            Ok((mean, posterior.mean_of(between), common))
        };
        let (mean, tau, common) = fit().map_err(|error| error.to_string())?;
        into.change = mean.scaled(|value| 1.0 / common * value);
        into.tau = Some(tau / common);
        into.std_dev = into.class.is_none().then_some(common);
        Ok(())
    }

    /// Whether the slope changes with the wetness of the season.
    fn by_wetness(&self, told_by: &[Told]) -> PooledInteraction {
        let departure = |member: usize| self.comparison.members[member].site_year.wetness_mm;
        let known: Vec<&Told> = told_by.iter().filter(|one| departure(one.member).is_some()).collect();
        let members: Vec<usize> = known.iter().map(|one| one.member).collect();
        let into = self.empty(Term::SlopeByWetness, None, &members);
        if members.len() < LEAST_FOR_WETNESS {
            let why = format!("{} of the {LEAST_FOR_WETNESS} site-years needed", members.len());
            return into.untold(why);
        }
        let season = |member: usize| self.season(member);
        if let Err(why) = wetness_is_reported(&members, &departure, &season, self.archive) {
            return into.untold(why);
        }
        let wet = |member: usize| departure(member).unwrap_or(0.0);
        let owned: Vec<Told> =
            known.iter().map(|one| Told { member: one.member, estimate: one.estimate, std_dev: one.std_dev }).collect();
        let fit = || -> Result<(Estimate, f64), StatsError> {
            let (data, common, sampling) = self.laid_out(&owned, &|member| vec![1.0, wet(member)])?;
            let posterior = CrossedPosterior::new(data, &self.settings.priors.within_fields(false))?;
            let slope = posterior.coefficient(&unit(2, 1))?;
            let places: Vec<(i32, f64)> = members.iter().map(|&member| (season(member), wet(member))).collect();
            let most = super::trend::carried(&places, &posterior, sampling);
            Ok((super::trend::limited(&slope, most, self.settings.confidence)?, common))
        };
        match fit() {
            Ok((slope, common)) => {
                PooledInteraction { change: slope.scaled(|value| 1.0 / common * value), std_dev: Some(common), ..into }
            }
            Err(error) => into.untold(error.to_string()),
        }
    }

    /// What holds for whole fields, beside the response over each.
    fn between_fields(&self) -> Vec<PooledInteraction> {
        let value = |member: usize| self.answer(member).and_then(|one| one.field_value.clone());
        if self.members().all(|member| value(member).is_none()) {
            return Vec::new();
        }
        let rows = Rows::of(self.comparison, &[None]).map(|rows| rows.filtered(|member, _| value(member).is_some()));
        let members = rows.as_ref().map(Rows::members).unwrap_or_default();
        let rows = rows.unwrap_or_default();
        match self.kind {
            CovariateKind::Number => vec![self.between_numbers(&rows, &members)],
            CovariateKind::Class => {
                let classes: BTreeSet<String> = members.iter().filter_map(|&member| value(member)).collect();
                classes.iter().map(|class| self.between_classes(&rows, &members, class)).collect()
            }
        }
    }

    fn between_numbers(&self, rows: &Rows, members: &[usize]) -> PooledInteraction {
        let into = self.empty(Term::BetweenFields, None, members);
        if members.len() < LEAST_FOR_WETNESS {
            let why = format!("{} of the {LEAST_FOR_WETNESS} site-years needed", members.len());
            return into.untold(why);
        }
        let number = |member: usize| self.answer(member).and_then(CovariateAnswer::field_number).unwrap_or(0.0);
        let count = members.len() as f64;
        let mean = members.iter().map(|&member| number(member)).sum::<f64>() / count;
        let spread = (members.iter().map(|&member| (number(member) - mean).powi(2)).sum::<f64>() / count).sqrt();
        if !(spread > 1e-9 * mean.abs()) {
            return into.untold(format!("it is {mean} in all of them"));
        }
        match self.between(rows, members.len(), 2, &|member| vec![1.0, (number(member) - mean) / spread]) {
            Ok(slope) => {
                PooledInteraction { change: slope.scaled(|value| 1.0 / spread * value), std_dev: Some(spread), ..into }
            }
            Err(error) => into.untold(error.to_string()),
        }
    }

    fn between_classes(&self, rows: &Rows, members: &[usize], class: &str) -> PooledInteraction {
        let is = |member: usize| self.answer(member).and_then(|one| one.field_value.as_deref()) == Some(class);
        let own = members.iter().filter(|member| is(**member)).count();
        let into = self.empty(Term::BetweenClasses, Some(class), members);
        if own < LEAST_OF_CLASS || members.len() - own < LEAST_OF_CLASS || members.len() < LEAST_FOR_WETNESS {
            return into.untold(format!(
                "{own} site-years with it and {} without; it takes {LEAST_FOR_WETNESS}, {LEAST_OF_CLASS} of either",
                members.len() - own
            ));
        }
        match self.between(rows, members.len(), 2, &|member| vec![1.0, f64::from(u8::from(is(member)))]) {
            Ok(change) => PooledInteraction { change, ..into },
            Err(error) => into.untold(error.to_string()),
        }
    }

    /// The last coefficient of a line over site-years, with no more degrees of freedom than site-years beyond its columns.
    fn between(
        &self,
        rows: &Rows,
        members: usize,
        columns: usize,
        x: &dyn Fn(usize) -> Vec<f64>,
    ) -> Result<Estimate, StatsError> {
        let design = |at: usize| x(rows.member[at]).into_iter().enumerate().filter(|one| one.1.abs() > 0.0).collect();
        let data = rows.laid_out(columns, design, None)?;
        let posterior = CrossedPosterior::new(data, &self.settings.priors.scales(rows, false, false))?;
        let slope = posterior.coefficient(&unit(columns, columns - 1))?;
        super::trend::limited(&slope, (members - columns) as f64, self.settings.confidence)
    }
}

impl PooledInteraction {
    fn untold(mut self, why: impl Into<String>) -> Self {
        let why = why.into();
        self.cautions.add(Caution::NotEstimable, why.clone());
        self.why = Some(why);
        self
    }
}
