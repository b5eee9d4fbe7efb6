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
mod files;
mod filter;
mod ground;
mod layers;
mod look;
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

pub(crate) use channels::{epoch_s, header_state};
pub(crate) use clocks::LONGEST_STEP_S;
pub use covariates::CovariateFiles;
pub use error::IngestError;
pub use files::SiteYearFiles;
pub use ground::{ground, wetness_at};
use layers::reference_system;
pub use layers::{InputFile, SharedLayers};
pub use look::{MOST_DISTINCT, summarise};
pub(crate) use look::{
    companions, data_file, is_table, is_task_data, numbers_of, read_columns, read_table, read_units,
};
pub(crate) use readers::{Shapes, TIME, Table, TextColumn, Wanted, members, number_or_comma};
pub(crate) use standard::standard_columns;
pub(crate) use stations::{LEAST_YEARS, StationSight, is_station_date, look as look_at_stations};
pub(crate) use survey::{MAP_UNIT_KEY, holds_components};
pub use wetness::{LEAST_HISTORY, SeasonGrids, window_months};
pub(crate) use wetness::{departures, recorded_unit, station_years};

use chrono::DateTime;
use geo::{BoundingRect, MultiPolygon};

use crate::config::{ArchiveSettings, FieldSettings, HarvestSettings, PositionColumns, PrecipitationGrids};
use crate::consistency::{self, Configured};
use crate::geometry::{Crs, Projector};
use crate::points::{Caution, Cautions, Ingested, Records, StripGround};
use crate::stats::robust;

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 5;

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
    let field_extent = assemble::extent_of_points(&xs, &ys);
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
        let why = format!("`{code}` needs a normal above 10 mm and {LEAST_HISTORY} seasons of totals");
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
        "{file}: column `{}`: all {count} records carry one time{stamp}; expected times that increase; without a `time` column in field.toml the order of the rows is used",
        column.name
    )))
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
