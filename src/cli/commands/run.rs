//! `bandlift run`.

use std::fmt::Write;

use serde_json::json;

use crate::batch::{self, Failed, NightOptions, NightReport, Share, ShareReport};
use crate::cli::args::RunArguments;
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
        ..NightOptions::default()
    };
    let progress = out.progress();
    let done = match &arguments.share {
        None => batch::run(&arguments.archive, &arguments.out, &options, &progress)
            .map(|night| show(&night, arguments.json, out)),
        Some(text) => {
            let share = match text.as_str() {
                "auto" => Share::of_array_job(|name| std::env::var(name).ok()),
                typed => Share::parse(typed),
            };
            let share = match share {
                Ok(share) => share,
                Err(error) => {
                    out.error(&format!("--share: {error}"));
                    return Exit::Nothing;
                }
            };
            batch::run_share(&arguments.archive, &arguments.out, share, &options, &progress)
                .map(|report| show_share(&report, share, arguments.json, out))
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
        out.json(&as_json(night));
    } else {
        out.result(&report::zone_table(&night.conclusions.synthesis.zones, &night.archive));
        out.result(&in_words(night));
        out.result(&format!("\n{}\n", report::FIRST));
    }
    tell(night, out)
}

/// What became of a share.
fn show_share(report: &ShareReport, share: Share, json: bool, out: &mut Output) -> Exit {
    if json {
        let text = json!({
            "share": share.to_string(),
            "computed": report.computed,
            "unchanged": report.unchanged,
            "failures": failures(&report.failures),
        });
        out.json(&text);
    }
    tell_failures(&report.failures, out);
    out.note(&format!(
        "share {share}: {} site-years: {} computed, {} unchanged, {} failed; {:.1} s; see {}",
        report.computed + report.unchanged + report.failures.len(),
        report.computed,
        report.unchanged,
        report.failures.len(),
        report.elapsed_s,
        report.account.display()
    ));
    exit(&report.failures, report.computed + report.unchanged)
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
    for note in &night.notes {
        out.message(&format!("note: {note}"));
    }
    tell_failures(&night.failures, out);
    for retired in &night.retired {
        out.message(&format!("retired: {}: {}", retired.folder, retired.reason));
    }
    out.note(&format!(
        "{} site-years: {} computed, {} unchanged, {} failed, {} retired; {:.1} s; see {}",
        night.computed + night.unchanged + night.failures.len(),
        night.computed,
        night.unchanged,
        night.failures.len(),
        night.retired.len(),
        night.elapsed_s,
        night.index.display()
    ));
    exit(&night.failures, night.computed + night.unchanged)
}

/// Each failure; a fault of the archive that many site-years share is reported once.
fn tell_failures(failures: &[Failed], out: &mut Output) {
    let is_first = |at: usize| failures[..at].iter().all(|before| before.reason != failures[at].reason);
    for (at, failed) in failures.iter().enumerate() {
        if !failed.is_of_archive() {
            let stale =
                if failed.stale.is_some() { "; its last good result is kept, stale and in no table" } else { "" };
            out.error(&format!("{}: {}{stale}", failed.folder, failed.reason));
        } else if is_first(at) {
            let same: Vec<&str> =
                failures.iter().filter(|one| one.reason == failed.reason).map(|one| one.folder.as_str()).collect();
            let stale = failures.iter().filter(|one| one.reason == failed.reason && one.stale.is_some()).count();
            let kept = if stale > 0 {
                format!("; {stale} last good results are kept, stale and in no table")
            } else {
                String::new()
            };
            out.error(&failed.reason);
            out.message(&format!("       {} site-years cannot be done for it: {}{kept}", same.len(), same.join(", ")));
        }
    }
}

/// Nothing could be done where all failed for a layer of the archive.
fn exit(failures: &[Failed], done: usize) -> Exit {
    match failures {
        [] => Exit::Done,
        failures if done == 0 && failures.iter().all(Failed::is_of_whole_layer) => Exit::Nothing,
        _ => Exit::SomeFailed,
    }
}

fn failures(all: &[Failed]) -> Vec<serde_json::Value> {
    let one = |one: &Failed| json!({ "site_year": one.folder, "reason": one.reason, "stale": one.stale });
    all.iter().map(one).collect()
}

fn as_json(night: &NightReport) -> serde_json::Value {
    json!({
        "first": report::FIRST,
        "computed": night.computed,
        "unchanged": night.unchanged,
        "failures": failures(&night.failures),
        "notes": night.notes,
        "retired": night.retired.iter().map(|one| json!({ "site_year": one.folder, "reason": one.reason })).collect::<Vec<_>>(),
        "answers": report::answers(&night.conclusions, &night.archive).iter().map(|one| json!({ "title": one.title, "text": one.text })).collect::<Vec<_>>(),
        "zones_kg_ha": night.conclusions.synthesis.zones,
        "index": night.index.display().to_string(),
    })
}
