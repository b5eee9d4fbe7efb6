//! What an archive has already.

use std::collections::BTreeMap;
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

/// The files that the field.tomls of an archive name, and where they were copied from, with the folder of the field.toml.
pub(super) fn known_files(archive: &Path, folder: &Path) -> BTreeMap<PathBuf, String> {
    let mut known = BTreeMap::new();
    for found in crate::batch::discover(archive).folders {
        let Ok(text) = std::fs::read_to_string(found.path.join("field.toml")) else { continue };
        let Ok(table) = text.parse::<toml::Table>() else { continue };
        let entries = ["harvest", "applied", "observed", "covariate", "boundary", "strips", "tickets"]
            .into_iter()
            .filter_map(|key| table.get(key))
            .flat_map(|entry| match entry {
                toml::Value::Array(entries) => entries.clone(),
                one => vec![one.clone()],
            });
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
                known.extend(matches.iter().filter_map(|path| Some((real(path)?, found.name.clone()))));
            }
        }
    }
    let copies = archive.join(FILES).canonicalize().ok();
    let origins: Vec<(PathBuf, String)> = known
        .iter()
        .filter_map(|(path, place)| Some((path.strip_prefix(copies.as_ref()?).ok()?, place)))
        .filter_map(|(name, place)| Some((real(&folder.join(name))?, place.clone())))
        .collect();
    known.extend(origins);
    known
}
