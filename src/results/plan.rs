//! What next season's plan says.

use geo::MultiPolygon;
use serde::Serialize;

use crate::points::Cautions;

/// What is printed wherever spending or spraying is suggested.
pub const FIRST: &str = "Before anything is applied, the product label, local rules and a licensed adviser come first. \
                         Only the products and rates that stood in the strips are meant; nothing here supports another.";

/// What to do with a zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// Treating pays, surely enough.
    Treat,
    /// Treating does not pay, surely enough.
    Leave,
    /// Not settled: strips would tell.
    Test,
}

impl Decision {
    /// The word in the tables.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Treat => "treat",
            Self::Leave => "leave",
            Self::Test => "test",
        }
    }
}

/// What the archive says of one treatment on one ground in the season to come. Yields in kg/ha, money per hectare.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// Key of the crop.
    pub crop: String,
    /// Key of the treatment.
    pub treatment: String,
    /// Rank of the soil class, dry to wet; `None` over all soils.
    pub class: Option<usize>,
    /// The soil class as it is printed, or `all`.
    pub class_name: String,
    /// What to do.
    pub decision: Decision,
    /// Expected response under the outlook, shrunken.
    pub response: Option<f64>,
    /// Interval of the mean response.
    pub interval: Option<(f64, f64)>,
    /// Response that pays.
    pub break_even: Option<f64>,
    /// Expected net return of treating.
    pub net_return: Option<f64>,
    /// Probability that the mean response pays.
    pub probability_pays: Option<f64>,
    /// Probability that it pays in one field of the season to come.
    pub probability_new_site_pays: Option<f64>,
    /// Site-years behind it.
    pub site_years: usize,
    /// Reasons to doubt it.
    pub cautions: Cautions,
}

/// A zone of a field.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedZone {
    /// What the archive says of its ground.
    pub advice: Advice,
    /// What is to be done here: the advice, but for ground too short for the machine to switch.
    pub decision: Decision,
    /// Whether no other treatment is expected to return more here.
    pub is_best: bool,
    /// The ground, UTM metres.
    pub ground: MultiPolygon<f64>,
    /// Its area, m².
    pub area_m2: f64,
}

/// The plan of one field.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedField {
    /// The farm's name, as typed.
    pub farm: String,
    /// The field's name, as typed.
    pub field: String,
    /// Folder below `plan`, with `/`.
    pub folder: String,
    /// EPSG code of its UTM zone.
    pub epsg: u32,
    /// Whether strips stood in the field in some season.
    pub has_own_strips: bool,
    /// Probability of each wetness class, dry to wet; empty without wetness classes.
    pub outlook: Vec<f64>,
    /// Seasons that the outlook rests on; `None` where it was given.
    pub outlook_seasons: Option<usize>,
    /// Its zones, by treatment, then class, then decision.
    pub zones: Vec<PlannedZone>,
}

/// What zones would have earned, each site-year decided by the others. Money per hectare.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ZoningValue {
    /// Key of the treatment.
    pub treatment: String,
    /// Site-years that were predicted.
    pub site_years: usize,
    /// Mean net return of treating the zones chosen without the site-year.
    pub zoned: f64,
    /// Of treating everything.
    pub blanket: f64,
    /// Zoned less the better of everything and nothing.
    pub gain: f64,
    /// Standard error of the gain over site-years.
    pub gain_std_error: f64,
    /// Whether the gain's interval lies above 0.
    pub is_shown: bool,
}

/// The plan of the season to come.
#[derive(Debug, Clone, PartialEq)]
pub struct SeasonPlan {
    /// Key of the crop that is planned for.
    pub crop: String,
    /// Its fields, by farm and field.
    pub fields: Vec<PlannedField>,
    /// Fields that could not be planned, with the reason.
    pub left_out: Vec<(String, String)>,
    /// What zoning would have earned.
    pub zoning: Vec<ZoningValue>,
    /// What strips would tell, by treatment.
    pub replication: Vec<Replication>,
}

/// What layouts of strips would tell of a treatment over the whole field.
#[derive(Debug, Clone, PartialEq)]
pub struct Replication {
    /// Key of the treatment.
    pub treatment: String,
    /// Standard deviation of one block's difference that is planned with, kg/ha.
    pub block_sd: f64,
    /// Standard deviation between site-years, kg/ha; absent where the archive cannot tell it.
    pub between_sd: Option<f64>,
    /// One row a layout.
    pub rows: Vec<ReplicationRow>,
}

/// One layout.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReplicationRow {
    /// Site-years; one speaks for its own field and season only.
    pub site_years: u32,
    /// Blocks in each.
    pub blocks: u32,
    /// Standard error of the mean response, kg/ha.
    pub std_error: f64,
    /// Its degrees of freedom.
    pub df: f64,
    /// Half of the width of the interval, kg/ha.
    pub half_width: f64,
    /// Least response that is found with a probability of 80 %, kg/ha.
    pub detectable: f64,
}
