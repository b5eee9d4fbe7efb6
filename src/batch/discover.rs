//! Finding the site-years: every folder below the archive that holds a `field.toml`.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// A folder with a `field.toml`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct SiteYearFolder {
    /// Relative to the archive, with `/`; `.` for the archive itself.
    pub name: String,
    /// On disk.
    pub path: PathBuf,
}

/// What was found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Discovered {
    /// The folders, sorted by name.
    pub folders: Vec<SiteYearFolder>,
    /// Folders that could not be looked into, with the reason.
    pub unreadable: Vec<(String, String)>,
    /// Links that lead nowhere or to themselves, with the reason.
    pub dangling: Vec<(String, String)>,
}

/// Finds the site-years of an archive. Links are followed, each folder is visited once, and hidden folders are left out.
pub fn discover(archive: &Path) -> Discovered {
    let mut found = Discovered::default();
    let mut seen = BTreeSet::new();
    let walk = walkdir::WalkDir::new(archive).follow_links(true).sort_by_file_name().into_iter();
    let hidden = |entry: &walkdir::DirEntry| {
        entry.depth() > 0 && entry.file_name().to_str().is_some_and(|name| name.starts_with('.'))
    };
    for entry in walk.filter_entry(|entry| !hidden(entry)) {
        match entry {
            Ok(entry) if entry.file_name() == "field.toml" && entry.file_type().is_file() => {
                let Some(folder) = entry.path().parent() else { continue };
                let real = folder.canonicalize().unwrap_or_else(|_| folder.to_path_buf());
                if seen.insert(real) {
                    found.folders.push(SiteYearFolder { name: relative(archive, folder), path: folder.to_path_buf() });
                }
            }
            Ok(_) => {}
            // A loop of links is met again where it began.
            Err(error) if error.loop_ancestor().is_some() => {}
            Err(error) => {
                let place = error.path().map_or_else(String::new, |path| relative(archive, path));
                let reason = error.io_error().map_or_else(|| error.to_string(), ToString::to_string);
                if error.path().is_some_and(is_dangling) {
                    found.dangling.push((place, format!("a link that cannot be followed ({reason}); it is left out")));
                } else {
                    found.unreadable.push((place, reason));
                }
            }
        }
    }
    found.folders.sort();
    found
}

/// Whether a path is a link that leads nowhere. One that should be a site-year's settings is no loose end.
fn is_dangling(path: &Path) -> bool {
    path.is_symlink() && !path.exists() && path.file_name().is_none_or(|name| name != "field.toml")
}

/// A path below the archive, with `/`.
pub(super) fn relative(archive: &Path, path: &Path) -> String {
    let below = path.strip_prefix(archive).unwrap_or(path);
    let parts: Vec<_> = below.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect();
    if parts.is_empty() { ".".to_owned() } else { parts.join("/") }
}
