//! What assigning and joining deliver: the strips, the segments and their soil.

use std::sync::Arc;

use geo::MultiPolygon;
use serde::{Deserialize, Serialize};

use super::{Cautions, Cleaned, JoinedCovariate, SoilLines};

/// One treated or check strip.
#[derive(Debug, Clone)]
pub struct Strip {
    /// Its name, unique in the site-year.
    pub name: String,
    /// Key of the treatment in the archive's settings.
    pub treatment: String,
    /// Name of its block.
    pub block: String,
    /// Its ground, UTM metres; absent where the harvest file carries the labels.
    pub ground: Option<MultiPolygon<f64>>,
    /// Its position across the block's axis, m (used to weight check strips on both sides).
    pub across_m: f64,
}

/// How the trial is laid out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Design {
    /// The blocks' names, sorted.
    pub blocks: Vec<String>,
    /// Strips by treatment key.
    pub strips_by_treatment: std::collections::BTreeMap<String, usize>,
    /// Whether the order was drawn at random within each block.
    pub randomized: bool,
    /// Whether the blocks were formed here from neighbouring strips.
    pub blocks_formed: bool,
}

/// A piece of one strip: the unit the model sees.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    /// Index into the strips.
    pub strip: u32,
    /// Number along the block's axis; the same number in two strips of a block faces the same ground.
    pub along: i32,
    /// Centre of its kept records, UTM m.
    pub x_m: f64,
    /// Centre of its kept records, UTM m.
    pub y_m: f64,
    /// Position of its middle along the block's axis, m.
    pub along_m: f64,
    /// Area harvested by its kept records, m².
    pub area_m2: f64,
    /// Kept records.
    pub points: u32,
    /// Share of its records (kept or removed, straddling ones aside) that were kept.
    pub kept_share: f64,
    /// Dry yield: mass at market moisture of the kept records by their area, kg/ha.
    pub dry_yield_kg_ha: f64,
    /// Area-weighted mean moisture, percent.
    pub moisture_pct: f64,
    /// Area-weighted mean speed, m/s.
    pub speed_m_s: f64,
    /// Share of the area cut by each machine, in the order of the machine labels.
    pub machine_share: Vec<f64>,
    /// Area-weighted mean elevation, m; NaN where not recorded.
    pub elevation_m: f64,
    /// Whether enough of it survived to be used.
    pub usable: bool,
}

/// A record that straddles two strips and cut its full width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Straddling {
    /// Index of the record.
    pub record: u32,
    /// Indices into the strips, rising.
    pub strips: [u32; 2],
    /// Share of its ground on each of them; they sum to 1.
    pub shares: [f64; 2],
    /// Number along the axis of the first strip's block, as [`Segment::along`].
    pub along: i32,
}

/// Points with their strip and segment.
#[derive(Debug, Clone)]
pub struct Assigned {
    /// The cleaned records.
    pub cleaned: Cleaned,
    /// Index into `strips` of each record, or [`super::Labels::NONE`].
    pub strip: Vec<u32>,
    /// Index into `segments` of each record, or [`super::Labels::NONE`].
    pub segment: Vec<u32>,
    /// Whether the record lies within the edge buffer of a strip, or straddles two.
    pub edge: Vec<bool>,
    /// Whether the record straddles two strips, away from their ends (empty where labels tell the strips).
    pub straddles: Vec<bool>,
    /// Of these records the ones whose ground lies on the two strips by known shares.
    pub straddling: Vec<Straddling>,
    /// The strips, sorted by name.
    pub strips: Vec<Strip>,
    /// The segments, sorted by strip, then along it.
    pub segments: Vec<Segment>,
    /// The layout.
    pub design: Design,
    /// What the reader must know (those of cleaning are in `cleaned`).
    pub cautions: Cautions,
}

/// Points and segments with their soil and the site-year's wetness.
#[derive(Debug, Clone)]
pub struct Joined {
    /// What assigning delivered.
    pub assigned: Assigned,
    /// The soil classes of the archive, dry to wet (or the pooled groups), as they are printed.
    pub classes: Vec<String>,
    /// Index into `classes` of each record, or [`super::Labels::NONE`].
    pub point_class: Vec<u32>,
    /// Index into `classes` of each segment, or [`super::Labels::NONE`].
    pub segment_class: Vec<u32>,
    /// Share of the segment's area that has that class.
    pub segment_class_share: Vec<f64>,
    /// Probability that the segment has that class, by the components of its map unit and by where the lines of the soil map may lie: NaN
    /// without a class. The lines count once the response model has moved them.
    pub segment_class_probability: Vec<f64>,
    /// What the ground mapped as each class (by rows) is expected to be, as shares of the classes: that class alone where the map tells
    /// nothing of the components of its units. The rest to 1 has no class.
    pub class_mixture: Vec<Vec<f64>>,
    /// The soil map, where its lines are known only to some metres.
    pub soil_lines: Option<Arc<SoilLines>>,
    /// Mean topographic wetness index of each segment; NaN where no elevation model covers it.
    pub segment_terrain: Vec<f64>,
    /// Mean depth of the depressions of each segment, m; NaN likewise.
    pub segment_depression_m: Vec<f64>,
    /// Other layers of the ground under records and segments, and what holds for the whole field.
    pub covariates: Vec<JoinedCovariate>,
    /// Precipitation departure from normal over the chosen months, mm.
    pub wetness_mm: Option<f64>,
    /// Its class.
    pub wetness_class: Option<String>,
    /// What the reader must know (those of earlier stages are in `assigned`).
    pub cautions: Cautions,
}
