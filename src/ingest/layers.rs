//! The polygon layers: boundary, strips, soils.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, OnceLock};

use geo::{Area, BooleanOps, BoundingRect, MultiPolygon, Rect};

use super::IngestError;
use super::SiteYearFiles;
use super::assemble::{Extent, expected_treatment, extent};
use super::readers::{self, Shapes, Table, Wanted};
use super::survey::{self, Unit};
use crate::config::{ArchiveSettings, FieldSettings, ReadSettings, SoilSettings, StripSettings};
use crate::geometry::{Crs, Projector, Validity, repair};
use crate::points::{Caution, Cautions, SoilGround, StripGround};

/// A file with the name that messages use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputFile {
    /// Relative to the archive.
    pub name: String,
    /// On disk.
    pub path: PathBuf,
}

impl InputFile {
    /// A fault of a grid, whose own messages carry a path; the name stands in its place.
    pub(super) fn damaged_grid(&self, error: &dyn std::fmt::Display) -> IngestError {
        IngestError::damaged(&self.name, error.to_string().replace(&format!("{}: ", self.path.display()), ""))
    }
}

/// The reference system that a file carries, or else the one that the settings name; `hint` says what else would do.
pub(super) fn reference_system(
    file: &str,
    own: Option<&Crs>,
    named: Option<&str>,
    hint: &'static str,
) -> Result<Crs, IngestError> {
    match (own, named) {
        (Some(crs), _) => Ok(crs.clone()),
        (None, Some(code)) => Crs::parse(code).map_err(|error| IngestError::crs(file, error)),
        (None, None) => Err(IngestError::NoCrs { file: file.to_owned(), detail: hint }),
    }
}

/// A layer of polygons in its own reference system.
pub(super) struct Layer {
    file: String,
    crs: Crs,
    table: Table,
}

impl Layer {
    pub(super) fn read(
        file: &InputFile,
        attributes: &[&str],
        crs: Option<&str>,
        limits: ReadSettings,
    ) -> Result<Self, IngestError> {
        let wanted = Wanted {
            shapes: Shapes::Polygons,
            numbers: Vec::new(),
            texts: attributes.iter().map(|&name| name.to_owned()).collect(),
            most_unpacked_bytes: limits.most_unpacked_bytes,
        };
        let table = readers::read(&file.name, &file.path, &wanted)?;
        if table.rows == 0 {
            return Err(IngestError::Empty { file: file.name.clone(), what: "polygons" });
        }
        let crs = reference_system(&file.name, table.crs.as_ref(), crs, " (or add its .prj)")?;
        Ok(Self { file: file.name.clone(), crs, table })
    }

    /// The field's boundary: the polygons that its filter names.
    pub(super) fn of_boundary(
        file: &InputFile,
        field: &FieldSettings,
        limits: ReadSettings,
    ) -> Result<Self, IngestError> {
        let crs = field.boundary_crs.as_deref();
        let Some((column, is)) = &field.boundary_filter else { return Self::read(file, &[], crs, limits) };
        let mut layer = Self::read(file, &[column], crs, limits)?;
        let fits = |row: usize| layer.text(column, row).is_some_and(|text| is.iter().any(|label| label.trim() == text));
        let rows: Vec<usize> = (0..layer.table.rows).filter(|&row| fits(row)).collect();
        if rows.is_empty() {
            return Err(IngestError::Contradiction(format!(
                "{}: column `{column}`: no polygon is called {}",
                file.name,
                is.join(", ")
            )));
        }
        layer.table.polygons = rows.iter().map(|&row| layer.table.polygons[row].clone()).collect();
        layer.table.rows = rows.len();
        Ok(layer)
    }

    fn rects(&self) -> impl Iterator<Item = Rect<f64>> {
        self.table.polygons.iter().filter_map(BoundingRect::bounding_rect)
    }

    /// Its extent in degrees.
    pub(super) fn extent_degrees(&self) -> Option<Extent> {
        let [west, south, east, north] = extent(self.rects())?;
        let projector = Projector::new(&self.crs, &Crs::wgs84()).ok()?;
        let (mut x, mut y) = ([west, east], [south, north]);
        projector.convert(&mut x, &mut y).ok()?;
        Some([x[0], y[0], x[1], y[1]])
    }

    fn text(&self, attribute: &str, row: usize) -> Option<&str> {
        self.table.texts[attribute].get(row)
    }

    /// One polygon in UTM metres, repaired where that is possible.
    fn ground(&self, row: usize, utm: &Crs, cautions: &mut Cautions) -> Result<MultiPolygon<f64>, IngestError> {
        projected(&self.file, &self.crs, row, &self.table.polygons[row], utm, cautions)
    }
}

pub(super) fn projected(
    file: &str,
    crs: &Crs,
    row: usize,
    polygons: &MultiPolygon<f64>,
    utm: &Crs,
    cautions: &mut Cautions,
) -> Result<MultiPolygon<f64>, IngestError> {
    let fault = |reason: String| IngestError::Polygon { file: file.to_owned(), number: row + 1, reason };
    let ground = Projector::new(crs, utm)
        .and_then(|projector| projector.convert_polygons(polygons))
        .map_err(|error| fault(error.to_string()))?
        .ok_or_else(|| fault("lies off the map; is its coordinate reference system right?".to_owned()))?;
    let repair = repair(&ground);
    match repair.validity {
        Validity::Valid => {}
        Validity::Repaired => {
            cautions.add(Caution::GeometryRepaired, format!("{file}: polygon {}: {}", row + 1, repair.fault));
        }
        Validity::BeyondRepair => return Err(fault(format!("{}; it cannot be repaired", repair.fault))),
    }
    Ok(repair.ground)
}

/// The boundary: all polygons of its layer.
pub(super) fn boundary(layer: &Layer, utm: &Crs, cautions: &mut Cautions) -> Result<MultiPolygon<f64>, IngestError> {
    let mut parts = Vec::new();
    for row in 0..layer.table.rows {
        parts.extend(layer.ground(row, utm, cautions)?.0);
    }
    Ok(MultiPolygon::new(parts))
}

/// The attributes that a strip layer is read for.
pub(super) fn strip_attributes(settings: &StripSettings) -> Vec<&str> {
    std::iter::once(settings.treatment.as_str())
        .chain(settings.block.as_deref())
        .chain(settings.strip.as_deref())
        .collect()
}

/// The strips.
pub(super) fn strips(
    layer: &Layer,
    settings: &StripSettings,
    archive: &ArchiveSettings,
    utm: &Crs,
    cautions: &mut Cautions,
) -> Result<Vec<StripGround>, IngestError> {
    let mut strips = Vec::new();
    for row in 0..layer.table.rows {
        let cell = |found: &str, expected: String| {
            IngestError::cell(&layer.file, row + 1, &settings.treatment, found, expected)
        };
        let treatment = layer.text(&settings.treatment, row).ok_or_else(|| cell("", "a treatment".to_owned()))?;
        if archive.treatment(treatment).is_none() {
            return Err(cell(treatment, expected_treatment(archive, treatment)));
        }
        let attribute = |name: &Option<String>| name.as_ref().and_then(|name| layer.text(name, row)).map(str::to_owned);
        strips.push(StripGround {
            ground: layer.ground(row, utm, cautions)?,
            treatment: treatment.to_owned(),
            block: attribute(&settings.block),
            name: attribute(&settings.strip),
        });
    }
    refuse_overlap(&layer.file, &strips)?;
    Ok(joined(strips))
}

/// Polygons of one name, treatment and block are one strip.
fn joined(strips: Vec<StripGround>) -> Vec<StripGround> {
    let mut whole: Vec<StripGround> = Vec::with_capacity(strips.len());
    for strip in strips {
        let same = |known: &&mut StripGround| {
            known.name.is_some()
                && (&known.name, &known.treatment, &known.block) == (&strip.name, &strip.treatment, &strip.block)
        };
        match whole.iter_mut().find(same) {
            Some(known) => known.ground = known.ground.union(&strip.ground),
            None => whole.push(strip),
        }
    }
    whole
}

/// Share of the smaller strip that may lie under another treatment before nobody can tell what was done there.
const OVERLAP_SHARE: f64 = 0.02;

fn refuse_overlap(file: &str, strips: &[StripGround]) -> Result<(), IngestError> {
    let rects: Vec<_> = strips.iter().map(|strip| strip.ground.bounding_rect()).collect();
    for (at, one) in strips.iter().enumerate() {
        for (other_at, other) in strips.iter().enumerate().skip(at + 1) {
            let (Some(a), Some(b)) = (rects[at], rects[other_at]) else { continue };
            if one.treatment == other.treatment || !overlap(a, b) {
                continue;
            }
            let shared = one.ground.intersection(&other.ground).unsigned_area();
            let smaller = one.ground.unsigned_area().min(other.ground.unsigned_area());
            if shared > OVERLAP_SHARE * smaller {
                return Err(IngestError::Polygon {
                    file: file.to_owned(),
                    number: other_at + 1,
                    reason: format!(
                        "`{}` overlaps `{}` of polygon {} on {shared:.0} m²; a place can have one treatment only",
                        other.treatment,
                        one.treatment,
                        at + 1
                    ),
                });
            }
        }
    }
    Ok(())
}

fn overlap(a: Rect<f64>, b: Rect<f64>) -> bool {
    a.min().x <= b.max().x && b.min().x <= a.max().x && a.min().y <= b.max().y && b.min().y <= a.max().y
}

/// What all site-years of an archive share: the soil map, read once, when the first site-year asks for it.
#[derive(Debug, Default)]
pub struct SharedLayers {
    soils: OnceLock<Result<Vec<SoilMap>, IngestError>>,
    /// Tables of covariates for all fields, by file and covariate.
    pub(super) covariates: Mutex<BTreeMap<(String, String), Arc<Table>>>,
}

#[derive(Debug)]
struct SoilMap {
    file: String,
    crs: Crs,
    polygons: Vec<MultiPolygon<f64>>,
    rects: Vec<Option<Rect<f64>>>,
    class: Vec<SoilClass>,
    tiled: Vec<Option<String>>,
}

/// The class of a polygon: as it stands there, or that of its map unit.
#[derive(Debug)]
enum SoilClass {
    Named(Option<String>),
    OfUnit(Unit),
}

fn soil_map(
    file: &InputFile,
    settings: &SoilSettings,
    units: Option<&survey::Units>,
    limits: ReadSettings,
) -> Result<SoilMap, IngestError> {
    let attribute = match &settings.components {
        Some(components) => survey::key_of(file, &components.key, limits)?,
        None => settings.attribute.clone(),
    };
    let mut attributes = vec![attribute.as_str()];
    attributes.extend(settings.tiled_attribute.as_deref());
    let layer = Layer::read(file, &attributes, settings.crs.as_deref(), limits)?;
    let texts = |name: &str| layer.table.texts[name].iter().map(|text| text.map(str::to_owned)).collect::<Vec<_>>();
    let tiled = settings.tiled_attribute.as_deref().map_or_else(|| vec![None; layer.table.rows], texts);
    let class = texts(&attribute).into_iter().enumerate().map(|(row, text)| match units {
        None => Ok(SoilClass::Named(text)),
        Some(units) => units.of(&file.name, row, text.as_deref()).map(SoilClass::OfUnit),
    });
    let class = class.collect::<Result<Vec<_>, _>>()?;
    let Layer { file, crs, table } = layer;
    let rects = table.polygons.iter().map(BoundingRect::bounding_rect).collect();
    Ok(SoilMap { file, crs, polygons: table.polygons, rects, class, tiled })
}

impl SharedLayers {
    /// The soil polygons that touch a field's extent (UTM metres, `[west, south, east, north]`).
    pub(super) fn soils_near(
        &self,
        files: &SiteYearFiles,
        archive: &ArchiveSettings,
        field: Extent,
        utm: &Crs,
        cautions: &mut Cautions,
    ) -> Result<Vec<SoilGround>, IngestError> {
        let read = || {
            let units = match &archive.soil.components {
                Some(settings) => Some(survey::units(&files.soil_components, settings, &archive.soil, archive.read)?),
                None => None,
            };
            files.soils.iter().map(|file| soil_map(file, &archive.soil, units.as_ref(), archive.read)).collect()
        };
        let maps = self.soils.get_or_init(read).as_ref().map_err(|fault| fault.clone().of_archive("soil"))?;
        let mut soils = Vec::new();
        for map in maps {
            let near = map.near(&archive.soil, field, utm, cautions).map_err(|fault| fault.of_archive("soil.path"))?;
            soils.extend(near);
        }
        Ok(soils)
    }
}

impl SoilMap {
    fn near(
        &self,
        settings: &SoilSettings,
        field: Extent,
        utm: &Crs,
        cautions: &mut Cautions,
    ) -> Result<Vec<SoilGround>, IngestError> {
        let fault = |reason: String| IngestError::crs(&self.file, reason);
        let to_map = Projector::new(utm, &self.crs).map_err(|error| fault(error.to_string()))?;
        let [west, south, east, north] = field;
        let (mut x, mut y) = ([west, west, east, east], [south, north, south, north]);
        to_map.convert(&mut x, &mut y).map_err(|error| fault(error.to_string()))?;
        let corner = |pick: fn(f64, f64) -> f64, values: [f64; 4]| values.into_iter().reduce(pick).unwrap_or(f64::NAN);
        let window = Rect::new(
            geo::coord! { x: corner(f64::min, x), y: corner(f64::min, y) },
            geo::coord! { x: corner(f64::max, x), y: corner(f64::max, y) },
        );
        let mut soils = Vec::new();
        for row in 0..self.polygons.len() {
            if !self.rects[row].is_some_and(|rect| overlap(rect, window)) {
                continue;
            }
            let (class, class_pct) = match &self.class[row] {
                SoilClass::OfUnit(unit) => (unit.class, unit.class_pct.clone()),
                SoilClass::Named(text) => {
                    let class = settings.class(text.as_deref().unwrap_or(""));
                    let fault = |reason| IngestError::Polygon { file: self.file.clone(), number: row + 1, reason };
                    (class.map_err(fault)?, Vec::new())
                }
            };
            let tiled = match self.tiled[row].as_deref().map(str::to_ascii_lowercase).as_deref() {
                None | Some("unknown") => None,
                Some("yes" | "true" | "1" | "tiled") => Some(true),
                Some("no" | "false" | "0") => Some(false),
                Some(other) => {
                    return Err(IngestError::Polygon {
                        file: self.file.clone(),
                        number: row + 1,
                        reason: format!("tiled is `{other}`; expected yes, no or unknown"),
                    });
                }
            };
            let ground = projected(&self.file, &self.crs, row, &self.polygons[row], utm, cautions)?;
            soils.push(SoilGround { ground, class, class_pct, tiled });
        }
        Ok(soils)
    }
}
