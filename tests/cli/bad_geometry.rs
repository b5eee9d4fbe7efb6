//! Faults of strips, soils and grids.

use std::fs;

use shapefile::dbase::{FieldName, FieldValue, Record, TableWriterBuilder};

use crate::archive::{
    Archive, LENGTH, STRIPS, SWATH, TREATED, collection, csv, degrees, feature, ring, rows, strip_features,
};

fn strip(west: f64, east: f64, treatment: &str, block: usize) -> String {
    feature(
        &ring(west, 0.0, east, LENGTH),
        &format!("{{\"treatment\":\"{treatment}\",\"block\":\"{block}\",\"strip\":null}}"),
    )
}

#[test]
fn strips_that_are_empty_or_elsewhere_fail() {
    let archive = Archive::new();
    archive.write("fields/bad/strips.geojson", collection(&[]));
    archive.fails_with("strips.geojson: holds no polygons");
    let archive = Archive::new();
    archive.write(
        "fields/bad/strips.geojson",
        collection(&[strip(2000.0, 2009.0, "band", 1), strip(2009.0, 2018.0, "check", 1)]),
    );
    archive.fails_with("no record lies in any of the 2 strips");
}

#[test]
fn overlapping_strips_of_two_treatments_fail() {
    let archive = Archive::new();
    archive.write(
        "fields/bad/strips.geojson",
        collection(&[strip(0.0, 2.0 * SWATH, "band", 1), strip(SWATH, 3.0 * SWATH, "check", 1)]),
    );
    archive.fails_with("`check` overlaps `band` of polygon 1");
}

#[test]
fn a_bow_tie_beyond_repair_fails_and_a_small_slip_is_repaired() {
    let corner = |x: f64, y: f64| {
        let (lon, lat) = degrees(x, y);
        format!("[{lon:.9},{lat:.9}]")
    };
    // Both halves are as large: nobody can tell which was meant.
    let bow = format!(
        "[[{},{},{},{},{}]]",
        corner(0.0, 0.0),
        corner(SWATH, LENGTH),
        corner(SWATH, 0.0),
        corner(0.0, LENGTH),
        corner(0.0, 0.0)
    );
    let archive = Archive::new();
    let mut features = strip_features();
    features[0] = feature(&bow, "{\"treatment\":\"band\",\"block\":\"1\",\"strip\":\"s0\"}");
    archive.write("fields/bad/strips.geojson", collection(&features));
    archive.fails_with("strips.geojson: polygon 1");

    // The outline overshoots at one corner and crosses itself there.
    let slip = format!(
        "[[{},{},{},{},{},{}]]",
        corner(0.0, 0.0),
        corner(SWATH, 0.0),
        corner(SWATH, LENGTH),
        corner(0.0, LENGTH - 1.0),
        corner(0.5, LENGTH),
        corner(0.0, 0.0)
    );
    let archive = Archive::new();
    features[0] = feature(&slip, "{\"treatment\":\"band\",\"block\":\"1\",\"strip\":\"s0\"}");
    archive.write("fields/bad/strips.geojson", collection(&features));
    archive.is_done_with_caution("geometry-repaired");
}

#[test]
fn one_block_is_a_demonstration_without_interval_or_probability() {
    let archive = Archive::new();
    archive.write("fields/bad/strips.geojson", collection(&strip_features()[..2]));
    archive.is_done_with_caution("unreplicated");
    let whole = archive.response("bad", "all");
    assert_ne!(whole["response"], "");
    for column in [
        "std_error",
        "df",
        "ci_low",
        "ci_high",
        "p_value",
        "p_randomization",
        "probability_positive",
        "probability_pays",
    ] {
        assert_eq!(whole[column], "", "{column}");
    }
    for class in ["Poorly drained", "Well drained"] {
        let row = archive.response("bad", class);
        assert_eq!(row["response"], "");
        assert!(row["caution"].contains("not-estimable"));
    }
}

#[test]
fn a_single_strip_and_a_block_without_check_are_not_estimable() {
    let archive = Archive::new();
    archive.write("fields/bad/strips.geojson", collection(&strip_features()[..1]));
    archive.is_done_with_caution("no-check-in-block");
    let whole = archive.response("bad", "all");
    assert_eq!(whole["response"], "");
    assert!(whole["caution"].contains("not-estimable"), "{}", whole["caution"]);
}

#[test]
fn soils_that_do_not_cover_the_field_leave_segments_without_class() {
    let archive = Archive::new();
    let soils = collection(&[feature(&ring(-20.0, -20.0, 80.0, 150.0), "{\"drclassdcd\":\"Poorly drained\"}")]);
    archive.write("layers/soils.geojson", soils);
    archive.is_done_with_caution("soil-incomplete");
    assert_ne!(archive.response("bad", "all")["response"], "");
}

#[test]
fn an_unknown_drainage_class_fails_naming_the_seven() {
    let archive = Archive::single();
    archive.edit("layers/soils.geojson", "Well drained", "Weel drained");
    let said = archive.run();
    assert_eq!(said.code, 1);
    for text in [
        "unknown drainage class `Weel drained`",
        "Excessively drained",
        "Very poorly drained",
        "did you mean `Well drained`?",
    ] {
        assert!(said.stderr.contains(text), "{}", said.stderr);
    }
}

#[test]
fn a_missing_or_broken_month_raster_fails() {
    let archive = Archive::single();
    fs::remove_file(archive.path("layers/total_2023_05.tif")).unwrap();
    let said = archive.run();
    assert_eq!(said.code, 1);
    assert!(said.stderr.contains("`layers/total_2023_05.tif` matches no file"), "{}", said.stderr);
    archive.write("layers/total_2023_05.tif", b"II*\0broken");
    let said = archive.run();
    assert_eq!(said.code, 1);
    assert!(said.stderr.contains("layers/total_2023_05.tif"), "{}", said.stderr);
}

#[test]
fn nodata_under_the_field_leaves_the_wetness_empty() {
    let archive = Archive::new();
    archive.raster("layers/total_2023_05.tif", f32::NAN);
    archive.is_done_with_caution("wetness-missing");
    let whole = archive.response("bad", "all");
    assert_eq!(whole["wetness_mm"], "");
    assert_eq!(whole["wetness_class"], "");
}

/// Writes the strips as a shapefile and answers its stem.
fn write_shapefile(archive: &Archive) -> std::path::PathBuf {
    let stem = archive.path("fields/bad/strips");
    let table = TableWriterBuilder::new()
        .add_character_field(FieldName::try_from("treatment").unwrap(), 20)
        .add_character_field(FieldName::try_from("block").unwrap(), 10);
    let mut writer = shapefile::Writer::from_path(stem.with_extension("shp"), table).unwrap();
    for at in 0..STRIPS {
        let (west, east) = (at as f64 * SWATH, (at as f64 + 1.0) * SWATH);
        let corners = [(west, 0.0), (west, LENGTH), (east, LENGTH), (east, 0.0), (west, 0.0)];
        let points = corners.iter().map(|&(x, y)| degrees(x, y)).map(|(x, y)| shapefile::Point::new(x, y)).collect();
        let shape = shapefile::Polygon::new(shapefile::PolygonRing::Outer(points));
        let mut record = Record::default();
        let treatment = if TREATED[at] { "band" } else { "check" };
        record.insert("treatment".to_owned(), FieldValue::Character(Some(treatment.to_owned())));
        record.insert("block".to_owned(), FieldValue::Character(Some((at / 2 + 1).to_string())));
        writer.write_shape_and_record(&shape, &record).unwrap();
    }
    drop(writer);
    fs::write(
        stem.with_extension("prj"),
        "GEOGCS[\"GCS_WGS_1984\",DATUM[\"D_WGS_1984\",SPHEROID[\"WGS_1984\",6378137.0,298.257223563]],PRIMEM[\"Greenwich\",0.0],UNIT[\"Degree\",0.0174532925199433]]",
    )
    .unwrap();
    archive.edit("fields/bad/field.toml", "strips.geojson", "strips.shp");
    archive.edit("fields/bad/field.toml", "strip = \"strip\"\n", "");
    stem
}

#[test]
fn a_shapefile_reads_like_geojson() {
    let archive = Archive::new();
    write_shapefile(&archive);
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(archive.response("bad", "all")["response"], archive.response("good", "all")["response"]);
}

#[test]
fn truncated_shapefiles_and_row_counts_that_differ_fail() {
    let archive = Archive::new();
    let stem = write_shapefile(&archive);
    let shp = fs::read(stem.with_extension("shp")).unwrap();
    let dbf = fs::read(stem.with_extension("dbf")).unwrap();
    fs::write(stem.with_extension("shp"), &shp[..shp.len() - 40]).unwrap();
    archive.fails_with("strips.shp: damaged: truncated");

    fs::write(stem.with_extension("shp"), &shp).unwrap();
    fs::write(stem.with_extension("dbf"), &dbf[..dbf.len() - 40]).unwrap();
    fs::remove_dir_all(archive.out()).unwrap();
    archive.fails_with("its .dbf is truncated");

    // One row fewer than shapes, in a sound table.
    let mut fewer = dbf.clone();
    fewer[4..8].copy_from_slice(&(STRIPS as u32 - 1).to_le_bytes());
    fs::write(stem.with_extension("dbf"), &fewer).unwrap();
    fs::remove_dir_all(archive.out()).unwrap();
    archive.fails_with("6 shapes, but 5 rows in its .dbf");

    fs::remove_file(stem.with_extension("dbf")).unwrap();
    fs::remove_dir_all(archive.out()).unwrap();
    archive.fails_with("there is no .dbf beside it");
}

#[test]
fn a_shapefile_without_prj_fails_saying_what_to_write() {
    let archive = Archive::new();
    let stem = write_shapefile(&archive);
    fs::remove_file(stem.with_extension("prj")).unwrap();
    archive.fails_with("carries no coordinate reference system");
    archive.edit("fields/bad/field.toml", "block = \"block\"", "block = \"block\"\ncrs = \"EPSG:4326\"");
    assert_eq!(archive.run().code, 0);
}

#[test]
fn two_folders_with_one_identity_both_fail() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "field = \"bad\"", "field = \"good\"");
    let said = archive.run();
    assert_eq!(said.code, 1);
    let run = archive.run_json();
    let failed: Vec<&str> =
        run["failures"].as_array().unwrap().iter().map(|one| one["site_year"].as_str().unwrap()).collect();
    assert_eq!(failed, ["fields/bad", "fields/good"]);
    assert!(said.stderr.contains("is also that of fields/good"), "{}", said.stderr);
}

#[cfg(unix)]
#[test]
fn a_loop_of_links_visits_each_site_year_once() {
    let archive = Archive::new();
    std::os::unix::fs::symlink(archive.root(), archive.path("fields/again")).unwrap();
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stderr.contains("2 site-years: 2 computed"), "{}", said.stderr);
}

#[test]
fn the_field_is_only_mapped_without_strips() {
    let archive = Archive::single();
    archive.edit(
        "fields/bad/field.toml",
        "[strips]\npath = \"strips.geojson\"\nblock = \"block\"\nstrip = \"strip\"\nrandomized = true\n",
        "",
    );
    archive.write("fields/bad/harvest.csv", csv(&rows()));
    assert_eq!(archive.run().code, 0);
    assert!(Archive::table(&archive.result("bad", "response.csv")).is_empty());
    assert!(archive.result("bad", "yield.tif").is_file());
}

#[test]
fn a_position_with_one_number_is_a_fault_of_the_file() {
    let archive = Archive::new();
    let text = fs::read_to_string(archive.path("fields/bad/strips.geojson")).unwrap();
    let from = text.find("[[[").unwrap() + 2;
    let to = from + text[from..].find(']').unwrap() + 1;
    archive.write("fields/bad/strips.geojson", format!("{}[-93.6]{}", &text[..from], &text[to..]));
    archive.fails_with("fields/bad/strips.geojson: damaged: feature 1: a position holds 1 number(s), expected 2 or 3");
}
