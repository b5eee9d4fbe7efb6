//! The response over rates of one product.

use serde::Serialize;

use crate::quantity::RateUnit;

/// A form of the response over rates.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum DoseForm {
    /// A straight line.
    Linear,
    /// A parabola.
    Quadratic,
    /// A parabola up to its top, level beyond it.
    QuadraticPlateau,
}

impl DoseForm {
    /// The word in the tables.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Linear => "linear",
            Self::Quadratic => "quadratic",
            Self::QuadraticPlateau => "quadratic-plateau",
        }
    }
}

/// A rate that was tested. Yields in kg/ha, money per hectare.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TestedRate {
    /// Key of its treatment.
    pub treatment: String,
    /// The rate, in the unit in which rates of its kind are kept.
    pub rate_per_ha: f64,
    /// The mean response over site-years with its interval.
    pub found: (f64, f64, f64),
    /// The response on the curve with its interval.
    pub fitted: (f64, f64, f64),
    /// Net return of the response on the curve.
    pub net_return: f64,
    /// Probability that no other tested rate, nothing included, returns more on average.
    pub probability_best: f64,
    /// Whether it is of the range of the most profitable rates.
    pub in_range: bool,
}

/// The response over the rates of one group of treatments; the check stands at 0.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DoseCurve {
    /// Key of the crop.
    pub crop: String,
    /// The unit in which the first of the rates was typed.
    pub unit: RateUnit,
    /// The rates, rising.
    pub rates: Vec<TestedRate>,
    /// Probability that nothing at all is the most profitable.
    pub probability_nothing_best: f64,
    /// Whether nothing at all is of the range of the most profitable rates.
    pub nothing_in_range: bool,
    /// The forms with their weights, which sum to 1.
    pub forms: Vec<(DoseForm, f64)>,
    /// Rate, response and its interval along the curve, up to the largest tested rate.
    pub curve: Vec<(f64, f64, f64, f64)>,
    /// Draws of the responses at the rates.
    #[serde(skip)]
    pub draws: Vec<Vec<f64>>,
}
