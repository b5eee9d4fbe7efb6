//! What the fields of a combine tell of each other's lags.
//!
//! A lag belongs to the machine first and to the field second. Where a field tells its own lag well, the others change
//! nothing; where it does not, they are better than a number out of a book. So a night goes over the fields twice: each by
//! itself, and again those whose lag the others move.

use std::collections::BTreeMap;

use crate::config::LagPrior;
use crate::points::{MachineFacts, Source};
use crate::results::SiteYear;
use crate::stats::robust;

/// Fewest fields of a combine whose median is worth hearing.
const LEAST_FIELDS: usize = 3;
/// The fields of one combine differ at least by this, s: crop, moisture and throughput change the lag (common practice, no
/// source).
const LEAST_BETWEEN_S: f64 = 0.3;
/// A lag that would move by less stays, s.
const WORTH_S: f64 = 0.25;

/// By combine, what its fields tell of its lag; crops by themselves, since a thicker crop flows faster.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct MachineLags(BTreeMap<(String, String), LagPrior>);

impl MachineLags {
    /// From the lags that the fields told by themselves.
    pub(super) fn of(site_years: &[&SiteYear]) -> Self {
        let mut told: BTreeMap<(String, String), Vec<(f64, f64)>> = BTreeMap::new();
        for site_year in site_years {
            for (machine, facts) in &site_year.cleaning.machines {
                if let Some(own) = facts.own_lag_s
                    && own.source == Source::Estimated
                    && let Some(std_error) = own.std_error
                {
                    let key = (machine.clone(), site_year.identity.crop.clone());
                    told.entry(key).or_default().push((own.value, std_error));
                }
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
    pub(super) fn for_site_year(&self, site_year: &SiteYear) -> BTreeMap<String, LagPrior> {
        site_year
            .cleaning
            .machines
            .iter()
            .filter_map(|(machine, facts)| {
                let prior = self.0.get(&(machine.clone(), site_year.identity.crop.clone()))?;
                worth_hearing(facts, *prior).then(|| (machine.clone(), *prior))
            })
            .collect()
    }
}

fn worth_hearing(facts: &MachineFacts, prior: LagPrior) -> bool {
    match facts.own_lag_s {
        _ if facts.lag_s.source == Source::Configured => false,
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
    use crate::points::Sourced;

    fn facts(own: Option<Sourced>) -> MachineFacts {
        let one = Sourced::configured(1.0);
        MachineFacts {
            lag_s: own.unwrap_or(Sourced::assumed(12.0)),
            own_lag_s: own,
            moisture_lag_s: one,
            machine_factor: one,
            ticket_gain: one,
        }
    }

    #[test]
    fn only_those_that_would_move_hear_the_others() {
        let prior = LagPrior { median_s: 14.0, between_sd_s: 0.5, fields: 5 };
        assert!(worth_hearing(&facts(None), prior));
        assert!(!worth_hearing(&facts(Some(Sourced::estimated(15.0, 0.1))), prior));
        assert!(worth_hearing(&facts(Some(Sourced::estimated(15.0, 0.6))), prior));
        let configured = MachineFacts { lag_s: Sourced::configured(9.0), ..facts(None) };
        assert!(!worth_hearing(&configured, prior));
    }
}
