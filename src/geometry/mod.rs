//! Geometry: coordinate reference systems, footprints, polygon index, neighbours.
//!
//! Knows nothing of agriculture. Plane coordinates are metres unless a name says otherwise; x is longitude or easting
//! and comes first everywhere, whatever axis order a reference system declares.

pub mod buffer;
pub mod clip;
pub mod crs;
pub mod footprint;
pub mod frame;
pub mod neighbours;
pub mod polygons;
mod projector;
pub mod repair;
mod rings;
pub mod utm;

pub use buffer::{inward, inward_along_across};
pub use crs::{Crs, CrsError};
pub use footprint::Footprint;
pub use frame::Frame;
pub use neighbours::NeighbourGrid;
pub use polygons::PolygonIndex;
pub use projector::{Projector, looks_swapped};
pub use repair::{Repair, Validity, repair};
pub use rings::rings;
pub use utm::{utm_epsg, utm_epsg_of};
