//! What can be wrong with a raster file.

use std::path::PathBuf;

use thiserror::Error;
use tiff::TiffError;

use crate::bundle::BundleError;
use crate::geometry::CrsError;

/// Why a raster cannot be read or written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum RasterError {
    /// The file cannot be opened, read or written.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// The bytes are not those of a sound grid: truncated, corrupt or of another format.
    #[error("{}: expected a sound grid, found a damaged or truncated file: {reason}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What the decoder says.
        reason: String,
    },
    /// A grid in a way that is not read.
    #[error("{}: expected a grid with {expected}, found {found}", path.display())]
    Unsupported {
        /// The file.
        path: PathBuf,
        /// What is read.
        expected: &'static str,
        /// What the file holds.
        found: String,
    },
    /// A file that says that it holds other months than the one that is asked for.
    #[error("{}: expected {expected}, found {found}", path.display())]
    OtherMonth {
        /// The file.
        path: PathBuf,
        /// The month.
        expected: String,
        /// The months that it holds.
        found: String,
    },
    /// A TIFF that does not say where it lies.
    #[error("{}: expected the tags of a GeoTIFF, found no {missing}", path.display())]
    NoGeoreference {
        /// The file.
        path: PathBuf,
        /// What is missing.
        missing: &'static str,
    },
    /// A reference system that is not understood, or no way to it.
    #[error("{}: {source}", path.display())]
    Crs {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: CrsError,
    },
    /// A surface of which no terrain can be made.
    #[error("expected a surface with data and cells above 0 m, found {reason}")]
    Terrain {
        /// What was found.
        reason: String,
    },
}

impl RasterError {
    pub(super) fn terrain(reason: String) -> Self {
        Self::Terrain { reason }
    }

    pub(super) fn from_bundle(path: &std::path::Path, fault: BundleError) -> Self {
        let path = path.to_path_buf();
        match fault {
            BundleError::Unreadable(reason) => Self::Io { path, source: std::io::Error::other(reason) },
            other => Self::Damaged { path, reason: other.to_string() },
        }
    }

    pub(super) fn from_tiff(path: &std::path::Path, fault: TiffError) -> Self {
        let path = path.to_path_buf();
        match fault {
            TiffError::IoError(source) if source.kind() != std::io::ErrorKind::UnexpectedEof => {
                // Decoders report corrupt data as an error of reading, too.
                match source.kind() {
                    std::io::ErrorKind::InvalidData | std::io::ErrorKind::InvalidInput | std::io::ErrorKind::Other => {
                        Self::Damaged { path, reason: source.to_string() }
                    }
                    _ => Self::Io { path, source },
                }
            }
            TiffError::IoError(source) => Self::Damaged { path, reason: format!("the file ends too early ({source})") },
            TiffError::UnsupportedError(what) => Self::Unsupported {
                path,
                expected: "one band of numbers, uncompressed or with LZW, deflate or PackBits",
                found: what.to_string(),
            },
            TiffError::LimitsExceeded => Self::Unsupported {
                path,
                expected: "strips or tiles of at most 256 MiB",
                found: "larger ones".to_owned(),
            },
            other => Self::Damaged { path, reason: other.to_string() },
        }
    }
}
