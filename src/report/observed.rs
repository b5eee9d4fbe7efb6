//! What was seen in the field: `observed.csv`, its part of a site-year's page, and its words.

use serde_json::{Value, json};

use super::covariates::codes;
use super::html::{decimals, signed};
use super::tables::Column;
use super::units::{fixed, level};
use super::{ReportError, Units, tables};
use crate::config::ArchiveSettings;
use crate::points::{Caution, Scale};
use crate::results::{Blind, ObservedDifference, SiteYear};

/// The columns of `observed.csv`.
pub(super) const OBSERVED: &[Column<fn(&&ObservedDifference) -> String>] = &[
    ("measure", |one| one.measure.clone()),
    ("scale", |one| one.scale.code().to_owned()),
    ("treatment", |one| one.treatment.clone()),
    ("drainage_class", |one| one.class_name.clone()),
    ("blocks", |one| one.blocks.to_string()),
    ("strips", |one| one.strips.to_string()),
    ("spots", |one| one.spots.to_string()),
    ("plants", |one| one.plants.to_string()),
    ("check_level", |one| fixed(one.check, 3)),
    ("treated_level", |one| fixed(one.treated, 3)),
    ("level_unit", |one| level_unit(&one.scale)),
    ("observed_difference", |one| fixed(one.difference, 4)),
    ("difference_unit", |one| terms(&one.scale).0.to_owned()),
    ("difference_low", |one| fixed(one.low, 4)),
    ("difference_high", |one| fixed(one.high, 4)),
    ("link", |one| terms(&one.scale).1.to_owned()),
    ("link_difference", |one| fixed(one.estimate.mean, 5)),
    ("link_std_error", |one| fixed(one.estimate.std_error, 5)),
    ("df", |one| fixed(one.estimate.df, 2)),
    ("p_value", |one| fixed(one.estimate.p_value, 4)),
    ("observers", |one| one.observers.join("; ")),
    ("blind", |one| one.blind.code().to_owned()),
    ("first_day", |one| one.days.clone().unwrap_or_default().0),
    ("last_day", |one| one.days.clone().unwrap_or_default().1),
    ("caution", |one| one.cautions.codes()),
];

/// What the difference is, and the scale that it is modelled on.
fn terms(scale: &Scale) -> (&'static str, &'static str) {
    match scale {
        Scale::Count => ("ratio of counts", "log"),
        Scale::Percent => ("percent points", "logit"),
        Scale::Ordinal(_) => ("odds ratio of a worse level", "logit"),
    }
}

/// What a change of the response over site-years is reported for.
pub(super) fn step(scale: &Scale) -> &'static str {
    match scale {
        Scale::Count => "doubling of the ratio of counts",
        Scale::Percent => "10 percent points",
        Scale::Ordinal(_) => "doubling of the odds ratio",
    }
}

fn level_unit(scale: &Scale) -> String {
    match scale {
        Scale::Count => "count".to_owned(),
        Scale::Percent => "%".to_owned(),
        Scale::Ordinal(levels) => format!("% other than {}", levels.first().map_or("", String::as_str)),
    }
}

/// `observed.csv`; `None` where nothing was observed.
pub(super) fn table(result: &SiteYear) -> Result<Option<Vec<u8>>, ReportError> {
    if result.observed.is_empty() {
        return Ok(None);
    }
    tables::by_columns("observed.csv", OBSERVED, &result.observed).map(Some)
}

/// A difference as the page prints it.
fn shown(scale: &Scale, value: f64) -> String {
    if *scale == Scale::Percent { signed(value, 1) } else { format!("{value:.2}") }
}

fn range(one: &ObservedDifference) -> Option<String> {
    one.low.zip(one.high).map(|(low, high)| format!("{} to {}", shown(&one.scale, low), shown(&one.scale, high)))
}

/// The part of the page; `None` where nothing was observed.
pub(super) fn part(result: &SiteYear, archive: &ArchiveSettings, units: &Units) -> Option<Value> {
    if result.observed.is_empty() {
        return None;
    }
    let confidence = level(archive.model.confidence);
    let rows = result.observed.iter().map(|one| {
        let same = |response: &&crate::results::Response| {
            response.key.treatment == one.treatment && response.key.class == one.class
        };
        let response = result.responses.iter().find(same).map(|response| units.estimate(&response.estimate));
        let yields = |value: f64| signed(value, decimals(units));
        let of_yield = response.and_then(|estimate| {
            let range = estimate.low.zip(estimate.high);
            let range = range.map_or_else(String::new, |(low, high)| format!(" ({} to {})", yields(low), yields(high)));
            Some(format!("{}{range}", yields(estimate.mean?)))
        });
        let plain = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.1}"));
        json!({
            "measure": one.measure,
            "treatment": archive.label(&one.treatment),
            "class": one.class_name,
            "check": plain(one.check),
            "treated": plain(one.treated),
            "level_unit": level_unit(&one.scale),
            "difference": one.difference.map_or_else(String::new, |value| shown(&one.scale, value)),
            "terms": terms(&one.scale).0,
            "interval": range(one).unwrap_or_default(),
            "blocks": one.blocks,
            "strips": one.strips,
            "plants": one.plants,
            "blind": match one.blind {
                Blind::Unknown => "not recorded",
                known => known.code(),
            },
            "observers": one.observers.join(", "),
            "yield": of_yield.unwrap_or_default(),
            "cautions": codes(&one.cautions),
        })
    });
    let whole = result.observed.iter().filter(|one| one.class.is_none());
    Some(json!({
        "rows": rows.collect::<Vec<_>>(),
        "sentences": whole.map(|one| sentence(one, archive.label(&one.treatment), &confidence)).collect::<Vec<_>>(),
    }))
}

/// One measure in one sentence; no more is said than its interval carries.
fn sentence(one: &ObservedDifference, label: &str, confidence: &str) -> String {
    let measure = &one.measure;
    let Some(value) = one.difference else {
        return format!("{measure}: no difference can be estimated for {label}.");
    };
    let value = shown(&one.scale, value);
    let seen = match one.scale {
        Scale::Count => format!("the count under {label} was {value} times that of the check"),
        Scale::Percent => format!("{label} differed from the check by {value} percent points"),
        Scale::Ordinal(_) => format!("the odds of a worse level under {label} were {value} times those of the check"),
    };
    let Some(range) = range(one) else {
        let why =
            if one.cautions.contains(Caution::Unreplicated) { "one block only" } else { "the blocks do not vary" };
        return format!("{measure}: {seen}; no interval can be given ({why}).");
    };
    let blocks = one.blocks;
    let shown = if one.is_shown() { "" } else { "; a difference is not shown" };
    format!("{measure}: {seen} ({confidence} interval {range}, {blocks} blocks){shown}.")
}
