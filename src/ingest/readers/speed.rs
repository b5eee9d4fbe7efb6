//! A measurement: each reader beside GDAL (`ogr2ogr` into memory, `gdalinfo -checksum`) or the table library on the same file in the same
//! run. `cargo test --release --lib beside_others -- --ignored --nocapture`; needs GDAL's programs. And the memory that each takes beside
//! the columns that it hands on, `peak_memory` in place of `beside_others`; Linux only.

#![expect(clippy::print_stdout, reason = "a measurement prints what it measured")]

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use polars_io::prelude::{CsvReadOptions, ParquetReader, ParquetWriter, SerReader};

use super::*;
use crate::raster::RasterFile;

const ROWS: usize = 200_000;
const CELLS: usize = 2_000;

/// Records of seven columns.
fn write_csv(path: &Path, rows: usize) {
    let mut text = String::from("lon,lat,flow,moisture,speed,time,machine\n");
    for row in 0..rows {
        let part = row as f64 / rows as f64;
        let time = format!("2023-10-04T12:{:02}:{:02}Z", row / 60 % 60, row % 60);
        writeln!(
            text,
            "{:.7},{:.7},{:.3},{:.2},{:.2},{time},A",
            -93.6 + 0.01 * part,
            42.0 + part / 77.0,
            8.0 + part,
            18.0 - part,
            2.0 + part
        )
        .unwrap();
    }
    std::fs::write(path, &text).unwrap();
}

/// The same records in a format of GDAL.
fn write_layer(csv: &Path, path: &Path, driver: &str) {
    let columns = ["X_POSSIBLE_NAMES=lon", "Y_POSSIBLE_NAMES=lat", "AUTODETECT_TYPE=YES"];
    let options = columns.iter().flat_map(|option| ["-oo", option]).chain(["-a_srs", "EPSG:4326"]);
    let made = Command::new("ogr2ogr").args(["-f", driver]).args(options).arg(path).arg(csv).output().unwrap();
    assert!(made.status.success(), "{}: {}", path.display(), String::from_utf8_lossy(&made.stderr));
}

/// Seconds of the fastest of three.
fn seconds(mut run: impl FnMut()) -> f64 {
    let one = |_| {
        let started = Instant::now();
        run();
        started.elapsed().as_secs_f64()
    };
    (0..3).map(one).fold(f64::INFINITY, f64::min)
}

fn gdal(program: &str, arguments: &[&str], path: &Path) {
    let done = Command::new(program).args(arguments).arg(path).output().unwrap();
    assert!(done.status.success(), "{program} {arguments:?}: {}", String::from_utf8_lossy(&done.stderr));
}

fn tell(format: &str, count: usize, own: f64, other: &str, others: f64) {
    println!(
        "| {format} | {:.2} | {other} | {:.2} | {:.2} |",
        count as f64 / own / 1e6,
        count as f64 / others / 1e6,
        own / others
    );
}

#[test]
#[ignore = "a measurement of time"]
fn beside_others() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    write_csv(&at("a.csv"), ROWS);
    let own = |name: &str, shapes: Shapes| {
        let numbers: Vec<String> = ["flow", "moisture", "speed"].map(str::to_owned).to_vec();
        let texts = ["time", "machine"].map(str::to_owned).to_vec();
        let wanted = Wanted { shapes, numbers, texts, ..Wanted::default() };
        seconds(|| assert_eq!(read("f", &at(name), &wanted).unwrap().rows, ROWS))
    };
    let csv = || CsvReadOptions::default().try_into_reader_with_file_path(Some(at("a.csv"))).unwrap().finish().unwrap();
    ParquetWriter::new(std::fs::File::create(at("a.parquet")).unwrap()).finish(&mut csv()).unwrap();
    println!(
        "| format | million rows or cells a second | beside | million a second | its time is this many of the other's |\n| --- | --- | --- | --- | --- |"
    );
    tell("CSV", ROWS, own("a.csv", Shapes::Ignored), "table library", seconds(|| drop(csv())));
    let parquet = || ParquetReader::new(std::fs::File::open(at("a.parquet")).unwrap()).finish().unwrap();
    tell("Parquet", ROWS, own("a.parquet", Shapes::Ignored), "table library", seconds(|| drop(parquet())));
    for (name, driver) in [
        ("a.shp", "ESRI Shapefile"),
        ("a.geojson", "GeoJSON"),
        ("a.geojsonl", "GeoJSONSeq"),
        ("a.gpkg", "GPKG"),
        ("a.kml", "KML"),
    ] {
        write_layer(&at("a.csv"), &at(name), driver);
        // KML keeps no column called time
        let (own, count) = if driver == "KML" {
            let wanted = Wanted { shapes: Shapes::Points, numbers: vec!["flow".to_owned()], ..Wanted::default() };
            (seconds(|| assert_eq!(read("f", &at(name), &wanted).unwrap().rows, ROWS)), ROWS)
        } else {
            (own(name, Shapes::Points), ROWS)
        };
        tell(driver, count, own, "GDAL", seconds(|| gdal("ogr2ogr", &["-f", "Memory", "out"], &at(name))));
    }
    let mut grid =
        format!("ncols {CELLS}\nnrows {CELLS}\nxllcorner -94\nyllcorner 40\ncellsize 0.001\nNODATA_value -9999\n");
    for row in 0..CELLS {
        for column in 0..CELLS {
            write!(grid, "{} ", (row * 31 + column * 7) % 997).unwrap();
        }
        grid.push('\n');
    }
    std::fs::write(at("g.asc"), grid).unwrap();
    let formats: [(&str, &[&str]); 6] = [
        ("g.asc", &[]),
        ("g.bil", &["-of", "EHdr", "-ot", "Float32"]),
        ("g.tif", &["-ot", "Float32", "-co", "TILED=YES", "-co", "COMPRESS=DEFLATE"]),
        ("classic.nc", &["-of", "netCDF", "-ot", "Float32", "-a_srs", "EPSG:4326"]),
        ("nc4.nc", &["-of", "netCDF", "-co", "FORMAT=NC4", "-ot", "Float32", "-a_srs", "EPSG:4326"]),
        (
            "packed.nc",
            &["-of", "netCDF", "-co", "FORMAT=NC4", "-co", "COMPRESS=DEFLATE", "-ot", "Float32", "-a_srs", "EPSG:4326"],
        ),
    ];
    for (name, options) in formats {
        if !options.is_empty() {
            let made = Command::new("gdal_translate").args(options).arg(at("g.asc")).arg(at(name)).output().unwrap();
            assert!(made.status.success(), "{name}: {}", String::from_utf8_lossy(&made.stderr));
        }
        let own = seconds(|| {
            assert_eq!(RasterFile::open(&at(name)).unwrap().summary().unwrap().cells_with_data, (CELLS * CELLS) as u64);
        });
        tell(name, CELLS * CELLS, own, "GDAL", seconds(|| gdal("gdalinfo", &["-checksum"], &at(name))));
    }
}

/// A line of what the system says of this process, in bytes.
fn memory(of: &str) -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with(of)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() * 1024.0
}

/// Time logs of the same length.
fn write_task_data(folder: &Path, rows: i32) {
    std::fs::create_dir_all(folder).unwrap();
    let head = "<ISO11783_TaskData VersionMajor=\"4\" VersionMinor=\"3\"><TSK A=\"TSK1\" G=\"4\"><TLG A=\"TLG00001\" C=\"1\"/></TSK></ISO11783_TaskData>";
    std::fs::write(folder.join("TASKDATA.XML"), head).unwrap();
    let values = ["0057", "0063", "018D"].map(|number| format!("<DLV A=\"{number}\" B=\"\" C=\"DET1\"/>")).concat();
    let log = format!("<TIM A=\"\" D=\"4\"><PTN A=\"\" B=\"\" D=\"4\"/>{values}</TIM>");
    std::fs::write(folder.join("TLG00001.XML"), log).unwrap();
    let mut bytes = Vec::new();
    for row in 0..rows {
        bytes.extend((1000 * (row as u32 % 80_000)).to_le_bytes());
        bytes.extend(16_000_u16.to_le_bytes());
        bytes.extend((420_000_000 + row).to_le_bytes());
        bytes.extend((-936_000_000 + row).to_le_bytes());
        bytes.push(3);
        for (place, value) in [(0, 8_000_000 + row), (1, 180_000), (2, 2_000)] {
            bytes.push(place);
            bytes.extend(value.to_le_bytes());
        }
    }
    std::fs::write(folder.join("TLG00001.BIN"), bytes).unwrap();
}

#[test]
#[ignore = "a measurement of memory"]
fn peak_memory() {
    const ROWS: i32 = 1_000_000;
    const MANY: usize = ROWS as usize;
    if let Ok(path) = std::env::var("PEAK_OF") {
        let path = Path::new(&path);
        let is_log = path.ends_with("TASKDATA.XML");
        let names = if is_log {
            ["mass_per_time_yield_kg_s", "crop_moisture_pct", "actual_speed_m_s", "time"].as_slice()
        } else {
            &["flow", "moisture", "speed", "time", "machine"]
        };
        let count = if is_log { names.len() } else { 3 };
        let (numbers, texts) = names.split_at(count);
        let [numbers, texts] = [numbers, texts].map(|names| names.iter().map(|name| (*name).to_owned()).collect());
        let shapes = if Format::of(path).unwrap().has_geometry() { Shapes::Points } else { Shapes::Ignored };
        let wanted = Wanted { shapes, numbers, texts, most_unpacked_bytes: u64::MAX };
        let before = memory("VmRSS");
        let table = read("f", path, &wanted).unwrap();
        let peak = memory("VmHWM") - before;
        assert_eq!(table.rows, MANY);
        let texts: usize =
            table.texts.values().map(|text| text.iter().flatten().map(str::len).sum::<usize>() + 9 * text.len()).sum();
        let places = if table.positions.is_some() { 16 } else { 0 };
        let held = (MANY * (8 * table.numbers.len() + places) + texts) as f64;
        let file =
            std::fs::metadata(path.with_file_name("TLG00001.BIN")).or_else(|_| std::fs::metadata(path)).unwrap().len();
        println!(
            "| {} | {:.0} | {:.0} | {:.0} | {:.1} |",
            Format::of(path).unwrap().name(),
            file as f64 / 1e6,
            held / 1e6,
            peak / 1e6,
            peak / held
        );
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    write_csv(&at("a.csv"), MANY);
    let mut frame =
        CsvReadOptions::default().try_into_reader_with_file_path(Some(at("a.csv"))).unwrap().finish().unwrap();
    ParquetWriter::new(std::fs::File::create(at("a.parquet")).unwrap()).finish(&mut frame).unwrap();
    write_task_data(&at("log"), ROWS);
    println!("| format | file, MB | columns, MB | peak, MB | times the columns |\n| --- | --- | --- | --- | --- |");
    // a KML file of so many placemarks is refused
    let layers =
        [("a.shp", "ESRI Shapefile"), ("a.geojson", "GeoJSON"), ("a.geojsonl", "GeoJSONSeq"), ("a.gpkg", "GPKG")];
    for (name, driver) in layers {
        write_layer(&at("a.csv"), &at(name), driver);
    }
    let names = ["a.csv", "a.parquet", "log/TASKDATA.XML"].into_iter().chain(layers.map(|(name, _)| name));
    for name in names {
        let mut child = Command::new(std::env::current_exe().unwrap());
        child
            .args(["ingest::readers::speed::peak_memory", "--exact", "--ignored", "--nocapture"])
            .env("PEAK_OF", at(name));
        let said = child.output().unwrap();
        let said = String::from_utf8_lossy(&said.stdout).into_owned() + &String::from_utf8_lossy(&said.stderr);
        let line = said.lines().find(|line| line.starts_with('|'));
        println!("{}", line.unwrap_or_else(|| panic!("{name}: {said}")));
    }
}
