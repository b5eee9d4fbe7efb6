//! Runs along a lane that a machine can keep to.

/// Where to treat along a lane so that the sum of the values of the treated cells is greatest, and the machine neither
/// switches on nor off for fewer than `least` cells between two switches.
///
/// A value above 0 is worth treating. Cells at or below it are crossed only between two that are, in stretches of fewer than
/// `least`; those of `f64::NEG_INFINITY` are never crossed. The lane may begin and end untreated however shortly, and may be
/// treated from end to end however short it is. Dynamic programming over the places where a run may end (Bellman 1957, Dynamic
/// Programming, chapter 1, the principle of optimality); linear in the number of cells. Of equal sums the one with less treated
/// ground.
pub fn best_runs(values: &[f64], least: usize) -> Vec<bool> {
    let (count, least) = (values.len(), least.max(1));
    let is_barred: Vec<bool> = values
        .chunk_by(|a, b| (*a > 0.0) == (*b > 0.0))
        .flat_map(|stretch| {
            let is_long = stretch[0] <= 0.0 && stretch.len() >= least;
            stretch.iter().map(move |value| is_long || *value == f64::NEG_INFINITY)
        })
        .collect();
    let mut sums = vec![0.0; count + 1];
    for at in 0..count {
        sums[at + 1] = sums[at] + if is_barred[at] { 0.0 } else { values[at] };
    }
    // best[state][i]: the greatest sum over the first i cells when a run in that state ends there; from: where it began
    let unreached = f64::NEG_INFINITY;
    let mut best = [vec![unreached; count + 1], vec![unreached; count + 1]];
    let mut from = [vec![0; count + 1], vec![0; count + 1]];
    let (off, on) = (0, 1);
    best[off][0] = 0.0;
    // the best beginnings so far: for an untreated run, and for a treated one
    let (mut begin_off, mut begin_on) = ((unreached, 0), (unreached, 0));
    // no treated run that reaches the cells to come begins before this one
    let mut free_from = 0;
    for end in 1..=count {
        if is_barred[end - 1] {
            begin_on = (unreached, 0);
            free_from = end;
        }
        if end >= least {
            let start = end - least;
            if best[on][start] > begin_off.0 {
                begin_off = (best[on][start], start);
            }
            let lead = if start == 0 { 0.0 } else { best[off][start] };
            if start >= free_from && values[start] > 0.0 && lead - sums[start] > begin_on.0 {
                begin_on = (lead - sums[start], start);
            }
        }
        // untreated from the lane's beginning, or since a treated run
        (best[off][end], from[off][end]) = if begin_off.0 > 0.0 { begin_off } else { (0.0, 0) };
        if begin_on.0 > unreached && values[end - 1] > 0.0 {
            (best[on][end], from[on][end]) = (begin_on.0 + sums[end], begin_on.1);
        }
    }
    // the last untreated run may be short
    let (mut tail, mut tail_from) = (best[off][count], from[off][count]);
    for start in count.saturating_sub(least.saturating_sub(1))..count {
        if best[on][start] > tail {
            (tail, tail_from) = (best[on][start], start);
        }
    }
    let mut treated = vec![false; count];
    let whole = sums[count];
    let (mut end, mut state) = (count, off);
    let is_free = free_from == 0 && values.first().zip(values.last()).is_some_and(|(a, b)| *a > 0.0 && *b > 0.0);
    if is_free && whole > tail && whole >= best[on][count] {
        return vec![true; count];
    }
    if best[on][count] > tail {
        state = on;
    } else {
        end = tail_from;
        state = if end > 0 { on } else { state };
    }
    while end > 0 {
        let start = from[state][end];
        if state == on {
            treated[start..end].fill(true);
        }
        end = start;
        state = 1 - state;
    }
    treated
}

#[cfg(test)]
mod tests {
    use super::*;

    fn allowed(values: &[f64], treated: &[bool], least: usize) -> bool {
        let runs: Vec<&[bool]> = treated.chunk_by(|a, b| a == b).collect();
        let are_long = runs.len() == 1
            || runs.iter().enumerate().all(|(at, run)| {
                let at_an_end = at == 0 || at + 1 == runs.len();
                run.len() >= least || (!run[0] && at_an_end)
            });
        // below 0 only between cells above it, in short stretches, and nothing unknown
        let pairs: Vec<(f64, bool)> = values.iter().copied().zip(treated.iter().copied()).collect();
        let ends_well = pairs.chunk_by(|a, b| a.1 == b.1).filter(|run| run[0].1).all(|run| {
            let short = run.chunk_by(|a, b| (a.0 > 0.0) == (b.0 > 0.0)).all(|one| one[0].0 > 0.0 || one.len() < least);
            run[0].0 > 0.0 && run[run.len() - 1].0 > 0.0 && short && run.iter().all(|one| one.0.is_finite())
        });
        are_long && ends_well
    }

    fn worth(values: &[f64], treated: &[bool]) -> f64 {
        values.iter().zip(treated).filter(|one| *one.1).map(|one| one.0).sum()
    }

    /// Against every choice that the machine could keep to.
    #[test]
    fn no_allowed_choice_is_worth_more() {
        let mut state = 7_u64;
        for round in 0..1_200 {
            let (count, least) = (1 + round % 11, 1 + round % 4);
            let values: Vec<f64> = (0..count)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    let value = (state >> 40) as f64 / f64::from(1 << 23) - 1.0;
                    if round % 3 == 0 && value < -0.8 { f64::NEG_INFINITY } else { value }
                })
                .collect();
            let found = best_runs(&values, least);
            assert!(allowed(&values, &found, least), "{values:?} {least} {found:?}");
            let best = (0..1_u32 << count)
                .map(|bits| (0..count).map(|at| bits >> at & 1 == 1).collect::<Vec<bool>>())
                .filter(|treated| allowed(&values, treated, least))
                .map(|treated| worth(&values, &treated))
                .fold(f64::NEG_INFINITY, f64::max);
            assert!((worth(&values, &found) - best).abs() < 1e-9, "{values:?} {least} {found:?} {best}");
        }
    }

    #[test]
    fn a_short_gap_is_treated_through_and_a_short_island_is_left() {
        assert_eq!(best_runs(&[1.0, 1.0, 1.0, -0.5, 1.0, 1.0, 1.0], 3), [true; 7]);
        assert_eq!(best_runs(&[-1.0, -1.0, 0.5, -1.0, -1.0], 3), [false; 5]);
        // a gap as long as a run is not crossed though it would cost nothing, nor is the shortest of which nothing is known
        let on = |gap: &[f64]| best_runs(&[&[1.0; 4], gap, &[1.0; 4]].concat(), 3);
        assert_eq!(on(&[0.0, 0.0]), [true; 10]);
        assert!(!on(&[0.0, 0.0, 0.0])[4..7].contains(&true));
        assert!(!on(&[f64::NEG_INFINITY])[4]);
        assert_eq!(best_runs(&[], 3), [false; 0]);
    }
}
