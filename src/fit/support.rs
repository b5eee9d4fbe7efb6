//! What a response rests on: a class counts where treated and check segments both have it.

use std::collections::BTreeSet;

use super::trial::{Side, Trial};
use crate::config::ModelSettings;

/// What one comparison rests on.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Support {
    /// Blocks in which both sides have enough segments.
    pub(super) blocks: usize,
    /// Treated strips there.
    pub(super) strips: usize,
    /// Treated segments there.
    pub(super) segments: usize,
    /// Their area, m².
    pub(super) area_m2: f64,
}

/// What the rows of one segment tell of a treatment: block, strip and number along it, and their area on it.
struct Piece {
    at: (usize, usize, i32),
    area_m2: f64,
}

/// One side of a comparison in a block.
struct OfBlock {
    block: usize,
    strips: usize,
    segments: usize,
    area_m2: f64,
}

/// Support of one treatment against another on a class (segments that are nearly all of it), or on all ground.
pub(super) fn support(trial: &Trial<'_>, treated: usize, check: usize, class: Option<usize>, least: usize) -> Support {
    let mut sides: [Vec<Piece>; 2] = [Vec::new(), Vec::new()];
    for row in trial.rows.iter().filter(|row| class.is_none() || row.class == class) {
        for (pieces, of) in sides.iter_mut().zip([treated, check]) {
            let piece =
                |side: Side| Piece { at: (side.block, side.strip, row.along), area_m2: side.share * row.area_m2 };
            pieces.extend(row.tells(of).map(piece));
        }
    }
    let least = least.max(1);
    let [of_treated, of_check] = sides.map(|mut pieces| {
        // the areas of a piece are summed in the order of the rows
        pieces.sort_by_key(|piece| piece.at);
        pieces.dedup_by(|next, piece| {
            next.at == piece.at && {
                piece.area_m2 += next.area_m2;
                true
            }
        });
        let of_block = |pieces: &[Piece]| OfBlock {
            block: pieces[0].at.0,
            strips: pieces.chunk_by(|one, other| one.at.1 == other.at.1).count(),
            segments: pieces.len(),
            area_m2: pieces.iter().map(|piece| piece.area_m2).sum(),
        };
        let blocks = pieces.chunk_by(|one, other| one.at.0 == other.at.0).map(of_block);
        blocks.filter(|block| block.segments >= least).collect::<Vec<_>>()
    });
    let compares = |block: &&OfBlock| of_check.binary_search_by_key(&block.block, |other| other.block).is_ok();
    of_treated.iter().filter(compares).fold(Support::default(), |sum, block| Support {
        blocks: sum.blocks + 1,
        strips: sum.strips + block.strips,
        segments: sum.segments + block.segments,
        area_m2: sum.area_m2 + block.area_m2,
    })
}

/// Strips of a treatment and of the check that could be compared, whatever their blocks: the fewer of the two.
pub(super) fn strips_apart(trial: &Trial<'_>, treated: usize, check: usize) -> usize {
    let strips = |of: usize| {
        let tells = trial.rows.iter().flat_map(|row| row.tells(of));
        tells.map(|side| side.strip).collect::<BTreeSet<_>>().len()
    };
    strips(treated).min(strips(check))
}

/// The classes on which each treatment (the check's entry is empty) has a response of its own.
pub(super) fn estimable_classes(trial: &Trial<'_>, settings: &ModelSettings) -> Vec<Vec<usize>> {
    (0..trial.treatments.len())
        .map(|treatment| {
            // a single block is a demonstration, on any soil
            if treatment == 0 || !is_replicated(trial, treatment, 0) {
                return Vec::new();
            }
            (0..trial.joined.classes.len())
                .filter(|&class| {
                    let least = settings.class_segments as usize;
                    let found = support(trial, treatment, 0, Some(class), least);
                    // The field joins ground within reach, whatever its block.
                    let both = [0, treatment].iter().all(|&side| ground_of(trial, side, class) >= least);
                    both && found.blocks >= settings.class_blocks as usize
                })
                .collect()
        })
        .collect()
}

/// Whether a comparison has an error of its own: at least two blocks compare, or one does and there are at least two strips a side,
/// those of other blocks included, which the field joins.
pub(super) fn is_replicated(trial: &Trial<'_>, treated: usize, check: usize) -> bool {
    let comparing = support(trial, treated, check, None, 1).blocks;
    let blocks: BTreeSet<usize> = trial.rows.iter().flat_map(|row| row.sides.iter()).map(|side| side.block).collect();
    comparing > 1 || comparing == 1 && blocks.len() > 1 && strips_apart(trial, treated, check) > 1
}

/// Segments of one treatment that are nearly all of a class.
fn ground_of(trial: &Trial<'_>, treatment: usize, class: usize) -> usize {
    let of_class = trial.rows.iter().filter(|row| row.class == Some(class));
    let pieces = of_class.flat_map(|row| row.tells(treatment).map(|side| (side.strip, row.along)));
    pieces.collect::<BTreeSet<_>>().len()
}
