//! Task data of ISO 11783-10: logs written here by the standard's byte layout, read by the program.

use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::Path;

use crate::archive::{Archive, Row, rows, say};

/// The mapped CSV that the task data is compared with: positions and values with the digits that a log holds.
const COLUMNS: &str = "utc_s,lon,lat,flow_kg_s,moist,speed_m_s,width_m,down";
const SWATH_LINE: &str = "swath = \"9.144 m\"\n";

fn csv_of(rows: &[Row]) -> String {
    let mut text = format!("{COLUMNS}\n");
    for row in rows {
        let Row { time, lon, lat, flow, moisture, speed } = row;
        writeln!(text, "{time},{lon:.7},{lat:.7},{flow},{moisture},{speed},9.144,1").unwrap();
    }
    text
}

/// Days from 1970-01-01 to 1980-01-01.
const DAYS_TO_1980: i64 = 3652;

/// A decimal text in steps of the log, without rounding.
fn steps(text: &str, of_one: f64) -> i32 {
    (text.parse::<f64>().unwrap() * of_one).round() as i32
}

/// One record as bytes: time, position by satellites with its state, and values by their place in the header.
pub fn record(row: &Row, ahead_s: i64, values: &[(u8, i32)]) -> Vec<u8> {
    let utc_ms = (row.time * 1000.0).round() as i64;
    let clock = |ms: i64| ((ms.rem_euclid(86_400_000)) as u32, (ms.div_euclid(86_400_000) - DAYS_TO_1980) as u16);
    let (time, day) = clock(utc_ms + 1000 * ahead_s);
    let mut bytes = Vec::new();
    bytes.extend(time.to_le_bytes());
    bytes.extend(day.to_le_bytes());
    bytes.extend(((row.lat * 1e7).round() as i32).to_le_bytes());
    bytes.extend(((row.lon * 1e7).round() as i32).to_le_bytes());
    bytes.extend(231_000_i32.to_le_bytes());
    bytes.push(4);
    let (time, day) = clock(utc_ms);
    bytes.extend(time.to_le_bytes());
    bytes.extend(day.to_le_bytes());
    bytes.push(values.len() as u8);
    for (place, value) in values {
        bytes.push(*place);
        bytes.extend(value.to_le_bytes());
    }
    bytes
}

/// Flow, moisture, speed, width and work state of the machine as a whole; the work state of a section beside it.
const HEADER: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<TIM A="" D="4"><PTN A="" B="" C="" D="" H="" I=""/>
<DLV A="0057" B="" C="DET-1"/><DLV A="0063" B="" C="DET-1"/><DLV A="018D" B="" C="DET-1"/>
<DLV A="0043" B="" C="DET-1"/><DLV A="008D" B="" C="DET-1"/><DLV A="008D" B="" C="DET-3"/></TIM>"#;

fn values(row: &Row, is_first: bool) -> Vec<(u8, i32)> {
    let mut values = vec![(0, steps(&row.flow, 1e6)), (1, steps(&row.moisture, 1e4))];
    // what stands is told once, as logs that tell changes only do
    if is_first {
        values.extend([(2, steps(&row.speed, 1e3)), (3, 9144), (4, 1), (5, 0)]);
    }
    values
}

fn log_of(rows: &[Row], ahead_s: i64) -> Vec<u8> {
    rows.iter().enumerate().flat_map(|(at, row)| record(row, ahead_s, &values(row, at == 0))).collect()
}

pub fn task_data(version: u8, inside: &str) -> String {
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<ISO11783_TaskData VersionMajor=\"{version}\" VersionMinor=\"0\" \
         ManagementSoftwareManufacturer=\"invented\" DataTransferOrigin=\"2\">{inside}</ISO11783_TaskData>"
    )
}

const FARM: &str =
    r#"<FRM A="FRM1" B="Hollow"/><CTP A="CTP1" B="corn"/><PFD A="PFD1" C="bad" D="22000" F="FRM1" G="CTP1"/>"#;
const DEVICE: &str = r#"<DVC A="DVC1" B="A" D="A000000000000000"><DET A="DET-1" B="1" C="1" D="combine" E="0" F="0"/>
<DET A="DET-2" B="2" C="2" D="header" E="1" F="1"/><DET A="DET-3" B="3" C="4" D="section" E="2" F="2"/></DVC>"#;

pub fn task(logs: &[(&str, usize)]) -> String {
    let logs: Vec<String> =
        logs.iter().map(|(name, bytes)| format!("<TLG A=\"{name}\" B=\"{bytes}\" C=\"1\"/>")).collect();
    let logs = logs.concat();
    format!("<TSK A=\"TSK1\" B=\"harvest\" E=\"PFD1\" G=\"4\">{logs}</TSK>")
}

/// The members of sound task data: two days' logs, the device in an external file.
fn members(version: u8, ahead_s: i64) -> Vec<(String, Vec<u8>)> {
    let rows = rows();
    let (first, second) = rows.split_at(rows.len() / 2);
    let (first, second) = (log_of(first, ahead_s), log_of(second, ahead_s));
    let main = [FARM, &task(&[("TLG00001", first.len()), ("TLG00002", second.len())]), "<XFR A=\"DVC00001\" B=\"1\"/>"];
    vec![
        ("TASKDATA.XML".to_owned(), task_data(version, &main.concat()).into_bytes()),
        ("DVC00001.XML".to_owned(), format!("<XFC>{DEVICE}</XFC>").into_bytes()),
        ("TLG00001.XML".to_owned(), HEADER.into()),
        ("TLG00001.BIN".to_owned(), first),
        // names differ in case from what TASKDATA.XML says
        ("tlg00002.xml".to_owned(), HEADER.into()),
        ("tlg00002.bin".to_owned(), second),
    ]
}

fn zipped(members: &[(String, Vec<u8>)], folder: &str) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, content) in members {
        zip.start_file(format!("{folder}{name}"), zip::write::SimpleFileOptions::default()).unwrap();
        zip.write_all(content).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// `fields/bad` with nothing but a path under `[[harvest]]`, and the members in its folder `log`.
fn archive_of(members: &[(String, Vec<u8>)], path: &str) -> Archive {
    let archive = Archive::new();
    for (name, content) in members {
        archive.write(&format!("fields/bad/log/{name}"), content);
    }
    let text = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    let (head, _) = text.split_once("[[harvest]]").unwrap();
    archive.write("fields/bad/field.toml", format!("{head}[[harvest]]\npath = \"{path}\"\n"));
    let good = fs::read_to_string(archive.path("fields/good/field.toml")).unwrap();
    let swath = "swath = { column = \"width_m\", unit = \"m\" }\n";
    archive.write("fields/good/field.toml", good.replace(SWATH_LINE, "") + swath);
    archive.write("fields/good/harvest.csv", csv_of(&rows()));
    archive
}

/// The rows of `response.csv` without the field's name, which alone may differ.
fn responses(archive: &Archive, field: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let mut rows = Archive::table(&archive.result(field, "response.csv"));
    for row in &mut rows {
        row.remove("field");
    }
    rows
}

#[track_caller]
fn answers_like_csv(archive: &Archive) {
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let (csv, logs) = (responses(archive, "good"), responses(archive, "bad"));
    assert!(!csv.is_empty() && csv.iter().any(|row| !row["response"].is_empty()));
    assert_eq!(csv, logs);
    assert_eq!(archive.yields("good"), archive.yields("bad"));
    let (csv, logs) = (archive.summary("good"), archive.summary("bad"));
    for key in ["points_read", "points_kept", "lag_s", "machine_factor", "cautions"] {
        assert_eq!(csv[key], logs[key], "{key}");
    }
}

#[test]
fn a_folder_answers_like_csv_with_nothing_but_its_path() {
    answers_like_csv(&archive_of(&members(4, 0), "log"));
    answers_like_csv(&archive_of(&members(3, 0), "log/TASKDATA.XML"));
}

#[test]
fn a_local_clock_is_set_right_by_the_satellites() {
    answers_like_csv(&archive_of(&members(4, -5 * 3600 + 7), "l*"));
}

#[test]
fn a_zip_answers_like_csv() {
    for folder in ["", "TASKDATA/"] {
        let archive = archive_of(&[], "log.zip");
        archive.write("fields/bad/log.zip", zipped(&members(4, 0), folder));
        answers_like_csv(&archive);
    }
}

#[test]
fn columns_may_be_mapped_by_their_names_in_the_dictionary() {
    let archive = archive_of(&members(4, 0), "log");
    let map = r#"[harvest.columns]
time = { column = "time", format = "epoch_s" }
mass_flow = { column = "mass_per_time_yield_kg_s", unit = "kg/s" }
moisture = { column = "crop_moisture_pct", unit = "%" }
speed = { column = "actual_speed_m_s", unit = "m/s" }
swath = { column = "actual_working_width_m", unit = "m" }
header = "actual_work_state@DET-1"
machine = "machine"
elevation = { column = "elevation_m", unit = "m" }
"#;
    let text = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    archive.write("fields/bad/field.toml", text + map);
    answers_like_csv(&archive);
    fs::remove_dir_all(archive.out()).unwrap();
    archive.edit("fields/bad/field.toml", "actual_speed_m_s", "actual_sped_m_s");
    archive.fails_with("no column `actual_sped_m_s`");
}

#[test]
fn another_value_of_a_log_moves_the_answer() {
    // the comparison above would be worth little if the program did not see what the bytes say
    let mut members = members(4, 0);
    let flow = members[3].1.len() - 300 * 36 - 10;
    assert_eq!(members[3].1[flow], 0, "the flow's place among the values");
    members[3].1[flow + 1..flow + 5].copy_from_slice(&9_000_000_i32.to_le_bytes());
    let archive = archive_of(&members, "log");
    assert_eq!(archive.run().code, 0);
    assert_ne!(archive.yields("good"), archive.yields("bad"));
}

/// Damages sound members and expects what is said of it.
#[track_caller]
fn fails(damage: impl FnOnce(&mut Vec<(String, Vec<u8>)>), text: &str) {
    let mut members = members(4, 0);
    damage(&mut members);
    archive_of(&members, "log").fails_with(text);
}

fn replace(member: &mut (String, Vec<u8>), from: &str, to: &str) {
    let text = String::from_utf8(member.1.clone()).unwrap();
    assert!(text.contains(from), "{text}");
    member.1 = text.replace(from, to).into_bytes();
}

#[test]
fn a_truncated_log_is_reported_with_its_byte() {
    let end = members(4, 0)[3].1.len();
    // TASKDATA.XML tells how long a log is; version 3 may leave that out
    fails(
        |members| members[3].1.truncate(end - 3),
        &format!("TLG00001.BIN: ends at byte {}; TASKDATA.XML says {end}", end - 3),
    );
    fails(
        |members| {
            replace(&mut members[0], &format!(" B=\"{end}\""), "");
            members[3].1.truncate(end - 3);
        },
        &format!(
            "TLG00001.BIN: byte {}: record 600 begins here and the file ends within it, at byte {}",
            end - 36,
            end - 3
        ),
    );
}

#[test]
fn a_damaged_log_is_reported_with_its_byte() {
    // the place of the first value of the second record
    let at = 26 + 6 * 5 + 26;
    fails(
        |members| members[3].1[at] = 77,
        &format!("TLG00001.BIN: byte {at}: record 2 holds value 77, and the header lists 6"),
    );
}

#[test]
fn missing_and_doubled_logs_are_reported() {
    fails(|members| drop(members.remove(3)), "TLG00001.BIN: is missing, and TASKDATA.XML names it");
    fails(|members| drop(members.remove(4)), "TLG00002.XML: is missing, and TASKDATA.XML names it");
    fails(|members| drop(members.remove(1)), "DVC00001.XML: is missing, and TASKDATA.XML names it");
    fails(|members| replace(&mut members[0], "TLG00002", "TLG00001"), "TASKDATA.XML: names the log TLG00001 twice");
}

#[test]
fn damaged_xml_is_reported_with_its_line() {
    fails(|members| members[0].1.truncate(200), "TASKDATA.XML: ends too early, at byte 200");
    fails(|members| replace(&mut members[2], "<TIM ", "<TIME "), "TLG00001.XML: expected 'TIME' tag, not 'TIM' at 4:");
    fails(
        |members| replace(&mut members[2], "0057", "57h"),
        "TLG00001.XML: DLV 0: expected a number of the data dictionary",
    );
    fails(|members| replace(&mut members[0], "VersionMajor=\"4\"", "VersionMajor=\"7\""), "TASKDATA.XML: version `7`");
    fails(|members| replace(&mut members[0], "ISO11783_TaskData", "Tasks"), "expected ISO11783_TaskData, found Tasks");
}

#[test]
fn entities_and_members_elsewhere_are_refused() {
    let entities = "<!DOCTYPE a [<!ENTITY x \"xxxxxxxx\"><!ENTITY y \"&x;&x;&x;\">]>\n<ISO11783_TaskData";
    fails(
        |members| replace(&mut members[0], "<ISO11783_TaskData", entities),
        "TASKDATA.XML: declares a document type (DTD); expected none",
    );
    fails(
        |members| replace(&mut members[0], "DVC00001", "../../../DVC00001"),
        "TASKDATA.XML names a file elsewhere, `../../../DVC00001.XML`",
    );
    let mut members = members(4, 0);
    let (name, content) = members.remove(3);
    let archive = archive_of(&members, "log");
    fs::write(archive.dir.path().join("outside.bin"), content).unwrap();
    std::os::unix::fs::symlink(archive.dir.path().join("outside.bin"), archive.path("fields/bad/log").join(name))
        .unwrap();
    archive.fails_with("TLG00001.BIN is a link to a file elsewhere");
}

#[test]
fn a_zip_that_unpacks_to_too_much_is_refused() {
    let archive = archive_of(&[], "log.zip");
    archive.write("fields/bad/log.zip", zipped(&members(4, 0), ""));
    archive.edit("archive.toml", "[model]", "[read]\nmost_unpacked = \"30 kB\"\n[model]");
    archive.fails_with("fields/bad/log.zip: unpacks to more than");
}

#[test]
fn what_the_standard_cannot_tell_is_asked_for() {
    // no grain
    fails(
        |members| (2..5).step_by(2).for_each(|at| replace(&mut members[at], "0057", "0200")),
        "records neither mass_per_time_yield_kg_s nor",
    );
    // no width
    fails(
        |members| (2..5).step_by(2).for_each(|at| replace(&mut members[at], "0043", "0201")),
        "gives no working width; give `swath",
    );
    // two sections tell the work state, and none for the machine as a whole
    fails(
        |members| {
            replace(&mut members[1], "A=\"DET-2\" B=\"2\" C=\"2\"", "A=\"DET-2\" B=\"2\" C=\"4\"");
            (2..5).step_by(2).for_each(|at| {
                replace(
                    &mut members[at],
                    "<DLV A=\"008D\" B=\"\" C=\"DET-1\"/>",
                    "<DLV A=\"008D\" B=\"\" C=\"DET-2\"/>",
                );
            });
        },
        "several device elements record `actual_work_state`; map one of actual_work_state@DET-2, actual_work_state@DET-3",
    );
    // other files need their map
    let archive = archive_of(&[], "log.zip");
    archive.write("fields/bad/log.zip", zipped(&[("a.csv".to_owned(), b"a,b\n1,2\n".to_vec())], ""));
    archive.fails_with("log.zip is not task data (ISO 11783-10), which alone needs none");
}

#[test]
fn rows_of_one_field_are_picked_by_its_name() {
    let archive = archive_of(&members(4, 0), "log");
    let text = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    archive.write("fields/bad/field.toml", format!("{text}where = {{ column = \"field\", is = \"bad\" }}\n"));
    answers_like_csv(&archive);
    fs::remove_dir_all(archive.out()).unwrap();
    archive.edit("fields/bad/field.toml", "is = \"bad\"", "is = \"other\"");
    archive.fails_with("other");
}

#[test]
fn inspect_tells_a_folder_a_file_and_a_zip() {
    let archive = archive_of(&members(4, 0), "log");
    archive.write("fields/bad/log.zip", zipped(&members(4, 0), ""));
    let path = |name: &str| archive.path(&format!("fields/bad/{name}")).to_str().unwrap().to_owned();
    for name in ["log/TASKDATA.XML", "log.zip"] {
        let said = say(&["inspect", &path(name)]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        for part in [
            "task data (ISO 11783-10)",
            "rows:    1200",
            "mass_per_time_yield_kg_s",
            "actual_work_state@DET-3",
            "WGS 84",
        ] {
            assert!(said.stdout.contains(part), "no `{part}` in {}", said.stdout);
        }
    }
    let said = say(&["inspect", &path("log")]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("1 files") && said.stdout.contains("TASKDATA.XML"), "{}", said.stdout);
}

#[test]
fn a_draft_of_task_data_answers_as_settings_by_hand() {
    let archive = archive_of(&members(4, 0), "log");
    let folder = archive.dir.path().join("exports");
    fs::create_dir_all(&folder).unwrap();
    for (name, content) in members(4, 0) {
        fs::write(folder.join(name), content).unwrap();
    }
    fs::copy(archive.path("fields/bad/strips.geojson"), folder.join("strips.geojson")).unwrap();
    let drafted = archive.dir.path().join("drafted");
    let said = say(&["draft", folder.to_str().unwrap(), "--out", drafted.to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}{}", said.stdout, said.stderr);
    let field = walk(&drafted).into_iter().find(|path| path.ends_with("field.toml")).unwrap();
    let text = fs::read_to_string(&field).unwrap();
    for part in [
        "season = 2023",
        "crop = \"corn\"",
        "TASKDATA.XML",
        "time = { column = \"time\", format = \"epoch_s\" }",
        "mass_flow = { column = \"mass_per_time_yield_kg_s\", unit = \"kg/s\" }",
        "moisture = { column = \"crop_moisture_pct\", unit = \"%\" }",
        "speed = { column = \"actual_speed_m_s\", unit = \"m/s\" }",
        "swath = { column = \"actual_working_width_m\", unit = \"m\" }",
        "header = \"actual_work_state\"",
    ] {
        assert!(text.contains(part), "no `{part}` in {text}");
    }
    let settings = drafted.join("archive.toml");
    let asked = fs::read_to_string(&settings).unwrap();
    let answered: Vec<String> = asked
        .lines()
        .map(|line| match line.split_once(" = \"?") {
            Some(("price", _)) => "price = \"4.20 USD/bu\"".to_owned(),
            Some(("cost", _)) => "cost = \"20 USD/ac\"".to_owned(),
            _ => line.to_owned(),
        })
        .collect();
    fs::write(&settings, answered.join("\n")).unwrap();
    let run = |out: &str| {
        let out = archive.dir.path().join(out);
        let said = say(&["run", drafted.to_str().unwrap(), "--out", out.to_str().unwrap()]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        fs::read_to_string(walk(&out).into_iter().find(|path| path.ends_with("response.csv")).unwrap()).unwrap()
    };
    let by_draft = run("out-draft");
    assert!(by_draft.lines().count() > 1, "{by_draft}");
    let (head, columns) = text.split_once("[harvest.columns]").unwrap();
    let tail = columns.split_once("\n[").map_or(String::new(), |(_, tail)| format!("\n[{tail}"));
    fs::write(&field, format!("{head}{tail}")).unwrap();
    assert_eq!(by_draft, run("out-standard"));
}

fn walk(folder: &Path) -> Vec<std::path::PathBuf> {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    entries.flat_map(|path| if path.is_dir() { walk(&path) } else { vec![path] }).collect()
}
