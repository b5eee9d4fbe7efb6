//! What treating a zone is worth at one price and cost.

use serde::Serialize;

/// A row of the table price × cost. Money per hectare, yields in kg/ha.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Worth {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// Rank of the soil class, dry to wet; `None` over all soils.
    pub class: Option<usize>,
    /// The soil class as it is printed, or `all`.
    pub class_name: String,
    /// Whether price and cost are those of the settings.
    pub is_configured: bool,
    /// Price of grain, money per kilogram.
    pub price_per_kg: f64,
    /// Cost of the treatment.
    pub cost_per_ha: f64,
    /// Response that pays.
    pub break_even: f64,
    /// Price at which the mean response just pays, money per kilogram; absent where it is not above 0.
    pub break_even_price_per_kg: Option<f64>,
    /// Expected net return.
    pub net_return: f64,
    /// Probability that the mean response over site-years pays.
    pub probability_pays: Option<f64>,
    /// Probability that a new site-year pays.
    pub probability_new_site_pays: Option<f64>,
    /// Expected loss of treating where the mean response does not pay.
    pub loss_of_treating: Option<f64>,
    /// Expected loss of leaving the treatment out where the mean response pays.
    pub loss_of_leaving: Option<f64>,
    /// Expected loss of treating a new site-year, counting a gain as nothing.
    pub loss_of_treating_new_site: Option<f64>,
    /// What the decision gains on average from another year of strips.
    pub value_of_another_year: Option<f64>,
}
