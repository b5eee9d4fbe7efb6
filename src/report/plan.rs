//! The files of a plan: tables, and the zones of each field as GeoPackage and shapefile.

use std::fmt::Write;
use std::io::Cursor;

use dbase::{FieldName, FieldValue, TableWriterBuilder};
use geo::{Geometry, MultiPolygon};
use rusqlite::types::Value;
use serde_json::json;

use super::geopackage::{self, Layer, named, number, text};
use super::prescription::{self, PRESCRIPTION};
use super::promises;
use super::strips;
use super::tables::{aligned, write};
use super::units::{fixed, level};
use super::{FIRST, LABEL_FIRST, OutputFile, ReportError, Units};
use crate::config::ArchiveSettings;
use crate::geometry::{Crs, Projector};
use crate::results::{
    Decision, PlannedField, PlannedZone, Record, Replication, ReplicationRow, SeasonPlan, StripsWorth, Why, ZonesRisk,
    ZonesStanding,
};
use crate::text::plain;

/// The columns of `plan.csv`.
pub const PLAN_COLUMNS: [&str; 25] = [
    "farm",
    "field",
    "crop",
    "treatment",
    "drainage_class",
    "decision",
    "why",
    "best",
    "area",
    "area_unit",
    "response",
    "ci_low",
    "ci_high",
    "break_even",
    "yield_unit",
    "net_return",
    "money_unit",
    "probability_pays",
    "probability_new_site_pays",
    "expected_money",
    "basis",
    "site_years",
    "outlook",
    "folder",
    "caution",
];

/// The files that only some fields get: strips, and something to put down at a known rate.
pub const OF_SOME_FIELDS: [&str; 4] = [strips::STRIPS, strips::LAYOUT, strips::SHEET, PRESCRIPTION];

const SHAPES: &str = "zones.shp";
/// Well-known text of longitudes and latitudes on WGS 84, as a .prj holds it (OGC 01-009, ESRI's spelling).
const PRJ: &str = "GEOGCS[\"GCS_WGS_1984\",DATUM[\"D_WGS_1984\",SPHEROID[\"WGS_1984\",6378137.0,298.257223563]],PRIMEM[\"Greenwich\",0.0],UNIT[\"Degree\",0.0174532925199433]]";

/// The files with their folders below `plan`.
pub(super) fn files(plan: &SeasonPlan, archive: &ArchiveSettings) -> Result<Vec<(String, OutputFile)>, ReportError> {
    let units = Units::new(archive, &plan.crop);
    let mut files = vec![
        (String::new(), OutputFile { name: "plan.csv".into(), bytes: table(plan, archive, &units)? }),
        (String::new(), OutputFile { name: "zoning.csv".into(), bytes: zoning(plan, &units)? }),
        (String::new(), OutputFile { name: "replication.csv".into(), bytes: replication(plan, &units)? }),
        (String::new(), OutputFile { name: "strips.csv".into(), bytes: strips::table(plan, archive, &units)? }),
        (
            String::new(),
            OutputFile {
                name: "README.txt".into(),
                bytes: plain(&readme(plan, archive, &units)).into_owned().into_bytes(),
            },
        ),
    ];
    for field in &plan.fields {
        let mut add = |name: &'static str, bytes: Vec<u8>| {
            files.push((field.folder.clone(), OutputFile { name: name.into(), bytes }));
        };
        add("zones.gpkg", package(field, &units)?);
        let [shp, shx, dbf] = shapes(field, &units)?;
        add(SHAPES, shp);
        add("zones.shx", shx);
        add("zones.dbf", dbf);
        add("zones.prj", PRJ.as_bytes().to_vec());
        if let Ok(layout) = &field.strips {
            let sheets = strips::files(plan, field, layout, archive, &units)?;
            files.extend(sheets.into_iter().map(|file| (field.folder.clone(), file)));
        }
        files.extend(prescription::file(field, archive)?.map(|file| (field.folder.clone(), file)));
    }
    Ok(files)
}

fn outlook(field: &PlannedField, archive: &ArchiveSettings) -> String {
    let labels = archive.wetness.as_ref().map_or(&[][..], |settings| settings.labels.as_slice());
    let parts = labels.iter().zip(&field.outlook).map(|(label, share)| format!("{label}={share:.2}"));
    parts.collect::<Vec<_>>().join(",")
}

/// Money that is expected of treating the zone, less what plans of the archive promised too much; absent where nothing is to be treated.
fn expected_money(plan: &SeasonPlan, zone: &PlannedZone) -> Option<f64> {
    let net = zone.advice.net_return? - plan.to_take_off(&zone.advice.treatment);
    (zone.decision == Decision::Treat).then_some(net * zone.area_m2 / 10_000.0)
}

fn table(plan: &SeasonPlan, archive: &ArchiveSettings, units: &Units) -> Result<Vec<u8>, ReportError> {
    let rows = plan.fields.iter().flat_map(|field| {
        field.zones.iter().map(move |zone| {
            let advice = &zone.advice;
            let yields = |value: Option<f64>| fixed(value.map(|value| units.yields(value)), units.yield_decimals);
            let unproven = plan.zoning.iter().any(|one| one.treatment == advice.treatment && !one.is_shown);
            let mut cautions = advice.cautions.clone();
            if unproven {
                cautions.add(crate::points::Caution::ZoningUnproven, "");
            }
            if plan.record.as_ref().is_some_and(Record::is_broken) {
                cautions.add(crate::points::Caution::PromisesNotKept, "");
            }
            vec![
                field.farm.clone(),
                field.field.clone(),
                plan.crop.clone(),
                advice.treatment.clone(),
                advice.class_name.clone(),
                zone.decision.code().to_owned(),
                zone.why.code().to_owned(),
                if zone.is_best { "yes" } else { "no" }.to_owned(),
                fixed(Some(units.area(zone.area_m2)), 3),
                units.area_unit.to_owned(),
                yields(advice.response),
                yields(advice.interval.map(|ends| ends.0)),
                yields(advice.interval.map(|ends| ends.1)),
                yields(advice.break_even),
                units.yield_unit.to_owned(),
                fixed(advice.net_return.map(|money| units.money(money)), 2),
                units.money_unit.clone(),
                fixed(advice.probability_pays, 4),
                fixed(advice.probability_new_site_pays, 4),
                fixed(expected_money(plan, zone), 0),
                if field.has_own_strips { "own strips" } else { "archive" }.to_owned(),
                advice.site_years.to_string(),
                outlook(field, archive),
                field.folder.clone(),
                cautions.codes(),
            ]
        })
    });
    write("plan.csv", &PLAN_COLUMNS, rows)
}

/// The columns of `zoning.csv`.
pub(super) const ZONING_COLUMNS: [&str; 14] = [
    "crop",
    "treatment",
    "left_out",
    "site_years",
    "zoned",
    "everywhere",
    "gain",
    "gain_std_error",
    "money_unit",
    "shown",
    "probability_gains",
    "promised",
    "optimism",
    "optimism_std_error",
];

fn zoning(plan: &SeasonPlan, units: &Units) -> Result<Vec<u8>, ReportError> {
    let rows = plan.zoning.iter().map(|one| {
        let money = |value: f64| fixed(Some(units.money(value)), 2);
        vec![
            plan.crop.clone(),
            one.treatment.clone(),
            one.left_out.code().to_owned(),
            one.site_years.to_string(),
            money(one.zoned),
            money(one.blanket),
            money(one.gain),
            money(one.gain_std_error),
            units.money_unit.clone(),
            if one.is_shown { "yes" } else { "no" }.to_owned(),
            fixed(one.probability, 4),
            money(one.promised),
            fixed(one.optimism.map(|(optimism, _)| units.money(optimism)), 2),
            fixed(one.optimism.map(|(_, std_error)| units.money(std_error)), 2),
        ]
    });
    write("zoning.csv", &ZONING_COLUMNS, rows)
}

/// The columns of `replication.csv`.
pub(super) const REPLICATION_COLUMNS: [&str; 10] = [
    "crop",
    "treatment",
    "site_years",
    "blocks",
    "strips",
    "std_error",
    "df",
    "half_width",
    "detectable",
    "yield_unit",
];

/// What layouts of strips would tell.
fn replication(plan: &SeasonPlan, units: &Units) -> Result<Vec<u8>, ReportError> {
    let rows = plan.replication.iter().flat_map(|one| {
        one.rows.iter().map(|row| {
            let yields = |value: f64| fixed(Some(units.yields(value)), units.yield_decimals);
            vec![
                plan.crop.clone(),
                one.treatment.clone(),
                row.site_years.to_string(),
                row.blocks.to_string(),
                (2 * row.site_years * row.blocks).to_string(),
                yields(row.std_error),
                format!("{}", row.df),
                yields(row.half_width),
                yields(row.detectable),
                units.yield_unit.to_owned(),
            ]
        })
    });
    write("replication.csv", &REPLICATION_COLUMNS, rows)
}

/// The layouts with the fewest strips whose interval is at most `half_width_kg_ha` to either side, as text.
pub fn replication_text(plan: &SeasonPlan, archive: &ArchiveSettings, half_width_kg_ha: f64) -> String {
    let units = Units::new(archive, &plan.crop);
    let printed = |value: f64| format!("{:.1} {}", units.yields(value), units.yield_unit);
    let mut text =
        format!("\nStrips for an interval of ± {} ({}):\n", printed(half_width_kg_ha), level(archive.model.confidence));
    for one in &plan.replication {
        let enough = |several: bool| {
            let rows =
                one.rows.iter().filter(|row| (row.site_years > 1) == several && row.half_width <= half_width_kg_ha);
            rows.min_by_key(|row| (row.site_years * row.blocks, row.site_years))
        };
        let said = |row: Option<&ReplicationRow>, what: &str| match row {
            Some(row) => format!(
                "{what}: {} site-year(s) of {} blocks (± {}; finds {} with 80 %)",
                row.site_years,
                row.blocks,
                printed(row.half_width),
                printed(row.detectable)
            ),
            None => format!("{what}: more than are tabulated in replication.csv"),
        };
        let _ = writeln!(
            text,
            "{}\n  {}\n  {}",
            one.treatment,
            said(enough(false), "one field in one season"),
            match one.between_sd {
                Some(_) => said(enough(true), "other fields and seasons"),
                None => "other fields and seasons: the archive does not yet show how they differ".to_owned(),
            }
        );
    }
    text
}

/// Money to the hundredth, without a negative zero.
fn cents(money: f64) -> f64 {
    (100.0 * money).round() / 100.0 + 0.0
}

/// How far zones are known to be worth it, and what is lost if they are not.
pub(super) fn zones_risk(one: &ZonesRisk, archive: &ArchiveSettings, units: &Units) -> String {
    let standing = match one.standing {
        ZonesStanding::Shown => "zones were shown to earn more than one choice for a field",
        ZonesStanding::Likely => "zones probably earn more than one choice for a field",
        ZonesStanding::Bet => "zones are a bet: they were not shown to earn more than one choice for a field",
    };
    let currency = archive.currency.as_deref().unwrap_or("money");
    format!(
        "{standing}. On the {:.0} {} to treat or to leave of {} field{} they promise {:.0} {currency} a season above the better of \
         treating all and nothing of each, and lose {:.0} {currency} if the soils of a field respond alike.",
        units.area(one.area_m2),
        units.area_unit,
        one.fields,
        if one.fields == 1 { "" } else { "s" },
        one.promised_gain,
        one.loss_if_alike,
    )
}

/// Fields that the text names of those that strips would tell most for.
const MOST_FIELDS: usize = 3;

/// The fields of a plan by what strips of a treatment would gain on their own ground, the most first; money.
fn fields_by_gain<'p>(plan: &'p SeasonPlan, one: &StripsWorth) -> Vec<(&'p PlannedField, f64)> {
    let mut fields: Vec<(&PlannedField, f64)> = plan.fields.iter().zip(one.of_fields.iter().copied()).collect();
    fields.sort_by(|one, other| other.1.total_cmp(&one.1));
    fields
}

/// What strips would be worth, by treatment and by field. Money of a whole archive, not of an area.
fn strips_worth(plan: &SeasonPlan, archive: &ArchiveSettings) -> String {
    let mut text = String::new();
    for one in &plan.strips_worth {
        let most: Vec<String> = fields_by_gain(plan, one)
            .iter()
            .take(MOST_FIELDS)
            .map(|(field, gain)| format!("{} · {} {gain:.0}", field.farm, field.field))
            .collect();
        let _ = writeln!(
            text,
            "{}: another season of strips would gain at most {:.0} {} over these fields by a better choice, most on the ground of {}; the \
             smallest trial gives up at least {:.0}{}.",
            archive.label(&one.treatment),
            one.gain,
            archive.currency.as_deref().unwrap_or("money"),
            most.join(", "),
            one.cost,
            if one.is_worth() { "" } else { "; none are laid out" },
        );
    }
    text
}

/// What zones were worth with seasons or fields left out, and what those of the plan promise and risk.
fn zones_worth(plan: &SeasonPlan, archive: &ArchiveSettings, units: &Units) -> String {
    let mut text = String::new();
    for one in &plan.zoning {
        let label = archive.label(&one.treatment);
        let verdict = if one.is_shown {
            "zones are worth their trouble"
        } else {
            "zones were not shown to earn more than the better of everything and nothing"
        };
        let _ = writeln!(
            text,
            "{label}: each {} of {} site-years decided by the others, zones return {:.2}, treating everything {:.2} {}; {verdict} ({:+.2} ± {:.2}).",
            one.left_out.code(),
            one.site_years,
            cents(units.money(one.zoned)),
            cents(units.money(one.blanket)),
            units.money_unit,
            cents(units.money(one.gain)),
            cents(units.money(one.gain_std_error)),
        );
        if let Some((optimism, std_error)) = one.optimism {
            let _ = writeln!(
                text,
                "{label}: the ground so chosen returned {:.2} ± {:.2} {} {} than promised; {} is taken off the expected money.",
                cents(units.money(optimism.abs())),
                cents(units.money(std_error)),
                units.money_unit,
                if optimism > 0.0 { "less" } else { "more" },
                if optimism > 0.0 {
                    format!("{:.2}", cents(units.money(one.to_take_off())))
                } else {
                    "nothing".to_owned()
                },
            );
        }
    }
    for one in &plan.zones_risk {
        let _ = writeln!(text, "{}: {}", archive.label(&one.treatment), zones_risk(one, archive, units));
    }
    text
}

/// The plan as text: what to treat in each field, the totals, and what zones are worth.
pub fn as_text(plan: &SeasonPlan, archive: &ArchiveSettings) -> String {
    let units = Units::new(archive, &plan.crop);
    let currency = archive.currency.clone().unwrap_or_default();
    let mut rows =
        vec![["field", "treatment", "treat", "leave", "test", "expected", "basis"].map(str::to_owned).to_vec()];
    let treatments = archive.treatments.iter().filter(|treatment| !treatment.check);
    for treatment in treatments {
        let of = |field: &PlannedField| {
            let own = field.zones.iter().filter(|zone| zone.advice.treatment == treatment.key);
            let (mut areas, mut money) = ([0.0; 3], 0.0);
            for zone in own {
                areas[zone.decision as usize] += zone.area_m2;
                money += expected_money(plan, zone).unwrap_or(0.0);
            }
            (areas, money)
        };
        let line = |name: String, (areas, money): ([f64; 3], f64), basis: &str| {
            let area = |at: usize| format!("{:.1} {}", units.area(areas[at]), units.area_unit);
            vec![
                name,
                treatment.label.clone(),
                area(0),
                area(1),
                area(2),
                format!("{money:+.0} {currency}"),
                basis.to_owned(),
            ]
        };
        let (mut total, mut sum) = ([0.0; 3], 0.0);
        for field in &plan.fields {
            let (areas, money) = of(field);
            total.iter_mut().zip(areas).for_each(|(total, area)| *total += area);
            sum += money;
            let basis = if field.has_own_strips { "own strips" } else { "archive" };
            rows.push(line(format!("{} · {}", field.farm, field.field), (areas, money), basis));
        }
        rows.push(line("all fields".to_owned(), (total, sum), ""));
    }
    let mut text = aligned(&rows);
    text.push_str(&zones_worth(plan, archive, &units));
    text.push_str(&strips_worth(plan, archive));
    for treatment in archive.treatments.iter().filter(|treatment| !treatment.check) {
        let area = |why: Why| {
            let zones = plan.fields.iter().flat_map(|field| &field.zones);
            let of_kind = zones.filter(|zone| zone.advice.treatment == treatment.key && zone.why == why);
            of_kind.map(|zone| zone.area_m2).sum::<f64>()
        };
        let (bridged, short) = (area(Why::Bridged), area(Why::TooShort));
        if bridged + short > 0.0 {
            let printed = |area: f64| format!("{:.1} {}", units.area(area), units.area_unit);
            let _ = writeln!(
                text,
                "{}: of the ground to treat {} is bridged: less than {} sure, in stretches too short to switch off for; of the \
                 ground to leave {} would pay and is too short to switch on for.",
                treatment.label,
                printed(bridged),
                level(archive.target.sure),
                printed(short),
            );
        }
    }
    if let Some(record) = &plan.record {
        let _ = writeln!(text, "{}", promises::sentence(record, archive));
    }
    for (field, reason) in &plan.left_out {
        let _ = writeln!(text, "left out: {field}: {reason}");
    }
    text.push_str(&strips::as_text(plan, archive));
    text.push_str(&prescription::as_text(plan, archive));
    text.push_str(FIRST);
    text.push('\n');
    text
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
            "basis": if field.has_own_strips { "own strips" } else { "archive" },
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
         archive.toml.\ndecision: treat = pays with a probability of at least {} and on average; leave = does not pay, as \
         surely; test = not settled, strips would tell.\nwhy: advice = that is the advice on this ground; bridged = it is not, but it \
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

/// The columns of `zones.gpkg`.
pub(super) const ZONE_COLUMNS: [(&str, &str); 18] = [
    ("treatment", "TEXT"),
    ("drainage_class", "TEXT"),
    ("decision", "TEXT"),
    ("why", "TEXT"),
    ("best", "BOOLEAN"),
    ("area", "DOUBLE"),
    ("area_unit", "TEXT"),
    ("response", "DOUBLE"),
    ("ci_low", "DOUBLE"),
    ("ci_high", "DOUBLE"),
    ("yield_unit", "TEXT"),
    ("net_return", "DOUBLE"),
    ("money_unit", "TEXT"),
    ("probability_pays", "DOUBLE"),
    ("probability_new_site_pays", "DOUBLE"),
    ("basis", "TEXT"),
    ("caution", "TEXT"),
    ("first", "TEXT"),
];

fn package(field: &PlannedField, units: &Units) -> Result<Vec<u8>, ReportError> {
    let features = field
        .zones
        .iter()
        .map(|zone| {
            let advice = &zone.advice;
            let yields = |value: Option<f64>| number(value.map(|value| units.yields(value)));
            let values = vec![
                text(&advice.treatment),
                text(&advice.class_name),
                text(zone.decision.code()),
                text(zone.why.code()),
                Value::Integer(i64::from(zone.is_best)),
                number(Some(units.area(zone.area_m2))),
                text(units.area_unit),
                yields(advice.response),
                yields(advice.interval.map(|ends| ends.0)),
                yields(advice.interval.map(|ends| ends.1)),
                text(units.yield_unit),
                number(advice.net_return.map(|money| units.money(money))),
                text(&units.money_unit),
                number(advice.probability_pays),
                number(advice.probability_new_site_pays),
                text(if field.has_own_strips { "own strips" } else { "archive" }),
                text(&advice.cautions.codes()),
                text(LABEL_FIRST),
            ];
            (Geometry::MultiPolygon(zone.ground.clone()), values)
        })
        .collect();
    let layer = Layer { name: "zones", geometry: "MULTIPOLYGON", columns: named(&ZONE_COLUMNS), features };
    geopackage::package(&[layer], field.epsg)
}

/// The bytes of .shp, .shx and .dbf. Names have at most ten letters in a .dbf.
fn shapes(field: &PlannedField, units: &Units) -> Result<[Vec<u8>; 3], ReportError> {
    let broken = |fault: &dyn std::fmt::Display| ReportError::new(SHAPES, fault);
    let utm = Crs::from_epsg(field.epsg).map_err(|fault| broken(&fault))?;
    let projector = Projector::new(&utm, &Crs::wgs84()).map_err(|fault| broken(&fault))?;
    let (mut shp, mut shx, mut dbf) = (Cursor::new(Vec::new()), Cursor::new(Vec::new()), Cursor::new(Vec::new()));
    {
        let name = |name: &str| FieldName::try_from(name).map_err(|fault| broken(&fault));
        let mut builder = TableWriterBuilder::new();
        for (column, length) in [
            ("treatment", 60),
            ("drainage", 60),
            ("decision", 8),
            ("why", 10),
            ("basis", 12),
            ("caution", 254),
            ("first", 120),
        ] {
            builder = builder.add_character_field(name(column)?, length);
        }
        for (column, decimals) in [("area", 3), ("response", 3), ("net_return", 2), ("p_pays", 4), ("p_new_site", 4)] {
            builder = builder.add_numeric_field(name(column)?, 16, decimals);
        }
        let mut table = builder.build_with_dest(&mut dbf);
        let mut writer = shapefile::ShapeWriter::with_shx(&mut shp, &mut shx);
        for zone in &field.zones {
            let ground: MultiPolygon<f64> = projector
                .convert_polygons(&zone.ground)
                .map_err(|fault| broken(&fault))?
                .ok_or_else(|| broken(&"a zone lies off the map"))?;
            writer.write_shape(&shapefile::Polygon::from(ground)).map_err(|fault| broken(&fault))?;
            let advice = &zone.advice;
            let mut record = dbase::Record::default();
            let basis = if field.has_own_strips { "own strips" } else { "archive" };
            for (column, value) in [
                ("treatment", advice.treatment.as_str()),
                ("drainage", &advice.class_name),
                ("decision", zone.decision.code()),
                ("why", zone.why.code()),
                ("basis", basis),
                ("caution", &advice.cautions.codes()),
                ("first", LABEL_FIRST),
            ] {
                record.insert(column.to_owned(), FieldValue::Character(Some(value.to_owned())));
            }
            for (column, value) in [
                ("area", Some(units.area(zone.area_m2))),
                ("response", advice.response.map(|value| units.yields(value))),
                ("net_return", advice.net_return.map(|money| units.money(money))),
                ("p_pays", advice.probability_pays),
                ("p_new_site", advice.probability_new_site_pays),
            ] {
                record.insert(column.to_owned(), FieldValue::Numeric(value));
            }
            table.write_record(&record).map_err(|fault| broken(&fault))?;
        }
        writer.finalize().map_err(|fault| broken(&fault))?;
        table.finalize().map_err(|fault| broken(&fault))?;
    }
    let mut dbf = dbf.into_inner();
    // The header holds the day of writing: one day in every file, so that the same plan gives the same bytes.
    if let Some(date) = dbf.get_mut(1..4) {
        date.copy_from_slice(&[100, 1, 1]);
    }
    Ok([shp.into_inner(), shx.into_inner(), dbf])
}
