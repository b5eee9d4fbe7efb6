//! `[applied]`: logs of what was really put down, and what their columns mean.

use serde::Serialize;

use super::Treatment;
use super::harvest::{self, Column, GrainChannel, HarvestSettings, MeasuredColumn};
use super::section::Section;
use crate::quantity::{Duration, Length, Percent, RateKind, RateUnit, Units, Volume};

/// Which is true where drawn strips and a log disagree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Trust {
    /// The log.
    Log,
    /// The drawn strips.
    Strips,
}

/// A treatment that a log tells, and its rate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TestedRate {
    /// Key of the treatment.
    pub treatment: String,
    /// Litres, kilograms or pieces per hectare.
    pub per_ha: f64,
}

/// The resolved settings of one log of an application.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AppliedSettings {
    /// What the log is called in the reports. Default `log 1`, `log 2` and so on.
    pub name: String,
    /// How its files are read: as a log of a harvest, in which the rate stands in the place of the grain, the working width in that of
    /// the swath, the state of the planter in that of the header, and the product in that of the load.
    pub log: HarvestSettings,
    /// The kind of its rates; absent until task data tell it.
    pub kind: Option<RateKind>,
    /// The unit that its rates are reported in.
    pub rate_unit: Option<RateUnit>,
    /// The rate that was asked for (the setpoint).
    pub target: Option<MeasuredColumn>,
    /// Which sections were on: a digit for each, 1 or 0, from left to right.
    pub sections: Option<Column>,
    /// How many sections were on; of several columns the sum.
    pub sections_on: Vec<Column>,
    /// Sections of the whole width, for `sections_on`.
    pub section_count: Option<u32>,
    /// The products of the `product` column that are meant; rows of another tank or product count as run without.
    pub product: Vec<String>,
    /// The treatments that this log tells. Default all that have a rate; needed where there are several logs.
    pub treatments: Vec<TestedRate>,
    /// Rate on the check: 0, or that of the check's own `rate` (carrier alone).
    pub check_per_ha: f64,
    /// How far a rate may lie from the tested one. Default 10 % (common practice, no source).
    pub tolerance_pct: f64,
    /// A stop so long that a product may settle in the lines. Default 10 min (common practice, no source).
    pub long_stop_s: f64,
    /// Volume of the lines between tank and row, L: with the rate and the width it tells how far the planter runs until what stood in
    /// them is out.
    pub line_volume_l: Option<f64>,
    /// Length that is left out after a long stop where no `line_volume` is given. Default 100 m (ours: 6 L of lines at 50 L/ha and
    /// 12 m last as long).
    pub flush_length_m: f64,
    /// How far the log lies to the left of the true track, seen along it, m; 0 where nothing is to be moved. Default: found from the
    /// combine's passes.
    pub offset_m: Option<f64>,
    /// Which is true where drawn strips and a log disagree: `log` or `strips`. Two swapped strips are an error until it is given.
    pub trust: Option<Trust>,
    /// Whether the order of the treatments was drawn at random, where no strips are drawn. Default false.
    pub randomized: bool,
}

/// The unit of a column of rates and the treatments that a log tells by it.
///
/// # Errors
/// What is wrong, in words.
pub(crate) fn tested(
    names: Option<&[String]>,
    kind: RateKind,
    treatments: &[Treatment],
) -> Result<(Vec<TestedRate>, f64), String> {
    let mut tested = Vec::new();
    for one in treatments.iter().filter(|one| !one.check) {
        let is_meant = names.is_none_or(|names| names.contains(&one.key));
        match &one.rate {
            Some(rate) if is_meant && rate.unit.kind == kind => {
                tested.push(TestedRate { treatment: one.key.clone(), per_ha: rate.per_ha });
            }
            Some(rate) if is_meant => {
                return Err(format!(
                    "gives rates in {}, but archive.toml has {} {} for treatments.{}.rate; expected one kind",
                    kind.symbol(),
                    rate.per_ha / rate.unit.per_ha,
                    rate.unit.symbol,
                    one.key
                ));
            }
            None if names.is_some() && is_meant => {
                return Err(format!("archive.toml: treatments.{}.rate is missing, such as \"8 fl oz/ac\"", one.key));
            }
            _ => {}
        }
    }
    if let Some(unknown) =
        names.and_then(|names| names.iter().find(|name| tested.iter().all(|one| one.treatment != **name)))
    {
        return Err(format!("`{unknown}` is not a treatment of archive.toml that could be recognised by a rate"));
    }
    if tested.is_empty() {
        return Err("archive.toml gives no treatment a rate, such as `rate = \"8 fl oz/ac\"`".to_owned());
    }
    let check = treatments.iter().find(|one| one.check).and_then(|one| one.rate);
    Ok((tested, check.filter(|rate| rate.unit.kind == kind).map_or(0.0, |rate| rate.per_ha)))
}

pub(super) fn read(root: &Section<'_, '_>, treatments: &[Treatment]) -> Vec<AppliedSettings> {
    let entries = root.sections("applied");
    let mut logs: Vec<AppliedSettings> = Vec::new();
    for (number, entry) in entries.iter().enumerate() {
        let Some(log) = one(entry, number, entries.len(), treatments) else { continue };
        if logs.iter().any(|known| known.name == log.name) {
            entry.fault("name", format!("two logs are called `{}`", log.name));
        }
        if logs.iter().filter_map(|known| known.trust).any(|trust| log.trust.is_some_and(|own| own != trust)) {
            entry.fault("trust", "is `log` in one entry and `strips` in another; give it once");
        }
        for one in &log.treatments {
            if logs.iter().flat_map(|known| &known.treatments).any(|known| known.treatment == one.treatment) {
                entry.fault("treatments", format!("`{}` is recorded by two logs", one.treatment));
            }
        }
        logs.push(log);
    }
    logs
}

fn one(entry: &Section<'_, '_>, number: usize, of: usize, treatments: &[Treatment]) -> Option<AppliedSettings> {
    let name = entry.text("name").unwrap_or_else(|| format!("log {}", number + 1));
    let mut log = harvest::source(entry, "width");
    let names = entry.texts("treatments");
    if names.is_none() && of > 1 && !entry.has("treatments") {
        entry.fault("treatments", "is missing; with several logs each names the treatments that it records");
    }
    let trust = entry.parsed("trust", |text| match text {
        "log" => Ok(Trust::Log),
        "strips" => Ok(Trust::Strips),
        other => Err(format!("expected `log` or `strips`, found `{other}`")),
    });
    let offset_m = entry.given::<Length>("offset", -5.0, 5.0);
    let line_volume_l = entry.given::<Volume>("line_volume", 0.01, 2000.0);
    let mut settings = AppliedSettings {
        name,
        kind: None,
        rate_unit: None,
        target: None,
        sections: None,
        sections_on: Vec::new(),
        section_count: entry.integer("section_count", 2, 256).map(|count| count as u32),
        product: entry.texts("product").unwrap_or_default(),
        treatments: Vec::new(),
        check_per_ha: 0.0,
        tolerance_pct: entry.quantity_or::<Percent>("tolerance", 10.0, 1.0, 50.0),
        long_stop_s: entry.quantity_or::<Duration>("long_stop", 600.0, 30.0, 1e6),
        line_volume_l,
        flush_length_m: entry.quantity_or::<Length>("flush_length", 100.0, 0.0, 5000.0),
        offset_m,
        trust,
        randomized: entry.boolean("randomized").unwrap_or(false),
        log: log.clone(),
    };
    log.by_standard = !entry.has("columns") && log.paths.iter().all(|path| harvest::may_be_task_data(path));
    let columns = entry.section("columns");
    if !log.by_standard {
        entry.required("columns", columns.as_ref(), "a table [applied.columns]");
    }
    entry.finish_known();
    if log.by_standard {
        // the kind of the rates follows from the files; until then the names alone are known
        settings.treatments =
            names.iter().flatten().map(|name| TestedRate { treatment: name.clone(), per_ha: f64::NAN }).collect();
        return Some(AppliedSettings { log, ..settings });
    }
    let columns = columns?;
    log.position = harvest::position(&columns);
    log.time = columns.required("time", harvest::time(&columns), "a column of times: stops and passes are found by it");
    log.readings.swath_m = harvest::measured(&columns, "width", Units::of::<Length>());
    let rate = rate_column(&columns, "rate");
    let target = rate_column(&columns, "target");
    let label = |key: &str| columns.column(key).map(|name| Column { name });
    log.header = label("state");
    log.labels.load = label("product");
    settings.sections = label("sections");
    settings.sections_on =
        columns.texts("sections_on").unwrap_or_default().into_iter().map(|name| Column { name }).collect();
    columns.required("rate", rate.as_ref(), "a column of rates");
    columns.finish_known();
    if log.readings.swath_m.is_none() && log.swath_m.is_none() && !entry.has("width") {
        entry.fault("width", "is missing; give `width = \"40 ft\"` here or a width column");
    }
    if !settings.sections_on.is_empty() && settings.section_count.is_none() {
        entry.fault("section_count", "is missing; `sections_on` gives how many are on, of how many");
    }
    if log.labels.load.is_some() == settings.product.is_empty() {
        entry.fault("product", "goes with a column `product`; give both or none");
    }
    let (rate, unit) = rate?;
    let target = target.and_then(|(column, its)| {
        if its.kind != unit.kind {
            columns
                .fault("target", format!("is in {}, but the rate in {}; expected one kind", its.symbol, unit.symbol));
        }
        (its.kind == unit.kind).then_some(column)
    });
    if settings.line_volume_l.is_some() && unit.kind != RateKind::Volume {
        entry.fault("line_volume", "goes with rates by volume");
    }
    match tested(names.as_deref(), unit.kind, treatments) {
        Ok((tested, check_per_ha)) => (settings.treatments, settings.check_per_ha) = (tested, check_per_ha),
        Err(fault) => entry.fault("treatments", fault),
    }
    log.grain = GrainChannel::Mass(rate);
    Some(AppliedSettings { log, kind: Some(unit.kind), rate_unit: Some(unit), target, ..settings })
}

fn rate_column(columns: &Section<'_, '_>, key: &str) -> Option<(MeasuredColumn, RateUnit)> {
    let symbols = RateUnit::symbols();
    let (name, unit, known) = harvest::column_and_unit(columns, key, "rate of application", &symbols, RateUnit::parse)?;
    Some((MeasuredColumn { name, factor: known.per_ha, unit }, known))
}
