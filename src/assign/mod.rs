//! Assign: [`Cleaned`] → [`Assigned`]: which strip each swath footprint belongs to, what straddles, and the segments.
//!
//! A record counts for a strip when nearly all of its footprint lies in it; majority would let a straddling record carry
//! a part of the wrong treatment and shrink the response. Ground near the ends of a strip is left out, because the
//! machine still delivers grain from before the edge.

mod error;
mod layout;
mod place;
mod segments;

pub use error::AssignError;

use crate::config::{FieldSettings, ModelSettings};
use crate::points::{Assigned, Cautions, Cleaned, Design, Ingested, Labels};

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 1;

/// Assigns the records; a field without strips comes back without segments.
///
/// # Errors
/// [`AssignError`] when the strips cannot be those of the data.
pub fn run(
    cleaned: Cleaned,
    ingested: &Ingested,
    field: &FieldSettings,
    settings: &ModelSettings,
) -> Result<Assigned, AssignError> {
    let mut cautions = Cautions::default();
    let rows = cleaned.len();
    let Some(strip_settings) = &field.strips else {
        return Ok(Assigned {
            cleaned,
            strip: vec![Labels::NONE; rows],
            segment: vec![Labels::NONE; rows],
            edge: vec![false; rows],
            strips: Vec::new(),
            segments: Vec::new(),
            design: Design::default(),
            cautions,
        });
    };
    let (layout, placed) = if ingested.strips.is_empty() {
        if !(0..rows).any(|at| cleaned.records.treatment.get(at).is_some()) {
            return Err(AssignError::NoLabels);
        }
        let layout = layout::from_labels(&cleaned, strip_settings, &mut cautions);
        let placed = place::by_label(&layout);
        (layout, placed)
    } else {
        let layout = layout::from_polygons(&ingested.strips, strip_settings, &mut cautions);
        let placed = place::by_footprint(&cleaned, &layout, settings)?;
        (layout, placed)
    };
    let (segments, segment) = segments::form(&cleaned, &layout, &placed, settings);
    Ok(Assigned {
        cleaned,
        strip: placed.strip,
        segment,
        edge: placed.edge,
        strips: layout.strips,
        segments,
        design: layout.design,
        cautions,
    })
}
