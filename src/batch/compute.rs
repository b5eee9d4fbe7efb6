//! One site-year's night: unchanged, computed or failed.

use std::collections::BTreeMap;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::time::Instant;

use super::fingerprint::{Fingerprint, Meaning};
use super::memory::{FailedBefore, Remembered};
use super::one::SiteYearWork;
use super::seen::{Look, Looks, SeenFiles};
use super::store::{Recalled, Store};
use super::tasks::Task;
use super::{fingerprint, inputs, one};
use crate::applied;
use crate::clean::KnownLags;
use crate::config::ArchiveSettings;
use crate::ingest::{self, SiteYearFiles};
use crate::report::{self, Drawn};
use crate::results::SiteYear;

/// What became of a site-year.
#[derive(Debug)]
pub(super) struct Outcome {
    /// Without what only its own page shows.
    pub(super) result: SiteYear,
    /// Hash of each input.
    pub(super) inputs: BTreeMap<String, String>,
    pub(super) computed: bool,
    pub(super) seconds: Seconds,
    /// What was wrong with the memory of it, if anything.
    pub(super) damage: Option<String>,
}

/// Seconds spent by stage.
pub(super) type Seconds = BTreeMap<&'static str, f64>;

/// Whether a site-year is computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Turn {
    /// Unless it stands unchanged.
    IfChanged,
    /// Even if it stands unchanged.
    Forced,
    /// Not: it stands unchanged, or fails.
    Remembered,
}

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
        computed.map_or_else(Self::Failed, |outcome| Self::Done(Box::new(outcome)))
    }
}

/// What every site-year of a night needs.
#[derive(Debug)]
pub(super) struct Workshop<'w> {
    pub(super) root: &'w Path,
    pub(super) settings: &'w ArchiveSettings,
    /// What they mean to a site-year: what its stages are handed.
    pub(super) meaning: Meaning,
    pub(super) store: &'w Store,
    pub(super) allow_outside: bool,
    /// Hash every input and output, whatever its size and time.
    pub(super) verify: bool,
    pub(super) looks: Looks,
}

/// Where an attempt ended.
enum Attempt {
    Ended(Box<Outcome>),
    /// This file changed while the site-year was read.
    Changed(String),
}

impl Workshop<'_> {
    /// Computes a site-year unless it stands unchanged. A failure is remembered, and a fault of the program is one.
    pub(super) fn compute(&self, task: &Task, turn: Turn) -> Result<Outcome, String> {
        let computed = catch_unwind(AssertUnwindSafe(|| self.attempts(task, turn))).unwrap_or_else(|panic| {
            let said = panic.downcast_ref::<String>().map(String::as_str);
            let said = said.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no more is known");
            Err(format!("internal error, please report it: {said}"))
        });
        if let Err(reason) = &computed {
            let failed = FailedBefore { folder: task.folder.name.clone(), reason: reason.clone() };
            self.store.remember_failure(&task.place, &failed).map_err(|error| format!("{reason}; {error}"))?;
        }
        computed
    }

    /// The files of all site-years take their places; those whose files could not have failed.
    pub(super) fn settle(&self, tasks: &[Task], became: &mut [Became]) {
        for (place, error) in self.store.settle() {
            for (task, became) in tasks.iter().zip(became.iter_mut()).filter(|(task, _)| task.place == place) {
                let mut reason = error.to_string();
                let failed = FailedBefore { folder: task.folder.name.clone(), reason: reason.clone() };
                if let Err(other) = self.store.remember_failure(&task.place, &failed) {
                    reason = format!("{reason}; {other}");
                }
                *became = Became::Failed(reason);
            }
        }
    }

    /// Reads again what changed while it was read, at most twice.
    fn attempts(&self, task: &Task, turn: Turn) -> Result<Outcome, String> {
        for last in [false, false, true] {
            let look = self.looks.present();
            match self.attempt(task, turn, &look)? {
                Attempt::Ended(outcome) => return Ok(*outcome),
                Attempt::Changed(file) if last => {
                    return Err(format!("{file}: changed while it was read; expected a file that stays as it is"));
                }
                Attempt::Changed(_) => self.looks.renew(&look),
            }
        }
        Err("was not read".to_owned())
    }

    fn attempt(&self, task: &Task, turn: Turn, look: &Look) -> Result<Attempt, String> {
        let mut watch = Watch::default();
        let files = inputs::resolve(self.root, &task.folder, &task.field, self.settings, self.allow_outside)
            .map_err(|fault| fault.to_string())?;
        let recalled = self.store.recall(&task.place, self.verify);
        let damage = if let Recalled::Damaged(why) = &recalled { Some(why.clone()) } else { None };
        let mut remembered = recalled.good();
        let known = remembered.as_ref().map(|remembered| &remembered.inputs);
        let inputs = look.files(&files, known, self.verify).map_err(|error| error.to_string())?;
        let print = Fingerprint::of(&inputs, &task.field, &self.meaning, &task.folder.name)
            .map_err(|error| error.to_string())?;
        watch.lap("fingerprint");
        if turn == Turn::Forced {
            remembered = None;
        }
        if let Some(remembered) = remembered.take_if(|known| known.fingerprint == print.whole) {
            return self.stands(task, remembered, inputs, watch.seconds).map(Attempt::Ended);
        }
        let same_work = remembered.as_ref().filter(|known| turn == Turn::IfChanged && known.work == print.work);
        if let Some(drawn) = same_work.and_then(|known| self.store.drawn(&task.place, &known.drawn))
            && let Some(remembered) = remembered.take()
        {
            return self.repriced(task, remembered, (inputs, &print), drawn, watch).map(Attempt::Ended);
        }
        if turn == Turn::Remembered {
            let before = self.store.failure(&task.place);
            return Err(
                before.map_or_else(|| "has not been computed as it is now; run its share".to_owned(), |one| one.reason)
            );
        }
        let lags = remembered.and_then(|remembered| remembered.lags);
        self.afresh(task, (&files, inputs), (print, damage), lags.as_ref(), (look, watch))
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
            inputs: hashes(inputs),
            computed: false,
            seconds,
            damage: None,
        }))
    }

    /// The site-year is as it was, but for what it is worth.
    fn repriced(
        &self,
        task: &Task,
        mut remembered: Remembered,
        (inputs, print): (SeenFiles, &Fingerprint),
        drawn: Drawn,
        mut watch: Watch,
    ) -> Result<Box<Outcome>, String> {
        one::price(&mut remembered.result.responses, &task.field, &self.meaning.telling);
        watch.lap("analyse");
        let layers = fs::read(self.store.results(&task.place).join(report::LAYERS))
            .map_err(|error| format!("{}: {error}", report::LAYERS))?;
        let provenance = fingerprint::provenance(&print.whole, &inputs);
        let outputs = report::repriced(&remembered.result, &self.meaning.telling, &provenance, drawn, &layers)
            .map_err(|error| error.to_string())?;
        watch.lap("report");
        remembered.fingerprint.clone_from(&print.whole);
        remembered.inputs.clone_from(&inputs);
        let result = remembered.result.clone().for_archive();
        self.store.write_site_year(&task.place, &outputs, remembered, None).map_err(|error| error.to_string())?;
        watch.lap("write");
        Ok(Box::new(Outcome { result, inputs: hashes(inputs), computed: true, seconds: watch.seconds, damage: None }))
    }

    fn afresh(
        &self,
        task: &Task,
        (files, inputs): (&SiteYearFiles, SeenFiles),
        (print, damage): (Fingerprint, Option<String>),
        lags: Option<&KnownLags>,
        (look, mut watch): (&Look, Watch),
    ) -> Result<Attempt, String> {
        let Meaning { work: settings, telling, .. } = &self.meaning;
        let ingested = ingest::run(files, &task.field, settings, &look.layers);
        watch.lap("ingest");
        // before what was read is believed, or blamed
        if let Some(file) = Look::changed(files, &inputs) {
            return Ok(Attempt::Changed(file));
        }
        let mut ingested = ingested.map_err(|error| error.to_string())?;
        applied::run(&mut ingested, &task.field, settings).map_err(|error| error.to_string())?;
        let work = SiteYearWork::new(&ingested, &task.field, settings, lags)?;
        let lags = work.tracked.lags().to_keep();
        let mut analysed = work.analyse(&task.place)?;
        one::price(&mut analysed.result.responses, &task.field, telling);
        watch.lap("analyse");
        let provenance = fingerprint::provenance(&print.whole, &inputs);
        let (outputs, drawn) =
            report::site_year(analysed.case(&ingested, telling, &provenance)).map_err(|error| error.to_string())?;
        drop((ingested, analysed.joined));
        watch.lap("report");
        let remembered = Remembered {
            folder: task.folder.name.clone(),
            fingerprint: print.whole,
            work: print.work,
            drawn: String::new(),
            inputs: inputs.clone(),
            outputs: BTreeMap::new(),
            result: analysed.result.clone(),
            lags,
        };
        self.store
            .write_site_year(&task.place, &outputs, remembered, Some(&drawn))
            .map_err(|error| error.to_string())?;
        watch.lap("write");
        let result = analysed.result.for_archive();
        let inputs = hashes(inputs);
        let outcome = Outcome { result, inputs, computed: true, seconds: watch.seconds, damage };
        Ok(Attempt::Ended(Box::new(outcome)))
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
