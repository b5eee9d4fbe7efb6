//! Photographs of what was seen: decoded, turned as the camera was held, made smaller, and encoded anew.
//!
//! Nothing of the file but its pixels goes on: a camera writes the place and the time, and the reports may be handed around.

use std::collections::BTreeMap;
use std::io::Cursor;
use std::sync::Arc;

use image::codecs::jpeg::JpegEncoder;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader};

use super::IngestError;
use super::layers::InputFile;
use crate::points::Photo;

/// Longest side of a picture in the output, px: a leaf spot is seen, a file stays below a megabyte (ours).
const LONGEST_PX: u32 = 1600;
/// Longest side of the picture on the page, px.
const SMALL_PX: u32 = 480;
/// Quality of the JPEG, 1 to 100 (common practice, no source).
const QUALITY: u8 = 82;
/// Most bytes that a picture may unpack to: 150 million pixels.
const MOST_BYTES: u64 = 600_000_000;

/// The photographs of a site-year, each encoded once.
pub(super) struct Photos<'p> {
    files: &'p BTreeMap<(String, String), InputFile>,
    known: BTreeMap<String, Arc<Photo>>,
}

impl<'p> Photos<'p> {
    pub(super) fn new(files: &'p BTreeMap<(String, String), InputFile>) -> Self {
        Self { files, known: BTreeMap::new() }
    }

    /// The photograph that a cell of a table names.
    pub(super) fn get(&mut self, table: &str, cell: &str) -> Result<Option<Arc<Photo>>, IngestError> {
        let Some(file) = self.files.get(&(table.to_owned(), cell.to_owned())) else { return Ok(None) };
        if let Some(photo) = self.known.get(&file.name) {
            return Ok(Some(Arc::clone(photo)));
        }
        let photo = Arc::new(read(file)?);
        self.known.insert(file.name.clone(), Arc::clone(&photo));
        Ok(Some(photo))
    }
}

fn read(file: &InputFile) -> Result<Photo, IngestError> {
    let bytes = std::fs::read(&file.path)
        .map_err(|error| IngestError::Unreadable { file: file.name.clone(), reason: error.to_string() })?;
    let damaged = |error: image::ImageError| IngestError::damaged(&file.name, error.to_string());
    let mut reader = ImageReader::new(Cursor::new(bytes))
        .with_guessed_format()
        .map_err(|error| IngestError::Unreadable { file: file.name.clone(), reason: error.to_string() })?;
    if !matches!(reader.format(), Some(ImageFormat::Jpeg | ImageFormat::Png)) {
        return Err(IngestError::UnknownKind { file: file.name.clone(), expected: "a photograph: JPEG or PNG" });
    }
    let mut limits = image::Limits::default();
    limits.max_alloc = Some(MOST_BYTES);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(damaged)?;
    let orientation = decoder.orientation().map_err(damaged)?;
    let mut picture = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    picture.apply_orientation(orientation);
    let encoded = |longest: u32| {
        let smaller = picture.width().max(picture.height()) > longest;
        let scaled = if smaller { picture.thumbnail(longest, longest) } else { picture.clone() };
        let mut jpeg = Vec::new();
        scaled.to_rgb8().write_with_encoder(JpegEncoder::new_with_quality(&mut jpeg, QUALITY)).map_err(damaged)?;
        Ok(jpeg)
    };
    Ok(Photo { name: file.name.clone(), jpeg: encoded(LONGEST_PX)?, small_jpeg: encoded(SMALL_PX)? })
}
