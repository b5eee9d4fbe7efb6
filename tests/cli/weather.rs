//! Wetness by windows about planting, percent of normal, the standardised index, and the lie of the land.

use std::fs::File;

use bandlift::raster::{Affine, GeoTiff, write_geotiff};
use ndarray::Array2;
use polars_io::prelude::{ParquetReader, SerReader};

use crate::archive::{Archive, LENGTH, SOUTH, WEST};
use crate::support::{Tol, close};

fn wetness(archive: &Archive) -> (f64, String) {
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let whole = archive.response("bad", "all");
    (whole["wetness_mm"].parse().unwrap(), whole["wetness_class"].clone())
}

/// May is 40 mm above normal, June 30 below: planted on 17 May, 0 to 30 days: 15 of 31 and 15 of 30 days.
#[test]
fn a_window_prorates_the_months_it_touches() {
    let archive = Archive::single();
    archive.raster("layers/total_2023_06.tif", 60.0);
    archive.raster("layers/normal_06.tif", 90.0);
    archive.edit("archive.toml", "months = [5]", "window = [\"0 d\", \"30 d\"]");
    let said = archive.run();
    assert_eq!(said.code, 1);
    assert!(said.stderr.contains("counts days from planting; give field.toml `planted`"), "{}", said.stderr);
    archive.edit("fields/bad/field.toml", "crop = \"corn\"", "crop = \"corn\"\nplanted = 2023-05-17");
    let (mm, class) = wetness(&archive);
    close("departure", mm, 40.0 * 15.0 / 31.0 - 30.0 * 15.0 / 30.0, Tol::abs(0.06));
    assert_eq!(class, "near normal");
}

#[test]
fn percent_of_normal_makes_its_own_classes() {
    let archive = Archive::single();
    // 140 of 100 mm
    archive.edit("archive.toml", "months = [5]", "months = [5]\nmeasure = \"percent\"\nbreaks = [\"80 %\", \"145 %\"]");
    let (mm, class) = wetness(&archive);
    close("departure", mm, 40.0, Tol::abs(0.06));
    assert_eq!(class, "near normal");
    archive.edit("archive.toml", "145 %", "135 %");
    assert_eq!(wetness(&archive).1, "wetter");
}

#[test]
fn the_index_takes_thirty_seasons_and_says_so() {
    let archive = Archive::single();
    archive.edit("archive.toml", "months = [5]", "months = [5]\nmeasure = \"spi\"");
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let whole = archive.response("bad", "all");
    assert_eq!(whole["wetness_class"], "");
    assert!(whole["caution"].contains("wetness-missing"));
    // totals from 70 to 128 mm in 30 seasons: 140 is beyond them
    for season in 0..30 {
        archive.raster(&format!("layers/total_{}_05.tif", 1990 + season), 70.0 + 2.0 * season as f32);
    }
    assert_eq!(wetness(&archive).1, "wetter");
    // and 100 in the midst of them
    archive.raster("layers/total_2023_05.tif", 100.0);
    assert_eq!(wetness(&archive).1, "near normal");
}

/// A total of one grid less a normal of another would be a difference between places.
#[test]
fn total_and_normal_on_different_grids_fail_and_name_both() {
    let archive = Archive::single();
    let (lon, lat) = crate::archive::degrees(0.0, 0.0);
    let normals = Array2::from_elem((2, 2), 100.0);
    let coarse = GeoTiff {
        data: normals.view(),
        transform: Affine::north_up(lon - 0.25, lat + 0.25, 0.25, 0.25),
        epsg: 4326,
        is_geographic: true,
    };
    write_geotiff(&archive.path("layers/normal_05.tif"), &coarse).unwrap();
    let said = archive.run();
    assert_eq!(said.code, 1, "{}", said.stderr);
    for part in ["layers/normal_05.tif: lies on another grid", "layers/total_2023_05.tif", "write both on one grid"] {
        assert!(said.stderr.contains(part), "{}", said.stderr);
    }
}

/// A raster without a reference system was taken to be in the field's UTM zone.
#[test]
fn a_grid_without_reference_system_fails() {
    let archive = Archive::single();
    let file = File::create(archive.path("layers/normal_05.tif")).unwrap();
    let mut encoder = tiff::encoder::TiffEncoder::new(file).unwrap();
    encoder.write_image::<tiff::encoder::colortype::Gray32Float>(4, 4, &[100.0; 16]).unwrap();
    let said = archive.run();
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert!(said.stderr.contains("layers/normal_05.tif"), "{}", said.stderr);
}

/// Ground that falls to the north: the far half of the field gathers more water, and holds the wetter classes.
#[test]
fn an_elevation_model_joins_the_terrain_to_segments_and_makes_classes() {
    let archive = Archive::single();
    let surface = Array2::from_shape_fn((160, 120), |(row, _)| 300.0 + 0.01 * 10.0 * row as f32);
    write_geotiff(
        &archive.path("layers/elevation.tif"),
        &GeoTiff {
            data: surface.view(),
            transform: Affine::north_up(WEST - 570.0, SOUTH + LENGTH + 580.0, 10.0, 10.0),
            epsg: 32_615,
            is_geographic: false,
        },
    )
    .unwrap();
    archive.edit(
        "archive.toml",
        "path = \"layers/soils.geojson\"",
        "dem = \"layers/elevation.tif\"\nclasses = [\"upslope\", \"downslope\"]",
    );
    let said = archive.run();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let table = ParquetReader::new(File::open(archive.result("bad", "segments.parquet")).unwrap()).finish().unwrap();
    let column = |name: &str| -> Vec<f64> {
        let values = table.column(name).unwrap().f64().unwrap();
        (0..values.len()).map(|at| values.get(at).unwrap_or(f64::NAN)).collect()
    };
    let (along, index, depth) = (column("y_m"), column("terrain_index"), column("depression_m"));
    let class = table.column("drainage_class").unwrap().cast(&polars_core::prelude::DataType::String).unwrap();
    let class = class.str().unwrap();
    let class: Vec<&str> = (0..class.len()).map(|at| class.get(at).unwrap_or("")).collect();
    assert!(index.len() > 60);
    for at in 0..index.len() {
        let north = along[at] - SOUTH;
        // a = distance to the southern edge of what is read, 500 m beyond the field; tan β = 0.01
        let expected = ((north + 505.0) / 0.01).ln();
        assert!((index[at] - expected).abs() < 0.5, "{north}: {} {expected}", index[at]);
        assert!(depth[at].abs() < 1e-6);
        if north > LENGTH / 2.0 + 40.0 {
            assert_eq!(class[at], "downslope", "{north}");
        } else if north < LENGTH / 2.0 - 40.0 {
            assert_eq!(class[at], "upslope", "{north}");
        }
    }
    let response = archive.response("bad", "downslope");
    assert!(!response["response"].is_empty());
}
