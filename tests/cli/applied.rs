//! Logs of what was put down, in place of drawn strips and beside them.

use std::fmt::Write as _;
use std::fs;

use crate::archive::{ARCHIVE, Archive, LENGTH, STRIPS, SWATH, TREATED, collection, degrees, feature, ring};
use crate::task_data;

/// Rate of the treated strips, L/ha.
pub const RATE: f64 = 50.0;
/// 29 April 2023, noon.
const PLANTED: f64 = 1_682_769_600.0;
const STEP: f64 = 2.0;

/// One row of a planter's log.
#[derive(Debug, Clone)]
pub struct Row {
    pub time: f64,
    pub x: f64,
    pub y: f64,
    pub rate: f64,
    pub width: f64,
    pub sections: &'static str,
    pub state: u8,
}

/// A pass on each strip, up and down, one row a second, the product on where `treated` says so; `aside` lies to the east.
pub fn log(treated: &[bool], aside: f64) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut time = PLANTED;
    for (strip, treated) in treated.iter().enumerate() {
        for step in 0..(LENGTH / STEP) as usize {
            let along = (step as f64 + 0.5) * STEP;
            let y = if strip % 2 == 0 { along } else { LENGTH - along };
            let x = (strip as f64 + 0.5) * SWATH + aside;
            let rate = if *treated { RATE } else { 0.0 };
            rows.push(Row { time, x, y, rate, width: SWATH, sections: "1111", state: 1 });
            time += 1.0;
        }
        time += 40.0;
    }
    rows
}

pub fn text(rows: &[Row]) -> String {
    let mut text = String::from("utc_s,lon,lat,rate,width,sections,down\n");
    for row in rows {
        let (lon, lat) = degrees(row.x, row.y);
        let Row { time, rate, width, sections, state, .. } = row;
        writeln!(text, "{time},{lon:.8},{lat:.8},{rate},{width},{sections},{state}").unwrap();
    }
    text
}

const APPLIED: &str = r#"[applied]
path = "planter.csv"
crs = "EPSG:4326"
randomized = true
[applied.columns]
time = { column = "utc_s", format = "epoch_s" }
longitude = "lon"
latitude = "lat"
rate = { column = "rate", unit = "L/ha" }
width = { column = "width", unit = "m" }
state = "down"
sections = "sections"
"#;

/// `fields/bad` with a log in the place of its strips, or beside them.
pub fn archive(rows: &[Row], keeps_strips: bool) -> Archive {
    let archive = Archive::new();
    archive.write("archive.toml", ARCHIVE.replace("cost = \"20 USD/ac\"", "cost = \"20 USD/ac\"\nrate = \"50 L/ha\""));
    archive.write("fields/bad/planter.csv", text(rows));
    let field = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    let (head, rest) = field.split_once("[strips]").unwrap();
    let (_, harvest) = rest.split_once("[[harvest]]").unwrap();
    let field = if keeps_strips { field.clone() } else { format!("{head}[[harvest]]{harvest}") };
    archive.write("fields/bad/field.toml", field + APPLIED);
    archive
}

fn number(archive: &Archive, field: &str, column: &str) -> f64 {
    archive.response(field, "all")[column].parse().unwrap()
}

/// The rows of `applied.csv` with a finding.
fn found(archive: &Archive, finding: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let mut rows = Archive::table(&archive.result("bad", "applied.csv"));
    rows.retain(|row| row["finding"] == finding);
    rows
}

#[track_caller]
fn done(archive: &Archive) {
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
}

#[test]
fn a_log_in_the_place_of_strips_gives_their_answer() {
    let archive = archive(&log(&TREATED, 0.0), false);
    done(&archive);
    assert!(!archive.result("good", "applied.csv").exists(), "a field without a log has no such table");
    for column in ["blocks", "strips"] {
        assert_eq!(archive.response("bad", "all")[column], archive.response("good", "all")[column], "{column}");
    }
    let (log, drawn) = (number(&archive, "bad", "response"), number(&archive, "good", "response"));
    assert!((log - drawn).abs() < 0.2, "{log} {drawn}");
    let strips = found(&archive, "strip");
    assert_eq!(strips.len(), STRIPS);
    let treatments: Vec<bool> = strips.iter().map(|row| row["treatment"] == "band").collect();
    assert_eq!(treatments, TREATED);
    assert!(strips.iter().all(|row| row["rate"] == if row["treatment"] == "band" { "50.000" } else { "0.000" }));
    let page = fs::read_to_string(archive.result("bad", "report.html")).unwrap();
    assert!(page.contains("What was put down"));
    let page = fs::read_to_string(archive.result("good", "report.html")).unwrap();
    assert!(!page.contains("What was put down"));
}

#[test]
fn a_log_as_points_of_geojson_or_by_other_units_is_the_same_log() {
    let csv = archive(&log(&TREATED, 0.0), false);
    let features: Vec<String> = log(&TREATED, 0.0)
        .iter()
        .map(|row| {
            let (lon, lat) = degrees(row.x, row.y);
            format!(
                "{{\"type\":\"Feature\",\"properties\":{{\"utc_s\":{},\"rate\":{},\"width\":{},\"sections\":\"{}\",\"down\":{}}},\
                 \"geometry\":{{\"type\":\"Point\",\"coordinates\":[{lon:.8},{lat:.8}]}}}}",
                row.time,
                // 50 L/ha in US gallons an acre: 3.785411784 L, 0.40468564224 ha
                row.rate * 0.404_685_642_24 / 3.785_411_784,
                row.width,
                row.sections,
                row.state
            )
        })
        .collect();
    csv.write("fields/good/planter.geojson", collection(&features));
    let field = fs::read_to_string(csv.path("fields/bad/field.toml")).unwrap();
    let field = field.replace("planter.csv", "planter.geojson").replace("\"bad\"", "\"good\"");
    let field = field.replace("\"L/ha\"", "\"gal/ac\"");
    let (head, applied) = field.split_once("[applied]").unwrap();
    let applied = applied.replace("longitude = \"lon\"\nlatitude = \"lat\"\n", "");
    csv.write("fields/good/field.toml", format!("{head}[applied]{applied}"));
    done(&csv);
    for column in ["response", "std_error", "blocks", "segments"] {
        assert_eq!(csv.response("bad", "all")[column], csv.response("good", "all")[column], "{column}");
    }
}

#[test]
fn a_log_of_lines_is_the_log_of_its_points() {
    let points = archive(&log(&TREATED, 0.0), false);
    done(&points);
    // two lines a strip, which meet; each tells the time of its beginning
    let mut time = PLANTED;
    let mut features = Vec::new();
    for (strip, treated) in TREATED.iter().enumerate() {
        let x = (strip as f64 + 0.5) * SWATH;
        for half in [0.0, 0.5] {
            let y = |share: f64| if strip % 2 == 0 { share * LENGTH } else { (1.0 - share) * LENGTH };
            // a bend of no angle, at no even distance
            let places = [half, half + 0.13, half + 0.5].map(|share| degrees(x, y(share)));
            let places: Vec<String> = places.iter().map(|(lon, lat)| format!("[{lon:.8},{lat:.8}]")).collect();
            let rate = if *treated { RATE } else { 0.0 };
            features.push(format!(
                "{{\"type\":\"Feature\",\"properties\":{{\"utc_s\":{time},\"rate\":{rate},\"width\":{SWATH}}},\
                 \"geometry\":{{\"type\":\"LineString\",\"coordinates\":[{}]}}}}",
                places.join(",")
            ));
            time += 100.0;
        }
        time += 40.0;
    }
    let of_lines = archive(&log(&TREATED, 0.0), false);
    of_lines.write("fields/bad/planter.geojson", collection(&features));
    let field = fs::read_to_string(of_lines.path("fields/bad/field.toml")).unwrap();
    let (head, _) = field.split_once("[applied]").unwrap();
    let applied = APPLIED
        .replace("planter.csv", "planter.geojson")
        .replace("longitude = \"lon\"\nlatitude = \"lat\"\n", "")
        .replace("state = \"down\"\nsections = \"sections\"\n", "");
    of_lines.write("fields/bad/field.toml", format!("{head}{applied}"));
    done(&of_lines);
    // the strips may be counted from the other side
    let by_treatment = |archive: &Archive| {
        let mut strips = found(archive, "strip");
        strips.sort_by(|one, other| one["treatment"].cmp(&other["treatment"]));
        strips
    };
    let strips = by_treatment(&of_lines);
    assert_eq!(strips.len(), STRIPS);
    for (one, other) in strips.iter().zip(by_treatment(&points)) {
        assert_eq!((&one["treatment"], &one["rate"]), (&other["treatment"], &other["rate"]));
        let area = |row: &std::collections::BTreeMap<String, String>| row["area"].parse::<f64>().unwrap();
        assert!((area(one) / area(&other) - 1.0).abs() < 0.03, "{one:?} {other:?}");
    }
    assert!(found(&of_lines, "after-stop").is_empty() && found(&of_lines, "stop").is_empty());
    let (lines, points) = (number(&of_lines, "bad", "response"), number(&points, "bad", "response"));
    assert!((lines - points).abs() < 0.2, "{lines} {points}");
    // a product cannot be told from another along a line
    let tank = archive(&log(&TREATED, 0.0), false);
    let product = applied.replace("[applied.columns]", "product = [\"A\"]\n[applied.columns]\nproduct = \"tank\"");
    let with_tank: Vec<String> =
        features.iter().map(|line| line.replace("\"rate\"", "\"tank\":\"A\",\"rate\"")).collect();
    tank.write("fields/bad/planter.geojson", collection(&with_tank));
    tank.write("fields/bad/field.toml", format!("{head}{product}"));
    tank.fails_with("holds lines, of which column `tank` cannot be summed");
}

#[test]
fn what_is_left_out_is_listed_with_time_and_place() {
    let mut rows = log(&TREATED, 0.0);
    let of_strip = (LENGTH / STEP) as usize;
    // a ramp at the start, another rate in the middle of a strip, a section that fails, a product that is off for a while
    rows[..4].iter_mut().zip([5.0, 20.0, 33.0, 42.0]).for_each(|(row, rate)| row.rate = rate);
    rows[3 * of_strip + 80..3 * of_strip + 95].iter_mut().for_each(|row| row.rate = 70.0);
    rows[3 * of_strip + 120..3 * of_strip + 140].iter_mut().for_each(|row| row.sections = "1101");
    rows[4 * of_strip + 100..4 * of_strip + 108].iter_mut().for_each(|row| row.rate = 0.0);
    let archive = archive(&rows, false);
    done(&archive);
    let ramp = found(&archive, "ramp");
    assert_eq!(ramp.len(), 1);
    assert_eq!((ramp[0]["first_row"].as_str(), ramp[0]["last_row"].as_str()), ("1", "4"));
    assert_eq!(ramp[0]["from"], "2023-04-29T12:00:00Z");
    let (lon, lat) = degrees(0.5 * SWATH, 4.0);
    assert!((ramp[0]["longitude"].parse::<f64>().unwrap() - lon).abs() < 2e-5);
    assert!((ramp[0]["latitude"].parse::<f64>().unwrap() - lat).abs() < 2e-5);
    let off = found(&archive, "off-rate");
    assert_eq!((off.len(), off[0]["rate"].as_str(), off[0]["first_row"].as_str()), (1, "70.000", "681"));
    let section = found(&archive, "section-off");
    assert_eq!(section.len(), 1);
    // one of four sections over 40 m, in acres
    assert!((section[0]["area"].parse::<f64>().unwrap() - 40.0 * SWATH / 4.0 / 4046.856).abs() < 0.002, "{section:?}");
    assert_eq!(found(&archive, "short").len(), 1);
    assert_eq!(found(&archive, "strip").len(), STRIPS);
    assert!(found(&archive, "after-long-stop").is_empty());
}

/// The planter parks for the night within the fourth strip.
fn parked() -> Vec<Row> {
    let mut rows = log(&TREATED, 0.0);
    let at = 3 * (LENGTH / STEP) as usize + 60;
    rows[at..].iter_mut().for_each(|row| row.time += 12.0 * 3600.0);
    rows
}

#[test]
fn the_first_stretch_after_a_long_stop_is_left_out() {
    let of = |more: &str| {
        let archive = archive(&parked(), false);
        archive.edit(
            "fields/bad/field.toml",
            "randomized = true\n[applied",
            &format!("randomized = true\n{more}\n[applied"),
        );
        done(&archive);
        let rows = found(&archive, "after-long-stop");
        assert_eq!(rows.len(), 1);
        assert_eq!(rows[0]["first_row"], "661");
        let page = fs::read_to_string(archive.result("bad", "report.html")).unwrap();
        assert!(page.contains("common practice, no source") && page.contains("label comes first"));
        // feet
        rows[0]["length"].parse::<f64>().unwrap() * 0.3048
    };
    assert!((of("") - 100.0).abs() < 2.1, "the stated default");
    // 3 L at 50 L/ha are 600 m², 65.6 m of 9.144 m
    assert!((of("line_volume = \"3 L\"") - 65.6).abs() < 2.1);
    assert!((of("flush_length = \"40 m\"") - 40.0).abs() < 2.1);
    let archive = archive(&parked(), false);
    archive.edit(
        "fields/bad/field.toml",
        "randomized = true\n[applied",
        "randomized = true\nlong_stop = \"24 h\"\n[applied",
    );
    done(&archive);
    assert!(found(&archive, "after-long-stop").is_empty());
}

/// The first block's strips the other way round.
fn swapped() -> [bool; STRIPS] {
    let mut treated = TREATED;
    treated.swap(0, 1);
    treated
}

#[test]
fn swapped_strips_are_an_error_until_it_is_said_which_is_true() {
    let archive = archive(&log(&swapped(), 0.0), true);
    archive.fails_with("s0 (drawn as band, put down check; strip s1 the other way round)");
    archive.fails_with("trust = \"log\"");
    let trusting = |trust: &str| {
        let old = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
        archive
            .write("fields/bad/field.toml", old.replace("[applied]\n", &format!("[applied]\ntrust = \"{trust}\"\n")));
        archive.is_done_with_caution("strips-disagree");
        archive.write("fields/bad/field.toml", old);
        assert_eq!(found(&archive, "swapped").len(), 2);
        assert!(found(&archive, "swapped").iter().all(|row| row["used"] == trust));
        number(&archive, "bad", "response")
    };
    let drawn = trusting("strips");
    assert!((drawn - number(&archive, "good", "response")).abs() < 1e-9, "the drawn strips as they are");
    assert!(trusting("log") < drawn - 1.0, "the grain was grown on the strips as drawn");
}

#[test]
fn a_check_that_was_treated_and_a_missed_pass_are_reported_and_the_log_is_used() {
    let mut treated = TREATED;
    treated[5] = true;
    let archive = archive(&log(&treated, 0.0), true);
    archive.is_done_with_caution("strips-disagree");
    let row = found(&archive, "treated-check").remove(0);
    assert_eq!((row["strip"].as_str(), row["used"].as_str()), ("s5", "log"));
    let bands = found(&archive, "strip").iter().filter(|row| row["treatment"] == "band").count();
    assert_eq!(bands, 4);
    // drawn over two passes of which one was missed
    let two = [("band", 0.0, 1.0), ("check", 1.0, 3.0), ("band", 3.0, 5.0), ("check", 5.0, 6.0)];
    let strips: Vec<String> = two
        .iter()
        .map(|(treatment, from, to)| {
            feature(
                &ring(from * SWATH, 0.0, to * SWATH, LENGTH),
                &format!("{{\"treatment\":\"{treatment}\",\"block\":\"1\",\"strip\":\"{from}\"}}"),
            )
        })
        .collect();
    archive.write("fields/bad/strips.geojson", collection(&strips));
    let mut treated = TREATED;
    treated[4] = false;
    let mut rows = log(&treated, 0.0);
    let of_strip = (LENGTH / STEP) as usize;
    // more than half of the drawn strip was treated
    rows[4 * of_strip..4 * of_strip + 60].iter_mut().for_each(|row| row.rate = RATE);
    archive.write("fields/bad/planter.csv", text(&rows));
    archive.is_done_with_caution("strips-disagree");
    assert_eq!(found(&archive, "missed-pass").len(), 1);
}

#[test]
fn a_log_that_lies_aside_is_moved() {
    let archive = archive(&log(&TREATED, 0.8), false);
    archive.is_done_with_caution("log-moved");
    assert!(found(&archive, "log-moved")[0]["note"].contains("0.80 m"));
    let (log, drawn) = (number(&archive, "bad", "response"), number(&archive, "good", "response"));
    assert!((log - drawn).abs() < 0.2, "{log} {drawn}");
    // given, it is taken as it is
    archive.edit("fields/bad/field.toml", "[applied]\n", "[applied]\noffset = \"0 m\"\n");
    done(&archive);
    assert!(archive.summary("bad")["cautions"].get("log-moved").is_none());
}

#[test]
fn a_header_that_does_not_fit_the_planter_leaves_the_offset_unknown() {
    let mut rows = log(&TREATED, 0.0);
    for row in &mut rows {
        row.width = 8.6;
    }
    let archive = archive(&rows, false);
    archive.is_done_with_caution("log-offset-unknown");
}

#[test]
fn ground_that_is_left_out_is_reported() {
    let mut rows = log(&TREATED, 0.0);
    let of_strip = (LENGTH / STEP) as usize;
    rows[..of_strip].iter_mut().for_each(|row| row.rate = 80.0);
    let archive = archive(&rows, false);
    archive.is_done_with_caution("ground-left-out");
}

#[test]
fn a_second_log_makes_combinations() {
    let archive = archive(&log(&TREATED, 0.0), false);
    archive.edit(
        "archive.toml",
        "[clean]",
        "[treatments.spray]\ncost = \"9 USD/ac\"\nrate = \"100 L/ha\"\n[treatments.both]\ncost = \"29 USD/ac\"\nof = [\"band\", \"spray\"]\n[clean]",
    );
    archive.edit("archive.toml", "edge_along = \"10 m\"", "edge_along = \"5 m\"\nsegment_length = \"10 m\"");
    archive.edit("fields/bad/field.toml", "[applied]\n", "[[applied]]\nname = \"planter\"\ntreatments = [\"band\"]\n");
    // a sprayer at right angles, 27 m wide: a swath in every second 54 m
    let mut spray = Vec::new();
    let (mut time, width) = (PLANTED + 4e6, 27.0);
    for swath in 0..7_u32 {
        for step in 0..50_u32 {
            let along = f64::from(step) * 2.0 - 20.0;
            let x = if swath % 2 == 0 { along } else { 78.0 - along };
            let y = 27.0 + 54.0 * f64::from(swath);
            spray.push(Row { time, x, y, rate: 100.0, width, sections: "11", state: 1 });
            time += 1.0;
        }
        time += 60.0;
    }
    archive.write("fields/bad/sprayer.csv", text(&spray));
    let field = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    let second = APPLIED
        .replace("planter.csv", "sprayer.csv")
        .replace("[applied]\n", "[[applied]]\nname = \"sprayer\"\ntreatments = [\"spray\"]\n");
    archive.write("fields/bad/field.toml", field + &second);
    done(&archive);
    let strips = found(&archive, "strip");
    let of = |treatment: &str| strips.iter().filter(|row| row["treatment"] == treatment).count();
    assert_eq!(["band", "check", "spray", "both"].map(of), [3, 3, 3, 3], "{strips:?}");
    let treatments: Vec<String> = Archive::table(&archive.result("bad", "response.csv"))
        .into_iter()
        .filter(|row| row["drainage_class"] == "all")
        .map(|row| row["treatment"].clone())
        .collect();
    assert_eq!(treatments, ["band", "spray", "both"]);
    // without a treatment that is both, that ground is left out and told
    archive.edit("archive.toml", "[treatments.both]\ncost = \"29 USD/ac\"\nof = [\"band\", \"spray\"]\n", "");
    done(&archive);
    assert_eq!(found(&archive, "combination").len(), 3);
    // strips that were drawn without the spray disagree
    let field = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    archive.write(
        "fields/bad/field.toml",
        format!("strips = {{ path = \"strips.geojson\", strip = \"strip\" }}\n{field}"),
    );
    archive.is_done_with_caution("strips-disagree");
    assert_eq!(found(&archive, "strip").len(), 9);
}

#[test]
fn task_data_need_no_map() {
    let csv = archive(&log(&TREATED, 0.0), false);
    let of_row = |row: &Row| {
        let (lon, lat) = degrees(row.x, row.y);
        let at = crate::archive::Row {
            time: row.time,
            lon,
            lat,
            flow: String::new(),
            moisture: String::new(),
            speed: String::new(),
        };
        // L/ha in steps of 0.0001, the width in mm
        let values = [(0, (row.rate * 1e4) as i32), (1, (row.rate * 1e4) as i32), (2, (SWATH * 1e3) as i32), (3, 1)];
        task_data::record(&at, 0, &values)
    };
    let bytes: Vec<u8> = log(&TREATED, 0.0).iter().flat_map(of_row).collect();
    let header = r#"<?xml version="1.0" encoding="UTF-8"?>
<TIM A="" D="4"><PTN A="" B="" C="" D="" H="" I=""/><DLV A="0002" B="" C="DET-1"/><DLV A="0001" B="" C="DET-1"/>
<DLV A="0043" B="" C="DET-1"/><DLV A="008D" B="" C="DET-1"/></TIM>"#;
    let device =
        r#"<DVC A="DVC1" B="planter" D="A000000000000000"><DET A="DET-1" B="1" C="1" D="planter" E="0" F="0"/></DVC>"#;
    let main = [device, &task_data::task(&[("TLG00001", bytes.len())])].concat();
    csv.write("fields/good/log/TASKDATA.XML", task_data::task_data(4, &main));
    csv.write("fields/good/log/TLG00001.XML", header);
    csv.write("fields/good/log/TLG00001.BIN", bytes);
    let field = fs::read_to_string(csv.path("fields/bad/field.toml")).unwrap().replace("\"bad\"", "\"good\"");
    let (head, _) = field.split_once("[applied]").unwrap();
    csv.write("fields/good/field.toml", format!("{head}[applied]\npath = \"log\"\nrandomized = true\n"));
    done(&csv);
    // positions are told to a centimetre, so that a record or two fall on another segment
    for (column, least) in [("response", 0.1), ("blocks", 1e-9), ("strips", 1e-9)] {
        let (map, none) = (number(&csv, "bad", column), number(&csv, "good", column));
        assert!((map - none).abs() < least, "{column}: {map} {none}");
    }
    let table = Archive::table(&csv.result("good", "applied.csv"));
    assert!(table.iter().any(|row| row["target_rate"] == "50.000" && row["rate_unit"] == "L/ha"));
    // without a rate in archive.toml that is counted alike, nothing tells what is meant
    csv.edit("archive.toml", "rate = \"50 L/ha\"", "rate = \"50 kg/ha\"");
    let said = csv.run();
    assert!(
        said.stderr.contains("the files give no rate, or several, that treatments of archive.toml have"),
        "{}",
        said.stderr
    );
}

#[test]
fn a_check_with_the_carrier_alone_is_a_check() {
    let archive = archive(&log(&TREATED, 0.0), false);
    done(&archive);
    let without = archive.response("bad", "all");
    let mut rows = log(&TREATED, 0.0);
    rows.iter_mut().filter(|row| row.rate <= 0.0).for_each(|row| row.rate = 20.0);
    archive.write("fields/bad/planter.csv", text(&rows));
    archive.is_done_with_caution("not-estimable");
    archive.edit("archive.toml", "check = true", "check = true\nrate = \"20 L/ha\"");
    done(&archive);
    assert_eq!(archive.response("bad", "all"), without);
}

#[test]
fn rows_of_another_product_are_run_without() {
    // each moment has a row for either tank; the second one runs everywhere
    let mut tanks = String::from("utc_s,lon,lat,rate,width,sections,down,tank\n");
    for line in text(&log(&TREATED, 0.0)).lines().skip(1) {
        let mut cells: Vec<&str> = line.split(',').collect();
        writeln!(tanks, "{},A", cells.join(",")).unwrap();
        cells[3] = "20";
        writeln!(tanks, "{},B", cells.join(",")).unwrap();
    }
    let archive = archive(&log(&TREATED, 0.0), false);
    done(&archive);
    let alone = archive.response("bad", "all");
    archive.write("fields/bad/planter.csv", tanks);
    let field = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    let field = field.replace("[applied]\n", "[applied]\nproduct = \"A\"\n");
    archive.write("fields/bad/field.toml", field + "product = \"tank\"\n");
    done(&archive);
    assert_eq!(archive.response("bad", "all"), alone);
}

#[test]
fn bad_logs_are_named_with_file_and_row() {
    let sound = log(&TREATED, 0.0);
    let spoiled = |change: &dyn Fn(&mut Vec<Row>)| {
        let mut rows = sound.clone();
        change(&mut rows);
        archive(&rows, false)
    };
    spoiled(&|rows| rows.iter_mut().for_each(|row| row.time -= 3.0 * 365.0 * 86_400.0))
        .fails_with("fields/bad/planter.csv: row 1, column `utc_s`: found `2020-04-29`, expected a time of the season");
    spoiled(&|rows| rows.iter_mut().for_each(|row| row.rate *= 9.35))
        .fails_with("is the unit in field.toml that of the column?");
    spoiled(&|rows| rows.iter_mut().for_each(|row| row.width = 12.0)).fails_with(
        "fields/bad/planter.csv: row 1: a working width of 12.00 m is recorded, but neighbouring passes lie 9.14 m apart",
    );
    spoiled(&|rows| rows[6].sections = "12")
        .fails_with("fields/bad/planter.csv: row 7, column `sections`: found `12`, expected a digit, 1 or 0, for each of 4 sections");
    spoiled(&|rows| rows.iter_mut().for_each(|row| row.x += 5_000.0))
        .fails_with("no row of the log lies where the harvest was");
    spoiled(&|rows| rows.iter_mut().for_each(|row| row.rate = 0.0))
        .fails_with("no stretch of 40 m or more is under one tested rate");
    let wide = archive(&sound, false);
    wide.edit("fields/bad/field.toml", "[applied]\n", "[applied]\nwidth = \"40 ft\"\n");
    wide.fails_with(
        "fields/bad/planter.csv: row 1, column `width`: found `9.144`, expected no more and no less than the `width`",
    );
}

#[test]
fn faults_of_the_settings_are_named() {
    let faulty = |file: &str, from: &str, to: &str, text: &str| {
        let archive = archive(&log(&TREATED, 0.0), false);
        archive.edit(file, from, to);
        let said = archive.run();
        assert!(said.code != 0 && said.stderr.contains(text), "expected `{text}` in:\n{}", said.stderr);
    };
    let field = "fields/bad/field.toml";
    faulty(field, "unit = \"L/ha\"", "unit = \"mph\"", "unknown unit `mph`; a rate of application takes one of: L/ha");
    faulty(field, "unit = \"L/ha\"", "unit = \"kg/ha\"", "expected one kind");
    faulty(field, "rate = { column = \"rate\", unit = \"L/ha\" }\n", "", "expected a column of rates");
    faulty(field, "width = { column = \"width\", unit = \"m\" }\n", "", "width: is missing");
    faulty(field, "[applied]\n", "[applied]\ntrust = \"both\"\n", "expected `log` or `strips`, found `both`");
    faulty(field, "[applied]\n", "[applied]\ntreatments = [\"bend\"]\n", "`bend` is not a treatment");
    faulty(field, "[applied]\n", "[applied]\nproduct = \"A\"\n", "goes with a column `product`");
    faulty(field, "\"planter.csv\"", "\"plantr.csv\"", "applied[1].path: `plantr.csv` matches no file");
    faulty("archive.toml", "rate = \"50 L/ha\"", "rate = \"50\"", "has no unit; a rate of application");
    faulty("archive.toml", "rate = \"50 L/ha\"\n", "", "gives no treatment a rate");
    faulty("archive.toml", "rate = \"50 L/ha\"\n", "of = [\"check\"]\n", "`of` takes two treatments or more");
}
