//! Every reader over damaged files: valid ones of each format with bytes changed, cut out, doubled or cut off. A reader may refuse
//! such a file or read something from it, but it may not panic, hang, or take more memory than it was allowed.
//!
//! Bounded here; `MUTATIONS=100000 MUTATED=parquet MUTATION_SEED=1 cargo test --release --lib mutated -- --nocapture` goes on for
//! longer, over the files whose names hold a text, with other mutations, and says how many of each file were done.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::raster::RasterFile;

/// Longest that one small file may take.
const LONGEST: Duration = Duration::from_secs(20);
/// Most bytes that a packed file may unpack to here.
const MOST_BYTES: u64 = 4 << 20;

fn mutations(default: usize) -> usize {
    std::env::var("MUTATIONS").ok().and_then(|text| text.parse().ok()).unwrap_or(default)
}

fn seed() -> u64 {
    std::env::var("MUTATION_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(0)
}

/// The files that are asked for: all, or those whose names hold the text of `MUTATED`.
fn asked(mut files: Vec<Vec<PathBuf>>) -> Vec<Vec<PathBuf>> {
    let text = std::env::var("MUTATED").unwrap_or_default();
    files.retain(|parts| parts[0].to_string_lossy().contains(&text));
    files
}

/// Words that steer a parser, put into a file as they are.
const TOKENS: [&[u8]; 14] = [
    b"\"",
    b",",
    b"\n",
    b"\0",
    b"<",
    b"]]>",
    b"{",
    b"[",
    b"-",
    b"1e999",
    b"NaN",
    b"\xff\xff\xff\xff",
    b"&a;",
    b"99999999999",
];

fn mutated(bytes: &[u8], random: &mut ChaCha8Rng) -> Vec<u8> {
    let mut out = bytes.to_vec();
    for _ in 0..random.random_range(1..=4) {
        if out.is_empty() {
            break;
        }
        // headers lie at the ends
        let at = match random.random_range(0..3) {
            0 => random.random_range(0..out.len().min(200)),
            1 => out.len() - 1 - random.random_range(0..out.len().min(200)),
            _ => random.random_range(0..out.len()),
        };
        let end = (at + random.random_range(1..40)).min(out.len());
        match random.random_range(0..7) {
            0 => out[at] ^= 1 << random.random_range(0..8),
            1 => out[at] = random.random(),
            2 => drop(out.drain(at..end)),
            3 => {
                let part = out[at..end].to_vec();
                drop(out.splice(at..at, part));
            }
            4 => out.truncate(at),
            5 => out[at..end].fill(if random.random() { 0 } else { 0xff }),
            _ => drop(out.splice(at..end, TOKENS[random.random_range(0..TOKENS.len())].iter().copied())),
        }
    }
    out
}

/// The valid files in a folder: each with the names of its parts, the first being the one that is read.
fn valid_files(folder: &Path) -> Vec<Vec<PathBuf>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    zip::ZipArchive::new(File::open(root.join("tests/fixtures/vector/gdal.zip")).unwrap())
        .unwrap()
        .extract(folder)
        .unwrap();
    for name in ["task_data_v3.zip", "task_data_v4.zip", "prescription.zip"] {
        std::fs::copy(root.join("tests/data").join(name), folder.join(name)).unwrap();
    }
    std::fs::write(folder.join("two.csv"), "Yield;;Field\nwet;dry;name\nt/ha;t/ha;\n1,5;2;\"Long\n\"\n3;4,5;Short\n")
        .unwrap();
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    std::io::Write::write_all(&mut packed, b"rate,treatment,name\n1,check,a\n2,band,b\n").unwrap();
    std::fs::write(folder.join("rows.csv.gz"), packed.finish().unwrap()).unwrap();
    let mut frame = polars_core::df!("rate" => [1.5, 2.0], "treatment" => ["check", "band"]).unwrap();
    polars_io::prelude::ParquetWriter::new(File::create(folder.join("rows.parquet")).unwrap())
        .finish(&mut frame)
        .unwrap();
    let shape = |stem: &str| ["shp", "dbf", "prj", "cpg"].map(|end| folder.join(format!("{stem}.{end}"))).to_vec();
    let single = [
        "lay.geojson",
        "seq.geojsonl",
        "gdal_kml.kml",
        "gdal_libkml.kmz",
        "shapes.zip",
        "two.gpkg",
        "two.csv",
        "rows.csv.gz",
        "rows.parquet",
        "task_data_v3.zip",
        "task_data_v4.zip",
        "prescription.zip",
    ];
    let mut all: Vec<Vec<PathBuf>> = single.iter().map(|name| vec![folder.join(name)]).collect();
    all.extend([shape("poly_XYM"), shape("pts_XYZM")]);
    all
}

fn valid_grids() -> Vec<Vec<PathBuf>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/raster");
    let of = |names: &[&str]| names.iter().map(|name| folder.join(name)).collect::<Vec<_>>();
    vec![
        of(&["gdal.asc", "gdal.prj"]),
        of(&["float.bil", "float.hdr", "float.prj"]),
        of(&["gdal_classic.nc"]),
        of(&["scipy_months.nc"]),
        of(&["nc4_deflate.nc"]),
        of(&["nc4_months.nc"]),
        of(&["masked_overviews_bigtiff.tif"]),
        of(&["masked_strips.tif"]),
        of(&["int16_scaled_lzw_p2.tif"]),
    ]
}

/// Reads changed copies of the files with `read`, and answers how many were read without a fault.
#[expect(clippy::print_stderr, reason = "how far a long run has come")]
fn over_mutations(files: &[Vec<PathBuf>], each: usize, read: impl Fn(&Path) -> bool) -> Vec<usize> {
    let folder = tempfile::tempdir().unwrap();
    let mut sound = Vec::new();
    for (number, parts) in files.iter().enumerate() {
        let mut random = ChaCha8Rng::seed_from_u64(seed() << 32 | number as u64);
        let contents: Vec<Vec<u8>> = parts.iter().map(|part| std::fs::read(part).unwrap_or_default()).collect();
        let copies: Vec<PathBuf> = parts.iter().map(|part| folder.path().join(part.file_name().unwrap())).collect();
        let mut count = 0;
        for round in 0..each {
            let changed = random.random_range(0..parts.len());
            for (at, (copy, content)) in copies.iter().zip(&contents).enumerate() {
                let content = if at == changed { mutated(content, &mut random) } else { content.clone() };
                std::fs::write(copy, content).unwrap();
            }
            let started = Instant::now();
            let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| read(&copies[0])));
            let kept = || {
                let kept = std::env::temp_dir().join("bandlift-mutated");
                std::fs::create_dir_all(&kept).unwrap();
                for copy in &copies {
                    let _ = std::fs::copy(copy, kept.join(copy.file_name().unwrap()));
                }
                kept
            };
            assert!(outcome.is_ok(), "{}, round {round}: a panic; kept in {}", copies[0].display(), kept().display());
            assert!(
                started.elapsed() < LONGEST,
                "{}, round {round}: too long; kept in {}",
                copies[0].display(),
                kept().display()
            );
            count += usize::from(outcome.unwrap_or(false));
        }
        eprintln!("{}: {each} mutations, {count} readable", copies[0].file_name().unwrap().display());
        sound.push(count);
    }
    sound
}

#[test]
fn no_reader_panics_or_hangs_on_mutated_tables() {
    let folder = tempfile::tempdir().unwrap();
    let files = asked(valid_files(folder.path()));
    let attempt = |path: &Path| {
        // of a GeoPackage one of its layers
        let layer = path.join("strips");
        let path = if path.ends_with("two.gpkg") { layer.as_path() } else { path };
        let Ok(columns) = columns("f", path, MOST_BYTES) else { return false };
        let of = |shapes| {
            let texts: Vec<String> = columns.iter().filter(|name| !name.is_empty()).cloned().collect();
            read("f", path, &Wanted { shapes, texts, numbers: Vec::new(), most_unpacked_bytes: MOST_BYTES })
        };
        let numbers = Wanted { numbers: columns.clone(), most_unpacked_bytes: MOST_BYTES, ..Wanted::default() };
        let _ = read("f", path, &numbers);
        let _ = units("f", path, MOST_BYTES);
        [Shapes::Polygons, Shapes::Points, Shapes::Ignored].into_iter().any(|shapes| of(shapes).is_ok())
    };
    for parts in &files {
        assert!(parts.len() > 1 || attempt(&parts[0]), "{} is no valid file", parts[0].display());
    }
    let sound = over_mutations(&files, mutations(150), attempt);
    // the changes are small enough that some files stay readable, and great enough that others do not
    assert!(files.is_empty() || sound.iter().sum::<usize>() > 0, "{sound:?}");
}

#[test]
fn no_grid_panics_or_hangs_when_mutated() {
    let read = |path: &Path| {
        let month = Some(crate::raster::Month { year: Some(2023), month: 5 });
        let ask = crate::raster::Ask { month, most_bytes: MOST_BYTES, ..Default::default() };
        let Ok(mut file) = RasterFile::open_with(path, ask) else { return false };
        // a header may declare any size
        u64::from(file.width()) * u64::from(file.height()) < 1 << 20 && file.summary().is_ok()
    };
    let files = asked(valid_grids());
    for parts in &files {
        assert!(read(&parts[0]), "{} is no valid file", parts[0].display());
    }
    let sound = over_mutations(&files, mutations(300), read);
    assert!(sound.iter().all(|&count| count < mutations(300)), "{sound:?}");
}
