//! What a plan rests on, so that a later run can tell whether it still holds. A plan is made on demand; a run leaves its files
//! alone, and marks those that it would make otherwise.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::store::{NOT_CURRENT, Store, StoreError};
use crate::config::{ArchiveSettings, ReadSettings};
use crate::report::{PROMISED, read_promised};
use crate::results::{PlanOutline, Record, SiteYear};
use crate::targeting;

/// Folder of the plans in the output, one below it for each crop.
pub(super) const PLANS: &str = "plan";
/// The table of a plan.
pub(super) const TABLE: &str = "plan.csv";
/// Folder of a plan's promises, one below it for each season.
pub(super) const PROMISES: &str = "promises";
/// Site-years that a note names.
const NAMED: usize = 5;

/// The results and settings at the time of a plan, by their hashes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Basis {
    settings: String,
    /// By folder below `site_years`.
    site_years: BTreeMap<String, String>,
}

impl Basis {
    pub(super) fn of(site_years: &[SiteYear], settings: &ArchiveSettings) -> Self {
        let hash = |bytes: &[u8]| blake3::hash(bytes).to_hex().to_string();
        let settings = ArchiveSettings { read: ReadSettings::default(), ..settings.clone() };
        let of = |one: &SiteYear| (one.folder.clone(), hash(&serde_json::to_vec(one).unwrap_or_default()));
        Self { settings: hash(format!("{settings:?}").as_bytes()), site_years: site_years.iter().map(of).collect() }
    }

    /// What has changed since `before`.
    fn changes(&self, before: &Self) -> Vec<String> {
        let some = |what: &str, folders: Vec<&String>| {
            let named: Vec<&str> = folders.iter().take(NAMED).map(|folder| folder.as_str()).collect();
            let more =
                if folders.len() > NAMED { format!(" and {} more", folders.len() - NAMED) } else { String::new() };
            (!folders.is_empty()).then(|| format!("{what}: {}{more}", named.join(", ")))
        };
        let (now, then) = (&self.site_years, &before.site_years);
        let left = then.keys().filter(|folder| !now.contains_key(*folder)).collect();
        let new = now.keys().filter(|folder| !then.contains_key(*folder)).collect();
        let other = now.iter().filter(|(folder, hash)| then.get(*folder).is_some_and(|before| before != *hash));
        let other = other.map(|(folder, _)| folder).collect();
        let settings = (self.settings != before.settings).then(|| "archive.toml has changed".to_owned());
        let site_years =
            [some("no longer among the results", left), some("new results", new), some("changed results", other)];
        site_years.into_iter().flatten().chain(settings).collect()
    }
}

/// Under which name the basis of a plan is remembered.
fn memory(folder: &str) -> String {
    format!("plan-{folder}")
}

/// Remembers what a plan rests on; `folder` is that of its crop.
pub(super) fn remember(store: &Store, folder: &str, basis: &Basis) -> Result<(), StoreError> {
    store.remember_archive(&memory(folder), basis)
}

/// Writes into each plan that no longer holds why, takes the note out of those that hold, and returns the notes.
pub(super) fn mark_old_plans(store: &Store, now: impl FnOnce() -> Basis) -> Result<Vec<String>, StoreError> {
    let plans = plans(store.root());
    if plans.is_empty() {
        return Ok(Vec::new());
    }
    let now = now();
    let mut notes = Vec::new();
    for plan in plans {
        let folder = plan.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let before: Option<Basis> = Store::recall_archive(store.root(), &memory(&folder));
        let changes =
            before.map_or_else(|| vec!["what it rests on is not known".to_owned()], |then| now.changes(&then));
        if changes.is_empty() {
            store.remove_file(&plan, NOT_CURRENT)?;
            continue;
        }
        let note = format!("{} is older than the last run: {}", plan.display(), changes.join("; "));
        let text = format!("{note}\nMake the plan again before anything is planted or applied.\n");
        store.write_file(&plan, NOT_CURRENT, text.as_bytes())?;
        notes.push(format!("{note}; `bandlift plan` makes it again"));
    }
    Ok(notes)
}

/// Remembers a plan in short, for the index.
pub(super) fn remember_outline(store: &Store, outline: &PlanOutline) -> Result<(), StoreError> {
    store.remember_archive(&format!("outline-{}", outline.folder), outline)
}

/// The plans in short, each with why it is older than the results, where it is.
pub(super) fn outlines(root: &Path) -> Vec<PlanOutline> {
    let standing = plans(root).into_iter().filter_map(|plan| {
        let folder = plan.file_name()?.to_string_lossy().into_owned();
        let outline: PlanOutline = Store::recall_archive(root, &format!("outline-{folder}"))?;
        let note = std::fs::read_to_string(root.join(&plan).join(NOT_CURRENT)).ok();
        let stale = note.and_then(|note| note.lines().next().map(str::to_owned));
        Some(PlanOutline { stale, ..outline })
    });
    standing.collect()
}

/// Writes the tables of all plans as one each beside their folders: `plan/plan.csv` and `plan/strips.csv` hold every crop.
pub(super) fn join_tables(store: &Store) -> Result<(), StoreError> {
    for name in [TABLE, "strips.csv"] {
        let mut joined: Vec<u8> = Vec::new();
        for plan in plans(store.root()) {
            let Ok(table) = std::fs::read(store.root().join(plan).join(name)) else { continue };
            // the columns once
            let header = table.iter().position(|&byte| byte == b'\n').map_or(table.len(), |end| end + 1);
            joined.extend_from_slice(if joined.is_empty() { &table } else { &table[header..] });
        }
        if !joined.is_empty() {
            store.write_file(Path::new(PLANS), name, &joined)?;
        }
    }
    Ok(())
}

/// What became of the promises of all plans, by crop, and what is wrong with those that cannot be read.
pub(super) fn records(store: &Store, site_years: &[SiteYear], confidence: f64) -> (Vec<Record>, Vec<String>) {
    let (mut promises, mut notes) = (Vec::new(), Vec::new());
    for plan in plans(store.root()) {
        let folder = store.root().join(plan).join(PROMISES);
        let walk = walkdir::WalkDir::new(folder).min_depth(2).max_depth(2).sort_by_file_name();
        for entry in walk.into_iter().filter_map(Result::ok).filter(|entry| entry.file_name() == PROMISED) {
            let read = std::fs::read(entry.path()).map_err(|error| error.to_string());
            match read.and_then(|bytes| read_promised(&bytes)) {
                Ok(read) => promises.extend(read),
                Err(fault) => {
                    notes.push(format!("{}: {fault}; its promises are not scored", entry.path().display()));
                }
            }
        }
    }
    let scored = targeting::score(&promises, site_years);
    let crops: BTreeSet<String> = scored.iter().map(|one| one.promise.crop.clone()).collect();
    let records = crops.iter().filter_map(|crop| {
        let own = scored.iter().filter(|one| one.promise.crop == *crop).cloned().collect();
        targeting::record(crop, own, confidence)
    });
    (records.collect(), notes)
}

/// The folders of the plans, relative to the output folder.
fn plans(root: &Path) -> Vec<PathBuf> {
    let walk = walkdir::WalkDir::new(root.join(PLANS)).min_depth(2).max_depth(2).sort_by_file_name();
    let tables = walk.into_iter().filter_map(Result::ok).filter(|entry| entry.file_name() == TABLE);
    tables.filter_map(|entry| Some(entry.path().parent()?.strip_prefix(root).ok()?.to_path_buf())).collect()
}
