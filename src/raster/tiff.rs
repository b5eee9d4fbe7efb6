//! `GeoTIFF`: OGC 19-008r4. The first image of the file; overviews are left alone, a mask beside it counts.

use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use tiff::TiffError;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};
use tiff::tags::Tag;

use super::affine::Affine;
use super::error::RasterError;
use super::geokeys::{self, GeoKeys};
use super::read::{Block, Blocks, Described};

/// The tag in which scale, offset and unit stand (a widely used private tag, as is 42113 for missing data).
const METADATA: Tag = Tag::Unknown(42_112);
/// TIFF 6.0, tag 254, bit 2: the image is the mask of another; no other bit: not one of an overview.
const IS_MASK: u32 = 4;
/// Images of a file that are looked through for a mask.
const MOST_IMAGES: usize = 64;
/// Most bytes of one strip or tile of a mask.
const MOST_MASK_BYTES: u64 = 256 << 20;

struct Tiff<R: Read + Seek> {
    path: PathBuf,
    decoder: Decoder<R>,
    across: u32,
    /// Bytes of each strip or tile in the file: 0 for one that was never written.
    chunk_bytes: Vec<u64>,
    mask: Option<Mask>,
}

/// Where the bits of a mask stand: 1 where the image holds data.
struct Mask {
    wide: u32,
    high: u32,
    compression: u16,
    offsets: Vec<u64>,
    counts: Vec<u64>,
    /// The one that was unpacked last.
    last: Option<(usize, Vec<u8>)>,
}

pub(super) fn open<R: Read + Seek + 'static>(
    reader: R,
    path: &Path,
) -> Result<(Described, Box<dyn Blocks>), RasterError> {
    let broken = |fault: TiffError| RasterError::from_tiff(path, fault);
    let unsupported = |expected, found: String| RasterError::Unsupported { path: path.to_path_buf(), expected, found };
    let mut limits = Limits::default();
    limits.ifd_value_size = 64 << 20;
    let mut decoder = Decoder::new(reader).map_err(broken)?.with_limits(limits);
    let (width, height) = decoder.dimensions().map_err(broken)?;

    let bands: u16 = decoder.find_tag_unsigned(Tag::SamplesPerPixel).map_err(broken)?.unwrap_or(1);
    if bands != 1 {
        return Err(unsupported("one band", format!("{bands} bands")));
    }
    let bits: u16 = first(&mut decoder, Tag::BitsPerSample).map_err(broken)?.unwrap_or(1);
    let format: u16 = first(&mut decoder, Tag::SampleFormat).map_err(broken)?.unwrap_or(1);
    if !(matches!(bits, 8 | 16 | 32 | 64) && (1..=3).contains(&format)) {
        return Err(unsupported(
            "integers or floating-point numbers of 8, 16, 32 or 64 bits",
            format!("{bits} bits in sample format {format}"),
        ));
    }
    let block = decoder.chunk_dimensions();
    let counts = match decoder.get_chunk_type() {
        ChunkType::Strip => Tag::StripByteCounts,
        ChunkType::Tile => Tag::TileByteCounts,
    };
    let chunk_bytes = decoder.get_tag_u64_vec(counts).map_err(broken)?;

    let doubles = |decoder: &mut Decoder<R>, tag| optional(decoder.get_tag_f64_vec(tag)).map_err(broken);
    let pixel_scale = doubles(&mut decoder, Tag::ModelPixelScaleTag)?;
    let tie_point = doubles(&mut decoder, Tag::ModelTiepointTag)?;
    let matrix = doubles(&mut decoder, Tag::ModelTransformationTag)?;
    let keys = GeoKeys::new(
        &optional(decoder.get_tag_u16_vec(Tag::GeoKeyDirectoryTag)).map_err(broken)?.unwrap_or_default(),
        &doubles(&mut decoder, Tag::GeoDoubleParamsTag)?.unwrap_or_default(),
        &optional(decoder.get_tag_ascii_string(Tag::GeoAsciiParamsTag)).map_err(broken)?.unwrap_or_default(),
    );
    let mut transform = affine(pixel_scale.as_deref(), tie_point.as_deref(), matrix.as_deref()).ok_or_else(|| {
        RasterError::NoGeoreference {
            path: path.to_path_buf(),
            missing: "tie point and pixel scale, nor a transformation",
        }
    })?;
    if keys.code(geokeys::RASTER_TYPE) == Some(geokeys::PIXEL_IS_POINT) {
        // Coordinates are those of the cells' centres: the outer corner lies half a cell before.
        transform = transform.shifted(-0.5, -0.5);
    }
    let crs = if keys.is_empty() {
        None
    } else {
        Some(keys.crs().map_err(|source| RasterError::Crs { path: path.to_path_buf(), source })?)
    };
    let nodata = optional(decoder.get_tag_ascii_string(Tag::GdalNodata))
        .map_err(broken)?
        .and_then(|text| text.trim_matches(['\0', ' ']).to_ascii_lowercase().parse::<f64>().ok());
    let metadata = optional(decoder.get_tag_ascii_string(METADATA)).map_err(broken)?.unwrap_or_default();
    let number = |role| metadata_item(&metadata, role).and_then(|text| text.parse().ok());
    let described = Described {
        format: "GeoTIFF",
        width,
        height,
        transform,
        crs,
        nodata,
        scale: number("scale").unwrap_or(1.0),
        offset: number("offset").unwrap_or(0.0),
        single_precision: bits == 32 && format == 3,
        unit: metadata_item(&metadata, "unittype").filter(|unit| !unit.is_empty()).map(str::to_owned),
        months: Vec::new(),
        block,
    };
    let mask = mask(&mut decoder, (width, height), path)?;
    let across = width.div_ceil(block.0.max(1));
    Ok((described, Box::new(Tiff { path: path.to_path_buf(), decoder, across, chunk_bytes, mask })))
}

/// The mask of the first image, where the file holds one; the decoder stands at the first image again.
fn mask<R: Read + Seek>(decoder: &mut Decoder<R>, size: (u32, u32), path: &Path) -> Result<Option<Mask>, RasterError> {
    let broken = |fault: TiffError| RasterError::from_tiff(path, fault);
    let mut found = None;
    for _ in 0..MOST_IMAGES {
        if found.is_some() || !decoder.more_images() {
            break;
        }
        // an image in a way that the decoder does not know is none of ours; what follows it cannot be reached
        if decoder.next_image().is_err() {
            break;
        }
        let kind: u32 = decoder.find_tag_unsigned(Tag::NewSubfileType).map_err(broken)?.unwrap_or(0);
        if kind != IS_MASK || decoder.dimensions().map_err(broken)? != size {
            continue;
        }
        let (offsets, counts) = match decoder.get_chunk_type() {
            ChunkType::Strip => (Tag::StripOffsets, Tag::StripByteCounts),
            ChunkType::Tile => (Tag::TileOffsets, Tag::TileByteCounts),
        };
        let (wide, high) = decoder.chunk_dimensions();
        let bits: u16 = first(decoder, Tag::BitsPerSample).map_err(broken)?.unwrap_or(1);
        let compression: u16 = first(decoder, Tag::Compression).map_err(broken)?.unwrap_or(1);
        if bits != 1 || !matches!(compression, 1 | 8 | 32_946) || wide == 0 || high == 0 {
            return Err(RasterError::Unsupported {
                path: path.to_path_buf(),
                expected: "a mask of one bit a cell, uncompressed or with deflate",
                found: format!("one of {bits} bits in compression {compression}"),
            });
        }
        let offsets = decoder.get_tag_u64_vec(offsets).map_err(broken)?;
        let counts = decoder.get_tag_u64_vec(counts).map_err(broken)?;
        found = Some(Mask { wide, high, compression, offsets, counts, last: None });
    }
    decoder.seek_to_image(0).map_err(broken)?;
    Ok(found)
}

impl Mask {
    /// Whether the image holds data at a cell.
    fn is_data<R: Read + Seek>(
        &mut self,
        (column, row): (u32, u32),
        width: u32,
        reader: &mut R,
    ) -> Result<bool, String> {
        let across = width.div_ceil(self.wide);
        let at = (row / self.high) as usize * across as usize + (column / self.wide) as usize;
        if self.last.as_ref().is_none_or(|(known, _)| *known != at) {
            let (Some(&offset), Some(&count)) = (self.offsets.get(at), self.counts.get(at)) else {
                return Err("its mask has too few strips or tiles".to_owned());
            };
            reader.seek(SeekFrom::Start(offset)).map_err(|error| format!("its mask: {error}"))?;
            let packed = reader.take(count);
            let mut bits = Vec::new();
            let read = if self.compression == 1 {
                packed.take(MOST_MASK_BYTES).read_to_end(&mut bits)
            } else {
                flate2::read::ZlibDecoder::new(packed).take(MOST_MASK_BYTES).read_to_end(&mut bits)
            };
            read.map_err(|error| format!("its mask: {error}"))?;
            self.last = Some((at, bits));
        }
        let (column, row) = ((column % self.wide) as usize, (row % self.high) as usize);
        let byte = row * self.wide.div_ceil(8) as usize + column / 8;
        let bits = self.last.as_ref().and_then(|(_, bits)| bits.get(byte));
        bits.map(|bits| bits & (0x80 >> (column % 8)) != 0).ok_or_else(|| "its mask ends too early".to_owned())
    }
}

impl<R: Read + Seek> Blocks for Tiff<R> {
    fn block(&mut self, across: u32, down: u32) -> Result<Block, RasterError> {
        let path = &self.path;
        let damaged = |reason: String| RasterError::Damaged { path: path.clone(), reason };
        let index = down.saturating_mul(self.across).saturating_add(across);
        let Some(&bytes) = self.chunk_bytes.get(index as usize) else {
            return Err(damaged("a strip or tile holds too few cells".to_owned()));
        };
        let (width, height) = self.decoder.chunk_data_dimensions(index);
        if bytes == 0 {
            // A strip or tile that was never written holds no data.
            return Ok(Block { width, values: vec![f64::NAN; width as usize * height as usize] });
        }
        let stored = self.decoder.read_chunk(index).map_err(|fault| RasterError::from_tiff(&self.path, fault))?;
        let mut values = numbers(stored).ok_or_else(|| RasterError::Unsupported {
            path: self.path.clone(),
            expected: "numbers of 8, 16, 32 or 64 bits",
            found: "half-precision numbers".to_owned(),
        })?;
        if let Some(mask) = &mut self.mask {
            let (wide, high) = self.decoder.chunk_dimensions();
            let (image, _) = self.decoder.dimensions().map_err(|fault| RasterError::from_tiff(&self.path, fault))?;
            for (at, value) in values.iter_mut().enumerate() {
                let cell = (across * wide + at as u32 % width, down * high + at as u32 / width);
                if !mask.is_data(cell, image, self.decoder.inner()).map_err(&damaged)? {
                    *value = f64::NAN;
                }
            }
        }
        Ok(Block { width, values })
    }
}

/// The first of a tag's values.
fn first<R: Read + Seek>(decoder: &mut Decoder<R>, tag: Tag) -> Result<Option<u16>, TiffError> {
    Ok(decoder.find_tag_unsigned_vec::<u16>(tag)?.and_then(|values| values.first().copied()))
}

/// A tag that may be absent.
fn optional<T>(found: Result<T, TiffError>) -> Result<Option<T>, TiffError> {
    match found {
        Ok(value) => Ok(Some(value)),
        Err(TiffError::FormatError(tiff::TiffFormatError::RequiredTagNotFound(_))) => Ok(None),
        Err(fault) => Err(fault),
    }
}

fn numbers(stored: DecodingResult) -> Option<Vec<f64>> {
    Some(match stored {
        DecodingResult::U8(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::U16(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::U32(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::U64(values) => values.into_iter().map(|value| value as f64).collect(),
        DecodingResult::I8(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::I16(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::I32(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::I64(values) => values.into_iter().map(|value| value as f64).collect(),
        DecodingResult::F32(values) => values.into_iter().map(f64::from).collect(),
        DecodingResult::F64(values) => values,
        DecodingResult::F16(_) => return None,
    })
}

/// The map from cells to the plane: a 4 × 4 matrix, or one tie point and the size of the cells.
fn affine(pixel_scale: Option<&[f64]>, tie_point: Option<&[f64]>, matrix: Option<&[f64]>) -> Option<Affine> {
    let found = if let Some(m) = matrix.filter(|m| m.len() >= 8) {
        Affine { x0: m[3], dx_column: m[0], dx_row: m[1], y0: m[7], dy_column: m[4], dy_row: m[5] }
    } else {
        let (size, tie) = (pixel_scale.filter(|s| s.len() >= 2)?, tie_point.filter(|t| t.len() >= 6)?);
        Affine::north_up(tie[3] - tie[0] * size[0], tie[4] + tie[1] * size[1], size[0], size[1])
    };
    (found.determinant() != 0.0 && found.determinant().is_finite()).then_some(found)
}

/// `<Item name="SCALE" sample="0" role="scale">0.1</Item>`: the text of the item with the role.
fn metadata_item<'m>(metadata: &'m str, role: &str) -> Option<&'m str> {
    let role = format!("role=\"{role}\"");
    let item = metadata.split("<Item").find(|item| item.contains(&role))?;
    Some(item.split_once('>')?.1.split('<').next()?.trim())
}
