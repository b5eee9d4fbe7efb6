//! KML (OGC 12-007r2, KML 2.3) and KMZ: placemarks with polygons or points, in WGS 84 (clause 5.3); their name, description and extended
//! data are columns.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use geo::{Coord, Geometry, LineString, MultiPolygon, Point, Polygon};
use roxmltree::{Document, Node, ParsingOptions};

use super::table::{Cell, Filler, Table, Wanted};
use crate::bundle::{Bundle, Packed, has_extension, on_disk};
use crate::geometry::Crs;
use crate::ingest::IngestError;
use crate::text::decoded;

/// Most elements of a document: ten million take some gigabytes.
const MOST_NODES: u32 = 10_000_000;

/// The text of a .kml; of a .kmz those of all of its .kml members, since the first may do no more than link to the others.
fn texts(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<String>, IngestError> {
    let of_bundle = |error| IngestError::of_bundle(file, error);
    let (holder, member) = on_disk(path);
    let all = if member.is_none() && has_extension(&holder.to_string_lossy(), &["kmz"]) {
        let mut packed = Packed::open(&holder, most_bytes).map_err(of_bundle)?;
        let members = packed.of_kind(&["kml"]);
        members.iter().map(|name| packed.read(name)).collect::<Result<Vec<_>, _>>()
    } else {
        Bundle::open(path, &["kml"], most_bytes).and_then(|mut bundle| Ok(vec![bundle.main()?]))
    };
    let all = all.map_err(of_bundle)?;
    if all.iter().all(Vec::is_empty) {
        return Err(IngestError::Empty { file: file.to_owned(), what: "bytes" });
    }
    all.into_iter().map(|bytes| decoded(bytes).map_err(|reason| IngestError::damaged(file, reason))).collect()
}

/// The document. Declarations of types, with which texts can be made to grow, are refused.
fn parsed<'t>(file: &str, text: &'t str) -> Result<Document<'t>, IngestError> {
    let options = ParsingOptions { allow_dtd: false, nodes_limit: MOST_NODES, ..ParsingOptions::default() };
    Document::parse_with_options(text, options).map_err(|error| IngestError::damaged(file, error))
}

fn placemarks<'a, 't>(document: &'a Document<'t>) -> impl Iterator<Item = Node<'a, 't>> {
    document.descendants().filter(|node| node.has_tag_name_of("Placemark"))
}

trait Tag {
    /// Whether an element is called so, in whatever version's namespace.
    fn has_tag_name_of(&self, name: &str) -> bool;
}

impl Tag for Node<'_, '_> {
    fn has_tag_name_of(&self, name: &str) -> bool {
        self.is_element() && self.tag_name().name() == name
    }
}

/// A placemark's columns.
fn attributes(placemark: Node<'_, '_>) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    for child in placemark.children() {
        let name = child.tag_name().name();
        if child.is_element() && matches!(name, "name" | "description") {
            found.insert(name.to_owned(), child.text().unwrap_or("").to_owned());
        }
        if !child.has_tag_name_of("ExtendedData") {
            continue;
        }
        for data in child.descendants() {
            let Some(key) = data.attribute("name") else { continue };
            let text = if data.has_tag_name_of("SimpleData") {
                data.text()
            } else if data.has_tag_name_of("Data") {
                data.children().find(|one| one.has_tag_name_of("value")).and_then(|value| value.text())
            } else {
                continue;
            };
            found.insert(key.to_owned(), text.unwrap_or("").to_owned());
        }
    }
    found
}

/// The coordinates of a `coordinates` element: tuples of longitude, latitude and, maybe, altitude.
fn coordinates(of: Node<'_, '_>) -> Result<Vec<Coord<f64>>, String> {
    let text = of.descendants().find(|node| node.has_tag_name_of("coordinates")).and_then(|node| node.text());
    let tuple = |text: &str| {
        let mut numbers = text.split(',').map(str::parse::<f64>);
        match (numbers.next(), numbers.next()) {
            (Some(Ok(x)), Some(Ok(y))) => Ok(Coord { x, y }),
            _ => Err(format!("found `{}`, expected longitude,latitude", crate::text::short(text))),
        }
    };
    text.unwrap_or("").split_whitespace().map(tuple).collect()
}

fn polygon(of: Node<'_, '_>) -> Result<Polygon<f64>, String> {
    let (mut outer, mut inner) = (None, Vec::new());
    for boundary in of.children() {
        if boundary.has_tag_name_of("outerBoundaryIs") {
            outer = Some(LineString::new(coordinates(boundary)?));
        } else if boundary.has_tag_name_of("innerBoundaryIs") {
            // one ring each by the standard; some put all of them into one
            for ring in boundary.children().filter(|node| node.has_tag_name_of("LinearRing")) {
                inner.push(LineString::new(coordinates(ring)?));
            }
        }
    }
    let outer =
        outer.filter(|ring| ring.0.len() >= 3).ok_or("a polygon without an outer ring of three places or more")?;
    Ok(Polygon::new(outer, inner))
}

/// The polygons of a placemark, or its point.
fn geometry(placemark: Node<'_, '_>) -> Result<Option<Geometry<f64>>, String> {
    let of = |name: &'static str| placemark.descendants().filter(move |node| node.has_tag_name_of(name));
    let polygons: Vec<Polygon<f64>> = of("Polygon").map(polygon).collect::<Result<_, _>>()?;
    if !polygons.is_empty() {
        return Ok(Some(Geometry::MultiPolygon(MultiPolygon::new(polygons))));
    }
    match of("Point").next() {
        Some(point) => Ok(coordinates(point)?.first().map(|&at| Geometry::Point(Point::from(at)))),
        None => match of("LineString").next() {
            Some(line) => Ok(Some(Geometry::LineString(LineString::new(coordinates(line)?)))),
            None => Ok(None),
        },
    }
}

/// The names of the columns, of all placemarks.
pub(crate) fn columns(file: &str, path: &Path, most_bytes: u64) -> Result<Vec<String>, IngestError> {
    let mut names: Vec<String> = Vec::new();
    for text in texts(file, path, most_bytes)? {
        for placemark in placemarks(&parsed(file, &text)?) {
            let fresh: Vec<String> = attributes(placemark).into_keys().filter(|name| !names.contains(name)).collect();
            names.extend(fresh);
        }
    }
    Ok(names)
}

/// Reads the wanted columns and the shapes.
pub(crate) fn read(file: &str, path: &Path, wanted: &Wanted) -> Result<Table, IngestError> {
    let mut filler = Filler::new(file, wanted);
    let (mut known, mut count, mut links) = (BTreeSet::new(), 0, 0);
    for text in texts(file, path, wanted.most_unpacked_bytes)? {
        let document = parsed(file, &text)?;
        links += document.descendants().filter(|node| node.has_tag_name_of("NetworkLink")).count();
        for placemark in placemarks(&document) {
            count += 1;
            let attributes = attributes(placemark);
            let geometry = geometry(placemark)
                .map_err(|reason| IngestError::damaged(file, format!("placemark {count}: {reason}")))?;
            filler.push(geometry, |name| {
                Ok(attributes.get(name).map_or(Cell::Missing, |text| Cell::Text(text.trim().to_owned())))
            })?;
            known.extend(attributes.into_keys());
        }
    }
    if count == 0 && links > 0 {
        return Err(IngestError::damaged(file, "holds only links to other places; save the places themselves"));
    }
    let names: Vec<String> = known.into_iter().collect();
    for column in wanted.numbers.iter().chain(&wanted.texts) {
        if count > 0 && !names.contains(column) {
            return Err(IngestError::missing_column(file, column, &names));
        }
    }
    Ok(filler.finish(Some(Crs::wgs84())))
}
