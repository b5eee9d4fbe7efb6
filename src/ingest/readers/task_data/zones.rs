//! The treatment zones of prescriptions (TZN), as polygons with their setpoints.

use std::collections::BTreeMap;

use geo::{Geometry, LineString, MultiPolygon, Polygon};
use roxmltree::Node;

use super::super::table::{Cell, Filler, Table, Wanted};
use super::{attribute, dictionary};
use crate::geometry::Crs;
use crate::ingest::IngestError;

const LABELS: [&str; 6] = ["task", "field", "farm", "crop", "zone", "product"];
const CODE: &str = "zone_code";

/// A treatment zone of a task.
pub(super) struct Zone {
    /// In the order of [`LABELS`]; of the product its id until the names are known.
    labels: [Option<String>; 6],
    code: f64,
    ground: MultiPolygon<f64>,
    /// Numbers of the dictionary with their values.
    values: Vec<(u16, i32)>,
}

fn parsed<T: std::str::FromStr>(node: Node<'_, '_>, letter: &str, expected: &str) -> Result<T, String> {
    let text = node.attribute(letter).unwrap_or("").trim();
    let element = node.tag_name().name();
    text.parse().map_err(|_| format!("{element} {letter}: expected {expected}, found `{}`", crate::text::short(text)))
}

/// A ring of degrees.
fn ring(node: Node<'_, '_>) -> Result<LineString<f64>, String> {
    let place = |node: Node<'_, '_>, letter, most: f64| {
        let degrees: f64 = parsed(node, letter, "degrees")?;
        let known = degrees.abs() <= most;
        if known { Ok(degrees) } else { Err(format!("PNT {letter}: expected at most {most} degrees, found {degrees}")) }
    };
    let points = node.children().filter(|child| child.has_tag_name("PNT"));
    let points = points.map(|point| Ok(geo::Coord { x: place(point, "D", 180.0)?, y: place(point, "C", 90.0)? }));
    points.collect::<Result<Vec<_>, String>>().map(LineString::new)
}

impl Zone {
    /// Reads a zone; `None` for one without polygons, which is meant for other ground.
    pub(super) fn read(node: Node<'_, '_>) -> Result<Option<Self>, String> {
        let mut ground = Vec::new();
        for polygon in node.children().filter(|child| child.has_tag_name("PLN")) {
            let (mut outer, mut holes) = (Vec::new(), Vec::new());
            for line in polygon.children().filter(|child| child.has_tag_name("LSG")) {
                match attribute(line, "A").as_deref() {
                    Some("1") => outer.push(ring(line)?),
                    Some("2") => holes.push(ring(line)?),
                    _ => {}
                }
            }
            match <[_; 1]>::try_from(outer) {
                Ok([outer]) => ground.push(Polygon::new(outer, holes)),
                Err(several) => {
                    return Err(format!("PLN: expected one outer ring (LSG of kind 1), found {}", several.len()));
                }
            }
        }
        if ground.is_empty() {
            return Ok(None);
        }
        let code: u8 = parsed(node, "A", "a number from 0 to 254")?;
        let mut values: Vec<(u16, i32)> = Vec::new();
        let mut product = None;
        for value in node.children().filter(|child| child.has_tag_name("PDV")) {
            let number = value.attribute("A").unwrap_or("").trim();
            let ddi = u16::from_str_radix(number, 16).map_err(|_| {
                format!(
                    "PDV A: expected a number of the data dictionary as four hex digits, found `{}`",
                    crate::text::short(number)
                )
            })?;
            if values.iter().any(|(known, _)| *known == ddi) {
                return Err(format!(
                    "TZN {code}: holds two values of {}; one product a task is read",
                    dictionary::name(ddi)
                ));
            }
            values.push((ddi, parsed(value, "B", "a whole number")?));
            product = product.or_else(|| attribute(value, "C"));
        }
        let labels = [None, None, None, None, attribute(node, "B"), product];
        Ok(Some(Self { labels, code: f64::from(code), ground: MultiPolygon::new(ground), values }))
    }

    /// With the names of its place and of its product.
    pub(super) fn with_labels(mut self, place: [Option<String>; 4], products: &BTreeMap<String, String>) -> Self {
        self.labels.iter_mut().zip(place).for_each(|(label, name)| *label = name);
        let product = &mut self.labels[5];
        *product = product.take().map(|id| products.get(&id).cloned().unwrap_or(id));
        self
    }

    fn cell(&self, column: &str) -> Cell {
        if column == CODE {
            return Cell::Number(self.code);
        }
        if let Some(at) = LABELS.iter().position(|label| *label == column) {
            return self.labels[at].clone().map_or(Cell::Missing, Cell::Text);
        }
        let found = self.values.iter().find(|(ddi, _)| dictionary::name(*ddi) == column);
        found.map_or(Cell::Missing, |(ddi, steps)| Cell::Number(dictionary::value(*ddi, *steps)))
    }
}

/// The names of the columns.
pub(super) fn columns(zones: &[Zone]) -> Vec<String> {
    let has = |at: usize| zones.iter().any(|zone| zone.labels[at].is_some());
    let labels = LABELS.iter().enumerate().filter(|(at, _)| has(*at)).map(|(_, label)| (*label).to_owned());
    let mut names: Vec<String> = labels.chain([CODE.to_owned()]).collect();
    for (ddi, _) in zones.iter().flat_map(|zone| &zone.values) {
        let name = dictionary::name(*ddi).into_owned();
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names
}

/// The zones with the wanted columns.
pub(super) fn table(file: &str, zones: Vec<Zone>, wanted: &Wanted) -> Result<Table, IngestError> {
    let mut filler = Filler::new(file, wanted);
    for mut zone in zones {
        let ground = std::mem::replace(&mut zone.ground, MultiPolygon::new(Vec::new()));
        filler.push(Some(Geometry::MultiPolygon(ground)), |column| Ok(zone.cell(column)))?;
    }
    Ok(filler.finish(Some(Crs::wgs84())))
}
