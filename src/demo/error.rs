//! What can go wrong in writing the archive.

use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::geometry::CrsError;
use crate::raster::RasterError;

/// Why the invented archive could not be written or its truth read.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum DemoError {
    /// A file cannot be written or read.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// A file cannot be put together or taken apart.
    #[error("{}: {reason}", path.display())]
    Format {
        /// The file.
        path: PathBuf,
        /// What the library says.
        reason: String,
    },
    /// The archive would be written over something else.
    #[error("{}: found {found}; expected a new folder, or the demo's archive as it was written", path.display())]
    NotOwn {
        /// The folder of the archive.
        path: PathBuf,
        /// What is there.
        found: &'static str,
    },
    /// Coordinates cannot be converted.
    #[error(transparent)]
    Crs(#[from] CrsError),
    /// A raster cannot be made.
    #[error(transparent)]
    Raster(#[from] RasterError),
}

impl DemoError {
    pub(super) fn format(path: &Path, reason: impl std::fmt::Display) -> Self {
        Self::Format { path: path.to_path_buf(), reason: reason.to_string() }
    }
}

/// Writes a file, making its folders.
pub(super) fn write_file(path: &Path, bytes: &[u8]) -> Result<(), DemoError> {
    let io = |source| DemoError::Io { path: path.to_path_buf(), source };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(io)?;
    }
    std::fs::write(path, bytes).map_err(io)
}
