//! Faults of the harvest files and of single records.

use std::fs;
use std::io::Write;

use polars_core::prelude::{IntoColumn, NamedFrom, Series};
use polars_io::prelude::ParquetWriter;

use crate::archive::{Archive, HEADER, Row, csv, rows};

#[test]
fn faults_of_field_toml_fail_the_site_year_all_at_once() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "season = 2023", "season = \"autumn\"");
    archive.edit("fields/bad/field.toml", "unit = \"kg/s\"", "unit = \"kgs\"");
    archive.fails_with("fields/bad/field.toml:3:10: season: expected a whole number, found the text `autumn`");
    let reason = archive.run_json()["failures"][0]["reason"].as_str().unwrap().to_owned();
    assert!(reason.contains("unknown unit `kgs`"), "{reason}");
}

#[test]
fn a_path_that_leaves_the_archive_fails() {
    let archive = Archive::new();
    fs::write(archive.dir.path().join("outside.csv"), csv(&rows())).unwrap();
    archive.edit("fields/bad/field.toml", "harvest.csv", "../../../outside.csv");
    archive.fails_with("`../../../outside.csv` leaves the archive; give --allow-outside");
    assert_eq!(archive.run_with(&["--allow-outside"]).code, 0);
}

#[test]
fn an_absolute_path_fails() {
    let archive = Archive::new();
    let path = archive.path("fields/bad/harvest.csv");
    archive.edit("fields/bad/field.toml", "\"harvest.csv\"", &format!("\"{}\"", path.display()));
    archive.fails_with("leaves the archive");
}

#[test]
fn missing_and_empty_files_fail() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "harvest.csv", "harvests/*.csv");
    archive.fails_with("`harvests/*.csv` matches no file");
    let archive = Archive::new();
    archive.write("fields/bad/harvest.csv", "");
    archive.fails_with("fields/bad/harvest.csv: holds no bytes");
    let archive = Archive::new();
    archive.write("fields/bad/harvest.csv", format!("{HEADER}\n"));
    archive.fails_with("fields/bad/harvest.csv: holds no records");
}

#[test]
fn a_missing_column_fails_and_names_the_nearest() {
    let archive = Archive::new();
    archive.edit("fields/bad/harvest.csv", "flow_kg_s", "flow_kgs");
    archive.fails_with("no column `flow_kg_s`");
    assert!(archive.run().stderr.contains("did you mean `flow_kgs`?"));
}

#[test]
fn an_unknown_treatment_fails() {
    let archive = Archive::new();
    archive.edit("fields/bad/strips.geojson", "\"treatment\":\"band\"", "\"treatment\":\"bond\"");
    archive.fails_with("found `bond`, expected a treatment of archive.toml: check, band (did you mean `band`?)");
}

#[test]
fn text_in_a_number_fails_with_row_and_column() {
    let archive = Archive::new();
    let mut spoiled = rows();
    spoiled[41].moisture = "wet".to_owned();
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    archive.fails_with("fields/bad/harvest.csv: row 42, column `moist`: found `wet`, expected a number");
}

#[test]
fn empty_cells_and_nan_are_missing_values() {
    let archive = Archive::single();
    let mut spoiled = rows();
    spoiled[100].flow = String::new();
    spoiled[101].flow = "NaN".to_owned();
    spoiled[300].moisture = "NaN".to_owned();
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    assert_eq!(archive.run().code, 0);
    assert_eq!(archive.removed("bad", "flow-range"), 2);
    assert_eq!(archive.removed("bad", "moisture-range"), 0);
}

#[test]
fn impossible_positions_and_speeds_spoil_their_record_alone() {
    let archive = Archive::single();
    let spoil = |rows: &mut Vec<Row>| {
        (rows[50].lon, rows[50].lat) = (0.0, 0.0);
        rows[60].lat = 95.0;
        rows[70].lon = f64::INFINITY;
        rows[80].lon = f64::NAN;
        rows[500].lat += 0.01;
        rows[700].speed = "-2".to_owned();
    };
    let mut spoiled = rows();
    spoil(&mut spoiled);
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(archive.removed("bad", "no-position"), 4);
    assert_eq!(archive.removed("bad", "position-jump"), 1);
    assert!(archive.removed("bad", "speed-range") >= 1);
    let kept = archive.summary("bad")["points_kept"].as_u64().unwrap();
    assert!(kept > 1150, "{kept} kept");
}

#[test]
fn two_records_at_one_time_are_distinguished_by_place() {
    let archive = Archive::single();
    let mut spoiled = rows();
    // A clock that stood still for a second, and a record written twice.
    spoiled[10].time = spoiled[9].time;
    let copy = spoiled[400].clone();
    spoiled.insert(401, copy);
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    assert_eq!(archive.run().code, 0);
    assert_eq!(archive.removed("bad", "duplicate"), 1);
}

#[test]
fn a_truncated_gzip_file_fails() {
    let archive = Archive::new();
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    packer.write_all(csv(&rows()).as_bytes()).unwrap();
    let packed = packer.finish().unwrap();
    archive.edit("fields/bad/field.toml", "harvest.csv", "harvest.csv.gz");
    archive.write("fields/bad/harvest.csv.gz", &packed);
    assert_eq!(archive.run().code, 0);
    archive.write("fields/bad/harvest.csv.gz", &packed[..packed.len() / 2]);
    fs::remove_dir_all(archive.out()).unwrap();
    archive.fails_with("harvest.csv.gz: damaged");
}

fn parquet() -> Vec<u8> {
    let rows = rows();
    let number = |name: &str, pick: &dyn Fn(&Row) -> f64| {
        Series::new(name.into(), rows.iter().map(pick).collect::<Vec<f64>>()).into_column()
    };
    let columns = vec![
        number("utc_s", &|row| row.time),
        number("lon", &|row| row.lon),
        number("lat", &|row| row.lat),
        number("flow_kg_s", &|row| row.flow.parse().unwrap()),
        number("moist", &|row| row.moisture.parse().unwrap()),
        number("speed_m_s", &|row| row.speed.parse().unwrap()),
        number("down", &|_| 1.0),
    ];
    let mut frame = polars_core::prelude::DataFrame::new(rows.len(), columns).unwrap();
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes).finish(&mut frame).unwrap();
    bytes
}

#[test]
fn parquet_reads_like_csv_and_a_truncated_one_fails() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let by_csv = fs::read(archive.result("bad", "removals.csv")).unwrap();
    archive.edit("fields/bad/field.toml", "harvest.csv", "harvest.parquet");
    archive.write("fields/bad/harvest.parquet", parquet());
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(fs::read(archive.result("bad", "removals.csv")).unwrap() == by_csv);
    let bytes = parquet();
    archive.write("fields/bad/harvest.parquet", &bytes[..bytes.len() - 100]);
    fs::remove_dir_all(archive.out()).unwrap();
    archive.fails_with("harvest.parquet: damaged");
}

#[test]
fn swapped_longitude_and_latitude_fail() {
    let archive = Archive::new();
    archive.edit(
        "fields/bad/field.toml",
        "longitude = \"lon\"\nlatitude = \"lat\"",
        "longitude = \"lat\"\nlatitude = \"lon\"",
    );
    archive.fails_with("longitude and latitude are swapped");
}

#[test]
fn a_wrong_reference_system_fails() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "crs = \"EPSG:4326\"", "crs = \"EPSG:32615\"");
    archive.edit("fields/bad/field.toml", "longitude", "easting");
    archive.edit("fields/bad/field.toml", "latitude", "northing");
    archive.fails_with("is `crs` that of the numbers in the file?");
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "EPSG:4326", "EPSG:99999");
    archive.fails_with("EPSG:99999");
}

#[test]
fn no_reference_system_fails_saying_what_to_write() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "crs = \"EPSG:4326\"\n", "");
    archive.fails_with("carries no coordinate reference system; write `crs = \"EPSG:4326\"`");
}

#[test]
fn zero_flow_throughout_fails() {
    let archive = Archive::new();
    let mut spoiled = rows();
    for row in &mut spoiled {
        row.flow = "0".to_owned();
    }
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    archive.fails_with("no grain");
}

#[test]
fn one_or_two_records_and_one_pass_are_reported_honestly() {
    for count in [1, 2] {
        let archive = Archive::new();
        archive.write("fields/bad/harvest.csv", csv(&rows()[100..100 + count]));
        let said = archive.run();
        assert_eq!(said.code, 1, "{}", said.stderr);
        assert_eq!(archive.run_json()["failures"].as_array().unwrap().len(), 1);
    }
    let archive = Archive::single();
    archive.write("fields/bad/harvest.csv", csv(&rows()[..200]));
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let whole = archive.response("bad", "all");
    assert_eq!(whole["response"], "");
    assert!(whole["caution"].contains("not-estimable"), "{}", whole["caution"]);
}

#[test]
fn times_out_of_order_and_a_clock_set_back_do_not_stop_the_site_year() {
    let archive = Archive::single();
    let mut spoiled = rows();
    for row in &mut spoiled[400..600] {
        row.time -= 3600.0;
    }
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(archive.summary("bad")["points_kept"].as_u64().unwrap() > 1100);
}

#[test]
fn text_in_utf_16_with_a_mark_reads_like_utf_8() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let plain = fs::read(archive.result("bad", "response.csv")).unwrap();
    for file in ["fields/bad/harvest.csv", "fields/bad/field.toml", "fields/bad/strips.geojson", "archive.toml"] {
        let text = fs::read_to_string(archive.path(file)).unwrap();
        let units: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        archive.write(file, [vec![0xff, 0xfe], units].concat());
    }
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(fs::read(archive.result("bad", "response.csv")).unwrap() == plain);
    archive.write("fields/bad/field.toml", b"farm = \"Caf\xe9\"\n");
    assert!(archive.run().stderr.contains("fields/bad/field.toml: is not UTF-8 text: line 1 holds the byte 0xe9"));
}

#[test]
fn a_quote_that_is_never_closed_is_named_with_its_row() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "machine = \"A\"\n", "");
    archive.edit("fields/bad/field.toml", "header = \"down\"", "header = \"down\"\nmachine = \"combine\"");
    let with_machine = |quoted: usize| {
        let line = |(at, row): (usize, &Row)| format!("{},{}A\n", row.line(), if at == quoted { "\"" } else { "" });
        format!("{HEADER},combine\n{}", rows().iter().enumerate().map(line).collect::<String>())
    };
    archive.write("fields/bad/harvest.csv", with_machine(usize::MAX));
    assert_eq!(archive.run().code, 0);
    fs::remove_dir_all(archive.out()).unwrap();
    archive.write("fields/bad/harvest.csv", with_machine(150));
    archive.fails_with("harvest.csv: damaged: row 151, column `combine`: a quote is opened and not closed");
}

#[test]
fn a_row_with_too_few_cells_is_named_and_empty_lines_are_none() {
    let archive = Archive::new();
    let mut text = csv(&rows()).replace('\n', ",\n");
    text.push_str("\n\n");
    archive.write("fields/bad/harvest.csv", &text);
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(archive.summary("bad")["points_read"], 1200);
    fs::remove_dir_all(archive.out()).unwrap();
    let whole = csv(&rows());
    let short = whole.lines().nth(300).unwrap();
    let cut = short.rsplit_once(',').unwrap().0;
    archive.write("fields/bad/harvest.csv", whole.replace(short, cut));
    archive.fails_with("fields/bad/harvest.csv: damaged: row 300 has 6 cells, the header 7");
}

#[test]
fn records_that_all_carry_one_time_are_reported_with_their_file() {
    let archive = Archive::new();
    let mut spoiled = rows();
    for row in &mut spoiled {
        row.time = 1_696_000_000.0;
    }
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    archive
        .fails_with("fields/bad/harvest.csv: column `utc_s`: all 1200 records carry one time (2023-09-29T15:06:40Z)");
}

#[test]
fn times_beyond_the_calendar_fail_where_they_are_the_rule_and_spoil_their_record_where_not() {
    let archive = Archive::new();
    let mut spoiled = rows();
    for row in &mut spoiled {
        row.time *= 1e12;
    }
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    archive.fails_with("fields/bad/harvest.csv: row 1, column `utc_s`: found `1696");
    assert!(archive.run().stderr.contains("expected a time from year 0 to 9999"));
    let archive = Archive::single();
    let mut spoiled = rows();
    spoiled[500].time = 1.6e21;
    archive.write("fields/bad/harvest.csv", csv(&spoiled));
    assert_eq!(archive.run().code, 0);
    assert_eq!(archive.removed("bad", "no-position"), 1);
}

#[test]
fn degrees_under_a_projected_reference_system_name_the_settings() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "crs = \"EPSG:4326\"", "crs = \"EPSG:32615\"");
    archive.fails_with(
        "field.toml: harvest[1].columns: longitude and latitude are mapped, but the reference system of \
         fields/bad/harvest.csv is projected (EPSG:32615 (WGS 84 / UTM zone 15N))",
    );
}

#[test]
fn a_packed_file_unpacks_to_no_more_than_its_limit() {
    let archive = Archive::new();
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    packer.write_all(csv(&rows()).as_bytes()).unwrap();
    // a megabyte of empty lines packs to nothing
    packer.write_all(&vec![b'\n'; 2_000_000]).unwrap();
    archive.edit("fields/bad/field.toml", "harvest.csv", "harvest.csv.gz");
    archive.write("fields/bad/harvest.csv.gz", packer.finish().unwrap());
    archive.edit("archive.toml", "[clean]", "[read]\nmost_unpacked = \"1 MB\"\n[clean]");
    archive.fails_with(
        "fields/bad/harvest.csv.gz: unpacks to more than 1000000 bytes; raise `most_unpacked` under [read]",
    );
    archive.edit("archive.toml", "\"1 MB\"", "\"3 MB\"");
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
}

#[test]
fn the_projection_library_says_nothing_by_itself() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "EPSG:4326", "EPSG:99999");
    let said = archive.run();
    assert_eq!(said.code, 1);
    assert!(!said.stderr.contains("proj_create"), "{}", said.stderr);
}

#[test]
fn every_column_may_be_named_in_a_table() {
    let archive = Archive::new();
    assert_eq!(archive.run().code, 0);
    let plain = fs::read(archive.result("bad", "response.csv")).unwrap();
    for (from, to) in [
        ("header = \"down\"", "header = { column = \"down\" }"),
        ("longitude = \"lon\"", "longitude = { column = \"lon\" }"),
        ("latitude = \"lat\"", "latitude = { column = \"lat\" }"),
        ("block = \"block\"", "block = { column = \"block\" }"),
        ("strip = \"strip\"", "strip = { column = \"strip\" }\ntreatment = { column = \"treatment\" }"),
    ] {
        archive.edit("fields/bad/field.toml", from, to);
    }
    archive.edit("archive.toml", "[wetness]", "drainage = { column = \"drclassdcd\" }\n[wetness]");
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(fs::read(archive.result("bad", "response.csv")).unwrap() == plain);
    archive.edit("fields/bad/field.toml", "{ column = \"down\" }", "{ colum = \"down\" }");
    assert!(archive.run().stderr.contains("unknown key; did you mean `column`?"));
}

#[test]
fn labelled_yields_without_a_swath_take_the_spacing_of_the_passes() {
    let archive = Archive::single();
    // exported yields at 18 % of moisture, with the labels of the strips
    let header = format!("{HEADER},yield_kg_ha,trt,blk\n");
    let line = |(at, row): (usize, &Row)| {
        let strip = at / 200;
        let wet = row.flow.parse::<f64>().unwrap() / 2.0 / crate::archive::SWATH * 1e4;
        let treatment = if crate::archive::TREATED[strip] { "band" } else { "check" };
        format!("{},{wet:.1},{treatment},{}\n", row.line(), strip / 2 + 1)
    };
    archive.write("fields/bad/harvest.csv", header + &rows().iter().enumerate().map(line).collect::<String>());
    archive.edit(
        "fields/bad/field.toml",
        "[strips]\npath = \"strips.geojson\"\nblock = \"block\"\nstrip = \"strip\"\n",
        "[strips]\n",
    );
    archive.edit(
        "fields/bad/field.toml",
        "mass_flow = { column = \"flow_kg_s\", unit = \"kg/s\" }",
        "wet_yield = { column = \"yield_kg_ha\", unit = \"kg/ha\" }\ntreatment = \"trt\"\nblock = \"blk\"",
    );
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(archive.summary("bad")["cautions"].get("swath-derived").is_none());
    let given = archive.response("bad", "all");
    archive.edit("fields/bad/field.toml", "swath = \"9.144 m\"\n", "");
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let caution = archive.summary("bad")["cautions"]["swath-derived"].clone();
    assert_eq!(caution, "combine A: 9.14 m");
    let derived = archive.response("bad", "all");
    let number = |row: &std::collections::BTreeMap<String, String>| row["response"].parse::<f64>().unwrap();
    assert!((number(&derived) - number(&given)).abs() < 0.02, "{} {}", number(&derived), number(&given));
    // a flow per second needs the width itself
    archive.edit(
        "fields/bad/field.toml",
        "wet_yield = { column = \"yield_kg_ha\", unit = \"kg/ha\" }",
        "mass_flow = { column = \"flow_kg_s\", unit = \"kg/s\" }",
    );
    assert!(archive.run().stderr.contains("swath: is missing; give `swath = \"30 ft\"`"));
}
