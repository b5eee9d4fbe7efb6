//! Rasters: read, write, sample.
//!
//! Knows nothing of agriculture.
