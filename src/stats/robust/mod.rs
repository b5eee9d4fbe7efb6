//! Summaries that a few wild values cannot spoil.

mod huber;
mod isotonic;
mod medcouple;
mod quantile;

pub(crate) use huber::{HUBER_K, huber_weight};
pub(crate) use isotonic::isotonic;
pub(crate) use medcouple::adjusted_fences;
#[cfg(test)]
pub(crate) use medcouple::medcouple;
pub(crate) use quantile::{
    MAD_CONSISTENCY, mad, median, median_in_place, median_mad, quantile, quantile_in_place, quantile_sorted,
    weighted_median,
};
