//! Other layers of the ground: `covariates.csv` of a site-year and over site-years, and their parts of the pages.

use serde_json::{Value, json};

use super::html::{decimals, signed};
use super::units::{fixed, level};
use super::{ReportError, Units, tables};
use crate::config::ArchiveSettings;
use crate::points::{Cautions, CovariateKind};
use crate::results::{CovariateAnswer, Estimate, Interaction, PooledInteraction, SiteYear, Term};

/// What both tables tell of a change.
const CHANGE_COLUMNS: [&str; 12] = [
    "change",
    "change_unit",
    "change_per_sd",
    "yield_unit",
    "std_error",
    "df",
    "ci_low",
    "ci_high",
    "p_value",
    "asked",
    "p_holm",
    "why_not",
];

/// The columns of a site-year's `covariates.csv` before those of the change.
const SITE_YEAR_COLUMNS: [&str; 16] = [
    "covariate",
    "kind",
    "covariate_unit",
    "joined_by",
    "known_share",
    "covariate_mean",
    "covariate_sd",
    "field_value",
    "treatment",
    "term",
    "class",
    "blocks",
    "segments",
    "response",
    "response_low",
    "response_high",
];

/// The columns of the archive's `covariates.csv` before those of the change.
const POOLED_COLUMNS: [&str; 10] = [
    "crop",
    "treatment",
    "covariate",
    "kind",
    "covariate_unit",
    "term",
    "class",
    "site_years",
    "seasons",
    "covariate_sd",
];

/// The columns of both files, and of what follows the change.
pub(super) fn columns() -> [Vec<&'static str>; 2] {
    [
        [&SITE_YEAR_COLUMNS[..], &CHANGE_COLUMNS, &["caution"]].concat(),
        [&POOLED_COLUMNS[..], &CHANGE_COLUMNS, &["tau", "caution"]].concat(),
    ]
}

/// Of what unit a change is.
fn unit_of(term: Term, unit: &str, units: &Units) -> String {
    let per = if unit.is_empty() { "unit" } else { unit };
    match term {
        Term::Slope | Term::BetweenFields => format!("{} per {per}", units.yield_unit),
        Term::SlopeByWetness => format!("{} per {per} per mm", units.yield_unit),
        Term::Class | Term::BetweenClasses => units.yield_unit.to_owned(),
    }
}

/// Cells of [`CHANGE_COLUMNS`].
fn change_cells(
    (estimate, sd, p_holm): (&Estimate, Option<f64>, Option<f64>),
    (term, unit, asked): (Term, &str, usize),
    why: Option<&String>,
    units: &Units,
) -> Vec<String> {
    let decimals = units.yield_decimals + if term == Term::SlopeByWetness { 3 } else { 1 };
    let told = units.estimate(estimate);
    let has_sd = matches!(term, Term::Slope | Term::BetweenFields);
    vec![
        fixed(told.mean, decimals),
        unit_of(term, unit, units),
        fixed(told.mean.zip(sd.filter(|_| has_sd)).map(|(mean, sd)| mean * sd), units.yield_decimals),
        units.yield_unit.to_owned(),
        fixed(told.std_error, decimals),
        fixed(told.df, 2),
        fixed(told.low, decimals),
        fixed(told.high, decimals),
        fixed(told.p_value, 4),
        asked.to_string(),
        fixed(p_holm, 4),
        why.cloned().unwrap_or_default(),
    ]
}

/// `covariates.csv` of a site-year; `None` without covariates.
pub(super) fn table(result: &SiteYear, units: &Units) -> Result<Option<Vec<u8>>, ReportError> {
    if result.covariates.is_empty() {
        return Ok(None);
    }
    let mut rows = Vec::new();
    for one in &result.covariates {
        let about = vec![
            one.name.clone(),
            one.kind.code().to_owned(),
            one.unit.clone(),
            one.joined_by.clone(),
            fixed(Some(one.known_share), 4),
            fixed(one.mean, 4),
            fixed(one.std_dev, 4),
            one.field_value.clone().unwrap_or_default(),
        ];
        if one.interactions.is_empty() {
            let empty = vec![String::new(); columns()[0].len() - about.len()];
            rows.push([about, empty].concat());
            continue;
        }
        for told in &one.interactions {
            let term = if told.class.is_some() { Term::Class } else { Term::Slope };
            let response = units.estimate(&told.response);
            let mut cells = about.clone();
            cells.extend([told.treatment.clone(), term.code().to_owned(), told.class.clone().unwrap_or_default()]);
            cells.extend([told.blocks, told.segments].map(|count| count.to_string()));
            cells.extend([response.mean, response.low, response.high].map(|value| fixed(value, units.yield_decimals)));
            let change = (&told.change, one.std_dev, told.p_holm);
            cells.extend(change_cells(change, (term, &one.unit, told.asked), told.why.as_ref(), units));
            cells.push(told.cautions.codes());
            rows.push(cells);
        }
    }
    tables::write("covariates.csv", &columns()[0], rows).map(Some)
}

/// `covariates.csv` over site-years; without rows where nothing was asked of them.
pub(super) fn pooled(all: &[PooledInteraction], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = all.iter().map(|one| {
        let units = Units::new(archive, &one.crop);
        let mut cells = vec![one.crop.clone(), one.treatment.clone(), one.covariate.clone()];
        cells.extend([one.kind.code().to_owned(), one.unit.clone(), one.term.code().to_owned()]);
        cells.push(one.class.clone().unwrap_or_default());
        cells.extend([one.site_years, one.seasons].map(|count| count.to_string()));
        cells.push(fixed(one.std_dev, 4));
        let change = (&one.change, one.std_dev, one.p_holm);
        cells.extend(change_cells(change, (one.term, &one.unit, one.asked), one.why.as_ref(), &units));
        cells.extend([fixed(one.tau.map(|tau| units.yields(tau)), units.yield_decimals), one.cautions.codes()]);
        cells
    });
    tables::write("covariates.csv", &columns()[1], rows.collect::<Vec<_>>())
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
        format!("It may be that {what} by {told}; among all that was asked this may be chance.")
    } else {
        format!("That {what} is not shown: {told}.")
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
