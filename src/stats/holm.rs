//! Holm's correction of p values for their number.

/// Adjusted p values: the smallest times `m`, the next times `m − 1` and so on, none smaller than the one before it and none above 1. The
/// chance of any false finding among them is then kept, however they hang together (Holm 1979, Scand. J. Stat. 6:65–70).
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut adjusted = vec![1.0; p.len()];
    let mut before: f64 = 0.0;
    for (rank, at) in order.into_iter().enumerate() {
        before = before.max(((p.len() - rank) as f64 * p[at]).min(1.0));
        adjusted[at] = before;
    }
    adjusted
}

/// Adjusted p values and how many count. The members of a group of two are one test seen from both sides: it counts once, with the
/// larger p. What has no p is not counted.
pub fn holm_of_groups<G: Ord>(p: &[Option<f64>], group: &[Option<G>]) -> (Vec<Option<f64>>, usize) {
    let told = |at: &usize| p[*at].is_some();
    let members = |at: usize| -> Vec<usize> {
        let same = |other: &usize| group[at].is_some() && group[*other] == group[at];
        (0..p.len()).filter(told).filter(same).collect()
    };
    let mut tests: Vec<Vec<usize>> = Vec::new();
    for at in (0..p.len()).filter(told) {
        let pair = members(at);
        match pair[..] {
            [_, second] if at == second => {}
            [_, _] => tests.push(pair),
            _ => tests.push(vec![at]),
        }
    }
    let largest = |test: &Vec<usize>| test.iter().filter_map(|&at| p[at]).fold(0.0, f64::max);
    let adjusted = holm(&tests.iter().map(largest).collect::<Vec<_>>());
    let mut all = vec![None; p.len()];
    for (test, adjusted) in tests.iter().zip(adjusted) {
        for &at in test {
            all[at] = Some(adjusted);
        }
    }
    (all, tests.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand from the definition: 5 · 0.01, 4 · 0.02, 3 · 0.03; then 2 · 0.04 and 0.05 are below the one before them.
    #[test]
    fn the_correction_by_hand() {
        let adjusted = holm(&[0.04, 0.01, 0.05, 0.02, 0.03]);
        for (found, expected) in adjusted.iter().zip([0.09, 0.05, 0.09, 0.08, 0.09]) {
            assert!((found - expected).abs() < 1e-12, "{adjusted:?}");
        }
        assert!(holm(&[]).is_empty());
        assert!((holm(&[0.7, 0.8])[0] - 1.0).abs() < 1e-12);
    }

    #[test]
    fn two_sides_of_one_test_count_once() {
        let (adjusted, count) =
            holm_of_groups(&[Some(0.01), Some(0.02), None, Some(0.04)], &[Some("a"), Some("a"), Some("b"), None]);
        assert_eq!(count, 2);
        assert_eq!(adjusted, vec![Some(0.04), Some(0.04), None, Some(0.04)]);
        let (adjusted, count) = holm_of_groups(&[Some(0.01), Some(0.02), Some(0.9)], &[Some("a"); 3]);
        assert_eq!((count, adjusted[0]), (3, Some(0.03)));
    }
}
