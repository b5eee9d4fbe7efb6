//! `explain`: why a record was removed.

use crate::archive::{Archive, csv, rows, say};

#[test]
fn the_rule_its_limit_and_the_neighbours_are_reported() {
    let archive = Archive::single();
    let mut spoiled = rows();
    let flow: f64 = spoiled[299].flow.parse().unwrap();
    spoiled[299].flow = format!("{}", 1.15 * flow);
    spoiled[499].speed = "9".to_owned();
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    assert_eq!(archive.run().code, 0);
    let folder = archive.result("bad", "");
    let folder = folder.to_str().unwrap();

    let said = say(&["explain", folder]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    for text in ["local-disagreement", "speed-range", "limit: 0.4 to 4 m/s", "of 1200 records kept"] {
        assert!(said.stdout.contains(text), "{}", said.stdout);
    }
    let said = say(&["explain", folder, "--record", "harvest.csv:300"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    for text in [
        "removed by local-disagreement",
        "limit: 3.5 robust standard deviations",
        "neighbours within 30 m",
        "bu/ac  pass",
        "strip  ",
        " UTC",
        "(EPSG:326",
    ] {
        assert!(said.stdout.contains(text), "{}", said.stdout);
    }
    let said = say(&["explain", folder, "--record", "harvest.csv:500"]);
    assert!(said.stdout.contains("removed by speed-range") && said.stdout.contains("9.00 m/s"), "{}", said.stdout);
    let said = say(&["explain", folder, "--record", "harvest.csv:20"]);
    assert!(said.stdout.contains("kept") && !said.stdout.contains("kg/ha"), "{}", said.stdout);
}

#[test]
fn a_record_without_a_place_is_explained_without_one() {
    let archive = Archive::single();
    let mut spoiled = rows();
    spoiled[299].lon = f64::NAN;
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    assert_eq!(archive.run().code, 0);
    let folder = archive.result("bad", "");
    let said = say(&["explain", folder.to_str().unwrap(), "--record", "harvest.csv:300"]);
    assert!(said.stdout.contains("not recorded") && said.stdout.contains("no-position"), "{}", said.stdout);
    assert!(!said.stdout.contains("NaN") && !said.stdout.contains("inf "), "{}", said.stdout);
}

#[test]
fn a_wrong_folder_file_or_row_is_an_error() {
    let archive = Archive::single();
    assert_eq!(archive.run().code, 0);
    let folder = archive.result("bad", "");
    let folder = folder.to_str().unwrap();
    for (record, expected) in [
        ("harvest.csv", "expected FILE:ROW"),
        ("other.csv:1", "the files are: fields/bad/harvest.csv"),
        ("harvest.csv:9999", "has no row 9999"),
    ] {
        let said = say(&["explain", folder, "--record", record]);
        assert_eq!(said.code, 2);
        assert!(said.stderr.contains(expected), "{}", said.stderr);
    }
    assert_eq!(say(&["explain", archive.root().to_str().unwrap()]).code, 2);
}

#[test]
fn a_folder_that_is_no_result_says_what_was_expected() {
    let archive = Archive::new();
    let missing = archive.path("nope");
    for (folder, found) in [(missing, "no such folder"), (archive.root(), "a folder without summary.json")] {
        let said = say(&["explain", folder.to_str().unwrap()]);
        assert_eq!(said.code, 2);
        let told = format!("found {found}, expected the folder of a site-year below OUT/site_years");
        assert!(said.stderr.contains(&told), "{}", said.stderr);
    }
}
