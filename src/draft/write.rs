//! The drafted files: archive.toml, a field.toml for each site-year, draft.md. Nothing is overwritten.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::ask::{Question, Questions};
use super::columns::{Columns, Line, Other, SURE};
use super::layers::{SoilLayer, StripLayer, Wetness, wetness};
use super::sight::{Kind, Log, Place};
use super::sites::{Part, Site, shared, year_in};
use super::{DraftError, DraftReport, Found, Group};
use crate::batch::slug;
use crate::config::{SettingsFile, schema};
use crate::consistency::Channel;
use crate::consistency::words;
use crate::ingest;

/// Where files are put that lie outside the archive.
const FILES: &str = "files";

/// The archive's name: that of its folder.
pub(super) fn archive_name(folder: &Path) -> String {
    let real = folder.canonicalize().unwrap_or_else(|_| folder.to_path_buf());
    real.file_name().map_or_else(|| "archive".to_owned(), |name| name.to_string_lossy().into_owned())
}

/// Where a file, or a member of a .zip, really lies.
pub(super) fn real(path: &Path) -> Option<PathBuf> {
    let (holder, member) = crate::bundle::on_disk(path);
    let holder = holder.canonicalize().ok()?;
    Some(member.map_or_else(|| holder.clone(), |member| holder.join(member)))
}

/// The logs that the field.tomls of an archive name, and where they were copied from.
pub(super) fn known_files(archive: &Path, folder: &Path) -> BTreeSet<PathBuf> {
    let mut known = BTreeSet::new();
    for found in crate::batch::discover(archive).folders {
        let Ok(text) = std::fs::read_to_string(found.path.join("field.toml")) else { continue };
        let Ok(table) = text.parse::<toml::Table>() else { continue };
        let entries = table.get("harvest").and_then(toml::Value::as_array).cloned().unwrap_or_default();
        for entry in entries {
            let paths: Vec<String> = match entry.get("path") {
                Some(toml::Value::String(path)) => vec![path.clone()],
                Some(toml::Value::Array(paths)) => {
                    paths.iter().filter_map(|path| path.as_str().map(str::to_owned)).collect()
                }
                _ => Vec::new(),
            };
            for path in paths {
                let literal = found.path.join(&path);
                let pattern = format!("{}/{path}", glob::Pattern::escape(&found.path.to_string_lossy()));
                let matches: Vec<PathBuf> = if real(&literal).is_some() {
                    vec![literal]
                } else {
                    glob::glob(&pattern).map(|found| found.filter_map(Result::ok).collect()).unwrap_or_default()
                };
                known.extend(matches.iter().filter_map(|path| real(path)));
            }
        }
    }
    let copies = archive.join(FILES).canonicalize().ok();
    let origins: Vec<PathBuf> = known
        .iter()
        .filter_map(|path| path.strip_prefix(copies.as_ref()?).ok())
        .filter_map(|name| real(&folder.join(name)))
        .collect();
    known.extend(origins);
    known
}

/// Quoted as TOML.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

struct Writer<'f> {
    archive: &'f Path,
    found: &'f Found,
    /// Path of the folder relative to the archive, where it lies in it; absent: its files are copied.
    inside: Option<String>,
    questions: Questions,
    /// Files that the settings name.
    used: BTreeSet<usize>,
    report: DraftReport,
    treatments: BTreeSet<String>,
    crops: BTreeSet<String>,
    notes: Vec<String>,
}

fn lies_in(folder: &Path, archive: &Path) -> Option<String> {
    let folder = folder.canonicalize().ok()?;
    // the archive may not stand yet
    let archive = archive.canonicalize().ok()?;
    let below = folder.strip_prefix(&archive).ok()?;
    Some(below.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect::<Vec<_>>().join("/"))
}

/// Writes all that was found.
pub(super) fn write(folder: &Path, archive: &Path, found: &Found, update: bool) -> Result<DraftReport, DraftError> {
    std::fs::create_dir_all(archive).map_err(|error| fault(archive, &error))?;
    let old =
        if update { std::fs::read_to_string(archive.join("archive.toml")).unwrap_or_default() } else { String::new() };
    let old_table = old.parse::<toml::Table>().unwrap_or_default();
    let keys = |section: &str| -> Vec<String> {
        old_table
            .get(section)
            .and_then(toml::Value::as_table)
            .map(|table| table.keys().cloned().collect())
            .unwrap_or_default()
    };
    let mut writer = Writer {
        archive,
        found,
        inside: lies_in(folder, archive),
        questions: Questions::besides(keys("answers")),
        used: BTreeSet::new(),
        report: DraftReport {
            archive: archive.to_path_buf(),
            left_out: found.left_out.clone(),
            ..DraftReport::default()
        },
        treatments: BTreeSet::new(),
        crops: BTreeSet::new(),
        notes: Vec::new(),
    };
    let mut fields = Vec::new();
    for site in &found.sites {
        fields.push(writer.field(site));
    }
    let toml = if update {
        writer.added_to(&old, &keys("treatments"), &keys("crops"))
    } else {
        writer.archive_toml(&archive_name(folder))
    };
    writer.report.questions = writer.questions.all();
    let text = writer.draft_md(update);
    writer.copy(folder)?;
    for (place, whole, entries) in &fields {
        let path = archive.join(place).join("field.toml");
        if path.exists() {
            append(&path, entries)?;
        } else {
            create(&path, whole)?;
        }
        writer.report.site_years.push(place.clone());
    }
    // editors check the settings by these
    for (name, of) in [(ARCHIVE_SCHEMA, SettingsFile::Archive), (FIELD_SCHEMA, SettingsFile::Field)] {
        let path = archive.join(name);
        if !(path.exists() || update && fields.is_empty()) {
            create(&path, &format!("{:#}\n", schema(of)))?;
        }
    }
    if update {
        if !fields.is_empty() {
            replace(&archive.join("archive.toml"), &toml)?;
            append(&archive.join("draft.md"), &text)?;
        }
    } else {
        create(&archive.join("draft.md"), &text)?;
        create(&archive.join("archive.toml"), &toml)?;
    }
    Ok(writer.report)
}

/// The schemas of the settings, which their first lines name.
pub(super) const ARCHIVE_SCHEMA: &str = "archive.schema.json";
pub(super) const FIELD_SCHEMA: &str = "field.schema.json";

fn fault(path: &Path, error: &dyn std::fmt::Display) -> DraftError {
    DraftError::Write { path: path.display().to_string(), reason: error.to_string() }
}

fn create(path: &Path, text: &str) -> Result<(), DraftError> {
    let made = || -> std::io::Result<()> {
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        std::fs::File::create_new(path)?.write_all(text.as_bytes())
    };
    made().map_err(|error| fault(path, &error))
}

fn append(path: &Path, text: &str) -> Result<(), DraftError> {
    let open = std::fs::OpenOptions::new().append(true).create(true).open(path);
    open.and_then(|mut file| file.write_all(text.as_bytes())).map_err(|error| fault(path, &error))
}

/// The new text whole or not at all: only lines were added to it.
fn replace(path: &Path, text: &str) -> Result<(), DraftError> {
    let beside = path.with_extension("toml.new");
    std::fs::write(&beside, text).and_then(|()| std::fs::rename(&beside, path)).map_err(|error| fault(path, &error))
}

impl Writer<'_> {
    /// A file's path relative to the archive; it is used.
    fn place(&mut self, file: usize) -> String {
        self.used.insert(file);
        let name = &self.found.seen[file].name;
        match &self.inside {
            Some(folder) if folder.is_empty() => name.clone(),
            Some(folder) => format!("{folder}/{name}"),
            None => format!("{FILES}/{name}"),
        }
    }

    /// The same relative to a folder of the archive.
    fn place_from(&mut self, folder: &str, file: usize) -> String {
        let path = self.place(file);
        let (from, to): (Vec<&str>, Vec<&str>) = (folder.split('/').collect(), path.split('/').collect());
        let shared = from.iter().zip(&to).take_while(|(one, other)| one == other).count().min(to.len() - 1);
        let mut parts = vec![".."; from.len() - shared];
        parts.extend(&to[shared..]);
        parts.join("/")
    }

    fn copy(&self, folder: &Path) -> Result<(), DraftError> {
        if self.inside.is_some() {
            return Ok(());
        }
        for &file in &self.used {
            let seen = &self.found.seen[file];
            let mut all = ingest::companions(&seen.path);
            all.push(crate::bundle::on_disk(&seen.path).0);
            for path in all {
                let below = path.strip_prefix(folder).unwrap_or(&path);
                let to = self.archive.join(FILES).join(below);
                if to.exists() {
                    continue;
                }
                if let Some(parent) = to.parent() {
                    std::fs::create_dir_all(parent).map_err(|error| fault(&to, &error))?;
                }
                std::fs::copy(&path, &to).map_err(|error| fault(&to, &error))?;
            }
        }
        Ok(())
    }

    fn log(&self, file: usize) -> Option<&Log> {
        if let Kind::Log(log) = &self.found.seen[file].kind { Some(log) } else { None }
    }

    /// A site-year: its folder, its field.toml, and the entries alone.
    fn field(&mut self, site: &Site) -> (String, String, String) {
        let season = site.season.map_or_else(|| "season".to_owned(), |season| season.to_string());
        let place = format!("{season}/{}/{}", slug(&site.farm), slug(&site.field));
        let mut out = format!("#:schema ../../../{FIELD_SCHEMA}\n");
        let _ = writeln!(out, "farm = {}\nfield = {}", quoted(&site.farm), quoted(&site.field));
        match site.season {
            Some(season) => {
                let _ = writeln!(out, "season = {season}");
            }
            None => {
                out.push_str("season = \"?\"  # the year of harvest: the files tell none\n");
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
        let entries = self.entries(site, &place);
        out.push_str(&entries);
        self.tickets(&mut out, site, &place);
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
        let path = self.place_from(place, file);
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
    fn strips_of(&self, site: &Site) -> Option<&StripLayer> {
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
        let path = self.place_from(place, file);
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
            "# randomized = true   # where the order was drawn at random within each block: the data do not tell\n",
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
            let path = self.place_from(place, file);
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
            let paths: Vec<String> = files.iter().map(|&file| quoted(&self.place_from(place, file))).collect();
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
        let Some(log) = self.log(file) else { return };
        let (place, has_crs) = (log.place.clone(), log.has_crs);
        let time = log.times.first().cloned();
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
        if let Some(spacing_m) = group.columns.spacing_m {
            let width = self.questions.ask(
                "width",
                "How wide is the header where no column tells it?",
                vec![(format!("{spacing_m:.1} m"), 0.8)],
                &format!("the machine's sheet; its passes lie {spacing_m:.2} m apart"),
            );
            let _ = writeln!(out, "swath = {}", quoted(&width));
        }
        out.push_str("[harvest.columns]\n");
        if let Some(time) = time {
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
        for line in &group.columns.lines {
            self.line(out, line, &group.columns);
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
                    &format!("In which unit does `{column}` tell the {what}?"),
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
                        &format!("Is the yield in {column} told at market moisture (dry) or at field moisture (wet)?"),
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

    fn archive_toml(&mut self, name: &str) -> String {
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
            let path = self.place(file);
            let _ = writeln!(out, "\n[soil]\npath = {}", quoted(&path));
            if let (true, Some(components)) = (by_unit, components) {
                let table = self.place(components);
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
        let grids: Vec<(usize, &str, &super::sight::Grid)> = self
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
    fn added_to(&mut self, old: &str, treatments: &[String], crops: &[String]) -> String {
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

    fn draft_md(&mut self, update: bool) -> String {
        let mut out = String::from(if update { "\n# Added\n" } else { "# Draft\n" });
        let questions = self.report.questions.clone();
        let _ = writeln!(
            out,
            "\nbandlift looked at {} files. A guess of a probability below {SURE} is a question; `run` guesses nothing.",
            self.found.seen.len()
        );
        out.push_str("\n## Questions\n\nEach is answered once, under `[answers]` in archive.toml.\n\n");
        for question in &questions {
            told(&mut out, question);
        }
        if questions.is_empty() {
            out.push_str("None.\n");
        }
        out.push_str("\n## To fill in\n\nThe data do not tell prices, costs and, where no label says so, which treatment is the check.\n\n");
        for key in &self.report.to_fill_in {
            let _ = writeln!(out, "- `{key}`");
        }
        out.push_str("\n## Columns and units\n");
        for group in &self.found.groups {
            let names: Vec<&str> = group.files.iter().map(|&file| self.found.seen[file].name.as_str()).collect();
            let more = if names.len() > 3 { format!(" and {} more", names.len() - 3) } else { String::new() };
            let _ = writeln!(out, "\n{}{more}:\n", names.iter().take(3).copied().collect::<Vec<_>>().join(", "));
            out.push_str("| column | is | probability | evidence |\n| --- | --- | --- | --- |\n");
            if let Some(log) = self.log(group.files[0]) {
                if let Some(time) = log.times.first() {
                    let clock = time.clock.as_ref().map_or_else(String::new, |clock| format!(", {}", cell(clock)));
                    let _ = writeln!(
                        out,
                        "| {}{clock} | time, `{}` | {:.2} | {} |",
                        cell(&time.column),
                        time.format,
                        time.probability,
                        cell(&time.evidence)
                    );
                }
                if let Place::Columns(lon, lat, probability) = &log.place {
                    let evidence = "a pair of degrees that spans a field";
                    let _ = writeln!(out, "| {} | longitude | {probability:.2} | {evidence} |", cell(lon));
                    let _ = writeln!(out, "| {} | latitude | {probability:.2} | {evidence} |", cell(lat));
                }
            }
            for line in &group.columns.lines {
                let unit = if line.unit.is_empty() { String::new() } else { format!(" in {}", line.unit) };
                let _ = writeln!(
                    out,
                    "| {} | {}{unit} | {:.2} | {} |",
                    cell(&line.column),
                    line.key,
                    line.probability,
                    cell(&line.evidence)
                );
            }
            for (channel, column) in &group.columns.labels {
                let _ = writeln!(out, "| {} | {} | 0.97 | its name and values |", cell(column), channel.key());
            }
            for (column, what) in &group.columns.left_out {
                let _ = writeln!(out, "| {} | left out | | {} |", cell(column), cell(what));
            }
        }
        out.push_str("\n## Site-years\n\n| season | farm | field | named by | crop | files | records |\n| --- | --- | --- | --- | --- | --- | --- |\n");
        for site in &self.found.sites {
            let files: BTreeSet<&str> =
                site.parts.iter().map(|part| self.found.seen[part.file].name.as_str()).collect();
            let rows: usize = site.parts.iter().map(|part| part.rows).sum();
            let _ = writeln!(
                out,
                "| {} | {} | {} | {} | {} | {} | {rows} |",
                site.season.map_or_else(|| "?".to_owned(), |season| season.to_string()),
                cell(&site.farm),
                cell(&site.field),
                site.named_by,
                site.crop.unwrap_or("?"),
                files.into_iter().map(cell).collect::<Vec<_>>().join(", ")
            );
        }
        let unused: Vec<(String, String)> = self
            .found
            .seen
            .iter()
            .enumerate()
            .filter(|(at, seen)| !self.used.contains(at) && !matches!(seen.kind, Kind::Other(_)))
            .map(|(_, seen)| (seen.name.clone(), format!("{}; no site-year takes it", super::told(&seen.kind))))
            .filter(|(name, _)| !self.report.left_out.iter().any(|(known, _)| known == name))
            .collect();
        self.report.left_out.extend(unused);
        out.push_str("\n## Left out\n\n");
        for (name, reason) in &self.report.left_out {
            let _ = writeln!(out, "- {}: {}", cell(name), cell(reason));
        }
        if self.report.left_out.is_empty() {
            out.push_str("Nothing.\n");
        }
        if !self.notes.is_empty() {
            out.push_str("\n## Notes\n\n");
            for note in &self.notes {
                let _ = writeln!(out, "- {note}");
            }
        }
        out
    }
}

fn told(out: &mut String, question: &Question) {
    let _ = writeln!(out, "### `{}`\n\n{}\n", question.key, question.asks);
    for (answer, probability) in &question.answers {
        let _ = writeln!(out, "- `{answer}`: probability {probability:.2}");
    }
    let _ = writeln!(out, "\nWhat decides it: {}.\n", question.decides);
}

/// A text as a cell of a table in Markdown.
fn cell(text: &str) -> String {
    crate::text::plain(text).replace('|', "\\|").replace('\n', " ")
}
