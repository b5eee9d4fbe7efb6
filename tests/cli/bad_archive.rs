//! Faults after which nothing can be done: exit code 2.

use std::fs;

use crate::archive::{Archive, say};

#[track_caller]
fn nothing_done(archive: &Archive, expected: &[&str]) {
    let said = archive.run();
    assert_eq!(said.code, 2, "{}", said.stderr);
    for text in expected {
        assert!(said.stderr.contains(text), "expected `{text}` in:\n{}", said.stderr);
    }
    assert!(!archive.out().join("run.json").exists());
}

#[test]
fn faults_of_archive_toml_are_told_all_at_once() {
    let archive = Archive::new();
    archive.edit("archive.toml", "report_units = \"us\"", "report_units = \"furlongs\"");
    archive.edit("archive.toml", "months = [5]", "months = [15]");
    archive.edit("archive.toml", "\"20 USD/ac\"", "20");
    archive.edit("archive.toml", "edge_along", "edge_allong");
    nothing_done(
        &archive,
        &[
            "archive.toml:2:16: report_units: expected `us` or `metric`, found `furlongs`",
            "must lie between 1 and 12, found 15",
            "treatments.band.cost: `20` has no unit",
            "unknown key; did you mean `edge_along`?",
        ],
    );
}

#[test]
fn each_fault_of_archive_toml_is_exit_2() {
    for (from, to, expected) in [
        ("name = \"Test Hollow\"", "name = \"Test Hollow", "archive.toml:1:"),
        ("check = true\n", "", "no treatment is the check"),
        ("cost = \"20 USD/ac\"", "cost = \"20 USD/ac\"\ncheck = true", "only one treatment can be the check"),
        ("\"4.20 USD/bu\"", "\"-1 USD/bu\"", "must be greater than 0"),
        ("\"4.20 USD/bu\"", "\"4.20 USD/peck\"", "unknown unit `USD/peck`"),
        ("[model]", "[model]\nconfidence = 0.4", "must lie between 0.5 and 0.999, found 0.4"),
        ("months = [5]", "months = [5]\nbreaks = [\"5 mm\", \"5 mm\"]", "must rise"),
    ] {
        let archive = Archive::new();
        archive.edit("archive.toml", from, to);
        nothing_done(&archive, &[expected]);
    }
}

#[test]
fn an_archive_without_site_years_is_exit_2() {
    let archive = Archive::new();
    fs::remove_dir_all(archive.path("fields")).unwrap();
    nothing_done(&archive, &["no site-year found"]);
}

#[test]
fn only_that_matches_nothing_is_exit_2() {
    let archive = Archive::new();
    let said = archive.run_with(&["--only", "fields/ugly"]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("`fields/ugly` matches no site-year"), "{}", said.stderr);
}

#[test]
fn unknown_commands_and_flags_are_exit_2() {
    assert_eq!(say(&["harvest"]).code, 2);
    assert_eq!(say(&["run", ".", "--out", "x", "--speed", "9"]).code, 2);
    assert_eq!(say(&["run", "."]).code, 2);
    assert_eq!(say(&[]).code, 2);
    assert_eq!(say(&["run", ".", "--out", "x", "--jobs", "0"]).code, 2);
}

#[test]
fn an_archive_that_is_missing_or_a_file_is_exit_2() {
    let archive = Archive::new();
    let out = archive.out();
    let said = say(&["run", archive.path("nowhere").to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("no such folder"), "{}", said.stderr);
    let said = say(&["run", archive.path("archive.toml").to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("is a file; expected a folder"), "{}", said.stderr);
    fs::remove_file(archive.path("archive.toml")).unwrap();
    nothing_done(&archive, &["holds no archive.toml"]);
}

#[test]
fn an_output_that_is_a_file_or_cannot_be_written_is_exit_2() {
    let archive = Archive::new();
    fs::write(archive.out(), "").unwrap();
    let said = archive.run();
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("is a file"), "{}", said.stderr);
    // A folder below a file cannot be made by anybody.
    let below = archive.out().join("below");
    let said = say(&["run", archive.root().to_str().unwrap(), "--out", below.to_str().unwrap()]);
    assert_eq!(said.code, 2, "{}", said.stderr);
}
