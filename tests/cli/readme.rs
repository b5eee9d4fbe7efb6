//! The README's lists are those of the program.

use std::fs;
use std::path::Path;

use bandlift::report;

fn readme() -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap()
}

fn tables() -> [(&'static str, String); 2] {
    [("cautions", report::caution_table()), ("marks", report::mark_table())]
}

#[test]
fn every_caution_and_every_mark_is_explained() {
    let readme = readme();
    for (what, table) in tables() {
        assert!(
            readme.contains(&table),
            "the table of {what} in README.md is not that of the program; rewrite it: cargo test --release --test cli -- --ignored rewrite\n{table}"
        );
    }
}

#[test]
#[ignore = "writes into the project: call it by name after a change of the marks or cautions"]
fn rewrite_the_tables_of_the_readme() {
    let mut text = readme();
    for (_, table) in tables() {
        let head = table.split_inclusive('\n').next().unwrap();
        let from = text.find(head).unwrap();
        let length: usize =
            text[from..].split_inclusive('\n').take_while(|line| line.starts_with('|')).map(str::len).sum();
        text.replace_range(from..from + length, &table);
    }
    fs::write(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md"), text).unwrap();
}

/// Words by which a number tells where it comes from: a published source, a measurement, a reason of our own, or that there is
/// none.
fn tells_its_source(text: &str) -> bool {
    let has_year = text
        .as_bytes()
        .windows(4)
        .any(|four| four.iter().all(u8::is_ascii_digit) && (four.starts_with(b"19") || four.starts_with(b"20")));
    let words = ["common practice, no source", "ours", "measured", "benches/", "from memory"];
    has_year || words.iter().any(|word| text.contains(word))
}

/// The lines of a file of the source that are declarations of a kind, each with the text of its comment on one line.
fn commented(file: &str, is_declared: impl Fn(&str) -> bool) -> Vec<(String, String)> {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(file)).unwrap();
    let (mut comment, mut is_told, mut found) = (String::new(), false, Vec::new());
    for line in text.split("#[cfg(test)]").next().unwrap_or_default().lines().map(str::trim) {
        if let Some(words) = line.strip_prefix("///") {
            if is_told {
                comment.clear();
            }
            comment += words;
            is_told = false;
        } else if is_declared(line) {
            // one comment may stand for the declarations that follow it
            found.push((line.to_owned(), comment.clone()));
            is_told = true;
        } else {
            comment.clear();
        }
    }
    assert!(!found.is_empty(), "{file}");
    found
}

#[test]
fn every_limit_tells_where_it_comes_from() {
    for file in [
        "fit/doubts.rs",
        "fit/alternatives.rs",
        "fit/placebo.rs",
        "clean/calibrate.rs",
        "targeting/strips/mod.rs",
        "targeting/strips/lanes.rs",
        "targeting/strips/order.rs",
        "targeting/strips/widths.rs",
        "targeting/ground.rs",
    ] {
        let is_number = |line: &str| {
            line.contains("const ") && [": f64 =", ": usize =", ": u32 ="].iter().any(|kind| line.contains(kind))
        };
        for (line, comment) in commented(file, is_number) {
            assert!(tells_its_source(&comment), "{file}: `{line}` has no source in `{comment}`");
        }
    }
    for file in ["config/clean.rs", "config/model.rs", "config/target.rs"] {
        let fields = commented(file, |line| line.starts_with("pub ") && line.ends_with([',', '=']));
        for (line, comment) in fields {
            let default = comment.split("Default ").nth(1).unwrap_or_default();
            let is_number = default.starts_with(|first: char| first == '−' || first.is_ascii_digit());
            let is_nothing = ["0 m.", "1."].contains(&default);
            assert!(
                !is_number || is_nothing || tells_its_source(&comment),
                "{file}: `{line}` has no source in `{comment}`"
            );
        }
    }
    let crops = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/config/crops.rs")).unwrap();
    assert!(crops.contains("canola 8.5 % and 50 lb: common practice, no source"));
    let local = bandlift::points::Mark::LocalDisagreement.rule().source;
    assert!(local.contains("the limit is ours"), "{local}");
}
