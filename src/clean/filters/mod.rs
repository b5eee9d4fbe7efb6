//! The filters that look at records on their ground: rules that look at one record at a time here, the others in a file each. A filter
//! marks; it never deletes. The tables below say which rules run, and when.

pub(super) mod kinematics;
pub(super) mod low_ground;
pub(super) mod neighbours;
pub(super) mod ranges;
pub(super) mod swath;
pub(super) mod yields;

use super::ground::Ground;
use super::passes::Pass;
use super::track::{Doing, Track};
use crate::config::{CleanSettings, CropSettings};
use crate::geometry::PolygonIndex;
use crate::points::{Mark, Reasons, Records};

/// What a rule sees of the site-year.
pub(super) struct Seen<'c> {
    pub(super) records: &'c Records,
    /// The field's outline, where it is known.
    pub(super) boundary: Option<&'c PolygonIndex>,
    pub(super) tracks: &'c [Track],
    pub(super) passes: &'c [Pass],
    pub(super) ground: &'c Ground,
    pub(super) crop: &'c CropSettings,
    pub(super) settings: &'c CleanSettings,
}

/// How a rule looks.
pub(super) enum Rule {
    /// At one record after the other: the mark, and whether a record earns it.
    Each(Mark, fn(&Seen<'_>, usize) -> bool),
    /// At all records together: it marks by itself, and asks itself what was recorded.
    All(fn(&Seen<'_>, &mut [Reasons])),
}
use Rule::{All, Each};

/// Rules that run before filling and emptying are looked for.
pub(super) const BEFORE_RAMPS: &[Rule] =
    &[Each(Mark::OutsideBoundary, outside_boundary), Each(Mark::HeaderUp, header_up)];
/// Rules that run after.
pub(super) const AFTER_RAMPS: &[Rule] = &[Each(Mark::ShortPass, short_pass), Each(Mark::Turning, turning)];
/// Rules that run when ground without grain is known by its flow.
pub(super) const AFTER_FLOW: &[Rule] = &[Each(Mark::MoistureRange, moisture_range), All(kinematics::mark)];

/// Runs rules on the records that carry no mark.
pub(super) fn mark(rules: &[Rule], seen: &Seen<'_>, marks: &mut [Reasons]) {
    for rule in rules {
        match *rule {
            Each(mark, fails) if mark.can_run(&seen.records.channels) => {
                for (at, reasons) in marks.iter_mut().enumerate() {
                    if reasons.is_empty() && fails(seen, at) {
                        reasons.add(mark);
                    }
                }
            }
            Each(..) => {}
            All(all) => all(seen, marks),
        }
    }
}

fn outside_boundary(seen: &Seen<'_>, at: usize) -> bool {
    let Some(boundary) = seen.boundary else { return false };
    let (x, y) = (seen.ground.x_m[at], seen.ground.y_m[at]);
    let off = || boundary.distance_to_edge_of(0, x, y).map_or(f64::INFINITY, f64::abs);
    !boundary.holds(0, x, y) && off() > seen.settings.boundary_margin_m
}

fn header_up(seen: &Seen<'_>, at: usize) -> bool {
    matches!(seen.ground.doing[at], None | Some(Doing::HeaderUp))
}

fn short_pass(seen: &Seen<'_>, at: usize) -> bool {
    let pass = seen.passes.get(seen.ground.pass[at] as usize);
    pass.is_some_and(|pass| pass.length_m < seen.settings.pass_length_m)
}

fn turning(seen: &Seen<'_>, at: usize) -> bool {
    seen.ground.doing[at] == Some(Doing::Turning)
}

fn moisture_range(seen: &Seen<'_>, at: usize) -> bool {
    let (least, most) = seen.crop.plausible_moisture_pct;
    !(least..=most).contains(&seen.ground.moisture_pct[at])
}
