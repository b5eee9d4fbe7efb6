//! The output folder: every file is written to a temporary name and renamed, so that it never holds half a file.

use std::collections::BTreeSet;
use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use serde::de::DeserializeOwned;
use thiserror::Error;

use super::lock::Hold;
use super::memory::{self, FailedBefore, Remembered, Written};
use super::seen::hash;
use super::share::Share;
use super::times;
use super::together::{Beside, Together};
use crate::report::{Drawn, OutputFile};
use crate::text::plain;

/// Version of the memory's format.
pub(super) const VERSION: u32 = 7;

/// Folder of what the program remembers from night to night.
const MEMORY: &str = ".bandlift";
/// Folder of the site-years' files, and of their memories in [`MEMORY`].
const SITE_YEARS: &str = "site_years";
/// In a site-year's memory: its last good result, what was drawn for it, and why it failed after that.
const RESULT: &str = "result";
const DRAWN: &str = "drawn";
const FAILURE: &str = "failure";
/// In the folder of a site-year or a plan: says that its files are not of tonight.
pub(super) const NOT_CURRENT: &str = "not-current.txt";

/// The output cannot be written.
#[derive(Debug, Error)]
#[error("{path}: {reason}")]
pub struct StoreError {
    /// The file or folder.
    pub path: String,
    /// What the system said.
    pub reason: String,
}

impl StoreError {
    pub(super) fn new(path: &Path, reason: impl std::fmt::Display) -> Self {
        Self { path: path.display().to_string(), reason: reason.to_string() }
    }
}

/// What is remembered of a site-year.
#[derive(Debug)]
pub(super) enum Recalled {
    /// Its result, whose files stand.
    Good(Box<Remembered>),
    /// Something that cannot be used, and why.
    Damaged(String),
    /// Nothing.
    Nothing,
}

impl Recalled {
    pub(super) fn good(self) -> Option<Remembered> {
        match self {
            Self::Good(remembered) => Some(*remembered),
            Self::Damaged(_) | Self::Nothing => None,
        }
    }
}

/// The output folder, held until this is dropped.
#[derive(Debug)]
pub struct Store {
    root: PathBuf,
    scratch: PathBuf,
    scratched: AtomicUsize,
    together: Together,
    _hold: Hold,
}

impl Store {
    /// Opens (and makes) the output folder, takes hold of it, and tries whether it can be written. With a share, others of the
    /// same archive may be computed beside it; else nobody else may be at work.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be written, or another run holds it.
    pub fn open(root: &Path, share: Option<Share>) -> Result<Self, StoreError> {
        if root.exists() && !root.is_dir() {
            return Err(StoreError::new(root, "is a file; expected a folder for the output"));
        }
        let memory = root.join(MEMORY);
        fs::create_dir_all(&memory).map_err(|error| StoreError::new(root, error))?;
        let hold = Hold::take(root, &memory, share)?;
        // What a killed run left here belongs to nobody.
        let all = memory.join("scratch");
        let scratch = all.join(share.map_or_else(|| "run".to_owned(), Share::name));
        removed(if share.is_some() { &scratch } else { &all })?;
        fs::create_dir_all(&scratch).map_err(|error| StoreError::new(&scratch, error))?;
        let together = Together::on_disk_of(&scratch).map_err(|error| StoreError::new(&scratch, error))?;
        let store = Self { root: root.to_path_buf(), scratch, scratched: AtomicUsize::new(0), together, _hold: hold };
        store.write(Path::new(MEMORY), "writable", b"")?;
        Ok(store)
    }

    /// The folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Writes bytes to a file that nobody looks at; whoever lets it take its place makes sure of it before.
    fn scratch(&self, bytes: &[u8]) -> std::io::Result<(PathBuf, fs::File)> {
        let path = self.scratch.join(self.scratched.fetch_add(1, Ordering::Relaxed).to_string());
        let written = fs::File::create(&path).and_then(|mut file| file.write_all(bytes).map(|()| file));
        written.map(|file| (path.clone(), file)).inspect_err(|_| {
            let _ = fs::remove_file(&path);
        })
    }

    fn write(&self, folder: &Path, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        let folder = self.root.join(folder);
        let path = folder.join(name);
        let fault = |error: std::io::Error| StoreError::new(&path, error);
        fs::create_dir_all(&folder).map_err(fault)?;
        let (temporary, file) = self.scratch(bytes).map_err(fault)?;
        file.sync_data().and_then(|()| fs::rename(&temporary, &path)).map_err(|error| {
            let _ = fs::remove_file(&temporary);
            fault(error)
        })
    }

    /// Writes a file of the archive.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn write_archive_file(&self, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        self.write(Path::new(""), name, bytes)
    }

    /// Writes a file into a folder below the output folder.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn write_file(&self, folder: &Path, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        self.write(folder, name, bytes)
    }

    /// Removes a file of a folder below the output folder, if it is there.
    pub(super) fn remove_file(&self, folder: &Path, name: &str) -> Result<(), StoreError> {
        removed(&self.root.join(folder).join(name))
    }

    /// Removes the files of some names below a folder, `depth` folders down, that are not among those to keep (relative to the
    /// output folder).
    pub(super) fn remove_others(
        &self,
        folder: &Path,
        depth: usize,
        names: &[&str],
        keep: &BTreeSet<PathBuf>,
    ) -> Result<(), StoreError> {
        let within = self.root.join(folder);
        let found = walkdir::WalkDir::new(&within).min_depth(depth).max_depth(depth).into_iter().filter_map(Result::ok);
        for entry in found.filter(|entry| entry.file_name().to_str().is_some_and(|name| names.contains(&name))) {
            if entry.path().strip_prefix(&self.root).is_ok_and(|path| !keep.contains(path)) {
                removed(entry.path())?;
            }
        }
        Ok(())
    }

    /// Removes the files below a folder whose names, relative to it with `/`, are not among those to keep, but for those that the
    /// program does not write: only drawings and pictures go.
    pub(super) fn keep_only(&self, folder: &Path, names: &BTreeSet<String>) -> Result<(), StoreError> {
        let within = self.root.join(folder);
        for entry in walkdir::WalkDir::new(&within).into_iter().filter_map(Result::ok) {
            let is_figure = entry.path().extension().is_some_and(|end| end == "svg" || end == "png");
            let name = super::discover::relative(&within, entry.path());
            if entry.file_type().is_file() && is_figure && !names.contains(&name) {
                removed(entry.path())?;
            }
        }
        Ok(())
    }

    /// A picture and the drawing that vouches for it, in a folder below the output folder. They take their places when all that wait are
    /// settled; the former drawing goes first, so that it never vouches for a picture of another.
    pub(super) fn write_drawing(
        &self,
        folder: &Path,
        picture: (&str, &[u8]),
        drawing: (&str, &[u8]),
    ) -> Result<(), StoreError> {
        let within = self.root.join(folder);
        fs::create_dir_all(&within).map_err(|error| StoreError::new(&within, error))?;
        let voucher = Some(within.join(drawing.0));
        let mut beside = Beside { owner: folder.display().to_string(), voucher, ..Beside::default() };
        let mut lay = |(name, bytes): (&str, &[u8])| self.lay(&mut beside, within.join(name), bytes).map(drop);
        let written = lay(picture).and_then(|()| lay(drawing));
        self.let_wait(beside, written)
    }

    /// Writes a file beside what it will replace.
    fn lay(&self, beside: &mut Beside, to: PathBuf, bytes: &[u8]) -> Result<fs::File, StoreError> {
        let (from, file) = self.scratch(bytes).map_err(|error| StoreError::new(&to, error))?;
        beside.files.push((from, to));
        Ok(file)
    }

    fn let_wait(&self, beside: Beside, written: Result<(), StoreError>) -> Result<(), StoreError> {
        match written {
            Ok(()) => self.together.add(beside),
            Err(_) => beside.give_up(),
        }
        written
    }

    /// All that waits takes its place; answers what could not, by whose it is.
    pub(super) fn settle(&self) -> Vec<(String, StoreError)> {
        self.together.settle()
    }

    /// Writes the files of a site-year, what was drawn for it, and what is remembered of it. Nothing of the last result is touched
    /// before all files have been written beside it and are sure; those that `remembered` lists already stay as they stand.
    /// They take their places when all that wait are settled.
    pub(super) fn write_site_year(
        &self,
        place: &str,
        files: &[OutputFile],
        remembered: Remembered,
        drawn: Option<&Drawn>,
    ) -> Result<(), StoreError> {
        let (results, memory) = (self.results(place), self.memory(place));
        let mut beside = Beside { owner: place.to_owned(), ..Beside::default() };
        beside.marks = vec![memory.join(FAILURE), results.join(NOT_CURRENT)];
        // A file of a former result that this one does not have would contradict it.
        if remembered.outputs.is_empty() {
            let former = self.remembered(place).map(|former| former.outputs).unwrap_or_default();
            let goes = former.into_keys().filter(|name| files.iter().all(|file| file.name != *name));
            beside.former = goes.map(|name| results.join(name)).collect();
        }
        let written = self.lay_site_year(&mut beside, (&results, &memory), files, remembered, drawn);
        self.let_wait(beside, written)
    }

    fn lay_site_year(
        &self,
        beside: &mut Beside,
        (results, memory): (&Path, &Path),
        files: &[OutputFile],
        mut remembered: Remembered,
        drawn: Option<&Drawn>,
    ) -> Result<(), StoreError> {
        for folder in [results, memory] {
            fs::create_dir_all(folder).map_err(|error| StoreError::new(folder, error))?;
        }
        for file in files {
            let to = results.join(&*file.name);
            let metadata = self.lay(beside, to.clone(), &file.bytes)?.metadata();
            let metadata = metadata.map_err(|error| StoreError::new(&to, error))?;
            let hash = blake3::hash(&file.bytes).to_hex().to_string();
            let modified_ns = metadata.modified().map_or(0, times::since_1970);
            remembered
                .outputs
                .insert(file.name.clone().into_owned(), Written { hash, size: metadata.len(), modified_ns });
        }
        if let Some(drawn) = drawn {
            let to = memory.join(DRAWN);
            let bytes = packed(drawn).map_err(|error| StoreError::new(&to, error))?;
            remembered.drawn = blake3::hash(&bytes).to_hex().to_string();
            self.lay(beside, to, &bytes)?;
        }
        // last, for it vouches for the others
        let to = memory.join(RESULT);
        let bytes = memory::encode(&remembered).map_err(|error| StoreError::new(&to, error))?;
        self.lay(beside, to, &bytes).map(drop)
    }

    /// What was drawn for a site-year, where it is what has this hash.
    pub(super) fn drawn(&self, place: &str, hash: &str) -> Option<Drawn> {
        let bytes = fs::read(self.memory(place).join(DRAWN)).ok()?;
        let same = blake3::hash(&bytes).to_hex().as_str() == hash;
        let mut text = Vec::new();
        (same && ZlibDecoder::new(bytes.as_slice()).read_to_end(&mut text).is_ok())
            .then(|| serde_json::from_slice(&text).ok())?
    }

    /// Remembers a site-year.
    pub(super) fn remember(&self, place: &str, remembered: &Remembered) -> Result<(), StoreError> {
        self.write_memory(place, RESULT, remembered)
    }

    fn write_memory(&self, place: &str, name: &str, memory: &impl serde::Serialize) -> Result<(), StoreError> {
        let folder = Path::new(MEMORY).join(SITE_YEARS).join(place);
        let bytes = memory::encode(memory).map_err(|error| StoreError::new(&folder.join(name), error))?;
        self.write(&folder, name, &bytes)
    }

    fn read_memory<T: DeserializeOwned>(&self, place: &str, name: &str) -> std::io::Result<Option<T>> {
        fs::read(self.memory(place).join(name)).map(|bytes| memory::decode(&bytes))
    }

    fn remembered(&self, place: &str) -> Option<Remembered> {
        self.read_memory(place, RESULT).ok().flatten()
    }

    fn memory(&self, place: &str) -> PathBuf {
        self.root.join(MEMORY).join(SITE_YEARS).join(place)
    }

    pub(super) fn results(&self, place: &str) -> PathBuf {
        self.root.join(SITE_YEARS).join(place)
    }

    /// What is remembered of a site-year. Its files are held against what was written: by size and time, by their hashes
    /// where those differ or `verify` is set.
    pub(super) fn recall(&self, place: &str, verify: bool) -> Recalled {
        let remembered: Remembered = match self.read_memory(place, RESULT) {
            Ok(Some(remembered)) => remembered,
            Ok(None) => {
                return Recalled::Damaged("what was remembered of it is damaged or of another version".to_owned());
            }
            Err(error) if error.kind() == ErrorKind::NotFound => return Recalled::Nothing,
            Err(error) => return Recalled::Damaged(format!("what was remembered of it cannot be read: {error}")),
        };
        let folder = self.results(place);
        let changed = remembered.outputs.iter().find(|(name, written)| !stands(&folder.join(name), written, verify));
        match changed {
            Some((name, _)) => Recalled::Damaged(format!("{name} is not as it was written")),
            None => Recalled::Good(Box::new(remembered)),
        }
    }

    /// Remembers that a site-year failed; its last good result, if there is one, is marked as not of tonight.
    pub(super) fn remember_failure(&self, place: &str, failed: &FailedBefore) -> Result<(), StoreError> {
        self.write_memory(place, FAILURE, failed)?;
        self.mark_not_current(place, &format!("stale: {}", failed.reason))
    }

    /// Why a site-year failed when it was last computed, if it did.
    pub(super) fn failure(&self, place: &str) -> Option<FailedBefore> {
        self.read_memory(place, FAILURE).ok().flatten()
    }

    /// Marks a site-year's files as not of tonight, where there are any.
    pub(super) fn mark_not_current(&self, place: &str, why: &str) -> Result<(), StoreError> {
        if !self.results(place).is_dir() {
            return Ok(());
        }
        let why = plain(why);
        let text =
            format!("{why}\nThese files are the last good result; no table of the archive holds their numbers.\n");
        if fs::read(self.results(place).join(NOT_CURRENT)).is_ok_and(|known| known == text.as_bytes()) {
            return Ok(());
        }
        self.write(&Path::new(SITE_YEARS).join(place), NOT_CURRENT, text.as_bytes())
    }

    /// Takes such marks away.
    pub(super) fn is_current(&self, place: &str) -> Result<(), StoreError> {
        removed(&self.memory(place).join(FAILURE))?;
        removed(&self.results(place).join(NOT_CURRENT))
    }

    /// The places of all site-years of which a good result is remembered.
    pub(super) fn places(&self) -> Vec<String> {
        let root = self.root.join(MEMORY).join(SITE_YEARS);
        let walk = walkdir::WalkDir::new(&root).min_depth(4).max_depth(4).sort_by_file_name();
        walk.into_iter()
            .filter_map(Result::ok)
            .filter(|entry| entry.file_name() == RESULT)
            .filter_map(|entry| Some(super::discover::relative(&root, entry.path().parent()?)))
            .collect()
    }

    /// Remembers something of the archive as a whole.
    pub(super) fn remember_archive(&self, name: &str, memory: &impl serde::Serialize) -> Result<(), StoreError> {
        let bytes =
            memory::encode(memory).map_err(|error| StoreError::new(&self.root.join(MEMORY).join(name), error))?;
        self.write(Path::new(MEMORY), name, &bytes)
    }

    /// What is remembered of the archive as a whole.
    pub(super) fn recall_archive<T: DeserializeOwned>(root: &Path, name: &str) -> Option<T> {
        memory::decode(&fs::read(root.join(MEMORY).join(name)).ok()?)
    }
}

/// Whether an output file is as it was written.
fn stands(path: &Path, written: &Written, verify: bool) -> bool {
    let Ok(metadata) = fs::metadata(path) else { return false };
    if metadata.len() != written.size {
        return false;
    }
    let same_time = metadata.modified().map_or(0, times::since_1970) == written.modified_ns;
    (same_time && !verify) || hash(path).is_ok_and(|now| now == written.hash)
}

/// What was drawn, compressed.
fn packed(drawn: &Drawn) -> std::io::Result<Vec<u8>> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::fast());
    serde_json::to_writer(&mut encoder, drawn)?;
    encoder.finish()
}

/// Removes a file or folder that may not be there.
pub(super) fn removed(path: &Path) -> Result<(), StoreError> {
    let done = if path.is_dir() { fs::remove_dir_all(path) } else { fs::remove_file(path) };
    match done {
        Err(error) if error.kind() != ErrorKind::NotFound => Err(StoreError::new(path, error)),
        _ => Ok(()),
    }
}
