//! The program from its command line: words, exit codes, files, and every row of bad input.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::float_cmp,
    missing_docs,
    unreachable_pub,
    reason = "a test may stop at the first surprise"
)]

#[path = "../support/mod.rs"]
mod support;

mod archive;

mod all_reasons;
mod applied;
mod bad_archive;
mod bad_geometry;
mod bad_records;
mod channels;
mod command_line;
mod covariates;
mod delivered;
mod describe;
mod draft;
mod explain;
mod few_blocks;
mod figures;
mod first;
mod good;
mod inspect;
mod lags;
mod names;
mod observed;
mod open_data;
mod plan;
mod promises;
mod readme;
mod sample_data;
mod task_data;
mod weather;
