//! archive.toml: what all site-years share, and what is still to be answered.

use std::fmt::Write as _;

use super::{ARCHIVE_SCHEMA, FILES, Writer, quoted};
use crate::consistency::words;
use crate::draft::columns::SURE;
use crate::draft::layers::{SoilLayer, Wetness, wetness};
use crate::draft::sight::{Grid, Kind};

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

    fn treatment_table(&mut self, treatment: &str, is_check: bool) -> String {
        let key = if treatment.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_' || byte == b'-')
            && !treatment.is_empty()
        {
            treatment.to_owned()
        } else {
            quoted(treatment)
        };
        let mut out = format!("\n[treatments.{key}]\nlabel = {}\n", quoted(treatment));
        if is_check {
            out.push_str("check = true\n");
        } else {
            self.report.to_fill_in.push(format!("treatments.{key}.cost"));
            out.push_str("cost = \"?\"  # product and its application, such as \"20 USD/ac\" or \"45 EUR/ha\"\n");
        }
        out
    }

    /// The label of the check, where exactly one says so.
    fn check(&mut self) -> Option<String> {
        let checks: Vec<String> = self.treatments.iter().filter(|label| words::is_check(label)).cloned().collect();
        if self.treatments.is_empty() {
            return None;
        }
        if let [check] = checks.as_slice() {
            return Some(check.clone());
        }
        self.report.to_fill_in.push("treatments: which of them is the untreated check (`check = true`)".to_owned());
        None
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
        for treatment in self.treatments.clone() {
            out.push_str(&self.treatment_table(&treatment, check.as_ref() == Some(&treatment)));
        }
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
        let Some(found) = wetness(&grids) else { return String::new() };
        let missing: Vec<i32> = self
            .found
            .sites
            .iter()
            .filter_map(|site| site.season)
            .filter(|season| !found.seasons.contains(season))
            .collect();
        if !missing.is_empty() {
            self.notes.push(format!(
                "grids of precipitation were found, but none for {missing:?}; [wetness] was left out, since `run` needs them for each season"
            ));
            return String::new();
        }
        let Wetness { total, normal, months, unit, probability, files, .. } = found;
        let of = |pattern: &str| match &self.inside {
            Some(folder) if folder.is_empty() => pattern.to_owned(),
            Some(folder) => format!("{folder}/{pattern}"),
            None => format!("{FILES}/{pattern}"),
        };
        let (total, normal) = (of(&total), of(&normal));
        self.used.extend(files);
        let unit = if probability >= SURE {
            unit.to_owned()
        } else {
            let other = if unit == "mm" { "in" } else { "mm" };
            self.questions.ask(
                "precipitation_unit",
                "In which unit are the grids of precipitation?",
                vec![(unit.to_owned(), probability), (other.to_owned(), 1.0 - probability)],
                "what the grids come with",
            )
        };
        format!(
            "\n[wetness]\nmonths = {months:?}\ntotal = {}\nnormal = {}\nunit = {}\n",
            quoted(&total),
            quoted(&normal),
            quoted(&unit)
        )
    }

    /// archive.toml with what is new: answers below their heading, tables at the end.
    pub(super) fn added_to(&mut self, old: &str, treatments: &[String], crops: &[String]) -> String {
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
        for crop in self.crops.clone().into_iter().filter(|crop| !crops.contains(crop)) {
            out.push_str(&self.crop_table(&crop));
        }
        for treatment in self.treatments.clone().into_iter().filter(|treatment| !treatments.contains(treatment)) {
            out.push_str(&self.treatment_table(&treatment, false));
        }
        out
    }
}
