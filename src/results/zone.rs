//! One response over site-years: treatment × soil class × wetness class.

use serde::{Deserialize, Serialize};

use super::response::{Estimate, LEAST_FOR_DECISION, Returns};
use crate::points::Cautions;

/// The synthesis of one zone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZoneResponse {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// Rank of the soil class, dry to wet; `None` over all soils.
    pub class: Option<usize>,
    /// The soil class as it is printed, or `all`.
    pub class_name: String,
    /// The wetness class as it is printed, or `all`.
    pub wetness_class: String,
    /// Mean departure of its site-years, mm.
    pub wetness_mm: Option<f64>,
    /// Site-years with an estimate.
    pub site_years: usize,
    /// Those with a response above 0.
    pub gained: usize,
    /// Those with a response above the break-even response.
    pub paid: usize,
    /// Blocks, strips, segments and area (m²) behind it.
    pub blocks: usize,
    /// Treated strips.
    pub strips: usize,
    /// Treated segments.
    pub segments: usize,
    /// Area of the treated segments, m².
    pub area_m2: f64,
    /// Mean yields, kg/ha.
    pub check_yield: Option<f64>,
    /// Mean of the treated.
    pub treated_yield: Option<f64>,
    /// The mean response over site-years.
    pub estimate: Estimate,
    /// Standard deviation between site-years, kg/ha.
    pub tau: Option<f64>,
    /// Interval for a new site-year, kg/ha.
    pub prediction: Option<(f64, f64)>,
    /// The response of a new site-year as a t distribution about the mean: scale (kg/ha) and degrees of freedom.
    pub predictive: Option<(f64, f64)>,
    /// What it is worth.
    pub returns: Returns,
    /// Probability that a new site-year pays.
    pub probability_new_site_pays: Option<f64>,
    /// The response drawn towards that of the neighbouring classes, kg/ha.
    pub shrunken_response: Option<f64>,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

impl ZoneResponse {
    /// Whether the zone rests on enough blocks to say what its response would pay.
    pub fn decision_allowed(&self) -> bool {
        self.blocks >= LEAST_FOR_DECISION && self.estimate.mean.is_some()
    }
}
