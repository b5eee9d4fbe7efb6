//! Files written by GDAL 3.10.3; `tests/fixtures/raster/README.md` says how and with which values.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use super::*;
use crate::raster::nearest;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/raster").join(name)
}

fn open(name: &str) -> RasterFile {
    RasterFile::open(&fixture(name)).unwrap()
}

#[test]
fn tiled_and_stripped_files_give_the_values_that_were_written() {
    for (name, epsg, missing) in
        [("float32_tiles_deflate_p3.tif", 4_326, true), ("float64_strips_lzw.tif", 4_269, false)]
    {
        let mut file = open(name);
        assert_eq!(file.crs().unwrap().epsg(), Some(epsg), "{name}");
        let raster = file.read_all().unwrap();
        assert_eq!(raster.data.dim(), (file.height() as usize, file.width() as usize));
        for ((row, column), &value) in raster.data.indexed_iter() {
            let (x, y) = raster.transform.centre(column as u32, row as u32);
            if missing && (row, column) == (3, 5) {
                assert!(value.is_nan());
            } else {
                assert_eq!(value, 4.0 * x + 160.0 * y, "{name} {row} {column}");
            }
            let one = file.value(column as u32, row as u32).unwrap();
            assert!(one == value || (one.is_nan() && value.is_nan()));
        }
    }
}

#[test]
fn a_window_is_the_same_as_a_part_of_the_whole() {
    let mut file = open("float32_tiles_deflate_p3.tif");
    let whole = file.read_all().unwrap();
    let part = file.window(Window { column: 10, row: 14, width: 20, height: 99 }).unwrap();
    assert_eq!(part.data.dim(), (26, 20), "cut at the rim");
    for ((row, column), &value) in part.data.indexed_iter() {
        assert_eq!(value, whole.data[(row + 14, column + 10)]);
    }
    assert_eq!(part.transform.centre(0, 0), whole.transform.centre(10, 14));
    let nothing = file.window(Window { column: 36, row: 0, width: 5, height: 5 }).unwrap_err();
    assert!(nothing.to_string().contains("36 by 40 cells"), "{nothing}");
}

#[test]
fn one_place_costs_one_tile() {
    let mut file = open("float32_tiles_deflate_p3.tif");
    assert_eq!(file.kept.len(), 0);
    assert!(nearest(&mut file, -80.0, 40.0).unwrap().is_some());
    assert!(nearest(&mut file, -80.1, 40.1).unwrap().is_some());
    assert_eq!(file.kept.len(), 1);
}

#[test]
fn integers_are_scaled_after_missing_ones_are_told_apart() {
    let mut file = open("int16_scaled_lzw_p2.tif");
    let raster = file.read_all().unwrap();
    assert!(raster.data[(0, 0)].is_nan());
    for ((row, column), &value) in raster.data.indexed_iter().skip(1) {
        assert_eq!(value, ((row * 36 + column) % 1_000) as f64 * 0.1 + 5.0);
    }
}

#[test]
fn big_tiff_big_endian_and_sparse_files_are_read() {
    let mut big = open("uint8_bigtiff.tif");
    assert_eq!(big.crs().unwrap().epsg(), Some(26_915));
    assert_eq!(big.value(11, 19).unwrap(), 239.0);
    assert_eq!(big.transform().centre(0, 0), (400_015.0, 4_699_985.0));
    assert_eq!(open("big_endian.tif").value(3, 2).unwrap(), 11.0);
    let mut sparse = open("sparse_tiles.tif");
    assert!(sparse.value(0, 0).unwrap().is_nan());
    assert_eq!(sparse.value(40, 3).unwrap(), 7.0);
    assert!(sparse.value(40, 40).unwrap().is_nan());
}

#[test]
fn conventions_of_position_are_honoured() {
    // The library that wrote the file moved the tie point to the centre of the first cell for "point".
    let mut point = open("pixel_is_point.tif");
    assert_eq!(point.transform().centre(0, 0), (10.5, 19.5));
    assert_eq!(nearest(&mut point, 10.5, 19.5).unwrap(), Some(0.0));
    let turned = open("turned.tif");
    assert_eq!(turned.transform().to_plane(2.0, 1.0), (107.0, 200.0));
}

#[test]
fn a_system_given_by_parameters_is_understood() {
    let albers = open("user_defined_albers.tif");
    let crs = albers.crs().unwrap();
    assert!(!crs.is_geographic());
    // EPSG Geodetic Parameter Dataset: code 5070 is the same system.
    let by_code = crate::geometry::Projector::new(&Crs::from_epsg(5_070).unwrap(), crs).unwrap();
    let (x, y) = by_code.convert_point(1e5, 2e6).unwrap().unwrap();
    assert!((x - 1e5).abs() < 1e-6 && (y - 2e6).abs() < 1e-6, "{x} {y}");
}

#[test]
fn what_cannot_be_read_is_named() {
    let fault = RasterFile::open(&fixture("two_bands.tif")).unwrap_err().to_string();
    assert!(fault.contains("two_bands.tif") && fault.contains("one band") && fault.contains("2 bands"), "{fault}");
    let fault = RasterFile::open(&fixture("no_such.tif")).unwrap_err();
    assert!(matches!(fault, RasterError::Io { .. }));
    let fault = RasterFile::from_reader(Cursor::new(b"not a tiff at all".to_vec()), Path::new("x.tif")).unwrap_err();
    assert!(matches!(fault, RasterError::Damaged { .. }), "{fault}");
    // A sound TIFF that lies nowhere.
    let mut bytes = Cursor::new(Vec::new());
    tiff::encoder::TiffEncoder::new(&mut bytes)
        .unwrap()
        .write_image::<tiff::encoder::colortype::Gray8>(2, 2, &[1, 2, 3, 4])
        .unwrap();
    bytes.set_position(0);
    let fault = RasterFile::from_reader(bytes, Path::new("x.tif")).unwrap_err();
    assert!(matches!(fault, RasterError::NoGeoreference { .. }), "{fault}");
}

#[test]
fn a_file_cut_anywhere_is_an_error_and_never_a_panic() {
    for name in ["float32_tiles_deflate_p3.tif", "int16_scaled_lzw_p2.tif", "uint8_bigtiff.tif", "big_endian.tif"] {
        let bytes = std::fs::read(fixture(name)).unwrap();
        let mut sound = 0;
        for length in 0..bytes.len() {
            let cut = RasterFile::from_reader(Cursor::new(bytes[..length].to_vec()), Path::new(name));
            sound += usize::from(cut.and_then(|mut file| file.read_all()).is_ok());
        }
        // The last bytes may be padding.
        assert!(sound <= 16, "{name}: {sound} of {} cut files were taken to be whole", bytes.len());
    }
}

#[test]
fn a_file_with_a_wrong_byte_is_no_panic() {
    let bytes = std::fs::read(fixture("float32_tiles_deflate_p3.tif")).unwrap();
    for at in 0..bytes.len() {
        let mut spoilt = bytes.clone();
        spoilt[at] ^= 0xFF;
        if let Ok(mut file) = RasterFile::from_reader(Cursor::new(spoilt), Path::new("spoilt"))
            && u64::from(file.width()) * u64::from(file.height()) < 1_000_000
        {
            let _ = file.read_all();
        }
    }
}
