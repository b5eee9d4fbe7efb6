//! From advice by soil class to ground that a machine can treat.

use geo::{Area, BooleanOps, Coord, CoordsIter, LineString, MultiPolygon, Polygon, unary_union};

use super::best_runs;
use crate::config::TargetSettings;
use crate::geometry::{Frame, PolygonIndex};
use crate::results::{Advice, Decision, PlannedZone};

/// Length of a cell along the lane, m: the tenth of a usual least run is fine enough.
const CELL_M: f64 = 3.0;
/// Slivers below this are dropped, m².
const SLIVER_M2: f64 = 1.0;

/// A field's ground.
#[derive(Debug, Clone)]
pub struct Ground {
    /// The field, UTM metres.
    pub field: MultiPolygon<f64>,
    /// The soil polygons near it with their zones.
    pub soils: Vec<(MultiPolygon<f64>, Option<usize>)>,
}

impl Ground {
    /// The field's ground of one soil class.
    pub(super) fn of_class(&self, class: usize) -> MultiPolygon<f64> {
        let own: Vec<&MultiPolygon<f64>> =
            self.soils.iter().filter(|(_, zone)| *zone == Some(class)).map(|(soil, _)| soil).collect();
        unary_union(own).intersection(&self.field)
    }
}

/// Lays out one treatment: the ground to treat, in stretches and widths that the machine can keep to, and the rest.
///
/// `advice` holds that of each soil class and, last, that of ground without a class. The lanes run along the field's longer
/// side. Where ground is too narrow or too short to switch for, its neighbours decide, whichever way earns more.
pub fn layout(ground: &Ground, advice: &[Advice], settings: &TargetSettings) -> Vec<PlannedZone> {
    let lanes = treated_lanes(ground, advice, settings);
    let mut zones = Vec::new();
    let mut rest = ground.field.clone();
    for one in advice {
        let here = match one.class {
            Some(class) => {
                // What two soil polygons both claim counts once.
                let here = ground.of_class(class).intersection(&rest);
                rest = rest.difference(&here);
                here
            }
            None => rest.clone(),
        };
        for (is_treated, part) in [(true, here.intersection(&lanes)), (false, here.difference(&lanes))] {
            let part = MultiPolygon::new(part.0.into_iter().filter(|one| one.unsigned_area() > SLIVER_M2).collect());
            let area_m2 = part.unsigned_area();
            if area_m2 > 0.0 {
                let decision = match (is_treated, one.decision) {
                    (true, _) => Decision::Treat,
                    // Too short to switch on for.
                    (false, Decision::Treat) => Decision::Leave,
                    (false, other) => other,
                };
                zones.push(PlannedZone { advice: one.clone(), decision, is_best: false, ground: part, area_m2 });
            }
        }
    }
    zones
}

/// What is gained by treating a hectare of a class: its net return where treating is advised; elsewhere no gain, so that such
/// ground is treated only to bridge a gap.
fn value(advice: &Advice) -> f64 {
    let net = advice.net_return.unwrap_or(0.0);
    match advice.decision {
        Decision::Treat => net,
        Decision::Leave | Decision::Test => net.min(0.0),
    }
}

fn treated_lanes(ground: &Ground, advice: &[Advice], settings: &TargetSettings) -> MultiPolygon<f64> {
    let none = MultiPolygon::new(Vec::new());
    if !advice.iter().any(|one| one.decision == Decision::Treat) {
        return none;
    }
    let Some(frame) = Frame::of(&ground.field) else { return none };
    let field = PolygonIndex::new(vec![ground.field.clone()]);
    let soils = PolygonIndex::new(ground.soils.iter().map(|(soil, _)| soil.clone()).collect());
    let (low, high) = frame.extent(ground.field.exterior_coords_iter());
    let (west, east, south, north) = (low.x, high.x, low.y, high.y);
    let lanes = (((north - south) / settings.width_m).ceil() as usize).max(1);
    let cells = (((east - west) / CELL_M).ceil() as usize).max(1);
    let least_cells = ((settings.least_run_m / CELL_M).ceil() as usize).max(1);
    let of_class = |class: Option<usize>| advice.iter().find(|one| one.class == class).or(advice.last());
    let mut treated = Vec::new();
    for lane in 0..lanes {
        let low = south + lane as f64 * settings.width_m;
        let across = low + 0.5 * settings.width_m;
        let inside_and_value = |cell: usize| {
            let along = west + (cell as f64 + 0.5) * CELL_M;
            let touches = [(0.0, 0.0), (-0.49, -0.49), (-0.49, 0.49), (0.49, -0.49), (0.49, 0.49)];
            let at = touches.iter().find_map(|(dx, dy)| {
                let at = frame.from_frame(Coord { x: along + dx * CELL_M, y: across + dy * settings.width_m });
                field.locate(at.x, at.y).map(|_| at)
            })?;
            let class = soils.locate(at.x, at.y).and_then(|soil| ground.soils[soil as usize].1);
            Some(of_class(class).map_or(0.0, value))
        };
        let values: Vec<Option<f64>> = (0..cells).map(inside_and_value).collect();
        let mut begin = 0;
        for stretch in values.chunk_by(|a, b| a.is_some() == b.is_some()) {
            let known: Vec<f64> = stretch.iter().copied().flatten().collect();
            let mut at = begin;
            begin += stretch.len();
            if known.is_empty() {
                continue;
            }
            let choice = best_runs(&known, least_cells);
            for run in choice.chunk_by(|a, b| a == b) {
                if run[0] {
                    let from = west + at as f64 * CELL_M;
                    let to = from + run.len() as f64 * CELL_M;
                    treated.push(rectangle(&frame, (from, to), (low, low + settings.width_m)));
                }
                at += run.len();
            }
        }
    }
    unary_union(&treated)
}

pub(super) fn rectangle(frame: &Frame, (from, to): (f64, f64), (low, high): (f64, f64)) -> MultiPolygon<f64> {
    let corner = |x: f64, y: f64| frame.from_frame(Coord { x, y });
    let ring = vec![corner(from, low), corner(to, low), corner(to, high), corner(from, high), corner(from, low)];
    MultiPolygon::new(vec![Polygon::new(LineString::new(ring), Vec::new())])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::points::Cautions;

    fn square(west: f64, south: f64, east: f64, north: f64) -> MultiPolygon<f64> {
        MultiPolygon::new(vec![geo::Rect::new((west, south), (east, north)).to_polygon()])
    }

    fn advice(class: Option<usize>, decision: Decision, net: f64) -> Advice {
        Advice {
            crop: "corn".to_owned(),
            treatment: "band".to_owned(),
            class,
            class_name: format!("{class:?}"),
            decision,
            response: Some(net),
            interval: None,
            break_even: Some(0.0),
            net_return: Some(net),
            probability_pays: None,
            probability_new_site_pays: None,
            site_years: 8,
            cautions: Cautions::default(),
        }
    }

    fn field(wet: MultiPolygon<f64>) -> Ground {
        let all = square(0.0, 0.0, 400.0, 180.0);
        let dry = all.difference(&wet);
        Ground { field: all, soils: vec![(dry, Some(0)), (wet, Some(1))] }
    }

    fn area(zones: &[PlannedZone], class: Option<usize>, decision: Decision) -> f64 {
        zones.iter().filter(|one| one.advice.class == class && one.decision == decision).map(|one| one.area_m2).sum()
    }

    fn settings() -> TargetSettings {
        TargetSettings { width_m: 9.0, ..TargetSettings::default() }
    }

    #[test]
    fn the_areas_add_up_to_the_field_and_follow_the_soils() {
        let ground = field(square(200.0, 0.0, 400.0, 180.0));
        let said = [
            advice(Some(0), Decision::Leave, -20.0),
            advice(Some(1), Decision::Treat, 30.0),
            advice(None, Decision::Test, 5.0),
        ];
        let zones = layout(&ground, &said, &settings());
        let total: f64 = zones.iter().map(|one| one.area_m2).sum();
        assert!((total - 400.0 * 180.0).abs() < 1.0, "{total}");
        // the soil line lies within a cell of a switch
        assert!((area(&zones, Some(1), Decision::Treat) - 36_000.0).abs() < 180.0 * CELL_M);
        assert!(area(&zones, Some(0), Decision::Treat) < 180.0 * CELL_M);
    }

    #[test]
    fn a_pocket_shorter_than_the_least_run_is_not_switched_for() {
        // 15 m of wet ground: not worth 30 m of a run when the rest loses as much as it gains
        let ground = field(square(200.0, 0.0, 215.0, 180.0));
        let said = [
            advice(Some(0), Decision::Leave, -30.0),
            advice(Some(1), Decision::Treat, 20.0),
            advice(None, Decision::Test, 0.0),
        ];
        let zones = layout(&ground, &said, &settings());
        assert!(area(&zones, Some(1), Decision::Treat) < 1.0);
        assert!((area(&zones, Some(1), Decision::Leave) - 15.0 * 180.0).abs() < 1.0);
        // a gap of dry ground as short is treated through
        let said = [
            advice(Some(0), Decision::Treat, 30.0),
            advice(Some(1), Decision::Leave, -20.0),
            advice(None, Decision::Test, 0.0),
        ];
        let zones = layout(&ground, &said, &settings());
        assert!((area(&zones, Some(1), Decision::Treat) - 15.0 * 180.0).abs() < 1.0);
    }

    #[test]
    fn ground_without_a_class_takes_the_answer_over_all_soils() {
        let ground = Ground { field: square(0.0, 0.0, 300.0, 90.0), soils: Vec::new() };
        let zones = layout(&ground, &[advice(None, Decision::Treat, 10.0)], &settings());
        assert_eq!(zones.len(), 1);
        assert!((area(&zones, None, Decision::Treat) - 27_000.0).abs() < 1.0);
        let zones = layout(&ground, &[advice(None, Decision::Test, 10.0)], &settings());
        assert!((area(&zones, None, Decision::Test) - 27_000.0).abs() < 1.0);
    }
}
