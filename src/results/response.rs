//! One response: a treatment against the check, in one soil class or over the whole field.

use serde::{Deserialize, Serialize};

use crate::points::Cautions;
use crate::stats::distribution::StudentT;

/// Which response: the treatment and the soil class.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct ResponseKey {
    /// Key of the treatment.
    pub treatment: String,
    /// Rank of the class, dry to wet; `None` for the whole field.
    pub class: Option<usize>,
}

/// A mean with its uncertainty, kg/ha.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The mean.
    pub mean: Option<f64>,
    /// Its standard error.
    pub std_error: Option<f64>,
    /// Degrees of freedom of the standard error.
    pub df: Option<f64>,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
    /// Two-sided p value of no response.
    pub p_value: Option<f64>,
    /// Two-sided p value of the sign-flip test.
    pub p_randomization: Option<f64>,
    /// Probability that the response is positive.
    pub probability_positive: Option<f64>,
}

impl Estimate {
    /// A mean, and nothing of its uncertainty.
    pub fn of_mean(mean: f64) -> Self {
        Self { mean: Some(mean), ..Self::default() }
    }

    /// The same in another unit.
    #[must_use]
    pub fn scaled(&self, scale: impl Fn(f64) -> f64) -> Self {
        Self {
            mean: self.mean.map(&scale),
            std_error: self.std_error.map(&scale),
            low: self.low.map(&scale),
            high: self.high.map(&scale),
            ..*self
        }
    }

    /// A t distribution: mean, standard error and degrees of freedom, with the central interval that holds `confidence`.
    /// `None` for a standard error that is not above 0.
    pub fn of_t(mean: f64, std_error: f64, df: f64, confidence: f64) -> Option<Self> {
        let t = StudentT::new(df).ok()?;
        let reach = t.quantile(0.5 + 0.5 * confidence).ok()? * std_error;
        let known = mean.is_finite() && std_error > 0.0 && std_error.is_finite();
        known.then(|| Self {
            mean: Some(mean),
            std_error: Some(std_error),
            df: Some(df),
            low: Some(mean - reach),
            high: Some(mean + reach),
            p_value: Some(t.two_sided(mean / std_error)),
            p_randomization: None,
            probability_positive: Some(t.cdf(mean / std_error)),
        })
    }
}

/// A response drawn towards those of the other classes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shrunken {
    /// Its mean, kg/ha.
    pub mean: f64,
    /// Its standard deviation, kg/ha.
    pub std_error: f64,
}

/// Moistures of the grain of treated and check ground, percent, and the standard error of their difference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Moistures {
    /// On treated ground.
    pub treated_pct: f64,
    /// On the check.
    pub check_pct: f64,
    /// Of treated minus check; 0 where one block alone tells of it.
    pub std_error_pct: f64,
}

/// What the response is worth.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Returns {
    /// Response that pays the treatment, kg/ha.
    pub break_even: Option<f64>,
    /// Probability that the mean response exceeds the break-even response.
    pub probability_pays: Option<f64>,
    /// Expected net return, money per hectare.
    pub net_return: Option<f64>,
    /// What a kilogram of response is worth, after hauling and drying.
    pub worth_per_kg: Option<f64>,
    /// Interval of the net return, with what is not known of the moistures; money per hectare.
    pub net_interval: Option<(f64, f64)>,
}

impl Returns {
    /// Net return of a response in kg/ha, money per hectare.
    pub fn net_return_of(&self, response_kg_ha: f64) -> Option<f64> {
        Some(self.worth_per_kg? * (response_kg_ha - self.break_even?))
    }
}

/// The response of one site-year to one treatment, in one class or over the whole field.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// Which response.
    pub key: ResponseKey,
    /// The class as it is printed, or `all`.
    pub class_name: String,
    /// Blocks in which treatment and check were compared.
    pub blocks: usize,
    /// Treated strips that were compared.
    pub strips: usize,
    /// Treated segments that were compared.
    pub segments: usize,
    /// Their area, m².
    pub area_m2: f64,
    /// Mean yield of the check segments they were compared with, kg/ha.
    pub check_yield: Option<f64>,
    /// Mean yield of the treated segments, kg/ha.
    pub treated_yield: Option<f64>,
    /// Mean moisture of the check segments, percent.
    pub check_moisture_pct: Option<f64>,
    /// Mean moisture of the treated segments, percent.
    pub treated_moisture_pct: Option<f64>,
    /// Standard error of their difference, by blocks; absent with fewer than two.
    pub moisture_std_error_pct: Option<f64>,
    /// Treated minus check.
    pub estimate: Estimate,
    /// The same drawn towards the responses of the other classes; absent for the whole field and where it has no interval.
    pub shrunken: Option<Shrunken>,
    /// What it is worth.
    pub returns: Returns,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

/// Fewest blocks on which a decision may rest: with one or two, nothing is said of what it would pay. With three the 90 % intervals hold
/// the truth in 89 % of 199 simulated fields, 8.7 bu/ac wide; with two they are 13.6 wide and hold it in 96 % (benches/coverage.rs).
pub(super) const LEAST_FOR_DECISION: usize = 3;

impl Response {
    /// The moistures of treated and check ground, where both are known.
    pub fn moistures(&self) -> Option<Moistures> {
        let (treated_pct, check_pct) = self.treated_moisture_pct.zip(self.check_moisture_pct)?;
        Some(Moistures { treated_pct, check_pct, std_error_pct: self.moisture_std_error_pct.unwrap_or(0.0) })
    }

    /// Whether the response rests on enough blocks to say what it would pay. Where it does not, there is no break-even
    /// response, no net return and no probability of paying, and no page speaks of them.
    pub fn decision_allowed(&self) -> bool {
        self.blocks >= LEAST_FOR_DECISION && self.estimate.std_error.is_some()
    }
}

/// Treated minus check in one treated segment, against the check that faces it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SegmentDifference {
    /// Index of the treated segment.
    pub segment: usize,
    /// The difference, kg/ha.
    pub difference: f64,
}

/// The response to one treatment, piece by piece along its strips.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LocalResponse {
    /// Key of the treatment.
    pub treatment: String,
    /// Standard deviation of the response over the ground besides what the soil classes tell, kg/ha.
    pub between_sd: f64,
    /// The pieces, in the order of the segments.
    pub pieces: Vec<LocalPiece>,
}

/// The response on one treated segment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LocalPiece {
    /// Index of the segment.
    pub segment: usize,
    /// Area, m².
    pub area_m2: f64,
    /// Mean of what it may be, kg/ha.
    pub mean: f64,
    /// Standard deviation of what it may be, kg/ha.
    pub std_error: f64,
    /// Ends of its interval, kg/ha.
    pub low: f64,
    /// As above.
    pub high: f64,
}

impl LocalPiece {
    /// The probability that the response is above a limit, kg/ha.
    pub fn probability_above(&self, limit_kg_ha: f64) -> Option<f64> {
        Some(StudentT::new(f64::INFINITY).ok()?.cdf((self.mean - limit_kg_ha) / self.std_error))
    }
}

/// Treated minus check in one block and class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlockDifference {
    /// The block.
    pub block: String,
    /// Which response.
    pub key: ResponseKey,
    /// The mean difference, kg/ha.
    pub difference: f64,
    /// Mean yield of the check there, kg/ha.
    pub check_yield: f64,
    /// Segments that were compared.
    pub segments: usize,
    /// Area of the treated segments, m².
    pub area_m2: f64,
}
