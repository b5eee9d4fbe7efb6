//! `strips.html`: the operator's sheet of one field.

use geo::{Area, BooleanOps, BoundingRect, Centroid, Coord, CoordsIter, InteriorPoint, MultiPolygon};
use serde_json::{Value, json};

use super::figures::labels::{self, Taken};
use super::figures::{Svg, in_two_widths, outline};
use super::render;
use super::text::{decimals, shown};
use crate::config::ArchiveSettings;
use crate::geometry::rings;
use crate::report::applied::ADVICE;
use crate::report::promises;
use crate::report::units::{level, trimmed};
use crate::report::{FIRST, ReportError, Units};
use crate::results::{Course, PlannedField, SeasonPlan, StripLayout};

/// Largest width and height of the map, px.
const WIDTH: f64 = 620.0;
const HEIGHT: f64 = 460.0;
/// Room for the compass rose beside it, px.
const ROSE: f64 = 68.0;
/// How dark the first and the last treatment are drawn; the check is not filled.
const LIGHTEST: f64 = 0.25;
const DARKEST: f64 = 0.85;
/// Blocks below which no decision should rest on a field (common practice, no source).
const FEW_BLOCKS: usize = 4;

/// The sheet; `line_deg` are the ends of the first pass, longitude and latitude.
pub(in crate::report) fn page(
    plan: &SeasonPlan,
    field: &PlannedField,
    layout: &StripLayout,
    line_deg: [(f64, f64); 2],
    archive: &ArchiveSettings,
    units: &Units,
) -> Result<Vec<u8>, ReportError> {
    let width = |m: f64| format!("{} {}", trimmed(units.length(m), 2), units.length_unit);
    let length = |m: f64| format!("{:.0} {}", units.length(m), units.length_unit);
    let place = |(lon, lat): (f64, f64)| format!("{lat:.7}, {lon:.7}");
    let widths = &layout.widths;
    let keys = treatments(layout, archive);
    render(
        "strips.html",
        "strips.html",
        json!({
            "title": format!("Strips of {}, {}, {}", field.field, field.farm, layout.season),
            "farm": field.farm,
            "field": field.field,
            "crop": plan.crop,
            "season": layout.season,
            "first": FIRST,
            "map": map(field, layout, &keys),
            "legend": keys.iter().map(|(key, dark)| json!({ "label": archive.label(key), "dark": dark })).collect::<Vec<_>>(),
            "check": archive.check().map(|check| check.label.as_str()),
            "bearing": format!("{:.1}", layout.bearing_deg),
            "why_so": match layout.course {
                Course::Along => "as the field was last harvested",
                Course::Across => "across the passes of the last harvest, because along them some block would miss a soil",
                Course::Set => "as set in archive.toml",
            },
            "side": layout.from_side,
            "a": place(line_deg[0]),
            "b": place(line_deg[1]),
            "blocks": layout.blocks(),
            "blocks_wanted": layout.blocks_wanted,
            "few_blocks": layout.blocks() < FEW_BLOCKS,
            "planter_passes": widths.planter_passes,
            "planter": width(widths.planter_m),
            "planted": width(widths.planted_m()),
            "header_passes": widths.header_passes,
            "header": width(widths.header_m),
            "header_source": layout.header_source,
            "guard": width(widths.guard_m()),
            "least_guard": width(widths.least_guard_m),
            "end_rows": width(layout.end_rows_m),
            "strips": layout.strips.iter().map(|strip| json!({
                "number": strip.number,
                "block": strip.block,
                "treatment": archive.label(&strip.treatment),
                "length": length(strip.length_m),
            })).collect::<Vec<_>>(),
            "rest": rest(field, layout, archive, units),
            "classes": layout.classes,
            "crossed": layout.crossed_m.iter().map(|block| {
                block.iter().map(|m| length(*m)).collect::<Vec<_>>()
            }).collect::<Vec<_>>(),
            "tells": keys.iter().map(|(key, _)| tells(key, field, layout, archive, units)).collect::<Vec<_>>(),
            "confidence": level(archive.model.confidence),
            "seed": layout.seed,
            "advice": keys.iter().any(|(key, _)| archive.treatment(key).is_some_and(|one| one.rate.is_some())).then_some(ADVICE),
            "refused": layout.refused,
            "not_kept": plan.record.as_ref().and_then(promises::warning),
        }),
    )
}

/// The treatments beside the check in the order of archive.toml, with how dark they are drawn.
fn treatments<'l>(layout: &'l StripLayout, archive: &'l ArchiveSettings) -> Vec<(&'l str, f64)> {
    let in_use = |key: &str| layout.strips.iter().any(|strip| strip.treatment == key);
    let keys: Vec<&str> =
        archive.treatments.iter().filter(|one| !one.check && in_use(&one.key)).map(|one| one.key.as_str()).collect();
    let last = keys.len().max(2) - 1;
    let dark = |at: usize| LIGHTEST + (DARKEST - LIGHTEST) * at as f64 / last as f64;
    keys.into_iter().enumerate().map(|(at, key)| (key, dark(at))).collect()
}

/// What goes on the ground outside the strips: the plan's best treatment where one is advised, with its area and soils.
fn rest(field: &PlannedField, layout: &StripLayout, archive: &ArchiveSettings, units: &Units) -> Vec<Value> {
    let strips: f64 = layout.strips.iter().map(|strip| strip.planted.unsigned_area()).sum();
    let field_m2 = layout.field.unsigned_area();
    // the strips lie over all of it: what is left of each zone is known by the share that they leave
    let left = if field_m2 > 0.0 { (1.0 - strips / field_m2).max(0.0) } else { 0.0 };
    let best = field.zones.iter().filter(|zone| zone.is_best);
    best.map(|zone| {
        json!({
            "treatment": archive.label(&zone.advice.treatment),
            "ground": zone.advice.class_name,
            "area": format!("{:.0} {}", units.area(zone.area_m2 * left), units.area_unit),
        })
    })
    .collect()
}

/// What as many blocks tell of a treatment.
fn tells(key: &str, field: &PlannedField, layout: &StripLayout, archive: &ArchiveSettings, units: &Units) -> Value {
    let yields = |value: f64| format!("{} {}", shown(Some(units.yields(value)), decimals(units)), units.yield_unit);
    let row = layout.tells.iter().find(|(of, _)| of == key).map(|(_, row)| row);
    let advice = field.zones.iter().map(|zone| &zone.advice);
    let mut break_even = advice.filter(|one| one.treatment == key).filter_map(|one| one.break_even);
    json!({
        "treatment": archive.label(key),
        "detectable": row.map(|row| yields(row.detectable)),
        "half_width": row.map(|row| yields(row.half_width)),
        "break_even": break_even.next().map(yields),
    })
}

/// The field from above: soils dotted, strips with their numbers; for wide screens and paper, and for narrow screens.
fn map(field: &PlannedField, layout: &StripLayout, keys: &[(&str, f64)]) -> String {
    in_two_widths(WIDTH + ROSE + 4.0, |width, class| map_at_width(field, layout, keys, (width - ROSE - 4.0, class)))
        .concat()
}

fn map_at_width(
    field: &PlannedField,
    layout: &StripLayout,
    keys: &[(&str, f64)],
    (most_width, class): (f64, &str),
) -> String {
    let Some(rect) = layout.field.bounding_rect() else { return String::new() };
    let scale = (most_width / rect.width()).min(HEIGHT / rect.height());
    let place = |at: Coord<f64>| ((at.x - rect.min().x) * scale + 2.0, (rect.max().y - at.y) * scale + 2.0);
    let path = |ground: &MultiPolygon<f64>| outline(rings(ground).map(|ring| ring.coords_iter().map(place)));
    let (width, height) = (rect.width() * scale + 4.0, rect.height() * scale + 4.0);
    let mut svg = Svg::new(
        width + ROSE,
        height.max(ROSE),
        &format!("figure map {class}"),
        "The strips of the field with their numbers; north is up",
    );
    for soil in &field.soils {
        svg.raw(format_args!("<path class=\"soil\" d=\"{}\"/>", path(soil)));
    }
    rose(&mut svg, width + ROSE);
    svg.raw(format_args!("<path class=\"outline\" d=\"{}\"/>", path(&layout.field)));
    for strip in &layout.strips {
        let dark = keys.iter().find(|(key, _)| *key == strip.treatment).map(|(_, dark)| *dark);
        svg.raw(format_args!(
            "<path class=\"planned\" fill-opacity=\"{:.2}\" d=\"{}\"/>",
            dark.unwrap_or(0.0),
            path(&strip.planted)
        ));
    }
    let mut taken = Taken::default();
    for strip in &layout.strips {
        if let Some(centre) = strip.harvest.centroid() {
            let (x, y) = place(centre.into());
            // narrow strips stand close: their numbers take turns in height
            let y = y + 14.0 * (strip.number % 3) as f64;
            let number = strip.number.to_string();
            taken.take(labels::centred(&number, labels::SOIL_NAME, (x, y)));
            svg.text("soil-name", (x, y), "middle", &number);
        }
    }
    let names = soil_names(field);
    let named = if names.len() == field.soils.len() { names } else { Vec::new() };
    for (name, soil) in named.into_iter().zip(&field.soils) {
        // where it lies within the field, on no number
        if let Some(at) = soil.intersection(&layout.field).interior_point() {
            labels::near(&mut svg, &mut taken, name, place(at.into()), (width, height));
        }
    }
    svg.finish()
}

/// The names of the field's soils, in the order of their ground.
fn soil_names(field: &PlannedField) -> Vec<&str> {
    let mut named: Vec<(usize, &str)> =
        field.zones.iter().filter_map(|zone| Some((zone.advice.class?, zone.advice.class_name.as_str()))).collect();
    named.sort_unstable();
    named.dedup();
    named.into_iter().map(|(_, name)| name).collect()
}

/// A compass rose to the right of the field: north is up.
fn rose(svg: &mut Svg, width: f64) {
    let (x, y) = (width - 30.0, 34.0);
    svg.raw(format_args!(
        "<g class=\"rose\"><path class=\"north\" d=\"M{x:.1} {:.1}l5 18l-5 -4l-5 4z\"/><path class=\"rule\" d=\"M{:.1} {y:.1}h40M{x:.1} {:.1}v36\"/></g>",
        y - 22.0,
        x - 20.0,
        y - 18.0
    ));
    for (name, dx, dy) in [("N", 0.0, -24.0), ("E", 26.0, 4.0), ("S", 0.0, 30.0), ("W", -26.0, 4.0)] {
        svg.text("tick", (x + dx, y + dy), "middle", name);
    }
}
