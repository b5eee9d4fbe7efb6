//! `[target]`: next season's plan.

use std::collections::BTreeMap;

use super::section::{Section, settings};
use super::treatments::cost_rate;
use crate::quantity::{Bearing, Currency, Length, MoneyRate, Quantity};

/// Fewest blocks that are drawn: two differences have one degree of freedom.
pub const FEWEST_BLOCKS: u32 = 3;

settings! {
    /// The resolved settings of the plan.
    pub struct TargetSettings, read from section {
        /// How sure it must be that treating pays (or does not) before it is said. Default 0.80 (common practice, no source).
        pub sure: f64 = section.number_or("sure", 0.80, 0.5, 0.999),
        /// Shortest stretch for which the machine is switched on or off, m. Default 30 m: a switch takes a few seconds at some
        /// 2 m/s (common practice, no source).
        pub least_run_m: f64 = section.quantity_or::<Length>("least_run", 30.0, 0.0, 1000.0),
        /// Width that is switched as one, m. Default 30 ft (common practice, no source).
        pub width_m: f64 = section.quantity_or::<Length>("width", 9.144, 0.5, 100.0),
        /// What it costs to follow a map of zones in place of one choice for the whole field, money per hectare of that field. Default 0:
        /// not known. Fields whose zones promise less get one choice. No site-year depends on it.
        #[serde(skip)]
        pub zone_cost_per_ha: f64 = 0.0,
        /// How strips are laid out; absent without a planter width: then none are drawn. No site-year depends on it.
        #[serde(skip)]
        pub strips: Option<StripLayoutSettings> = strips(section),
    }
}

settings! {
    /// How next season's strips are laid out.
    pub struct StripLayoutSettings, read from section {
        /// Width that the planter, or whatever applies the treatment, covers in one pass, m.
        pub planter_m: f64 = section.given::<Length>("planter", 0.5, 60.0).unwrap_or(f64::NAN),
        /// Width of the combine's header, m; absent: that of the field's last harvest.
        pub header_m: Option<f64> = section.given::<Length>("header", 0.5, 30.0),
        /// Ground at each side of a strip that counts for nothing, m. Default 2.5 ft: one row of 30 in, enough for what goes
        /// into the furrow; sprayed or systemic products take two (common practice, no source).
        pub guard_m: f64 = section.quantity_or::<Length>("guard", 0.762, 0.0, 30.0),
        /// Blocks in a field. Default 6; four are the least that is advised, three the least that is drawn (common practice, no
        /// source).
        pub blocks: usize = section.integer("blocks", FEWEST_BLOCKS.into(), 40).unwrap_or(6) as usize,
        /// Ground left out at each end of the strips, m; absent: two widths of the planter or the header, whichever is wider
        /// (common practice, no source).
        pub end_rows_m: Option<f64> = section.given::<Length>("end_rows", 0.0, 200.0),
        /// Shortest strip, m. Default 200 m (common practice, no source).
        pub least_strip_m: f64 = section.quantity_or::<Length>("least_strip", 200.0, 30.0, 5000.0),
        /// Seed of the order of the treatments. Default 1.
        pub seed: u64 = section.integer("seed", 0, i64::MAX).unwrap_or(1) as u64,
        /// Direction of the strips where it is set: by `farm/field`, degrees clockwise from true north.
        pub directions_deg: BTreeMap<String, f64> = directions(section),
    }
}

impl StripLayoutSettings {
    /// The defaults for a planter.
    pub fn of_planter(planter_m: f64) -> Self {
        Self { planter_m, ..Self::default() }
    }
}

/// What can be said of strips only when the planter is known.
const WITH_PLANTER: [&str; 7] = ["header", "guard", "blocks", "end_rows", "least_strip", "seed", "directions"];

pub(super) fn read(root: &Section<'_, '_>, currency: &mut Option<Currency>) -> TargetSettings {
    let Some(section) = root.section("target") else { return TargetSettings::default() };
    let zone_cost = cost_rate(&section, "zone_cost", MoneyRate::parse_cost, currency).and_then(MoneyRate::per_ha);
    let settings = TargetSettings::of(&section);
    let settings = TargetSettings { zone_cost_per_ha: zone_cost.unwrap_or(settings.zone_cost_per_ha), ..settings };
    section.finish_known();
    settings
}

/// Every key is read, with or without a planter, so that each fault is reported at once.
fn strips(section: &Section<'_, '_>) -> Option<StripLayoutSettings> {
    let settings = StripLayoutSettings::of(section);
    if !section.has("planter") {
        for key in WITH_PLANTER.into_iter().filter(|key| section.has(key)) {
            section.fault(key, "is of no use without `planter`, the width that the planter covers in one pass");
        }
    }
    settings.planter_m.is_finite().then_some(settings)
}

fn directions(section: &Section<'_, '_>) -> BTreeMap<String, f64> {
    let Some(table) = section.section("directions") else { return BTreeMap::new() };
    let mut found = BTreeMap::new();
    for key in table.keys() {
        let Some(bearing) = table.quantity::<Bearing>(&key) else { continue };
        let degrees = bearing.si();
        if !key.contains('/') {
            table.fault(&key, "expected \"farm/field\", such as \"Marrow Creek/North Eighty\"");
        } else if (0.0..=360.0).contains(&degrees) {
            found.insert(key, degrees);
        } else {
            table.fault(&key, format!("must lie between 0 and 360 deg, found {degrees} deg"));
        }
    }
    found
}
