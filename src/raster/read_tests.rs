//! Files written by GDAL and SciPy; `tests/fixtures/raster/README.md` says how and with which values.

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
fn integers_are_scaled_after_missing_ones_are_distinguished() {
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
    ::tiff::encoder::TiffEncoder::new(&mut bytes)
        .unwrap()
        .write_image::<::tiff::encoder::colortype::Gray8>(2, 2, &[1, 2, 3, 4])
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

/// The grid of `float32_tiles_deflate_p3.tif`, its first 8 columns and 6 rows, in other formats.
#[test]
fn other_formats_give_the_values_that_were_written() {
    for (name, format) in [
        ("gdal.asc", "ESRI ASCII grid"),
        ("float.bil", "binary grid (BIL, BSQ, BIP)"),
        ("int16.bil", "binary grid (BIL, BSQ, BIP)"),
        ("gdal_classic.nc", "NetCDF, classic"),
        ("nc4_deflate.nc", "netCDF-4"),
    ] {
        let mut file = open(name);
        let summary = file.summary().unwrap();
        assert_eq!((summary.format, summary.columns, summary.rows, summary.cells_with_data), (format, 8, 6, 47));
        assert!(file.crs().unwrap().is_geographic(), "{name}");
        for (found, expected) in summary.extent.iter().zip([-94.0, 41.5, -90.0, 43.0]) {
            assert!((found - expected).abs() < 1e-9, "{name}: {:?}", summary.extent);
        }
        for row in 0..6 {
            for column in 0..8 {
                let (x, y) = (-93.75 + 0.5 * f64::from(column), 42.875 - 0.25 * f64::from(row));
                let found = nearest(&mut file, x, y).unwrap();
                let expected = ((row, column) != (3, 5)).then_some(4.0 * x + 160.0 * y);
                assert_eq!(found, expected, "{name} {row} {column}");
            }
        }
    }
    // a projected grid: values as GDAL reads them
    let mut file = open("nc4_utm.nc");
    assert_eq!(file.crs().unwrap().epsg().or(Some(26_915)), Some(26_915));
    assert_eq!(nearest(&mut file, 590_000.0, 4_700_000.0).unwrap(), Some(6_453.0));
    assert_eq!(file.summary().unwrap().range, Some([6_285.0, 6_499.0]));
}

#[test]
fn a_mask_hides_cells_and_overviews_are_left_alone() {
    for name in ["masked_overviews_bigtiff.tif", "masked_strips.tif"] {
        let mut file = open(name);
        assert_eq!((file.width(), file.height(), file.unit()), (40, 36, Some("mm")), "{name}");
        let raster = file.read_all().unwrap();
        for ((row, column), &value) in raster.data.indexed_iter() {
            let is_hidden = (row, column) == (2, 3) || ((20..25).contains(&row) && (17..38).contains(&column));
            let stored = ((row * 40 + column) % 1_000) as f64;
            let right = if is_hidden { value.is_nan() } else { (value - (5.0 + 0.1 * stored)).abs() < 1e-9 };
            assert!(right, "{name} {row} {column}: {value}");
        }
    }
}

/// Packed values, months by the middle of their bounds, rows from south to north, longitudes from 0° to 360°.
#[test]
fn months_are_found_by_the_time_of_netcdf() {
    for name in ["scipy_months.nc", "nc4_months.nc"] {
        let of = |year, month| {
            RasterFile::open_with(&fixture(name), Ask { month: Some(Month { year, month }), ..Ask::default() })
        };
        for (year, month, step) in [(2022, 1, 0), (2022, 12, 11), (2023, 5, 16), (2023, 12, 23)] {
            let mut file = of(Some(year), month).unwrap();
            assert_eq!(file.unit(), Some("kg m-2"));
            let at = |x, y, running: f64, file: &mut RasterFile| {
                let found = nearest(file, x, y).unwrap().unwrap();
                assert!((found - (10.0 + 0.1 * (100.0 * f64::from(step) + running))).abs() < 1e-9, "{name} {found}");
            };
            at(-93.75, 41.625, 0.0, &mut file);
            at(-90.25, 42.875, 47.0, &mut file);
            if step == 16 {
                assert_eq!(nearest(&mut file, -91.25, 42.375).unwrap(), None);
            }
        }
        let fault = of(Some(2024), 5).unwrap_err().to_string();
        assert!(fault.contains("one grid of 2024-05, found none among 2022-01 to 2023-12"), "{fault}");
        let fault = of(None, 5).unwrap_err().to_string();
        assert!(fault.contains("one grid of month 05, found 2 of them"), "{fault}");
        let fault = RasterFile::open(&fixture(name)).unwrap_err().to_string();
        assert!(fault.contains("expected a grid of one time, found 24 times"), "{fault}");
    }
}

#[test]
fn a_grid_in_a_zip_is_read_with_its_parts() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("grids.zip");
    let mut zip = zip::ZipWriter::new(File::create(&path).unwrap());
    for name in ["float.bil", "float.hdr", "float.prj", "gdal.asc", "gdal.prj", "nc4_deflate.nc", "big_endian.tif"] {
        zip.start_file(format!("2023/{name}"), zip::write::SimpleFileOptions::default()).unwrap();
        std::io::Write::write_all(&mut zip, &std::fs::read(fixture(name)).unwrap()).unwrap();
    }
    zip.finish().unwrap();
    for name in ["float.bil", "gdal.asc", "nc4_deflate.nc", "big_endian.tif"] {
        let (inside, outside) = (path.join("2023").join(name), fixture(name));
        let mut found = RasterFile::open(&inside).unwrap();
        assert_eq!(found.summary().unwrap(), RasterFile::open(&outside).unwrap().summary().unwrap());
    }
    let fault = RasterFile::open(&path).unwrap_err().to_string();
    assert!(fault.contains("2023/float.bil, 2023/gdal.asc"), "{fault}");
}

/// A header by hand: Motorola order, bytes to skip and rows with a gap; and a float grid.
#[test]
fn binary_rows_lie_where_their_header_says() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, bytes: &[u8]| std::fs::write(folder.path().join(name), bytes).unwrap();
    write("a.hdr", b"nrows 2\nncols 2\nnbits 16\npixeltype signedint\nbyteorder M\nskipbytes 3\ntotalrowbytes 5\nulxmap 0.5\nulymap 1.5\nxdim 1\nydim 1\nnodata -1\n");
    write("a.bsq", &[9, 9, 9, 0, 1, 1, 0, 7, 0xFF, 0xFF, 0xFF, 0xFE]);
    let raster = RasterFile::open(&folder.path().join("a.bsq")).unwrap().read_all().unwrap();
    assert_eq!((raster.data[(0, 0)], raster.data[(0, 1)], raster.data[(1, 1)]), (1.0, 256.0, -2.0));
    assert!(raster.data[(1, 0)].is_nan());
    assert_eq!(raster.transform, Affine::north_up(0.0, 2.0, 1.0, 1.0));
    write("b.hdr", b"ncols 1\nnrows 1\nxllcenter 10\nyllcorner 20\ncellsize 2\nbyteorder LSBFIRST\n");
    write("b.flt", &2.5_f32.to_le_bytes());
    let raster = RasterFile::open(&folder.path().join("b.flt")).unwrap().read_all().unwrap();
    assert_eq!((raster.data[(0, 0)], raster.transform), (2.5, Affine::north_up(9.0, 22.0, 2.0, 2.0)));

    let fault = |name: &str| {
        RasterFile::open(&folder.path().join(name)).and_then(|mut file| file.summary()).unwrap_err().to_string()
    };
    write("a.bsq", &[0; 11]);
    assert!(fault("a.bsq").contains("declares 12 bytes, found 11"));
    write("c.bil", &[0; 8]);
    assert!(fault("c.bil").contains("a .hdr beside it, found none"));
    write("c.hdr", b"ENVI\nsamples = 2\n");
    assert!(fault("c.bil").contains("no `ncols`"), "{}", fault("c.bil"));
    write("d.asc", b"ncols 2\nnrows 2\nxllcorner 0\nyllcorner 0\ncellsize 1\n1 2\n3\n");
    assert!(fault("d.asc").contains("2 rows of 2 values (4), found 3"), "{}", fault("d.asc"));
    write("d.asc", b"ncols 2\nnrows 2\nxllcorner 0\nyllcorner 0\ncellsize 1\n1 2\n3 x\n");
    assert!(fault("d.asc").contains("row 2, column 2: found `x`"), "{}", fault("d.asc"));
}
