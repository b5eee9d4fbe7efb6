//! `[target]`: next season's plan.

use serde::Serialize;

use super::section::Section;
use crate::quantity::Length;

/// The resolved settings of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TargetSettings {
    /// How sure it must be that treating pays (or does not) before it is said. Default 0.80 (common practice, no source).
    pub sure: f64,
    /// Shortest stretch for which the machine is switched on or off, m. Default 30 m: a switch takes a few seconds at some
    /// 2 m/s (common practice, no source).
    pub least_run_m: f64,
    /// Width that is switched as one, m. Default 30 ft.
    pub width_m: f64,
}

impl Default for TargetSettings {
    fn default() -> Self {
        Self { sure: 0.80, least_run_m: 30.0, width_m: 9.144 }
    }
}

pub(super) fn read(root: &Section<'_, '_>) -> TargetSettings {
    let default = TargetSettings::default();
    let Some(section) = root.section("target") else { return default };
    let settings = TargetSettings {
        sure: section.number_or("sure", default.sure, 0.5, 0.999),
        least_run_m: section.quantity_or::<Length>("least_run", default.least_run_m, 0.0, 1000.0),
        width_m: section.quantity_or::<Length>("width", default.width_m, 0.5, 100.0),
    };
    section.finish_known();
    settings
}
