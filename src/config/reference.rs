//! Every key of the settings, as the parser itself asks for it: kind, units, range, default. What a key is for, and where its default
//! comes from, is said once, in the doc comment of the field that it fills, or here where no field has its name.

use std::sync::LazyLock;

use serde::Serialize;
use serde_json::{Map, Value, json};

use super::section::{Document, Section};
use super::{CleanSettings, ModelSettings, ReadSettings, TargetSettings};
use crate::points::{Channel, Labelled, Readings};

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

/// The modules whose fields say what their keys are for.
const FIELDS: [(&str, &str); 12] = [
    ("applied", include_str!("applied.rs")),
    ("clean", include_str!("clean.rs")),
    ("covariate", include_str!("covariate.rs")),
    ("crops", include_str!("crops.rs")),
    ("harvest", include_str!("harvest.rs")),
    ("model", include_str!("model.rs")),
    ("observed", include_str!("observed.rs")),
    ("read", include_str!("read.rs")),
    ("soil", include_str!("soil.rs")),
    ("target", include_str!("target.rs")),
    ("treatments", include_str!("treatments.rs")),
    ("wetness", include_str!("wetness.rs")),
];

/// A key and its text, one a line.
macro_rules! pairs {
    ($($key:literal, $text:literal;)*) => { [$(($key, $text)),*] };
}

/// What keys are for that fill no field of their name.
const OWN: [(&str, &str); 95] = pairs! {
    "name", "What the archive is called.";
    "report_units", "Units of the reports: bu/ac, ac, in, ft, mph, or t/ha, ha, mm, m, km/h. Default us.";
    "answers", "Answers to the questions of a draft; `\"?name\"` in any file stands for the answer of that name.";
    "answers.<name>", "One answer.";
    "soil", "Classes of the ground.";
    "soil.drainage", "Attribute that holds the class. Default drclassdcd, the name in the public soil survey's tables.";
    "soil.components", "Tables of the components of map units (files or a glob; `soils.gpkg/component`), where the polygons carry the units' key instead of a class: the class with the greatest share of the components counts, of equals the wetter.";
    "soil.key", "Attribute of the polygons and column of the components that holds the map unit's key. Default mukey.";
    "soil.percent", "Column of a component's share of its map unit, percent. Default comppct_r.";
    "soil.tiled", "Attribute that says whether the ground is tile-drained: yes, no or unknown.";
    "soil.groups", "Classes that are pooled for the model; by default each class stands by itself.";
    "soil.groups.<group>", "The classes of one group.";
    "wetness", "Precipitation of the season beside its normal.";
    "wetness.window", "First day and the day after the last, counted from planting, in place of `months`: [\"-30 d\", \"60 d\"].";
    "wetness.total", "Pattern of the grids of totals; {season} and {month} are filled in. NetCDF may hold several months of several seasons.";
    "wetness.normal", "Pattern of the grids of normals; {month} is filled in.";
    "wetness.departure", "Pattern of the grids of departures, in place of `total` and `normal`.";
    "wetness.unit", "Unit of the grids: mm, cm, m or in. A grid that records another fails. Default mm.";
    "wetness.stations", "Tables of weather stations (files or a glob), a row a day or a month, in place of grids. The nearest station that has the months and ten years of them counts.";
    "wetness.date", "Column of the day (2023-05-04) or the month (2023-05). Default date.";
    "wetness.precipitation", "Column of the depth of rain, in `unit`; empty where it is missing. Default precipitation.";
    "wetness.station", "Column of the stations' names. Default station, where there is one; else each file is a station.";
    "wetness.longitude", "Column of the station's longitude, degrees. Default longitude.";
    "wetness.latitude", "Column of the station's latitude, degrees. Default latitude.";
    "wetness.normal_years", "First and last year of the normals, such as [1991, 2020]. Default all years of the tables.";
    "crops", "One table for each crop.";
    "crops.<crop>", "A crop; field.toml names it.";
    "crops.<crop>.market_moisture", "Moisture at which grain is sold; known for seven crops.";
    "crops.<crop>.test_weight", "Weight of one bushel; known for seven crops.";
    "crops.<crop>.price", "Price of grain at market moisture; required where there are treatments.";
    "crops.<crop>.drying", "Cost of drying, for each point of moisture above market. Default none.";
    "crops.<crop>.hauling", "Cost of hauling. Default none.";
    "crops.<crop>.plausible_yield", "Low and high end of yields that may be; known for seven crops.";
    "crops.<crop>.plausible_moisture", "Low and high end of moistures that may be; known for seven crops.";
    "crops.<crop>.seasons", "Prices of single seasons, where they differ.";
    "crops.<crop>.seasons.<year>", "The prices of one season.";
    "treatments", "One table for each treatment; one of them is the check.";
    "treatments.<treatment>", "A treatment; the strips' attribute names it.";
    "treatments.<treatment>.cost", "What the treatment costs; or its parts.";
    "treatments.<treatment>.product", "The product's part of the cost.";
    "treatments.<treatment>.application", "The application's part of the cost.";
    "treatments.<treatment>.extra_pass", "An extra pass's part of the cost.";
    "treatments.<treatment>.seasons", "Costs of single seasons, where they differed.";
    "treatments.<treatment>.seasons.<year>", "The costs of one season.";
    "clean", "Limits of the cleaning stage.";
    "model", "The response model.";
    "target", "Where to treat next, and the layout of strips.";
    "target.directions", "Bearing of the rows, by farm and field.";
    "target.directions.<farm>/<field>", "The bearing of one field, 0 to 360 deg.";
    "read", "Limits of the readers.";
    "boundary", "The field's outline.";
    "boundary.path", "The layer of polygons.";
    "boundary.crs", "Coordinate reference system of a layer that carries none, such as EPSG:4326.";
    "boundary.where", "Which polygons of the layer are this field's, where it holds others.";
    "strips", "The treated and check strips; a field without them is cleaned and mapped only.";
    "tickets", "Scale tickets, which calibrate each machine.";
    "tickets.path", "A table with the columns load, machine, from, to, net_weight, moisture.";
    "harvest", "One table for each kind of harvest file.";
    "harvest[].path", "Files, folders of task data (ISO 11783-10) or globs, relative to field.toml.";
    "harvest[].where", "Which rows of the files are this field's, where they hold others.";
    "harvest[].where.within", "Where the rows lie: \"boundary\", or [west, south, east, north] in degrees.";
    "harvest[].where.margin", "Ground around the boundary that still counts (common practice, no source).";
    "harvest[].where.from", "The first day of the rows, UTC.";
    "harvest[].where.to", "The last day of the rows, UTC.";
    "harvest[].columns", "What the columns mean; task data (ISO 11783-10) needs none.";
    "harvest[].columns.longitude", "Degrees; with `latitude`.";
    "harvest[].columns.latitude", "Degrees; with `longitude`.";
    "harvest[].columns.easting", "Units of the projected reference system; with `northing`.";
    "harvest[].columns.northing", "Units of the projected reference system; with `easting`.";
    "harvest[].columns.mass_flow", "Wet mass per time. One column gives the grain: this or one of the next four.";
    "harvest[].columns.mass", "Wet mass of a record.";
    "harvest[].columns.wet_yield", "Exported yield at field moisture.";
    "applied", "One table for each log of what was put down, in the order of application; strips and treatments follow from it.";
    "applied[].path", "Files, folders of task data (ISO 11783-10) or globs, relative to field.toml.";
    "applied[].width", "Working width, where there is no width column.";
    "applied[].columns", "What the columns mean; task data (ISO 11783-10) needs none.";
    "applied[].columns.time", "Times: stops and passes are found by them.";
    "applied[].columns.rate", "The rate that was put down.";
    "applied[].columns.width", "Working width.";
    "applied[].columns.state", "Whether the planter was at work: down or up, 1 or 0, on or off and the like.";
    "applied[].columns.product", "The tank, channel or product of a row; `product` says which are meant.";
    "observed", "One table for each measure of what was seen in the field: counts and ratings, compared between treatments.";
    "observed[].path", "Tables or layers of points, or globs, relative to field.toml.";
    "observed[].levels", "The levels of an ordinal scale, healthy first.";
    "observed[].columns", "What the columns mean; each row has a position or a strip.";
    "covariate", "One table for each other layer of the ground or value of the field: texture, organic matter, pH, conductivity, planting date, hybrid; in archive.toml for all fields, in field.toml for one, which counts before one of the same name.";
    "covariate[].path", "A table or layer of points, a layer of polygons, a grid, or globs; in archive.toml relative to it, in field.toml to that.";
    "covariate[].points", "What a record takes of points: `nearest`, or the `mean` of all within reach. Default nearest.";
    "covariate[].value", "One value for the whole field in place of a path: a number, a class, a day, or \"planted\"; compared over site-years only.";
    "covariate[].longitude", "Column of a table's points, degrees; with `latitude`.";
    "covariate[].latitude", "Column of a table's points, degrees; with `longitude`.";
    "covariate[].easting", "Column of a table's points in the projected reference system; with `northing`.";
    "covariate[].northing", "Column of a table's points in the projected reference system; with `easting`.";
    "treatments.<treatment>.rate", "The rate that was tested, such as \"8 fl oz/ac\": by it a log shows where the treatment stands.";
    "treatments.<treatment>.of", "The treatments that it is made of, each recorded by a log of its own.";
};

/// The same, for the last part of a path, where no whole path is listed.
const OWN_ENDS: [(&str, &str); 14] = pairs! {
    "dry_yield", "Exported yield at market moisture.";
    "yield", "Exported yield, with `at` for the moisture that it is given at.";
    "column", "The column's name.";
    "unit", "The column's unit.";
    "is", "The label, or a list of labels.";
    "at", "The moisture of a yield: market (dry) or field (wet).";
    "date", "The column of the dates, where date and clock stand in two columns.";
    "clock", "The column of the time of day.";
    "format", "How the times are written.";
    "zone", "Offset of a local clock from UTC. Default UTC.";
    "price", "Price of grain in that season.";
    "drying", "Cost of drying in that season.";
    "hauling", "Cost of hauling in that season.";
    "path", "The layer of polygons.";
};

/// What a key is for: from the lists above, or from the comment of the field that it fills.
fn about(path: &str) -> String {
    if let Some((_, text)) = OWN.iter().find(|(own, _)| *own == path) {
        return (*text).to_owned();
    }
    let key = path.rsplit('.').next().unwrap_or(path);
    if let Some(channel) = path.strip_prefix("harvest[].columns.").and_then(channel) {
        return channel.about.trim().to_owned();
    }
    let module = path.split(['.', '[']).next().unwrap_or("");
    let source = FIELDS.iter().find(|(name, _)| *name == module && *name != path).map(|(_, source)| *source);
    let commented = || comment_of(source.unwrap_or(include_str!("field.rs")), key);
    let seasonal = path
        .contains(".seasons.<year>.")
        .then(|| OWN.iter().find(|(own, _)| own.ends_with(&format!(">.{key}"))))
        .flatten();
    let shared = [
        ("applied[].", include_str!("applied.rs")),
        ("covariate[].", include_str!("covariate.rs")),
        ("observed[].", include_str!("observed.rs")),
    ];
    if let Some((rest, source)) = shared.iter().find_map(|(of, source)| Some((path.strip_prefix(of)?, source))) {
        // what the readers take of all logs is said once
        let own = comment_of(source, key);
        return own.unwrap_or_else(|| about(&format!("harvest[].{rest}")));
    }
    let listed = OWN_ENDS.iter().find(|(end, _)| *end == key).map(|(_, text)| (*text).to_owned());
    listed.or_else(|| seasonal.map(|(_, text)| (*text).to_owned())).or_else(commented).unwrap_or_default()
}

fn channel(key: &str) -> Option<Channel> {
    Readings::channels().chain(Labelled::channels()).find(|channel| channel.key == key)
}

/// The doc comment of a struct's field that is called as a key, or as the key with its unit or kind behind it.
fn comment_of(source: &str, key: &str) -> Option<String> {
    let stem = key.strip_suffix("_degrees").unwrap_or(key);
    let is_field = |line: &str| {
        let name = line.trim().strip_prefix("pub ").and_then(|rest| rest.split_once(':')).map(|(name, _)| name);
        name.and_then(|name| name.strip_prefix(stem)).is_some_and(|rest| {
            matches!(
                rest,
                "" | "_s"
                    | "_m"
                    | "_m_s"
                    | "_kg_s"
                    | "_per_ha"
                    | "_pct"
                    | "_deg"
                    | "_d"
                    | "_column"
                    | "_l"
                    | "_bytes"
                    | "_unpacked_bytes"
                    | "_crs"
            )
        })
    };
    let lines: Vec<&str> = source.lines().collect();
    let at = lines.iter().position(|line| is_field(line))?;
    let before = lines[..at].iter().rev().map(|line| line.trim());
    let mut comment: Vec<&str> = before
        .take_while(|line| line.starts_with("///") || line.starts_with("#["))
        .filter_map(|line| line.strip_prefix("///"))
        .collect();
    comment.reverse();
    let text = comment.iter().map(|line| line.trim()).collect::<Vec<_>>().join(" ");
    (!text.is_empty()).then_some(text)
}

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

/// The JSON Schema of a settings file, for editors that complete and check.
pub fn schema(of: SettingsFile) -> Value {
    let facts = settings(of);
    let (name, text) = match of {
        SettingsFile::Archive => ("archive.toml", "Settings of an archive of bandlift."),
        SettingsFile::Field => ("field.toml", "Settings of one field in one season of bandlift."),
    };
    let mut root = table(&facts, "");
    root["$schema"] = json!("http://json-schema.org/draft-07/schema#");
    root["title"] = json!(name);
    root["description"] = json!(text);
    root
}

/// The object of the keys below a path.
fn table(facts: &[Fact], path: &str) -> Value {
    let mut properties = Map::new();
    let mut others = json!(false);
    let mut required = Vec::new();
    for fact in facts {
        let below = if path.is_empty() {
            Some(fact.path.as_str())
        } else {
            fact.path.strip_prefix(path).and_then(|rest| rest.strip_prefix('.'))
        };
        let Some(key) = below.filter(|key| !key.contains('.')) else { continue };
        let own = one(facts, fact);
        if key.starts_with('<') {
            others = own;
        } else {
            required.extend(fact.required.then(|| key.to_owned()));
            properties.insert(key.to_owned(), own);
        }
    }
    let mut object = json!({ "type": "object", "properties": properties, "additionalProperties": others });
    // what a known crop or a treatment's parts make needless is left to the program
    if path.is_empty() {
        object["required"] = json!(required);
    }
    object
}

fn one(facts: &[Fact], fact: &Fact) -> Value {
    let text = || json!({ "type": "string" });
    let list = |of: Value| json!({ "type": "array", "items": of });
    let range = |kind: &str| {
        let mut number = json!({ "type": kind });
        if let Some([low, high]) = fact.range {
            number["minimum"] = json!(low);
            number["maximum"] = json!(high);
        }
        number
    };
    let mut schema = match fact.kind {
        Kind::Text | Kind::Quantity | Kind::Date => text(),
        Kind::Number => range("number"),
        Kind::Integer => range("integer"),
        Kind::Integers => list(range("integer")),
        Kind::Texts => json!({ "anyOf": [text(), list(text())] }),
        Kind::TextOrNumber => json!({ "type": ["string", "number"] }),
        Kind::TextOrNumbers => json!({ "anyOf": [text(), list(json!({ "type": "number" }))] }),
        Kind::Boolean => json!({ "type": "boolean" }),
        Kind::Column => json!({ "anyOf": [text(), table(facts, &fact.path)] }),
        Kind::Table => table(facts, &fact.path),
        Kind::Tables => {
            let entry = table(facts, &format!("{}[]", fact.path));
            json!({ "anyOf": [list(entry.clone()), entry] })
        }
    };
    let said = fact.line();
    schema["description"] = json!(said.split_once(": ").map_or(said.as_str(), |(_, rest)| rest));
    schema
}

#[cfg(test)]
mod tests {
    use super::*;

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

    use crate::quantity::Quantity;

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
