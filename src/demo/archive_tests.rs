use std::collections::BTreeMap;
use std::path::PathBuf;

use super::*;
use crate::config::{ArchiveSettings, FieldSettings};
use crate::demo::plan::Sharing;

fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    walkdir::WalkDir::new(dir)
        .into_iter()
        .map(Result::unwrap)
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| (entry.path().strip_prefix(dir).unwrap().to_owned(), std::fs::read(entry.path()).unwrap()))
        .collect()
}

const COMPACT: Options = Options { seed: 1862, size: Size::Compact };

#[test]
fn the_settings_and_layers_are_read_without_a_fault() {
    let dir = tempfile::tempdir().unwrap();
    let truth = write(dir.path(), COMPACT).unwrap();
    let written = files(dir.path());
    let text = |path: &Path| String::from_utf8(written[path].clone()).unwrap();
    let archive = ArchiveSettings::parse("archive.toml", &text(Path::new("archive.toml"))).unwrap();
    assert_eq!(archive.treatments.len(), 4);
    let mut fields = 0;
    for (path, bytes) in &written {
        match path.extension().and_then(|ending| ending.to_str()) {
            Some("toml") if path.ends_with("field.toml") => {
                let field = FieldSettings::parse("field.toml", &text(path), &archive).unwrap();
                let (season, farm, name) = field.identity();
                assert!(truth.site_year(season, farm, name).is_some());
                fields += 1;
            }
            Some("geojson") => {
                let parsed: geojson::FeatureCollection =
                    text(path).parse::<geojson::GeoJson>().unwrap().try_into().unwrap();
                assert!(!parsed.features.is_empty());
                for feature in &parsed.features {
                    let polygon: geo::Polygon<f64> = feature.geometry.clone().unwrap().try_into().unwrap();
                    let validity = crate::geometry::repair(&polygon.into()).validity;
                    assert_eq!(validity, crate::geometry::Validity::Valid, "{}", path.display());
                }
            }
            Some("tif") => {
                let mut file =
                    crate::raster::RasterFile::from_reader(std::io::Cursor::new(bytes.clone()), path).unwrap();
                assert!(file.read_all().unwrap().data.iter().all(|value| (40.0..250.0).contains(value)));
            }
            _ => {}
        }
    }
    assert_eq!(fields, truth.site_years.len());
    let size: usize = written.values().map(Vec::len).sum();
    assert!(size <= 4 << 20, "{size} bytes");
}

#[test]
fn the_same_seed_gives_the_same_bytes_at_any_number_of_threads() {
    let write_with = |threads: usize, seed: u64| {
        let dir = tempfile::tempdir().unwrap();
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let truth = pool.install(|| write(dir.path(), Options { seed, size: Size::Compact })).unwrap();
        (files(dir.path()), truth)
    };
    let (one, three) = (write_with(1, 7), write_with(3, 7));
    assert!(one.0 == three.0, "files differ");
    assert_eq!(one.1, three.1);
    assert!(write_with(1, 8).0 != one.0);
}

#[test]
fn the_truth_is_kept_and_found() {
    let dir = tempfile::tempdir().unwrap();
    let truth = write(&dir.path().join("archive"), COMPACT).unwrap();
    let path = dir.path().join("truth.json");
    truth.save(&path).unwrap();
    assert_eq!(Truth::load(&path).unwrap(), truth);
    let wet = truth.response(2022, "Alder Bend", "Heron Slough", "band_full", "Poorly drained").unwrap();
    let half = truth.response(2022, "Alder Bend", "Heron Slough", "band_half", "Poorly drained").unwrap();
    assert!((half / wet - 0.6).abs() < 0.02, "{half} {wet}");
    assert_eq!(truth.response(2022, "Alder Bend", "Heron Slough", "check", "all"), Some(0.0));
    assert_eq!(truth.response(2022, "Alder Bend", "Heron Slough", "band_full", "Excessively drained"), None);
    assert_eq!(truth.response(1999, "Alder Bend", "Heron Slough", "band_full", "all"), None);
}

/// Break-even of the full rate is 20 USD/ac at 4.20 USD/bu: 4.76 bu/ac.
#[test]
fn the_full_archive_has_an_answer_to_where() {
    let all = scenarios(Options::default()).unwrap();
    assert!(all.len() >= 12);
    let mut names: Vec<&str> = all.iter().map(|one| one.name.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), all.len(), "a site-year stands once");
    assert!(all.iter().any(|one| one.machines.len() == 2 && one.harvest.sharing == Sharing::Alternate));
    assert!(all.iter().any(|one| one.harvest.sharing == Sharing::ByTreatment));
    let full_rate = |class: usize, wanted: fn(f64) -> bool| -> Vec<f64> {
        let to_degrees = Projector::new(&Crs::from_epsg(EPSG).unwrap(), &Crs::wgs84()).unwrap();
        plan(Options::default(), &to_degrees)
            .unwrap()
            .iter()
            .filter(|one| {
                wanted(one.wetness_mm) && one.crop.key() == "corn" && one.scenario.field.soil.classes.contains(&class)
            })
            .map(|one| {
                let at = one.scenario.field.treatments.iter().position(|key| key == "band_full").unwrap();
                one.scenario.field.response_kg_ha[at][class] / 62.77
            })
            .collect()
    };
    let wet_and_poor = full_rate(5, |mm| mm > 25.0);
    assert!(wet_and_poor.len() >= 2 && wet_and_poor.iter().all(|&bu| bu > 4.76), "{wet_and_poor:?}");
    let dry_and_well = full_rate(2, |mm| mm < -25.0);
    assert!(!dry_and_well.is_empty() && dry_and_well.iter().all(|&bu| bu.abs() < 4.0), "{dry_and_well:?}");
}

#[test]
fn records_for_the_stages_are_those_that_were_written() {
    let scenario = &scenarios(COMPACT).unwrap()[2];
    let done = simulate(scenario);
    let records = done.to_records(scenario);
    assert_eq!(records.len(), done.records.len());
    assert_eq!(records.machine.names, ["A", "B"]);
    let mass: f64 = done.records.iter().map(|record| record.mass_kg).sum();
    assert!((records.mass_kg.iter().sum::<f64>() - mass).abs() < 1e-6 * mass);
    for (at, &row) in records.row.iter().enumerate() {
        assert_eq!(records.time_s[at], done.records[row as usize - 1].time_s);
    }
}

/// Writes the full archive and prints what it took; run with `--ignored --nocapture`. A folder may be named in
/// `DEMO_FOLDER`.
#[test]
#[ignore = "a measurement"]
#[expect(clippy::print_stderr, reason = "a measurement is read on the screen")]
fn speed_and_size_of_the_full_archive() {
    let temporary = tempfile::tempdir().unwrap();
    let dir = std::env::var_os("DEMO_FOLDER").map_or_else(|| temporary.path().to_owned(), PathBuf::from);
    let start = std::time::Instant::now();
    let truth = write(&dir.join("archive"), Options::default()).unwrap();
    let taken = start.elapsed();
    truth.save(&dir.join("truth.json")).unwrap();
    let records: usize = truth.site_years.iter().map(|one| one.records).sum();
    let bytes: usize = files(&dir).values().map(Vec::len).sum();
    eprintln!("{} site-years, {records} records, {bytes} bytes in {taken:?}", truth.site_years.len());
    for one in &truth.site_years {
        let bu = |class: &str| one.response("band_full", class).map_or(f64::NAN, |found| found.response_kg_ha / 62.77);
        eprintln!(
            "{} {} {} {}: {:.0} mm, {} records, full rate {:.1} (all), {:.1} (poorly), {:.1} (well)",
            one.season,
            one.farm,
            one.field,
            one.crop,
            one.wetness_mm,
            one.records,
            bu("all"),
            bu("Poorly drained"),
            bu("Well drained")
        );
    }
    assert!((150_000..=250_000).contains(&records));
}
