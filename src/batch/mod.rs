//! Batch: the night. Discovers the site-years, computes those whose inputs changed, in parallel, and then the synthesis.

mod account;
mod archive;
mod basis;
mod compute;
mod country;
mod discover;
mod drawings;
mod fingerprint;
#[cfg(test)]
mod golden;
mod inputs;
mod journal;
mod lock;
mod memory;
mod night;
mod one;
mod plan;
mod retired;
mod seen;
mod sensitivity;
mod share;
mod slug;
mod stop;
mod store;
mod tasks;
mod threads;
mod times;
mod together;
mod workers;

pub use archive::conclude;
pub use discover::{Discovered, SiteYearFolder, discover};
pub use inputs::{PathFault, resolve};
pub use night::{NightOptions, NightReport, Progress, ShareReport, figures, run, run_share, synthesise};
pub use one::{Analysed, analyse};
pub use plan::{PlanOptions, PlanReport, plan};
pub use retired::Retired;
pub use share::{Share, ShareError};
pub use slug::{slug, unique_slugs};
pub use stop::Stop;
pub use store::{Store, StoreError};
pub use tasks::Failed;

use std::path::Path;

use thiserror::Error;

use crate::config::{ArchiveSettings, Faults, FieldSettings};
use crate::text::decoded;

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
    /// No figure is to be drawn.
    #[error("{0}")]
    NoFigure(String),
    /// The results would lie among the inputs.
    #[error("--out: {0} is the archive itself; expected another folder, such as one beside it")]
    OutIsArchive(String),
    /// The output cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The archive's own pages could not be made.
    #[error(transparent)]
    Report(#[from] crate::report::ReportError),
    /// The night was asked to stop.
    #[error("stopped by signal {signal}: {done} site-years are done and remembered, {left} are left for the next run")]
    Stopped {
        /// Number of the signal.
        signal: usize,
        /// Site-years that had their turn.
        done: usize,
        /// Those that had not.
        left: usize,
    },
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
    let bytes = std::fs::read(archive.join("archive.toml")).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => no_archive("holds no archive.toml".to_owned()),
        _ => no_archive(format!("archive.toml cannot be read: {error}")),
    })?;
    let text = decoded(bytes).map_err(|reason| no_archive(format!("archive.toml {reason}")))?;
    Ok(ArchiveSettings::parse("archive.toml", &text)?)
}

/// Reads the settings of a site-year; `name` is how its `field.toml` is named in messages.
///
/// # Errors
/// What is wrong with the file, all faults at once.
pub fn field_settings(folder: &SiteYearFolder, name: &str, archive: &ArchiveSettings) -> Result<FieldSettings, String> {
    let bytes = std::fs::read(folder.path.join("field.toml"));
    let bytes = bytes.map_err(|error| format!("{name}: cannot be read: {error}"))?;
    let text = decoded(bytes).map_err(|reason| format!("{name}: {reason}"))?;
    FieldSettings::parse(name, &text, archive).map_err(|faults| faults.to_string())
}
