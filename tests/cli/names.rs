//! Names as people type them.

use std::fs;

use crate::archive::{Archive, FIELD, collection, csv, rows, say, strip_features};

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

/// Characters that a terminal obeys or that hide what stands beside them.
fn hidden(text: &str) -> Option<char> {
    let is_hidden = |c: char| (c.is_control() && c != '\n' && c != '\t') || ('\u{202a}'..='\u{202e}').contains(&c);
    text.chars().find(|&c| is_hidden(c))
}

#[track_caller]
fn nothing_hidden(said: &crate::archive::Said) {
    assert_eq!(hidden(&said.stdout), None, "{:?}", said.stdout);
    assert_eq!(hidden(&said.stderr), None, "{:?}", said.stderr);
}

/// Looks into every file of an output folder that people read.
#[track_caller]
fn nothing_hidden_in(out: &std::path::Path) {
    for entry in walkdir::WalkDir::new(out).into_iter().map(Result::unwrap) {
        let extension = entry.path().extension().and_then(|extension| extension.to_str()).unwrap_or_default();
        if ["log", "csv", "html", "md", "txt", "json"].contains(&extension) {
            let text = fs::read_to_string(entry.path()).unwrap();
            assert_eq!(hidden(&text), None, "{}", entry.path().display());
            if extension == "json" {
                serde_json::from_str::<serde_json::Value>(&text).unwrap();
            }
        }
    }
}

#[test]
fn control_characters_in_names_are_shown_by_their_code() {
    let archive = Archive::new();
    archive.edit("archive.toml", "Test Hollow", "Test\\u001b[31m Hollow");
    archive.edit("archive.toml", "at-planting band", "at-planting\\u0007 \\u202eband");
    let folder = "fields/b\u{1b}[31mad";
    fs::rename(archive.path("fields/bad"), archive.path(folder)).unwrap();
    let field = format!("{folder}/field.toml");
    archive.edit(&field, "field = \"bad\"", "field = \"bad\\u001b[31m\\u009b\"");
    archive.edit(&field, "farm = \"Hollow\"", "farm = \"Hol\\u0008low\"");
    archive.edit(&field, "machine = \"A\"", "machine = \"A\\u001b]0;x\\u0007\"");
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stderr.contains("fields/b\\u{1b}[31mad: computed"), "{}", said.stderr);
    nothing_hidden(&said);
    nothing_hidden_in(&archive.out());
    // the names themselves stay as they are
    let run = archive.run_json();
    assert!(run["done"].as_object().unwrap().contains_key(folder), "{run}");
    nothing_hidden(&archive.run_with(&["--json"]));
    let root = archive.root();
    let (root, out) = (root.to_str().unwrap(), archive.out());
    for arguments in [
        vec!["inspect", root],
        vec!["inspect", root, "--json"],
        vec!["plan", root, "--out", out.to_str().unwrap()],
        vec!["run", root, "--out", out.to_str().unwrap(), "--only", "\u{1b}[31m*"],
        vec!["run", root, "--out", out.to_str().unwrap(), "--jobs", "\u{1b}[31m2"],
        vec!["inspect", "no\u{1b}[31mwhere"],
        vec!["har\u{1b}[31mvest"],
    ] {
        nothing_hidden(&say(&arguments));
    }
    nothing_hidden_in(&archive.out());
}

#[test]
fn control_characters_in_damaged_files_are_shown_by_their_code() {
    let harvest = "fields/bad/harvest.csv";
    for (file, from, to, shown) in [
        (harvest, "flow_kg_s", "flow\u{1b}[31m_kg_s", "flow\\u{1b}[31m_kg_s"),
        (harvest, ",18.0,", ",1\u{0}8\u{1b}[31m,", "1\\u{0}8\\u{1b}[31m"),
        ("fields/bad/field.toml", "kg/s", "kg\\u001b[31m", "kg\\u{1b}[31m"),
        (
            "fields/bad/strips.geojson",
            "\"FeatureCollection\"",
            "\"FeatureCollection\",\"crs\":{\"properties\":{\"name\":\"x\\u001b[31m\"}}",
            "x\\u{1b}[31m",
        ),
        ("fields/bad/strips.geojson", "\"band\"", "\"b\\u001b[31mand\"", "b\\u{1b}[31mand"),
    ] {
        let archive = Archive::new();
        archive.edit(file, from, to);
        let said = archive.run();
        assert_eq!(said.code, 1, "{}", said.stderr);
        assert!(said.stderr.contains(shown), "expected `{shown}` in {}", said.stderr);
        nothing_hidden(&said);
        nothing_hidden_in(&archive.out());
    }
}
