//! `[model]`: segments, buffers, and what may be estimated.

use serde::Serialize;

use super::section::Section;
use crate::quantity::{Length, Percent};

/// The resolved settings of assigning and of the response model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ModelSettings {
    /// Length of a segment along its strip, m. Default 20 m: longer than the smear of the grain flow, about
    /// 3 × speed × mixing time (common practice, no source).
    pub segment_length_m: f64,
    /// Coverage of the intervals. Default 0.90: what field trials of few blocks are often told with (common practice, no source).
    pub confidence: f64,
    /// Ground left out at each end of a strip along the direction of travel, m. Default 20 m (ours: at 2.2 m/s and a mixing
    /// time of 3 s, exp(−20 / (2.2 × 3)) = 5 % of the grain still comes from before the edge).
    pub edge_along_m: f64,
    /// Ground left out along the sides of a strip, m, beyond what the footprint's share already excludes. Default 0 m.
    pub edge_across_m: f64,
    /// Share of a record's footprint that must lie in one strip, percent. Default 95 % (common practice, no source).
    pub footprint_share_pct: f64,
    /// Share of a segment's records that must be kept for it to be used, percent. Default 60 % (common practice, no
    /// source).
    pub segment_kept_pct: f64,
    /// Fewest kept records in a segment. Default 1: the ends of a strip count by their area (ours).
    pub segment_records: u32,
    /// Share of a segment's area that must be of one soil class, percent. Default 80 % (common practice, no source).
    pub class_share_pct: f64,
    /// Fewest segments of a class, treated and untreated each. Default 2, that is 40 m (common practice, no source).
    pub class_segments: u32,
    /// Fewest blocks in which a class must be compared. Default 0: the field model joins treated and check ground of a class within
    /// reach of each other, whatever its block, and its interval says how well (ours).
    pub class_blocks: u32,
    /// Seed of every random draw (sign flips beyond 16 blocks, bootstrap).
    pub seed: u64,
}

impl Default for ModelSettings {
    fn default() -> Self {
        Self {
            segment_length_m: 20.0,
            confidence: 0.90,
            edge_along_m: 20.0,
            edge_across_m: 0.0,
            footprint_share_pct: 95.0,
            segment_kept_pct: 60.0,
            segment_records: 1,
            class_share_pct: 80.0,
            class_segments: 2,
            class_blocks: 0,
            seed: 1,
        }
    }
}

pub(super) fn read(root: &Section<'_, '_>) -> ModelSettings {
    let default = ModelSettings::default();
    let Some(section) = root.section("model") else { return default };
    let settings = ModelSettings {
        segment_length_m: section.quantity_or::<Length>("segment_length", default.segment_length_m, 5.0, 500.0),
        confidence: section.number_or("confidence", default.confidence, 0.5, 0.999),
        edge_along_m: section.quantity_or::<Length>("edge_along", default.edge_along_m, 0.0, 500.0),
        edge_across_m: section.quantity_or::<Length>("edge_across", default.edge_across_m, 0.0, 50.0),
        footprint_share_pct: section.quantity_or::<Percent>(
            "footprint_share",
            default.footprint_share_pct,
            50.0,
            100.0,
        ),
        segment_kept_pct: section.quantity_or::<Percent>("segment_kept", default.segment_kept_pct, 0.0, 100.0),
        segment_records: section
            .integer("segment_records", 1, 1000)
            .map_or(default.segment_records, |records| records as u32),
        class_share_pct: section.quantity_or::<Percent>("class_share", default.class_share_pct, 50.0, 100.0),
        class_segments: section.integer("class_segments", 1, 1000).map_or(default.class_segments, |n| n as u32),
        class_blocks: section.integer("class_blocks", 0, 1000).map_or(default.class_blocks, |n| n as u32),
        seed: section.integer("seed", 0, i64::MAX).map_or(default.seed, |seed| seed as u64),
    };
    section.finish_known();
    settings
}
