//! `[[covariate]]`: points, polygons, grids and values of the field, joined to records and segments, with the response along them.

use std::fmt::Write as _;
use std::fs;

use bandlift::geometry::{Crs, Projector};
use bandlift::raster::{Affine, GeoTiff, write_geotiff};
use ndarray::Array2;
use polars_core::prelude::DataFrame;
use polars_io::prelude::{ParquetReader, SerReader};

use crate::archive::{
    Archive, LENGTH, LIFT, SOUTH, STRIPS, SWATH, TREATED, WEST, collection, csv, degrees, feature, ring, rows,
};

/// Percent of clay along the strips.
fn clay(y: f64) -> f64 {
    20.0 + y / 20.0
}

/// Points 10 m apart along each strip.
fn points() -> String {
    let mut text = String::from("lon,lat,clay_pct,texture\n");
    for strip in 0..STRIPS {
        for step in 0..40 {
            let y = 5.0 + 10.0 * f64::from(step);
            let (lon, lat) = degrees((strip as f64 + 0.5) * SWATH, y);
            let texture = if y < LENGTH / 2.0 { "loam" } else { "clay loam" };
            writeln!(text, "{lon:.9},{lat:.9},{:.4},{texture}", clay(y)).unwrap();
        }
    }
    text
}

/// Response that is laid in: kg/ha for each percent of clay above its mean.
const SLOPE: f64 = 40.0;

/// The slope of the whole response over clay: of what was laid in, and of the 8 % of a yield that changes along the strips.
fn slope() -> f64 {
    let of = |step: usize| {
        let y = 2.0 * step as f64 + 1.0;
        let even = |strip: usize| LIFT * 900.0 * ((strip as f64 + 0.5) * SWATH / 40.0 + y / 90.0).sin();
        let treated: Vec<usize> = (0..STRIPS).filter(|strip| TREATED[*strip]).collect();
        let even = treated.iter().map(|&strip| even(strip)).sum::<f64>() / treated.len() as f64;
        (clay(y) - 30.0, even + SLOPE * (clay(y) - 30.0))
    };
    let all: Vec<(f64, f64)> = (0..200).map(of).collect();
    all.iter().map(|one| one.0 * one.1).sum::<f64>() / all.iter().map(|one| one.0 * one.0).sum::<f64>()
}

/// The harvest with that response on top of the even one.
fn harvest() -> String {
    let mut rows = rows();
    let steps = rows.len() / STRIPS;
    for (at, row) in rows.iter_mut().enumerate() {
        let (strip, along) = (at / steps, ((at % steps) as f64 + 0.5) * 2.0);
        let y = if strip % 2 == 0 { along } else { LENGTH - along };
        if TREATED[strip] {
            let more = SLOPE * (clay(y) - clay(LENGTH / 2.0)) / 1e4 * 2.0 * SWATH * 84.5 / 82.0;
            row.flow = format!("{:.5}", row.flow.parse::<f64>().unwrap() + more);
        }
    }
    csv(&rows)
}

/// Both site-years; `fields/bad` has covariates.
fn archive(settings: &str) -> Archive {
    let archive = Archive::new();
    archive.write("fields/bad/clay.csv", points());
    let field = fs::read_to_string(archive.path("fields/bad/field.toml")).unwrap();
    archive.write("fields/bad/field.toml", field + settings);
    archive
}

const CLAY: &str = r#"
[[covariate]]
name = "Clay"
path = "clay.csv"
crs = "EPSG:4326"
longitude = "lon"
latitude = "lat"
column = "clay_pct"
kind = "number"
unit = "%"
reach = "20 m"
respond = true
"#;

fn parquet(archive: &Archive, name: &str) -> DataFrame {
    ParquetReader::new(fs::File::open(archive.result("bad", name)).unwrap()).finish().unwrap()
}

fn numbers(table: &DataFrame, column: &str) -> Vec<Option<f64>> {
    table.column(column).unwrap().f64().unwrap().iter().collect()
}

fn number(row: &std::collections::BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {row:?}"))
}

#[track_caller]
fn is_done(archive: &Archive) {
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
}

#[test]
fn points_are_joined_and_the_response_is_reported_along_them() {
    let archive = archive(CLAY);
    archive.write("fields/bad/harvest.csv", harvest());
    is_done(&archive);
    // joined: a record takes the value of the point within 20 m, a segment the mean
    let table = parquet(&archive, "points.parquet");
    let (y, found) = (numbers(&table, "y_m"), numbers(&table, "covariate_clay"));
    for (y, found) in y.iter().zip(&found) {
        let (y, found) = (y.unwrap() - SOUTH, found.unwrap());
        assert!((found - clay(y)).abs() <= 5.01 / 20.0, "{found} at {y}");
    }
    let segments = parquet(&archive, "segments.parquet");
    let (y, found) = (numbers(&segments, "y_m"), numbers(&segments, "covariate_clay"));
    assert!(y.iter().zip(&found).all(|(y, found)| (found.unwrap() - clay(y.unwrap() - SOUTH)).abs() < 0.3));
    assert!(numbers(&segments, "covariate_clay_share").iter().all(|share| *share == Some(1.0)));
    // told: the slope that was laid in, by percent and by standard deviation
    let rows = Archive::table(&archive.result("bad", "covariates.csv"));
    assert_eq!(rows.len(), 1);
    let row = &rows[0];
    assert_eq!((row["covariate"].as_str(), row["term"].as_str(), row["asked"].as_str()), ("Clay", "slope", "1"));
    assert_eq!(row["change_unit"], "bu/ac per %");
    assert_eq!(row["joined_by"], "the nearest point within 20 m");
    let kg_ha = archive.summary("bad")["yield_unit_kg_ha"].as_f64().unwrap();
    let (low, high) = (kg_ha * number(row, "ci_low"), kg_ha * number(row, "ci_high"));
    assert!(low < slope() && slope() < high && low > 0.0, "{low} to {high}, {}", slope());
    let per_sd = number(row, "change") * number(row, "covariate_sd");
    assert!((number(row, "change_per_sd") - per_sd).abs() < 0.01, "{row:?}");
    assert_eq!(row["p_holm"], row["p_value"]);
    assert!(row["caution"].contains("few-blocks"));
    let summary = &archive.summary("bad")["covariates"][0];
    assert_eq!(summary["unit"], "%");
    assert!((summary["mean"].as_f64().unwrap() - 30.0).abs() < 0.5, "{summary}");
    let page = fs::read_to_string(archive.result("bad", "report.html")).unwrap();
    assert!(page.contains("Other layers of the ground") && page.contains("The response to at-planting band changes"));
    // over site-years nothing can be told from one
    let rows = Archive::table(&archive.out().join("covariates.csv"));
    assert_eq!((rows[0]["term"].as_str(), rows[0]["why_not"].as_str()), ("slope", "1 of the 3 site-years needed"));
    let index = fs::read_to_string(archive.out().join("index.html")).unwrap();
    assert!(index.contains("Other layers of the ground: the response along them"));
    assert!(!archive.result("good", "covariates.csv").exists());
}

#[test]
fn the_answer_stays_where_it_was() {
    let archive = archive(CLAY);
    is_done(&archive);
    for class in ["all", "Well drained", "Poorly drained"] {
        assert_eq!(archive.response("bad", class)["response"], archive.response("good", class)["response"]);
        assert_eq!(archive.response("bad", class)["ci_low"], archive.response("good", class)["ci_low"]);
    }
}

/// A grid of the field in its own zone: the clay at the centres of its cells.
fn grid(archive: &Archive, name: &str, value: impl Fn(f64, f64) -> f32) {
    let data = Array2::from_shape_fn((48, 12), |(row, column)| {
        value(-30.0 + 10.0 * (column as f64 + 0.5), 440.0 - 10.0 * (row as f64 + 0.5))
    });
    fs::create_dir_all(archive.path(name).parent().unwrap()).unwrap();
    write_geotiff(
        &archive.path(name),
        &GeoTiff {
            data: data.view(),
            transform: Affine::north_up(WEST - 30.0, SOUTH + 440.0, 10.0, 10.0),
            epsg: 32_615,
            is_geographic: false,
        },
    )
    .unwrap();
}

#[test]
fn grids_and_polygons_may_be_the_archives() {
    let archive = archive("");
    grid(&archive, "layers/clay.tif", |_, y| clay(y) as f32);
    grid(&archive, "layers/zone.tif", |_, y| if y < LENGTH / 2.0 { 3.0 } else { 7.0 });
    let zones = collection(&[
        feature(&ring(-20.0, -20.0, 80.0, 100.0), "{\"texture\":\"sand\",\"ec\":4.5}"),
        feature(&ring(-20.0, 100.0, 80.0, LENGTH + 20.0), "{\"texture\":\"loam\",\"ec\":12.5}"),
    ]);
    archive.write("layers/zones.geojson", &zones);
    let settings = fs::read_to_string(archive.path("archive.toml")).unwrap();
    let more = r#"
[[covariate]]
name = "clay"
path = "layers/clay.tif"
kind = "number"
unit = "%"
[[covariate]]
name = "zone"
path = "layers/zone.tif"
kind = "class"
respond = true
[[covariate]]
name = "texture"
path = "layers/zones.geojson"
column = "texture"
kind = "class"
respond = true
[[covariate]]
name = "EC (shallow)"
path = "layers/zones.geojson"
column = "ec"
kind = "number"
unit = "mS/m"
[[covariate]]
name = "planting date"
kind = "number"
value = "planted"
"#;
    archive.write("archive.toml", settings + more);
    archive.edit("fields/bad/field.toml", "crop = \"corn\"", "crop = \"corn\"\nplanted = 2023-04-29");
    let hybrid = "[[covariate]]\nname = \"hybrid\"\nkind = \"class\"\nvalue = \"F-12\"\n[[covariate]]\nname = \"zone\"\nkind = \"class\"\nvalue = \"north\"\n";
    let field = fs::read_to_string(archive.path("fields/good/field.toml")).unwrap();
    archive.write("fields/good/field.toml", field + hybrid);
    is_done(&archive);
    let table = parquet(&archive, "points.parquet");
    for (y, found) in numbers(&table, "y_m").iter().zip(numbers(&table, "covariate_clay")) {
        // bilinear on a plane is the plane
        assert!((found.unwrap() - clay(y.unwrap() - SOUTH)).abs() < 1e-4);
    }
    let segments = parquet(&archive, "segments.parquet");
    let y = numbers(&segments, "y_m");
    let texts = |column: &str| -> Vec<Option<String>> {
        segments.column(column).unwrap().str().unwrap().iter().map(|text| text.map(str::to_owned)).collect()
    };
    for ((y, zone), texture) in y.iter().zip(texts("covariate_zone")).zip(texts("covariate_texture")) {
        let y = y.unwrap() - SOUTH;
        assert_eq!(zone.as_deref(), Some(if y < 200.0 { "3" } else { "7" }), "{y}");
        assert_eq!(texture.as_deref(), Some(if y < 100.0 { "sand" } else { "loam" }), "{y}");
    }
    assert!(numbers(&segments, "covariate_ec__shallow").iter().all(|ec| ec == &Some(4.5) || ec.unwrap() > 4.5));
    let rows = Archive::table(&archive.result("bad", "covariates.csv"));
    let classes: Vec<(&str, &str)> =
        rows.iter().map(|row| (row["covariate"].as_str(), row["class"].as_str())).collect();
    let expected = [
        ("clay", ""),
        ("zone", "3"),
        ("zone", "7"),
        ("texture", "loam"),
        ("texture", "sand"),
        ("EC (shallow)", ""),
        ("planting date", ""),
    ];
    assert_eq!(classes, expected);
    // two covariates of two classes each: two interactions, told from both sides
    assert_eq!((rows[1]["asked"].as_str(), rows[3]["asked"].as_str()), ("2", "2"));
    assert_eq!(rows[1]["p_holm"], rows[2]["p_holm"]);
    assert_eq!((rows[6]["field_value"].as_str(), rows[6]["covariate_unit"].as_str()), ("119", "day of the year"));
    // a field's own covariate stands before the archive's of the same name, and a day that is not known is told
    let own = Archive::table(&archive.result("good", "covariates.csv"));
    let zone = own.iter().find(|row| row["covariate"] == "zone").unwrap();
    assert_eq!(zone["field_value"], "north");
    assert!(archive.summary("good")["cautions"]["covariate-incomplete"].as_str().unwrap().contains("planting date"));
    // the layers carry them, too
    let layers = rusqlite::Connection::open(archive.result("bad", "layers.gpkg")).unwrap();
    let sand: i64 = layers
        .query_row("SELECT count(*) FROM segments WHERE covariate_texture = 'sand'", [], |row| row.get(0))
        .unwrap();
    assert!(sand > 0);
}

#[test]
fn what_is_missing_is_reported() {
    let archive = archive(CLAY);
    // the points of the southern half only
    let all = points();
    let (head, rows) = all.split_once('\n').unwrap();
    let to = Projector::new(&Crs::wgs84(), &Crs::from_epsg(32_615).unwrap()).unwrap();
    let is_south = |row: &&str| {
        let cells: Vec<f64> = row.split(',').take(2).map(|cell| cell.parse().unwrap()).collect();
        to.convert_point(cells[0], cells[1]).unwrap().unwrap().1 < SOUTH + LENGTH / 2.0
    };
    let south: Vec<&str> = rows.lines().filter(is_south).collect();
    archive.write("fields/bad/clay.csv", format!("{head}\n{}\n", south.join("\n")));
    archive.is_done_with_caution("covariate-incomplete");
    let told = archive.summary("bad")["cautions"]["covariate-incomplete"].as_str().unwrap().to_owned();
    assert!(told.starts_with("Clay: missing on 4"), "{told}");
    let rows = Archive::table(&archive.result("bad", "covariates.csv"));
    assert!((number(&rows[0], "known_share") - 0.55).abs() < 0.03, "{rows:?}");
}

#[test]
fn faults_name_file_row_and_key() {
    let of = |from: &str, to: &str, text: &str| {
        let archive = archive(&CLAY.replace(from, to));
        archive.fails_with(text);
    };
    of("clay.csv", "silt.csv", "covariate `Clay`: path: `silt.csv` matches no file");
    of("\"clay_pct\"", "\"clay_pc\"", "no column `clay_pc`");
    of("\"clay_pct\"", "\"texture\"", "row 1, column `texture`: found `loam`, expected a number");
    of("longitude = \"lon\"\nlatitude = \"lat\"\n", "", "holds no geometry; map longitude and latitude");
    of("kind = \"number\"", "kind = \"ordered\"", "expected `class` or `number`, found `ordered`");
    of("path = \"clay.csv\"", "path = \"clay.csv\"\nvalue = 4", "is given beside `path`");
    of("reach = \"20 m\"", "reach = 20", "covariate[1].reach");
    let archive = archive(CLAY);
    let far = points().replace('-', "-1");
    archive.write("fields/bad/clay.csv", far);
    archive.fails_with("covariate `Clay` does not reach the field");
}

#[test]
fn a_changed_price_keeps_what_was_joined() {
    let archive = archive(CLAY);
    is_done(&archive);
    archive.edit("archive.toml", "4.20 USD/bu", "4.50 USD/bu");
    is_done(&archive);
    let names = ["layers.gpkg", "covariates.csv", "summary.json", "report.html"];
    let priced = names.map(|name| fs::read(archive.result("bad", name)).unwrap());
    fs::remove_dir_all(archive.out()).unwrap();
    is_done(&archive);
    for (name, priced) in names.iter().zip(priced) {
        assert!(fs::read(archive.result("bad", name)).unwrap() == priced, "{name} differs from one made from scratch");
    }
}
