//! `index.html`: the archive at a glance.

use serde_json::{Value, json};

use super::colour::{hex, of_difference};
use super::figures::intervals::{self, Look, Row};
use super::figures::wetness::{self, Line, Place};
use super::questions::{Crop, Figure, crops};
use super::text::{decimals, doubts, interval, p_value, percent, probability, shown, signed, signed_or_dash};
use super::{improve, render, script_json};
use crate::config::{ArchiveSettings, WetnessMeasure};
use crate::report::units::level;
use crate::report::{Answer, FIRST, Failure, ReportError, Units, covariates};
use crate::results::{Conclusions, ForestKind, ForestRow, Gradient, Outline, SiteYear, Worth, ZoneResponse};

/// Site-years that one forest shows; of more, those that weigh most.
const MOST_IN_FOREST: usize = 60;

/// The site-years without a result tonight: those that are retired, or those that failed.
fn absent(all: &[Failure], is_retired: bool) -> Vec<Value> {
    all.iter()
        .filter(|one| one.is_retired == is_retired)
        .map(|one| json!({ "folder": one.folder, "reason": one.reason, "results": one.results }))
        .collect()
}

/// What the files of the archive are made of.
#[derive(Debug, Clone, Copy)]
pub(in crate::report) struct ArchiveCase<'a> {
    /// In the order of their identity.
    pub(in crate::report) site_years: &'a [SiteYear],
    pub(in crate::report) conclusions: &'a Conclusions,
    pub(in crate::report) outline: &'a Outline,
    pub(in crate::report) answers: &'a [Answer],
    pub(in crate::report) failures: &'a [Failure],
    pub(in crate::report) archive: &'a ArchiveSettings,
}

/// A figure as the template shows it.
fn figure(figure: &Figure) -> Value {
    json!({
        "sentence": figure.sentence,
        "panels": figure.panels.iter().map(|panel| &panel.svg).collect::<Vec<_>>(),
        "caption": figure.caption,
    })
}

/// The questions of one crop.
fn crop(crop: &Crop<'_>) -> Result<Value, ReportError> {
    let repeats = crop.repeated();
    let what_if = crop.what_if();
    Ok(json!({
        "name": crop.name(),
        "compared": figure(&crop.compared()),
        "doses": crop.dosed().as_ref().map(figure),
        "repeats": repeats.first().map(figure),
        "in_money": repeats.get(1).map(figure),
        "placed": crop.placed()?.as_ref().map(figure),
        "grounds": crop.grounds().as_ref().map(figure),
        "tried": crop.tried().as_ref().map(figure),
        "plan": crop.planned(),
        "what_if": what_if.as_ref().map(script_json).transpose()?,
        "start": what_if,
    }))
}

/// `index.html`.
pub(in crate::report) fn page(case: &ArchiveCase<'_>) -> Result<Vec<u8>, ReportError> {
    let ArchiveCase { site_years, conclusions, answers, failures, archive, .. } = *case;
    let zones = &conclusions.synthesis.zones;
    let wholes = zones.iter().filter(|zone| zone.class.is_none() && zone.wetness.is_none());
    let seasons: Vec<i32> = site_years.iter().map(|one| one.identity.season).collect();
    let crops = crops(case);
    let decisions = crops.iter().any(Crop::has_money);
    render(
        "index.html",
        "index.html",
        json!({
            "title": archive.name,
            "archive": archive.name,
            "depth": "",
            "confidence": level(archive.model.confidence),
            "first": FIRST,
            "answers": answers.iter().map(|one| json!({ "title": one.title, "text": one.text })).collect::<Vec<_>>(),
            "crops": crops.iter().map(crop).collect::<Result<Vec<_>, _>>()?,
            "choose": decisions,
            "advice": improve::over_archive(site_years),
            "treatments": wholes.map(|whole| of_treatment(whole, conclusions, archive)).collect::<Vec<_>>(),
            "covariates": covariates::archive_part(&conclusions.synthesis.covariates, archive),
            "zones": zones.iter().map(|zone| zone_line(zone, archive)).collect::<Vec<_>>(),
            "decisions": zones.iter().any(ZoneResponse::decision_allowed),
            "left_out": conclusions.synthesis.left_out.iter().map(|one| json!({
                "identity": one.identity,
                "treatment": archive.label(&one.treatment),
                "reason": one.reason,
            })).collect::<Vec<_>>(),
            "fields": site_years.iter().map(|result| field_line(result, archive)).collect::<Vec<_>>(),
            "first_season": seasons.iter().min(),
            "last_season": seasons.iter().max(),
            "failures": absent(failures, false),
            "retired": absent(failures, true),
            "version": env!("CARGO_PKG_VERSION"),
        }),
    )
}

/// The figures and the economics of one treatment in one crop.
fn of_treatment(whole: &ZoneResponse, conclusions: &Conclusions, archive: &ArchiveSettings) -> Value {
    let units = Units::new(archive, &whole.crop);
    let name = archive.label(&whole.treatment);
    let forest: Vec<&ForestRow> = conclusions
        .synthesis
        .forest
        .iter()
        .filter(|row| row.class.is_none() && row.crop == whole.crop && row.treatment == whole.treatment)
        .collect();
    let of_site_years = forest.iter().filter(|row| row.kind == ForestKind::SiteYear).count();
    let title = format!("{name} on {}: treated minus check by site-year", whole.crop);
    let break_even = whole.returns.break_even.map(|value| units.yields(value));
    json!({
        "title": format!("{name} on {}", whole.crop),
        "forest": intervals::draw(&forest_rows(&forest, break_even, &units), &title, units.yield_unit, decimals(&units)),
        "forest_left_out": of_site_years.saturating_sub(MOST_IN_FOREST),
        "wetness": wetness_figure(whole, &forest, conclusions, archive, &units),
        "trends": conclusions.synthesis.trends.iter()
            .filter(|one| one.crop == whole.crop && one.treatment == whole.treatment)
            .map(|one| trend_line(one, &units))
            .collect::<Vec<_>>(),
        "economics": economics(whole, &conclusions.worth, &units),
    })
}

fn forest_rows(forest: &[&ForestRow], break_even: Option<f64>, units: &Units) -> Vec<Row> {
    let mut weights: Vec<f64> =
        forest.iter().filter(|row| row.kind == ForestKind::SiteYear).filter_map(|row| row.weight).collect();
    weights.sort_by(|one, other| other.total_cmp(one));
    let least = weights.get(MOST_IN_FOREST - 1).copied().unwrap_or(f64::NEG_INFINITY);
    let heaviest = weights.first().copied().unwrap_or(1.0);
    forest
        .iter()
        .filter(|row| row.kind != ForestKind::SiteYear || row.weight.is_none_or(|weight| weight >= least))
        .map(|row| {
            let estimate = units.estimate(&row.estimate);
            let mut label = match (&row.identity, row.kind) {
                (Some(identity), _) => format!("{} {}, {}", identity.season, identity.field, identity.farm),
                (None, ForestKind::NewSiteYear) => "a new site-year".to_owned(),
                (None, _) => "mean over site-years".to_owned(),
            };
            if row.turns_sign {
                label.push_str(" (changes the sign)");
            }
            let is_site_year = row.kind == ForestKind::SiteYear;
            Row {
                label,
                mean: if row.kind == ForestKind::NewSiteYear { None } else { estimate.mean },
                interval: estimate.low.zip(estimate.high),
                break_even: if is_site_year { None } else { break_even },
                weight: row.weight.filter(|_| is_site_year).map(|weight| weight / heaviest),
                look: match row.kind {
                    ForestKind::SiteYear => Look::Plain,
                    ForestKind::Mean => Look::Strong,
                    ForestKind::NewSiteYear => Look::Outlook,
                },
            }
        })
        .collect()
}

fn wetness_figure(
    whole: &ZoneResponse,
    forest: &[&ForestRow],
    conclusions: &Conclusions,
    archive: &ArchiveSettings,
    units: &Units,
) -> String {
    let heaviest = forest.iter().filter_map(|row| row.weight).fold(0.0, f64::max);
    let places: Vec<Place> = forest
        .iter()
        .filter(|row| row.kind == ForestKind::SiteYear)
        .filter_map(|row| {
            let estimate = units.estimate(&row.estimate);
            let (identity, response, wetness_mm) = (row.identity.as_ref()?, estimate.mean?, row.wetness_mm?);
            let printed = signed(response, decimals(units));
            Some(Place {
                label: format!(
                    "{} {}: {printed} {} at {} mm",
                    identity.season,
                    identity.field,
                    units.yield_unit,
                    signed(wetness_mm, 0)
                ),
                wetness_mm,
                response,
                interval: estimate.low.zip(estimate.high),
                weight: row.weight.map_or(0.0, |weight| weight / heaviest),
            })
        })
        .collect();
    let slope = conclusions
        .synthesis
        .trends
        .iter()
        .find(|one| one.gradient == Gradient::Wetness && one.crop == whole.crop && one.treatment == whole.treatment)
        .and_then(|one| one.estimate.mean);
    let line = slope.map(|slope| {
        let slope = units.yields(slope);
        let weights: f64 = places.iter().map(|one| one.weight).sum();
        let mean = |pick: fn(&Place) -> f64| places.iter().map(|one| one.weight * pick(one)).sum::<f64>() / weights;
        Line { at_zero: mean(|one| one.response) - slope * mean(|one| one.wetness_mm), slope }
    });
    let breaks = archive.wetness.as_ref().filter(|one| one.measure == WetnessMeasure::Departure);
    let title = format!("{}: wetness of the spring against the response", archive.label(&whole.treatment));
    wetness::draw(
        &places,
        line.filter(|line| line.at_zero.is_finite()),
        breaks.map_or(&[], |wetness| &wetness.breaks),
        &title,
        units.yield_unit,
    )
}

fn trend_line(trend: &crate::results::Trend, units: &Units) -> Value {
    let (step, words) = match trend.gradient {
        Gradient::Drainage => (1.0, "from one soil class to the next wetter one"),
        Gradient::Wetness => (25.0, "for 25 mm more precipitation against normal"),
        Gradient::DrainageByWetness => (25.0, "of the change from class to class, for 25 mm more precipitation"),
    };
    let estimate = units.estimate(&trend.estimate);
    let scaled = |value: Option<f64>| value.map(|value| step * value);
    let printed = crate::results::Estimate { low: scaled(estimate.low), high: scaled(estimate.high), ..estimate };
    json!({
        "words": words,
        "slope": scaled(estimate.mean).map(|slope| signed(slope, decimals(units) + 1)),
        "unit": units.yield_unit,
        "interval": interval(&printed, decimals(units) + 1),
        "p": p_value(estimate.p_value),
        "cautions": doubts(&trend.cautions),
    })
}

/// The table price × cost of a treatment over all soils: a line for each price, a column for each cost.
fn economics(whole: &ZoneResponse, worth: &[Worth], units: &Units) -> Option<Value> {
    let rows: Vec<&Worth> = worth
        .iter()
        .filter(|one| one.class.is_none() && one.crop == whole.crop && one.treatment == whole.treatment)
        .collect();
    let first = rows.first()?;
    let width = rows.iter().take_while(|one| one.price_per_kg.total_cmp(&first.price_per_kg).is_eq()).count();
    let largest = rows.iter().map(|one| one.net_return.abs()).fold(0.0, f64::max);
    let configured = rows.iter().find(|one| one.is_configured)?;
    let cost = |one: &Worth| format!("{:.2}", units.money(one.cost_per_ha));
    let lines: Vec<Value> = rows
        .chunks(width)
        .map(|line| {
            json!({
                "price": format!("{:.2}", units.price(line[0].price_per_kg)),
                "cells": line.iter().map(|one| json!({
                    "net": signed(units.money(one.net_return), 0),
                    "pays": probability(one.probability_pays),
                    "new_site_pays": one.probability_new_site_pays.map(|share| probability(Some(share))),
                    // half of the scale: light enough for dark figures
                    "colour": hex(of_difference(0.5 * one.net_return / largest)),
                    "is_configured": one.is_configured,
                })).collect::<Vec<_>>(),
            })
        })
        .collect();
    Some(json!({
        "price_unit": units.price_unit,
        "money_unit": units.money_unit,
        "costs": rows[..width].iter().map(|one| cost(one)).collect::<Vec<_>>(),
        "lines": lines,
        "break_even": format!("{} {}", shown(Some(units.yields(configured.break_even)), decimals(units)), units.yield_unit),
        "break_even_price": configured.break_even_price_per_kg.map(|price| format!("{:.2} {}", units.price(price), units.price_unit)),
        "loss_of_treating": configured.loss_of_treating.map(|loss| format!("{:.2} {}", units.money(loss), units.money_unit)),
        "loss_of_leaving": configured.loss_of_leaving.map(|loss| format!("{:.2} {}", units.money(loss), units.money_unit)),
        "another_year": configured.value_of_another_year.map(|value| format!("{:.2} {}", units.money(value), units.money_unit)),
    }))
}

fn zone_line(zone: &ZoneResponse, archive: &ArchiveSettings) -> Value {
    let units = Units::new(archive, &zone.crop);
    let decimals = decimals(&units);
    let estimate = units.estimate(&zone.estimate);
    json!({
        "treatment": archive.label(&zone.treatment),
        "crop": zone.crop,
        "class": zone.class_name,
        "wetness": zone.wetness_class,
        "site_years": zone.site_years,
        "blocks": zone.blocks,
        "response": signed_or_dash(estimate.mean, decimals),
        "interval": interval(&estimate, decimals),
        "prediction": zone.prediction.map_or_else(|| "–".to_owned(), |(low, high)| {
            format!("{} to {}", signed(units.yields(low), decimals), signed(units.yields(high), decimals))
        }),
        "shrunken": signed_or_dash(zone.shrunken.as_ref().map(|one| units.yields(one.mean)), decimals),
        "unit": units.yield_unit,
        "pays": probability(zone.returns.probability_pays),
        "new_site_pays": probability(zone.probability_new_site_pays),
        "net": signed_or_dash(zone.returns.net_return.map(|money| units.money(money)), 0),
        "money_unit": units.money_unit,
        "counts": if zone.decision_allowed() {
            format!("{} / {} of {}", zone.gained, zone.paid, zone.site_years)
        } else {
            "–".to_owned()
        },
        "cautions": doubts(&zone.cautions),
    })
}

fn field_line(result: &SiteYear, archive: &ArchiveSettings) -> Value {
    let units = Units::new(archive, &result.identity.crop);
    let decimals = decimals(&units);
    let whole = result.responses.iter().filter(|response| response.key.class.is_none());
    json!({
        "identity": result.identity,
        "link": format!("site_years/{}/report.html", result.folder),
        "wetness": result.wetness_class,
        "wetness_mm": result.wetness_mm.map(|mm| signed(mm, 0)),
        "kept": percent(result.counts.kept, result.counts.read),
        "mean_yield": shown(result.counts.mean_yield_kg_ha.map(|value| units.yields(value)), decimals),
        "yield_unit": units.yield_unit,
        "answers": whole.map(|response| {
            let estimate = units.estimate(&response.estimate);
            json!({
                "treatment": archive.label(&response.key.treatment),
                "response": signed_or_dash(estimate.mean, decimals),
                "interval": interval(&estimate, decimals),
            })
        }).collect::<Vec<_>>(),
        "cautions": doubts(&result.cautions),
    })
}
