//! How long the machine fills after entering the crop and empties before leaving it, from the data.
//!
//! The yield, relative to the inside of the same pass, rises after entry as the machine fills, and falls before the exit as it empties.
//! Ground that is truly poor at an end of the field is poor for the passes that start there and for those that finish there, so the
//! ratio of the two shows the machine alone. Where it never comes near 1 the ground differs, not the machine, and the usual time is
//! taken.

use super::ground::Ground;
use super::passes::Pass;
use crate::config::CleanSettings;
use crate::points::{Mark, Reasons, Records, Sourced};
use crate::stats::robust;

/// Seconds inside the pass that serve as reference.
const REFERENCE_S: (f64, f64) = (30.0, 60.0);
/// Shortest pass that is looked at, s.
const LEAST_PASS_S: f64 = 90.0;
/// Fewest passes for a curve.
const LEAST_PASSES: usize = 8;
/// The machine is full once the curve reaches this share (common practice, no source).
const FULL: f64 = 0.95;
/// Longest trim that is found, s.
const LONGEST_S: f64 = 30.0;
/// Passes whose ends lie so close meet at one end of the field, m.
const SAME_END_M: f64 = 60.0;
/// What filling and emptying leave alone, s: the ground of an end is judged beyond them (ours: nine in ten messy site-years fill within
/// 10 s).
const FILLING_S: f64 = 15.0;
const EMPTYING_S: f64 = 8.0;
/// Added at the exit: the header is raised early, or the machine slows down. s (common practice, no source).
const EXIT_MORE_S: f64 = 3.0;

/// The trims of a site-year.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ramps {
    pub(crate) entry_s: Sourced,
    pub(crate) exit_s: Sourced,
}

/// The start or the end of a pass.
struct End {
    /// Yields by the seconds from there, relative to the inside of the pass.
    yields: Vec<f64>,
    place: (f64, f64),
}

/// Both ends of a pass.
struct Ends {
    start: End,
    end: End,
}

/// Picks one of them.
type Side = fn(&Ends) -> &End;
const START: Side = |ends| &ends.start;
const END: Side = |ends| &ends.end;

/// Finds the trims; `yields` are those of the records on their ground.
pub(crate) fn find(
    records: &Records,
    ground: &Ground,
    passes: &[Pass],
    yields: &[f64],
    marks: &[Reasons],
    settings: &CleanSettings,
) -> Ramps {
    if !records.channels.time {
        return Ramps { entry_s: Sourced::configured(0.0), exit_s: Sourced::configured(0.0) };
    }
    // One bin holds at least one record.
    let bin_s = robust::median(&records.interval_s).unwrap_or(1.0).max(1.0);
    let ends = ends(records, ground, passes, yields, marks, bin_s);
    let entry_s = match settings.pass_entry_s {
        Some(seconds) => Sourced::configured(seconds),
        None => trim(&ends, (START, END), EMPTYING_S, bin_s)
            .map_or_else(|| Sourced::assumed(settings.pass_entry_assumed_s), |s| Sourced::estimated(s, bin_s)),
    };
    let exit_s = match settings.pass_exit_s {
        Some(seconds) => Sourced::configured(seconds),
        None => trim(&ends, (END, START), FILLING_S, bin_s).map_or_else(
            || Sourced::assumed(settings.pass_exit_assumed_s),
            |seconds| Sourced::estimated(seconds + EXIT_MORE_S, bin_s),
        ),
    };
    Ramps { entry_s, exit_s }
}

fn ends(
    records: &Records,
    ground: &Ground,
    passes: &[Pass],
    yields: &[f64],
    marks: &[Reasons],
    bin_s: f64,
) -> Vec<Ends> {
    let bins = bins(bin_s);
    let mut rows_of: Vec<Vec<u32>> = vec![Vec::new(); passes.len()];
    for at in 0..records.len() {
        if let Some(rows) = rows_of.get_mut(ground.pass[at] as usize)
            && marks[at].is_empty()
            && yields[at].is_finite()
        {
            rows.push(at as u32);
        }
    }
    let mut all = Vec::new();
    for (pass, rows) in passes.iter().zip(&rows_of) {
        if pass.end_s - pass.start_s < LEAST_PASS_S {
            continue;
        }
        let of = |seconds: &[f64], low: f64, high: f64| {
            let mut values: Vec<f64> = rows
                .iter()
                .map(|&at| at as usize)
                .filter(|&at| (low..high).contains(&seconds[at]))
                .map(|at| yields[at])
                .collect();
            robust::median_in_place(&mut values).ok()
        };
        let by_second = |seconds: &[f64]| -> Option<Vec<f64>> {
            let reference = of(seconds, REFERENCE_S.0, REFERENCE_S.1).filter(|&value| value > 0.0)?;
            let mut sums = vec![(0.0, 0.0); bins];
            for &at in rows {
                let (second, value) = (seconds[at as usize], yields[at as usize]);
                if second >= 0.0
                    && let Some(bin) = sums.get_mut((second / bin_s) as usize)
                {
                    *bin = (bin.0 + value, bin.1 + 1.0);
                }
            }
            Some(
                sums.iter().map(|(sum, count)| if *count > 0.0 { sum / count / reference } else { f64::NAN }).collect(),
            )
        };
        let place = |seconds: &[f64]| {
            let nearest = rows.iter().min_by(|&&a, &&b| seconds[a as usize].total_cmp(&seconds[b as usize]));
            nearest.map(|&at| (ground.x_m[at as usize], ground.y_m[at as usize]))
        };
        let end = |seconds: &[f64]| Some(End { yields: by_second(seconds)?, place: place(seconds)? });
        if let (Some(start), Some(end)) = (end(&ground.since_start_s), end(&ground.until_end_s)) {
            all.push(Ends { start, end });
        }
    }
    all
}

/// Bins of a curve.
fn bins(bin_s: f64) -> usize {
    (LONGEST_S / bin_s).ceil() as usize
}

/// The median over the passes, bin by bin, where enough passes have data.
fn curve(ends: &[Ends], side: Side) -> Option<Vec<f64>> {
    let bins = ends.iter().map(|ends| side(ends).yields.len()).max()?;
    let curve: Vec<f64> = (0..bins)
        .map(|second| {
            let mut values: Vec<f64> =
                ends.iter().map(|ends| side(ends).yields[second]).filter(|value| value.is_finite()).collect();
            if values.len() < LEAST_PASSES {
                f64::NAN
            } else {
                robust::median_in_place(&mut values).unwrap_or(f64::NAN)
            }
        })
        .collect();
    curve.iter().any(|value| value.is_finite()).then_some(curve)
}

/// The trim of one side of the passes: their yields there over those of the passes whose other side meets them, as far from it, but
/// beyond the seconds that the machine touches there.
fn trim(ends: &[Ends], (side, other_side): (Side, Side), touched_s: f64, bin_s: f64) -> Option<f64> {
    let machine = curve(ends, side)?;
    let touched = (touched_s / bin_s).ceil() as usize;
    let apart_m = |one: &End, other: &End| (one.place.0 - other.place.0).hypot(one.place.1 - other.place.1);
    let is_met = |one: &End| ends.iter().any(|other| apart_m(one, side(other)) < SAME_END_M);
    let meeting: Vec<&End> = ends.iter().map(other_side).filter(|one| is_met(one)).collect();
    let ground = |second: usize| {
        let mut values: Vec<f64> = meeting
            .iter()
            .filter_map(|one| one.yields.get(second.max(touched)).copied())
            .filter(|value| value.is_finite())
            .collect();
        if values.len() < LEAST_PASSES {
            1.0
        } else {
            robust::median_in_place(&mut values).unwrap_or(1.0).clamp(0.3, 1.0)
        }
    };
    let machine: Vec<f64> = machine.iter().enumerate().map(|(second, share)| share / ground(second)).collect();
    full_from(&machine, bin_s)
}

/// Seconds after which the rising curve is full; `None` where it never is.
fn full_from(curve: &[f64], bin_s: f64) -> Option<f64> {
    let first = curve.iter().position(|value| value.is_finite())?;
    let values: Vec<f64> = curve[first..].iter().copied().take_while(|value| value.is_finite()).collect();
    let rising = robust::isotonic(&values, None).ok()?;
    let full = rising.iter().position(|&value| value >= FULL)?;
    Some((first + full) as f64 * bin_s)
}

/// Marks the records within the trims.
pub(crate) fn mark(ground: &Ground, ramps: &Ramps, marks: &mut [Reasons]) {
    for (at, mark) in marks.iter_mut().enumerate() {
        if !mark.is_empty() {
            continue;
        }
        if ground.since_start_s[at] < ramps.entry_s.value {
            mark.add(Mark::PassEntry);
        } else if ground.until_end_s[at] < ramps.exit_s.value {
            mark.add(Mark::PassExit);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// After entering the crop a first-order machine delivers 1 − exp(−k/τ): 0.95 after 3 τ.
    #[test]
    fn a_first_order_machine_is_full_after_three_time_constants() {
        for (tau, expected) in [(2.0, 6.0), (3.0, 9.0), (5.0, 15.0)] {
            let curve: Vec<f64> = (0..30).map(|k| 1.0 - (-f64::from(k) / tau).exp()).collect();
            assert_eq!(full_from(&curve, 1.0), Some(expected));
        }
    }

    /// Passes back and forth, 10 m apart, whose ends lie on ground of this yield, relative to the inside.
    fn back_and_forth(poor: f64, all_one_way: bool) -> Vec<Ends> {
        let pass = |at: usize| {
            let (low, high) = ((10.0 * at as f64, 0.0), (10.0 * at as f64, 400.0));
            let is_up = all_one_way || at.is_multiple_of(2);
            let (start, end) = if is_up { (low, high) } else { (high, low) };
            // the machine fills in six seconds and empties in two
            let by_second =
                |full_s: f64| (0..30).map(|second| poor * (f64::from(second) / full_s).min(1.0)).collect::<Vec<f64>>();
            Ends {
                start: End { yields: by_second(6.0), place: start },
                end: End { yields: by_second(2.0), place: end },
            }
        };
        (0..20).map(pass).collect()
    }

    #[test]
    fn poor_ground_at_the_ends_is_not_the_machine() {
        let entry = |ends: &[Ends], bin_s: f64| trim(ends, (START, END), EMPTYING_S, bin_s);
        let exit = |ends: &[Ends], bin_s: f64| trim(ends, (END, START), FILLING_S, bin_s);
        let ends = back_and_forth(0.8, false);
        assert_eq!((entry(&ends, 1.0), exit(&ends, 1.0)), (Some(6.0), Some(2.0)));
        assert_eq!(
            (entry(&back_and_forth(1.0, true), 1.0), exit(&back_and_forth(1.0, true), 1.0)),
            (Some(6.0), Some(2.0))
        );
        // where no pass comes the other way nothing tells ground and machine apart
        assert_eq!((entry(&back_and_forth(0.8, true), 1.0), exit(&back_and_forth(0.8, true), 1.0)), (None, None));
        // records so far apart that one holds all of it
        let sparse: Vec<Ends> = back_and_forth(0.8, false)
            .into_iter()
            .map(|one| {
                let sparse = |end: End| End { yields: vec![0.8], ..end };
                Ends { start: sparse(one.start), end: sparse(one.end) }
            })
            .collect();
        assert_eq!((entry(&sparse, 40.0), exit(&sparse, 40.0)), (None, None));
    }
}
