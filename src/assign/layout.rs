//! The strips and the blocks that they form.

use std::collections::{BTreeMap, BTreeSet};

use geo::{Centroid, Coord, CoordsIter, MultiPolygon};

use crate::config::StripSettings;
use crate::geometry::Frame;
use crate::points::{Caution, Cautions, Cleaned, Design, Labels, Strip, StripGround};

/// The strips, sorted by name, with the frame of each block.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) strips: Vec<Strip>,
    /// By block name.
    pub(super) frames: BTreeMap<String, Frame>,
    pub(super) design: Design,
    /// For each strip, its row among the polygons (polygon layouts), in the order of `strips`.
    pub(super) polygon: Vec<usize>,
    /// For labelled records: the strip of each record, else empty.
    pub(super) strip_of_record: Vec<u32>,
}

impl Layout {
    /// The number of a place (UTM m) along the block of a strip, by segments of a length.
    pub(super) fn number_along(&self, strip: u32, (x_m, y_m): (f64, f64), segment_length_m: f64) -> i32 {
        let frame = &self.frames[&self.strips[strip as usize].block];
        (frame.to_frame(Coord { x: x_m, y: y_m }).x / segment_length_m).floor() as i32
    }
}

/// A strip before its block is known.
struct Draft {
    name: String,
    treatment: String,
    block: Option<String>,
    ground: Option<MultiPolygon<f64>>,
    centre: Coord<f64>,
    /// Direction along it, doubled-angle sums weighted by length.
    axis: (f64, f64),
    polygon: usize,
}

/// The layout of a strip layer.
pub(super) fn from_polygons(grounds: &[StripGround], settings: &StripSettings, cautions: &mut Cautions) -> Layout {
    let mut names = unique_names(grounds);
    let drafts = grounds
        .iter()
        .enumerate()
        .map(|(row, strip)| {
            let frame = Frame::of(&strip.ground);
            let centre = strip.ground.centroid().map_or(Coord { x: 0.0, y: 0.0 }, Into::into);
            let angle = frame.map_or(0.0, |frame| frame.angle_rad());
            Draft {
                name: std::mem::take(&mut names[row]),
                treatment: strip.treatment.clone(),
                block: strip.block.clone(),
                ground: Some(strip.ground.clone()),
                centre,
                axis: ((2.0 * angle).sin(), (2.0 * angle).cos()),
                polygon: row,
            }
        })
        .collect();
    layout(drafts, settings, cautions)
}

/// Names as given, made unique; nameless strips are numbered in the order of the file.
fn unique_names(grounds: &[StripGround]) -> Vec<String> {
    let mut taken = BTreeSet::new();
    grounds
        .iter()
        .enumerate()
        .map(|(row, strip)| {
            let wanted = strip.name.clone().unwrap_or_else(|| format!("strip {:02}", row + 1));
            let mut name = wanted.clone();
            let mut copy = 2;
            while !taken.insert(name.clone()) {
                name = format!("{wanted} ({copy})");
                copy += 1;
            }
            name
        })
        .collect()
}

/// The layout of labelled records.
pub(super) fn from_labels(cleaned: &Cleaned, settings: &StripSettings, cautions: &mut Cautions) -> Layout {
    let records = &cleaned.records;
    // A strip is a (block, strip, treatment) that occurs; a strip label alone is not trusted to be unique over blocks.
    let key_of = |at: usize| {
        records
            .treatment
            .get(at)
            .map(|treatment| (records.block.get(at).unwrap_or(""), records.strip.get(at).unwrap_or(""), treatment))
    };
    let mut rows: BTreeMap<(&str, &str, &str), Vec<usize>> = BTreeMap::new();
    for at in 0..records.len() {
        if let Some(key) = key_of(at) {
            rows.entry(key).or_default().push(at);
        }
    }
    let mut drafts = Vec::new();
    let mut draft_of_record = vec![Labels::NONE; records.len()];
    for (number, ((block, strip, treatment), rows)) in rows.into_iter().enumerate() {
        let (mut x, mut y, mut count, mut axis) = (0.0, 0.0, 0.0, (0.0, 0.0));
        for at in rows {
            draft_of_record[at] = number as u32;
            if cleaned.x_m[at].is_finite() {
                x += cleaned.x_m[at];
                y += cleaned.y_m[at];
                count += 1.0;
            }
            // Courses run clockwise from north, frames anticlockwise from east.
            let angle = std::f64::consts::FRAC_PI_2 - cleaned.course_rad[at];
            if angle.is_finite() {
                axis = (axis.0 + (2.0 * angle).sin(), axis.1 + (2.0 * angle).cos());
            }
        }
        let parts: Vec<&str> = [block, strip, treatment].into_iter().filter(|part| !part.is_empty()).collect();
        let name = if strip.is_empty() { parts.join(" ") } else { strip.to_owned() };
        drafts.push(Draft {
            name,
            treatment: treatment.to_owned(),
            block: (!block.is_empty()).then(|| block.to_owned()),
            ground: None,
            centre: Coord { x: x / count, y: y / count },
            axis,
            polygon: number,
        });
    }
    // The same strip label in two blocks.
    let mut seen = BTreeMap::new();
    for draft in &drafts {
        *seen.entry(draft.name.clone()).or_insert(0) += 1;
    }
    for draft in &mut drafts {
        if seen[&draft.name] > 1 {
            let block = draft.block.as_deref().unwrap_or("");
            let name = format!("{block} {} {}", draft.name, draft.treatment);
            name.trim().clone_into(&mut draft.name);
        }
    }
    let mut layout = layout(drafts, settings, cautions);
    let mut strip_of_draft = vec![Labels::NONE; layout.polygon.len()];
    for (strip, &draft) in layout.polygon.iter().enumerate() {
        strip_of_draft[draft] = strip as u32;
    }
    layout.strip_of_record = draft_of_record
        .into_iter()
        .map(|draft| if draft == Labels::NONE { draft } else { strip_of_draft[draft as usize] })
        .collect();
    layout
}

fn layout(mut drafts: Vec<Draft>, settings: &StripSettings, cautions: &mut Cautions) -> Layout {
    drafts.sort_by(|one, other| one.name.cmp(&other.name));
    let given = drafts.iter().all(|draft| draft.block.is_some());
    if !given {
        form_blocks(&mut drafts);
        cautions.add(Caution::BlocksFormed, "");
    }
    let block_of = |draft: &Draft| draft.block.clone().unwrap_or_default();
    let whole = frame(drafts.iter());
    let mut frames = BTreeMap::new();
    let blocks: BTreeSet<String> = drafts.iter().map(block_of).collect();
    for block in &blocks {
        let mut own = frame(drafts.iter().filter(|draft| block_of(draft) == *block));
        // All blocks are looked at from the same end, or left and right would change places.
        if own.axis.x * whole.axis.x + own.axis.y * whole.axis.y < 0.0 {
            own.axis = Coord { x: -own.axis.x, y: -own.axis.y };
        }
        frames.insert(block.clone(), own);
    }
    let strips: Vec<Strip> = drafts
        .iter()
        .map(|draft| {
            let block = block_of(draft);
            Strip {
                name: draft.name.clone(),
                treatment: draft.treatment.clone(),
                across_m: frames[&block].to_frame(draft.centre).y,
                block,
                ground: draft.ground.clone(),
            }
        })
        .collect();
    let mut strips_by_treatment = BTreeMap::new();
    for strip in &strips {
        *strips_by_treatment.entry(strip.treatment.clone()).or_insert(0) += 1;
    }
    let design = Design {
        blocks: blocks.into_iter().collect(),
        strips_by_treatment,
        randomized: settings.randomized,
        blocks_formed: !given,
    };
    Layout {
        polygon: drafts.iter().map(|draft| draft.polygon).collect(),
        strips,
        frames,
        design,
        strip_of_record: Vec::new(),
    }
}

/// A frame along the strips of a block.
fn frame<'d>(drafts: impl Iterator<Item = &'d Draft>) -> Frame {
    let (mut sine, mut cosine, mut corners, mut centres) = (0.0, 0.0, Vec::new(), Vec::new());
    for draft in drafts {
        let size = draft.axis.0.hypot(draft.axis.1).max(f64::MIN_POSITIVE);
        sine += draft.axis.0 / size;
        cosine += draft.axis.1 / size;
        corners.extend(draft.ground.iter().flat_map(|ground| ground.coords_iter().collect::<Vec<_>>()));
        centres.push(draft.centre);
    }
    let places = if corners.is_empty() { &centres } else { &corners };
    let count = places.len().max(1) as f64;
    let middle = Coord {
        x: places.iter().map(|at| at.x).sum::<f64>() / count,
        y: places.iter().map(|at| at.y).sum::<f64>() / count,
    };
    Frame::new(middle, 0.5 * sine.atan2(cosine))
}

/// Joins neighbouring strips, in their order across the field, to blocks in which no treatment occurs twice.
fn form_blocks(drafts: &mut [Draft]) {
    let frame = frame(drafts.iter());
    let mut order: Vec<usize> = (0..drafts.len()).collect();
    // From west to east, or from south to north where the strips run east and west.
    let from_west = if frame.axis.y.abs() > frame.axis.x.abs() { -frame.axis.y } else { frame.axis.x };
    let across = |at: &usize| frame.to_frame(drafts[*at].centre).y * from_west.signum();
    order.sort_by(|a, b| across(a).total_cmp(&across(b)).then(a.cmp(b)));
    let mut block = 1;
    let mut inside: BTreeSet<String> = BTreeSet::new();
    let mut number = vec![0; drafts.len()];
    for &at in &order {
        if !inside.insert(drafts[at].treatment.clone()) {
            block += 1;
            inside = BTreeSet::from([drafts[at].treatment.clone()]);
        }
        number[at] = block;
    }
    for (draft, number) in drafts.iter_mut().zip(number) {
        draft.block = Some(format!("block {number:02}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::polygon;

    fn strips(treatments: &[&str]) -> Vec<StripGround> {
        treatments
            .iter()
            .enumerate()
            .map(|(at, treatment)| {
                let x = at as f64 * 20.0;
                StripGround {
                    ground: polygon![(x: x, y: 0.0), (x: x + 18.0, y: 0.0), (x: x + 18.0, y: 400.0), (x: x, y: 400.0)]
                        .into(),
                    treatment: (*treatment).to_owned(),
                    block: None,
                    name: None,
                }
            })
            .collect()
    }

    fn settings() -> StripSettings {
        StripSettings {
            path: None,
            treatment: "treatment".to_owned(),
            block: None,
            strip: None,
            crs: None,
            randomized: true,
        }
    }

    #[test]
    fn neighbouring_strips_form_blocks_with_each_treatment_once() {
        let mut cautions = Cautions::default();
        let layout = from_polygons(&strips(&["a", "check", "check", "a", "a", "check"]), &settings(), &mut cautions);
        let blocks: Vec<&str> = layout.strips.iter().map(|strip| strip.block.as_str()).collect();
        assert_eq!(blocks, ["block 01", "block 01", "block 02", "block 02", "block 03", "block 03"]);
        assert!(cautions.contains(Caution::BlocksFormed));
        assert!(layout.design.blocks_formed);
    }

    #[test]
    fn the_frame_runs_along_the_strips() {
        let layout = from_polygons(&strips(&["a", "check"]), &settings(), &mut Cautions::default());
        let frame = layout.frames["block 01"];
        assert!((frame.angle_rad().abs() - std::f64::consts::FRAC_PI_2).abs() < 1e-9);
        assert!((layout.strips[0].across_m - layout.strips[1].across_m).abs() > 19.0);
    }
}
