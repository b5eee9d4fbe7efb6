//! `draft`: from a folder of unknown files to an archive whose settings are written.
//!
//! What a file is follows from what it holds, what a column is from what it fits, a site-year from place, time and labels. What is
//! not sure is a question under `[answers]` of archive.toml, so that `run` says what it waits for instead of guessing.

mod ask;
mod columns;
mod crops;
mod known;
mod layers;
mod measures;
mod rates;
mod sight;
mod sites;
mod stations;
mod times;
mod write;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use thiserror::Error;

pub use ask::Question;

use crate::ingest;
use crate::raster::is_grid;
use columns::{Columns, SURE};
use layers::Layers;
use measures::Measures;
use rates::Rates;
use sight::{Kind, Log};
use sites::{Cells, Part, Share, Site};

/// Why nothing was drafted.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum DraftError {
    /// The folder is none.
    #[error("{0}: no such folder")]
    NoFolder(String),
    /// There is an archive already.
    #[error("{0}: holds an archive.toml; a draft never overwrites; `--update` adds what is new")]
    Exists(String),
    /// There is none to add to.
    #[error("{0}: holds no archive.toml to add to; draft without --update")]
    Nothing(String),
    /// No log was found.
    #[error("{folder}: no log of a harvest was found{detail}")]
    NoLog {
        /// The folder.
        folder: String,
        /// What was found instead.
        detail: String,
    },
    /// A file cannot be written.
    #[error("{path}: cannot be written: {reason}")]
    Write {
        /// The file.
        path: String,
        /// What the system said.
        reason: String,
    },
}

/// What to draft.
#[derive(Debug, Clone, Default)]
pub struct DraftOptions {
    /// The archive; the folder itself when not given.
    pub out: Option<PathBuf>,
    /// Add what is new to an archive that was drafted before.
    pub update: bool,
}

/// What was drafted.
#[derive(Debug, Clone, Default)]
pub struct DraftReport {
    /// The archive's folder.
    pub archive: PathBuf,
    /// The site-years' folders that were written or added to, relative to the archive.
    pub site_years: Vec<String>,
    /// What the data do not decide.
    pub questions: Vec<Question>,
    /// Keys of archive.toml that only the user can fill in.
    pub to_fill_in: Vec<String>,
    /// Entries that are written as remarks, to be uncommented where they are what they look like: the settings file, and what they
    /// hold.
    pub to_uncomment: Vec<(String, String)>,
    /// Files that serve nothing, and why.
    pub left_out: Vec<(String, String)>,
}

/// A file of the folder.
struct Seen {
    /// Relative to the folder, with `/`.
    name: String,
    path: PathBuf,
    kind: Kind,
}

/// Logs with the same columns.
struct Group {
    files: Vec<usize>,
    columns: Columns,
}

/// Logs of what was put down with the same columns.
struct AppliedGroup {
    files: Vec<usize>,
    rates: Rates,
}

/// All that was found in a folder.
struct Found {
    seen: Vec<Seen>,
    groups: Vec<Group>,
    applied: Vec<AppliedGroup>,
    measures: Vec<Measures>,
    layers: Layers,
    sites: Vec<Site>,
    /// Site-years that the archive has already, with their folders: later logs of applications and tables may belong to them.
    old: Vec<(Site, String)>,
    /// Files that the archive's settings name already.
    known: BTreeSet<usize>,
    cells: Cells,
    /// Of each site-year, the archive's own after the new ones: groups and files of logs of applications.
    shares: Vec<Vec<(usize, usize, Share)>>,
    /// The probable crops of each site-year that names none.
    crops: Vec<Vec<(&'static str, f64)>>,
    left_out: Vec<(String, String)>,
}

/// Drafts an archive.
///
/// # Errors
/// [`DraftError`]; nothing is written then, but for a file that could not be.
pub fn draft(folder: &Path, options: &DraftOptions) -> Result<DraftReport, DraftError> {
    if !folder.is_dir() {
        return Err(DraftError::NoFolder(folder.display().to_string()));
    }
    let archive = options.out.clone().unwrap_or_else(|| folder.to_path_buf());
    let has_archive = archive.join("archive.toml").exists();
    match (has_archive, options.update) {
        (true, false) => return Err(DraftError::Exists(archive.display().to_string())),
        (false, true) => return Err(DraftError::Nothing(archive.display().to_string())),
        _ => {}
    }
    let known = if options.update { known::known_files(&archive, folder) } else { BTreeMap::new() };
    let found = look_through(folder, &archive, &known, options.update)?;
    write::write(folder, &archive, &found, options.update)
}

/// Looks through a folder without writing anything: one line a file, and what is not understood.
pub fn glance(folder: &Path) -> Vec<(String, String)> {
    let names = data_files(folder, folder);
    let seen = look_at(folder, &names);
    seen.iter().map(|one| (one.name.clone(), described(&one.kind))).collect()
}

/// What one file is, as [`glance`] tells it.
pub(crate) fn glance_at(name: &str, path: &Path) -> String {
    described(&sight::look(name, path, None))
}

/// The columns of one data file and what they probably are: name, what, probability, evidence.
pub fn probable_columns(name: &str, path: &Path) -> Vec<(String, String, f64, String)> {
    let kind = sight::look(name, path, None);
    if let Kind::Stations(table) = &kind {
        return table.listed();
    }
    let of_measures = || measures::measures(0, &kind).map_or_else(Vec::new, |found| found.listed());
    let Kind::Log(log) = &kind else { return of_measures() };
    let label = columns::crop_column(&log.columns, &log.texts);
    let crop = label
        .and_then(|label| log.texts[&label].iter().flatten().find_map(crate::consistency::words::crop))
        .or_else(|| name.split(['/', '.']).find_map(crate::consistency::words::crop));
    let columns = columns::columns_of(&[log], crop, bushel(crop));
    let rates = rates_of(&[log], &columns);
    let of_measures = if columns.has_grain || rates.is_some() { Vec::new() } else { of_measures() };
    let mut listed = Vec::new();
    if let Some(time) = log.times.first() {
        let clock = time.clock.as_ref().map_or_else(String::new, |clock| format!(" and `{clock}`"));
        listed.push((
            time.column.clone(),
            format!("time, {}{clock}", time.format),
            time.probability,
            time.evidence.clone(),
        ));
    }
    if let sight::Place::Columns(lon, lat, probability) = &log.place {
        listed.push((lon.clone(), "longitude".to_owned(), *probability, "a pair that spans a field".to_owned()));
        listed.push((lat.clone(), "latitude".to_owned(), *probability, "a pair that spans a field".to_owned()));
    }
    listed.extend(rates.iter().flat_map(Rates::listed));
    for one in of_measures {
        if listed.iter().all(|known| known.0 != one.0) {
            listed.push(one);
        }
    }
    for line in &columns.lines {
        // a log of rates cuts no grain
        let is_grain = matches!(line.key, "mass_flow" | "yield" | "moisture");
        if listed.iter().any(|known| known.0 == line.column) || rates.is_some() && is_grain {
            continue;
        }
        let unit = if line.unit.is_empty() { String::new() } else { format!(" in {}", line.unit) };
        listed.push((line.column.clone(), format!("{}{unit}", line.key), line.probability, line.evidence.clone()));
    }
    for (channel, column) in &columns.labels {
        listed.push((column.clone(), channel.key().to_owned(), 0.97, "its name and values".to_owned()));
    }
    let free = |column: &String| listed.iter().all(|known| known.0 != *column);
    let left_out: Vec<_> = columns.left_out.iter().filter(|one| free(&one.0)).collect();
    listed.extend(left_out.into_iter().map(|(column, what)| (column.clone(), what.clone(), f64::NAN, String::new())));
    listed
}

fn described(kind: &Kind) -> String {
    match kind {
        Kind::Log(log) => {
            let time = log.times.first().map_or("without times", |_| "with times");
            let rows = log.x_m.len();
            let columns = columns::columns_of(&[log], None, bushel(None));
            if let Some(rates) = rates_of(&[log], &columns) {
                return format!("{rows} records of an application, {time}; rates: {}", rates.levels_text());
            }
            match measures::measures(0, kind).filter(|_| !columns.has_grain) {
                Some(found) => format!("{rows} records with places, {time}; perhaps {}", found.says()),
                None => format!("{rows} records with places, {time}"),
            }
        }
        Kind::Polygons(layer) => {
            let mut all = Layers::default();
            layers::add(&mut all, 0, layer);
            if let Some(strips) = all.strips.first() {
                format!(
                    "{} strips; treatments {}",
                    layer.shapes.len(),
                    strips.labels.iter().cloned().collect::<Vec<_>>().join(", ")
                )
            } else if let Some(soils) = all.soils.first() {
                let what = if soils.by_unit { "keys of map units" } else { "drainage classes" };
                format!("{} soil polygons; {what} in `{}`", soils.polygons, soils.class)
            } else {
                format!("{} polygons, perhaps boundaries", layer.shapes.len())
            }
        }
        Kind::Grid(grid) => format!("a grid with values about {:.1}", grid.middle),
        Kind::Components => "components of a soil survey's map units".to_owned(),
        Kind::Tickets(table) => format!("{} scale tickets", table.rows),
        Kind::Stations(table) => table.says(),
        Kind::Rows(_) => match measures::measures(0, kind) {
            Some(found) => format!("a table without places that names strips; perhaps {}", found.says()),
            None => format!("left out: {NO_PLACES}"),
        },
        Kind::Other(reason) => format!("left out: {reason}"),
    }
}

const NO_PLACES: &str = "a table without places";

/// What logs tell of an application; `None` for those of a harvest.
fn rates_of(logs: &[&Log], columns: &Columns) -> Option<Rates> {
    let rates = rates::rates(logs, columns)?;
    let grain = columns.lines.iter().find(|line| matches!(line.key, "mass_flow" | "yield"));
    let is_rate = |column: &String| {
        rates.rate.as_ref().is_some_and(|rate| rate.column == *column) || rates.target.as_ref() == Some(column)
    };
    let has_moisture = columns.lines.iter().any(|line| line.key == "moisture" && line.probability >= SURE);
    // a grain that only its range speaks for gives way to a rate
    let gives_way = |line: &columns::Line| {
        let is_surer = rates.rate.as_ref().is_some_and(|rate| rate.probability >= SURE && line.probability < SURE);
        rates.is_named && is_rate(&line.column) || is_surer && !has_moisture
    };
    grain.is_none_or(gives_way).then_some(rates)
}

fn bushel(crop: Option<&str>) -> crate::quantity::BushelWeight {
    let pounds = match crop {
        Some("soybean" | "wheat") => 60.0,
        Some("barley") => 48.0,
        Some("oats") => 32.0,
        Some("canola") => 50.0,
        _ => 56.0,
    };
    crate::quantity::BushelWeight::from_pounds(pounds)
}

/// Files of data below a folder, relative to it, without an archive's own.
fn data_files(folder: &Path, archive: &Path) -> Vec<String> {
    let skip = archive.canonicalize().ok().filter(|archive| folder.canonicalize().ok().as_ref() != Some(archive));
    let hidden = |entry: &walkdir::DirEntry| {
        entry.depth() > 0 && entry.file_name().to_str().is_some_and(|name| name.starts_with('.'))
    };
    let is_archive = |entry: &walkdir::DirEntry| {
        skip.is_some() && entry.file_type().is_dir() && entry.path().canonicalize().ok() == skip
    };
    walkdir::WalkDir::new(folder)
        .follow_links(true)
        .sort_by_file_name()
        .into_iter()
        .filter_entry(|entry| !hidden(entry) && !is_archive(entry))
        .filter_map(Result::ok)
        .filter(|entry| entry.file_type().is_file())
        .flat_map(|entry| {
            let below = entry.path().strip_prefix(folder).unwrap_or(entry.path());
            let parts: Vec<_> =
                below.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect();
            let name = parts.join("/");
            // of a .zip with several files each by itself
            let members = ingest::members(entry.path());
            if members.len() < 2 {
                vec![name]
            } else {
                members.iter().map(|member| format!("{name}/{member}")).collect()
            }
        })
        .filter(|name| {
            let own = ["archive.toml", "field.toml", "draft.md", write::ARCHIVE_SCHEMA, write::FIELD_SCHEMA];
            let part = ["dbf", "shx", "prj", "cpg", "sbn", "sbx", "qmd", "xml", "hdr", "stx"];
            let extension = name.rsplit('.').next().unwrap_or("").to_ascii_lowercase();
            let path = folder.join(name);
            // the logs of task data stand for themselves in TASKDATA.XML
            let is_log = extension == "bin" && path.parent().is_some_and(|folder| ingest::data_file(folder).is_some());
            let is_part = part.contains(&extension.as_str()) && !ingest::is_table(&path);
            !own.contains(&name.rsplit('/').next().unwrap_or("")) && !is_part && !is_log
        })
        .collect()
}

fn look_at(folder: &Path, names: &[String]) -> Vec<Seen> {
    let is_table = |name: &&String| {
        let lower = name.to_ascii_lowercase();
        [".csv", ".csv.gz", ".txt", ".tsv", ".parquet"].iter().any(|end| lower.ends_with(end))
    };
    let see = |name: &String, extent: Option<[f64; 4]>| {
        let path = folder.join(name);
        let kind = if is_grid(&path) || ingest::is_table(&path) {
            sight::look(name, &path, extent)
        } else {
            Kind::Other("a kind of file that is not read".to_owned())
        };
        Seen { name: name.clone(), path, kind }
    };
    let (tables, layers): (Vec<&String>, Vec<&String>) = names.iter().partition(is_table);
    let mut seen: Vec<Seen> = layers.par_iter().map(|name| see(name, None)).collect();
    // layers of polygons tell where the fields are, and with that which of two columns is the longitude
    let rects = seen.iter().filter_map(|one| match &one.kind {
        Kind::Polygons(layer) => Some(layer.shapes.iter().filter_map(geo::BoundingRect::bounding_rect)),
        _ => None,
    });
    let extent = rects.flatten().fold(None, |known: Option<[f64; 4]>, rect| {
        let (low, high) = (rect.min(), rect.max());
        let [w, s, e, n] = known.unwrap_or([low.x, low.y, high.x, high.y]);
        Some([w.min(low.x), s.min(low.y), e.max(high.x), n.max(high.y)])
    });
    seen.extend(tables.par_iter().map(|name| see(name, extent)).collect::<Vec<_>>());
    seen.sort_by(|one, other| one.name.cmp(&other.name));
    seen
}

fn look_through(
    folder: &Path,
    archive: &Path,
    known: &BTreeMap<PathBuf, String>,
    update: bool,
) -> Result<Found, DraftError> {
    let names = data_files(folder, archive);
    let seen = look_at(folder, &names);
    let mut left_out: Vec<(String, String)> = Vec::new();
    let place_of = |at: usize| known::real(&seen[at].path).and_then(|path| known.get(&path));
    // logs with the same columns are judged together, those that the archive has already by themselves
    let mut by_columns: BTreeMap<(bool, Vec<String>), Vec<usize>> = BTreeMap::new();
    for (at, one) in seen.iter().enumerate() {
        match &one.kind {
            Kind::Log(log) => by_columns.entry((place_of(at).is_some(), key_of(log))).or_default().push(at),
            Kind::Other(reason) => left_out.push((one.name.clone(), reason.clone())),
            _ => {}
        }
    }
    let log_of = |at: usize| if let Kind::Log(log) = &seen[at].kind { Some(log) } else { None };
    let judged: Vec<(Vec<usize>, Columns, Option<Rates>)> = by_columns
        .into_values()
        .collect::<Vec<_>>()
        .into_par_iter()
        .map(|files| {
            let logs: Vec<&Log> = files.iter().filter_map(|&at| log_of(at)).collect();
            let crop = crop_of(&files, &seen);
            let columns = columns::columns_of(&logs, crop, bushel(crop));
            let rates = rates_of(&logs, &columns);
            (files, columns, rates)
        })
        .collect();
    let (mut groups, mut applied, mut measured): (Vec<Group>, Vec<AppliedGroup>, Vec<Measures>) = Default::default();
    for (files, columns, rates) in judged {
        if let Some(rates) = rates {
            applied.push(AppliedGroup { files, rates });
        } else if columns.has_grain && files.iter().all(|&at| log_of(at).is_some_and(|log| !log.of_lines)) {
            groups.push(Group { files, columns });
        } else {
            for at in files {
                let reason = "records with places, but neither a flow of grain nor a yield was found among the columns";
                match measures::measures(at, &seen[at].kind) {
                    Some(found) => measured.push(found),
                    None => left_out.push((seen[at].name.clone(), reason.to_owned())),
                }
            }
        }
    }
    for (at, one) in seen.iter().enumerate() {
        if matches!(one.kind, Kind::Rows(_)) {
            match measures::measures(at, &one.kind) {
                Some(found) => measured.push(found),
                None => left_out.push((one.name.clone(), NO_PLACES.to_owned())),
            }
        }
    }
    let mut layers = Layers::default();
    for (at, one) in seen.iter().enumerate() {
        if let Kind::Polygons(layer) = &one.kind {
            layers::add(&mut layers, at, layer);
        }
    }
    let logs = groups.iter().flat_map(|group| group.files.iter()).filter_map(|&at| log_of(at));
    let latitudes: Vec<f64> = logs.map(|log| sight::middle_of(&log.latitude)).collect();
    if latitudes.is_empty() && !update {
        let detail = left_out.first().map_or_else(String::new, |(name, reason)| format!("; {name}: {reason}"));
        return Err(DraftError::NoLog { folder: folder.display().to_string(), detail });
    }
    let cells = Cells::new(sight::middle_of(&latitudes));
    let parts: Vec<Vec<Part>> = groups
        .par_iter()
        .flat_map_iter(|group| group.files.iter().map(move |&at| (at, group)))
        .map(|(at, group)| {
            log_of(at).map_or_else(Vec::new, |log| sites::parts(at, log, &group.columns, &layers.outlines, cells))
        })
        .collect();
    let (old, new): (Vec<Part>, Vec<Part>) =
        parts.into_iter().flatten().partition(|part| place_of(part.file).is_some());
    let paths: Vec<&str> = seen.iter().map(|one| one.name.as_str()).collect();
    let name = known::archive_name(folder);
    let sites_of = |parts| sites::sites(parts, &paths, &layers.outlines, &name);
    let (sites, old) = (sites_of(new), sites_of(old));
    let old = old.into_iter().filter_map(|site| Some((place_of(site.parts[0].file)?.clone(), site)));
    let old = old.map(|(place, site)| (site, place)).collect();
    let known = (0..seen.len()).filter(|&at| place_of(at).is_some()).collect();
    let (crops, measures) = (Vec::new(), measured);
    let shares = Vec::new();
    let mut found =
        Found { seen, groups, applied, measures, layers, sites, old, known, cells, shares, crops, left_out };
    found.shares = shares_of(&found);
    found.crops = found
        .sites
        .par_iter()
        .map(|site| if site.crop.is_none() { crops::probable(site, &found) } else { Vec::new() })
        .collect();
    Ok(found)
}

/// Of each site-year the logs of applications.
fn shares_of(found: &Found) -> Vec<Vec<(usize, usize, Share)>> {
    let sites: Vec<&Site> = found.all_sites();
    let files: Vec<(usize, usize)> = found
        .applied
        .iter()
        .enumerate()
        .flat_map(|(group, applied)| applied.files.iter().map(move |&file| (group, file)))
        .collect();
    let owners: Vec<_> = files
        .par_iter()
        .map(|&(_, file)| match &found.seen[file].kind {
            Kind::Log(log) => sites::owners(log, found.cells, &sites),
            _ => BTreeMap::new(),
        })
        .collect();
    let mut shares = vec![Vec::new(); sites.len()];
    for ((group, file), owners) in files.into_iter().zip(owners) {
        for (site, share) in owners {
            shares[site].push((group, file, share));
        }
    }
    shares
}

impl Found {
    /// The new site-years, then those that the archive has.
    fn all_sites(&self) -> Vec<&Site> {
        self.sites.iter().chain(self.old.iter().map(|(site, _)| site)).collect()
    }
}

fn key_of(log: &Log) -> Vec<String> {
    let mut key = log.columns.clone();
    key.push(match &log.place {
        sight::Place::Projected(_, _, Some(epsg)) => format!("EPSG:{epsg}"),
        place => format!("{}", matches!(place, sight::Place::Geometry)),
    });
    key.extend(log.numbers.iter().filter_map(|column| column.unit.clone()));
    // files of one make read their times alike
    key.extend(log.times.first().map(|time| time.format.clone()));
    key
}

/// The crop of a group of logs, where labels or paths say it.
fn crop_of(files: &[usize], seen: &[Seen]) -> Option<&'static str> {
    let mut crops: BTreeSet<&'static str> = BTreeSet::new();
    for &at in files {
        let Kind::Log(log) = &seen[at].kind else { continue };
        let label = columns::crop_column(&log.columns, &log.texts);
        let by_label =
            label.and_then(|name| log.texts[&name].iter().flatten().find_map(crate::consistency::words::crop));
        let by_path = || seen[at].name.split('/').find_map(crate::consistency::words::crop);
        crops.extend(by_label.or_else(by_path));
    }
    if crops.len() == 1 { crops.first().copied() } else { None }
}
