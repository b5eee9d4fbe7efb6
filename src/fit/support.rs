//! What a response rests on: a class counts where treated and check segments both have it.

use std::collections::{BTreeMap, BTreeSet};

use super::trial::Trial;
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

/// Support of one treatment against another on a class (segments that are nearly all of it), or on all ground.
pub(super) fn support(trial: &Trial<'_>, treated: usize, check: usize, class: Option<usize>, least: usize) -> Support {
    // pieces of strips: strip, and number along it
    let mut segments: BTreeMap<usize, [BTreeSet<(usize, i32)>; 2]> = BTreeMap::new();
    let on_class = |row: &&super::trial::Row| class.is_none() || row.class == class;
    for row in trial.rows.iter().filter(on_class) {
        for (at, of) in [treated, check].into_iter().enumerate() {
            for side in row.tells(of) {
                segments.entry(side.block).or_default()[at].insert((side.strip, row.along));
            }
        }
    }
    let least = least.max(1);
    let enough = |sides: &[BTreeSet<(usize, i32)>; 2]| sides.iter().all(|side| side.len() >= least);
    let blocks: BTreeSet<usize> = segments.iter().filter(|(_, sides)| enough(sides)).map(|(&block, _)| block).collect();
    let mut found = Support { blocks: blocks.len(), ..Support::default() };
    let (mut strips, mut treated_segments) = (BTreeSet::new(), BTreeSet::new());
    for row in trial.rows.iter().filter(on_class) {
        for side in row.tells(treated).filter(|side| blocks.contains(&side.block)) {
            strips.insert(side.strip);
            treated_segments.insert((side.strip, row.along));
            found.area_m2 += side.share * row.area_m2;
        }
    }
    found.strips = strips.len();
    found.segments = treated_segments.len();
    found
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
