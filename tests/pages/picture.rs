//! The picture of the README.

use std::path::Path;

use crate::browser::{Browser, Light};
use crate::example;

#[test]
#[ignore = "writes into the project: call it by name after a change of the pages"]
fn rewrite_the_picture() {
    let browser = Browser::installed().expect("Chromium");
    let report = example::out().join("site_years/2024/tamsin-flats/creek-quarter/report.html");
    let picture = browser.picture(&report, (1180, 1260), Light::Light);
    std::fs::write(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/report.png"), picture).unwrap();
}
