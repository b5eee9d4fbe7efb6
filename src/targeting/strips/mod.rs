//! Next season's strips: blocks of adjacent strips, one of each treatment and the check, that cross wet and dry ground.

mod lanes;
mod order;
mod widths;

use geo::{Area, BooleanOps, Coord, CoordsIter, MultiPolygon, Polygon};

use self::lanes::{Choice, Lane, Lanes, Wanted, lanes, largest};
use self::order::Order;
use super::FieldGround;
use super::ground::rectangle;
use crate::config::{FEWEST_BLOCKS, StripLayoutSettings};
use crate::geometry::Frame;
use crate::results::{Course, NoStrips, PlannedStrip, StripLayout, StripWidths};

/// A class of less of the field than this need not be crossed (common practice, no source).
const LEAST_CLASS_SHARE: f64 = 0.1;
/// Places of the blocks that are tried for a balanced order before there are fewer of them (ours: each costs
/// at most a thousand draws).
const MOST_PLACES: usize = 100;

/// A field for which strips are to be laid out.
#[derive(Debug, Clone, Copy)]
pub struct StripCase<'c> {
    /// Its ground.
    pub ground: &'c FieldGround,
    /// Names of the soil classes, dry to wet.
    pub class_names: &'c [String],
    /// Keys of the treatments, the check first.
    pub treatments: &'c [String],
    /// The settings.
    pub settings: &'c StripLayoutSettings,
    /// Width of the header, m.
    pub header_m: f64,
    /// Where that was taken from.
    pub header_source: &'c str,
    /// Directions to choose from, the favoured first: radians counter-clockwise from grid east.
    pub courses: &'c [(Course, f64)],
    /// Direction of true north, radians counter-clockwise from grid east.
    pub north_rad: f64,
    /// Length on a class with which a strip tells something of it, m.
    pub enough_m: f64,
    /// Farm and field, as typed.
    pub name: (&'c str, &'c str),
    /// The season that is planned.
    pub season: i32,
}

/// Blocks in one direction, with the order of their treatments.
struct Drawn {
    course: Course,
    lanes: Lanes,
    choice: Choice,
    order: Order,
}

/// Lays out the strips of a field.
///
/// Widths are the fewest planter passes that hold a pass of the combine between its guards. Blocks lie at equal distances where
/// every strip crosses every class that makes up a tenth of the field; the second direction is taken only where the first
/// leaves a class uncrossed. The order of the treatments is drawn anew for each block; where no order is balanced, the next
/// best places are tried.
///
/// # Errors
/// Why there are no strips.
pub fn lay_out(case: StripCase<'_>) -> Result<StripLayout, NoStrips> {
    let StripCase { ground, settings, .. } = case;
    let widths = widths::widths(settings.planter_m, case.header_m, settings.guard_m);
    let end_rows_m = settings.end_rows_m.unwrap_or(2.0 * settings.planter_m.max(case.header_m));
    let classes: Vec<MultiPolygon<f64>> = (0..case.class_names.len()).map(|rank| ground.of_class(rank)).collect();
    let least_m2 = LEAST_CLASS_SHARE * ground.field.unsigned_area();
    let crossed: Vec<usize> = (0..classes.len()).filter(|&rank| classes[rank].unsigned_area() >= least_m2).collect();
    let no_room = NoStrips::NoRoom {
        blocks: FEWEST_BLOCKS as usize,
        strips: case.treatments.len(),
        planted_m: widths.planted_m(),
        least_m: settings.least_strip_m,
        end_rows_m,
    };
    let mut why_not = no_room.clone();
    let mut best: Option<Drawn> = None;
    for &(course, angle_rad) in case.courses {
        let limits = (end_rows_m, settings.least_strip_m);
        let Some(lanes) = lanes(&ground.field, &classes, angle_rad, &widths, limits) else { continue };
        match drawn(&case, course, lanes, (&widths, &crossed), &no_room) {
            Ok(found) if best.as_ref().is_none_or(|other| found.choice.worst_m > other.choice.worst_m) => {
                best = Some(found);
            }
            Err(NoStrips::Unbalanced) => why_not = NoStrips::Unbalanced,
            Ok(_) | Err(_) => {}
        }
    }
    let Drawn { course, lanes, choice, order } = best.ok_or(why_not)?;
    let blocks = blocks(&lanes, &choice, case.treatments.len(), &widths);
    let mut strips = Vec::new();
    for (number, (block, order)) in blocks.iter().zip(&order.treatments).enumerate() {
        for ((pass, lane), &treatment) in block.iter().zip(order) {
            let low = *pass as f64 * widths.planter_m;
            let inside = (low + widths.least_guard_m, low + widths.planted_m() - widths.least_guard_m);
            let planted = MultiPolygon::new(vec![lane.ground.clone()]);
            let harvest = largest(planted.intersection(&band(&lanes.frame, &lane.ground, inside)));
            strips.push(PlannedStrip {
                number: strips.len() + 1,
                block: number + 1,
                treatment: case.treatments[treatment].clone(),
                planted,
                harvest: MultiPolygon::new(harvest.into_iter().collect()),
                length_m: lane.length_m,
            });
        }
    }
    let least = |block: &[(usize, &Lane)], class: usize| {
        block.iter().map(|(_, lane)| lane.class_m[class]).fold(f64::INFINITY, f64::min)
    };
    let (first, lane) = blocks[0][0];
    let across = (first as f64 + 0.5) * widths.planter_m;
    let (from, to) = lanes.frame.extent(lane.ground.coords_iter());
    Ok(StripLayout {
        season: case.season,
        field: ground.field.clone(),
        widths,
        header_source: case.header_source.to_owned(),
        course,
        bearing_deg: (case.north_rad - lanes.frame.angle_rad()).to_degrees().rem_euclid(180.0),
        from_side: side(case.north_rad, &lanes.frame),
        first_pass: [from, to].map(|end| lanes.frame.from_frame(Coord { x: end.x, y: across })),
        end_rows_m,
        blocks_wanted: settings.blocks,
        seed: settings.seed,
        refused: order.refused,
        classes: crossed.iter().map(|&rank| case.class_names[rank].clone()).collect(),
        crossed_m: blocks.iter().map(|block| crossed.iter().map(|&class| least(block, class)).collect()).collect(),
        strips,
        tells: Vec::new(),
    })
}

/// As many blocks as there is room for, up to those that are wanted, at the best places that allow a balanced order.
fn drawn(
    case: &StripCase<'_>,
    course: Course,
    lanes: Lanes,
    (widths, crossed): (&StripWidths, &[usize]),
    no_room: &NoStrips,
) -> Result<Drawn, NoStrips> {
    let strips = case.treatments.len();
    let (farm, field) = case.name;
    let mut has_room = false;
    for count in (FEWEST_BLOCKS as usize..=case.settings.blocks).rev() {
        let wanted = Wanted {
            blocks: count,
            strips,
            passes: widths.planter_passes as usize,
            classes: crossed,
            enough_m: case.enough_m,
        };
        for choice in lanes.choices(wanted).into_iter().take(MOST_PLACES) {
            has_room = true;
            let ground: Vec<Vec<Vec<f64>>> = blocks(&lanes, &choice, strips, widths)
                .iter()
                .map(|block| block.iter().map(|(_, lane)| lane.class_m.clone()).collect())
                .collect();
            let mut random = order::stream(case.settings.seed, farm, field, case.season);
            if let Some(order) = order::draw(&ground, &mut random) {
                return Ok(Drawn { course, lanes, choice, order });
            }
        }
    }
    Err(if has_room { NoStrips::Unbalanced } else { no_room.clone() })
}

/// By block, its strips with the planter pass at which each begins.
fn blocks<'l>(lanes: &'l Lanes, choice: &Choice, strips: usize, widths: &StripWidths) -> Vec<Vec<(usize, &'l Lane)>> {
    let passes = |start: usize| (0..strips).map(move |at| start + at * widths.planter_passes as usize);
    let lane = |pass: usize| Some((pass, lanes.by_pass[pass].as_ref()?));
    choice.starts.iter().map(|&start| passes(start).filter_map(lane).collect()).collect()
}

/// A band along the frame, longer than a polygon.
fn band(frame: &Frame, ground: &Polygon<f64>, across: (f64, f64)) -> MultiPolygon<f64> {
    let (from, to) = frame.extent(ground.coords_iter());
    rectangle(frame, (from.x - 1.0, to.x + 1.0), across)
}

/// The side on which across is least, by the compass.
fn side(north_rad: f64, frame: &Frame) -> &'static str {
    const SIDES: [&str; 8] = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
    // across is a quarter turn to the left of the axis, so its beginning lies to the right
    let bearing_deg = (north_rad - frame.angle_rad()).to_degrees() + 90.0;
    SIDES[((bearing_deg / 45.0).round() as i64).rem_euclid(8) as usize]
}

#[cfg(test)]
mod tests;
