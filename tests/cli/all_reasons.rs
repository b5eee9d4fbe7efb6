//! Every mark and every caution is raised by some archive: simulated harvests with faults drawn at random, the demo with its
//! plan, and the cases of the other tests, which name theirs.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use bandlift::demo::messy::{self, Messy};
use bandlift::demo::{self, Options};
use bandlift::points::{Caution, Mark};

use crate::archive::{Archive, LENGTH, Row, STRIPS, SWATH, TREATED, collection, csv, feature, ring, rows, say};

/// Simulated harvests; each has about half of the faults.
const FIELDS: u64 = 40;

/// What no simulated harvest raises, and the test that does and asks for it by name.
const ELSEWHERE: [(&str, &str); 25] = [
    ("area-mismatch", include_str!("all_reasons.rs")),
    ("clocks-disagree", include_str!("channels.rs")),
    ("covariate-incomplete", include_str!("covariates.rs")),
    ("dates-doubtful", include_str!("draft/contradictions.rs")),
    ("geometry-repaired", include_str!("bad_geometry.rs")),
    ("ground-left-out", include_str!("applied.rs")),
    ("log-moved", include_str!("applied.rs")),
    ("log-offset-unknown", include_str!("applied.rs")),
    ("moisture-assumed", include_str!("channels.rs")),
    ("moisture-differs", include_str!("all_reasons.rs")),
    ("observed-not-blind", include_str!("observed.rs")),
    ("observed-off-strips", include_str!("observed.rs")),
    ("promised-too-much", include_str!("plan.rs")),
    ("promises-not-kept", include_str!("promises.rs")),
    ("soil-incomplete", include_str!("bad_geometry.rs")),
    ("speed-differs", include_str!("all_reasons.rs")),
    ("station-far", include_str!("delivered.rs")),
    ("strips-disagree", include_str!("applied.rs")),
    ("swath-derived", include_str!("bad_records.rs")),
    ("tickets-disagree", include_str!("channels.rs")),
    ("time-missing", include_str!("channels.rs")),
    ("units-doubtful", include_str!("draft/contradictions.rs")),
    ("wetness-missing", include_str!("bad_geometry.rs")),
    ("wide-extent", include_str!("draft/contradictions.rs")),
    ("zero-drift", include_str!("channels.rs")),
];

/// The words of the named column in every table below a folder.
fn words(folder: &Path, column: &str, into: &mut BTreeSet<String>) {
    let tables = walkdir::WalkDir::new(folder).into_iter().map(Result::unwrap).map(walkdir::DirEntry::into_path);
    for path in tables.filter(|path| path.extension().is_some_and(|extension| extension == "csv")) {
        let mut table = csv::ReaderBuilder::new().flexible(true).from_path(&path).unwrap();
        let Some(at) = table.headers().unwrap().iter().position(|name| name == column) else { continue };
        for row in table.records() {
            into.extend(row.unwrap()[at].split(';').map(str::to_owned));
        }
    }
}

#[test]
fn every_mark_and_every_caution_is_raised() {
    let folder = tempfile::tempdir().unwrap();
    let messy_archive = folder.path().join("messy");
    let fields: Vec<Messy> =
        (0..FIELDS).map(|seed| messy::write(&messy_archive, seed, messy::draw(seed)).unwrap()).collect();
    messy::finish(&messy_archive, &fields).unwrap();
    // a soil map of which little is known
    let settings = messy_archive.join("archive.toml");
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(&settings, text.replacen("[soil]\n", "[soil]\nline_error = \"100 m\"\n", 1)).unwrap();
    let demo_archive = folder.path().join("demo");
    demo::archive::write(&demo_archive, Options::default()).unwrap();
    let (mut marks, mut cautions, mut variants) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
    for archive in [&messy_archive, &demo_archive] {
        let (archive, out) = (archive.to_str().unwrap(), folder.path().join("out"));
        let said = say(&["run", archive, "--out", out.to_str().unwrap()]);
        // a field may be so full of faults that nothing of it can be used
        assert!(said.code <= 1, "{}", said.stderr);
        // but none for a unit, a column or a date that would be wrong: all of them are right
        assert!(!said.stderr.contains("field.toml: harvest[") && !said.stderr.contains(" fits"), "{}", said.stderr);
        if archive.ends_with("demo") {
            let said = say(&["plan", archive, "--out", out.to_str().unwrap(), "--jobs", "2"]);
            assert_eq!(said.code, 0, "{}", said.stderr);
        }
        words(&out, "reason", &mut marks);
        words(&out, "caution", &mut cautions);
        words(&out, "variant", &mut variants);
        for path in walkdir::WalkDir::new(&out).into_iter().map(Result::unwrap).map(walkdir::DirEntry::into_path) {
            if path.file_name().is_some_and(|name| name == "summary.json") {
                let text = fs::read_to_string(&path).unwrap();
                cautions.extend(
                    Caution::ALL
                        .iter()
                        .map(|one| one.code())
                        .filter(|one| text.contains(&format!("\"{one}")))
                        .map(str::to_owned),
                );
            }
        }
        fs::remove_dir_all(&out).unwrap();
    }
    // some of the messy harvests were cut by a header that does not divide the strips
    assert!(variants.contains("passes on one strip"), "{variants:?}");
    for (code, test) in ELSEWHERE {
        assert!(!cautions.contains(code), "{code} is raised here now");
        let asked = [
            format!("is_done_with_caution(\"{code}\")"),
            format!("[\"cautions\"][\"{code}\"]"),
            format!("row_is_reported(&rows[0], \"{code}\")"),
        ];
        assert!(asked.iter().any(|asked| test.contains(asked)), "no test asks for {code} any longer");
        cautions.insert(code.to_owned());
    }
    let missing: Vec<&str> = Mark::ALL
        .iter()
        .map(|mark| mark.code())
        .filter(|code| !marks.contains(*code))
        .chain(Caution::ALL.iter().map(|caution| caution.code()).filter(|code| !cautions.contains(*code)))
        .collect();
    assert!(missing.is_empty(), "raised by no case: {missing:?}");
}

#[test]
fn a_boundary_of_another_size_is_reported() {
    let archive = Archive::single();
    let boundary = collection(&[feature(&ring(-20.0, -20.0, 8.0 * SWATH, LENGTH + 20.0), "{}")]);
    archive.write("fields/bad/boundary.geojson", &boundary);
    archive.edit(
        "fields/bad/field.toml",
        "crop = \"corn\"\n",
        "crop = \"corn\"\n[boundary]\npath = \"boundary.geojson\"\n",
    );
    archive.is_done_with_caution("area-mismatch");
}

/// Changes the rows of the treated strips.
fn treated_rows(change: impl Fn(usize, &mut Row)) -> Vec<Row> {
    let mut rows = rows();
    let length = rows.len() / STRIPS;
    for (strip, rows) in rows.chunks_mut(length).enumerate().filter(|(strip, _)| TREATED[*strip]) {
        for row in rows.iter_mut() {
            change(strip, row);
        }
    }
    rows
}

#[test]
fn strips_harvested_at_another_moisture_are_reported() {
    let archive = Archive::single();
    let wetter = treated_rows(|strip, row| row.moisture = format!("{}", 21 + strip % 2));
    archive.write("fields/bad/harvest.csv", csv(&wetter));
    archive.is_done_with_caution("moisture-differs");
}

#[test]
fn strips_harvested_at_another_speed_are_reported() {
    let archive = Archive::single();
    let faster = treated_rows(|_, row| row.speed = "2.6".to_owned());
    archive.write("fields/bad/harvest.csv", csv(&faster));
    archive.is_done_with_caution("speed-differs");
}

#[test]
fn treated_strips_on_wetter_ground_are_reported() {
    let archive = Archive::single();
    let ground = |strip: usize, (from, to): (f64, f64), class: &str| {
        let (west, east) = (strip as f64 * SWATH, (strip as f64 + 1.0) * SWATH);
        feature(&ring(west, from, east, to), &format!("{{\"drclassdcd\":\"{class}\"}}"))
    };
    let soils: Vec<String> = (0..STRIPS)
        .flat_map(|strip| {
            let border = if TREATED[strip] { 0.7 * LENGTH } else { 0.4 * LENGTH };
            [ground(strip, (0.0, border), "Poorly drained"), ground(strip, (border, LENGTH), "Well drained")]
        })
        .collect();
    archive.write("layers/soils.geojson", collection(&soils));
    archive.is_done_with_caution("treated-wetter");
}
