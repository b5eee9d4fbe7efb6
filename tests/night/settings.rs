//! Every setting of the reference that takes a number or yes and no, and some of the others, is changed in turn: the night that knows
//! the former settings comes to the bytes of one from scratch.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::archive::{ARCHIVE, Archive, FIELD, say};
use crate::tree::{assert_same, results};

/// Tables whose keys are tried with another value in their range.
const TABLES: [&str; 5] = ["clean", "model", "target", "read", "soil"];

/// Others: the file, and what stands there in place of what.
const OTHERS: [(&str, &str, &str); 14] = [
    ("archive.toml", "name = \"Test Hollow\"", "name = \"Other Hollow\""),
    ("archive.toml", "report_units = \"us\"", "report_units = \"metric\""),
    ("archive.toml", "price = \"4.20 USD/bu\"", "price = \"4.30 USD/bu\""),
    ("archive.toml", "price = \"4.20 USD/bu\"", "price = \"4.20 USD/bu\"\ntest_weight = \"55 lb/bu\""),
    ("archive.toml", "price = \"4.20 USD/bu\"", "price = \"4.20 USD/bu\"\nplausible_yield = [\"1 t/ha\", \"12 t/ha\"]"),
    ("archive.toml", "price = \"4.20 USD/bu\"", "price = \"4.20 USD/bu\"\nplausible_moisture = [\"9 %\", \"30 %\"]"),
    ("archive.toml", "\"20 USD/ac\"", "\"21 USD/ac\""),
    ("archive.toml", "\"at-planting band\"", "\"band\""),
    ("archive.toml", "[soil]", "[soil.groups]\nall = [\"Poorly drained\", \"Well drained\"]\n[soil]"),
    ("archive.toml", "[wetness]", "[wetness]\nbreaks = [\"-50 mm\", \"50 mm\"]"),
    ("fields/bad/field.toml", "randomized = true", "randomized = false"),
    ("fields/bad/field.toml", "swath = \"9.144 m\"", "swath = \"9 m\""),
    ("fields/bad/field.toml", "\"flow_kg_s\", unit = \"kg/s\"", "\"flow_kg_s\", unit = \"lb/s\""),
    ("fields/bad/field.toml", "season = 2023", "season = 2023\nplanted = 2023-04-29"),
];

/// Another value of a setting, as it is typed.
fn other(fact: &Value) -> Option<String> {
    let kind = fact["kind"].as_str()?;
    let default = fact["default"].as_str();
    if kind == "boolean" {
        return Some((default != Some("true")).to_string());
    }
    let (low, high) = (fact["range"][0].as_f64()?, fact["range"][1].as_f64()?);
    let known = default.and_then(|text| text.split_whitespace().next()?.parse::<f64>().ok());
    let wanted = match known {
        Some(value) if value.abs() > 0.0 && value * 1.2 < high && value * 1.2 > low => value * 1.2,
        Some(value) if value.abs() > 0.0 => value * 0.9,
        Some(_) => low + 0.1 * (high.min(100.0) - low),
        None => low + 0.4 * (high.min(100.0) - low),
    };
    match kind {
        "integer" => Some(format!("{}", known.unwrap_or(low) as i64 + 1)),
        "number" => Some(format!("{wanted:.3}")),
        "quantity" => Some(format!("\"{wanted:.3} {}\"", fact["unit"].as_str()?)),
        _ => None,
    }
}

/// The text of archive.toml with a key of a table set.
fn with(text: &str, table: &str, key: &str, value: &str) -> String {
    let header = format!("[{table}]\n");
    let own = format!("{key} = ");
    let mut text = text.to_owned();
    if !text.contains(&header) {
        text.push_str(&header);
    }
    let begin = text.find(&header).unwrap() + header.len();
    let end = text[begin..].find("\n[").map_or(text.len(), |at| begin + at + 1);
    let kept: Vec<&str> = text[begin..end].split_inclusive('\n').filter(|line| !line.starts_with(&own)).collect();
    format!("{}{own}{value}\n{}{}", &text[..begin], kept.concat(), &text[end..])
}

fn copied(from: &Path, to: &Path) {
    for entry in walkdir::WalkDir::new(from) {
        let entry = entry.unwrap();
        let to = to.join(entry.path().strip_prefix(from).unwrap());
        if entry.file_type().is_dir() {
            fs::create_dir_all(to).unwrap();
        } else {
            fs::copy(entry.path(), to).unwrap();
        }
    }
}

#[test]
fn every_changed_setting_comes_to_the_bytes_of_a_night_from_scratch() {
    let archive = Archive::single();
    let planted = with(ARCHIVE, "target", "planter", "\"30 ft\"");
    archive.write("archive.toml", &planted);
    let field = FIELD.replace("FIELD", "bad");
    archive.write("fields/bad/field.toml", &field);
    assert_eq!(archive.run().code, 0);
    let before = archive.dir.path().join("before");
    fs::rename(archive.out(), &before).unwrap();

    let reference: Value = serde_json::from_str(&say(&["describe", "settings", "--json"]).stdout).unwrap();
    let mut changes = Vec::new();
    for fact in reference["archive"].as_array().unwrap() {
        let path = fact["path"].as_str().unwrap();
        let Some((table, key)) =
            path.split_once('.').filter(|(table, key)| TABLES.contains(table) && !key.contains('.'))
        else {
            continue;
        };
        if let Some(value) = other(fact) {
            changes.push((format!("{path} = {value}"), with(&planted, table, key, &value), field.clone()));
        }
    }
    assert!(changes.len() > 45, "{} settings of the reference", changes.len());
    for (file, from, to) in OTHERS {
        let mut texts = [planted.clone(), field.clone()];
        let text = &mut texts[usize::from(file != "archive.toml")];
        assert!(text.contains(from), "{file} does not hold {from}");
        *text = text.replace(from, to);
        let [archive, field] = texts;
        changes.push((to.to_owned(), archive, field));
    }
    let mut changed = 0;
    for (what, settings, own) in changes {
        archive.write("archive.toml", settings);
        archive.write("fields/bad/field.toml", own);
        copied(&before, &archive.out());
        let said = archive.run();
        assert!(said.code == 0 || said.code == 1, "{what}: {}", said.stderr);
        let found = results(&archive.out());
        fs::remove_dir_all(archive.out()).unwrap();
        assert_eq!(archive.run().code, said.code, "{what}");
        let scratch = results(&archive.out());
        fs::remove_dir_all(archive.out()).unwrap();
        if said.code == 0 {
            assert_same(&found, &scratch);
            changed += usize::from(found != results(&before));
        }
    }
    assert!(changed > 30, "only {changed} settings change anything");
}
