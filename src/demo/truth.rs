//! What is true of the invented archive, to be laid beside the estimates.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::error::{DemoError, write_file};
use super::faults::InjectedFault;

/// The word that stands for all classes together.
pub const ALL_CLASSES: &str = "all";

/// The truth of a whole archive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// The seed it was made with.
    pub seed: u64,
    /// Its site-years, by season, farm and field.
    pub site_years: Vec<SiteYearTruth>,
}

/// The truth of one site-year.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteYearTruth {
    /// Season.
    pub season: i32,
    /// Farm.
    pub farm: String,
    /// Field.
    pub field: String,
    /// Crop.
    pub crop: String,
    /// Precipitation departure at the middle of the field, mm.
    pub wetness_mm: f64,
    /// Blocks of the trial.
    pub blocks: usize,
    /// Whether the order was drawn.
    pub randomised: bool,
    /// Whether machine and treatment cannot be told apart.
    pub machine_aliased: bool,
    /// By treatment and drainage class, and over all classes.
    pub responses: Vec<TrueResponse>,
    /// By machine.
    pub machines: Vec<TrueMachine>,
    /// Records written.
    pub records: usize,
    /// Records spoilt on purpose.
    pub faults: BTreeMap<InjectedFault, usize>,
    /// Wet grain cut, kg.
    pub cut_wet_kg: f64,
    /// Area cut, m².
    pub cut_m2: f64,
}

/// The true response of one treatment on one class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueResponse {
    /// Key of the treatment.
    pub treatment: String,
    /// Drainage class, or [`ALL_CLASSES`].
    pub drainage_class: String,
    /// Area of the treatment's strips there, m².
    pub area_m2: f64,
    /// Treated minus untreated on the same ground, kg/ha.
    pub response_kg_ha: f64,
    /// Mean dry yield of those strips, kg/ha.
    pub yield_kg_ha: f64,
}

/// The truth of one machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueMachine {
    /// Its name.
    pub machine: String,
    /// Transport delay, s.
    pub delay_s: f64,
    /// Mixing, s.
    pub mixing_s: f64,
    /// Delay plus mixing: what an estimate should come near to in smooth fields, s.
    pub lag_s: f64,
    /// The same for moisture, s.
    pub moisture_lag_s: f64,
    /// Measured by true flow.
    pub gain: f64,
}

impl Truth {
    /// The truth of one site-year.
    pub fn site_year(&self, season: i32, farm: &str, field: &str) -> Option<&SiteYearTruth> {
        self.site_years.iter().find(|one| one.season == season && one.farm == farm && one.field == field)
    }

    /// The true response, kg/ha, of a treatment in a site-year on a drainage class, or over all its strips with class `all`;
    /// `None` where that treatment does not stand on that class.
    pub fn response(&self, season: i32, farm: &str, field: &str, treatment: &str, class: &str) -> Option<f64> {
        self.site_year(season, farm, field)?.response(treatment, class).map(|found| found.response_kg_ha)
    }

    /// Writes the truth as JSON.
    ///
    /// # Errors
    /// [`DemoError`].
    pub fn save(&self, path: &Path) -> Result<(), DemoError> {
        let mut text = serde_json::to_string_pretty(self).map_err(|fault| DemoError::format(path, fault))?;
        text.push('\n');
        write_file(path, text.as_bytes())
    }

    /// Reads what [`Self::save`] wrote.
    ///
    /// # Errors
    /// [`DemoError`].
    #[cfg(test)]
    pub(crate) fn load(path: &Path) -> Result<Self, DemoError> {
        let text =
            std::fs::read_to_string(path).map_err(|source| DemoError::Io { path: path.to_path_buf(), source })?;
        serde_json::from_str(&text).map_err(|fault| DemoError::format(path, fault))
    }
}

impl SiteYearTruth {
    /// The truth of a treatment on a class, or over all its strips with class `all`.
    pub fn response(&self, treatment: &str, class: &str) -> Option<&TrueResponse> {
        self.responses.iter().find(|one| one.treatment == treatment && one.drainage_class == class)
    }
}
