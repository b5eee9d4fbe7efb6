//! Precipitation by weather stations: tables of days or months, in place of grids. Total and normal are those of one station, the
//! nearest that has both.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use chrono::{Datelike, NaiveDate};

use super::IngestError;
use super::layers::InputFile;
use super::readers::{self, Shapes, Wanted};
use crate::config::{ReadSettings, StationSettings};

/// Fewest years of a month's normal: WMO-No. 1203, Guidelines on the Calculation of Climate Normals, asks for ten of a provisional
/// normal (from memory).
pub(crate) const LEAST_YEARS: usize = 10;

/// A station farther than this is reported, km: rain of summer storms differs within it (ours).
pub(super) const FAR_KM: f64 = 20.0;

/// Mean radius of the Earth, km (IUGG 1980).
const EARTH_KM: f64 = 6_371.0;

/// A station with its months that are known as a whole.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Station {
    pub(super) name: String,
    longitude: f64,
    latitude: f64,
    /// Precipitation by year and month, in the table's unit.
    months: BTreeMap<(i32, u32), f64>,
}

/// Sums of a season's months at a station, in the table's unit.
pub(super) struct Sums {
    pub(super) total: f64,
    pub(super) normal: f64,
    /// The same months of every year that has them.
    pub(super) history: Vec<f64>,
    pub(super) station: String,
    pub(super) distance_km: f64,
}

/// A day, or a month where `day` is none.
fn date(text: &str) -> Option<(i32, u32, Option<u32>)> {
    let day = |format: &str| {
        NaiveDate::parse_from_str(text, format).ok().map(|day| (day.year(), day.month(), Some(day.day())))
    };
    let month = || {
        let (year, month) = if text.len() == 6 { text.split_at_checked(4)? } else { text.split_once('-')? };
        let (year, month) = (year.parse::<i32>().ok()?, month.parse::<u32>().ok()?);
        ((1..=12).contains(&month) && (1_700..2_200).contains(&year)).then_some((year, month, None))
    };
    match text.len() {
        6 | 7 => month(),
        8 => day("%Y%m%d"),
        _ => day("%Y-%m-%d"),
    }
}

/// Reads the stations of all tables; one without a column of names holds one station, called as the file.
///
/// A month of days counts where all of its days are there: one that is missing may have been the wettest.
pub(super) fn read(
    files: &[InputFile],
    settings: &StationSettings,
    most_unpacked_bytes: u64,
) -> Result<Vec<Station>, IngestError> {
    type Months = BTreeMap<(i32, u32), BTreeMap<Option<u32>, f64>>;
    let mut found: BTreeMap<String, (f64, f64, Months)> = BTreeMap::new();
    for file in files {
        let columns = readers::columns(&file.name, &file.path, most_unpacked_bytes)?;
        let mut texts = vec![settings.date.clone()];
        texts.extend(settings.station.iter().filter(|name| settings.named || columns.contains(name)).cloned());
        let numbers = vec![settings.precipitation.clone(), settings.longitude.clone(), settings.latitude.clone()];
        let wanted = Wanted { shapes: Shapes::Ignored, numbers, texts: texts.clone(), most_unpacked_bytes };
        let table = readers::read(&file.name, &file.path, &wanted)?;
        for row in 0..table.rows {
            let cell = |column: &str, found: &str, expected: &str| {
                IngestError::cell(&file.name, row + 1, column, found, expected)
            };
            let text = table.texts[&settings.date].get(row).unwrap_or("");
            let (year, month, day) = date(text)
                .ok_or_else(|| cell(&settings.date, text, "a day such as 2023-05-04, or a month such as 2023-05"))?;
            let number = |column: &String| table.numbers[column][row];
            let (longitude, latitude) = (number(&settings.longitude), number(&settings.latitude));
            if !(longitude.abs() <= 180.0 && latitude.abs() <= 90.0) {
                let found = format!("{longitude}, {latitude}");
                return Err(cell(&settings.longitude, &found, "longitude and latitude of the station in degrees"));
            }
            let depth = number(&settings.precipitation);
            if depth < 0.0 {
                let expected = "a depth of rain; leave the cell empty where it is missing";
                return Err(cell(&settings.precipitation, &depth.to_string(), expected));
            }
            let own_name = texts.get(1).map(|column| table.texts[column].get(row).unwrap_or(""));
            let name = own_name.map_or_else(|| file.name.clone(), str::to_owned);
            let station = found.entry(name.clone()).or_insert_with(|| (longitude, latitude, Months::new()));
            if (station.0 - longitude).abs() > 0.01 || (station.1 - latitude).abs() > 0.01 {
                return Err(cell(&settings.longitude, &longitude.to_string(), "one place for all rows of a station"));
            }
            let days = station.2.entry((year, month)).or_default();
            if days.insert(day, depth).is_some() || (days.len() > 1 && days.contains_key(&None)) {
                return Err(cell(&settings.date, text, &format!("each day or month of {name} once")));
            }
        }
    }
    let whole = |(&(year, month), days): (&(i32, u32), &BTreeMap<Option<u32>, f64>)| {
        let first = NaiveDate::from_ymd_opt(year, month, 1)?;
        let needed = if days.contains_key(&None) { 1 } else { usize::from(first.num_days_in_month()) };
        let sum: f64 = days.values().sum();
        (days.len() == needed && sum.is_finite()).then_some(((year, month), sum))
    };
    let station = |(name, (longitude, latitude, months)): (String, (f64, f64, Months))| Station {
        name,
        longitude,
        latitude,
        months: months.iter().filter_map(whole).collect(),
    };
    Ok(found.into_iter().map(station).collect())
}

/// A look at a table of stations: each with its name and the months that are known as a whole.
pub(crate) struct StationSight {
    pub(crate) name: String,
    pub(crate) months: BTreeMap<(i32, u32), f64>,
}

/// Looks at one table of stations.
pub(crate) fn look(file: &str, path: &Path, settings: &StationSettings) -> Result<Vec<StationSight>, IngestError> {
    let file = InputFile { name: file.to_owned(), path: path.to_path_buf() };
    let stations = read(&[file], settings, ReadSettings::default().most_unpacked_bytes)?;
    let sight = |one: Station| StationSight { name: one.name, months: one.months };
    Ok(stations.into_iter().map(sight).collect())
}

/// Whether a text is a day or a month as the tables of stations write them.
pub(crate) fn is_station_date(text: &str) -> bool {
    date(text).is_some()
}

impl Station {
    fn distance_km(&self, (longitude, latitude): (f64, f64)) -> f64 {
        let (from, to) = (self.latitude.to_radians(), latitude.to_radians());
        let (north, east) = ((to - from) / 2.0, (longitude - self.longitude).to_radians() / 2.0);
        let haversine = north.sin().powi(2) + from.cos() * to.cos() * east.sin().powi(2);
        2.0 * EARTH_KM * haversine.sqrt().min(1.0).asin()
    }

    /// The sum of months, moved by some years.
    fn sum(&self, months: &[(i32, u32, f64)], later: i32) -> Option<f64> {
        months.iter().map(|&(year, month, share)| Some(share * self.months.get(&(year + later, month))?)).sum()
    }

    /// Years of a month within those of the normals.
    fn normal(&self, month: u32, years: Option<(i32, i32)>) -> Option<f64> {
        let counts = |year: i32| years.is_none_or(|(first, last)| (first..=last).contains(&year));
        let of_month = self.months.iter().filter(|(at, _)| at.1 == month && counts(at.0)).map(|(_, depth)| *depth);
        let depths: Vec<f64> = of_month.collect();
        (depths.len() >= LEAST_YEARS).then(|| depths.iter().sum::<f64>() / depths.len() as f64)
    }

    /// Years by which the months may be moved so that the station has all of them.
    fn years(&self, months: &[(i32, u32, f64)]) -> Vec<i32> {
        let Some(&(first, month, _)) = months.first() else { return Vec::new() };
        let of_month = self.months.keys().filter(|at| at.1 == month).map(|at| at.0 - first);
        of_month.filter(|&later| self.sum(months, later).is_some()).collect()
    }
}

/// The sums of a season at the nearest station that has its months and their normals; `None` where none has.
pub(super) fn sums(
    stations: &[Station],
    months: &[(i32, u32, f64)],
    settings: &StationSettings,
    place_deg: (f64, f64),
) -> Option<Sums> {
    let of = |station: &Station| {
        let normals =
            months.iter().map(|&(_, month, share)| Some(share * station.normal(month, settings.normal_years)?));
        Some(Sums {
            total: station.sum(months, 0)?,
            normal: normals.sum::<Option<f64>>()?,
            history: station.years(months).into_iter().filter_map(|later| station.sum(months, later)).collect(),
            station: station.name.clone(),
            distance_km: station.distance_km(place_deg),
        })
    };
    stations.iter().filter_map(of).min_by(|one, other| one.distance_km.total_cmp(&other.distance_km))
}

/// The years for which some station has the same months as those of a season.
pub(super) fn years(stations: &[Station], months: &[(i32, u32, f64)]) -> BTreeSet<i32> {
    stations.iter().flat_map(|station| station.years(months)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_days_or_months() {
        assert_eq!(date("2023-05-04"), Some((2023, 5, Some(4))));
        assert_eq!(date("20230504"), Some((2023, 5, Some(4))));
        assert_eq!(date("2023-05"), Some((2023, 5, None)));
        assert_eq!(date("202305"), Some((2023, 5, None)));
        for wrong in ["2023", "2023-13", "2023-02-30", "04.05.2023", "May 2023", "", "ééé"] {
            assert_eq!(date(wrong), None, "{wrong}");
        }
    }

    /// A degree of latitude is 111.2 km on a sphere of 6,371 km: π/180 of its radius.
    #[test]
    fn distances_are_those_of_a_sphere() {
        let station = Station { name: String::new(), longitude: -93.0, latitude: 42.0, months: BTreeMap::new() };
        assert!((station.distance_km((-93.0, 43.0)) - 111.195).abs() < 0.001);
        assert!((station.distance_km((-92.0, 42.0)) - 111.195 * 42.0_f64.to_radians().cos()).abs() < 0.01);
    }
}
