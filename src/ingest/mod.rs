//! Ingest: files → [`Ingested`] (SI units, UTM metres, one row a record).
//!
//! Decides: format, columns, units, coordinate reference system, time. It is the one stage that reads files; all later
//! stages are pure functions of what it delivers.

mod applied;
mod assemble;
mod channels;
mod clocks;
mod covariates;
mod error;
mod filter;
mod ground;
mod layers;
mod observed;
mod photos;
mod readers;
mod spacing;
mod standard;
mod stations;
mod survey;
mod terrain;
mod tickets;
mod wetness;

use std::collections::BTreeMap;
use std::path::Path;

pub use covariates::CovariateFiles;
pub use error::IngestError;
pub use ground::{ground, wetness_at};
use layers::reference_system;
pub use layers::{InputFile, SharedLayers};
pub(crate) use readers::{Shapes, Table, TextColumn, Wanted};
pub use wetness::{LEAST_HISTORY, SeasonGrids, window_months};
pub(crate) use wetness::{departures, recorded_unit, station_years};

use chrono::DateTime;
use geo::{BoundingRect, MultiPolygon};

use crate::bundle;
use crate::config::{
    ArchiveSettings, FieldSettings, HarvestSettings, PositionColumns, PrecipitationGrids, ReadSettings,
};
use crate::consistency::{self, Configured};
use crate::geometry::{Crs, Projector};
use crate::points::{Caution, Cautions, Ingested, Records, StripGround};
use crate::stats::robust;

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 5;

/// Every file of a site-year, found and named.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SiteYearFiles {
    /// The harvest files by entry, sorted by name.
    pub harvest: Vec<Vec<InputFile>>,
    /// The boundary layer.
    pub boundary: Option<InputFile>,
    /// The strip layer.
    pub strips: Option<InputFile>,
    /// The soil layers of the archive.
    pub soils: Vec<InputFile>,
    /// The tables of the components of its map units.
    pub soil_components: Vec<InputFile>,
    /// The elevation model of the archive.
    pub dem: Option<InputFile>,
    /// The scale tickets.
    pub tickets: Option<InputFile>,
    /// The precipitation grids of the season.
    pub wetness: Option<SeasonGrids>,
    /// The logs of what was put down, by entry, sorted by name.
    pub applied: Vec<Vec<InputFile>>,
    /// The tables of counts and ratings, by entry, sorted by name.
    pub observed: Vec<Vec<InputFile>>,
    /// The photographs that they name, by table and cell.
    pub photos: BTreeMap<(String, String), InputFile>,
    /// The layers of the covariates, by entry of the resolved settings.
    pub covariates: Vec<CovariateFiles>,
}

impl SiteYearFiles {
    /// The site-year's own files, with the parts of shapefiles, sorted by name.
    pub fn own(&self) -> Vec<InputFile> {
        let single = [&self.boundary, &self.strips, &self.tickets];
        with_parts(
            self.harvest
                .iter()
                .chain(&self.applied)
                .chain(&self.observed)
                .chain(self.covariates.iter().filter(|one| !one.of_archive).map(|one| &one.files))
                .flatten()
                .chain(self.photos.values())
                .chain(single.into_iter().flatten()),
        )
    }

    /// The archive's files that the site-year's result depends on, with the parts of shapefiles, sorted by name.
    pub fn of_archive(&self) -> Vec<InputFile> {
        let layers = self.soils.iter().chain(&self.soil_components).chain(&self.dem);
        let grids = self.wetness.iter().flat_map(|grids| {
            let history = grids.history.iter().flat_map(|(files, _)| files);
            grids.totals.iter().chain(&grids.normals).chain(history)
        });
        let covariates = self.covariates.iter().filter(|one| one.of_archive).flat_map(|one| &one.files);
        with_parts(layers.chain(grids).chain(covariates))
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
        // what lies in a .zip or a layer of a GeoPackage changes with the whole
        let (path, member) = bundle::on_disk(&file.path);
        if let Some(member) = member {
            let name = file.name.strip_suffix(&member).unwrap_or(&file.name).trim_end_matches('/').to_owned();
            all.push(InputFile { name, path });
            continue;
        }
        for path in readers::companions(&file.path) {
            let own = path.file_name().map(|found| found.to_string_lossy().into_owned());
            let name = Path::new(&file.name).with_file_name(own.unwrap_or_default());
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
    let field = &*standard::resolved(files, field, archive.read.most_unpacked_bytes)?;
    let (mut cautions, crop) = (Cautions::default(), &archive.crops[&field.crop]);

    let boundary_layer =
        files.boundary.as_ref().map(|file| layers::Layer::of_boundary(file, field, archive.read)).transpose()?;
    let strip_layer = match (&files.strips, &field.strips) {
        (Some(file), Some(settings)) => {
            Some(layers::Layer::read(file, &layers::strip_attributes(settings), settings.crs.as_deref(), archive.read)?)
        }
        _ => None,
    };
    let extents = [&strip_layer, &boundary_layer];
    let extent = extents.into_iter().flatten().find_map(layers::Layer::extent_degrees);

    let mut parts = parts(files, field, archive, boundary_layer.as_ref())?;
    let epsg = assemble::utm_zone(&parts, extent)?;
    let utm = Crs::from_epsg(epsg).map_err(|error| IngestError::Contradiction(error.to_string()))?;
    let (entry_of, header_numbers) = entries_of(&mut parts, field.harvest.len());
    let first_file = parts.first().map(|part| part.file.clone()).unwrap_or_default();
    let records = assemble::records(parts, epsg, crop, archive, &mut cautions)?;

    let (x, y) = (&records.x_m, &records.y_m);
    let usable = |values: &[f64]| values.iter().copied().filter(|value| value.is_finite()).collect::<Vec<_>>();
    let (mut xs, mut ys) = (usable(x), usable(y));
    let field_extent = usable_extent(&xs, &ys);
    refuse_a_speck(&first_file, field_extent, records.len())?;
    let (Ok(middle_x), Ok(middle_y)) = (robust::median_in_place(&mut xs), robust::median_in_place(&mut ys)) else {
        return Err(IngestError::misplaced(&first_file, "no record has a position"));
    };

    let boundary = boundary_layer.as_ref().map(|layer| layers::boundary(layer, &utm, &mut cautions)).transpose()?;
    let strips = match (&strip_layer, &field.strips) {
        (Some(layer), Some(settings)) => layers::strips(layer, settings, archive, &utm, &mut cautions)?,
        _ => Vec::new(),
    };
    let soils = if records.drainage_class.is_present() {
        Vec::new()
    } else {
        shared.soils_near(files, archive, field_extent, &utm, &mut cautions)?
    };
    // wetness is that of the field: a file may hold records of other fields, too
    let (middle_x, middle_y) = middle_of(boundary.as_ref(), &strips).unwrap_or((middle_x, middle_y));
    let wetness = wetness_at_field(files, archive, &utm, (middle_x, middle_y), &mut cautions)?;
    let wetness_mm = wetness.as_ref().map(|wetness| wetness.departure_mm);
    let wetness_measure = wetness.as_ref().and_then(|wetness| wetness.measure);
    let surface = files.dem.as_ref().map(|file| terrain::surface(file, field_extent, &utm));
    let surface = surface.transpose().map_err(|fault| fault.of_archive("soil.dem"))?.flatten();
    if files.dem.is_some() && surface.is_none() {
        cautions.add(Caution::SoilIncomplete, "the elevation model does not reach the field");
    }
    let tickets = files.tickets.as_ref().map(|file| tickets::read(file, archive.read)).transpose()?.unwrap_or_default();
    note_channels(&records, field, &mut cautions);
    let logs = applied::logs(files, field, archive, (boundary_layer.as_ref(), &utm), &records, &mut cautions)?;
    let entries: Vec<usize> = records.files.iter().map(|file| entry_of.get(file).copied().unwrap_or(0)).collect();
    check_settings(
        &Configured {
            records: &records,
            field,
            crop,
            entry_of_file: &entries,
            header_numbers: &header_numbers,
            tickets: &tickets,
            middle_deg: Projector::new(&utm, &Crs::wgs84())
                .and_then(|to| to.convert_point(middle_x, middle_y))
                .ok()
                .flatten(),
        },
        &mut cautions,
    )?;
    note_extent(&records, &mut cautions);
    let observed = observed::measures(files, field, archive, &utm, (boundary.as_ref(), &strips))?;
    let covariates = covariates::covariates(files, field, archive, shared, (&utm, field_extent), &mut cautions)?;
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
        logs,
        applied: None,
        observed,
        covariates,
        cautions,
    })
}

/// The wetness at a place (UTM metres), with what must be known before it is believed.
fn wetness_at_field(
    files: &SiteYearFiles,
    archive: &ArchiveSettings,
    utm: &Crs,
    place: (f64, f64),
    cautions: &mut Cautions,
) -> Result<Option<wetness::Wetness>, IngestError> {
    let (Some(grids), Some(settings)) = (&files.wetness, &archive.wetness) else { return Ok(None) };
    let wetness = wetness::wetness(grids, settings, archive.read.most_unpacked_bytes, utm, place)
        .map_err(|fault| fault.of_archive("wetness"))?;
    let Some(found) = &wetness else {
        let least = LEAST_YEARS;
        let by_stations = matches!(settings.grids, PrecipitationGrids::Stations(_));
        let of_stations = format!("no station has the months and {least} years of them");
        let why = if by_stations { of_stations } else { "the grid holds no data at the field".to_owned() };
        cautions.add(Caution::WetnessMissing, why);
        return Ok(None);
    };
    if found.measure.is_none() {
        let code = settings.measure.code();
        let why = format!("`{code}` takes a normal above 10 mm and {LEAST_HISTORY} seasons of totals");
        cautions.add(Caution::WetnessMissing, why);
    }
    if let Some(doubt) = wetness::doubt(found, grids, settings)? {
        cautions.add(Caution::UnitsDoubtful, doubt);
    }
    if let Some((station, km)) = found.station.as_ref().filter(|(_, km)| *km > stations::FAR_KM) {
        cautions.add(Caution::StationFar, format!("{station}: {km:.0} km"));
    }
    Ok(wetness)
}

/// The middle of the strips, or of the boundary where there are none, UTM metres.
fn middle_of(boundary: Option<&MultiPolygon<f64>>, strips: &[StripGround]) -> Option<(f64, f64)> {
    let rects = strips.iter().filter_map(|strip| strip.ground.bounding_rect());
    let [west, south, east, north] =
        assemble::extent(rects).or_else(|| assemble::extent(boundary.and_then(BoundingRect::bounding_rect)))?;
    Some((f64::midpoint(west, east), f64::midpoint(south, north)))
}

fn parts<'s>(
    files: &SiteYearFiles,
    field: &'s FieldSettings,
    archive: &ArchiveSettings,
    boundary: Option<&layers::Layer>,
) -> Result<Vec<assemble::Part<'s>>, IngestError> {
    let bushel = archive.crops[&field.crop].bushel();
    let mut parts = Vec::new();
    for (number, (harvest, files)) in field.harvest.iter().zip(&files.harvest).enumerate() {
        for file in files {
            let mut wanted = channels::wanted(harvest);
            wanted.most_unpacked_bytes = archive.read.most_unpacked_bytes;
            let table = readers::read(&file.name, &file.path, &wanted)?;
            if table.rows == 0 {
                return Err(IngestError::Empty { file: file.name.clone(), what: "records" });
            }
            let crs = reference_system(&file.name, table.crs.as_ref(), harvest.crs.as_deref(), "")?;
            refuse_other_positions(&file.name, &format!("harvest[{}]", number + 1), harvest, &crs)?;
            let labels = harvest.filter.as_ref().and_then(|filter| filter.labels.as_ref());
            let labels = labels.and_then(|(column, _)| table.texts.get(&column.name)).cloned();
            let mut channels = channels::channels(&file.name, table, harvest, bushel)?;
            filter::apply(&file.name, harvest, labels.as_ref(), &crs, boundary, &mut channels)?;
            refuse_one_time(&file.name, harvest, &channels)?;
            parts.push(assemble::Part { file: file.name.clone(), entry: number, crs, harvest, channels });
        }
    }
    Ok(parts)
}

/// Degrees are no metres: the columns of positions must fit the reference system.
fn refuse_other_positions(file: &str, entry: &str, harvest: &HarvestSettings, crs: &Crs) -> Result<(), IngestError> {
    let (found, expected) = match (&harvest.position, crs.is_geographic()) {
        (PositionColumns::LongitudeLatitude(..), false) => {
            ("longitude and latitude", "map easting and northing, or write `crs = \"EPSG:4326\"`")
        }
        (PositionColumns::EastingNorthing(..), true) => {
            ("easting and northing", "map longitude and latitude, or write the projected `crs`")
        }
        _ => return Ok(()),
    };
    let kind = if crs.is_geographic() { "geographic" } else { "projected" };
    Err(IngestError::Contradiction(format!(
        "field.toml: {entry}.columns: {found} are mapped, but the reference system of {file} is {kind} ({crs}); {expected}"
    )))
}

/// Fewest records of which all share a time by no chance.
const FEW: usize = 10;

/// A file in which time stands still tells no order and no speed.
fn refuse_one_time(
    file: &str,
    harvest: &HarvestSettings,
    channels: &channels::FileChannels,
) -> Result<(), IngestError> {
    let (Some(column), Some(times)) = (&harvest.time, &channels.time_s) else { return Ok(()) };
    let mut known = times.iter().filter(|time| time.is_finite());
    let Some(first) = known.next() else { return Ok(()) };
    let mut count = 1;
    for time in known {
        if (time - first).abs() > 0.0 {
            return Ok(());
        }
        count += 1;
    }
    if count < FEW {
        return Ok(());
    }
    let stamp = DateTime::from_timestamp(first.floor() as i64, 0)
        .map_or_else(String::new, |time| format!(" ({})", time.format("%Y-%m-%dT%H:%M:%SZ")));
    Err(IngestError::Contradiction(format!(
        "{file}: column `{}`: all {count} records carry one time{stamp}; expected times that go on; without a `time` column in field.toml the order of the rows is used",
        column.name
    )))
}

fn usable_extent(x: &[f64], y: &[f64]) -> assemble::Extent {
    let least = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    [least(x), least(y), most(x), most(y)]
}

/// Degrees read as metres leave a whole field within a metre.
fn refuse_a_speck(file: &str, [west, south, east, north]: assemble::Extent, rows: usize) -> Result<(), IngestError> {
    const SMALLEST_M: f64 = 1.0;
    if rows >= FEW && east - west < SMALLEST_M && north - south < SMALLEST_M {
        return Err(IngestError::misplaced(
            file,
            format_args!("all {rows} records lie within a metre; is `crs` that of the numbers in the file?"),
        ));
    }
    Ok(())
}

/// The entry of each file, and the numbers beyond a state in each entry's header column.
fn entries_of(parts: &mut [assemble::Part<'_>], entries: usize) -> (BTreeMap<String, usize>, Vec<Vec<i64>>) {
    let mut entry_of = BTreeMap::new();
    let mut header_numbers = vec![Vec::new(); entries];
    for part in parts {
        entry_of.insert(part.file.clone(), part.entry);
        let numbers: &mut Vec<i64> = &mut header_numbers[part.entry];
        numbers.append(&mut part.channels.header_numbers);
        numbers.sort_unstable();
        numbers.dedup();
    }
    (entry_of, header_numbers)
}

/// Fails where units, columns or dates contradict the records and something else fits; notes what is doubtful.
fn check_settings(of: &Configured<'_>, cautions: &mut Cautions) -> Result<(), IngestError> {
    let mut clear = Vec::new();
    for found in consistency::check(of) {
        match found.caution {
            Some(caution) => cautions.add(caution, found.text),
            None => clear.push(format!("field.toml: {}", found.text)),
        }
    }
    if clear.is_empty() { Ok(()) } else { Err(IngestError::Contradiction(clear.join("\n"))) }
}

/// A field that reaches farther is reported, m (common practice, no source).
const WIDEST_M: f64 = 5_000.0;

/// One field does not reach over kilometres; the outermost hundredth of the records may be strays.
fn note_extent(records: &Records, cautions: &mut Cautions) {
    let span = |values: &[f64]| {
        let mut known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
        let ends = (robust::quantile_in_place(&mut known, 0.01), robust::quantile_in_place(&mut known, 0.99));
        if let (Ok(low), Ok(high)) = ends { high - low } else { 0.0 }
    };
    let (east, north) = (span(&records.x_m), span(&records.y_m));
    if east.hypot(north) > WIDEST_M {
        let text =
            format!("{:.1} × {:.1} km; `where` under [[harvest]] picks the rows of one field", east / 1e3, north / 1e3);
        cautions.add(Caution::WideExtent, text);
    }
}

fn note_channels(records: &Records, field: &FieldSettings, cautions: &mut Cautions) {
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

/// The names of a data file's columns.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub(crate) fn read_columns(name: &str, path: &Path) -> Result<Vec<String>, IngestError> {
    readers::columns(name, path, ReadSettings::default().most_unpacked_bytes)
}

/// The wanted columns of a data file.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub(crate) fn read_table(name: &str, path: &Path, wanted: &Wanted) -> Result<Table, IngestError> {
    readers::read(name, path, wanted)
}

/// The columns of a data file that hold numbers only, in the order of its rows.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub(crate) fn numbers_of(name: &str, path: &Path) -> Result<Vec<(String, Vec<f64>)>, IngestError> {
    let names = read_columns(name, path)?;
    let once = |column: &&String| !column.is_empty() && names.iter().filter(|one| one == column).count() == 1;
    let texts: Vec<String> = names.iter().filter(once).cloned().collect();
    let table = readers::read(name, path, &Wanted { texts, ..Wanted::default() })?;
    let number = |text: Option<&str>| text.map_or(Some(f64::NAN), number_or_comma);
    let numbers = |column: &TextColumn| column.iter().map(number).collect::<Option<Vec<f64>>>();
    Ok(table.texts.iter().filter_map(|(name, column)| Some((name.clone(), numbers(column)?))).collect())
}

/// The units in a row below the header of a CSV file, one a column.
pub(crate) fn read_units(name: &str, path: &Path) -> Option<Vec<String>> {
    readers::units(name, path, ReadSettings::default().most_unpacked_bytes)
}

/// Whether a text is a header state: down, up, or none.
pub(crate) fn header_state(text: &str) -> Option<bool> {
    let folded = text.to_lowercase();
    if channels::CUTTING.contains(&folded.as_str()) {
        Some(true)
    } else if channels::RAISED.contains(&folded.as_str()) {
        Some(false)
    } else {
        None
    }
}

/// The file that stands for a path: itself, or that of a folder of task data.
pub(crate) fn data_file(path: &Path) -> Option<std::path::PathBuf> {
    if path.is_dir() { readers::main_file(path) } else { bundle::on_disk(path).0.is_file().then(|| path.to_path_buf()) }
}

/// The other files that belong to a file, those of a shapefile or of task data.
pub(crate) fn companions(path: &Path) -> Vec<std::path::PathBuf> {
    readers::companions(path)
}

pub(crate) use channels::epoch_s;
pub(crate) use clocks::LONGEST_STEP_S;
pub(crate) use readers::{TIME, members, number_or_comma};
pub(crate) use standard::standard_columns;
pub(crate) use stations::{LEAST_YEARS, StationSight, is_station_date, look as look_at_stations};
pub(crate) use survey::{MAP_UNIT_KEY, holds_components};

/// Whether a file is task data of ISO 11783-10.
pub(crate) fn is_task_data(path: &Path) -> bool {
    readers::Format::of(path).is_some_and(readers::Format::is_task_data)
}

/// Whether the format of a file is known by its name, and read.
pub(crate) fn is_table(path: &Path) -> bool {
    readers::Format::of(path).is_some()
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
    /// Least and greatest value of each column that holds numbers only.
    pub ranges: BTreeMap<String, [f64; 2]>,
    /// Share of empty cells and number of different values of each column, counted up to [`MOST_DISTINCT`].
    pub cells: BTreeMap<String, (f64, usize)>,
    /// `[west, south, east, north]` of its own geometry, or of columns that are called like positions, in its own reference
    /// system.
    pub extent: Option<[f64; 4]>,
    /// Its own reference system.
    pub crs: Option<String>,
    /// Whether its rows lie somewhere.
    pub is_place: bool,
}

/// Different values of a column that are counted.
pub const MOST_DISTINCT: usize = 1000;

/// Looks into one data file without knowing what its columns mean.
///
/// # Errors
/// [`IngestError`] when it cannot be read.
pub fn summarise(name: &str, path: &Path) -> Result<FileSummary, IngestError> {
    if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("dbf")) {
        let table = readers::attribute_table(name, path)?;
        let columns = table.texts.keys().cloned().collect();
        return Ok(summary("attribute table of a shapefile (dBASE)", columns, &table, None, false));
    }
    let limits = ReadSettings::default();
    let columns = readers::columns(name, path, limits.most_unpacked_bytes)?;
    let format = readers::Format::of(path);
    let is_once = |column: &&String| !column.is_empty() && columns.iter().filter(|one| one == column).count() == 1;
    let texts: Vec<String> = columns.iter().filter(is_once).cloned().collect();
    let wanted = |shapes, texts: &[String]| Wanted { shapes, texts: texts.to_vec(), ..Wanted::default() };
    // a column that holds neither numbers nor texts does no harm as long as nobody maps it
    let read = |shapes| {
        let all = readers::read(name, path, &wanted(shapes, &texts));
        all.or_else(|_| readers::read(name, path, &wanted(shapes, &[])))
    };
    let has_geometry = format.is_some_and(readers::Format::has_geometry);
    let (table, extent) = if has_geometry {
        match read(Shapes::Tracks) {
            Ok(table) => {
                let extent = match &table.positions {
                    Some((x, y)) => Some(usable_extent(x, y)),
                    None => assemble::extent(table.lines.iter().filter_map(BoundingRect::bounding_rect)),
                };
                (table, extent)
            }
            Err(_) => {
                let table = read(Shapes::Polygons)?;
                let extent = assemble::extent(table.polygons.iter().filter_map(BoundingRect::bounding_rect));
                (table, extent)
            }
        }
    } else {
        (read(Shapes::Ignored)?, None)
    };
    Ok(summary(format.map_or("", readers::Format::name), columns, &table, extent, true))
}

fn cells(column: &TextColumn) -> (f64, usize) {
    let missing = column.iter().filter(Option::is_none).count();
    let mut seen = std::collections::BTreeSet::new();
    for text in column.iter().flatten() {
        if seen.len() >= MOST_DISTINCT {
            break;
        }
        seen.insert(text);
    }
    (missing as f64 / column.len().max(1) as f64, seen.len())
}

fn summary(
    format: &'static str,
    columns: Vec<String>,
    table: &Table,
    extent: Option<[f64; 4]>,
    is_place: bool,
) -> FileSummary {
    let range = |column: &TextColumn| {
        let numbers: Option<Vec<f64>> = column.iter().flatten().map(number_or_comma).collect();
        let known = numbers?.into_iter().filter(|number: &f64| number.is_finite());
        known.fold(None, |range: Option<[f64; 2]>, number| {
            let [least, most] = range.unwrap_or([number, number]);
            Some([number.min(least), number.max(most)])
        })
    };
    let ranges: BTreeMap<String, [f64; 2]> =
        table.texts.iter().filter_map(|(name, column)| Some((name.clone(), range(column)?))).collect();
    let called = |names: &[&str]| {
        let mut found = ranges.iter().filter(|(name, _)| names.iter().any(|known| name.eq_ignore_ascii_case(known)));
        found.next().map(|(_, range)| *range)
    };
    let by_columns = || {
        let [west, east] = called(&["longitude", "lon", "long", "easting", "x"])?;
        let [south, north] = called(&["latitude", "lat", "northing", "y"])?;
        Some([west, south, east, north])
    };
    FileSummary {
        format,
        columns,
        rows: table.rows,
        extent: extent.or_else(by_columns).filter(|extent| extent.iter().all(|value| value.is_finite())),
        cells: table.texts.iter().map(|(name, column)| (name.clone(), cells(column))).collect(),
        ranges,
        crs: table.crs.as_ref().map(|crs| crs.name().to_owned()),
        is_place,
    }
}
