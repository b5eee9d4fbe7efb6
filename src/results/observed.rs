//! What was seen in the field, treated against check.

use serde::{Deserialize, Serialize};

use super::response::Estimate;
use crate::points::{Cautions, Scale};

/// How many of the observations were made without knowing the treatment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Blind {
    /// All.
    Yes,
    /// Some.
    Partly,
    /// None.
    No,
    /// Nothing says so.
    Unknown,
}

impl Blind {
    /// The word in the table; empty where nothing is known.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::Partly => "partly",
            Self::No => "no",
            Self::Unknown => "",
        }
    }
}

/// One treatment against the check in one measure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ObservedDifference {
    /// What the measure is called.
    pub measure: String,
    /// Its scale.
    pub scale: Scale,
    /// Key of the treatment.
    pub treatment: String,
    /// Rank of the soil class, dry to wet; `None` for the whole field.
    pub class: Option<usize>,
    /// The class as it is printed, or `all`.
    pub class_name: String,
    /// Blocks in which both were looked at.
    pub blocks: usize,
    /// Their strips that were looked at.
    pub strips: usize,
    /// Spots in them.
    pub spots: usize,
    /// Plants, or counts, in them.
    pub plants: usize,
    /// The check: mean count, mean percent, or percent of plants in another than the first level.
    pub check: Option<f64>,
    /// The treated, likewise.
    pub treated: Option<f64>,
    /// The difference as it is modelled: logarithm of the ratio of counts, or of the odds ratio.
    pub estimate: Estimate,
    /// Ratio of counts, difference in percent points, or odds ratio of a worse level.
    pub difference: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval.
    pub high: Option<f64>,
    /// Who looked, sorted.
    pub observers: Vec<String>,
    /// Whether they did not know the treatment.
    pub blind: Blind,
    /// First and last day.
    pub days: Option<(String, String)>,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

impl ObservedDifference {
    /// The difference that says nothing: 0 points, or a ratio of 1.
    pub fn none(&self) -> f64 {
        if self.scale == Scale::Percent { 0.0 } else { 1.0 }
    }

    /// Whether its interval leaves out that there is none.
    pub fn is_shown(&self) -> bool {
        self.low.zip(self.high).is_some_and(|(low, high)| (low - self.none()) * (high - self.none()) > 0.0)
    }
}

/// Whether fields with more difference in a measure have more response: an association, which need not be a cause.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Association {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// What the measure is called.
    pub measure: String,
    /// Its scale.
    pub scale: Scale,
    /// Change of the response, kg/ha, for ten percent points, or for a doubling of the ratio.
    pub estimate: Estimate,
    /// Site-years that have both.
    pub site_years: usize,
    /// Their seasons.
    pub seasons: usize,
}
