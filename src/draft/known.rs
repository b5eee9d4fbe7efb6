//! What an archive has already.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::write::FILES;

/// The archive's name: that of its folder.
pub(super) fn archive_name(folder: &Path) -> String {
    let real = folder.canonicalize().unwrap_or_else(|_| folder.to_path_buf());
    real.file_name().map_or_else(|| "archive".to_owned(), |name| name.to_string_lossy().into_owned())
}

/// Where a file, or a member of a .zip, really lies.
pub(super) fn real(path: &Path) -> Option<PathBuf> {
    let (holder, member) = crate::bundle::on_disk(path);
    let holder = holder.canonicalize().ok()?;
    Some(member.map_or_else(|| holder.clone(), |member| holder.join(member)))
}

/// The logs that the field.tomls of an archive name, and where they were copied from.
pub(super) fn known_files(archive: &Path, folder: &Path) -> BTreeSet<PathBuf> {
    let mut known = BTreeSet::new();
    for found in crate::batch::discover(archive).folders {
        let Ok(text) = std::fs::read_to_string(found.path.join("field.toml")) else { continue };
        let Ok(table) = text.parse::<toml::Table>() else { continue };
        let entries = table.get("harvest").and_then(toml::Value::as_array).cloned().unwrap_or_default();
        for entry in entries {
            let paths: Vec<String> = match entry.get("path") {
                Some(toml::Value::String(path)) => vec![path.clone()],
                Some(toml::Value::Array(paths)) => {
                    paths.iter().filter_map(|path| path.as_str().map(str::to_owned)).collect()
                }
                _ => Vec::new(),
            };
            for path in paths {
                let literal = found.path.join(&path);
                let pattern = format!("{}/{path}", glob::Pattern::escape(&found.path.to_string_lossy()));
                let matches: Vec<PathBuf> = if real(&literal).is_some() {
                    vec![literal]
                } else {
                    glob::glob(&pattern).map(|found| found.filter_map(Result::ok).collect()).unwrap_or_default()
                };
                known.extend(matches.iter().filter_map(|path| real(path)));
            }
        }
    }
    let copies = archive.join(FILES).canonicalize().ok();
    let origins: Vec<PathBuf> = known
        .iter()
        .filter_map(|path| path.strip_prefix(copies.as_ref()?).ok())
        .filter_map(|name| real(&folder.join(name)))
        .collect();
    known.extend(origins);
    known
}
