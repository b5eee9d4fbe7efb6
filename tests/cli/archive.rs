//! A small invented archive for the tests: three blocks of two strips, one pass each, and what the program says of it.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use bandlift::geometry::{Crs, Projector};
use bandlift::raster::{Affine, GeoTiff, write_geotiff};
use ndarray::Array2;
use serde_json::Value;
use tempfile::TempDir;

/// Response that is laid into the treated strips, as a share.
pub const LIFT: f64 = 0.08;
pub const WEST: f64 = 450_000.0;
pub const SOUTH: f64 = 4_650_000.0;
pub const SWATH: f64 = 9.144;
pub const LENGTH: f64 = 400.0;
pub const STRIPS: usize = 6;
const UTM: u32 = 32_615;

/// One record before it is written.
#[derive(Debug, Clone)]
pub struct Row {
    pub time: f64,
    pub lon: f64,
    pub lat: f64,
    pub flow: String,
    pub moisture: String,
    pub speed: String,
}

pub const HEADER: &str = "utc_s,lon,lat,flow_kg_s,moist,speed_m_s,down";

impl Row {
    pub fn line(&self) -> String {
        format!("{},{:.8},{:.8},{},{},{},1", self.time, self.lon, self.lat, self.flow, self.moisture, self.speed)
    }
}

/// Degrees of a place in the field.
pub fn degrees(x: f64, y: f64) -> (f64, f64) {
    let to = Projector::new(&Crs::from_epsg(UTM).unwrap(), &Crs::wgs84()).unwrap();
    to.convert_point(WEST + x, SOUTH + y).unwrap().unwrap()
}

/// A rectangle of the field as a GeoJSON ring in degrees.
pub fn ring(west: f64, south: f64, east: f64, north: f64) -> String {
    let corners = [(west, south), (east, south), (east, north), (west, north), (west, south)];
    let points: Vec<String> = corners
        .iter()
        .map(|&(x, y)| {
            let (lon, lat) = degrees(x, y);
            format!("[{lon:.9},{lat:.9}]")
        })
        .collect();
    format!("[[{}]]", points.join(","))
}

/// A GeoJSON feature of one polygon.
pub fn feature(rings: &str, properties: &str) -> String {
    format!(
        "{{\"type\":\"Feature\",\"properties\":{properties},\"geometry\":{{\"type\":\"Polygon\",\"coordinates\":{rings}}}}}"
    )
}

pub fn collection(features: &[String]) -> String {
    format!("{{\"type\":\"FeatureCollection\",\"features\":[{}]}}", features.join(","))
}

/// Noise that is the same everywhere: in −1..1.
pub fn noise(seed: usize) -> f64 {
    let mixed = (seed as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15).rotate_left(31).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    (mixed >> 11) as f64 / (1_u64 << 53) as f64 * 2.0 - 1.0
}

/// The records of the field: a pass on each strip, up and down, one a second. The grain is logged where it was cut.
pub fn rows() -> Vec<Row> {
    let mut rows = Vec::new();
    let mut time = 1_696_000_000.0;
    let to = Projector::new(&Crs::from_epsg(UTM).unwrap(), &Crs::wgs84()).unwrap();
    for strip in 0..STRIPS {
        let steps = (LENGTH / 2.0) as usize;
        for step in 0..steps {
            let along = (step as f64 + 0.5) * 2.0;
            let y = if strip % 2 == 0 { along } else { LENGTH - along };
            let x = (strip as f64 + 0.5) * SWATH;
            let ground = 10_000.0 + 900.0 * (x / 40.0 + y / 90.0).sin() + 200.0 * noise(strip * 1000 + step);
            let block = 150.0 * noise(77 + strip);
            let treated = if TREATED[strip] { 1.0 + LIFT } else { 1.0 };
            // Dry yield to wet flow at 18 %.
            let flow = (ground + block) * treated / 1e4 * 2.0 * SWATH * 84.5 / 82.0;
            let (lon, lat) = to.convert_point(WEST + x, SOUTH + y).unwrap().unwrap();
            rows.push(Row {
                time,
                lon,
                lat,
                flow: format!("{flow:.5}"),
                moisture: "18.0".to_owned(),
                speed: "2.0".to_owned(),
            });
            time += 1.0;
        }
        time += 30.0;
    }
    rows
}

pub const TREATED: [bool; STRIPS] = [true, false, false, true, true, false];

pub fn csv(rows: &[Row]) -> String {
    let mut text = String::from(HEADER);
    text.push('\n');
    for row in rows {
        text.push_str(&row.line());
        text.push('\n');
    }
    text
}

pub fn strip_features() -> Vec<String> {
    (0..STRIPS)
        .map(|strip| {
            let (west, east) = (strip as f64 * SWATH, (strip as f64 + 1.0) * SWATH);
            let treatment = if TREATED[strip] { "band" } else { "check" };
            feature(
                &ring(west, 0.0, east, LENGTH),
                &format!("{{\"treatment\":\"{treatment}\",\"block\":\"{}\",\"strip\":\"s{strip}\"}}", strip / 2 + 1),
            )
        })
        .collect()
}

pub const ARCHIVE: &str = r#"name = "Test Hollow"
report_units = "us"
[soil]
path = "layers/soils.geojson"
[wetness]
months = [5]
total = "layers/total_{season}_{month}.tif"
normal = "layers/normal_{month}.tif"
[crops.corn]
price = "4.20 USD/bu"
[treatments.check]
label = "untreated check"
check = true
[treatments.band]
label = "at-planting band"
cost = "20 USD/ac"
[clean]
lag = "0 s"
pass_entry = "0 s"
pass_exit = "0 s"
[model]
edge_along = "10 m"
"#;

pub const FIELD: &str = r#"farm = "Hollow"
field = "FIELD"
season = 2023
crop = "corn"
[strips]
path = "strips.geojson"
block = "block"
strip = "strip"
randomized = true
[[harvest]]
path = "harvest.csv"
crs = "EPSG:4326"
machine = "A"
swath = "9.144 m"
[harvest.columns]
time = { column = "utc_s", format = "epoch_s" }
longitude = "lon"
latitude = "lat"
mass_flow = { column = "flow_kg_s", unit = "kg/s" }
moisture = { column = "moist", unit = "%" }
speed = { column = "speed_m_s", unit = "m/s" }
header = "down"
"#;

/// An archive with one sound site-year, `fields/good`, and one to be spoiled, `fields/bad`.
pub struct Archive {
    pub dir: TempDir,
}

impl Archive {
    pub fn new() -> Self {
        let archive = Self { dir: TempDir::new().unwrap() };
        archive.write("archive.toml", ARCHIVE);
        let soils = collection(&[
            feature(&ring(-20.0, -20.0, 80.0, LENGTH / 2.0), "{\"drclassdcd\":\"Poorly drained\"}"),
            feature(&ring(-20.0, LENGTH / 2.0, 80.0, LENGTH + 20.0), "{\"drclassdcd\":\"Well drained\"}"),
        ]);
        archive.write("layers/soils.geojson", &soils);
        archive.raster("layers/total_2023_05.tif", 140.0);
        archive.raster("layers/normal_05.tif", 100.0);
        for folder in ["good", "bad"] {
            archive.write(&format!("fields/{folder}/field.toml"), FIELD.replace("FIELD", folder));
            archive.write(&format!("fields/{folder}/harvest.csv"), csv(&rows()));
            archive.write(&format!("fields/{folder}/strips.geojson"), collection(&strip_features()));
        }
        archive
    }

    /// An archive in which only `fields/bad` stands, for tests of a single site-year.
    pub fn single() -> Self {
        let archive = Self::new();
        fs::remove_dir_all(archive.path("fields/good")).unwrap();
        archive
    }

    pub fn root(&self) -> PathBuf {
        self.dir.path().join("archive")
    }

    pub fn out(&self) -> PathBuf {
        self.dir.path().join("out")
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.root().join(name)
    }

    pub fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }

    pub fn edit(&self, name: &str, from: &str, to: &str) {
        let text = fs::read_to_string(self.path(name)).unwrap();
        assert!(text.contains(from), "{name} does not hold {from}");
        self.write(name, text.replace(from, to));
    }

    pub fn raster(&self, name: &str, value: f32) {
        let (lon, lat) = degrees(0.0, 0.0);
        fs::create_dir_all(self.path(name).parent().unwrap()).unwrap();
        write_geotiff(
            &self.path(name),
            &GeoTiff {
                data: Array2::from_elem((4, 4), value).view(),
                transform: Affine::north_up(lon - 0.2, lat + 0.2, 0.1, 0.1),
                epsg: 4326,
                is_geographic: true,
            },
        )
        .unwrap();
    }

    pub fn run(&self) -> Said {
        self.run_with(&[])
    }

    pub fn run_with(&self, more: &[&str]) -> Said {
        let (root, out) = (self.root(), self.out());
        let mut arguments = vec!["run", root.to_str().unwrap(), "--out", out.to_str().unwrap()];
        arguments.extend(more);
        say(&arguments)
    }

    /// Runs, and expects that `fields/bad` failed with this text and `fields/good` is done.
    #[track_caller]
    pub fn fails_with(&self, text: &str) {
        let said = self.run();
        assert_eq!(said.code, 1, "{}", said.stderr);
        assert!(said.stderr.contains(text), "expected `{text}` in:\n{}", said.stderr);
        let run = self.run_json();
        let failures = run["failures"].as_array().unwrap();
        assert_eq!(failures.len(), 1, "{failures:?}");
        assert_eq!(failures[0]["site_year"], "fields/bad");
        assert!(failures[0]["reason"].as_str().unwrap().contains(text), "{failures:?}");
        let index = fs::read_to_string(self.out().join("index.html")).unwrap().replace("&#x2f;", "/");
        assert!(index.contains("fields/bad"), "the index does not name the failed site-year");
        assert!(self.result("good", "summary.json").is_file(), "the good site-year is not done");
        assert!(!self.result("bad", "summary.json").is_file(), "the failed site-year left results");
        let table = fs::read_to_string(self.out().join("site_years.csv")).unwrap();
        assert!(table.contains(",good,") && !table.contains(",bad,"), "{table}");
    }

    /// Runs, and expects that both are done and `fields/bad` carries this caution.
    #[track_caller]
    pub fn is_done_with_caution(&self, code: &str) {
        let said = self.run();
        assert_eq!(said.code, 0, "{}", said.stderr);
        let cautions = &self.summary("bad")["cautions"];
        assert!(cautions.get(code).is_some(), "expected `{code}` in {cautions}");
        assert!(self.run_json()["warnings"]["2023/hollow/bad"].get(code).is_some());
    }

    pub fn result(&self, field: &str, name: &str) -> PathBuf {
        self.out().join("site_years/2023/hollow").join(field).join(name)
    }

    pub fn summary(&self, field: &str) -> Value {
        serde_json::from_slice(&fs::read(self.result(field, "summary.json")).unwrap()).unwrap()
    }

    pub fn run_json(&self) -> Value {
        serde_json::from_slice(&fs::read(self.out().join("run.json")).unwrap()).unwrap()
    }

    /// A table of the output as rows of column → cell.
    pub fn table(path: &Path) -> Vec<std::collections::BTreeMap<String, String>> {
        let mut reader = csv::Reader::from_path(path).unwrap();
        reader.deserialize().map(Result::unwrap).collect()
    }

    pub fn response(&self, field: &str, class: &str) -> std::collections::BTreeMap<String, String> {
        let rows = Self::table(&self.result(field, "response.csv"));
        rows.into_iter().find(|row| row["drainage_class"] == class).unwrap_or_else(|| panic!("no row `{class}`"))
    }

    /// Yields of the kept records of `field`, kg/ha.
    pub fn yields(&self, field: &str) -> Vec<f64> {
        use polars_io::prelude::{ParquetReader, SerReader};
        let file = fs::File::open(self.result(field, "points.parquet")).unwrap();
        let table = ParquetReader::new(file).finish().unwrap();
        let (kept, yields) = (table.column("kept").unwrap(), table.column("dry_yield_kg_ha").unwrap());
        let kept = kept.bool().unwrap().iter().map(|kept| kept == Some(true));
        kept.zip(yields.f64().unwrap().iter()).filter_map(|(kept, value)| if kept { value } else { None }).collect()
    }

    /// Records of `field` under a mark.
    pub fn removed(&self, field: &str, mark: &str) -> usize {
        let rows = Self::table(&self.result(field, "removals.csv"));
        rows.iter().find(|row| row["reason"] == mark).unwrap()["points"].parse().unwrap()
    }
}

/// What the program said.
#[derive(Debug)]
pub struct Said {
    pub code: i32,
    pub stdout: String,
    pub stderr: String,
}

pub fn say(arguments: &[&str]) -> Said {
    let Output { status, stdout, stderr } =
        Command::new(env!("CARGO_BIN_EXE_bandlift")).args(arguments).output().unwrap();
    Said {
        code: status.code().unwrap_or(-1),
        stdout: String::from_utf8(stdout).unwrap(),
        stderr: String::from_utf8(stderr).unwrap(),
    }
}
