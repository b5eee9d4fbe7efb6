//! What a site-year's result depends on: the content of its inputs, its settings, and the versions of the stages.

use std::collections::BTreeMap;
use std::path::Path;

use crate::config::{ArchiveSettings, FieldSettings};
use crate::ingest::{IngestError, SiteYearFiles};
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

/// A site-year's fingerprint and the hash of each input.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fingerprint {
    pub(super) whole: String,
    /// By the file's name in the archive.
    pub(super) inputs: BTreeMap<String, String>,
}

impl Fingerprint {
    /// What the reports tell of it.
    pub(super) fn provenance(&self) -> Provenance {
        Provenance { fingerprint: self.whole.clone(), inputs: self.inputs.clone(), stages: STAGES.to_vec() }
    }
}

/// Hashes the inputs and the settings.
pub(super) fn fingerprint(
    files: &SiteYearFiles,
    field: &FieldSettings,
    archive: &ArchiveSettings,
    folder: &str,
) -> Result<Fingerprint, IngestError> {
    let mut inputs = BTreeMap::new();
    for file in files.all() {
        inputs.insert(file.name.clone(), hash(&file.name, &file.path)?);
    }
    let mut hasher = blake3::Hasher::new();
    let mut add = |text: &str| {
        hasher.update(&(text.len() as u64).to_le_bytes());
        hasher.update(text.as_bytes());
    };
    add(env!("CARGO_PKG_VERSION"));
    add(&format!("{STAGES:?}"));
    add(folder);
    // The settings' own text would change with every comment; what they mean is what counts.
    add(&format!("{archive:?}"));
    add(&format!("{field:?}"));
    for (name, hash) in &inputs {
        add(name);
        add(hash);
    }
    Ok(Fingerprint { whole: hasher.finalize().to_hex().to_string(), inputs })
}

fn hash(name: &str, path: &Path) -> Result<String, IngestError> {
    let mut hasher = blake3::Hasher::new();
    let unreadable =
        |error: std::io::Error| IngestError::Unreadable { file: name.to_owned(), reason: error.to_string() };
    let file = std::fs::File::open(path).map_err(unreadable)?;
    hasher.update_reader(file).map_err(unreadable)?;
    Ok(hasher.finalize().to_hex().to_string())
}
