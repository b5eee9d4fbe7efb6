//! Inputs that change while they are read.

use std::fs;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crate::archive::Archive;
use crate::tree::{assert_same, results};

/// Runs while a thread writes the file again and again.
fn run_while_writing(archive: &Archive, file: &str, texts: [&[u8]; 2]) -> crate::archive::Said {
    let ended = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut turn = 0;
            while !ended.load(Ordering::Relaxed) {
                let beside = archive.path("writing");
                fs::write(&beside, texts[turn % 2]).unwrap();
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

#[test]
fn a_site_year_whose_file_never_rests_fails_and_is_done_when_it_does() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let whole = results(&archive.out());
    fs::remove_dir_all(archive.out()).unwrap();
    let file = "fields/bad/harvest.csv";
    let text = fs::read_to_string(archive.path(file)).unwrap();
    let other = text.replace(",18.0,", ",19.0,");
    let said = run_while_writing(&archive, file, [other.as_bytes(), text.as_bytes()]);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("fields/bad/harvest.csv: changes while it is read"), "{}", said.stderr);
    assert!(archive.result("good", "summary.json").is_file());
    assert!(!archive.result("bad", "summary.json").exists());
    archive.write(file, &text);
    assert_eq!(archive.run().code, 0);
    assert_same(&results(&archive.out()), &whole);
}

#[test]
fn a_layer_of_the_archive_that_never_rests_fails_all_that_use_it() {
    let archive = Archive::new();
    let file = "layers/soils.geojson";
    let text = fs::read_to_string(archive.path(file)).unwrap();
    let other = text.replace("Poorly drained", "Well drained");
    let said = run_while_writing(&archive, file, [other.as_bytes(), text.as_bytes()]);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.matches("layers/soils.geojson: changes while it is read").count() >= 2, "{}", said.stderr);
}
