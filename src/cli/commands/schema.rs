//! `bandlift schema`: the JSON Schema of a settings file.

use crate::cli::args::{SchemaArguments, SchemaOf};
use crate::cli::{Exit, Output};
use crate::config::{SettingsFile, schema};

pub(in crate::cli) fn run(arguments: &SchemaArguments, out: &mut Output) -> Exit {
    out.json(&schema(match arguments.of {
        SchemaOf::Archive => SettingsFile::Archive,
        SchemaOf::Field => SettingsFile::Field,
    }));
    Exit::Done
}
