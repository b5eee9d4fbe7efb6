//! `[clean]`: every limit of the cleaning stage.

use serde::Serialize;

use super::section::Section;
use crate::quantity::{Duration, Length, MassFlow, Percent, Speed};

/// The resolved limits of the cleaning stage.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CleanSettings {
    /// Transport lag, s, where it is not to be estimated.
    pub lag_s: Option<f64>,
    /// Moisture lag, s, where it is not to be estimated.
    pub moisture_lag_s: Option<f64>,
    /// Lag where the data cannot tell, s. Default: 12 s for a recorded flow, the middle of the 10 to 15 s that are told of combines
    /// (common practice, no source; how far off it may be is why it is searched for), 0 s for an exported yield, which whoever
    /// exported it has shifted.
    pub lag_assumed_s: Option<f64>,
    /// Least lag searched, s. Default −8 s: an export may already be shifted too far (common
    /// practice, no source).
    pub lag_from_s: f64,
    /// Greatest lag searched, s. Default 25 s: twice the usual lag (common practice, no source).
    pub lag_to_s: f64,
    /// Seconds trimmed after entering the crop, where they are not to be estimated.
    pub pass_entry_s: Option<f64>,
    /// Seconds trimmed before leaving the crop, where they are not to be estimated.
    pub pass_exit_s: Option<f64>,
    /// Entry trim where the data cannot tell, s. Default 12 s: 10 to 15 s are usual (common practice, no source).
    pub pass_entry_assumed_s: f64,
    /// Exit trim where the data cannot tell, s. Default 4 s (common practice, no source).
    pub pass_exit_assumed_s: f64,
    /// A shorter pass holds no full flow, m. Default 30 m (common practice, no source).
    pub pass_length_m: f64,
    /// Course change that ends a pass, degrees. Default 40° (common practice, no source).
    pub turn_deg: f64,
    /// Slowest cutting speed, m/s. Default 0.4 m/s (common practice, no source).
    pub speed_least_m_s: f64,
    /// Fastest cutting speed, m/s. Default 4 m/s (common practice, no source).
    pub speed_most_m_s: f64,
    /// Change of speed within the lag window, percent. Default 20 %: the rule is that of Simbahan, Dobermann & Ping 2004, the
    /// limit is common practice, no source.
    pub speed_change_pct: f64,
    /// Greatest mass flow, kg/s. Default 60 kg/s (common practice, no source).
    pub flow_most_kg_s: f64,
    /// Least trusted share of the header's width, percent. Default 50 %: below it the ratio's noise doubles (common
    /// practice, no source).
    pub swath_share_pct: f64,
    /// Whether swath widths are corrected for ground already cut, where the positions allow it.
    pub overlap: bool,
    /// Whether yields of several combines are brought to one level.
    pub machine_factors: bool,
    /// Radius of the neighbour rule, m. Default 30 m (common practice, no source).
    pub neighbour_radius_m: f64,
    /// Limit of the neighbour rule in robust standard deviations. Default 3.5, a limit of ours: a limit of 2 that
    /// is blind to the treatment took 11 to 16 % of a response of 8 % (measured, see `clean/filters/neighbours.rs`).
    pub neighbour_limit: f64,
    /// Fewest neighbours for the rule to speak. Default 8 (common practice, no source).
    pub neighbour_least: u32,
    /// Multiple of the interquartile range in the adjusted box plot. Default 3: the outer fence (Tukey 1977, Exploratory Data
    /// Analysis, section 2D, from memory); the 1.5 of Hubert & Vandervieren 2008 is there to show values, not to remove them.
    pub yield_fence: f64,
    /// Whether the yield rules run (plausible range, adjusted box plot, neighbours). Default true.
    pub yield_rules: bool,
    /// Distance outside the boundary that is still inside, m. Default 10 m: about a swath (common practice, no
    /// source).
    pub boundary_margin_m: f64,
}

impl Default for CleanSettings {
    fn default() -> Self {
        Self {
            lag_s: None,
            moisture_lag_s: None,
            lag_assumed_s: None,
            lag_from_s: -8.0,
            lag_to_s: 25.0,
            pass_entry_s: None,
            pass_exit_s: None,
            pass_entry_assumed_s: 12.0,
            pass_exit_assumed_s: 4.0,
            pass_length_m: 30.0,
            turn_deg: 40.0,
            speed_least_m_s: 0.4,
            speed_most_m_s: 4.0,
            speed_change_pct: 20.0,
            flow_most_kg_s: 60.0,
            swath_share_pct: 50.0,
            overlap: true,
            machine_factors: true,
            neighbour_radius_m: 30.0,
            neighbour_limit: 3.5,
            neighbour_least: 8,
            yield_fence: 3.0,
            yield_rules: true,
            boundary_margin_m: 10.0,
        }
    }
}

pub(super) fn read(root: &Section<'_, '_>) -> CleanSettings {
    let default = CleanSettings::default();
    let Some(section) = root.section("clean") else { return default };
    let seconds =
        |key: &str, fallback: f64, low: f64, high: f64| section.quantity_or::<Duration>(key, fallback, low, high);
    let given = |key: &str, low: f64, high: f64| {
        Some(section.quantity_or::<Duration>(key, f64::NAN, low, high)).filter(|seconds| seconds.is_finite())
    };
    let settings = CleanSettings {
        lag_s: given("lag", -60.0, 60.0),
        moisture_lag_s: given("moisture_lag", -60.0, 120.0),
        lag_assumed_s: given("lag_assumed", -60.0, 60.0),
        lag_from_s: seconds("lag_from", default.lag_from_s, -60.0, 0.0),
        lag_to_s: seconds("lag_to", default.lag_to_s, 1.0, 60.0),
        pass_entry_s: given("pass_entry", 0.0, 120.0),
        pass_exit_s: given("pass_exit", 0.0, 120.0),
        pass_entry_assumed_s: seconds("pass_entry_assumed", default.pass_entry_assumed_s, 0.0, 120.0),
        pass_exit_assumed_s: seconds("pass_exit_assumed", default.pass_exit_assumed_s, 0.0, 120.0),
        pass_length_m: section.quantity_or::<Length>("pass_length", default.pass_length_m, 0.0, 1000.0),
        turn_deg: section.number_or("turn_degrees", default.turn_deg, 5.0, 180.0),
        speed_least_m_s: section.quantity_or::<Speed>("speed_least", default.speed_least_m_s, 0.0, 10.0),
        speed_most_m_s: section.quantity_or::<Speed>("speed_most", default.speed_most_m_s, 0.1, 20.0),
        speed_change_pct: section.quantity_or::<Percent>("speed_change", default.speed_change_pct, 1.0, 1000.0),
        flow_most_kg_s: section.quantity_or::<MassFlow>("flow_most", default.flow_most_kg_s, 1.0, 500.0),
        swath_share_pct: section.quantity_or::<Percent>("swath_share", default.swath_share_pct, 0.0, 100.0),
        overlap: section.boolean("overlap").unwrap_or(default.overlap),
        machine_factors: section.boolean("machine_factors").unwrap_or(default.machine_factors),
        neighbour_radius_m: section.quantity_or::<Length>("neighbour_radius", default.neighbour_radius_m, 1.0, 500.0),
        neighbour_limit: section.number_or("neighbour_limit", default.neighbour_limit, 2.0, 100.0),
        neighbour_least: section.integer("neighbour_least", 3, 1000).map_or(default.neighbour_least, |n| n as u32),
        yield_fence: section.number_or("yield_fence", default.yield_fence, 1.0, 100.0),
        yield_rules: section.boolean("yield_rules").unwrap_or(default.yield_rules),
        boundary_margin_m: section.quantity_or::<Length>("boundary_margin", default.boundary_margin_m, 0.0, 500.0),
    };
    if settings.speed_least_m_s >= settings.speed_most_m_s {
        section.fault("speed_least", "must be less than speed_most");
    }
    section.finish_known();
    settings
}

impl CleanSettings {
    /// The same limits with the yield rules off: only hard errors, lag and ramps remain. Used to show the answer
    /// without the rules that look at the yields.
    #[must_use]
    pub fn without_yield_rules(&self) -> Self {
        Self { yield_rules: false, ..self.clone() }
    }
}
