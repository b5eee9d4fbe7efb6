//! The log of a run, line by line as it goes, and its account in JSON at the end.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Instant;

use serde_json::{Value, json};

use super::compute::Seconds;
use super::one;
use super::retired::Retired;
use super::store::StoreError;
use super::tasks::Failed;
use super::times;
use crate::results::SiteYear;

/// The log: lines with the time, appended as things happen.
#[derive(Debug)]
pub(super) struct Journal {
    path: PathBuf,
    begun: Instant,
    pub(super) began: String,
    lines: Mutex<(File, Option<std::io::Error>)>,
}

impl Journal {
    /// Begins a log; that of the run before is kept beside it as `….previous.log`.
    pub(super) fn begin(folder: &Path, name: &str) -> Result<Self, StoreError> {
        let path = folder.join(format!("{name}.log"));
        let fault = |error| StoreError::new(&path, error);
        fs::create_dir_all(folder).map_err(fault)?;
        if path.exists() {
            fs::rename(&path, folder.join(format!("{name}.previous.log"))).map_err(fault)?;
        }
        let file = File::create(&path).map_err(fault)?;
        Ok(Self { path, begun: Instant::now(), began: times::now_text(), lines: Mutex::new((file, None)) })
    }

    /// Appends a line. The first fault of the system is kept until [`Journal::sound`] asks for it.
    pub(super) fn line(&self, text: &str) {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        let text = text.replace('\n', "\n    ");
        if let Err(error) = writeln!(lines.0, "{} {text}", times::now_text()) {
            lines.1.get_or_insert(error);
        }
    }

    /// Whether every line was written.
    pub(super) fn sound(&self) -> Result<(), StoreError> {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        lines.1.take().map_or(Ok(()), |error| Err(StoreError::new(&self.path, error)))
    }

    /// Seconds since it began.
    pub(super) fn elapsed_s(&self) -> f64 {
        self.begun.elapsed().as_secs_f64()
    }
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
}

impl Account {
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
                "site_years": self.site_years.len(),
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
        });
        let mut bytes = serde_json::to_vec_pretty(&account).unwrap_or_default();
        bytes.push(b'\n');
        bytes
    }

    fn warnings(&self) -> BTreeMap<&str, Value> {
        let of = |result: &SiteYear| {
            let mut all = result.cautions.clone();
            for response in &result.responses {
                all.extend(&response.cautions);
            }
            let codes: serde_json::Map<_, _> =
                all.iter().map(|(caution, detail)| (caution.code().to_owned(), json!(detail))).collect();
            codes
        };
        let all = self.site_years.iter().map(|result| (result.folder.as_str(), of(result)));
        all.filter(|(_, codes)| !codes.is_empty()).map(|(folder, codes)| (folder, Value::Object(codes))).collect()
    }
}
