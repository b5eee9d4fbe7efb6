//! `bandlift plan`: its files, and what it refuses.

use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::Connection;
use tempfile::TempDir;

use crate::archive::say;
use crate::support::{Tol, close};

fn archive() -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive").to_string_lossy().into_owned()
}

fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

#[test]
fn every_field_gets_zones_that_add_up_in_files_that_open() {
    let room = TempDir::new().unwrap();
    let out = room.path().join("out");
    let said = say(&["plan", &archive(), "--out", out.to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("label, local rules and a licensed adviser come first"), "{}", said.stdout);
    let table = rows(&out.join("plan/plan.csv"));
    let fields: std::collections::BTreeSet<(String, String)> =
        table.iter().map(|row| (row["folder"].clone(), row["treatment"].clone())).collect();
    assert!(fields.len() >= 4, "{fields:?}");
    for (folder, treatment) in &fields {
        let own: Vec<_> =
            table.iter().filter(|row| &row["folder"] == folder && &row["treatment"] == treatment).collect();
        let area: f64 = own.iter().map(|row| row["area"].parse::<f64>().unwrap()).sum();
        assert!(area > 1.0);
        for row in &own {
            assert!(["treat", "leave", "test"].contains(&row["decision"].as_str()));
            // money is promised only where something is to be treated
            assert_eq!(row["expected_money"].is_empty(), row["decision"] != "treat" || row["net_return"].is_empty());
        }
        let place = out.join("plan").join(folder);
        let package = Connection::open(place.join("zones.gpkg")).unwrap();
        let (count, stored): (i64, f64) = package
            .query_row("SELECT COUNT(*), SUM(area) FROM zones WHERE treatment = ?1", [treatment], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .unwrap();
        assert_eq!(count as usize, own.len());
        close("area", stored, area, Tol::abs(0.01));
        let shapes = shapefile::Reader::from_path(place.join("zones.shp")).unwrap();
        assert_eq!(shapes.into_shapes_and_records_count(), table.iter().filter(|row| &row["folder"] == folder).count());
        assert!(place.join("zones.prj").is_file());
    }
}

trait Count {
    fn into_shapes_and_records_count(self) -> usize;
}

impl<T: std::io::Read + std::io::Seek, D: std::io::Read + std::io::Seek> Count for shapefile::Reader<T, D> {
    fn into_shapes_and_records_count(mut self) -> usize {
        self.iter_shapes_and_records().map(Result::unwrap).count()
    }
}

#[test]
fn a_plan_that_cannot_be_made_says_why() {
    let room = TempDir::new().unwrap();
    let out = room.path().join("out");
    let refused = |more: &[&str]| {
        let archive = archive();
        let mut arguments = vec!["plan", archive.as_str(), "--out", out.to_str().unwrap()];
        arguments.extend(more);
        let said = say(&arguments);
        assert_eq!(said.code, 2, "{}", said.stderr);
        said.stderr
    };
    let text = refused(&["--crop", "rice"]);
    assert!(text.contains("--crop: `rice` is not in archive.toml; expected one of corn"), "{text}");
    let text = refused(&["--outlook", "drier=0.5,wetter=0.5"]);
    assert!(text.contains("--outlook: ") && text.contains("near normal"), "{text}");
    let text = refused(&["--outlook", "drier=0.5,near normal=0.5,wetter=0.5"]);
    assert!(text.contains("sum to 1.500, expected 1"), "{text}");
    assert!(!out.join("plan").exists());
}

#[test]
fn a_wanted_precision_says_how_many_strips_it_takes() {
    let room = TempDir::new().unwrap();
    let out = room.path().join("out");
    let plan = |precision: &str| say(&["plan", &archive(), "--out", out.to_str().unwrap(), "--precision", precision]);
    let said = plan("4 bu/ac");
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("Strips for an interval of ± 4.0 bu/ac (90 %)"), "{}", said.stdout);
    let table = rows(&out.join("plan/replication.csv"));
    let number = |row: &BTreeMap<String, String>, column: &str| row[column].parse::<f64>().unwrap();
    assert!(!table.is_empty());
    for pair in table.windows(2) {
        // more blocks of as many site-years tell more
        if pair[0]["treatment"] == pair[1]["treatment"] && pair[0]["site_years"] == pair[1]["site_years"] {
            assert!(number(&pair[1], "half_width") < number(&pair[0], "half_width"));
        }
        assert!(number(&pair[0], "detectable") > number(&pair[0], "half_width"));
    }
    for wrong in ["4", "4 bushels", "-1 bu/ac", "fine"] {
        let said = plan(wrong);
        assert_eq!(said.code, 2, "{wrong}");
        assert!(said.stderr.contains("--precision"), "{}", said.stderr);
    }
}
