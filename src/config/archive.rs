//! `archive.toml`: the settings of a whole archive.

use std::collections::BTreeMap;

use serde::Serialize;

use super::section::{Document, Section};
use super::{
    CleanSettings, CovariateSettings, CropSettings, Faults, ModelSettings, ReadSettings, SoilSettings, TargetSettings,
    Treatment, WetnessSettings,
};
use crate::quantity::factor::{HA_PER_AC, M2_PER_AC, M2_PER_HA};
use crate::quantity::{BushelWeight, YieldUnit};

/// The units of the reports; everything inside is SI.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum ReportUnits {
    /// bu/ac, ac, in, ft, mph.
    Us,
    /// t/ha, ha, mm, m, km/h.
    Metric,
}

impl ReportUnits {
    /// The unit of yield.
    pub fn yield_unit(self) -> YieldUnit {
        match self {
            Self::Us => YieldUnit::BushelsPerAcre,
            Self::Metric => YieldUnit::TONNES_PER_HECTARE,
        }
    }

    /// Kilograms per hectare in one unit of yield.
    pub fn kg_per_ha(self, bushel: BushelWeight) -> f64 {
        self.yield_unit().kg_per_ha(bushel)
    }

    /// The unit of area.
    pub fn area_symbol(self) -> &'static str {
        match self {
            Self::Us => "ac",
            Self::Metric => "ha",
        }
    }

    /// Square metres in one unit of area.
    pub fn area_m2(self) -> f64 {
        match self {
            Self::Us => M2_PER_AC,
            Self::Metric => M2_PER_HA,
        }
    }

    /// Hectares in one unit of area.
    pub fn area_ha(self) -> f64 {
        match self {
            Self::Us => HA_PER_AC,
            Self::Metric => 1.0,
        }
    }
}

/// The resolved settings of an archive.
#[derive(Debug, Clone, Serialize)]
pub struct ArchiveSettings {
    /// The archive's name.
    pub name: String,
    /// Units of the reports.
    pub report_units: ReportUnits,
    /// The soil map and its classes.
    pub soil: SoilSettings,
    /// The precipitation departure, where it is configured.
    pub wetness: Option<WetnessSettings>,
    /// By crop key.
    pub crops: BTreeMap<String, CropSettings>,
    /// In the order of the file; empty when fields are only mapped.
    pub treatments: Vec<Treatment>,
    /// ISO 4217 code of all money in the archive.
    pub currency: Option<String>,
    /// Limits of the cleaning stage.
    pub clean: CleanSettings,
    /// Settings of the response model.
    pub model: ModelSettings,
    /// Settings of next season's plan.
    pub target: TargetSettings,
    /// Limits of reading.
    pub read: ReadSettings,
    /// Other layers of the ground, for all fields.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub covariates: Vec<CovariateSettings>,
    /// Answers that settings files ask for by `"?name"`; what they say shows in the settings that ask.
    #[serde(skip)]
    pub answers: BTreeMap<String, String>,
}

impl ArchiveSettings {
    /// Reads `archive.toml`.
    ///
    /// # Errors
    /// Every fault of the file, with line and column; `file` is how the file is named in them.
    pub fn parse(file: &str, text: &str) -> Result<Self, Faults> {
        let document = Document::parse(file, text);
        let answers = answers(&document.root());
        let document = document.with_answers(&answers);
        let settings = read(&document.root()).map(|settings| Self { answers, ..settings });
        document.finish(settings)
    }

    /// The treatment with this key.
    pub fn treatment(&self, key: &str) -> Option<&Treatment> {
        self.treatments.iter().find(|treatment| treatment.key == key)
    }

    /// The label of a treatment; its key where the settings do not know it.
    pub fn label<'a>(&'a self, key: &'a str) -> &'a str {
        self.treatment(key).map_or(key, |treatment| treatment.label.as_str())
    }

    /// The check, where there are treatments.
    pub fn check(&self) -> Option<&Treatment> {
        self.treatments.iter().find(|treatment| treatment.check)
    }
}

/// `[answers]`: one text a question.
pub(super) fn answers(root: &Section<'_, '_>) -> BTreeMap<String, String> {
    let Some(section) = root.section("answers") else { return BTreeMap::new() };
    let keys = section.keys();
    keys.into_iter().filter_map(|key| section.text(&key).map(|answer| (key, answer))).collect()
}

pub(super) fn read(root: &Section<'_, '_>) -> Option<ArchiveSettings> {
    // its open questions were reported where it was read
    let _ = root.has("answers") && root.section("answers").is_some();
    let name = root.required("name", root.text("name"), "a name for the archive, in quotes");
    let report_units = root
        .parsed("report_units", |text| match text {
            "us" => Ok(ReportUnits::Us),
            "metric" => Ok(ReportUnits::Metric),
            other => Err(format!("expected `us` or `metric`, found `{other}`")),
        })
        .unwrap_or(ReportUnits::Us);
    let mut currency = None;
    let treatments = super::treatments::read(root, &mut currency);
    let crops = super::crops::read(root, &mut currency, !treatments.is_empty());
    let soil = super::soil::read(root);
    let wetness = super::wetness::read(root);
    let clean = super::clean::read(root);
    let model = super::model::read(root);
    let target = super::target::read(root, &mut currency);
    let read = super::read::read(root);
    let covariates = super::covariate::read(root, true);
    root.finish_known();
    Some(ArchiveSettings {
        name: name?,
        report_units,
        soil,
        wetness,
        crops,
        treatments,
        currency: currency.map(|currency| currency.to_string()),
        clean,
        model,
        target,
        read,
        covariates,
        answers: BTreeMap::new(),
    })
}
