//! What a run did, and its account in JSON.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::compute::Became;
use super::compute::Seconds;
use super::journal::Journal;
use super::one;
use super::retired::Retired;
use super::tasks::{Failed, Task};
use super::times;
use crate::report::Failure;
use crate::results::SiteYear;
use crate::text::plain_json;

/// What the index lists beside the results.
pub(super) fn absent(failures: &[Failed], retired: &[Retired]) -> Vec<Failure> {
    let failed = failures.iter().map(|one| Failure {
        folder: one.folder.clone(),
        reason: one.reason.clone(),
        results: one.stale.clone(),
        is_retired: false,
    });
    let retired = retired.iter().map(|one| Failure {
        folder: one.folder.clone(),
        reason: one.reason.clone(),
        results: Some(one.results.clone()),
        is_retired: true,
    });
    failed.chain(retired).collect()
}

/// What a run did, for its account.
#[derive(Debug, Default)]
pub(super) struct Account {
    pub(super) site_years: Vec<SiteYear>,
    /// By folder: `computed` or `unchanged`.
    pub(super) done: BTreeMap<String, &'static str>,
    /// By folder: hash of each input.
    pub(super) hashes: BTreeMap<String, BTreeMap<String, String>>,
    /// Summed over site-years.
    pub(super) seconds: Seconds,
    pub(super) failures: Vec<Failed>,
    pub(super) retired: Vec<Retired>,
    /// What was left out of the archive or has gone stale, in sentences.
    pub(super) notes: Vec<String>,
}

impl Account {
    /// What became of the site-years; `failures` are those that never became tasks.
    pub(super) fn of(tasks: &[Task], became: Vec<Became>, failures: Vec<Failed>) -> Self {
        let mut account = Self { failures, ..Self::default() };
        for (task, became) in tasks.iter().zip(became) {
            let folder = task.folder.name.clone();
            match became {
                Became::Unknown | Became::NotBegun => {}
                Became::Failed(reason) => account.failures.push(Failed::new(&folder, reason)),
                Became::Done(outcome) => {
                    for (stage, spent) in outcome.seconds {
                        *account.seconds.entry(stage).or_insert(0.0) += spent;
                    }
                    account.done.insert(folder.clone(), if outcome.computed { "computed" } else { "unchanged" });
                    account.hashes.insert(folder, outcome.inputs);
                    account.site_years.push(outcome.result);
                }
            }
        }
        account
    }

    pub(super) fn count(&self, what: &str) -> usize {
        self.done.values().filter(|done| **done == what).count()
    }

    /// `run.json`.
    pub(super) fn as_json(&self, journal: &Journal, jobs: Option<usize>) -> Vec<u8> {
        let points = |pick: fn(&SiteYear) -> usize| self.site_years.iter().map(pick).sum::<usize>();
        let failure = |one: &Failed| json!({ "site_year": one.folder, "reason": one.reason, "stale": one.stale });
        let retired = |one: &Retired| json!({ "site_year": one.folder, "results": one.results, "reason": one.reason });
        let account = json!({
            "version": env!("CARGO_PKG_VERSION"),
            "began": journal.began,
            "elapsed_seconds": journal.elapsed_s(),
            "jobs": jobs,
            "peak_memory_bytes": times::peak_memory_bytes(),
            "counts": {
                "site_years": self.site_years.len() + self.failures.len(),
                "with_results": self.site_years.len(),
                "computed": self.count("computed"),
                "unchanged": self.count("unchanged"),
                "failed": self.failures.len(),
                "stale": self.failures.iter().filter(|one| one.stale.is_some()).count(),
                "retired": self.retired.len(),
                "points_read": points(|one| one.counts.read),
                "points_kept": points(|one| one.counts.kept),
                "lags_known": self.site_years.iter().filter(|one| one::lags_known(one)).count(),
            },
            "seconds": self.seconds,
            "done": self.done,
            "inputs": self.hashes,
            "failures": self.failures.iter().map(failure).collect::<Vec<_>>(),
            "retired": self.retired.iter().map(retired).collect::<Vec<_>>(),
            "warnings": self.warnings(),
            "notes": self.notes,
        });
        plain_json(&format!("{account:#}\n")).into_owned().into_bytes()
    }

    fn warnings(&self) -> BTreeMap<&str, Value> {
        let of = |result: &SiteYear| {
            let all = result.all_cautions();
            let codes: serde_json::Map<_, _> =
                all.iter().map(|(caution, detail)| (caution.code().to_owned(), json!(detail))).collect();
            codes
        };
        let all = self.site_years.iter().map(|result| (result.folder.as_str(), of(result)));
        all.filter(|(_, codes)| !codes.is_empty()).map(|(folder, codes)| (folder, Value::Object(codes))).collect()
    }
}
