//! Every mark and every caution is raised by some archive: simulated harvests with faults drawn at random, the small demo, and
//! the cases of the other tests, which name theirs.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use bandlift::demo::messy::{self, Messy};
use bandlift::demo::{self, Options, Size};
use bandlift::points::{Caution, Mark};

use crate::archive::say;

/// Simulated harvests; each has about half of the faults.
const FIELDS: u64 = 20;

/// What no simulated harvest raises, and the test that does and asks for it by name.
const ELSEWHERE: [(&str, &str); 0] = [];

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
    let demo_archive = folder.path().join("demo");
    demo::archive::write(&demo_archive, Options { size: Size::Compact, ..Options::default() }).unwrap();
    let (mut marks, mut cautions) = (BTreeSet::new(), BTreeSet::new());
    for archive in [&messy_archive, &demo_archive] {
        let (archive, out) = (archive.to_str().unwrap(), folder.path().join("out"));
        let said = say(&["run", archive, "--out", out.to_str().unwrap()]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        words(&out, "reason", &mut marks);
        words(&out, "caution", &mut cautions);
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
    for (code, test) in ELSEWHERE {
        assert!(test.contains(code), "the test that names {code} no longer does");
        marks.insert(code.to_owned());
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
