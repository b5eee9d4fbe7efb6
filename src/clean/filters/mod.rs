//! The filters that look at records on their ground: rules that look at one record at a time here, the others in a file each. A filter
//! marks; it never deletes.

pub(super) mod kinematics;
pub(super) mod low_ground;
pub(super) mod neighbours;
pub(super) mod ranges;
pub(super) mod swath;
pub(super) mod yields;

use super::ground::Ground;
use super::passes::Pass;
use super::track::Doing;
use crate::config::{CleanSettings, CropSettings};
use crate::geometry::PolygonIndex;
use crate::points::{Channels, Mark, Reasons};

/// What a rule sees of the site-year.
pub(super) struct Seen<'c> {
    pub(super) channels: Channels,
    /// The field's outline, where it is known.
    pub(super) boundary: Option<&'c PolygonIndex>,
    pub(super) passes: &'c [Pass],
    pub(super) ground: &'c Ground,
    pub(super) crop: &'c CropSettings,
    pub(super) settings: &'c CleanSettings,
}

/// A mark, and whether a record earns it.
type Rule = (Mark, fn(&Seen<'_>, usize) -> bool);

/// Rules that run before filling and emptying are looked for.
pub(super) const BEFORE_RAMPS: &[Rule] = &[(Mark::OutsideBoundary, outside_boundary), (Mark::HeaderUp, header_up)];
/// Rules that run after.
pub(super) const AFTER_RAMPS: &[Rule] = &[(Mark::ShortPass, short_pass), (Mark::Turning, turning)];

/// Rules that run when ground without grain is known by its flow.
pub(super) const AFTER_FLOW: &[Rule] = &[(Mark::MoistureRange, moisture_range)];

/// Runs rules on the records that carry no mark.
pub(super) fn mark(rules: &[Rule], seen: &Seen<'_>, marks: &mut [Reasons]) {
    for &(mark, fails) in rules.iter().filter(|(mark, _)| mark.can_run(&seen.channels)) {
        for (at, reasons) in marks.iter_mut().enumerate() {
            if reasons.is_empty() && fails(seen, at) {
                reasons.add(mark);
            }
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
