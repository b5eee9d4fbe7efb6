//! A file with the parts that lie beside it, on the disk or as members of a .zip.
//!
//! A path may name a member of a .zip as if it were a folder: `exports.zip/strips.shp`. Nothing is ever unpacked to the disk.

use std::fs::File;
use std::io::{BufReader, Cursor, Read, Seek};
use std::path::{Path, PathBuf};

use thiserror::Error;

/// Why a packed file cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub(crate) enum BundleError {
    /// The system does not give it.
    #[error("cannot be read: {0}")]
    Unreadable(String),
    /// It is no sound .zip, or does not hold what it should.
    #[error("{0}")]
    Damaged(String),
    /// It unpacks to more bytes than are allowed.
    #[error("unpacks to more than {0} bytes")]
    TooLarge(u64),
}

/// What lies on the disk, and which part of it a longer path names.
pub(crate) fn on_disk(path: &Path) -> (PathBuf, Option<String>) {
    let holder = path.ancestors().skip(1).find(|above| above.is_file());
    match holder {
        Some(holder) if !path.is_file() => {
            let rest = path.strip_prefix(holder).unwrap_or(path);
            let parts: Vec<_> = rest.components().map(|part| part.as_os_str().to_string_lossy()).collect();
            (holder.to_path_buf(), Some(parts.join("/")))
        }
        _ => (path.to_path_buf(), None),
    }
}

/// Whether the name ends in one of the extensions (lower case, without the dot).
pub(crate) fn has_extension(name: &str, extensions: &[&str]) -> bool {
    let extension = Path::new(name).extension().map(|found| found.to_string_lossy().to_ascii_lowercase());
    extension.is_some_and(|found| extensions.contains(&found.as_str()))
}

/// A .zip whose members are read one by one.
pub(crate) struct Packed {
    archive: zip::ZipArchive<BufReader<File>>,
    names: Vec<String>,
    left: u64,
    most_bytes: u64,
}

impl Packed {
    /// Reads the list of members; all of them together may unpack to `most_bytes`.
    pub(crate) fn open(path: &Path, most_bytes: u64) -> Result<Self, BundleError> {
        let file = File::open(path).map_err(|error| BundleError::Unreadable(error.to_string()))?;
        let damaged = |error: zip::result::ZipError| BundleError::Damaged(error.to_string());
        let archive = zip::ZipArchive::new(BufReader::new(file)).map_err(damaged)?;
        let mut names = Vec::new();
        for name in archive.file_names() {
            let name = name.map_err(damaged)?.into_owned();
            if name.starts_with(['/', '\\']) || name.split(['/', '\\']).any(|part| part == "..") {
                let reason = format!("a member is called `{name}`, which leads out of the .zip");
                return Err(BundleError::Damaged(reason));
            }
            let is_hidden = name.split('/').any(|part| part.starts_with('.') || part == "__MACOSX");
            if !is_hidden && !name.ends_with('/') {
                names.push(name);
            }
        }
        names.sort();
        Ok(Self { archive, names, left: most_bytes, most_bytes })
    }

    /// The members with one of the extensions, sorted; without hidden files.
    pub(crate) fn of_kind(&self, extensions: &[&str]) -> Vec<String> {
        self.names.iter().filter(|name| has_extension(name, extensions)).cloned().collect()
    }

    /// A member's bytes.
    pub(crate) fn read(&mut self, name: &str) -> Result<Vec<u8>, BundleError> {
        let packed = self.archive.by_name(name).map_err(|error| BundleError::Damaged(format!("{name}: {error}")))?;
        let mut content = Vec::new();
        let reading = packed.take(self.left.saturating_add(1)).read_to_end(&mut content);
        reading.map_err(|error| BundleError::Damaged(format!("{name}: the packed stream ends or breaks: {error}")))?;
        self.left = self.left.checked_sub(content.len() as u64).ok_or(BundleError::TooLarge(self.most_bytes))?;
        Ok(content)
    }
}

/// What is read from the start on and may be read again.
pub(crate) trait Stream: Read + Seek {}

impl<S: Read + Seek> Stream for S {}

/// A file that is read bit by bit: on the disk, or the unpacked bytes of a member of a .zip.
pub(crate) enum Source {
    /// A file on the disk.
    Disk(PathBuf),
    /// Bytes.
    Bytes(Vec<u8>),
}

impl Source {
    /// Its size in bytes.
    pub(crate) fn size(&self) -> Result<u64, BundleError> {
        match self {
            Self::Disk(path) => std::fs::metadata(path)
                .map(|found| found.len())
                .map_err(|error| BundleError::Unreadable(error.to_string())),
            Self::Bytes(bytes) => Ok(bytes.len() as u64),
        }
    }

    /// Its bytes one after the other.
    pub(crate) fn open(&self) -> Result<Box<dyn Stream + '_>, BundleError> {
        match self {
            Self::Disk(path) => {
                let file = File::open(path).map_err(|error| BundleError::Unreadable(error.to_string()))?;
                Ok(Box::new(BufReader::with_capacity(1 << 16, file)))
            }
            Self::Bytes(bytes) => Ok(Box::new(Cursor::new(bytes.as_slice()))),
        }
    }
}

/// The file beside another with another extension, in lower or upper case.
fn beside(path: &Path, extension: &str) -> Option<PathBuf> {
    [extension.to_owned(), extension.to_uppercase()]
        .map(|spelled| path.with_extension(spelled))
        .into_iter()
        .find(|path| path.is_file())
}

/// One file and what lies beside it under the same name with other extensions.
pub(crate) enum Bundle {
    /// A file on the disk.
    Disk(PathBuf),
    /// A member of a .zip.
    Member(Packed, String),
}

impl Bundle {
    /// The file at a path; of a .zip, the member that the path names, or the only one with one of the extensions.
    pub(crate) fn open(path: &Path, extensions: &[&str], most_bytes: u64) -> Result<Self, BundleError> {
        let (holder, member) = on_disk(path);
        if !has_extension(&holder.to_string_lossy(), &["zip", "kmz"]) {
            return match member {
                None => Ok(Self::Disk(holder)),
                Some(member) => Err(BundleError::Damaged(format!("is not a .zip that could hold `{member}`"))),
            };
        }
        let packed = Packed::open(&holder, most_bytes)?;
        let found = packed.of_kind(extensions);
        let chosen = match (&member, found.as_slice()) {
            (Some(member), _) if found.contains(member) => member.clone(),
            (None, [only]) => only.clone(),
            (member, _) => {
                let ends: Vec<String> = extensions.iter().map(|one| format!(".{one}")).collect();
                let held = if found.is_empty() { "none".to_owned() } else { found.join(", ") };
                let expected = member.as_ref().map_or_else(
                    || format!("expected one member ({})", ends.join(", ")),
                    |name| format!("expected `{name}` in it"),
                );
                return Err(BundleError::Damaged(format!(
                    "{expected}, found {held}; name one as {}/…",
                    file_name(&holder)
                )));
            }
        };
        Ok(Self::Member(packed, chosen))
    }

    /// The name of the file or member.
    pub(crate) fn name(&self) -> String {
        match self {
            Self::Disk(path) => file_name(path),
            Self::Member(_, name) => name.clone(),
        }
    }

    /// The file itself.
    pub(crate) fn main(&mut self) -> Result<Vec<u8>, BundleError> {
        match self {
            Self::Disk(path) => std::fs::read(path).map_err(|error| BundleError::Unreadable(error.to_string())),
            Self::Member(packed, name) => packed.read(name),
        }
    }

    /// The file itself, to be read bit by bit.
    pub(crate) fn source(&mut self) -> Result<Source, BundleError> {
        match self {
            Self::Disk(path) => Ok(Source::Disk(path.clone())),
            Self::Member(..) => self.main().map(Source::Bytes),
        }
    }

    /// The file of the same name with another extension, to be read bit by bit.
    pub(crate) fn part_source(&mut self, extension: &str) -> Result<Option<Source>, BundleError> {
        match self {
            Self::Disk(path) => Ok(beside(path, extension).map(Source::Disk)),
            Self::Member(..) => Ok(self.part(extension)?.map(Source::Bytes)),
        }
    }

    /// The file of the same name with another extension, in lower or upper case.
    pub(crate) fn part(&mut self, extension: &str) -> Result<Option<Vec<u8>>, BundleError> {
        match self {
            Self::Disk(path) => {
                let read =
                    |path: PathBuf| std::fs::read(path).map_err(|error| BundleError::Unreadable(error.to_string()));
                beside(path, extension).map(read).transpose()
            }
            Self::Member(packed, name) => {
                let stem = name.rfind('.').map_or(name.as_str(), |dot| &name[..dot]);
                let beside = |other: &&String| {
                    other.rfind('.').is_some_and(|dot| &other[..dot] == stem) && has_extension(other, &[extension])
                };
                let found = packed.names.iter().find(beside).cloned();
                found.map(|name| packed.read(&name)).transpose()
            }
        }
    }

    /// As [`Self::part`], as text.
    pub(crate) fn text(&mut self, extension: &str) -> Result<Option<String>, BundleError> {
        Ok(self.part(extension)?.map(|bytes| String::from_utf8_lossy(&bytes).into_owned()))
    }
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    fn zipped(members: &[(&str, &[u8])]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        let mut zip = zip::ZipWriter::new(File::create(folder.path().join("a.zip")).unwrap());
        for (name, bytes) in members {
            zip.start_file(*name, zip::write::SimpleFileOptions::default()).unwrap();
            zip.write_all(bytes).unwrap();
        }
        zip.finish().unwrap();
        folder
    }

    #[test]
    fn a_member_is_named_like_a_file_in_a_folder_and_its_parts_lie_beside_it() {
        let folder = zipped(&[("x/one.bil", b"11"), ("x/one.HDR", b"h1"), ("x/two.bil", b"22"), (".hidden.bil", b"")]);
        let zip = folder.path().join("a.zip");
        assert_eq!(on_disk(&zip.join("x/one.bil")), (zip.clone(), Some("x/one.bil".to_owned())));
        assert_eq!(on_disk(&zip), (zip.clone(), None));
        let mut one = Bundle::open(&zip.join("x/one.bil"), &["bil"], 99).unwrap();
        assert_eq!((one.main().unwrap(), one.text("hdr").unwrap()), (b"11".to_vec(), Some("h1".to_owned())));
        assert_eq!(one.part("prj").unwrap(), None);
        let fault = Bundle::open(&zip, &["bil"], 99).err().unwrap().to_string();
        assert!(fault.contains("x/one.bil, x/two.bil") && fault.contains("a.zip/…"), "{fault}");
        let fault = Bundle::open(&zip.join("../b.bil"), &["bil"], 99).err().unwrap().to_string();
        assert!(fault.contains("expected `../b.bil`"), "{fault}");
    }

    #[test]
    fn members_that_lead_elsewhere_and_bombs_are_refused() {
        let folder = zipped(&[("../evil.bil", b"1")]);
        let fault = Packed::open(&folder.path().join("a.zip"), 99).err().unwrap().to_string();
        assert!(fault.contains("leads out of the .zip"), "{fault}");
        let folder = zipped(&[("big.bil", &[0; 1_000]), ("more.hdr", &[0; 60])]);
        let zip = folder.path().join("a.zip");
        assert_eq!(Bundle::open(&zip, &["bil"], 999).unwrap().main(), Err(BundleError::TooLarge(999)));
        // all members together
        let mut bundle = Bundle::open(&zip, &["bil"], 1_050).unwrap();
        assert_eq!(bundle.main().unwrap().len(), 1_000);
        assert!(Packed::open(&zip, 1_050).unwrap().read("more.hdr").is_ok());
    }
}
