//! Summaries that a few wild values cannot spoil.

mod huber;
mod isotonic;
mod mean;
mod medcouple;
mod quantile;

pub use huber::{HUBER_K, HuberLocation, huber_location, huber_weight};
pub use isotonic::isotonic;
pub use mean::{trimmed_mean, weighted_mean};
pub use medcouple::{adjusted_fences, medcouple};
pub use quantile::{
    MAD_CONSISTENCY, MedianMad, interquartile_range, mad, median, median_in_place, median_mad, quantile,
    quantile_in_place, quantile_sorted, weighted_median,
};
