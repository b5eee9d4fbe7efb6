//! What was put down on a site-year, and what was seen there.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use geo::{Contains, Point};

use super::{Writer, quoted};
use crate::consistency::words;
use crate::draft::columns::{Line, Other, SURE};
use crate::draft::layers::StripLayer;
use crate::draft::measures::Measures;
use crate::draft::rates::{self, Rates};
use crate::draft::sight::{Kind, middle_of};
use crate::draft::sites::{self, Site};

/// A log of more days holds several seasons, s.
const SEASON_S: f64 = 300.0 * 86_400.0;
/// Rows of a log that are looked for in the strips, at most.
const LOOKED_AT: usize = 20_000;
/// A rate below this share of the highest is none.
const NONE: f64 = 0.02;

/// The rates that the logs of an archive were run at.
#[derive(Default)]
pub(super) struct Tested {
    /// Those of logs without drawn strips: number and symbol of the unit, empty where nothing tells it.
    pub(super) rates: Vec<(f64, &'static str)>,
    /// Those of the labels of drawn strips; 0 where they were run without.
    pub(super) of_label: BTreeMap<String, (f64, &'static str)>,
    /// Whether some log without drawn strips ran without the product.
    pub(super) runs_without: bool,
}

impl Tested {
    fn add(&mut self, rates: &Rates) {
        let unit = rates.unit.unwrap_or("");
        for &rate in &rates.levels {
            let is_known = |&(known, of): &(f64, &str)| {
                rates::is_same((rate, unit), (known, of)) || (unit == of && (rate / known).ln().abs() < rates::SAME)
            };
            if !self.rates.iter().any(is_known) {
                self.rates.push((rate, unit));
            }
        }
        self.runs_without |= rates.runs_without;
    }
}

impl Writer<'_> {
    /// `[applied]` of a site-year, by its place among all.
    pub(super) fn applied(&mut self, at: usize, place: &str) -> String {
        let site = self.found.all_sites()[at];
        /// What a site-year takes of the logs of one make: files, first and last time, rows.
        type Own = (Vec<usize>, (f64, f64), usize);
        let mut of_group: BTreeMap<usize, Own> = BTreeMap::new();
        for &(group, file, share) in &self.found.shares[at] {
            let own = of_group.entry(group).or_insert((Vec::new(), share.time_s, 0));
            own.0.push(file);
            own.1 = (own.1.0.min(share.time_s.0), own.1.1.max(share.time_s.1));
            own.2 += share.rows;
        }
        let mut all: Vec<_> = of_group.into_iter().collect();
        let probability =
            |group: usize| self.found.applied[group].rates.rate.as_ref().map_or(1.0, |rate| rate.probability);
        all.sort_by(|one, other| {
            probability(other.0).total_cmp(&probability(one.0)).then(other.1.2.cmp(&one.1.2)).then(one.0.cmp(&other.0))
        });
        let mut out = String::new();
        for (number, (group, (files, span, _))) in all.into_iter().enumerate() {
            let rates = &self.found.applied[group].rates;
            let listed: Vec<&str> = files.iter().map(|&file| self.found.seen[file].name.as_str()).collect();
            if number > 0 {
                self.notes.push(format!(
                    "{place}: {} looks like another pass over the field (rates: {}); several logs take [[applied]], each with the `treatments` that it records",
                    listed.join(", "),
                    rates.levels_text()
                ));
                continue;
            }
            self.notes.push(format!(
                "{place}: {} records what was put down; rates: {}",
                listed.join(", "),
                rates.levels_text()
            ));
            let layer = self.strips_of(site).map(|layer| (layer.file, layer.treatment.clone()));
            match layer {
                Some((file, column)) => self.rates_of_strips((file, &column), &files, rates),
                None => self.tested.add(rates),
            }
            self.applied_entry(&mut out, group, (&files, span), place);
        }
        out
    }

    fn applied_entry(&mut self, out: &mut String, group: usize, (files, span): (&[usize], (f64, f64)), place: &str) {
        let rates = &self.found.applied[group].rates;
        let paths: Vec<String> = files.iter().map(|&file| quoted(&self.path_from(place, file))).collect();
        let path = if paths.len() == 1 { paths[0].clone() } else { format!("[{}]", paths.join(", ")) };
        let _ = writeln!(out, "\n[applied]\npath = {path}");
        let whole = files.iter().filter_map(|&file| self.log(file)?.time_s());
        let (first, last) = whole
            .flatten()
            .filter(|time| time.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high): (f64, f64), time| {
                (low.min(*time), high.max(*time))
            });
        if last - first > SEASON_S {
            let day = |seconds: f64| {
                chrono::DateTime::from_timestamp(seconds as i64, 0)
                    .map_or_else(String::new, |time| time.format("%Y-%m-%d").to_string())
            };
            let _ = writeln!(out, "where = {{ from = {}, to = {} }}", day(span.0 - 43_200.0), day(span.1 + 43_200.0));
        }
        self.reference_system(out, files[0]);
        if let Some(spacing_m) = rates.spacing_m {
            let width = self.questions.ask(
                "planter_width",
                "How wide is the planter where no column gives it?",
                vec![(format!("{spacing_m:.1} m"), 0.8)],
                &format!("the machine's sheet; its passes lie {spacing_m:.2} m apart"),
            );
            let _ = writeln!(out, "width = {}", quoted(&width));
        }
        if let Some((_, products)) = &rates.product {
            let list: Vec<String> = products.iter().map(|product| quoted(product)).collect();
            let _ = writeln!(
                out,
                "# product = [{}]   # those that are meant, with `product` below: rows of others count as run without",
                list.join(", ")
            );
        }
        out.push_str("# randomized = true   # where the order was drawn at random, and no strips are drawn: the data do not say\n");
        let Some(rate) = rates.rate.clone() else { return };
        out.push_str("[applied.columns]\n");
        self.time_and_place(out, files[0]);
        let unit = match rates.unit {
            Some(unit) => unit.to_owned(),
            None => self.questions.ask(
                "rate_unit",
                &format!("In which unit does `{}` give the rate of application?", rate.column),
                rates::possible_units(),
                "the monitor's settings; what was filled in and the area that it lasted for",
            ),
        };
        let column = if rate.probability >= SURE {
            rate.column.clone()
        } else {
            self.questions.ask(
                "rate",
                "Which column is the rate of application?",
                rate_columns(&rate),
                "the export's manual; if the log is not of an application, take [applied] out of field.toml",
            )
        };
        let _ = writeln!(out, "rate = {{ column = {}, unit = {} }}", quoted(&column), quoted(&unit));
        if let Some(target) = &rates.target {
            let _ = writeln!(out, "target = {{ column = {}, unit = {} }}", quoted(target), quoted(&unit));
        }
        if let Some(width) = &rates.width {
            let _ = writeln!(out, "width = {{ column = {}, unit = {} }}", quoted(&width.column), quoted(width.unit));
        }
        if let Some(state) = &rates.state {
            let _ = writeln!(out, "state = {}", quoted(&state.column));
        }
        if let Some(sections) = &rates.sections {
            let _ = writeln!(out, "sections = {}", quoted(sections));
        }
        if let Some((product, _)) = &rates.product {
            let _ = writeln!(out, "# product = {}", quoted(product));
        }
    }

    /// What the log says of each label of drawn strips: the middle of its rates on them, as the nearest level.
    fn rates_of_strips(&mut self, (file, column): (usize, &str), files: &[usize], rates: &Rates) {
        let Kind::Polygons(layer) = &self.found.seen[file].kind else { return };
        let labels = &layer.attributes[column];
        let name = match &rates.rate {
            Some(rate) => rate.column.clone(),
            None => match files.first().and_then(|&file| self.log(file)).and_then(rates::standard_rate) {
                Some(name) => name,
                None => return,
            },
        };
        let mut of_label: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
        for log in files.iter().filter_map(|&file| self.log(file)) {
            let Some(values) = log.numbers.iter().find(|own| own.name == name).map(|own| &own.values) else { continue };
            for row in (0..log.x_m.len()).step_by(log.x_m.len().div_ceil(LOOKED_AT).max(1)) {
                let at = Point::new(log.longitude[row], log.latitude[row]);
                let strip = layer.shapes.iter().position(|ground| ground.contains(&at));
                if let (Some(label), true) = (strip.and_then(|strip| labels.get(strip)), values[row].is_finite()) {
                    of_label.entry(label).or_default().push(values[row]);
                }
            }
        }
        let (unit, highest) = (rates.unit.unwrap_or(""), rates.levels.last().copied().unwrap_or(0.0));
        for (label, values) in of_label {
            let middle = middle_of(&values);
            let level = rates.levels.iter().copied().find(|level| (middle / level).ln().abs() < rates::SAME);
            let rate = if middle < NONE * highest { Some(0.0) } else { level };
            if let Some(rate) = rate {
                self.tested.of_label.entry(label.to_owned()).or_insert((rate, unit));
            }
        }
    }

    /// The tables of what was seen on a site-year, as remarks.
    pub(super) fn observed(&mut self, at: usize, place: &str) -> String {
        let sites = self.found.all_sites();
        let mut out = String::new();
        for found in &self.found.measures {
            if !found.values.iter().any(|value| value.1.is_seen()) || self.owner(found, &sites) != Some(at) {
                continue;
            }
            let file = self.found.seen[found.file].name.clone();
            let path = self.path_from(place, found.file);
            for (column, value) in found.values.iter().filter(|value| value.1.is_seen()) {
                let entry = found.entry(column, value, &file, &path);
                remark(
                    &mut out,
                    &entry,
                    &format!("Probably something seen in the field ({file}). If it is, uncomment:"),
                );
                let what = format!("[[observed]] {} of {file}", Measures::name_of(column, &file));
                self.report.to_uncomment.push((format!("{place}/field.toml"), what));
            }
        }
        out
    }

    /// The site-year that a table of looks belongs to.
    fn owner(&self, found: &Measures, sites: &[&Site]) -> Option<usize> {
        if !found.places.is_empty() {
            return sites::owner_of_places(&found.places, &found.years, self.found.cells, sites);
        }
        let names = |layer: &StripLayer| -> BTreeSet<String> {
            let Kind::Polygons(polygons) = &self.found.seen[layer.file].kind else { return BTreeSet::new() };
            let column = layer.strip.as_ref().and_then(|strip| polygons.attributes.get(strip));
            column.map_or_else(BTreeSet::new, |column| column.iter().flatten().map(str::to_owned).collect())
        };
        let in_season =
            |site: &Site| found.years.is_empty() || site.season.is_none_or(|season| found.years.contains(&season));
        let own = &self.found.seen[found.file].name;
        let fits = |site: &Site| {
            in_season(site) && self.strips_of(site).is_some_and(|layer| found.strips.is_subset(&names(layer)))
        };
        let near = |site: &Site| sites::shared(own, &self.found.seen[site.parts[0].file].name);
        let fitting = (0..sites.len()).filter(|&at| fits(sites[at]));
        fitting.max_by_key(|&at| (near(sites[at]), std::cmp::Reverse(at)))
    }

    /// The layers of the ground that nothing else takes, as remarks for archive.toml; `stands` is what that holds already.
    pub(super) fn covariates(&mut self, stands: &str) -> String {
        let mut all: Vec<Measures> = self.found.measures.clone();
        for (file, seen) in self.found.seen.iter().enumerate() {
            let is_free = match &seen.kind {
                Kind::Grid(grid) => grid.months.is_empty() && !crate::draft::layers::names_a_month(&seen.name),
                Kind::Polygons(_) => {
                    let layers = &self.found.layers;
                    layers.strips.iter().all(|layer| layer.file != file)
                        && layers.soils.iter().all(|layer| layer.file != file)
                }
                _ => false,
            };
            if is_free && !self.used.contains(&file) {
                all.extend(crate::draft::measures::measures(file, &seen.kind));
            }
        }
        let mut out = String::new();
        for found in all {
            let file = self.found.seen[found.file].name.clone();
            for (column, value) in found.values.iter().filter(|value| !value.1.is_seen()) {
                let path = self.path_of(found.file);
                if stands.contains(&quoted(&path)) {
                    continue;
                }
                let entry = found.entry(column, value, &file, &path);
                remark(
                    &mut out,
                    &entry,
                    &format!("Probably a layer of the ground ({file}). If it is useful, uncomment:"),
                );
                let what = format!("[[covariate]] {} of {file}", Measures::name_of(column, &file));
                self.report.to_uncomment.push(("archive.toml".to_owned(), what));
            }
        }
        out
    }

    /// What a field.toml that stands lacks of the logs and tables that came since.
    pub(super) fn more_of(&mut self, old: &str, at: usize, place: &str) -> String {
        let mut out = String::new();
        let has_log = old.parse::<toml::Table>().is_ok_and(|table| table.contains_key("applied"));
        let is_new = self.found.shares[at].iter().any(|(_, file, _)| !self.found.known.contains(file));
        match (is_new, has_log) {
            (true, false) => out += &self.applied(at, place),
            (true, true) => {
                let files = self.found.shares[at].iter().filter(|(_, file, _)| !self.found.known.contains(file));
                let names: Vec<&str> = files.map(|&(_, file, _)| self.found.seen[file].name.as_str()).collect();
                let names = names.join(", ");
                self.notes.push(format!(
                    "{place}: {names} records what was put down, and field.toml names another log; add it there by hand"
                ));
            }
            (false, _) => {}
        }
        let sites = self.found.all_sites();
        let is_there =
            |found: &Measures, path: &str| old.contains(&quoted(path)) || self.owner(found, &sites) != Some(at);
        let found: Vec<&Measures> = self.found.measures.iter().collect();
        let all_there = found.iter().all(|found| {
            let path = self.relative(place, found.file);
            !found.values.iter().any(|value| value.1.is_seen()) || is_there(found, &path)
        });
        if !all_there {
            out += &self.observed(at, place);
        }
        out
    }
}

fn rate_columns(rate: &Line) -> Vec<(String, f64)> {
    let others = rate.others.iter().filter_map(|other| match other {
        Other::Column(column, probability) => Some((column.clone(), *probability)),
        Other::Unit(..) => None,
    });
    std::iter::once((rate.column.clone(), rate.probability)).chain(others).collect()
}

/// An entry as remarks, below a line that says what it is.
fn remark(out: &mut String, entry: &str, says: &str) {
    let _ = writeln!(out, "\n# {}", says.replace(['\n', '\r'], " "));
    for line in entry.lines() {
        let _ = writeln!(out, "# {line}");
    }
}

/// Whether a label says that nothing was applied, by its words or by what a log says.
pub(super) fn is_check(label: &str, tested: &Tested) -> bool {
    words::is_check(label) || tested.of_label.get(label).is_some_and(|(rate, _)| *rate <= 0.0)
}

/// A rate as it is written.
pub(super) fn rate_text((rate, unit): (f64, &str)) -> String {
    format!("{rate} {unit}").trim().to_owned()
}
