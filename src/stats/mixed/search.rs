//! The climb to a maximum of the likelihood: average information with step-halving and an active set at 0.

use super::likelihood::{Evaluation, Slope, Workspace};
use crate::stats::StatsError;
use crate::stats::dense::{Cholesky, Mat, dot};

/// Where a climb ended.
pub(super) struct Summit {
    pub(super) vector: Vec<f64>,
    pub(super) log_likelihood: f64,
    /// Squared length of the last step in standard errors.
    pub(super) decrement: f64,
}

impl Summit {
    /// Whether two rough climbs will end on the same summit: likelihood and parameters differ by no more than the last
    /// step leaves open.
    pub(super) fn is_beside(&self, other: &Self) -> bool {
        let largest = self.vector.iter().fold(1e-300_f64, |largest, value| largest.max(value.abs()));
        (self.log_likelihood - other.log_likelihood).abs() < 2e-3
            && self.vector.iter().zip(&other.vector).all(|(a, b)| (a - b).abs() < 0.05 * largest)
    }
}

const ITERATIONS: usize = 100;
/// A step of this squared length, in standard errors, ends a climb.
pub(super) const SHORT_STEP: f64 = 1e-18;
/// One that is only to tell summits apart.
pub(super) const ROUGH_STEP: f64 = 1e-3;
/// A climb that cannot rise any further but whose step is below this has arrived, to the digits of the likelihood.
pub(super) const ARRIVED: f64 = 1e-8;

/// Climbs from a start, or answers why the likelihood cannot be computed there.
pub(super) fn climb(workspace: &Workspace, start: &[f64], shortest: f64) -> Result<Summit, StatsError> {
    let mut vector = start.to_vec();
    let mut at = workspace.evaluate(&vector)?;
    let mut damping = 0.0;
    let mut decrement = f64::INFINITY;
    let mut slow = false;
    for _ in 0..ITERATIONS {
        let mut slope = workspace.slope(&at);
        let free = free_parameters(&vector, &slope);
        if slow && let Some(observed) = observed_information(workspace, &vector, &free) {
            slope.information = observed;
        }
        if free.is_empty() {
            return Ok(Summit { log_likelihood: at.log_likelihood, vector, decrement: 0.0 });
        }
        let Some(step) = newton_step(&slope, &free, damping) else {
            damping = (10.0_f64 * damping).max(1e-6);
            continue;
        };
        let gradient: Vec<f64> = free.iter().map(|&i| slope.score[i]).collect();
        let last = std::mem::replace(&mut decrement, dot(&gradient, &step));
        // the average information is not the curvature; near the top that costs digits where it matters
        slow |= decrement < 1e-2 && decrement > 1e-3 * last;
        if decrement < shortest {
            return Ok(Summit { log_likelihood: at.log_likelihood, vector, decrement });
        }
        match rise(workspace, &vector, &at, (&free, &step)) {
            Some((next, evaluation)) => {
                (vector, at) = (next, evaluation);
                damping *= 0.1;
                if damping < 1e-7 {
                    damping = 0.0;
                }
            }
            None if damping < 1e3 => damping = (10.0 * damping).max(1e-3),
            None => return Ok(Summit { log_likelihood: at.log_likelihood, vector, decrement }),
        }
    }
    Ok(Summit { log_likelihood: at.log_likelihood, vector, decrement })
}

/// Parameters that may move: not held at 0 by their slope, and with some information about them.
fn free_parameters(vector: &[f64], slope: &Slope) -> Vec<usize> {
    (0..vector.len())
        .filter(|&i| !(vector[i] <= 0.0 && slope.score[i] <= 0.0) && slope.information[(i, i)] > 1e-30)
        .collect()
}

/// The curvature of the likelihood by differences of the score, where it is that of a maximum.
fn observed_information(workspace: &Workspace, vector: &[f64], free: &[usize]) -> Option<Mat<f64>> {
    let m = vector.len();
    let mut curvature = Mat::<f64>::zeros(m, m);
    for &i in free {
        let step = 1e-4 * vector[i];
        if step <= 0.0 {
            return None;
        }
        let score = |shift: f64| {
            let mut moved = vector.to_vec();
            moved[i] += shift;
            let at = workspace.evaluate(&moved).ok()?;
            Some(workspace.slope(&at).score)
        };
        let (up, down) = (score(step)?, score(-step)?);
        for &j in free {
            curvature[(i, j)] = (down[j] - up[j]) / (2.0 * step);
        }
    }
    let symmetric = Mat::from_fn(m, m, |i, j| 0.5 * (curvature[(i, j)] + curvature[(j, i)]));
    let k = free.len();
    Cholesky::new(Mat::from_fn(k, k, |a, b| symmetric[(free[a], free[b])]).as_ref()).map(|_| symmetric)
}

fn newton_step(slope: &Slope, free: &[usize], damping: f64) -> Option<Vec<f64>> {
    let m = free.len();
    // on the scale of standard errors, so that damping weighs all parameters alike
    let scale: Vec<f64> = free.iter().map(|&i| slope.information[(i, i)].sqrt()).collect();
    let matrix = Mat::from_fn(m, m, |a, b| {
        let value = slope.information[(free[a], free[b])] / (scale[a] * scale[b]);
        if a == b { value + damping } else { value }
    });
    let right = Mat::from_fn(m, 1, |a, _| slope.score[free[a]] / scale[a]);
    let solved = Cholesky::new(matrix.as_ref())?.solve(right.as_ref());
    let step: Vec<f64> = (0..m).map(|a| solved[(a, 0)] / scale[a]).collect();
    step.iter().all(|value| value.is_finite()).then_some(step)
}

/// The step, halved until the likelihood rises; variances stop at 0.
fn rise(
    workspace: &Workspace,
    vector: &[f64],
    at: &Evaluation,
    (free, step): (&[usize], &[f64]),
) -> Option<(Vec<f64>, Evaluation)> {
    let mut share = 1.0;
    let noise = 1e-13 * at.log_likelihood.abs().max(1.0);
    for _ in 0..24 {
        let mut next = vector.to_vec();
        for (&i, &d) in free.iter().zip(step) {
            next[i] = (vector[i] + share * d).max(0.0);
        }
        if let Ok(evaluation) = workspace.evaluate(&next)
            && evaluation.log_likelihood >= at.log_likelihood - noise
        {
            return Some((next, evaluation));
        }
        share *= 0.5;
    }
    None
}
