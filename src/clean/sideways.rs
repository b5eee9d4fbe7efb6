//! Positions that step sideways while a combine drives straight on, and step back later: the receiver's doing, not the driver's.
//!
//! A pass that seems to lie a metre to one side for a minute cuts ground of its neighbour a second time, and stands in part on the
//! strip beside its own. A combine needs time to move across and drive straight again, so a step is only what no combine can have
//! driven between two fixes. The fixes between a step and the one back are moved to the line of the others.
//!
//! *When it harms*: where the driver did change rows between two fixes far apart in time, which is why the limit grows with the
//! square of the time between them. Nothing is moved unless more than half of the way between two turns lies on one line.
//!
//! *Method*: ours; that receivers step when their satellites or corrections change is common practice, no source.

use std::ops::Range;

use super::track::Track;
use crate::points::{Caution, Cautions, Records};
use crate::stats::robust;

/// Seconds on either side by which a step is measured, and fewest fixes there.
const WINDOW_S: f64 = 10.0;
const LEAST_FIXES: usize = 4;
/// A shorter way on either side does not show a direction, m.
const LEAST_WAY_M: f64 = 6.0;
/// The least step, m (ours).
const LEAST_STEP_M: f64 = 0.5;
/// How fast a combine can move across its way, m/s² (ours): from straight to straight again it needs 2 √(step / this).
const ACROSS_M_S2: f64 = 0.5;
/// A step is at least so many of its standard errors and so many times what the whole track shows, and at least this share of it lies
/// between two fixes (ours: benches/messy.rs).
const STD_ERRORS: f64 = 5.0;
const UNRESTS: f64 = 4.0;
const AT_ONCE: f64 = 0.6;
/// What the whole track shows is judged at every so many fixes.
const EVERY: usize = 5;
/// A way that bends more than this is a turn.
const TURN_DEG: f64 = 20.0;
/// Pieces of a way that lie closer than this side by side are on one line, m.
const SAME_LINE_M: f64 = 0.25;

/// A step of the positions between two fixes.
#[derive(Debug, Clone, Copy)]
struct Step {
    /// The first fix after it.
    fix: usize,
    /// To the right of the way, m.
    right_m: f64,
    /// The direction to the right: east, north.
    right: (f64, f64),
}

/// Moves the positions of a track back where they stepped sideways.
pub(super) fn mend(track: &mut Track) {
    let steps = steps(track);
    for (first, end) in ways(track, &steps) {
        let before = |fix: usize| steps.partition_point(|step| step.fix < fix);
        let own = &steps[before(first + 1)..before(end)];
        for Aside { fixes, right_m, right } in aside(track, (first, end), own) {
            for fix in fixes {
                track.x_m[fix] -= right_m * right.0;
                track.y_m[fix] -= right_m * right.1;
            }
        }
    }
}

/// Reports how many records of a machine were moved, and how far.
pub(super) fn report(records: &Records, track: &Track, cautions: &mut Cautions) {
    let moved_m = |(fix, &row): (usize, &u32)| {
        let at = row as usize;
        (track.x_m[fix] - records.x_m[at]).hypot(track.y_m[fix] - records.y_m[at])
    };
    let moved = track.row.iter().enumerate().map(moved_m).filter(|&one| one > 0.0);
    let (count, most_m) = moved.fold((0, 0.0_f64), |(count, most_m), one| (count + 1, most_m.max(one)));
    if count > 0 {
        let name = records.machine.name(track.machine);
        cautions.add(Caution::PositionSteps, format!("{name}: {count} records, by up to {most_m:.1} m"));
    }
}

/// The fixes before and after `fix` by which a step there is measured; `None` where they are too few or no way is made.
fn window(track: &Track, fix: usize) -> Option<(usize, usize)> {
    if track.gap_before[fix] {
        return None;
    }
    let (mut first, mut end) = (fix - 1, fix + 1);
    while first > 0
        && !track.gap_before[first]
        && (fix - first < LEAST_FIXES || track.time_s[fix] - track.time_s[first - 1] <= WINDOW_S)
    {
        first -= 1;
    }
    while end < track.len()
        && !track.gap_before[end]
        && (end - fix < LEAST_FIXES || track.time_s[end] - track.time_s[fix] <= WINDOW_S)
    {
        end += 1;
    }
    let enough = fix - first >= LEAST_FIXES
        && end - fix >= LEAST_FIXES
        && track.apart_m(first, fix - 1) >= LEAST_WAY_M
        && track.apart_m(fix, end - 1) >= LEAST_WAY_M;
    enough.then_some((first, end))
}

/// The unit vector from one fix to another, east and north.
fn direction(track: &Track, from: usize, to: usize) -> (f64, f64) {
    let (east, north) = track.way_m(from, to);
    let length = track.apart_m(from, to).max(1e-9);
    (east / length, north / length)
}

fn bends(one: (f64, f64), other: (f64, f64)) -> bool {
    one.0 * other.0 + one.1 * other.1 < TURN_DEG.to_radians().cos()
}

/// The steps of a track, in its order.
fn steps(track: &Track) -> Vec<Step> {
    // how far positions seem to step where they merely tremble and wander
    let usual: Vec<f64> =
        (1..track.len()).step_by(EVERY).filter_map(|fix| seen_at(track, fix)).map(|seen| seen.step.right_m).collect();
    let unrest_m = robust::mad(&usual).unwrap_or(0.0);
    let mut found: Vec<Seen> = Vec::new();
    for fix in 1..track.len() {
        let seconds = track.time_s[fix] - track.time_s[fix - 1];
        let least_m = LEAST_STEP_M.max(ACROSS_M_S2 * seconds * seconds / 4.0).max(UNRESTS * unrest_m);
        // less cannot be a step
        if track.step(fix) < AT_ONCE * least_m {
            continue;
        }
        let Some(seen) = seen_at(track, fix) else { continue };
        let size_m = seen.step.right_m.abs();
        if size_m < least_m || size_m < STD_ERRORS * seen.std_error_m || seen.at_once_m < AT_ONCE * size_m {
            continue;
        }
        // of steps that share fixes on both sides the sharpest is one
        match found.last_mut() {
            Some(last) if fix - last.step.fix < LEAST_FIXES => {
                if seen.at_once_m > last.at_once_m {
                    *last = seen;
                }
            }
            _ => found.push(seen),
        }
    }
    found.into_iter().map(|seen| seen.step).collect()
}

/// What the fixes before and after one show of a step there.
struct Seen {
    step: Step,
    std_error_m: f64,
    /// What of it happens between two fixes, m.
    at_once_m: f64,
}

/// The step between a fix and the one before: two lines with one slope through the fixes on both sides. `None` in a bend, and where the
/// fixes are too few.
fn seen_at(track: &Track, fix: usize) -> Option<Seen> {
    let (first, end) = window(track, fix)?;
    let (before, after) = (direction(track, first, fix - 1), direction(track, fix, end - 1));
    if bends(before, after) {
        return None;
    }
    let length = (before.0 + after.0).hypot(before.1 + after.1);
    let along = ((before.0 + after.0) / length, (before.1 + after.1) / length);
    let right = (along.1, -along.0);
    // along the way and across it, m, from the fix
    let of = |at: usize| {
        let (east, north) = track.way_m(fix, at);
        (east * along.0 + north * along.1, east * right.0 + north * right.1)
    };
    let side = |rows: Range<usize>| {
        let count = rows.len() as f64;
        let (way, off) = rows.clone().map(of).fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
        let mean = (way / count, off / count);
        let squares = rows.map(of).fold([0.0; 3], |[ww, wo, oo], one| {
            let (way, off) = (one.0 - mean.0, one.1 - mean.1);
            [ww + way * way, wo + way * off, oo + off * off]
        });
        (count, mean, squares)
    };
    let ((ahead, ahead_mean, ahead_squares), (behind, behind_mean, behind_squares)) =
        (side(fix..end), side(first..fix));
    let [ww, wo, oo] = [0, 1, 2].map(|at| ahead_squares[at] + behind_squares[at]);
    let slope = wo / ww;
    let apart_m = ahead_mean.0 - behind_mean.0;
    let right_m = ahead_mean.1 - behind_mean.1 - slope * apart_m;
    let scatter_m = ((oo - slope * wo).max(0.0) / (ahead + behind - 3.0)).sqrt();
    let std_error_m = scatter_m * (1.0 / ahead + 1.0 / behind + apart_m * apart_m / ww).sqrt();
    let (way, off) = of(fix - 1);
    let at_once_m = (slope * way - off) * right_m.signum();
    Some(Seen { step: Step { fix, right_m, right }, std_error_m, at_once_m })
}

/// The ways between gaps and turns that hold a step: the first fix, and one beyond the last.
fn ways(track: &Track, steps: &[Step]) -> Vec<(usize, usize)> {
    let mut ways: Vec<(usize, usize)> = Vec::new();
    for step in steps {
        if ways.last().is_some_and(|way| step.fix < way.1) {
            continue;
        }
        let near_a_step = |fix: usize| {
            let next = steps.partition_point(|step| step.fix + LEAST_FIXES <= fix);
            steps.get(next).is_some_and(|step| step.fix < fix + LEAST_FIXES)
        };
        let turns = |fix: usize| {
            if fix < LEAST_FIXES || fix + LEAST_FIXES >= track.len() || near_a_step(fix) {
                return false;
            }
            bends(direction(track, fix - LEAST_FIXES, fix), direction(track, fix, fix + LEAST_FIXES))
        };
        let mut first = step.fix - 1;
        while first > 0 && !track.gap_before[first] && !turns(first) {
            first -= 1;
        }
        let mut end = step.fix + 1;
        while end < track.len() && !track.gap_before[end] && !turns(end) {
            end += 1;
        }
        ways.push((first, end));
    }
    ways
}

/// A piece of a way that lies beside the line on which most of the way lies.
struct Aside {
    fixes: Range<usize>,
    /// To the right of the line, m.
    right_m: f64,
    /// The direction to the right: east, north.
    right: (f64, f64),
}

/// The pieces of a way, from one step to the next, that lie beside the line on which most of it lies; none where no line has more than
/// half of it.
fn aside(track: &Track, (first, end): (usize, usize), steps: &[Step]) -> Vec<Aside> {
    let Some(start) = steps.first() else { return Vec::new() };
    let mut pieces = vec![Aside { fixes: first..start.fix, right_m: 0.0, right: start.right }];
    let mut right_m = 0.0;
    for (at, step) in steps.iter().enumerate() {
        right_m += step.right_m;
        let next = steps.get(at + 1).map_or(end, |next| next.fix);
        pieces.push(Aside { fixes: step.fix..next, right_m, right: step.right });
    }
    let seconds = |piece: &Aside| track.time_s[piece.fixes.end - 1] - track.time_s[piece.fixes.start] + track.step_s;
    let is_on = |piece: &Aside, line_m: f64| (piece.right_m - line_m).abs() < SAME_LINE_M;
    let of_line = |line_m: f64| -> f64 { pieces.iter().filter(|piece| is_on(piece, line_m)).map(seconds).sum() };
    let lines = pieces.iter().map(|piece| piece.right_m);
    let Some(line_m) = lines.max_by(|one, other| of_line(*one).total_cmp(&of_line(*other))) else { return Vec::new() };
    if of_line(line_m) <= 0.5 * pieces.iter().map(seconds).sum::<f64>() {
        return Vec::new();
    }
    let on_line = pieces.iter().filter(|piece| is_on(piece, line_m));
    let mean_m = on_line.map(|piece| seconds(piece) * piece.right_m).sum::<f64>() / of_line(line_m);
    pieces.retain(|piece| !is_on(piece, line_m));
    pieces.into_iter().map(|piece| Aside { right_m: piece.right_m - mean_m, ..piece }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// A combine driving north at 2 m/s for five minutes, a fix every `every_s`, that lies `right_m` to the right at a moment.
    fn driving(every_s: f64, right_m: impl Fn(f64) -> f64) -> Track {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let mut noise_m =
            || -> f64 { 0.08 * <StandardNormal as Distribution<f64>>::sample(&StandardNormal, &mut random) };
        let time_s: Vec<f64> = (0..(300.0 / every_s) as usize).map(|at| every_s * at as f64).collect();
        let count = time_s.len();
        let x_m = time_s.iter().map(|&time| right_m(time) + noise_m()).collect();
        let y_m = time_s.iter().map(|&time| 2.0 * time + noise_m()).collect();
        Track {
            machine: 0,
            rows: 0..count,
            row: (0..count as u32).collect(),
            path_m: time_s.iter().map(|time| 2.0 * time).collect(),
            time_s,
            x_m,
            y_m,
            course_rad: vec![0.0; count],
            header_down: vec![true; count],
            gap_before: (0..count).map(|at| at == 0).collect(),
            doing: Vec::new(),
            step_s: every_s,
            step_m: 2.0 * every_s,
            long_step_m: 2.0 * every_s,
        }
    }

    /// The greatest distance from the line, m, and how many fixes were moved.
    fn mended(mut track: Track) -> (f64, usize) {
        let before = track.x_m.clone();
        mend(&mut track);
        let moved = track.x_m.iter().zip(&before).filter(|(now, before)| (*now - *before).abs() > 0.0).count();
        (track.x_m.iter().fold(0.0, |most, x| x.abs().max(most)), moved)
    }

    #[test]
    fn a_minute_aside_is_moved_back() {
        for every_s in [1.0, 2.0] {
            let (off_m, moved) = mended(driving(every_s, |time| if (90.0..150.0).contains(&time) { 1.2 } else { 0.0 }));
            assert!(off_m < 0.4 && moved == (60.0 / every_s) as usize, "{off_m} m off, {moved} moved");
        }
    }

    #[test]
    fn a_step_that_lasts_to_the_end_of_the_pass_is_moved_back_where_it_is_the_shorter_part() {
        let (off_m, moved) = mended(driving(1.0, |time| if time >= 200.0 { -0.8 } else { 0.0 }));
        assert!(off_m < 0.4 && moved == 100, "{off_m} m off, {moved} moved");
        // no telling which of two halves is right
        let (_, moved) = mended(driving(1.0, |time| if time >= 150.0 { 0.8 } else { 0.0 }));
        assert_eq!(moved, 0);
    }

    #[test]
    fn what_was_driven_stays_where_it_was_driven() {
        // around an obstacle and back in a way that a combine can drive; a slow drift; a wide bend
        let around = |time: f64| 1.5 * (1.0 / (1.0 + (100.0 - time).exp()) - 1.0 / (1.0 + (160.0 - time).exp()));
        assert_eq!(mended(driving(1.0, around)).1, 0);
        assert_eq!(mended(driving(1.0, |time| (time / 40.0).sin())).1, 0);
        assert_eq!(mended(driving(1.0, |time| time * time / 800.0)).1, 0);
        // four seconds are enough to move across by a metre
        let aside = |time: f64| if (90.0..150.0).contains(&time) { 1.2 } else { 0.0 };
        assert_eq!(mended(driving(4.0, aside)).1, 0);
    }
}
