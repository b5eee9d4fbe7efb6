//! The example archive of the project is what the demo's code writes, and it runs.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use bandlift::demo::{self, Options, Size};
use tempfile::TempDir;

use crate::archive::say;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data")
}

fn write(into: &Path) {
    let options = Options { size: Size::Compact, ..Options::default() };
    let truth = demo::archive::write(&into.join("archive"), options).unwrap();
    truth.save(&into.join("truth.json")).unwrap();
}

fn contents(root: &Path) -> BTreeMap<String, Vec<u8>> {
    walkdir::WalkDir::new(root)
        .into_iter()
        .map(Result::unwrap)
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| {
            let name = entry.path().strip_prefix(root).unwrap().to_string_lossy().into_owned();
            (name, fs::read(entry.path()).unwrap())
        })
        .collect()
}

#[test]
fn the_example_archive_is_what_the_demo_writes() {
    let fresh = TempDir::new().unwrap();
    write(fresh.path());
    let (stored, fresh) = (contents(&folder().join("archive")), contents(&fresh.path().join("archive")));
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&stored), names(&fresh), "rewrite it: cargo test --release --test cli -- --ignored rewrite");
    for (name, bytes) in &fresh {
        assert!(
            stored[name] == *bytes,
            "{name} differs; rewrite it: cargo test --release --test cli -- --ignored rewrite"
        );
    }
}

#[test]
#[ignore = "writes into the project: call it by name after a change of the demo"]
fn rewrite_the_example_archive() {
    let _ = fs::remove_dir_all(folder().join("archive"));
    write(&folder());
}

#[test]
fn the_example_archive_runs() {
    let out = TempDir::new().unwrap();
    let archive = folder().join("archive");
    let said = say(&["run", archive.to_str().unwrap(), "--out", out.path().join("out").to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("Poorly drained"), "{}", said.stdout);
    let mut marked = 0;
    let is_page = |name: &str| Path::new(name).extension().is_some_and(|kind| kind == "html");
    for (name, bytes) in contents(out.path()).iter().filter(|(name, _)| is_page(name)) {
        let page = String::from_utf8_lossy(bytes);
        // what a drawing refers to stands in its page
        for reference in page.split("url(#").skip(1).filter_map(|rest| rest.split(')').next()) {
            assert!(page.contains(&format!("id=\"{reference}\"")), "{name}: {reference}");
        }
        marked += page.matches("class=\"sure\"").count();
    }
    assert!(marked > 0, "no stretch of the example paid");
}
