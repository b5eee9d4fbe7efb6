//! `draft`: from a folder of unknown files to an archive whose settings are written.
//!
//! What a file is follows from what it holds, what a column is from what it fits, a site-year from place, time and labels. What is
//! not sure is a question under `[answers]` of archive.toml, so that `run` says what it waits for instead of guessing.

mod ask;
mod columns;
mod crops;
mod known;
mod layers;
mod sight;
mod sites;
mod times;
mod write;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use thiserror::Error;

pub use ask::Question;

use crate::ingest;
use crate::raster::is_grid;
use columns::Columns;
use layers::Layers;
use sight::{Kind, Log};
use sites::{Cells, Part, Site};

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

/// All that was found in a folder.
struct Found {
    seen: Vec<Seen>,
    groups: Vec<Group>,
    layers: Layers,
    sites: Vec<Site>,
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
    let known = if options.update { known::known_files(&archive, folder) } else { BTreeSet::new() };
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
    let Kind::Log(log) = sight::look(name, path, None) else { return Vec::new() };
    let label = columns::crop_column(&log.columns, &log.texts);
    let crop = label
        .and_then(|label| log.texts[&label].iter().flatten().find_map(crate::consistency::words::crop))
        .or_else(|| name.split(['/', '.']).find_map(crate::consistency::words::crop));
    let columns = columns::columns_of(&[&log], crop, bushel(crop));
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
    for line in &columns.lines {
        let unit = if line.unit.is_empty() { String::new() } else { format!(" in {}", line.unit) };
        listed.push((line.column.clone(), format!("{}{unit}", line.key), line.probability, line.evidence.clone()));
    }
    for (channel, column) in &columns.labels {
        listed.push((column.clone(), channel.key().to_owned(), 0.97, "its name and values".to_owned()));
    }
    listed
        .extend(columns.left_out.iter().map(|(column, what)| (column.clone(), what.clone(), f64::NAN, String::new())));
    listed
}

fn described(kind: &Kind) -> String {
    match kind {
        Kind::Log(log) => {
            let time = log.times.first().map_or("without times", |_| "with times");
            format!("{} records with places, {time}", log.x_m.len())
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
        Kind::Other(reason) => format!("left out: {reason}"),
    }
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

fn look_through(folder: &Path, archive: &Path, known: &BTreeSet<PathBuf>, update: bool) -> Result<Found, DraftError> {
    let names = data_files(folder, archive);
    let mut seen = look_at(folder, &names);
    let mut left_out: Vec<(String, String)> = Vec::new();
    if update {
        let is_known = |one: &Seen| {
            matches!(one.kind, Kind::Log(_)) && known::real(&one.path).is_some_and(|path| known.contains(&path))
        };
        seen.retain(|one| !is_known(one));
    }
    // logs with the same columns are judged together
    let mut by_columns: BTreeMap<Vec<String>, Vec<usize>> = BTreeMap::new();
    for (at, one) in seen.iter().enumerate() {
        match &one.kind {
            Kind::Log(log) => by_columns.entry(key_of(log)).or_default().push(at),
            Kind::Other(reason) => left_out.push((one.name.clone(), reason.clone())),
            _ => {}
        }
    }
    let log_of = |at: usize| if let Kind::Log(log) = &seen[at].kind { Some(log) } else { None };
    let groups: Vec<(Vec<usize>, Columns)> = by_columns
        .into_values()
        .collect::<Vec<_>>()
        .into_par_iter()
        .map(|files| {
            let logs: Vec<&Log> = files.iter().filter_map(|&at| log_of(at)).collect();
            let crop = crop_of(&files, &seen);
            let columns = columns::columns_of(&logs, crop, bushel(crop));
            (files, columns)
        })
        .collect();
    let (groups, others): (Vec<_>, Vec<_>) = groups.into_iter().partition(|(_, columns)| columns.has_grain);
    for (files, _) in others {
        let reason = "records with places, but neither a flow of grain nor a yield was found among the columns";
        left_out.extend(files.into_iter().map(|at| (seen[at].name.clone(), reason.to_owned())));
    }
    let groups: Vec<Group> = groups.into_iter().map(|(files, columns)| Group { files, columns }).collect();
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
    let paths: Vec<&str> = seen.iter().map(|one| one.name.as_str()).collect();
    let name = known::archive_name(folder);
    let sites = sites::sites(parts.into_iter().flatten().collect(), &paths, &layers.outlines, &name);
    let mut found = Found { groups, layers, sites, crops: Vec::new(), left_out, seen };
    found.crops = found
        .sites
        .par_iter()
        .map(|site| if site.crop.is_none() { crops::probable(site, &found) } else { Vec::new() })
        .collect();
    Ok(found)
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

/// The crop of a group of logs, where one is told by labels or paths.
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
