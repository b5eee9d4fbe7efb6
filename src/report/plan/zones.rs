//! The zones of a field for other programs: as GeoPackage and as shapefile.

use std::io::Cursor;

use dbase::{FieldName, FieldValue, TableWriterBuilder};
use geo::{Geometry, MultiPolygon};
use rusqlite::types::Value;

use super::basis;
use crate::geometry::{Crs, Projector};
use crate::report::geopackage::{self, BOOLEAN, DOUBLE, Layer, LayerColumn, TEXT, count, number, text, values};
use crate::report::{LABEL_FIRST, OutputFile, ReportError, Units};
use crate::results::{PlannedField, PlannedZone};

const PACKAGE: &str = "zones.gpkg";
const SHAPES: &str = "zones.shp";
/// Well-known text of longitudes and latitudes on WGS 84, as a .prj holds it (OGC 01-009, ESRI's spelling).
const PRJ: &str = "GEOGCS[\"GCS_WGS_1984\",DATUM[\"D_WGS_1984\",SPHEROID[\"WGS_1984\",6378137.0,298.257223563]],PRIMEM[\"Greenwich\",0.0],UNIT[\"Degree\",0.0174532925199433]]";

/// A zone of a field.
pub(in crate::report) struct Row<'r> {
    field: &'r PlannedField,
    zone: &'r PlannedZone,
    units: &'r Units,
}

/// The columns of `zones.gpkg`.
pub(in crate::report) const ZONES: &[LayerColumn<fn(&Row<'_>) -> Value>] = &[
    ("treatment", TEXT, |row| text(&row.zone.advice.treatment)),
    ("drainage_class", TEXT, |row| text(&row.zone.advice.class_name)),
    ("decision", TEXT, |row| text(row.zone.decision.code())),
    ("why", TEXT, |row| text(row.zone.why.code())),
    ("best", BOOLEAN, |row| count(row.zone.is_best)),
    ("area", DOUBLE, |row| number(row.units.area(row.zone.area_m2))),
    ("area_unit", TEXT, |row| text(row.units.area_unit)),
    ("response", DOUBLE, |row| row.units.yield_value(row.zone.advice.response)),
    ("ci_low", DOUBLE, |row| row.units.yield_value(row.zone.advice.interval.map(|ends| ends.0))),
    ("ci_high", DOUBLE, |row| row.units.yield_value(row.zone.advice.interval.map(|ends| ends.1))),
    ("yield_unit", TEXT, |row| text(row.units.yield_unit)),
    ("net_return", DOUBLE, |row| row.units.money_value(row.zone.advice.net_return)),
    ("money_unit", TEXT, |row| text(&row.units.money_unit)),
    ("probability_pays", DOUBLE, |row| number(row.zone.advice.probability_pays)),
    ("probability_new_site_pays", DOUBLE, |row| number(row.zone.advice.probability_new_site_pays)),
    ("basis", TEXT, |row| text(basis(row.field))),
    ("caution", TEXT, |row| text(&row.zone.advice.cautions.codes())),
    ("first", TEXT, |_| text(LABEL_FIRST)),
];

/// What a column of a .dbf holds: a text of so many letters, or a number with so many decimals.
#[derive(Clone, Copy)]
enum Kind {
    Letters(u8),
    Decimals(u8),
}

/// The columns of `zones.dbf`, whose names have at most ten letters, and what they are called in [`ZONES`].
const DBF: [(&str, &str, Kind); 12] = [
    ("treatment", "treatment", Kind::Letters(60)),
    ("drainage", "drainage_class", Kind::Letters(60)),
    ("decision", "decision", Kind::Letters(8)),
    ("why", "why", Kind::Letters(10)),
    ("basis", "basis", Kind::Letters(12)),
    ("caution", "caution", Kind::Letters(254)),
    ("first", "first", Kind::Letters(120)),
    ("area", "area", Kind::Decimals(3)),
    ("response", "response", Kind::Decimals(3)),
    ("net_return", "net_return", Kind::Decimals(2)),
    ("p_pays", "probability_pays", Kind::Decimals(4)),
    ("p_new_site", "probability_new_site_pays", Kind::Decimals(4)),
];

/// The zones of a field in both formats.
pub(super) fn files(field: &PlannedField, units: &Units) -> Result<Vec<OutputFile>, ReportError> {
    let rows = field.zones.iter().map(|zone| (Geometry::MultiPolygon(zone.ground.clone()), Row { field, zone, units }));
    let layer = Layer::of("zones", "MULTIPOLYGON", ZONES, rows);
    let [shp, shx, dbf] = shapes(field, units)?;
    Ok(vec![
        OutputFile::new(PACKAGE, geopackage::package(PACKAGE, &[layer], field.epsg)?),
        OutputFile::new(SHAPES, shp),
        OutputFile::new("zones.shx", shx),
        OutputFile::new("zones.dbf", dbf),
        OutputFile::new("zones.prj", PRJ.as_bytes().to_vec()),
    ])
}

/// The bytes of .shp, .shx and .dbf.
fn shapes(field: &PlannedField, units: &Units) -> Result<[Vec<u8>; 3], ReportError> {
    let broken = |fault: &dyn std::fmt::Display| ReportError::new(SHAPES, fault);
    let utm = Crs::from_epsg(field.epsg).map_err(|fault| broken(&fault))?;
    let projector = Projector::new(&utm, &Crs::wgs84()).map_err(|fault| broken(&fault))?;
    let (mut shp, mut shx, mut dbf) = (Cursor::new(Vec::new()), Cursor::new(Vec::new()), Cursor::new(Vec::new()));
    {
        let mut builder = TableWriterBuilder::new();
        for (name, _, kind) in DBF {
            let name = FieldName::try_from(name).map_err(|fault| broken(&fault))?;
            builder = match kind {
                Kind::Letters(length) => builder.add_character_field(name, length),
                Kind::Decimals(decimals) => builder.add_numeric_field(name, 16, decimals),
            };
        }
        let mut table = builder.build_with_dest(&mut dbf);
        let mut writer = shapefile::ShapeWriter::with_shx(&mut shp, &mut shx);
        for zone in &field.zones {
            let ground: MultiPolygon<f64> = projector
                .convert_polygons(&zone.ground)
                .map_err(|fault| broken(&fault))?
                .ok_or_else(|| broken(&"a zone lies off the map"))?;
            writer.write_shape(&shapefile::Polygon::from(ground)).map_err(|fault| broken(&fault))?;
            let values = values(ZONES, &Row { field, zone, units });
            let mut record = dbase::Record::default();
            for (name, column, _) in DBF {
                let at = ZONES.iter().position(|known| known.0 == column);
                let at = at.ok_or_else(|| broken(&format!("{PACKAGE} has no column `{column}`")))?;
                let value = match &values[at] {
                    Value::Text(text) => FieldValue::Character(Some(text.clone())),
                    Value::Real(number) => FieldValue::Numeric(Some(*number)),
                    _ => FieldValue::Numeric(None),
                };
                record.insert(name.to_owned(), value);
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
