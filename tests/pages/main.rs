//! The pages in a headless browser, and the layers in a general GIS library.
//!
//! Where the browser or the library is not installed, the tests say so and pass; `BANDLIFT_REQUIRE_BROWSER=1` makes that a
//! failure. `.ci/prepare-tests` installs both, and the accessibility checker.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::float_cmp,
    missing_docs,
    unreachable_pub,
    reason = "a test may stop at the first surprise"
)]

#[path = "../support/browser.rs"]
mod page;

mod browser;
mod example;

mod accessible;
mod crowded;
mod index;
mod interaction;
mod layers;
mod picture;
mod printed;
mod self_contained;
mod strange_names;
