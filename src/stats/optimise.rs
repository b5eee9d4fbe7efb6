//! A minimum without derivatives.

/// The maximum of a function between two places, by parabolas kept in check by golden sections: Brent 1973, Algorithms for
/// Minimization without Derivatives, chapter 5. `inside` is a place between them and the height there; the answer is the place
/// to within `closeness`, and its height.
///
/// # Errors
/// Those of the function.
pub(crate) fn maximum<E>(
    of: impl Fn(f64) -> Result<f64, E>,
    (mut low, mut high): (f64, f64),
    inside: (f64, f64),
    closeness: f64,
) -> Result<(f64, f64), E> {
    let golden = 0.5 * (3.0 - 5.0_f64.sqrt());
    // the best place, the second best, and the second best before
    let (mut best, mut second, mut third) = (inside, inside, inside);
    let (mut step, mut before_last) = (0.0_f64, 0.0_f64);
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if (best.0 - middle).abs() <= closeness - 0.5 * (high - low) {
            break;
        }
        let (r, q) = ((best.0 - second.0) * (third.1 - best.1), (best.0 - third.0) * (second.1 - best.1));
        let (p, q) = ((best.0 - third.0) * q - (best.0 - second.0) * r, 2.0 * (q - r));
        let parabola = -p / q;
        let to = best.0 + parabola;
        if parabola.is_finite() && parabola.abs() < 0.5 * before_last.abs() && to > low && to < high {
            before_last = step;
            step = parabola;
            if to - low < closeness || high - to < closeness {
                step = (0.5 * closeness).copysign(middle - best.0);
            }
        } else {
            before_last = if best.0 < middle { high - best.0 } else { low - best.0 };
            step = golden * before_last;
        }
        let at = best.0 + if step.abs() < 0.5 * closeness { (0.5 * closeness).copysign(step) } else { step };
        let found = (at, of(at)?);
        if found.1 >= best.1 {
            if at < best.0 {
                high = best.0;
            } else {
                low = best.0;
            }
            (third, second, best) = (second, best, found);
        } else {
            if at < best.0 {
                low = at;
            } else {
                high = at;
            }
            if found.1 >= second.1 || second.0.total_cmp(&best.0).is_eq() {
                (third, second) = (second, found);
            } else if found.1 >= third.1 || third.0.total_cmp(&best.0).is_eq() || third.0.total_cmp(&second.0).is_eq() {
                third = found;
            }
        }
    }
    Ok(best)
}

/// The minimum of a function of the first `free` coordinates by the simplex method of Nelder & Mead 1965, Comput. J.
/// 7:308–313, begun anew once with smaller steps, for a simplex may fall flat before it is at the bottom. `closeness` is that of
/// [`descend`] in the end. Answers the value and the place.
pub(crate) fn simplex(
    of: &dyn Fn(&[f64]) -> f64,
    start: &[f64],
    steps: &[f64],
    free: usize,
    closeness: (f64, f64),
) -> (f64, Vec<f64>) {
    let near = descend(of, start, steps, free, (10.0 * closeness.0, closeness.1));
    let smaller: Vec<f64> = steps.iter().map(|step| 0.25 * step).collect();
    let again = descend(of, &near.1, &smaller, free, closeness);
    if again.0 < near.0 { again } else { near }
}

/// The way down to where the corners of the simplex differ by less than `closeness` in value and in steps.
pub(crate) fn descend(
    of: &dyn Fn(&[f64]) -> f64,
    start: &[f64],
    steps: &[f64],
    free: usize,
    closeness: (f64, f64),
) -> (f64, Vec<f64>) {
    let mut corners = vec![(of(start), start.to_vec())];
    for k in 0..free {
        let mut corner = start.to_vec();
        corner[k] += steps[k];
        corners.push((of(&corner), corner));
    }
    for _ in 0..200 * free {
        corners.sort_by(|a, b| a.0.total_cmp(&b.0));
        let spread = corners[free].0 - corners[0].0;
        let size = (0..free).map(|k| (corners[free].1[k] - corners[0].1[k]).abs() / steps[k]).fold(0.0, f64::max);
        if (spread.abs() < closeness.0 && size < closeness.1) || size < 1e-9 {
            break;
        }
        let centre: Vec<f64> = (0..start.len())
            .map(|k| corners[..free].iter().map(|corner| corner.1[k]).sum::<f64>() / free as f64)
            .collect();
        let along = |factor: f64| {
            let at: Vec<f64> = centre.iter().zip(&corners[free].1).map(|(c, worst)| c + factor * (worst - c)).collect();
            (of(&at), at)
        };
        let reflected = along(-1.0);
        let replacement = if reflected.0 < corners[0].0 {
            let expanded = along(-2.0);
            if expanded.0 < reflected.0 { expanded } else { reflected }
        } else if reflected.0 < corners[free - 1].0 {
            reflected
        } else {
            let contracted = along(if reflected.0 < corners[free].0 { -0.5 } else { 0.5 });
            if contracted.0 < corners[free].0.min(reflected.0) {
                contracted
            } else {
                // shrink towards the best corner
                let lowest = corners[0].1.clone();
                for corner in corners.iter_mut().skip(1) {
                    let at: Vec<f64> = corner.1.iter().zip(&lowest).map(|(c, l)| l + 0.5 * (c - l)).collect();
                    *corner = (of(&at), at);
                }
                continue;
            }
        };
        corners[free] = replacement;
    }
    corners.sort_by(|a, b| a.0.total_cmp(&b.0));
    corners.swap_remove(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curved_valley_is_followed_to_its_end() {
        // Rosenbrock 1960, Comput. J. 3:175–184: minimum 0 at (1, 1)
        let valley = |at: &[f64]| 100.0 * (at[1] - at[0] * at[0]).powi(2) + (1.0 - at[0]).powi(2);
        let (value, at) = simplex(&valley, &[-1.2, 1.0], &[0.5, 0.5], 2, (1e-11, 1e-5));
        assert!(value < 1e-10 && (at[0] - 1.0).abs() < 1e-5, "{value} {at:?}");
    }

    #[test]
    fn a_summit_is_found_inside_and_at_the_ends() {
        let asked = std::cell::Cell::new(0);
        let hill = |x: f64| {
            asked.set(asked.get() + 1);
            Ok::<f64, ()>(-(x - 0.3).powi(2) * (1.0 + 0.2 * x).exp())
        };
        let (at, height) = maximum(hill, (-1.0, 1.0), (0.0, hill(0.0).unwrap()), 1e-6).unwrap();
        assert!((at - 0.3).abs() < 1e-6 && height > -1e-12 && asked.get() < 12, "{at} {}", asked.get());
        let rising = |x: f64| Ok::<f64, ()>(x.exp());
        let (at, _) = maximum(rising, (-1.0, 2.0), (0.5, 0.5_f64.exp()), 1e-5).unwrap();
        assert!((at - 2.0).abs() < 2e-5, "{at}");
    }

    #[test]
    fn coordinates_that_are_not_free_stay() {
        let bowl = |at: &[f64]| (at[0] - 3.0).powi(2) + (at[1] - 5.0).powi(2);
        let (_, at) = simplex(&bowl, &[0.0, 0.0], &[1.0, 1.0], 1, (1e-13, 1e-5));
        assert!((at[0] - 3.0).abs() < 1e-6 && at[1] == 0.0);
    }
}
