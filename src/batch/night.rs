//! The night's run: every new or changed site-year, then the synthesis.

use std::path::{Path, PathBuf};
use std::time::Instant;

use serde::{Deserialize, Serialize};

use super::account::{Account, absent};
use super::basis::{self, Basis};
use super::compute::{Became, Turn, Workshop};
use super::discover::{Discovered, SiteYearFolder, discover};
use super::fingerprint::Meaning;
use super::journal::Journal;
use super::retired::{self, Retired};
use super::seen::Looks;
use super::share::Share;
use super::stop::Stop;
use super::store::Store;
use super::tasks::{self, Failed, Task};
use super::{BatchError, archive, archive_settings, country, drawings, threads, workers};
use crate::config::ArchiveSettings;
use crate::report;
use crate::results::{Conclusions, Outline, Record, SiteYear};

/// What the night is to do.
#[derive(Debug, Clone, Default)]
#[expect(clippy::struct_excessive_bools, reason = "each is a wish of its own")]
pub struct NightOptions {
    /// Only site-years whose folder matches this glob are computed.
    pub only: Option<String>,
    /// Threads; as many as the machine has when absent.
    pub jobs: Option<usize>,
    /// Compute everything again.
    pub force: bool,
    /// Permit paths that leave the archive.
    pub allow_outside: bool,
    /// Hash every input and output, whatever its size and time.
    pub verify: bool,
    /// A plan is made of it at once, which sees to the plans that have gone stale.
    pub plans_next: bool,
    /// The wish to stop.
    pub stop: Stop,
}

/// Told about the progress; called from several threads.
pub trait Progress: Sync {
    /// A round of so many site-years begins.
    fn begin(&self, total: usize);
    /// A site-year has had its turn: `computed`, `unchanged`, `failed`, or it waits for the second round.
    fn done(&self, folder: &str, outcome: &str);
    /// The round is over.
    fn end(&self);
}

/// What the night did.
#[derive(Debug)]
pub struct NightReport {
    /// The archive's settings.
    pub archive: ArchiveSettings,
    /// The results, in the order of their identity, without what only their own pages show.
    pub site_years: Vec<SiteYear>,
    /// What they come to.
    pub conclusions: Conclusions,
    /// Those that failed.
    pub failures: Vec<Failed>,
    /// Those that are no longer in the archive.
    pub retired: Vec<Retired>,
    /// How many were computed.
    pub computed: usize,
    /// Unchanged since the last night.
    pub unchanged: usize,
    /// What was left out of the archive or has gone stale, in sentences.
    pub notes: Vec<String>,
    /// Seconds that the night took.
    pub elapsed_s: f64,
    /// Path of the index page.
    pub index: PathBuf,
}

/// What a share of the night did.
#[derive(Debug)]
pub struct ShareReport {
    /// Those of the share that failed.
    pub failures: Vec<Failed>,
    /// How many were computed.
    pub computed: usize,
    /// Unchanged since the last night.
    pub unchanged: usize,
    /// Seconds that it took.
    pub elapsed_s: f64,
    /// Path of its account.
    pub account: PathBuf,
}

/// Where an output folder's archive is, for the synthesis.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Origin {
    root: PathBuf,
    allow_outside: bool,
}

const ORIGIN: &str = "archive";

/// Runs the night.
///
/// # Errors
/// [`BatchError`] when nothing could be done or the night was stopped; faults of single site-years are in the report.
pub fn run(
    root: &Path,
    out: &Path,
    options: &NightOptions,
    progress: &dyn Progress,
) -> Result<NightReport, BatchError> {
    let night = Night::begin(root, out, None, options, progress)?;
    night.conclude(|task| night.chosen(&task.folder).then_some(night.turn()))
}

/// Computes one share of the archive's site-years, each by itself; [`synthesise`] does the rest when all shares are done.
///
/// # Errors
/// As [`run`].
pub fn run_share(
    root: &Path,
    out: &Path,
    share: Share,
    options: &NightOptions,
    progress: &dyn Progress,
) -> Result<ShareReport, BatchError> {
    Night::begin(root, out, Some(share), options, progress)?.share(share)
}

/// Gathers what the shares of an output folder have computed, and synthesises. A site-year that no share has computed as it now is
/// counts as failed.
///
/// # Errors
/// As [`run`]; [`BatchError::NoArchive`] when no share was ever computed there.
pub fn synthesise(out: &Path, options: &NightOptions, progress: &dyn Progress) -> Result<NightReport, BatchError> {
    let origin: Origin = Store::recall_archive(out, ORIGIN).ok_or_else(|| BatchError::NoArchive {
        archive: out.display().to_string(),
        reason: "remembers no archive; expected the OUT of `bandlift run`".to_owned(),
    })?;
    let options = NightOptions { allow_outside: origin.allow_outside, ..options.clone() };
    let night = Night::begin(&origin.root, out, None, &options, progress)?;
    night.conclude(|_| Some(Turn::Remembered))
}

/// Draws the figures of an output folder again, those whose name matches a pattern, at a width in px; answers their names below it.
///
/// # Errors
/// As [`synthesise`]; [`BatchError::NoFigure`] when none matches.
pub fn figures(
    out: &Path,
    only: Option<&str>,
    width: u32,
    options: &NightOptions,
    progress: &dyn Progress,
) -> Result<Vec<String>, BatchError> {
    let origin: Origin = Store::recall_archive(out, ORIGIN).ok_or_else(|| BatchError::NoArchive {
        archive: out.display().to_string(),
        reason: "remembers no archive; expected the OUT of `bandlift run`".to_owned(),
    })?;
    let pattern = only.map(|text| {
        glob::Pattern::new(text)
            .map_err(|error| BatchError::NoFigure(format!("--only: `{text}` is not a glob: {error}")))
    });
    let pattern = pattern.transpose()?;
    let options = NightOptions { allow_outside: origin.allow_outside, ..options.clone() };
    let night = Night::begin_as("figures", &origin.root, out, None, &options, progress)?;
    let (tasks, failures) = night.tasks()?;
    let became = night.each(&tasks, |_| Some(Turn::Remembered))?;
    let mut account = Account::of(&tasks, became, failures);
    account.site_years.sort_by(|one, other| one.identity.cmp(&other.identity));
    let conclusions = threads::in_pool(options.jobs, || archive::conclude(&account.site_years, &night.settings))?;
    let (records, _) = basis::records(&night.store, &account.site_years, night.settings.model.confidence);
    let outline = night.outline(&account.site_years, records);
    let slides = report::slides(&account.site_years, &conclusions, &outline, &night.settings)?;
    let drawn =
        threads::in_pool(options.jobs, || drawings::write_some(&night.store, &slides, pattern.as_ref(), width))??;
    if drawn.is_empty() {
        let known: Vec<&str> = slides.iter().map(|slide| slide.name.as_str()).take(12).collect();
        return Err(BatchError::NoFigure(format!(
            "--only: `{}` matches no figure; there are {}: {} …",
            only.unwrap_or_default(),
            slides.len(),
            known.join(", ")
        )));
    }
    Ok(drawn)
}

/// A night on its way.
struct Night<'n> {
    root: &'n Path,
    options: &'n NightOptions,
    progress: &'n dyn Progress,
    settings: ArchiveSettings,
    found: Discovered,
    only: Option<glob::Pattern>,
    store: Store,
    journal: Journal,
}

impl<'n> Night<'n> {
    fn begin(
        root: &'n Path,
        out: &Path,
        share: Option<Share>,
        options: &'n NightOptions,
        progress: &'n dyn Progress,
    ) -> Result<Self, BatchError> {
        Self::begin_as("run", root, out, share, options, progress)
    }

    /// With the name of its journal.
    fn begin_as(
        journal: &str,
        root: &'n Path,
        out: &Path,
        share: Option<Share>,
        options: &'n NightOptions,
        progress: &'n dyn Progress,
    ) -> Result<Self, BatchError> {
        let settings = archive_settings(root)?;
        if let (Ok(archive), Ok(output)) = (root.canonicalize(), out.canonicalize())
            && archive == output
        {
            return Err(BatchError::OutIsArchive(out.display().to_string()));
        }
        let found = discover(root);
        if found.folders.is_empty() {
            let reason = format!("{}: no site-year found; expected folders with a field.toml", root.display());
            return Err(BatchError::NoSiteYear(reason));
        }
        let only = options.only.as_ref().map(|pattern| only(pattern, &found)).transpose()?;
        let store = Store::open(out, share)?;
        let journal = match share {
            None => Journal::begin(out, journal)?,
            Some(share) => Journal::begin(&out.join("shares"), &share.name())?,
        };
        let what = share.map_or_else(|| "the archive".to_owned(), |share| format!("share {share} of the archive"));
        let version = env!("CARGO_PKG_VERSION");
        journal.line(&format!("bandlift {version}: {what} {}, {} site-years", root.display(), found.folders.len()));
        let origin = Origin {
            root: root.canonicalize().unwrap_or_else(|_| root.to_path_buf()),
            allow_outside: options.allow_outside,
        };
        store.remember_archive(ORIGIN, &origin)?;
        Ok(Self { root, options, progress, settings, found, only, store, journal })
    }

    fn chosen(&self, folder: &SiteYearFolder) -> bool {
        self.only.as_ref().is_none_or(|pattern| pattern.matches(&folder.name))
    }

    fn tasks(&self) -> Result<(Vec<Task>, Vec<Failed>), BatchError> {
        for (link, reason) in &self.found.dangling {
            self.journal.line(&format!("{link}: {reason}"));
        }
        let (tasks, mut failures) = tasks::tasks(&self.found.folders, &self.settings, self.options.jobs)?;
        failures.extend(self.found.unreadable.iter().map(|(folder, reason)| Failed::new(folder, reason)));
        Ok((tasks, failures))
    }

    fn workshop(&self) -> Result<Workshop<'_>, BatchError> {
        let faulty = |error: serde_json::Error| BatchError::NoArchive {
            archive: self.root.display().to_string(),
            reason: format!("its settings cannot be remembered: {error}"),
        };
        Ok(Workshop {
            root: self.root,
            settings: &self.settings,
            meaning: Meaning::of(&self.settings).map_err(faulty)?,
            store: &self.store,
            allow_outside: self.options.allow_outside,
            verify: self.options.verify,
            looks: Looks::default(),
        })
    }

    fn tell(&self, task: &Task, became: &Became) {
        let folder = &task.folder.name;
        match became {
            Became::Done(outcome) if outcome.computed => {
                let damage = outcome.damage.as_ref().map_or_else(String::new, |why| format!("; {why}"));
                let seconds: f64 = outcome.seconds.values().sum();
                self.journal.line(&format!("{folder}: computed in {seconds:.2} s{damage}"));
                self.progress.done(folder, "computed");
            }
            Became::Done(_) => self.progress.done(folder, "unchanged"),
            Became::Failed(_) => self.progress.done(folder, "failed"),
            Became::Unknown | Became::NotBegun => {}
        }
    }

    /// How the site-years of this night have their turn.
    fn turn(&self) -> Turn {
        if self.options.force { Turn::Forced } else { Turn::IfChanged }
    }

    /// Every site-year for which `turn` tells how it has its turn; the others are left alone.
    fn each(&self, tasks: &[Task], turn: impl Fn(&Task) -> Option<Turn> + Sync) -> Result<Vec<Became>, BatchError> {
        let workshop = self.workshop()?;
        self.progress.begin(tasks.iter().filter(|task| turn(task).is_some()).count());
        let mut became = workers::each(self.options.jobs, tasks, |task| match turn(task) {
            None => workshop.left_alone(task).map_or(Became::Unknown, Became::from),
            Some(_) if self.options.stop.signal().is_some() => Became::NotBegun,
            Some(turn) => {
                let became = workshop.compute(task, turn).into();
                self.tell(task, &became);
                became
            }
        })?;
        workshop.settle(tasks, &mut became);
        self.progress.end();
        self.refuse_stopped(&became)?;
        Ok(became)
    }

    /// Every site-year by itself, then the synthesis.
    fn conclude(&self, turn: impl Fn(&Task) -> Option<Turn> + Sync) -> Result<NightReport, BatchError> {
        let (tasks, failures) = self.tasks()?;
        let became = self.each(&tasks, turn)?;
        let mut account = Account::of(&tasks, became, failures);
        // behind a link that leads nowhere tonight there may be site-years
        let hidden: Vec<_> = self.found.unreadable.iter().chain(&self.found.dangling).cloned().collect();
        account.retired = retired::sort_out(&self.store, &tasks, &hidden, &mut account.failures)?;
        account.notes = self.found.dangling.iter().map(|(link, reason)| format!("{link}: {reason}")).collect();
        drop(tasks);
        self.synthesise(account)
    }

    fn synthesise(&self, mut account: Account) -> Result<NightReport, BatchError> {
        account.failures.sort_by(|one, other| one.folder.cmp(&other.folder));
        account.site_years.sort_by(|one, other| one.identity.cmp(&other.identity));
        self.log_absent(&account);
        let begun = Instant::now();
        let conclusions =
            threads::in_pool(self.options.jobs, || archive::conclude(&account.site_years, &self.settings))?;
        account.seconds.insert("synthesise", begun.elapsed().as_secs_f64());
        if !self.options.plans_next {
            let now = || Basis::of(&account.site_years, &self.settings);
            let plans = basis::mark_old_plans(&self.store, now)?;
            for note in &plans {
                self.journal.line(note);
            }
            account.notes.extend(plans);
        }
        let (records, unread) = basis::records(&self.store, &account.site_years, self.settings.model.confidence);
        for note in &unread {
            self.journal.line(note);
        }
        account.notes.extend(unread);
        let absent = absent(&account.failures, &account.retired);
        let outline = self.outline(&account.site_years, records);
        for file in report::archive(&account.site_years, &conclusions, &outline, &absent, &self.settings)? {
            self.store.write_archive_file(&file.name, &file.bytes)?;
        }
        if !self.options.plans_next {
            let drawn = || drawings::write(&self.store, &account.site_years, (&conclusions, &outline), &self.settings);
            threads::in_pool(self.options.jobs, drawn)??;
        }
        let (computed, unchanged) = (account.count("computed"), account.count("unchanged"));
        let elapsed_s = self.journal.elapsed_s();
        self.journal.line(&format!(
            "{computed} computed, {unchanged} unchanged, {} failed, {} retired; {elapsed_s:.1} s",
            account.failures.len(),
            account.retired.len()
        ));
        self.store.write_archive_file("run.json", &account.as_json(&self.journal, self.options.jobs))?;
        self.journal.sound()?;
        let index = self.store.root().join("index.html");
        let Account { site_years, failures, retired, notes, .. } = account;
        let archive = self.settings.clone();
        Ok(NightReport {
            archive,
            site_years,
            conclusions,
            failures,
            retired,
            computed,
            unchanged,
            notes,
            elapsed_s,
            index,
        })
    }

    /// One share of the site-years, each by itself.
    fn share(&self, share: Share) -> Result<ShareReport, BatchError> {
        let (mut tasks, mut failures) = self.tasks()?;
        tasks.retain(|task| share.holds(task.field.identity()) && self.chosen(&task.folder));
        // what has no identity is reported by the share that its folder falls to
        failures.retain(|failed| share.holds((0, "", &failed.folder)));
        let became = self.each(&tasks, |_| Some(self.turn()))?;
        let account = Account::of(&tasks, became, failures);
        self.log_absent(&account);
        let name = format!("{}.json", share.name());
        self.store.write_file(Path::new("shares"), &name, &account.as_json(&self.journal, self.options.jobs))?;
        self.journal.sound()?;
        Ok(ShareReport {
            computed: account.count("computed"),
            unchanged: account.count("unchanged"),
            failures: account.failures,
            elapsed_s: self.journal.elapsed_s(),
            account: self.store.root().join("shares").join(name),
        })
    }

    fn outline(&self, site_years: &[SiteYear], records: Vec<Record>) -> Outline {
        outline((self.root, self.options.allow_outside), &self.store, site_years, &self.settings, records)
    }

    fn refuse_stopped(&self, became: &[Became]) -> Result<(), BatchError> {
        let left = became.iter().filter(|one| matches!(one, Became::NotBegun)).count();
        let Some(signal) = self.options.stop.signal() else { return Ok(()) };
        let stopped = BatchError::Stopped { signal, done: became.len() - left, left };
        self.journal.line(&stopped.to_string());
        Err(stopped)
    }

    fn log_absent(&self, account: &Account) {
        for failed in &account.failures {
            let stale = if failed.stale.is_some() { " (its last good result is kept, stale)" } else { "" };
            self.journal.line(&format!("{}: failed: {}{stale}", failed.folder, failed.reason));
        }
        for retired in &account.retired {
            self.journal.line(&format!("{}: retired: {}", retired.folder, retired.reason));
        }
    }
}

/// What the index shows beside the conclusions.
pub(super) fn outline(
    (root, allow_outside): (&Path, bool),
    store: &Store,
    site_years: &[SiteYear],
    settings: &ArchiveSettings,
    records: Vec<Record>,
) -> Outline {
    Outline {
        departures: country::departures(root, site_years, settings, allow_outside),
        plans: basis::outlines(store.root()),
        records,
    }
}

fn only(pattern: &str, found: &Discovered) -> Result<glob::Pattern, BatchError> {
    let glob = glob::Pattern::new(pattern)
        .map_err(|error| BatchError::NoSiteYear(format!("--only: `{pattern}` is not a glob: {error}")))?;
    if found.folders.iter().any(|folder| glob.matches(&folder.name)) {
        Ok(glob)
    } else {
        Err(BatchError::NoSiteYear(format!("--only: `{pattern}` matches no site-year")))
    }
}
