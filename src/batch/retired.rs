//! What is remembered of site-years that have no result tonight: the last good one of a site-year that fails is stale, that of
//! one that has left the archive is retired. Neither enters a table; both keep their files and are listed.

use std::collections::{BTreeMap, BTreeSet};

use super::memory::Remembered;
use super::store::{Store, StoreError};
use super::tasks::{Failed, Task};

/// A site-year that is no longer in the archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Retired {
    /// The folder in which it was.
    pub folder: String,
    /// The folder below `site_years` that holds its last result.
    pub results: String,
    /// Why it is retired.
    pub reason: String,
}

/// Finds the last good results of `failures`, and what is retired. `unreadable` are folders of the archive that could not
/// be looked into: what was below them may still be there, and counts as failed.
pub(super) fn sort_out(
    store: &Store,
    tasks: &[Task],
    unreadable: &[(String, String)],
    failures: &mut Vec<Failed>,
) -> Result<Vec<Retired>, StoreError> {
    let places: BTreeMap<&str, &str> =
        tasks.iter().map(|task| (task.folder.name.as_str(), task.place.as_str())).collect();
    let known: BTreeSet<&str> = places.values().copied().collect();
    let mut last_good: BTreeMap<String, String> = BTreeMap::new();
    for failed in failures.iter() {
        if let Some(place) = places.get(failed.folder.as_str())
            && store.recall(place, false).good().is_some()
        {
            last_good.insert(failed.folder.clone(), (*place).to_owned());
        }
    }
    let mut retired = Vec::new();
    for place in store.places().into_iter().filter(|place| !known.contains(place.as_str())) {
        let Some(Remembered { folder, .. }) = store.recall(&place, false).good() else { continue };
        let below = |(parent, _): &&(String, String)| folder == *parent || folder.starts_with(&format!("{parent}/"));
        let reason = if let Some(failed) = failures.iter().find(|failed| failed.folder == folder) {
            store.mark_not_current(&place, &format!("stale: {}", failed.reason))?;
            last_good.insert(folder, place);
            continue;
        } else if let Some((parent, reason)) = unreadable.iter().find(below) {
            let reason = format!("{parent}: {reason}");
            store.mark_not_current(&place, &format!("stale: {reason}"))?;
            failures.push(Failed { folder, reason, stale: Some(place) });
            continue;
        } else if places.contains_key(folder.as_str()) {
            "its field.toml now names another season, farm or field".to_owned()
        } else {
            "is no longer in the archive".to_owned()
        };
        store.mark_not_current(&place, &format!("retired: {reason}"))?;
        retired.push(Retired { folder, results: place, reason });
    }
    for failed in failures.iter_mut() {
        failed.stale = failed.stale.take().or_else(|| last_good.remove(&failed.folder));
    }
    retired.sort_by(|one, other| (&one.folder, &one.results).cmp(&(&other.folder, &other.results)));
    Ok(retired)
}
