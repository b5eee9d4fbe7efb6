//! What the index shows beside the conclusions: where it was how wet, and what is planned.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::plan::ZonesRisk;
use super::promise::Record;

/// The departure of precipitation over the country around the site-years, on one grid for all seasons.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DepartureMap {
    /// West, south, east and north of the grid, degrees.
    pub extent_deg: [f64; 4],
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from north to south.
    pub rows: usize,
    /// By season, the departure in the cells, mm, row by row from the north-west; NaN where none is known.
    pub seasons: BTreeMap<i32, Vec<f64>>,
}

/// What stands on the index beside the conclusions.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Outline {
    /// Where it was how wet.
    pub departures: Option<DepartureMap>,
    /// The plans that have been made, by crop.
    pub plans: Vec<PlanOutline>,
    /// What became of the promises of former plans, by crop.
    pub records: Vec<Record>,
}

/// A plan in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanOutline {
    /// Key of the crop.
    pub crop: String,
    /// Folder below `plan`.
    pub folder: String,
    /// The season that is planned.
    pub season: i32,
    /// By treatment, in the order of the settings.
    pub treatments: Vec<PlannedMoney>,
    /// By field.
    pub fields: Vec<PlannedPlace>,
    /// What its zones promise and risk.
    #[serde(default)]
    pub zones_risk: Vec<ZonesRisk>,
    /// Why it is older than the results, where it is.
    #[serde(default)]
    pub stale: Option<String>,
}

/// What is planned for one treatment over all fields.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlannedMoney {
    /// Key of the treatment.
    pub treatment: String,
    /// Area to treat, to leave and to test, m².
    pub area_m2: [f64; 3],
    /// Of the area to treat, that on which no other treatment is expected to return more, m².
    pub best_m2: f64,
    /// Money that is expected on that area, after what was taken off.
    pub money: f64,
    /// What was taken off each hectare, since the archive's choices promised too much.
    #[serde(default)]
    pub taken_off_per_ha: f64,
    /// The same at the ends of the intervals of the mean responses.
    pub money_interval: (f64, f64),
}

/// What is planned for one field.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlannedPlace {
    /// The farm's name, as typed.
    pub farm: String,
    /// The field's name, as typed.
    pub field: String,
    /// Folder below that of the plan.
    pub folder: String,
    /// By treatment as in the plan, area to treat, to leave and to test, m².
    pub area_m2: Vec<[f64; 3]>,
    /// Strips that are laid out; 0 where none are.
    pub strips: usize,
}
