//! `bandlift describe`.

use serde_json::{Value, json};

use crate::cli::args::{DescribeArguments, Reference};
use crate::cli::{Exit, Output};
use crate::config::{SettingsFile, settings};
use crate::points::{Caution, Mark};
use crate::report::{self, aligned};

pub(in crate::cli) fn run(arguments: &DescribeArguments, out: &mut Output) -> Exit {
    if arguments.json {
        out.json(&as_json(arguments.of));
    } else {
        out.result(&as_text(arguments.of));
    }
    Exit::Done
}

const FILES: [(&str, SettingsFile); 2] = [("archive.toml", SettingsFile::Archive), ("field.toml", SettingsFile::Field)];

fn as_text(of: Reference) -> String {
    let rows: Vec<Vec<String>> = match of {
        Reference::Columns => return report::columns_text(),
        Reference::Settings => {
            let of = |(name, file): (&str, SettingsFile)| {
                let lines = settings(file).into_iter().map(|fact| format!("  {}\n", fact.line()));
                std::iter::once(format!("{name}\n")).chain(lines).collect::<String>()
            };
            return FILES.map(of).concat();
        }
        Reference::Marks => {
            Mark::ALL.iter().map(|mark| [mark.code(), mark.text(), mark.needs()].map(str::to_owned).to_vec()).collect()
        }
        Reference::Cautions => {
            Caution::ALL.iter().map(|caution| [caution.code(), caution.text()].map(str::to_owned).to_vec()).collect()
        }
    };
    aligned(&rows)
}

fn as_json(of: Reference) -> Value {
    let marks = || {
        Mark::ALL.iter().map(|mark| {
        json!({ "code": mark.code(), "meaning": mark.text(), "needs": mark.needs(), "source": mark.rule().source })
    })
    };
    let cautions = || Caution::ALL.iter().map(|caution| json!({ "code": caution.code(), "meaning": caution.text() }));
    match of {
        Reference::Columns => report::columns_json(),
        Reference::Settings => {
            json!({ "archive": settings(SettingsFile::Archive), "field": settings(SettingsFile::Field) })
        }
        Reference::Marks => marks().collect(),
        Reference::Cautions => cautions().collect(),
    }
}
