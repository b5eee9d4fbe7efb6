//! `bandlift describe settings` and `bandlift schema`: every key of the settings, for people, programs and editors.

use serde_json::json;

use crate::cli::args::{DescribeArguments, SchemaArguments, SchemaOf, Topic};
use crate::cli::{Exit, Output};
use crate::config::{SettingsFile, schema, settings};

const FILES: [(&str, SettingsFile); 2] = [("archive.toml", SettingsFile::Archive), ("field.toml", SettingsFile::Field)];

pub(in crate::cli) fn run(arguments: &DescribeArguments, out: &mut Output) -> Exit {
    match arguments.topic {
        Topic::Settings if arguments.json => {
            let of = |of: SettingsFile| settings(of);
            out.json(&json!({ "archive": of(SettingsFile::Archive), "field": of(SettingsFile::Field) }));
        }
        Topic::Settings => {
            for (name, file) in FILES {
                out.result(&format!("{name}\n"));
                for fact in settings(file) {
                    out.result(&format!("  {}\n", fact.line()));
                }
            }
        }
    }
    Exit::Done
}

pub(in crate::cli) fn run_schema(arguments: &SchemaArguments, out: &mut Output) -> Exit {
    out.json(&schema(match arguments.of {
        SchemaOf::Archive => SettingsFile::Archive,
        SchemaOf::Field => SettingsFile::Field,
    }));
    Exit::Done
}
