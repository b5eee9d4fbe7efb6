//! From logs to site-years: by place, time, and labels.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use chrono::Datelike;

use super::columns::Columns;
use super::layers::Outline;
use super::sight::{Log, middle_of};
use crate::consistency::Channel;
use crate::consistency::words;

/// Side of a cell in which records are looked for, m.
const CELL_M: f64 = 60.0;
/// Fewest records of a field in a file; fewer are strays.
const FEWEST: usize = 30;

type Cell = (i64, i64);

/// A file's records of one field and season.
#[derive(Debug, Clone)]
pub(super) struct Part {
    /// Index of the file.
    pub(super) file: usize,
    pub(super) season: Option<i32>,
    pub(super) field: Option<String>,
    pub(super) farm: Option<String>,
    pub(super) crop: Option<&'static str>,
    pub(super) outline: Option<usize>,
    /// West, south, east, north, degrees.
    pub(super) extent: [f64; 4],
    pub(super) time_s: Option<(f64, f64)>,
    pub(super) rows: usize,
    /// What parts it from other fields and seasons in its file.
    pub(super) split: Split,
    cells: BTreeSet<Cell>,
    machines: BTreeSet<String>,
}

/// How a file's rows are told apart; several may hold.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Split {
    pub(super) by_label: bool,
    pub(super) by_place: bool,
    pub(super) by_season: bool,
}

/// A field in a season.
#[derive(Debug, Clone)]
pub(super) struct Site {
    pub(super) parts: Vec<Part>,
    pub(super) season: Option<i32>,
    pub(super) farm: String,
    pub(super) field: String,
    /// How its name was found.
    pub(super) named_by: &'static str,
    pub(super) crop: Option<&'static str>,
    pub(super) outline: Option<usize>,
}

impl Site {
    pub(super) fn cells(&self) -> BTreeSet<Cell> {
        self.parts.iter().flat_map(|part| part.cells.iter().copied()).collect()
    }

    pub(super) fn machines(&self) -> BTreeSet<&str> {
        self.parts.iter().flat_map(|part| part.machines.iter().map(String::as_str)).collect()
    }

    /// First and last record, seconds since 1970.
    pub(super) fn time_s(&self) -> Option<(f64, f64)> {
        self.parts.iter().filter_map(|part| part.time_s).reduce(|one, other| (one.0.min(other.0), one.1.max(other.1)))
    }
}

/// Places as cells, the same for all files of a folder.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cells {
    metres_per_degree: f64,
}

impl Cells {
    pub(super) fn new(middle_latitude: f64) -> Self {
        Self { metres_per_degree: 111_320.0 * middle_latitude.to_radians().cos().max(0.05) }
    }

    pub(super) fn of(self, longitude: f64, latitude: f64) -> Cell {
        ((longitude * self.metres_per_degree / CELL_M).floor() as i64, (latitude * 110_540.0 / CELL_M).floor() as i64)
    }
}

fn near(cell: Cell) -> impl Iterator<Item = Cell> {
    (-1..=1).flat_map(move |east| (-1..=1).map(move |north| (cell.0 + east, cell.1 + north)))
}

/// Season, farm and field as a file tells them.
type Key<'t> = (Option<i32>, Option<&'t str>, Option<&'t str>);

/// The records of a file as parts.
pub(super) fn parts(file: usize, log: &Log, columns: &Columns, outlines: &[Outline], cells: Cells) -> Vec<Part> {
    let label = |channel: Channel| columns.labels.get(&channel).and_then(|name| log.texts.get(name));
    let (fields, farms, crops) = (label(Channel::Field), label(Channel::Farm), label(Channel::Crop));
    let time = log.time_s();
    let season_of = |row: usize| {
        let seconds = time.map(|time| time[row]).filter(|time| time.is_finite())?;
        chrono::DateTime::from_timestamp(seconds as i64, 0).map(|time| time.year())
    };
    // by season and label
    let mut groups: BTreeMap<Key<'_>, Vec<usize>> = BTreeMap::new();
    for row in 0..log.x_m.len() {
        if log.longitude[row].is_finite() && log.latitude[row].is_finite() {
            let key =
                (season_of(row), farms.and_then(|column| column.get(row)), fields.and_then(|column| column.get(row)));
            groups.entry(key).or_default().push(row);
        }
    }
    // strays of another year are no season of their own
    let all: usize = groups.values().map(Vec::len).sum();
    groups.retain(|_, rows| rows.len() >= FEWEST.min(all));
    let seasons: BTreeSet<Option<i32>> = groups.keys().map(|key| key.0).collect();
    let labels: BTreeSet<(Option<&str>, Option<&str>)> = groups.keys().map(|key| (key.1, key.2)).collect();
    let mut parts = Vec::new();
    for ((season, farm, field), rows) in &groups {
        let places = by_place(rows, log, outlines, cells);
        let split_by_place = places.len() > 1;
        for (rows, outline) in places {
            let cell = |&row: &usize| cells.of(log.longitude[row], log.latitude[row]);
            let named = crops.map(|column| rows.iter().filter_map(|&row| column.get(row)).find_map(words::crop));
            let machine = log.machine.as_ref().and_then(|name| log.texts.get(name));
            let times: Vec<f64> =
                rows.iter().filter_map(|&row| time.map(|time| time[row])).filter(|time| time.is_finite()).collect();
            let ends = |values: &dyn Fn(usize) -> f64| {
                rows.iter()
                    .map(|&row| values(row))
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
            };
            let ((west, east), (south, north)) = (ends(&|row| log.longitude[row]), ends(&|row| log.latitude[row]));
            parts.push(Part {
                file,
                season: *season,
                field: field.map(str::to_owned),
                farm: farm.map(str::to_owned),
                crop: named.flatten(),
                outline,
                extent: [west, south, east, north],
                time_s: (!times.is_empty()).then(|| {
                    let low = times.iter().copied().fold(f64::INFINITY, f64::min);
                    (low, times.iter().copied().fold(f64::NEG_INFINITY, f64::max))
                }),
                rows: rows.len(),
                split: Split { by_label: labels.len() > 1, by_place: split_by_place, by_season: seasons.len() > 1 },
                cells: rows.iter().map(cell).collect(),
                machines: machine
                    .map(|column| rows.iter().filter_map(|&row| column.get(row).map(str::to_owned)).collect())
                    .unwrap_or_default(),
            });
        }
    }
    parts
}

/// Records that hang together, and those of one outline.
fn by_place(rows: &[usize], log: &Log, outlines: &[Outline], cells: Cells) -> Vec<(Vec<usize>, Option<usize>)> {
    let mut of_cell: BTreeMap<Cell, Vec<usize>> = BTreeMap::new();
    for &row in rows {
        of_cell.entry(cells.of(log.longitude[row], log.latitude[row])).or_default().push(row);
    }
    let mut seen: BTreeSet<Cell> = BTreeSet::new();
    let mut found = Vec::new();
    for &start in of_cell.keys() {
        if !seen.insert(start) {
            continue;
        }
        let mut queue = VecDeque::from([start]);
        let mut own = Vec::new();
        while let Some(cell) = queue.pop_front() {
            own.extend(of_cell[&cell].iter().copied());
            for next in near(cell) {
                if of_cell.contains_key(&next) && seen.insert(next) {
                    queue.push_back(next);
                }
            }
        }
        if own.len() >= FEWEST.max(rows.len() / 200) {
            found.extend(by_outline(own, log, outlines));
        }
    }
    if found.is_empty() { vec![(rows.to_vec(), None)] } else { found }
}

fn by_outline(mut rows: Vec<usize>, log: &Log, outlines: &[Outline]) -> Vec<(Vec<usize>, Option<usize>)> {
    rows.sort_unstable();
    let every = rows.len().div_ceil(300);
    let places: Vec<(f64, f64)> =
        rows.iter().step_by(every).map(|&row| (log.longitude[row], log.latitude[row])).collect();
    let mut shares: Vec<(f64, usize)> = outlines
        .iter()
        .enumerate()
        .map(|(at, outline)| (outline.share(&places), at))
        .filter(|(share, _)| *share > 0.08)
        .collect();
    shares.sort_by(|one, other| other.0.total_cmp(&one.0).then(one.1.cmp(&other.1)));
    // the same outline in several files
    let mut own: Vec<(f64, usize)> = Vec::new();
    for (share, at) in shares {
        let known = own.iter().any(|(_, known)| same_ground(&outlines[*known], &outlines[at]));
        if !known {
            own.push((share, at));
        }
    }
    match own.as_slice() {
        [] => vec![(rows, None)],
        [(share, at)] => vec![(rows, (*share > 0.5).then_some(*at))],
        several => several
            .iter()
            .map(|(_, at)| {
                let inside = |row: &usize| outlines[*at].share(&[(log.longitude[*row], log.latitude[*row])]) > 0.5;
                (rows.iter().copied().filter(inside).collect::<Vec<usize>>(), Some(*at))
            })
            .filter(|(rows, _)| rows.len() >= FEWEST)
            .collect(),
    }
}

fn same_ground(one: &Outline, other: &Outline) -> bool {
    use geo::{Area, BooleanOps};
    let (a, b) = (one.ground.unsigned_area(), other.ground.unsigned_area());
    one.ground.intersection(&other.ground).unsigned_area() > 0.7 * a.min(b)
}

/// Joins the parts of one field and season; `paths` are the files' paths in the folder.
pub(super) fn sites(parts: Vec<Part>, paths: &[&str], outlines: &[Outline], archive: &str) -> Vec<Site> {
    let mut group: Vec<usize> = (0..parts.len()).collect();
    for one in 0..parts.len() {
        for other in one + 1..parts.len() {
            if group[one] != group[other] && are_one(&parts[one], &parts[other], outlines) {
                let (from, to) = (group[other], group[one]);
                group.iter_mut().filter(|group| **group == from).for_each(|group| *group = to);
            }
        }
    }
    let mut gathered: BTreeMap<usize, Vec<Part>> = BTreeMap::new();
    for (part, group) in parts.into_iter().zip(group) {
        gathered.entry(group).or_default().push(part);
    }
    let mut sites: Vec<Site> = gathered.into_values().map(|parts| named(parts, paths, outlines, archive)).collect();
    // one place has one name through the years
    for at in 0..sites.len() {
        let cells = sites[at].cells();
        let known = sites[..at].iter().find(|other| {
            let shared = other.cells().intersection(&cells).count();
            2 * shared > cells.len().min(other.cells().len())
        });
        if let Some(known) = known
            && sites[at].named_by != "a label"
        {
            (sites[at].farm, sites[at].field, sites[at].named_by) =
                (known.farm.clone(), known.field.clone(), known.named_by);
        }
    }
    // no two site-years share a name
    let mut seen: BTreeSet<(Option<i32>, String, String)> = BTreeSet::new();
    for site in &mut sites {
        let plain = site.field.clone();
        let mut number = 1;
        while !seen.insert((site.season, site.farm.clone(), site.field.clone())) {
            number += 1;
            site.field = format!("{plain} {number}");
        }
    }
    sites.sort_by(|one, other| (one.season, &one.farm, &one.field).cmp(&(other.season, &other.farm, &other.field)));
    sites
}

fn are_one(one: &Part, other: &Part, outlines: &[Outline]) -> bool {
    if one.season != other.season {
        return false;
    }
    if let (Some(a), Some(b)) = (one.crop, other.crop)
        && a != b
    {
        return false;
    }
    if let (Some(a), Some(b)) = (&one.field, &other.field) {
        let far = (one.extent[0] - other.extent[0]).hypot(one.extent[1] - other.extent[1]) > 0.05;
        return a == b && one.farm == other.farm && !far;
    }
    if let (Some(a), Some(b)) = (one.outline, other.outline) {
        return a == b || same_ground(&outlines[a], &outlines[b]);
    }
    if one.outline.is_some() != other.outline.is_some() {
        return false;
    }
    // ground that overlaps, or parts of one field that touch along a side
    let shared = one.cells.intersection(&other.cells).count();
    let touching = one.cells.iter().filter(|cell| near(**cell).any(|next| other.cells.contains(&next))).count();
    one.file != other.file && (5 * shared > one.cells.len().min(other.cells.len()) || touching >= 4)
}

/// What a site-year takes of a log of an application: rows, and the first and last time among them, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Share {
    pub(super) rows: usize,
    pub(super) time_s: (f64, f64),
}

/// Days from an application to the end of the harvest, at most, as `run` has it.
const LONGEST_SEASON_S: f64 = 400.0 * 86_400.0;

/// The site-years, by their place among `sites`, that a log of an application belongs to: each of its rows to the next harvest of its
/// ground.
pub(super) fn owners(log: &Log, cells: Cells, sites: &[&Site]) -> BTreeMap<usize, Share> {
    let of_cells: Vec<BTreeSet<Cell>> = sites.iter().map(|site| site.cells()).collect();
    let span = |site: &Site| {
        let day = |month, day| {
            let date = chrono::NaiveDate::from_ymd_opt(site.season?, month, day)?;
            Some(date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp() as f64)
        };
        site.time_s().or_else(|| day(7, 1).zip(day(12, 31)))
    };
    let spans: Vec<Option<(f64, f64)>> = sites.iter().map(|site| span(site)).collect();
    let Some(time) = log.time_s() else { return BTreeMap::new() };
    let mut found: BTreeMap<usize, Share> = BTreeMap::new();
    for row in 0..log.x_m.len() {
        if !(log.longitude[row].is_finite() && log.latitude[row].is_finite() && time[row].is_finite()) {
            continue;
        }
        let cell = cells.of(log.longitude[row], log.latitude[row]);
        let wait = |at: usize| {
            let (first, last) = spans[at]?;
            let fits = of_cells[at].contains(&cell) && first > time[row] && last - time[row] <= LONGEST_SEASON_S;
            fits.then_some(first - time[row])
        };
        let next = (0..sites.len()).filter_map(|at| Some((wait(at)?, at)));
        let Some((_, at)) = next.min_by(|one, other| one.0.total_cmp(&other.0)) else { continue };
        let share = found.entry(at).or_insert(Share { rows: 0, time_s: (time[row], time[row]) });
        share.rows += 1;
        share.time_s = (share.time_s.0.min(time[row]), share.time_s.1.max(time[row]));
    }
    found.retain(|_, share| share.rows >= FEWEST);
    found
}

/// The site-year on whose ground most places lie, of the seasons given the first; with how many places.
pub(super) fn owner_of_places(
    places: &[(f64, f64)],
    years: &BTreeSet<i32>,
    cells: Cells,
    sites: &[&Site],
) -> Option<usize> {
    let holds = |site: &Site| {
        let own = site.cells();
        places.iter().filter(|(x, y)| near(cells.of(*x, *y)).any(|cell| own.contains(&cell))).count()
    };
    // winter crops are looked at in the autumn before, too
    let in_season = |site: &Site| {
        years.is_empty() || site.season.is_none_or(|season| years.contains(&season) || years.contains(&(season - 1)))
    };
    let fitting = sites.iter().enumerate().filter(|(_, site)| in_season(site)).map(|(at, site)| (at, holds(site)));
    let fitting = fitting.filter(|(_, count)| *count * 2 > places.len());
    fitting.max_by_key(|(at, count)| (*count, std::cmp::Reverse(*at))).map(|(at, _)| at)
}

/// How many folders two paths begin with alike.
pub(super) fn shared(one: &str, other: &str) -> usize {
    one.split('/').zip(other.split('/')).take_while(|(one, other)| one == other).count()
}

/// Folders that name no field.
const GENERIC: [&str; 34] = [
    "harvest",
    "yield",
    "data",
    "raw",
    "export",
    "exports",
    "exported",
    "logs",
    "log",
    "files",
    "file",
    "layers",
    "shp",
    "shape",
    "shapes",
    "csv",
    "ernte",
    "erntedaten",
    "daten",
    "rohdaten",
    "cosecha",
    "datos",
    "recolte",
    "donnees",
    "colheita",
    "dados",
    "fields",
    "farm",
    "combine",
    "monitor",
    "input",
    "inputs",
    "archive",
    "records",
];

fn named(parts: Vec<Part>, paths: &[&str], outlines: &[Outline], archive: &str) -> Site {
    let season = parts[0].season.or_else(|| year_in(paths[parts[0].file]));
    let path = paths[parts[0].file];
    // of several layers with one outline that nearest to the log
    let outline = parts.iter().find_map(|part| part.outline).map(|known| {
        let alike = (0..outlines.len()).filter(|&at| at == known || same_ground(&outlines[at], &outlines[known]));
        alike.max_by_key(|&at| (shared(path, paths[outlines[at].file]), std::cmp::Reverse(at))).unwrap_or(known)
    });
    let of_outline = outline.and_then(|at| outlines[at].field.clone());
    let farm_of_outline = outline.and_then(|at| outlines[at].farm.clone());
    let (by_path, farm_by_path) = by_path(paths[parts[0].file], parts[0].split.by_place || parts[0].split.by_label);
    let label = parts.iter().find_map(|part| part.field.clone());
    let (field, named_by) = match (label, of_outline, by_path) {
        (Some(label), _, _) => (label, "a label"),
        (None, Some(name), _) => (name, "its outline"),
        (None, None, Some(name)) => (name, "its path"),
        (None, None, None) => {
            let middle = |at: usize| middle_of(&[parts[0].extent[at], parts[0].extent[at + 2]]);
            (format!("{:.3} {:.3}", middle(1), middle(0)), "its place")
        }
    };
    let farm = parts
        .iter()
        .find_map(|part| part.farm.clone())
        .or(farm_of_outline)
        .or(farm_by_path.filter(|farm| *farm != field))
        .unwrap_or_else(|| archive.to_owned());
    let crop = parts
        .iter()
        .find_map(|part| part.crop)
        .or_else(|| parts.iter().find_map(|part| paths[part.file].split('/').find_map(words::crop)));
    Site { parts, season, farm, field, named_by, crop, outline }
}

/// A year among the names of a path.
pub(super) fn year_in(path: &str) -> Option<i32> {
    path.split(|c: char| !c.is_ascii_digit())
        .filter(|digits| digits.len() == 4)
        .filter_map(|digits| digits.parse().ok())
        .find(|year| (1990..2100).contains(year))
}

/// Field and farm by the folders of a file, else the field by the file's name.
fn by_path(path: &str, several: bool) -> (Option<String>, Option<String>) {
    let segments: Vec<&str> = path.split('/').collect();
    let generic = |word: &str| {
        let folded = words::folded(word);
        GENERIC.contains(&folded.as_str())
            || folded.chars().all(|c| !c.is_alphabetic())
            || words::crop(word).is_some()
            || folded.trim_end_matches(|c: char| c.is_ascii_digit() || matches!(c, '_' | '-')).len() < 3
    };
    let folders: Vec<&str> =
        segments[..segments.len() - 1].iter().copied().filter(|segment| !generic(segment)).collect();
    let farm = folders.len().checked_sub(2).map(|at| folders[at].to_owned());
    if let Some(field) = folders.last()
        && !several
    {
        return (Some((*field).to_owned()), farm);
    }
    let stem = segments.last().map_or("", |name| name.split('.').next().unwrap_or(""));
    let words: Vec<&str> = stem.split(['_', '-', ' ']).filter(|word| !generic(word)).collect();
    if words.is_empty() || several {
        (None, folders.last().map(|farm| (*farm).to_owned()))
    } else {
        (Some(words.join(" ")), folders.last().map(|farm| (*farm).to_owned()))
    }
}
