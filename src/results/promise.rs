//! What a plan promised of a season, and what its harvest made of it.

use serde::Serialize;

use super::Decision;
use super::response::Estimate;

/// What a plan says of one treatment on one ground of a field in the season that is planned for. Yields in kg/ha, money per hectare.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Promise {
    /// The season that is planned for.
    pub season: i32,
    /// The last season whose harvest the archive held when the plan was made.
    pub known_to: i32,
    /// The farm's name, as typed.
    pub farm: String,
    /// The field's name, as typed.
    pub field: String,
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// The soil class as it is printed, or `all`.
    pub class_name: String,
    /// What to do there.
    pub decision: Decision,
    /// Ground to be treated, m².
    pub treat_m2: f64,
    /// Expected response, shrunken.
    pub response: f64,
    /// Interval of the response of one field of that season.
    pub interval: (f64, f64),
    /// Share of the fields that the interval is to hold.
    pub confidence: f64,
    /// Response that pays.
    pub break_even: Option<f64>,
    /// Expected net return; of ground to be treated, less what is taken off in the plan.
    pub net_return: Option<f64>,
    /// Probability that the mean response pays.
    pub probability_pays: Option<f64>,
    /// Probability that it pays in one field of the season.
    pub probability_new_site_pays: Option<f64>,
    /// Probability of each wetness class, dry to wet; empty without wetness classes.
    pub outlook: Vec<f64>,
}

impl Promise {
    /// Money that was expected of treating the ground to be treated; absent where none is to be.
    pub fn money(&self) -> Option<f64> {
        (self.treat_m2 > 0.0).then_some(self.net_return? * self.treat_m2 / 10_000.0)
    }
}

/// A promise beside the harvest of its season.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScoredPromise {
    /// What was promised.
    pub promise: Promise,
    /// The site-year's own response on that ground, kg/ha.
    pub found: Estimate,
    /// The promised interval, widened by the error of what was found, kg/ha.
    pub check: (f64, f64),
    /// Whether what was found lies in it.
    pub is_inside: bool,
    /// Net return of what was found at the prices of the season, money per hectare.
    pub net_return: Option<f64>,
}

impl ScoredPromise {
    /// Money that was promised and that what was found would have made on the same ground; absent where one of them is not known.
    pub fn money(&self) -> Option<(f64, f64)> {
        Some((self.promise.money()?, self.net_return? * self.promise.treat_m2 / 10_000.0))
    }
}

/// The promises of a crop that could be scored.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Record {
    /// Key of the crop.
    pub crop: String,
    /// The promises, by season, farm and field.
    pub scored: Vec<ScoredPromise>,
    /// How many seasons they are of.
    pub seasons: usize,
    /// Those whose interval held.
    pub inside: usize,
    /// Interval of the share of those, with the promises of one season going together.
    pub coverage: (f64, f64),
    /// Share that was to hold.
    pub confidence: f64,
    /// Money promised and made, where some was promised.
    pub money: Option<RecordOfMoney>,
    /// Whether the share that held is shown to fall short.
    pub falls_short: bool,
}

/// Money promised and made over all grounds that were to be treated and whose response is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RecordOfMoney {
    /// As promised.
    pub promised: f64,
    /// As made, at the prices of each season.
    pub made: f64,
    /// Interval of what was made less what was promised, over seasons; absent with fewer than three.
    pub difference: Option<(f64, f64)>,
}

impl RecordOfMoney {
    /// Whether less is shown to have been made than was promised.
    pub fn falls_short(&self) -> bool {
        self.difference.is_some_and(|(_, high)| high < 0.0)
    }
}

impl Record {
    /// Whether the promises are shown not to have been kept.
    pub fn is_broken(&self) -> bool {
        self.falls_short || self.money.is_some_and(|money| money.falls_short())
    }
}
