//! Other layers of the ground: `covariates.csv` of a site-year and over site-years, and their parts of the pages.

use serde_json::{Value, json};

use super::html::{decimals, signed};
use super::tables::{Column, cells, names, write};
use super::units::{fixed, level};
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::points::{Cautions, CovariateKind};
use crate::results::{CovariateAnswer, Estimate, Interaction, PooledInteraction, SiteYear, Term};

/// A change of the response, as both tables report it.
pub(super) struct Change<'r> {
    estimate: &'r Estimate,
    /// Standard deviation of the covariate.
    std_dev: Option<f64>,
    p_holm: Option<f64>,
    term: Term,
    /// Unit of the covariate.
    unit: &'r str,
    asked: usize,
    why: Option<&'r str>,
    units: &'r Units,
}

impl Change<'_> {
    /// A number of the change, with more decimals than a yield.
    fn cell(&self, kg_ha: Option<f64>) -> String {
        let more = if self.term == Term::SlopeByWetness { 3 } else { 1 };
        fixed(kg_ha.map(|value| self.units.yields(value)), self.units.yield_decimals + more)
    }

    /// What unit it has.
    fn unit(&self) -> String {
        let per = if self.unit.is_empty() { "unit" } else { self.unit };
        match self.term {
            Term::Slope | Term::BetweenFields => format!("{} per {per}", self.units.yield_unit),
            Term::SlopeByWetness => format!("{} per {per} per mm", self.units.yield_unit),
            Term::Class | Term::BetweenClasses => self.units.yield_unit.to_owned(),
        }
    }

    fn per_std_dev(&self) -> String {
        let std_dev = self.std_dev.filter(|_| matches!(self.term, Term::Slope | Term::BetweenFields));
        self.units.yield_cell(self.estimate.mean.zip(std_dev).map(|(mean, std_dev)| mean * std_dev))
    }
}

/// The columns of a change.
const CHANGE: &[Column<fn(&Change<'_>) -> String>] = &[
    ("change", |row| row.cell(row.estimate.mean)),
    ("change_unit", |row| row.unit()),
    ("change_per_sd", |row| row.per_std_dev()),
    ("yield_unit", |row| row.units.yield_unit.to_owned()),
    ("std_error", |row| row.cell(row.estimate.std_error)),
    ("df", |row| fixed(row.estimate.df, 2)),
    ("ci_low", |row| row.cell(row.estimate.low)),
    ("ci_high", |row| row.cell(row.estimate.high)),
    ("p_value", |row| fixed(row.estimate.p_value, 4)),
    ("asked", |row| row.asked.to_string()),
    ("p_holm", |row| fixed(row.p_holm, 4)),
    ("why_not", |row| row.why.unwrap_or_default().to_owned()),
];

/// The columns of a site-year's `covariates.csv` that say what the covariate is.
const ABOUT: &[Column<fn(&CovariateAnswer) -> String>] = &[
    ("covariate", |one| one.name.clone()),
    ("kind", |one| one.kind.code().to_owned()),
    ("covariate_unit", |one| one.unit.clone()),
    ("joined_by", |one| one.joined_by.clone()),
    ("known_share", |one| fixed(Some(one.known_share), 4)),
    ("covariate_mean", |one| fixed(one.mean, 4)),
    ("covariate_sd", |one| fixed(one.std_dev, 4)),
    ("field_value", |one| one.field_value.clone().unwrap_or_default()),
];

/// Those that follow, up to the change.
const INTERACTION: &[Column<fn(&(&Interaction, &Units)) -> String>] = &[
    ("treatment", |(one, _)| one.treatment.clone()),
    ("term", |(one, _)| term_of(one).code().to_owned()),
    ("class", |(one, _)| one.class.clone().unwrap_or_default()),
    ("blocks", |(one, _)| one.blocks.to_string()),
    ("segments", |(one, _)| one.segments.to_string()),
    ("response", |(one, units)| units.yield_cell(one.response.mean)),
    ("response_low", |(one, units)| units.yield_cell(one.response.low)),
    ("response_high", |(one, units)| units.yield_cell(one.response.high)),
];

/// The columns of the archive's `covariates.csv` before those of the change.
const POOLED: &[Column<fn(&PooledInteraction) -> String>] = &[
    ("crop", |one| one.crop.clone()),
    ("treatment", |one| one.treatment.clone()),
    ("covariate", |one| one.covariate.clone()),
    ("kind", |one| one.kind.code().to_owned()),
    ("covariate_unit", |one| one.unit.clone()),
    ("term", |one| one.term.code().to_owned()),
    ("class", |one| one.class.clone().unwrap_or_default()),
    ("site_years", |one| one.site_years.to_string()),
    ("seasons", |one| one.seasons.to_string()),
    ("covariate_sd", |one| fixed(one.std_dev, 4)),
];

/// Those after it.
const POOLED_AFTER: &[Column<fn(&(&PooledInteraction, &Units)) -> String>] =
    &[("tau", |(one, units)| units.yield_cell(one.tau)), ("caution", |(one, _)| one.cautions.codes())];

/// The columns of both files.
pub(super) fn columns() -> [Vec<&'static str>; 2] {
    [
        [names(ABOUT), names(INTERACTION), names(CHANGE), vec!["caution"]].concat(),
        [names(POOLED), names(CHANGE), names(POOLED_AFTER)].concat(),
    ]
}

fn term_of(one: &Interaction) -> Term {
    if one.class.is_some() { Term::Class } else { Term::Slope }
}

/// `covariates.csv` of a site-year; `None` without covariates.
pub(super) fn table(result: &SiteYear, units: &Units) -> Result<Option<Vec<u8>>, ReportError> {
    if result.covariates.is_empty() {
        return Ok(None);
    }
    let [columns, _] = columns();
    let mut rows = Vec::new();
    for one in &result.covariates {
        let about = cells(ABOUT, one);
        if one.interactions.is_empty() {
            let mut row = about.clone();
            row.resize(columns.len(), String::new());
            rows.push(row);
        }
        rows.extend(one.interactions.iter().map(|found| {
            let change = Change {
                estimate: &found.change,
                std_dev: one.std_dev,
                p_holm: found.p_holm,
                term: term_of(found),
                unit: &one.unit,
                asked: found.asked,
                why: found.why.as_deref(),
                units,
            };
            let caution = vec![found.cautions.codes()];
            [about.clone(), cells(INTERACTION, &(found, units)), cells(CHANGE, &change), caution].concat()
        }));
    }
    write("covariates.csv", &columns, rows).map(Some)
}

/// `covariates.csv` over site-years; without rows where nothing was asked of them.
pub(super) fn pooled(all: &[PooledInteraction], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let [_, columns] = columns();
    let rows = all.iter().map(|one| {
        let units = Units::new(archive, &one.crop);
        let change = Change {
            estimate: &one.change,
            std_dev: one.std_dev,
            p_holm: one.p_holm,
            term: one.term,
            unit: &one.unit,
            asked: one.asked,
            why: one.why.as_deref(),
            units: &units,
        };
        [cells(POOLED, one), cells(CHANGE, &change), cells(POOLED_AFTER, &(one, &units))].concat()
    });
    write("covariates.csv", &columns, rows)
}

/// A change as the pages print it: by the standard deviation of a number, or of a class.
struct Shown {
    change: String,
    interval: String,
}

fn shown(estimate: &Estimate, factor: f64, units: &Units) -> Option<Shown> {
    let yields = |kg_ha: f64| signed(units.yields(factor * kg_ha), decimals(units));
    let (low, high) = estimate.low.zip(estimate.high)?;
    Some(Shown { change: yields(estimate.mean?), interval: format!("{} to {}", yields(low), yields(high)) })
}

fn with_unit(value: f64, unit: &str) -> String {
    let text = if value.abs() < 10.0 { format!("{value:.2}") } else { format!("{value:.1}") };
    if unit.is_empty() { text } else { format!("{text} {unit}") }
}

pub(super) fn codes(cautions: &Cautions) -> Value {
    let each = cautions.iter();
    each.map(|(caution, detail)| json!({ "code": caution.code(), "text": caution.text(), "detail": detail })).collect()
}

/// How many were asked, in words.
fn asked_in_words(asked: usize) -> String {
    match asked {
        0 => "No interaction could be estimated.".to_owned(),
        1 => "One interaction was asked.".to_owned(),
        more => format!(
            "{more} interactions were asked: the more are asked, the likelier one shows by chance alone. p is given as it is, and with Holm's correction for their number."
        ),
    }
}

/// The part of a site-year's page; `None` without covariates.
pub(super) fn part(result: &SiteYear, archive: &ArchiveSettings, units: &Units) -> Option<Value> {
    if result.covariates.is_empty() {
        return None;
    }
    let about = result.covariates.iter().map(|one| {
        let classes: Vec<String> =
            one.classes.iter().map(|(name, share)| format!("{name} {:.0} %", 100.0 * share)).collect();
        let values = match (&one.field_value, one.kind) {
            (Some(value), _) if one.unit.is_empty() => value.clone(),
            (Some(value), _) => format!("{value} {}", one.unit),
            (None, CovariateKind::Class) => classes.join(", "),
            (None, CovariateKind::Number) => match one.mean.zip(one.std_dev) {
                Some((mean, sd)) => {
                    format!("mean {}, standard deviation {}", with_unit(mean, &one.unit), with_unit(sd, &one.unit))
                }
                None => "no value".to_owned(),
            },
        };
        json!({ "name": one.name, "values": values, "joined_by": one.joined_by,
            "known": format!("{:.0} %", 100.0 * one.known_share) })
    });
    let rows = result.covariates.iter().flat_map(|one| one.interactions.iter().map(move |told| (one, told)));
    let rows: Vec<Value> = rows.map(|(one, told)| row(one, told, archive, units)).collect();
    let sentences: Vec<String> = result
        .covariates
        .iter()
        .flat_map(|one| one.interactions.iter().filter_map(|told| sentence(one, told, archive, units)))
        .collect();
    let asked = result.covariates.iter().flat_map(|one| &one.interactions).map(|one| one.asked).next();
    Some(json!({
        "about": about.collect::<Vec<_>>(),
        "rows": rows,
        "sentences": sentences,
        "asked": asked.map(asked_in_words),
        "yield_unit": units.yield_unit,
    }))
}

fn row(one: &CovariateAnswer, told: &Interaction, archive: &ArchiveSettings, units: &Units) -> Value {
    let factor = if told.class.is_some() { 1.0 } else { one.std_dev.unwrap_or(f64::NAN) };
    let change = shown(&told.change, factor, units);
    let response = shown(&told.response, 1.0, units);
    let term = match &told.class {
        Some(class) => format!("{class}, less the other classes"),
        None => format!("for {} more", with_unit(one.std_dev.unwrap_or(f64::NAN), &one.unit)),
    };
    json!({
        "name": one.name,
        "treatment": archive.label(&told.treatment),
        "term": if told.class.is_none() && told.change.mean.is_none() { "slope".to_owned() } else { term },
        "response": response.map_or_else(String::new, |one| format!("{} ({})", one.change, one.interval)),
        "change": change.as_ref().map_or_else(String::new, |one| one.change.clone()),
        "interval": change.map_or_else(String::new, |one| one.interval),
        "p": fixed(told.change.p_value, 3),
        "p_holm": fixed(told.p_holm, 3),
        "blocks": told.blocks,
        "why": told.why,
        "cautions": codes(&told.cautions),
    })
}

/// One interaction in a sentence: none where it cannot be estimated, and no more than its corrected p carries.
fn sentence(one: &CovariateAnswer, told: &Interaction, archive: &ArchiveSettings, units: &Units) -> Option<String> {
    let label = archive.label(&told.treatment);
    let (p, holm) = told.change.p_value.zip(told.p_holm)?;
    let factor = if told.class.is_some() { 1.0 } else { one.std_dev? };
    let change = shown(&told.change, factor, units)?;
    let what = match &told.class {
        Some(class) => {
            format!("where {} is {class} the response to {label} differs from that on the other classes", one.name)
        }
        None => format!(
            "the response to {label} changes with {}: for {} more (one standard deviation)",
            one.name,
            with_unit(one.std_dev?, &one.unit)
        ),
    };
    let least = 1.0 - archive.model.confidence;
    let told = format!(
        "{} {} ({} interval {})",
        change.change,
        units.yield_unit,
        level(archive.model.confidence),
        change.interval
    );
    Some(if holm < least {
        format!("{}{} by {told}.", what[..1].to_uppercase(), &what[1..])
    } else if p < least {
        format!("It may be that {what} by {told}; among all the questions asked this may be chance.")
    } else {
        format!("It is not shown that {what}: {told}.")
    })
}

/// The part of the index; `None` where nothing was asked over site-years.
pub(super) fn archive_part(all: &[PooledInteraction], archive: &ArchiveSettings) -> Option<Value> {
    if all.is_empty() {
        return None;
    }
    let rows = all.iter().map(|one| {
        let units = Units::new(archive, &one.crop);
        let step = match one.term {
            Term::Slope | Term::BetweenFields => one.std_dev.unwrap_or(f64::NAN),
            Term::SlopeByWetness => one.std_dev.unwrap_or(f64::NAN) * WETNESS_STEP_MM,
            Term::Class | Term::BetweenClasses => 1.0,
        };
        let more = || with_unit(one.std_dev.unwrap_or(f64::NAN), &one.unit);
        let class = one.class.clone().unwrap_or_default();
        let term = match one.term {
            _ if one.change.mean.is_none() => {
                one.term.code().replace('-', " ") + if class.is_empty() { "" } else { ": " } + &class
            }
            Term::Slope => format!("within fields, for {} more", more()),
            Term::SlopeByWetness => format!("within fields, for {} more and {WETNESS_STEP_MM:.0} mm more rain", more()),
            Term::Class => format!("within fields, {class} less the other classes"),
            Term::BetweenFields => format!("between site-years, for {} more", more()),
            Term::BetweenClasses => format!("between site-years, {class} less the others"),
        };
        let change = shown(&one.change, step, &units);
        json!({
            "name": one.covariate,
            "crop": one.crop,
            "treatment": archive.label(&one.treatment),
            "term": term,
            "change": change.as_ref().map_or_else(String::new, |one| format!("{} {}", one.change, units.yield_unit)),
            "interval": change.map_or_else(String::new, |one| one.interval),
            "p": fixed(one.change.p_value, 3),
            "p_holm": fixed(one.p_holm, 3),
            "site_years": one.site_years,
            "why": one.why,
            "cautions": codes(&one.cautions),
        })
    });
    let asked = all.first().map_or(0, |one| one.asked);
    Some(json!({ "rows": rows.collect::<Vec<_>>(), "asked": asked_in_words(asked) }))
}

/// Departures are reported for so many millimetres, as in `trends.csv`.
const WETNESS_STEP_MM: f64 = 25.0;
