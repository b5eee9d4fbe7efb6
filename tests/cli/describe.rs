//! The reference of the settings and their schema: every key that real settings use is in both.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::archive::say;

fn told(arguments: &[&str]) -> Value {
    let said = say(arguments);
    assert_eq!(said.code, 0, "{}", said.stderr);
    serde_json::from_str(&said.stdout).unwrap()
}

/// Settings of the example archive: `(is it archive.toml, its text)`.
fn examples() -> Vec<(bool, toml::Value)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive");
    let files = walkdir::WalkDir::new(root).into_iter().map(Result::unwrap);
    let files = files.filter(|file| file.path().extension().is_some_and(|end| end == "toml"));
    files
        .map(|file| {
            let table: toml::Table = fs::read_to_string(file.path()).unwrap().parse().unwrap();
            (file.file_name() == "archive.toml", toml::Value::Table(table))
        })
        .collect()
}

/// What a schema has against a value, by the words of JSON Schema that the program writes.
fn against(schema: &Value, value: &toml::Value, at: &str) -> Vec<String> {
    if let Some(any) = schema["anyOf"].as_array() {
        let faults: Vec<Vec<String>> = any.iter().map(|one| against(one, value, at)).collect();
        return if faults.iter().any(Vec::is_empty) { Vec::new() } else { faults.concat() };
    }
    let kind = schema["type"].as_str().unwrap_or_default();
    match (kind, value) {
        ("object", toml::Value::Table(table)) => {
            let names = schema["required"].as_array().cloned().unwrap_or_default();
            let missing = names.iter().filter(|name| !table.contains_key(name.as_str().unwrap()));
            let mut faults: Vec<String> = missing.map(|name| format!("{at}: no {name}")).collect();
            for (key, own) in table {
                let known = schema["properties"]
                    .get(key)
                    .or_else(|| schema["additionalProperties"].as_object().map(|_| &schema["additionalProperties"]));
                match known {
                    Some(known) => faults.extend(against(known, own, &format!("{at}.{key}"))),
                    None => faults.push(format!("{at}: unknown {key}")),
                }
            }
            faults
        }
        ("array", toml::Value::Array(list)) => list.iter().flat_map(|own| against(&schema["items"], own, at)).collect(),
        ("string", toml::Value::String(_) | toml::Value::Datetime(_)) | ("boolean", toml::Value::Boolean(_)) => {
            Vec::new()
        }
        ("integer" | "number", toml::Value::Integer(_)) | ("number", toml::Value::Float(_)) => {
            let number = value.as_float().unwrap_or_else(|| value.as_integer().unwrap() as f64);
            let low = schema["minimum"].as_f64().unwrap_or(f64::NEG_INFINITY);
            let high = schema["maximum"].as_f64().unwrap_or(f64::INFINITY);
            if (low..=high).contains(&number) { Vec::new() } else { vec![format!("{at}: {number}")] }
        }
        _ => vec![format!("{at}: expected {kind}, found {value}")],
    }
}

#[test]
fn the_schema_takes_the_example_and_refuses_faults() {
    let schemas = [told(&["schema", "field"]), told(&["schema", "archive"])];
    let examples = examples();
    assert!(examples.len() > 2);
    for (is_archive, value) in &examples {
        let schema = &schemas[usize::from(*is_archive)];
        assert_eq!(against(schema, value, ""), Vec::<String>::new());
        let spoiled = |change: &dyn Fn(&mut toml::Table)| {
            let mut table = value.as_table().unwrap().clone();
            change(&mut table);
            against(schema, &toml::Value::Table(table), "")
        };
        assert!(!spoiled(&|table| drop(table.insert("unheard_of".to_owned(), 1.into()))).is_empty());
        assert!(!spoiled(&|table| drop(table.remove(if *is_archive { "name" } else { "farm" }))).is_empty());
    }
    let turn: toml::Table = "name = \"a\"\n[crops.corn]\n[clean]\nturn_degrees = 300".parse().unwrap();
    assert_eq!(against(&schemas[1], &toml::Value::Table(turn), ""), [".clean.turn_degrees: 300"]);
}

#[test]
fn every_key_is_described_once_with_unit_range_default_and_source() {
    let told = told(&["describe", "settings", "--json"]);
    let text = say(&["describe", "settings"]).stdout;
    let mut count = 0;
    for file in ["archive", "field"] {
        let keys = told[file].as_array().unwrap();
        let paths: BTreeSet<&str> = keys.iter().map(|key| key["path"].as_str().unwrap()).collect();
        assert_eq!(paths.len(), keys.len(), "a key of {file}.toml stands twice");
        for key in keys {
            assert!(text.contains(&format!("\n  {}: ", key["path"].as_str().unwrap())), "{key}");
            assert!(key["about"].as_str().is_some_and(|about| !about.is_empty()), "{key}");
            if key["kind"] == "quantity" {
                assert!(key["takes"].is_string(), "no units: {key}");
            }
        }
        count += keys.len();
    }
    assert!(count > 150, "{count}");
    let line = "  clean.neighbour_radius: number with unit; m, cm, mm, km, ft, in, mi; 1 to 500 m; default 30 m. ";
    assert!(text.contains(line), "{text}");
    for key in ["clean.lag", "clean.pass_entry", "row_spacing", "crops.<crop>.plausible_yield", "strips.randomized"] {
        assert!(text.contains(&format!("\n  {key}: ")), "no {key}");
    }
}

#[test]
fn an_unknown_topic_is_an_error() {
    assert_eq!(say(&["describe", "weather"]).code, 2);
    assert_eq!(say(&["schema"]).code, 2);
}
