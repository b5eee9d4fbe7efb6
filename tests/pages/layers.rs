//! `yield.tif` and `layers.gpkg` as a general GIS library (GDAL) reads them.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::browser::{program, skipped};
use crate::example;

/// A program of the library, or `None` after saying that it is not there.
fn gdal(name: &str) -> Option<PathBuf> {
    let found = program(&[name]);
    if found.is_none() {
        skipped(&format!("GDAL's {name}"));
    }
    found
}

/// What a program prints; whatever it warns of is a failure.
fn said(program: &Path, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().unwrap();
    let warned = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success() && warned.trim().is_empty(), "{arguments:?}: {warned}");
    String::from_utf8(output.stdout).unwrap()
}

fn folders() -> Vec<PathBuf> {
    example::reports().iter().map(|report| report.parent().unwrap().to_owned()).collect()
}

fn summary(folder: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(folder.join("summary.json")).unwrap()).unwrap()
}

#[test]
fn the_yield_map_has_its_reference_system_nodata_and_type() {
    let Some(gdalinfo) = gdal("gdalinfo") else { return };
    for folder in folders() {
        let path = folder.join("yield.tif");
        let told: Value = serde_json::from_str(&said(&gdalinfo, &["-json", "-stats", path.to_str().unwrap()])).unwrap();
        let summary = summary(&folder);
        let wkt = told["coordinateSystem"]["wkt"].as_str().unwrap();
        assert!(wkt.contains(&format!("ID[\"EPSG\",{}]", summary["epsg"])) && wkt.contains("UTM zone 15N"), "{wkt}");
        let band = &told["bands"][0];
        assert_eq!(told["bands"].as_array().unwrap().len(), 1);
        assert_eq!(band["type"], "Float32");
        assert_eq!(band["noDataValue"], "NaN");
        let (mean, field) = (band["mean"].as_f64().unwrap(), summary["mean_yield_kg_ha"].as_f64().unwrap());
        // cells of equal weight against mass by area
        assert!((mean / field - 1.0).abs() < 0.02, "{mean} kg/ha on the map, {field} in the summary");
        // the place: the middle of the records lies on the map
        let ring = &told["wgs84Extent"]["coordinates"][0];
        let of = |axis: usize| ring.as_array().unwrap().iter().map(move |corner| corner[axis].as_f64().unwrap());
        for (axis, name) in [(0, "longitude"), (1, "latitude")] {
            let place = summary["place_deg"][name].as_f64().unwrap();
            let (low, high) = (of(axis).fold(f64::INFINITY, f64::min), of(axis).fold(f64::NEG_INFINITY, f64::max));
            assert!(low < place && place < high, "{name} {place} outside {low} to {high}");
        }
        assert_eq!((&band["unit"], &band["description"]), (&"kg/ha".into(), &"dry yield at market moisture".into()));
        // its colours stand beside it, from dark to light as the values rise
        let style = std::fs::read_to_string(folder.join("yield.sld")).unwrap();
        let xml = roxmltree::Document::parse(&style).unwrap();
        let entries: Vec<_> = xml.descendants().filter(|node| node.has_tag_name("ColorMapEntry")).collect();
        let values: Vec<f64> =
            entries.iter().map(|entry| entry.attribute("quantity").unwrap().parse().unwrap()).collect();
        assert!(values.len() == 9 && values.windows(2).all(|pair| pair[0] < pair[1]), "{values:?}");
        assert!(
            values[0] >= band["minimum"].as_f64().unwrap() - 0.1
                && values[8] <= band["maximum"].as_f64().unwrap() + 0.1
        );
        let light = |entry: &roxmltree::Node<'_, '_>| {
            let colour = entry.attribute("color").unwrap();
            (1..7).step_by(2).map(|at| u32::from_str_radix(&colour[at..at + 2], 16).unwrap()).sum::<u32>()
        };
        assert!(entries.windows(2).all(|pair| light(&pair[0]) < light(&pair[1])), "{style}");
        // the file holds its statistics, so that none are put beside it
        assert!(!folder.join("yield.tif.aux.xml").exists());
    }
}

#[test]
fn the_layers_have_their_reference_system_and_the_types_of_their_attributes() {
    let Some(ogrinfo) = gdal("ogrinfo") else { return };
    for folder in folders() {
        let path = folder.join("layers.gpkg");
        let epsg = summary(&folder)["epsg"].clone();
        for (layer, geometry, attributes) in [
            ("strips", "Multi Polygon", vec!["strip: String", "treatment: String", "block: String"]),
            (
                "segments",
                "Point",
                vec!["yield: Real", "points: Integer64", "usable: Integer(Boolean)", "drainage_class: String"],
            ),
            ("local", "Point", vec!["response: Real", "std_error: Real", "probability_pays: Real", "first: String"]),
            ("differences", "Point", vec!["difference: Real", "treatment: String", "block: String"]),
            (
                "zones",
                "Multi Polygon",
                vec!["response: Real", "ci_low: Real", "probability_pays: Real", "caution: String"],
            ),
        ] {
            let told = said(&ogrinfo, &["-so", path.to_str().unwrap(), layer]);
            assert!(told.contains(&format!("Geometry: {geometry}\n")), "{layer}: {told}");
            assert!(told.contains(&format!("ID[\"EPSG\",{epsg}]")), "{layer}: {told}");
            for attribute in attributes {
                assert!(told.contains(&format!("\n{attribute}")), "{layer} has no {attribute}: {told}");
            }
            let features = told.lines().find_map(|line| line.strip_prefix("Feature Count: ")).unwrap();
            assert!(features.parse::<usize>().unwrap() > 0, "{layer}");
        }
    }
}

/// GeoParquet 1.1: the key `geo` with the system of the coordinates, points as WKB where a position was recorded and nowhere
/// else, time in UTC. GDAL reads the file where it was built with its Parquet driver.
#[test]
fn the_parquet_files_are_geoparquet() {
    use polars_core::prelude::{DataType, TimeUnit, TimeZone};
    use polars_io::prelude::{ParquetReader, SerReader};
    for folder in folders() {
        for name in ["points.parquet", "segments.parquet"] {
            let path = folder.join(name);
            let mut reader = ParquetReader::new(std::fs::File::open(&path).unwrap());
            let metadata = reader.get_metadata().unwrap().clone();
            let pairs = metadata.key_value_metadata().clone().unwrap();
            let key = |name: &str| -> Value {
                let pair = pairs.iter().find(|pair| pair.key == name).unwrap();
                serde_json::from_str(pair.value.as_deref().unwrap()).unwrap()
            };
            let (geo, columns) = (key("geo"), key("columns"));
            assert_eq!((&geo["version"], &geo["primary_column"]), (&"1.1.0".into(), &"geometry".into()));
            let place = &geo["columns"]["geometry"];
            assert_eq!((&place["encoding"], &place["geometry_types"]), (&"WKB".into(), &serde_json::json!(["Point"])));
            assert_eq!(place["crs"]["id"]["code"], summary(&folder)["epsg"], "{place}");
            assert_eq!(place["crs"]["type"], "ProjectedCRS");
            assert_eq!(
                (&columns["dry_yield_kg_ha"]["unit"], columns["x_m"]["description"].is_string()),
                (&"kg/ha".into(), true)
            );
            let frame = reader.finish().unwrap();
            let (x, y) = (frame.column("x_m").unwrap().f64().unwrap(), frame.column("y_m").unwrap().f64().unwrap());
            let geometry = frame.column("geometry").unwrap().binary().unwrap().clone();
            let bbox: Vec<f64> = serde_json::from_value(place["bbox"].clone()).unwrap();
            let mut missing = 0;
            for ((x, y), wkb) in x.iter().zip(y.iter()).zip(geometry.iter()) {
                match (x, y, wkb) {
                    (Some(x), Some(y), Some(wkb)) => {
                        let head = [1, 1, 0, 0, 0];
                        assert_eq!(wkb, [&head[..], &x.to_le_bytes(), &y.to_le_bytes()].concat());
                        assert!(bbox[0] <= x && x <= bbox[2] && bbox[1] <= y && y <= bbox[3]);
                    }
                    (None, None, None) => missing += 1,
                    other => panic!("{other:?}"),
                }
            }
            if name == "points.parquet" {
                let reasons = frame.column("removed_by").unwrap().str().unwrap();
                assert_eq!(missing, reasons.iter().filter(|reason| *reason == Some("no-position")).count());
                let kind = DataType::Datetime(TimeUnit::Microseconds, Some(TimeZone::UTC));
                assert_eq!(frame.column("time").unwrap().dtype(), &kind);
            }
            if let Some(ogrinfo) = gdal("ogrinfo")
                && said(&ogrinfo, &["--formats"]).contains("Parquet")
            {
                let told = said(&ogrinfo, &["-so", "-al", path.to_str().unwrap()]);
                assert!(told.contains("Geometry: Point") && told.contains("UTM zone 15N"), "{told}");
            }
        }
    }
}

#[test]
fn every_layer_brings_its_style() {
    let Some(ogrinfo) = gdal("ogrinfo") else { return };
    for folder in folders() {
        let path = folder.join("layers.gpkg");
        let query = "SELECT f_table_name, styleSLD FROM layer_styles WHERE useAsDefault = 1";
        let told = said(&ogrinfo, &["-q", "-sql", query, path.to_str().unwrap()]);
        for layer in ["strips", "segments", "differences", "local", "zones"] {
            assert!(told.contains(&format!("f_table_name (String) = {layer}")), "{told}");
        }
        assert_eq!(told.matches("<StyledLayerDescriptor").count(), 5);
        assert!(told.contains("less than the check") && told.contains("<ogc:Literal>check</ogc:Literal>"), "{told}");
    }
}

#[test]
fn the_strips_cover_the_ground_that_the_archive_gave() {
    let Some(ogrinfo) = gdal("ogrinfo") else { return };
    let folder = folders().into_iter().find(|folder| folder.ends_with("2024/tamsin-flats/creek-quarter")).unwrap();
    let strips = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-data/archive/2024/tamsin-flats/creek-quarter/strips.geojson");
    let area = |path: &Path, geometry: &str, layer: &str, transform: &str| -> f64 {
        let query = format!("SELECT SUM(ST_Area({transform})) AS area, COUNT({geometry}) AS n FROM \"{layer}\"");
        let told = said(&ogrinfo, &["-q", "-dialect", "SQLite", "-sql", &query, path.to_str().unwrap()]);
        told.lines().find_map(|line| line.trim().strip_prefix("area (Real) = ")).unwrap().parse().unwrap()
    };
    let given = area(&strips, "geometry", "strips", "ST_Transform(geometry, 32615)");
    let written = area(&folder.join("layers.gpkg"), "geom", "strips", "geom");
    assert!((written / given - 1.0).abs() < 1e-6, "{written} of {given} m²");
}
