//! Assign: [`Cleaned`] → [`Assigned`]: which strip each swath footprint belongs to, what straddles, and the segments.
//!
//! A record counts for a strip when nearly all of its footprint lies in it; majority would let a straddling record carry
//! a part of the wrong treatment and shrink the response. One that straddles two strips counts for both by its shares. Ground near the ends of a
//! strip is left out, because the machine still delivers grain from before the edge.

mod error;
mod layout;
mod place;
mod segments;

pub use error::AssignError;

use layout::Layout;

use crate::config::{FieldSettings, ModelSettings};
use crate::points::{Assigned, Cautions, Cleaned, Design, Ingested, Labels};

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 4;

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
    Ok(Standing::new(&cleaned, ingested, field)?.assign(cleaned, settings))
}

/// Where the records stand on the strips: all that depends on their ground alone, neither on what is kept of them nor on
/// the buffers at the edges.
#[derive(Debug, Clone)]
pub struct Standing {
    /// `None` for a field without strips.
    on_strips: Option<(Layout, place::Standings)>,
    cautions: Cautions,
}

impl Standing {
    /// Of records on their ground.
    ///
    /// # Errors
    /// [`AssignError`] when the strips cannot be those of the data.
    pub fn new(cleaned: &Cleaned, ingested: &Ingested, field: &FieldSettings) -> Result<Self, AssignError> {
        let mut cautions = Cautions::default();
        let Some(settings) = &field.strips else { return Ok(Self { on_strips: None, cautions }) };
        let (layout, standings) = if ingested.strips.is_empty() {
            if !(0..cleaned.len()).any(|at| cleaned.records.treatment.get(at).is_some()) {
                return Err(AssignError::NoLabels);
            }
            let layout = layout::from_labels(cleaned, settings, &mut cautions);
            let standings = place::by_label(&layout);
            (layout, standings)
        } else {
            let layout = layout::from_polygons(&ingested.strips, settings, &mut cautions);
            let standings = place::by_footprint(cleaned, &layout)?;
            (layout, standings)
        };
        Ok(Self { on_strips: Some((layout, standings)), cautions })
    }

    /// Assigns the records: those of which this is the standing, whatever is kept of them.
    pub fn assign(&self, cleaned: Cleaned, settings: &ModelSettings) -> Assigned {
        let rows = cleaned.len();
        let cautions = self.cautions.clone();
        let Some((layout, standings)) = &self.on_strips else {
            return Assigned {
                cleaned,
                strip: vec![Labels::NONE; rows],
                segment: vec![Labels::NONE; rows],
                edge: vec![false; rows],
                straddles: Vec::new(),
                straddling: Vec::new(),
                strips: Vec::new(),
                segments: Vec::new(),
                design: Design::default(),
                cautions,
            };
        };
        let edge = standings.edges(settings);
        let straddles = standings.straddles(settings);
        let straddling = standings.straddling(&straddles, &cleaned, layout, settings);
        let (segments, segment) = segments::form(&cleaned, layout, &standings.strip, &edge, settings);
        Assigned {
            cleaned,
            strip: standings.strip.clone(),
            segment,
            edge,
            straddles,
            straddling,
            strips: layout.strips.clone(),
            segments,
            design: layout.design.clone(),
            cautions,
        }
    }
}
