//! Layers as a GeoPackage (1.3, OGC 12-128r17), written and read again.

use std::error::Error;

use geo::{BoundingRect, Geometry};
use geo_traits::to_geo::ToGeoGeometry;
use rusqlite::types::Value;
use rusqlite::{Connection, params, params_from_iter};
use wkb::writer::{WriteOptions, write_geometry};

use super::{ReportError, columns, styles};

/// Application id of a GeoPackage: `GPKG` in ASCII.
const APPLICATION_ID: u32 = 0x4750_4B47;
/// GeoPackage 1.3.0.
const USER_VERSION: u32 = 10_300;
/// A fixed moment, so that the same result gives the same bytes.
const LAST_CHANGE: &str = "2000-01-01T00:00:00.000Z";

/// The tables that the standard asks for.
const SCHEMA: &str = "
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
  last_change DATETIME NOT NULL, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
INSERT INTO gpkg_spatial_ref_sys VALUES
  ('Undefined Cartesian SRS', -1, 'NONE', -1, 'undefined', 'undefined Cartesian coordinate reference system'),
  ('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', 'undefined geographic coordinate reference system'),
  ('WGS 84 geodetic', 4326, 'EPSG', 4326, 'GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563]],PRIMEM[\"Greenwich\",0],UNIT[\"degree\",0.0174532925199433],AUTHORITY[\"EPSG\",\"4326\"]]', NULL);
";

/// The table of the layers' styles, by the columns that map programs look for.
const STYLES: &str = "
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT, f_table_schema TEXT, f_table_name TEXT,
  f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT,
  ui TEXT, update_time DATETIME);
INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change)
  VALUES ('layer_styles', 'attributes', 'layer_styles', 'The styles that the layers are first shown in', '2000-01-01T00:00:00.000Z');
";

/// A column of a layer: its name, its SQL type, and what a row has there.
pub(super) type LayerColumn<F> = (&'static str, &'static str, F);

/// The SQL types of columns.
pub(super) const TEXT: &str = "TEXT";
pub(super) const DOUBLE: &str = "DOUBLE";
pub(super) const INTEGER: &str = "INTEGER";
pub(super) const BOOLEAN: &str = "BOOLEAN";

/// A layer to be written.
pub(super) struct Layer {
    pub(super) name: &'static str,
    pub(super) geometry: &'static str,
    /// Column names with their SQL types.
    pub(super) columns: Vec<(String, &'static str)>,
    pub(super) features: Vec<(Geometry<f64>, Vec<Value>)>,
}

impl Layer {
    /// A layer of rows that each have a place.
    pub(super) fn of<R>(
        name: &'static str,
        geometry: &'static str,
        columns: &[LayerColumn<fn(&R) -> Value>],
        rows: impl IntoIterator<Item = (Geometry<f64>, R)>,
    ) -> Self {
        let features = rows.into_iter().map(|(place, row)| (place, values(columns, &row))).collect();
        let columns = columns.iter().map(|&(name, kind, _)| (name.to_owned(), kind)).collect();
        Self { name, geometry, columns, features }
    }
}

/// What a row has in the columns of a layer.
pub(super) fn values<R>(columns: &[LayerColumn<fn(&R) -> Value>], row: &R) -> Vec<Value> {
    columns.iter().map(|(_, _, value)| value(row)).collect()
}

/// What each layer holds: its description in the package.
const DESCRIPTIONS: [(&str, &str); 6] = [
    ("strips", "The strips of the trial with their treatments and blocks"),
    ("segments", "The pieces of strips that the model saw, with their dry yield"),
    (
        "differences",
        "Treated minus check along the strips: each treated piece with the check that faces it; one by one they say little",
    ),
    (
        "local",
        "The response piece by piece along the treated strips, under the response model; no map of where to treat",
    ),
    (
        "zones",
        "Treated minus check by treatment and soil class, with intervals and what it was worth; in a plan, what to do",
    ),
    ("sites", "The site-years, one feature for each treatment: treated minus check over the whole field"),
];

/// EPSG code of longitudes and latitudes on WGS 84.
pub(super) const WGS_84: u32 = 4326;

/// The layers of a GeoPackage that [`package`] made, by name and kind of geometry, with whatever columns they have; without
/// features where one is not there.
pub(super) fn read(
    file: &'static str,
    bytes: &[u8],
    layers: &[(&'static str, &'static str)],
) -> Result<Vec<Layer>, ReportError> {
    let read = || -> Result<_, Box<dyn Error>> {
        let mut connection = Connection::open_in_memory()?;
        connection.deserialize_read_exact("main", bytes, bytes.len(), true)?;
        layers.iter().map(|(name, geometry)| read_layer(&connection, name, geometry)).collect()
    };
    read().map_err(|fault| ReportError::new(file, fault))
}

fn read_layer(connection: &Connection, name: &'static str, geometry: &'static str) -> Result<Layer, Box<dyn Error>> {
    let mut layer = Layer { name, geometry, columns: columns_of(connection, name)?, features: Vec::new() };
    if layer.columns.is_empty() {
        return Ok(layer);
    }
    let names = quoted(&layer);
    let mut statement =
        connection.prepare(&format!("SELECT geom, {} FROM \"{name}\" ORDER BY fid", names.join(", ")))?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let blob: Vec<u8> = row.get(0)?;
        let geometry = wkb::reader::read_wkb(blob.get(8..).unwrap_or_default())?.to_geometry();
        let values = (1..=names.len()).map(|at| row.get(at)).collect::<Result<_, _>>()?;
        layer.features.push((geometry, values));
    }
    Ok(layer)
}

/// The columns of a layer beside its key and geometry, with their types; none where it is not there.
fn columns_of(connection: &Connection, name: &str) -> rusqlite::Result<Vec<(String, &'static str)>> {
    let mut statement = connection.prepare("SELECT name, type FROM pragma_table_info(?1)")?;
    let columns = statement.query_map([name], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let columns: Vec<(String, String)> = columns.collect::<Result<_, _>>()?;
    let kind = |kind: &str| [TEXT, DOUBLE, INTEGER, BOOLEAN].into_iter().find(|known| *known == kind);
    Ok(columns
        .into_iter()
        .filter_map(|(name, of)| Some((name, kind(&of)?)))
        .filter(|(name, _)| name != "fid")
        .collect())
}

fn quoted(layer: &Layer) -> Vec<String> {
    layer.columns.iter().map(|(name, _)| format!("\"{name}\"")).collect()
}

/// A GeoPackage with layers in one reference system: a UTM zone, or [`WGS_84`]. Layers without features are left out.
pub(super) fn package(file: &'static str, layers: &[Layer], epsg: u32) -> Result<Vec<u8>, ReportError> {
    for layer in layers {
        columns::known(file, layer.columns.iter().map(|column| column.0.as_str()))?;
    }
    encode(layers, epsg).map_err(|fault| ReportError::new(file, fault))
}

fn encode(layers: &[Layer], epsg: u32) -> Result<Vec<u8>, Box<dyn Error>> {
    let mut connection = Connection::open_in_memory()?;
    connection
        .execute_batch(&format!("PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {USER_VERSION};"))?;
    connection.execute_batch(SCHEMA)?;
    let srs_id = i64::from(epsg);
    if epsg != WGS_84 {
        connection.execute(
            "INSERT INTO gpkg_spatial_ref_sys VALUES (?1, ?2, 'EPSG', ?2, ?3, NULL)",
            params![utm_name(epsg), srs_id, utm_text(epsg)],
        )?;
    }
    let with_features = || layers.iter().filter(|layer| !layer.features.is_empty());
    for layer in with_features() {
        write(&mut connection, layer, srs_id)?;
    }
    connection.execute_batch(STYLES)?;
    for layer in with_features() {
        if let Some(sld) = styles::sld(layer) {
            connection.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleSLD, \
                 useAsDefault, description, update_time) VALUES ('', '', ?1, 'geom', ?1, ?2, 1, ?1, ?3)",
                params![layer.name, sld, LAST_CHANGE],
            )?;
        }
    }
    Ok(connection.serialize("main")?.to_vec())
}

fn zone_and_side(epsg: u32) -> (u32, bool) {
    (epsg % 100, epsg / 100 == 327)
}

fn utm_name(epsg: u32) -> String {
    let (zone, south) = zone_and_side(epsg);
    format!("WGS 84 / UTM zone {zone}{}", if south { 'S' } else { 'N' })
}

/// Well-known text of a UTM zone on WGS 84 (OGC 01-009).
fn utm_text(epsg: u32) -> String {
    let (zone, south) = zone_and_side(epsg);
    let meridian = 6 * i64::from(zone) - 183;
    let northing = if south { 10_000_000 } else { 0 };
    format!(
        "PROJCS[\"{}\",GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563]],PRIMEM[\"Greenwich\",0],UNIT[\"degree\",0.0174532925199433],AUTHORITY[\"EPSG\",\"4326\"]],PROJECTION[\"Transverse_Mercator\"],PARAMETER[\"latitude_of_origin\",0],PARAMETER[\"central_meridian\",{meridian}],PARAMETER[\"scale_factor\",0.9996],PARAMETER[\"false_easting\",500000],PARAMETER[\"false_northing\",{northing}],UNIT[\"metre\",1],AXIS[\"Easting\",EAST],AXIS[\"Northing\",NORTH],AUTHORITY[\"EPSG\",\"{epsg}\"]]",
        utm_name(epsg)
    )
}

/// A number; null where there is none.
pub(super) fn number(value: impl Into<Option<f64>>) -> Value {
    value.into().filter(|value| value.is_finite()).map_or(Value::Null, Value::Real)
}

/// A text.
pub(super) fn text(value: &str) -> Value {
    Value::Text(value.to_owned())
}

/// A count.
pub(super) fn count(value: impl TryInto<i64>) -> Value {
    Value::Integer(value.try_into().unwrap_or(i64::MAX))
}

fn write(connection: &mut Connection, layer: &Layer, srs_id: i64) -> Result<(), Box<dyn Error>> {
    let description = DESCRIPTIONS.iter().find(|(name, _)| *name == layer.name).map_or("", |(_, text)| *text);
    let transaction = connection.transaction()?;
    let declared: Vec<String> = layer.columns.iter().map(|(name, kind)| format!("\"{name}\" {kind}")).collect();
    transaction.execute_batch(&format!(
        "CREATE TABLE \"{}\" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {}, {});",
        layer.name,
        layer.geometry,
        declared.join(", ")
    ))?;
    let rects = || layer.features.iter().filter_map(|(geometry, _)| geometry.bounding_rect());
    let low = |pick: fn(geo::Coord<f64>) -> f64| rects().map(|rect| pick(rect.min())).fold(f64::INFINITY, f64::min);
    let high =
        |pick: fn(geo::Coord<f64>) -> f64| rects().map(|rect| pick(rect.max())).fold(f64::NEG_INFINITY, f64::max);
    let ends = [low(|c| c.x), low(|c| c.y), high(|c| c.x), high(|c| c.y)];
    transaction.execute(
        "INSERT INTO gpkg_contents VALUES (?1, 'features', ?1, ?8, ?2, ?3, ?4, ?5, ?6, ?7)",
        params![layer.name, LAST_CHANGE, ends[0], ends[1], ends[2], ends[3], srs_id, description],
    )?;
    transaction.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?1, 'geom', ?2, ?3, 0, 0)",
        params![layer.name, layer.geometry, srs_id],
    )?;
    {
        let places: Vec<String> = (1..=layer.columns.len() + 1).map(|at| format!("?{at}")).collect();
        let mut statement = transaction.prepare(&format!(
            "INSERT INTO \"{}\" (geom, {}) VALUES ({})",
            layer.name,
            quoted(layer).join(", "),
            places.join(", ")
        ))?;
        for (geometry, values) in &layer.features {
            let blob = Value::Blob(blob(geometry, srs_id)?);
            statement.execute(params_from_iter(std::iter::once(&blob).chain(values)))?;
        }
    }
    Ok(transaction.commit()?)
}

/// A geometry as the standard stores it: `GP`, version 0, flags (little-endian, no envelope), SRS id, well-known binary.
fn blob(geometry: &Geometry<f64>, srs_id: i64) -> Result<Vec<u8>, Box<dyn Error>> {
    let mut bytes = vec![b'G', b'P', 0, 1];
    bytes.extend((srs_id as i32).to_le_bytes());
    write_geometry(&mut bytes, geometry, &WriteOptions::default())?;
    Ok(bytes)
}
