//! One site-year's night: unchanged, computed or failed.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::time::Instant;

use super::lags::{FieldLags, Telling};
use super::memory::{FailedBefore, Remembered};
use super::seen::{Look, Looks, SeenFiles};
use super::store::{Recalled, Store};
use super::tasks::Task;
use super::{fingerprint, inputs, one};
use crate::config::{ArchiveSettings, LagPrior};
use crate::ingest::{self, SiteYearFiles};
use crate::report::{self, SiteYearCase};
use crate::results::SiteYear;

/// What became of a site-year.
#[derive(Debug)]
pub(super) struct Outcome {
    /// Without what only its own page shows.
    pub(super) result: SiteYear,
    /// What the other fields told of its combines' lags when it was computed.
    pub(super) heard: BTreeMap<String, LagPrior>,
    /// Hash of each input.
    pub(super) inputs: BTreeMap<String, String>,
    pub(super) computed: bool,
    pub(super) seconds: Seconds,
    /// What was wrong with the memory of it, if anything.
    pub(super) damage: Option<String>,
}

/// What computing a site-year came to.
#[derive(Debug)]
pub(super) enum Computed {
    /// A result.
    Done(Box<Outcome>),
    /// It waits for what the other fields of its combines tell of their lags.
    Waits(Box<Waiting>),
}

/// A site-year that waits.
#[derive(Debug)]
pub(super) struct Waiting {
    /// The lags of its combines, as far as it knows.
    pub(super) lags: FieldLags,
    pub(super) seconds: Seconds,
}

/// Seconds spent by stage.
pub(super) type Seconds = BTreeMap<&'static str, f64>;

/// Which lags a site-year is computed with, and whether it is computed at all.
#[derive(Debug, Clone)]
pub(super) enum Round {
    /// Computed unless it stands unchanged; what it heard before may stand.
    First {
        /// Computed even if it stands unchanged.
        force: bool,
        /// Whether it may wait for the second round.
        may_wait: bool,
    },
    /// Computed unless it stands unchanged, having heard this.
    Second {
        /// By combine.
        heard: BTreeMap<String, LagPrior>,
        /// Computed even if it stands unchanged.
        force: bool,
    },
    /// Not computed: it stands unchanged, or fails.
    Remembered,
}

/// What every site-year of a night needs.
#[derive(Debug)]
pub(super) struct Workshop<'w> {
    pub(super) root: &'w Path,
    pub(super) settings: &'w ArchiveSettings,
    /// What the settings mean to a site-year.
    pub(super) meaning: String,
    pub(super) store: &'w Store,
    pub(super) allow_outside: bool,
    /// Hash every input and output, whatever its size and time.
    pub(super) verify: bool,
    pub(super) looks: Looks,
    /// Which lags are known so far.
    pub(super) telling: Telling,
}

/// Where an attempt ended.
enum Attempt {
    Ended(Computed),
    /// This file changed while the site-year was read.
    Changed(String),
}

impl Workshop<'_> {
    /// Computes a site-year unless it stands unchanged. A failure is remembered, and a fault of the program is one.
    pub(super) fn compute(&self, task: &Task, round: &Round) -> Result<Computed, String> {
        let computed = catch_unwind(AssertUnwindSafe(|| self.attempts(task, round))).unwrap_or_else(|panic| {
            let said = panic.downcast_ref::<String>().map(String::as_str);
            let said = said.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no more is known");
            Err(format!("a fault of bandlift itself, please report it: {said}"))
        });
        if let Err(reason) = &computed {
            let failed = FailedBefore { folder: task.folder.name.clone(), reason: reason.clone() };
            self.store.remember_failure(&task.place, &failed).map_err(|error| format!("{reason}; {error}"))?;
        }
        computed
    }

    /// Reads again what changed while it was read, twice at the most.
    fn attempts(&self, task: &Task, round: &Round) -> Result<Computed, String> {
        for last in [false, false, true] {
            let look = self.looks.present();
            match self.attempt(task, round, &look)? {
                Attempt::Ended(computed) => {
                    if let Computed::Done(outcome) = &computed {
                        self.telling.count(&FieldLags::of(&outcome.result));
                    }
                    return Ok(computed);
                }
                Attempt::Changed(file) if last => {
                    return Err(format!("{file}: changes while it is read; expected a file at rest"));
                }
                Attempt::Changed(_) => self.looks.renew(&look),
            }
        }
        Err("was not read".to_owned())
    }

    fn attempt(&self, task: &Task, round: &Round, look: &Look) -> Result<Attempt, String> {
        let mut watch = Watch::default();
        let files = inputs::resolve(self.root, &task.folder, &task.field, self.settings, self.allow_outside)
            .map_err(|fault| fault.to_string())?;
        let recalled = self.store.recall(&task.place, self.verify);
        let damage = if let Recalled::Damaged(why) = &recalled { Some(why.clone()) } else { None };
        let remembered = recalled.good();
        let known = remembered.as_ref().map(|remembered| &remembered.inputs);
        let inputs = look.files(&files, known, self.verify).map_err(|error| error.to_string())?;
        let print = fingerprint::fingerprint(&inputs, &task.field, &self.meaning, &task.folder.name);
        watch.lap("fingerprint");
        let (force, may_wait, heard) = match round {
            Round::First { force, may_wait } => (*force, *may_wait, None),
            Round::Second { heard, force } => (*force, false, Some(heard)),
            Round::Remembered => (false, false, None),
        };
        if let Some(remembered) = remembered
            && !force
            && remembered.fingerprint == print
            // in the first round what was heard before may stand; the second tells whether it still holds
            && heard.is_none_or(|heard| remembered.heard == *heard)
        {
            return self
                .stands(task, remembered, inputs, watch.seconds)
                .map(|outcome| Attempt::Ended(Computed::Done(outcome)));
        }
        if matches!(round, Round::Remembered) {
            let before = self.store.failure(&task.place);
            return Err(
                before.map_or_else(|| "is not computed as it now is; run its share".to_owned(), |one| one.reason)
            );
        }
        let heard = heard.cloned().unwrap_or_default();
        self.afresh(task, (&files, inputs), (print, heard, damage), may_wait, (look, watch))
    }

    /// The site-year is as it was.
    fn stands(
        &self,
        task: &Task,
        mut remembered: Remembered,
        inputs: SeenFiles,
        seconds: Seconds,
    ) -> Result<Box<Outcome>, String> {
        if remembered.inputs != inputs {
            // touched, and the same: the next night need not read it
            remembered.inputs.clone_from(&inputs);
            self.store.remember(&task.place, &remembered).map_err(|error| error.to_string())?;
        }
        self.store.is_current(&task.place).map_err(|error| error.to_string())?;
        Ok(Box::new(Outcome {
            result: remembered.result.for_archive(),
            heard: remembered.heard,
            inputs: hashes(inputs),
            computed: false,
            seconds,
            damage: None,
        }))
    }

    fn afresh(
        &self,
        task: &Task,
        (files, inputs): (&SiteYearFiles, SeenFiles),
        (fingerprint, heard, damage): (String, BTreeMap<String, LagPrior>, Option<String>),
        may_wait: bool,
        (look, mut watch): (&Look, Watch),
    ) -> Result<Attempt, String> {
        let mut settings = self.settings.clone();
        settings.clean.lag_priors.clone_from(&heard);
        let ingested = ingest::run(files, &task.field, &settings, &look.layers);
        watch.lap("ingest");
        // before what was read is believed, or blamed
        if let Some(file) = Look::changed(files, &inputs) {
            return Ok(Attempt::Changed(file));
        }
        let ingested = ingested.map_err(|error| error.to_string())?;
        let case = one::Case::new(&ingested, &task.field, &settings)?;
        let lags = case.lags();
        if may_wait && self.telling.is_worth_waiting_for(&lags) {
            watch.lap("analyse");
            return Ok(Attempt::Ended(Computed::Waits(Box::new(Waiting { lags, seconds: watch.seconds }))));
        }
        let analysed = case.analyse(&task.place)?;
        watch.lap("analyse");
        let outputs = report::site_year(SiteYearCase {
            ingested: &ingested,
            joined: &analysed.joined,
            differences: &analysed.differences,
            result: &analysed.result,
            archive: &settings,
            provenance: &fingerprint::provenance(&fingerprint, &inputs),
        })
        .map_err(|error| error.to_string())?;
        drop((ingested, analysed.joined));
        watch.lap("report");
        let remembered = Remembered {
            folder: task.folder.name.clone(),
            fingerprint,
            inputs: inputs.clone(),
            heard: heard.clone(),
            outputs: BTreeMap::new(),
            result: analysed.result.clone(),
        };
        self.store.write_site_year(&task.place, &outputs, remembered).map_err(|error| error.to_string())?;
        watch.lap("write");
        let result = analysed.result.for_archive();
        let inputs = hashes(inputs);
        let outcome = Outcome { result, heard, inputs, computed: true, seconds: watch.seconds, damage };
        Ok(Attempt::Ended(Computed::Done(Box::new(outcome))))
    }

    /// What is remembered of a site-year that is left alone tonight; `None` when nothing is.
    pub(super) fn left_alone(&self, task: &Task) -> Option<Result<Outcome, String>> {
        if let Some(failed) = self.store.failure(&task.place) {
            return Some(Err(failed.reason));
        }
        let remembered = match self.store.recall(&task.place, self.verify) {
            Recalled::Good(remembered) => *remembered,
            Recalled::Damaged(why) => return Some(Err(format!("is left alone, but {why}"))),
            Recalled::Nothing => return None,
        };
        Some(Ok(Outcome {
            result: remembered.result.for_archive(),
            heard: remembered.heard,
            inputs: hashes(remembered.inputs),
            computed: false,
            seconds: Seconds::new(),
            damage: None,
        }))
    }
}

fn hashes(inputs: SeenFiles) -> BTreeMap<String, String> {
    inputs.into_iter().map(|(name, seen)| (name, seen.hash)).collect()
}

/// Seconds from lap to lap.
struct Watch {
    begun: Instant,
    seconds: Seconds,
}

impl Default for Watch {
    fn default() -> Self {
        Self { begun: Instant::now(), seconds: Seconds::new() }
    }
}

impl Watch {
    fn lap(&mut self, stage: &'static str) {
        *self.seconds.entry(stage).or_insert(0.0) += self.begun.elapsed().as_secs_f64();
        self.begun = Instant::now();
    }
}
