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
fn faults_of_archive_toml_are_reported_all_at_once() {
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

#[test]
fn an_output_that_is_the_archive_is_exit_2() {
    let archive = Archive::new();
    let root = archive.root();
    for out in [root.clone(), root.join("fields/.."), root.join(".")] {
        let said = say(&["run", root.to_str().unwrap(), "--out", out.to_str().unwrap()]);
        assert_eq!(said.code, 2, "{}", said.stderr);
        assert!(said.stderr.contains("is the archive itself; expected another folder"), "{}", said.stderr);
    }
    assert!(!root.join("run.json").exists() && !root.join(".bandlift").exists());
}

#[test]
fn a_fault_of_the_soil_map_is_reported_once() {
    let archive = Archive::new();
    archive.edit("archive.toml", "[wetness]", "drainage = \"drclasscd\"\n[wetness]");
    let said = archive.run();
    assert_eq!(said.code, 2, "{}", said.stderr);
    let fault =
        "error: archive.toml: soil: layers/soils.geojson: no column `drclasscd`; found: drclassdcd; did you mean";
    assert_eq!(said.stderr.matches("no column").count(), 1, "{}", said.stderr);
    assert!(said.stderr.contains(fault), "{}", said.stderr);
    assert!(said.stderr.contains("2 site-years cannot be done for it: fields/bad, fields/good"), "{}", said.stderr);
    assert_eq!(archive.run_json()["failures"].as_array().unwrap().len(), 2);
    let said = say(&["inspect", archive.root().to_str().unwrap()]);
    assert_eq!((said.code, said.stderr.matches("no column").count()), (1, 1), "{}", said.stderr);
    // another site-year carries its own classes: the others fail, and it is done
    let labelled = |row: &crate::archive::Row| format!("{},Well drained\n", row.line());
    let lines: String = crate::archive::rows().iter().map(labelled).collect();
    archive.write("fields/good/harvest.csv", format!("{},soil\n{lines}", crate::archive::HEADER));
    archive.edit("fields/good/field.toml", "header = \"down\"", "header = \"down\"\ndrainage_class = \"soil\"");
    let said = archive.run();
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("1 site-years cannot be done for it: fields/bad"), "{}", said.stderr);
}

#[test]
fn a_fault_of_a_grid_is_reported_once_and_is_one_of_its_season() {
    let archive = Archive::new();
    archive.write("layers/total_2023_05.tif", "no raster");
    let said = archive.run();
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert_eq!(said.stderr.matches("layers/total_2023_05.tif: damaged").count(), 1, "{}", said.stderr);
    assert!(said.stderr.contains("2 site-years cannot be done for it: fields/bad, fields/good"), "{}", said.stderr);
    fs::remove_file(archive.path("layers/total_2023_05.tif")).unwrap();
    let said = archive.run();
    assert_eq!(said.stderr.matches("`layers/total_2023_05.tif` matches no file").count(), 1, "{}", said.stderr);
}

#[test]
#[cfg(unix)]
fn links_that_lead_nowhere_are_reported_once_and_the_night_goes_on() {
    use std::os::unix::fs::symlink;
    let archive = Archive::new();
    symlink("nowhere", archive.path("fields/dangling")).unwrap();
    symlink("itself", archive.path("layers/itself")).unwrap();
    for _ in 0..2 {
        let said = archive.run();
        assert_eq!(said.code, 0, "{}", said.stderr);
        for link in ["fields/dangling", "layers/itself"] {
            let told = format!("note: {link}: a link that cannot be followed");
            assert_eq!(said.stderr.matches(&told).count(), 1, "{}", said.stderr);
            let log = fs::read_to_string(archive.out().join("run.log")).unwrap();
            assert_eq!(log.matches(&format!("{link}: a link that cannot be followed")).count(), 1, "{log}");
        }
        assert_eq!(archive.run_json()["notes"].as_array().unwrap().len(), 2);
    }
    let said = say(&["inspect", archive.root().to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("note: fields/dangling"), "{}", said.stdout);
    // settings that cannot be read are a fault of their site-year
    fs::remove_file(archive.path("fields/bad/field.toml")).unwrap();
    symlink("nowhere", archive.path("fields/bad/field.toml")).unwrap();
    assert_eq!(archive.run().code, 1);
}

#[test]
fn a_number_of_jobs_that_is_none_says_what_was_expected() {
    for wrong in ["two", "0", "-1", "70000"] {
        let said = say(&["run", ".", "--out", "x", &format!("--jobs={wrong}")]);
        assert_eq!(said.code, 2);
        let told = format!("expected a whole number from 1 to 65535, found `{wrong}`");
        assert!(said.stderr.contains(&told), "{}", said.stderr);
    }
}

#[test]
fn the_demo_is_not_written_over_an_archive_that_is_not_its_own() {
    let archive = Archive::new();
    let before = fs::read(archive.path("archive.toml")).unwrap();
    let said = say(&["demo", archive.dir.path().to_str().unwrap()]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("an archive.toml that is not the demo's own"), "{}", said.stderr);
    assert_eq!(fs::read(archive.path("archive.toml")).unwrap(), before);
    fs::remove_file(archive.path("archive.toml")).unwrap();
    let said = say(&["demo", archive.dir.path().to_str().unwrap()]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("a folder that holds other files"), "{}", said.stderr);
}
