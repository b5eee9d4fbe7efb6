//! Tables of weather stations: a day or a month, a depth of rain, and the place of the station.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::sight::distinct;
use crate::config::StationSettings;
use crate::consistency::words::{self, Header};
use crate::consistency::{Channel, Numbers};
use crate::ingest::{LEAST_YEARS, StationSight, TextColumn, is_station_date, look_at_stations};

/// A table of stations.
pub(super) struct StationTable {
    pub(super) settings: StationSettings,
    pub(super) stations: Vec<StationSight>,
    /// Unit of the depth and its probability.
    pub(super) unit: &'static str,
    pub(super) probability: f64,
}

impl StationTable {
    /// First and last year of which a month is known.
    pub(super) fn years(&self) -> Option<(i32, i32)> {
        let years = || self.stations.iter().flat_map(|station| station.months.keys().map(|month| month.0));
        Some((years().min()?, years().max()?))
    }

    /// What it is, in words.
    pub(super) fn says(&self) -> String {
        let years = self.years().map_or_else(String::new, |(first, last)| format!(", {first} to {last}"));
        let names: Vec<&str> = self.stations.iter().take(3).map(|station| station.name.as_str()).collect();
        let more = if self.stations.len() > names.len() { " and more" } else { "" };
        format!("precipitation of {} weather stations{years}: {}{more}", self.stations.len(), names.join(", "))
    }

    /// What its columns are: column, what, probability, evidence.
    pub(super) fn listed(&self) -> Vec<(String, String, f64, String)> {
        let of = &self.settings;
        let named = "its name and values".to_owned();
        let mut all = vec![
            (of.date.clone(), "date, a day or a month".to_owned(), 0.97, "every text is one".to_owned()),
            (of.precipitation.clone(), format!("precipitation in {}", self.unit), self.probability, named.clone()),
            (of.longitude.clone(), "longitude".to_owned(), 0.97, named.clone()),
            (of.latitude.clone(), "latitude".to_owned(), 0.97, named.clone()),
        ];
        all.extend(of.station.iter().map(|station| (station.clone(), "station".to_owned(), 0.97, named.clone())));
        all
    }

    /// Whether some station tells a month of each season, and that month in years enough for a normal.
    pub(super) fn tells(&self, seasons: &BTreeSet<i32>) -> bool {
        let whole = |station: &StationSight, season: i32| {
            (1..=12).any(|month| {
                let years = station.months.keys().filter(|known| known.1 == month).count();
                years >= LEAST_YEARS && station.months.contains_key(&(season, month))
            })
        };
        seasons.iter().all(|&season| self.stations.iter().any(|station| whole(station, season)))
    }
}

/// What a table of stations is, or why one that looks like it is none; `None` for any other table.
pub(super) fn look(
    (name, path): (&str, &Path),
    columns: &[String],
    texts: &BTreeMap<String, TextColumn>,
    numbers: &[Numbers],
    unit_of: &dyn Fn(&String) -> Option<String>,
) -> Option<Result<StationTable, String>> {
    let called = |list: &str| {
        let strength = |name: &&String| words::named(&Header::of(name), list);
        let best = columns.iter().filter(|name| strength(name) >= 0.6);
        best.max_by(|one, other| strength(one).total_cmp(&strength(other)).then(other.cmp(one)))
    };
    let of_channel = |channel: Channel| {
        let strength = |name: &&String| words::strength(&Header::of(name), channel);
        let best = columns.iter().filter(|name| strength(name) >= 0.6);
        best.max_by(|one, other| strength(one).total_cmp(&strength(other)).then(other.cmp(one)))
    };
    let is_number = |name: &String| numbers.iter().any(|column| column.name == *name);
    let precipitation = called(words::PRECIPITATION)?;
    let (longitude, latitude) = (of_channel(Channel::Longitude)?, of_channel(Channel::Latitude)?);
    if ![precipitation, longitude, latitude].into_iter().all(is_number) {
        return None;
    }
    let is_day = |name: &&String| {
        let column = &texts[*name];
        column.iter().flatten().take(1).count() > 0 && column.iter().flatten().all(is_station_date)
    };
    let day = |name: &&String| words::named(&Header::of(name), words::DAY);
    let date = columns
        .iter()
        .filter(|name| *name != precipitation && texts.contains_key(*name) && is_day(name))
        .max_by(|one, other| day(one).total_cmp(&day(other)).then(other.cmp(one)))?;
    let station = called(words::STATION).filter(|name| distinct(&texts[*name], 2_000) < 2_000);
    let settings = StationSettings {
        path: String::new(),
        date: date.clone(),
        precipitation: precipitation.clone(),
        station: station.cloned(),
        named: station.is_some(),
        longitude: longitude.clone(),
        latitude: latitude.clone(),
        normal_years: None,
    };
    let stations = match look_at_stations(name, path, &settings) {
        Ok(stations) => stations,
        Err(error) => return Some(Err(format!("precipitation of weather stations, but {error}"))),
    };
    let header = Header::of(precipitation);
    let written = unit_of(precipitation).map_or_else(|| header.unit_texts(), |unit| vec![words::unit_text(&unit)]);
    let told = ["mm", "cm", "in"].into_iter().find(|unit| {
        written.iter().any(|text| text == unit || (*unit == "in" && matches!(text.as_str(), "inch" | "inches")))
    });
    let mut months: Vec<f64> = stations.iter().flat_map(|station| station.months.values().copied()).collect();
    let middle = crate::stats::robust::median_in_place(&mut months).unwrap_or(f64::NAN);
    let (unit, probability) = match told {
        Some(unit) => (unit, 0.99),
        None => super::layers::unit_of_month(middle),
    };
    Some(Ok(StationTable { settings, stations, unit, probability }))
}
