//! Shapefiles in memory, the same bytes for the same shapes.

use std::io::{Cursor, Write};
use std::path::Path;

use dbase::{FieldName, FieldValue, TableWriterBuilder};
use shapefile::record::EsriShape;
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

use super::error::{DemoError, write_file};

/// The text of a .prj for longitudes and latitudes on WGS 84 (ESRI dialect of WKT 1).
pub(super) const PRJ_WGS84: &str = "GEOGCS[\"GCS_WGS_1984\",DATUM[\"D_WGS_1984\",SPHEROID[\"WGS_1984\",6378137.0,298.257223563]],PRIMEM[\"Greenwich\",0.0],UNIT[\"Degree\",0.0174532925199433]]";

/// The bytes of a shapefile.
#[derive(Debug)]
pub(super) struct Shapes {
    shp: Vec<u8>,
    shx: Vec<u8>,
    dbf: Vec<u8>,
}

/// A column of the table.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    name: &'static str,
    length: u8,
    decimals: Option<u8>,
}

impl Column {
    pub(super) fn text(name: &'static str, length: u8) -> Self {
        Self { name, length, decimals: None }
    }

    pub(super) fn number(name: &'static str, length: u8, decimals: u8) -> Self {
        Self { name, length, decimals: Some(decimals) }
    }
}

/// Puts shapes and their values (in the order of the columns) together.
pub(super) fn encode<S: EsriShape>(
    path: &Path,
    columns: &[Column],
    rows: impl Iterator<Item = (S, Vec<FieldValue>)>,
) -> Result<Shapes, DemoError> {
    let broken = |fault: &dyn std::fmt::Display| DemoError::format(path, fault);
    let (mut shp, mut shx, mut dbf) = (Cursor::new(Vec::new()), Cursor::new(Vec::new()), Cursor::new(Vec::new()));
    {
        let mut builder = TableWriterBuilder::new();
        for column in columns {
            let name = FieldName::try_from(column.name).map_err(|fault| broken(&fault))?;
            builder = match column.decimals {
                Some(decimals) => builder.add_numeric_field(name, column.length, decimals),
                None => builder.add_character_field(name, column.length),
            };
        }
        let mut table = builder.build_with_dest(&mut dbf);
        let mut shapes = shapefile::ShapeWriter::with_shx(&mut shp, &mut shx);
        for (shape, values) in rows {
            shapes.write_shape(&shape).map_err(|fault| broken(&fault))?;
            let mut record = dbase::Record::default();
            for (column, value) in columns.iter().zip(values) {
                record.insert(column.name.to_owned(), value);
            }
            table.write_record(&record).map_err(|fault| broken(&fault))?;
        }
        shapes.finalize().map_err(|fault| broken(&fault))?;
        table.finalize().map_err(|fault| broken(&fault))?;
    }
    let mut dbf = dbf.into_inner();
    // The header holds the day of writing: 2 January 2024 in every file, so that the bytes repeat.
    if let Some(date) = dbf.get_mut(1..4) {
        date.copy_from_slice(&[124, 1, 2]);
    }
    Ok(Shapes { shp: shp.into_inner(), shx: shx.into_inner(), dbf })
}

impl Shapes {
    fn files(&self) -> [(&'static str, &[u8]); 4] {
        [("shp", &self.shp), ("shx", &self.shx), ("dbf", &self.dbf), ("prj", PRJ_WGS84.as_bytes())]
    }

    /// Writes `path` with its sister files.
    pub(super) fn write(&self, path: &Path) -> Result<(), DemoError> {
        self.files().into_iter().try_for_each(|(ending, bytes)| write_file(&path.with_extension(ending), bytes))
    }

    /// Writes all of them into one zip file at `path`.
    pub(super) fn write_zip(&self, path: &Path, stem: &str) -> Result<(), DemoError> {
        let broken = |fault: zip::result::ZipError| DemoError::format(path, fault);
        let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
        let options = SimpleFileOptions::default()
            .compression_method(zip::CompressionMethod::Deflated)
            .last_modified_time(zip::DateTime::default())
            .unix_permissions(0o644);
        for (ending, bytes) in self.files() {
            zip.start_file(format!("{stem}.{ending}"), options).map_err(broken)?;
            zip.write_all(bytes).map_err(|source| DemoError::Io { path: path.to_path_buf(), source })?;
        }
        write_file(path, &zip.finish().map_err(broken)?.into_inner())
    }
}
