//! A night from files to all outputs, beside the peer and beside only parsing the files: `cargo bench --bench night`.
//!
//! The records are those of the peer, one field of about a million, where `BANDLIFT_PEER` names its command (it is given the
//! number of records and a folder, leaves `pts_N.shp` there and prints its seconds as JSON); else they are made here after the
//! same pattern. They are cut into site-years of some 20,000 records with their strips, soils and weather. `BANDLIFT_BENCH` in
//! the environment chooses some of: peer, jobs, growth, unchanged, large. `BANDLIFT_BENCH_DIR` keeps the archives.
#![expect(clippy::print_stdout, reason = "the table is the purpose")]

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use bandlift::geometry::{Crs, Projector};
use bandlift::raster::{Affine, GeoTiff, write_geotiff};
use rand::{RngExt, SeedableRng};
use rayon::prelude::*;
use serde_json::Value;
use shapefile::dbase::{FieldValue, Record, TableWriterBuilder};

type Outcome<T> = Result<T, Box<dyn Error>>;

const RECORDS: usize = 1_000_000;
const SWATH_M: f64 = 9.144;
const STEP_M: f64 = 2.0;
const WEST_M: f64 = 450_000.0;
const SOUTH_M: f64 = 4_650_000.0;
/// Passes in a strip.
const STRIP_PASSES: usize = 4;
/// The big field is cut into so many columns and rows of site-years.
const COLUMNS: usize = 10;
const ROWS: usize = 5;

/// The channels of one record, and where it was.
struct Point {
    degrees: (f64, f64),
    flow: f64,
    moisture: f64,
    speed: f64,
    time: f64,
    pass: usize,
    /// Metres along the pass.
    along: f64,
}

fn passes(records: usize) -> (usize, usize) {
    let length = (records as f64 * SWATH_M * STEP_M).sqrt();
    let passes = ((length / SWATH_M).round() as usize).max(8);
    (passes, records.div_ceil(passes))
}

/// Records after the peer's pattern.
fn made(records: usize) -> Outcome<Vec<Point>> {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    let to = Projector::new(&Crs::from_epsg(32_615)?, &Crs::wgs84())?;
    let (_, each) = passes(records);
    let mut points = Vec::with_capacity(records);
    for at in 0..records {
        let (pass, step) = (at / each, at % each);
        let along = STEP_M * if pass % 2 == 0 { step } else { each - 1 - step } as f64;
        let (x, y) = (WEST_M + pass as f64 * SWATH_M, SOUTH_M + along);
        let noise = |random: &mut rand_chacha::ChaCha8Rng| random.random::<f64>() * 3.4 - 1.7;
        let speed = (2.0 + 0.15 * noise(&mut random)).max(0.1);
        let moisture = 18.0 + 1.2 * noise(&mut random);
        let treated = (pass / STRIP_PASSES) % 2 == 1;
        let ground = 180.0 + if treated { 8.0 } else { 0.0 } - 12.0 * (x / 97.0).sin() * (y / 131.0).cos();
        let bushels = ground + 12.0 * noise(&mut random);
        let mut flow = bushels * 25.401 / 4046.8564 * SWATH_M * speed * 84.5 / (100.0 - moisture);
        if random.random::<f64>() < 0.01 {
            flow *= 0.2;
        }
        let degrees = to.convert_point(x, y)?.ok_or("off the map")?;
        points.push(Point { degrees, flow, moisture, speed, time: at as f64, pass, along });
    }
    Ok(points)
}

/// The peer's own records.
fn read(path: &Path) -> Outcome<Vec<Point>> {
    let (_, each) = passes(RECORDS);
    let mut points = Vec::new();
    for found in shapefile::Reader::from_path(path)?.iter_shapes_and_records_as::<shapefile::Point, Record>() {
        let (place, record) = found?;
        let number = |name: &str| match record.get(name) {
            Some(FieldValue::Numeric(Some(value))) => Ok(*value),
            other => Err(format!("{name}: {other:?}")),
        };
        let (pass, step) = (points.len() / each, points.len() % each);
        points.push(Point {
            degrees: (place.x, place.y),
            flow: number("FLOW")?,
            moisture: number("MOIST")?,
            speed: number("SPEED")?,
            time: number("TSEC")?,
            pass,
            along: STEP_M * if pass % 2 == 0 { step } else { each - 1 - step } as f64,
        });
    }
    Ok(points)
}

fn ring(to: &Projector, west: f64, south: f64, east: f64, north: f64) -> Outcome<String> {
    let mut corners = Vec::new();
    for (x, y) in [(west, south), (east, south), (east, north), (west, north), (west, south)] {
        let (lon, lat) = to.convert_point(WEST_M + x, SOUTH_M + y)?.ok_or("off the map")?;
        corners.push(format!("[{lon:.9},{lat:.9}]"));
    }
    Ok(format!("[[{}]]", corners.join(",")))
}

fn collection(features: &[(String, String)]) -> String {
    let features: Vec<_> = features
        .iter()
        .map(|(ring, properties)| {
            format!("{{\"type\":\"Feature\",\"properties\":{{{properties}}},\"geometry\":{{\"type\":\"Polygon\",\"coordinates\":{ring}}}}}")
        })
        .collect();
    format!("{{\"type\":\"FeatureCollection\",\"features\":[{}]}}", features.join(","))
}

const ARCHIVE: &str = r#"name = "Bench"
[soil]
path = "soils.geojson"
[wetness]
months = [5]
departure = "departure_{season}.tif"
unit = "mm"
[crops.corn]
price = "4.20 USD/bu"
[treatments.check]
check = true
[treatments.treated]
cost = "20 USD/ac"
"#;

/// A part of the big field: its passes, and its ground along them.
#[derive(Clone, Copy)]
struct Part {
    passes: (usize, usize),
    along_m: (f64, f64),
}

/// The big field of `points`, cut into so many columns and rows.
fn parts(points: &[Point], columns: usize, rows: usize) -> Vec<Part> {
    let (count, each) = passes(points.len());
    let (wide, long) = (count / columns / STRIP_PASSES * STRIP_PASSES, each as f64 * STEP_M / rows as f64);
    (0..columns * rows)
        .map(|at| {
            let (column, row) = (at % columns, (at / columns) as f64);
            Part { passes: (column * wide, (column + 1) * wide), along_m: (row * long, (row + 1.0) * long) }
        })
        .collect()
}

/// Writes an archive of `site_years`, the `parts` of the field over and over in further seasons; `share` of the length of
/// each and of its passes is taken.
fn archive(dir: &Path, points: &[Point], parts: &[Part], site_years: usize, share: f64) -> Outcome<usize> {
    fs::create_dir_all(dir)?;
    fs::write(dir.join("archive.toml"), ARCHIVE)?;
    let to = Projector::new(&Crs::from_epsg(32_615)?, &Crs::wgs84())?;
    let mut soils = Vec::new();
    let (count, each) = passes(points.len());
    let classes = ["Poorly drained", "Somewhat poorly drained", "Moderately well drained", "Well drained"];
    let (width, length) = (count as f64 * SWATH_M, each as f64 * STEP_M);
    for column in 0..24 {
        for row in 0..24 {
            let (x, y) = (f64::from(column) / 24.0 * width - 20.0, f64::from(row) / 24.0 * length - 20.0);
            let class = classes[((column * 7 + row * 3) % 4) as usize];
            let ring = ring(&to, x, y, x + width / 24.0 + 2.0, y + length / 24.0 + 2.0)?;
            soils.push((ring, format!("\"drclassdcd\":\"{class}\"")));
        }
    }
    fs::write(dir.join("soils.geojson"), collection(&soils))?;
    let (lon, lat) = to.convert_point(WEST_M, SOUTH_M)?.ok_or("off the map")?;
    let mut records = 0;
    for at in 0..site_years {
        let (part, season) = (parts[at % parts.len()], 1951 + at / parts.len());
        let grid = dir.join(format!("departure_{season}.tif"));
        if !grid.exists() {
            let data = ndarray::Array2::from_elem((8, 8), ((season * 37) % 90) as f32 - 45.0);
            let transform = Affine::north_up(lon - 0.4, lat + 0.4, 0.1, 0.1);
            write_geotiff(&grid, &GeoTiff { data: data.view(), transform, epsg: 4326, is_geographic: true })?;
        }
        let folder = dir.join(format!("{season}/field-{:02}", at % parts.len()));
        fs::create_dir_all(&folder)?;
        records += site_year(&folder, points, part, (season, at % parts.len()), share, &to)?;
    }
    Ok(records)
}

fn site_year(
    folder: &Path,
    points: &[Point],
    part: Part,
    (season, number): (usize, usize),
    share: f64,
    to: &Projector,
) -> Outcome<usize> {
    let wide = part.passes.1 - part.passes.0;
    let strips = ((wide as f64 * share) as usize / STRIP_PASSES).max(2);
    let last = part.passes.0 + strips * STRIP_PASSES;
    let end = part.along_m.0 + share * (part.along_m.1 - part.along_m.0);
    let table = TableWriterBuilder::new()
        .add_numeric_field("FLOW".try_into()?, 18, 6)
        .add_numeric_field("MOIST".try_into()?, 10, 3)
        .add_numeric_field("SPEED".try_into()?, 10, 4)
        .add_numeric_field("SWATH".try_into()?, 10, 3)
        .add_numeric_field("TSEC".try_into()?, 18, 1);
    let mut records = 0;
    {
        let mut writer = shapefile::Writer::from_path(folder.join("harvest.shp"), table)?;
        let (_, each) = passes(points.len());
        let from = part.passes.0 * each;
        for point in points[from..].iter().take_while(|point| point.pass < last) {
            if point.along < part.along_m.0 || point.along >= end {
                continue;
            }
            let mut record = Record::default();
            for (name, value) in [
                ("FLOW", point.flow),
                ("MOIST", point.moisture),
                ("SPEED", point.speed),
                ("SWATH", SWATH_M),
                // September of the season
                ("TSEC", 1.6e9 + (season as f64 - 2020.0) * 31_557_600.0 + point.time),
            ] {
                record.insert(name.to_owned(), FieldValue::Numeric(Some(value)));
            }
            writer.write_shape_and_record(&shapefile::Point::new(point.degrees.0, point.degrees.1), &record)?;
            records += 1;
        }
    }
    let mut features = Vec::new();
    for strip in 0..strips {
        let first = part.passes.0 + strip * STRIP_PASSES;
        let (west, east) = ((first as f64 - 0.5) * SWATH_M, ((first + STRIP_PASSES) as f64 - 0.5) * SWATH_M);
        let treatment = if (first / STRIP_PASSES) % 2 == 1 { "treated" } else { "check" };
        let properties = format!("\"treatment\":\"{treatment}\",\"block\":\"{}\"", strip / 2 + 1);
        features.push((ring(to, west, part.along_m.0 - 1.0, east, end - 1.0)?, properties));
    }
    fs::write(folder.join("strips.geojson"), collection(&features))?;
    fs::write(
        folder.join("field.toml"),
        format!(
            r#"farm = "Bench"
field = "Field {number}"
season = {season}
crop = "corn"
[strips]
path = "strips.geojson"
block = "block"
[[harvest]]
path = "harvest.shp"
crs = "EPSG:4326"
machine = "A"
[harvest.columns]
time = {{ column = "TSEC", format = "epoch_s" }}
mass_flow = {{ column = "FLOW", unit = "kg/s" }}
moisture = {{ column = "MOIST", unit = "%" }}
speed = {{ column = "SPEED", unit = "m/s" }}
swath = {{ column = "SWATH", unit = "m" }}
"#
        ),
    )?;
    Ok(records)
}

/// Seconds, most memory (MB) and the account of a run.
fn run(archive: &Path, out: &Path, jobs: usize) -> Outcome<(f64, f64, Value)> {
    let begun = Instant::now();
    let status = Command::new(env!("CARGO_BIN_EXE_bandlift"))
        .args([Path::new("run"), archive, Path::new("--out"), out, Path::new("--jobs"), Path::new(&jobs.to_string())])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()?;
    let seconds = begun.elapsed().as_secs_f64();
    if !status.success() {
        return Err(format!("{} --out {}: {status}", archive.display(), out.display()).into());
    }
    let account: Value = serde_json::from_slice(&fs::read(out.join("run.json"))?)?;
    let peak = account["peak_memory_bytes"].as_f64().unwrap_or(f64::NAN) / 1e6;
    Ok((seconds, peak, account))
}

fn told(what: &str, seconds: f64, peak_mb: f64, account: &Value) {
    println!("| {what} | {seconds:.2} | {peak_mb:.0} | {} |", account["seconds"]);
}

/// Reads every record of the harvest files and does nothing with them.
fn parse_only(archive: &Path, threads: usize) -> Outcome<f64> {
    let files: Vec<PathBuf> = walkdir::WalkDir::new(archive)
        .into_iter()
        .filter_map(|entry| Some(entry.ok()?.into_path()))
        .filter(|path| path.ends_with("harvest.shp"))
        .collect();
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
    let begun = Instant::now();
    let records: usize = pool.install(|| {
        let count = |path: &PathBuf| {
            let reader = shapefile::Reader::from_path(path).ok();
            reader.and_then(|mut reader| reader.read().ok()).map_or(0, |records| std::hint::black_box(records).len())
        };
        files.par_iter().map(count).sum()
    });
    if records == 0 { Err("nothing was parsed".into()) } else { Ok(begun.elapsed().as_secs_f64()) }
}

fn peer(work: &Path) -> Outcome<Option<Value>> {
    let Ok(command) = std::env::var("BANDLIFT_PEER") else {
        println!("BANDLIFT_PEER is not set: no peer is timed, and the records are made here.");
        return Ok(None);
    };
    fs::create_dir_all(work)?;
    let mut words = command.split_whitespace();
    let program = words.next().ok_or("BANDLIFT_PEER is empty")?;
    let call = || Command::new(program).args(words.clone()).arg(RECORDS.to_string()).arg(work).output();
    // the first call makes the records, the second is timed with them in place
    for _ in 0..2 {
        let output = call()?;
        if !output.status.success() {
            return Err(String::from_utf8_lossy(&output.stderr).into_owned().into());
        }
    }
    Ok(Some(serde_json::from_slice(&call()?.stdout)?))
}

fn main() -> Outcome<()> {
    let chosen = std::env::var("BANDLIFT_BENCH").unwrap_or_else(|_| "peer jobs growth unchanged".to_owned());
    let wanted = |what: &str| chosen.split([' ', ',']).any(|one| one == what);
    let temporary = tempfile::TempDir::new()?;
    let dir = std::env::var_os("BANDLIFT_BENCH_DIR").map_or_else(|| temporary.path().to_path_buf(), PathBuf::from);
    let peer = peer(&dir.join("peer"))?;
    let points = match &peer {
        Some(_) => read(&dir.join("peer").join(format!("pts_{RECORDS}.shp")))?,
        None => made(RECORDS)?,
    };
    let prepared = |name: &str, site_years: usize, share: f64| -> Outcome<(PathBuf, PathBuf)> {
        let (archive_dir, out) = (dir.join(name).join("archive"), dir.join(name).join("out"));
        if !archive_dir.exists() {
            let records = archive(&archive_dir, &points, &parts(&points, COLUMNS, ROWS), site_years, share)?;
            println!("{name}: {site_years} site-years, {records} records");
        }
        if out.exists() {
            fs::remove_dir_all(&out)?;
        }
        Ok((archive_dir, out))
    };
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    println!("| what | s | peak MB | seconds by stage, all threads |\n| --- | --- | --- | --- |");
    if wanted("peer") {
        if let Some(peer) = &peer {
            let seconds = peer["stages"]["pipeline_total"].as_f64().unwrap_or(f64::NAN);
            println!("| peer, one field | {seconds:.2} | {:.0} | {} |", peer["peak_rss_mb"], peer["stages"]);
        }
        let (archive, out) = prepared("one-million", 50, 1.0)?;
        println!("| only parse, 1 thread | {:.2} | | |", parse_only(&archive, 1)?);
        println!("| only parse, {cores} threads | {:.2} | | |", parse_only(&archive, cores)?);
        let (seconds, peak, account) = run(&archive, &out, cores)?;
        told("run, 50 site-years", seconds, peak, &account);
    }
    if wanted("jobs") {
        for jobs in [1, 2] {
            let (archive, out) = prepared("one-million", 50, 1.0)?;
            let (seconds, peak, account) = run(&archive, &out, jobs)?;
            told(&format!("run, 50 site-years, --jobs {jobs}"), seconds, peak, &account);
        }
    }
    if wanted("growth") {
        for (name, site_years) in [("tenth-million", 5), ("one-million", 50), ("ten-million", 500)] {
            let (archive, out) = prepared(name, site_years, 1.0)?;
            let (seconds, peak, account) = run(&archive, &out, cores)?;
            told(&format!("run, {site_years} site-years"), seconds, peak, &account);
        }
    }
    if wanted("unchanged") {
        let (archive, out) = prepared("thousand", 1_000, 0.65)?;
        let (seconds, peak, account) = run(&archive, &out, cores)?;
        told("run, 1,000 small site-years", seconds, peak, &account);
        let (seconds, peak, account) = run(&archive, &out, cores)?;
        told("the next night, nothing changed", seconds, peak, &account);
    }
    if wanted("large") {
        drop(points);
        for millions in [1, 5] {
            let (archive_dir, out) = (dir.join(format!("large-{millions}")), dir.join(format!("large-{millions}-out")));
            if !archive_dir.exists() {
                let points = made(millions * 1_000_000)?;
                archive(&archive_dir, &points, &parts(&points, 1, 1), 1, 1.0)?;
            }
            if out.exists() {
                fs::remove_dir_all(&out)?;
            }
            let (seconds, peak, account) = run(&archive_dir, &out, cores)?;
            told(&format!("one site-year, million records: {millions}"), seconds, peak, &account);
        }
    }
    Ok(())
}
