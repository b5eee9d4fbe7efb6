//! `inspect`: exit 0 for a sound input, 1 for one with faults, 2 for a missing path; writes nothing.

use std::fmt::Write as _;

use crate::archive::{Archive, say};

fn inspect(path: &std::path::Path) -> crate::archive::Said {
    say(&["inspect", path.to_str().unwrap()])
}

#[test]
fn a_sound_archive_site_year_and_file_are_reported() {
    let archive = Archive::new();
    let said = inspect(&archive.root());
    assert_eq!(said.code, 0, "{}", said.stderr);
    for text in ["archive Test Hollow", "site-years: 2", "2023 Hollow good, corn", "1200 of A", "EPSG:32615", "+40 mm"]
    {
        assert!(said.stdout.contains(text), "{}", said.stdout);
    }
    let said = inspect(&archive.path("fields/good"));
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("3 × band, 3 × check"), "{}", said.stdout);
    assert!(said.stdout.contains("grain kg/s, moisture %, speed m/s"), "{}", said.stdout);
    let said = inspect(&archive.path("fields/good/harvest.csv"));
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("rows:    1200") && said.stdout.contains("flow_kg_s"), "{}", said.stdout);
    let said = inspect(&archive.path("layers/soils.geojson"));
    assert!(said.stdout.contains("drclassdcd") && said.stdout.contains("WGS 84"), "{}", said.stdout);
    assert!(!archive.out().exists());
}

#[test]
fn faults_are_reported_with_exit_1() {
    let archive = Archive::new();
    archive.edit("fields/bad/field.toml", "crop = \"corn\"", "crop = \"maize\"");
    let said = inspect(&archive.root());
    assert_eq!(said.code, 1);
    assert!(said.stderr.contains("unknown crop `maize`"), "{}", said.stderr);
    assert!(said.stdout.contains("2023 Hollow good"), "the sound one is told all the same: {}", said.stdout);
    archive.edit("archive.toml", "months = [5]", "months = []");
    assert_eq!(inspect(&archive.root()).code, 1);
    let empty = tempfile::tempdir().unwrap();
    assert_eq!(inspect(empty.path()).code, 1);
}

#[test]
fn a_folder_of_raw_files_and_the_columns_of_a_file_are_reported() {
    let archive = Archive::new();
    let said = inspect(&archive.path("fields"));
    assert_eq!(said.code, 0, "{}", said.stderr);
    for text in [
        "good/harvest.csv: 1200 records with places, with times",
        "good/strips.geojson: 6 strips; treatments band, check",
    ] {
        assert!(said.stdout.contains(text), "{text}: {}", said.stdout);
    }
    let said = inspect(&archive.path("fields/good/harvest.csv"));
    for text in [
        "moist: 18 to 18; 0 % missing; 1 value",
        "utc_s: 1696000000 to ",
        "probably time, epoch_s",
        "probably longitude",
        "probably speed in m/s",
        "probably mass_flow in kg/s",
    ] {
        assert!(said.stdout.contains(text), "{text}: {}", said.stdout);
    }
    let said = say(&["inspect", archive.path("fields/good/harvest.csv").to_str().unwrap(), "--json"]);
    let json: serde_json::Value = serde_json::from_str(&said.stdout).unwrap();
    assert_eq!(json["cells"][0]["column"], "utc_s");
    assert_eq!(json["cells"][0]["probably"]["what"], "time, epoch_s");
}

#[test]
fn a_missing_path_is_exit_2() {
    let archive = Archive::new();
    assert_eq!(inspect(&archive.path("nowhere")).code, 2);
}

#[test]
fn the_findings_are_json_on_demand() {
    let archive = Archive::new();
    let said = say(&["inspect", archive.path("fields/good").to_str().unwrap(), "--json"]);
    let json: serde_json::Value = serde_json::from_str(&said.stdout).unwrap();
    assert_eq!(json["records"], 1200);
    assert_eq!(json["strips"]["band"], 3);
    assert_eq!(json["faults"].as_array().unwrap().len(), 0);
}

#[test]
fn rasters_attribute_tables_and_points_are_reported() {
    let archive = Archive::new();
    let said = inspect(&archive.path("layers/total_2023_05.tif"));
    assert_eq!(said.code, 0, "{}", said.stderr);
    for text in ["GeoTIFF", "4 columns, 4 rows", "EPSG:4326", "140 to 140; 16 of 16 cells hold data", "nodata:"] {
        assert!(said.stdout.contains(text), "{text}: {}", said.stdout);
    }
    let said = inspect(&archive.path("fields/good/harvest.csv"));
    assert!(said.stdout.contains("extent:  -93.6") && said.stdout.contains("moist: 18 to 18"), "{}", said.stdout);
    let shapes = archive.path("fields/good/points.shp");
    let table = dbase::TableWriterBuilder::new()
        .add_character_field(dbase::FieldName::try_from("name").unwrap(), 10)
        .add_numeric_field(dbase::FieldName::try_from("flow").unwrap(), 8, 2);
    let mut writer = shapefile::Writer::from_path(&shapes, table).unwrap();
    for (x, flow) in [(3.0, 1.5), (7.0, 2.5)] {
        let mut record = dbase::Record::default();
        record.insert("name".to_owned(), dbase::FieldValue::Character(Some("row".to_owned())));
        record.insert("flow".to_owned(), dbase::FieldValue::Numeric(Some(flow)));
        writer.write_shape_and_record(&shapefile::Point::new(x, 2.0 * x), &record).unwrap();
    }
    drop(writer);
    let said = inspect(&shapes);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let extent = "extent:  3.000000 to 7.000000, 6.000000 to 14.000000";
    assert!(said.stdout.contains(extent) && said.stdout.contains("flow: 1.5 to 2.5"), "{}", said.stdout);
    let said = inspect(&shapes.with_extension("dbf"));
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("attribute table") && said.stdout.contains("rows:    2"), "{}", said.stdout);
    assert!(said.stdout.contains("flow: 1.5 to 2.5") && !said.stdout.contains("CRS"), "{}", said.stdout);
    let damaged = archive.path("layers/damaged.tif");
    std::fs::write(&damaged, b"II*\0 not a raster").unwrap();
    assert_eq!(inspect(&damaged).code, 1);
}

/// A total that the rates make, in litres, stands beside them; three times as much fits no unit.
#[test]
fn logs_looks_and_layers_of_an_archive_are_reported_and_held_against_each_other() {
    use crate::applied::{archive, log};
    use crate::archive::{LENGTH, SWATH, TREATED, degrees};
    let rows = log(&TREATED, 0.0);
    let archive = archive(&rows, false);
    let planter = |factor: f64| {
        let mut total = 0.0;
        let text = crate::applied::text(&rows);
        let mut lines = text.lines();
        let mut out = format!("{},tank_out\n", lines.next().unwrap());
        for (line, row) in lines.zip(&rows) {
            total += factor * row.rate * row.width * 2.0 / 1e4;
            writeln!(out, "{line},{total:.5}").unwrap();
        }
        out
    };
    archive.write("fields/bad/planter.csv", planter(1.0));
    let (lon, lat) = degrees(SWATH / 2.0, LENGTH / 2.0);
    archive.write(
        "fields/bad/looks.csv",
        format!("lon,lat,plants,day\n{lon},{lat},31,2023-06-14\n{lon},{lat},28,2023-06-15\n"),
    );
    archive.write("fields/bad/samples.csv", format!("lon,lat,clay\n{lon},{lat},21.5\n"));
    archive.edit(
        "fields/bad/field.toml",
        "[applied]",
        "[[observed]]\npath = \"looks.csv\"\ncrs = \"EPSG:4326\"\nkind = \"count\"\n[observed.columns]\nvalue = \"plants\"\n\
         longitude = \"lon\"\nlatitude = \"lat\"\ndate = \"day\"\n[[covariate]]\nname = \"clay\"\npath = \"samples.csv\"\n\
         crs = \"EPSG:4326\"\nkind = \"number\"\nunit = \"%\"\ncolumn = \"clay\"\nlongitude = \"lon\"\nlatitude = \"lat\"\n[applied]",
    );
    let said = inspect(&archive.path("fields/bad"));
    assert_eq!(said.code, 0, "{}", said.stderr);
    // 400 m on six strips, three of them treated, less the first row of each
    let (whole, treated) = (6.0 * 398.0 * SWATH / 1e4, 3.0 * 398.0 * SWATH / 1e4);
    for text in [
        format!(
            "log 1: 1200 rows, 2023-04-29; {whole:.2} ha gone over, {treated:.2} ha of them with the product, on average 50.000 L/ha"
        ),
        format!("{:.1} L by rate × width × distance", 50.0 * treated),
        "column `tank_out` rises by".to_owned(),
        "which is 1.000 of rate × width × distance".to_owned(),
        "plants: 2 looks, 2023-06-14 to 2023-06-15; 28 to 31".to_owned(),
        "clay: 1 points; 21.5000 to 21.5000 %".to_owned(),
    ] {
        assert!(said.stdout.contains(&text), "{text}: {}", said.stdout);
    }
    assert!(!said.stdout.contains("doubtful"), "{}", said.stdout);
    archive.write("fields/bad/planter.csv", planter(3.0));
    archive.edit("fields/bad/field.toml", "crop = \"corn\"", "crop = \"corn\"\nplanted = 2023-05-20");
    let said = inspect(&archive.path("fields/bad"));
    for text in [
        "`tank_out` is 3.00 of rate × width × distance, which no unit makes",
        "planted = 2023-05-20, the log runs 2023-04-29",
    ] {
        assert!(said.stdout.contains(text), "{text}: {}", said.stdout);
    }
    let json = say(&["inspect", archive.path("fields/bad").to_str().unwrap(), "--json"]);
    let json: serde_json::Value = serde_json::from_str(&json.stdout).unwrap();
    assert_eq!(json["applied"][0]["doubtful"].as_array().unwrap().len(), 2);
    assert_eq!((&json["observed"][0]["looks"], &json["covariates"][0]["count"]), (&2.into(), &1.into()));
}
