//! How one column of positive numbers stands to another.

use crate::stats::robust;

/// Fewest pairs that tell a relation (common practice, no source).
const FEWEST: usize = 30;

/// One column over another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Relation {
    /// Median of the quotients.
    pub(crate) ratio: f64,
    /// Their spread: 1.4826 × the median deviation of their logarithms.
    pub(crate) spread: f64,
    /// Correlation of the two, between −1 and 1; 0 where one of them does not vary.
    pub(crate) correlation: f64,
    /// Pairs of numbers above 0.
    pub(crate) pairs: usize,
}

impl Relation {
    /// How far the ratio lies from 1 once the column is multiplied with `factor`: the logarithm's absolute value.
    pub(crate) fn off(self, factor: f64) -> f64 {
        (self.ratio * factor).ln().abs()
    }
}

/// The relation of `values` to `reference`, over the places where both are above 0.
pub(crate) fn relation(values: &[f64], reference: &[f64]) -> Option<Relation> {
    let pairs: Vec<(f64, f64)> = values
        .iter()
        .zip(reference)
        .filter(|(value, reference)| **value > 0.0 && **reference > 0.0 && value.is_finite() && reference.is_finite())
        .map(|(value, reference)| (*value, *reference))
        .collect();
    if pairs.len() < FEWEST {
        return None;
    }
    let logs: Vec<f64> = pairs.iter().map(|(value, reference)| (value / reference).ln()).collect();
    let centre = robust::median(&logs).ok()?;
    let mut off: Vec<f64> = logs.iter().map(|log| (log - centre).abs()).collect();
    let spread = 1.482_6 * robust::median_in_place(&mut off).ok()?;
    Some(Relation { ratio: centre.exp(), spread, correlation: correlation(&pairs), pairs: pairs.len() })
}

/// Pearson's correlation without the pairs whose members lie farthest out.
fn correlation(pairs: &[(f64, f64)]) -> f64 {
    let fence = |pick: fn(&(f64, f64)) -> f64| {
        let mut values: Vec<f64> = pairs.iter().map(pick).collect();
        robust::quantile_in_place(&mut values, 0.99).unwrap_or(f64::INFINITY)
    };
    let (most_a, most_b) = (fence(|pair| pair.0), fence(|pair| pair.1));
    let kept: Vec<&(f64, f64)> = pairs.iter().filter(|pair| pair.0 <= most_a && pair.1 <= most_b).collect();
    let count = kept.len() as f64;
    let (a, b) = kept.iter().fold((0.0, 0.0), |sum, pair| (sum.0 + pair.0, sum.1 + pair.1));
    let (a, b) = (a / count, b / count);
    let (mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0);
    for pair in kept {
        let (u, v) = (pair.0 - a, pair.1 - b);
        (aa, bb, ab) = (aa + u * u, bb + v * v, ab + u * v);
    }
    let size = (aa * bb).sqrt();
    if size > 1e-12 * (1.0 + a * a + b * b) * count.max(1.0) * 1e-3 { ab / size } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_is_found_through_noise_and_wild_values() {
        let reference: Vec<f64> = (0..200).map(|at| 1.5 + f64::from(at % 17) * 0.05).collect();
        let mut values: Vec<f64> = reference.iter().map(|speed| speed * 2.236_9).collect();
        values[7] = 900.0;
        values[9] = f64::NAN;
        let found = relation(&values, &reference).unwrap();
        assert!((found.ratio - 2.236_9).abs() < 1e-3 && found.spread < 1e-6 && found.correlation > 0.99, "{found:?}");
        assert!(found.off(0.447_04) < 1e-3 && found.off(1.0) > 0.8);
        assert!(relation(&values[..20], &reference[..20]).is_none());
    }
}
