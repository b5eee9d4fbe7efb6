//! What ingest delivers beside the records: the field's boundary, strips, soils and wetness.

use std::sync::Arc;

use geo::MultiPolygon;

use super::{Applied, AppliedLog, Cautions, Covariate, Measure, Records};
use crate::geometry::PolygonIndex;
use crate::raster::Raster;

/// A strip's polygon with its labels, UTM metres.
#[derive(Debug, Clone, PartialEq)]
pub struct StripGround {
    /// Its ground.
    pub ground: MultiPolygon<f64>,
    /// Key of its treatment.
    pub treatment: String,
    /// Its block, where given.
    pub block: Option<String>,
    /// Its name, where given.
    pub name: Option<String>,
}

/// A soil polygon, UTM metres.
#[derive(Debug, Clone, PartialEq)]
pub struct SoilGround {
    /// Its ground.
    pub ground: MultiPolygon<f64>,
    /// Index into the classes of the soil settings; absent for water, pits and the like.
    pub class: Option<usize>,
    /// Shares of the classes among the components of its map unit, percent, dry to wet; empty where only the class is known. They
    /// sum to less than 100 where components have no class.
    pub class_pct: Vec<(usize, f64)>,
    /// Whether it is tiled, where that is known.
    pub tiled: Option<bool>,
}

/// A soil map whose lines are known only to some metres, to be asked at places from which they may have been moved.
#[derive(Debug, Clone)]
pub struct SoilLines {
    /// Its polygons, UTM metres.
    pub index: PolygonIndex,
    /// Index into the classes of the model of each polygon, or [`super::Labels::NONE`].
    pub zones: Vec<u32>,
    /// Standard deviation of a line's place in each direction, m.
    pub error_m: f64,
}

impl SoilLines {
    /// The class at a place, or [`super::Labels::NONE`].
    pub fn zone_at(&self, x_m: f64, y_m: f64) -> u32 {
        self.index.locate(x_m, y_m).map_or(super::Labels::NONE, |polygon| self.zones[polygon as usize])
    }
}

/// An elevation model about a field.
#[derive(Debug, Clone)]
pub struct Surface {
    /// Elevations, m, in the raster's own reference system.
    pub raster: Raster,
    /// Width and height of a cell on the ground, m.
    pub cell_m: (f64, f64),
}

/// A weighed load.
#[derive(Debug, Clone, PartialEq)]
pub struct Ticket {
    /// Its load's name; `field total` for the whole field.
    pub load: String,
    /// The strip whose whole grain was weighed; absent for a load.
    pub strip: Option<String>,
    /// The combine; absent for a ticket over all of them.
    pub machine: Option<String>,
    /// First and last moment of its harvest, seconds since 1970-01-01T00:00:00Z; absent over the whole field.
    pub time_s: Option<(f64, f64)>,
    /// Net wet weight, kg.
    pub net_kg: f64,
    /// Moisture by the scale's meter, percent wet basis.
    pub moisture_pct: Option<f64>,
}

/// A site-year's files in memory.
#[derive(Debug, Clone)]
pub struct Ingested {
    /// The records.
    pub records: Arc<Records>,
    /// The boundary, UTM metres.
    pub boundary: Option<MultiPolygon<f64>>,
    /// The strips; empty where the field is only mapped or the records carry the labels.
    pub strips: Vec<StripGround>,
    /// The soil polygons near the field.
    pub soils: Vec<SoilGround>,
    /// Precipitation departure from normal over the chosen months, mm.
    pub wetness_mm: Option<f64>,
    /// The measure that the wetness classes are made of: mm, percent of normal, or standard deviations.
    pub wetness_measure: Option<f64>,
    /// The surface of the field and its surroundings.
    pub surface: Option<Surface>,
    /// Scale tickets.
    pub tickets: Vec<Ticket>,
    /// Distance between the rows of the crop, m, where it is given.
    pub row_spacing_m: Option<f64>,
    /// The logs of what was put down, in the order of application.
    pub logs: Vec<AppliedLog>,
    /// What became of them; absent without logs.
    pub applied: Option<Applied>,
    /// Counts and ratings, by measure.
    pub observed: Vec<Measure>,
    /// Other layers of the ground.
    pub covariates: Vec<Covariate>,
    /// What the reader must know.
    pub cautions: Cautions,
}
