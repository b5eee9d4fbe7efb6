//! A folder as a map from names to contents, and running the program beside the test.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Every file below a folder but those that tell of a run rather than of the archive.
pub fn results(out: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    for entry in walkdir::WalkDir::new(out) {
        let entry = entry.unwrap();
        let name = entry.path().strip_prefix(out).unwrap().to_str().unwrap().to_owned();
        let of_run = name.starts_with("run.") || name.starts_with(".bandlift") || name.starts_with("shares");
        if entry.file_type().is_file() && !of_run {
            files.insert(name, fs::read(entry.path()).unwrap());
        }
    }
    files
}

/// Compares two outputs by byte and names what differs.
#[track_caller]
pub fn assert_same(found: &BTreeMap<String, Vec<u8>>, expected: &BTreeMap<String, Vec<u8>>) {
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(found), names(expected));
    let differing: Vec<_> = expected.iter().filter(|(name, bytes)| found[*name] != **bytes).map(|one| one.0).collect();
    assert!(differing.is_empty(), "differ: {differing:?}");
}

/// Starts the program and does not wait.
pub fn start(arguments: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_bandlift"))
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Waits until something holds, at most a minute.
#[track_caller]
pub fn wait_until(what: &str, holds: impl Fn() -> bool) {
    let begun = Instant::now();
    while !holds() {
        assert!(begun.elapsed() < Duration::from_mins(1), "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(2));
    }
}
