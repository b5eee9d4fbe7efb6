//! Every key of the settings, as the parser itself asks for it: kind, units, range, default; what it is for is in `about.rs`.

use std::sync::LazyLock;

use serde::Serialize;
use serde_json::{Value, json};

use super::about::about;
use super::section::{Document, Section};
use super::{CleanSettings, ModelSettings, ReadSettings, TargetSettings};
use crate::points::{Labelled, Readings};

/// What the parser takes for a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A text.
    Text,
    /// A number with its unit, in quotes.
    Quantity,
    /// A number without a unit.
    Number,
    /// A whole number.
    Integer,
    /// Whole numbers.
    Integers,
    /// A text, or a list of texts.
    Texts,
    /// A text, or a number.
    TextOrNumber,
    /// A text, or a list of numbers.
    TextOrNumbers,
    /// True or false.
    Boolean,
    /// A date.
    Date,
    /// The name of a column, or a table that holds it.
    Column,
    /// A table.
    Table,
    /// One table or several.
    Tables,
}

impl Kind {
    fn words(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Quantity => "number with unit",
            Self::Number => "number",
            Self::Integer => "whole number",
            Self::Integers => "whole numbers",
            Self::Texts => "text or texts",
            Self::TextOrNumber => "text or number",
            Self::TextOrNumbers => "text or numbers",
            Self::Boolean => "true or false",
            Self::Date => "date",
            Self::Column => "column",
            Self::Table => "table",
            Self::Tables => "tables",
        }
    }
}

/// One key of a settings file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fact {
    /// Where it stands: `clean.turn_degrees`, `crops.<crop>.price`, `harvest[].swath`.
    pub path: String,
    /// What it takes.
    pub kind: Kind,
    /// Units that fit, or the words that are known, in words.
    pub takes: Option<String>,
    /// Least and greatest value, in `unit`.
    pub range: Option<[f64; 2]>,
    /// The unit of the range.
    pub unit: Option<String>,
    /// What holds where it is absent.
    pub default: Option<String>,
    /// Whether it must be there.
    pub required: bool,
    /// What it is for, and where its default comes from.
    pub about: String,
}

impl Fact {
    pub(super) fn new(path: String, kind: Kind) -> Self {
        Self { path, kind, takes: None, range: None, unit: None, default: None, required: false, about: String::new() }
    }

    /// The key as a line of text.
    pub fn line(&self) -> String {
        let mut parts = vec![self.kind.words().to_owned()];
        parts.extend(self.takes.clone());
        parts.extend(self.range.map(|[low, high]| {
            let unit = self.unit.as_ref().map_or_else(String::new, |unit| format!(" {unit}"));
            format!("{low} to {high}{unit}")
        }));
        parts.extend(self.default.as_ref().map(|default| format!("default {default}")));
        parts.extend(self.required.then(|| "required".to_owned()));
        format!("{}: {}. {}", self.path, parts.join("; "), self.about)
    }
}

/// A settings file of which there is a reference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SettingsFile {
    /// archive.toml.
    Archive,
    /// field.toml.
    Field,
}

/// The tables that are there or not, so that the parser asks for every key in them. Names in `<>` stand for those of the user.
const ARCHIVE: &str = r#"
[answers]
"<name>" = "text"
[soil]
[soil.groups]
"<group>" = ["Well drained"]
[wetness]
[crops."<crop>"]
market_moisture = "15 %"
test_weight = "56 lb/bu"
[crops."<crop>".seasons.2000]
[treatments."<treatment>"]
[treatments."<treatment>".seasons.2000]
[clean]
[model]
[target]
[target.directions]
"<farm>/<field>" = "0 deg"
[read]
[[covariate]]
path = "a.tif"
column = {}
longitude = {}
latitude = {}
easting = {}
northing = {}
"#;

/// The same of field.toml; the channels of the harvest follow from their list.
static FIELD: LazyLock<String> = LazyLock::new(|| {
    let keys = Readings::channels().map(|one| one.key).chain(["header"]).chain(Labelled::channels().map(|one| one.key));
    FIELD_BUT_CHANNELS.replace("CHANNELS", &keys.collect::<Vec<_>>().join(" = {}\n"))
});

const FIELD_BUT_CHANNELS: &str = r#"
crop = "corn"
[boundary]
[boundary.where]
[strips]
[strips.treatment]
[strips.block]
[strips.strip]
[tickets]
[[harvest]]
path = "a.csv"
where = { column = "a", is = "b", within = "boundary" }
[harvest.columns]
time = {}
longitude = {}
latitude = {}
easting = {}
northing = {}
mass_flow = {}
mass = {}
wet_yield = {}
dry_yield = {}
yield = {}
CHANNELS = {}
[[harvest]]
path = "b.csv"
[harvest.columns]
time = { date = "a", clock = "b" }
[[applied]]
path = "c.csv"
where = { column = "a", is = "b", within = "boundary" }
[applied.columns]
time = {}
longitude = {}
latitude = {}
easting = {}
northing = {}
rate = {}
target = {}
width = {}
state = {}
product = {}
sections = {}
[[applied]]
path = "d.csv"
[applied.columns]
time = { date = "a", clock = "b" }
[[observed]]
path = "e.csv"
[observed.columns]
longitude = {}
latitude = {}
easting = {}
northing = {}
value = {}
strip = {}
spot = {}
plant = {}
date = {}
observer = {}
blind = {}
photo = {}
[[covariate]]
path = "f.csv"
column = {}
longitude = {}
latitude = {}
easting = {}
northing = {}
"#;

/// An archive that field.toml may be read beside.
const BESIDE: &str = "name = \"a\"\n[crops.corn]\n";

/// Defaults of the sections that have all of them in one place.
fn defaults() -> Value {
    json!({
        "clean": serde_json::to_value(CleanSettings::default()).unwrap_or_default(),
        "model": serde_json::to_value(ModelSettings::default()).unwrap_or_default(),
        "read": serde_json::to_value(ReadSettings::default()).unwrap_or_default(),
        "target": serde_json::to_value(TargetSettings::default()).unwrap_or_default(),
    })
}

/// Every key of a settings file, in the order in which the parser asks.
pub fn settings(of: SettingsFile) -> Vec<Fact> {
    let facts = asked(of).facts();
    let defaults = defaults();
    let mut known: Vec<Fact> = Vec::new();
    for mut fact in facts {
        fact.path = plain_path(&fact.path);
        if known.iter().any(|one| one.path == fact.path) {
            continue;
        }
        if fact.default.is_none()
            && let Some((section, key)) = fact.path.split_once('.')
        {
            fact.default = defaults[section][key].as_bool().map(|value| value.to_string());
            fact.default = fact.default.or_else(|| defaults[section][key].as_u64().map(|value| value.to_string()));
        }
        fact.about = about(&fact.path);
        known.push(fact);
    }
    known
}

/// The parser has gone over the reference of a file.
fn asked(of: SettingsFile) -> Document<'static> {
    match of {
        SettingsFile::Archive => {
            let document = Document::parse("archive.toml", ARCHIVE).with_facts();
            let read = |root: &Section<'_, '_>| drop((super::archive::answers(root), super::archive::read(root)));
            read(&document.root());
            document
        }
        SettingsFile::Field => {
            let document = Document::parse("field.toml", &FIELD).with_facts();
            let beside = Document::parse("archive.toml", BESIDE);
            if let Some(archive) = super::archive::read(&beside.root()) {
                super::field::read(&document.root(), &archive);
            }
            document
        }
    }
}

/// A path without numbers of entries, and with `<year>` for a year.
fn plain_path(path: &str) -> String {
    let parts = path.split('.').map(|part| {
        if part.len() == 4 && part.bytes().all(|byte| byte.is_ascii_digit()) {
            return "<year>".to_owned();
        }
        part.find('[').map_or_else(|| part.to_owned(), |at| format!("{}[]", &part[..at]))
    });
    parts.collect::<Vec<_>>().join(".")
}

#[cfg(test)]
mod tests {
    use super::super::about::{FIELDS, OWN};
    use super::*;
    use crate::quantity::Quantity;

    const FILES: [SettingsFile; 2] = [SettingsFile::Archive, SettingsFile::Field];

    #[test]
    fn every_key_says_what_it_is_for() {
        let all: Vec<Fact> = FILES.into_iter().flat_map(settings).collect();
        let silent: Vec<&str> =
            all.iter().filter(|fact| fact.about.is_empty()).map(|fact| fact.path.as_str()).collect();
        assert!(silent.is_empty(), "no word on {silent:?}");
        for (path, _) in OWN {
            assert!(all.iter().any(|fact| fact.path == path), "the parser never asks for `{path}`");
        }
        assert!(all.len() > 120, "{}", all.len());
    }

    #[test]
    fn the_reference_reaches_every_table() {
        // an unknown key would be a table or a column that the parser never opened
        for of in FILES {
            let faults = asked(of).faults();
            let unknown: Vec<_> = faults.iter().filter(|fault| fault.message.contains("unknown key")).collect();
            assert!(unknown.is_empty(), "{unknown:?}");
        }
        let all: Vec<Fact> = FILES.into_iter().flat_map(settings).collect();
        for fact in all.iter().filter(|fact| matches!(fact.kind, Kind::Table)) {
            let below = format!("{}.", fact.path);
            assert!(all.iter().any(|one| one.path.starts_with(&below)), "nothing is asked below {}", fact.path);
        }
    }

    #[test]
    fn limits_and_defaults_are_those_of_the_parser() {
        let archive = settings(SettingsFile::Archive);
        let of =
            |path: &str| archive.iter().find(|fact| fact.path == path).cloned().unwrap_or_else(|| panic!("{path}"));
        let turn = of("clean.turn_degrees");
        assert_eq!((turn.range, turn.default.as_deref()), (Some([5.0, 180.0]), Some("40")));
        let least = of("clean.neighbour_least");
        assert_eq!((least.range, least.default.as_deref()), (Some([3.0, 1000.0]), Some("8")));
        assert_eq!(of("clean.overlap").default.as_deref(), Some("true"));
        assert_eq!(of("clean.pass_length").takes, Some(crate::quantity::Length::symbols()));
        assert!(of("report_units").takes.is_some_and(|takes| takes.contains("us") && takes.contains("metric")));
        assert!(of("name").required);
    }

    #[test]
    fn every_key_that_the_parser_names_is_in_the_reference() {
        const ASKING: [&str; 25] = [
            "text",
            "texts",
            "parsed",
            "with_unit",
            "quantity",
            "quantity_or",
            "number_or",
            "integer",
            "integers",
            "boolean",
            "date",
            "section",
            "sections",
            "column",
            "text_or_section",
            "text_or_number",
            "text_or_numbers",
            "given",
            "seconds",
            "length",
            "label",
            "cost",
            "day",
            "has",
            "required",
        ];
        let sources = FIELDS.map(|(_, source)| source);
        let sources = sources.into_iter().chain([include_str!("archive.rs"), include_str!("field.rs")]);
        let all: Vec<Fact> = FILES.into_iter().flat_map(settings).collect();
        let mut found = 0;
        for source in sources {
            for (at, _) in source.match_indices("(\"") {
                let before =
                    source[..at].trim_end_matches(|c: char| c == '>' || c == '<' || c == ':' || c.is_ascii_uppercase());
                let before = if source[..at].ends_with('>') {
                    before.rsplit_once("::<").map_or(before, |(name, _)| name)
                } else {
                    before
                };
                let asking = before.rsplit(|c: char| !(c.is_ascii_lowercase() || c == '_')).next().unwrap_or("");
                let key = source[at + 2..].split('"').next().unwrap_or("");
                if !ASKING.contains(&asking) || !key.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'_') {
                    continue;
                }
                found += 1;
                let is_known = all.iter().any(|fact| fact.path == key || fact.path.ends_with(&format!(".{key}")));
                assert!(is_known, "`{key}` is asked for, and the reference does not hold it");
            }
        }
        assert!(found > 90, "{found} keys in the sources");
    }
}
