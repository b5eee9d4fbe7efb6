//! What numbers of a harvest say of each other: pure functions over columns, for guesses (`draft`, `inspect`) and for checks of
//! what was configured (`run`).
//!
//! A combine that drives writes one quantity several times over. Positions and times tell the speed and the distance, the
//! spacing of its passes gives the width, flow over the ground cut gives the yield. A unit that is wrong is wrong by a known
//! factor, so that what does not fit by that factor is reported, and what would fit.

mod configured;
mod guess;
mod relation;
mod track;
pub(crate) mod units;
pub(crate) mod words;

pub(crate) use configured::{Configured, check};
pub(crate) use guess::{Channel, Guess, Numbers, Sight, guess};
pub(crate) use track::Track;
