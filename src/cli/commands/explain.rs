//! `bandlift explain`: why records were removed, from what a run wrote.

use crate::cli::args::ExplainArguments;
use crate::cli::{Exit, Output};
use crate::report;

pub(in crate::cli) fn run(arguments: &ExplainArguments, out: &mut Output) -> Exit {
    let folder = &arguments.site_year;
    let text = match &arguments.record {
        None => report::explain_site_year(folder),
        Some(record) => match record.rsplit_once(':').and_then(|(file, row)| Some((file, row.parse().ok()?))) {
            Some((file, row)) => report::explain_record(folder, file, row),
            None => Err(format!("--record: expected FILE:ROW such as harvest/a.csv:1042, found `{record}`")),
        },
    };
    match text {
        Ok(text) => {
            out.result(&text);
            Exit::Done
        }
        Err(error) => {
            out.error(&error);
            Exit::Nothing
        }
    }
}
