//! The site-years on the map of each season's departure from normal precipitation.

use ndarray::Array2;

use super::labels::{self, Frame, Taken};
use super::panel::{LINE, Panel, Sheet, WIDTH, shortened};
use super::{Svg, escaped};
use crate::report::ReportError;
use crate::report::html::colour::{hex, of_departure, of_difference, stops};
use crate::report::html::raster;
use crate::report::html::text::signed;
use crate::results::DepartureMap;

/// A site in a season.
#[derive(Debug, Clone)]
pub(in crate::report::html) struct Site {
    pub(in crate::report::html) season: i32,
    pub(in crate::report::html) place_deg: (f64, f64),
    pub(in crate::report::html) name: String,
    /// Its drainage in words.
    pub(in crate::report::html) ground: String,
    /// The response, in the report's unit, and its standard error.
    pub(in crate::report::html) response: Option<(f64, Option<f64>)>,
}

/// Sites of one season that are named on the map.
const MOST_NAMED: usize = 14;
/// Tallest map, px.
const TALLEST: f64 = 300.0;
/// The least and the largest radius of a site, px.
const RADII: (f64, f64) = (4.0, 12.0);

/// What the colours run to: mm either side, and the response either side.
pub(in crate::report::html) struct Ends {
    pub(in crate::report::html) mm: f64,
    pub(in crate::report::html) response: f64,
}

impl Ends {
    pub(in crate::report::html) fn of(map: Option<&DepartureMap>, sites: &[Site]) -> Self {
        let cells = map.into_iter().flat_map(|map| map.seasons.values().flatten());
        let mm = cells.filter(|mm| mm.is_finite()).fold(0.0_f64, |most, mm| most.max(mm.abs()));
        let responses = sites.iter().filter_map(|site| site.response);
        let response = responses.fold(0.0_f64, |most, (response, _)| most.max(response.abs()));
        Self { mm: if mm > 0.0 { mm } else { 1.0 }, response: if response > 0.0 { response } else { 1.0 } }
    }
}

/// A panel for each season, then the key to the colours.
pub(in crate::report::html) fn draw(
    map: Option<&DepartureMap>,
    extent_deg: [f64; 4],
    sites: &[Site],
    unit: &str,
) -> Result<Vec<Panel>, ReportError> {
    let ends = Ends::of(map, sites);
    let [west, south, east, north] = extent_deg;
    let narrow = (0.5 * (south + north)).to_radians().cos();
    let aspect = (north - south) / ((east - west) * narrow);
    let (width, height) = if WIDTH * aspect > TALLEST { (TALLEST / aspect, TALLEST) } else { (WIDTH, WIDTH * aspect) };
    let best = sites.iter().filter_map(|site| site.response?.1).fold(f64::INFINITY, f64::min);
    let mut panels = Vec::new();
    for sites in sites.chunk_by(|one, next| one.season == next.season) {
        let season = sites[0].season;
        let mut sheet = Sheet::new(&season.to_string(), 1, height + 4.0, "");
        let top = sheet.y;
        if let Some((map, cells)) = map.and_then(|map| Some((map, map.seasons.get(&season)?))) {
            let grid = Array2::from_shape_fn((map.rows, map.columns), |(row, column)| {
                cells.get(row * map.columns + column).map_or(f32::NAN, |&mm| mm as f32)
            });
            let picture = raster::picture(&grid, |mm| of_departure(mm / ends.mm))?;
            sheet.svg.raw(format_args!(
                "<image x=\"0\" y=\"{top:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" preserveAspectRatio=\"none\" style=\"image-rendering:pixelated\" href=\"data:image/png;base64,{picture}\"/>"
            ));
        }
        sheet.svg.raw(format_args!(
            "<rect class=\"frame-line\" x=\"0.5\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{height:.1}\"/>",
            width - 1.0
        ));
        let at = |site: &Site| {
            let x = width * (site.place_deg.0 - west) / (east - west);
            (x, top + height * (north - site.place_deg.1) / (north - south))
        };
        let mut taken = Taken::default();
        for site in sites {
            let (x, y) = at(site);
            let radius = mark(&mut sheet.svg, site, (x, y), best, &ends, unit);
            taken.take([x - radius, y - radius, x + radius, y + radius]);
        }
        if sites.len() <= MOST_NAMED {
            for site in sites {
                name(&mut sheet.svg, site, at(site), [0.0, top, width, top + height], &mut taken);
            }
        }
        panels.push(sheet.finish());
    }
    panels.push(key(map.is_some(), &ends, unit));
    Ok(panels)
}

/// Draws a site; its radius, px.
fn mark(svg: &mut Svg, site: &Site, (x, y): (f64, f64), best: f64, ends: &Ends, unit: &str) -> f64 {
    let (printed, radius, fill) = match site.response {
        Some((response, error)) => {
            let radius = error.map_or(RADII.0, |error| (RADII.1 * best / error).max(RADII.0));
            let fill = hex(of_difference(response / ends.response));
            (format!("{} {unit}", signed(response, 1)), radius, fill)
        }
        None => ("no number".to_owned(), RADII.0, "none".to_owned()),
    };
    let title = format!("{} {}: {printed}; {}", site.season, site.name, site.ground);
    svg.raw(format_args!(
        "<circle class=\"site\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" fill=\"{fill}\"><title>{}</title></circle>",
        escaped(&title)
    ));
    radius
}

/// The name and the ground beside a site, where they stand on no other site or name and within the map.
fn name(svg: &mut Svg, site: &Site, (x, y): (f64, f64), map: Frame, taken: &mut Taken) {
    let (name, ground) = (shortened(&site.name, 20), shortened(&site.ground, 26));
    let long = labels::width(&name, 13.0).max(labels::width(&ground, 12.5));
    // beside, then farther up and down, on the side away from the edge first
    let is_left = x > 0.5 * (map[0] + map[2]);
    let mut places = Vec::new();
    for shift in [0.0, -16.0, 16.0, -32.0, 32.0, -48.0, 48.0] {
        for is_left in [is_left, !is_left] {
            let line = (y - 2.0 + shift).clamp(map[1] + LINE, map[3] - LINE);
            let (left, anchor, at) =
                if is_left { (x - 16.0 - long, "end", x - 16.0) } else { (x + 16.0, "start", x + 16.0) };
            if left >= map[0] && left + long <= map[2] {
                places.push(([left, line - 12.0, left + long, line + 18.0], anchor, at, line));
            }
        }
    }
    // in the middle of a map too narrow for either side, below or above
    let middle = x.clamp(map[0] + 0.5 * long, (map[2] - 0.5 * long).max(map[0] + 0.5 * long));
    for line in [y + 28.0, y - 32.0] {
        if line - 12.0 >= map[1] && line + 18.0 <= map[3] {
            places.push(([middle - 0.5 * long, line - 12.0, middle + 0.5 * long, line + 18.0], "middle", middle, line));
        }
    }
    let frames: Vec<Frame> = places.iter().map(|place| place.0).collect();
    let Some(&(_, anchor, at, line)) = places.get(taken.first_free(&frames)) else { return };
    svg.text("site-name", (at, line), anchor, &name);
    svg.text("site-name small", (at, line + 14.0), anchor, &ground);
}

/// The colours with what they stand for.
fn key(has_grid: bool, ends: &Ends, unit: &str) -> Panel {
    let mut sheet = Sheet::new("Key", 1, 6.5 * LINE, "");
    let mut y = sheet.y;
    let mut bar = |stops: Vec<String>, words: &str, low: String, high: String| {
        sheet.svg.text("number", (0.0, y + 12.0), "start", words);
        let step = 220.0 / stops.len() as f64;
        for (at, colour) in stops.iter().enumerate() {
            sheet.svg.raw(format_args!(
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"12\" fill=\"{colour}\"/>",
                step * at as f64,
                y + LINE,
                step + 0.3
            ));
        }
        sheet.svg.text("tick", (0.0, y + LINE + 26.0), "start", &low);
        sheet.svg.text("tick", (220.0, y + LINE + 26.0), "end", &high);
        y += 3.1 * LINE;
    };
    let either = |end: f64, unit: &str| (format!("{} {unit}", signed(-end, 0)), format!("{} {unit}", signed(end, 0)));
    let (low, high) = either(ends.response, unit);
    bar(stops(|share| of_difference(2.0 * share - 1.0)), "circles: treated minus check; larger is surer", low, high);
    if has_grid {
        let (low, high) = either(ends.mm, "mm");
        bar(stops(|share| of_departure(2.0 * share - 1.0)), "ground: precipitation, mm from normal", low, high);
    }
    sheet.finish()
}
