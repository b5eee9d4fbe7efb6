//! A price or a cost that changes is told from what is remembered, and every file is as from scratch.

use std::fs;

use crate::archive::Archive;
use crate::tree::{assert_same, results};

/// What a night from scratch makes of the archive.
fn is_as_from_scratch(archive: &Archive) {
    let found = results(&archive.out());
    fs::remove_dir_all(archive.out()).unwrap();
    assert_eq!(archive.run().code, 0);
    assert_same(&found, &results(&archive.out()));
}

/// Whether the last night read records.
fn has_read(archive: &Archive) -> bool {
    archive.run_json()["seconds"].get("ingest").is_some()
}

#[test]
fn new_prices_are_reported_without_reading_a_record_and_as_from_scratch() {
    for (from, to) in [
        ("price = \"4.20 USD/bu\"", "price = \"3.10 USD/bu\"\ndrying = \"0.05 USD/bu/%\"\nhauling = \"0.1 USD/bu\""),
        ("\"20 USD/ac\"", "\"35 USD/ac\""),
        ("price = \"4.20 USD/bu\"", "price = \"4.20 USD/bu\"\n[crops.corn.seasons.2023]\nprice = \"5 USD/bu\""),
        ("name = \"Test Hollow\"", "name = \"Another name\""),
        ("[model]", "[target]\nsure = 0.9\n[model]"),
    ] {
        let archive = Archive::new();
        assert_eq!(archive.run().code, 0);
        assert!(has_read(&archive));
        let before = results(&archive.out());
        archive.edit("archive.toml", from, to);
        let said = archive.run();
        assert!(said.stderr.contains("2 computed, 0 unchanged"), "{to}: {}", said.stderr);
        assert!(!has_read(&archive), "{to}: records were read");
        assert_ne!(results(&archive.out()), before, "{to}");
        is_as_from_scratch(&archive);
        let said = archive.run();
        assert!(said.stderr.contains("0 computed, 2 unchanged"), "{to}: {}", said.stderr);
    }
}

#[test]
fn settings_that_the_stages_read_are_computed_anew() {
    for (from, to) in [
        ("\"at-planting band\"", "\"band at planting\""),
        ("price = \"4.20 USD/bu\"", "price = \"4.20 USD/bu\"\nmarket_moisture = \"14 %\""),
        ("report_units = \"us\"", "report_units = \"metric\""),
    ] {
        let archive = Archive::new();
        assert_eq!(archive.run().code, 0);
        archive.edit("archive.toml", from, to);
        assert_eq!(archive.run().code, 0);
        assert!(has_read(&archive), "{to}: no record was read");
        is_as_from_scratch(&archive);
    }
}

#[test]
fn a_crop_that_a_field_does_not_grow_means_nothing_to_it() {
    let archive = Archive::new();
    archive.edit("archive.toml", "[treatments.check]", "[crops.soybean]\nprice = \"11 USD/bu\"\n[treatments.check]");
    assert_eq!(archive.run().code, 0);
    archive.edit("archive.toml", "11 USD/bu", "12 USD/bu");
    let said = archive.run();
    assert!(said.stderr.contains("0 computed, 2 unchanged"), "{}", said.stderr);
    is_as_from_scratch(&archive);
}

#[test]
fn what_was_drawn_and_is_damaged_is_drawn_again() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let drawn = archive.out().join(".bandlift/site_years/2023/hollow/bad/drawn");
    let mut bytes = fs::read(&drawn).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&drawn, bytes).unwrap();
    archive.edit("archive.toml", "\"20 USD/ac\"", "\"35 USD/ac\"");
    assert_eq!(archive.run().code, 0);
    assert!(has_read(&archive));
    is_as_from_scratch(&archive);
}
