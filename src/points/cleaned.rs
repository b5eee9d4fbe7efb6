//! What cleaning delivers: where each record's grain was cut, its yield, and whether it is to be trusted.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{Cautions, Mark, Reasons, Records};

/// Where a number comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// From the data.
    Estimated,
    /// From the settings.
    Configured,
    /// A default, because the data could not tell.
    Assumed,
}

/// A number with its standard error and its source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sourced {
    /// The number.
    pub value: f64,
    /// Its standard error, where it was estimated.
    pub std_error: Option<f64>,
    /// Where it comes from.
    pub source: Source,
}

impl Sourced {
    /// A default, because the data could not tell.
    pub const fn assumed(value: f64) -> Self {
        Self { value, std_error: None, source: Source::Assumed }
    }

    /// From the settings.
    pub const fn configured(value: f64) -> Self {
        Self { value, std_error: None, source: Source::Configured }
    }

    /// From the data.
    pub const fn estimated(value: f64, std_error: f64) -> Self {
        Self { value, std_error: Some(std_error), source: Source::Estimated }
    }
}

/// What was learnt of one combine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MachineFacts {
    /// Effective transport lag of the grain, s: delay plus mixing, signed (a file may already be shifted).
    pub lag_s: Sourced,
    /// The same for the moisture channel, s.
    pub moisture_lag_s: Sourced,
    /// The masses of this machine were multiplied by this factor, to bring several combines to one level.
    pub machine_factor: Sourced,
    /// All masses were multiplied by this gain, from the scale tickets.
    pub ticket_gain: Sourced,
}

/// How well the passes of a combine agree at each lag that was tried: what the lag rests on.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LagCurve {
    /// The combine.
    pub machine: String,
    /// The lags, s, rising.
    pub lags_s: Vec<f64>,
    /// Mean mismatch of neighbouring passes in opposite directions, in units of the squared spread of their profiles.
    pub mismatch: Vec<f64>,
}

/// What cleaning learnt of the site-year.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct CleaningFacts {
    /// By machine name.
    pub machines: BTreeMap<String, MachineFacts>,
    /// Seconds trimmed after entering the crop.
    pub pass_entry_s: Option<Sourced>,
    /// Seconds trimmed before leaving the crop.
    pub pass_exit_s: Option<Sourced>,
    /// Covariance of the log machine factors, in the order of `machines` (empty with one machine).
    pub factor_covariance: Vec<Vec<f64>>,
    /// Rules that did not run, because what they need was not recorded.
    pub not_run: Vec<Mark>,
    /// Number of passes.
    pub passes: usize,
    /// Main direction of driving, radians clockwise from north, in [0, π); absent where there is none.
    pub axis_rad: Option<f64>,
    /// Full width of the widest header by the records that are kept, m.
    pub header_m: Option<f64>,
    /// Limits that were found from the data, by name, for the reader of a report.
    pub limits: BTreeMap<String, f64>,
}

/// The records with what cleaning adds. All columns are in the order of `records`.
#[derive(Debug, Clone)]
pub struct Cleaned {
    /// The records as ingested.
    pub records: Arc<Records>,
    /// Easting of the ground where the record's grain was cut (the middle of the header), m.
    pub x_m: Vec<f64>,
    /// Northing of the same, m.
    pub y_m: Vec<f64>,
    /// Course over ground there, radians clockwise from north; NaN where unknown.
    pub course_rad: Vec<f64>,
    /// Pass number, from 0; [`super::Labels::NONE`] outside passes.
    pub pass: Vec<u32>,
    /// Wet mass flow, kg/s, corrected for the machine's factor.
    pub mass_flow_kg_s: Vec<f64>,
    /// Moisture after its own lag, percent wet basis.
    pub moisture_pct: Vec<f64>,
    /// Ground speed where the grain was cut, m/s.
    pub speed_m_s: Vec<f64>,
    /// Width that was cut, m.
    pub swath_m: Vec<f64>,
    /// Area that was cut, m².
    pub area_m2: Vec<f64>,
    /// Yield at market moisture, kg/ha.
    pub dry_yield_kg_ha: Vec<f64>,
    /// Why the record is removed; empty where it is kept.
    pub mark: Vec<Reasons>,
    /// What was learnt.
    pub facts: CleaningFacts,
    /// What the lags rest on, by combine, where passes could be matched.
    pub lag_curves: Vec<LagCurve>,
    /// What the reader must know.
    pub cautions: Cautions,
}

impl Cleaned {
    /// The number of records.
    pub fn len(&self) -> usize {
        self.mark.len()
    }

    /// Whether there are no records.
    pub fn is_empty(&self) -> bool {
        self.mark.is_empty()
    }

    /// Whether the record is kept.
    pub fn is_kept(&self, at: usize) -> bool {
        self.mark[at].is_empty()
    }

    /// Rows under each mark, copies included, in the order of the marks, those without rows included.
    pub fn removals(&self) -> Vec<(Mark, usize)> {
        let mut counts = vec![0; Mark::ALL.len()];
        counts[Mark::Duplicate as usize] = self.records.copies.len();
        for mark in self.mark.iter().filter_map(|reasons| reasons.first()) {
            counts[mark as usize] += 1;
        }
        Mark::ALL.iter().copied().zip(counts).collect()
    }

    /// Mass at market moisture of a record, kg.
    pub fn dry_mass_kg(&self, at: usize) -> f64 {
        self.dry_yield_kg_ha[at] * self.area_m2[at] / crate::quantity::factor::M2_PER_HA
    }
}
