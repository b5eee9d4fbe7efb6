//! From the paths as typed to the files: globs resolved, the archive never left.

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

use chrono::{Datelike, NaiveDate};
use thiserror::Error;

use super::discover::{SiteYearFolder, relative};
use crate::bundle::on_disk;
use crate::config::{
    ArchiveSettings, FieldSettings, PrecipitationGrids, WetnessMeasure, WetnessSettings, holds_months,
};
use crate::ingest::{
    CovariateFiles, InputFile, SeasonGrids, SiteYearFiles, Wanted, data_file, read_table, station_years, window_months,
};

/// A path that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum PathFault {
    /// It leads out of the archive.
    #[error("{key}: `{path}` leaves the archive; give --allow-outside to permit that")]
    Outside {
        /// The key that names it.
        key: String,
        /// As typed.
        path: String,
    },
    /// Nothing is there.
    #[error("{key}: `{path}` matches no file")]
    Missing {
        /// The key that names it.
        key: String,
        /// As typed.
        path: String,
    },
    /// A window about planting, and no day of planting.
    #[error("archive.toml: wetness.window counts days from planting; give field.toml `planted`, such as 2023-04-29")]
    NotPlanted,
    /// A photograph that is not a file.
    #[error("{key}: `{path}` is a web address; expected a file beside the table, since nothing is downloaded")]
    Remote {
        /// The table, row and column that name it.
        key: String,
        /// As typed.
        path: String,
    },
    /// It is no glob.
    #[error("{key}: `{path}` is not a path or glob: {reason}")]
    Pattern {
        /// The key that names it.
        key: String,
        /// As typed.
        path: String,
        /// What is wrong with it.
        reason: String,
    },
}

struct Resolver<'a> {
    archive: &'a Path,
    real_archive: PathBuf,
    allow_outside: bool,
}

/// Finds all files of a site-year.
///
/// # Errors
/// [`PathFault`] for the first path that cannot be used.
pub fn resolve(
    archive: &Path,
    folder: &SiteYearFolder,
    field: &FieldSettings,
    settings: &ArchiveSettings,
    allow_outside: bool,
) -> Result<SiteYearFiles, PathFault> {
    let real_archive = archive.canonicalize().unwrap_or_else(|_| archive.to_path_buf());
    let resolver = Resolver { archive, real_archive, allow_outside };
    let mut harvest = resolver.logs(folder, "harvest", field.harvest.iter().map(|entry| &entry.paths))?;
    once(&mut harvest, field);
    let applied = resolver.logs(folder, "applied", field.applied.iter().map(|entry| &entry.log.paths))?;
    let observed = resolver.logs(folder, "observed", field.observed.iter().map(|entry| &entry.paths))?;
    let photos = resolver.photos(field, &observed, settings)?;
    let covariates = resolver.covariates(folder, field)?;
    let of_field = |path: &Option<String>, key: &str| {
        path.as_ref()
            .map(|path| resolver.single(&folder.path, path, &format!("{}/field.toml: {key}", folder.name)))
            .transpose()
    };
    let of_archive = |path: &str, key: &str| resolver.single(archive, path, &format!("archive.toml: {key}"));
    let strip_path = field.strips.as_ref().and_then(|strips| strips.path.clone());
    let carries_class = field.harvest.iter().any(|entry| entry.labels.drainage_class.is_some());
    let soils = match &settings.soil.path {
        Some(path) if !carries_class => resolver.glob(archive, path, "archive.toml: soil.path")?,
        _ => Vec::new(),
    };
    let soil_components = match &settings.soil.components {
        Some(components) if !soils.is_empty() => {
            resolver.glob(archive, &components.path, "archive.toml: soil.components")?
        }
        _ => Vec::new(),
    };
    let dem = settings.soil.dem.as_ref().map(|path| of_archive(path, "soil.dem")).transpose()?;
    let wetness = settings
        .wetness
        .as_ref()
        .map(|wetness| resolver.with_history(wetness, field.season, field.planted))
        .transpose()?;
    Ok(SiteYearFiles {
        harvest,
        boundary: of_field(&field.boundary, "boundary.path")?,
        strips: of_field(&strip_path, "strips.path")?,
        soils,
        soil_components,
        dem,
        tickets: of_field(&field.tickets, "tickets.path")?,
        wetness,
        applied,
        observed,
        photos,
        covariates,
    })
}

/// The seasons of which the archive holds every grid, each for a planting on the same day of the year.
///
/// # Errors
/// [`PathFault`] for a grid that lies outside the archive.
pub(super) fn seasons_with_grids(
    archive: &Path,
    wetness: &WetnessSettings,
    planted: Option<NaiveDate>,
    allow_outside: bool,
) -> Result<Vec<SeasonGrids>, PathFault> {
    let real_archive = archive.canonicalize().unwrap_or_else(|_| archive.to_path_buf());
    let resolver = Resolver { archive, real_archive, allow_outside };
    let mut seasons = resolver.all_seasons(wetness, planted)?;
    if wetness.measure == WetnessMeasure::Spi {
        let history: Vec<_> = seasons.iter().map(|one| (one.totals.clone(), one.months.clone())).collect();
        for season in &mut seasons {
            season.history.clone_from(&history);
        }
    }
    Ok(seasons)
}

/// The grids of one season by calendar months; `None` where they hang on the day of planting, or lie elsewhere.
pub(super) fn grids_of_season(
    archive: &Path,
    wetness: &WetnessSettings,
    season: i32,
    allow_outside: bool,
) -> Option<SeasonGrids> {
    let real_archive = archive.canonicalize().unwrap_or_else(|_| archive.to_path_buf());
    Resolver { archive, real_archive, allow_outside }.season_grids(wetness, season, None).ok()
}

/// Years in which grids of precipitation are looked for.
const CALENDAR: std::ops::RangeInclusive<i32> = 1850..=2150;

/// A log of harvest that the globs of two entries match is read by the first, unless they take different rows of it.
fn once(harvest: &mut [Vec<InputFile>], field: &FieldSettings) {
    for entry in 1..harvest.len() {
        let (before, after) = harvest.split_at_mut(entry);
        let filter = &field.harvest[entry].filter;
        let known = |file: &InputFile| {
            let same_rows = before.iter().zip(&field.harvest).filter(|(_, settings)| settings.filter == *filter);
            same_rows.flat_map(|(files, _)| files).any(|known| known.path == file.path)
        };
        after[0].retain(|file| !known(file));
    }
}

/// Any season: it tells which months a season has.
const SOME_SEASON: i32 = 2001;

impl Resolver<'_> {
    /// The files of each entry of `key`, sorted by name, each once.
    fn logs<'p>(
        &self,
        folder: &SiteYearFolder,
        key: &str,
        entries: impl Iterator<Item = &'p Vec<String>>,
    ) -> Result<Vec<Vec<InputFile>>, PathFault> {
        let mut logs: Vec<Vec<InputFile>> = Vec::new();
        for (number, paths) in entries.enumerate() {
            let key = format!("{}/field.toml: {key}[{}].path", folder.name, number + 1);
            let mut found = Vec::new();
            for path in paths {
                found.extend(self.glob(&folder.path, path, &key)?);
            }
            found.sort_by(|one: &InputFile, other| one.name.cmp(&other.name));
            found.dedup();
            logs.push(found);
        }
        Ok(logs)
    }

    /// The photographs that tables of observations name, by table and cell. A table that cannot be read is reported when it is.
    fn photos(
        &self,
        field: &FieldSettings,
        observed: &[Vec<InputFile>],
        settings: &ArchiveSettings,
    ) -> Result<BTreeMap<(String, String), InputFile>, PathFault> {
        let mut photos = BTreeMap::new();
        for (entry, files) in field.observed.iter().zip(observed) {
            let Some(column) = &entry.photo else { continue };
            let most_unpacked_bytes = settings.read.most_unpacked_bytes;
            let wanted = Wanted { texts: vec![column.clone()], most_unpacked_bytes, ..Wanted::default() };
            for InputFile { name: table_name, path } in files {
                let Ok(table) = read_table(table_name, path, &wanted) else { continue };
                let (holder, _) = on_disk(path);
                let base = holder.parent().unwrap_or(self.archive);
                for (row, cell) in table.texts[column].iter().enumerate() {
                    let Some(cell) = cell else { continue };
                    let key = format!("{table_name}: row {}, column `{column}`", row + 1);
                    if cell.contains("://") || cell.starts_with("//") || cell.starts_with("data:") {
                        return Err(PathFault::Remote { key, path: cell.to_owned() });
                    }
                    let file = self.single(base, cell, &key)?;
                    photos.insert((table_name.clone(), cell.to_owned()), file);
                }
            }
        }
        Ok(photos)
    }

    /// The layers of each covariate, sorted by name, each once.
    fn covariates(&self, folder: &SiteYearFolder, field: &FieldSettings) -> Result<Vec<CovariateFiles>, PathFault> {
        let mut all = Vec::new();
        for one in &field.covariates {
            let (base, file) = if one.of_archive {
                (self.archive, "archive.toml".to_owned())
            } else {
                (folder.path.as_path(), format!("{}/field.toml", folder.name))
            };
            let key = format!("{file}: covariate `{}`: path", one.name);
            let mut files = Vec::new();
            for path in &one.paths {
                files.extend(self.glob(base, path, &key)?);
            }
            files.sort_by(|one: &InputFile, other| one.name.cmp(&other.name));
            files.dedup();
            all.push(CovariateFiles { of_archive: one.of_archive, files });
        }
        Ok(all)
    }

    /// The grids of a season, with those of all others where an index is made of them.
    fn with_history(
        &self,
        wetness: &WetnessSettings,
        season: i32,
        planted: Option<NaiveDate>,
    ) -> Result<SeasonGrids, PathFault> {
        let mut grids = self.season_grids(wetness, season, planted)?;
        if wetness.measure == WetnessMeasure::Spi && !matches!(wetness.grids, PrecipitationGrids::Stations(_)) {
            let all = self.all_seasons(wetness, planted)?;
            grids.history = all.into_iter().map(|one| (one.totals, one.months)).collect();
        }
        Ok(grids)
    }

    fn all_seasons(
        &self,
        wetness: &WetnessSettings,
        planted: Option<NaiveDate>,
    ) -> Result<Vec<SeasonGrids>, PathFault> {
        let mut found = Vec::new();
        if let PrecipitationGrids::Stations(stations) = &wetness.grids {
            let some = self.season_grids(wetness, SOME_SEASON, planted)?;
            for later in station_years(&some, stations) {
                found.push(self.season_grids(wetness, SOME_SEASON + later, planted)?);
            }
            return Ok(found);
        }
        for season in CALENDAR {
            match self.season_grids(wetness, season, planted) {
                Ok(grids) if !grids.are_there() => {}
                Ok(grids) => found.push(grids),
                Err(PathFault::Missing { .. }) => {}
                Err(fault) => return Err(fault),
            }
        }
        Ok(found)
    }

    /// The grids of a season. A window about planting takes the day of the year of `planted`, and the calendar's year of each
    /// month for `{season}`.
    fn season_grids(
        &self,
        wetness: &WetnessSettings,
        season: i32,
        planted: Option<NaiveDate>,
    ) -> Result<SeasonGrids, PathFault> {
        let of_archive = |path: &str, key: &str| self.single(self.archive, path, &format!("archive.toml: {key}"));
        let filled = |pattern: &str, (year, month): (i32, Option<u32>)| {
            let month = month.map_or_else(String::new, |month| format!("{month:02}"));
            pattern.replace("{season}", &year.to_string()).replace("{month}", &month)
        };
        let months: Vec<(i32, u32, f64)> = match wetness.window_d {
            None => wetness.months.iter().map(|&month| (season, month, 1.0)).collect(),
            Some(window) => {
                let day = planted.ok_or(PathFault::NotPlanted)?;
                // 29 February is the 28th in other years
                let day = day.with_year(season).or_else(|| day.with_day(28)?.with_year(season));
                day.map(|day| window_months(day, window)).unwrap_or_default()
            }
        };
        let monthly = |pattern: &str, key: &str| {
            let files = months.iter().map(|&(year, month, _)| of_archive(&filled(pattern, (year, Some(month))), key));
            files.collect::<Result<Vec<_>, _>>()
        };
        let history = Vec::new();
        match &wetness.grids {
            PrecipitationGrids::TotalAndNormal { total, normal } => Ok(SeasonGrids {
                totals: monthly(total, "wetness.total")?,
                normals: monthly(normal, "wetness.normal")?,
                months,
                history,
            }),
            PrecipitationGrids::Stations(stations) => {
                let totals = self.glob(self.archive, &stations.path, "archive.toml: wetness.stations")?;
                Ok(SeasonGrids { totals, months, ..SeasonGrids::default() })
            }
            PrecipitationGrids::Departure(pattern) if pattern.contains("{month}") || holds_months(pattern) => {
                let totals = monthly(pattern, "wetness.departure")?;
                Ok(SeasonGrids { totals, months, ..SeasonGrids::default() })
            }
            PrecipitationGrids::Departure(pattern) => {
                let totals = vec![of_archive(&filled(pattern, (season, None)), "wetness.departure")?];
                Ok(SeasonGrids { totals, ..SeasonGrids::default() })
            }
        }
    }

    fn single(&self, base: &Path, path: &str, key: &str) -> Result<InputFile, PathFault> {
        self.refuse_outside(path, key)?;
        let full = base.join(path);
        if data_file(&full).is_none() {
            return Err(PathFault::Missing { key: key.to_owned(), path: path.to_owned() });
        }
        self.inside(&full, path, key)?;
        Ok(self.named(full))
    }

    fn glob(&self, base: &Path, path: &str, key: &str) -> Result<Vec<InputFile>, PathFault> {
        self.refuse_outside(path, key)?;
        let literal = base.join(path);
        if let Some(literal) = data_file(&literal) {
            self.inside(&literal, path, key)?;
            return Ok(vec![self.named(literal)]);
        }
        let fault = |reason: String| PathFault::Pattern { key: key.to_owned(), path: path.to_owned(), reason };
        let escaped = glob::Pattern::escape(&base.to_string_lossy());
        let pattern = format!("{escaped}/{path}");
        let matches = glob::glob(&pattern).map_err(|error| fault(error.msg.to_owned()))?;
        let mut files = Vec::new();
        for found in matches {
            let found = found.map_err(|error| fault(error.error().to_string()))?;
            if let Some(found) = data_file(&found) {
                self.inside(&found, path, key)?;
                files.push(self.named(found));
            }
        }
        files.sort_by(|one, other| one.name.cmp(&other.name));
        if files.is_empty() {
            return Err(PathFault::Missing { key: key.to_owned(), path: path.to_owned() });
        }
        Ok(files)
    }

    /// A path that begins at the root, or climbs, is refused before it is looked at.
    fn refuse_outside(&self, path: &str, key: &str) -> Result<(), PathFault> {
        if self.allow_outside {
            return Ok(());
        }
        let absolute =
            Path::new(path).components().any(|part| matches!(part, Component::RootDir | Component::Prefix(_)));
        if absolute { Err(PathFault::Outside { key: key.to_owned(), path: path.to_owned() }) } else { Ok(()) }
    }

    /// Where the file really lies, links followed.
    fn inside(&self, file: &Path, path: &str, key: &str) -> Result<(), PathFault> {
        if self.allow_outside {
            return Ok(());
        }
        let (file, _) = on_disk(file);
        let real = file.canonicalize().unwrap_or(file);
        if real.starts_with(&self.real_archive) {
            Ok(())
        } else {
            Err(PathFault::Outside { key: key.to_owned(), path: path.to_owned() })
        }
    }

    fn named(&self, path: PathBuf) -> InputFile {
        // `a/../b` is named `b`
        let mut parts: Vec<String> = Vec::new();
        for part in relative(self.archive, &path).split('/') {
            match part {
                "." => {}
                ".." if parts.last().is_some_and(|last| last != "..") => {
                    parts.pop();
                }
                other => parts.push(other.to_owned()),
            }
        }
        InputFile { name: parts.join("/"), path }
    }
}
