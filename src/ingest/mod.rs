//! Ingest: files → [`Ingested`] (SI units, UTM metres, one row a record).
//!
//! Decides: format, columns, units, coordinate reference system, time. It is the one stage that reads files; all later
//! stages are pure functions of what it delivers.

mod assemble;
mod channels;
mod clocks;
mod error;
mod ground;
mod layers;
mod readers;
mod terrain;
mod tickets;
mod wetness;

use std::path::Path;

pub use error::IngestError;
pub use ground::{FieldGround, ground, wetness_at};
pub use layers::{InputFile, SharedLayers};
pub use wetness::{LEAST_HISTORY, SeasonGrids, Wetness, window_months};

use crate::config::{ArchiveSettings, FieldSettings, HarvestSettings};
use crate::geometry::Crs;
use crate::points::{Caution, Cautions, Ingested};
use crate::stats::robust;

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 2;

/// Every file of a site-year, found and named.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SiteYearFiles {
    /// The harvest files by entry, sorted by name.
    pub harvest: Vec<Vec<InputFile>>,
    /// The boundary layer.
    pub boundary: Option<InputFile>,
    /// The strip layer.
    pub strips: Option<InputFile>,
    /// The soil layer of the archive.
    pub soils: Option<InputFile>,
    /// The elevation model of the archive.
    pub dem: Option<InputFile>,
    /// The scale tickets.
    pub tickets: Option<InputFile>,
    /// The precipitation grids of the season.
    pub wetness: Option<SeasonGrids>,
}

impl SiteYearFiles {
    /// The site-year's own files, with the parts of shapefiles, sorted by name.
    pub fn own(&self) -> Vec<InputFile> {
        let single = [&self.boundary, &self.strips, &self.tickets];
        with_parts(self.harvest.iter().flatten().chain(single.into_iter().flatten()))
    }

    /// The archive's files that the site-year's result depends on, with the parts of shapefiles, sorted by name.
    pub fn of_archive(&self) -> Vec<InputFile> {
        let layers = [&self.soils, &self.dem].into_iter().flatten();
        let grids = self.wetness.iter().flat_map(|grids| {
            let history = grids.history.iter().flat_map(|(files, _)| files);
            grids.totals.iter().chain(&grids.normals).chain(history)
        });
        with_parts(layers.chain(grids))
    }

    /// Every file that the site-year's result depends on.
    pub fn all(&self) -> Vec<InputFile> {
        let mut files = self.own();
        files.extend(self.of_archive());
        files
    }
}

fn with_parts<'f>(files: impl Iterator<Item = &'f InputFile>) -> Vec<InputFile> {
    let mut all = Vec::new();
    for file in files {
        for path in readers::companions(&file.path) {
            let extension = path.extension().map(|found| found.to_string_lossy().into_owned());
            let name = Path::new(&file.name).with_extension(extension.unwrap_or_default());
            all.push(InputFile { name: name.to_string_lossy().into_owned(), path });
        }
        all.push(file.clone());
    }
    all.sort_by(|one, other| one.name.cmp(&other.name));
    all.dedup();
    all
}

/// Reads a site-year's files.
///
/// # Errors
/// [`IngestError`] for every fault that spoils the site-year as a whole; a fault of a single record is left to the
/// cleaning stage.
pub fn run(
    files: &SiteYearFiles,
    field: &FieldSettings,
    archive: &ArchiveSettings,
    shared: &SharedLayers,
) -> Result<Ingested, IngestError> {
    let mut cautions = Cautions::default();
    let crop = &archive.crops[&field.crop];

    let boundary_layer = files
        .boundary
        .as_ref()
        .map(|file| layers::Layer::read(file, &[], field.boundary_crs.as_deref()))
        .transpose()?;
    let strip_layer = match (&files.strips, &field.strips) {
        (Some(file), Some(settings)) => {
            Some(layers::Layer::read(file, &layers::strip_attributes(settings), settings.crs.as_deref())?)
        }
        _ => None,
    };
    let extents = [&strip_layer, &boundary_layer];
    let extent = extents.into_iter().flatten().find_map(layers::Layer::extent_degrees);

    let parts = parts(files, field, archive)?;
    let epsg = assemble::utm_zone(&parts, extent)?;
    let utm = Crs::from_epsg(epsg).map_err(|error| IngestError::Contradiction(error.to_string()))?;
    let first_file = parts.first().map(|part| part.file.clone()).unwrap_or_default();
    let records = assemble::records(parts, epsg, crop, archive, &mut cautions)?;

    let (x, y) = (&records.x_m, &records.y_m);
    let usable = |values: &[f64]| values.iter().copied().filter(|value| value.is_finite()).collect::<Vec<_>>();
    let (mut xs, mut ys) = (usable(x), usable(y));
    let field_extent = usable_extent(&xs, &ys);
    refuse_a_speck(&first_file, field_extent, records.len())?;
    let (Ok(middle_x), Ok(middle_y)) = (robust::median_in_place(&mut xs), robust::median_in_place(&mut ys)) else {
        return Err(IngestError::Place { file: first_file, reason: "no record has a position".to_owned() });
    };

    let boundary = boundary_layer.as_ref().map(|layer| layers::boundary(layer, &utm, &mut cautions)).transpose()?;
    let strips = match (&strip_layer, &field.strips) {
        (Some(layer), Some(settings)) => layers::strips(layer, settings, archive, &utm, &mut cautions)?,
        _ => Vec::new(),
    };
    let soils = match &files.soils {
        Some(file) if !records.drainage_class.is_present() => {
            shared.soils_near(file, &archive.soil, field_extent, &utm, &mut cautions)?
        }
        _ => Vec::new(),
    };
    let wetness = match (&files.wetness, &archive.wetness) {
        (Some(grids), Some(settings)) => {
            let wetness = wetness::wetness(grids, settings, &utm, middle_x, middle_y)?;
            match wetness {
                None => cautions.add(Caution::WetnessMissing, "the grid holds no data at the field"),
                Some(wetness) if wetness.measure.is_none() => {
                    let code = settings.measure.code();
                    cautions.add(
                        Caution::WetnessMissing,
                        format!("`{code}` takes a normal above 10 mm and {LEAST_HISTORY} seasons of totals"),
                    );
                }
                Some(_) => {}
            }
            wetness
        }
        _ => None,
    };
    let wetness_mm = wetness.map(|wetness| wetness.departure_mm);
    let wetness_measure = wetness.and_then(|wetness| wetness.measure);
    let surface = files.dem.as_ref().map(|file| terrain::surface(file, field_extent, &utm)).transpose()?.flatten();
    if files.dem.is_some() && surface.is_none() {
        cautions.add(Caution::SoilIncomplete, "the elevation model does not reach the field");
    }
    let tickets = files.tickets.as_ref().map(tickets::read).transpose()?.unwrap_or_default();
    note_channels(&records, field, &mut cautions);
    Ok(Ingested {
        records: records.into(),
        boundary,
        strips,
        soils,
        wetness_mm,
        wetness_measure,
        surface,
        tickets,
        row_spacing_m: field.row_spacing_m,
        cautions,
    })
}

fn parts<'s>(
    files: &SiteYearFiles,
    field: &'s FieldSettings,
    archive: &ArchiveSettings,
) -> Result<Vec<assemble::Part<'s>>, IngestError> {
    let bushel = archive.crops[&field.crop].bushel();
    let mut parts = Vec::new();
    for (harvest, files) in field.harvest.iter().zip(&files.harvest) {
        for file in files {
            let wanted = channels::wanted(harvest);
            let table = readers::read(&file.name, &file.path, &wanted)?;
            if table.rows == 0 {
                return Err(IngestError::Empty { file: file.name.clone(), what: "records" });
            }
            let crs = file_crs(&file.name, table.crs.as_ref(), harvest)?;
            let channels = channels::channels(&file.name, table, harvest, bushel)?;
            parts.push(assemble::Part { file: file.name.clone(), crs, harvest, channels });
        }
    }
    Ok(parts)
}

fn file_crs(file: &str, own: Option<&Crs>, harvest: &HarvestSettings) -> Result<Crs, IngestError> {
    match (own, &harvest.crs) {
        (Some(crs), _) => Ok(crs.clone()),
        (None, Some(code)) => {
            Crs::parse(code).map_err(|error| IngestError::Crs { file: file.to_owned(), reason: error.to_string() })
        }
        (None, None) => Err(IngestError::NoCrs { file: file.to_owned(), detail: "" }),
    }
}

fn usable_extent(x: &[f64], y: &[f64]) -> assemble::Extent {
    let least = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    [least(x), least(y), most(x), most(y)]
}

/// Degrees read as metres leave a whole field within a metre.
fn refuse_a_speck(file: &str, [west, south, east, north]: assemble::Extent, rows: usize) -> Result<(), IngestError> {
    const SMALLEST_M: f64 = 1.0;
    const FEW: usize = 10;
    if rows >= FEW && east - west < SMALLEST_M && north - south < SMALLEST_M {
        return Err(IngestError::Place {
            file: file.to_owned(),
            reason: format!("all {rows} records lie within a metre; is `crs` that of the numbers in the file?"),
        });
    }
    Ok(())
}

fn note_channels(records: &crate::points::Records, field: &FieldSettings, cautions: &mut Cautions) {
    let channels = records.channels;
    if !channels.time {
        cautions.add(Caution::TimeMissing, "");
    }
    if !channels.moisture {
        cautions.add(Caution::MoistureAssumed, "");
    }
    if !channels.speed && !channels.distance {
        cautions.add(Caution::SpeedDerived, "");
    }
    if !channels.header {
        cautions.add(Caution::HeaderMissing, "");
    }
    if field.tickets.is_none() {
        cautions.add(Caution::Uncalibrated, "");
    }
}

/// What stands in one data file, for `inspect`.
#[derive(Debug, Clone, PartialEq)]
pub struct FileSummary {
    /// The format's name.
    pub format: &'static str,
    /// The names of its columns.
    pub columns: Vec<String>,
    /// Its rows.
    pub rows: usize,
    /// `[west, south, east, north]` of its own geometry, in its own reference system.
    pub extent: Option<[f64; 4]>,
    /// Its own reference system.
    pub crs: Option<String>,
}

/// Looks into one data file without knowing what its columns mean.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub fn summarise(name: &str, path: &Path) -> Result<FileSummary, IngestError> {
    let columns = readers::columns(name, path)?;
    let format = readers::Format::of(path);
    let read = |shapes| readers::read(name, path, &readers::Wanted { shapes, ..readers::Wanted::default() });
    let has_geometry = format.is_some_and(readers::Format::has_geometry);
    let (table, extent) = if has_geometry {
        match read(readers::Shapes::Points) {
            Ok(table) => {
                let extent = table.positions.as_ref().map(|(x, y)| usable_extent(x, y));
                (table, extent)
            }
            Err(_) => {
                let table = read(readers::Shapes::Polygons)?;
                let extent = assemble::extent(table.polygons.iter().filter_map(geo::BoundingRect::bounding_rect));
                (table, extent)
            }
        }
    } else {
        (read(readers::Shapes::Ignored)?, None)
    };
    Ok(FileSummary {
        format: format.map_or("", readers::Format::name),
        columns,
        rows: table.rows,
        extent: extent.filter(|extent| extent.iter().all(|value| value.is_finite())),
        crs: table.crs.as_ref().map(|crs| crs.name().to_owned()),
    })
}
