//! Names as people type them.

use std::fs;

use crate::archive::{Archive, FIELD, collection, csv, rows, strip_features};

#[test]
fn strange_names_get_safe_folders_and_stay_as_typed() {
    let names = [
        "../../escape",
        "..hidden",
        "line\\nend",
        "🌽🌽",
        "<script>alert('x')</script>",
        "a/b\\\\c",
        "same name",
        "Same-Name",
    ];
    let long = "x".repeat(300);
    let archive = Archive::new();
    fs::remove_dir_all(archive.path("fields")).unwrap();
    for (at, name) in names.iter().copied().chain([long.as_str()]).enumerate() {
        let folder = format!("fields/f{at}");
        archive.write(&format!("{folder}/field.toml"), FIELD.replace("FIELD", name));
        archive.write(&format!("{folder}/harvest.csv"), csv(&rows()));
        archive.write(&format!("{folder}/strips.geojson"), collection(&strip_features()));
    }
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let root = archive.out().join("site_years/2023/hollow");
    let folders: Vec<String> =
        fs::read_dir(&root).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    assert_eq!(folders.len(), names.len() + 1, "two names shared a folder: {folders:?}");
    for folder in &folders {
        assert!(folder.len() <= 100 && !folder.starts_with('.'), "{folder}");
        assert!(root.join(folder).join("report.html").is_file());
    }
    let table = Archive::table(&archive.out().join("site_years.csv"));
    let fields: Vec<&str> = table.iter().map(|row| row["field"].as_str()).collect();
    for name in ["../../escape", "line\nend", "🌽🌽", "<script>alert('x')</script>", "a/b\\c", &long] {
        assert!(fields.contains(&name), "{name} is not in {fields:?}");
    }
    // Nothing was written outside the output folder.
    assert!(!archive.dir.path().join("escape").exists());
    for page in walkdir::WalkDir::new(archive.out()) {
        let page = page.unwrap();
        if page.path().extension().is_some_and(|extension| extension == "html") {
            let text = fs::read_to_string(page.path()).unwrap();
            assert!(!text.contains("<script>alert"), "{}", page.path().display());
        }
    }
}
