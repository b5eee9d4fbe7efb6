//! Treated minus check between segments that face each other, and their means by block.

use std::collections::BTreeMap;

use crate::config::ArchiveSettings;
use crate::points::{Joined, Labels};
use crate::results::{BlockDifference, ResponseKey, SegmentDifference};

/// A treated segment with the check facing it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Facing {
    /// Index of the treated segment.
    pub(super) treated: usize,
    /// Indices and weights of the check segments: one, or one on either side weighted by distance, which removes a linear
    /// trend across the block.
    pub(super) check: [(usize, f64); 2],
}

/// All facing pairs of a treatment, in the order of the segments.
pub(super) fn facing_segments(joined: &Joined, treatment: &str, check: &str) -> Vec<Facing> {
    let assigned = &joined.assigned;
    // Usable check segments by block and place along it.
    let mut checks: BTreeMap<(&str, i32), Vec<usize>> = BTreeMap::new();
    for (at, segment) in assigned.segments.iter().enumerate() {
        let strip = &assigned.strips[segment.strip as usize];
        if strip.treatment == check && segment.usable {
            checks.entry((strip.block.as_str(), segment.along)).or_default().push(at);
        }
    }
    let across = |at: usize| assigned.strips[assigned.segments[at].strip as usize].across_m;
    let mut all = Vec::new();
    for (at, segment) in assigned.segments.iter().enumerate() {
        let strip = &assigned.strips[segment.strip as usize];
        if strip.treatment != treatment || !segment.usable {
            continue;
        }
        let Some(near) = checks.get(&(strip.block.as_str(), segment.along)) else { continue };
        let nearest = |left: bool| {
            near.iter()
                .copied()
                .filter(|&check| (across(check) < across(at)) == left)
                .min_by(|&a, &b| (across(a) - across(at)).abs().total_cmp(&(across(b) - across(at)).abs()))
        };
        let check = match (nearest(true), nearest(false)) {
            (Some(left), Some(right)) => {
                let (to_left, to_right) = ((across(left) - across(at)).abs(), (across(right) - across(at)).abs());
                let share = to_right / (to_left + to_right);
                [(left, share), (right, 1.0 - share)]
            }
            (Some(one), None) | (None, Some(one)) => [(one, 1.0), (one, 0.0)],
            (None, None) => continue,
        };
        all.push(Facing { treated: at, check });
    }
    all
}

/// Treated minus check in every treated segment that faces a check, in the order of the segments.
pub fn segment_differences(joined: &Joined, archive: &ArchiveSettings) -> Vec<SegmentDifference> {
    let Some(check) = archive.check() else { return Vec::new() };
    let yield_of = |at: usize| joined.assigned.segments[at].dry_yield_kg_ha;
    let mut all: Vec<SegmentDifference> = archive
        .treatments
        .iter()
        .filter(|treatment| !treatment.check)
        .flat_map(|treatment| facing_segments(joined, &treatment.key, &check.key))
        .map(|facing| {
            let check: f64 = facing.check.iter().map(|&(at, weight)| weight * yield_of(at)).sum();
            SegmentDifference { segment: facing.treated, difference: yield_of(facing.treated) - check }
        })
        .collect();
    all.sort_by_key(|one| one.segment);
    all
}

/// Means of the differences by block, over the segments of one class (both members) or all.
pub(super) fn by_block(joined: &Joined, facing: &[Facing], key: &ResponseKey, least: usize) -> Vec<BlockDifference> {
    let assigned = &joined.assigned;
    let of_class = |at: usize| match key.class {
        None => true,
        Some(class) => joined.segment_class[at] != Labels::NONE && joined.segment_class[at] as usize == class,
    };
    let mut blocks: BTreeMap<&str, Vec<&Facing>> = BTreeMap::new();
    for pair in facing {
        let pure = of_class(pair.treated) && pair.check.iter().all(|&(check, weight)| weight == 0.0 || of_class(check));
        if pure {
            let strip = assigned.segments[pair.treated].strip as usize;
            blocks.entry(assigned.strips[strip].block.as_str()).or_default().push(pair);
        }
    }
    blocks
        .into_iter()
        .filter(|(_, pairs)| pairs.len() >= least)
        .map(|(block, pairs)| {
            let yield_of = |at: usize| assigned.segments[at].dry_yield_kg_ha;
            let area = |pair: &Facing| assigned.segments[pair.treated].area_m2;
            let area_m2: f64 = pairs.iter().map(|pair| area(pair)).sum();
            let mean =
                |of: &dyn Fn(&Facing) -> f64| pairs.iter().map(|pair| area(pair) * of(pair)).sum::<f64>() / area_m2;
            let check_yield = mean(&|pair| pair.check.iter().map(|&(at, weight)| weight * yield_of(at)).sum());
            BlockDifference {
                block: block.to_owned(),
                key: key.clone(),
                difference: mean(&|pair| yield_of(pair.treated)) - check_yield,
                check_yield,
                segments: pairs.len(),
                area_m2,
            }
        })
        .collect()
}
