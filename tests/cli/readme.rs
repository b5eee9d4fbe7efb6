//! The README's lists are those of the program.

use std::fs;
use std::path::Path;

use bandlift::report;

fn readme() -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap()
}

#[test]
fn every_caution_and_every_mark_is_explained() {
    let readme = readme();
    for (what, table) in [("cautions", report::caution_table()), ("marks", report::mark_table())] {
        assert!(readme.contains(&table), "the table of {what} in README.md is not that of the program:\n{table}");
    }
}
