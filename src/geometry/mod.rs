//! Geometry: coordinate reference systems, footprints, polygon index, neighbours.
//!
//! Knows nothing of agriculture. Plane coordinates are metres unless a name says otherwise; x is longitude or easting
//! and comes first everywhere, whatever axis order a reference system declares.

pub(crate) mod clip;
mod crs;
mod footprint;
pub(crate) mod frame;
mod neighbours;
mod polygons;
mod projector;
mod repair;
mod rings;
mod utm;

pub use crs::Crs;
pub(crate) use crs::CrsError;
pub(crate) use footprint::Footprint;
pub(crate) use frame::Frame;
pub use neighbours::NeighbourGrid;
pub(crate) use polygons::PolygonIndex;
pub use projector::Projector;
pub(crate) use projector::looks_swapped;
pub(crate) use repair::{Validity, repair};
pub(crate) use rings::rings;
pub(crate) use utm::{true_north, utm_epsg_of};
