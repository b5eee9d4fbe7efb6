//! `bandlift run`.

use std::fmt::Write;

use serde_json::json;

use crate::batch::{self, Failed, NightOptions, NightReport, Shard, ShareReport};
use crate::cli::args::RunArguments;
use crate::cli::progress::TellProgress;
use crate::cli::{Exit, Output, signals};
use crate::report;

pub(in crate::cli) fn run(arguments: &RunArguments, out: &mut Output) -> Exit {
    let options = NightOptions {
        only: arguments.only.clone(),
        jobs: arguments.jobs.map(usize::from),
        force: arguments.force,
        allow_outside: arguments.allow_outside,
        verify: arguments.verify,
        stop: signals::stop(out),
    };
    let progress = TellProgress::default();
    let done = match &arguments.shard {
        None => batch::run(&arguments.archive, &arguments.out, &options, &progress)
            .map(|night| show(&night, arguments.json, out)),
        Some(text) => {
            let shard = match text.as_str() {
                "auto" => Shard::of_array_job(|name| std::env::var(name).ok()),
                typed => Shard::parse(typed),
            };
            let shard = match shard {
                Ok(shard) => shard,
                Err(error) => {
                    out.error(&format!("--shard: {error}"));
                    return Exit::Nothing;
                }
            };
            batch::run_share(&arguments.archive, &arguments.out, shard, &options, &progress)
                .map(|share| show_share(&share, shard, arguments.json, out))
        }
    };
    done.unwrap_or_else(|error| {
        out.error(&error);
        Exit::from(&error)
    })
}

/// The results of a night, then what failed.
pub(in crate::cli) fn show(night: &NightReport, json: bool, out: &mut Output) -> Exit {
    if json {
        out.result(&as_json(night));
    } else {
        out.result(&report::zone_table(&night.conclusions.synthesis.zones, &night.archive));
        out.result(&in_words(night));
        out.result(&format!("\n{}\n", report::FIRST));
    }
    tell(night, out)
}

/// What became of a share.
fn show_share(share: &ShareReport, shard: Shard, json: bool, out: &mut Output) -> Exit {
    if json {
        let text = json!({
            "share": shard.to_string(),
            "computed": share.computed,
            "unchanged": share.unchanged,
            "failures": failures(&share.failures),
        });
        out.result(&format!("{text:#}\n"));
    }
    for failed in &share.failures {
        out.error(&format!("{}: {}", failed.folder, failed.reason));
    }
    out.message(&format!(
        "share {shard}: {} site-years: {} computed, {} unchanged, {} failed; {:.1} s; see {}",
        share.computed + share.unchanged + share.failures.len(),
        share.computed,
        share.unchanged,
        share.failures.len(),
        share.elapsed_s,
        share.account.display()
    ));
    if share.failures.is_empty() { Exit::Done } else { Exit::SomeFailed }
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
        let stale = if failed.stale.is_some() { "; its last good result is kept, stale and in no table" } else { "" };
        out.error(&format!("{}: {}{stale}", failed.folder, failed.reason));
    }
    for retired in &night.retired {
        out.message(&format!("retired: {}: {}", retired.folder, retired.reason));
    }
    out.message(&format!(
        "{} site-years: {} computed, {} unchanged, {} failed, {} retired; {:.1} s; see {}",
        night.computed + night.unchanged + night.failures.len(),
        night.computed,
        night.unchanged,
        night.failures.len(),
        night.retired.len(),
        night.elapsed_s,
        night.index.display()
    ));
    if night.failures.is_empty() { Exit::Done } else { Exit::SomeFailed }
}

fn failures(all: &[Failed]) -> Vec<serde_json::Value> {
    let one = |one: &Failed| json!({ "site_year": one.folder, "reason": one.reason, "stale": one.stale });
    all.iter().map(one).collect()
}

fn as_json(night: &NightReport) -> String {
    let text = json!({
        "first": report::FIRST,
        "computed": night.computed,
        "unchanged": night.unchanged,
        "failures": failures(&night.failures),
        "retired": night.retired.iter().map(|one| json!({ "site_year": one.folder, "reason": one.reason })).collect::<Vec<_>>(),
        "answers": report::answers(&night.conclusions, &night.archive).iter().map(|one| json!({ "title": one.title, "text": one.text })).collect::<Vec<_>>(),
        "zones_kg_ha": night.conclusions.synthesis.zones,
        "index": night.index.display().to_string(),
    });
    let mut text = serde_json::to_string_pretty(&text).unwrap_or_default();
    text.push('\n');
    text
}
