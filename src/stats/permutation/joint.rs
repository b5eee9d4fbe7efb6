//! Several outcomes of the same blocks flipped together, with p values adjusted by the distribution of the largest |t|.

use super::Layouts;
use crate::stats::{StatsError, check};

/// One outcome of a joint test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JointOutcome {
    /// Weighted mean difference, in the unit of the differences.
    pub estimate: f64,
    /// Its t statistic; infinite when all differences are equal and not 0.
    pub t: f64,
    /// Two-sided p value of this outcome alone.
    pub p: f64,
    /// Two-sided p value adjusted for all outcomes looked at: share of layouts whose largest |t| reaches this |t|.
    pub p_adjusted: f64,
    /// Blocks that carry this outcome.
    pub blocks: usize,
}

/// A joint sign-flip test.
#[derive(Debug, Clone, PartialEq)]
pub struct JointSignFlip {
    /// One entry an outcome; `None` where fewer than two blocks carry it.
    pub outcomes: Vec<Option<JointOutcome>>,
    /// Layouts looked at, the observed one included.
    pub layouts: u64,
    /// Whether these are all layouts there are; otherwise they were drawn at random.
    pub exact: bool,
}

/// The blocks that carry one outcome.
struct Carried {
    blocks: Vec<usize>,
    differences: Vec<f64>,
    weights: Vec<f64>,
}

/// Tests several outcomes at once; the whole row of a block is flipped together, so their dependence is kept.
///
/// `differences[block][outcome]` is `None` where a block does not carry an outcome; `weights` has the same shape and
/// is read only where a difference is present (all 1 when absent). t is the weighted mean over its standard error
/// `√(Σ w² (d − m)² · n/(n − 1)) / Σ w`, the ordinary t for equal weights.
///
/// # Errors
/// No blocks, rows that differ in length, a value that is not finite, a weight not above 0, or layouts that do not fit.
pub fn joint_sign_flip(
    differences: &[Vec<Option<f64>>],
    weights: Option<&[Vec<f64>]>,
    layouts: &Layouts<'_>,
) -> Result<JointSignFlip, StatsError> {
    let carried = gather(differences, weights)?;
    let tested: Vec<bool> = carried.iter().map(|outcome| outcome.blocks.len() >= 2).collect();
    let kept = vec![true; differences.len()];
    let observed: Vec<f64> = carried.iter().map(|outcome| outcome.t(&kept).1.abs()).collect();
    let mut alone = vec![0_u64; carried.len()];
    let mut adjusted = vec![0_u64; carried.len()];
    let mut statistics = vec![0.0; carried.len()];
    let (count, exact) = layouts.visit(differences.len(), |signs| {
        let mut largest = f64::NEG_INFINITY;
        for (index, outcome) in carried.iter().enumerate().filter(|&(index, _)| tested[index]) {
            statistics[index] = outcome.t(signs).1.abs();
            largest = largest.max(statistics[index]);
        }
        for index in (0..carried.len()).filter(|&index| tested[index]) {
            alone[index] += u64::from(reaches(statistics[index], observed[index]));
            adjusted[index] += u64::from(reaches(largest, observed[index]));
        }
    })?;
    let share = |hits: u64| hits as f64 / count as f64;
    let outcomes = carried
        .iter()
        .enumerate()
        .map(|(index, outcome)| {
            tested[index].then(|| {
                let (estimate, t) = outcome.t(&kept);
                JointOutcome {
                    estimate,
                    t,
                    p: share(alone[index]),
                    p_adjusted: share(adjusted[index]),
                    blocks: outcome.blocks.len(),
                }
            })
        })
        .collect();
    Ok(JointSignFlip { outcomes, layouts: count, exact })
}

/// At least as large, ties in the last digits included.
fn reaches(value: f64, observed: f64) -> bool {
    value >= observed * (1.0 - 1e-9)
}

fn gather(differences: &[Vec<Option<f64>>], weights: Option<&[Vec<f64>]>) -> Result<Vec<Carried>, StatsError> {
    let Some(first) = differences.first() else {
        return Err(StatsError::TooFew { what: "blocks", found: 0, needed: 1 });
    };
    if let Some(weights) = weights {
        check::length("rows of weights", weights.len(), differences.len())?;
    }
    let mut carried: Vec<Carried> = (0..first.len())
        .map(|_| Carried { blocks: Vec::new(), differences: Vec::new(), weights: Vec::new() })
        .collect();
    for (block, row) in differences.iter().enumerate() {
        check::length("outcomes of a block", row.len(), first.len())?;
        if let Some(weights) = weights {
            check::length("weights of a block", weights[block].len(), first.len())?;
        }
        for (index, difference) in row.iter().enumerate() {
            let Some(difference) = *difference else { continue };
            check::finite("differences", &[difference])?;
            let weight = weights.map_or(1.0, |weights| weights[block][index]);
            check::positive("weights", &[weight])?;
            carried[index].blocks.push(block);
            carried[index].differences.push(difference);
            carried[index].weights.push(weight);
        }
    }
    Ok(carried)
}

impl Carried {
    /// Weighted mean and t under these signs.
    fn t(&self, signs: &[bool]) -> (f64, f64) {
        let flipped =
            || self.blocks.iter().zip(&self.differences).map(|(&block, &d)| if signs[block] { d } else { -d });
        let total: f64 = self.weights.iter().sum();
        let mean = flipped().zip(&self.weights).map(|(d, w)| w * d).sum::<f64>() / total;
        let squares: f64 = flipped().zip(&self.weights).map(|(d, w)| (w * (d - mean)) * (w * (d - mean))).sum();
        let n = self.blocks.len() as f64;
        let se = (squares * n / (n - 1.0)).sqrt() / total;
        // differences equal but for rounding have no error left
        let floor = 1e-13 * self.differences.iter().fold(0.0_f64, |largest, d| largest.max(d.abs()));
        let t = if se > floor {
            mean / se
        } else if mean.abs() > floor {
            f64::INFINITY.copysign(mean)
        } else {
            0.0
        };
        (mean, t)
    }
}

#[cfg(test)]
mod tests {
    use super::super::sign_flip;
    use super::*;

    const SEED: Layouts<'static> = Layouts::Independent { seed: 7 };
    const DIFFERENCES: [f64; 6] = [4.1, 6.3, -1.2, 5.5, 2.8, 7.0];

    #[test]
    fn one_outcome_needs_no_adjustment() {
        let rows: Vec<_> = DIFFERENCES.iter().map(|&d| vec![Some(d)]).collect();
        let joint = joint_sign_flip(&rows, None, &SEED).unwrap();
        let outcome = joint.outcomes[0].unwrap();
        assert_eq!((outcome.p, outcome.p_adjusted), (0.0625, 0.0625));
        assert!((outcome.t - 3.334_46).abs() < 5e-6);
        assert_eq!(sign_flip(&DIFFERENCES, None, &SEED).unwrap().p_two_sided, outcome.p);
    }

    #[test]
    fn a_copy_of_an_outcome_costs_nothing_and_an_independent_one_does() {
        let other = [1.0, -2.0, 3.0, -1.0, 2.5, -4.0];
        let copied: Vec<_> = DIFFERENCES.iter().map(|&d| vec![Some(d), Some(2.0 * d)]).collect();
        let joint = joint_sign_flip(&copied, None, &SEED).unwrap();
        assert_eq!(joint.outcomes[0].unwrap().p_adjusted, 0.0625);
        let mixed: Vec<_> = DIFFERENCES.iter().zip(other).map(|(&d, o)| vec![Some(d), Some(o)]).collect();
        let joint = joint_sign_flip(&mixed, None, &SEED).unwrap();
        assert!(joint.outcomes[0].unwrap().p_adjusted > 0.0625);
        assert!(joint.outcomes.iter().flatten().all(|outcome| outcome.p_adjusted >= outcome.p));
    }

    #[test]
    fn an_outcome_of_one_block_is_not_tested() {
        let rows = vec![vec![Some(1.0), None], vec![Some(2.0), None], vec![Some(3.0), Some(1.0)]];
        let joint = joint_sign_flip(&rows, None, &SEED).unwrap();
        assert_eq!(joint.outcomes[0].unwrap().p, 0.25);
        assert_eq!(joint.outcomes[1], None);
    }

    #[test]
    fn equal_differences_have_an_infinite_t_and_no_nan() {
        let rows = vec![vec![Some(1.0), Some(0.0)]; 4];
        let joint = joint_sign_flip(&rows, None, &SEED).unwrap();
        let (first, second) = (joint.outcomes[0].unwrap(), joint.outcomes[1].unwrap());
        assert_eq!((first.t, first.p), (f64::INFINITY, 0.125));
        assert_eq!((second.t, second.p, second.p_adjusted), (0.0, 1.0, 1.0));
    }

    #[test]
    fn ragged_rows_are_refused() {
        assert!(joint_sign_flip(&[vec![Some(1.0)], vec![]], None, &SEED).is_err());
        assert!(joint_sign_flip(&[], None, &SEED).is_err());
        assert!(joint_sign_flip(&[vec![Some(1.0)]], Some(&[vec![-1.0]]), &SEED).is_err());
    }
}
