//! GeoJSON (RFC 7946): feature collections of points or polygons, in WGS 84 unless an older `crs` member says otherwise; also one
//! feature a line (GeoJSON text sequences, RFC 8142, with or without their record separators). Read feature by feature: neither the
//! file nor what it says is ever held as a whole.

use std::fmt;
use std::io::{BufReader, Cursor, Read};

use geo::Geometry;
use geojson::{GeometryValue, JsonObject, JsonValue, Position};
use serde::Deserialize;
use serde::de::{DeserializeSeed, Deserializer, Error as _, IgnoredAny, MapAccess, SeqAccess, Visitor};

use super::table::{Cell, Filler, Table, Wanted};
use crate::bundle::Source;
use crate::geometry::Crs;
use crate::ingest::IngestError;
use crate::text::decoded;

/// One feature; what else it says is passed over.
#[derive(Deserialize)]
struct Feature {
    #[serde(rename = "type")]
    kind: String,
    geometry: Option<geojson::Geometry>,
    properties: Option<JsonObject>,
}

/// What one text of JSON is.
#[derive(Clone, Copy, PartialEq)]
enum Text {
    Feature,
    Collection,
}

/// Where features go as they are read.
struct Sink<'s> {
    each: &'s mut dyn FnMut(usize, Feature) -> Result<(), IngestError>,
    count: usize,
    crs: Option<JsonValue>,
    fault: Option<IngestError>,
}

impl Sink<'_> {
    fn push<E: serde::de::Error>(&mut self, feature: Feature) -> Result<(), E> {
        self.count += 1;
        if feature.kind != "Feature" {
            return Err(E::custom(format_args!("expected a feature, found `{}`", crate::text::short(&feature.kind))));
        }
        (self.each)(self.count, feature).map_err(|fault| {
            self.fault = Some(fault);
            E::custom("a feature cannot be used")
        })
    }
}

struct Whole<'t, 's>(&'t mut Sink<'s>);

impl<'de> DeserializeSeed<'de> for Whole<'_, '_> {
    type Value = Text;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Text, D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for Whole<'_, '_> {
    type Value = Text;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a feature or a collection of features")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Text, A::Error> {
        let (mut kind, mut geometry, mut properties, mut has_features) = (None::<String>, None, None, false);
        while let Some(key) = map.next_key::<String>()? {
            match key.as_str() {
                "type" => kind = Some(map.next_value()?),
                "features" => {
                    has_features = true;
                    map.next_value_seed(Features(self.0))?;
                }
                "geometry" => geometry = map.next_value()?,
                "properties" => properties = map.next_value()?,
                "crs" => self.0.crs = Some(map.next_value()?),
                _ => drop(map.next_value::<IgnoredAny>()?),
            }
        }
        match kind.as_deref() {
            Some("FeatureCollection") if has_features => Ok(Text::Collection),
            Some("FeatureCollection") => Err(A::Error::missing_field("features")),
            Some("Feature") => {
                self.0.push(Feature { kind: kind.unwrap_or_default(), geometry, properties })?;
                Ok(Text::Feature)
            }
            Some(_) => Err(A::Error::custom("holds a bare geometry; expected features")),
            None => Err(A::Error::missing_field("type")),
        }
    }
}

struct Features<'t, 's>(&'t mut Sink<'s>);

impl<'de> DeserializeSeed<'de> for Features<'_, '_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for Features<'_, '_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a list of features")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<(), A::Error> {
        while let Some(feature) = list.next_element()? {
            self.0.push(feature)?;
        }
        Ok(())
    }
}

/// A text without the separators of records (RFC 8142): blanks stand in their place.
struct WithoutSeparators<R>(R);

impl<R: Read> Read for WithoutSeparators<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        const SEPARATOR: u8 = 0x1e;
        let count = self.0.read(buffer)?;
        buffer[..count].iter_mut().filter(|byte| **byte == SEPARATOR).for_each(|byte| *byte = b' ');
        Ok(count)
    }
}

/// Hands on each feature with its number; returns the `crs` member.
fn each_feature(
    file: &str,
    source: &Source,
    each: &mut dyn FnMut(usize, Feature) -> Result<(), IngestError>,
) -> Result<Option<JsonValue>, IngestError> {
    let of_bundle = |error| IngestError::of_bundle(file, error);
    let unreadable =
        |error: std::io::Error| IngestError::Unreadable { file: file.to_owned(), reason: error.to_string() };
    // a mark at the beginning tells UTF-8 or UTF-16; texts in UTF-16 are few, and read as a whole
    let mut stream = source.open().map_err(of_bundle)?;
    let mut head = Vec::new();
    stream.by_ref().take(4).read_to_end(&mut head).map_err(unreadable)?;
    let mark = encoding_rs::Encoding::for_bom(&head);
    let text: Box<dyn Read + '_> = match mark {
        Some((encoding, _)) if encoding != encoding_rs::UTF_8 => {
            let mut bytes = head;
            stream.read_to_end(&mut bytes).map_err(unreadable)?;
            Box::new(Cursor::new(decoded(bytes).map_err(|reason| IngestError::damaged(file, reason))?.into_bytes()))
        }
        _ => Box::new(Cursor::new(head[mark.map_or(0, |(_, length)| length)..].to_vec()).chain(stream)),
    };
    let mut json = serde_json::Deserializer::from_reader(BufReader::with_capacity(1 << 16, WithoutSeparators(text)));
    let mut sink = Sink { each, count: 0, crs: None, fault: None };
    let mut before = None;
    while json.end().is_err() {
        let read = Whole(&mut sink).deserialize(&mut json).map_err(|error| error.to_string());
        let read = read.and_then(|text| match (before, text) {
            (Some(_), Text::Collection) | (Some(Text::Collection), _) => {
                Err(format!("expected a feature a line or one collection, found both before feature {}", sink.count))
            }
            _ => Ok(text),
        });
        match read {
            Ok(text) => before = Some(text),
            Err(reason) => {
                return Err(sink.fault.take().unwrap_or_else(|| {
                    // bytes that are no text are reported as such
                    let whole = || {
                        let mut bytes = Vec::new();
                        source.open().ok()?.read_to_end(&mut bytes).ok()?;
                        decoded(bytes).err()
                    };
                    IngestError::damaged(file, whole().unwrap_or(reason))
                }));
            }
        }
    }
    if before.is_none() {
        return Err(IngestError::Empty { file: file.to_owned(), what: "features" });
    }
    Ok(sink.crs)
}

/// The names of the properties of the first feature.
pub(crate) fn columns(file: &str, source: &Source) -> Result<Vec<String>, IngestError> {
    let mut first = None;
    let read = each_feature(file, source, &mut |_, feature| {
        first = Some(feature.properties.map_or_else(Vec::new, |properties| properties.keys().cloned().collect()));
        Err(IngestError::Empty { file: file.to_owned(), what: "further features" })
    });
    match first {
        Some(names) => Ok(names),
        None => read.map(|_| Vec::new()),
    }
}

/// Reads the wanted properties and the shapes.
pub(crate) fn read(file: &str, source: &Source, wanted: &Wanted) -> Result<Table, IngestError> {
    let mut filler = Filler::new(file, wanted);
    let names: Vec<&String> = wanted.numbers.iter().chain(&wanted.texts).collect();
    let (mut missing, mut first) = (names.clone(), Vec::new());
    let crs = each_feature(file, source, &mut |number, feature| {
        let geometry = feature.geometry.map(|geometry| {
            refuse_short_positions(&geometry.value)?;
            Geometry::<f64>::try_from(geometry).map_err(|error| error.to_string())
        });
        let geometry =
            geometry.transpose().map_err(|reason| IngestError::damaged(file, format!("feature {number}: {reason}")))?;
        let properties = feature.properties.unwrap_or_default();
        missing.retain(|name| !properties.contains_key(*name));
        if number == 1 {
            first = properties.keys().cloned().collect();
        }
        filler.push(geometry, |name| cell(file, number, name, properties.get(name)))
    })?;
    let crs = declared_crs(file, crs.as_ref())?;
    let table = filler.finish(Some(crs));
    match missing.first() {
        Some(name) if table.rows > 0 => Err(IngestError::missing_column(file, name, &first)),
        _ => Ok(table),
    }
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

fn declared_crs(file: &str, crs: Option<&JsonValue>) -> Result<Crs, IngestError> {
    match crs.and_then(|crs| crs.pointer("/properties/name")).and_then(JsonValue::as_str) {
        None => Ok(Crs::wgs84()),
        Some(name) => Crs::parse(name).map_err(|error| IngestError::crs(file, error)),
    }
}
