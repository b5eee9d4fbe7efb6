//! Strips, boundaries and soils as polygons with attributes.

use std::path::Path;

use geo::{Coord, LineString, MapCoords, MultiPolygon, Polygon};
use serde_json::{Map, Value, json};

use super::error::DemoError;
use super::plan::{FieldPlan, Placement};
use super::soil::DRAINAGE_CLASSES;
use crate::geometry::Projector;

/// A polygon with its attributes, in longitude and latitude.
#[derive(Debug, Clone)]
pub(super) struct Feature {
    pub(super) polygon: Polygon<f64>,
    pub(super) attributes: Vec<(&'static str, String)>,
}

/// Lays polygons of a field's plane on the ground, in longitude and latitude.
fn to_ground(
    field: &FieldPlan,
    placement: &Placement,
    to_degrees: &Projector,
    polygon: &Polygon<f64>,
) -> Result<Polygon<f64>, DemoError> {
    let placed: MultiPolygon<f64> = placed(field, placement, polygon).into();
    let degrees = to_degrees.convert_polygons(&placed)?.unwrap_or(placed);
    Ok(degrees.into_iter().next().unwrap_or_else(|| Polygon::new(LineString(Vec::new()), Vec::new())))
}

/// Lays polygons of a field's plane on the ground, UTM metres. Long sides are given vertices every 10 m where rows bend.
pub(super) fn placed(field: &FieldPlan, placement: &Placement, polygon: &Polygon<f64>) -> Polygon<f64> {
    let bent = |ring: &LineString<f64>| -> LineString<f64> {
        let mut out = Vec::new();
        for line in ring.lines() {
            let pieces = if field.bend_m > 0.0 {
                ((line.end.y - line.start.y).abs() / 10.0).ceil().max(1.0) as usize
            } else {
                1
            };
            for piece in 0..pieces {
                let share = piece as f64 / pieces as f64;
                out.push(Coord {
                    x: line.start.x + share * (line.end.x - line.start.x),
                    y: line.start.y + share * (line.end.y - line.start.y),
                });
            }
        }
        out.extend(ring.0.last());
        LineString(out)
    };
    let dense = Polygon::new(bent(polygon.exterior()), polygon.interiors().iter().map(bent).collect());
    dense.map_coords(|at| {
        let (x, y) = placement.to_ground(field, at.x, at.y);
        Coord { x, y }
    })
}

pub(super) fn rectangle(u: (f64, f64), v: (f64, f64)) -> Polygon<f64> {
    let corner = |x, y| Coord { x, y };
    Polygon::new(LineString(vec![corner(u.0, v.0), corner(u.1, v.0), corner(u.1, v.1), corner(u.0, v.1)]), Vec::new())
}

/// The strips.
pub(super) fn strips(
    field: &FieldPlan,
    placement: &Placement,
    to_degrees: &Projector,
) -> Result<Vec<Feature>, DemoError> {
    field
        .strips
        .iter()
        .map(|strip| {
            Ok(Feature {
                polygon: to_ground(field, placement, to_degrees, &rectangle(strip.u, strip.v))?,
                attributes: vec![
                    ("strip", strip.name.clone()),
                    ("block", strip.block.clone()),
                    ("treatment", field.treatments[strip.treatment].clone()),
                ],
            })
        })
        .collect()
}

/// The boundary.
pub(super) fn boundary(
    field: &FieldPlan,
    placement: &Placement,
    to_degrees: &Projector,
    name: &str,
) -> Result<Feature, DemoError> {
    let ring: LineString<f64> = field.boundary().into_iter().map(|(x, y)| Coord { x, y }).collect();
    let polygon = to_ground(field, placement, to_degrees, &Polygon::new(ring, Vec::new()))?;
    Ok(Feature { polygon, attributes: vec![("field", name.to_owned())] })
}

/// The map units of the soil, 60 m beyond the field; `number` makes their keys.
pub(super) fn soils(
    field: &FieldPlan,
    placement: &Placement,
    to_degrees: &Projector,
    number: usize,
) -> Result<Vec<Feature>, DemoError> {
    const MARGIN_M: f64 = 60.0;
    field
        .soil
        .polygons((-MARGIN_M, -MARGIN_M), (field.width_m + MARGIN_M, field.length_m + MARGIN_M))
        .into_iter()
        .enumerate()
        .map(|(at, (polygon, class, tiled))| {
            Ok(Feature {
                polygon: to_ground(field, placement, to_degrees, &polygon)?,
                attributes: vec![
                    ("mukey", format!("{}", 9_000_000 + 100 * number + at)),
                    ("drclassdcd", DRAINAGE_CLASSES[class].to_owned()),
                    ("tiled", tiled.to_owned()),
                ],
            })
        })
        .collect()
}

/// The features as GeoJSON (RFC 7946), one a line, coordinates to 1e-8 degrees (a millimetre).
pub(super) fn geojson(features: &[Feature]) -> String {
    let ring = |ring: &LineString<f64>| -> Value {
        let round = |value: f64| (value * 1e8).round() / 1e8;
        ring.coords().map(|at| json!([round(at.x), round(at.y)])).collect()
    };
    let lines: Vec<String> = features
        .iter()
        .map(|feature| {
            let rings: Vec<Value> =
                std::iter::once(feature.polygon.exterior()).chain(feature.polygon.interiors()).map(ring).collect();
            let properties: Map<String, Value> =
                feature.attributes.iter().map(|(key, value)| ((*key).to_owned(), json!(value))).collect();
            json!({"type": "Feature", "properties": properties, "geometry": {"type": "Polygon", "coordinates": rings}})
                .to_string()
        })
        .collect();
    format!("{{\"type\": \"FeatureCollection\", \"features\": [\n{}\n]}}\n", lines.join(",\n"))
}

/// The features as a shapefile: the bytes of .shp, .shx and .dbf.
pub(super) fn shapes(path: &Path, features: &[Feature]) -> Result<super::shapes::Shapes, DemoError> {
    let keys: Vec<&'static str> =
        features.first().map(|feature| feature.attributes.iter().map(|pair| pair.0).collect()).unwrap_or_default();
    let columns: Vec<_> = keys.iter().map(|&key| super::shapes::Column::text(key, 40)).collect();
    let rows = features.iter().map(|feature| {
        let rings: Vec<shapefile::PolygonRing<shapefile::Point>> = std::iter::once(feature.polygon.exterior())
            .map(|ring| shapefile::PolygonRing::Outer(points(ring)))
            .chain(feature.polygon.interiors().iter().map(|ring| shapefile::PolygonRing::Inner(points(ring))))
            .collect();
        let values =
            feature.attributes.iter().map(|(_, value)| dbase::FieldValue::Character(Some(value.clone()))).collect();
        (shapefile::Polygon::with_rings(rings), values)
    });
    super::shapes::encode(path, &columns, rows)
}

fn points(ring: &LineString<f64>) -> Vec<shapefile::Point> {
    ring.coords().map(|at| shapefile::Point::new(at.x, at.y)).collect()
}
