//! `[clean]`: every limit of the cleaning stage.

use super::section::{Section, settings};
use crate::quantity::{Duration, Length, MassFlow, Percent, Speed};

settings! {
    /// The resolved limits of the cleaning stage.
    pub struct CleanSettings, read from section {
        /// Transport lag, s, where it is not to be estimated.
        pub lag_s: Option<f64> = section.given::<Duration>("lag", -60.0, 60.0),
        /// Moisture lag, s, where it is not to be estimated.
        pub moisture_lag_s: Option<f64> = section.given::<Duration>("moisture_lag", -60.0, 120.0),
        /// Lag where the data cannot tell, s. Default: 12 s for a recorded flow, the middle of the 10 to 15 s that are reported for combines
        /// (common practice, no source; how far off it may be is why it is searched for), 0 s for an exported yield, which whoever
        /// exported it has shifted.
        pub lag_assumed_s: Option<f64> = section.given::<Duration>("lag_assumed", -60.0, 60.0),
        /// Least lag searched, s. Default −8 s: an export may already be shifted too far (common
        /// practice, no source).
        pub lag_from_s: f64 = section.quantity_or::<Duration>("lag_from", -8.0, -60.0, 0.0),
        /// Greatest lag searched, s. Default 25 s: twice the usual lag (common practice, no source).
        pub lag_to_s: f64 = section.quantity_or::<Duration>("lag_to", 25.0, 1.0, 60.0),
        /// Seconds trimmed after entering the crop, where they are not to be estimated.
        pub pass_entry_s: Option<f64> = section.given::<Duration>("pass_entry", 0.0, 120.0),
        /// Seconds trimmed before leaving the crop, where they are not to be estimated.
        pub pass_exit_s: Option<f64> = section.given::<Duration>("pass_exit", 0.0, 120.0),
        /// Entry trim where the data cannot tell, s. Default 12 s: 10 to 15 s are usual (common practice, no source).
        pub pass_entry_assumed_s: f64 = section.quantity_or::<Duration>("pass_entry_assumed", 12.0, 0.0, 120.0),
        /// Exit trim where the data cannot tell, s. Default 4 s (common practice, no source).
        pub pass_exit_assumed_s: f64 = section.quantity_or::<Duration>("pass_exit_assumed", 4.0, 0.0, 120.0),
        /// A shorter pass holds no full flow, m. Default 30 m (common practice, no source).
        pub pass_length_m: f64 = section.quantity_or::<Length>("pass_length", 30.0, 0.0, 1000.0),
        /// Course change that ends a pass, degrees. Default 40° (common practice, no source).
        pub turn_deg: f64 = section.number_or("turn_degrees", 40.0, 5.0, 180.0),
        /// Slowest cutting speed, m/s. Default 0.4 m/s (common practice, no source).
        pub speed_least_m_s: f64 = section.quantity_or::<Speed>("speed_least", 0.4, 0.0, 10.0),
        /// Fastest cutting speed, m/s. Default 4 m/s (common practice, no source).
        pub speed_most_m_s: f64 = section.quantity_or::<Speed>("speed_most", 4.0, 0.1, 20.0),
        /// Change of speed within the lag window, percent. Default 20 %: the rule is that of Simbahan, Dobermann & Ping 2004, the
        /// limit is common practice, no source.
        pub speed_change_pct: f64 = section.quantity_or::<Percent>("speed_change", 20.0, 1.0, 1000.0),
        /// Greatest mass flow, kg/s. Default 60 kg/s (common practice, no source).
        pub flow_most_kg_s: f64 = section.quantity_or::<MassFlow>("flow_most", 60.0, 1.0, 500.0),
        /// Least trusted share of the header's width, percent. Default 50 %: below it the ratio's noise doubles (common
        /// practice, no source).
        pub swath_share_pct: f64 = section.quantity_or::<Percent>("swath_share", 50.0, 0.0, 100.0),
        /// Whether swath widths are corrected for ground already cut, where the positions allow it.
        pub overlap: bool = section.boolean("overlap").unwrap_or(true),
        /// Whether yields of several combines are brought to one level.
        pub machine_factors: bool = section.boolean("machine_factors").unwrap_or(true),
        /// Radius of the neighbour rule, m. Default 30 m (common practice, no source).
        pub neighbour_radius_m: f64 = section.quantity_or::<Length>("neighbour_radius", 30.0, 1.0, 500.0),
        /// Limit of the neighbour rule in robust standard deviations. Default 3.5, a limit of ours: a limit of 2 that
        /// is blind to the treatment took 11 to 16 % of a response of 8 % (measured, see `clean/filters/neighbours.rs`).
        pub neighbour_limit: f64 = section.number_or("neighbour_limit", 3.5, 2.0, 100.0),
        /// Fewest neighbours for the rule to speak. Default 8 (common practice, no source).
        pub neighbour_least: u32 = section.integer("neighbour_least", 3, 1000).unwrap_or(8) as u32,
        /// Multiple of the interquartile range in the adjusted box plot. Default 3: the outer fence (Tukey 1977, Exploratory Data
        /// Analysis, section 2D, from memory); the 1.5 of Hubert & Vandervieren 2008 is there to show values, not to remove them.
        pub yield_fence: f64 = section.number_or("yield_fence", 3.0, 1.0, 100.0),
        /// Whether the yield rules run (plausible range, adjusted box plot, neighbours). Default true.
        pub yield_rules: bool = section.boolean("yield_rules").unwrap_or(true),
        /// Distance outside the boundary that is still inside, m. Default 10 m: about a swath (common practice, no
        /// source).
        pub boundary_margin_m: f64 = section.quantity_or::<Length>("boundary_margin", 10.0, 0.0, 500.0),
    }
}

pub(super) fn read(root: &Section<'_, '_>) -> CleanSettings {
    let Some(section) = root.section("clean") else { return CleanSettings::default() };
    let settings = CleanSettings::of(&section);
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
