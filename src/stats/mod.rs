//! Statistics: the engine under the stages. Knows nothing of agriculture.
//!
//! | module | what it holds |
//! | --- | --- |
//! | [`robust`] | median, quantiles, MAD, Huber, medcouple and skewed fences, isotonic regression |
//! | [`distribution`] | normal, t, F, χ², gamma, non-central t, mixtures, expected loss |
//! | [`permutation`] | sign-flip tests, max-\|t\| over several outcomes, intervals by inversion |
//! | [`crossed`] | estimates in nested groups crossed with one factor, standard deviations averaged over |
//! | [`linear`] | least squares, the paired t test |
//! | [`mixed`] | mixed models with spatial residuals by REML, Kenward–Roger and Satterthwaite |
//! | [`field`] | spatial fields in fast forms, their parameters averaged over; AR(1) along lines |
//! | [`cluster_robust()`] | CR2 with its degrees of freedom |
//! | [`PartialPooling`] | estimates of one case drawn towards a line and their neighbours |
//! | [`PrecipitationIndex`] | a total as a quantile of its history |
//! | [`Kernel`] | correlation as a function of distance |
//!
//! Every function is pure: no clock, no environment; a random generator is seeded by the caller. Matrix work is
//! sequential, so that a result has the same bits at any number of threads.

mod check;
mod cluster_robust;
mod contrast;
pub mod crossed;
pub mod dense;
pub mod distribution;
mod error;
pub mod field;
mod interval;
mod kernel;
pub mod linear;
pub mod mixed;
mod optimise;
mod partial_pooling;
pub mod permutation;
mod precipitation_index;
pub mod robust;

pub use cluster_robust::{ClusterRobust, cluster_robust};
pub use contrast::ContrastTest;
pub use error::StatsError;
pub use interval::Interval;
pub use kernel::Kernel;
pub use partial_pooling::PartialPooling;
pub use precipitation_index::PrecipitationIndex;
