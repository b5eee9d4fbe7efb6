//! `archive.toml` and `field.toml`: as typed → resolved, with every fault of a file reported at once.
//!
//! Only resolved settings reach the stages: SI units, defaults filled in, names checked against each other. Each
//! default has its source in its doc comment.

mod about;
mod applied;
mod archive;
mod clean;
mod covariate;
mod crops;
mod faults;
mod field;
mod harvest;
mod model;
mod observed;
mod read;
mod reference;
mod schema;
mod section;
mod soil;
mod target;
#[cfg(test)]
mod tests;
mod treatments;
mod wetness;

pub(crate) use applied::tested;
pub use applied::{AppliedSettings, TestedRate, Trust};
pub use archive::{ArchiveSettings, ReportUnits};
pub use clean::CleanSettings;
pub use covariate::{CovariateSettings, FieldValue};
pub use crops::{CropSettings, SeasonPrices};
pub use faults::{Fault, Faults};
pub use field::{FieldSettings, StripSettings};
pub use harvest::{
    Column, GrainChannel, HarvestSettings, MeasuredColumn, PositionColumns, RowFilter, TimeColumn, TimeFormat, Within,
};
pub use model::ModelSettings;
pub use observed::ObservedSettings;
pub use read::ReadSettings;
pub use reference::{Fact, Kind, SettingsFile, settings};
pub use schema::schema;
pub use soil::{ComponentSettings, DRAINAGE_CLASSES, SURVEY_COLUMNS, SoilSettings};
pub use target::{FEWEST_BLOCKS, StripLayoutSettings, TargetSettings};
pub use treatments::Treatment;
pub use wetness::{PrecipitationGrids, StationSettings, WetnessMeasure, WetnessSettings, holds_months, unit_of_depth};
