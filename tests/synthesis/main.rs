//! The archive as a whole, on site-years with known truth: synthesis, economics, targets, answers.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::float_cmp,
    clippy::unreadable_literal,
    clippy::excessive_precision,
    missing_docs,
    unreachable_pub,
    reason = "a test may stop at the first surprise"
)]

#[path = "../support/site_years.rs"]
mod site_years;
#[path = "../support/mod.rs"]
mod support;

mod answers;
mod covariates;
mod doses;
mod economics;
mod few_site_years;
mod observed;
mod one_stage;
mod promises;
mod seasons_and_fields;
mod targeting;
mod trends;
