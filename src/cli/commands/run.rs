//! `bandlift run`.

use std::fmt::Write;

use serde_json::json;

use crate::batch::{self, NightOptions, NightReport};
use crate::cli::args::RunArguments;
use crate::cli::progress::TellProgress;
use crate::cli::{Exit, Output};
use crate::report;

pub(in crate::cli) fn run(arguments: &RunArguments, out: &mut Output) -> Exit {
    let options = NightOptions {
        only: arguments.only.clone(),
        jobs: arguments.jobs.map(usize::from),
        force: arguments.force,
        allow_outside: arguments.allow_outside,
    };
    match batch::run(&arguments.archive, &arguments.out, &options, &TellProgress::default()) {
        Err(error) => {
            out.error(&error);
            Exit::Nothing
        }
        Ok(night) => {
            if arguments.json {
                out.result(&as_json(&night));
            } else {
                out.result(&report::zone_table(&night.conclusions.synthesis.zones, &night.archive));
                out.result(&in_words(&night));
            }
            tell(&night, out)
        }
    }
}

/// A paragraph for each treatment.
pub(in crate::cli) fn in_words(night: &NightReport) -> String {
    let answers = report::answers(&night.conclusions, &night.archive);
    answers.iter().fold(String::new(), |mut text, answer| {
        let _ = write!(text, "\n{}\n{}\n", answer.title, answer.text);
        text
    })
}

/// The failures and the last line, on the standard error stream.
pub(in crate::cli) fn tell(night: &NightReport, out: &mut Output) -> Exit {
    for failed in &night.failures {
        out.error(&format!("{}: {}", failed.folder, failed.reason));
    }
    out.message(&format!(
        "{} site-years: {} computed, {} unchanged, {} failed; see {}",
        night.computed + night.unchanged + night.failures.len(),
        night.computed,
        night.unchanged,
        night.failures.len(),
        night.index.display()
    ));
    if night.failures.is_empty() { Exit::Done } else { Exit::SomeFailed }
}

fn as_json(night: &NightReport) -> String {
    let text = json!({
        "computed": night.computed,
        "unchanged": night.unchanged,
        "failures": night.failures.iter().map(|one| json!({ "site_year": one.folder, "reason": one.reason })).collect::<Vec<_>>(),
        "answers": report::answers(&night.conclusions, &night.archive).iter().map(|one| json!({ "title": one.title, "text": one.text })).collect::<Vec<_>>(),
        "zones_kg_ha": night.conclusions.synthesis.zones,
        "index": night.index.display().to_string(),
    });
    let mut text = serde_json::to_string_pretty(&text).unwrap_or_default();
    text.push('\n');
    text
}
