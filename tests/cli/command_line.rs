//! What the program says of itself, and how little it says when asked to be quiet.

use crate::archive::{Archive, say};

const COMMANDS: [&str; 10] =
    ["run", "synthesise", "inspect", "explain", "plan", "figures", "describe", "demo", "completions", "man"];

#[test]
fn a_mistyped_command_is_reported_the_nearest() {
    for (typed, meant) in [("rnu", "run"), ("inspet", "inspect"), ("mna", "man"), ("plna", "plan")] {
        let said = say(&[typed]);
        assert_eq!(said.code, 2);
        assert!(said.stderr.contains(&format!("'{meant}'")), "{typed}: {}", said.stderr);
    }
    assert!(!say(&["xyz"]).stderr.contains("tip"));
}

#[test]
fn every_command_has_help_with_an_example_and_a_manual_page() {
    for command in COMMANDS {
        let said = say(&[command, "--help"]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        assert!(
            said.stdout.contains("Example") && said.stdout.contains(&format!("bandlift {command}")),
            "{}",
            said.stdout
        );
        let said = say(&["man", command]);
        assert!(said.stdout.contains(".TH ") && said.stdout.contains(command), "{}", said.stdout);
    }
    assert!(say(&["man"]).stdout.contains("synthesise"));
    let said = say(&["man", "nothing"]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("found `nothing`"), "{}", said.stderr);
}

#[test]
fn completions_name_every_command() {
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let said = say(&["completions", shell]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        assert!(COMMANDS.iter().all(|command| said.stdout.contains(command)), "{shell}");
    }
    assert_eq!(say(&["completions", "nothing"]).code, 2);
}

#[test]
fn a_command_without_json_says_which_have_it() {
    let said = say(&["explain", "OUT", "--json"]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("these print JSON: run, "), "{}", said.stderr);
}

#[test]
fn a_quiet_run_says_nothing_that_is_no_result_and_no_error() {
    let archive = Archive::single();
    let (root, out) = (archive.root(), archive.out());
    let arguments = ["run", root.to_str().unwrap(), "--out", out.to_str().unwrap()];
    let said = say(&[&arguments[..], &["--quiet"]].concat());
    assert_eq!((said.code, said.stderr.as_str()), (0, ""));
    assert!(!said.stdout.is_empty());
    assert!(say(&arguments).stderr.contains("1 unchanged"));
    archive.write("fields/bad/field.toml", "season = ");
    let said = say(&[&arguments[..], &["-q"]].concat());
    assert!(said.code != 0 && said.stderr.contains("field.toml"), "{}", said.stderr);
}

/// The keys at the top of `summary.json` and `run.json` are those of the dictionary: none is missing, none is told that is not there.
#[test]
fn the_dictionary_knows_the_keys_of_the_json_files() {
    let archive = Archive::single();
    assert_eq!(archive.run().code, 0);
    let told: Vec<serde_json::Value> = serde_json::from_str(&say(&["describe", "columns", "--json"]).stdout).unwrap();
    for (file, path) in [
        ("site_years/…/summary.json", archive.result("bad", "summary.json")),
        ("run.json", archive.out().join("run.json")),
    ] {
        let json: serde_json::Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
        let mut found: Vec<&str> = json.as_object().unwrap().keys().map(String::as_str).collect();
        let mut declared: Vec<&str> =
            told.iter().filter(|one| one["file"] == file).map(|one| one["column"].as_str().unwrap()).collect();
        found.sort_unstable();
        declared.sort_unstable();
        assert_eq!(found, declared, "{file}");
    }
}
