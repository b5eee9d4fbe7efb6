//! Statistics: the engine under the stages. Knows nothing of agriculture.
//!
//! | module | what it holds |
//! | --- | --- |
//! | [`robust`] | median, quantiles, MAD, Huber, medcouple and skewed fences, isotonic regression |
//! | [`distribution`] | normal, t, F, χ², gamma, non-central t, mixtures, expected loss |
//! | [`permutation`] | sign-flip tests, max-\|t\| over several outcomes, intervals by inversion |
//! | [`meta`] | random-effects meta-analysis and meta-regression |
//! | [`linear`] | least squares, the paired t test |
//!
//! Every function is pure: no clock, no environment; a random generator is seeded by the caller. Matrix work is
//! sequential, so that a result has the same bits at any number of threads.

mod check;
pub mod dense;
pub mod distribution;
mod error;
mod interval;
pub mod linear;
pub mod meta;
pub mod permutation;
pub mod robust;

pub use error::StatsError;
pub use interval::Interval;
