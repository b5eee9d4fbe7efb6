//! From the folders to what can be computed: settings read, identities told apart, places in the output given.

use std::collections::{BTreeMap, BTreeSet};

use super::discover::SiteYearFolder;
use super::{BatchError, field_settings, slug, workers};
use crate::config::{ArchiveSettings, FieldSettings};

/// A site-year that is ready to be computed.
#[derive(Debug)]
pub(super) struct Task {
    pub(super) folder: SiteYearFolder,
    pub(super) field: FieldSettings,
    /// Its folder below `site_years`.
    pub(super) place: String,
}

/// A site-year that failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failed {
    /// Its folder in the archive.
    pub folder: String,
    /// Why.
    pub reason: String,
    /// The folder below `site_years` of its last good result, which no table holds; `None` when there is none.
    pub stale: Option<String>,
}

impl Failed {
    pub(super) fn new(folder: &str, reason: impl Into<String>) -> Self {
        Self { folder: folder.to_owned(), reason: reason.into(), stale: None }
    }

    /// Whether the fault is one of a layer that the archive names for all its site-years.
    pub fn is_of_archive(&self) -> bool {
        self.reason.starts_with("archive.toml: ")
    }

    /// Whether it spoils the soil layer as a whole: a place of it, or the grid of a season, are not for all.
    pub fn is_of_whole_layer(&self) -> bool {
        self.reason.starts_with("archive.toml: soil: ")
    }
}

type Read = (SiteYearFolder, FieldSettings);

/// Reads every `field.toml`; those with faults, and those that share an identity, fail.
pub(super) fn tasks(
    folders: &[SiteYearFolder],
    settings: &ArchiveSettings,
    jobs: Option<usize>,
) -> Result<(Vec<Task>, Vec<Failed>), BatchError> {
    let mut failures = Vec::new();
    let mut read: Vec<Read> = Vec::new();
    let parsed = workers::each(jobs, folders, |folder| field_settings(folder, &settings_name(folder), settings))?;
    for (folder, parsed) in folders.iter().zip(parsed) {
        match parsed {
            Ok(field) => read.push((folder.clone(), field)),
            Err(reason) => failures.push(Failed::new(&folder.name, reason)),
        }
    }
    let places = places(&read);
    let mut by_place: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for ((folder, _), place) in read.iter().zip(&places) {
        by_place.entry(place).or_default().push(&folder.name);
    }
    let mut others = Vec::new();
    for ((folder, _), place) in read.iter().zip(&places) {
        let same = by_place[place.as_str()].iter().filter(|other| **other != folder.name);
        others.push(same.copied().collect::<Vec<_>>().join(", "));
    }
    let mut tasks = Vec::new();
    for (((folder, field), place), others) in read.into_iter().zip(places).zip(others) {
        if others.is_empty() {
            tasks.push(Task { folder, field, place });
        } else {
            let (season, farm, name) = field.identity();
            let reason = format!("season {season}, farm `{farm}`, field `{name}` is also that of {others}");
            failures.push(Failed::new(&folder.name, reason));
        }
    }
    Ok((tasks, failures))
}

fn settings_name(folder: &SiteYearFolder) -> String {
    if folder.name == "." { "field.toml".to_owned() } else { format!("{}/field.toml", folder.name) }
}

/// The place of each site-year in the output; those of one identity share theirs, no others do.
fn places(read: &[Read]) -> Vec<String> {
    let farms: BTreeSet<&str> = read.iter().map(|(_, field)| field.farm.as_str()).collect();
    let farms = slug::unique_slugs(farms);
    let mut fields: BTreeMap<(i32, &str), BTreeSet<&str>> = BTreeMap::new();
    for (_, field) in read {
        fields.entry((field.season, &field.farm)).or_default().insert(&field.field);
    }
    let fields: BTreeMap<_, _> = fields.into_iter().map(|(key, names)| (key, slug::unique_slugs(names))).collect();
    read.iter()
        .map(|(_, field)| {
            let (season, farm, name) = field.identity();
            format!("{season}/{}/{}", farms[farm], fields[&(season, farm)][name])
        })
        .collect()
}
