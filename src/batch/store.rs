//! The output folder: every file is written to a temporary name and renamed, so that it never holds half a file.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::config::LagPrior;
use crate::report::OutputFile;
use crate::results::SiteYear;

/// Version of the memory's format.
pub(super) const VERSION: u32 = 3;

/// Folder of what the program remembers from night to night.
const MEMORY: &str = ".bandlift";

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
    fn new(path: &Path, reason: impl std::fmt::Display) -> Self {
        Self { path: path.display().to_string(), reason: reason.to_string() }
    }
}

/// What is remembered of a site-year.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Remembered {
    pub(super) fingerprint: String,
    /// What the other fields told of its combines' lags.
    pub(super) heard: BTreeMap<String, LagPrior>,
    /// Hash of each input.
    pub(super) inputs: BTreeMap<String, String>,
    /// Hash of each output file.
    pub(super) outputs: BTreeMap<String, String>,
    pub(super) result: SiteYear,
}

/// The output folder.
#[derive(Debug)]
pub struct Store {
    root: PathBuf,
}

impl Store {
    /// Opens (and makes) the output folder, and tries whether it can be written.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn open(root: &Path) -> Result<Self, StoreError> {
        if root.exists() && !root.is_dir() {
            return Err(StoreError::new(root, "is a file; expected a folder for the output"));
        }
        fs::create_dir_all(root.join(MEMORY)).map_err(|error| StoreError::new(root, error))?;
        let store = Self { root: root.to_path_buf() };
        store.write(Path::new(MEMORY), "writable", b"")?;
        Ok(store)
    }

    /// The folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    fn write(&self, folder: &Path, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        let folder = self.root.join(folder);
        let path = folder.join(name);
        let fault = |error: std::io::Error| StoreError::new(&path, error);
        fs::create_dir_all(&folder).map_err(fault)?;
        let temporary = folder.join(format!(".{name}.{}.part", std::process::id()));
        let written = (|| {
            let mut file = fs::File::create(&temporary)?;
            file.write_all(bytes)?;
            file.sync_data()?;
            fs::rename(&temporary, &path)
        })();
        written.map_err(|error| {
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

    /// Writes the files of a site-year, then what is remembered of it.
    pub(super) fn write_site_year(
        &self,
        folder: &str,
        files: &[OutputFile],
        mut remembered: Remembered,
    ) -> Result<(), StoreError> {
        let place = Path::new("site_years").join(folder);
        for file in files {
            self.write(&place, file.name, &file.bytes)?;
            remembered.outputs.insert(file.name.to_owned(), blake3::hash(&file.bytes).to_hex().to_string());
        }
        // A map of a former run would contradict the new result.
        if !files.iter().any(|file| file.name == "yield.tif") {
            let _ = fs::remove_file(self.root.join(&place).join("yield.tif"));
        }
        let bytes = serde_json::to_vec(&remembered).map_err(|error| StoreError::new(&self.memory(folder), error))?;
        let memory = Path::new(MEMORY).join("site_years").join(folder);
        self.write(&memory, "result.json", &bytes)
    }

    fn memory(&self, folder: &str) -> PathBuf {
        self.root.join(MEMORY).join("site_years").join(folder).join("result.json")
    }

    /// What is remembered of a site-year, if its files still stand; a damaged memory counts as none.
    pub(super) fn recall(&self, folder: &str) -> Option<Remembered> {
        let bytes = fs::read(self.memory(folder)).ok()?;
        let remembered: Remembered = serde_json::from_slice(&bytes).ok()?;
        let place = self.root.join("site_years").join(folder);
        remembered.outputs.keys().all(|name| place.join(name).is_file()).then_some(remembered)
    }
}
