//! Which strip each record stands on.

use geo::{Coord, MultiPolygon};

use super::error::AssignError;
use super::layout::Layout;
use crate::config::ModelSettings;
use crate::geometry::clip::ClipRoom;
use crate::geometry::frame::Clearances;
use crate::geometry::{Footprint, Frame, PolygonIndex};
use crate::points::{Cleaned, Labels};
use crate::stats::robust;

/// The strip of each record and whether it stands too near an edge.
#[derive(Debug, Clone)]
pub(super) struct Placed {
    pub(super) strip: Vec<u32>,
    pub(super) edge: Vec<bool>,
}

/// Labelled records stand where their label says.
pub(super) fn by_label(layout: &Layout) -> Placed {
    Placed { strip: layout.strip_of_record.clone(), edge: vec![false; layout.strip_of_record.len()] }
}

/// Records stand on the strip that holds nearly all of their footprint; those that straddle, and those within the
/// buffers, are `edge` records of the strip that holds their centre.
pub(super) fn by_footprint(
    cleaned: &Cleaned,
    layout: &Layout,
    settings: &ModelSettings,
) -> Result<Placed, AssignError> {
    let grounds: Vec<MultiPolygon<f64>> =
        layout.strips.iter().map(|strip| strip.ground.clone().unwrap_or(MultiPolygon::new(Vec::new()))).collect();
    let clearances: Vec<Clearances> = layout
        .strips
        .iter()
        .zip(&grounds)
        .map(|(strip, ground)| Clearances::new(ground, Frame::of(ground).unwrap_or(layout.frames[&strip.block])))
        .collect();
    let index = PolygonIndex::new(grounds);
    let least_share = settings.footprint_share_pct / 100.0;
    let mut placed = Placed { strip: vec![Labels::NONE; cleaned.len()], edge: vec![false; cleaned.len()] };
    let (mut room, mut shares) = (ClipRoom::default(), Vec::new());
    for at in 0..cleaned.len() {
        let (x, y) = (cleaned.x_m[at], cleaned.y_m[at]);
        let centre = index.locate(x, y);
        let footprint = footprint(cleaned, at);
        let (mut best, mut best_share) = (centre, if centre.is_some() { 1.0 } else { 0.0 });
        if let Some(footprint) = footprint {
            index.shares_of_window(&footprint.0, &mut room, &mut shares);
            let area = footprint.area_m2();
            if let Some(&(strip, most)) = shares.iter().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0))) {
                // Strips of one treatment side by side do not spoil each other.
                let treatment = &layout.strips[strip as usize].treatment;
                let same: f64 = shares
                    .iter()
                    .filter(|&&(other, _)| layout.strips[other as usize].treatment == *treatment)
                    .map(|&(_, area)| area)
                    .sum();
                best = if most / area >= 0.5 { Some(strip) } else { centre };
                best_share = if best == Some(strip) { same / area } else { 0.0 };
            }
        }
        let Some(strip) = best else { continue };
        placed.strip[at] = strip;
        let (along, across) = clearances[strip as usize].at(x, y);
        let half_swath = cleaned.swath_m[at] / 2.0;
        placed.edge[at] = best_share < least_share
            || along < settings.edge_along_m
            || (settings.edge_across_m > 0.0 && across - half_swath < settings.edge_across_m);
    }
    if placed.strip.iter().all(|&strip| strip == Labels::NONE) {
        return Err(elsewhere(cleaned, &index));
    }
    Ok(placed)
}

fn footprint(cleaned: &Cleaned, at: usize) -> Option<Footprint> {
    let (course, swath) = (cleaned.course_rad[at], cleaned.swath_m[at]);
    let distance = cleaned.area_m2[at] / swath;
    let usable = course.is_finite() && distance > 0.01 && distance < 50.0 && swath > 0.0;
    usable.then(|| Footprint::new(cleaned.x_m[at], cleaned.y_m[at], course, distance, swath))
}

fn elsewhere(cleaned: &Cleaned, index: &PolygonIndex) -> AssignError {
    let middle = |values: &[f64]| {
        let known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
        robust::median(&known).unwrap_or(0.0)
    };
    let at = Coord { x: middle(&cleaned.x_m), y: middle(&cleaned.y_m) };
    let nearest = index.distance_to_edge(at.x, at.y).map_or(0.0, f64::abs);
    AssignError::StripsElsewhere { strips: index.len(), nearest_m: nearest as i64 }
}
