//! What the fields of a combine tell of each other's lags.
//!
//! A lag belongs to the machine first and to the field second. Where a field tells its own lag well, the others change
//! nothing; where it does not, they are better than a number out of a book. So a night goes over the fields twice: each by
//! itself, and again those whose lag the others move.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use crate::config::LagPrior;
use crate::points::{Source, Sourced};
use crate::results::SiteYear;
use crate::stats::robust;

/// Fewest fields of a combine whose median is worth hearing.
const LEAST_FIELDS: usize = 3;
/// The fields of one combine differ at least by this, s: crop, moisture and throughput change the lag (common practice, no
/// source).
const LEAST_BETWEEN_S: f64 = 0.3;
/// A lag that would move by less stays, s.
const WORTH_S: f64 = 0.25;

/// The lag of a combine in one field, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct FieldLag {
    /// As it was taken.
    pub(super) taken: Sourced,
    /// By the records of that field alone; absent where they tell nothing.
    pub(super) own: Option<Sourced>,
}

impl FieldLag {
    /// The lag and its standard error, where the field tells it well enough for others to hear.
    fn told(&self) -> Option<(f64, f64)> {
        let own = self.own.filter(|own| own.source == Source::Estimated)?;
        Some((own.value, own.std_error?))
    }

    /// Whether the field knows nothing of its own.
    fn is_unknown(&self) -> bool {
        self.own.is_none() && self.taken.source != Source::Configured
    }
}

/// The lags of a site-year's combines. Crops by themselves, since a thicker crop flows faster.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FieldLags {
    pub(super) crop: String,
    pub(super) by_machine: BTreeMap<String, FieldLag>,
}

impl FieldLags {
    /// As a result tells them.
    pub(super) fn of(site_year: &SiteYear) -> Self {
        let machines = site_year.cleaning.machines.iter();
        let lag = machines.map(|(name, facts)| (name.clone(), FieldLag { taken: facts.lag_s, own: facts.own_lag_s }));
        Self { crop: site_year.identity.crop.clone(), by_machine: lag.collect() }
    }

    fn keyed(&self) -> impl Iterator<Item = ((String, String), &FieldLag)> {
        self.by_machine.iter().map(|(machine, lag)| ((machine.clone(), self.crop.clone()), lag))
    }
}

/// By combine and crop, how many fields have told the lag so far tonight.
#[derive(Debug, Default)]
pub(super) struct Telling(Mutex<BTreeMap<(String, String), usize>>);

impl Telling {
    /// Counts a site-year.
    pub(super) fn count(&self, lags: &FieldLags) {
        let mut counts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for (key, _) in lags.keyed().filter(|(_, lag)| lag.told().is_some()) {
            *counts.entry(key).or_default() += 1;
        }
    }

    /// Whether a site-year that knows nothing of a lag will hear of it from enough others, so that it had better wait for
    /// them than be computed twice.
    pub(super) fn is_worth_waiting_for(&self, lags: &FieldLags) -> bool {
        let counts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        lags.keyed().any(|(key, lag)| lag.is_unknown() && counts.get(&key).is_some_and(|&told| told >= LEAST_FIELDS))
    }
}

/// By combine and crop, what its fields tell of its lag.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct MachineLags(BTreeMap<(String, String), LagPrior>);

impl MachineLags {
    /// From the lags that the fields told by themselves.
    pub(super) fn of<'f>(fields: impl IntoIterator<Item = &'f FieldLags>) -> Self {
        let mut told: BTreeMap<(String, String), Vec<(f64, f64)>> = BTreeMap::new();
        for (key, lag) in fields.into_iter().flat_map(FieldLags::keyed) {
            if let Some(lag) = lag.told() {
                told.entry(key).or_default().push(lag);
            }
        }
        let prior = |lags: &[(f64, f64)]| {
            let values: Vec<f64> = lags.iter().map(|lag| lag.0).collect();
            let (Ok(median), Ok(spread)) = (robust::median(&values), robust::mad(&values)) else { return None };
            let error = lags.iter().map(|lag| lag.1 * lag.1).sum::<f64>() / lags.len() as f64;
            let between = (spread * spread - error).max(0.0).sqrt().max(LEAST_BETWEEN_S);
            // rounded, so that a new field does not move all others by a hair
            let rounded = |value: f64| (value * 10.0).round() / 10.0;
            Some(LagPrior { median_s: rounded(median), between_sd_s: rounded(between), fields: lags.len() })
        };
        let known = told.into_iter().filter(|(_, lags)| lags.len() >= LEAST_FIELDS);
        Self(known.filter_map(|(key, lags)| Some((key, prior(&lags)?))).collect())
    }

    /// What a site-year should hear: the combines whose lag there would move by a quarter of a second or more.
    pub(super) fn for_field(&self, lags: &FieldLags) -> BTreeMap<String, LagPrior> {
        let heard = |(key, lag): ((String, String), &FieldLag)| {
            let prior = self.0.get(&key)?;
            worth_hearing(lag, *prior).then_some((key.0, *prior))
        };
        lags.keyed().filter_map(heard).collect()
    }
}

fn worth_hearing(lag: &FieldLag, prior: LagPrior) -> bool {
    match lag.own {
        _ if lag.taken.source == Source::Configured => false,
        None => true,
        Some(own) => own.std_error.is_some_and(|se| {
            let weight = se * se / (se * se + prior.between_sd_s * prior.between_sd_s);
            weight * (own.value - prior.median_s).abs() >= WORTH_S
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lag(own: Option<Sourced>) -> FieldLag {
        FieldLag { taken: own.unwrap_or(Sourced::assumed(12.0)), own }
    }

    fn field(machine: &str, own: Option<Sourced>) -> FieldLags {
        FieldLags { crop: "corn".to_owned(), by_machine: BTreeMap::from([(machine.to_owned(), lag(own))]) }
    }

    #[test]
    fn only_those_that_would_move_hear_the_others() {
        let prior = LagPrior { median_s: 14.0, between_sd_s: 0.5, fields: 5 };
        assert!(worth_hearing(&lag(None), prior));
        assert!(!worth_hearing(&lag(Some(Sourced::estimated(15.0, 0.1))), prior));
        assert!(worth_hearing(&lag(Some(Sourced::estimated(15.0, 0.6))), prior));
        assert!(!worth_hearing(&FieldLag { taken: Sourced::configured(9.0), own: None }, prior));
    }

    #[test]
    fn who_waits_will_hear() {
        let telling = Telling::default();
        let told: Vec<FieldLags> =
            [13.0, 14.0, 15.0].map(|lag| field("red", Some(Sourced::estimated(lag, 0.1)))).to_vec();
        let unknown = field("red", None);
        for one in &told {
            assert!(!telling.is_worth_waiting_for(&unknown));
            telling.count(one);
            telling.count(&unknown);
        }
        assert!(telling.is_worth_waiting_for(&unknown));
        assert!(!telling.is_worth_waiting_for(&told[0]), "it knows its own");
        assert!(!telling.is_worth_waiting_for(&field("green", None)), "another combine");
        let heard = MachineLags::of(&told).for_field(&unknown);
        assert_eq!(heard["red"].fields, 3);
        assert!((heard["red"].median_s - 14.0).abs() < 1e-12);
        assert!(MachineLags::of(&told[..2]).for_field(&unknown).is_empty());
    }
}
