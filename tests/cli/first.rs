//! Whatever suggests spending or spraying says what comes before it: the list of such outputs, and what a real OUT holds.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use polars_io::prelude::{ParquetReader, SerReader};
use rusqlite::Connection;
use serde_json::Value;
use tempfile::TempDir;

use crate::archive::say;
use bandlift::report::{FIRST, LABEL_FIRST, SUGGESTING_COMMANDS, SUGGESTING_FILES};

/// Files that hold shapes, values of a grid or the program's own account, and no attributes.
const BARE: [&str; 7] = ["shp", "shx", "prj", "tif", "sld", "log", "png"];

/// Whether the name of a column, attribute or key speaks of money or of what to do.
fn speaks_of_it(name: &str) -> bool {
    let words = ["money", "net_return", "pays", "paid", "price", "cost", "break_even", "decision", "USD"];
    words.iter().any(|word| name.contains(word))
}

/// What a file says: whether it suggests spending or spraying, and whether it says everywhere what comes first.
struct Says {
    suggests: bool,
    comes_first: bool,
}

/// Of rows with their columns.
fn of_rows(names: &[String], rows: &[Vec<String>]) -> Says {
    let first = names.iter().position(|name| name == "first");
    Says {
        suggests: names.iter().any(|name| speaks_of_it(name))
            || rows.iter().flatten().any(|cell| cell == "treat" || cell == "leave"),
        comes_first: first.is_some_and(|first| rows.iter().all(|row| row[first] == LABEL_FIRST)),
    }
}

fn keys(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(map) => map.iter().for_each(|(key, value)| {
            found.insert(key.clone());
            keys(value, found);
        }),
        Value::Array(all) => all.iter().for_each(|value| keys(value, found)),
        _ => {}
    }
}

/// What a file says; `None` for a kind of file that is not known.
fn read(path: &Path) -> Option<Says> {
    let text = || fs::read_to_string(path).unwrap();
    Some(match path.extension()?.to_str()? {
        "csv" => {
            let mut reader = csv::Reader::from_path(path).unwrap();
            let names: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
            let rows: Vec<Vec<String>> =
                reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect();
            of_rows(&names, &rows)
        }
        "dbf" => {
            let mut reader = dbase::Reader::from_path(path).unwrap();
            let names: Vec<String> = reader.fields().iter().map(|field| field.name().to_owned()).collect();
            let cell = |record: &dbase::Record, name: &str| match record.get(name) {
                Some(dbase::FieldValue::Character(Some(text))) => text.clone(),
                _ => String::new(),
            };
            let records = reader.read().unwrap();
            let rows: Vec<Vec<String>> =
                records.iter().map(|record| names.iter().map(|name| cell(record, name)).collect()).collect();
            of_rows(&names, &rows)
        }
        "geojson" => {
            let all: Value = serde_json::from_str(&text()).unwrap();
            let features = all["features"].as_array().unwrap().clone();
            let mut names = BTreeSet::new();
            for one in &features {
                keys(&one["properties"], &mut names);
            }
            let names: Vec<String> = names.into_iter().collect();
            let cell = |one: &Value, name: &str| one["properties"][name].as_str().unwrap_or_default().to_owned();
            let rows: Vec<Vec<String>> =
                features.iter().map(|one| names.iter().map(|name| cell(one, name)).collect()).collect();
            of_rows(&names, &rows)
        }
        "gpkg" => {
            let package = Connection::open(path).unwrap();
            let list = |sql: &str, column: usize| -> Vec<String> {
                let mut statement = package.prepare(sql).unwrap();
                let rows = statement.query_map([], |row| row.get::<_, String>(column)).unwrap();
                rows.map(Result::unwrap).collect()
            };
            let mut says = Says { suggests: false, comes_first: true };
            for layer in list("SELECT table_name FROM gpkg_contents", 0) {
                let names = list(&format!("PRAGMA table_info(\"{layer}\")"), 1);
                if names.iter().any(|name| speaks_of_it(name)) {
                    says.suggests = true;
                    let is_there = names.iter().any(|name| name == "first");
                    let told = || list(&format!("SELECT \"first\" FROM \"{layer}\""), 0);
                    says.comes_first &= is_there && told().iter().all(|text| text == LABEL_FIRST);
                }
            }
            says
        }
        "json" => {
            let value: Value = serde_json::from_str(&text()).unwrap();
            let mut names = BTreeSet::new();
            keys(&value, &mut names);
            Says { suggests: names.iter().any(|name| speaks_of_it(name)), comes_first: value["first"] == FIRST }
        }
        "parquet" => {
            let mut reader = ParquetReader::new(fs::File::open(path).unwrap());
            let frame = reader.schema().unwrap();
            let suggests = frame.iter_names().any(|name| speaks_of_it(name.as_str()));
            Says { suggests, comes_first: false }
        }
        // each task has it in its name, and in its comments, which are short
        "zip" => {
            let xml = crate::plan::task_data(path);
            let document = roxmltree::Document::parse(&xml).unwrap();
            let tasks = || document.descendants().filter(|node| node.has_tag_name("TSK"));
            let comments = |task: roxmltree::Node<'_, '_>| -> Vec<String> {
                let all = task.children().filter(|node| node.has_tag_name("CAN"));
                all.map(|node| node.attribute("C").unwrap().to_owned()).collect()
            };
            let is_named = |task: roxmltree::Node<'_, '_>| task.attribute("B").unwrap().starts_with("Label first: ");
            let told = tasks().all(|task| is_named(task) && comments(task).join(" ") == LABEL_FIRST);
            Says { suggests: true, comes_first: told && xml.contains(FIRST) && tasks().count() > 0 }
        }
        "html" | "md" | "txt" => Says { suggests: true, comes_first: text().contains(FIRST) },
        _ => return None,
    })
}

/// What is wrong with the files of an OUT, and the names on the list that were seen.
fn walk(out: &Path) -> (Vec<String>, BTreeSet<String>) {
    let (mut faults, mut seen) = (Vec::new(), BTreeSet::new());
    let is_own = |entry: &walkdir::DirEntry| entry.file_name() != ".bandlift";
    for entry in walkdir::WalkDir::new(out).into_iter().filter_entry(is_own).map(Result::unwrap) {
        let path = entry.path();
        let bare = path.extension().is_some_and(|end| BARE.iter().any(|bare| end == *bare));
        if !entry.file_type().is_file() || bare {
            continue;
        }
        let name = entry.file_name().to_str().unwrap().to_owned();
        if path.starts_with(out.join("figures")) {
            // the picture beside it is drawn from the same
            assert!(path.with_extension("png").is_file(), "{}", path.display());
            if !fs::read_to_string(path).unwrap().contains(LABEL_FIRST) {
                faults.push(format!("{}: does not say what comes first", path.display()));
            }
            continue;
        }
        let listed = SUGGESTING_FILES.contains(&name.as_str());
        match read(path) {
            None => faults.push(format!("{}: an unknown kind of file", path.display())),
            Some(says) => {
                // all of a plan suggests something
                let suggests = says.suggests || path.starts_with(out.join("plan"));
                if suggests != listed {
                    faults.push(format!("{}: suggests {suggests}, on the list {listed}", path.display()));
                }
                if suggests && !says.comes_first {
                    faults.push(format!("{}: does not say what comes first", path.display()));
                }
            }
        }
        if listed {
            seen.insert(name);
        }
    }
    (faults, seen)
}

#[test]
fn every_output_that_suggests_spending_or_spraying_says_what_comes_first() {
    assert!(FIRST.starts_with(LABEL_FIRST));
    let room = TempDir::new().unwrap();
    let (out, demo) = (room.path().join("out"), room.path().join("demo"));
    let (out_name, demo_name) = (out.to_str().unwrap(), demo.to_str().unwrap());
    // with a rate, so that a plan prescribes it
    let rated = crate::plan::copied(&room);
    let settings = rated.join("archive.toml");
    let cost = "cost = \"20.00 USD/ac\"\n";
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(&settings, text.replacen(cost, &format!("{cost}rate = \"8 fl oz/ac\"\n"), 1)).unwrap();
    let archive = rated.to_str().unwrap().to_owned();
    for command in ["run", "synthesise", "plan", "demo"] {
        assert!(SUGGESTING_COMMANDS.contains(&command));
        let arguments = match command {
            "demo" => vec![command, demo_name],
            "synthesise" => vec![command, out_name],
            _ => vec![command, &archive, "--out", out_name],
        };
        let said = say(&arguments);
        assert!(said.code == 0 && said.stdout.contains(FIRST), "{command}: {}{}", said.stdout, said.stderr);
        if command != "demo" {
            let said = say(&[arguments, vec!["--json"]].concat());
            let value: Value = serde_json::from_str(&said.stdout).unwrap();
            assert_eq!(value["first"], FIRST, "{command} --json");
        }
    }
    assert_eq!(SUGGESTING_COMMANDS.len(), 4);
    for out in [out.clone(), demo.join("out")] {
        let (faults, seen) = walk(&out);
        assert!(faults.is_empty(), "{faults:#?}");
        // the demo's treatments have no rate, and without rates there is no curve (tests/synthesis/doses.rs reads one)
        let is_demo = out.starts_with(&demo);
        let needs_rates = |name: &str| name == "doses.csv" || (is_demo && name == "prescription.zip");
        let expected = SUGGESTING_FILES.iter().filter(|name| !needs_rates(name));
        let missing: Vec<&&str> = expected.filter(|name| !seen.contains(**name)).collect();
        assert!(missing.is_empty(), "not in {}: {missing:?}", out.display());
    }
    // the walk finds what is not on the list, or does not say it
    for (name, text, fault) in [
        ("new.csv", "field,net_return\na,1\n", "on the list false"),
        ("words.csv", "field,what\na,treat\n", "on the list false"),
        ("new.geojson", "{\"features\":[{\"properties\":{\"what\":\"leave\"}}]}", "on the list false"),
        ("new.json", "{\"a\":[{\"break_even\":1}]}", "on the list false"),
        ("page.html", "<p>treat it</p>", "on the list false"),
        ("plan/new.csv", "field,area\na,1\n", "on the list false"),
        ("new.xlsx", "", "an unknown kind"),
        ("plan/strips.csv", "field,first\na,nothing\n", "does not say what comes first"),
    ] {
        let path = out.join(name);
        let before = fs::read(&path).ok();
        fs::write(&path, text).unwrap();
        let (faults, _) = walk(&out);
        assert!(faults.iter().any(|one| one.contains(name) && one.contains(fault)), "{name}: {faults:?}");
        match before {
            Some(before) => fs::write(&path, before).unwrap(),
            None => fs::remove_file(&path).unwrap(),
        }
    }
}
