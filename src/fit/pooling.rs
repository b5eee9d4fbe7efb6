//! Partial pooling over the ordered soil classes of one site-year.

use std::collections::BTreeMap;

use super::questions::Question;
use crate::results::Shrunken;
use crate::stats::PartialPooling;
use crate::stats::dense::Mat;
use crate::stats::distribution::Mixture;

/// Correlation of the deviations of two classes one rank apart: neighbours in drainage are alike (ours).
const NEIGHBOURS: f64 = 0.5;
/// Scale of the half-normal prior of the spread between classes, by the yield of the check: one class differs from the
/// next by some bushels, hardly by tens (ours; Gelman 2006, Bayesian Anal. 1:515–534, on why it must be weak and proper).
const SPREAD_SHARE: f64 = 0.05;

/// The responses of a treatment on its classes, drawn towards their mean and, in the order of the classes, towards their
/// neighbours. Fewer than two classes have nothing to be drawn to.
pub(super) fn shrunken(
    answers: &BTreeMap<Question, Mixture>,
    treatment: usize,
    check_yield: f64,
) -> BTreeMap<usize, Shrunken> {
    let own: Vec<(usize, &Mixture)> = answers
        .iter()
        .filter_map(|(question, answer)| match question {
            Question::Response(of, Some(class)) if *of == treatment => Some((*class, answer)),
            _ => None,
        })
        .collect();
    if own.len() < 2 {
        return BTreeMap::new();
    }
    drawn(answers, treatment, &own, SPREAD_SHARE * check_yield).unwrap_or_default()
}

fn drawn(
    answers: &BTreeMap<Question, Mixture>,
    treatment: usize,
    own: &[(usize, &Mixture)],
    scale: f64,
) -> Option<BTreeMap<usize, Shrunken>> {
    let count = own.len();
    // centre and scale as they are reported; the correlation from the variances of the sums
    let told = own.iter().map(|one| one.1.nearest_t().ok()).collect::<Option<Vec<_>>>()?;
    let means: Vec<f64> = told.iter().map(|one| one.0).collect();
    let variances = own.iter().map(|one| one.1.variance()).collect::<Option<Vec<f64>>>()?;
    let mut covariance = Mat::<f64>::zeros(count, count);
    for i in 0..count {
        covariance[(i, i)] = told[i].1.powi(2);
        for j in 0..i {
            let sum = answers.get(&Question::Both(treatment, own[j].0, own[i].0))?.variance()?;
            let correlation = 0.5 * (sum - variances[i] - variances[j]) / (variances[i] * variances[j]).sqrt();
            covariance[(i, j)] = correlation * told[i].1 * told[j].1;
            covariance[(j, i)] = covariance[(i, j)];
        }
    }
    let ones = Mat::from_fn(count, 1, |_, _| 1.0);
    let alike = Mat::from_fn(count, count, |i, j| NEIGHBOURS.powf(own[i].0.abs_diff(own[j].0) as f64));
    let pooling = PartialPooling::new(&means, covariance.as_ref(), ones.as_ref(), alike.as_ref(), scale).ok()?;
    own.iter()
        .enumerate()
        .map(|(at, &(class, _))| {
            let unit: Vec<f64> = (0..count).map(|i| f64::from(u8::from(i == at))).collect();
            let found = pooling.estimate(&unit).ok()?; // normal components, so that both moments are exact
            Some((class, Shrunken { mean: found.mean()?, std_error: found.variance()?.sqrt() }))
        })
        .collect()
}
