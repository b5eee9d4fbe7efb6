//! Everything that is concluded over site-years.

use serde::Serialize;

use super::covariates::PooledInteraction;
use super::observed::Association;
use super::response::Estimate;
use super::site_year::SiteYearIdentity;
use super::zone::ZoneResponse;
use crate::points::Cautions;

/// The synthesis of an archive.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Synthesis {
    /// Treatment × soil class × wetness class, and each over all of the others.
    pub zones: Vec<ZoneResponse>,
    /// How the response changes with drainage and with wetness.
    pub trends: Vec<Trend>,
    /// Site-year by site-year, with the mean and the prediction below.
    pub forest: Vec<ForestRow>,
    /// The means over the whole field without each season, from three seasons on.
    pub without_season: Vec<WithoutSeason>,
    /// What is reported of each field that had strips.
    pub fields: Vec<FieldResponse>,
    /// Whether fields with more difference in what was seen have more response.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub associations: Vec<Association>,
    /// The responses along covariates.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub covariates: Vec<PooledInteraction>,
    /// Comparisons that were left out, with the reason.
    pub left_out: Vec<LeftOut>,
}

impl Synthesis {
    /// What is reported of a field on a soil class (`None`: over the whole field); `None` for a field without strips of its own
    /// and where too few site-years tell of the class.
    pub fn of_field(
        &self,
        (crop, treatment): (&str, &str),
        (farm, field): (&str, &str),
        class: Option<usize>,
    ) -> Option<&FieldAnswer> {
        let own = self
            .fields
            .iter()
            .find(|one| one.crop == crop && one.treatment == treatment && one.farm == farm && one.field == field)?;
        own.answers.iter().find(|answer| answer.class == class)
    }
}

/// The responses of one field that had strips, drawn towards those of the other fields.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FieldResponse {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// The farm's name, as typed.
    pub farm: String,
    /// The field's name, as typed.
    pub field: String,
    /// By soil class, then over the whole field.
    pub answers: Vec<FieldAnswer>,
}

/// What is reported of one field on one soil class.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FieldAnswer {
    /// Rank of the soil class; `None` over the whole field.
    pub class: Option<usize>,
    /// The field's own mean over seasons, kg/ha.
    pub mean: Estimate,
    /// The field in a season to come, kg/ha.
    pub next_season: Estimate,
}

/// Along what the response changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Gradient {
    /// From one soil class to the next wetter one.
    Drainage,
    /// With the site-year's departure from normal precipitation.
    Wetness,
    /// How the change from class to class changes with the departure.
    DrainageByWetness,
}

impl Gradient {
    /// Every gradient.
    pub const ALL: [Self; 3] = [Self::Drainage, Self::Wetness, Self::DrainageByWetness];

    /// The word in the tables.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Drainage => "drainage",
            Self::Wetness => "wetness",
            Self::DrainageByWetness => "drainage-by-wetness",
        }
    }
}

/// The change of a response along a gradient.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trend {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// Along what.
    pub gradient: Gradient,
    /// The change: kg/ha for one soil class, kg/ha for 1 mm of departure, or kg/ha for one class and 1 mm.
    pub estimate: Estimate,
    /// Site-years that tell of it.
    pub site_years: usize,
    /// Their seasons.
    pub seasons: usize,
    /// Reasons to doubt it, or why it could not be estimated.
    pub cautions: Cautions,
}

/// What a row of the forest stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ForestKind {
    /// One site-year.
    SiteYear,
    /// The mean over site-years.
    Mean,
    /// What is to be expected of a new site-year.
    NewSiteYear,
}

impl ForestKind {
    /// The word in the table.
    pub const fn code(self) -> &'static str {
        match self {
            Self::SiteYear => "site-year",
            Self::Mean => "mean",
            Self::NewSiteYear => "new-site-year",
        }
    }
}

/// What the mean becomes when one site-year is left out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LeaveOneOut {
    /// The mean of the others, kg/ha.
    pub mean: f64,
    /// Standard deviation between the others, kg/ha.
    pub tau: f64,
}

/// What the mean over the whole field becomes when one season is left out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WithoutSeason {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// The season left out.
    pub season: i32,
    /// The mean of the others, kg/ha.
    pub mean: f64,
}

/// A row of the forest table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ForestRow {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// Rank of the soil class, dry to wet; `None` over all soils.
    pub class: Option<usize>,
    /// The soil class as it is printed, or `all`.
    pub class_name: String,
    /// What the row stands for.
    pub kind: ForestKind,
    /// The site-year, where it stands for one.
    pub identity: Option<SiteYearIdentity>,
    /// Its departure from normal precipitation, mm.
    pub wetness_mm: Option<f64>,
    /// The class of the departure.
    pub wetness_class: Option<String>,
    /// Blocks behind it.
    pub blocks: usize,
    /// The response with its interval, kg/ha.
    pub estimate: Estimate,
    /// Its share in the mean; the shares of a forest sum to 1.
    pub weight: Option<f64>,
    /// The site-year's response drawn towards the mean, kg/ha.
    pub shrunken: Option<f64>,
    /// The mean without this site-year.
    pub without: Option<LeaveOneOut>,
    /// Whether leaving it out changes the sign of the mean.
    pub turns_sign: bool,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

/// A comparison that does not enter the synthesis.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// The site-year.
    pub identity: SiteYearIdentity,
    /// Key of the treatment.
    pub treatment: String,
    /// Why.
    pub reason: String,
}
