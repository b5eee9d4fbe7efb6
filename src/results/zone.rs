//! One response over site-years: treatment × soil class × wetness class.

use serde::{Deserialize, Serialize};

use super::response::{Estimate, LEAST_FOR_DECISION, Moistures, Returns};
use crate::points::Cautions;
use crate::stats::distribution::Mixture;

/// Fewest site-years for a pooled interval: two have one degree of freedom for the variance between them.
pub const LEAST_POOLED: usize = 3;

/// How the mean of a zone was found.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Estimator {
    /// No site-year has an estimate.
    #[default]
    None,
    /// One site-year: its own estimate; nothing is known of others.
    SingleSiteYear,
    /// Two site-years: their mean without an interval.
    Pair,
    /// The same model of the means of block differences.
    OneStage,
    /// A model of the site-years' own estimates.
    TwoStage,
}

impl Estimator {
    /// The word in the tables.
    pub const fn code(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::SingleSiteYear => "single-site-year",
            Self::Pair => "pair",
            Self::OneStage => "one-stage",
            Self::TwoStage => "two-stage",
        }
    }

    /// Whether the mean was pooled over several site-years with an interval.
    pub const fn is_pooled(self) -> bool {
        matches!(self, Self::OneStage | Self::TwoStage)
    }
}

/// A response drawn towards those of its neighbours in the order of the classes.
#[derive(Debug, Clone, PartialEq)]
pub struct ShrunkenZone {
    /// Its mean, kg/ha.
    pub mean: f64,
    /// Lower end of its interval, kg/ha.
    pub low: f64,
    /// Upper end of its interval, kg/ha.
    pub high: f64,
    /// Its distribution, kg/ha.
    pub distribution: Mixture,
}

/// The answer under another scale of the priors of the spread between seasons, fields and site-years.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PriorCheck {
    /// Multiple of the scales.
    pub factor: f64,
    /// The mean response.
    pub estimate: Estimate,
    /// Interval for a new site-year, kg/ha.
    pub prediction: (f64, f64),
    /// The response of a new site-year, kg/ha.
    #[serde(skip)]
    pub predictive: Mixture,
    /// Probability that the mean response pays.
    pub probability_pays: Option<f64>,
    /// Probability that a new site-year pays.
    pub probability_new_site_pays: Option<f64>,
}

/// The synthesis of one zone.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ZoneResponse {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// Rank of the soil class, dry to wet; `None` over all soils.
    pub class: Option<usize>,
    /// The soil class as it is printed, or `all`.
    pub class_name: String,
    /// Rank of the wetness class, dry to wet; `None` over all of them.
    pub wetness: Option<usize>,
    /// The wetness class as it is printed, or `all`.
    pub wetness_class: String,
    /// Mean departure of its site-years, mm.
    pub wetness_mm: Option<f64>,
    /// How the mean was found.
    pub estimator: Estimator,
    /// Site-years behind the mean.
    pub site_years: usize,
    /// Seasons behind the mean.
    pub seasons: usize,
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
    /// Mean moistures of the grain.
    pub moistures: Option<Moistures>,
    /// The mean response over site-years.
    pub estimate: Estimate,
    /// Standard deviation between site-years, kg/ha.
    pub tau: Option<f64>,
    /// Interval for a new site-year, kg/ha: a field without strips of its own in a season to come.
    pub prediction: Option<(f64, f64)>,
    /// The response of a new site-year, kg/ha; only from three site-years on.
    #[serde(skip)]
    pub predictive: Option<Mixture>,
    /// What it is worth.
    pub returns: Returns,
    /// Probability that a new site-year pays.
    pub probability_new_site_pays: Option<f64>,
    /// The answer under half and twice the scales of the priors, where few seasons leave much to them; else empty.
    pub prior_checks: Vec<PriorCheck>,
    /// The response drawn towards that of the neighbouring classes.
    #[serde(skip)]
    pub shrunken: Option<ShrunkenZone>,
    /// The mean response drawn towards those of the other treatments of the crop, where three or more were tested: what is said of
    /// paying rests on it, since the best-looking of several owes part of its lead to luck.
    #[serde(skip)]
    pub among_treatments: Option<Estimate>,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

impl ZoneResponse {
    /// The mean response that decisions rest on.
    pub fn judged(&self) -> &Estimate {
        self.among_treatments.as_ref().unwrap_or(&self.estimate)
    }

    /// What the other treatments move the mean response by, kg/ha.
    pub fn drawn_by(&self) -> f64 {
        self.judged().mean.zip(self.estimate.mean).map_or(0.0, |(judged, own)| judged - own)
    }

    /// Whether a statement on the mean response also holds under twice the scale of the priors, where these are tried.
    pub fn holds_under_twice(&self, statement: impl Fn(&Estimate) -> bool) -> bool {
        self.prior_checks.iter().filter(|check| check.factor > 1.0).all(|check| statement(&check.estimate))
    }

    /// Whether the zone rests on enough blocks to say what its response would pay.
    pub fn decision_allowed(&self) -> bool {
        self.blocks >= LEAST_FOR_DECISION && self.estimate.mean.is_some()
    }
}
