//! Fit: [`Joined`] → the response of one site-year, by soil class and over the whole field.
//!
//! The strip is the unit to which a treatment was assigned, so the block is the unit of inference: ten thousand records
//! of four blocks are four differences. Differences are taken between segments that face each other, which removes the
//! trend along the strips, the combine's level and most of the field's pattern; blocks are then compared with each other.

mod differences;
mod doubts;
mod estimate;

use std::collections::BTreeMap;

use crate::config::{ArchiveSettings, ModelSettings};
use crate::points::{Caution, Cautions, Joined, Labels};
use crate::results::{BlockDifference, Estimate, RemovalByTreatment, Response, ResponseKey, Returns};

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 1;

/// What the fit delivers.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Fit {
    /// Treatment × class, then the whole field, by treatment in the order of the settings.
    pub responses: Vec<Response>,
    /// Differences by block.
    pub differences: Vec<BlockDifference>,
    /// Variance components by name, (kg/ha)².
    pub variance: BTreeMap<String, f64>,
    /// Removal on the strips, by treatment.
    pub removal_by_treatment: Vec<RemovalByTreatment>,
    /// Reasons to doubt the site-year as a whole.
    pub cautions: Cautions,
}

/// Leaves blocks out, for the sensitivity of the answer.
#[derive(Debug, Clone, Copy, Default)]
pub struct Leave<'b> {
    /// The block to leave out.
    pub block: Option<&'b str>,
}

/// Fits a site-year; a field without strips has no responses.
pub fn run(joined: &Joined, archive: &ArchiveSettings, leave: Leave<'_>) -> Fit {
    let assigned = &joined.assigned;
    let Some(check) = archive.check() else { return Fit::default() };
    if assigned.strips.is_empty() {
        return Fit::default();
    }
    let mut cautions = Cautions::default();
    let treated: Vec<&str> = archive
        .treatments
        .iter()
        .map(|treatment| treatment.key.as_str())
        .filter(|key| *key != check.key && assigned.strips.iter().any(|strip| strip.treatment == **key))
        .collect();
    let present = present_classes(joined);
    let removal_by_treatment = doubts::removal(assigned, archive, &mut cautions);
    doubts::of_the_design(joined, &check.key, &mut cautions);

    let mut fit = Fit { removal_by_treatment, ..Fit::default() };
    for treatment in treated {
        let facing = differences::facing_segments(joined, treatment, &check.key, leave.block);
        let mut own = Cautions::default();
        doubts::of_the_comparison(joined, &facing, &mut own);
        for class in present.iter().map(|&class| Some(class)).chain([None]) {
            let key = ResponseKey { treatment: treatment.to_owned(), class };
            let least = if class.is_some() { archive.model.class_segments as usize } else { 1 };
            let compared = differences::by_block(joined, &facing, &key, least);
            let response = respond(joined, key, &compared, &archive.model, &own);
            if class.is_none()
                && let Some(variance) = estimate::between_blocks(&compared.differences)
            {
                fit.variance.insert(format!("{treatment}: between blocks"), variance);
            }
            fit.responses.push(response);
            fit.differences.extend(compared.differences);
        }
    }
    fit.cautions = cautions;
    fit
}

/// The classes that some usable segment has.
fn present_classes(joined: &Joined) -> Vec<usize> {
    (0..joined.classes.len())
        .filter(|&class| {
            joined
                .segment_class
                .iter()
                .zip(&joined.assigned.segments)
                .any(|(&code, segment)| segment.usable && code != Labels::NONE && code as usize == class)
        })
        .collect()
}

fn respond(
    joined: &Joined,
    key: ResponseKey,
    compared: &differences::Compared,
    settings: &ModelSettings,
    cautions: &Cautions,
) -> Response {
    let mut cautions = cautions.clone();
    let blocks = compared.differences.len();
    // A class must be compared in several blocks; the whole field is told even from one, without an interval.
    let enough = if key.class.is_none() { blocks >= 1 } else { blocks >= settings.class_blocks as usize };
    let estimate = if enough {
        estimate::from_blocks(&compared.differences, settings.confidence, settings.seed)
    } else {
        cautions.add(Caution::NotEstimable, format!("compared in {blocks} blocks"));
        Estimate::default()
    };
    match blocks {
        1 => cautions.add(Caution::Unreplicated, ""),
        2 | 3 => cautions.add(Caution::FewBlocks, format!("{blocks} blocks")),
        _ => {}
    }
    Response {
        class_name: key.class.map_or_else(|| "all".to_owned(), |class| joined.classes[class].clone()),
        key,
        blocks,
        strips: compared.strips,
        segments: compared.segments,
        area_m2: compared.area_m2,
        check_yield: compared.check_yield.filter(|_| enough),
        treated_yield: compared.treated_yield.filter(|_| enough),
        check_moisture_pct: compared.check_moisture_pct,
        treated_moisture_pct: compared.treated_moisture_pct,
        estimate,
        returns: Returns::default(),
        cautions,
    }
}
