//! On which strip the ground of each record lies.

use super::ground::Ground;
use crate::geometry::PolygonIndex;
use crate::points::{Ingested, Labels, Records};

/// The strip and the treatment of the ground of each record.
#[derive(Debug, Clone)]
pub(super) struct OnStrips {
    /// Whether the treatments are known at all.
    pub(super) known: bool,
    /// Code of the treatment, [`Labels::NONE`] outside the strips.
    pub(super) treatment: Vec<u32>,
    pub(super) strip: Vec<Option<u32>>,
    pub(super) strip_names: Vec<String>,
}

impl OnStrips {
    pub(super) fn new(ingested: &Ingested, records: &Records, ground: &Ground) -> Self {
        let rows = records.len();
        if records.treatment.is_present() {
            let strip = (0..rows).map(|at| records.strip.codes.get(at).copied().filter(|&code| code != Labels::NONE));
            return Self {
                known: true,
                treatment: records.treatment.codes.clone(),
                strip: strip.collect(),
                strip_names: records.strip.names.clone(),
            };
        }
        let strips = &ingested.strips;
        let strip_names = strips.iter().map(|strip| strip.name.clone().unwrap_or_default()).collect();
        if strips.is_empty() {
            return Self { known: false, treatment: vec![Labels::NONE; rows], strip: vec![None; rows], strip_names };
        }
        let mut names: Vec<&str> = strips.iter().map(|strip| strip.treatment.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        let code_of: Vec<u32> = strips
            .iter()
            .map(|strip| names.binary_search(&strip.treatment.as_str()).map_or(Labels::NONE, |code| code as u32))
            .collect();
        let index = PolygonIndex::new(strips.iter().map(|strip| strip.ground.clone()).collect());
        let strip: Vec<Option<u32>> = ground.x_m.iter().zip(&ground.y_m).map(|(&x, &y)| index.locate(x, y)).collect();
        let treatment = strip.iter().map(|at| at.map_or(Labels::NONE, |strip| code_of[strip as usize])).collect();
        Self { known: true, treatment, strip, strip_names }
    }
}
