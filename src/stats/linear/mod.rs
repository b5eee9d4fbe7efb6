//! Least squares and the paired t test.

mod compensated;
mod least_squares;
mod paired;

pub(crate) use least_squares::{independent_columns, least_squares};
pub use paired::{PairedT, paired_t};
