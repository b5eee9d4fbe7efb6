//! Partial pooling: each class's response drawn towards the mean of the classes, by as much as it is uncertain.
//!
//! The winner among many zones owes part of its lead to luck; the shrunken response takes that part back (empirical
//! Bayes with a normal distribution between classes, variance by the method of DerSimonian & Laird 1986, Control. Clin.
//! Trials 7:177).

use std::collections::BTreeMap;

use crate::results::ZoneResponse;

/// Fills in the shrunken responses, among the classes of one treatment, crop and wetness class.
pub(super) fn towards_neighbours(zones: &mut [ZoneResponse]) {
    let mut groups: BTreeMap<(String, String, String), Vec<usize>> = BTreeMap::new();
    for (at, zone) in zones.iter().enumerate() {
        if zone.class.is_some() {
            let key = (zone.crop.clone(), zone.treatment.clone(), zone.wetness_class.clone());
            groups.entry(key).or_default().push(at);
        }
    }
    for members in groups.values() {
        let known: Vec<(usize, f64, f64)> = members
            .iter()
            .filter_map(|&at| {
                let estimate = &zones[at].estimate;
                Some((at, estimate.mean?, estimate.std_error?.powi(2)))
            })
            .collect();
        if known.len() < 2 {
            for &(at, mean, _) in &known {
                zones[at].shrunken_response = Some(mean);
            }
            continue;
        }
        let weight = |variance: f64, between: f64| 1.0 / (variance + between);
        let centre = |between: f64| {
            let total: f64 = known.iter().map(|&(_, _, variance)| weight(variance, between)).sum();
            known.iter().map(|&(_, mean, variance)| weight(variance, between) * mean).sum::<f64>() / total
        };
        let fixed = centre(0.0);
        let (mut q, mut first, mut second) = (0.0, 0.0, 0.0);
        for &(_, mean, variance) in &known {
            let w = weight(variance, 0.0);
            q += w * (mean - fixed).powi(2);
            first += w;
            second += w * w;
        }
        let spare = known.len() as f64 - 1.0;
        let between = ((q - spare) / (first - second / first)).max(0.0);
        let middle = centre(between);
        for &(at, mean, variance) in &known {
            let kept = between / (between + variance);
            zones[at].shrunken_response = Some(middle + kept * (mean - middle));
        }
    }
}
