//! bandlift: where did the treated band beat the untreated check, by how much, and did it pay.
//!
//! | stage | folder | in → out |
//! | --- | --- | --- |
//! | ingest | `ingest` | files → [`points::Ingested`] |
//! | applied | `applied` | logs of what was put down → the strips |
//! | clean | `clean` | [`points::Ingested`] → [`points::Cleaned`] |
//! | assign | `assign` | [`points::Cleaned`] → [`points::Assigned`] |
//! | join | `join` | [`points::Assigned`] → [`points::Joined`] |
//! | observed | `observed` | counts and ratings on strips → their differences |
//! | fit | `fit` | [`points::Joined`] → the site-year's response |
//! | synthesise | `synthesise` | all [`results::SiteYear`]s → [`results::Synthesis`] |
//! | economics | `economics` | responses and zones → what they are worth |
//! | target | `targeting` | zones and an outlook → where to treat, and next season's strips |
//! | report | `report` | everything → tables, layers and pages |
//!
//! Arrows run downward only: cli → draft, batch → stages → consistency → points, results → stats, geometry, raster → quantity.
#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::float_cmp,
        reason = "a test may stop at the first surprise"
    )
)]

// What goes in and comes out, the stages that benches time one by one, and of the engines what tests and benches read.
pub mod applied;
pub mod assign;
pub mod batch;
pub mod clean;
pub mod cli;
pub mod config;
pub mod demo;
pub mod draft;
pub mod economics;
pub mod fit;
pub mod geometry;
pub mod join;
pub mod points;
pub mod raster;
pub mod report;
pub mod results;
pub mod stats;
pub mod synthesise;
pub mod targeting;

mod bundle;
mod consistency;
mod ingest;
mod observed;
mod quantity;
mod text;

#[cfg(test)]
extern crate self as bandlift;
#[cfg(test)]
#[path = "../tests/reference/mod.rs"]
mod reference;
#[cfg(test)]
#[path = "../tests/support/mod.rs"]
mod support;
