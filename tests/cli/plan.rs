//! `bandlift plan`: its files, and what it refuses.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::Connection;
use serde_json::Value;
use tempfile::TempDir;

use crate::archive::{FIELD, noise, say};
use crate::observed::row_is_reported;
use crate::support::{Tol, close};

fn archive() -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/archive").to_string_lossy().into_owned()
}

fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

#[test]
fn every_field_gets_zones_that_add_up_in_files_that_open() {
    let room = TempDir::new().unwrap();
    let out = room.path().join("out");
    let said = say(&["plan", &archive(), "--out", out.to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("label, local rules and a licensed adviser come first"), "{}", said.stdout);
    let table = rows(&out.join("plan/corn/plan.csv"));
    let fields: BTreeSet<(String, String)> =
        table.iter().map(|row| (row["folder"].clone(), row["treatment"].clone())).collect();
    assert!(fields.len() >= 4, "{fields:?}");
    for (folder, treatment) in &fields {
        let own: Vec<_> =
            table.iter().filter(|row| &row["folder"] == folder && &row["treatment"] == treatment).collect();
        let area: f64 = own.iter().map(|row| row["area"].parse::<f64>().unwrap()).sum();
        assert!(area > 1.0);
        for row in &own {
            assert!(["treat", "leave", "test"].contains(&row["decision"].as_str()));
            // money is promised only where something is to be treated
            assert_eq!(row["expected_money"].is_empty(), row["decision"] != "treat" || row["net_return"].is_empty());
        }
        let place = out.join("plan/corn").join(folder);
        let package = Connection::open(place.join("zones.gpkg")).unwrap();
        let (count, stored): (i64, f64) = package
            .query_row("SELECT COUNT(*), SUM(area) FROM zones WHERE treatment = ?1", [treatment], |row| {
                Ok((row.get(0)?, row.get(1)?))
            })
            .unwrap();
        assert_eq!(count as usize, own.len());
        close("area", stored, area, Tol::abs(0.01));
        let shapes = shapefile::Reader::from_path(place.join("zones.shp")).unwrap();
        assert_eq!(shapes.into_shapes_and_records_count(), table.iter().filter(|row| &row["folder"] == folder).count());
        assert!(place.join("zones.prj").is_file());
    }
}

/// Every row of the demo's plan keeps the rule of the README.
#[test]
fn the_plan_of_the_demo_keeps_its_own_rule() {
    const SURE: f64 = 0.80;
    let room = TempDir::new().unwrap();
    let said = say(&["demo", room.path().to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let table = rows(&room.path().join("out/plan/plan.csv"));
    assert!(table.len() > 30, "{}", table.len());
    let mut seen = BTreeSet::new();
    for row in &table {
        let number = |column: &str| row[column].parse::<f64>().ok();
        let (pays, net, site_years) = (number("probability_pays"), number("net_return"), number("site_years").unwrap());
        let known = pays.zip(net).filter(|_| site_years >= 3.0);
        let advised = match known {
            Some((pays, net)) if pays >= SURE && net > 0.0 => "treat",
            Some((pays, net)) if pays <= 1.0 - SURE && net <= 0.0 => "leave",
            _ => "test",
        };
        let (decision, why) = (row["decision"].as_str(), row["why"].as_str());
        let keeps = match why {
            "advice" => decision == advised,
            "bridged" => decision == "treat" && advised != "treat" && known.is_some(),
            "too-short" => decision == "leave" && advised == "treat",
            other => panic!("{other}"),
        };
        assert!(keeps, "{advised}: {row:?}");
        assert!(decision != "treat" || why == "bridged" || number("expected_money").unwrap() >= 0.0, "{row:?}");
        assert!(row["best"] == "no" || (decision, why) == ("treat", "advice"), "{row:?}");
        // nothing is decided for less than a tenth of an acre
        assert!(number("area").unwrap() > 0.1, "{row:?}");
        seen.insert((decision.to_owned(), why.to_owned()));
    }
    for kind in [("treat", "advice"), ("leave", "advice"), ("test", "advice")] {
        assert!(seen.contains(&(kind.0.to_owned(), kind.1.to_owned())), "{kind:?} of {seen:?}");
    }
    // what is bridged is a small part of what is treated
    let area = |keep: &dyn Fn(&BTreeMap<String, String>) -> bool| -> f64 {
        table.iter().filter(|row| keep(row)).map(|row| row["area"].parse::<f64>().unwrap()).sum()
    };
    let (bridged, treated) = (area(&|row| row["why"] == "bridged"), area(&|row| row["decision"] == "treat"));
    assert!(bridged < 0.05 * treated, "{bridged} of {treated}");
    // and nothing is told as a certainty
    assert!(!said.stdout.contains(" 0 %") && !said.stdout.contains("100 %"), "{}", said.stdout);
    money_adds_up(room.path(), &table);
}

/// Of a plan as JSON: what is expected of a zone is its net return less what is taken off, what strips would gain is ranked by field and
/// sums to that of all fields, and zones lose nothing by their own choice that they promise.
fn money_adds_up(demo: &Path, table: &[BTreeMap<String, String>]) {
    let (archive, out) = (demo.join("archive"), demo.join("out"));
    let said = say(&["plan", archive.to_str().unwrap(), "--out", out.to_str().unwrap(), "--json"]);
    let plan: Value = serde_json::from_str(&said.stdout).unwrap();
    let list = |key: &str| plan[key].as_array().unwrap().clone();
    let number = |value: &Value| value.as_f64().unwrap();
    let taken_off: BTreeMap<String, f64> = list("zoning")
        .iter()
        .map(|one| (one["treatment"].as_str().unwrap().to_owned(), number(&one["taken_off"])))
        .collect();
    assert!(taken_off.values().any(|&off| off > 0.0), "{taken_off:?}");
    for row in table.iter().filter(|row| row["decision"] == "treat") {
        let of = |column: &str| row[column].parse::<f64>().unwrap();
        let expected = (of("net_return") - taken_off[&row["treatment"]]) * of("area");
        assert!((of("expected_money") - expected).abs() < 0.6 + 0.01 * of("area"), "{row:?}");
    }
    assert_eq!(list("strips_worth").len(), 3);
    for one in list("strips_worth") {
        let gains: Vec<f64> = one["fields"].as_array().unwrap().iter().map(|field| number(&field["gain"])).collect();
        assert!(gains.is_sorted_by(|one, next| one >= next), "{gains:?}");
        assert!((gains.iter().sum::<f64>() - number(&one["gain"])).abs() < 0.1, "{one}");
    }
    for one in list("zones_risk") {
        assert!(number(&one["loss_if_alike"]) >= 0.0 && number(&one["area"]) > 0.0, "{one}");
    }
}

trait Count {
    fn into_shapes_and_records_count(self) -> usize;
}

impl<T: std::io::Read + std::io::Seek, D: std::io::Read + std::io::Seek> Count for shapefile::Reader<T, D> {
    fn into_shapes_and_records_count(mut self) -> usize {
        self.iter_shapes_and_records().map(Result::unwrap).count()
    }
}

/// Advised by little more than even odds, the example's cheap half rate promises more than the left-out fields returned.
#[test]
fn ground_that_was_promised_too_much_is_tested() {
    let room = TempDir::new().unwrap();
    let (archive, out) = (copied(&room), room.path().join("out"));
    edit(&archive.join("archive.toml"), "cost = \"10.00 USD/ac\"", "cost = \"6.00 USD/ac\"");
    edit(&archive.join("archive.toml"), "[target]\n", "[target]\nsure = 0.55\n");
    assert_eq!(plan_of(&archive, &out).code, 0);
    let zoning = rows(&out.join("plan/corn/zoning.csv"));
    let number = |row: &BTreeMap<String, String>, column: &str| row[column].parse::<f64>().unwrap();
    let half = zoning.iter().find(|row| row["treatment"] == "band_half").unwrap();
    let (optimism, error) = (number(half, "optimism"), number(half, "optimism_std_error"));
    assert!(optimism > 0.0 && error > 0.0, "{half:?}");
    let take_off = optimism.powi(3) / (optimism.powi(2) + error.powi(2));
    let table = rows(&out.join("plan/corn/plan.csv"));
    let of_half = table.iter().filter(|row| row["treatment"] == "band_half" && row["why"] == "advice");
    let (mut treated, mut tested) = (0, Vec::new());
    for row in of_half.filter(|row| !row["net_return"].is_empty()) {
        let is_too_much = row["caution"].split(';').any(|code| code == "promised-too-much");
        match row["decision"].as_str() {
            "treat" => {
                assert!(number(row, "net_return") > take_off - 0.01 && !is_too_much, "{row:?}");
                treated += 1;
            }
            "test" if is_too_much => {
                assert!((0.0..take_off + 0.01).contains(&number(row, "net_return")), "{row:?}");
                tested.push(row.clone());
            }
            _ => assert!(!is_too_much, "{row:?}"),
        }
    }
    let rows = tested;
    row_is_reported(&rows[0], "promised-too-much");
    // what was kept has nothing to lose
    let promised =
        fs::read_dir(out.join("plan/corn/promises")).unwrap().next().unwrap().unwrap().path().join("promised.csv");
    let promised = self::rows(&promised);
    let of_half = promised.iter().filter(|row| row["treatment"] == "band_half" && row["decision"] == "treat");
    for row in of_half {
        assert!(number(row, "net_return_per_ha") > -0.01, "{row:?}");
        treated += 1;
    }
    assert!(treated > 0, "{table:?}");
}

#[test]
fn a_plan_that_cannot_be_made_says_why() {
    let room = TempDir::new().unwrap();
    let out = room.path().join("out");
    let refused = |more: &[&str]| {
        let archive = archive();
        let mut arguments = vec!["plan", archive.as_str(), "--out", out.to_str().unwrap()];
        arguments.extend(more);
        let said = say(&arguments);
        assert_eq!(said.code, 2, "{}", said.stderr);
        said.stderr
    };
    let text = refused(&["--crop", "rice"]);
    assert!(text.contains("--crop: `rice` is not in archive.toml; expected one of corn"), "{text}");
    let text = refused(&["--outlook", "drier=0.5,wetter=0.5"]);
    assert!(text.contains("--outlook: ") && text.contains("near normal"), "{text}");
    let text = refused(&["--outlook", "drier=0.5,near normal=0.5,wetter=0.5"]);
    assert!(text.contains("sum to 1.500, expected 1"), "{text}");
    // what an error offers is taken
    let text = refused(&["--outlook", "drier"]);
    let offered = text.rsplit_once("such as `").unwrap().1.split_once('`').unwrap().0;
    let text = refused(&["--outlook", offered, "--crop", "soybean", "--precision", "nonsense"]);
    assert!(!text.contains("--outlook") && text.contains("--precision"), "{text}");
    assert!(!out.join("plan").exists());
}

#[test]
fn a_wanted_precision_says_how_many_strips_it_takes() {
    let room = TempDir::new().unwrap();
    let out = room.path().join("out");
    let plan = |precision: &str| say(&["plan", &archive(), "--out", out.to_str().unwrap(), "--precision", precision]);
    let said = plan("4 bu/ac");
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("Strips for an interval of ± 4.0 bu/ac (90 %)"), "{}", said.stdout);
    let table = rows(&out.join("plan/corn/replication.csv"));
    let number = |row: &BTreeMap<String, String>, column: &str| row[column].parse::<f64>().unwrap();
    assert!(!table.is_empty());
    for pair in table.windows(2) {
        // more blocks of as many site-years tell more
        if pair[0]["treatment"] == pair[1]["treatment"] && pair[0]["site_years"] == pair[1]["site_years"] {
            assert!(number(&pair[1], "half_width") < number(&pair[0], "half_width"));
        }
        assert!(number(&pair[0], "detectable") > number(&pair[0], "half_width"));
    }
    for wrong in ["4", "4 bushels", "-1 bu/ac", "fine"] {
        let said = plan(wrong);
        assert_eq!(said.code, 2, "{wrong}");
        assert!(said.stderr.contains("--precision"), "{}", said.stderr);
    }
}

/// A copy of the example archive, to be changed.
/// A copy of the example archive.
pub fn copied(room: &TempDir) -> PathBuf {
    let (from, to) = (PathBuf::from(archive()), room.path().join("archive"));
    for entry in walkdir::WalkDir::new(&from) {
        let entry = entry.unwrap();
        let target = to.join(entry.path().strip_prefix(&from).unwrap());
        if entry.file_type().is_dir() {
            fs::create_dir_all(&target).unwrap();
        } else {
            fs::copy(entry.path(), &target).unwrap();
        }
    }
    to
}

fn edit(path: &Path, from: &str, to: &str) {
    let text = fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{from}");
    fs::write(path, text.replace(from, to)).unwrap();
}

fn plan_of(archive: &Path, out: &Path) -> crate::archive::Said {
    say(&["plan", archive.to_str().unwrap(), "--out", out.to_str().unwrap()])
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn fields_worth_testing_get_strips_with_a_sheet() {
    let room = TempDir::new().unwrap();
    let (root, out, again) = (copied(&room), room.path().join("out"), room.path().join("again"));
    let said = plan_of(&root, &out);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let table = rows(&out.join("plan/corn/strips.csv"));
    let folders: BTreeSet<&str> = table.iter().map(|row| row["folder"].as_str()).collect();
    let told = format!("Strips for 2025: {} in {} of 4 fields", table.len(), folders.len());
    assert!(!table.is_empty() && said.stdout.contains(&told), "{told}: {}", said.stdout);
    for folder in folders {
        let own: Vec<_> = table.iter().filter(|row| row["folder"] == folder).collect();
        // a planter of 60 ft, a header of 30 ft and a guard of 2.5 ft: one pass of each
        assert!(
            own.iter().all(|row| (row["planted_width"].as_str(), row["harvest_width"].as_str()) == ("60.00", "55.00"))
        );
        assert!(own.iter().all(|row| (row["planter_passes"].as_str(), row["header_passes"].as_str()) == ("1", "1")));
        let treatments: BTreeSet<&str> = own.iter().map(|row| row["treatment"].as_str()).collect();
        assert!(treatments.contains("check") && treatments.len() > 1);
        let blocks: BTreeSet<&str> = own.iter().map(|row| row["block"].as_str()).collect();
        assert!(blocks.len() >= 3 && own.len() == blocks.len() * treatments.len());
        for block in blocks {
            let in_block: BTreeSet<&str> =
                own.iter().filter(|row| row["block"] == block).map(|row| row["treatment"].as_str()).collect();
            assert_eq!(in_block, treatments);
        }
        let place = out.join("plan/corn").join(folder);
        let strips = json(&place.join("strips.geojson"));
        let parts = |file: &Value, part: &str| -> Vec<Value> {
            let features = file["features"].as_array().unwrap();
            features.iter().filter(|one| one["properties"]["part"] == part).cloned().collect()
        };
        assert_eq!(strips["features"].as_array().unwrap().len(), own.len());
        let harvest = parts(&strips, "harvest");
        for (row, feature) in own.iter().zip(&harvest) {
            let properties = &feature["properties"];
            for name in ["strip", "block", "treatment", "label"] {
                assert_eq!(properties[name].as_str(), Some(row[name].as_str()), "{name}");
            }
            close("length", properties["length"].as_f64().unwrap(), row["length"].parse().unwrap(), Tol::abs(1e-9));
        }
        let layout = json(&place.join("layout.geojson"));
        assert_eq!(parts(&layout, "harvest"), harvest);
        assert_eq!(parts(&layout, "guard").len(), own.len());
        let sheet = fs::read_to_string(place.join("strips.html")).unwrap();
        for told in [
            "the product label, local rules and a licensed adviser come first",
            "seed 1 of archive.toml",
            "randomized = true",
        ] {
            assert!(sheet.contains(told), "{told}");
        }
    }
    // the same plan gives the same bytes
    assert_eq!(plan_of(&root, &again).code, 0);
    for entry in walkdir::WalkDir::new(out.join("plan")).into_iter().map(Result::unwrap) {
        if entry.file_type().is_file() {
            let other = again.join(entry.path().strip_prefix(&out).unwrap());
            assert!(fs::read(entry.path()).unwrap() == fs::read(&other).unwrap(), "{}", other.display());
        }
    }
    // another seed, another order; the site-years are not computed again for it
    edit(&root.join("archive.toml"), "planter = \"60 ft\"", "planter = \"60 ft\"\nseed = 2");
    let said = plan_of(&root, &again);
    assert!(said.stderr.contains("4 unchanged"), "{}", said.stderr);
    let order = |out: &Path| -> Vec<String> {
        rows(&out.join("plan/corn/strips.csv")).iter().map(|row| row["treatment"].clone()).collect()
    };
    assert_ne!(order(&again), order(&out));
}

/// Next season's harvest of planned strips: one pass along each, a metre beside its middle, with 8 % more on treated ground.
fn harvested(strips: &Value) -> String {
    let mut lines = vec!["utc_s,lon,lat,flow_kg_s,moist,speed_m_s,down".to_owned()];
    let mut time = 1_758_000_000.0;
    for (strip, feature) in strips["features"].as_array().unwrap().iter().enumerate() {
        let properties = &feature["properties"];
        let ring = feature["geometry"]["coordinates"][0].as_array().unwrap();
        assert_eq!(ring.len(), 5, "a field with straight sides has rectangles");
        let corner = |at: usize| (ring[at % 4][0].as_f64().unwrap(), ring[at % 4][1].as_f64().unwrap());
        let between = |a: (f64, f64), b: (f64, f64), share: f64| (a.0 + share * (b.0 - a.0), a.1 + share * (b.1 - a.1));
        let long = |at: usize| {
            let (a, b) = (corner(at), corner(at + 1));
            ((a.0 - b.0) * a.1.to_radians().cos()).hypot(a.1 - b.1)
        };
        // the two short sides are the ends of the strip; the harvest part is 55 ft wide
        let end = usize::from(long(0) >= long(1));
        let beside = 0.5 + 1.0 / (55.0 * 0.3048);
        let from = between(corner(end), corner(end + 1), beside);
        let to = between(corner(end + 3), corner(end + 2), beside);
        let steps = (properties["length"].as_f64().unwrap() * 0.3048 / 2.0) as usize;
        let lift = if properties["treatment"] == "check" { 1.0 } else { 1.08 };
        for step in 0..steps {
            let (lon, lat) = between(from, to, (step as f64 + 0.5) / steps as f64);
            let ground = 10_000.0 + 500.0 * (step as f64 / 17.0).sin() + 200.0 * noise(strip * 1000 + step);
            let ground = (ground + 40.0 * noise(77 + strip)) * lift;
            // kg/ha over a header of 30 ft at 2 m/s, at market moisture
            let flow = ground / 1e4 * 2.0 * 30.0 * 0.3048;
            lines.push(format!("{time},{lon:.9},{lat:.9},{flow:.5},15.5,2.0,1"));
            time += 1.0;
        }
        time += 60.0;
    }
    lines.join("\n") + "\n"
}

/// Its settings, with the harvest file of the sound site-year.
fn next_season() -> String {
    let (_, harvest) = FIELD.split_once("[[harvest]]").unwrap();
    let strips =
        r#"{ path = "strips.geojson", treatment = "treatment", block = "block", strip = "strip", randomized = true }"#;
    format!(
        "farm = \"Tamsin Flats\"\nfield = \"Creek Quarter\"\nseason = 2025\ncrop = \"corn\"\nstrips = {strips}\n[[harvest]]{harvest}"
    )
}

/// The plan's own file is next season's strip layer: its blocks and treatments are those of the design, and what was harvested
/// as the sheet says gives the response back.
#[test]
fn the_strips_are_read_again_as_they_were_drawn_and_tell_the_response() {
    let room = TempDir::new().unwrap();
    let (root, out) = (copied(&room), room.path().join("out"));
    edit(
        &root.join("archive.toml"),
        "[model]",
        "[clean]\nlag = \"0 s\"\npass_entry = \"0 s\"\npass_exit = \"0 s\"\n[model]",
    );
    assert_eq!(plan_of(&root, &out).code, 0);
    let folder = "tamsin-flats/creek-quarter";
    let field = root.join("2025/creek-quarter");
    fs::create_dir_all(&field).unwrap();
    let strips = out.join("plan/corn").join(folder).join("strips.geojson");
    fs::copy(&strips, field.join("strips.geojson")).unwrap();
    fs::copy(root.join("layers/total_2024_05.tif"), root.join("layers/total_2025_05.tif")).unwrap();
    fs::write(field.join("field.toml"), next_season()).unwrap();
    fs::write(field.join("harvest.csv"), harvested(&json(&strips))).unwrap();
    let table = rows(&out.join("plan/corn/strips.csv"));
    let own: Vec<_> = table.iter().filter(|row| row["folder"] == folder).collect();
    let said = say(&["run", root.to_str().unwrap(), "--out", out.to_str().unwrap(), "--only", "2025/*"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let results = out.join("site_years/2025").join(folder);
    let design = &json(&results.join("summary.json"))["design"];
    let blocks: BTreeSet<&str> = own.iter().map(|row| row["block"].as_str()).collect();
    let read: BTreeSet<&str> =
        design["blocks"].as_array().unwrap().iter().map(|block| block.as_str().unwrap()).collect();
    assert_eq!(read, blocks);
    assert_eq!((design["blocks_formed"].as_bool(), design["randomized"].as_bool()), (Some(false), Some(true)));
    let mut by_treatment: BTreeMap<&str, u64> = BTreeMap::new();
    for row in &own {
        *by_treatment.entry(&row["treatment"]).or_default() += 1;
    }
    for (treatment, count) in &by_treatment {
        assert_eq!(design["strips_by_treatment"][treatment].as_u64(), Some(*count), "{treatment}: {design}");
    }
    let response = rows(&results.join("response.csv"));
    let whole: Vec<_> = response.iter().filter(|row| row["drainage_class"] == "all").collect();
    assert_eq!(whole.len(), by_treatment.len() - 1);
    for row in whole {
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        assert_eq!(row["blocks"], blocks.len().to_string());
        // strips differ by 40 kg/ha at the most besides: of three blocks √(2/3) × 40/√3 is 0.2 % of the yield
        close("lift", number("response") / number("check_yield"), 0.08, Tol::abs(0.008));
        assert!(!row["caution"].contains("one-sided"), "{}", row["caution"]);
    }
}

#[test]
fn without_a_planter_no_strips_are_drawn_and_former_ones_go() {
    let room = TempDir::new().unwrap();
    let (root, out) = (copied(&room), room.path().join("out"));
    assert_eq!(plan_of(&root, &out).code, 0);
    let sheet = out.join("plan/corn/tamsin-flats/creek-quarter/strips.html");
    assert!(sheet.is_file());
    edit(&root.join("archive.toml"), "planter = \"60 ft\"", "");
    let said = plan_of(&root, &out);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(
        said.stdout.contains("No strips are drawn: they take the width that the planter covers"),
        "{}",
        said.stdout
    );
    assert!(rows(&out.join("plan/corn/strips.csv")).is_empty());
    assert!(!sheet.exists() && !sheet.with_file_name("strips.geojson").exists());
    assert!(sheet.with_file_name("zones.gpkg").is_file());
}

#[test]
fn strips_run_where_they_are_told_to_and_a_field_that_is_not_there_is_refused() {
    let room = TempDir::new().unwrap();
    let (root, out) = (copied(&room), room.path().join("out"));
    let settings = root.join("archive.toml");
    let directions = "planter = \"40 ft\"\nheader = \"30 ft\"\nblocks = 3\nleast_strip = \"60 m\"\nend_rows = \"20 m\"\n\
                      [target.directions]\n\"Tamsin Flats/Creek Quater\" = \"275 deg\"";
    edit(&settings, "planter = \"60 ft\"", directions);
    let said = plan_of(&root, &out);
    assert_eq!(said.code, 2, "{}", said.stderr);
    let expected = "the archive has no field `Tamsin Flats/Creek Quater`; did you mean `Tamsin Flats/Creek Quarter`?";
    assert!(said.stderr.contains(expected), "{}", said.stderr);
    assert!(!out.join("plan").exists());
    edit(&settings, "Creek Quater", "Creek Quarter");
    let said = plan_of(&root, &out);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let table = rows(&out.join("plan/corn/strips.csv"));
    let own: Vec<_> = table.iter().filter(|row| row["field"] == "Creek Quarter").collect();
    assert!(!own.is_empty() && own.iter().all(|row| row["bearing_deg"] == "95.00"), "{}", said.stdout);
    // 40 ft and 30 ft: one pass of each, 5 ft left at each side
    let sheet = fs::read_to_string(out.join("plan/corn/tamsin-flats/creek-quarter/strips.html")).unwrap();
    assert!(sheet.contains("the first with its edge 5 ft in from the side of the strip"), "{sheet}");
    // how a product that settles is kept out of the strips is for those who log rates
    assert!(!sheet.contains("agitated"));
    let cost = "cost = \"20.00 USD/ac\"";
    edit(&settings, cost, &format!("{cost}\nrate = \"8 fl oz/ac\""));
    assert_eq!(plan_of(&root, &out).code, 0);
    let sheet = fs::read_to_string(out.join("plan/corn/tamsin-flats/creek-quarter/strips.html")).unwrap();
    for part in ["agitated before each fill", "common practice, no source", "The product label comes first"] {
        assert!(sheet.contains(part), "{part}");
    }
    // the direction is that from true north: along a meridian and a parallel at the strip's own latitude
    let strips = json(&out.join("plan/corn/tamsin-flats/creek-quarter/strips.geojson"));
    let ring = strips["features"][0]["geometry"]["coordinates"][0].as_array().unwrap();
    let corner = |at: usize| (ring[at][0].as_f64().unwrap(), ring[at][1].as_f64().unwrap());
    let longest = (1..ring.len())
        .map(|at| (corner(at - 1), corner(at)))
        .map(|(from, to)| ((to.0 - from.0) * from.1.to_radians().cos(), to.1 - from.1))
        .max_by(|one, other| one.0.hypot(one.1).total_cmp(&other.0.hypot(other.1)))
        .unwrap();
    // a degree of latitude is 0.3 % shorter than that of longitude by its cosine (WGS 84), which at 95° turns by 0.02°
    close("bearing", longest.0.atan2(longest.1).to_degrees().rem_euclid(180.0), 95.0, Tol::abs(0.05));
}

/// What a plan's folder says of its age.
fn note(out: &Path, crop: &str) -> Option<String> {
    fs::read_to_string(out.join("plan").join(crop).join("not-current.txt")).ok()
}

#[test]
fn a_plan_is_marked_when_a_later_run_has_other_results_and_kept_when_another_crop_is_planned() {
    let room = TempDir::new().unwrap();
    let (archive, out) = (copied(&room), room.path().join("out"));
    let run = || say(&["run", archive.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    let said = plan_of(&archive, &out);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(note(&out, "corn"), None);
    let corn = fs::read(out.join("plan/corn/plan.csv")).unwrap();
    // the same results: the plan holds
    assert!(!run().stderr.contains("older than the last run"));
    assert_eq!(note(&out, "corn"), None);
    // a site-year leaves
    let (here, away) = (archive.join("2023"), room.path().join("away"));
    fs::rename(&here, &away).unwrap();
    let said = run();
    assert!(
        said.stderr.contains("note: plan/corn is older than the last run: no longer among the results: 2023/"),
        "{}",
        said.stderr
    );
    assert!(
        note(&out, "corn").unwrap().contains("Make the plan again before anything is planted"),
        "{:?}",
        note(&out, "corn")
    );
    let notes = json(&out.join("run.json"))["notes"].to_string();
    assert!(notes.contains("plan/corn is older"), "{notes}");
    assert_eq!(fs::read(out.join("plan/corn/plan.csv")).unwrap(), corn);
    // it comes back: the plan holds again
    fs::rename(&away, &here).unwrap();
    run();
    assert_eq!(note(&out, "corn"), None);
    // the plan of another crop goes beside it, and a change of the prices is a change of both
    edit(&archive.join("archive.toml"), "10.60 USD/bu", "11.60 USD/bu");
    let said = say(&["plan", archive.to_str().unwrap(), "--out", out.to_str().unwrap(), "--crop", "soybean"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(fs::read(out.join("plan/corn/plan.csv")).unwrap(), corn);
    assert!(rows(&out.join("plan/soybean/plan.csv")).iter().all(|row| row["crop"] == "soybean"));
    assert_eq!(note(&out, "soybean"), None);
    assert!(note(&out, "corn").unwrap().contains("archive.toml has changed"));
    assert!(said.stderr.contains("note: plan/corn is older than the last run"), "{}", said.stderr);
}

/// The elements of a text of XML with their attributes, but for the places of points.
fn elements(xml: &str) -> Vec<(String, Vec<(String, String)>)> {
    let document = roxmltree::Document::parse(xml).unwrap();
    let of = |node: roxmltree::Node<'_, '_>| -> Vec<(String, String)> {
        let all = node.attributes().map(|one| (one.name().to_owned(), one.value().to_owned()));
        all.filter(|(name, _)| !(node.has_tag_name("PNT") && ["C", "D"].contains(&name.as_str()))).collect()
    };
    let nodes = document.descendants().filter(roxmltree::Node::is_element);
    nodes.map(|node| (node.tag_name().name().to_owned(), of(node))).collect()
}

/// North and east of each point.
fn places(xml: &str) -> Vec<[f64; 2]> {
    let document = roxmltree::Document::parse(xml).unwrap();
    let points = document.descendants().filter(|node| node.has_tag_name("PNT"));
    points.map(|point| ["C", "D"].map(|letter| point.attribute(letter).unwrap().parse().unwrap())).collect()
}

/// The text of TASKDATA.XML in a prescription.
pub fn task_data(path: &Path) -> String {
    let mut packed = zip::ZipArchive::new(fs::File::open(path).unwrap()).unwrap();
    std::io::read_to_string(packed.by_name("TASKDATA/TASKDATA.XML").unwrap()).unwrap()
}

#[test]
fn prescriptions_hold_the_tested_rates_and_nothing_on_check_strips() {
    let room = TempDir::new().unwrap();
    let (root, out) = (copied(&room), room.path().join("out"));
    let settings = root.join("archive.toml");
    for (cost, rate) in [("10.00", "4 fl oz/ac"), ("20.00", "8 fl oz/ac")] {
        let cost = format!("cost = \"{cost} USD/ac\"\n");
        edit(&settings, &cost, &format!("{cost}rate = \"{rate}\"\n"));
    }
    let said = plan_of(&root, &out);
    assert_eq!(said.code, 0, "{}", said.stderr);
    for part in [
        "Prescriptions (ISO 11783-10) for 3 of 4 fields",
        "no prescription: at-planting band, full rate, and a later leaf pass: archive.toml gives it no rate",
    ] {
        assert!(said.stdout.contains(part), "no `{part}` in {}", said.stdout);
    }
    let place = out.join("plan/corn/tamsin-flats/creek-quarter");
    let xml = task_data(&place.join("prescription.zip"));
    // as two libraries of the standard have read it (tests/reference/prescriptions.rs), places to a centimetre
    let known = task_data(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/prescription.zip"));
    assert_eq!(elements(&xml), elements(&known));
    for (ours, known) in places(&xml).into_iter().flatten().zip(places(&known).into_iter().flatten()) {
        close("place", ours, known, Tol::abs(1e-7));
    }
    // each strip once in each of the two tasks of strips; the rate on its own treatment's alone
    let strips = json(&place.join("strips.geojson"));
    let of = |treatment: &str| {
        strips["features"].as_array().unwrap().iter().filter(|one| one["properties"]["treatment"] == treatment).count()
    };
    let document = roxmltree::Document::parse(&xml).unwrap();
    let zones = |task: &str| -> Vec<(String, usize, String)> {
        let task = document.descendants().find(|node| node.attribute("B") == Some(task)).unwrap();
        let zones = task.children().filter(|node| node.has_tag_name("TZN"));
        let polygons = |zone: roxmltree::Node<'_, '_>| zone.children().filter(|node| node.has_tag_name("PLN")).count();
        let value = |zone: roxmltree::Node<'_, '_>| {
            let value = zone.children().find(|node| node.has_tag_name("PDV")).unwrap();
            format!("{} {}", value.attribute("A").unwrap(), value.attribute("B").unwrap())
        };
        zones.map(|zone| (zone.attribute("B").unwrap().to_owned(), polygons(zone), value(zone))).collect()
    };
    // 4 and 8 fl oz/ac are 0.29231 and 0.58461 L/ha (NIST SP 811), in steps of 0.01 mm³/m² (ISO 11783-11, number 1)
    for (own, other, steps) in [("band_half", "band_full", "0001 2923"), ("band_full", "band_half", "0001 5846")] {
        let expected = [
            ("elsewhere", 0, "0001 0"),
            ("strips", of(own), steps),
            ("check strips", of("check"), "0001 0"),
            ("strips of others", of(other) + of("band_full_leaf"), "0001 0"),
        ];
        let expected = expected.map(|(zone, count, value)| (zone.to_owned(), count, value.to_owned()));
        assert!(of(own) >= 3 && of("check") >= 3);
        assert_eq!(zones(&format!("Label first: strips {own}")), expected);
    }
    // without rates the former ones go, and the plan says so
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(&settings, text.lines().filter(|line| !line.starts_with("rate = ")).collect::<Vec<_>>().join("\n"))
        .unwrap();
    let said = plan_of(&root, &out);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(!place.join("prescription.zip").exists() && place.join("zones.gpkg").is_file());
    assert_eq!(said.stdout.matches("no prescription: ").count(), 3, "{}", said.stdout);
}
