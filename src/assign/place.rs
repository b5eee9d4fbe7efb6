//! Which strip each record stands on.

use geo::{Coord, MultiPolygon};

use super::error::AssignError;
use super::layout::Layout;
use crate::config::ModelSettings;
use crate::geometry::clip::ClipRoom;
use crate::geometry::frame::Clearances;
use crate::geometry::{Footprint, Frame, PolygonIndex};
use crate::points::{Cleaned, Labels, Straddling};
use crate::stats::robust;

/// Least share of a record's footprint on its own strip, also where the strip beside it has the same treatment (ours).
const LEAST_OWN: f64 = 0.85;
/// Least share of the header that a straddling record cut, so that it is known where (ours).
const LEAST_SWATH: f64 = 0.95;

/// Where each record stands.
#[derive(Debug, Clone)]
pub(super) struct Standings {
    /// Its strip.
    pub(super) strip: Vec<u32>,
    /// How it stands there; empty where labels tell.
    footing: Vec<Footing>,
}

/// How a record stands on its strip.
#[derive(Debug, Clone, Copy)]
struct Footing {
    /// Share of its footprint on the strip and on others of the same treatment.
    share: f64,
    /// Share on the strip alone.
    own: f64,
    /// Share on other strips.
    beside: f64,
    /// The other strip that holds most of the rest, and its share.
    next: (u32, f64),
    /// From its centre to the end of the strip.
    along_m: f64,
    /// From the edge of its swath to the side of the strip.
    across_m: f64,
}

impl Footing {
    /// Of a record on no strip.
    const NOWHERE: Self = Self {
        share: 1.0,
        own: 1.0,
        beside: 0.0,
        next: (Labels::NONE, 0.0),
        along_m: f64::INFINITY,
        across_m: f64::INFINITY,
    };
}

impl Standings {
    /// Whether each record straddles or stands too near an edge.
    pub(super) fn edges(&self, settings: &ModelSettings) -> Vec<bool> {
        if self.footing.is_empty() {
            return vec![false; self.strip.len()];
        }
        let least_share = settings.footprint_share_pct / 100.0;
        let is_edge = |one: &Footing| {
            one.share < least_share
                || one.own < LEAST_OWN
                || one.along_m < settings.edge_along_m
                || (settings.edge_across_m > 0.0 && one.across_m < settings.edge_across_m)
        };
        self.footing.iter().map(is_edge).collect()
    }

    /// Whether each record straddles two strips, away from their ends.
    pub(super) fn straddles(&self, settings: &ModelSettings) -> Vec<bool> {
        let least_share = settings.footprint_share_pct / 100.0;
        let straddles = |one: &Footing| {
            let is_apart = one.share < least_share || one.own < LEAST_OWN;
            is_apart && one.beside > 1.0 - LEAST_OWN && one.along_m >= settings.edge_along_m
        };
        self.footing.iter().map(straddles).collect()
    }

    /// The straddling records whose ground lies on their two strips alone, and of which it is known where they cut: over the full header.
    pub(super) fn straddling(
        &self,
        straddles: &[bool],
        cleaned: &Cleaned,
        layout: &Layout,
        settings: &ModelSettings,
    ) -> Vec<Straddling> {
        let least_share = settings.footprint_share_pct / 100.0;
        let header_m = cleaned.records.header_widths_m();
        let full = |at: usize| {
            let header_m = header_m[cleaned.records.machine.codes[at] as usize];
            cleaned.swath_m[at] >= LEAST_SWATH * header_m.max(cleaned.swath_m[at])
        };
        let known = |at: usize| {
            let one = &self.footing[at];
            let (main, (other, share)) = (self.strip[at], one.next);
            let both = one.own + share;
            (straddles[at] && cleaned.is_kept(at) && both >= least_share && full(at)).then(|| {
                let (mut strips, mut shares) = ([main, other], [one.own / both, share / both]);
                if other < main {
                    strips.reverse();
                    shares.reverse();
                }
                let place = (cleaned.x_m[at], cleaned.y_m[at]);
                let along = layout.number_along(strips[0], place, settings.segment_length_m);
                Straddling { record: at as u32, strips, shares, along }
            })
        };
        (0..straddles.len()).filter_map(known).collect()
    }
}

/// Labelled records stand where their label says.
pub(super) fn by_label(layout: &Layout) -> Standings {
    Standings { strip: layout.strip_of_record.clone(), footing: Vec::new() }
}

/// Records stand on the strip that holds nearly all of their footprint; those that straddle, and those within the
/// buffers, are `edge` records of the strip that holds their centre.
pub(super) fn by_footprint(cleaned: &Cleaned, layout: &Layout) -> Result<Standings, AssignError> {
    let grounds: Vec<MultiPolygon<f64>> =
        layout.strips.iter().map(|strip| strip.ground.clone().unwrap_or(MultiPolygon::new(Vec::new()))).collect();
    let clearances: Vec<Clearances> = layout
        .strips
        .iter()
        .zip(&grounds)
        .map(|(strip, ground)| Clearances::new(ground, Frame::of(ground).unwrap_or(layout.frames[&strip.block])))
        .collect();
    let index = PolygonIndex::new(grounds);
    let mut standings =
        Standings { strip: vec![Labels::NONE; cleaned.len()], footing: vec![Footing::NOWHERE; cleaned.len()] };
    let (mut room, mut shares) = (ClipRoom::default(), Vec::new());
    let header_m = cleaned.records.header_widths_m();
    for at in 0..cleaned.len() {
        let (x, y) = (cleaned.x_m[at], cleaned.y_m[at]);
        let centre = index.locate(x, y);
        let footprint = footprint(cleaned, at, header_m[cleaned.records.machine.codes[at] as usize]);
        let (mut best, mut best_share) = (centre, if centre.is_some() { 1.0 } else { 0.0 });
        let (mut own, mut beside, mut next) = (best_share, 0.0, (Labels::NONE, 0.0));
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
                own = shares.iter().find(|one| Some(one.0) == best).map_or(0.0, |one| one.1 / area);
                let others =
                    || shares.iter().filter(|one| Some(one.0) != best).map(|&(strip, own)| (strip, own / area));
                beside = others().map(|one| one.1).sum();
                next = others().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0))).unwrap_or(next);
            }
        }
        let Some(strip) = best else { continue };
        standings.strip[at] = strip;
        let (along_m, across) = clearances[strip as usize].at(x, y);
        let across_m = across - cleaned.swath_m[at] / 2.0;
        standings.footing[at] = Footing { share: best_share, own, beside, next, along_m, across_m };
    }
    if standings.strip.iter().all(|&strip| strip == Labels::NONE) {
        return Err(elsewhere(cleaned, &index));
    }
    Ok(standings)
}

/// Where the grain of a record may have stood: the whole header's, since nobody knows on which side of a narrow swath it was.
fn footprint(cleaned: &Cleaned, at: usize, header_m: f64) -> Option<Footprint> {
    let (course, swath) = (cleaned.course_rad[at], cleaned.swath_m[at]);
    let distance = cleaned.area_m2[at] / swath;
    let usable = course.is_finite() && distance > 0.01 && distance < 50.0 && swath > 0.0;
    usable.then(|| Footprint::new(cleaned.x_m[at], cleaned.y_m[at], course, distance, header_m.max(swath)))
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
