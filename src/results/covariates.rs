//! What other layers of the ground tell: their spread, and the response along them.

use serde::{Deserialize, Serialize};

use super::response::Estimate;
use crate::points::{Cautions, CovariateKind};

/// A covariate of one site-year.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CovariateAnswer {
    /// What it is called.
    pub name: String,
    /// What its values are.
    pub kind: CovariateKind,
    /// Unit of the numbers, as typed; empty where there is none.
    pub unit: String,
    /// How it was joined, in words.
    pub joined_by: String,
    /// Share of the segments' area with a value.
    pub known_share: f64,
    /// Mean of the numbers over the segments, by area.
    pub mean: Option<f64>,
    /// Their standard deviation.
    pub std_dev: Option<f64>,
    /// Classes with their shares of the segments' area.
    pub classes: Vec<(String, f64)>,
    /// What holds for the whole field: the number as text, or the class.
    pub field_value: Option<String>,
    /// The response along it, where that was asked.
    pub interactions: Vec<Interaction>,
}

impl CovariateAnswer {
    /// The number that holds for the whole field.
    pub fn field_number(&self) -> Option<f64> {
        self.field_value.as_ref().filter(|_| self.kind == CovariateKind::Number)?.parse().ok()
    }
}

/// The response to one treatment along a covariate: its slope, or what it is on one class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Interaction {
    /// Key of the treatment.
    pub treatment: String,
    /// The class; `None` for a slope.
    pub class: Option<String>,
    /// Blocks in which both sides have the class, or a value.
    pub blocks: usize,
    /// Treated segments there.
    pub segments: usize,
    /// The response on the class, kg/ha; empty for a slope.
    pub response: Estimate,
    /// The slope, kg/ha per unit of the covariate; or the response on the class less that on the other classes, kg/ha.
    pub change: Estimate,
    /// p of the change after Holm's correction for all interactions that the site-year was asked.
    pub p_holm: Option<f64>,
    /// How many they are.
    pub asked: usize,
    /// Why it cannot be estimated.
    pub why: Option<String>,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

/// The response along a covariate over site-years.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PooledInteraction {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// The covariate.
    pub covariate: String,
    /// What its values are.
    pub kind: CovariateKind,
    /// Unit of the numbers.
    pub unit: String,
    /// What is reported.
    pub term: Term,
    /// The class, where it is one of a class.
    pub class: Option<String>,
    /// Site-years that tell of it.
    pub site_years: usize,
    /// Their seasons.
    pub seasons: usize,
    /// kg/ha per unit of the covariate (and, with wetness, per mm); kg/ha for a class.
    pub change: Estimate,
    /// Standard deviation of the covariate on the ground, or over the site-years; `None` for a class.
    pub std_dev: Option<f64>,
    /// Standard deviation of the change between site-years, in its unit.
    pub tau: Option<f64>,
    /// p after Holm's correction for all that was asked over site-years.
    pub p_holm: Option<f64>,
    /// How many they are.
    pub asked: usize,
    /// Why it cannot be estimated.
    pub why: Option<String>,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

/// What is reported of a covariate over site-years.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Term {
    /// The mean slope within fields.
    Slope,
    /// The mean of a class less the other classes, within fields.
    Class,
    /// The change of the slope with the wetness of the season.
    SlopeByWetness,
    /// The change of the response between site-years with a number of the whole field.
    BetweenFields,
    /// The response of site-years with a class less that of the others.
    BetweenClasses,
}

impl Term {
    /// As tables spell it.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Slope => "slope",
            Self::Class => "class",
            Self::SlopeByWetness => "slope-by-wetness",
            Self::BetweenFields => "between-fields",
            Self::BetweenClasses => "between-classes",
        }
    }
}
