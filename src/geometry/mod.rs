//! Geometry: coordinate reference systems, footprints, polygon index, tracks.
//!
//! Knows nothing of agriculture.
