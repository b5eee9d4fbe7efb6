//! Why records cannot be put on strips.

use thiserror::Error;

/// A fault of the layout: it makes the site-year fail.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum AssignError {
    /// The strips lie elsewhere.
    #[error(
        "no record lies in any of the {strips} strips; the nearest is {nearest_m:.0} m away: are the strips of this field, and is their coordinate reference system right?"
    )]
    StripsElsewhere {
        /// How many strips there are.
        strips: usize,
        /// Distance from the middle of the records to the nearest strip, m.
        nearest_m: i64,
    },
    /// The labels name no treatment on any record.
    #[error("no record carries a treatment; the treatment column is empty")]
    NoLabels,
}
