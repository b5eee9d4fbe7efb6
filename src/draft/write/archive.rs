//! archive.toml: what all site-years share, and what is still to be answered.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::applied::{is_check, rate_text};
use super::{ARCHIVE_SCHEMA, FILES, Writer, quoted};
use crate::draft::columns::SURE;
use crate::draft::layers::{SoilLayer, Wetness, wetness};
use crate::draft::rates;
use crate::draft::sight::{Grid, Kind};
use crate::draft::stations::StationTable;
use crate::ingest::LEAST_YEARS;
use crate::quantity::ApplicationRate;

/// The key of the check that only a log tells.
const CHECK: &str = "check";

/// The key of a treatment that only its rate tells.
fn key_of(rate: (f64, &str)) -> String {
    let plain: String =
        rate_text(rate).chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' }).collect();
    format!("rate_{plain}")
}

impl Writer<'_> {
    fn answers(&self) -> String {
        let mut out = String::new();
        for question in self.questions.all() {
            let list: Vec<String> =
                question.answers.iter().map(|(answer, p)| format!("{} ({:.0} %)", quoted(answer), 100.0 * p)).collect();
            let _ = writeln!(out, "{} = \"?\"  # {} {}", question.key, question.asks, list.join(" or "));
        }
        out
    }

    fn crop_table(&mut self, crop: &str) -> String {
        self.report.to_fill_in.push(format!("crops.{crop}.price"));
        format!("\n[crops.{crop}]\nprice = \"?\"  # such as \"4.20 USD/bu\" or \"190 EUR/t\"\n")
    }

    fn treatment_table(&mut self, treatment: &str, label: &str, is_check: bool) -> String {
        let key = if treatment.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_' || byte == b'-')
            && !treatment.is_empty()
        {
            treatment.to_owned()
        } else {
            quoted(treatment)
        };
        let mut out = format!("\n[treatments.{key}]\nlabel = {}\n", quoted(label));
        let of_label = self.tested.of_label.get(treatment).copied();
        let of_log = self.tested.rates.iter().copied().find(|&rate| key_of(rate) == treatment);
        match of_label.or(of_log).filter(|(rate, _)| *rate > 0.0) {
            Some(rate) if rate.1.is_empty() => {
                self.report.to_fill_in.push(format!("treatments.{key}.rate"));
                let _ = writeln!(out, "rate = \"?\"  # the log gives {}, and no unit", rate_text(rate));
            }
            Some(rate) => {
                let _ = writeln!(out, "rate = {}", quoted(&rate_text(rate)));
            }
            None => {}
        }
        if is_check {
            out.push_str("check = true\n");
        } else {
            self.report.to_fill_in.push(format!("treatments.{key}.cost"));
            out.push_str("cost = \"?\"  # product and its application, such as \"20 USD/ac\" or \"45 EUR/ha\"\n");
        }
        out
    }

    /// The key of the check, where exactly one label says so, or only a log was run without.
    fn check(&mut self) -> Option<String> {
        let checks: Vec<String> =
            self.treatments.iter().filter(|label| is_check(label, &self.tested)).cloned().collect();
        match checks.as_slice() {
            [check] => return Some(check.clone()),
            [] if self.tested.runs_without => return Some(CHECK.to_owned()),
            [] if self.treatments.is_empty() && self.tested.rates.is_empty() => return None,
            _ => {}
        }
        self.report.to_fill_in.push("treatments: which of them is the untreated check (`check = true`)".to_owned());
        None
    }

    /// The rates of logs without drawn strips that neither a label nor a treatment of the archive has.
    fn rates_alone(&self, known: &[(f64, &str)]) -> Vec<(f64, &'static str)> {
        let of_labels = self.tested.of_label.values().copied();
        let is_known = |&rate: &(f64, &'static str)| {
            of_labels.clone().chain(known.iter().copied()).any(|other| rates::is_same(rate, other))
        };
        self.tested.rates.iter().copied().filter(|rate| !is_known(rate)).collect()
    }

    pub(super) fn archive_toml(&mut self, name: &str) -> String {
        let mut out = format!("#:schema {ARCHIVE_SCHEMA}\n");
        out.push_str(
            "# Drafted from the files; draft.md says what each guess rests on. A \"?\" is still to be answered.\n",
        );
        let _ = writeln!(out, "name = {}", quoted(name));
        let us = self.found.groups.iter().flat_map(|group| &group.columns.lines);
        let customary = us.filter(|line| matches!(line.unit, "ft" | "in" | "mph" | "lb/s" | "bu/ac" | "lb/ac")).count();
        let _ = writeln!(out, "report_units = \"{}\"", if customary > 0 { "us" } else { "metric" });
        let wetness = self.wetness();
        let answers = self.answers();
        if !answers.is_empty() {
            let _ = write!(out, "\n[answers]\n{answers}");
        }
        let components = self.found.seen.iter().position(|seen| matches!(seen.kind, Kind::Components));
        let usable = |layer: &&SoilLayer| !layer.by_unit || components.is_some();
        if let Some(soils) = self.found.layers.soils.iter().filter(usable).max_by_key(|layer| layer.polygons) {
            let (file, class, tiled) = (soils.file, soils.class.clone(), soils.tiled.clone());
            let by_unit = soils.by_unit;
            let path = self.path_of(file);
            let _ = writeln!(out, "\n[soil]\npath = {}", quoted(&path));
            if let (true, Some(components)) = (by_unit, components) {
                let table = self.path_of(components);
                let _ = writeln!(out, "components = {}", quoted(&table));
            } else {
                let _ = writeln!(out, "drainage = {}", quoted(&class));
            }
            if let Some(tiled) = tiled {
                let _ = writeln!(out, "tiled = {}", quoted(&tiled));
            }
            for other in self.found.layers.soils.iter().filter(|layer| layer.file != file) {
                let name = self.found.seen[other.file].name.clone();
                self.notes.push(format!("{name} holds soils, too; the archive takes one soil map"));
            }
        }
        out.push_str(&wetness);
        for crop in self.crops.clone() {
            out.push_str(&self.crop_table(&crop));
        }
        let check = self.check();
        if let Some(check) = check.as_ref().filter(|check| !self.treatments.contains(*check)) {
            out.push_str(&self.treatment_table(check, "untreated check", true));
        }
        for treatment in self.treatments.clone() {
            out.push_str(&self.treatment_table(&treatment, &treatment, check.as_ref() == Some(&treatment)));
        }
        for rate in self.rates_alone(&[]) {
            out.push_str(&self.treatment_table(&key_of(rate), &rate_text(rate), false));
        }
        out.push_str(&self.covariates(""));
        out
    }

    fn wetness(&mut self) -> String {
        let grids: Vec<(usize, &str, &Grid)> = self
            .found
            .seen
            .iter()
            .enumerate()
            .filter_map(
                |(at, seen)| {
                    if let Kind::Grid(grid) = &seen.kind { Some((at, seen.name.as_str(), grid)) } else { None }
                },
            )
            .collect();
        let Some(found) = wetness(&grids) else { return self.stations() };
        let seasons: BTreeSet<i32> = self.found.all_sites().iter().filter_map(|site| site.season).collect();
        let missing: Vec<i32> = seasons.difference(&found.seasons).copied().collect();
        if !missing.is_empty() {
            self.notes.push(format!(
                "grids of precipitation were found, but none for {missing:?}; [wetness] was left out, since `run` needs them for each season"
            ));
            return self.stations();
        }
        let Wetness { total, normal, months, unit, probability, files, .. } = found;
        let of = |pattern: &str| match &self.inside {
            Some(folder) if folder.is_empty() => pattern.to_owned(),
            Some(folder) => format!("{folder}/{pattern}"),
            None => format!("{FILES}/{pattern}"),
        };
        let (total, normal) = (of(&total), of(&normal));
        self.used.extend(files);
        let unit = self.precipitation_unit(unit, probability);
        format!(
            "\n[wetness]\nmonths = {months:?}\ntotal = {}\nnormal = {}\nunit = {}\n",
            quoted(&total),
            quoted(&normal),
            quoted(&unit)
        )
    }

    fn precipitation_unit(&mut self, unit: &str, probability: f64) -> String {
        if probability >= SURE {
            return unit.to_owned();
        }
        let other = if unit == "mm" { "in" } else { "mm" };
        self.questions.ask(
            "precipitation_unit",
            "In which unit is the precipitation?",
            vec![(unit.to_owned(), probability), (other.to_owned(), 1.0 - probability)],
            "what the grids or tables come with",
        )
    }

    /// `[wetness]` by tables of weather stations.
    fn stations(&mut self) -> String {
        let tables: Vec<(usize, &StationTable)> = self
            .found
            .seen
            .iter()
            .enumerate()
            .filter_map(|(at, seen)| if let Kind::Stations(table) = &seen.kind { Some((at, table)) } else { None })
            .collect();
        let seasons: BTreeSet<i32> = self.found.all_sites().iter().filter_map(|site| site.season).collect();
        let telling: Vec<(usize, &StationTable)> =
            tables.iter().copied().filter(|(_, table)| table.tells(&seasons)).collect();
        let Some(&(first, table)) = telling.first() else {
            if !tables.is_empty() {
                self.notes.push(format!(
                    "precipitation of weather stations was found, but no station covers a month of {seasons:?} and {LEAST_YEARS} years of it; [wetness] was left out"
                ));
            }
            return String::new();
        };
        // the settings take one file or a glob: all tables of a folder that holds no other of its kind
        let name = self.found.seen[first].name.clone();
        let split = |name: &str| {
            let (folder, file) = name.rsplit_once('/').unwrap_or(("", name));
            (folder.to_owned(), file.split_once('.').map_or_else(String::new, |(_, end)| end.to_owned()))
        };
        let alike: Vec<usize> =
            (0..self.found.seen.len()).filter(|&at| split(&self.found.seen[at].name) == split(&name)).collect();
        let is_whole = alike.iter().all(|at| {
            telling.iter().any(|(own, other)| own == at && other.settings == table.settings && other.unit == table.unit)
        });
        let path = self.path_of(first);
        let path = if alike.len() > 1 && is_whole {
            self.used.extend(&alike);
            let (folder, end) = split(&path);
            format!("{folder}/*.{end}").trim_start_matches('/').to_owned()
        } else {
            path
        };
        let of = table.settings.clone();
        let unit = self.precipitation_unit(table.unit, table.probability);
        self.report.to_fill_in.push("wetness.months".to_owned());
        let mut out = format!(
            "\n[wetness]\nmonths = []  # to fill in: those whose precipitation counts, such as [5]\nstations = {}\nunit = {}\n",
            quoted(&path),
            quoted(&unit)
        );
        let station = of.station.filter(|_| of.named);
        let columns = [("date", Some(of.date)), ("precipitation", Some(of.precipitation)), ("station", station)];
        for (key, column) in
            columns.into_iter().chain([("longitude", Some(of.longitude)), ("latitude", Some(of.latitude))])
        {
            if let Some(column) = column.filter(|column| column != key) {
                let _ = writeln!(out, "{key} = {}", quoted(&column));
            }
        }
        out
    }

    /// archive.toml with what is new: answers below their heading, tables at the end.
    pub(super) fn added_to(&mut self, old: &str, table: &toml::Table) -> String {
        let of = |section: &str| table.get(section).and_then(toml::Value::as_table).cloned().unwrap_or_default();
        let (treatments, crops) = (of("treatments"), of("crops"));
        let wetness = if table.contains_key("wetness") { String::new() } else { self.wetness() };
        let mut out = String::new();
        let answers = self.answers();
        let mut put = answers.is_empty();
        for line in old.lines() {
            out.push_str(line);
            out.push('\n');
            if line.trim() == "[answers]" && !put {
                out.push_str(&answers);
                put = true;
            }
        }
        if !put {
            let _ = write!(out, "\n[answers]\n{answers}");
        }
        out.push_str(&wetness);
        for crop in self.crops.clone().into_iter().filter(|crop| !crops.contains_key(crop)) {
            out.push_str(&self.crop_table(&crop));
        }
        for treatment in self.treatments.clone().into_iter().filter(|treatment| !treatments.contains_key(treatment)) {
            out.push_str(&self.treatment_table(&treatment, &treatment, false));
        }
        let rates = treatments.values().filter_map(|one| ApplicationRate::parse(one.get("rate")?.as_str()?).ok());
        let known: Vec<(f64, &str)> = rates.map(|rate| (rate.per_ha / rate.unit.per_ha, rate.unit.symbol)).collect();
        let has_check = treatments.values().any(|one| one.get("check").and_then(toml::Value::as_bool) == Some(true));
        if self.tested.runs_without && !has_check && !treatments.contains_key(CHECK) {
            out.push_str(&self.treatment_table(CHECK, "untreated check", true));
        }
        for rate in self.rates_alone(&known).into_iter().filter(|rate| !treatments.contains_key(&key_of(*rate))) {
            out.push_str(&self.treatment_table(&key_of(rate), &rate_text(rate), false));
        }
        out.push_str(&self.covariates(old));
        out
    }
}
