//! `[model]`: segments, buffers, and what may be estimated.

use super::section::{Section, settings};
use crate::quantity::{Length, Percent};

settings! {
    /// The resolved settings of assigning and of the response model.
    pub struct ModelSettings, read from section {
        /// Length of a segment along its strip, m. Default 20 m: longer than the smear of the grain flow, about
        /// 3 × speed × mixing time (common practice, no source).
        pub segment_length_m: f64 = section.quantity_or::<Length>("segment_length", 20.0, 5.0, 500.0),
        /// Coverage of the intervals. Default 0.90: what field trials of few blocks are often reported with (common practice, no source).
        pub confidence: f64 = section.number_or("confidence", 0.90, 0.5, 0.999),
        /// Ground left out at each end of a strip along the direction of travel, m. Default 20 m (ours: at 2.2 m/s and a mixing
        /// time of 3 s, exp(−20 / (2.2 × 3)) = 5 % of the grain still comes from before the edge).
        pub edge_along_m: f64 = section.quantity_or::<Length>("edge_along", 20.0, 0.0, 500.0),
        /// Ground left out along the sides of a strip, m, beyond what the footprint's share already excludes. Default 0 m.
        pub edge_across_m: f64 = section.quantity_or::<Length>("edge_across", 0.0, 0.0, 50.0),
        /// Share of a record's footprint that must lie in one strip, percent. Default 95 % (common practice, no source).
        pub footprint_share_pct: f64 = section.quantity_or::<Percent>("footprint_share", 95.0, 50.0, 100.0),
        /// Share of a segment's records that must be kept for it to be used, percent. Default 60 % (common practice, no
        /// source).
        pub segment_kept_pct: f64 = section.quantity_or::<Percent>("segment_kept", 60.0, 0.0, 100.0),
        /// Fewest kept records in a segment. Default 1: the ends of a strip count by their area (ours).
        pub segment_records: u32 = section.integer("segment_records", 1, 1000) .unwrap_or(1) as u32,
        /// Share of a segment's area that must be of one soil class, percent. Default 80 % (common practice, no source).
        pub class_share_pct: f64 = section.quantity_or::<Percent>("class_share", 80.0, 50.0, 100.0),
        /// Fewest segments of a class, treated and untreated each. Default 2, that is 40 m (common practice, no source).
        pub class_segments: u32 = section.integer("class_segments", 1, 1000).unwrap_or(2) as u32,
        /// Fewest blocks in which a class must be compared. Default 0: the field model joins treated and check ground of a class within
        /// reach of each other, whatever its block, and its interval says how well (ours).
        pub class_blocks: u32 = section.integer("class_blocks", 0, 1000).unwrap_or(0) as u32,
        /// Seed of every random draw (sign flips beyond 16 blocks, bootstrap).
        pub seed: u64 = section.integer("seed", 0, i64::MAX).unwrap_or(1) as u64,
    }
}

pub(super) fn read(root: &Section<'_, '_>) -> ModelSettings {
    let Some(section) = root.section("model") else { return ModelSettings::default() };
    let settings = ModelSettings::of(&section);
    section.finish_known();
    settings
}
