//! What a site-year's result depends on: the content of its inputs, its settings, and the versions of the stages.

use super::seen::SeenFiles;
use crate::config::{ArchiveSettings, FieldSettings, ReadSettings};
use crate::report::Provenance;
use crate::{assign, clean, economics, fit, ingest, join, report};

/// The versions of everything that makes a site-year's files.
const STAGES: [(&str, u32); 8] = [
    ("ingest", ingest::VERSION),
    ("clean", clean::VERSION),
    ("assign", assign::VERSION),
    ("join", join::VERSION),
    ("fit", fit::VERSION),
    ("economics", economics::VERSION),
    ("report", report::VERSION),
    ("store", super::store::VERSION),
];

/// What the reports tell of a site-year's fingerprint.
pub(super) fn provenance(fingerprint: &str, inputs: &SeenFiles) -> Provenance {
    let inputs = inputs.iter().map(|(name, seen)| (name.clone(), seen.hash.clone())).collect();
    Provenance { fingerprint: fingerprint.to_owned(), inputs, stages: STAGES.to_vec() }
}

/// What the archive's settings mean to a season that is over. Their own text would change with every comment, and how next
/// season's strips are laid out, and what reading may cost, mean nothing to it.
pub(super) fn meaning(archive: &ArchiveSettings) -> String {
    let mut archive = archive.clone();
    archive.target.strips = None;
    archive.read = ReadSettings::default();
    format!("{archive:?}")
}

/// The fingerprint of a site-year: changes when its result may. `archive` is the [`meaning`] of the archive's settings.
pub(super) fn fingerprint(inputs: &SeenFiles, field: &FieldSettings, archive: &str, folder: &str) -> String {
    let mut hasher = blake3::Hasher::new();
    let mut add = |text: &str| {
        hasher.update(&(text.len() as u64).to_le_bytes());
        hasher.update(text.as_bytes());
    };
    add(env!("CARGO_PKG_VERSION"));
    add(&format!("{STAGES:?}"));
    add(folder);
    add(archive);
    add(&format!("{field:?}"));
    for (name, seen) in inputs {
        add(name);
        add(&seen.hash);
    }
    hasher.finalize().to_hex().to_string()
}
