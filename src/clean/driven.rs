//! How a field was driven: the direction of the passes, and the width of the header, by the records that are kept.

use std::f64::consts::{FRAC_PI_2, PI};

use super::ground::Ground;
use crate::points::{Labels, Reasons, Records};
use crate::stats::robust;

/// Steps within so many degrees of a direction are near it.
const NEAR_DEG: usize = 5;
/// Share of the way that runs near the main direction; near any of a circle's, a sixteenth does.
const LEAST_SHARE: f64 = 0.25;
/// Records of a pass that lie farther apart do not follow each other, m.
const FARTHEST_M: f64 = 30.0;
/// The full width of a machine is nearly the greatest that it logs.
const FULL: f64 = 0.95;

/// Main direction of the passes, radians clockwise from north in [0, π), where one prevails, and the full width of the widest
/// header, m.
pub(super) fn driven(records: &Records, ground: &Ground, marks: &[Reasons]) -> (Option<f64>, Option<f64>) {
    let (pass, machine) = (&ground.pass, &records.machine.codes);
    let rows: Vec<usize> = (0..marks.len()).filter(|&at| marks[at].is_empty() && pass[at] != Labels::NONE).collect();
    let follow = |pair: &[usize]| pass[pair[0]] == pass[pair[1]] && machine[pair[0]] == machine[pair[1]];
    let step = |pair: &[usize]| (ground.x_m[pair[1]] - ground.x_m[pair[0]], ground.y_m[pair[1]] - ground.y_m[pair[0]]);
    let angle_rad = main_direction(rows.windows(2).filter(|pair| follow(pair)).map(step));
    let mut widths: Vec<Vec<f64>> = vec![Vec::new(); records.machine.names.len()];
    for &at in rows.iter().filter(|&&at| ground.swath_m[at] > 0.0) {
        widths[machine[at] as usize].push(ground.swath_m[at]);
    }
    let full = widths.iter_mut().filter_map(|widths| robust::quantile_in_place(widths, FULL).ok());
    let axis_rad = angle_rad.map(|angle| (FRAC_PI_2 - angle).rem_euclid(PI));
    (axis_rad, full.reduce(f64::max))
}

/// The direction that prevails, radians counter-clockwise from east: the mean of all steps near the most common one, doubled
/// angles weighted by length (Mardia & Jupp 2000, Directional Statistics, section 9.1). Headlands and point rows lie far from it and
/// do not turn it. `None` where too little of the way runs near any direction.
fn main_direction(steps: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let steps: Vec<(f64, f64)> = steps
        .map(|(dx, dy)| (f64::atan2(dy, dx), f64::hypot(dx, dy)))
        .filter(|&(_, length)| length > 0.0 && length <= FARTHEST_M)
        .collect();
    let mut by_degree = [0.0; 180];
    for &(angle, length) in &steps {
        by_degree[(angle.to_degrees().rem_euclid(180.0) as usize).min(179)] += length;
    }
    let total: f64 = by_degree.iter().sum();
    let near = |centre: usize| (0..2 * NEAR_DEG).map(|at| by_degree[(centre + 180 + at - NEAR_DEG) % 180]).sum::<f64>();
    let centre = (0..180).max_by(|&one, &other| near(one).total_cmp(&near(other)))?;
    if near(centre) < LEAST_SHARE * total || total <= 0.0 {
        return None;
    }
    let centre = (centre as f64).to_radians();
    let (mut sine, mut cosine) = (0.0, 0.0);
    for (angle, length) in steps {
        let doubled = 2.0 * (angle - centre);
        if doubled.cos() >= (2.0 * NEAR_DEG as f64).to_radians().cos() {
            sine += length * doubled.sin();
            cosine += length * doubled.cos();
        }
    }
    Some(centre + 0.5 * f64::atan2(sine, cosine))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back_is_one_direction_and_headlands_do_not_turn_it() {
        let along = |angle: f64| (2.0 * angle.cos(), 2.0 * angle.sin());
        for angle in [0.3, 1.55, 3.1, 0.001] {
            let mut steps = vec![along(angle - 0.02); 25];
            steps.extend(vec![along(angle + 0.02); 25]);
            steps.extend(vec![along(angle + PI); 50]);
            // headlands across and aslant
            steps.extend(vec![along(angle + 1.57); 20]);
            steps.extend(vec![along(angle + 0.7); 20]);
            // a jump is no step
            steps.push((500.0, -700.0));
            let found = main_direction(steps.into_iter()).unwrap() - angle;
            assert!(found.sin().abs() < 1e-9, "{angle}: {found}");
        }
        let round = (0..360).map(|degree| f64::from(degree).to_radians().sin_cos());
        assert_eq!(main_direction(round), None);
        assert_eq!(main_direction(std::iter::empty()), None);
    }
}
