//! The treatments of a crop side by side.

use serde::Serialize;

use super::response::Estimate;

/// The treatments of one crop over all soils, and what doing nothing is beside them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Choices {
    /// Key of the crop.
    pub crop: String,
    /// Price of grain, money per kilogram; absent where none is set.
    pub price_per_kg: Option<f64>,
    /// The treatments in the order of the settings.
    pub treatments: Vec<Choice>,
    /// Probability that no treatment's mean response pays.
    pub probability_nothing_best: Option<f64>,
}

/// One treatment over all soils. Yields in kg/ha, money per hectare.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Choice {
    /// Key of the treatment.
    pub treatment: String,
    /// Site-years behind it.
    pub site_years: usize,
    /// Their seasons.
    pub seasons: usize,
    /// The mean response over site-years.
    pub estimate: Estimate,
    /// What it is worth; only where the mean is pooled over site-years and rests on enough blocks.
    pub worth: Option<ChoiceWorth>,
}

/// What a treatment is worth beside the others.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChoiceWorth {
    /// Response that pays.
    pub break_even: f64,
    /// Expected net return.
    pub net_return: f64,
    /// Interval of the net return.
    pub net_interval: (f64, f64),
    /// Cost of the treatment.
    pub cost_per_ha: f64,
    /// Money that drying wetter grain costs besides, at the yields so far.
    pub drying_per_ha: f64,
    /// What a kilogram of response is worth, after hauling and drying.
    pub worth_per_kg: f64,
    /// Probability that the mean response pays.
    pub probability_pays: f64,
    /// Probability that the response of a new field in a new year pays.
    pub probability_new_site_pays: Option<f64>,
    /// Site-years whose own estimate paid.
    pub paid: usize,
    /// Interval of their share.
    pub paid_share: (f64, f64),
    /// Probability that no other choice, nothing included, returns more on average.
    pub probability_best: f64,
    /// Values of the mean response that its distribution falls short of with evenly spaced probabilities: the i-th of n with i / (n + 1).
    #[serde(skip)]
    pub mean_at: Vec<f64>,
    /// The same of a new field in a new year.
    #[serde(skip)]
    pub new_site_at: Vec<f64>,
    /// Draws of the mean response; the same place in the treatments of a crop is one draw of all of them.
    #[serde(skip)]
    pub draws: Vec<f64>,
}
