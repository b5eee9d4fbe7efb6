//! `draft`: the raw files of the example archive, written anew as other monitors and people would, become an archive whose
//! answer is that of one written by hand.

mod as_they_come;
mod contradictions;
mod logs;
mod messy_harvests;
mod reexport;
mod update;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use crate::archive::say;
use reexport::{KINDS, Kind};

/// What became of the columns and units of one kind.
#[derive(Debug, Default)]
struct Score {
    right: usize,
    asked: usize,
    wrong: Vec<String>,
    questions: usize,
}

/// The text with the answers put in; what is asked for by name is told apart.
fn answered(value: &toml::Value) -> (Option<String>, bool) {
    let text = value.as_str().map(str::to_owned);
    let asked = text.as_ref().is_some_and(|text| text.starts_with('?'));
    (text, asked)
}

/// Compares drafted columns with the true ones.
fn score(kind: &Kind, drafted: &[toml::Table], score: &mut Score) {
    for field in drafted {
        let entries = field["harvest"].as_array().unwrap();
        for entry in entries {
            let columns = entry["columns"].as_table().unwrap();
            let truth = kind.truth();
            for (key, value) in columns {
                if !truth.iter().any(|line| line.key == *key) {
                    score.wrong.push(format!("{}: {key} = {value} is none of its columns", kind.name));
                }
            }
            for line in &truth {
                let Some(found) = columns.get(line.key) else {
                    score.wrong.push(format!("{}: {} is left out", kind.name, line.key));
                    continue;
                };
                let parts: Vec<(&str, Option<&toml::Value>)> = match found {
                    toml::Value::Table(table) => {
                        line.wanted.iter().map(|(name, _)| (*name, table.get(*name))).collect()
                    }
                    other => vec![("column", Some(other))],
                };
                let mut asked = false;
                let mut wrong = None;
                for ((name, found), (_, wanted)) in parts.iter().zip(&line.wanted) {
                    let (text, open) = found.map_or((None, false), answered);
                    asked |= open;
                    if !open && text.as_deref() != Some(wanted.as_str()) {
                        wrong = Some(format!("{}: {}.{name} is {text:?}, not {wanted}", kind.name, line.key));
                    }
                }
                match wrong {
                    Some(wrong) => score.wrong.push(wrong),
                    None if asked => score.asked += 1,
                    None => score.right += 1,
                }
            }
        }
    }
}

fn tables(archive: &Path) -> Vec<toml::Table> {
    let mut found: Vec<_> = walkdir::WalkDir::new(archive)
        .into_iter()
        .map(Result::unwrap)
        .map(walkdir::DirEntry::into_path)
        .filter(|path| path.ends_with("field.toml"))
        .collect();
    found.sort();
    found.iter().map(|path| fs::read_to_string(path).unwrap().parse().unwrap()).collect()
}

/// Answers what is open as the grower would.
fn fill_in(archive: &Path, kind: &Kind, questions: &[serde_json::Value]) {
    let path = archive.join("archive.toml");
    let mut text = fs::read_to_string(&path).unwrap();
    for question in questions {
        let key = question["key"].as_str().unwrap();
        let answer = kind.answer(key, question);
        let open = format!("\n{key} = \"?\"");
        assert!(text.contains(&open), "{key} stands in {text}");
        text = text.replace(&open, &format!("\n{key} = \"{answer}\""));
    }
    text = text.replace("price = \"?\"", "price = \"4.20 USD/bu\"").replace("cost = \"?\"", "cost = \"20 USD/ac\"");
    fs::write(path, text).unwrap();
}

/// The numbers of all responses, by season, field, treatment and class.
fn responses(out: &Path) -> BTreeMap<String, Vec<String>> {
    let mut found = BTreeMap::new();
    let mut table = csv::Reader::from_path(out.join("response_by_site_year.csv"))
        .or_else(|_| csv::Reader::from_path(out.join("site_years.csv")))
        .unwrap();
    let names: Vec<String> = table.headers().unwrap().iter().map(str::to_owned).collect();
    let at = |name: &str| names.iter().position(|known| known == name).unwrap();
    for row in table.records() {
        let row = row.unwrap();
        let key = format!("{} {} {}", &row[at("season")], &row[at("field")], &row[at("treatment")]);
        let numbers = ["blocks", "segments", "check_yield", "treated_yield", "response", "std_error", "wetness_mm"];
        found.insert(key, numbers.iter().map(|name| row[at(name)].to_owned()).collect());
    }
    assert!(found.len() >= 6, "{found:?}");
    found
}

#[test]
#[expect(clippy::print_stderr, reason = "the figures, for whoever asks for them by --nocapture")]
fn seven_kinds_of_exports_become_archives_that_answer_as_those_written_by_hand() {
    let folder = tempfile::tempdir().unwrap();
    let records = reexport::records();
    let mut all = Score::default();
    for kind in &KINDS {
        let (raw, archive, by_hand) =
            ["raw", "drafted", "by_hand"].map(|name| folder.path().join(kind.name).join(name)).into();
        kind.write(&raw, &records);
        kind.write_by_hand(&by_hand, &raw);
        let said = say(&["draft", raw.to_str().unwrap(), "--out", archive.to_str().unwrap(), "--json"]);
        assert_eq!(said.code, 0, "{}: {}", kind.name, said.stderr);
        let json: serde_json::Value = serde_json::from_str(&said.stdout).unwrap();
        let questions = json["questions"].as_array().unwrap();
        let drafted = tables(&archive);
        let mut own = Score { questions: questions.len(), ..Score::default() };
        score(kind, &drafted, &mut own);
        let keys: Vec<&str> = questions.iter().map(|question| question["key"].as_str().unwrap()).collect();
        eprintln!(
            "{:12} right {:3} asked {:2} wrong {:?} questions {keys:?}",
            kind.name, own.right, own.asked, own.wrong
        );
        let fields: Vec<(i64, &str)> = drafted
            .iter()
            .map(|field| (field["season"].as_integer().unwrap(), field["field"].as_str().unwrap()))
            .collect();
        assert_eq!(
            fields,
            [(2022, "Heron Slough"), (2022, "Hilltop"), (2023, "Windbreak")],
            "{}: {}",
            kind.name,
            said.stdout
        );
        assert!(own.questions <= 5, "{}: {questions:?}", kind.name);
        all.right += own.right;
        all.asked += own.asked;
        all.wrong.extend(own.wrong);
        all.questions += own.questions;
        // what is open is named, and nothing is computed
        let out = folder.path().join(kind.name).join("out");
        let run = |archive: &Path, out: &Path| say(&["run", archive.to_str().unwrap(), "--out", out.to_str().unwrap()]);
        let said = run(&archive, &out);
        assert_eq!(said.code, 2, "{}", said.stderr);
        assert!(said.stderr.contains("crops.corn.price: is still to be answered"), "{}", said.stderr);
        fill_in(&archive, kind, questions);
        let said = run(&archive, &out);
        assert_eq!(said.code, 0, "{}: {}", kind.name, said.stderr);
        let other = folder.path().join(kind.name).join("out_by_hand");
        let said = run(&by_hand, &other);
        assert_eq!(said.code, 0, "{}: {}", kind.name, said.stderr);
        assert_eq!(responses(&out), responses(&other), "{}: {drafted:?}", kind.name);
    }
    eprintln!("right {}, asked {}, wrong {:?}, questions {}", all.right, all.asked, all.wrong, all.questions);
    assert!(all.wrong.is_empty(), "{:?}", all.wrong);
    assert!(all.right * 100 >= 95 * (all.right + all.asked), "{} of {}", all.right, all.right + all.asked);
}
