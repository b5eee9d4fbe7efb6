//! A look at one file of unknown kind: what it is by what it holds.

use std::collections::BTreeMap;
use std::path::Path;

use geo::MultiPolygon;

use super::stations::{self, StationTable};
use super::times::{self, TimeGuess};
use crate::consistency::Numbers;
use crate::consistency::words::{self, Header};
use crate::consistency::{Channel, Track};
use crate::geometry::{Crs, Projector, utm_epsg_of};
use crate::ingest::{
    IngestError, Shapes, TIME, Table, TextColumn, Wanted, holds_components, is_task_data, number_or_comma,
    read_columns, read_table, read_units, recorded_unit,
};
use crate::raster::{Ask, Month, RasterFile, is_grid};

/// What a file is.
pub(super) enum Kind {
    Log(Log),
    Polygons(Polygons),
    Grid(Grid),
    /// The components of a soil survey's map units.
    Components,
    Tickets(Table),
    /// Precipitation of weather stations.
    Stations(StationTable),
    /// A table whose rows lie nowhere.
    Rows(Rows),
    Other(String),
}

/// The columns of a table without places.
pub(super) struct Rows {
    pub(super) columns: Vec<String>,
    pub(super) numbers: Vec<Numbers>,
    pub(super) texts: BTreeMap<String, TextColumn>,
}

/// Polygons with their attributes, in degrees.
pub(super) struct Polygons {
    pub(super) attributes: BTreeMap<String, TextColumn>,
    pub(super) shapes: Vec<MultiPolygon<f64>>,
    pub(super) has_crs: bool,
}

/// A raster.
pub(super) struct Grid {
    /// Median of its values.
    pub(super) middle: f64,
    pub(super) has_crs: bool,
    /// The unit that the file records.
    pub(super) unit: Option<&'static str>,
    /// The months that the file says it holds.
    pub(super) months: Vec<Month>,
}

/// Records with places.
pub(super) struct Log {
    /// The columns in the order of the file, each named once.
    pub(super) columns: Vec<String>,
    pub(super) numbers: Vec<Numbers>,
    pub(super) texts: BTreeMap<String, TextColumn>,
    pub(super) place: Place,
    /// Degrees, NaN where missing.
    pub(super) longitude: Vec<f64>,
    pub(super) latitude: Vec<f64>,
    /// Metres in the UTM zone of the middle.
    pub(super) x_m: Vec<f64>,
    pub(super) y_m: Vec<f64>,
    pub(super) times: Vec<TimeGuess>,
    pub(super) machine: Option<String>,
    pub(super) has_crs: bool,
    /// Whether the standard of the file tells what its columns are (task data of ISO 11783-10).
    pub(super) by_standard: bool,
    /// Whether its rows are points along lines, all of a line with its time.
    pub(super) of_lines: bool,
}

/// Where the positions stand.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Place {
    Geometry,
    /// Longitude, latitude, and the probability that they are not exchanged.
    Columns(String, String, f64),
    /// Easting and northing, and the code of the UTM zone in which they fall where the folder's layers are.
    Projected(String, String, Option<u32>),
}

impl Log {
    /// Seconds since 1970 by the best reading of its times.
    pub(super) fn time_s(&self) -> Option<&[f64]> {
        self.times.first().map(|time| time.seconds.as_slice())
    }

    /// Code of the machine of each row.
    fn machines(&self) -> Vec<u32> {
        let rows = self.x_m.len();
        let Some(column) = self.machine.as_ref().and_then(|name| self.texts.get(name)) else { return vec![0; rows] };
        let mut codes: BTreeMap<&str, u32> = BTreeMap::new();
        column
            .iter()
            .map(|text| {
                let next = codes.len() as u32;
                *codes.entry(text.unwrap_or("")).or_insert(next)
            })
            .collect()
    }

    /// The track of its records.
    pub(super) fn track(&self) -> Track {
        Track::of_machines(self.time_s(), &self.x_m, &self.y_m, &self.machines())
    }
}

/// Looks into a file; `other_places` is the extent of the folder's layers in degrees, where there are any.
pub(super) fn look(name: &str, path: &Path, other_places: Option<[f64; 4]>) -> Kind {
    if is_grid(path) {
        return grid(path);
    }
    if holds_components(name, path) {
        return Kind::Components;
    }
    match table(name, path) {
        Err(error) => Kind::Other(error.to_string()),
        Ok((columns, table)) if !table.polygons.is_empty() => polygons(&columns, table),
        Ok((columns, table)) => points(name, path, columns, table, other_places),
    }
}

/// All columns as texts, with points or polygons.
pub(super) fn table(name: &str, path: &Path) -> Result<(Vec<String>, Table), IngestError> {
    let columns = read_columns(name, path)?;
    let once = |column: &&String| !column.is_empty() && columns.iter().filter(|one| one == column).count() == 1;
    let texts: Vec<String> = columns.iter().filter(once).cloned().collect();
    let wanted = |shapes| Wanted { shapes, texts: texts.clone(), ..Wanted::default() };
    let table = read_table(name, path, &wanted(Shapes::Tracks))
        .or_else(|_| read_table(name, path, &wanted(Shapes::Polygons)))
        .or_else(|_| read_table(name, path, &wanted(Shapes::Ignored)))?;
    Ok((texts, table))
}

fn grid(path: &Path) -> Kind {
    let ask = Ask { any_month: true, ..Ask::default() };
    let summary = RasterFile::open_with(path, ask).and_then(|mut raster| {
        let has_crs = raster.crs().is_some();
        raster.summary().map(|summary| (summary, has_crs))
    });
    match summary {
        Err(error) => Kind::Other(error.to_string()),
        Ok((summary, has_crs)) => {
            let middle = summary.range.map_or(f64::NAN, |[low, high]| f64::midpoint(low, high));
            let unit = summary.unit.as_deref().and_then(recorded_unit);
            Kind::Grid(Grid { middle, has_crs, unit, months: summary.months })
        }
    }
}

fn polygons(columns: &[String], table: Table) -> Kind {
    let wgs84 = Crs::wgs84();
    let has_crs = table.crs.is_some();
    let crs = table.crs.unwrap_or_else(Crs::wgs84);
    let convert = |polygons: &MultiPolygon<f64>| {
        Projector::new(&crs, &wgs84).and_then(|to| to.convert_polygons(polygons)).ok().flatten()
    };
    let shapes: Vec<MultiPolygon<f64>> =
        table.polygons.iter().map(|one| convert(one).unwrap_or_else(|| MultiPolygon::new(Vec::new()))).collect();
    let known = |name: &String| columns.contains(name);
    let attributes = table.texts.into_iter().filter(|(name, _)| known(name)).collect();
    Kind::Polygons(Polygons { attributes, shapes, has_crs })
}

fn numeric(column: &TextColumn) -> Option<Vec<f64>> {
    let mut values = Vec::with_capacity(column.len());
    let mut known = 0;
    for text in column.iter() {
        match text {
            None => values.push(f64::NAN),
            Some(text) => {
                known += 1;
                values.push(number_or_comma(text)?);
            }
        }
    }
    (known > 0).then_some(values)
}

fn points(name: &str, path: &Path, columns: Vec<String>, table: Table, other_places: Option<[f64; 4]>) -> Kind {
    let tickets = ["load", "machine", "from", "to", "net_weight", "moisture"];
    if tickets.iter().all(|column| columns.iter().any(|known| known == column)) {
        return Kind::Tickets(table);
    }
    let units = read_units(name, path);
    let all = read_columns(name, path).unwrap_or_default();
    let unit_of = |column: &String| {
        let at = all.iter().position(|known| known == column)?;
        units.as_ref()?.get(at).filter(|unit| !unit.is_empty() && *unit != "-").cloned()
    };
    let numbers: Vec<Numbers> = columns
        .iter()
        .filter_map(|column| {
            let values = numeric(table.texts.get(column)?)?;
            Some(Numbers { name: column.clone(), unit: unit_of(column), values })
        })
        .collect();
    match stations::look((name, path), &columns, &table.texts, &numbers, &unit_of) {
        Some(Ok(stations)) => return Kind::Stations(stations),
        Some(Err(reason)) => return Kind::Other(reason),
        None => {}
    }
    let has_crs = table.crs.is_some();
    let mut crs = table.crs.clone().unwrap_or_else(Crs::wgs84);
    let (table, numbers, of_line) = match along_lines(table, numbers, &mut crs) {
        Ok(all) => all,
        Err(reason) => return Kind::Other(reason),
    };
    let (place, mut longitude, mut latitude) = match table.positions {
        Some((x, y)) => (Place::Geometry, x, y),
        None => match columns_of_places(&numbers, other_places) {
            Some((lon, lat, probability)) => (
                Place::Columns(numbers[lon].name.clone(), numbers[lat].name.clone(), probability),
                numbers[lon].values.clone(),
                numbers[lat].values.clone(),
            ),
            None => {
                let Some((east, north, epsg)) = projected_places(&numbers, other_places) else {
                    return Kind::Rows(Rows { columns, numbers, texts: table.texts });
                };
                // any zone does for distances
                crs = Crs::from_epsg(epsg.unwrap_or(ANY_ZONE)).unwrap_or(crs);
                let (east, north) = (&numbers[east], &numbers[north]);
                let place = Place::Projected(east.name.clone(), north.name.clone(), epsg);
                (place, east.values.clone(), north.values.clone())
            }
        },
    };
    for (x, y) in longitude.iter_mut().zip(&mut latitude) {
        if x.abs() < 1e-9 && y.abs() < 1e-9 {
            (*x, *y) = (f64::NAN, f64::NAN);
        }
    }
    let converted = Projector::new(&crs, &Crs::wgs84()).and_then(|to| to.convert(&mut longitude, &mut latitude));
    if let Err(error) = converted {
        return Kind::Other(error.to_string());
    }
    let (mut x_m, mut y_m) = (longitude.clone(), latitude.clone());
    let utm = utm_epsg_of(&longitude, &latitude).and_then(|epsg| Crs::from_epsg(epsg).ok());
    let Some(utm) = utm else { return Kind::Other("its places lie off the map".to_owned()) };
    if Projector::new(&Crs::wgs84(), &utm).and_then(|to| to.convert(&mut x_m, &mut y_m)).is_err() {
        return Kind::Other("its places lie off the map".to_owned());
    }
    let middle = (middle_of(&longitude), middle_of(&latitude));
    let by_standard = is_task_data(path);
    let mut times = match &of_line {
        None => times::guess(&columns, &numbers, &table.texts, &unit_of, middle),
        Some(lines) => times::guess_of_lines(&columns, lines, &unit_of, middle),
    };
    if by_standard {
        times.retain(|time| time.column == TIME);
    }
    let machine = best_label(Channel::Machine, &columns, &table.texts, |column| {
        let distinct = distinct(column, 13);
        (1..=12).contains(&distinct)
    });
    let mut texts = table.texts;
    // of numbers and times the texts have served
    texts.retain(|_, column| distinct(column, MOST_LABELS) < MOST_LABELS);
    Kind::Log(Log {
        columns,
        numbers,
        texts,
        place,
        longitude,
        latitude,
        x_m,
        y_m,
        times,
        machine,
        has_crs,
        by_standard,
        of_lines: of_line.is_some(),
    })
}

/// The lines of a layer by themselves: what was read of them, and the line of each point along them.
pub(super) struct Lines {
    pub(super) numbers: Vec<Numbers>,
    pub(super) texts: BTreeMap<String, TextColumn>,
    pub(super) line_of: Vec<u32>,
}

/// Lines as the points that stand for them, in the UTM zone where they begin; a table of points as it is.
fn along_lines(
    table: Table,
    numbers: Vec<Numbers>,
    crs: &mut Crs,
) -> Result<(Table, Vec<Numbers>, Option<Lines>), String> {
    const STEP_M: f64 = 2.0;
    /// More points than a farm's season of passes has.
    const MOST: f64 = 5e6;
    if table.lines.is_empty() {
        return Ok((table, numbers, None));
    }
    let off = || "its lines lie off the map".to_owned();
    let (mut x, mut y): (Vec<f64>, Vec<f64>) =
        table.lines.iter().filter_map(|line| line.0.first()).map(|at| (at.x, at.y)).unzip();
    Projector::new(crs, &Crs::wgs84()).and_then(|to| to.convert(&mut x, &mut y)).map_err(|_| off())?;
    let utm = utm_epsg_of(&x, &y).and_then(|epsg| Crs::from_epsg(epsg).ok()).ok_or_else(off)?;
    let to = Projector::new(crs, &utm).map_err(|_| off())?;
    let whole_m: f64 = table.lines.iter().map(|line| way_m(line, &to)).sum();
    if whole_m / STEP_M > MOST {
        return Err(format!("lines of {:.0} km", whole_m / 1e3));
    }
    let texts = table.texts.clone();
    let (table, line_of) = table.along_lines(&to, STEP_M).map_err(|_| off())?;
    *crs = utm;
    let of_points = |column: &Numbers| Numbers {
        values: line_of.iter().map(|&line| column.values[line as usize]).collect(),
        ..column.clone()
    };
    let along = numbers.iter().map(of_points).collect();
    Ok((table, along, Some(Lines { numbers, texts, line_of })))
}

fn way_m(line: &geo::LineString<f64>, to: &Projector) -> f64 {
    let (mut x, mut y): (Vec<f64>, Vec<f64>) = line.0.iter().map(|at| (at.x, at.y)).unzip();
    if to.convert(&mut x, &mut y).is_err() {
        return 0.0;
    }
    (1..x.len()).map(|at| (x[at] - x[at - 1]).hypot(y[at] - y[at - 1])).filter(|way| way.is_finite()).sum()
}

pub(super) fn middle_of(values: &[f64]) -> f64 {
    let mut known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    crate::stats::robust::median_in_place(&mut known).unwrap_or(f64::NAN)
}

/// Columns with more different texts hold no labels.
const MOST_LABELS: usize = 500;

/// How many different texts a column holds, counted up to `most`.
pub(super) fn distinct(column: &TextColumn, most: usize) -> usize {
    let mut seen = std::collections::BTreeSet::new();
    for text in column.iter().flatten() {
        seen.insert(text);
        if seen.len() >= most {
            break;
        }
    }
    seen.len()
}

/// The column that is best called as a channel is, among those whose values fit.
pub(super) fn best_label(
    channel: Channel,
    columns: &[String],
    texts: &BTreeMap<String, TextColumn>,
    fits: impl Fn(&TextColumn) -> bool,
) -> Option<String> {
    let strength = |name: &String| {
        let header = Header::of(name);
        let own = words::strength(&header, channel);
        let others = Channel::ALL.iter().filter(|&&other| other != channel);
        let rival = others.map(|&other| words::strength(&header, other)).fold(0.0, f64::max);
        // a word that may name either gives way to one that names this alone
        if own + 0.1 < rival { 0.0 } else { own - 0.05 * rival }
    };
    columns
        .iter()
        .map(|name| (strength(name), name))
        .filter(|(strength, name)| *strength >= 0.6 && texts.get(*name).is_some_and(&fits))
        .max_by(|one, other| one.0.total_cmp(&other.0).then_with(|| other.1.cmp(one.1)))
        .map(|(_, name)| name.clone())
}

const ANY_ZONE: u32 = 32_631;

/// The columns of easting and northing in metres of a UTM zone, and its code where the folder's layers tell it.
fn projected_places(numbers: &[Numbers], others: Option<[f64; 4]>) -> Option<(usize, usize, Option<u32>)> {
    const EAST: [&str; 10] = ["easting", "east", "rechtswert", "este", "est", "leste", "x", "utmx", "xutm", "utme"];
    const NORTH: [&str; 10] =
        ["northing", "north", "hochwert", "norte", "nord", "yutm", "y", "utmy", "utmn", "ordonnee"];
    let named = |at: usize, list: &[&str]| {
        let header = Header::of(&numbers[at].name);
        let joined = header.words.concat();
        list.contains(&joined.as_str())
            || header.words.iter().any(|word| word.len() > 1 && list.contains(&word.as_str()))
    };
    let spans = |at: usize, low: f64, high: f64| {
        let known: Vec<f64> = numbers[at].values.iter().copied().filter(|value| value.abs() > 1.0).collect();
        let (least, most) = known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
        known.len() >= 10 && least > low && most < high && most - least > 5.0 && most - least < 60_000.0
    };
    let east = (0..numbers.len()).find(|&at| named(at, &EAST) && spans(at, 1e5, 9e5))?;
    let north = (0..numbers.len()).find(|&at| at != east && named(at, &NORTH) && spans(at, 1e4, 1e7))?;
    let place = (middle_of(&numbers[east].values), middle_of(&numbers[north].values));
    let inside = |epsg: u32| {
        let [w, s, e, n] = others?;
        let to = Projector::new(&Crs::from_epsg(epsg).ok()?, &Crs::wgs84()).ok()?;
        let (lon, lat) = to.convert_point(place.0, place.1).ok()??;
        (lon > w - 0.1 && lon < e + 0.1 && lat > s - 0.1 && lat < n + 0.1).then_some(epsg)
    };
    let zone = others.map(|[w, _, e, _]| ((f64::midpoint(w, e) + 180.0) / 6.0).floor() as u32 + 1);
    let zones = zone.into_iter().flat_map(|zone| [zone, zone.saturating_sub(1).max(1), (zone + 1).min(60)]);
    let epsg = zones.flat_map(|zone| [32_600 + zone, 32_700 + zone]).find_map(inside);
    Some((east, north, epsg))
}

/// The columns of longitude and latitude, in degrees, and the probability that they are not exchanged.
fn columns_of_places(numbers: &[Numbers], others: Option<[f64; 4]>) -> Option<(usize, usize, f64)> {
    let range = |values: &[f64]| {
        let mut known: Vec<f64> =
            values.iter().copied().filter(|value| value.is_finite() && value.abs() > 1e-9).collect();
        known.sort_by(f64::total_cmp);
        let at = |share: f64| known.get(((known.len().max(1) - 1) as f64 * share) as usize).copied();
        Some((at(0.02)?, at(0.98)?))
    };
    // places are written to millionths of a degree, and a field is small
    let fine = |values: &[f64]| {
        let known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).take(400).collect();
        let fractions = known.iter().filter(|value| (*value * 1e3 - (*value * 1e3).round()).abs() > 1e-4);
        fractions.count() * 2 > known.len()
    };
    let candidates: Vec<(usize, (f64, f64))> = numbers
        .iter()
        .enumerate()
        .filter_map(|(at, column)| {
            let range = range(&column.values)?;
            let is_place = range.1 - range.0 < 3.0 && range.1 - range.0 > 1e-5;
            (is_place && range.0.abs().max(range.1.abs()) <= 180.0 && fine(&column.values)).then_some((at, range))
        })
        .collect();
    let name = |at: usize, channel: Channel| words::strength(&Header::of(&numbers[at].name), channel);
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for &(lon, (west, east)) in &candidates {
        for &(lat, (south, north)) in &candidates {
            if lon == lat || south.abs().max(north.abs()) > 84.0 {
                continue;
            }
            let mut points = 4.0 * (name(lon, Channel::Longitude) + name(lat, Channel::Latitude));
            // fields lie side by side in the table
            points += if lon.abs_diff(lat) == 1 { 1.0 } else { 0.0 };
            if south.abs().max(north.abs()) > 66.0 {
                points -= 4.0;
            }
            if let Some([w, s, e, n]) = others {
                let inside = |x: f64, y: f64| x >= w - 1.0 && x <= e + 1.0 && y >= s - 1.0 && y <= n + 1.0;
                let middle = (f64::midpoint(west, east), f64::midpoint(south, north));
                points += if inside(middle.0, middle.1) { 14.0 } else { -4.0 };
            }
            pairs.push((points, lon, lat));
        }
    }
    pairs.sort_by(|one, other| other.0.total_cmp(&one.0));
    let best = *pairs.first()?;
    let sum: f64 = pairs.iter().map(|pair| (pair.0 - best.0).exp()).sum();
    Some((best.1, best.2, 1.0 / sum))
}
