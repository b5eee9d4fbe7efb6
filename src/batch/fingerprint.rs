//! What a site-year's result depends on: the content of its inputs, its settings, and the versions of the stages.

use std::collections::BTreeMap;

use super::seen::SeenFiles;
use crate::config::{ArchiveSettings, CropSettings, FieldSettings, ReadSettings, TargetSettings};
use crate::report::Provenance;
use crate::{applied, assign, clean, economics, fit, ingest, join, observed, report};

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
/// season's strips are laid out, what reading may cost, and other crops mean nothing to it.
#[derive(Debug)]
pub(super) struct Meaning {
    /// What the stages up to the fit read, but for the crop.
    work: String,
    /// What only tells of the result and what it is worth, but for the crop.
    telling: String,
    /// Of each crop the same two.
    crops: BTreeMap<String, (String, String)>,
}

impl Meaning {
    pub(super) fn of(archive: &ArchiveSettings) -> Self {
        let mut work = archive.clone();
        let crops = std::mem::take(&mut work.crops).into_iter().map(|(key, crop)| {
            let telling = format!("{crop:?}");
            let work = CropSettings {
                price_per_kg: None,
                drying_per_kg_point: 0.0,
                hauling_per_kg: 0.0,
                seasons: BTreeMap::new(),
                ..crop
            };
            (key, (format!("{work:?}"), telling))
        });
        let crops = crops.collect();
        work.target.strips = None;
        let telling = format!("{:?}", (&work.name, &work.target, &work.treatments, &work.currency));
        work.read = ReadSettings::default();
        work.name = String::new();
        work.target = TargetSettings::default();
        work.currency = None;
        for treatment in &mut work.treatments {
            treatment.cost_per_ha = 0.0;
            treatment.season_cost_per_ha = BTreeMap::new();
        }
        Self { work: format!("{work:?}"), telling, crops }
    }
}

/// The fingerprints of a site-year.
#[derive(Debug, Clone)]
pub(super) struct Fingerprint {
    /// Changes when its result may, but for what it is worth.
    pub(super) work: String,
    /// Changes when any of its files may.
    pub(super) whole: String,
}

impl Fingerprint {
    pub(super) fn of(inputs: &SeenFiles, field: &FieldSettings, archive: &Meaning, folder: &str) -> Self {
        let mut hasher = blake3::Hasher::new();
        let add = |hasher: &mut blake3::Hasher, text: &str| {
            hasher.update(&(text.len() as u64).to_le_bytes());
            hasher.update(text.as_bytes());
        };
        let crop = archive.crops.get(&field.crop);
        add(&mut hasher, env!("CARGO_PKG_VERSION"));
        add(&mut hasher, &format!("{STAGES:?}"));
        if !field.applied.is_empty() {
            add(&mut hasher, &format!("applied {}", applied::VERSION));
        }
        if !field.observed.is_empty() {
            add(&mut hasher, &format!("observed {}", observed::VERSION));
        }
        if !field.covariates.is_empty() {
            add(&mut hasher, &format!("covariates {}", fit::COVARIATES_VERSION));
        }
        add(&mut hasher, folder);
        add(&mut hasher, &archive.work);
        add(&mut hasher, crop.map_or("", |crop| &crop.0));
        add(&mut hasher, &format!("{field:?}"));
        for (name, seen) in inputs {
            add(&mut hasher, name);
            add(&mut hasher, &seen.hash);
        }
        let work = hasher.finalize().to_hex().to_string();
        add(&mut hasher, &archive.telling);
        add(&mut hasher, crop.map_or("", |crop| &crop.1));
        Self { work, whole: hasher.finalize().to_hex().to_string() }
    }
}
