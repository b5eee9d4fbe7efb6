//! Units, columns and dates that cannot be right fail the site-year with the key and what would fit; what is doubtful is a caution.

use std::fmt::Write as _;

use crate::archive::{Archive, LENGTH, Row, SWATH, collection, csv, feature, ring, rows};

/// The archive with one setting or file changed, of which the records say otherwise.
fn edited(from: &str, to: &str) -> Archive {
    let archive = Archive::single();
    archive.edit("fields/bad/field.toml", from, to);
    archive
}

fn fails(archive: &Archive, words: &[&str]) {
    let said = archive.run();
    assert_eq!(said.code, 1, "{}", said.stderr);
    for word in words {
        assert!(said.stderr.contains(word), "{word}: {}", said.stderr);
    }
    let seen = crate::archive::say(&["inspect", archive.path("fields/bad").to_str().unwrap()]);
    assert_eq!(seen.code, 1, "{}", seen.stderr);
    assert!(seen.stderr.contains(words[0]), "inspect says it, too: {}", seen.stderr);
}

#[test]
fn a_swath_in_inches_instead_of_feet_fails() {
    let archive = edited("swath = \"9.144 m\"", "swath = \"30 in\"");
    fails(&archive, &["harvest[1].swath: 30 in is 0.76 m but passes lie 9.1 m apart; 30 ft fits"]);
}

#[test]
fn a_column_of_widths_or_distances_in_another_unit_fails() {
    let with_column = |unit: &str| {
        let archive = edited("swath = \"9.144 m\"\n", "");
        archive.edit(
            "fields/bad/field.toml",
            "header = \"down\"",
            &format!("header = \"down\"\nswath = {{ column = \"width\", unit = \"{unit}\" }}\ndistance = {{ column = \"dist\", unit = \"ft\" }}"),
        );
        let mut text = String::from("utc_s,lon,lat,flow_kg_s,moist,speed_m_s,down,width,dist\n");
        for row in rows() {
            let _ = writeln!(text, "{},30,6.56", row.line());
        }
        archive.write("fields/bad/harvest.csv", text);
        archive
    };
    assert_eq!(with_column("ft").run().code, 0);
    fails(&with_column("in"), &["harvest[1].columns.swath: 30 in is 0.76 m but passes lie 9.1 m apart; 30 ft fits"]);
    let archive = with_column("ft");
    archive.edit("fields/bad/field.toml", "column = \"dist\", unit = \"ft\"", "column = \"dist\", unit = \"in\"");
    fails(&archive, &["harvest[1].columns.distance: `dist` read in in is 0.083 times the distance", "ft fits"]);
}

#[test]
fn a_speed_in_another_unit_fails() {
    let archive = edited("column = \"speed_m_s\", unit = \"m/s\"", "column = \"speed_m_s\", unit = \"mph\"");
    fails(&archive, &["harvest[1].columns.speed: `speed_m_s` read in mph is 0.447 times the speed", "m/s fits"]);
}

/// The rows with their flow in another unit.
fn with_flow(factor: f64) -> Vec<Row> {
    let mut rows = rows();
    for row in &mut rows {
        row.flow = format!("{:.4}", row.flow.parse::<f64>().unwrap() * factor);
    }
    rows
}

#[test]
fn a_flow_of_pounds_read_as_kilograms_is_reported() {
    // 160 bu/ac become 352: more than fields bring, less than what no field can
    let archive = Archive::single();
    archive.write("fields/bad/harvest.csv", csv(&with_flow(2.204_62)));
    archive.is_done_with_caution("units-doubtful");
    let detail = archive.summary("bad")["cautions"]["units-doubtful"].as_str().unwrap().to_owned();
    assert!(detail.contains("harvest[1].columns.mass_flow") && detail.contains("lb/s would give"), "{detail}");
    // beyond any field
    archive.write("fields/bad/harvest.csv", csv(&with_flow(3.6)));
    fails(&archive, &["harvest[1].columns.mass_flow: `flow_kg_s` read in kg/s gives a yield of 3", "fits"]);
    // the tickets weigh it
    let archive = Archive::single();
    archive.write("fields/bad/harvest.csv", csv(&with_flow(2.204_62)));
    let kg: f64 = rows().iter().map(|row| row.flow.parse::<f64>().unwrap()).sum();
    archive.write(
        "fields/bad/tickets.csv",
        format!("load,machine,from,to,net_weight,moisture\nfield total,,,,{kg:.0} kg,18 %\n"),
    );
    archive.edit("fields/bad/field.toml", "[strips]", "[tickets]\npath = \"tickets.csv\"\n[strips]");
    fails(&archive, &["harvest[1].columns.mass_flow", "gives 2.20 times what the tickets weigh; lb/s fits"]);
}

#[test]
fn a_moisture_as_a_fraction_read_as_percent_fails() {
    let mut rows = rows();
    for row in &mut rows {
        row.moisture = "0.18".to_owned();
    }
    let archive = Archive::single();
    archive.write("fields/bad/harvest.csv", csv(&rows));
    fails(&archive, &["harvest[1].columns.moisture: `moist` read in % is 0.18 %", "fraction fits"]);
    archive.edit("fields/bad/field.toml", "unit = \"%\"", "unit = \"fraction\"");
    assert_eq!(archive.run().code, 0);
}

#[test]
fn a_quality_of_fix_taken_for_the_header_fails() {
    let archive = edited("header = \"down\"", "header = \"fix\"");
    let mut text = String::from("utc_s,lon,lat,flow_kg_s,moist,speed_m_s,fix\n");
    for (at, row) in rows().iter().enumerate() {
        let line = row.line();
        let _ = writeln!(text, "{},{}", line.rsplit_once(',').unwrap().0, if at % 90 < 3 { 5 } else { 4 });
    }
    archive.write("fields/bad/harvest.csv", &text);
    fails(&archive, &["harvest[1].columns.header: `fix` holds 4, 5, but the grain flows the same whatever it says"]);
}

#[test]
fn grids_in_another_unit_are_reported() {
    let archive = Archive::single();
    archive.raster("layers/total_2023_05.tif", 5.5);
    archive.raster("layers/normal_05.tif", 3.9);
    archive.is_done_with_caution("units-doubtful");
    let detail = archive.summary("bad")["cautions"]["units-doubtful"].as_str().unwrap().to_owned();
    assert!(
        detail.contains("wetness.unit: read in mm the normal of a month is 3.9 mm; in would give 99 mm"),
        "{detail}"
    );
    let archive = Archive::single();
    archive.edit("archive.toml", "months = [5]", "months = [5]\nunit = \"in\"");
    fails(&archive, &["wetness.unit: read in in the normal of a month is 2540.0 mm; mm would give 100 mm"]);
}

/// The rows with their times as text.
fn with_times(pattern: &str, move_s: f64) -> String {
    let mut text = String::from("when,lon,lat,flow_kg_s,moist,speed_m_s,down\n");
    for row in rows() {
        let line = row.line();
        let time = chrono::DateTime::from_timestamp((row.time + move_s) as i64, 0).unwrap();
        let _ = writeln!(text, "{},{}", time.format(pattern), line.split_once(',').unwrap().1);
    }
    text
}

fn timed(format: &str, text: &str) -> Archive {
    let archive = edited(
        "time = { column = \"utc_s\", format = \"epoch_s\" }",
        &format!("time = {{ column = \"when\", format = \"{format}\" }}"),
    );
    archive.write("fields/bad/harvest.csv", text);
    archive
}

const DAY_S: f64 = 86_400.0;

#[test]
fn a_season_other_than_that_of_the_records_fails() {
    let archive = edited("season = 2023", "season = 2022");
    archive.raster("layers/total_2022_05.tif", 120.0);
    fails(&archive, &["season: 2022, but the records are of 2023-09-29; season = 2023 fits"]);
}

#[test]
fn day_and_month_exchanged_are_reported() {
    // 10 March for 3 October
    let text = with_times("%m/%d/%Y %H:%M:%S", 4.0 * DAY_S);
    let archive = timed("%d/%m/%Y %H:%M:%S", &text);
    archive.is_done_with_caution("dates-doubtful");
    let detail = archive.summary("bad")["cautions"]["dates-doubtful"].as_str().unwrap().to_owned();
    assert!(detail.contains("2023-03-10") && detail.contains("%m/%d/%Y"), "{detail}");
    // the planting decides it
    let archive = timed("%d/%m/%Y %H:%M:%S", &text);
    archive.edit("fields/bad/field.toml", "crop = \"corn\"", "crop = \"corn\"\nplanted = 2023-04-29");
    fails(
        &archive,
        &["the records are of 2023-03-10, -50 days after planting on 2023-04-29", "%m/%d/%Y %H:%M:%S\" fits"],
    );
}

#[test]
fn a_local_clock_read_as_utc_is_reported_and_a_zone_mends_it() {
    // 15:06 UTC is 10 o'clock in the zone; the clock shows 9
    let text = with_times("%Y-%m-%d %H:%M:%S", -6.0 * 3_600.0);
    let archive = timed("%Y-%m-%d %H:%M:%S", &text);
    archive.is_done_with_caution("dates-doubtful");
    archive.edit("fields/bad/field.toml", "%H:%M:%S\" }", "%H:%M:%S\", zone = \"-06:00\" }");
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(archive.summary("bad")["cautions"].get("dates-doubtful").is_none());
}

#[test]
fn date_and_clock_in_two_columns_are_read() {
    let whole = Archive::single();
    assert_eq!(whole.run().code, 0);
    let archive = edited(
        "time = { column = \"utc_s\", format = \"epoch_s\" }",
        "time = { date = \"day\", clock = \"clock\", format = \"%d.%m.%Y %H:%M:%S\" }",
    );
    let text = with_times("%d.%m.%Y,%H:%M:%S", 0.0).replace("when,", "day,clock,");
    archive.write("fields/bad/harvest.csv", text);
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let read = |archive: &Archive| std::fs::read(archive.result("bad", "response.csv")).unwrap();
    assert_eq!(read(&archive), read(&whole));
}

/// The records of the field with those of another one some kilometres away, named.
fn two_fields() -> String {
    let mut text = String::from("utc_s,lon,lat,flow_kg_s,moist,speed_m_s,down,paddock\n");
    for row in rows() {
        let _ = writeln!(text, "{},home", row.line());
        let far = Row { time: row.time + 20_000.0, lat: row.lat + 0.08, ..row };
        let _ = writeln!(text, "{},far", far.line());
    }
    text
}

#[test]
fn several_fields_in_one_file_are_reported_and_parted_by_label_place_or_boundary() {
    let whole = Archive::single();
    assert_eq!(whole.run().code, 0);
    let read = |archive: &Archive| std::fs::read_to_string(archive.result("bad", "response.csv")).unwrap();
    let archive = Archive::single();
    archive.write("fields/bad/harvest.csv", two_fields());
    archive.is_done_with_caution("wide-extent");
    let boundary = collection(&[feature(&ring(-5.0, -5.0, 6.0 * SWATH + 5.0, LENGTH + 5.0), "{}")]);
    archive.write("fields/bad/boundary.geojson", boundary);
    let filters = [
        ("where = { column = \"paddock\", is = \"home\" }", ""),
        ("where = { within = \"boundary\", margin = \"10 m\" }", "[boundary]\npath = \"boundary.geojson\"\n"),
        ("where = { within = [-93.7, 41.9, -93.5, 42.02] }", ""),
        ("where = { from = 2023-09-29, to = 2023-09-29, column = \"paddock\", is = [\"home\", \"house\"] }", ""),
    ];
    for (filter, more) in filters {
        let archive = edited("path = \"harvest.csv\"", &format!("path = \"harvest.csv\"\n{filter}"));
        archive.write("fields/bad/harvest.csv", two_fields());
        if !more.is_empty() {
            let boundary = collection(&[feature(&ring(-5.0, -5.0, 6.0 * SWATH + 5.0, LENGTH + 5.0), "{}")]);
            archive.write("fields/bad/boundary.geojson", boundary);
            archive.edit("fields/bad/field.toml", "[strips]", &format!("{more}[strips]"));
        }
        let said = archive.run();
        assert_eq!(said.code, 0, "{filter}: {}", said.stderr);
        let (found, expected) = (read(&archive), read(&whole));
        if more.is_empty() {
            assert_eq!(found, expected, "{filter}");
        }
        assert_eq!(archive.summary("bad")["points_read"], 1200, "{filter}");
    }
    let archive =
        edited("path = \"harvest.csv\"", "path = \"harvest.csv\"\nwhere = { column = \"paddock\", is = \"hom\" }");
    archive.write("fields/bad/harvest.csv", two_fields());
    fails(&archive, &["column `paddock`: no row is called hom; found: far, home"]);
}

#[test]
fn an_open_question_is_named_and_its_answer_is_put_in() {
    let archive = edited("unit = \"kg/s\"", "unit = \"?flow\"");
    archive.edit("archive.toml", "report_units = \"us\"", "report_units = \"us\"\n[answers]\nflow = \"?\"");
    let said = archive.run();
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("answers.flow: is still to be answered"), "{}", said.stderr);
    archive.edit("archive.toml", "flow = \"?\"", "flow = \"kg/s\"");
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    archive.edit("fields/bad/field.toml", "?flow", "?flows");
    let said = archive.run();
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("asks for the answer `flows`, and [answers]"), "{}", said.stderr);
}
