//! A sound archive: all files, the answer, and that nothing changes what must not.

use std::fs;

use crate::archive::{Archive, LIFT, csv, rows, say};
use crate::support::{Tol, close};

const FILES: [&str; 9] = [
    "points.parquet",
    "segments.parquet",
    "response.csv",
    "removals.csv",
    "summary.json",
    "sensitivity.csv",
    "yield.tif",
    "layers.gpkg",
    "report.html",
];

#[test]
fn every_file_of_the_contract_is_written_and_the_response_is_found() {
    let archive = Archive::new();
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    for name in FILES {
        assert!(archive.result("good", name).is_file(), "{name} is missing");
    }
    for name in ["index.html", "response_by_zone.csv", "site_years.csv", "run.json"] {
        assert!(archive.out().join(name).is_file(), "{name} is missing");
    }
    let whole = archive.response("good", "all");
    let (check, response): (f64, f64) = (whole["check_yield"].parse().unwrap(), whole["response"].parse().unwrap());
    // The response that was laid into the strips, within the noise between them.
    close("share gained", response / check, LIFT, Tol::abs(0.03));
    assert_eq!(whole["blocks"], "3");
    assert_eq!(whole["wetness_class"], "wetter");
    close("departure", whole["wetness_mm"].parse().unwrap(), 40.0, Tol::abs(0.05));
    assert!(whole["caution"].split(';').any(|code| code == "few-blocks"), "{}", whole["caution"]);
    let summary = archive.summary("good");
    assert_eq!(summary["points_read"], 1200);
    assert_eq!(summary["lag_s"]["A"]["source"], "configured");
    assert_eq!(summary["design"]["strips_by_treatment"]["band"], 3);
}

#[test]
fn the_mass_of_all_records_is_conserved() {
    let archive = Archive::single();
    assert_eq!(archive.run().code, 0);
    let expected: f64 = rows().iter().map(|row| row.flow.parse::<f64>().unwrap()).sum();
    close("wet mass", archive.summary("bad")["wet_mass_kg"].as_f64().unwrap(), expected, Tol::rel(1e-9));
}

fn tables(archive: &Archive) -> Vec<Vec<u8>> {
    ["response.csv", "removals.csv", "sensitivity.csv", "summary.json", "yield.tif", "layers.gpkg"]
        .iter()
        .map(|name| fs::read(archive.result("bad", name)).unwrap())
        .chain(
            ["response_by_zone.csv", "site_years.csv"].iter().map(|name| fs::read(archive.out().join(name)).unwrap()),
        )
        .collect()
}

#[test]
fn order_of_rows_line_ends_byte_order_mark_and_jobs_make_no_difference() {
    let archive = Archive::new();
    assert_eq!(archive.run_with(&["--jobs", "1"]).code, 0);
    let first = tables(&archive);
    assert_eq!(archive.run_with(&["--jobs", "2", "--force"]).code, 0);
    assert!(tables(&archive) == first, "--jobs changed the tables");

    let mut shuffled = rows();
    shuffled.reverse();
    shuffled.swap(3, 700);
    shuffled.rotate_left(411);
    archive.write("fields/bad/harvest.csv", csv(&shuffled));
    assert_eq!(archive.run().code, 0);
    assert!(tables(&archive) == first, "the order of the rows changed the tables");

    archive.write("fields/bad/harvest.csv", format!("\u{feff}{}", csv(&rows()).replace('\n', "\r\n")));
    assert_eq!(archive.run().code, 0);
    assert!(tables(&archive) == first, "line ends changed the tables");
}

#[test]
fn a_file_given_twice_gives_the_same_answer() {
    let archive = Archive::single();
    assert_eq!(archive.run().code, 0);
    let first = fs::read(archive.result("bad", "response.csv")).unwrap();
    archive.write("fields/bad/copy/harvest.csv", csv(&rows()));
    archive.edit("fields/bad/field.toml", "path = \"harvest.csv\"", "path = \"**/harvest.csv\"");
    assert_eq!(archive.run().code, 0);
    assert_eq!(archive.removed("bad", "duplicate"), 1200);
    let second = fs::read(archive.result("bad", "response.csv")).unwrap();
    assert_eq!(String::from_utf8(second).unwrap(), String::from_utf8(first).unwrap());
}

#[test]
fn an_unchanged_site_year_is_not_computed_again() {
    let archive = Archive::new();
    assert!(archive.run().stderr.contains("2 computed, 0 unchanged"));
    assert!(archive.run().stderr.contains("0 computed, 2 unchanged"));
    archive.edit("fields/bad/harvest.csv", "1696000000,", "1696000000.0,");
    assert!(archive.run().stderr.contains("1 computed, 1 unchanged"));
    archive.edit("archive.toml", "20 USD/ac", "21 USD/ac");
    assert!(archive.run().stderr.contains("2 computed, 0 unchanged"));
    // A comment changes nothing that counts.
    archive.edit("archive.toml", "[crops.corn]", "# prices of spring\n[crops.corn]");
    assert!(archive.run().stderr.contains("0 computed, 2 unchanged"));
    // An output that was deleted is made again.
    fs::remove_file(archive.result("good", "response.csv")).unwrap();
    assert!(archive.run().stderr.contains("1 computed, 1 unchanged"));
}

#[test]
fn only_chooses_site_years_and_the_synthesis_keeps_the_others() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let all = fs::read(archive.out().join("site_years.csv")).unwrap();
    let said = archive.run_with(&["--only", "fields/g*", "--force"]);
    assert_eq!(said.code, 0);
    assert!(said.stderr.contains("1 computed, 1 unchanged"), "{}", said.stderr);
    assert!(fs::read(archive.out().join("site_years.csv")).unwrap() == all);
}

#[test]
fn output_never_holds_a_temporary_file() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    for entry in walkdir::WalkDir::new(archive.out()) {
        let path = entry.unwrap().into_path();
        assert!(path.extension().is_none_or(|extension| extension != "part"), "{}", path.display());
    }
}

#[test]
fn a_reader_of_the_output_that_goes_away_is_no_error() {
    let archive = Archive::new();
    let program = env!("CARGO_BIN_EXE_bandlift");
    let command = format!(
        "set -o pipefail; '{program}' run '{}' --out '{}' 2>err | true; echo ${{PIPESTATUS[0]}}; cat err",
        archive.root().display(),
        archive.out().display()
    );
    let output =
        std::process::Command::new("bash").args(["-c", &command]).current_dir(archive.dir.path()).output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.starts_with("0\n"), "{text}");
    assert!(!text.contains("panicked") && !text.contains("error"), "{text}");
    assert!(archive.out().join("index.html").is_file());
}

#[test]
fn help_and_version_are_no_errors() {
    assert_eq!(say(&["--help"]).code, 0);
    assert!(say(&["--version"]).stdout.starts_with("bandlift "));
}
