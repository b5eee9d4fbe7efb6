//! A measurement: each reader beside GDAL (`ogr2ogr` into memory, `gdalinfo -checksum`) or the table library on the same file in the same
//! run. `cargo test --release --lib beside_others -- --ignored --nocapture`; needs GDAL's programs.

#![expect(clippy::print_stdout, reason = "a measurement prints what it measured")]

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use polars::prelude::{CsvReadOptions, ParquetReader, ParquetWriter, SerReader};

use super::*;
use crate::raster::RasterFile;

const ROWS: usize = 200_000;
const CELLS: usize = 2_000;

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
    let mut text = String::from("lon,lat,flow,moisture,speed,time,machine\n");
    for row in 0..ROWS {
        let part = row as f64 / ROWS as f64;
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
    std::fs::write(at("a.csv"), &text).unwrap();
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
    let layers = [
        "-oo",
        "X_POSSIBLE_NAMES=lon",
        "-oo",
        "Y_POSSIBLE_NAMES=lat",
        "-oo",
        "AUTODETECT_TYPE=YES",
        "-a_srs",
        "EPSG:4326",
    ];
    for (name, driver) in [
        ("a.shp", "ESRI Shapefile"),
        ("a.geojson", "GeoJSON"),
        ("a.geojsonl", "GeoJSONSeq"),
        ("a.gpkg", "GPKG"),
        ("a.kml", "KML"),
    ] {
        let made =
            Command::new("ogr2ogr").args(["-f", driver]).args(layers).arg(at(name)).arg(at("a.csv")).output().unwrap();
        assert!(made.status.success(), "{name}: {}", String::from_utf8_lossy(&made.stderr));
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
