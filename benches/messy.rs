//! Harvests as messy as real ones, from files to answers: `cargo bench --bench messy`.
//!
//! Simulated site-years with known truth and the switches of `demo::messy`; prints a table, asserts nothing. `FIELDS` (default 60)
//! site-years, from `SEED` (default 0); `SWITCH` parts of switches' names, with commas: those alone instead of about half of all
//! at random, `none` for no switch; `WITHOUT` parts of names of switches that are left out of the draw. `KEEP` is a folder where archive and results stay; `OUT` a folder of results of another program to judge.
#![expect(clippy::print_stdout, reason = "the table is the purpose")]

use std::collections::BTreeMap;
use std::error::Error;
use std::fs::File;
use std::path::{Path, PathBuf};

use bandlift::batch::{self, NightOptions};
use bandlift::demo::messy::{self, Messy, Switch};
use bandlift::demo::{DRAINAGE_CLASSES, InjectedFault};
use bandlift::geometry::NeighbourGrid;
use polars_io::prelude::{ParquetReader, SerReader};
use rayon::prelude::*;

const KG_HA_PER_BU_AC: f64 = 62.767_664_7;
/// A record this long after the start and before the end of its pass is well inside it, s.
const INSIDE_S: f64 = 30.0;
/// A record is good only if it cut more than this share of its header's width.
const FULL_SHARE: f64 = 0.6;

fn number(name: &str, default: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(default)
}

/// Whether `VERBOSE` asks for what was found in each site-year.
fn is_verbose() -> bool {
    std::env::var_os("VERBOSE").is_some()
}

struct Quiet;
impl batch::Progress for Quiet {
    fn begin(&self, _: usize) {}
    fn done(&self, _: &str, _: &str) {}
    fn end(&self) {}
}

/// Hits among trials.
#[derive(Default, Clone, Copy)]
struct Share(usize, usize);

impl Share {
    fn add(&mut self, hit: bool) {
        self.0 += usize::from(hit);
        self.1 += 1;
    }
}

impl Share {
    fn percent(self) -> f64 {
        100.0 * self.0 as f64 / self.1 as f64
    }
}

impl std::fmt::Display for Share {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.1 == 0 {
            write!(f, "-")
        } else {
            write!(f, "{:.2} % of {}", 100.0 * self.0 as f64 / self.1 as f64, self.1)
        }
    }
}

/// The switches of a site-year, and what was found there.
type Judged = (Vec<Switch>, Found);

#[derive(Default, Clone)]
struct Found {
    estimated: Share,
    class_errors: Vec<f64>,
    field_errors: Vec<f64>,
    class_covered: Share,
    field_covered: Share,
    class_widths: Vec<f64>,
    field_widths: Vec<f64>,
    off: Share,
    record_errors: Vec<f64>,
    good_kept: Share,
    lag_estimated: Share,
    lag_errors: Vec<f64>,
    straddling_used: Share,
    drowned_kept: Share,
    dropped_marked: Share,
    held_marked: Share,
    factor_errors: Vec<f64>,
    removed: BTreeMap<String, usize>,
    /// Of good records, by mark.
    good_removed: BTreeMap<String, usize>,
    records: usize,
}

impl Found {
    fn join(mut self, other: Self) -> Self {
        let add = |one: &mut Share, other: Share| (one.0, one.1) = (one.0 + other.0, one.1 + other.1);
        for (one, other) in [
            (&mut self.estimated, other.estimated),
            (&mut self.class_covered, other.class_covered),
            (&mut self.field_covered, other.field_covered),
            (&mut self.off, other.off),
            (&mut self.good_kept, other.good_kept),
            (&mut self.lag_estimated, other.lag_estimated),
            (&mut self.straddling_used, other.straddling_used),
            (&mut self.drowned_kept, other.drowned_kept),
            (&mut self.dropped_marked, other.dropped_marked),
            (&mut self.held_marked, other.held_marked),
        ] {
            add(one, other);
        }
        for (one, other) in [
            (&mut self.class_errors, other.class_errors),
            (&mut self.field_errors, other.field_errors),
            (&mut self.class_widths, other.class_widths),
            (&mut self.field_widths, other.field_widths),
            (&mut self.record_errors, other.record_errors),
            (&mut self.lag_errors, other.lag_errors),
            (&mut self.factor_errors, other.factor_errors),
        ] {
            one.extend(other);
        }
        for (mark, count) in other.removed {
            *self.removed.entry(mark).or_default() += count;
        }
        for (mark, count) in other.good_removed {
            *self.good_removed.entry(mark).or_default() += count;
        }
        self.records += other.records;
        self
    }
}

fn quantile(values: &[f64], p: f64) -> f64 {
    let mut values: Vec<f64> = values.iter().map(|value| value.abs()).collect();
    values.sort_by(f64::total_cmp);
    values.get(((values.len().max(1) - 1) as f64 * p).round() as usize).copied().unwrap_or(f64::NAN)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

/// The responses against the truth.
fn judge_responses(one: &Messy, folder: &Path, found: &mut Found) -> Result<(), Box<dyn Error>> {
    let mut rows: BTreeMap<String, [Option<f64>; 3]> = BTreeMap::new();
    for row in csv::Reader::from_path(folder.join("response.csv"))?.deserialize::<BTreeMap<String, String>>() {
        let row = row?;
        let of = |key: &str| row.get(key).and_then(|cell| cell.parse::<f64>().ok()).filter(|value| value.is_finite());
        rows.insert(row["drainage_class"].clone(), [of("response"), of("ci_low"), of("ci_high")]);
    }
    let classes = DRAINAGE_CLASSES.iter().enumerate().map(|(at, name)| (Some(at), (*name).to_owned()));
    for (class, name) in classes.chain([(None, "all".to_owned())]) {
        let Some(truth) = one.done.field.response_kg_ha(1, class) else { continue };
        let truth = truth / KG_HA_PER_BU_AC;
        let row = rows.get(&name).copied().unwrap_or_default();
        found.estimated.add(row[0].is_some());
        if let Some(response) = row[0] {
            let errors = if class.is_some() { &mut found.class_errors } else { &mut found.field_errors };
            errors.push(response - truth);
            if is_verbose() && (response - truth).abs() > 8.0 {
                println!("  {} {name}: {response:.1} instead of {truth:.1} ({:?})", one.name, one.switches);
            }
        }
        if let [Some(_), Some(low), Some(high)] = row {
            let (covered, widths) = match class {
                Some(_) => (&mut found.class_covered, &mut found.class_widths),
                None => (&mut found.field_covered, &mut found.field_widths),
            };
            covered.add((low..=high).contains(&truth));
            widths.push(high - low);
        }
    }
    Ok(())
}

fn judge_summary(one: &Messy, folder: &Path, found: &mut Found) -> Result<(), Box<dyn Error>> {
    let summary: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(folder.join("summary.json"))?)?;
    for (at, machine) in one.scenario.machines.iter().enumerate() {
        let lag = &summary["lag_s"][&machine.name];
        let estimated = lag["source"] == "estimated";
        if !one.switches.contains(&Switch::OneDirection) {
            found.lag_estimated.add(estimated);
        }
        if estimated {
            found.lag_errors.push(lag["value"].as_f64().unwrap_or(f64::NAN) - one.lag_s(at));
            let error = found.lag_errors.last().copied().unwrap_or_default();
            if is_verbose() {
                println!("  {} lag {error:+.2} ± {} ({:?})", one.name, lag["std_error"], one.switches);
            }
        } else if is_verbose() {
            let error = lag["value"].as_f64().unwrap_or(f64::NAN) - one.lag_s(at);
            let caution = &summary["cautions"]["lag-assumed"];
            println!("  {} lag assumed {error:+.2} ± {}: {caution} ({:?})", one.name, lag["std_error"], one.switches);
        }
    }
    if let [first, second] = one.scenario.machines.as_slice() {
        let factor = |name: &str| {
            let factor = &summary["machine_factor"][name];
            factor["value"].as_f64().or_else(|| factor.as_f64()).unwrap_or(f64::NAN)
        };
        let truth = (first.gain / second.gain).ln();
        // ours multiplies the masses, the other program's divides them
        let found_by = (factor(&second.name) / factor(&first.name)).ln();
        let error = if std::env::var_os("OUT").is_some() { found_by + truth } else { found_by - truth };
        if error.is_finite() {
            found.factor_errors.push(error);
            if is_verbose() {
                let std_errors = [first, second].map(|one| summary["machine_factor"][&one.name]["std_error"].as_f64());
                println!("  {} factor {error:+.4} ± {std_errors:?} ({:?})", one.name, one.switches);
            }
        }
    }
    Ok(())
}

/// The greatest share of the header of a machine at a place that lies on one strip.
fn one_strip_share(one: &Messy, machine: usize, (x, y): (f64, f64)) -> f64 {
    let placement = &one.scenario.placement;
    let (sine, cosine) = placement.turn_rad.sin_cos();
    let u = (x - placement.east_m) * cosine - (y - placement.north_m) * sine;
    let wide = f64::from(one.scenario.machines[machine].header_rows) * one.scenario.field.row_m;
    let share =
        |strip: &bandlift::demo::StripPlan| ((u + wide / 2.0).min(strip.u.1) - (u - wide / 2.0).max(strip.u.0)) / wide;
    one.scenario.field.strips.iter().map(share).fold(0.0, f64::max)
}

fn judge_records(one: &Messy, folder: &Path, found: &mut Found) -> Result<(), Box<dyn Error>> {
    let table = ParquetReader::new(File::open(folder.join("points.parquet"))?).finish()?;
    let floats = |name: &str| -> Result<Vec<f64>, Box<dyn Error>> {
        let column = table.column(name)?.cast(&polars_core::prelude::DataType::Float64)?;
        Ok(column.f64()?.iter().map(|value| value.unwrap_or(f64::NAN)).collect())
    };
    let texts = |name: &str| -> Result<Vec<Option<String>>, Box<dyn Error>> {
        let column = table.column(name)?.cast(&polars_core::prelude::DataType::String)?;
        Ok(column.str()?.iter().map(|text| text.map(str::to_owned)).collect())
    };
    let bools = |name: &str| -> Result<Vec<bool>, Box<dyn Error>> {
        Ok(table.column(name)?.bool()?.iter().map(|value| value == Some(true)).collect())
    };
    let (x, y, yields, row) = (floats("x_m")?, floats("y_m")?, floats("dry_yield_kg_ha")?, floats("source_row")?);
    let (file, treatment, removed_by) = (texts("source_file")?, texts("treatment")?, texts("removed_by")?);
    let (kept, edge) = (bools("kept")?, bools("edge")?);
    // the other program counts rows from 0
    let first_row = if std::env::var_os("OUT").is_some() { 0.0 } else { 1.0 };
    let truth = &one.done.truth;
    let cut: Vec<usize> = (0..truth.len()).filter(|&at| truth[at].area_m2 > 0.0).collect();
    let place =
        |pick: fn(&bandlift::demo::RecordTruth) -> f64| cut.iter().map(|&at| pick(&truth[at])).collect::<Vec<f64>>();
    let (cut_x, cut_y) = (place(|one| one.x_m), place(|one| one.y_m));
    let grid = NeighbourGrid::new(&cut_x, &cut_y, 5.0);
    let level = one.scenario.field.surface.mean_kg_ha;
    let mut ratios = Vec::new();
    for at in 0..x.len() {
        let Some(name) = &file[at] else { continue };
        let Some((_, rows)) =
            one.files.iter().find(|(known, _)| known.ends_with(name.as_str()) || name.ends_with(known))
        else {
            continue;
        };
        let Some(of_row) = rows.get((row[at] - first_row) as usize) else { continue };
        found.records += 1;
        if let Some(mark) = &removed_by[at] {
            *found.removed.entry(mark.clone()).or_default() += 1;
        }
        if of_row.dropped {
            found.dropped_marked.add(!kept[at]);
        }
        if of_row.held {
            found.held_marked.add(!kept[at]);
        }
        let own = &truth[of_row.at];
        // The ground whose grain this record carries, by the right lag.
        let machine = one.done.records[of_row.at].machine as usize;
        let step = one.scenario.machines[machine].interval_s;
        let lag_rows = ((one.lag_s(machine)) / step).round();
        let source = of_row.at as f64 - lag_rows;
        let same = |other: f64| {
            (other >= 0.0)
                .then(|| truth.get(other as usize))
                .flatten()
                .filter(|_| one.done.records[other as usize].machine as usize == machine)
        };
        if let (Some(ground), Some(before), Some(after)) =
            (same(source), same(source - INSIDE_S / step), same(source + INSIDE_S / step))
        {
            let inside = ground.drive != u32::MAX && before.drive == ground.drive && after.drive == ground.drive;
            let sound = !of_row.dropped
                && !of_row.held
                && own.fault.is_none_or(|fault| fault == InjectedFault::StuckMoisture)
                && ground.fault.is_none_or(|fault| fault == InjectedFault::StuckMoisture);
            let header_m = f64::from(one.scenario.machines[machine].header_rows) * one.scenario.field.row_m;
            let cut_m2 = header_m * one.done.records[source as usize].distance_m;
            let full = ground.area_m2 > FULL_SHARE * cut_m2 && ground.yield_kg_ha > 0.5 * level;
            if inside && sound && full {
                found.good_kept.add(kept[at]);
                if let Some(mark) = &removed_by[at] {
                    *found.good_removed.entry(mark.clone()).or_default() += 1;
                }
            }
            // drowned ground: too little grain, and it is so for the mixing's time
            if inside && sound && ground.yield_kg_ha < 0.3 * level && before.area_m2 > 0.0 {
                found.drowned_kept.add(kept[at]);
            }
        }
        if !kept[at] {
            continue;
        }
        // The nearest ground that was cut, where the program puts the record; the combines stand at one level there.
        let mut nearest = (f64::INFINITY, 0_u32);
        grid.for_each_within(x[at], y[at], 4.0, |found, squared| {
            if squared < nearest.0 {
                nearest = (squared, found);
            }
        });
        if nearest.0.is_finite() {
            let truth = truth[cut[nearest.1 as usize]].yield_kg_ha;
            if truth > 0.3 * level {
                ratios.push(yields[at] / truth);
            }
        }
        if treatment[at].is_some() && !edge[at] {
            found.straddling_used.add(one_strip_share(one, machine, (x[at], y[at])) < 0.85);
        }
    }
    judge_yields(&ratios, found);
    Ok(())
}

/// The yields of kept records over those of their ground, at the usual level.
fn judge_yields(ratios: &[f64], found: &mut Found) {
    let mut sorted = ratios.to_vec();
    sorted.sort_by(f64::total_cmp);
    let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(1.0);
    for ratio in ratios {
        let error = (ratio / usual - 1.0).abs();
        found.off.add(error > 0.25);
        found.record_errors.push(error);
    }
}

fn study(folder: &Path, switches: impl Fn(u64) -> Vec<Switch> + Sync) -> Result<Vec<Judged>, Box<dyn Error>> {
    let (first, count) = (number("SEED", 0), number("FIELDS", 60));
    let archive = folder.join("archive");
    let site_years: Result<Vec<Messy>, _> =
        (first..first + count).into_par_iter().map(|seed| messy::write(&archive, seed, switches(seed))).collect();
    let site_years = site_years?;
    messy::finish(&archive, &site_years)?;
    let out = match std::env::var_os("OUT") {
        Some(out) => PathBuf::from(out),
        None => {
            let out = folder.join("out");
            let begun = std::time::Instant::now();
            let report = batch::run(&archive, &out, &NightOptions::default(), &Quiet)?;
            println!("{} site-years in {:.1} s", report.site_years.len(), begun.elapsed().as_secs_f64());
            for failed in &report.failures {
                println!("  failed: {}: {}", failed.folder, failed.reason);
            }
            out
        }
    };
    let judged = site_years.par_iter().map(|one| {
        let folder = out.join("site_years/2023/messy-hollow").join(&one.name);
        let mut found = Found::default();
        for judged in [
            judge_responses(one, &folder, &mut found),
            judge_summary(one, &folder, &mut found),
            judge_records(one, &folder, &mut found),
        ] {
            if let Err(error) = judged {
                println!("  {}: {error}", one.name);
            }
        }
        if is_verbose() {
            let Found { records, good_removed, .. } = &found;
            println!("  {} of {records} records, good ones lost: {good_removed:?} ({:?})", one.name, one.switches);
        }
        (one.switches.clone(), found)
    });
    Ok(judged.collect())
}

/// What each switch costs among the others that are drawn with it: site-years with it beside those without.
fn print_effects(judged: &[Judged]) {
    println!("\n| switch | cells | class error | field error | off by 25 % | good kept | lags |");
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    for switch in Switch::ALL {
        let side = |is_on: bool| {
            let own = judged.iter().filter(|(on, _)| on.contains(switch) == is_on);
            own.map(|(_, found)| found.clone()).reduce(Found::join).unwrap_or_default()
        };
        let (with, without) = (side(true), side(false));
        if with.records == 0 || without.records == 0 {
            continue;
        }
        let of = |cell: fn(&Found) -> f64| format!("{:.1}, {:.1}", cell(&without), cell(&with));
        println!(
            "| {} | {} | {} | {} | {} | {} | {} |",
            switch.code(),
            of(|one| one.estimated.percent()),
            of(|one| rms(&one.class_errors)),
            of(|one| rms(&one.field_errors)),
            of(|one| one.off.percent()),
            of(|one| one.good_kept.percent()),
            of(|one| one.lag_estimated.percent()),
        );
    }
}

fn print(found: &Found) {
    let rows = [
        ("cells that get an estimate", found.estimated.to_string()),
        (
            "error by class, bu/ac (rms, bias)",
            format!("{:.2} ({:+.2})", rms(&found.class_errors), mean(&found.class_errors)),
        ),
        (
            "error of the field, bu/ac (rms, bias)",
            format!("{:.2} ({:+.2})", rms(&found.field_errors), mean(&found.field_errors)),
        ),
        ("coverage by class, width", format!("{}, {:.1}", found.class_covered, mean(&found.class_widths))),
        ("coverage of the field, width", format!("{}, {:.1}", found.field_covered, mean(&found.field_widths))),
        ("kept records off by more than 25 %", found.off.to_string()),
        ("median error of kept records", format!("{:.2} %", 100.0 * quantile(&found.record_errors, 0.5))),
        ("good records inside a pass that are kept", found.good_kept.to_string()),
        ("identifiable lags that are estimated", found.lag_estimated.to_string()),
        (
            "lag error: median, 95 %, s; share over 1.5 s",
            format!(
                "{:.2}, {:.2}; {:.1} %; bias {:+.2}",
                quantile(&found.lag_errors, 0.5),
                quantile(&found.lag_errors, 0.95),
                100.0 * found.lag_errors.iter().filter(|error| error.abs() > 1.5).count() as f64
                    / found.lag_errors.len() as f64,
                mean(&found.lag_errors)
            ),
        ),
        ("used records with less than 85 % in their strip", found.straddling_used.to_string()),
        ("drowned ground kept", found.drowned_kept.to_string()),
        ("zero drop-outs marked", found.dropped_marked.to_string()),
        ("held flow marked", found.held_marked.to_string()),
        (
            "relative factor, median log error",
            format!("{:.4} of {}", quantile(&found.factor_errors, 0.5), found.factor_errors.len()),
        ),
    ];
    println!("| what | found |\n| --- | --- |");
    for (what, value) in rows {
        println!("| {what} | {value} |");
    }
    let shares = |removed: &BTreeMap<String, usize>, of: usize| {
        let share = |(mark, count): (&String, &usize)| format!("{mark} {:.1} %", 100.0 * *count as f64 / of as f64);
        removed.iter().map(share).collect::<Vec<_>>().join(", ")
    };
    println!("\nremoved: {}", shares(&found.removed, found.records));
    println!("of good records: {}", shares(&found.good_removed, found.good_kept.1));
}

fn main() -> Result<(), Box<dyn Error>> {
    let temporary = tempfile::tempdir()?;
    let folder = std::env::var_os("KEEP").map_or_else(|| temporary.path().to_owned(), PathBuf::from);
    let only = std::env::var("SWITCH").ok();
    let judged = match only.as_deref() {
        None => {
            let without = std::env::var("WITHOUT").unwrap_or_default();
            let left_out: Vec<&str> = without.split(',').filter(|part| !part.is_empty()).collect();
            study(&folder, |seed| {
                let mut on = messy::draw(seed);
                on.retain(|switch| !left_out.iter().any(|part| switch.code().contains(part)));
                on
            })?
        }
        Some("none") => study(&folder, |_| Vec::new())?,
        Some(part) => {
            let named = |switch: &Switch| part.split(',').any(|part| switch.code().contains(part));
            let on: Vec<Switch> = Switch::ALL.iter().copied().filter(named).collect();
            println!("{}", on.iter().map(|switch| switch.code()).collect::<Vec<_>>().join(", "));
            study(&folder, |_| on.clone())?
        }
    };
    print_effects(&judged);
    print(&judged.into_iter().map(|(_, found)| found).reduce(Found::join).unwrap_or_default());
    Ok(())
}
