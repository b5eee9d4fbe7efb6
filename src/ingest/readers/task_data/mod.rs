//! Task data of ISO 11783-10, versions 3 and 4: TASKDATA.XML with its external files and its time logs, in a folder or a .zip.
//!
//! What the elements are called (letters and places in the standard from memory, compared with a general-purpose library of it, see
//! `tests/reference/task_data.rs`; the annexes on the XML elements and on the data transfer files, B and D): FRM farm, PFD field
//! (C name, F farm, G crop), CTP crop, DVC device (B name) with its DET elements (A id, C kind), TSK task (B name, D farm, E field)
//! with its TLG time logs (A name, B length, C kind: 1 is binary) and its TZN treatment zones (A code, B name), XFR a file that holds
//! more elements (A name). A zone holds PLN polygons, these LSG rings (A kind: 1 outer, 2 hole) of PNT points (C north, D east), and PDV
//! values (A number of the dictionary, B value, C product PDT).
//!
//! Each record of each log is a row. The columns are `log`, `task`, `field`, `farm`, `crop`, `machine`, `time` (seconds since 1970,
//! UTC), `log_time` (as the log's own clock tells it), `elevation_m`, `position_state`, `hdop`, `satellites`, and one for each number
//! of the data dictionary ([`dictionary`]). Where several device elements of one log tell the same number, the column holds that of
//! the element nearest the machine as a whole, and each has a column of its own, `<name>@<element>`. Elements of one kind are not
//! ranked: then only the columns by element can be read.
//!
//! Task data without logs are prescriptions: each treatment zone with polygons is a row, its columns `task`, `field`, `farm`, `crop`,
//! `zone`, `zone_code`, `product`, and one for each number of the dictionary that a zone holds.

mod dictionary;
mod log;
mod store;
mod zones;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use roxmltree::{Document, Node, ParsingOptions};

use super::number_text;
use super::table::{Shapes, Table, TextColumn, Wanted};
use crate::geometry::Crs;
use crate::ingest::IngestError;
use crate::stats::robust;
use log::{Header, Record};
use store::{MAIN, Store};
pub(crate) use store::{companions, is_in_zip, is_main, main_file};
use zones::Zone;

/// Columns that tell where a log comes from.
const LABELS: [&str; 6] = ["log", "task", "field", "farm", "crop", "machine"];
/// Seconds since 1970, UTC.
pub(crate) const TIME: &str = "time";
const LOG_TIME: &str = "log_time";
/// Columns of a position beside its place, in the order of [`Header::has`].
const OF_POSITION: [&str; 4] = ["elevation_m", "position_state", "hdop", "satellites"];

/// Most elements of one XML file (ours: a farm's fields with their outlines have some hundred thousand).
const MOST_NODES: u32 = 20_000_000;

/// A step between the clock of a log and UTC: clocks of zones differ by quarters of an hour.
const ZONE_STEP_MS: f64 = 900_000.0;

/// Opened task data: everything but the records.
pub(crate) struct TaskData {
    file: String,
    store: Store,
    logs: Vec<TimeLog>,
    /// The columns of values, in the order in which the logs list them; of each log the places among its values.
    values: Vec<(String, ValueColumn)>,
    rivals: Rivals,
    zones: Vec<Zone>,
}

/// Names for which elements of one kind compete, with the columns by element that can be read.
type Rivals = BTreeMap<String, Vec<String>>;

struct ValueColumn {
    ddi: u16,
    places: BTreeMap<usize, Vec<usize>>,
}

/// One time log and what is said of it.
struct TimeLog {
    name: String,
    /// Bytes that TASKDATA.XML tells.
    length: Option<u64>,
    header: Header,
    labels: [Option<String>; 6],
}

/// A device element.
struct Element {
    /// Device, function, bin, section, unit, connector, navigation: 1 to 7.
    kind: u8,
    machine: String,
}

fn fault(file: &str, member: &str, reason: impl std::fmt::Display) -> IngestError {
    IngestError::damaged(file, format!("{member}: {reason}"))
}

/// The text of a member, which must be there.
fn text(file: &str, store: &mut Store, member: &str, named_by: &str) -> Result<String, IngestError> {
    let bytes =
        store.get(member)?.ok_or_else(|| fault(file, member, format!("is missing, and {named_by} names it")))?;
    crate::text::decoded(bytes).map_err(|reason| fault(file, member, reason))
}

/// The elements of an XML file; a document type, and with it any entity of its own, is refused.
fn parsed<'t>(file: &str, member: &str, text: &'t str) -> Result<Document<'t>, IngestError> {
    let options = ParsingOptions { allow_dtd: false, nodes_limit: MOST_NODES, ..ParsingOptions::default() };
    Document::parse_with_options(text, options).map_err(|error| match error {
        roxmltree::Error::UnexpectedEndOfStream => {
            fault(file, member, format!("ends too early, at byte {}", text.len()))
        }
        roxmltree::Error::DtdDetected => fault(file, member, "declares a document type (DTD); expected none"),
        other => fault(file, member, other),
    })
}

/// What TASKDATA.XML and its external files say, before the logs' headers are read.
#[derive(Default)]
struct Contents {
    farms: BTreeMap<String, String>,
    crops: BTreeMap<String, String>,
    /// Name, farm and crop.
    fields: BTreeMap<String, [Option<String>; 3]>,
    elements: BTreeMap<String, Element>,
    /// Log, bytes, task, farm and field.
    logs: Vec<(String, Option<u64>, [Option<String>; 3])>,
    external: Vec<String>,
    products: BTreeMap<String, String>,
    /// With the task, farm and field of each.
    zones: Vec<(Zone, [Option<String>; 3])>,
    /// What is wrong with the first zone that is not sound, and in which member; no matter where there are logs.
    zone_fault: Option<(String, String)>,
}

fn attribute(node: Node<'_, '_>, letter: &str) -> Option<String> {
    node.attribute(letter).map(str::trim).filter(|text| !text.is_empty()).map(str::to_owned)
}

impl Contents {
    fn add(&mut self, member: &str, root: Node<'_, '_>) {
        let elements = |node: Node<'_, '_>, name: &'static str| {
            node.children().filter(move |child| child.has_tag_name(name)).map(|child| child.id()).collect::<Vec<_>>()
        };
        let id = |node: Node<'_, '_>| attribute(node, "A").unwrap_or_default();
        for node in root.children().filter(Node::is_element) {
            let name = attribute(node, "B");
            match node.tag_name().name() {
                "XFR" => self.external.push(id(node)),
                "FRM" => self.farms.extend(name.map(|name| (id(node), name))),
                "CTP" => self.crops.extend(name.map(|name| (id(node), name))),
                "PDT" => self.products.extend(name.map(|name| (id(node), name))),
                "PFD" => {
                    self.fields.insert(id(node), ["C", "F", "G"].map(|letter| attribute(node, letter)));
                }
                "DVC" => {
                    let machine = name.unwrap_or_else(|| id(node));
                    for element in elements(node, "DET").into_iter().filter_map(|id| root.document().get_node(id)) {
                        let kind = attribute(element, "C").and_then(|kind| kind.parse().ok()).unwrap_or(u8::MAX);
                        self.elements.insert(id(element), Element { kind, machine: machine.clone() });
                    }
                }
                "TSK" => {
                    let of_task = [name.or_else(|| attribute(node, "A")), attribute(node, "D"), attribute(node, "E")];
                    for log in elements(node, "TLG").into_iter().filter_map(|id| root.document().get_node(id)) {
                        let length = attribute(log, "B").and_then(|length| length.parse().ok());
                        self.logs.push((id(log), length, of_task.clone()));
                    }
                    for zone in node.children().filter(|child| child.has_tag_name("TZN")) {
                        match Zone::read(zone) {
                            Ok(zone) => self.zones.extend(zone.map(|zone| (zone, of_task.clone()))),
                            Err(reason) => {
                                self.zone_fault = self.zone_fault.take().or(Some((member.to_owned(), reason)));
                            }
                        }
                    }
                }
                _ => {}
            }
        }
    }

    /// Task, field, farm and crop by their names.
    fn place(&self, [task, farm, field]: &[Option<String>; 3]) -> [Option<String>; 4] {
        let [field, farm_of_field, crop] =
            field.as_ref().and_then(|field| self.fields.get(field)).cloned().unwrap_or_default();
        let farm = farm.as_ref().or(farm_of_field.as_ref()).and_then(|id| self.farms.get(id)).cloned();
        [task.clone(), field, farm, crop.and_then(|id| self.crops.get(&id).cloned())]
    }

    fn labels(&self, log: &str, of_task: &[Option<String>; 3], header: &Header) -> [Option<String>; 6] {
        let [task, field, farm, crop] = self.place(of_task);
        let device = |value: &log::Value| self.elements.get(&value.element);
        let of_yield = header.values.iter().filter(|value| dictionary::is_yield(value.ddi)).find_map(device);
        let machine = of_yield.or_else(|| header.values.iter().find_map(device)).map(|one| one.machine.clone());
        [Some(log.to_owned()), task, field, farm, crop, machine]
    }
}

impl TaskData {
    /// Opens the folder of TASKDATA.XML at `path`.
    pub(crate) fn beside(file: &str, path: &Path, most_bytes: u64) -> Result<Self, IngestError> {
        Self::open(file, Store::beside(file, path, most_bytes))
    }

    /// Opens a .zip.
    pub(crate) fn zipped(file: &str, bytes: Vec<u8>, most_bytes: u64) -> Result<Self, IngestError> {
        Self::open(file, Store::zipped(file, bytes, most_bytes)?)
    }

    fn open(file: &str, mut store: Store) -> Result<Self, IngestError> {
        let mut contents = Contents::default();
        let main = text(file, &mut store, MAIN, "its folder")?;
        let document = parsed(file, MAIN, &main)?;
        let root = document.root_element();
        if !root.has_tag_name("ISO11783_TaskData") {
            return Err(fault(file, MAIN, format!("expected ISO11783_TaskData, found {}", root.tag_name().name())));
        }
        let version = root.attribute("VersionMajor").unwrap_or("");
        if !matches!(version.trim(), "3" | "4") {
            return Err(fault(file, MAIN, format!("version `{version}`; versions 3 and 4 are read")));
        }
        contents.add(MAIN, root);
        let external = std::mem::take(&mut contents.external);
        for (at, name) in external.iter().enumerate() {
            if external[..at].contains(name) {
                return Err(fault(file, MAIN, format!("names the external file {name} twice")));
            }
            let member = format!("{name}.XML");
            let content = text(file, &mut store, &member, MAIN)?;
            contents.add(&member, parsed(file, &member, &content)?.root_element());
        }
        let mut names = BTreeSet::new();
        let mut logs = Vec::new();
        for (name, length, of_task) in &contents.logs {
            if !names.insert(name.to_ascii_uppercase()) {
                return Err(fault(file, MAIN, format!("names the log {name} twice")));
            }
            let member = format!("{name}.XML");
            let content = text(file, &mut store, &member, MAIN)?;
            let document = parsed(file, &member, &content)?;
            let header = Header::read(document.root_element()).map_err(|reason| fault(file, &member, reason))?;
            let labels = contents.labels(name, of_task, &header);
            logs.push(TimeLog { name: name.clone(), length: *length, header, labels });
        }
        let (values, rivals) = value_columns(&logs, &contents.elements);
        if let (Some((member, reason)), true) = (&contents.zone_fault, logs.is_empty()) {
            return Err(fault(file, member, reason));
        }
        let zones = std::mem::take(&mut contents.zones).into_iter();
        let zones =
            zones.map(|(zone, of_task)| zone.with_labels(contents.place(&of_task), &contents.products)).collect();
        Ok(Self { file: file.to_owned(), store, logs, values, rivals, zones })
    }

    /// The names of the columns.
    pub(crate) fn columns(&self) -> Vec<String> {
        if self.is_prescription() {
            return zones::columns(&self.zones);
        }
        let of_position = OF_POSITION.iter().enumerate();
        let recorded = of_position.filter(|(at, _)| self.logs.iter().any(|log| log.header.has()[*at]));
        LABELS
            .into_iter()
            .filter(|name| LABELS.iter().zip(0..).any(|(label, at)| label == name && self.has_label(at)))
            .chain([TIME, LOG_TIME])
            .chain(recorded.map(|(_, name)| *name))
            .map(str::to_owned)
            .chain(self.values.iter().map(|(name, _)| name.clone()))
            .collect()
    }

    /// Whether there are treatment zones and no logs.
    fn is_prescription(&self) -> bool {
        self.logs.is_empty() && !self.zones.is_empty()
    }

    fn has_label(&self, at: usize) -> bool {
        self.logs.iter().any(|log| log.labels[at].is_some())
    }

    /// Names of columns that cannot be read because elements of one kind compete, with the columns that can.
    pub(crate) fn rivals(&self) -> &BTreeMap<String, Vec<String>> {
        &self.rivals
    }

    /// Whether all that is wanted can be read.
    fn check(&self, wanted: &Wanted) -> Result<(), IngestError> {
        let expected = match (self.is_prescription(), wanted.shapes) {
            (false, Shapes::Polygons) => Some("a layer of polygons"),
            (true, Shapes::Points | Shapes::Tracks) => Some("a log; it holds treatment zones"),
            _ => None,
        };
        if let Some(expected) = expected {
            return Err(IngestError::UnknownKind { file: self.file.clone(), expected });
        }
        let known = self.columns();
        for name in wanted.numbers.iter().chain(&wanted.texts) {
            if let Some(elements) = self.rivals.get(name) {
                let reason = format!("several device elements record `{name}`; map one of {}", elements.join(", "));
                return Err(IngestError::Contradiction(format!("{}: {reason}", self.file)));
            }
            if !known.contains(name) {
                return Err(IngestError::missing_column(&self.file, name, &known));
            }
        }
        Ok(())
    }

    /// Reads the wanted columns. Where a wanted number tells a flow, a yield or a rate of application, the logs that tell none are left
    /// out: they are those of other work.
    pub(crate) fn read(mut self, wanted: &Wanted) -> Result<Table, IngestError> {
        self.check(wanted)?;
        if self.is_prescription() {
            return zones::table(&self.file, self.zones, wanted);
        }
        let of_value = |name: &String| self.values.iter().find(|(known, _)| known == name).map(|(_, column)| column);
        let is_of_work = |column: &&ValueColumn| dictionary::is_yield(column.ddi) || dictionary::is_rate(column.ddi);
        let of_work: Vec<&ValueColumn> = wanted.numbers.iter().filter_map(of_value).filter(is_of_work).collect();
        let names: BTreeSet<&String> = wanted.numbers.iter().chain(&wanted.texts).collect();
        let names: Vec<&String> = names.into_iter().collect();
        let columns: Vec<Option<&ValueColumn>> = names.iter().map(|name| of_value(name)).collect();
        let mut numbers: Vec<Vec<f64>> = vec![Vec::new(); names.len()];
        let mut labels: Vec<TextColumn> = vec![TextColumn::default(); LABELS.len()];
        let (mut x, mut y) = (Vec::new(), Vec::new());
        for (at, log) in self.logs.iter().enumerate() {
            if !of_work.is_empty() && !of_work.iter().any(|column| column.places.contains_key(&at)) {
                continue;
            }
            let bytes = records_of(&self.file, &mut self.store, log)?;
            let start = x.len();
            let mut targets: Vec<Vec<usize>> = vec![Vec::new(); log.header.values.len()];
            for (to, column) in columns.iter().enumerate() {
                for &place in column.and_then(|column| column.places.get(&at)).into_iter().flatten() {
                    targets[place].push(to);
                }
            }
            let stands: Vec<bool> =
                columns.iter().map(|one| one.is_some_and(|one| dictionary::stands(one.ddi))).collect();
            let mut row = vec![f64::NAN; names.len()];
            let (mut clock, mut shifts) = (Vec::new(), Vec::new());
            let read = log.header.records(&bytes, |record: Record, values| {
                row.iter_mut().zip(&stands).filter(|(_, stands)| !**stands).for_each(|(value, _)| *value = f64::NAN);
                for &(place, value) in values {
                    for &to in &targets[place] {
                        row[to] = dictionary::value(log.header.values[place].ddi, value);
                    }
                }
                x.push(record.longitude);
                y.push(record.latitude);
                clock.push(record.clock_ms);
                let shift = record.satellites_ms - record.clock_ms;
                shifts.extend(shift.is_finite().then_some(shift));
                for ((name, value), column) in names.iter().zip(&row).zip(&mut numbers) {
                    column.push(match name.as_str() {
                        LOG_TIME => record.clock_ms / 1e3,
                        "elevation_m" => record.elevation_m,
                        "position_state" => record.state,
                        "hdop" => record.hdop,
                        "satellites" => record.satellites,
                        _ => *value,
                    });
                }
            });
            read.map_err(|reason| fault(&self.file, &format!("{}.BIN", log.name), reason))?;
            // the clock of the satellites tells by how much that of the log is not UTC
            let shift =
                robust::median_in_place(&mut shifts).map_or(0.0, |ms| (ms / ZONE_STEP_MS).round() * ZONE_STEP_MS);
            if let Some(to) = names.iter().position(|name| *name == TIME) {
                let times = numbers[to][start..].iter_mut().zip(&clock);
                times.for_each(|(time, clock)| *time = (clock + shift) / 1e3);
            }
            push_labels(&mut labels, log, &names, x.len() - start);
        }
        let rows = x.len();
        let column_of = |name: &String| names.iter().position(|known| *known == name).unwrap_or(0);
        let is_label = |name: &String| LABELS.iter().position(|label| label == name);
        let texts: BTreeMap<String, TextColumn> = wanted
            .texts
            .iter()
            .map(|name| {
                let text = is_label(name).map_or_else(
                    || {
                        let mut text = TextColumn::default();
                        for &value in &numbers[column_of(name)] {
                            if value.is_finite() { text.push(Some(&number_text(value))) } else { text.push(None) }
                        }
                        text
                    },
                    |label| labels[label].clone(),
                );
                (name.clone(), text)
            })
            .collect();
        // texts first: the numbers are handed on as they are
        let numbers_out = wanted.numbers.iter().map(|name| match is_label(name) {
            Some(label) => Err(IngestError::cell(
                &self.file,
                1,
                name,
                labels[label].iter().flatten().next().unwrap_or("").to_owned(),
                "a number",
            )),
            None => Ok((name.clone(), std::mem::take(&mut numbers[column_of(name)]))),
        });
        Ok(Table {
            rows,
            numbers: numbers_out.collect::<Result<_, _>>()?,
            texts,
            positions: matches!(wanted.shapes, Shapes::Points | Shapes::Tracks).then_some((x, y)),
            lines: Vec::new(),
            polygons: Vec::new(),
            crs: Some(Crs::wgs84()),
        })
    }
}

/// Adds the labels of a log for as many records, those that are wanted.
fn push_labels(labels: &mut [TextColumn], log: &TimeLog, names: &[&String], count: usize) {
    let all = labels.iter_mut().zip(&log.labels).zip(LABELS);
    for ((column, label), _) in all.filter(|(_, name)| names.iter().any(|own| own == name)) {
        (0..count).for_each(|_| column.push(label.as_deref()));
    }
}

/// The records of a log, all that TASKDATA.XML tells.
fn records_of(file: &str, store: &mut Store, log: &TimeLog) -> Result<Vec<u8>, IngestError> {
    let member = format!("{}.BIN", log.name);
    let bytes = store.get(&member)?.ok_or_else(|| fault(file, &member, format!("is missing, and {MAIN} names it")))?;
    match log.length {
        Some(length) if (bytes.len() as u64) < length => {
            Err(fault(file, &member, format!("ends at byte {}; {MAIN} says {length} bytes", bytes.len())))
        }
        _ => Ok(bytes),
    }
}

/// The columns of the logs' values, and the names that elements of one kind compete for.
fn value_columns(logs: &[TimeLog], elements: &BTreeMap<String, Element>) -> (Vec<(String, ValueColumn)>, Rivals) {
    let mut order: Vec<u16> = Vec::new();
    for value in logs.iter().flat_map(|log| &log.header.values) {
        if !order.contains(&value.ddi) {
            order.push(value.ddi);
        }
    }
    let (mut columns, mut rivals) = (Vec::new(), BTreeMap::new());
    for ddi in order {
        let name = dictionary::name(ddi).into_owned();
        let mut of_name = BTreeMap::new();
        let mut of_element: BTreeMap<&str, BTreeMap<usize, Vec<usize>>> = BTreeMap::new();
        let (mut several, mut compete) = (false, false);
        for (at, log) in logs.iter().enumerate() {
            let mut by_element: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
            for (place, value) in log.header.values.iter().enumerate().filter(|(_, value)| value.ddi == ddi) {
                by_element.entry(&value.element).or_default().push(place);
            }
            several |= by_element.len() > 1;
            let kind = |element: &str| elements.get(element).map_or(u8::MAX, |element| element.kind);
            let least = by_element.keys().map(|element| kind(element)).min();
            let nearest: Vec<_> = by_element.iter().filter(|(element, _)| Some(kind(element)) == least).collect();
            if let [(_, places)] = nearest.as_slice() {
                of_name.insert(at, (*places).clone());
            }
            compete |= nearest.len() > 1;
            for (element, places) in by_element {
                of_element.entry(element).or_default().insert(at, places);
            }
        }
        let own = |element: &str| format!("{name}@{element}");
        if compete {
            rivals.insert(name.clone(), of_element.keys().map(|element| own(element)).collect());
        } else {
            columns.push((name.clone(), ValueColumn { ddi, places: of_name }));
        }
        if several {
            columns.extend(of_element.into_iter().map(|(element, places)| (own(element), ValueColumn { ddi, places })));
        }
    }
    (columns, rivals)
}
