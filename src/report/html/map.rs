//! The grower's map: where the treated strips yielded more than the check, over the soils.
//!
//! Where the response model gives the response piece by piece, that is what is drawn; else the running mean of the single differences.

use std::fmt::Write;

use serde::{Deserialize, Serialize};

use super::colour::{hex, of_difference, stops};
use super::figures::labels::{self, Taken};
use super::figures::panel::shortened;
use super::figures::{Svg, escaped, in_two_widths, outline};
use super::ground::{Along, MapGround};
use crate::report::Units;
use crate::stats::robust;

/// Largest width and height of the drawing, px.
const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 460.0;
/// Size of the strips' names, px.
const STRIP_NAME: f64 = 11.5;
/// Height of the legend, px.
const LEGEND: f64 = 44.0;
/// Least width of a stretch on the map, px.
const LEAST_STRETCH: f64 = 4.0;

/// A stretch of a treated strip on the map.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Drawing {
    /// Its line, as a path.
    line: String,
    segment: usize,
}

/// A drawing in two parts, between which marks are put, and the stretches they may stand on: those whose response the model gives.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Part {
    ground: String,
    names: String,
    stretches: Vec<Drawing>,
}

/// The map for wide and for narrow screens.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct DifferenceMap(Vec<Part>);

impl DifferenceMap {
    /// With a dark line along the stretches on which something is so.
    pub(super) fn marked(&self, is_marked: impl Fn(usize) -> bool) -> String {
        let mut svg = String::new();
        for part in &self.0 {
            svg.push_str(&part.ground);
            for one in part.stretches.iter().filter(|one| is_marked(one.segment)) {
                let _ = write!(svg, "<path class=\"sure\" d=\"{}\"/>", one.line);
            }
            svg.push_str(&part.names);
        }
        svg
    }
}

/// The map; none where nothing faces a check. `segment_m` is the length of a segment.
pub(super) fn of_differences(ground: &MapGround, segment_m: f64, units: &Units) -> Option<DifferenceMap> {
    let told = ground.told();
    let is_shown = told.iter().any(|(_, along)| !along.is_empty());
    is_shown.then(|| {
        let draw = |width: f64, class: &str| at_width((ground, &told), segment_m, units, (width, class));
        DifferenceMap(in_two_widths(WIDTH, draw).into())
    })
}

fn at_width(
    (ground, told): (&MapGround, &[Along]),
    segment_m: f64,
    units: &Units,
    (most_width, wide): (f64, &str),
) -> Part {
    let shown: Vec<f64> = told.iter().flat_map(|(_, along)| along.iter().map(|one| one.1)).collect();
    let limit = robust::quantile(&shown.iter().map(|value| value.abs()).collect::<Vec<_>>(), 0.95).unwrap_or(1.0);
    let limit = nice(limit.max(1e-6));
    let scale = (most_width / ground.width_m).min(HEIGHT / ground.height_m);
    let (width, height) = (ground.width_m * scale, ground.height_m * scale);
    let mut svg = Svg::new(
        most_width.max(width),
        height + LEGEND,
        &format!("figure map {wide}"),
        "Treated minus check along the strips, over the soils",
    );
    let place = |x: i32, y: i32| (f64::from(x) / 10.0 * scale, height - f64::from(y) / 10.0 * scale);
    let path = |rings: &[Vec<i32>]| {
        outline(rings.iter().map(|ring| ring.chunks_exact(2).map(|corner| place(corner[0], corner[1]))))
    };
    // outlines end at the frame
    svg.raw(format_args!("<svg width=\"{width:.1}\" height=\"{height:.1}\">"));
    for soil in &ground.soils {
        let d = path(&soil.rings);
        if ground.line_error_m > 0.0 {
            let width = 2.0 * ground.line_error_m * scale;
            svg.raw(format_args!("<path class=\"soil-unsure\" stroke-width=\"{width:.1}\" d=\"{d}\"/>"));
        }
        svg.raw(format_args!("<path class=\"soil\" d=\"{d}\"/>"));
    }
    for (at, strip) in ground.strips.iter().enumerate() {
        let class = if strip.is_check { "strip check" } else { "strip treated" };
        let title = format!("{} · {} · block {}", strip.label, strip.name, strip.block);
        let d = path(&strip.rings);
        svg.raw(format_args!("<clipPath id=\"{wide}-strip{at}\"><path d=\"{d}\"/></clipPath>"));
        svg.raw(format_args!("<path class=\"{class}\" d=\"{d}\"><title>{}</title></path>", escaped(&title)));
    }
    let mut drawings = Vec::new();
    for (strip, along) in told {
        let strip_ground = Some(*strip).filter(|&strip| !ground.strips[strip].rings.is_empty());
        let clip = strip_ground.map_or_else(String::new, |strip| format!(" clip-path=\"url(#{wide}-strip{strip})\""));
        svg.raw(format_args!("<g{clip}>"));
        let places: Vec<(f64, f64)> =
            along.iter().map(|one| place(ground.segments[one.0].x, ground.segments[one.0].y)).collect();
        let direction = direction(&places).unwrap_or((0.0, 1.0));
        for (&(segment, value), &(x, y)) in along.iter().zip(&places) {
            let half = 0.5 * segment_m * scale;
            let (dx, dy) = (direction.0 * half, direction.1 * half);
            let line = format!("M{:.1} {:.1}L{:.1} {:.1}", x - dx, y - dy, x + dx, y + dy);
            svg.raw(format_args!(
                "<path d=\"{line}\" stroke=\"{}\" stroke-width=\"{:.1}\"><title>{value:+} {}</title></path>",
                hex(of_difference(value / limit)),
                // wide enough to fill the strip, which cuts it off; where the strip's ground is not known, as wide as can be seen
                if clip.is_empty() { LEAST_STRETCH } else { 60.0 * scale },
                units.yield_unit
            ));
            if !ground.local.is_empty() {
                drawings.push(Drawing { line, segment });
            }
        }
        svg.raw("</g>");
    }
    let split = svg.len();
    let mut taken = Taken::default();
    for (at, strip) in ground.strips.iter().enumerate() {
        let corners = strip.rings.first().map_or(&[][..], |ring| ring.as_slice());
        let places: Vec<(f64, f64)> = corners.chunks_exact(2).map(|corner| place(corner[0], corner[1])).collect();
        if places.is_empty() {
            continue;
        }
        // at its southern end; narrow strips stand close, so their names take turns in height
        let x = places.iter().map(|place| place.0).sum::<f64>() / places.len() as f64;
        let y = places.iter().map(|place| place.1).fold(f64::NEG_INFINITY, f64::max) - 3.0 - 12.0 * (at % 3) as f64;
        let name = shortened(&strip.name, 8);
        taken.take(labels::centred(&name, STRIP_NAME, (x, y)));
        svg.text("strip-name", (x, y), "middle", &name);
    }
    for soil in &ground.soils {
        let (x, y) = place(soil.at.0, soil.at.1);
        labels::near(&mut svg, &mut taken, &soil.name, (x, y), (width, height));
    }
    svg.raw("</svg>");
    legend(&mut svg, (most_width.max(width), height), limit, scale, (units, wide));
    let whole = svg.finish();
    let (ground, names) = whole.split_at(split);
    Part { ground: ground.to_owned(), names: names.to_owned(), stretches: drawings }
}

/// From the first place to the last, of length 1.
fn direction(places: &[(f64, f64)]) -> Option<(f64, f64)> {
    let (first, last) = (places.first()?, places.last()?);
    let (dx, dy) = (last.0 - first.0, last.1 - first.1);
    let length = dx.hypot(dy);
    Some(if length > 0.0 { (dx / length, dy / length) } else { (0.0, 1.0) })
}

/// The next round number: 1, 2 or 5 times a power of ten.
fn nice(value: f64) -> f64 {
    let power = 10.0_f64.powf(value.log10().floor());
    [1.0, 2.0, 5.0].map(|digit| digit * power).into_iter().find(|round| *round >= value).unwrap_or(10.0 * power)
}

fn legend(svg: &mut Svg, (width, height): (f64, f64), limit: f64, scale: f64, (units, class): (&Units, &str)) {
    let bar = (0.5 * width).min(260.0);
    let top = height + 10.0;
    let mut gradient = String::new();
    let colours = stops(|share| of_difference(2.0 * share - 1.0));
    for (at, colour) in colours.iter().enumerate() {
        let share = at as f64 / (colours.len() - 1) as f64;
        let _ = write!(gradient, "<stop offset=\"{share:.4}\" stop-color=\"{colour}\"/>");
    }
    svg.raw(format_args!("<defs><linearGradient id=\"{class}-differences\">{gradient}</linearGradient></defs>"));
    svg.raw(format_args!(
        "<rect x=\"0\" y=\"{top:.0}\" width=\"{bar:.0}\" height=\"11\" fill=\"url(#{class}-differences)\"/>"
    ));
    svg.text("tick", (0.0, top + 26.0), "start", &format!("≤ −{limit}"));
    svg.text("tick", (0.5 * bar, top + 26.0), "middle", "0");
    svg.text("tick", (bar, top + 26.0), "end", &format!("≥ +{limit} {}", units.yield_unit));
    let metres = nice(0.125 * width / scale);
    let from = 0.59 * width;
    svg.line("rule", (from, top + 6.0), (from + metres * scale, top + 6.0));
    svg.text("tick", (from, top + 26.0), "start", &format!("{metres} m"));
    let north = width - 14.0;
    svg.raw(format_args!(
        "<path class=\"north\" d=\"M{north:.0} {:.0}l6 18l-6 -4l-6 4z\"><title>north</title></path>",
        top - 2.0
    ));
    svg.text("tick", (north, top + 30.0), "middle", "N");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_ends_at_a_round_number() {
        assert!((nice(8.3) - 10.0).abs() < 1e-9 && (nice(0.12) - 0.2).abs() < 1e-9 && (nice(5.0) - 5.0).abs() < 1e-9);
    }
}
