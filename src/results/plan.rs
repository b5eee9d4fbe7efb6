//! What next season's plan says.

use geo::MultiPolygon;
use serde::{Deserialize, Serialize};

use super::promise::Record;
use crate::points::Cautions;

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

/// Why something is done on a ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// It is the advice on it.
    Advice,
    /// The advice is another one; it lies between ground to be treated, in stretches too short to switch off for.
    Bridged,
    /// Treating is advised, on stretches too short to switch on for.
    TooShort,
    /// One choice for the whole field: zones promise less than it costs to follow them.
    OneChoice,
}

impl Why {
    /// The word in the tables.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Advice => "advice",
            Self::Bridged => "bridged",
            Self::TooShort => "too-short",
            Self::OneChoice => "one-choice",
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
    /// Interval of the response of one field of that season.
    pub field_interval: Option<(f64, f64)>,
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

impl Advice {
    /// Nothing is known: strips would tell.
    pub fn to_test((crop, treatment): (&str, &str), class: Option<usize>, class_name: &str) -> Self {
        Self {
            crop: crop.to_owned(),
            treatment: treatment.to_owned(),
            class,
            class_name: class_name.to_owned(),
            decision: Decision::Test,
            response: None,
            interval: None,
            field_interval: None,
            break_even: None,
            net_return: None,
            probability_pays: None,
            probability_new_site_pays: None,
            site_years: 0,
            cautions: Cautions::default(),
        }
    }
}

/// A zone of a field.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedZone {
    /// What the archive says of its ground.
    pub advice: Advice,
    /// What is to be done here: the advice, but for ground too short for the machine to switch.
    pub decision: Decision,
    /// Whether that is the advice.
    pub why: Why,
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
    /// The field, UTM metres.
    pub ground: MultiPolygon<f64>,
    /// The ground of each soil class, UTM metres.
    pub soils: Vec<MultiPolygon<f64>>,
    /// Its zones, by treatment, then class, then decision.
    pub zones: Vec<PlannedZone>,
    /// Its strips, or why there are none.
    pub strips: Result<StripLayout, NoStrips>,
}

/// Why a field gets no strips.
#[derive(Debug, Clone, PartialEq)]
pub enum NoStrips {
    /// The width of the planter is not known.
    NoPlanter,
    /// No treatment is in question on enough of the field: the least share that would do.
    Settled(f64),
    /// What is in question there would gain less by strips than they cost.
    NotWorth,
    /// It is too small.
    NoRoom {
        /// Blocks that are the least.
        blocks: usize,
        /// Strips of a block.
        strips: usize,
        /// Their width, m.
        planted_m: f64,
        /// Their least length, m.
        least_m: f64,
        /// Ground left out at their ends, m.
        end_rows_m: f64,
    },
    /// No order of the treatments is balanced.
    Unbalanced,
    /// Something is not known or cannot be read, in words.
    Unknown(String),
}

/// How wide strips are: whole passes of the planter that hold whole passes of the combine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripWidths {
    /// One pass of the planter, m.
    pub planter_m: f64,
    /// One pass of the combine, m.
    pub header_m: f64,
    /// Ground at each side that counts for nothing, m.
    pub least_guard_m: f64,
    /// Passes of the planter in a strip.
    pub planter_passes: u32,
    /// Passes of the combine that a strip holds between its guards.
    pub header_passes: u32,
}

impl StripWidths {
    /// Width of a strip as it is planted, m.
    pub fn planted_m(&self) -> f64 {
        f64::from(self.planter_passes) * self.planter_m
    }

    /// Width of the passes of the combine that count, m.
    pub fn cut_m(&self) -> f64 {
        f64::from(self.header_passes) * self.header_m
    }

    /// What is left at each side when the combine cuts the middle, m.
    pub fn guard_m(&self) -> f64 {
        0.5 * (self.planted_m() - self.cut_m())
    }

    /// Width of the ground on which a pass counts, m.
    pub fn harvest_m(&self) -> f64 {
        self.planted_m() - 2.0 * self.least_guard_m
    }
}

/// Why strips run the way they do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Course {
    /// Along the passes of the last harvest.
    Along,
    /// Across them: along them, some block would miss a soil class.
    Across,
    /// As archive.toml says.
    Set,
}

/// One strip of the season to come.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedStrip {
    /// Number, from 1, counted over the field from one side.
    pub number: usize,
    /// Number of its block, from 1.
    pub block: usize,
    /// Key of its treatment.
    pub treatment: String,
    /// Ground that is planted to it, UTM metres.
    pub planted: MultiPolygon<f64>,
    /// Ground on which a pass counts: without the guards at the sides.
    pub harvest: MultiPolygon<f64>,
    /// Mean length, m.
    pub length_m: f64,
}

/// The strips of a field in the season to come.
#[derive(Debug, Clone, PartialEq)]
pub struct StripLayout {
    /// The season that they are drawn for.
    pub season: i32,
    /// The field, UTM metres.
    pub field: MultiPolygon<f64>,
    /// Widths.
    pub widths: StripWidths,
    /// Where the width of the header was taken from.
    pub header_source: String,
    /// Why they run the way they do.
    pub course: Course,
    /// Their direction, degrees clockwise from true north, below 180.
    pub bearing_deg: f64,
    /// The side from which they are counted.
    pub from_side: &'static str,
    /// The middle of the first planter pass of the first strip, end to end, UTM metres.
    pub first_pass: [geo::Coord<f64>; 2],
    /// Ground left out at their ends, m.
    pub end_rows_m: f64,
    /// Blocks that were wanted.
    pub blocks_wanted: usize,
    /// Seed of archive.toml.
    pub seed: u64,
    /// Draws that were refused before the one that stands.
    pub refused: usize,
    /// The soil classes that make up a tenth of the field or more.
    pub classes: Vec<String>,
    /// By block, the least length on each of those classes that one of its strips has, m.
    pub crossed_m: Vec<Vec<f64>>,
    /// The strips, by number.
    pub strips: Vec<PlannedStrip>,
    /// By treatment, what as many blocks in one field and season tell; empty where the archive does not know how blocks differ.
    pub tells: Vec<(String, ReplicationRow)>,
}

impl StripLayout {
    /// Blocks that are drawn.
    pub fn blocks(&self) -> usize {
        self.crossed_m.len()
    }
}

/// What is left out to see what zones are worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeldOut {
    /// All site-years of a season: is what one season taught true in another?
    Season,
    /// All site-years of a field: is it true on another field?
    Field,
}

impl HeldOut {
    /// The word in the tables.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Season => "season",
            Self::Field => "field",
        }
    }
}

/// What zones would have earned, each season or field decided by the others. Money per hectare.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ZoningValue {
    /// Key of the treatment.
    pub treatment: String,
    /// What was left out at a time: of both ways, that by which zones earned less.
    pub left_out: HeldOut,
    /// Site-years that were predicted.
    pub site_years: usize,
    /// Mean net return of treating the zones chosen without the site-year.
    pub zoned: f64,
    /// What the choice promised of it.
    pub promised: f64,
    /// Of treating everything.
    pub blanket: f64,
    /// Zoned less the better of everything and nothing.
    pub gain: f64,
    /// Standard error of the gain over what was left out.
    pub gain_std_error: f64,
    /// Probability that the gain is above 0; absent where all that was left out gains the same, so that nothing tells its error.
    pub probability: Option<f64>,
    /// Whether the gain's interval lies above 0 with seasons left out, too; the fields of one or two seasons share what these had.
    pub is_shown: bool,
    /// What the choice promised above what was found, of each hectare that it treated, and its standard error over what was left out;
    /// absent where it treated ground of fewer than two seasons, or fields.
    pub optimism: Option<(f64, f64)>,
}

impl ZoningValue {
    /// That of a treatment.
    pub fn of<'v>(all: &'v [Self], treatment: &str) -> Option<&'v Self> {
        all.iter().find(|one| one.treatment == treatment)
    }

    /// What to take off each hectare that is to be treated: the optimism, where it is above 0, drawn towards 0 by its own error
    /// (`x · x²/(x² + s²)`, the positive part; ours).
    pub fn to_take_off(&self) -> f64 {
        let Some((optimism, std_error)) = self.optimism.filter(|(optimism, _)| *optimism > 0.0) else { return 0.0 };
        optimism * optimism.powi(2) / (optimism.powi(2) + std_error.powi(2))
    }
}

/// How far zones of a treatment are known to be worth it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ZonesStanding {
    /// With seasons or fields left out they earned more, beyond chance.
    Shown,
    /// They probably did: as surely as advice asks for.
    Likely,
    /// Neither, or it could not be scored.
    Bet,
}

impl ZonesStanding {
    /// The word in the tables.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Shown => "shown",
            Self::Likely => "likely",
            Self::Bet => "bet",
        }
    }
}

/// What the zones of a plan promise and risk under one treatment, over the fields that are zoned; money a season.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZonesRisk {
    /// Key of the treatment.
    pub treatment: String,
    /// How far they are known to be worth it.
    pub standing: ZonesStanding,
    /// Fields whose zones are decided otherwise than one choice would.
    pub fields: usize,
    /// Their ground to treat or to leave, m²; what is to be tested is not decided yet.
    pub area_m2: f64,
    /// What zones promise above the better of treating and leaving all that ground in each field, by the plan's own numbers.
    pub promised_gain: f64,
    /// What they lose on it if the soils of a field are alike and respond by the field's mean.
    pub loss_if_alike: f64,
}

/// What another season of strips of a treatment would be worth, over the fields of the plan; money.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StripsWorth {
    /// Key of the treatment.
    pub treatment: String,
    /// What the decision would gain by them on average, at most, in one season.
    pub gain: f64,
    /// That on the ground of each field of the plan, in their order.
    pub of_fields: Vec<f64>,
    /// What the smallest trial would cost.
    pub cost: f64,
}

impl StripsWorth {
    /// Whether any strips are worth it.
    pub fn is_worth(&self) -> bool {
        self.gain > self.cost
    }
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
    /// What the zones promise and risk, of the treatments with fields that are zoned.
    pub zones_risk: Vec<ZonesRisk>,
    /// What strips would tell, by treatment.
    pub replication: Vec<Replication>,
    /// What they would be worth, the most first, of the treatments of which that can be estimated.
    pub strips_worth: Vec<StripsWorth>,
    /// What became of the promises of former plans for the crop, where some could be scored.
    pub record: Option<Record>,
}

impl SeasonPlan {
    /// What is taken off the net return of each hectare to be treated, since plans of this archive promised too much; money.
    pub fn to_take_off(&self, treatment: &str) -> f64 {
        ZoningValue::of(&self.zoning, treatment).map_or(0.0, ZoningValue::to_take_off)
    }
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
