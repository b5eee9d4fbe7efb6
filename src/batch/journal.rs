//! The log of a run, line by line as it goes.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Instant;

use super::store::StoreError;
use super::times;
use crate::text::plain;

/// The log: lines with the time, appended as things happen.
#[derive(Debug)]
pub(super) struct Journal {
    path: PathBuf,
    begun: Instant,
    pub(super) began: String,
    lines: Mutex<(File, Option<std::io::Error>)>,
}

impl Journal {
    /// Begins a log; that of the run before is kept beside it as `….previous.log`.
    pub(super) fn begin(folder: &Path, name: &str) -> Result<Self, StoreError> {
        let path = folder.join(format!("{name}.log"));
        let fault = |error| StoreError::new(&path, error);
        fs::create_dir_all(folder).map_err(fault)?;
        if path.exists() {
            fs::rename(&path, folder.join(format!("{name}.previous.log"))).map_err(fault)?;
        }
        let file = File::create(&path).map_err(fault)?;
        Ok(Self { path, begun: Instant::now(), began: times::now_text(), lines: Mutex::new((file, None)) })
    }

    /// Appends a line. The first fault of the system is kept until [`Journal::sound`] asks for it.
    pub(super) fn line(&self, text: &str) {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        let text = plain(text).replace('\n', "\n    ");
        if let Err(error) = writeln!(lines.0, "{} {text}", times::now_text()) {
            lines.1.get_or_insert(error);
        }
    }

    /// Whether every line was written.
    pub(super) fn sound(&self) -> Result<(), StoreError> {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        lines.1.take().map_or(Ok(()), |error| Err(StoreError::new(&self.path, error)))
    }

    /// Seconds since it began.
    pub(super) fn elapsed_s(&self) -> f64 {
        self.begun.elapsed().as_secs_f64()
    }
}
