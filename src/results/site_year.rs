//! Everything that is kept of one site-year.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::covariates::CovariateAnswer;
use super::observed::ObservedDifference;
use super::response::{BlockDifference, LocalPiece, LocalResponse, Response};
use super::supplement::Supplement;
use crate::points::{Cautions, CleaningFacts, Design, Mark};

/// What makes a site-year unique, with its crop.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct SiteYearIdentity {
    /// The year of harvest.
    pub season: i32,
    /// The farm's name, as typed.
    pub farm: String,
    /// The field's name, as typed.
    pub field: String,
    /// Key of the crop.
    pub crop: String,
}

/// Records of a site-year.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Counts {
    /// Records read.
    pub read: usize,
    /// Records kept.
    pub kept: usize,
    /// Records removed, by mark.
    pub removed: BTreeMap<Mark, usize>,
    /// Wet mass of all records, kg (after the ticket gain, if any).
    pub wet_mass_kg: f64,
    /// Area cut by the kept records, m².
    pub kept_area_m2: f64,
    /// Of it, what was cut on strips, m².
    pub strips_m2: f64,
    /// Of that, what passes that straddle two strips cut, away from the strips' ends, m².
    pub straddling_m2: f64,
    /// The usual width of the strips, m; absent where the strips' ground is not known.
    pub strip_width_m: Option<f64>,
    /// Yield of the field: mass by area of the kept records, kg/ha at market moisture.
    pub mean_yield_kg_ha: Option<f64>,
}

/// Records removed on the strips of one treatment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RemovalByTreatment {
    /// Key of the treatment.
    pub treatment: String,
    /// Records on its strips.
    pub records: usize,
    /// Those removed.
    pub removed: usize,
}

/// What the segment model found of the field.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct FieldModel {
    /// Range of the correlation along the strips, m.
    pub range_along_m: f64,
    /// Range across them, m.
    pub range_across_m: f64,
    /// Standard deviation of the correlated part of the field, kg/ha.
    pub field_sd: f64,
    /// Standard deviation of the uncorrelated part, between segments of usual size, kg/ha.
    pub nugget_sd: f64,
    /// Standard deviation between strips besides the field, kg/ha.
    pub strip_sd: f64,
    /// Covariances that were tried.
    pub evaluations: usize,
}

/// The answer again under one variant of the analysis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensitivityRow {
    /// What was varied.
    pub variant: String,
    /// Key of the treatment.
    pub treatment: String,
    /// The class as it is printed, or `all`.
    pub class_name: String,
    /// The response, kg/ha.
    pub response: Option<f64>,
    /// Its standard error.
    pub std_error: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// Two-sided p value.
    pub p_value: Option<f64>,
}

impl SensitivityRow {
    /// Whether its interval holds 0; `None` without one.
    pub fn holds_zero(&self) -> Option<bool> {
        self.low.zip(self.high).map(|(low, high)| low <= 0.0 && high >= 0.0)
    }
}

/// In how many variants of the analysis a response has another sign.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SignChanges {
    /// Key of the treatment.
    pub treatment: String,
    /// The class as it is printed, or `all`.
    pub class_name: String,
    /// Variants with another sign.
    pub changed: usize,
    /// Variants that give a response.
    pub variants: usize,
    /// Variants that give an interval.
    pub intervals: usize,
    /// Variants whose interval holds 0.
    pub hold_zero: usize,
}

/// The result of one site-year: what the synthesis and the reports read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SiteYear {
    /// Who it is.
    pub identity: SiteYearIdentity,
    /// Folder below `site_years`, with `/`.
    pub folder: String,
    /// Middle of the records, degrees: longitude, latitude.
    pub place_deg: (f64, f64),
    /// The day of its last record, `2023-10-14`; absent where no time was recorded.
    pub last_day: Option<String>,
    /// EPSG code of its UTM zone.
    pub epsg: u32,
    /// Precipitation departure from normal, mm.
    pub wetness_mm: Option<f64>,
    /// Its class.
    pub wetness_class: Option<String>,
    /// Records.
    pub counts: Counts,
    /// Removal on the strips, by treatment.
    pub removal_by_treatment: Vec<RemovalByTreatment>,
    /// What cleaning learnt.
    pub cleaning: CleaningFacts,
    /// The layout; absent for a field that is only mapped.
    pub design: Option<Design>,
    /// Area of the field's strips by class, m², dry to wet; of the kept records where there are no strips.
    pub class_area_m2: Vec<f64>,
    /// Zone of each soil polygon near the field, in the order in which they were read.
    pub soil_zone: Vec<Option<usize>>,
    /// Treatment × class, then the whole field, by treatment.
    pub responses: Vec<Response>,
    /// Differences by block.
    pub differences: Vec<BlockDifference>,
    /// Variance components by name, (kg/ha)².
    pub variance: BTreeMap<String, f64>,
    /// The field as the segment model sees it; absent where it could not be fitted.
    pub field_model: Option<FieldModel>,
    /// Treatments against each other, the trend over drainage, untreated pairs.
    pub supplement: Supplement,
    /// The responses piece by piece along the strips, by treatment.
    pub local: Vec<LocalResponse>,
    /// The answer again under each variant.
    pub sensitivity: Vec<SensitivityRow>,
    /// What was seen in the field, by measure and treatment: over the whole field, then by class.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub observed: Vec<ObservedDifference>,
    /// Other layers of the ground, and the response along them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub covariates: Vec<CovariateAnswer>,
    /// Reasons to doubt the site-year as a whole.
    pub cautions: Cautions,
}

/// What stands for the whole field in the place of a class.
const ALL: &str = "all";

impl SiteYear {
    /// The reasons to doubt the site-year, and those to doubt each response.
    pub fn all_cautions(&self) -> Cautions {
        let mut all = self.cautions.clone();
        for response in &self.responses {
            all.extend(&response.cautions);
        }
        all
    }

    /// The probability that a treatment paid on one piece; `None` where nothing may be said of what it paid over the whole field.
    pub fn local_probability_pays(&self, local: &LocalResponse, piece: &LocalPiece) -> Option<f64> {
        let whole =
            self.responses.iter().find(|one| one.key.class.is_none() && one.key.treatment == local.treatment)?;
        piece.probability_above(whole.returns.break_even?)
    }

    /// The reasons to doubt the site-year, and those to doubt the responses over its whole field.
    pub fn doubts_of_the_answer(&self) -> Cautions {
        let mut all = self.cautions.clone();
        for response in self.responses.iter().filter(|response| response.key.class.is_none()) {
            all.extend(&response.cautions);
        }
        all
    }

    /// The site-year without what only its own page shows (variants of the analysis by class, contrasts, responses piece by piece, removal by treatment), so
    /// that an archive of many fits into memory.
    #[must_use]
    pub fn for_archive(mut self) -> Self {
        self.sensitivity.retain(|row| row.class_name == ALL);
        self.sensitivity.shrink_to_fit();
        self.supplement = Supplement::default();
        self.local = Vec::new();
        self.removal_by_treatment = Vec::new();
        self.observed.retain(|one| one.class.is_none());
        self
    }

    /// The response that a row of the sensitivity is to be held against.
    pub fn primary(&self, row: &SensitivityRow) -> Option<f64> {
        self.responses
            .iter()
            .find(|one| one.key.treatment == row.treatment && one.class_name == row.class_name)
            .and_then(|one| one.estimate.mean)
    }

    /// Whether a variant gives the response another sign; `None` where one of the two has none.
    pub fn sign_changed(&self, row: &SensitivityRow) -> Option<bool> {
        Some(self.primary(row)? * row.response? < 0.0)
    }

    /// Changes of sign over all variants, for each response that some variant gives too.
    pub fn sign_changes(&self) -> Vec<SignChanges> {
        self.responses
            .iter()
            .map(|response| {
                let rows = self
                    .sensitivity
                    .iter()
                    .filter(|row| row.treatment == response.key.treatment && row.class_name == response.class_name);
                let rows: Vec<&SensitivityRow> = rows.collect();
                let compared: Vec<bool> = rows.iter().filter_map(|row| self.sign_changed(row)).collect();
                let holding: Vec<bool> = rows.iter().filter_map(|row| row.holds_zero()).collect();
                SignChanges {
                    treatment: response.key.treatment.clone(),
                    class_name: response.class_name.clone(),
                    changed: compared.iter().filter(|changed| **changed).count(),
                    variants: compared.len(),
                    intervals: holding.len(),
                    hold_zero: holding.iter().filter(|holds| **holds).count(),
                }
            })
            .filter(|changes| changes.variants > 0)
            .collect()
    }
}
