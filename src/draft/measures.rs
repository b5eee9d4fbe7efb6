//! Tables of what was seen and layers of the ground. Each is drafted as an entry that waits to be uncommented: the data do not tell
//! what a number was written down for.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use chrono::NaiveDate;
use geo::{Centroid, MultiPolygon};

use super::sight::{Kind, Place, distinct};
use super::write::quoted;
use crate::consistency::words::{self, Header};
use crate::consistency::{Channel, Numbers};
use crate::ingest::TextColumn;

/// Most values of one table that are drafted.
const MOST_VALUES: usize = 8;
/// A longer table is a log, not one of looks or samples.
const MOST_ROWS: usize = 20_000;
/// Different words that are still classes or levels.
const MOST_CLASSES: usize = 20;
const MOST_LEVELS: usize = 8;

/// What a column of values probably is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Value {
    Count,
    Percent,
    Ordinal(Vec<String>),
    /// Of the ground: a number, with its unit where the header tells it.
    Number(String),
    /// Of the ground: a class.
    Class,
}

impl Value {
    pub(super) fn is_seen(&self) -> bool {
        matches!(self, Self::Count | Self::Percent | Self::Ordinal(_))
    }

    fn says(&self) -> String {
        match self {
            Self::Count => "a count of something seen".to_owned(),
            Self::Percent => "a percent of something seen".to_owned(),
            Self::Ordinal(levels) => format!("a rating by {}", levels.join(", ")),
            Self::Number(unit) if unit.is_empty() => "a number of the ground".to_owned(),
            Self::Number(unit) => format!("a number of the ground in {unit}"),
            Self::Class => "a class of the ground".to_owned(),
        }
    }
}

/// A file that holds values of the crop or of the ground.
#[derive(Debug, Clone)]
pub(super) struct Measures {
    pub(super) file: usize,
    /// The column of each value; a grid has one without a name.
    pub(super) values: Vec<(String, Value)>,
    /// Keys and columns of what else the file tells: where, when, by whom.
    pub(super) others: Vec<(&'static str, String)>,
    /// Reference system that must be written; empty where the file brings its own.
    crs: &'static str,
    /// Its places in degrees.
    pub(super) places: Vec<(f64, f64)>,
    /// The strips that it names.
    pub(super) strips: BTreeSet<String>,
    /// The years of its days.
    pub(super) years: BTreeSet<i32>,
}

impl Measures {
    /// What a value is called: its column, or the file.
    pub(super) fn name_of(column: &str, file: &str) -> String {
        let stem = file.rsplit('/').next().unwrap_or(file);
        let name = if column.is_empty() { stem.split('.').next().unwrap_or(stem) } else { column };
        name.replace('_', " ").trim().to_owned()
    }

    /// The entry of one value, without remarks.
    pub(super) fn entry(&self, column: &str, value: &Value, file: &str, path: &str) -> String {
        let name = quoted(&Self::name_of(column, file));
        let path = quoted(path);
        let crs = if self.crs.is_empty() { String::new() } else { format!("crs = {}\n", quoted(self.crs)) };
        let kind = match value {
            Value::Count => "count",
            Value::Percent => "percent",
            Value::Ordinal(_) => "ordinal",
            Value::Number(_) => "number",
            Value::Class => "class",
        };
        let mut out = String::new();
        if value.is_seen() {
            let _ = write!(out, "[[observed]]\nname = {name}\npath = {path}\n{crs}kind = \"{kind}\"\n");
            if let Value::Ordinal(levels) = value {
                let levels: Vec<String> = levels.iter().map(|level| quoted(level)).collect();
                let _ = writeln!(out, "levels = [{}]   # put them in order, healthy first", levels.join(", "));
            }
            let _ = writeln!(out, "[observed.columns]\nvalue = {}", quoted(column));
            for (key, column) in &self.others {
                let _ = writeln!(out, "{key} = {}", quoted(column));
            }
            return out;
        }
        let _ = write!(out, "[[covariate]]\nname = {name}\npath = {path}\n{crs}kind = \"{kind}\"\n");
        if let Value::Number(unit) = value
            && !unit.is_empty()
        {
            let _ = writeln!(out, "unit = {}", quoted(unit));
        }
        if !column.is_empty() {
            let _ = writeln!(out, "column = {}", quoted(column));
        }
        for (key, column) in
            self.others.iter().filter(|(key, _)| matches!(*key, "longitude" | "latitude" | "easting" | "northing"))
        {
            let _ = writeln!(out, "{key} = {}", quoted(column));
        }
        out
    }

    /// What its columns are, for a look at a file: column, what, probability, evidence.
    pub(super) fn listed(&self) -> Vec<(String, String, f64, String)> {
        let values = self
            .values
            .iter()
            .map(|(column, value)| (column.clone(), value.says(), 0.8, "its name and values".to_owned()));
        let others = self
            .others
            .iter()
            .map(|(key, column)| (column.clone(), (*key).to_owned(), 0.9, "its name and values".to_owned()));
        values.chain(others).collect()
    }

    /// The values in words.
    pub(super) fn says(&self) -> String {
        let of = |(column, value): &(String, Value)| {
            if column.is_empty() { value.says() } else { format!("`{column}`, {}", value.says()) }
        };
        self.values.iter().map(of).collect::<Vec<_>>().join("; ")
    }
}

/// What a file tells of the crop or the ground, where it is no log.
pub(super) fn measures(file: usize, kind: &Kind) -> Option<Measures> {
    match kind {
        Kind::Log(log) if log.x_m.len() <= MOST_ROWS && !log.of_lines => {
            let (mut others, crs) = match &log.place {
                Place::Geometry => (Vec::new(), if log.has_crs { "" } else { "EPSG:4326" }),
                Place::Columns(lon, lat, _) => {
                    (vec![("longitude", lon.clone()), ("latitude", lat.clone())], "EPSG:4326")
                }
                Place::Projected(..) => return None,
            };
            others.retain(|(_, name)| !name.is_empty());
            let places = log.longitude.iter().copied().zip(log.latitude.iter().copied());
            let places = places.filter(|(x, y)| x.is_finite() && y.is_finite()).collect();
            let numbers = &log.numbers;
            of_table(file, &log.columns, numbers, &log.texts, others, false).map(|found| Measures {
                crs,
                places,
                ..found
            })
        }
        Kind::Rows(rows) => of_table(file, &rows.columns, &rows.numbers, &rows.texts, Vec::new(), true)
            .filter(|found| !found.strips.is_empty() && found.values.iter().all(|value| value.1.is_seen())),
        Kind::Polygons(layer) => {
            let columns: Vec<String> = layer.attributes.keys().cloned().collect();
            let numbers: Vec<Numbers> =
                columns.iter().filter_map(|name| of_texts(name, &layer.attributes[name])).collect();
            let mut found = of_table(file, &columns, &numbers, &layer.attributes, Vec::new(), false)?;
            // any polygon has numbers of its own, such as its area: of the ground is what is called so
            found
                .values
                .retain(|(name, value)| !value.is_seen() && words::named(&Header::of(name), words::GROUND) >= 0.6);
            let centre = |ground: &MultiPolygon<f64>| ground.centroid().map(|centre| (centre.x(), centre.y()));
            let places = layer.shapes.iter().filter_map(centre).collect();
            let crs = if layer.has_crs { "" } else { "EPSG:4326" };
            (!found.values.is_empty()).then_some(Measures { crs, places, ..found })
        }
        Kind::Grid(grid) if grid.has_crs => Some(Measures {
            file,
            values: vec![(String::new(), Value::Number(grid.unit.unwrap_or("").to_owned()))],
            others: Vec::new(),
            crs: "",
            places: Vec::new(),
            strips: BTreeSet::new(),
            years: BTreeSet::new(),
        }),
        _ => None,
    }
}

fn of_texts(name: &str, column: &TextColumn) -> Option<Numbers> {
    let values: Option<Vec<f64>> =
        column.iter().map(|text| text.map_or(Some(f64::NAN), |text| text.parse().ok())).collect();
    values.map(|values| Numbers { name: name.to_owned(), unit: None, values })
}

fn of_table(
    file: usize,
    columns: &[String],
    numbers: &[Numbers],
    texts: &BTreeMap<String, TextColumn>,
    mut others: Vec<(&'static str, String)>,
    needs_strip: bool,
) -> Option<Measures> {
    let called = |name: &String, list: &str| words::named(&Header::of(name), list);
    const ROLES: [(&str, &str); 6] = [
        ("photo", words::PHOTO),
        ("observer", words::OBSERVER),
        ("blind", words::BLIND),
        ("strip", ""),
        ("plant", words::PLANT),
        ("spot", words::SPOT),
    ];
    let day = |text: &str| NaiveDate::parse_from_str(text, "%Y-%m-%d").ok();
    let is_day = |name: &&String| {
        texts.get(*name).is_some_and(|column| {
            column.iter().flatten().take(1).count() > 0 && column.iter().flatten().all(|text| day(text).is_some())
        })
    };
    let mut years = BTreeSet::new();
    if let Some(date) = columns.iter().find(is_day) {
        use chrono::Datelike;
        years.extend(texts[date].iter().flatten().filter_map(day).map(|day| day.year()));
        others.push(("date", date.clone()));
    }
    let mut strips = BTreeSet::new();
    for (key, list) in ROLES {
        let strength = |name: &String| match key {
            "strip" => words::strength(&Header::of(name), Channel::Strip),
            _ => called(name, list),
        };
        let taken: Vec<&String> = others.iter().map(|(_, name)| name).collect();
        let fits = |name: &&String| {
            let Some(column) = texts.get(*name) else { return numbers.iter().any(|own| own.name == **name) };
            match key {
                "photo" => column.iter().flatten().all(|text| text.contains('.')),
                "blind" => column
                    .iter()
                    .flatten()
                    .all(|text| matches!(text.to_lowercase().as_str(), "yes" | "no" | "true" | "false" | "1" | "0")),
                _ => distinct(column, 2) > 0,
            }
        };
        // a count of plants is none of their numbers
        let is_value = |name: &&String| called(name, words::OBSERVED) > strength(name);
        let named = columns
            .iter()
            .filter(|name| !taken.contains(name) && strength(name) >= 0.8 && !is_value(name) && fits(name));
        let best = named.max_by(|one, other| strength(one).total_cmp(&strength(other)).then(other.cmp(one)));
        let Some(best) = best.cloned() else { continue };
        if key == "strip" {
            strips = texts
                .get(&best)
                .map_or_else(BTreeSet::new, |column| column.iter().flatten().map(str::to_owned).collect());
            // the place tells the strip where both are there
            if !needs_strip {
                continue;
            }
        }
        others.push((key, best));
    }
    let is_looked_at = others.iter().any(|(key, _)| matches!(*key, "photo" | "observer" | "blind" | "strip" | "plant"));
    let taken: Vec<String> = others.iter().map(|(_, name)| name.clone()).collect();
    let mut values: Vec<(String, Value)> = Vec::new();
    for name in columns.iter().filter(|name| !taken.contains(name)) {
        let header = Header::of(name);
        let (seen, ground) = (words::named(&header, words::OBSERVED), words::named(&header, words::GROUND));
        let is_seen = seen >= 0.6 && seen >= ground;
        let column = texts.get(name);
        let value = match numbers.iter().find(|own| own.name == *name) {
            Some(own) => number(own, &header, column, is_seen || is_looked_at && ground < 0.6),
            None => column.and_then(|column| word(column, is_seen || is_looked_at && ground < 0.6, ground >= 0.6)),
        };
        values.extend(value.map(|value| (name.clone(), value)));
    }
    values.truncate(MOST_VALUES);
    (!values.is_empty()).then_some(Measures { file, values, others, crs: "", places: Vec::new(), strips, years })
}

/// A column of numbers that vary and are no running number.
fn number(column: &Numbers, header: &Header, texts: Option<&TextColumn>, is_seen: bool) -> Option<Value> {
    let known: Vec<f64> = column.values.iter().copied().filter(|value| value.is_finite()).collect();
    let runs = known.windows(2).filter(|pair| pair[1] > pair[0]).count() + 1 >= known.len();
    if known.len() < 4 || runs || known.windows(2).all(|pair| pair[0].to_bits() == pair[1].to_bits()) {
        return None;
    }
    let whole = known.iter().all(|value| value.fract().abs() < 1e-9 && *value >= 0.0);
    let written = column.unit.as_deref().map_or_else(|| header.unit_texts(), |unit| vec![words::unit_text(unit)]);
    let says_percent = written.iter().any(|text| text == "pct") || words::named(header, words::PERCENT) >= 0.95;
    if !is_seen {
        let unit = match (&column.unit, says_percent) {
            (Some(unit), _) => unit.clone(),
            (None, true) => "%".to_owned(),
            (None, false) => header.in_brackets.clone().unwrap_or_default(),
        };
        return Some(Value::Number(unit));
    }
    let is_share = known.iter().all(|value| (0.0..=100.0).contains(value));
    let levels: BTreeSet<&str> = texts.map_or_else(BTreeSet::new, |column| column.iter().flatten().collect());
    const RATINGS: &str = "rating score bonitur note boniturnote nota health vigour vigor grade";
    match (says_percent && is_share, whole) {
        (true, _) => Some(Value::Percent),
        (false, true) if (2..=MOST_LEVELS).contains(&levels.len()) && words::named(header, RATINGS) >= 0.6 => {
            let mut levels: Vec<&str> = levels.into_iter().collect();
            levels.sort_by(|one, other| one.parse::<f64>().unwrap_or(0.0).total_cmp(&other.parse().unwrap_or(0.0)));
            Some(Value::Ordinal(levels.into_iter().map(str::to_owned).collect()))
        }
        (false, true) => Some(Value::Count),
        (false, false) if is_share => Some(Value::Percent),
        _ => None,
    }
}

/// A column of words.
fn word(column: &TextColumn, is_seen: bool, is_ground: bool) -> Option<Value> {
    let different = distinct(column, MOST_CLASSES + 1);
    if is_seen && (2..=MOST_LEVELS).contains(&different) {
        let levels: BTreeSet<&str> = column.iter().flatten().collect();
        return Some(Value::Ordinal(levels.into_iter().map(str::to_owned).collect()));
    }
    (is_ground && (2..=MOST_CLASSES).contains(&different)).then_some(Value::Class)
}
