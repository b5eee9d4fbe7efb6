//! Figures to take along: the panels of the pages on sheets of 16 by 9, light, with the sentence as title and a source line.

use std::fmt::Write;
use std::sync::{Arc, OnceLock};

use rustc_hash::FxHashMap;

use resvg::{tiny_skia, usvg};

use super::figures::escaped;
use super::figures::panel::{Panel, WIDTH, wrapped};
use super::questions::{self, Figure};
use super::words::Words;
use super::{ArchiveCase, STYLE};
use crate::report::units::level;
use crate::report::{LABEL_FIRST, ReportError, Slide, Units};
use crate::results::SiteYear;
use crate::text::plain;

/// The sheet, px.
const SHEET: (f64, f64) = (1280.0, 720.0);
const MARGIN: f64 = 24.0;
/// Panels side by side.
const MOST_PANELS: usize = 3;
/// Between panels, px of the panels.
const GAP: f64 = 20.0;
/// The smallest text of a panel, and the smallest that a sheet may show, px.
const LEAST_TEXT: (f64, f64) = (12.5, 14.0);
/// Larger than this panels do not become.
const MOST_FACTOR: f64 = 2.0;
/// Size of the title, px, its lines, and letters of a line.
const TITLE: f64 = 27.0;
const TITLE_LINES: usize = 3;
const TITLE_LETTERS: usize = 82;
/// Room for the source lines, px.
const FOOT: f64 = 82.0;
const CAPTION_LETTERS: usize = 160;

/// DejaVu Sans (its licence lies beside it): what text in a picture is drawn with on every machine.
const FONT: &[u8] = include_bytes!("fonts/DejaVuSans.ttf");
const FAMILY: &str = "DejaVu Sans";

/// The figures of the archive, then those of its site-years.
pub(in crate::report) fn all(case: &ArchiveCase<'_>) -> Result<Vec<Slide>, ReportError> {
    let mut slides = Vec::new();
    let days = case.site_years.iter().filter_map(|one| one.last_day.as_deref()).max();
    for crop in questions::crops(case) {
        let own: Vec<&SiteYear> = case
            .site_years
            .iter()
            .filter(|one| one.identity.crop == crop.name() && !one.responses.is_empty())
            .collect();
        let seasons: Vec<i32> = own.iter().map(|one| one.identity.season).collect();
        let span = match (seasons.iter().min(), seasons.iter().max()) {
            (Some(first), Some(last)) if first != last => format!("{first} to {last}"),
            (Some(first), _) => first.to_string(),
            _ => String::new(),
        };
        let count = if own.len() == 1 { "site-year" } else { "site-years" };
        let source = format!("{} · {} {count}, {span}{}", case.archive.name, own.len(), until(days));
        for figure in crop.slides()? {
            slides.extend(sheets(&figure, &source));
        }
    }
    for one in case.site_years.iter().filter(|one| !one.responses.is_empty()) {
        slides.extend(of_site_year(case, one));
    }
    // two crops or fields may come to one name
    let mut known = std::collections::BTreeMap::new();
    for slide in &mut slides {
        let count = known.entry(slide.name.clone()).or_insert(0);
        *count += 1;
        if *count > 1 {
            let _ = write!(slide.name, "-{count}");
        }
    }
    Ok(slides)
}

fn until(day: Option<&str>) -> String {
    day.map_or_else(String::new, |day| format!(" · harvested until {day}"))
}

/// The answer of one site-year.
fn of_site_year(case: &ArchiveCase<'_>, result: &SiteYear) -> Vec<Slide> {
    let units = Units::new(case.archive, &result.identity.crop);
    let words = Words { result, archive: case.archive, units: &units, decimals: super::text::decimals(&units) };
    let figure = Figure {
        name: format!("site_years/{}", result.folder.replace('/', "-")),
        sentence: words.headline(),
        panels: super::site_year::grounds(result, case.archive, &units),
        caption: format!(
            "Treated minus check, {}; lines are {} intervals, grey: not shown to differ from 0",
            units.yield_unit,
            level(case.archive.model.confidence)
        ),
    };
    let identity = &result.identity;
    let source = format!(
        "{} · {} {}, {}{}",
        case.archive.name,
        identity.season,
        identity.field,
        identity.farm,
        until(result.last_day.as_deref())
    );
    sheets(&figure, &source)
}

/// A figure on as many sheets as its panels need.
fn sheets(figure: &Figure, source: &str) -> Vec<Slide> {
    let room = (SHEET.1 - top(&title(figure)) - FOOT) * LEAST_TEXT.0 / LEAST_TEXT.1;
    // rows of panels, as many on a sheet as leave the text readable
    let mut parts: Vec<Vec<&[Panel]>> = Vec::new();
    let mut left = 0.0;
    for row in figure.panels.chunks(MOST_PANELS) {
        let needed = tallest(row) + GAP;
        match parts.last_mut() {
            Some(part) if needed <= left => part.push(row),
            _ => {
                parts.push(vec![row]);
                left = room + GAP;
            }
        }
        left -= needed;
    }
    let of_several = parts.len() > 1;
    parts
        .into_iter()
        .enumerate()
        .map(|(at, rows)| Slide {
            name: if of_several { format!("{}-{}", figure.name, at + 1) } else { figure.name.clone() },
            svg: sheet(figure, &rows, source),
        })
        .collect()
}

fn title(figure: &Figure) -> Vec<String> {
    wrapped(&figure.sentence, TITLE_LETTERS, TITLE_LINES)
}

/// Where the panels begin below a title, px.
fn top(title: &[String]) -> f64 {
    MARGIN + (TITLE + 6.0) * title.len() as f64 + 10.0
}

fn tallest(panels: &[Panel]) -> f64 {
    panels.iter().map(|panel| panel.height).fold(1.0, f64::max)
}

/// One sheet.
fn sheet(figure: &Figure, rows: &[&[Panel]], source: &str) -> String {
    let (width, height) = SHEET;
    let title = title(figure);
    let top = top(&title);
    let across = rows.iter().map(|row| row.len()).max().unwrap_or(1);
    let wide = WIDTH * across as f64 + GAP * across.saturating_sub(1) as f64;
    let tall = rows.iter().map(|row| tallest(row) + GAP).sum::<f64>() - GAP;
    let factor = ((width - 2.0 * MARGIN) / wide).min((height - top - FOOT) / tall).min(MOST_FACTOR);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" \
         font-family=\"{FAMILY}, sans-serif\"><title>{}</title><style>{}</style><rect width=\"{width}\" height=\"{height}\" fill=\"#ffffff\"/>",
        escaped(&figure.sentence),
        style()
    );
    for (at, line) in title.iter().enumerate() {
        let y = MARGIN + (TITLE + 6.0) * at as f64 + TITLE;
        let _ = write!(svg, "<text class=\"sheet-title\" x=\"{MARGIN}\" y=\"{y:.1}\">{}</text>", escaped(line));
    }
    let mut below = top;
    let places = rows.iter().flat_map(|row| {
        let y = below;
        below += (tallest(row) + GAP) * factor;
        row.iter().enumerate().map(move |(at, panel)| (at, y, panel))
    });
    for (at, y, panel) in places {
        let x = MARGIN + (WIDTH + GAP) * factor * at as f64;
        // not cut off at its edges, over which at most a part of a letter reaches: that would take a sheet and a mask for each panel
        let placed = format!(
            "<svg overflow=\"visible\" x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{:.1}\" ",
            WIDTH * factor,
            panel.height * factor
        );
        // its own size gives way to that on the sheet
        let own = format!(" width=\"{WIDTH:.0}\" height=\"{:.0}\"", panel.height);
        svg.push_str(&panel.svg.replacen("<svg ", &placed, 1).replacen(&own, "", 1));
    }
    let caption = wrapped(&figure.caption, CAPTION_LETTERS, 2);
    let lines = caption.iter().map(String::as_str).chain([source, LABEL_FIRST]);
    let first = height - 10.0 - 18.0 * (caption.len() + 1) as f64;
    for (at, line) in lines.enumerate() {
        let y = first + 18.0 * at as f64;
        let _ = write!(svg, "<text class=\"sheet-source\" x=\"{MARGIN}\" y=\"{y}\">{}</text>", escaped(line));
    }
    svg.push_str("</svg>");
    plain(&svg).into_owned()
}

/// The rules of the pages for drawings, with the colours of light pages in the place of names.
fn style() -> &'static str {
    static FOUND: OnceLock<String> = OnceLock::new();
    FOUND.get_or_init(|| {
        let light = STYLE.split("@media").next().unwrap_or_default();
        let mut rules: String = STYLE
            .split_inclusive('}')
            .map(str::trim)
            .filter(|rule| rule.starts_with("svg ") || rule.starts_with("svg."))
            .filter(|rule| !rule.contains("max-width"))
            .collect();
        for pair in light.split([';', '{', '}']).filter_map(|text| text.trim().split_once(':')) {
            rules = rules.replace(&format!("var({})", pair.0.trim()), pair.1.trim());
        }
        rules = rules.replace("#fbfaf7", "#ffffff").replace("system-ui, sans-serif", "inherit");
        let small = LEAST_TEXT.1;
        let _ = write!(
            rules,
            "svg .sheet-title {{ font-size: {TITLE}px; }} svg .sheet-source {{ font-size: {small}px; fill: #55616c; }}"
        );
        rules
    })
}

/// A sheet as a PNG of a width, px.
pub(in crate::report) fn png(svg: &str, width: u32) -> Result<Vec<u8>, ReportError> {
    static OPTIONS: OnceLock<usvg::Options<'static>> = OnceLock::new();
    let fault = |error: &dyn std::fmt::Display| ReportError::new("figures", error);
    let options = OPTIONS.get_or_init(|| {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(FONT.to_vec());
        fonts.set_sans_serif_family(FAMILY);
        usvg::Options { font_family: FAMILY.to_owned(), fontdb: Arc::new(fonts), ..usvg::Options::default() }
    });
    let tree = usvg::Tree::from_str(svg, options).map_err(|error| fault(&error))?;
    let factor = width as f32 / tree.size().width();
    let height = (tree.size().height() * factor).round() as u32;
    let mut sheet = tiny_skia::Pixmap::new(width, height).ok_or_else(|| fault(&"the width is out of range"))?;
    sheet.fill(tiny_skia::Color::WHITE);
    resvg::render(&tree, tiny_skia::Transform::from_scale(factor, factor), &mut sheet.as_mut());
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_depth(png::BitDepth::Eight);
    let pixels = match indexed(sheet.data()) {
        Some((palette, pixels)) => {
            encoder.set_color(png::ColorType::Indexed);
            encoder.set_palette(palette);
            encoder.set_filter(png::Filter::NoFilter);
            pixels
        }
        None => {
            encoder.set_color(png::ColorType::Rgba);
            sheet.data().to_vec()
        }
    };
    let mut writer = encoder.write_header().map_err(|error| fault(&error))?;
    writer.write_image_data(&pixels).map_err(|error| fault(&error))?;
    writer.finish().map_err(|error| fault(&error))?;
    Ok(bytes)
}

/// The colours of a picture, three bytes each, and the place of each pixel's among them; `None` where there are more than a byte can
/// tell. Nothing shines through on white.
fn indexed(pixels: &[u8]) -> Option<(Vec<u8>, Vec<u8>)> {
    let mut known: FxHashMap<[u8; 4], u8> = FxHashMap::default();
    let (mut palette, mut places) = (Vec::new(), Vec::with_capacity(pixels.len() / 4));
    let mut last = ([0; 4], 0); // nothing is drawn in it
    let mut look = |pixel: [u8; 4], last: &mut ([u8; 4], u8)| -> Option<()> {
        if pixel != last.0 {
            let place = match known.get(&pixel) {
                Some(place) => *place,
                None => {
                    let place = u8::try_from(known.len()).ok()?;
                    palette.extend_from_slice(&pixel[..3]);
                    known.insert(pixel, place);
                    place
                }
            };
            *last = (pixel, place);
        }
        Some(())
    };
    // most pixels are as those before them
    let (eights, rest) = pixels.as_chunks::<4>().0.as_chunks::<8>();
    for eight in eights {
        if *eight == [last.0; 8] {
            places.extend([last.1; 8]);
        } else {
            for pixel in eight {
                look(*pixel, &mut last)?;
                places.push(last.1);
            }
        }
    }
    for pixel in rest {
        look(*pixel, &mut last)?;
        places.push(last.1);
    }
    Some((palette, places))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rules_of_drawings_name_their_colours() {
        let style = style();
        assert!(style.contains("svg .zero") && style.contains("svg.panel .tick"), "{style}");
        assert!(!style.contains("var("), "{style}");
    }

    #[test]
    fn few_colours_are_shown_by_their_places() {
        let (palette, places) = indexed(&[255, 255, 255, 255, 1, 2, 3, 255, 1, 2, 3, 255, 255, 255, 255, 255]).unwrap();
        assert_eq!((palette, places), (vec![255, 255, 255, 1, 2, 3], vec![0, 1, 1, 0]));
        let many: Vec<u8> = (0..257_u16).flat_map(|at| [(at % 256) as u8, (at / 256) as u8, 0, 255]).collect();
        assert!(indexed(&many).is_none() && indexed(&many[4..]).is_some());
    }

    #[test]
    fn a_sheet_is_sixteen_by_nine_and_its_picture_holds_ink() {
        let panel = Panel { svg: "<svg class=\"panel\" viewBox=\"0 0 352 100\" width=\"352\" height=\"100\"><text x=\"0\" y=\"50\">word</text></svg>".to_owned(), height: 100.0 };
        let figure =
            Figure { name: "x".to_owned(), sentence: "A < B.".to_owned(), panels: vec![panel], caption: String::new() };
        let slides = sheets(&figure, "source");
        let bytes = png(&slides[0].svg, 640).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        assert_eq!((reader.info().width, reader.info().height), (640, 360));
        let dark: Vec<bool> = reader.info().palette.as_ref().unwrap().chunks(3).map(|colour| colour[0] < 120).collect();
        assert!(pixels.iter().filter(|&&place| dark[place as usize]).count() > 150);
    }
}
