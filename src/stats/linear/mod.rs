//! Least squares and the paired t test.

mod compensated;
mod least_squares;
mod paired;

pub use least_squares::{LeastSquares, RANK_TOLERANCE, independent_columns, least_squares};
pub use paired::{PairedT, paired_t};
