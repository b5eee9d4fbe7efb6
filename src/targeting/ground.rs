//! From advice by soil class to ground that a machine can treat.

use std::collections::{BTreeMap, BTreeSet};

use geo::{Area, BooleanOps, Coord, CoordsIter, LineString, MapCoords, MultiPolygon, Polygon, unary_union};

use super::best_runs;
use crate::config::TargetSettings;
use crate::geometry::{Frame, PolygonIndex};
use crate::results::{Advice, Decision, LEAST_POOLED, PlannedZone, Why};

/// Length of a cell along the lane, m: the tenth of a usual least run is fine enough (ours).
const CELL_M: f64 = 3.0;
/// A zone of less ground in a field is dissolved, m²: a tenth of an acre, no more than one pass of a machine on a least run and a
/// half (ours).
const SLIVER_M2: f64 = 405.0;

/// A field's ground.
#[derive(Debug, Clone)]
pub struct FieldGround {
    /// The field, UTM metres.
    pub field: MultiPolygon<f64>,
    /// The soil polygons near it with their zones.
    pub soils: Vec<(MultiPolygon<f64>, Option<usize>)>,
}

impl FieldGround {
    /// The soil classes on it.
    pub fn classes(&self) -> BTreeSet<usize> {
        self.soils.iter().filter_map(|(_, zone)| *zone).collect()
    }

    /// The field's ground of one soil class.
    pub fn of_class(&self, class: usize) -> MultiPolygon<f64> {
        let own: Vec<&MultiPolygon<f64>> =
            self.soils.iter().filter(|(_, zone)| *zone == Some(class)).map(|(soil, _)| soil).collect();
        unary_union(own).intersection(&self.field)
    }
}

/// A field in lanes as wide as what the machine switches as one, along its longer side, and these in short cells.
///
/// What lies within a cell is one ground: the machine cannot part it.
#[derive(Debug)]
pub struct Lanes {
    frame: Frame,
    /// The field in the frame.
    field: MultiPolygon<f64>,
    /// The corner from which lanes and cells are counted, in the frame.
    origin: Coord<f64>,
    width_m: f64,
    /// By lane.
    cells: Vec<Vec<Cell>>,
}

/// What lies in the middle of a cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cell {
    /// Nothing of the field.
    Off,
    /// Ground of a soil class, if one is known.
    Ground(Option<usize>),
}

impl Lanes {
    /// The lanes of a field; `None` for one without extent.
    pub fn of(ground: &FieldGround, settings: &TargetSettings) -> Option<Self> {
        let frame = Frame::of(&ground.field)?;
        let width_m = settings.width_m;
        let field = PolygonIndex::new(vec![ground.field.clone()]);
        let soils = PolygonIndex::new(ground.soils.iter().map(|(soil, _)| soil.clone()).collect());
        let (low, high) = frame.extent(ground.field.exterior_coords_iter());
        let lanes = (((high.y - low.y) / width_m).ceil() as usize).max(1);
        let cells = (((high.x - low.x) / CELL_M).ceil() as usize).max(1);
        let cell_at = |lane: usize, cell: usize| {
            let (along, across) = (low.x + (cell as f64 + 0.5) * CELL_M, low.y + (lane as f64 + 0.5) * width_m);
            let touches = [(0.0, 0.0), (-0.49, -0.49), (-0.49, 0.49), (0.49, -0.49), (0.49, 0.49)];
            let at = touches.iter().find_map(|(dx, dy)| {
                let at = frame.from_frame(Coord { x: along + dx * CELL_M, y: across + dy * width_m });
                field.locate(at.x, at.y).map(|_| at)
            })?;
            Some(Cell::Ground(soils.locate(at.x, at.y).and_then(|soil| ground.soils[soil as usize].1)))
        };
        let lane_of = |lane: usize| (0..cells).map(|cell| cell_at(lane, cell).unwrap_or(Cell::Off)).collect();
        Some(Self {
            frame,
            field: ground.field.map_coords(|at| frame.to_frame(at)),
            origin: low,
            width_m,
            cells: (0..lanes).map(lane_of).collect(),
        })
    }

    /// Lays out one treatment: the ground to treat, in stretches and widths that the machine can keep to, and the rest.
    ///
    /// `advice` holds that of each soil class and, last, that of ground without a class; `cost_per_ha` is what treating costs.
    /// Ground that is not advised to be treated is crossed only between ground that is, in stretches shorter than the least run;
    /// ground too short to switch for is left. Zones of less than a sliver go to the largest of the same decision.
    pub fn layout(&self, advice: &[Advice], cost_per_ha: f64, settings: &TargetSettings) -> Vec<PlannedZone> {
        let labels: Vec<Vec<Option<Label>>> =
            self.cells.iter().map(|lane| labels(lane, advice, cost_per_ha, settings)).collect();
        let is_known = |lane: &usize| labels[*lane].iter().any(Option::is_some);
        let mut parts: BTreeMap<Label, Vec<MultiPolygon<f64>>> = BTreeMap::new();
        for lane in 0..labels.len() {
            // A lane that the field hardly enters is as the next one.
            let Some(like) = (0..labels.len()).filter(is_known).min_by_key(|other| other.abs_diff(lane)) else {
                continue;
            };
            let low = self.origin.y + lane as f64 * self.width_m;
            let mut begin = 0;
            let filled = filled(&labels[like]);
            for stretch in filled.chunk_by(|a, b| a == b) {
                let end = begin + stretch.len();
                let along = (self.origin.x + begin as f64 * CELL_M, self.origin.x + end as f64 * CELL_M);
                let ring = corners(along, (low, low + self.width_m));
                parts.entry(stretch[0]).or_default().push(MultiPolygon::new(vec![Polygon::new(ring, Vec::new())]));
                begin = end;
            }
        }
        let zones = parts.into_iter().map(|((at, is_left), cells)| {
            // In the frame the sides of neighbouring cells are the same numbers, so that nothing is lost between them.
            let part = unary_union(&cells).intersection(&self.field);
            let advice = advice[at].clone();
            let (decision, why) = match (is_left, advice.decision) {
                (false, Decision::Treat) => (Decision::Treat, Why::Advice),
                (false, _) => (Decision::Treat, Why::Bridged),
                (true, Decision::Treat) => (Decision::Leave, Why::TooShort),
                (true, other) => (other, Why::Advice),
            };
            let area_m2 = part.unsigned_area();
            let ground = part.map_coords(|at| self.frame.from_frame(at));
            PlannedZone { advice, decision, why, is_best: false, ground, area_m2 }
        });
        dissolved(zones.filter(|zone| zone.area_m2 > 0.0).collect())
    }
}

/// Position of the advice, and whether the ground is left untreated.
type Label = (usize, bool);

/// What becomes of the cells of a lane.
fn labels(cells: &[Cell], advice: &[Advice], cost_per_ha: f64, settings: &TargetSettings) -> Vec<Option<Label>> {
    let least_cells = ((settings.least_run_m / CELL_M).ceil() as usize).max(1);
    let of_class = |class: Option<usize>| {
        advice.iter().position(|one| one.class == class).unwrap_or(advice.len().saturating_sub(1))
    };
    let mut found = Vec::with_capacity(cells.len());
    for stretch in cells.chunk_by(|a, b| (*a == Cell::Off) == (*b == Cell::Off)) {
        let classes =
            stretch.iter().filter_map(|cell| if let Cell::Ground(class) = cell { Some(*class) } else { None });
        let here: Vec<usize> = classes.map(of_class).collect();
        if here.is_empty() || advice.is_empty() {
            found.extend(stretch.iter().map(|_| None));
            continue;
        }
        let values: Vec<f64> = here.iter().map(|at| value(&advice[*at], cost_per_ha)).collect();
        let treated = best_runs(&values, least_cells);
        found.extend(here.into_iter().zip(treated).map(|(at, is_treated)| Some((at, !is_treated))));
    }
    found
}

/// The cells off the field as the nearest before them, or after: their corners may reach into it.
fn filled(labels: &[Option<Label>]) -> Vec<Label> {
    let Some(first) = labels.iter().flatten().next() else { return Vec::new() };
    let mut last = *first;
    labels
        .iter()
        .map(|label| {
            last = label.unwrap_or(last);
            last
        })
        .collect()
}

/// What a hectare counts when it is treated: its net return where treating is advised. Elsewhere it counts as a loss, so that
/// it is crossed only where that saves more: what it is expected to lose, and where that is not settled the whole cost. Ground
/// without numbers, or of one or two site-years, is never treated.
fn value(advice: &Advice, cost_per_ha: f64) -> f64 {
    match (advice.decision, advice.net_return) {
        (Decision::Treat, Some(net)) => net,
        (Decision::Leave, Some(net)) => net.min(0.0),
        (Decision::Test, Some(net)) if advice.site_years >= LEAST_POOLED => net.min(-cost_per_ha).min(0.0),
        _ => f64::NEG_INFINITY,
    }
}

/// Slivers go to the largest zone of the same decision, of the same class where there is one; where there is none, to the
/// largest of all.
fn dissolved(mut zones: Vec<PlannedZone>) -> Vec<PlannedZone> {
    let area = |one: &&(usize, &PlannedZone)| one.1.area_m2;
    loop {
        let smallest = zones.iter().enumerate().min_by(|a, b| area(&a).total_cmp(&area(&b)));
        let Some(at) = smallest.filter(|one| one.1.area_m2 < SLIVER_M2).map(|one| one.0) else { break };
        let sliver = zones.remove(at);
        let kinship = |one: &PlannedZone| {
            let is_same = (one.decision == Decision::Treat) == (sliver.decision == Decision::Treat);
            (is_same, is_same && one.advice.class == sliver.advice.class)
        };
        let taker = zones.iter_mut().max_by(|a, b| kinship(a).cmp(&kinship(b)).then(a.area_m2.total_cmp(&b.area_m2)));
        let Some(taker) = taker else {
            zones.push(sliver);
            break;
        };
        taker.ground = unary_union([&taker.ground, &sliver.ground]);
        taker.area_m2 += sliver.area_m2;
    }
    zones
}

fn corners((from, to): (f64, f64), (low, high): (f64, f64)) -> LineString<f64> {
    LineString::from(vec![(from, low), (to, low), (to, high), (from, high), (from, low)])
}

pub(super) fn rectangle(frame: &Frame, (from, to): (f64, f64), (low, high): (f64, f64)) -> MultiPolygon<f64> {
    let ring = corners((from, to), (low, high)).map_coords(|at| frame.from_frame(at));
    MultiPolygon::new(vec![Polygon::new(ring, Vec::new())])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(west: f64, south: f64, east: f64, north: f64) -> MultiPolygon<f64> {
        MultiPolygon::new(vec![geo::Rect::new((west, south), (east, north)).to_polygon()])
    }

    fn advice(class: Option<usize>, decision: Decision, net: f64) -> Advice {
        Advice {
            decision,
            response: Some(net),
            break_even: Some(0.0),
            net_return: Some(net),
            site_years: 8,
            ..Advice::to_test(("corn", "band"), class, "")
        }
    }

    fn field(wet: MultiPolygon<f64>) -> FieldGround {
        let all = square(0.0, 0.0, 400.0, 180.0);
        let dry = all.difference(&wet);
        FieldGround { field: all, soils: vec![(dry, Some(0)), (wet, Some(1))] }
    }

    fn area(zones: &[PlannedZone], class: Option<usize>, decision: Decision) -> f64 {
        zones.iter().filter(|one| one.advice.class == class && one.decision == decision).map(|one| one.area_m2).sum()
    }

    fn settings() -> TargetSettings {
        TargetSettings { width_m: 9.0, ..TargetSettings::default() }
    }

    fn layout(ground: &FieldGround, advice: &[Advice], settings: &TargetSettings) -> Vec<PlannedZone> {
        Lanes::of(ground, settings).unwrap().layout(advice, 20.0, settings)
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
        let bridged: f64 = zones.iter().filter(|one| one.why == Why::Bridged).map(|one| one.area_m2).sum();
        assert!((bridged - 15.0 * 180.0).abs() < 1.0 && (area(&zones, Some(1), Decision::Treat) - bridged).abs() < 1.0);
    }

    #[test]
    fn ground_that_is_not_sure_is_crossed_only_where_it_is_short_and_known() {
        let treat = advice(Some(0), Decision::Treat, 30.0);
        let rest = advice(None, Decision::Test, 0.0);
        // what a wide stretch and a narrow one get, by what is known of them
        let left = |unsure: &Advice| -> [f64; 2] {
            [40.0, 15.0].map(|width| {
                let ground = field(square(200.0, 0.0, 200.0 + width, 180.0));
                let zones = layout(&ground, &[treat.clone(), unsure.clone(), rest.clone()], &settings());
                let total: f64 = zones.iter().map(|one| one.area_m2).sum();
                assert!((total - 400.0 * 180.0).abs() < 1.0, "{total}");
                area(&zones, Some(1), Decision::Test)
            })
        };
        let [wide, narrow] = left(&advice(Some(1), Decision::Test, 5.0));
        assert!(wide > 38.0 * 180.0 && narrow < 1.0, "{wide} {narrow}");
        let unknown = Advice { net_return: None, response: None, ..advice(Some(1), Decision::Test, 0.0) };
        let few = Advice { site_years: 2, ..advice(Some(1), Decision::Test, 5.0) };
        for unsure in [unknown, few] {
            let [wide, narrow] = left(&unsure);
            assert!(wide > 38.0 * 180.0 && narrow > 14.0 * 180.0, "{wide} {narrow}");
        }
    }

    #[test]
    fn nothing_of_a_field_of_any_shape_is_lost_or_told_twice() {
        use geo::Rotate;
        // a field with a bay and a hole, turned; a wet stripe across it
        let whole = square(0.0, 0.0, 500.0, 320.0).difference(&square(300.0, 140.0, 520.0, 340.0));
        let whole = whole.difference(&square(100.0, 60.0, 160.0, 95.0));
        let wet = square(180.0, -50.0, 260.0, 400.0);
        for degrees in [0.0, 17.0, 63.0] {
            let centre = geo::Point::new(250.0, 160.0);
            let [all, wet] = [&whole, &wet].map(|one| one.rotate_around_point(degrees, centre));
            let ground =
                FieldGround { field: all.clone(), soils: vec![(all.difference(&wet), Some(0)), (wet, Some(1))] };
            let said = [
                advice(Some(0), Decision::Test, 5.0),
                advice(Some(1), Decision::Treat, 30.0),
                advice(None, Decision::Test, 0.0),
            ];
            let zones = layout(&ground, &said, &settings());
            let total: f64 = zones.iter().map(|one| one.area_m2).sum();
            let drawn: f64 = zones.iter().map(|one| one.ground.unsigned_area()).sum();
            let all = all.unsigned_area();
            assert!((total - all).abs() < 1.0 && (drawn - all).abs() < 1.0, "{degrees}: {total} {drawn} {all}");
            let united = unary_union(zones.iter().map(|one| &one.ground)).unsigned_area();
            assert!((united - all).abs() < 1.0, "{degrees}: {united} {all}");
        }
    }

    #[test]
    fn slivers_are_dissolved() {
        // 20 m of 18 m: less than a tenth of an acre, in the corner
        let ground = field(square(380.0, 162.0, 400.0, 180.0));
        for (decision, net) in [(Decision::Treat, 30.0), (Decision::Leave, -5.0)] {
            let said = [
                advice(Some(0), Decision::Treat, 30.0),
                advice(Some(1), decision, net),
                advice(None, Decision::Test, 0.0),
            ];
            let zones = layout(&ground, &said, &settings());
            assert_eq!(zones.len(), 1, "{zones:?}");
            assert!((zones[0].area_m2 - 400.0 * 180.0).abs() < 1.0);
        }
    }

    #[test]
    fn ground_without_a_class_takes_the_answer_over_all_soils() {
        let ground = FieldGround { field: square(0.0, 0.0, 300.0, 90.0), soils: Vec::new() };
        let zones = layout(&ground, &[advice(None, Decision::Treat, 10.0)], &settings());
        assert_eq!(zones.len(), 1);
        assert!((area(&zones, None, Decision::Treat) - 27_000.0).abs() < 1.0);
        let zones = layout(&ground, &[advice(None, Decision::Test, 10.0)], &settings());
        assert!((area(&zones, None, Decision::Test) - 27_000.0).abs() < 1.0);
    }
}
