//! The ground of a field without its records: what a plan is drawn on.

use geo::{BoundingRect, ConvexHull, MultiPolygon};

use super::layers::{self, SharedLayers};
use super::wetness::{self, SeasonGrids, Wetness};
use super::{IngestError, SiteYearFiles};
use crate::config::{ArchiveSettings, FieldSettings, WetnessSettings};
use crate::geometry::Crs;
use crate::points::{Cautions, SoilGround};

/// The ground of a field, UTM metres.
#[derive(Debug, Clone)]
pub struct FieldGround {
    /// The boundary, or the hull of the strips; absent where the field has neither.
    pub field: Option<MultiPolygon<f64>>,
    /// The soil polygons that touch it.
    pub soils: Vec<SoilGround>,
}

/// Reads boundary, strips and soils; `epsg` is the field's UTM zone.
///
/// # Errors
/// [`IngestError`] as when the site-year is read.
pub fn ground(
    files: &SiteYearFiles,
    field: &FieldSettings,
    archive: &ArchiveSettings,
    shared: &SharedLayers,
    epsg: u32,
) -> Result<FieldGround, IngestError> {
    let utm = Crs::from_epsg(epsg).map_err(|error| IngestError::Contradiction(error.to_string()))?;
    let mut cautions = Cautions::default();
    let mut ground = None;
    if let Some(file) = &files.boundary {
        let layer = layers::Layer::of_boundary(file, field, archive.read)?;
        ground = Some(layers::boundary(&layer, &utm, &mut cautions)?);
    } else if let (Some(file), Some(settings)) = (&files.strips, &field.strips) {
        let layer =
            layers::Layer::read(file, &layers::strip_attributes(settings), settings.crs.as_deref(), archive.read)?;
        let strips = layers::strips(&layer, settings, archive, &utm, &mut cautions)?;
        let parts: Vec<_> = strips.into_iter().flat_map(|strip| strip.ground.0).collect();
        ground = Some(MultiPolygon::new(vec![MultiPolygon::new(parts).convex_hull()]));
    }
    let soils = match ground.as_ref().and_then(BoundingRect::bounding_rect) {
        Some(rect) => {
            let extent = [rect.min().x, rect.min().y, rect.max().x, rect.max().y];
            shared.soils_near(files, archive, extent, &utm, &mut cautions)?
        }
        None => Vec::new(),
    };
    Ok(FieldGround { field: ground, soils })
}

/// The wetness of a season at a place (degrees); `None` where a grid holds no data.
///
/// # Errors
/// [`IngestError`] for a grid that is missing or damaged.
pub fn wetness_at(
    grids: &SeasonGrids,
    settings: &WetnessSettings,
    longitude_deg: f64,
    latitude_deg: f64,
) -> Result<Option<Wetness>, IngestError> {
    let most_bytes = crate::config::ReadSettings::default().most_unpacked_bytes;
    wetness::wetness(grids, settings, most_bytes, &Crs::wgs84(), (longitude_deg, latitude_deg))
}
