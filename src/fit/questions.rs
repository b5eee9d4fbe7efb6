//! What is asked of the segment model: weights of its fixed effects.

use super::design::Design;
use super::trial::Trial;

/// A question that one contrast of the fixed effects answers. Treatments are indices into [`Trial::treatments`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Question {
    /// The response to a treatment, on a class or over all ground.
    Response(usize, Option<usize>),
    /// The sum of the responses on two classes, which tells their covariance.
    Both(usize, usize, usize),
    /// The change of the response from one class to the next wetter one.
    Trend(usize),
    /// The first treatment minus the second.
    Between(usize, usize, Option<usize>),
}

/// The responses.
pub(super) fn responses(trial: &Trial<'_>, design: &Design) -> Vec<(Question, Vec<f64>)> {
    let mut asked = Vec::new();
    for treatment in 1..trial.treatments.len() {
        for class in design.classes(treatment).into_iter().map(Some).chain([None]) {
            if let Some(contrast) = design.response(treatment, class) {
                asked.push((Question::Response(treatment, class), contrast));
            }
        }
    }
    asked
}

/// The responses, and what is reported beside them.
pub(super) fn all(trial: &Trial<'_>, design: &Design) -> Vec<(Question, Vec<f64>)> {
    let mut asked = responses(trial, design);
    asked.extend(supplement(trial, design));
    asked
}

/// What is reported beside the responses.
fn supplement(trial: &Trial<'_>, design: &Design) -> Vec<(Question, Vec<f64>)> {
    let mut asked = Vec::new();
    for treatment in 1..trial.treatments.len() {
        let of = |class: usize| design.response(treatment, Some(class)).unwrap_or_default();
        let classes = design.classes(treatment);
        for (at, &class) in classes.iter().enumerate() {
            for &other in &classes[..at] {
                asked.push((Question::Both(treatment, other, class), combined(&of(other), 1.0, &of(class), 1.0)));
            }
        }
        if let Some(weights) = slope(&ground(trial, treatment, &classes)) {
            let trend = classes.iter().zip(&weights).fold(Vec::new(), |sum, (&class, &weight)| {
                if sum.is_empty() {
                    combined(&of(class), weight, &of(class), 0.0)
                } else {
                    combined(&sum, 1.0, &of(class), weight)
                }
            });
            asked.push((Question::Trend(treatment), trend));
        }
        for other in 1..treatment {
            let shared = classes.iter().copied().filter(|class| design.classes(other).contains(class));
            for class in shared.map(Some).chain([None]) {
                if let (Some(one), Some(two)) = (design.response(treatment, class), design.response(other, class)) {
                    asked.push((Question::Between(treatment, other, class), combined(&one, 1.0, &two, -1.0)));
                }
            }
        }
    }
    asked
}

fn combined(one: &[f64], a: f64, other: &[f64], b: f64) -> Vec<f64> {
    one.iter().zip(other).map(|(x, y)| a * x + b * y).collect()
}

/// Rank of each class and the ground that tells of its response: the harmonic mean of the treated and the check area, since
/// the smaller of the two limits what is known of a difference.
fn ground(trial: &Trial<'_>, treatment: usize, classes: &[usize]) -> Vec<(f64, f64)> {
    let area = |side: usize, class: usize| -> f64 {
        trial.rows.iter().map(|row| row.dose(side) * row.shares[class] * row.area_m2).sum()
    };
    classes
        .iter()
        .map(|&class| {
            let (treated, check) = (area(treatment, class), area(0, class));
            (class as f64, if treated + check > 0.0 { treated * check / (treated + check) } else { 0.0 })
        })
        .collect()
}

/// Weights of the values at some ranks in their weighted least-squares slope; `None` where the ranks do not differ.
fn slope(places: &[(f64, f64)]) -> Option<Vec<f64>> {
    let total: f64 = places.iter().map(|place| place.1).sum();
    let middle = places.iter().map(|place| place.0 * place.1).sum::<f64>() / total;
    let spread: f64 = places.iter().map(|place| place.1 * (place.0 - middle).powi(2)).sum();
    (spread > 0.0).then(|| places.iter().map(|place| place.1 * (place.0 - middle) / spread).collect())
}

#[cfg(test)]
mod tests {
    use super::slope;

    #[test]
    fn the_slope_by_hand() {
        // ranks 0, 1, 3 with weights 1, 2, 1: mean 1.25, spread 1.5625 + 0.125 + 3.0625 = 4.75
        let weights = slope(&[(0.0, 1.0), (1.0, 2.0), (3.0, 1.0)]).unwrap();
        for (found, expected) in weights.iter().zip([-1.25 / 4.75, -0.5 / 4.75, 1.75 / 4.75]) {
            assert!((found - expected).abs() < 1e-15);
        }
        assert!(slope(&[(2.0, 1.0)]).is_none() && slope(&[]).is_none());
    }
}
