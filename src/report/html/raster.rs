//! A raster as a picture inside the page.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ndarray::Array2;

use super::colour::Rgb;
use crate::report::ReportError;

/// Base64 of a PNG; cells without a value are clear.
pub(super) fn picture(cells: &Array2<f32>, colour: impl Fn(f64) -> Rgb) -> Result<String, ReportError> {
    let fault = |error: png::EncodingError| ReportError::new("report.html", error);
    let (rows, columns) = cells.dim();
    let mut pixels = Vec::with_capacity(rows * columns * 4);
    for value in cells {
        if value.is_finite() {
            let [red, green, blue] = colour(f64::from(*value));
            pixels.extend([red, green, blue, 255]);
        } else {
            pixels.extend([0; 4]);
        }
    }
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, columns as u32, rows as u32);
    encoder.set_color(png::ColorType::Rgba);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().map_err(fault)?;
    writer.write_image_data(&pixels).map_err(fault)?;
    writer.finish().map_err(fault)?;
    Ok(STANDARD.encode(bytes))
}
