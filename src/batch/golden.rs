//! No stage's result changes under its old version: what each stage makes of the example archive is kept as a digest beside the
//! version that made it.
//!
//! Numbers are rounded to six significant digits before they are hashed, and what is below 10⁻⁹ counts as zero, so that the last
//! digits of another processor's arithmetic change nothing. Parquet, GeoTIFF and GeoPackage are read again for that, and all that they
//! hold is hashed. What the example archive does not have (a log of an application, observations, covariates) one of its site-years
//! gets here.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::fs;
use std::io::Cursor;
use std::path::Path;

use geo_traits::to_geo::ToGeoGeometry;
use polars_io::prelude::{ParquetReader, SerReader};
use rusqlite::Connection;
use rusqlite::types::Value;
use serde::{Deserialize, Serialize};

use super::one::{SiteYearWork, price};
use super::{archive_settings, discover, field_settings, fingerprint, resolve};
use crate::ingest::{self, SharedLayers};
use crate::raster::{RasterFile, Window};
use crate::report::{self, OutputFile, Provenance};
use crate::{applied, fit, observed};

/// A stage's version, and what it made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Made {
    stage: String,
    version: u32,
    digest: String,
}

const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/stages.json");
const REWRITE: &str = "cargo test --release --lib -- --ignored rewrite_the_digests_of_the_stages";

/// A text with its fractions rounded.
fn rounded(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut out = String::with_capacity(text.len());
    let mut at = 0;
    while at < bytes.len() {
        let is_begin = bytes[at].is_ascii_digit() && (at == 0 || !is_of_word(bytes[at - 1]));
        let mut end = at + 1;
        if is_begin {
            while end < bytes.len() && is_of_number(bytes, end) {
                end += 1;
            }
        } else {
            while !text.is_char_boundary(end) {
                end += 1;
            }
        }
        let part = &text[at..end];
        match part.parse::<f64>() {
            Ok(number) if is_begin && part.contains(['.', 'e']) => {
                if number < 1e-9 {
                    out.truncate(out.trim_end_matches('-').len());
                    out.push('0');
                } else {
                    write!(out, "{number:.5e}").unwrap();
                }
            }
            _ => out.push_str(part),
        }
        at = end;
    }
    out
}

fn is_of_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_' || byte == b'.'
}

fn is_of_number(bytes: &[u8], at: usize) -> bool {
    let is_digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
    match bytes[at] {
        b'0'..=b'9' => true,
        b'.' => is_digit(at + 1),
        b'e' => is_digit(at + 1) || (bytes.get(at + 1) == Some(&b'-') && is_digit(at + 2)),
        b'-' => bytes[at - 1] == b'e' && is_digit(at + 1),
        _ => false,
    }
}

/// The versions of what only some site-years have.
const OF_SOME: [(&str, u32); 3] =
    [("applied", applied::VERSION), ("observed", observed::VERSION), ("covariates", fit::COVARIATES_VERSION)];

fn example() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive")
}

/// What a walk along the strips of [`LOGGED`] is taken for.
const WALK: &str = r#"
[applied]
path = "walk.csv"
crs = "EPSG:4326"
[applied.columns]
time = { column = "utc_s", format = "epoch_s" }
longitude = "lon"
latitude = "lat"
rate = { column = "rate", unit = "L/ha" }
width = { column = "width", unit = "ft" }

[[observed]]
name = "stand"
path = "walk.csv"
crs = "EPSG:4326"
kind = "count"
[observed.columns]
value = "stand"
longitude = "lon"
latitude = "lat"

[[covariate]]
name = "clay"
path = "walk.csv"
crs = "EPSG:4326"
longitude = "lon"
latitude = "lat"
column = "clay"
kind = "number"
unit = "%"
respond = true

[[covariate]]
name = "texture"
path = "walk.csv"
crs = "EPSG:4326"
longitude = "lon"
latitude = "lat"
column = "texture"
kind = "class"
respond = true
"#;

/// The site-year of the example archive that is given a log, observations and covariates.
const LOGGED: &str = "2022/alder-bend/heron-slough";

/// A copy of one site-year of the example archive with a log of what was put down, observations and covariates.
fn logged() -> tempfile::TempDir {
    let root = tempfile::tempdir().unwrap();
    for one in walkdir::WalkDir::new(example()).into_iter().map(Result::unwrap) {
        let name = one.path().strip_prefix(example()).unwrap();
        if one.file_type().is_file() && (name.starts_with(LOGGED) || !name.starts_with("20")) {
            fs::create_dir_all(root.path().join(name).parent().unwrap()).unwrap();
            fs::copy(one.path(), root.path().join(name)).unwrap();
        }
    }
    let edit = |name: &str, change: &dyn Fn(String) -> String| {
        let path = root.path().join(name);
        fs::write(&path, change(fs::read_to_string(&path).unwrap())).unwrap();
    };
    edit("archive.toml", &|text| {
        let text = text.replace("cost = \"10.00 USD/ac\"", "cost = \"10.00 USD/ac\"\nrate = \"5 L/ha\"");
        text.replace("cost = \"20.00 USD/ac\"", "cost = \"20.00 USD/ac\"\nrate = \"10 L/ha\"")
    });
    edit(&format!("{LOGGED}/field.toml"), &|text| text + WALK);
    let strips = fs::read(root.path().join(LOGGED).join("strips.geojson")).unwrap();
    fs::write(root.path().join(LOGGED).join("walk.csv"), walk(&serde_json::from_slice(&strips).unwrap())).unwrap();
    root
}

/// A row every 2 m or so along the middle of each strip, up and down; the product stays off on a stretch of the second strip.
fn walk(strips: &serde_json::Value) -> String {
    let mut text = String::from("utc_s,lon,lat,rate,width,stand,clay,texture\n");
    for (strip, one) in (0_i32..).zip(strips["features"].as_array().unwrap()) {
        let corner = |at: usize| [0, 1].map(|axis| one["geometry"]["coordinates"][0][at][axis].as_f64().unwrap());
        let middle = |one: [f64; 2], other: [f64; 2]| [0, 1].map(|axis| 0.5 * (one[axis] + other[axis]));
        let mut ends = [middle(corner(0), corner(1)), middle(corner(2), corner(3))];
        if strip % 2 == 1 {
            ends.reverse();
        }
        let rate = match one["properties"]["treatment"].as_str().unwrap() {
            "band_half" => 5,
            "band_full" => 10,
            _ => 0,
        };
        for step in 0..130 {
            let along = (f64::from(step) + 0.5) / 130.0;
            let [lon, lat] = [0, 1].map(|axis| ends[0][axis] + along * (ends[1][axis] - ends[0][axis]));
            let time = 1_651_300_000 + 200 * strip + step;
            let rate = if strip == 1 && (40..60).contains(&step) { 0 } else { rate };
            let stand = 30 - rate / 5 + (strip + step) % 3;
            let clay = 20.0 + 1e5 * (lat - 42.71).abs() / 30.0;
            let texture = if clay < 25.0 { "loam" } else { "clay loam" };
            writeln!(text, "{time},{lon:.8},{lat:.8},{rate},60,{stand},{clay:.3},{texture}").unwrap();
        }
    }
    text
}

/// All that a table of Parquet holds.
fn of_parquet(bytes: &[u8]) -> String {
    let table = ParquetReader::new(Cursor::new(bytes)).finish().unwrap();
    let mut text = String::new();
    for column in table.columns() {
        write!(text, "{} {}:", column.name(), column.dtype()).unwrap();
        if let Ok(places) = column.binary() {
            let points =
                places.iter().map(|place| place.map(|place| wkb::reader::read_wkb(place).unwrap().to_geometry()));
            write!(text, "{:?}", points.collect::<Vec<_>>()).unwrap();
        } else {
            let values = column.as_materialized_series().iter().map(|value| format!("{value:?}"));
            text.push_str(&values.collect::<Vec<_>>().join(","));
        }
    }
    text
}

/// All that the tables of a GeoPackage hold.
fn of_geopackage(bytes: &[u8]) -> String {
    let mut connection = Connection::open_in_memory().unwrap();
    connection.deserialize_read_exact("main", bytes, bytes.len(), true).unwrap();
    let mut names =
        connection.prepare("SELECT name, sql FROM sqlite_master WHERE type = 'table' ORDER BY name").unwrap();
    let names = names.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    let mut text = String::new();
    for (name, made) in names.map(Result::<(String, String), _>::unwrap) {
        text.push_str(&made);
        let mut rows = connection.prepare(&format!("SELECT * FROM \"{name}\"")).unwrap();
        let count = rows.column_count();
        let mut rows = rows.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            for at in 0..count {
                match row.get(at).unwrap() {
                    Value::Blob(place) => {
                        write!(text, "{:?}", wkb::reader::read_wkb(&place[8..]).unwrap().to_geometry()).unwrap();
                    }
                    value => write!(text, "{value:?}").unwrap(),
                }
            }
        }
    }
    text
}

/// All that a grid holds.
fn of_grid(file: &OutputFile) -> String {
    let mut grid = RasterFile::from_reader(Cursor::new(file.bytes.clone()), Path::new(&*file.name)).unwrap();
    let (width, height) = (grid.width(), grid.height());
    let cells = grid.window(Window { column: 0, row: 0, width, height }).unwrap();
    format!("{:?} {:?} {:?}", cells.transform, cells.crs, cells.data.iter().collect::<Vec<_>>())
}

/// What a file of the output holds, as text.
fn content(file: &OutputFile) -> String {
    match Path::new(&*file.name).extension().and_then(std::ffi::OsStr::to_str) {
        Some("parquet") => of_parquet(&file.bytes),
        Some("gpkg") => of_geopackage(&file.bytes),
        Some("tif") => of_grid(file),
        _ => String::from_utf8(file.bytes.clone()).unwrap(),
    }
}

/// What the stages make of the example archive and of its logged copy, in their order.
fn made() -> Vec<Made> {
    let logged = logged();
    let mut hashers: BTreeMap<&str, blake3::Hasher> = BTreeMap::new();
    for root in [&example(), logged.path()] {
        let archive = archive_settings(root).unwrap();
        let mut add = |stage: &'static str, text: &str| {
            assert!(!text.contains(root.to_str().unwrap()), "`{stage}` tells where the archive lies");
            hashers.entry(stage).or_default().update(rounded(text).as_bytes());
        };
        for folder in discover(root).folders {
            let field = field_settings(&folder, "field.toml", &archive).unwrap();
            let files = resolve(root, &folder, &field, &archive, false).unwrap();
            let mut ingested = ingest::run(&files, &field, &archive, &SharedLayers::default()).unwrap();
            add("ingest", &format!("{ingested:?}"));
            if !field.applied.is_empty() {
                applied::run(&mut ingested, &field, &archive).unwrap();
                add("applied", &format!("{:?} {:?}", ingested.applied, ingested.strips));
            }
            let mut analysed = SiteYearWork::new(&ingested, &field, &archive, None).unwrap().analyse("place").unwrap();
            let assigned = &analysed.joined.assigned;
            add("clean", &format!("{:?}", assigned.cleaned));
            add("assign", &format!("{assigned:?}"));
            add("join", &format!("{:?}", analysed.joined));
            let observed = std::mem::take(&mut analysed.result.observed);
            let covariates = std::mem::take(&mut analysed.result.covariates);
            add("fit", &format!("{:?} {:?}", analysed.result, analysed.differences));
            if !field.observed.is_empty() {
                add("observed", &format!("{observed:?}"));
            }
            if !field.covariates.is_empty() {
                add("covariates", &format!("{covariates:?}"));
            }
            (analysed.result.observed, analysed.result.covariates) = (observed, covariates);
            price(&mut analysed.result.responses, &field, &archive);
            add("economics", &format!("{:?}", analysed.result.responses));
            for file in report::site_year(analysed.case(&ingested, &archive, &Provenance::default())).unwrap().0 {
                add("report", &file.name);
                add("report", &content(&file));
            }
        }
    }
    let order =
        ["ingest", "applied", "clean", "assign", "join", "fit", "observed", "covariates", "economics", "report"];
    let version = |stage: &str| fingerprint::STAGES.iter().chain(&OF_SOME).find(|one| one.0 == stage).unwrap().1;
    let stages = order.into_iter().map(|stage| {
        let digest = hashers[stage].finalize().to_hex()[..32].to_owned();
        Made { stage: stage.to_owned(), version: version(stage), digest }
    });
    stages.collect()
}

/// What is wrong with the versions, if anything: the first stage that makes something else speaks, for those after it follow.
fn fault(now: &[Made], kept: &[Made]) -> Option<String> {
    if now.iter().map(|one| &one.stage).ne(kept.iter().map(|one| &one.stage)) {
        return Some(format!("the stages are others than those of {FILE}; write it anew: {REWRITE}"));
    }
    let (now, kept) = now.iter().zip(kept).find(|(now, kept)| now != kept)?;
    let Made { stage, version, .. } = now;
    Some(if *version == kept.version {
        let raised = match stage.as_str() {
            "covariates" => "COVARIATES_VERSION in src/fit/interactions.rs".to_owned(),
            stage => format!("VERSION in src/{stage}/mod.rs"),
        };
        format!(
            "what `{stage}` makes of the example archive has changed, and its version is still {version}: what nights remember \
             would pass for it. Raise {raised}, say in the commit what moved, then: {REWRITE}"
        )
    } else {
        format!("`{stage}` has a new version; keep what it makes: {REWRITE}")
    })
}

#[test]
fn a_stage_that_makes_something_else_has_a_new_version() {
    let kept: Vec<Made> = serde_json::from_slice(&fs::read(FILE).unwrap()).unwrap();
    assert_eq!(fault(&made(), &kept), None);
}

#[test]
#[ignore = "writes tests/data/stages.json"]
fn rewrite_the_digests_of_the_stages() {
    fs::write(FILE, format!("{}\n", serde_json::to_string_pretty(&made()).unwrap())).unwrap();
}

#[test]
fn a_changed_digest_is_reported_by_the_first_stage_that_has_it() {
    let made = |of: [(u32, &str); 2]| {
        let one = |stage: &str, (version, digest): (u32, &str)| Made {
            stage: stage.to_owned(),
            version,
            digest: digest.to_owned(),
        };
        vec![one("clean", of[0]), one("fit", of[1])]
    };
    let kept = made([(1, "a"), (1, "b")]);
    assert_eq!(fault(&kept, &kept), None);
    let told = |of| fault(&made(of), &kept).unwrap();
    assert!(told([(1, "x"), (1, "y")]).contains("`clean` makes"));
    assert!(told([(1, "a"), (1, "y")]).contains("VERSION in src/fit/mod.rs"));
    assert!(told([(2, "x"), (1, "y")]).contains("`clean` has a new version"));
    assert!(told([(1, "a"), (2, "b")]).contains("`fit` has a new version"));
    assert!(fault(&kept[..1], &kept).is_some());
}

#[test]
fn fractions_are_rounded_and_words_and_whole_numbers_stay() {
    let cases = [
        ("a1.25, 1.23456789, 123456789", "a1.25, 1.23457e0, 123456789"),
        ("[-2.5e-7,-3.1e-17, 0.0]", "[-2.50000e-7,0, 0]"),
        ("yield 1.0 t/ha; 0x1.5; 7.", "yield 1.00000e0 t/ha; 0x1.5; 7."),
        ("größe 12.3456789", "größe 1.23457e1"),
    ];
    for (text, expected) in cases {
        assert_eq!(rounded(text), expected);
    }
    assert_eq!(rounded("1.0000000001"), rounded("0.99999999999"), "the last digits were kept");
}
