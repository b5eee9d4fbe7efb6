//! Where the files of task data lie: beside TASKDATA.XML in a folder, or in a .zip.

use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

use super::super::unpacked;
use crate::ingest::IngestError;

/// The file that names all others.
pub(super) const MAIN: &str = "TASKDATA.XML";

/// The members of one set of task data, found without regard to upper and lower case.
pub(super) struct Store {
    file: String,
    place: Place,
    /// Bytes that may still be read.
    left: u64,
    most_bytes: u64,
}

enum Place {
    Folder(PathBuf),
    Zip { archive: Box<zip::ZipArchive<Cursor<Vec<u8>>>>, folder: String, names: Vec<String> },
}

/// The file TASKDATA.XML of a folder.
pub(crate) fn main_file(folder: &Path) -> Option<PathBuf> {
    std::fs::read_dir(folder).ok()?.filter_map(Result::ok).map(|entry| entry.path()).find(|path| is_main(path))
}

/// Whether a file is called TASKDATA.XML.
pub(crate) fn is_main(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.eq_ignore_ascii_case(MAIN)) && path.is_file()
}

/// Whether a .zip holds task data, by its list of members.
pub(crate) fn is_in_zip(path: &Path) -> bool {
    let Ok(file) = std::fs::File::open(path) else { return false };
    let Ok(archive) = zip::ZipArchive::new(std::io::BufReader::new(file)) else { return false };
    archive.file_names().filter_map(Result::ok).any(|name| is_main_member(&name))
}

fn is_main_member(name: &str) -> bool {
    !name.starts_with("__MACOSX") && name.rsplit(['/', '\\']).next().is_some_and(|last| last.eq_ignore_ascii_case(MAIN))
}

/// The files that may belong to TASKDATA.XML at `path`.
pub(crate) fn companions(path: &Path) -> Vec<PathBuf> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut files: Vec<PathBuf> = entries
        .filter_map(Result::ok)
        .map(|entry| entry.path())
        .filter(|path| {
            let part = |extension: &std::ffi::OsStr| {
                extension.eq_ignore_ascii_case("xml") || extension.eq_ignore_ascii_case("bin")
            };
            path.extension().is_some_and(part) && path.is_file() && !is_main(path)
        })
        .collect();
    files.sort();
    files
}

impl Store {
    /// The folder that holds TASKDATA.XML at `path`.
    pub(super) fn beside(file: &str, path: &Path, most_bytes: u64) -> Self {
        let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Self { file: file.to_owned(), place: Place::Folder(folder.to_path_buf()), left: most_bytes, most_bytes }
    }

    /// A .zip; one set of task data in it, at any depth.
    pub(super) fn zipped(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Self, IngestError> {
        let archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(|error| IngestError::damaged(file, error))?;
        let names: Vec<String> =
            archive.file_names().filter_map(|name| name.ok().map(std::borrow::Cow::into_owned)).collect();
        let mains: Vec<&String> = names.iter().filter(|name| is_main_member(name)).collect();
        let [main] = mains.as_slice() else {
            let reason = format!("expected one {MAIN} in the .zip, found {}", mains.len());
            return Err(IngestError::damaged(file, reason));
        };
        let folder = main[..main.len() - MAIN.len()].to_owned();
        let place = Place::Zip { archive: Box::new(archive), folder, names };
        Ok(Self { file: file.to_owned(), place, left: most_bytes, most_bytes })
    }

    /// A member by its name, `None` where there is none. A name that leads elsewhere is refused.
    pub(super) fn get(&mut self, name: &str) -> Result<Option<Vec<u8>>, IngestError> {
        let plain = !name.is_empty() && !name.contains(['/', '\\', ':', '\0']) && name != "..";
        if !plain {
            let reason = format!("{MAIN} names a file elsewhere, `{name}`; expected a name without a folder");
            return Err(IngestError::damaged(&self.file, reason));
        }
        let too_large = IngestError::TooLarge { file: self.file.clone(), most_bytes: self.most_bytes };
        let content = match &mut self.place {
            Place::Folder(folder) => {
                let entries = std::fs::read_dir(&*folder);
                let named = |path: &PathBuf| path.file_name().is_some_and(|found| found.eq_ignore_ascii_case(name));
                let found = entries.ok().and_then(|entries| {
                    entries.filter_map(Result::ok).map(|entry| entry.path()).find(|path| named(path))
                });
                let Some(path) = found else { return Ok(None) };
                let unreadable = |error: std::io::Error| IngestError::Unreadable {
                    file: self.file.clone(),
                    reason: format!("its {name}: {error}"),
                };
                let real = path.canonicalize().map_err(unreadable)?;
                if real.parent() != folder.canonicalize().map_err(unreadable)?.as_path().into() {
                    let reason = format!("{name} is a link to a file elsewhere");
                    return Err(IngestError::damaged(&self.file, reason));
                }
                let mut content = Vec::new();
                let packed = std::fs::File::open(&real).map_err(unreadable)?;
                packed.take(self.left.saturating_add(1)).read_to_end(&mut content).map_err(unreadable)?;
                if content.len() as u64 > self.left {
                    return Err(too_large);
                }
                content
            }
            Place::Zip { archive, folder, names } => {
                let full = format!("{folder}{name}");
                let Some(member) = names.iter().find(|known| known.eq_ignore_ascii_case(&full)) else {
                    return Ok(None);
                };
                let packed = archive.by_name(member).map_err(|error| IngestError::damaged(&self.file, error))?;
                unpacked(&self.file, packed, self.left)
                    .map_err(|error| if matches!(error, IngestError::TooLarge { .. }) { too_large } else { error })?
            }
        };
        self.left -= content.len() as u64;
        Ok(Some(content))
    }
}
