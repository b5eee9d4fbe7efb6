//! The yield map as an image with the strips drawn over it.

use std::fmt::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use super::chart::escaped;
use crate::config::ArchiveSettings;
use crate::points::Joined;
use crate::report::yield_grid::YieldGrid;
use crate::report::{ReportError, Units};
use crate::stats::robust;

/// Width of the drawing, px.
const WIDTH: f64 = 760.0;

/// The map: cells coloured by yield between the 2nd and the 98th percentile, strips by outline, a scale below.
pub(super) fn yield_map(
    grid: &YieldGrid,
    joined: &Joined,
    archive: &ArchiveSettings,
    units: &Units,
) -> Result<String, ReportError> {
    let (rows, columns) = grid.yields.dim();
    let mut values: Vec<f64> =
        grid.yields.iter().filter(|value| value.is_finite()).map(|&value| f64::from(value)).collect();
    values.sort_by(f64::total_cmp);
    let quantile = |p: f64| robust::quantile_sorted(&values, p).unwrap_or(0.0);
    let (low, high) = (quantile(0.02), quantile(0.98).max(quantile(0.02) + 1.0));
    let mut pixels = Vec::with_capacity(rows * columns * 4);
    for value in &grid.yields {
        if value.is_finite() {
            let share = ((f64::from(*value) - low) / (high - low)).clamp(0.0, 1.0);
            let colour = colorous::CIVIDIS.eval_continuous(share);
            pixels.extend([colour.r, colour.g, colour.b, 255]);
        } else {
            pixels.extend([0, 0, 0, 0]);
        }
    }
    let image = encode(&pixels, columns as u32, rows as u32)?;
    let height = WIDTH * rows as f64 / columns as f64;
    let scale = WIDTH / (columns as f64 * grid.cell_m);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH:.0} {:.0}\" width=\"{WIDTH:.0}\" role=\"img\" aria-label=\"Yield map with strips\"><image href=\"data:image/png;base64,{image}\" width=\"{WIDTH:.0}\" height=\"{height:.0}\" style=\"image-rendering:pixelated\"/>",
        height + 50.0
    );
    for strip in &joined.assigned.strips {
        let Some(ground) = &strip.ground else { continue };
        let is_check = archive.treatment(&strip.treatment).is_some_and(|treatment| treatment.check);
        let dash = if is_check { " stroke-dasharray=\"6 4\"" } else { "" };
        let label = archive.treatment(&strip.treatment).map_or("", |treatment| &treatment.label);
        for polygon in ground {
            let mut path = String::new();
            for (at, corner) in polygon.exterior().coords().enumerate() {
                let (x, y) = ((corner.x - grid.west_m) * scale, (grid.north_m - corner.y) * scale);
                let _ = write!(path, "{}{x:.1} {y:.1}", if at == 0 { 'M' } else { 'L' });
            }
            let _ = write!(
                svg,
                "<path d=\"{path}Z\" fill=\"none\" stroke=\"#d1495b\" stroke-width=\"1.5\"{dash}><title>{} · {}</title></path>",
                escaped(&strip.name),
                escaped(label)
            );
        }
    }
    let mut stops = String::new();
    for stop in 0..=8 {
        let share = f64::from(stop) / 8.0;
        let _ =
            write!(stops, "<stop offset=\"{share}\" stop-color=\"#{:x}\"/>", colorous::CIVIDIS.eval_continuous(share));
    }
    let _ = write!(
        svg,
        "<defs><linearGradient id=\"scale\">{}</linearGradient></defs><rect x=\"0\" y=\"{:.0}\" width=\"240\" height=\"12\" fill=\"url(#scale)\"/><text x=\"0\" y=\"{:.0}\">{:.0}</text><text x=\"240\" y=\"{:.0}\" text-anchor=\"end\">{:.0} {}</text><text x=\"270\" y=\"{:.0}\">solid: treated · dashed: check</text></svg>",
        stops,
        height + 8.0,
        height + 36.0,
        units.yields(low),
        height + 36.0,
        units.yields(high),
        units.yield_unit,
        height + 18.0,
    );
    Ok(svg)
}

fn encode(pixels: &[u8], width: u32, height: u32) -> Result<String, ReportError> {
    let fault = |error: png::EncodingError| ReportError::new("report.html", error);
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgba);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().map_err(fault)?;
    writer.write_image_data(pixels).map_err(fault)?;
    writer.finish().map_err(fault)?;
    Ok(STANDARD.encode(bytes))
}
