//! Soil Science Division Staff, Soil Survey Manual, USDA Handbook 18, chapter 3: the seven natural drainage classes, in
//! order. The spelling is that of the soil survey's attribute `drclassdcd`.

use bandlift::config::{ArchiveSettings, DRAINAGE_CLASSES};

#[test]
fn the_seven_natural_drainage_classes_stand_in_order() {
    let manual = [
        "Excessively drained",
        "Somewhat excessively drained",
        "Well drained",
        "Moderately well drained",
        "Somewhat poorly drained",
        "Poorly drained",
        "Very poorly drained",
    ];
    assert_eq!(DRAINAGE_CLASSES, manual);
    let settings = ArchiveSettings::parse("archive.toml", "name = \"x\"\n[crops.corn]\n").unwrap();
    for (rank, class) in manual.iter().enumerate() {
        assert_eq!(settings.soil.class(class).unwrap(), Some(rank));
        assert_eq!(settings.soil.class(&class.to_uppercase()).unwrap(), Some(rank));
    }
    assert_eq!(settings.soil.class("").unwrap(), None);
    assert!(settings.soil.class("Subaqueous").is_err());
}
