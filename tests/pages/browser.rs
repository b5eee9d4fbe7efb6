//! The browser, or a word that it is not there.

use std::io::Write;

use serde_json::Value;

pub use crate::page::{Browser, Light, program};

/// Says that a test was skipped; fails where `BANDLIFT_REQUIRE_BROWSER=1` forbids that.
pub fn skipped(what: &str) {
    let required = std::env::var("BANDLIFT_REQUIRE_BROWSER").is_ok_and(|value| value == "1");
    assert!(!required, "{what} is not installed; .ci/prepare-tests installs it");
    writeln!(std::io::stderr().lock(), "skipped: {what} is not installed").unwrap();
}

/// The browser, or `None` after saying that it is not there.
pub fn find() -> Option<Browser> {
    let found = Browser::installed();
    if found.is_none() {
        skipped("Chromium");
    }
    found
}

/// What a script found in a page, after making sure that the page raised no error.
pub fn found(told: &Value) -> &Value {
    assert_eq!(told["errors"], serde_json::json!([]), "the page raised errors");
    &told["found"]
}
