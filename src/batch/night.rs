//! The night's run: every new or changed site-year, then the synthesis.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::Instant;

use rayon::prelude::*;
use serde_json::{Value, json};

use super::discover::{SiteYearFolder, discover};
use super::lags::MachineLags;
use super::store::{Remembered, Store};
use super::{BatchError, archive, archive_settings, fingerprint, inputs, one, slug, threads};
use crate::config::{ArchiveSettings, FieldSettings, LagPrior};
use crate::ingest::{self, SharedLayers};
use crate::report::{self, Failure, SiteYearCase};
use crate::results::{Conclusions, SiteYear};

/// What the night is to do.
#[derive(Debug, Clone, Default)]
pub struct NightOptions {
    /// Only site-years whose folder matches this glob are computed.
    pub only: Option<String>,
    /// Threads; as many as the machine has when absent.
    pub jobs: Option<usize>,
    /// Compute everything again.
    pub force: bool,
    /// Permit paths that leave the archive.
    pub allow_outside: bool,
}

/// Told about the progress; called from several threads.
pub trait Progress: Sync {
    /// The number of site-years is known.
    fn begin(&self, total: usize);
    /// A site-year is done: computed, unchanged, or failed.
    fn done(&self, folder: &str, outcome: &str);
    /// The site-years are done.
    fn end(&self);
}

/// A site-year that failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failed {
    /// Its folder in the archive.
    pub folder: String,
    /// Why.
    pub reason: String,
}

/// What the night did.
#[derive(Debug)]
pub struct NightReport {
    /// The archive's settings.
    pub archive: ArchiveSettings,
    /// The results, in the order of their identity.
    pub site_years: Vec<SiteYear>,
    /// What they come to.
    pub conclusions: Conclusions,
    /// Those that failed.
    pub failures: Vec<Failed>,
    /// How many were computed, and how many stood unchanged.
    pub computed: usize,
    /// Unchanged since the last night.
    pub unchanged: usize,
    /// Path of the index page.
    pub index: PathBuf,
}

/// A site-year that is ready to be computed.
struct Task {
    folder: SiteYearFolder,
    field: FieldSettings,
    /// Folder below `site_years`.
    place: String,
}

/// What became of a site-year.
struct Outcome {
    result: SiteYear,
    /// What the other fields told of its combines' lags when it was computed.
    heard: BTreeMap<String, LagPrior>,
    inputs: BTreeMap<String, String>,
    computed: bool,
    seconds: BTreeMap<&'static str, f64>,
}

/// Runs the night.
///
/// # Errors
/// [`BatchError`] when nothing could be done; faults of single site-years are in the report.
pub fn run(
    root: &Path,
    out: &Path,
    options: &NightOptions,
    progress: &dyn Progress,
) -> Result<NightReport, BatchError> {
    let settings = archive_settings(root)?;
    let found = discover(root);
    if found.folders.is_empty() {
        return Err(BatchError::NoSiteYear(format!(
            "{}: no site-year found; expected folders with a field.toml",
            root.display()
        )));
    }
    let only = options
        .only
        .as_ref()
        .map(|pattern| {
            glob::Pattern::new(pattern)
                .map_err(|error| BatchError::NoSiteYear(format!("--only: `{pattern}` is not a glob: {error}")))
        })
        .transpose()?;
    let chosen = |folder: &SiteYearFolder| only.as_ref().is_none_or(|pattern| pattern.matches(&folder.name));
    if !found.folders.iter().any(chosen) {
        let pattern = options.only.as_deref().unwrap_or("");
        return Err(BatchError::NoSiteYear(format!("--only: `{pattern}` matches no site-year")));
    }
    let store = Store::open(out)?;

    let mut failures: Vec<Failed> = found
        .unreadable
        .iter()
        .map(|(folder, reason)| Failed { folder: folder.clone(), reason: reason.clone() })
        .collect();
    let tasks = plan(found.folders, &settings, &mut failures);
    progress.begin(tasks.iter().filter(|task| chosen(&task.folder)).count());

    let shared = SharedLayers::default();
    let outcomes: Outcomes = threads::in_pool(options.jobs, || {
        tasks
            .par_iter()
            .with_max_len(1)
            .map(|task| {
                let outcome = if chosen(&task.folder) {
                    let outcome = compute(root, &settings, task, None, (&shared, &store), options);
                    let word = match &outcome {
                        Ok(outcome) if outcome.computed => "computed",
                        Ok(_) => "unchanged",
                        Err(_) => "failed",
                    };
                    progress.done(&task.folder.name, word);
                    Some(outcome)
                } else {
                    // Left alone tonight; what is remembered of it still counts.
                    store.recall(&task.place).map(|remembered| {
                        Ok(Outcome {
                            result: remembered.result,
                            heard: remembered.heard,
                            inputs: remembered.inputs,
                            computed: false,
                            seconds: BTreeMap::new(),
                        })
                    })
                };
                (task.folder.name.clone(), outcome)
            })
            .collect()
    })?;
    let again = |task: &Task, priors| {
        chosen(&task.folder).then(|| compute(root, &settings, task, Some(priors), (&shared, &store), options))
    };
    let outcomes = hear_each_other(outcomes, &tasks, again, options.jobs)?;
    progress.end();

    let mut tally = Tally::default();
    tally.add(outcomes, &mut failures);
    let Tally { mut site_years, hashes, mut seconds, computed, unchanged } = tally;
    failures.sort_by(|one, other| one.folder.cmp(&other.folder));
    site_years.sort_by(|one, other| one.identity.cmp(&other.identity));

    let begun = Instant::now();
    let conclusions = archive::conclude(&site_years, &settings);
    seconds.insert("synthesise", begun.elapsed().as_secs_f64());
    let page_failures: Vec<Failure> = failures
        .iter()
        .map(|failed| Failure { folder: failed.folder.clone(), reason: failed.reason.clone() })
        .collect();
    for file in report::archive(&site_years, &conclusions, &page_failures, &settings)? {
        store.write_archive_file(file.name, &file.bytes)?;
    }
    let log = run_log(&site_years, &failures, &hashes, &seconds, computed, unchanged);
    let mut bytes = serde_json::to_vec_pretty(&log).unwrap_or_default();
    bytes.push(b'\n');
    store.write_archive_file("run.json", &bytes)?;
    Ok(NightReport {
        archive: settings,
        site_years,
        conclusions,
        failures,
        computed,
        unchanged,
        index: store.root().join("index.html"),
    })
}

/// What the site-years add up to.
#[derive(Default)]
struct Tally {
    site_years: Vec<SiteYear>,
    hashes: BTreeMap<String, BTreeMap<String, String>>,
    seconds: BTreeMap<&'static str, f64>,
    computed: usize,
    unchanged: usize,
}

impl Tally {
    fn add(&mut self, outcomes: Vec<(String, Option<Result<Outcome, String>>)>, failures: &mut Vec<Failed>) {
        for (folder, outcome) in outcomes {
            match outcome {
                None => {}
                Some(Err(reason)) => failures.push(Failed { folder, reason }),
                Some(Ok(outcome)) => {
                    *(if outcome.computed { &mut self.computed } else { &mut self.unchanged }) += 1;
                    for (stage, spent) in outcome.seconds {
                        *self.seconds.entry(stage).or_insert(0.0) += spent;
                    }
                    self.hashes.insert(folder, outcome.inputs);
                    self.site_years.push(outcome.result);
                }
            }
        }
    }
}

/// Reads every `field.toml`; those with faults, and those that share an identity, fail.
fn plan(folders: Vec<SiteYearFolder>, settings: &ArchiveSettings, failures: &mut Vec<Failed>) -> Vec<Task> {
    let mut read: Vec<(SiteYearFolder, FieldSettings)> = Vec::new();
    for folder in folders {
        let name = if folder.name == "." { "field.toml".to_owned() } else { format!("{}/field.toml", folder.name) };
        let parsed = std::fs::read_to_string(folder.path.join("field.toml"))
            .map_err(|error| format!("{name}: cannot be read: {error}"))
            .and_then(|text| FieldSettings::parse(&name, &text, settings).map_err(|faults| faults.to_string()));
        match parsed {
            Ok(field) => read.push((folder, field)),
            Err(reason) => failures.push(Failed { folder: folder.name, reason }),
        }
    }
    let mut by_identity: BTreeMap<(i32, String, String), Vec<String>> = BTreeMap::new();
    for (folder, field) in &read {
        let (season, farm, name) = field.identity();
        by_identity.entry((season, farm.to_owned(), name.to_owned())).or_default().push(folder.name.clone());
    }
    let farms: BTreeSet<&str> = read.iter().map(|(_, field)| field.farm.as_str()).collect();
    let farm_slugs = slug::unique_slugs(farms.iter().copied());
    let mut field_slugs: BTreeMap<(i32, String), BTreeMap<String, String>> = BTreeMap::new();
    for (_, field) in &read {
        field_slugs.entry((field.season, field.farm.clone())).or_insert_with(|| {
            let same_farm = read.iter().filter(|(_, other)| other.season == field.season && other.farm == field.farm);
            slug::unique_slugs(same_farm.map(|(_, other)| other.field.as_str()).collect::<BTreeSet<_>>())
        });
    }
    let mut tasks = Vec::new();
    for (folder, field) in read {
        let (season, farm, name) = field.identity();
        let same = &by_identity[&(season, farm.to_owned(), name.to_owned())];
        if same.len() > 1 {
            let others: Vec<&str> = same.iter().filter(|other| **other != folder.name).map(String::as_str).collect();
            let reason =
                format!("season {season}, farm `{farm}`, field `{name}` is also that of {}", others.join(", "));
            failures.push(Failed { folder: folder.name, reason });
            continue;
        }
        let place = format!("{season}/{}/{}", farm_slugs[farm], field_slugs[&(season, farm.to_owned())][name]);
        tasks.push(Task { folder, field, place });
    }
    tasks
}

/// Computes a site-year unless it stands unchanged. `priors` is what the other fields tell of its combines' lags, `None` in the
/// first round, in which nothing was heard yet.
fn compute(
    archive: &Path,
    settings: &ArchiveSettings,
    task: &Task,
    priors: Option<BTreeMap<String, LagPrior>>,
    (shared, store): (&SharedLayers, &Store),
    options: &NightOptions,
) -> Result<Outcome, String> {
    let mut seconds = BTreeMap::new();
    let mut begun = Instant::now();
    let mut lap = |seconds: &mut BTreeMap<&'static str, f64>, stage: &'static str| {
        seconds.insert(stage, begun.elapsed().as_secs_f64());
        begun = Instant::now();
    };
    let files = inputs::resolve(archive, &task.folder, &task.field, settings, options.allow_outside)
        .map_err(|fault| fault.to_string())?;
    let print = fingerprint::fingerprint(&files, &task.field, settings, &task.folder.name)
        .map_err(|error| error.to_string())?;
    lap(&mut seconds, "fingerprint");
    let first_round = priors.is_none();
    let heard = priors.unwrap_or_default();
    let mut settings = settings.clone();
    settings.clean.lag_priors.clone_from(&heard);
    if (!options.force || !first_round)
        && let Some(remembered) = store.recall(&task.place)
        && remembered.fingerprint == print.whole
        // in the first round what was heard before may stand; the second tells whether it still holds
        && (first_round || remembered.heard == heard)
    {
        let heard = remembered.heard;
        return Ok(Outcome { result: remembered.result, heard, inputs: print.inputs, computed: false, seconds });
    }
    let ingested = ingest::run(&files, &task.field, &settings, shared).map_err(|error| error.to_string())?;
    lap(&mut seconds, "ingest");
    let analysed = one::analyse(&ingested, &task.field, &settings, &task.place)?;
    lap(&mut seconds, "analyse");
    let outputs = report::site_year(SiteYearCase {
        ingested: &ingested,
        joined: &analysed.joined,
        differences: &analysed.differences,
        result: &analysed.result,
        archive: &settings,
        provenance: &print.provenance(),
    })
    .map_err(|error| error.to_string())?;
    lap(&mut seconds, "report");
    let remembered = Remembered {
        fingerprint: print.whole,
        inputs: print.inputs.clone(),
        heard: heard.clone(),
        outputs: BTreeMap::new(),
        result: analysed.result.clone(),
    };
    store.write_site_year(&task.place, &outputs, remembered).map_err(|error| error.to_string())?;
    lap(&mut seconds, "write");
    Ok(Outcome { result: analysed.result, heard, inputs: print.inputs, computed: true, seconds })
}

/// What became of the site-years, by folder; `None` for those left alone of which nothing is remembered.
type Outcomes = Vec<(String, Option<Result<Outcome, String>>)>;

/// Computes again, by `again`, the site-years whose lags the other fields of their combines move, or moved before and do no
/// more. What a field tells of its own lag does not depend on what it heard, so one more round is enough.
fn hear_each_other(
    outcomes: Outcomes,
    tasks: &[Task],
    again: impl Fn(&Task, BTreeMap<String, LagPrior>) -> Option<Result<Outcome, String>> + Sync,
    jobs: Option<usize>,
) -> Result<Outcomes, BatchError> {
    let done = outcomes.iter().filter_map(|(_, outcome)| outcome.as_ref()?.as_ref().ok());
    let lags = MachineLags::of(&done.map(|outcome| &outcome.result).collect::<Vec<_>>());
    threads::in_pool(jobs, || {
        outcomes
            .into_par_iter()
            .zip(tasks)
            .with_max_len(1)
            .map(|((folder, outcome), task)| {
                let Some(Ok(first)) = outcome else { return (folder, outcome) };
                let priors = lags.for_site_year(&first.result);
                let second = if priors == first.heard { None } else { again(task, priors) };
                let outcome = match second {
                    Some(Ok(mut second)) => {
                        for (stage, spent) in first.seconds {
                            *second.seconds.entry(stage).or_insert(0.0) += spent;
                        }
                        Ok(second)
                    }
                    Some(Err(reason)) => Err(reason),
                    None => Ok(first),
                };
                (folder, Some(outcome))
            })
            .collect()
    })
}

/// `run.json`.
fn run_log(
    site_years: &[SiteYear],
    failures: &[Failed],
    hashes: &BTreeMap<String, BTreeMap<String, String>>,
    seconds: &BTreeMap<&str, f64>,
    computed: usize,
    unchanged: usize,
) -> Value {
    let points = |pick: fn(&SiteYear) -> usize| site_years.iter().map(pick).sum::<usize>();
    let warnings: BTreeMap<String, BTreeMap<&str, String>> = site_years
        .iter()
        .map(|result| {
            let mut all = result.cautions.clone();
            for response in &result.responses {
                all.extend(&response.cautions);
            }
            let codes = all.iter().map(|(caution, detail)| (caution.code(), detail.to_owned())).collect();
            (result.folder.clone(), codes)
        })
        .filter(|(_, codes): &(String, BTreeMap<&str, String>)| !codes.is_empty())
        .collect();
    json!({
        "version": env!("CARGO_PKG_VERSION"),
        "counts": {
            "site_years": site_years.len(),
            "computed": computed,
            "unchanged": unchanged,
            "failed": failures.len(),
            "points_read": points(|one| one.counts.read),
            "points_kept": points(|one| one.counts.kept),
            "lags_known": site_years.iter().filter(|one| one::lags_known(one)).count(),
        },
        "seconds": seconds,
        "inputs": hashes,
        "failures": failures.iter().map(|one| json!({ "site_year": one.folder, "reason": one.reason })).collect::<Vec<_>>(),
        "warnings": warnings,
    })
}
