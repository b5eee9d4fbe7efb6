//! What a site-year tells beside its responses: treatments against each other, the trend over drainage, untreated pairs.

use serde::{Deserialize, Serialize};

use super::response::Estimate;
use crate::points::Cautions;

/// One treatment against another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TreatmentContrast {
    /// Key of the treatment.
    pub treatment: String,
    /// Key of the treatment it is compared with.
    pub against: String,
    /// Rank of the class, dry to wet; `None` for the whole field.
    pub class: Option<usize>,
    /// The class as it is printed, or `all`.
    pub class_name: String,
    /// Blocks in which both stand.
    pub blocks: usize,
    /// The first minus the second, kg/ha.
    pub estimate: Estimate,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

/// How a response changes from one soil class to the next wetter one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DrainageTrend {
    /// Key of the treatment.
    pub treatment: String,
    /// The classes that tell of it, dry to wet, as they are printed.
    pub classes: Vec<String>,
    /// Blocks in which the treatment and the check stand.
    pub blocks: usize,
    /// Change of the response for one class, kg/ha.
    pub estimate: Estimate,
}

/// The difference of a single block beside the same difference between untreated passes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Placebo {
    /// Key of the treatment.
    pub treatment: String,
    /// Treated minus check passes, kg/ha.
    pub observed: f64,
    /// Positions across the field at which passes of one treatment lie as the treated and the check do.
    pub positions: usize,
    /// Those whose difference is at least as large, whatever its sign.
    pub as_large: usize,
    /// Median size of the difference there, kg/ha.
    pub usual: f64,
}

/// What a site-year tells beside its responses.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Supplement {
    /// Treatments against each other, by class and over the whole field.
    pub contrasts: Vec<TreatmentContrast>,
    /// By treatment, where two classes or more have a response of their own.
    pub trends: Vec<DrainageTrend>,
    /// By treatment, where one block is all there is.
    pub placebos: Vec<Placebo>,
}
