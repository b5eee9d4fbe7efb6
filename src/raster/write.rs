//! Writing single-precision `GeoTIFF` files.

use std::io::{Cursor, Write};
use std::path::Path;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use ndarray::{Array2, ArrayView1, ArrayView2};
use tiff::TiffError;
use tiff::encoder::{DirectoryEncoder, TiffEncoder, TiffKindStandard};
use tiff::tags::{CompressionMethod, PhotometricInterpretation, Predictor, Tag};

use super::affine::Affine;
use super::error::RasterError;
use super::geokeys;

/// What is to be written.
#[derive(Debug, Clone, Copy)]
pub struct GeoTiff<'d> {
    /// Values, rows by columns; NaN where there are no data (declared as the file's missing value).
    pub data: ArrayView2<'d, f32>,
    /// Where the cells lie.
    pub transform: Affine,
    /// EPSG code of the reference system.
    pub epsg: u32,
    /// Whether that system is of longitudes and latitudes.
    pub is_geographic: bool,
}

/// Bytes of a strip before compression.
const STRIP_BYTES: usize = 1 << 16;

/// The bytes of a `GeoTIFF`: 32-bit floats in strips, deflate with the floating-point predictor (TIFF Technical Note 3,
/// Adobe 2005). The same raster gives the same bytes.
///
/// # Errors
/// When the raster has no cells or a code does not fit.
pub fn encode_geotiff(raster: &GeoTiff<'_>) -> Result<Vec<u8>, RasterError> {
    encode_described(raster, None)
}

/// As [`encode_geotiff`], with the values' name and unit and their range, mean and standard deviation, in the tag that GDAL reads
/// (its documentation of the GTiff driver, `GDAL_METADATA`); neither text may hold markup. A raster of more than 256
/// cells along a side has overviews: means of two by two cells, until no side has more.
///
/// # Errors
/// As [`encode_geotiff`].
pub fn encode_described(raster: &GeoTiff<'_>, what: Option<(&str, &str)>) -> Result<Vec<u8>, RasterError> {
    let path = Path::new("raster");
    let (rows, columns) = raster.data.dim();
    let code = u16::try_from(raster.epsg).ok();
    let (Some(code), true) = (code, rows > 0 && columns > 0) else {
        return Err(RasterError::Unsupported {
            path: path.to_path_buf(),
            expected: "cells and an EPSG code below 65536",
            found: format!("{columns} by {rows} cells and EPSG:{}", raster.epsg),
        });
    };
    let mut out = Cursor::new(Vec::new());
    encode(&mut out, raster, what.map(|what| metadata(raster, what)), code)
        .map_err(|fault| RasterError::from_tiff(path, fault))?;
    Ok(out.into_inner())
}

/// Writes a `GeoTIFF` as [`encode_geotiff`] makes it.
///
/// # Errors
/// [`RasterError`].
pub fn write_geotiff(path: &Path, raster: &GeoTiff<'_>) -> Result<(), RasterError> {
    let bytes = encode_geotiff(raster)?;
    std::fs::write(path, bytes).map_err(|source| RasterError::Io { path: path.to_path_buf(), source })
}

fn metadata(raster: &GeoTiff<'_>, (description, unit): (&str, &str)) -> String {
    let known = || raster.data.iter().copied().filter(|value| value.is_finite()).map(f64::from);
    let count = known().count().max(1) as f64;
    let mean = known().sum::<f64>() / count;
    let deviation = (known().map(|value| (value - mean).powi(2)).sum::<f64>() / count).sqrt();
    let (low, high) =
        known().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    let statistics = [("MINIMUM", low), ("MAXIMUM", high), ("MEAN", mean), ("STDDEV", deviation)];
    let items = statistics.map(|(name, value)| format!("<Item name=\"STATISTICS_{name}\" sample=\"0\">{value}</Item>"));
    format!(
        "<GDALMetadata><Item name=\"DESCRIPTION\" sample=\"0\" role=\"description\">{description}</Item>\
         <Item name=\"UNITTYPE\" sample=\"0\" role=\"unittype\">{unit}</Item>{}</GDALMetadata>",
        items.concat()
    )
}

/// The tag that holds what GDAL knows of the values.
const GDAL_METADATA: u16 = 42_112;
/// Most cells along a side of the smallest overview (as GDAL makes them).
const MOST_OVERVIEW: usize = 256;

/// Half as many cells each way: the mean of those of four that hold data.
fn halved(data: &ArrayView2<'_, f32>) -> Array2<f32> {
    let (rows, columns) = data.dim();
    Array2::from_shape_fn((rows.div_ceil(2), columns.div_ceil(2)), |(row, column)| {
        let four = [(0, 0), (0, 1), (1, 0), (1, 1)].map(|(down, right)| data.get((2 * row + down, 2 * column + right)));
        let known = || four.into_iter().flatten().filter(|value| value.is_finite());
        known().sum::<f32>() / known().count() as f32
    })
}

fn encode(
    out: &mut Cursor<Vec<u8>>,
    raster: &GeoTiff<'_>,
    metadata: Option<String>,
    code: u16,
) -> Result<(), TiffError> {
    let mut file = TiffEncoder::new(out)?;
    let mut image = file.image_directory()?;
    let mut overview = (metadata.is_some() && is_large(&raster.data)).then(|| halved(&raster.data));
    cells(&mut image, &raster.data)?;
    let t = raster.transform;
    if t.dx_row == 0.0 && t.dy_column == 0.0 && t.dx_column > 0.0 && t.dy_row < 0.0 {
        image.write_tag(Tag::ModelPixelScaleTag, &[t.dx_column, -t.dy_row, 0.0][..])?;
        image.write_tag(Tag::ModelTiepointTag, &[0.0, 0.0, 0.0, t.x0, t.y0, 0.0][..])?;
    } else {
        let matrix = [
            [t.dx_column, t.dx_row, 0.0, t.x0],
            [t.dy_column, t.dy_row, 0.0, t.y0],
            [0.0, 0.0, 0.0, 0.0],
            [0.0, 0.0, 0.0, 1.0],
        ];
        image.write_tag(Tag::ModelTransformationTag, matrix.as_flattened())?;
    }
    let (model, key) = if raster.is_geographic { (2, geokeys::GEODETIC_CRS) } else { (1, geokeys::PROJECTED_CRS) };
    let mut keys = vec![1, 1, 0, 3, geokeys::MODEL_TYPE, 0, 1, model, geokeys::RASTER_TYPE, 0, 1, 1, key, 0, 1, code];
    if !raster.is_geographic {
        keys[3] = 4;
        keys.extend([geokeys::LINEAR_UNITS, 0, 1, 9_001]);
    }
    image.write_tag(Tag::GeoKeyDirectoryTag, keys.as_slice())?;
    if let Some(metadata) = metadata {
        image.write_tag(Tag::from_u16_exhaustive(GDAL_METADATA), metadata.as_str())?;
    }
    image.write_tag(Tag::GdalNodata, "nan")?;
    image.finish()?;
    while let Some(data) = overview {
        let mut image = file.image_directory()?;
        // an image of fewer cells of another one
        image.write_tag(Tag::NewSubfileType, 1_u32)?;
        cells(&mut image, &data.view())?;
        image.write_tag(Tag::GdalNodata, "nan")?;
        image.finish()?;
        overview = is_large(&data.view()).then(|| halved(&data.view()));
    }
    Ok(())
}

fn is_large(data: &ArrayView2<'_, f32>) -> bool {
    data.nrows().max(data.ncols()) > MOST_OVERVIEW
}

/// The cells of an image and how they are stored.
fn cells<W: Write + std::io::Seek>(
    image: &mut DirectoryEncoder<'_, W, TiffKindStandard>,
    data: &ArrayView2<'_, f32>,
) -> Result<(), TiffError> {
    let (rows, columns) = data.dim();
    let rows_per_strip = (STRIP_BYTES / (4 * columns)).clamp(1, rows);
    let (mut offsets, mut counts) = (Vec::<u32>::new(), Vec::<u32>::new());
    for top in (0..rows).step_by(rows_per_strip) {
        let mut packed = ZlibEncoder::new(Vec::new(), Compression::new(6));
        for row in top..(top + rows_per_strip).min(rows) {
            packed.write_all(&predicted(&data.row(row)))?;
        }
        let packed = packed.finish()?;
        counts.push(u32::try_from(packed.len())?);
        offsets.push(u32::try_from(image.write_data(packed.as_slice())?)?);
    }
    image.write_tag(Tag::ImageWidth, u32::try_from(columns)?)?;
    image.write_tag(Tag::ImageLength, u32::try_from(rows)?)?;
    image.write_tag(Tag::BitsPerSample, 32_u16)?;
    image.write_tag(Tag::SampleFormat, 3_u16)?;
    image.write_tag(Tag::SamplesPerPixel, 1_u16)?;
    image.write_tag(Tag::Compression, CompressionMethod::Deflate)?;
    image.write_tag(Tag::Predictor, Predictor::FloatingPoint)?;
    image.write_tag(Tag::PhotometricInterpretation, PhotometricInterpretation::BlackIsZero)?;
    image.write_tag(Tag::RowsPerStrip, u32::try_from(rows_per_strip)?)?;
    image.write_tag(Tag::StripOffsets, offsets.as_slice())?;
    image.write_tag(Tag::StripByteCounts, counts.as_slice())?;
    Ok(())
}

/// A row after the floating-point predictor: the bytes of all cells, most significant first, one plane after the other,
/// each as its difference from the byte before.
fn predicted(row: &ArrayView1<'_, f32>) -> Vec<u8> {
    let mut planes = vec![0_u8; 4 * row.len()];
    for (at, value) in row.iter().enumerate() {
        for (plane, byte) in value.to_be_bytes().into_iter().enumerate() {
            planes[plane * row.len() + at] = byte;
        }
    }
    for at in (1..planes.len()).rev() {
        planes[at] = planes[at].wrapping_sub(planes[at - 1]);
    }
    planes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::RasterFile;
    use ndarray::Array2;

    fn raster(rows: usize, columns: usize) -> Array2<f32> {
        Array2::from_shape_fn((rows, columns), |(row, column)| {
            if (row + column) % 17 == 3 {
                f32::NAN
            } else {
                9_000.0 + (row as f32 * 0.37).sin() * 2_000.0 - column as f32 * 1.1
            }
        })
    }

    #[test]
    fn what_is_written_is_read_back_exactly() {
        for (rows, columns) in [(1, 1), (7, 3), (300, 257), (2, 40_000)] {
            let data = raster(rows, columns);
            let transform = Affine::north_up(420_000.0, 4_865_000.0, 5.0, 5.0);
            let bytes =
                encode_geotiff(&GeoTiff { data: data.view(), transform, epsg: 32_615, is_geographic: false }).unwrap();
            let mut file = RasterFile::from_reader(Cursor::new(bytes.clone()), Path::new("written")).unwrap();
            assert_eq!(file.crs().unwrap().epsg(), Some(32_615));
            assert_eq!(file.transform(), transform);
            let back = file.read_all().unwrap();
            for (got, want) in back.data.iter().zip(&data) {
                assert!((got.is_nan() && want.is_nan()) || *got == f64::from(*want), "{got} {want}");
            }
        }
    }

    #[test]
    fn the_same_raster_gives_the_same_bytes_and_turned_grids_keep_their_turn() {
        let data = raster(20, 30);
        let turned = Affine { x0: 1.0, dx_column: 2.0, dx_row: 0.5, y0: 3.0, dy_column: 0.25, dy_row: -2.0 };
        let geotiff = GeoTiff { data: data.view(), transform: turned, epsg: 4_326, is_geographic: true };
        let bytes = encode_geotiff(&geotiff).unwrap();
        assert_eq!(bytes, encode_geotiff(&geotiff).unwrap());
        let file = RasterFile::from_reader(Cursor::new(bytes.clone()), Path::new("written")).unwrap();
        assert_eq!(file.transform(), turned);
        assert!(file.crs().unwrap().is_geographic());
    }

    #[test]
    fn a_large_raster_has_overviews_of_means() {
        let data = raster(300, 700);
        let transform = Affine::north_up(420_000.0, 4_865_000.0, 5.0, 5.0);
        let of = |what| {
            let raster = GeoTiff { data: data.view(), transform, epsg: 32_615, is_geographic: false };
            encode_described(&raster, what).unwrap()
        };
        let sizes = |bytes: Vec<u8>| {
            let mut file = tiff::decoder::Decoder::new(Cursor::new(bytes)).unwrap();
            let mut sizes = vec![file.dimensions().unwrap()];
            while file.more_images() {
                file.next_image().unwrap();
                assert_eq!(file.get_tag_u32(Tag::NewSubfileType).unwrap(), 1);
                sizes.push(file.dimensions().unwrap());
            }
            sizes
        };
        assert_eq!(sizes(of(Some(("yield", "kg/ha")))), [(700, 300), (350, 150), (175, 75)]);
        assert_eq!(sizes(of(None)), [(700, 300)]);
        let four = Array2::from_shape_vec((2, 3), vec![1.0, 2.0, 7.0, f32::NAN, 6.0, f32::NAN]).unwrap();
        assert_eq!(halved(&four.view()), Array2::from_shape_vec((1, 2), vec![3.0, 7.0]).unwrap());
        assert!(halved(&Array2::from_elem((2, 2), f32::NAN).view())[(0, 0)].is_nan());
    }

    #[test]
    fn a_raster_without_cells_is_refused() {
        let data = Array2::<f32>::zeros((0, 4));
        let fault = encode_geotiff(&GeoTiff {
            data: data.view(),
            transform: Affine::north_up(0.0, 0.0, 1.0, 1.0),
            epsg: 32_615,
            is_geographic: false,
        })
        .unwrap_err();
        assert!(fault.to_string().contains("4 by 0 cells"), "{fault}");
    }
}
