//! The two rounds of a night: each site-year by itself, then again those whose lags the other fields of their combines move.
//! Who knows nothing of its own lag and is sure to hear waits for the second.

use std::collections::BTreeMap;

use super::compute::{Computed, Outcome, Round, Waiting, Workshop};
use super::lags::{FieldLags, MachineLags};
use super::stop::Stop;
use super::tasks::Task;
use super::{BatchError, workers};
use crate::config::LagPrior;

/// What became of a site-year.
#[derive(Debug)]
pub(super) enum Became {
    /// It has a result.
    Done(Box<Outcome>),
    /// Its turn comes in the second round.
    Waits(Box<Waiting>),
    /// It failed.
    Failed(String),
    /// It was left alone, and nothing is remembered of it.
    Unknown,
    /// The night was stopped before its turn.
    NotBegun,
}

impl From<Result<Outcome, String>> for Became {
    fn from(computed: Result<Outcome, String>) -> Self {
        computed.map_or_else(Self::Failed, |outcome| Self::Done(Box::new(outcome)))
    }
}

impl From<Result<Computed, String>> for Became {
    fn from(computed: Result<Computed, String>) -> Self {
        match computed {
            Ok(Computed::Done(outcome)) => Self::Done(outcome),
            Ok(Computed::Waits(waiting)) => Self::Waits(waiting),
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

    /// What each site-year should hear of its combines' lags, where that is not what it heard, and what those hear that
    /// wait. What a field tells of its own lag does not depend on what it heard, so one more round is enough.
    pub(super) fn unheard(became: &[Became]) -> BTreeMap<usize, BTreeMap<String, LagPrior>> {
        let lags_of = |became: &Became| match became {
            Became::Done(outcome) => Some(FieldLags::of(&outcome.result)),
            Became::Waits(waiting) => Some(waiting.lags.clone()),
            Became::Failed(_) | Became::Unknown | Became::NotBegun => None,
        };
        let fields: Vec<Option<FieldLags>> = became.iter().map(lags_of).collect();
        let told = MachineLags::of(fields.iter().flatten());
        let should = |(at, lags): (usize, Option<FieldLags>)| {
            let should = told.for_field(&lags?);
            match &became[at] {
                Became::Done(outcome) if outcome.heard == should => None,
                _ => Some((at, should)),
            }
        };
        fields.into_iter().enumerate().filter_map(should).collect()
    }

    /// The second round: computes the site-years that `unheard` names by their index.
    pub(super) fn second(
        &self,
        tasks: &[Task],
        became: &mut [Became],
        unheard: BTreeMap<usize, BTreeMap<String, LagPrior>>,
    ) -> Result<(), BatchError> {
        let again: Vec<_> = unheard.into_iter().collect();
        let first: &[Became] = became;
        let second = workers::each(self.jobs, &again, |(at, heard)| {
            if self.stop.signal().is_some() {
                return Became::NotBegun;
            }
            // who waited was to be computed, come what may
            let force = matches!(first[*at], Became::Waits(_));
            let became = self.workshop.compute(&tasks[*at], &Round::Second { heard: heard.clone(), force }).into();
            (self.tell)(&tasks[*at], &became);
            became
        })?;
        for ((at, _), mut second) in again.into_iter().zip(second) {
            let first = match &became[at] {
                Became::Done(first) => Some(&first.seconds),
                Became::Waits(first) => Some(&first.seconds),
                Became::Failed(_) | Became::Unknown | Became::NotBegun => None,
            };
            if let (Some(first), Became::Done(second)) = (first, &mut second) {
                for (stage, spent) in first {
                    *second.seconds.entry(stage).or_insert(0.0) += spent;
                }
            }
            became[at] = second;
        }
        Ok(())
    }
}
