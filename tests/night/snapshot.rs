//! Inputs that change while they are read.

use std::collections::BTreeMap;
use std::fs;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crate::archive::{Archive, Said};
use crate::tree::{assert_same, results};

type Files = BTreeMap<String, Vec<u8>>;

/// Runs afresh while a thread writes the file again and again.
fn run_while_writing(archive: &Archive, file: &str, texts: &[String; 2]) -> Said {
    fs::remove_dir_all(archive.out()).unwrap();
    let ended = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut turn = 0;
            while !ended.load(Ordering::Relaxed) {
                let beside = archive.path("writing");
                fs::write(&beside, &texts[turn % 2]).unwrap();
                fs::rename(&beside, archive.path(file)).unwrap();
                turn += 1;
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        let said = archive.run();
        ended.store(true, Ordering::Relaxed);
        said
    })
}

/// The files of one site-year.
fn of(all: &Files, field: &str) -> Files {
    let folder = format!("site_years/2023/hollow/{field}/");
    all.iter()
        .filter(|(name, _)| name.starts_with(&folder))
        .map(|(name, bytes)| (name.clone(), bytes.clone()))
        .collect()
}

/// What comes of each text when it rests.
fn at_rest(archive: &Archive, file: &str, texts: &[String; 2]) -> [Files; 2] {
    texts.each_ref().map(|text| {
        archive.write(file, text);
        assert_eq!(archive.run().code, 0);
        results(&archive.out())
    })
}

/// Runs until the file was caught while it changed; whatever is done meanwhile is of one text or of the other.
fn is_never_mixed(file: &str, texts: impl Fn(&str) -> String, fields: &[&str]) {
    let archive = Archive::new();
    let one = fs::read_to_string(archive.path(file)).unwrap();
    let texts = [one.clone(), texts(&one)];
    assert_ne!(texts[0], texts[1]);
    let rest = at_rest(&archive, file, &texts);
    let mut caught = false;
    // a busy machine may leave the file alone for as long as a run lasts
    for _ in 0..20 {
        let said = run_while_writing(&archive, file, &texts);
        let found = results(&archive.out());
        for field in fields {
            let failed = format!("fields/{field}: {file}: changed while it was read");
            if said.stderr.contains(&failed) {
                caught = true;
                assert!(of(&found, field).is_empty(), "{field} failed and left files");
            } else {
                let found = of(&found, field);
                assert!(
                    rest.iter().any(|rest| of(rest, field) == found),
                    "{field} is of neither text: {}",
                    said.stderr
                );
            }
        }
        if caught {
            break;
        }
    }
    assert!(caught, "the file was never caught while it changed");
    archive.write(file, &texts[0]);
    assert_eq!(archive.run().code, 0);
    assert_same(&results(&archive.out()), &rest[0]);
}

#[test]
fn a_file_that_never_rests_fails_its_site_year_until_it_does() {
    is_never_mixed("fields/bad/harvest.csv", |text| text.replace(",18.0,", ",19.0,"), &["bad"]);
}

#[test]
fn a_layer_of_the_archive_that_never_rests_fails_who_uses_it_until_it_does() {
    is_never_mixed("layers/soils.geojson", |text| text.replace("Poorly drained", "Well drained"), &["good", "bad"]);
}
