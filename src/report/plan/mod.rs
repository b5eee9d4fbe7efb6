//! The files of a plan: tables, texts, and the zones of each field as GeoPackage and shapefile.

mod tables;
mod text;
mod zones;

use serde_json::json;

pub(super) use tables::{PLAN, REPLICATION, ZONING};
pub(super) use text::zones_risk;
pub use text::{as_text, replication_text};
pub(super) use zones::ZONES;

use super::prescription::{self, PRESCRIPTION};
use super::units::level;
use super::{FIRST, OutputFile, ReportError, Units, promises, strips};
use crate::config::ArchiveSettings;
use crate::results::{Decision, PlannedField, PlannedZone, Replication, ReplicationRow, SeasonPlan, StripsWorth};
use crate::text::plain;

/// The files that only some fields get: strips, and something to put down at a known rate.
pub const OF_SOME_FIELDS: [&str; 4] = [strips::STRIPS, strips::LAYOUT, strips::SHEET, PRESCRIPTION];

/// The files with their folders below `plan`.
pub(super) fn files(plan: &SeasonPlan, archive: &ArchiveSettings) -> Result<Vec<(String, OutputFile)>, ReportError> {
    let units = Units::new(archive, &plan.crop);
    let readme = plain(&readme(plan, archive, &units)).into_owned();
    let mut files = vec![
        (String::new(), OutputFile::new("plan.csv", tables::plan(plan, archive, &units)?)),
        (String::new(), OutputFile::new("zoning.csv", tables::zoning(plan, &units)?)),
        (String::new(), OutputFile::new("replication.csv", tables::replication(plan, &units)?)),
        (String::new(), OutputFile::new("strips.csv", strips::table(plan, archive, &units)?)),
        (String::new(), OutputFile::new("README.txt", readme.into_bytes())),
    ];
    for field in &plan.fields {
        let mut of_field = zones::files(field, &units)?;
        if let Ok(layout) = &field.strips {
            of_field.extend(strips::files(plan, field, layout, archive, &units)?);
        }
        of_field.extend(prescription::file(field, archive)?);
        files.extend(of_field.into_iter().map(|file| (field.folder.clone(), file)));
    }
    Ok(files)
}

/// Money that is expected of treating the zone, less what plans of the archive promised too much; absent where nothing is to be treated.
fn expected_money(plan: &SeasonPlan, zone: &PlannedZone) -> Option<f64> {
    let net = zone.advice.net_return? - plan.to_take_off(&zone.advice.treatment);
    (zone.decision == Decision::Treat).then_some(net * zone.area_m2 / 10_000.0)
}

/// Where the advice on a field comes from.
fn basis(field: &PlannedField) -> &'static str {
    if field.has_own_strips { "own strips" } else { "archive" }
}

/// Money to the hundredth, without a negative zero.
fn cents(money: f64) -> f64 {
    (100.0 * money).round() / 100.0 + 0.0
}

/// The fields of a plan by what strips of a treatment would gain on their own ground, the most first; money.
fn fields_by_gain<'p>(plan: &'p SeasonPlan, one: &StripsWorth) -> Vec<(&'p PlannedField, f64)> {
    let mut fields: Vec<(&PlannedField, f64)> = plan.fields.iter().zip(one.of_fields.iter().copied()).collect();
    fields.sort_by(|one, other| other.1.total_cmp(&one.1));
    fields
}

/// The plan as JSON, in the units of the report: its zones with the names of `plan.csv`, the fields that were left out, and what
/// layouts of strips would tell.
pub fn as_json(plan: &SeasonPlan, archive: &ArchiveSettings) -> serde_json::Value {
    let units = Units::new(archive, &plan.crop);
    let yields = |value: f64| units.yields(value);
    let zone = |field: &PlannedField, zone: &PlannedZone| {
        let advice = &zone.advice;
        json!({
            "farm": field.farm,
            "field": field.field,
            "treatment": advice.treatment,
            "drainage_class": advice.class_name,
            "decision": zone.decision.code(),
            "why": zone.why.code(),
            "best": zone.is_best,
            "area": units.area(zone.area_m2),
            "response": advice.response.map(yields),
            "ci_low": advice.interval.map(|ends| yields(ends.0)),
            "ci_high": advice.interval.map(|ends| yields(ends.1)),
            "break_even": advice.break_even.map(yields),
            "net_return": advice.net_return.map(|money| units.money(money)),
            "probability_pays": advice.probability_pays,
            "probability_new_site_pays": advice.probability_new_site_pays,
            "expected_money": expected_money(plan, zone),
            "site_years": advice.site_years,
            "basis": basis(field),
            "caution": advice.cautions.codes(),
        })
    };
    let replication = |one: &Replication, row: &ReplicationRow| {
        json!({
            "treatment": one.treatment,
            "site_years": row.site_years,
            "blocks": row.blocks,
            "half_width": yields(row.half_width),
            "detectable": yields(row.detectable),
        })
    };
    json!({
        "first": FIRST,
        "crop": plan.crop,
        "area_unit": units.area_unit,
        "yield_unit": units.yield_unit,
        "money_unit": units.money_unit,
        "record": plan.record.as_ref().map(|record| promises::sentence(record, archive)),
        "zoning": plan.zoning.iter().map(|one| json!({
            "treatment": one.treatment,
            "left_out": one.left_out.code(),
            "site_years": one.site_years,
            "zones": units.money(one.zoned),
            "everywhere": units.money(one.blanket),
            "promised": units.money(one.promised),
            "gain": units.money(one.gain),
            "gain_std_error": units.money(one.gain_std_error),
            "probability_gains": one.probability,
            "optimism": one.optimism.map(|(optimism, _)| units.money(optimism)),
            "optimism_std_error": one.optimism.map(|(_, std_error)| units.money(std_error)),
            "taken_off": units.money(one.to_take_off()),
        })).collect::<Vec<_>>(),
        "zones_risk": plan.zones_risk.iter().map(|one| json!({
            "treatment": one.treatment,
            "standing": one.standing.code(),
            "fields": one.fields,
            "area": units.area(one.area_m2),
            "promised_gain": one.promised_gain,
            "loss_if_alike": one.loss_if_alike,
        })).collect::<Vec<_>>(),
        "strips_worth": plan.strips_worth.iter().map(|one| json!({
            "treatment": one.treatment,
            "gain": cents(one.gain),
            "cost": cents(one.cost),
            "is_worth": one.is_worth(),
            "fields": fields_by_gain(plan, one).iter().map(|(field, gain)| json!({
                "farm": field.farm,
                "field": field.field,
                "gain": cents(*gain),
            })).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "zones": plan.fields.iter().flat_map(|field| field.zones.iter().map(|one| zone(field, one))).collect::<Vec<_>>(),
        "left_out": plan.left_out.iter().map(|(field, reason)| json!({ "field": field, "reason": reason })).collect::<Vec<_>>(),
        "replication": plan.replication.iter().flat_map(|one| one.rows.iter().map(|row| replication(one, row))).collect::<Vec<_>>(),
    })
}

fn readme(plan: &SeasonPlan, archive: &ArchiveSettings, units: &Units) -> String {
    format!(
        "{}\n\nPlan for {} in {}. Responses are shrunken means over site-years in {}; net returns in {} at the prices of \
         archive.toml.\ndecision: treat = pays with a probability of at least {} and on average; leave = does not pay, with the \
         same probability; test = neither is settled, and strips would help to decide.\nwhy: advice = that is the advice on this ground; bridged = it is not, but it \
         lies between ground to treat, in stretches too short to switch off for; too-short = treating is advised, on stretches \
         too short to switch on for; one-choice = the field has one choice, since its zones promise less than target.zone_cost.\nZones of less than a tenth of an acre are dissolved into their neighbours.\nzones.gpkg is in the field's UTM zone, zones.shp in longitudes and \
         latitudes (WGS 84).\nstrips.csv lists next season's strips. Of each field that gets some: strips.html is the operator's \
         sheet; strips.geojson is the ground on which a pass counts, to be named in next season's field.toml; layout.geojson \
         holds the same with the guards at the sides, all of which gets the treatment.\nprescription.zip is a task data set (ISO \
         11783-10, version 4) for a terminal: a task for each treatment with a rate in archive.toml, its tested rate on the ground to \
         treat that no strip takes, or on its strips, 0 everywhere else, on check strips, outside the field and without a position. Zones of two \
         treatments may overlap: load the one that is wanted.\n\n{}",
        FIRST,
        plan.crop,
        archive.name,
        units.yield_unit,
        units.money_unit,
        level(archive.target.sure),
        as_text(plan, archive),
    )
}
