//! GeoJSON (RFC 7946): feature collections of points or polygons, in WGS 84 unless an older `crs` member says otherwise; also one
//! feature a line (GeoJSON text sequences, RFC 8142, with or without their record separators).

use geo::Geometry;
use geojson::{FeatureCollection, GeoJson, GeometryValue, JsonValue, Position};

use super::table::{Cell, Filler, Table, Wanted};
use crate::geometry::Crs;
use crate::ingest::IngestError;
use crate::text::decoded;

fn collection(file: &str, bytes: &[u8]) -> Result<FeatureCollection, IngestError> {
    let text = decoded(bytes.to_vec()).map_err(|reason| IngestError::damaged(file, reason))?;
    if text.trim().is_empty() {
        return Err(IngestError::Empty { file: file.to_owned(), what: "features" });
    }
    if let Some(features) = lines(file, &text)? {
        return Ok(FeatureCollection { bbox: None, features, foreign_members: None });
    }
    match text.parse::<GeoJson>() {
        Ok(GeoJson::FeatureCollection(collection)) => Ok(collection),
        Ok(GeoJson::Feature(feature)) => {
            Ok(FeatureCollection { bbox: None, features: vec![feature], foreign_members: None })
        }
        Ok(GeoJson::Geometry(_)) => Err(IngestError::damaged(file, "holds a bare geometry; expected features")),
        Err(error) => Err(IngestError::damaged(file, error)),
    }
}

/// The features of a text that holds one a line; `None` where it is one text of JSON.
fn lines(file: &str, text: &str) -> Result<Option<Vec<geojson::Feature>>, IngestError> {
    const SEPARATOR: char = '\u{1e}';
    let mut lines = text.lines().map(|line| line.trim_start_matches(SEPARATOR).trim()).enumerate();
    let mut lines = lines.by_ref().filter(|(_, line)| !line.is_empty());
    let first = lines.next().map_or("", |(_, line)| line);
    let is_feature = |line: &str| matches!(line.parse::<GeoJson>(), Ok(GeoJson::Feature(_)));
    let several = text.trim_end().contains('\n') || text.starts_with(SEPARATOR);
    if !(several && first.starts_with('{') && first.ends_with('}') && is_feature(first)) {
        return Ok(None);
    }
    let mut features = Vec::new();
    for (at, line) in std::iter::once((0, first)).chain(lines) {
        match line.parse::<GeoJson>() {
            Ok(GeoJson::Feature(feature)) => features.push(feature),
            Ok(_) => return Err(IngestError::damaged(file, format!("line {}: expected a feature", at + 1))),
            Err(error) => return Err(IngestError::damaged(file, format!("line {}: {error}", at + 1))),
        }
    }
    Ok(Some(features))
}

/// The names of the properties of the first feature.
pub(crate) fn columns(file: &str, bytes: &[u8]) -> Result<Vec<String>, IngestError> {
    let collection = collection(file, bytes)?;
    let first = collection.features.first().and_then(|feature| feature.properties.as_ref());
    Ok(first.map(|properties| properties.keys().cloned().collect()).unwrap_or_default())
}

/// Reads the wanted properties and the shapes.
pub(crate) fn read(file: &str, bytes: &[u8], wanted: &Wanted) -> Result<Table, IngestError> {
    let collection = collection(file, bytes)?;
    let crs = declared_crs(file, &collection)?;
    for column in wanted.numbers.iter().chain(&wanted.texts) {
        let known = |feature: &geojson::Feature| {
            feature.properties.as_ref().is_some_and(|properties| properties.contains_key(column))
        };
        if !collection.features.is_empty() && !collection.features.iter().any(known) {
            let mut names: Vec<String> =
                collection.features[0].properties.iter().flat_map(|properties| properties.keys().cloned()).collect();
            names.sort();
            return Err(IngestError::missing_column(file, column, &names));
        }
    }
    let mut filler = Filler::new(file, wanted);
    for (at, feature) in collection.features.into_iter().enumerate() {
        let geometry = feature
            .geometry
            .map(|geometry| {
                refuse_short_positions(&geometry.value)?;
                Geometry::<f64>::try_from(geometry).map_err(|error| error.to_string())
            })
            .transpose()
            .map_err(|reason| IngestError::damaged(file, format!("feature {}: {reason}", at + 1)))?;
        let properties = feature.properties.unwrap_or_default();
        filler.push(geometry, |name| cell(file, at + 1, name, properties.get(name)))?;
    }
    Ok(filler.finish(Some(crs)))
}

/// The library takes for granted that a position holds two numbers (RFC 7946, section 3.1.1).
fn refuse_short_positions(geometry: &GeometryValue) -> Result<(), String> {
    let line = |positions: &[Position]| {
        let short = positions.iter().map(|position| position.as_slice().len()).find(|&length| length < 2);
        short.map_or(Ok(()), |length| Err(format!("a position holds {length} number(s), expected 2 or 3")))
    };
    let lines = |all: &[Vec<Position>]| all.iter().try_for_each(|positions| line(positions));
    match geometry {
        GeometryValue::Point { coordinates } => line(std::slice::from_ref(coordinates)),
        GeometryValue::MultiPoint { coordinates } | GeometryValue::LineString { coordinates } => line(coordinates),
        GeometryValue::MultiLineString { coordinates } | GeometryValue::Polygon { coordinates } => lines(coordinates),
        GeometryValue::MultiPolygon { coordinates } => coordinates.iter().try_for_each(|rings| lines(rings)),
        GeometryValue::GeometryCollection { geometries } => {
            geometries.iter().try_for_each(|geometry| refuse_short_positions(&geometry.value))
        }
    }
}

fn cell(file: &str, row: usize, name: &str, value: Option<&JsonValue>) -> Result<Cell, IngestError> {
    Ok(match value {
        None | Some(JsonValue::Null) => Cell::Missing,
        Some(JsonValue::Number(number)) => number.as_f64().map_or(Cell::Missing, Cell::Number),
        Some(JsonValue::String(text)) => Cell::Text(text.clone()),
        Some(JsonValue::Bool(value)) => Cell::Text(value.to_string()),
        Some(other) => {
            return Err(IngestError::cell(file, row, name, other, "a number or a text"));
        }
    })
}

fn declared_crs(file: &str, collection: &FeatureCollection) -> Result<Crs, IngestError> {
    let name = collection
        .foreign_members
        .as_ref()
        .and_then(|members| members.get("crs"))
        .and_then(|crs| crs.pointer("/properties/name"))
        .and_then(JsonValue::as_str);
    match name {
        None => Ok(Crs::wgs84()),
        Some(name) => Crs::parse(name).map_err(|error| IngestError::crs(file, error)),
    }
}
