//! Why a site-year's files cannot be used.

use std::fmt::Display;

use thiserror::Error;

use crate::bundle::BundleError;
use crate::text::short;

/// Columns that a message names.
const NAMED: usize = 60;

/// A fault of an input file: it makes the site-year fail, and the message says what to mend.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum IngestError {
    /// The file could not be read.
    #[error("{file}: cannot be read: {reason}")]
    Unreadable {
        /// The file.
        file: String,
        /// What the system said.
        reason: String,
    },
    /// No file matches.
    #[error("{pattern}: no file found")]
    NoFile {
        /// The path or glob as typed.
        pattern: String,
    },
    /// A file of another kind was expected.
    #[error("{file}: unknown kind of file; expected {expected}")]
    UnknownKind {
        /// The file.
        file: String,
        /// The kinds that are read.
        expected: &'static str,
    },
    /// The file has no rows.
    #[error("{file}: holds no {what}")]
    Empty {
        /// The file.
        file: String,
        /// What was expected.
        what: &'static str,
    },
    /// The file ends too early or contradicts itself.
    #[error("{file}: damaged: {reason}")]
    Damaged {
        /// The file.
        file: String,
        /// What is wrong.
        reason: String,
    },
    /// The file unpacks to more than is allowed.
    #[error(
        "{file}: unpacks to more than {most_bytes} bytes; raise `most_unpacked` under [read] in archive.toml if it is sound"
    )]
    TooLarge {
        /// The file.
        file: String,
        /// The limit.
        most_bytes: u64,
    },
    /// A mapped column is not in the file.
    #[error("{file}: no column `{column}`; found: {known}{hint}")]
    MissingColumn {
        /// The file.
        file: String,
        /// The column as mapped.
        column: String,
        /// The columns of the file.
        known: String,
        /// The nearest name, as a question.
        hint: String,
    },
    /// A cell holds something else than it should.
    #[error("{file}: row {row}, column `{column}`: found `{}`, expected {expected}", short(.found))]
    Cell {
        /// The file.
        file: String,
        /// Row, the first data row being 1.
        row: usize,
        /// The column.
        column: String,
        /// The text found.
        found: String,
        /// What was expected.
        expected: String,
    },
    /// The file does not say where on Earth it is.
    #[error(
        "{file}: carries no coordinate reference system; write `crs = \"EPSG:4326\"` (or the right code) beside its path{detail}"
    )]
    NoCrs {
        /// The file.
        file: String,
        /// What else may help.
        detail: &'static str,
    },
    /// The coordinate reference system cannot be used.
    #[error("{file}: {reason}")]
    Crs {
        /// The file.
        file: String,
        /// What is wrong with it.
        reason: String,
    },
    /// Longitude and latitude were mistaken for each other, or the CRS is not that of the numbers.
    #[error("{file}: {reason}")]
    Place {
        /// The file.
        file: String,
        /// What is wrong with the positions.
        reason: String,
    },
    /// A polygon cannot be used.
    #[error("{file}: polygon {number}: {reason}")]
    Polygon {
        /// The file.
        file: String,
        /// Number of the polygon, from 1.
        number: usize,
        /// What is wrong with it.
        reason: String,
    },
    /// A layer that `archive.toml` names for all site-years has a fault.
    #[error("archive.toml: {key}: {fault}")]
    OfArchive {
        /// The key that names it.
        key: &'static str,
        /// What is wrong with it.
        fault: Box<Self>,
    },
    /// The layers contradict each other.
    #[error("{0}")]
    Contradiction(String),
}

impl IngestError {
    pub(super) fn damaged(file: &str, reason: impl Display) -> Self {
        Self::Damaged { file: file.to_owned(), reason: reason.to_string() }
    }

    pub(super) fn cell(file: &str, row: usize, column: &str, found: impl Display, expected: impl Display) -> Self {
        let (file, column) = (file.to_owned(), column.to_owned());
        Self::Cell { file, row, column, found: found.to_string(), expected: expected.to_string() }
    }

    pub(super) fn misplaced(file: &str, reason: impl Display) -> Self {
        Self::Place { file: file.to_owned(), reason: reason.to_string() }
    }

    pub(super) fn crs(file: &str, reason: impl Display) -> Self {
        Self::Crs { file: file.to_owned(), reason: reason.to_string() }
    }

    pub(super) fn of_bundle(file: &str, fault: BundleError) -> Self {
        let file = file.to_owned();
        match fault {
            BundleError::Unreadable(reason) => Self::Unreadable { file, reason },
            BundleError::Damaged(reason) => Self::Damaged { file, reason },
            BundleError::TooLarge(most_bytes) => Self::TooLarge { file, most_bytes },
        }
    }

    pub(super) fn of_archive(self, key: &'static str) -> Self {
        Self::OfArchive { key, fault: Box::new(self) }
    }

    pub(super) fn missing_column(file: &str, column: &str, known: &[String]) -> Self {
        let hint = crate::quantity::nearest(column, known.iter().map(String::as_str))
            .map_or_else(String::new, |word| format!("; did you mean `{word}`?"));
        let more = if known.len() > NAMED { format!(" and {} more", known.len() - NAMED) } else { String::new() };
        let known = known.iter().take(NAMED).map(|name| short(name)).collect::<Vec<_>>().join(", ") + &more;
        Self::MissingColumn { file: file.to_owned(), column: column.to_owned(), known, hint }
    }
}
