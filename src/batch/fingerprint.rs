//! What a site-year's result depends on: the content of its inputs, its settings, and the versions of the stages.

use std::collections::BTreeMap;

use super::seen::SeenFiles;
use crate::config::{ArchiveSettings, FieldSettings, ReadSettings, TargetSettings};
use crate::report::Provenance;
use crate::{applied, assign, clean, economics, fit, ingest, join, observed, report};

/// The versions of everything that makes a site-year's files.
pub(super) const STAGES: [(&str, u32); 8] = [
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
///
/// The stages are handed the settings that stand here, and of what a fingerprint does not hold only what reading may cost and the other
/// crops: a stage up to the fit that begins to read a price, say, finds none.
#[derive(Debug)]
pub(super) struct Meaning {
    /// What the stages up to the fit are handed: without prices, costs, and what only tells of the result.
    pub(super) work: ArchiveSettings,
    /// What economics and the report are handed.
    pub(super) telling: ArchiveSettings,
    /// Both as text, but for the crops.
    work_text: String,
    telling_text: String,
    /// The same two of each crop.
    crops: BTreeMap<String, (String, String)>,
}

impl Meaning {
    /// # Errors
    /// Settings that cannot be written as JSON.
    pub(super) fn of(archive: &ArchiveSettings) -> serde_json::Result<Self> {
        let mut telling = archive.clone();
        telling.target.strips = None;
        telling.target.zone_cost_per_ha = 0.0;
        let mut work = telling.clone();
        work.name = String::new();
        work.target = TargetSettings::default();
        work.currency = None;
        for treatment in &mut work.treatments {
            treatment.cost_per_ha = 0.0;
            treatment.season_cost_per_ha = BTreeMap::new();
        }
        for crop in work.crops.values_mut() {
            crop.price_per_kg = None;
            crop.drying_per_kg_point = 0.0;
            crop.hauling_per_kg = 0.0;
            crop.seasons = BTreeMap::new();
        }
        let mut crops = BTreeMap::new();
        for (key, crop) in &work.crops {
            crops.insert(key.clone(), (serde_json::to_string(crop)?, serde_json::to_string(&telling.crops[key])?));
        }
        // what reading may cost decides whether there is a result, and never which
        let text = |settings: &ArchiveSettings| {
            let but = ArchiveSettings { crops: BTreeMap::new(), read: ReadSettings::default(), ..settings.clone() };
            serde_json::to_string(&but)
        };
        let (work_text, telling_text) = (text(&work)?, text(&telling)?);
        Ok(Self { work, telling, work_text, telling_text, crops })
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
    /// # Errors
    /// Settings that cannot be written as JSON.
    pub(super) fn of(
        inputs: &SeenFiles,
        field: &FieldSettings,
        archive: &Meaning,
        folder: &str,
    ) -> serde_json::Result<Self> {
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
        add(&mut hasher, &archive.work_text);
        add(&mut hasher, crop.map_or("", |crop| &crop.0));
        add(&mut hasher, &serde_json::to_string(field)?);
        for (name, seen) in inputs {
            add(&mut hasher, name);
            add(&mut hasher, &seen.hash);
        }
        let work = hasher.finalize().to_hex().to_string();
        add(&mut hasher, &archive.telling_text);
        add(&mut hasher, crop.map_or("", |crop| &crop.1));
        Ok(Self { work, whole: hasher.finalize().to_hex().to_string() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ARCHIVE: &str =
        "name = \"Hollow\"\n[crops.corn]\nprice = \"4.20 USD/bu\"\n[treatments.check]\ncheck = true\n";
    const FIELD: &str = "farm = \"a\"\nfield = \"b\"\nseason = 2023\ncrop = \"corn\"\n[[harvest]]\npath = \"a.csv\"\n\
         swath = \"30 ft\"\ncrs = \"EPSG:4326\"\n[harvest.columns]\nlongitude = \"x\"\nlatitude = \"y\"\n\
         dry_yield = { column = \"dry\", unit = \"t/ha\" }\n";

    fn print(archive: &str, field: &str) -> Fingerprint {
        let archive = ArchiveSettings::parse("archive.toml", archive).unwrap();
        let field = FieldSettings::parse("field.toml", field, &archive).unwrap();
        Fingerprint::of(&SeenFiles::new(), &field, &Meaning::of(&archive).unwrap(), "fields/b").unwrap()
    }

    #[test]
    fn a_unit_and_a_width_as_typed_are_part_of_what_a_site_year_depends_on() {
        let before = print(ARCHIVE, FIELD);
        for (from, to) in [("t/ha", "kg/ha"), ("t/ha", "bu/ac"), ("dry_yield", "wet_yield"), ("30 ft", "360 in")] {
            assert_ne!(print(ARCHIVE, &FIELD.replace(from, to)).work, before.work, "{to}");
        }
    }

    #[test]
    fn a_price_changes_what_is_reported_and_nothing_of_what_the_stages_are_handed() {
        let before = print(ARCHIVE, FIELD);
        let dearer = print(&ARCHIVE.replace("4.20", "5.10"), FIELD);
        assert_eq!(dearer.work, before.work);
        assert_ne!(dearer.whole, before.whole);
        let laid_out =
            print(&format!("{ARCHIVE}[target]\nplanter = \"30 ft\"\n[read]\nmost_unpacked = \"2 GB\"\n"), FIELD);
        assert_eq!(laid_out.whole, before.whole);
    }
}
