//! From the paths as typed to the files: globs resolved, the archive never left.

use std::path::{Component, Path, PathBuf};

use thiserror::Error;

use super::discover::{SiteYearFolder, relative};
use crate::config::{ArchiveSettings, FieldSettings, PrecipitationGrids, WetnessSettings};
use crate::ingest::{InputFile, SeasonGrids, SiteYearFiles};

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
    let mut harvest: Vec<Vec<InputFile>> = Vec::new();
    for (number, entry) in field.harvest.iter().enumerate() {
        let key = format!("{}/field.toml: harvest[{}].path", folder.name, number + 1);
        let found = resolver.glob(&folder.path, &entry.path, &key)?;
        // A file that two globs match is read once.
        let fresh = found.into_iter().filter(|file| !harvest.iter().flatten().any(|known| known.path == file.path));
        harvest.push(fresh.collect());
    }
    let of_field = |path: &Option<String>, key: &str| {
        path.as_ref()
            .map(|path| resolver.single(&folder.path, path, &format!("{}/field.toml: {key}", folder.name)))
            .transpose()
    };
    let of_archive = |path: &str, key: &str| resolver.single(archive, path, &format!("archive.toml: {key}"));
    let strip_path = field.strips.as_ref().and_then(|strips| strips.path.clone());
    let carries_class = field.harvest.iter().any(|entry| entry.drainage_class.is_some());
    let soils = match &settings.soil.path {
        Some(path) if !carries_class => Some(of_archive(path, "soil.path")?),
        _ => None,
    };
    let wetness = settings.wetness.as_ref().map(|wetness| resolver.season_grids(wetness, field.season)).transpose()?;
    Ok(SiteYearFiles {
        harvest,
        boundary: of_field(&field.boundary, "boundary.path")?,
        strips: of_field(&strip_path, "strips.path")?,
        soils,
        tickets: of_field(&field.tickets, "tickets.path")?,
        wetness,
    })
}

/// The seasons of which the archive holds every grid, from the first of its calendar on.
///
/// # Errors
/// [`PathFault`] for a grid that lies outside the archive.
pub(super) fn seasons_with_grids(
    archive: &Path,
    wetness: &WetnessSettings,
    allow_outside: bool,
) -> Result<Vec<(i32, SeasonGrids)>, PathFault> {
    let real_archive = archive.canonicalize().unwrap_or_else(|_| archive.to_path_buf());
    let resolver = Resolver { archive, real_archive, allow_outside };
    let mut found = Vec::new();
    for season in CALENDAR {
        match resolver.season_grids(wetness, season) {
            Ok(grids) => found.push((season, grids)),
            Err(PathFault::Missing { .. }) => {}
            Err(fault) => return Err(fault),
        }
    }
    Ok(found)
}

/// Years in which grids of precipitation are looked for.
const CALENDAR: std::ops::RangeInclusive<i32> = 1850..=2150;

impl Resolver<'_> {
    fn season_grids(&self, wetness: &WetnessSettings, season: i32) -> Result<SeasonGrids, PathFault> {
        let of_archive = |path: &str, key: &str| self.single(self.archive, path, &format!("archive.toml: {key}"));
        let filled = |pattern: &str, month: Option<u32>| {
            let month = month.map_or_else(String::new, |month| format!("{month:02}"));
            pattern.replace("{season}", &season.to_string()).replace("{month}", &month)
        };
        let monthly = |pattern: &str, key: &str| {
            let months = wetness.months.iter();
            months.map(|&month| of_archive(&filled(pattern, Some(month)), key)).collect::<Result<Vec<_>, _>>()
        };
        match &wetness.grids {
            PrecipitationGrids::TotalAndNormal { total, normal } => Ok(SeasonGrids {
                totals: monthly(total, "wetness.total")?,
                normals: monthly(normal, "wetness.normal")?,
            }),
            PrecipitationGrids::Departure(pattern) if pattern.contains("{month}") => {
                Ok(SeasonGrids { totals: monthly(pattern, "wetness.departure")?, normals: Vec::new() })
            }
            PrecipitationGrids::Departure(pattern) => Ok(SeasonGrids {
                totals: vec![of_archive(&filled(pattern, None), "wetness.departure")?],
                normals: Vec::new(),
            }),
        }
    }

    fn single(&self, base: &Path, path: &str, key: &str) -> Result<InputFile, PathFault> {
        self.refuse_outside(path, key)?;
        let full = base.join(path);
        if !full.is_file() {
            return Err(PathFault::Missing { key: key.to_owned(), path: path.to_owned() });
        }
        self.inside(&full, path, key)?;
        Ok(self.named(full))
    }

    fn glob(&self, base: &Path, path: &str, key: &str) -> Result<Vec<InputFile>, PathFault> {
        self.refuse_outside(path, key)?;
        let literal = base.join(path);
        if literal.is_file() {
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
            if found.is_file() {
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
        let real = file.canonicalize().unwrap_or_else(|_| file.to_path_buf());
        if real.starts_with(&self.real_archive) {
            Ok(())
        } else {
            Err(PathFault::Outside { key: key.to_owned(), path: path.to_owned() })
        }
    }

    fn named(&self, path: PathBuf) -> InputFile {
        // `a/../b` is named `b`.
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
