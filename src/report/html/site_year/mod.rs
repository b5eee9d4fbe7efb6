//! `report.html`: the grower's page, and below it the specialist's.

mod drawn;
mod responses;

use std::collections::BTreeSet;

use serde_json::{Map, Value, json};

pub(in crate::report) use self::drawn::drawn;
use super::colour::{hex, of_mark, of_yield, stops};
use super::figures::panel::Panel;
use super::figures::soils::{self, Cell, Grounds, Soil};
use super::text::{decimals, doubts_in_words, percent, shown, signed, sourced, time_of_year};
use super::words::Words;
use super::{improve, map, render};
use crate::config::ArchiveSettings;
use crate::report::units::{level, trimmed};
use crate::report::{Drawn, FIRST, Provenance, ReportError, Units, covariates, observed};
use crate::results::{LocalResponse, SiteYear};

/// Probability from which a stretch is said to have paid, or not to have (ours).
const SURELY: f64 = 0.8;

/// `report.html`.
pub(in crate::report) fn page(
    result: &SiteYear,
    archive: &ArchiveSettings,
    provenance: &Provenance,
    mut drawn: Drawn,
) -> Result<Vec<u8>, ReportError> {
    let units = &Units::new(archive, &result.identity.crop);
    let parts = Parts { result, archive, units, decimals: decimals(units) };
    let words = Words { result, archive, units, decimals: parts.decimals };
    let mut context = parts.heading();
    let map: Option<map::DifferenceMap> = serde_json::from_value(drawn.0["difference_map"].take())
        .map_err(|error| ReportError::new("report.html", error))?;
    let paid = parts.surely_paid();
    drawn.0["difference_map"] = map.map(|map| map.marked(|segment| paid.contains(&segment))).into();
    drawn.0["local"] = parts.local().into();
    if let Some(part) = covariates::part(result, archive, units) {
        context.insert("covariates".to_owned(), part);
    }
    if let Some(part) = observed::part(result, archive, units) {
        context.insert("observed".to_owned(), part);
    }
    for part in [
        drawn.0,
        json!({
            "headline": words.headline(),
            "verdicts": words.verdicts(),
            "grower_chart": parts.responses(true),
            "grounds": grounds(result, archive, units).iter().map(|panel| &panel.svg).collect::<Vec<_>>(),
            "improve": improve::of_site_year(result, units),
            "cautions": doubts_in_words(&result.doubts_of_the_answer(), archive),
            "yield_stops": stops(of_yield).join(","),
        }),
        parts.records(),
        parts.lag(),
        parts.classes(),
        json!({
            "provenance": {
                "version": env!("CARGO_PKG_VERSION"),
                "fingerprint": provenance.fingerprint,
                "stages": provenance.stages,
                "inputs": provenance.inputs,
                "epsg": result.epsg,
            },
            "settings": settings(result, archive)?,
        }),
    ] {
        if let Value::Object(part) = part {
            context.extend(part);
        }
    }
    render("report.html", "site_year.html", Value::Object(context))
}

/// The responses by ground, a panel for each treatment.
pub(super) fn grounds(result: &SiteYear, archive: &ArchiveSettings, units: &Units) -> Vec<Panel> {
    let treatments = result.responses.chunk_by(|one, next| one.key.treatment == next.key.treatment);
    let on_soils: Vec<Grounds> = treatments
        .map(|responses| {
            let whole_first = responses.iter().rev().take(1).chain(responses.iter().take(responses.len() - 1));
            let soils = whole_first.map(|response| {
                let estimate = units.estimate(&response.estimate);
                let (whole, mean) = (response.key.class.is_none(), estimate.mean);
                Soil {
                    name: if whole { "whole field".to_owned() } else { response.class_name.clone() },
                    cells: vec![Cell {
                        wetness: mean.map_or_else(String::new, |mean| signed(mean, decimals(units))),
                        mean,
                        interval: estimate.low.zip(estimate.high),
                    }],
                }
            });
            let pays = responses.iter().filter(|one| one.key.class.is_none()).find_map(|one| one.returns.break_even);
            Grounds {
                title: archive.label(&responses[0].key.treatment).to_owned(),
                soils: soils.collect(),
                break_even: pays.map(|kg_ha| units.yields(kg_ha)),
            }
        })
        .collect();
    soils::draw(&on_soils, units.yield_unit)
}

fn number(value: f64) -> String {
    trimmed(value, 3).replace('-', "−")
}

fn machines(result: &SiteYear) -> Vec<Value> {
    let machines = result.cleaning.machines.iter();
    machines
        .map(|(name, facts)| {
            json!({
                "name": name,
                "lag": sourced(&facts.lag_s, " s"),
                "moisture_lag": sourced(&facts.moisture_lag_s, " s"),
                "factor": sourced(&facts.machine_factor, ""),
                "gain": sourced(&facts.ticket_gain, ""),
            })
        })
        .collect()
}

fn removals(result: &SiteYear) -> Vec<Value> {
    let removed = result.counts.removed.iter().filter(|(_, points)| **points > 0);
    removed
        .map(|(mark, points)| {
            json!({
                "code": mark.code(),
                "text": mark.text(),
                "source": mark.rule().source,
                "colour": hex(of_mark(*mark)),
                "points": points,
                "share": percent(*points, result.counts.read),
            })
        })
        .collect()
}

/// The rules that did not run, with what each needs.
fn not_run(result: &SiteYear) -> Vec<Value> {
    let rules = result.cleaning.not_run.iter();
    rules.map(|mark| json!({ "code": mark.code(), "needs": mark.needs() })).collect()
}

fn settings(result: &SiteYear, archive: &ArchiveSettings) -> Result<String, ReportError> {
    let settings = json!({
        "clean": archive.clean,
        "model": archive.model,
        "crop": archive.crops.get(&result.identity.crop),
        "treatments": archive.treatments,
        "target": archive.target,
    });
    serde_json::to_string_pretty(&settings).map_err(|error| ReportError::new("report.html", error))
}

/// The specialist's tables and figures.
struct Parts<'t> {
    result: &'t SiteYear,
    archive: &'t ArchiveSettings,
    units: &'t Units,
    decimals: usize,
}

impl Parts<'_> {
    /// What stands above everything.
    fn heading(&self) -> Map<String, Value> {
        let Self { result, archive, units, .. } = self;
        let identity = &result.identity;
        let heading = json!({
            "title": format!("{} · {} · {}", identity.field, identity.farm, identity.season),
            "identity": identity,
            "archive": archive.name,
            "depth": "../../../../",
            "time_of_year": time_of_year(archive, result.place_deg.1),
            "wetness_class": result.wetness_class,
            "wetness_mm": result.wetness_mm.map(|mm| format!("{} mm", signed(mm, 0))),
            "mean_yield": self.yields(result.counts.mean_yield_kg_ha),
            "yield_unit": units.yield_unit,
            "money_unit": units.money_unit,
            "confidence": level(archive.model.confidence),
            "first": FIRST,
        });
        heading.as_object().cloned().unwrap_or_default()
    }

    /// How many records were kept, and why the others were not.
    fn records(&self) -> Value {
        let counts = &self.result.counts;
        let by_treatment = self.result.removal_by_treatment.iter();
        json!({
            "area": format!("{:.1} {}", self.units.area(counts.kept_area_m2), self.units.area_unit),
            "points_read": counts.read,
            "points_kept": counts.kept,
            "kept_share": percent(counts.kept, counts.read),
            "removals": removals(self.result),
            "not_run": not_run(self.result),
            "removal_by_treatment": by_treatment.map(|row| json!({
                "treatment": self.archive.label(&row.treatment),
                "records": row.records,
                "share": percent(row.removed, row.records),
            })).collect::<Vec<_>>(),
        })
    }

    /// Passes, ramps and lags.
    fn lag(&self) -> Value {
        let facts = &self.result.cleaning;
        json!({
            "machines": machines(self.result),
            "passes": facts.passes,
            "entry": facts.pass_entry_s.as_ref().map(|value| sourced(value, " s")),
            "exit": facts.pass_exit_s.as_ref().map(|value| sourced(value, " s")),
            "limits": facts.limits.iter().map(|(name, value)| json!([name, number(*value)])).collect::<Vec<_>>(),
        })
    }

    fn yields(&self, kg_ha: Option<f64>) -> String {
        shown(kg_ha.map(|value| self.units.yields(value)), self.decimals)
    }

    /// The segments on which their treatment paid with the probability [`SURELY`].
    fn surely_paid(&self) -> BTreeSet<usize> {
        let pieces = self.result.local.iter().flat_map(|local| local.pieces.iter().map(move |piece| (local, piece)));
        let is_sure = |local, piece| self.result.local_probability_pays(local, piece).is_some_and(|p| p >= SURELY);
        pieces.filter(|(local, piece)| is_sure(local, piece)).map(|(_, piece)| piece.segment).collect()
    }

    /// What is said of the responses piece by piece, by treatment.
    fn local(&self) -> Vec<Value> {
        let of = |local: &LocalResponse| {
            let area = |is_so: &dyn Fn(f64) -> bool| -> Option<f64> {
                let pieces = local.pieces.iter();
                pieces
                    .map(|piece| {
                        let paid = self.result.local_probability_pays(local, piece)?;
                        Some(if is_so(paid) { piece.area_m2 } else { 0.0 })
                    })
                    .sum()
            };
            let whole: f64 = local.pieces.iter().map(|piece| piece.area_m2).sum();
            let share = |area: f64| format!("{:.0} %", 100.0 * area / whole);
            json!({
                "label": self.archive.label(&local.treatment),
                "between": shown(Some(self.units.yields(local.between_sd)), self.decimals),
                "paid": area(&|paid| paid >= SURELY).map(share),
                "not": area(&|paid| paid <= 1.0 - SURELY).map(share),
            })
        };
        self.result.local.iter().map(of).collect()
    }
}
