//! The files of next season's strips: polygons to plant and to read again, a table, the operator's sheet.

use std::fmt::Write;

use geo::orient::{Direction, Orient};
use geo::{Area, BooleanOps, LineString, MultiPolygon, Polygon};
use serde_json::{Value, json};

use super::tables::{Column, by_columns};
use super::units::{fixed, level};
use super::{LABEL_FIRST, OutputFile, ReportError, Units, html};
use crate::config::ArchiveSettings;
use crate::geometry::{Crs, Projector};
use crate::results::{NoStrips, PlannedField, PlannedStrip, SeasonPlan, StripLayout};

/// A row of `strips.csv`.
pub(super) struct Row<'r> {
    crop: &'r str,
    field: &'r PlannedField,
    layout: &'r StripLayout,
    strip: &'r PlannedStrip,
    label: &'r str,
    units: &'r Units,
}

/// The columns of `strips.csv`.
pub(super) const COLUMNS: &[Column<fn(&Row<'_>) -> String>] = &[
    ("farm", |row| row.field.farm.clone()),
    ("field", |row| row.field.field.clone()),
    ("season", |row| row.layout.season.to_string()),
    ("crop", |row| row.crop.to_owned()),
    ("strip", |row| row.strip.number.to_string()),
    ("block", |row| row.strip.block.to_string()),
    ("treatment", |row| row.strip.treatment.clone()),
    ("label", |row| row.label.to_owned()),
    ("planter_passes", |row| row.layout.widths.planter_passes.to_string()),
    ("header_passes", |row| row.layout.widths.header_passes.to_string()),
    ("planted_width", |row| fixed(Some(row.units.length(row.layout.widths.planted_m())), WIDTH_DECIMALS)),
    ("harvest_width", |row| fixed(Some(row.units.length(row.layout.widths.harvest_m())), WIDTH_DECIMALS)),
    ("length", |row| fixed(Some(row.units.length(row.strip.length_m)), LENGTH_DECIMALS)),
    ("length_unit", |row| row.units.length_unit.to_owned()),
    ("harvest_area", |row| fixed(Some(row.units.area(row.strip.harvest.unsigned_area())), 3)),
    ("area_unit", |row| row.units.area_unit.to_owned()),
    ("bearing_deg", |row| fixed(Some(row.layout.bearing_deg), 2)),
    ("seed", |row| row.layout.seed.to_string()),
    ("draws_refused", |row| row.layout.refused.to_string()),
    ("folder", |row| row.field.folder.clone()),
];

pub(super) const STRIPS: &str = "strips.geojson";
pub(super) const LAYOUT: &str = "layout.geojson";
pub(super) const SHEET: &str = "strips.html";

/// Decimals of a width and of a length, in feet or metres.
const WIDTH_DECIMALS: usize = 2;
const LENGTH_DECIMALS: usize = 1;

/// Every strip of the plan.
pub(super) fn table(plan: &SeasonPlan, archive: &ArchiveSettings, units: &Units) -> Result<Vec<u8>, ReportError> {
    let drawn = plan.fields.iter().filter_map(|field| Some((field, field.strips.as_ref().ok()?)));
    let rows = drawn.flat_map(|(field, layout)| {
        layout.strips.iter().map(move |strip| {
            let label = archive.label(&strip.treatment);
            Row { crop: &plan.crop, field, layout, strip, label, units }
        })
    });
    by_columns("strips.csv", COLUMNS, rows)
}

/// The files of one field.
pub(super) fn files(
    plan: &SeasonPlan,
    field: &PlannedField,
    layout: &StripLayout,
    archive: &ArchiveSettings,
    units: &Units,
) -> Result<Vec<OutputFile>, ReportError> {
    let parts = |is_with_guards: bool| {
        layout.strips.iter().flat_map(move |strip| {
            let guard = strip.planted.difference(&strip.harvest);
            let guard = (is_with_guards && !guard.0.is_empty()).then_some((strip, "guard", guard));
            std::iter::once((strip, "harvest", strip.harvest.clone())).chain(guard)
        })
    };
    let features = |file: &'static str, is_with_guards: bool| {
        let to_degrees = to_degrees(file, field)?;
        let all = parts(is_with_guards).map(|(strip, part, ground)| {
            let properties = properties(strip, part, &ground, (plan, field, layout), archive, units);
            Ok((properties, degrees(file, &to_degrees, &ground)?))
        });
        Ok(OutputFile {
            name: file.into(),
            bytes: geojson(&all.collect::<Result<Vec<_>, ReportError>>()?).into_bytes(),
        })
    };
    let [from, to] = layout.first_pass;
    let to_degrees = to_degrees(SHEET, field)?;
    let place = |at: geo::Coord<f64>| {
        let found = to_degrees.convert_point(at.x, at.y).map_err(|fault| ReportError::new(SHEET, fault))?;
        found.ok_or_else(|| ReportError::new(SHEET, "a strip lies off the map"))
    };
    let sheet = html::strips(plan, field, layout, [place(from)?, place(to)?], archive, units)?;
    Ok(vec![features(STRIPS, false)?, features(LAYOUT, true)?, OutputFile { name: SHEET.into(), bytes: sheet }])
}

fn properties(
    strip: &PlannedStrip,
    part: &str,
    ground: &MultiPolygon<f64>,
    (plan, field, layout): (&SeasonPlan, &PlannedField, &StripLayout),
    archive: &ArchiveSettings,
    units: &Units,
) -> Value {
    let rounded = |value: f64, decimals: usize| fixed(Some(value), decimals).parse::<f64>().unwrap_or(f64::NAN);
    let wide_m = match part {
        "guard" => layout.widths.least_guard_m,
        _ => layout.widths.harvest_m(),
    };
    // Names are texts in every file, so that they are read again as they are.
    json!({
        "farm": field.farm,
        "field": field.field,
        "season": layout.season,
        "crop": plan.crop,
        "strip": strip.number.to_string(),
        "block": strip.block.to_string(),
        "treatment": strip.treatment,
        "label": archive.label(&strip.treatment),
        "part": part,
        "width": rounded(units.length(wide_m), WIDTH_DECIMALS),
        "length": rounded(units.length(strip.length_m), LENGTH_DECIMALS),
        "length_unit": units.length_unit,
        "area": rounded(units.area(ground.unsigned_area()), 3),
        "area_unit": units.area_unit,
        "first": LABEL_FIRST,
    })
}

pub(super) fn to_degrees(file: &'static str, field: &PlannedField) -> Result<Projector, ReportError> {
    let utm = Crs::from_epsg(field.epsg).map_err(|fault| ReportError::new(file, fault))?;
    Projector::new(&utm, &Crs::wgs84()).map_err(|fault| ReportError::new(file, fault))
}

/// In degrees, outer rings counter-clockwise and holes clockwise (RFC 7946, section 3.1.6).
fn degrees(
    file: &'static str,
    projector: &Projector,
    ground: &MultiPolygon<f64>,
) -> Result<MultiPolygon<f64>, ReportError> {
    let ground = projector.convert_polygons(ground).map_err(|fault| ReportError::new(file, fault))?;
    Ok(ground.ok_or_else(|| ReportError::new(file, "a strip lies off the map"))?.orient(Direction::Default))
}

/// A feature collection (RFC 7946), one feature a line, coordinates to 1e-8 degrees (a millimetre). One piece is a polygon.
fn geojson(features: &[(Value, MultiPolygon<f64>)]) -> String {
    let ring = |ring: &LineString<f64>| -> Value {
        let round = |value: f64| (value * 1e8).round() / 1e8;
        ring.coords().map(|at| json!([round(at.x), round(at.y)])).collect()
    };
    let rings = |polygon: &Polygon<f64>| -> Value {
        std::iter::once(polygon.exterior()).chain(polygon.interiors()).map(ring).collect()
    };
    let lines: Vec<String> = features
        .iter()
        .map(|(properties, ground)| {
            let geometry = match ground.0.as_slice() {
                [one] => json!({ "type": "Polygon", "coordinates": rings(one) }),
                several => json!({
                    "type": "MultiPolygon",
                    "coordinates": several.iter().map(rings).collect::<Vec<_>>(),
                }),
            };
            json!({ "type": "Feature", "properties": properties, "geometry": geometry }).to_string()
        })
        .collect();
    format!("{{\"type\": \"FeatureCollection\", \"features\": [\n{}\n]}}\n", lines.join(",\n"))
}

/// What is drawn, and why not elsewhere, as text.
pub(super) fn as_text(plan: &SeasonPlan, archive: &ArchiveSettings) -> String {
    if archive.target.strips.is_none() {
        return "No strips are drawn: they take the width that the planter covers in one pass; give archive.toml \
                [target] a `planter`, such as planter = \"40 ft\".\n"
            .to_owned();
    }
    let units = Units::new(archive, &plan.crop);
    let drawn: Vec<&StripLayout> = plan.fields.iter().filter_map(|field| field.strips.as_ref().ok()).collect();
    let mut text = match drawn.first() {
        Some(first) => format!(
            "Strips for {}: {} in {} of {} fields; strips.csv lists them, and each of these fields has its sheet, strips.html.\n",
            first.season,
            drawn.iter().map(|layout| layout.strips.len()).sum::<usize>(),
            drawn.len(),
            plan.fields.len()
        ),
        None => "No strips are drawn.\n".to_owned(),
    };
    for field in &plan.fields {
        match &field.strips {
            Err(reason) => {
                let _ = writeln!(text, "no strips: {} · {}: {}", field.farm, field.field, why_not(reason, &units));
            }
            Ok(layout) if layout.blocks() < layout.blocks_wanted => {
                let _ = writeln!(
                    text,
                    "fewer strips: {} · {}: room for {} of {} blocks",
                    field.farm,
                    field.field,
                    layout.blocks(),
                    layout.blocks_wanted
                );
            }
            Ok(_) => {}
        }
    }
    text
}

fn why_not(reason: &NoStrips, units: &Units) -> String {
    let length = |m: f64| format!("{:.0} {}", units.length(m), units.length_unit);
    match reason {
        NoStrips::NoPlanter => "the width of the planter is not known".to_owned(),
        NoStrips::Settled(share) => format!("no treatment is in question on {} of it", level(*share)),
        NoStrips::NotWorth => "strips of what is in question would cost more than they could gain".to_owned(),
        NoStrips::NoRoom { blocks, strips, planted_m, least_m, end_rows_m } => format!(
            "there is no room for {blocks} blocks of {strips} strips that are {} wide and at least {} long, with {} left out \
             at each end",
            length(*planted_m),
            length(*least_m),
            length(*end_rows_m)
        ),
        NoStrips::Unbalanced => {
            "no order of the treatments gives each of them ground as wet as that of the check; try \
                                 another number of blocks"
                .to_owned()
        }
        NoStrips::Unknown(what) => what.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::polygon;

    /// RFC 7946, sections 3.1.6 and 3.3: rings closed, outer ones counter-clockwise, holes clockwise.
    #[test]
    fn one_piece_is_a_polygon_and_several_are_a_multi_polygon() {
        let holed = polygon!(
            exterior: [(x: 0., y: 0.), (x: 0., y: 4.), (x: 4., y: 4.), (x: 4., y: 0.)],
            interiors: [[(x: 1., y: 1.), (x: 2., y: 1.), (x: 2., y: 2.), (x: 1., y: 2.)]]
        );
        let one = MultiPolygon::new(vec![holed.clone()]).orient(Direction::Default);
        let two = MultiPolygon::new(vec![holed.clone(), holed]).orient(Direction::Default);
        let text = geojson(&[(json!({ "strip": "1" }), one), (json!({ "strip": "2" }), two)]);
        let read: Value = serde_json::from_str(&text).unwrap();
        let of = |at: usize| &read["features"][at]["geometry"];
        assert_eq!((of(0)["type"].as_str(), of(1)["type"].as_str()), (Some("Polygon"), Some("MultiPolygon")));
        let area = |ring: &Value| {
            let corners: Vec<(f64, f64)> =
                ring.as_array().unwrap().iter().map(|at| (at[0].as_f64().unwrap(), at[1].as_f64().unwrap())).collect();
            assert_eq!(corners.first(), corners.last());
            corners.windows(2).map(|pair| pair[0].0 * pair[1].1 - pair[1].0 * pair[0].1).sum::<f64>() / 2.0
        };
        let rings = &of(0)["coordinates"];
        assert!((area(&rings[0]) - 16.0).abs() < 1e-12 && (area(&rings[1]) + 1.0).abs() < 1e-12);
    }
}
