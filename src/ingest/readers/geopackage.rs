//! GeoPackage (OGC 12-128r18): its feature table of points or polygons; of several the one that the path names, `soils.gpkg/units`.

use std::path::Path;

use geo::Geometry;
use geo::algorithm::CoordsIter;
use geo_traits::to_geo::ToGeoGeometry;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OpenFlags};

use super::table::{Cell, Filler, Table, Wanted};
use crate::bundle::on_disk;
use crate::geometry::Crs;
use crate::ingest::IngestError;

struct Layer {
    connection: Connection,
    table: String,
    geometry_column: String,
    srs_id: i64,
    names: Vec<String>,
}

fn open(file: &str, path: &Path) -> Result<Layer, IngestError> {
    let fault = |error: rusqlite::Error| IngestError::damaged(file, error);
    let (path, wanted) = on_disk(path);
    let connection = Connection::open_with_flags(&path, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(fault)?;
    let mut tables: Vec<(String, String, i64)> = connection
        .prepare("SELECT table_name, column_name, srs_id FROM gpkg_geometry_columns ORDER BY table_name")
        .and_then(|mut statement| statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?.collect())
        .map_err(fault)?;
    if let Some(wanted) = &wanted
        && tables.iter().any(|(table, ..)| table == wanted)
    {
        tables.retain(|(table, ..)| table == wanted);
    }
    if let Some(wanted) = &wanted
        && !tables.iter().any(|(table, ..)| table == wanted)
    {
        // a table of attributes lies nowhere
        let known: i64 = connection
            .query_row(
                "SELECT count(*) FROM sqlite_master WHERE type IN ('table', 'view') AND name = ?1",
                [wanted],
                |row| row.get(0),
            )
            .map_err(fault)?;
        if known == 1 {
            tables = vec![(wanted.clone(), String::new(), 0)];
        }
    }
    let [(table, geometry_column, srs_id)] = tables.as_slice() else {
        let names: Vec<&str> = tables.iter().map(|(table, ..)| table.as_str()).collect();
        return Err(IngestError::damaged(
            file,
            format!("expected one layer, found {}: {}; name one as {file}/…", names.len(), names.join(", ")),
        ));
    };
    let names = connection
        .prepare("SELECT name FROM pragma_table_info(?1)")
        .and_then(|mut statement| statement.query_map([table], |row| row.get(0))?.collect())
        .map_err(fault)?;
    Ok(Layer { table: table.clone(), geometry_column: geometry_column.clone(), srs_id: *srs_id, names, connection })
}

/// The names of the attributes.
pub(crate) fn columns(file: &str, path: &Path) -> Result<Vec<String>, IngestError> {
    let layer = open(file, path)?;
    Ok(layer.names.into_iter().filter(|name| *name != layer.geometry_column).collect())
}

/// Reads the wanted columns and the shapes.
pub(crate) fn read(file: &str, path: &Path, wanted: &Wanted) -> Result<Table, IngestError> {
    let layer = open(file, path)?;
    for column in wanted.numbers.iter().chain(&wanted.texts) {
        if !layer.names.contains(column) {
            return Err(IngestError::missing_column(file, column, &layer.names));
        }
    }
    let fault = |error: rusqlite::Error| IngestError::damaged(file, error);
    let quoted = |name: &str| format!("\"{}\"", name.replace('"', "\"\""));
    let names: Vec<&String> = wanted.numbers.iter().chain(&wanted.texts).collect();
    let geometry_column =
        if layer.geometry_column.is_empty() { "NULL".to_owned() } else { quoted(&layer.geometry_column) };
    let selected: Vec<String> = std::iter::once(geometry_column).chain(names.iter().map(|name| quoted(name))).collect();
    let query = format!("SELECT {} FROM {} ORDER BY rowid", selected.join(", "), quoted(&layer.table));
    let mut statement = layer.connection.prepare(&query).map_err(fault)?;
    let mut rows = statement.query([]).map_err(fault)?;
    let mut filler = Filler::new(file, wanted);
    let mut number = 0;
    while let Some(row) = rows.next().map_err(fault)? {
        number += 1;
        let geometry = match row.get_ref(0).map_err(fault)? {
            ValueRef::Blob(blob) => {
                geometry(blob).map_err(|reason| IngestError::damaged(file, format!("feature {number}: {reason}")))?
            }
            _ => None,
        };
        filler.push(geometry, |name| {
            let at = names.iter().position(|known| *known == name).map_or(0, |at| at + 1);
            Ok(match row.get_ref(at).map_err(fault)? {
                ValueRef::Null | ValueRef::Blob(_) => Cell::Missing,
                ValueRef::Integer(value) => Cell::Number(value as f64),
                ValueRef::Real(value) => Cell::Number(value),
                ValueRef::Text(text) => Cell::Text(String::from_utf8_lossy(text).into_owned()),
            })
        })?;
    }
    Ok(filler.finish(crs(file, &layer)?))
}

fn crs(file: &str, layer: &Layer) -> Result<Option<Crs>, IngestError> {
    // −1 and 0 are the standard's "undefined" systems.
    if layer.srs_id <= 0 {
        return Ok(None);
    }
    let (organisation, code, definition): (String, u32, String) = layer
        .connection
        .query_row(
            "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?1",
            [layer.srs_id],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )
        .map_err(|error| IngestError::damaged(file, error))?;
    let crs = if organisation.eq_ignore_ascii_case("EPSG") { Crs::from_epsg(code) } else { Crs::parse(&definition) };
    crs.map(Some).map_err(|error| IngestError::crs(file, error))
}

/// The geometry of a GeoPackage blob: magic `GP`, version, flags, SRS id, envelope, then well-known binary.
fn geometry(blob: &[u8]) -> Result<Option<Geometry<f64>>, String> {
    if blob.len() < 8 || &blob[..2] != b"GP" {
        return Err("not a GeoPackage geometry".to_owned());
    }
    let flags = blob[3];
    if flags & 0b0001_0000 != 0 {
        return Ok(None);
    }
    let envelope = match (flags >> 1) & 0b111 {
        0 => 0,
        1 => 32,
        2 | 3 => 48,
        4 => 64,
        other => return Err(format!("unknown envelope code {other}")),
    };
    let body = blob.get(8 + envelope..).ok_or("truncated geometry")?;
    let read = wkb::reader::read_wkb(body).map_err(|error| error.to_string())?;
    let geometry = read.to_geometry();
    Ok((geometry.coords_count() > 0).then_some(geometry))
}
