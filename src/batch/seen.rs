//! Input files as they were seen: size and times first, the content's hash when they differ.

use std::collections::BTreeMap;
use std::fs::{self, Metadata};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, RwLock};

use serde::{Deserialize, Serialize};

use super::times;
use crate::ingest::{IngestError, InputFile, SharedLayers, SiteYearFiles};

/// A file that was touched this shortly before it was hashed may be touched again under the same time: some file systems
/// keep times of two seconds. It is hashed again the next night.
const TOO_NEAR_NS: i64 = 3_000_000_000;

/// What a file system tells of a file without reading it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Stamp {
    size: u64,
    /// Nanoseconds since 1970.
    modified_ns: i64,
    /// When content or properties last changed: unlike the former, nobody can set it.
    changed_ns: i64,
    inode: u64,
}

impl Stamp {
    pub(super) fn of(metadata: &Metadata) -> Self {
        let modified_ns = metadata.modified().map_or(0, times::since_1970);
        #[cfg(unix)]
        let (changed_ns, inode) = {
            use std::os::unix::fs::MetadataExt;
            let whole = metadata.ctime().saturating_mul(1_000_000_000);
            (whole.saturating_add(metadata.ctime_nsec()), metadata.ino())
        };
        #[cfg(not(unix))]
        let (changed_ns, inode) = (modified_ns, 0);
        Self { size: metadata.len(), modified_ns, changed_ns, inode }
    }
}

/// A file's content at a time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Seen {
    pub(super) hash: String,
    stamp: Stamp,
    /// When it was hashed, nanoseconds since 1970.
    hashed_ns: i64,
}

impl Seen {
    /// Whether a file that still looks like this still holds the same.
    fn vouches_for(&self, stamp: Stamp) -> bool {
        let last = stamp.modified_ns.max(stamp.changed_ns);
        self.stamp == stamp && last.saturating_add(TOO_NEAR_NS) < self.hashed_ns
    }
}

/// The files of a site-year as they were seen, by name.
pub(super) type SeenFiles = BTreeMap<String, Seen>;

/// What was seen of a file, found out by the first who asks.
type SeenOnce = Arc<OnceLock<Result<Seen, IngestError>>>;

/// One look at the archive: what was read within it belongs together.
#[derive(Debug, Default)]
pub(super) struct Look {
    /// Layers that were read once for all site-years.
    pub(super) layers: SharedLayers,
    /// Files that many site-years use.
    shared: Mutex<BTreeMap<PathBuf, SeenOnce>>,
}

impl Look {
    /// The files of a site-year, as they are now. What `known` tells of a file is taken for its content while its size and
    /// times are the same, unless `verify`.
    pub(super) fn files(
        &self,
        files: &SiteYearFiles,
        known: Option<&SeenFiles>,
        verify: bool,
    ) -> Result<SeenFiles, IngestError> {
        let mut seen = BTreeMap::new();
        let known = |file: &InputFile| known.and_then(|known| known.get(&file.name));
        for file in files.own() {
            seen.insert(file.name.clone(), look_at(&file, known(&file), verify)?);
        }
        for file in files.of_archive() {
            let cell = {
                let mut shared = self.shared.lock().unwrap_or_else(PoisonError::into_inner);
                Arc::clone(shared.entry(file.path.clone()).or_default())
            };
            let now = cell.get_or_init(|| look_at(&file, known(&file), verify)).clone()?;
            seen.insert(file.name, now);
        }
        Ok(seen)
    }

    /// The first of the files that is no longer as it was seen.
    pub(super) fn changed(files: &SiteYearFiles, seen: &SeenFiles) -> Option<String> {
        let same = |file: &InputFile| {
            let now = fs::metadata(&file.path).map(|metadata| Stamp::of(&metadata));
            now.is_ok_and(|now| seen.get(&file.name).is_some_and(|seen| seen.stamp == now))
        };
        files.all().into_iter().find(|file| !same(file)).map(|file| file.name)
    }
}

fn look_at(file: &InputFile, known: Option<&Seen>, verify: bool) -> Result<Seen, IngestError> {
    let unreadable =
        |error: std::io::Error| IngestError::Unreadable { file: file.name.clone(), reason: error.to_string() };
    let stamp = || fs::metadata(&file.path).map(|metadata| Stamp::of(&metadata)).map_err(unreadable);
    let before = stamp()?;
    if let Some(known) = known
        && !verify
        && known.vouches_for(before)
    {
        return Ok(known.clone());
    }
    // the time before the hashing: what is written while it lasts is nearer than that
    let hashed_ns = times::now_ns();
    let hash = hash(&file.path).map_err(unreadable)?;
    Ok(Seen { hash, stamp: before, hashed_ns })
}

/// The hash of a file's content.
pub(super) fn hash(path: &Path) -> std::io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(fs::File::open(path)?)?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// The present look at the archive, renewed when a file was found to have changed.
#[derive(Debug, Default)]
pub(super) struct Looks(RwLock<Arc<Look>>);

impl Looks {
    pub(super) fn present(&self) -> Arc<Look> {
        Arc::clone(&self.0.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Ends a look that was found to be old, unless another thread did so before.
    pub(super) fn renew(&self, old: &Arc<Look>) {
        let mut present = self.0.write().unwrap_or_else(PoisonError::into_inner);
        if Arc::ptr_eq(&present, old) {
            *present = Arc::default();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(text: &str) -> (tempfile::TempDir, InputFile) {
        let dir = tempfile::TempDir::new().unwrap();
        let path = dir.path().join("harvest.csv");
        fs::write(&path, text).unwrap();
        (dir, InputFile { name: "harvest.csv".to_owned(), path })
    }

    /// As if it had been hashed long after it was written.
    fn later(mut seen: Seen) -> Seen {
        seen.hashed_ns += 10 * TOO_NEAR_NS;
        seen
    }

    #[test]
    fn a_file_that_looks_the_same_is_not_read_again_unless_all_are_verified() {
        let (_dir, file) = file("one");
        let mut known = later(look_at(&file, None, false).unwrap());
        known.hash = "as remembered".to_owned();
        assert_eq!(look_at(&file, Some(&known), false).unwrap(), known);
        assert_ne!(look_at(&file, Some(&known), true).unwrap().hash, known.hash);
    }

    #[test]
    fn a_file_that_was_hashed_when_it_had_just_been_written_is_hashed_again() {
        let (_dir, file) = file("one");
        let mut known = look_at(&file, None, false).unwrap();
        known.hash = "as remembered".to_owned();
        assert_ne!(look_at(&file, Some(&known), false).unwrap().hash, known.hash);
    }

    #[test]
    fn content_of_the_same_size_with_its_old_time_put_back_is_noticed() {
        let (_dir, file) = file("one");
        let known = later(look_at(&file, None, false).unwrap());
        let modified = fs::metadata(&file.path).unwrap().modified().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(20));
        fs::write(&file.path, "two").unwrap();
        fs::File::options().write(true).open(&file.path).unwrap().set_modified(modified).unwrap();
        let now = look_at(&file, Some(&known), false).unwrap();
        assert_ne!(now.hash, known.hash);
        assert_eq!(now.stamp.modified_ns, known.stamp.modified_ns);
    }

    #[test]
    fn a_time_in_the_future_is_never_trusted() {
        let (_dir, file) = file("one");
        let ahead = std::time::SystemTime::now() + std::time::Duration::from_secs(1_000_000);
        fs::File::options().write(true).open(&file.path).unwrap().set_modified(ahead).unwrap();
        let mut known = later(look_at(&file, None, false).unwrap());
        known.hash = "as remembered".to_owned();
        assert_ne!(look_at(&file, Some(&known), false).unwrap().hash, known.hash);
    }

    #[test]
    fn a_look_is_renewed_once_for_all_who_found_it_old() {
        let looks = Looks::default();
        let old = looks.present();
        looks.renew(&old);
        let first = looks.present();
        assert!(!Arc::ptr_eq(&old, &first));
        looks.renew(&old);
        assert!(Arc::ptr_eq(&looks.present(), &first));
    }
}
