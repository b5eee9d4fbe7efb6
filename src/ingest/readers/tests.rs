//! Layers written by GDAL; `tests/fixtures/vector/README.md` says how.

use std::fs::File;
use std::path::Path;

use geo::{Area, BoundingRect};

use super::*;

/// The files of a fixture in a folder of their own.
fn fixtures() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/vector/gdal.zip");
    zip::ZipArchive::new(File::open(path).unwrap()).unwrap().extract(folder.path()).unwrap();
    folder
}

fn layer(path: &Path) -> Result<Table, IngestError> {
    let texts = ["name", "treatment"].map(str::to_owned).to_vec();
    read("f", path, &Wanted { shapes: Shapes::Polygons, numbers: vec!["rate".to_owned()], texts, ..Wanted::default() })
}

/// The two areas as they were drawn: a square with a hole, and one of two parts, in square degrees.
fn is_the_layer(name: &str, table: &Table, from: usize) {
    let names: Vec<_> = table.texts["name"].iter().skip(from).take(2).collect();
    assert_eq!(names, [Some("Südfeld ß"), Some("Zweites")], "{name}");
    assert_eq!(table.texts["treatment"].get(from + 1), Some("band"), "{name}");
    assert_eq!(table.numbers["rate"][from..from + 2], [1.5, 2.0], "{name}");
    assert!(table.crs.as_ref().is_some_and(Crs::is_geographic), "{name}");
    let areas: Vec<f64> = table.polygons[from..from + 2].iter().map(Area::unsigned_area).collect();
    assert!((areas[0] - (1e-4 - 4e-6)).abs() < 1e-9 && (areas[1] - 2e-4).abs() < 1e-9, "{name}: {areas:?}");
    let rect = table.polygons[from + 1].bounding_rect().unwrap();
    assert!((rect.min().x + 93.58).abs() < 1e-9 && (rect.max().y - 42.01).abs() < 1e-9, "{name}");
}

use crate::geometry::Crs;

#[test]
fn one_layer_reads_alike_from_every_format() {
    let folder = fixtures();
    for name in [
        "lay.geojson",
        "gdal_kml.kml",
        "gdal_libkml.kml",
        "gdal_libkml.kmz",
        "seq.geojsonl",
        "rs.geojsons",
        "poly_XYM.shp",
        "cp850.shp",
        "two.gpkg/strips",
        "two.gpkg/other",
        "shapes.zip/poly_XYZM.shp",
    ] {
        let path = folder.path().join(name);
        let table = layer(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(table.rows, 2, "{name}");
        is_the_layer(name, &table, 0);
        assert!(columns("f", &path, 1 << 20).unwrap().contains(&"treatment".to_owned()), "{name}");
    }
    // without a .cpg the names of the Western code page are told apart from UTF-8
    std::fs::remove_file(folder.path().join("poly_XYM.cpg")).unwrap();
    is_the_layer("without .cpg", &layer(&folder.path().join("poly_XYM.shp")).unwrap(), 0);
    // dates stay as they are written
    let wanted = Wanted { shapes: Shapes::Polygons, texts: vec!["day".to_owned()], ..Wanted::default() };
    let table = read("f", &folder.path().join("poly_XYM.shp"), &wanted).unwrap();
    assert_eq!(table.texts["day"].get(0), Some("2023-05-04"));
}

#[test]
fn points_with_height_and_measure_are_points() {
    let folder = fixtures();
    let wanted = Wanted { shapes: Shapes::Points, numbers: vec!["flow".to_owned()], ..Wanted::default() };
    let table = read("f", &folder.path().join("pts_XYZM.shp"), &wanted).unwrap();
    assert_eq!(table.positions.unwrap(), (vec![-93.6, -93.5], vec![42.0, 42.1]));
    assert_eq!(table.numbers["flow"], [1.5, 2.5]);
}

#[test]
fn the_shapefiles_of_a_zip_are_one_table_and_each_may_be_named() {
    let folder = fixtures();
    let zip = folder.path().join("shapes.zip");
    assert_eq!(Format::of(&zip), Some(Format::ZippedShapefiles));
    let table = layer(&zip).unwrap();
    assert_eq!(table.rows, 4);
    is_the_layer("first", &table, 0);
    is_the_layer("second", &table, 2);
    let fault = layer(&folder.path().join("two.gpkg")).unwrap_err().to_string();
    assert!(fault.contains("expected one layer, found 2: other, strips; name one as f/…"), "{fault}");
    let fault = layer(&zip.join("none.shp")).unwrap_err().to_string();
    assert!(fault.contains("expected `none.shp` in it, found poly_XYM.shp, poly_XYZM.shp"), "{fault}");
}

#[test]
fn kml_that_grows_or_only_links_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let fault = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).unwrap();
        layer(&folder.path().join(name)).unwrap_err().to_string()
    };
    let bomb = "<?xml version=\"1.0\"?><!DOCTYPE k [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;\">]><kml><name>&b;</name></kml>";
    assert!(fault("bomb.kml", bomb).contains("DTD"), "{}", fault("bomb.kml", bomb));
    let link = "<kml><NetworkLink><Link><href>elsewhere.kml</href></Link></NetworkLink></kml>";
    assert!(fault("link.kml", link).contains("only links to other places"));
    let open = "<kml><Placemark><Polygon><outerBoundaryIs><LinearRing><coordinates>1,2 3</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></kml>";
    assert!(fault("open.kml", open).contains("placemark 1: found `3`, expected longitude,latitude"));
    assert!(
        fault("line.geojsonl", "{\"type\":\"Feature\",\"properties\":{},\"geometry\":null}\n{\"type\":\n")
            .contains("at line 3")
    );
}

#[test]
fn a_table_of_a_geopackage_that_lies_nowhere_is_a_table() {
    let folder = fixtures();
    let wanted = Wanted { texts: vec!["table_name".to_owned()], ..Wanted::default() };
    let table = read("f", &folder.path().join("two.gpkg/gpkg_contents"), &wanted).unwrap();
    assert_eq!(table.texts["table_name"].iter().flatten().collect::<Vec<_>>(), ["strips", "other"]);
}
