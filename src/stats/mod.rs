//! Statistics: the engine under the stages. Knows nothing of agriculture.
//!
//! | module | what it holds |
//! | --- | --- |
//! | [`robust`] | median, quantiles, MAD, Huber, medcouple and skewed fences, isotonic regression |
//! | [`distribution`] | normal, t, χ², gamma, non-central t, mixtures, expected loss |
//! | [`sign_flip()`] | sign-flip tests, intervals by inversion |
//! | [`crossed`] | estimates in nested groups crossed with one factor, standard deviations averaged over |
//! | [`linear`] | least squares, the paired t test |
//! | [`mixed`] | mixed models by restricted likelihood, Kenward–Roger |
//! | [`field`] | spatial fields in fast forms, their parameters averaged over; AR(1) along lines |
//! | [`cluster_robust()`] | CR2 with its degrees of freedom |
//! | [`quasi`] | counts and shares by quasi-likelihood, negative binomial |
//! | [`ordinal`] | ordered ratings: cumulative logit with a random intercept |
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
pub(crate) mod dense;
pub mod distribution;
mod error;
pub(crate) mod field;
mod holm;
mod interval;
mod kernel;
pub mod linear;
pub(crate) mod mixed;
mod optimise;
pub(crate) mod ordinal;
mod partial_pooling;
mod precipitation_index;
pub(crate) mod quasi;
pub(crate) mod robust;
mod sign_flip;

pub(crate) use cluster_robust::cluster_robust;
pub(crate) use contrast::ContrastTest;
pub(crate) use error::StatsError;
pub(crate) use holm::holm_of_groups;
pub(crate) use interval::{Interval, std_error_of_mean};
pub(crate) use kernel::Kernel;
pub(crate) use partial_pooling::PartialPooling;
pub(crate) use precipitation_index::PrecipitationIndex;
pub(crate) use sign_flip::{sign_flip, sign_flip_interval};
