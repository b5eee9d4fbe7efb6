//! A site-year that fails keeps its last good result, stale; one that leaves the archive is retired.

use std::fs;

use crate::archive::Archive;
use crate::tree::{assert_same, results};

fn index(archive: &Archive) -> String {
    fs::read_to_string(archive.out().join("index.html")).unwrap().replace("&#x2f;", "/")
}

fn no_table_holds(archive: &Archive, field: &str) {
    for table in ["site_years.csv", "forest.csv"] {
        let text = fs::read_to_string(archive.out().join(table)).unwrap();
        assert!(!text.contains(&format!(",{field},")), "{table} holds {field}: {text}");
    }
}

#[test]
fn a_failing_site_year_keeps_its_last_result_stale_and_in_no_table_until_it_is_mended() {
    for (file, break_it, reason) in [
        ("fields/bad/harvest.csv", Some("nonsense"), "no column"),
        ("fields/bad/field.toml", Some("farm = 3"), "field.toml"),
        ("fields/bad/strips.geojson", None, "matches no file"),
    ] {
        let archive = Archive::new();
        assert_eq!(archive.run().code, 0);
        let whole = results(&archive.out());
        let sound = fs::read(archive.path(file)).unwrap();
        match break_it {
            Some(text) => archive.write(file, text),
            None => fs::remove_file(archive.path(file)).unwrap(),
        }
        let response = fs::read(archive.result("bad", "response.csv")).unwrap();
        // it is tried again each night
        for _ in 0..2 {
            let said = archive.run();
            assert_eq!(said.code, 1, "{}", said.stderr);
            assert!(said.stderr.contains(reason) && said.stderr.contains("stale"), "{}", said.stderr);
            assert!(said.stderr.contains("0 computed, 1 unchanged, 1 failed, 0 retired"), "{}", said.stderr);
            assert_eq!(fs::read(archive.result("bad", "response.csv")).unwrap(), response);
            let mark = fs::read_to_string(archive.result("bad", "not-current.txt")).unwrap();
            assert!(mark.starts_with("stale: ") && mark.contains(reason), "{mark}");
            let run = archive.run_json();
            assert_eq!(run["failures"][0]["site_year"], "fields/bad");
            assert_eq!(run["failures"][0]["stale"], "2023/hollow/bad");
            assert_eq!(run["counts"]["stale"], 1);
            // the same count everywhere
            assert_eq!(
                (run["counts"]["site_years"].as_u64(), run["counts"]["with_results"].as_u64()),
                (Some(2), Some(1))
            );
            assert!(
                said.stderr.contains("2 site-years: ") && index(&archive).contains("2 site-years, 1 with a result")
            );
            no_table_holds(&archive, "bad");
            assert!(index(&archive).contains("site_years/2023/hollow/bad/report.html"));
            assert!(fs::read_to_string(archive.out().join("run.log")).unwrap().contains("fields/bad: failed: "));
        }
        fs::write(archive.path(file), sound).unwrap();
        let said = archive.run();
        assert_eq!(said.code, 0, "{}", said.stderr);
        assert_same(&results(&archive.out()), &whole);
    }
}

#[test]
fn a_site_year_that_leaves_the_archive_is_retired_and_comes_back_as_it_was() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let whole = results(&archive.out());
    let (here, away) = (archive.path("fields/bad"), archive.dir.path().join("away"));
    fs::rename(&here, &away).unwrap();
    for _ in 0..2 {
        let said = archive.run();
        assert_eq!(said.code, 0, "{}", said.stderr);
        assert!(said.stderr.contains("retired: fields/bad: is no longer in the archive"), "{}", said.stderr);
        assert!(said.stderr.contains("0 computed, 1 unchanged, 0 failed, 1 retired"), "{}", said.stderr);
        assert_eq!(archive.run_json()["retired"][0]["results"], "2023/hollow/bad");
        assert!(archive.result("bad", "not-current.txt").is_file());
        no_table_holds(&archive, "bad");
        assert!(index(&archive).contains("Retired"));
    }
    fs::rename(&away, &here).unwrap();
    assert!(archive.run().stderr.contains("0 computed, 2 unchanged, 0 failed, 0 retired"));
    assert_same(&results(&archive.out()), &whole);
}

#[test]
fn a_site_year_of_another_name_retires_what_it_was() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    archive.edit("fields/bad/field.toml", "field = \"bad\"", "field = \"better\"");
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stderr.contains("1 computed, 1 unchanged, 0 failed, 1 retired"), "{}", said.stderr);
    assert!(said.stderr.contains("names another season, farm or field"), "{}", said.stderr);
    no_table_holds(&archive, "bad");
}

#[test]
fn a_site_year_that_is_left_alone_counts_as_it_last_was() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    archive.write("fields/bad/harvest.csv", "nonsense");
    // left alone: nobody knows yet
    assert_eq!(archive.run_with(&["--only", "fields/good"]).code, 0);
    assert_eq!(archive.run().code, 1);
    // left alone again: its failure is known, and its numbers stay out
    let said = archive.run_with(&["--only", "fields/good"]);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("no column"), "{}", said.stderr);
    no_table_holds(&archive, "bad");
}

#[test]
#[cfg(unix)]
fn a_site_year_behind_a_link_that_leads_nowhere_tonight_is_stale_and_not_retired() {
    let archive = Archive::new();
    let away = archive.dir.path().join("away");
    fs::rename(archive.path("fields/bad"), &away).unwrap();
    std::os::unix::fs::symlink(&away, archive.path("fields/bad")).unwrap();
    let said = archive.run_with(&["--allow-outside"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    fs::rename(&away, archive.dir.path().join("gone")).unwrap();
    let said = archive.run_with(&["--allow-outside"]);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("error: fields/bad: fields/bad: a link that cannot be followed"), "{}", said.stderr);
    assert!(said.stderr.contains("stale"), "{}", said.stderr);
    no_table_holds(&archive, "bad");
}
