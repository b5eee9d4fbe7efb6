//! Precipitation at a field against normal, from the same cell of the same grids.
//!
//! A cell is an areal mean, so a field has one value: that of the nearest cell at the middle of its records. Monthly grids
//! are prorated by day where a window about planting begins or ends within a month: rain is taken to fall evenly over it.

use chrono::{Datelike, Days, NaiveDate};

use super::IngestError;
use super::layers::InputFile;
use super::stations;
use crate::config::{
    PrecipitationGrids, StationSettings, WetnessMeasure, WetnessSettings, holds_months, unit_of_depth,
};
use crate::geometry::{Crs, CrsError, Projector};
use crate::quantity::factor::M_PER_IN;
use crate::raster::{Affine, Ask, Month, RasterError, RasterFile, Sampler};
use crate::stats::PrecipitationIndex;

/// Normals below this are too small to divide by, mm (common practice, no source).
const LEAST_NORMAL_MM: f64 = 10.0;
/// Fewest seasons for a standardised index: WMO-No. 1090, Standardized Precipitation Index User Guide, section 4, asks for
/// at least 20 to 30 years.
pub const LEAST_HISTORY: usize = 30;

/// Calendar year and month, and the share of it that counts.
type Months = Vec<(i32, u32, f64)>;

/// The grids of one season, one entry a month (a single entry for a seasonal departure).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SeasonGrids {
    /// Totals, or departures.
    pub totals: Vec<InputFile>,
    /// Normals; empty for departures.
    pub normals: Vec<InputFile>,
    /// Calendar year and month of each, and the share of the month that counts; empty for a seasonal departure.
    pub months: Months,
    /// Totals of all seasons of the archive, with their months, where an index is made of them.
    pub history: Vec<(Vec<InputFile>, Months)>,
}

impl SeasonGrids {
    /// Whether files that hold many months hold those of this season, too.
    pub(crate) fn are_there(&self) -> bool {
        let is_other = |(file, &(year, month, _)): (&InputFile, &(i32, u32, f64))| {
            let month = Some(Month { year: Some(year), month });
            holds_months(&file.name)
                && matches!(
                    RasterFile::open_with(&file.path, Ask { month, ..Ask::default() }),
                    Err(RasterError::OtherMonth { .. })
                )
        };
        !self.totals.iter().zip(&self.months).any(is_other)
    }
}

/// Calendar months that a window of days from planting touches, with the share of each: `(year, month, share)`.
pub fn window_months(planted: NaiveDate, (first, end): (i32, i32)) -> Vec<(i32, u32, f64)> {
    let moved = |days: i32| {
        let by = Days::new(u64::from(days.unsigned_abs()));
        if days < 0 { planted.checked_sub_days(by) } else { planted.checked_add_days(by) }
    };
    let (Some(mut day), Some(end)) = (moved(first), moved(end)) else { return Vec::new() };
    let mut months: Vec<(i32, u32, f64)> = Vec::new();
    while day < end {
        let share = 1.0 / f64::from(day.num_days_in_month());
        match months.last_mut() {
            Some(last) if (last.0, last.1) == (day.year(), day.month()) => last.2 += share,
            _ => months.push((day.year(), day.month(), share)),
        }
        let Some(next) = day.succ_opt() else { break };
        day = next;
    }
    months
}

/// The wetness of a season at a place.
#[derive(Debug, Clone, PartialEq)]
pub struct Wetness {
    /// Departure from normal, mm.
    pub departure_mm: f64,
    /// The measure that the classes are made of; absent where it is not known.
    pub measure: Option<f64>,
    /// Normal over the months as they count, mm; 0 where departures are given.
    pub normal_mm: f64,
    /// Name and distance (km) of the weather station, where the precipitation is that of one.
    pub station: Option<(String, f64)>,
}

/// A month of 1,000 mm is rain that no field is farmed in; one of 12 mm is that of a desert, or of inches read as millimetres
/// (common practice, no source).
const MONTH_MM: std::ops::RangeInclusive<f64> = 12.0..=1_000.0;
/// Months that the other unit must come to.
const USUAL_MONTH_MM: std::ops::RangeInclusive<f64> = 20.0..=400.0;

/// Whether the grids' unit can be right: `Ok(Some(doubt))`, or the fault where another unit fits and this one cannot.
pub(super) fn doubt(
    wetness: &Wetness,
    grids: &SeasonGrids,
    settings: &WetnessSettings,
) -> Result<Option<String>, IngestError> {
    let months: f64 = grids.months.iter().map(|month| month.2).sum();
    let month_mm = wetness.normal_mm / months;
    let is_other_unit = ![1.0, MM_PER_IN].iter().any(|known| (settings.mm_per_unit - known).abs() < 1e-9);
    if (grids.normals.is_empty() && wetness.station.is_none())
        || is_other_unit
        || MONTH_MM.contains(&month_mm)
        || !month_mm.is_finite()
    {
        return Ok(None);
    }
    let (unit, other, factor) =
        if settings.mm_per_unit > 1.0 { ("in", "mm", 1.0 / MM_PER_IN) } else { ("mm", "in", MM_PER_IN) };
    if !USUAL_MONTH_MM.contains(&(month_mm * factor)) {
        return Ok(None);
    }
    let says = format!(
        "wetness.unit: read in {unit} the normal of a month is {month_mm:.1} mm; {other} would give {:.0} mm",
        month_mm * factor
    );
    if month_mm > *MONTH_MM.end() {
        return Err(IngestError::Contradiction(format!("archive.toml: {says}: unit = \"{other}\" fits")));
    }
    Ok(Some(says))
}

const MM_PER_IN: f64 = M_PER_IN * 1_000.0;

/// The wetness at a place in the given reference system; `None` where a grid holds no data.
pub(super) fn wetness(
    grids: &SeasonGrids,
    settings: &WetnessSettings,
    most_bytes: u64,
    crs: &Crs,
    (x, y): (f64, f64),
) -> Result<Option<Wetness>, IngestError> {
    if let PrecipitationGrids::Stations(stations) = &settings.grids {
        return of_station(grids, settings, stations, most_bytes, crs, (x, y));
    }
    // Differences of grids need the same cells in all of them.
    let mut first: Option<(String, Lie)> = None;
    let mut sum =
        |files: &[InputFile], months: &[(i32, u32, f64)], every_year: bool| -> Result<Option<f64>, IngestError> {
            let mut sum = 0.0;
            for (at, file) in files.iter().enumerate() {
                let month = months.get(at);
                let asked = month.map(|&(year, month, _)| Month { year: (!every_year).then_some(year), month });
                let ask = Ask { month: asked, must_tell: is_repeated(files, file), most_bytes, ..Ask::default() };
                let (value, lie) = sample(file, ask, settings, crs, (x, y))?;
                match &first {
                    Some((other, known)) if !known.is_same(&lie) => {
                        return Err(IngestError::Contradiction(format!(
                            "{}: lies on another grid ({lie}) than {} ({known}); write both on one grid",
                            file.name, other
                        )));
                    }
                    Some(_) => {}
                    None => first = Some((file.name.clone(), lie)),
                }
                match value {
                    Some(value) => sum += month.map_or(1.0, |month| month.2) * value,
                    None => return Ok(None),
                }
            }
            Ok(Some(sum * settings.mm_per_unit))
        };
    let total = sum(&grids.totals, &grids.months, false)?;
    let normal = sum(&grids.normals, &grids.months, true)?;
    let (Some(total), Some(normal)) = (total, normal) else { return Ok(None) };
    let mut history = Vec::new();
    if settings.measure == WetnessMeasure::Spi {
        for (files, months) in &grids.history {
            history.extend(sum(files, months, false)?);
        }
    }
    let (departure_mm, measure) = (total - normal, measure(settings.measure, total, normal, &history));
    Ok(Some(Wetness { departure_mm, measure, normal_mm: normal, station: None }))
}

/// Whether several months are asked of one file.
fn is_repeated(files: &[InputFile], file: &InputFile) -> bool {
    files.iter().filter(|one| one.path == file.path).count() > 1
}

/// The measure that the classes are made of, from total, normal and the totals of all seasons in mm.
fn measure(measure: WetnessMeasure, total: f64, normal: f64, history: &[f64]) -> Option<f64> {
    match measure {
        WetnessMeasure::Departure => Some(total - normal),
        WetnessMeasure::Percent => (normal > LEAST_NORMAL_MM).then(|| 100.0 * total / normal),
        WetnessMeasure::Spi if history.len() < LEAST_HISTORY => None,
        WetnessMeasure::Spi => PrecipitationIndex::fit(history).ok().map(|index| index.of(total)),
    }
}

/// The wetness by the nearest station that can tell it.
fn of_station(
    grids: &SeasonGrids,
    settings: &WetnessSettings,
    stations: &StationSettings,
    most_bytes: u64,
    crs: &Crs,
    (x, y): (f64, f64),
) -> Result<Option<Wetness>, IngestError> {
    let fault = |error: CrsError| IngestError::Contradiction(error.to_string());
    let place = Projector::new(crs, &Crs::wgs84()).and_then(|to| to.convert_point(x, y)).map_err(fault)?;
    let all = stations::read(&grids.totals, stations, most_bytes)?;
    let Some(sums) = place.and_then(|place| stations::sums(&all, &grids.months, stations, place)) else {
        return Ok(None);
    };
    let mm = |value: f64| value * settings.mm_per_unit;
    let history: Vec<f64> = sums.history.iter().map(|&total| mm(total)).collect();
    let (total, normal_mm) = (mm(sums.total), mm(sums.normal));
    let measure = measure(settings.measure, total, normal_mm, &history);
    let station = Some((sums.station, sums.distance_km));
    Ok(Some(Wetness { departure_mm: total - normal_mm, measure, normal_mm, station }))
}

/// The years for which the tables of stations hold the same months as those of a season.
pub(crate) fn station_years(grids: &SeasonGrids, settings: &StationSettings) -> Vec<i32> {
    let most_bytes = crate::config::ReadSettings::default().most_unpacked_bytes;
    let all = stations::read(&grids.totals, settings, most_bytes).unwrap_or_default();
    stations::years(&all, &grids.months).into_iter().collect()
}

/// The departure at many places (degrees), mm; NaN where a grid holds no data. A season whose grids cannot be read has none.
pub fn departures(grids: &SeasonGrids, settings: &WetnessSettings, places_deg: &[(f64, f64)]) -> Option<Vec<f64>> {
    if let PrecipitationGrids::Stations(stations) = &settings.grids {
        let most_bytes = crate::config::ReadSettings::default().most_unpacked_bytes;
        let all = stations::read(&grids.totals, stations, most_bytes).ok()?;
        let at = |&place: &(f64, f64)| {
            let sums = stations::sums(&all, &grids.months, stations, place);
            sums.map_or(f64::NAN, |sums| settings.mm_per_unit * (sums.total - sums.normal))
        };
        return Some(places_deg.iter().map(at).collect());
    }
    let mut sums = vec![0.0; places_deg.len()];
    for (files, sign) in [(&grids.totals, 1.0), (&grids.normals, -1.0)] {
        for (at, file) in files.iter().enumerate() {
            let month = grids.months.get(at);
            let factor = sign * settings.mm_per_unit * month.map_or(1.0, |month| month.2);
            let asked = month.map(|&(year, month, _)| Month { year: (sign > 0.0).then_some(year), month });
            let ask = Ask { month: asked, must_tell: is_repeated(files, file), ..Ask::default() };
            let raster = RasterFile::open_with(&file.path, ask).ok()?;
            let mut sampler = Sampler::new(raster, &Crs::wgs84()).ok()?;
            for (sum, &(longitude_deg, latitude_deg)) in sums.iter_mut().zip(places_deg) {
                *sum += factor * sampler.nearest(longitude_deg, latitude_deg).ok()?.unwrap_or(f64::NAN);
            }
        }
    }
    Some(sums)
}

/// Where the cells of a grid lie.
#[derive(Debug, Clone)]
struct Lie {
    size: (u32, u32),
    transform: Affine,
    crs: String,
}

impl Lie {
    /// Whether cells lie on cells; files of one grid differ in the last digits of its corner.
    fn is_same(&self, other: &Self) -> bool {
        let (width, height) = (f64::from(self.size.0), f64::from(self.size.1));
        let near = |(x, y): (f64, f64)| {
            let there = other.transform.to_cell(self.transform.to_plane(x, y).0, self.transform.to_plane(x, y).1);
            (there.0 - x).abs() < 0.01 && (there.1 - y).abs() < 0.01
        };
        self.size == other.size && self.crs == other.crs && near((0.0, 0.0)) && near((width, height))
    }
}

impl std::fmt::Display for Lie {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let ((width, height), (x, y)) = (self.size, self.transform.to_plane(0.0, 0.0));
        write!(f, "{width} × {height} cells from {x}, {y} in {}", self.crs)
    }
}

/// Millimetres in one unit of a recorded unit's text, by the spelling of CF (UDUNITS) and common ones; `None` where it is no depth
/// of rain. A kilogram of water on a square metre is a millimetre deep.
fn recorded_mm(unit: &str) -> Option<f64> {
    let folded = unit.trim().to_lowercase().replace("**", "").replace('^', "");
    // a depth of each month is what the grid of a month holds
    let depth = ["/month", " month-1", " mo-1", "/mo", " per month"]
        .iter()
        .find_map(|end| folded.strip_suffix(end))
        .unwrap_or(&folded);
    match depth.trim() {
        "mm" | "millimeter" | "millimeters" | "millimetre" | "millimetres" | "kg m-2" | "kg/m2" | "kg.m-2" => Some(1.0),
        "cm" | "centimeter" | "centimeters" | "centimetre" | "centimetres" => Some(10.0),
        "m" | "meter" | "meters" | "metre" | "metres" => Some(1_000.0),
        "in" | "inch" | "inches" => Some(MM_PER_IN),
        _ => None,
    }
}

/// The unit of the settings that a recorded one is.
pub(crate) fn recorded_unit(unit: &str) -> Option<&'static str> {
    recorded_mm(unit).map(unit_of_depth)
}

/// Refuses a grid whose recorded unit is another than that of the settings.
fn refuse_other_unit(file: &str, recorded: Option<&str>, settings: &WetnessSettings) -> Result<(), IngestError> {
    let Some(recorded) = recorded else { return Ok(()) };
    let configured = unit_of_depth(settings.mm_per_unit);
    match recorded_mm(recorded) {
        Some(mm) if (mm - settings.mm_per_unit).abs() < 1e-9 => Ok(()),
        Some(mm) => Err(IngestError::Contradiction(format!(
            "{file}: records its values in `{recorded}`, wetness.unit says {configured}; write unit = \"{}\"",
            unit_of_depth(mm)
        ))),
        None => Err(IngestError::Contradiction(format!(
            "{file}: records its values in `{recorded}`, wetness.unit says {configured}; expected depths of rain in mm, cm, m or in"
        ))),
    }
}

/// The value of a grid at a place, and where the grid lies.
fn sample(
    file: &InputFile,
    ask: Ask,
    settings: &WetnessSettings,
    utm: &Crs,
    (x_m, y_m): (f64, f64),
) -> Result<(Option<f64>, Lie), IngestError> {
    let fault = |error: &dyn std::fmt::Display| file.damaged_grid(error);
    if !crate::bundle::on_disk(&file.path).0.is_file() {
        return Err(IngestError::NoFile { pattern: file.name.clone() });
    }
    let raster = RasterFile::open_with(&file.path, ask).map_err(|error| fault(&error))?;
    refuse_other_unit(&file.name, raster.unit(), settings)?;
    let crs = raster.crs().ok_or_else(|| no_crs(file))?.name().to_owned();
    let lie = Lie { size: (raster.width(), raster.height()), transform: raster.transform(), crs };
    let mut sampler = Sampler::new(raster, utm).map_err(|error| fault(&error))?;
    Ok((sampler.nearest(x_m, y_m).map_err(|error| fault(&error))?, lie))
}

/// A raster that does not say where on Earth it is.
pub(super) fn no_crs(file: &InputFile) -> IngestError {
    IngestError::crs(
        &file.name,
        "carries no coordinate reference system; expected a GeoTIFF or NetCDF that names one, or a .prj beside it",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: planted on 20 April, 0 to 60 days: 11 of 30 days of April, May, and 18 of 30 days of June.
    #[test]
    fn a_window_takes_months_by_their_days() {
        let months = window_months(NaiveDate::from_ymd_opt(2023, 4, 20).unwrap(), (0, 60));
        let expected = [(2023, 4, 11.0 / 30.0), (2023, 5, 1.0), (2023, 6, 18.0 / 30.0)];
        assert_eq!(months.len(), 3);
        for (found, expected) in months.iter().zip(expected) {
            assert_eq!((found.0, found.1), (expected.0, expected.1));
            assert!((found.2 - expected.2).abs() < 1e-12);
        }
        // before planting, over the turn of the year, and through a leap February
        let winter = window_months(NaiveDate::from_ymd_opt(2024, 1, 10).unwrap(), (-30, 60));
        let names: Vec<(i32, u32)> = winter.iter().map(|one| (one.0, one.1)).collect();
        assert_eq!(names, [(2023, 12), (2024, 1), (2024, 2), (2024, 3)]);
        assert!((winter[2].2 - 1.0).abs() < 1e-12);
        let days: f64 = 31.0 * winter[0].2 + 31.0 * winter[1].2 + 29.0 * winter[2].2 + 31.0 * winter[3].2;
        assert!((days - 90.0).abs() < 1e-9);
    }
}
