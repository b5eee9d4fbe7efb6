//! field.toml of a site-year.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::{FIELD_SCHEMA, Writer, quoted};
use crate::batch::slug;
use crate::consistency::Channel;
use crate::draft::Group;
use crate::draft::columns::{Columns, Line, Other, SURE};
use crate::draft::layers::StripLayer;
use crate::draft::sight::{Kind, Place};
use crate::draft::sites::{Part, Site, shared, year_in};
use crate::ingest;

impl Writer<'_> {
    /// A site-year: its folder, its field.toml, and the entries alone.
    pub(super) fn field(&mut self, at: usize) -> (String, String, String) {
        let site = &self.found.sites[at];
        let season = site.season.map_or_else(|| "season".to_owned(), |season| season.to_string());
        let place = format!("{season}/{}/{}", slug(&site.farm), slug(&site.field));
        let mut out = format!("#:schema ../../../{FIELD_SCHEMA}\n");
        let _ = writeln!(out, "farm = {}\nfield = {}", quoted(&site.farm), quoted(&site.field));
        match site.season {
            Some(season) => {
                let _ = writeln!(out, "season = {season}");
            }
            None => {
                out.push_str("season = \"?\"  # the year of harvest: the files give none\n");
                self.report.to_fill_in.push(format!("{place}/field.toml: season"));
            }
        }
        let crop = match site.crop {
            Some(crop) => {
                self.crops.insert(crop.to_owned());
                crop.to_owned()
            }
            None => self.ask_crop(site),
        };
        let _ = writeln!(out, "crop = {}", quoted(&crop));
        self.boundary(&mut out, site, &place);
        self.strips(&mut out, site, &place);
        let mut entries = self.entries(site, &place);
        out.push_str(&entries);
        self.tickets(&mut out, site, &place);
        // a field.toml that stands already may have such entries
        match std::fs::read_to_string(self.archive.join(&place).join("field.toml")) {
            Ok(old) => entries += &self.more_of(&old, at, &place),
            Err(_) => out += &(self.applied(at, &place) + &self.observed(at, &place)),
        }
        (place, out, entries)
    }

    /// Asks for the crop of the site-years that no file tells, those alike in one question.
    fn ask_crop(&mut self, site: &Site) -> String {
        let best_of = |at: usize| self.found.crops[at].first().map(|one| one.0);
        let own = (0..self.found.sites.len()).find(|&at| std::ptr::eq(&raw const self.found.sites[at], site));
        let best = own.and_then(best_of).unwrap_or("corn");
        let alike: Vec<usize> = (0..self.found.sites.len()).filter(|&at| best_of(at) == Some(best)).collect();
        let names: Vec<String> = alike
            .iter()
            .map(|&at| &self.found.sites[at])
            .map(|site| format!("{} {}", site.field, site.season.map_or_else(String::new, |season| season.to_string())))
            .collect();
        let more = if names.len() > 6 { format!(" and {} more", names.len() - 6) } else { String::new() };
        let asks = format!(
            "Which crop was harvested in {}{more}?",
            names.iter().take(6).map(|name| name.trim()).collect::<Vec<_>>().join(", ")
        );
        let first = alike.first().map(|&at| self.found.crops[at].clone()).unwrap_or_default();
        self.crops.insert(best.to_owned());
        let answers = first.iter().filter(|(_, p)| *p >= 0.02).map(|(crop, p)| ((*crop).to_owned(), *p)).collect();
        self.questions.ask(
            "crop",
            &asks,
            answers,
            "a column or a folder that names the crop; the grower; another crop than these needs its own table [crops.…]",
        )
    }

    fn boundary(&mut self, out: &mut String, site: &Site, place: &str) {
        let Some(outline) = site.outline.map(|at| &self.found.layers.outlines[at]) else { return };
        let (file, alone, field) = (outline.file, outline.alone, outline.field.clone());
        let path = self.path_from(place, file);
        if alone {
            let _ = writeln!(out, "\n[boundary]\npath = {}", quoted(&path));
        } else if let (Some(name), Kind::Polygons(layer)) = (field, &self.found.seen[file].kind) {
            let holds = |column: &ingest::TextColumn| column.iter().flatten().any(|text| text == name);
            if let Some((attribute, _)) = layer.attributes.iter().find(|(_, column)| holds(column)) {
                let filter = format!("{{ column = {}, is = {} }}", quoted(attribute), quoted(&name));
                let _ = writeln!(out, "\n[boundary]\npath = {}\nwhere = {filter}", quoted(&path));
            }
        }
        if let Kind::Polygons(layer) = &self.found.seen[file].kind
            && !layer.has_crs
        {
            out.push_str("crs = \"EPSG:4326\"\n");
        }
    }

    /// The layer of strips that lies on the field, nearest in the folder and of its season.
    pub(super) fn strips_of(&self, site: &Site) -> Option<&StripLayer> {
        let extents: Vec<[f64; 4]> = site.parts.iter().map(|part| part.extent).collect();
        let inside = |(x, y): (f64, f64)| extents.iter().any(|[w, s, e, n]| x >= *w && x <= *e && y >= *s && y <= *n);
        let path = &self.found.seen[site.parts[0].file].name;
        let affinity = |layer: &StripLayer| {
            let own = &self.found.seen[layer.file].name;
            let shared = shared(path, own);
            let label = layer.field.as_ref().is_some_and(|field| *field == site.field);
            let year = year_in(own).zip(site.season).map_or(0, |(year, season)| if year == season { 3 } else { -10 });
            i32::try_from(shared).unwrap_or(0) + year + if label { 2 } else { 0 }
        };
        let mut fitting: Vec<(i32, &StripLayer)> = self
            .found
            .layers
            .strips
            .iter()
            .filter(|layer| layer.centres.iter().filter(|centre| inside(**centre)).count() >= 2)
            .map(|layer| (affinity(layer), layer))
            .filter(|(affinity, _)| *affinity > -5)
            .collect();
        fitting.sort_by(|one, other| other.0.cmp(&one.0).then(one.1.file.cmp(&other.1.file)));
        fitting.first().map(|one| one.1)
    }

    fn strips(&mut self, out: &mut String, site: &Site, place: &str) {
        let Some(layer) = self.strips_of(site) else { return };
        let (file, treatment, block, strip) =
            (layer.file, layer.treatment.clone(), layer.block.clone(), layer.strip.clone());
        let labels = layer.labels.clone();
        self.treatments.extend(labels);
        let path = self.path_from(place, file);
        let _ = writeln!(out, "\n[strips]\npath = {}\ntreatment = {}", quoted(&path), quoted(&treatment));
        for (key, column) in [("block", block), ("strip", strip)] {
            if let Some(column) = column {
                let _ = writeln!(out, "{key} = {}", quoted(&column));
            }
        }
        if let Kind::Polygons(layer) = &self.found.seen[file].kind
            && !layer.has_crs
        {
            out.push_str("crs = \"EPSG:4326\"\n");
        }
        out.push_str(
            "# randomized = true   # where the order was drawn at random within each block: the data do not say\n",
        );
    }

    /// How well tickets fit a site-year: the share of them that begin while it was harvested, then the folders.
    fn ticket_fit(&self, site: &Site, file: usize) -> Option<(u32, usize)> {
        let Kind::Tickets(table) = &self.found.seen[file].kind else { return None };
        let (first, last) = site.time_s()?;
        let machines = site.machines();
        let texts = |column: &str| {
            table.texts.get(column).map_or_else(Vec::new, |column| column.iter().flatten().collect::<Vec<_>>())
        };
        let times: Vec<f64> = texts("from")
            .iter()
            .filter_map(|text| chrono::DateTime::parse_from_rfc3339(text).ok())
            .map(|time| time.timestamp() as f64)
            .collect();
        if !machines.is_empty() && texts("machine").iter().any(|name| !machines.contains(name)) {
            return None;
        }
        let own = &self.found.seen[file].name;
        let shared = shared(&self.found.seen[site.parts[0].file].name, own);
        if times.is_empty() {
            // without times only its own folder tells whose they are
            let beside = own
                .rsplit_once('/')
                .is_some_and(|(folder, _)| self.found.seen[site.parts[0].file].name.starts_with(folder));
            return beside.then_some((0, shared));
        }
        let within = times.iter().filter(|time| (first - 600.0..=last + 600.0).contains(*time)).count();
        (2 * within > times.len()).then(|| ((100 * within / times.len()) as u32, shared))
    }

    fn tickets(&mut self, out: &mut String, site: &Site, place: &str) {
        let identity = |site: &Site| (site.season, site.farm.clone(), site.field.clone());
        let best = (0..self.found.seen.len()).find(|&file| {
            let owner = self
                .found
                .sites
                .iter()
                .filter_map(|other| Some((self.ticket_fit(other, file)?, other)))
                .max_by_key(|(fit, _)| *fit);
            owner.is_some_and(|(_, owner)| identity(owner) == identity(site))
        });
        if let Some(file) = best {
            let path = self.path_from(place, file);
            let _ = writeln!(out, "\n[tickets]\npath = {}", quoted(&path));
        }
    }

    fn entries(&mut self, site: &Site, place: &str) -> String {
        let group_of =
            |file: usize| self.found.groups.iter().position(|group| group.files.contains(&file)).unwrap_or(0);
        let mut entries: BTreeMap<(usize, String), Vec<usize>> = BTreeMap::new();
        for part in &site.parts {
            let filter = self.filter(site, part, group_of(part.file));
            entries.entry((group_of(part.file), filter)).or_default().push(part.file);
        }
        let mut out = String::new();
        for ((at, filter), mut files) in entries {
            files.sort_unstable();
            files.dedup();
            let group = &self.found.groups[at];
            let paths: Vec<String> = files.iter().map(|&file| quoted(&self.path_from(place, file))).collect();
            let path = if paths.len() == 1 { paths[0].clone() } else { format!("[{}]", paths.join(", ")) };
            let _ = writeln!(out, "\n[[harvest]]\npath = {path}");
            out.push_str(&filter);
            self.entry(&mut out, group, files[0]);
        }
        out
    }

    /// Which rows of a file are the site-year's.
    fn filter(&self, site: &Site, part: &Part, group: usize) -> String {
        let mut keys: Vec<String> = Vec::new();
        let columns = &self.found.groups[group].columns;
        let label = columns.labels.get(&Channel::Field);
        let by_label = part.split.by_label && label.is_some() && part.field.is_some();
        if let (true, Some(column), Some(field)) = (by_label, label, &part.field) {
            keys.push(format!("column = {}, is = {}", quoted(column), quoted(field)));
        }
        if part.split.by_place || (part.split.by_label && !by_label) {
            let has_boundary = site.outline.is_some_and(|at| {
                let outline = &self.found.layers.outlines[at];
                outline.alone || outline.field.is_some()
            });
            if has_boundary {
                keys.push("within = \"boundary\"".to_owned());
            } else {
                // some twenty metres about the records
                let [w, s, e, n] = part.extent;
                let margin = 2e-4;
                keys.push(format!(
                    "within = [{:.4}, {:.4}, {:.4}, {:.4}]",
                    w - margin,
                    s - margin,
                    e + margin,
                    n + margin
                ));
            }
        }
        if part.split.by_season
            && let Some((first, last)) = part.time_s
        {
            let day = |seconds: f64| {
                chrono::DateTime::from_timestamp(seconds as i64, 0)
                    .map_or_else(String::new, |time| time.format("%Y-%m-%d").to_string())
            };
            keys.push(format!("from = {}, to = {}", day(first - 43_200.0), day(last + 43_200.0)));
        }
        if keys.is_empty() { String::new() } else { format!("where = {{ {} }}\n", keys.join(", ")) }
    }

    fn entry(&mut self, out: &mut String, group: &Group, file: usize) {
        self.reference_system(out, file);
        if let Some(spacing_m) = group.columns.spacing_m {
            let width = self.questions.ask(
                "width",
                "How wide is the header where no column gives it?",
                vec![(format!("{spacing_m:.1} m"), 0.8)],
                &format!("the machine's sheet; its passes lie {spacing_m:.2} m apart"),
            );
            let _ = writeln!(out, "swath = {}", quoted(&width));
        }
        out.push_str("[harvest.columns]\n");
        self.time_and_place(out, file);
        for line in &group.columns.lines {
            self.line(out, line, &group.columns);
        }
    }

    /// The reference system of a log that carries none.
    pub(super) fn reference_system(&mut self, out: &mut String, file: usize) {
        let Some(log) = self.log(file) else { return };
        let (place, has_crs) = (log.place.clone(), log.has_crs);
        if !has_crs {
            let crs = match &place {
                Place::Projected(_, _, Some(epsg)) => format!("EPSG:{epsg}"),
                Place::Projected(_, _, None) => self.questions.ask(
                    "crs",
                    "In which UTM zone are easting and northing?",
                    vec![("EPSG:32615".to_owned(), 0.1)],
                    "where the farm lies: EPSG:326 and the zone's number in the north, EPSG:327 in the south",
                ),
                _ => "EPSG:4326".to_owned(),
            };
            let _ = writeln!(out, "crs = {}", quoted(&crs));
        }
    }

    /// The columns of times and places of a log.
    pub(super) fn time_and_place(&mut self, out: &mut String, file: usize) {
        let Some(log) = self.log(file) else { return };
        let place = log.place.clone();
        if let Some(time) = log.times.first().cloned() {
            let format = if time.probability < SURE {
                let other = time.other_format.clone().unwrap_or_default();
                self.questions.ask(
                    "date_format",
                    "Which comes first in a date, day or month?",
                    vec![(time.format.clone(), time.probability), (other, 1.0 - time.probability)],
                    "a date whose day is above 12; the day of harvest",
                )
            } else {
                time.format.clone()
            };
            let zone = time.local.map_or_else(String::new, |(probability, hours)| {
                let offset = format!("{hours:+03}:00");
                let sure = (1.0 - probability) >= SURE;
                let zone = if sure {
                    "UTC".to_owned()
                } else {
                    self.questions.ask(
                        "zone",
                        "Which clock do the times without an offset show?",
                        vec![(offset, probability), ("UTC".to_owned(), 1.0 - probability)],
                        "the monitor's settings; at which hour the harvest began; the times of tickets",
                    )
                };
                format!(", zone = {}", quoted(&zone))
            });
            let column = match &time.clock {
                Some(clock) => format!("date = {}, clock = {}", quoted(&time.column), quoted(clock)),
                None => format!("column = {}", quoted(&time.column)),
            };
            let _ = writeln!(out, "time = {{ {column}, format = {}{zone} }}", quoted(&format));
        }
        if let Place::Columns(lon, lat, probability) = &place {
            let (mut one, mut other) = (lon.clone(), lat.clone());
            if *probability < SURE {
                let answers = vec![(lon.clone(), *probability), (lat.clone(), 1.0 - probability)];
                let decides = "a place on a map; another layer of the same fields";
                one = self.questions.ask("longitude", "Which column is the longitude?", answers.clone(), decides);
                let swapped = answers.into_iter().rev().collect();
                other = self.questions.ask("latitude", "Which column is the latitude?", swapped, decides);
            }
            let _ = writeln!(out, "longitude = {}\nlatitude = {}", quoted(&one), quoted(&other));
        }
        if let Place::Projected(east, north, _) = &place {
            let _ = writeln!(out, "easting = {}\nnorthing = {}", quoted(east), quoted(north));
        }
    }

    fn line(&mut self, out: &mut String, line: &Line, columns: &Columns) {
        let (mut unit, mut column) = (line.unit.to_owned(), line.column.clone());
        if line.probability < SURE {
            let of_units: f64 =
                line.others.iter().map(|other| if let Other::Unit(_, p) = other { *p } else { 0.0 }).sum();
            let of_columns: f64 =
                line.others.iter().map(|other| if let Other::Column(_, p) = other { *p } else { 0.0 }).sum();
            let what = line.key.replace('_', " ");
            if of_units >= of_columns && of_units > 0.01 {
                let mut answers = vec![(unit.clone(), line.probability)];
                answers.extend(line.others.iter().filter_map(|other| match other {
                    Other::Unit(unit, probability) => Some(((*unit).to_owned(), *probability)),
                    Other::Column(..) => None,
                }));
                let decides = match line.key {
                    "mass_flow" | "yield" => {
                        "a scale ticket or a known yield of one of the fields; the monitor's settings"
                    }
                    _ => "the monitor's settings",
                };
                unit = self.questions.ask(
                    &format!("{}_unit", line.key),
                    &format!("In which unit does `{column}` give the {what}?"),
                    answers,
                    decides,
                );
            } else if of_columns > 0.01 || line.probability < 0.9 {
                let mut answers = vec![(column.clone(), line.probability)];
                answers.extend(line.others.iter().filter_map(|other| match other {
                    Other::Column(column, probability) => Some((column.clone(), *probability)),
                    Other::Unit(..) => None,
                }));
                column = self.questions.ask(
                    line.key,
                    &format!("Which column is the {what}?"),
                    answers,
                    "the export's manual; with none of them take the line out of field.toml",
                );
            } else {
                column = self.questions.ask(
                    line.key,
                    &format!("Is `{column}` the {what}?"),
                    vec![(column.clone(), line.probability)],
                    "the export's manual; if not, take the line out of field.toml",
                );
            }
        }
        let (column, unit) = (quoted(&column), quoted(&unit));
        let _ = match (line.key, line.unit.is_empty()) {
            ("yield", _) => match columns.yield_is_dry {
                Some((dry, probability)) if probability >= SURE => {
                    let key = if dry { "dry_yield" } else { "wet_yield" };
                    writeln!(out, "{key} = {{ column = {column}, unit = {unit} }}")
                }
                _ => {
                    let at = self.questions.ask(
                        "yield_at",
                        &format!("Is the yield in {column} given at market moisture (dry) or at field moisture (wet)?"),
                        vec![("market".to_owned(), 0.6), ("field".to_owned(), 0.4)],
                        "the export's settings; a scale ticket",
                    );
                    writeln!(out, "yield = {{ column = {column}, unit = {unit}, at = {} }}", quoted(&at))
                }
            },
            (key, true) => writeln!(out, "{key} = {column}"),
            (key, false) => writeln!(out, "{key} = {{ column = {column}, unit = {unit} }}"),
        };
    }
}
