//! Batch: the night. Discovers the site-years, computes those whose inputs changed, in parallel, and then the synthesis.

mod archive;
mod discover;
mod fingerprint;
mod inputs;
mod lags;
mod night;
mod one;
mod plan;
mod sensitivity;
mod slug;
mod store;
mod threads;

pub use archive::conclude;
pub use discover::{Discovered, SiteYearFolder, discover};
pub use inputs::{PathFault, resolve};
pub use night::{Failed, NightOptions, NightReport, Progress, run};
pub use one::{Analysed, analyse};
pub use plan::{PlanOptions, PlanReport, plan};
pub use slug::{slug, unique_slugs};
pub use store::{Store, StoreError};

use std::path::Path;

use thiserror::Error;

use crate::config::{ArchiveSettings, Faults};

/// Why nothing could be done.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum BatchError {
    /// The archive is not a folder with an `archive.toml`.
    #[error("{archive}: {reason}")]
    NoArchive {
        /// The path as typed.
        archive: String,
        /// What was found.
        reason: String,
    },
    /// `archive.toml` has faults.
    #[error("{0}")]
    Settings(#[from] Faults),
    /// No site-year.
    #[error("{0}")]
    NoSiteYear(String),
    /// Nothing can be planned.
    #[error("{0}")]
    NoPlan(String),
    /// The output cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The archive's own pages could not be made.
    #[error(transparent)]
    Report(#[from] crate::report::ReportError),
    /// The threads could not be started.
    #[error("the threads could not be started: {0}")]
    Threads(String),
}

/// Reads the settings of an archive.
///
/// # Errors
/// [`BatchError::NoArchive`] or [`BatchError::Settings`].
pub fn archive_settings(archive: &Path) -> Result<ArchiveSettings, BatchError> {
    let no_archive = |reason: String| BatchError::NoArchive { archive: archive.display().to_string(), reason };
    if !archive.is_dir() {
        let found =
            if archive.exists() { "is a file; expected a folder holding archive.toml" } else { "no such folder" };
        return Err(no_archive(found.to_owned()));
    }
    let text = std::fs::read_to_string(archive.join("archive.toml")).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => no_archive("holds no archive.toml".to_owned()),
        _ => no_archive(format!("archive.toml cannot be read: {error}")),
    })?;
    Ok(ArchiveSettings::parse("archive.toml", &text)?)
}
