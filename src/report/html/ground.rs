//! The ground of a site-year as the maps show it: strips, segments, soil outlines, in metres from one corner.

use std::collections::BTreeMap;

use geo::{Area, BooleanOps, BoundingRect, Centroid, Coord, LineString, MultiPolygon, Rect, Simplify};
use serde::Serialize;

use super::figures::along::{Stretch, running_mean};
use crate::geometry::rings;
use crate::points::{Labels, Strip};
use crate::report::{SiteYearCase, Units};

/// Room about the strips and records, m.
const RIM_M: f64 = 20.0;
/// Outlines of soils are drawn to this, m.
const SOIL_DETAIL_M: f64 = 2.0;

/// A ring as x, y, x, y …, decimetres east and north of the corner.
type Ring = Vec<i32>;

/// Index of a strip, then the index of each of its segments from one end to the other with a value there.
pub(super) type Along = (usize, Vec<(usize, f64)>);

/// A strip.
#[derive(Debug, Clone, Serialize)]
pub(super) struct StripShape {
    pub(super) name: String,
    pub(super) label: String,
    pub(super) block: String,
    pub(super) is_check: bool,
    pub(super) rings: Vec<Ring>,
}

/// A segment that the model used.
#[derive(Debug, Clone, Serialize)]
pub(super) struct SegmentShape {
    pub(super) strip: usize,
    /// Centre, decimetres.
    pub(super) x: i32,
    pub(super) y: i32,
    /// Yield, in the report's unit.
    pub(super) dry_yield: f64,
    /// Treated minus check, and its running mean along the strip, in the report's unit.
    pub(super) difference: Option<f64>,
    pub(super) mean: Option<f64>,
    pub(super) class: Option<usize>,
    pub(super) usable: bool,
}

/// A piece of ground of one soil class.
#[derive(Debug, Clone, Serialize)]
pub(super) struct SoilShape {
    pub(super) name: String,
    /// Where its name is written, decimetres.
    pub(super) at: (i32, i32),
    pub(super) rings: Vec<Ring>,
}

/// The ground.
#[derive(Debug, Clone)]
pub(super) struct MapGround {
    /// West and south rim, UTM m.
    pub(super) west_m: f64,
    pub(super) south_m: f64,
    /// Extent, m.
    pub(super) width_m: f64,
    pub(super) height_m: f64,
    pub(super) strips: Vec<StripShape>,
    pub(super) segments: Vec<SegmentShape>,
    pub(super) soils: Vec<SoilShape>,
    /// How far the lines of the soils may lie off, m; 0 where they are trusted.
    pub(super) line_error_m: f64,
    /// The strips with their stretches, treated ones only, by block and place across it: index of the strip, then its
    /// stretches in order.
    pub(super) along: Vec<(usize, Vec<Stretch>)>,
    /// The response on the treated segments, where the model gives it, in the report's unit: index of the strip, then segments from one
    /// end of it to the other.
    pub(super) local: Vec<Along>,
}

impl MapGround {
    /// The ground about the kept records and the strips; `None` where there are neither.
    pub(super) fn of(case: SiteYearCase<'_>, units: &Units) -> Option<Self> {
        let extent = extent(case)?;
        let mut ground = Self {
            west_m: extent.min().x,
            south_m: extent.min().y,
            width_m: extent.width(),
            height_m: extent.height(),
            strips: Vec::new(),
            segments: Vec::new(),
            soils: Vec::new(),
            line_error_m: case.joined.soil_lines.as_ref().map_or(0.0, |lines| lines.error_m),
            along: along(case, units),
            local: local(case, units),
        };
        ground.strips = case.joined.assigned.strips.iter().map(|strip| ground.strip(strip, case)).collect();
        ground.segments = ground.segments(case, units);
        ground.soils = ground.soils(case, extent);
        Some(ground)
    }

    /// What the map shows along each treated strip, segment by segment: the response of the model, or the running mean of the differences.
    pub(super) fn told(&self) -> Vec<Along> {
        if !self.local.is_empty() {
            return self.local.clone();
        }
        let mean = |one: &Stretch| Some((one.segment, self.segments[one.segment].mean?));
        self.along.iter().map(|(strip, stretches)| (*strip, stretches.iter().filter_map(mean).collect())).collect()
    }

    fn decimetres(&self, point: Coord<f64>) -> (i32, i32) {
        (((point.x - self.west_m) * 10.0).round() as i32, ((point.y - self.south_m) * 10.0).round() as i32)
    }

    fn ring(&self, ring: &LineString<f64>) -> Ring {
        ring.coords().flat_map(|&corner| <[i32; 2]>::from(self.decimetres(corner))).collect()
    }

    fn rings(&self, ground: &MultiPolygon<f64>) -> Vec<Ring> {
        rings(ground).map(|ring| self.ring(ring)).collect()
    }

    fn strip(&self, strip: &Strip, case: SiteYearCase<'_>) -> StripShape {
        let treatment = case.archive.treatment(&strip.treatment);
        StripShape {
            name: strip.name.clone(),
            label: case.archive.label(&strip.treatment).to_owned(),
            block: strip.block.clone(),
            is_check: treatment.is_some_and(|treatment| treatment.check),
            rings: strip.ground.as_ref().map_or_else(Vec::new, |ground| self.rings(ground)),
        }
    }

    fn segments(&self, case: SiteYearCase<'_>, units: &Units) -> Vec<SegmentShape> {
        let joined = case.joined;
        let mut shapes: Vec<SegmentShape> = joined
            .assigned
            .segments
            .iter()
            .zip(&joined.segment_class)
            .map(|(segment, &class)| {
                let (x, y) = self.decimetres(Coord { x: segment.x_m, y: segment.y_m });
                SegmentShape {
                    strip: segment.strip as usize,
                    x,
                    y,
                    dry_yield: rounded(units.yields(segment.dry_yield_kg_ha), units),
                    difference: None,
                    mean: None,
                    class: (class != Labels::NONE).then_some(class as usize),
                    usable: segment.usable,
                }
            })
            .collect();
        for (_, stretches) in &self.along {
            for (stretch, mean) in stretches.iter().zip(running_mean(stretches)) {
                shapes[stretch.segment].difference = Some(rounded(stretch.difference, units));
                shapes[stretch.segment].mean = Some(rounded(mean, units));
            }
        }
        shapes
    }

    /// The soil polygons inside the extent.
    fn soils(&self, case: SiteYearCase<'_>, extent: Rect<f64>) -> Vec<SoilShape> {
        // wider than the map, so that its rim is no border of soils
        let wide = RIM_M + self.line_error_m;
        let rim = Coord { x: wide, y: wide };
        let frame = MultiPolygon::new(vec![Rect::new(extent.min() - rim, extent.max() + rim).to_polygon()]);
        let zones = case.ingested.soils.iter().zip(&case.result.soil_zone);
        zones
            .filter_map(|(soil, zone)| Some((soil, case.joined.classes.get((*zone)?)?)))
            .filter_map(|(soil, name)| {
                let inside = soil.ground.intersection(&frame).simplify(SOIL_DETAIL_M);
                let largest = inside.iter().max_by(|a, b| a.unsigned_area().total_cmp(&b.unsigned_area()))?;
                let at = self.decimetres(largest.centroid()?.into());
                Some(SoilShape { name: name.clone(), at, rings: self.rings(&inside) })
            })
            .collect()
    }
}

/// A value in the report's unit with the digits that a page shows.
pub(super) fn rounded(value: f64, units: &Units) -> f64 {
    let scale = 10.0_f64.powi(if units.yield_decimals > 3 { 2 } else { 1 });
    (value * scale).round() / scale
}

fn extent(case: SiteYearCase<'_>) -> Option<Rect<f64>> {
    let cleaned = &case.joined.assigned.cleaned;
    let of_records =
        (0..cleaned.len()).filter(|&at| cleaned.is_kept(at)).map(|at| Coord { x: cleaned.x_m[at], y: cleaned.y_m[at] });
    let grounds = case.joined.assigned.strips.iter().filter_map(|strip| strip.ground.as_ref()?.bounding_rect());
    let corners = of_records.chain(grounds.flat_map(|rect| [rect.min(), rect.max()]));
    let known = corners.filter(|corner| corner.x.is_finite() && corner.y.is_finite());
    let (low, high) = known.fold(None, |ends: Option<(Coord<f64>, Coord<f64>)>, corner| {
        let (low, high) = ends.unwrap_or((corner, corner));
        Some((
            Coord { x: low.x.min(corner.x), y: low.y.min(corner.y) },
            Coord { x: high.x.max(corner.x), y: high.y.max(corner.y) },
        ))
    })?;
    let rim = Coord { x: RIM_M, y: RIM_M };
    Some(Rect::new(low - rim, high + rim))
}

/// The response along each treated strip that the model gives.
fn local(case: SiteYearCase<'_>, units: &Units) -> Vec<Along> {
    let segments = &case.joined.assigned.segments;
    let mut strips: BTreeMap<usize, Vec<(usize, f64)>> = BTreeMap::new();
    for piece in case.result.local.iter().flat_map(|one| &one.pieces) {
        let strip = segments[piece.segment].strip as usize;
        strips.entry(strip).or_default().push((piece.segment, rounded(units.yields(piece.mean), units)));
    }
    for pieces in strips.values_mut() {
        pieces.sort_by(|one, other| segments[one.0].along_m.total_cmp(&segments[other.0].along_m));
    }
    strips.into_iter().collect()
}

/// The treated strips with what they yielded more than the check that faces them, from one end to the other.
fn along(case: SiteYearCase<'_>, units: &Units) -> Vec<(usize, Vec<Stretch>)> {
    let joined = case.joined;
    let mut strips: Vec<(usize, Vec<Stretch>)> = Vec::new();
    for one in case.differences {
        let segment = &joined.assigned.segments[one.segment];
        let class = joined.segment_class[one.segment];
        let stretch = Stretch {
            segment: one.segment,
            along_m: segment.along_m,
            difference: units.yields(one.difference),
            class: (class != Labels::NONE).then_some(class as usize),
        };
        match strips.last_mut() {
            Some((strip, stretches)) if *strip == segment.strip as usize => stretches.push(stretch),
            _ => strips.push((segment.strip as usize, vec![stretch])),
        }
    }
    for (_, stretches) in &mut strips {
        stretches.sort_by(|one, other| one.along_m.total_cmp(&other.along_m));
    }
    let of = |strip: usize| &joined.assigned.strips[strip];
    strips.sort_by(|(one, _), (other, _)| {
        of(*one).block.cmp(&of(*other).block).then(of(*one).across_m.total_cmp(&of(*other).across_m))
    });
    strips
}
