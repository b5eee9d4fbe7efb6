//! The two rounds of a night: each site-year by itself, then again those whose lags the other fields of their combines move.

use std::collections::BTreeMap;

use super::compute::{Outcome, Round, Workshop};
use super::lags::MachineLags;
use super::stop::Stop;
use super::tasks::Task;
use super::{BatchError, workers};
use crate::config::LagPrior;

/// What became of a site-year.
#[derive(Debug)]
pub(super) enum Became {
    /// It has a result.
    Done(Box<Outcome>),
    /// It failed.
    Failed(String),
    /// It was left alone, and nothing is remembered of it.
    Unknown,
    /// The night was stopped before its turn.
    NotBegun,
}

impl From<Result<Outcome, String>> for Became {
    fn from(computed: Result<Outcome, String>) -> Self {
        match computed {
            Ok(outcome) => Self::Done(Box::new(outcome)),
            Err(reason) => Self::Failed(reason),
        }
    }
}

/// The rounds of a night.
pub(super) struct Rounds<'r> {
    pub(super) workshop: &'r Workshop<'r>,
    pub(super) jobs: Option<usize>,
    pub(super) stop: &'r Stop,
    /// Told of each site-year that had its turn, with its folder.
    pub(super) tell: &'r (dyn Fn(&Task, &Became) + Sync),
}

impl Rounds<'_> {
    /// The first round: `round` tells how a site-year is computed; those without one are left alone.
    pub(super) fn first(
        &self,
        tasks: &[Task],
        round: impl Fn(&Task) -> Option<Round> + Sync,
    ) -> Result<Vec<Became>, BatchError> {
        workers::each(self.jobs, tasks, |task| match round(task) {
            None => self.workshop.left_alone(task).map_or(Became::Unknown, Became::from),
            Some(_) if self.stop.signal().is_some() => Became::NotBegun,
            Some(round) => {
                let became = self.workshop.compute(task, &round).into();
                (self.tell)(task, &became);
                became
            }
        })
    }

    /// What each site-year should hear of its combines' lags, where that is not what it heard. What a field tells of its own
    /// lag does not depend on what it heard, so one more round is enough.
    pub(super) fn unheard(became: &[Became]) -> BTreeMap<usize, BTreeMap<String, LagPrior>> {
        let done = || {
            became.iter().enumerate().filter_map(|(at, became)| match became {
                Became::Done(outcome) => Some((at, outcome)),
                _ => None,
            })
        };
        let lags = MachineLags::of(&done().map(|(_, outcome)| &outcome.result).collect::<Vec<_>>());
        done()
            .map(|(at, outcome)| (at, lags.for_site_year(&outcome.result), &outcome.heard))
            .filter(|(_, should, heard)| should != *heard)
            .map(|(at, should, _)| (at, should))
            .collect()
    }

    /// The second round: computes again the site-years that `unheard` names by their index.
    pub(super) fn second(
        &self,
        tasks: &[Task],
        became: &mut [Became],
        unheard: BTreeMap<usize, BTreeMap<String, LagPrior>>,
    ) -> Result<(), BatchError> {
        let again: Vec<_> = unheard.into_iter().collect();
        let second = workers::each(self.jobs, &again, |(at, heard)| {
            if self.stop.signal().is_some() {
                return Became::NotBegun;
            }
            let became = self.workshop.compute(&tasks[*at], &Round::Second(heard.clone())).into();
            (self.tell)(&tasks[*at], &became);
            became
        })?;
        for ((at, _), mut second) in again.into_iter().zip(second) {
            if let (Became::Done(first), Became::Done(second)) = (&became[at], &mut second) {
                for (stage, spent) in &first.seconds {
                    *second.seconds.entry(stage).or_insert(0.0) += spent;
                }
            }
            became[at] = second;
        }
        Ok(())
    }
}
