//! The pages: one for each site-year, one for the archive. Self-contained; every name from a file is escaped.

mod chart;
mod map;

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment};
use serde::Serialize;
use serde_json::json;

use super::units::fixed;
use super::yield_grid::YieldGrid;
use super::{Answer, Failure, ReportError, Units};
use crate::config::ArchiveSettings;
use crate::points::{Cautions, Joined, Source, Sourced};
use crate::results::{Estimate, Response, SiteYear, ZoneResponse};

const STYLE: &str = include_str!("style.css");
const BASE: &str = include_str!("base.html");
const SITE_YEAR: &str = include_str!("site_year.html");
const INDEX: &str = include_str!("index.html");

fn render(file: &'static str, name: &str, context: serde_json::Value) -> Result<Vec<u8>, ReportError> {
    let fault = |error: minijinja::Error| ReportError::new(file, error);
    let mut environment = Environment::new();
    // All templates are pages: whatever stands in a value stays text.
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    for (name, source) in [("base.html", BASE), ("site_year.html", SITE_YEAR), ("index.html", INDEX)] {
        environment.add_template(name, source).map_err(fault)?;
    }
    environment
        .get_template(name)
        .and_then(|template| template.render(Serde(context)))
        .map(String::into_bytes)
        .map_err(fault)
}

/// A number as it is read: fixed decimals, or a dash.
fn shown(value: Option<f64>, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.is_empty() { "–".to_owned() } else { text }
}

fn percent(share: Option<f64>) -> String {
    share.map_or_else(|| "–".to_owned(), |share| format!("{:.0} %", 100.0 * share))
}

#[derive(Debug, Serialize)]
struct ResponseLine {
    treatment: String,
    class: String,
    wetness: String,
    site_years: usize,
    blocks: usize,
    segments: usize,
    check: String,
    treated: String,
    response: String,
    interval: String,
    p_randomization: String,
    pays: String,
    new_site_pays: String,
    net: String,
    gained: String,
    cautions: Vec<(String, String)>,
}

fn caution_list(cautions: &Cautions) -> Vec<(String, String)> {
    cautions
        .iter()
        .map(|(caution, detail)| {
            let more = if detail.is_empty() { String::new() } else { format!(" ({detail})") };
            (caution.code().to_owned(), format!("{}{more}", caution.text()))
        })
        .collect()
}

fn interval(estimate: &Estimate, decimals: usize) -> String {
    match (estimate.low, estimate.high) {
        (Some(low), Some(high)) => format!("{low:.decimals$} to {high:.decimals$}"),
        _ => "–".to_owned(),
    }
}

fn label(archive: &ArchiveSettings, key: &str) -> String {
    archive.treatment(key).map_or_else(|| key.to_owned(), |treatment| treatment.label.clone())
}

fn sourced(value: &Sourced, unit: &str) -> String {
    let number = format!("{:.2}{unit}", value.value);
    match (value.source, value.std_error) {
        (Source::Estimated, Some(se)) => format!("{number} ± {se:.2} (estimated)"),
        (Source::Estimated, None) => format!("{number} (estimated)"),
        (Source::Configured, _) => format!("{number} (configured)"),
        (Source::Assumed, _) => format!("{number} (assumed)"),
    }
}

fn machines(result: &SiteYear) -> Vec<serde_json::Value> {
    result
        .cleaning
        .machines
        .iter()
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

fn removals(result: &SiteYear) -> Vec<serde_json::Value> {
    result
        .counts
        .removed
        .iter()
        .filter(|(_, points)| **points > 0)
        .map(|(mark, points)| {
            json!({
                "code": mark.code(),
                "text": mark.text(),
                "points": points,
                "share": percent(Some(*points as f64 / result.counts.read.max(1) as f64)),
            })
        })
        .collect()
}

fn sensitivity(result: &SiteYear, archive: &ArchiveSettings, units: &Units, decimals: usize) -> Vec<serde_json::Value> {
    result
        .sensitivity
        .iter()
        .filter(|row| row.class_name == "all")
        .map(|row| {
            let estimate =
                units.estimate(&Estimate { mean: row.response, low: row.low, high: row.high, ..Estimate::default() });
            json!({
                "variant": row.variant,
                "treatment": label(archive, &row.treatment),
                "response": shown(estimate.mean, decimals),
                "interval": interval(&estimate, decimals),
            })
        })
        .collect()
}

fn contrasts(result: &SiteYear, archive: &ArchiveSettings, units: &Units, decimals: usize) -> Vec<serde_json::Value> {
    result
        .supplement
        .contrasts
        .iter()
        .map(|one| {
            let estimate = units.estimate(&one.estimate);
            json!({
                "treatment": label(archive, &one.treatment),
                "against": label(archive, &one.against),
                "class": one.class_name,
                "blocks": one.blocks,
                "difference": shown(estimate.mean, decimals),
                "interval": interval(&estimate, decimals),
                "cautions": caution_list(&one.cautions),
            })
        })
        .collect()
}

fn trends(result: &SiteYear, archive: &ArchiveSettings, units: &Units, decimals: usize) -> Vec<serde_json::Value> {
    result
        .supplement
        .trends
        .iter()
        .map(|one| {
            let estimate = units.estimate(&one.estimate);
            json!({
                "treatment": label(archive, &one.treatment),
                "from": one.classes.first(),
                "to": one.classes.last(),
                "slope": estimate.mean.map_or_else(|| "–".to_owned(), |mean| format!("{mean:+.decimals$}")),
                "interval": interval(&estimate, decimals),
                "p": shown(estimate.p_value, 3),
            })
        })
        .collect()
}

/// `report.html`.
pub(super) fn site_year(
    joined: &Joined,
    result: &SiteYear,
    archive: &ArchiveSettings,
    units: &Units,
    grid: Option<&YieldGrid>,
) -> Result<Vec<u8>, ReportError> {
    const FILE: &str = "report.html";
    let decimals = if units.yield_decimals > 3 { 2 } else { 1 };
    let lines: Vec<ResponseLine> = result
        .responses
        .iter()
        .map(|response| {
            let estimate = units.estimate(&response.estimate);
            ResponseLine {
                treatment: label(archive, &response.key.treatment),
                class: response.class_name.clone(),
                wetness: String::new(),
                site_years: 1,
                blocks: response.blocks,
                segments: response.segments,
                check: shown(response.check_yield.map(|value| units.yields(value)), decimals),
                treated: shown(response.treated_yield.map(|value| units.yields(value)), decimals),
                response: shown(estimate.mean, decimals),
                interval: interval(&estimate, decimals),
                p_randomization: shown(estimate.p_randomization, 3),
                pays: percent(response.returns.probability_pays),
                new_site_pays: String::new(),
                net: shown(response.returns.net_return.map(|money| units.money(money)), 0),
                gained: String::new(),
                cautions: caution_list(&response.cautions),
            }
        })
        .collect();
    let map = grid.map(|grid| map::yield_map(grid, joined, archive, units)).transpose()?;
    let identity = &result.identity;
    render(
        FILE,
        "site_year.html",
        json!({
            "style": STYLE,
            "title": format!("{} · {} · {}", identity.field, identity.farm, identity.season),
            "identity": identity,
            "archive": archive.name,
            "depth": "../../../../",
            "crop": identity.crop,
            "wetness_class": result.wetness_class,
            "wetness_mm": result.wetness_mm.map(|mm| format!("{mm:+.0} mm")),
            "yield_unit": units.yield_unit,
            "money_unit": units.money_unit,
            "confidence": format!("{:.0} %", 100.0 * archive.model.confidence),
            "mean_yield": shown(result.counts.mean_yield_kg_ha.map(|value| units.yields(value)), decimals),
            "points_read": result.counts.read,
            "points_kept": result.counts.kept,
            "lines": lines,
            "chart": chart::intervals(result, archive, units),
            "map": map,
            "machines": machines(result),
            "removals": removals(result),
            "removal_by_treatment": result.removal_by_treatment.iter().map(|row| json!({
                "treatment": label(archive, &row.treatment),
                "records": row.records,
                "share": percent(Some(row.removed as f64 / row.records.max(1) as f64)),
            })).collect::<Vec<_>>(),
            "sensitivity": sensitivity(result, archive, units, decimals),
            "sign_changes": result.sign_changes().iter().filter(|one| one.class_name == "all").map(|one| json!({
                "treatment": label(archive, &one.treatment),
                "changed": one.changed,
                "variants": one.variants,
            })).collect::<Vec<_>>(),
            "contrasts": contrasts(result, archive, units, decimals),
            "trends": trends(result, archive, units, decimals),
            "decisions": result.responses.iter().any(Response::decision_allowed),
            "limits": result.cleaning.limits,
            "entry": result.cleaning.pass_entry_s.as_ref().map(|value| sourced(value, " s")),
            "exit": result.cleaning.pass_exit_s.as_ref().map(|value| sourced(value, " s")),
            "cautions": caution_list(&result.cautions),
        }),
    )
}

/// `index.html`.
pub(super) fn index(
    site_years: &[SiteYear],
    zones: &[ZoneResponse],
    answers: &[Answer],
    failures: &[Failure],
    archive: &ArchiveSettings,
) -> Result<Vec<u8>, ReportError> {
    let lines: Vec<_> = zones
        .iter()
        .map(|zone| {
            let units = Units::new(archive, &zone.crop);
            let decimals = if units.yield_decimals > 3 { 2 } else { 1 };
            let estimate = units.estimate(&zone.estimate);
            let line = ResponseLine {
                treatment: label(archive, &zone.treatment),
                class: zone.class_name.clone(),
                wetness: zone.wetness_class.clone(),
                site_years: zone.site_years,
                blocks: zone.blocks,
                segments: zone.segments,
                check: shown(zone.check_yield.map(|value| units.yields(value)), decimals),
                treated: shown(zone.treated_yield.map(|value| units.yields(value)), decimals),
                response: shown(estimate.mean, decimals),
                interval: interval(&estimate, decimals),
                p_randomization: String::new(),
                pays: percent(zone.returns.probability_pays),
                new_site_pays: percent(zone.probability_new_site_pays),
                net: shown(zone.returns.net_return.map(|money| units.money(money)), 0),
                gained: if zone.decision_allowed() {
                    format!("{} / {} of {}", zone.gained, zone.paid, zone.site_years)
                } else {
                    "–".to_owned()
                },
                cautions: caution_list(&zone.cautions),
            };
            json!({ "crop": zone.crop, "yield_unit": units.yield_unit, "money_unit": units.money_unit, "line": line })
        })
        .collect();
    let fields: Vec<_> = site_years
        .iter()
        .map(|result| {
            let units = Units::new(archive, &result.identity.crop);
            let decimals = if units.yield_decimals > 3 { 2 } else { 1 };
            let answers: Vec<_> = result
                .responses
                .iter()
                .filter(|response| response.key.class.is_none())
                .map(|response| {
                    let estimate = units.estimate(&response.estimate);
                    json!({
                        "treatment": label(archive, &response.key.treatment),
                        "response": shown(estimate.mean, decimals),
                        "interval": interval(&estimate, decimals),
                    })
                })
                .collect();
            json!({
                "identity": result.identity,
                "link": format!("site_years/{}/report.html", result.folder),
                "wetness": result.wetness_class,
                "kept": percent(Some(result.counts.kept as f64 / result.counts.read.max(1) as f64)),
                "mean_yield": shown(result.counts.mean_yield_kg_ha.map(|value| units.yields(value)), decimals),
                "yield_unit": units.yield_unit,
                "answers": answers,
                "cautions": result.cautions.codes().split(';').filter(|code| !code.is_empty()).collect::<Vec<_>>(),
            })
        })
        .collect();
    render(
        "index.html",
        "index.html",
        json!({
            "style": STYLE,
            "title": archive.name,
            "archive": archive.name,
            "depth": "",
            "confidence": format!("{:.0} %", 100.0 * archive.model.confidence),
            "answers": answers.iter().map(|one| json!({ "title": one.title, "text": one.text })).collect::<Vec<_>>(),
            "lines": lines,
            "decisions": zones.iter().any(ZoneResponse::decision_allowed),
            "fields": fields,
            "failures": failures.iter().map(|one| json!({ "folder": one.folder, "reason": one.reason })).collect::<Vec<_>>(),
        }),
    )
}
