//! The segments of the trial as the models see them.

use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use crate::points::{Joined, Labels};
use crate::quantity::factor::M2_PER_HA;
use crate::stats::{robust, std_error_of_mean};

/// A pass that cut less of a segment than this share of what another pass cut of it is left out (ours).
const LEAST_PIECE: f64 = 0.25;
/// Passes of a strip that lie nearer to each other across are one line of ground, m (ours: no header is as narrow).
const ONE_LINE_M: f64 = 2.0;
/// Steps by which the weight of a segment is rounded: equal weights let equal surroundings share one solution.
const WEIGHT_STEPS: f64 = 2.0;

/// What one pass cut of a usable segment, in a block where a treatment can be compared with the check.
///
/// Where strips are two or more passes wide, treated and check ground one header apart tells far more than strip means two
/// headers apart. Passes over two strips are left out: with their shares known to a metre they made 90 % intervals hold the truth in
/// 84 % of such fields, where they hold it in 91 % without, and answers no better (benches/messy.rs).
#[derive(Debug, Clone)]
pub(super) struct Row {
    /// Index among the segments of the site-year.
    pub(super) segment: usize,
    /// Number of its strip, counted across the field.
    pub(super) strip: usize,
    /// Number of the block among those that are compared.
    pub(super) block: usize,
    /// Index into [`Trial::treatments`]; 0 is the check.
    pub(super) treatment: usize,
    /// Middle of its records, UTM m.
    pub(super) x_m: f64,
    pub(super) y_m: f64,
    /// Place across and along the strips in one frame for the whole field, m.
    pub(super) across_m: f64,
    pub(super) along_m: f64,
    /// Area over the median area of the rows, in steps of √2.
    pub(super) weight: f64,
    /// Area, m².
    pub(super) area_m2: f64,
    /// Dry yield, kg/ha.
    pub(super) yield_kg_ha: f64,
    /// Share of the area in each soil class; what is missing to 1 has no class.
    pub(super) shares: Vec<f64>,
    /// The class that holds nearly all of the segment.
    pub(super) class: Option<usize>,
    /// Share of the area cut by each combine.
    pub(super) machine_share: Rc<[f64]>,
    /// The pass, until rows are placed.
    pass: u32,
}

impl Row {
    /// Share of the area without a class.
    pub(super) fn unclassed(&self) -> f64 {
        (1.0 - self.shares.iter().sum::<f64>()).max(0.0)
    }
}

/// The trial: its strips, whatever their block has beside them; the field joins what lies within reach.
#[derive(Debug, Clone)]
pub(super) struct Trial<'j> {
    pub(super) joined: &'j Joined,
    /// Keys: the check, then the treatments in the order of the settings.
    pub(super) treatments: Vec<&'j str>,
    /// Index of each strip, in the order of the numbers of the rows, among the strips of the site-year.
    pub(super) strips: Vec<usize>,
    /// By strip, then along it.
    pub(super) rows: Vec<Row>,
    /// Length of a segment, m.
    pub(super) segment_length_m: f64,
    /// Direction of the strips: east and north part of a unit vector.
    pub(super) axis: (f64, f64),
}

impl<'j> Trial<'j> {
    /// `treated` are the keys of the treatments; `leave` is a block to leave out.
    pub(super) fn new(
        joined: &'j Joined,
        check: &'j str,
        treated: &[&'j str],
        segment_length_m: f64,
        leave: Option<&str>,
    ) -> Self {
        let assigned = &joined.assigned;
        let treatments: Vec<&str> = std::iter::once(check).chain(treated.iter().copied()).collect();
        let mut present: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
        let treatment_of = |strip: usize| treatments.iter().position(|key| *key == assigned.strips[strip].treatment);
        for segment in assigned.segments.iter().filter(|segment| segment.usable) {
            let strip = segment.strip as usize;
            if let Some(treatment) = treatment_of(strip) {
                present.entry(assigned.strips[strip].block.as_str()).or_default().insert(treatment);
            }
        }
        let blocks: Vec<&str> =
            present.iter().filter(|(block, _)| leave != Some(**block)).map(|(block, _)| *block).collect();
        let mut rows = Vec::new();
        for ((at, pass), piece) in pieces(joined) {
            let segment = &assigned.segments[at];
            let strip = segment.strip as usize;
            let block = blocks.iter().position(|block| *block == assigned.strips[strip].block);
            let (true, Some(block), Some(treatment)) = (segment.usable, block, treatment_of(strip)) else { continue };
            let class = joined.segment_class[at];
            rows.push(Row {
                segment: at,
                strip,
                block,
                treatment,
                x_m: piece.x / piece.records,
                y_m: piece.y / piece.records,
                across_m: piece.x / piece.records,
                along_m: piece.y / piece.records,
                weight: 1.0,
                area_m2: piece.area_m2,
                yield_kg_ha: piece.mass_kg / piece.area_m2 * M2_PER_HA,
                shares: piece.of_class.iter().map(|area| area / piece.area_m2).collect(),
                class: (class != Labels::NONE).then_some(class as usize),
                machine_share: piece.of_machine.iter().map(|area| area / piece.area_m2).collect(),
                pass,
            });
        }
        let mut trial = Self { joined, treatments, strips: Vec::new(), rows, segment_length_m, axis: (0.0, 1.0) };
        trial.place();
        trial.weigh();
        trial
    }

    /// Turns the places into one frame along the strips, and numbers the strips across it.
    ///
    /// Segments of a block have common limits, so that their places lie on a grid but for the records that were lost;
    /// where they do, the grid is taken, since equal surroundings are solved once.
    fn place(&mut self) {
        let mut of_strip: BTreeMap<usize, (f64, f64, f64)> = BTreeMap::new();
        for row in &self.rows {
            let sums = of_strip.entry(row.strip).or_default();
            *sums = (sums.0 + row.across_m, sums.1 + row.along_m, sums.2 + 1.0);
        }
        let (mut sine, mut cosine) = (0.0, 0.0);
        for row in &self.rows {
            let (x, y, count) = of_strip[&row.strip];
            let (dx, dy) = (row.across_m - x / count, row.along_m - y / count);
            // (dx + i dy)²: the doubled angle, weighted by the squared distance
            sine += 2.0 * dx * dy;
            cosine += dx * dx - dy * dy;
        }
        // with one segment a strip, the direction of driving (clockwise from north) has to do
        let driven = self.joined.assigned.cleaned.facts.axis_rad.unwrap_or(std::f64::consts::FRAC_PI_2);
        let angle =
            if sine.hypot(cosine) > 0.0 { 0.5 * sine.atan2(cosine) } else { std::f64::consts::FRAC_PI_2 - driven };
        let axis = (angle.cos(), angle.sin());
        self.axis = axis;
        let turn = |x: f64, y: f64| (x * axis.0 + y * axis.1, y * axis.0 - x * axis.1);
        // the strips, counted across
        let mut order: Vec<(usize, f64)> =
            of_strip.iter().map(|(&strip, &(x, y, count))| (strip, turn(x / count, y / count).1)).collect();
        order.sort_by(|one, other| one.1.total_cmp(&other.1).then(one.0.cmp(&other.0)));
        let first = order.first().map_or(0.0, |strip| strip.1);
        let number: BTreeMap<usize, usize> = order.iter().enumerate().map(|(at, strip)| (strip.0, at)).collect();
        // where the grid of each block begins, looking along the axis or against it
        let length = self.segment_length_m;
        let mut steps: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
        for row in &self.rows {
            let along = f64::from(self.joined.assigned.segments[row.segment].along) * length;
            steps.entry(row.block).or_default().push((along, turn(row.across_m, row.along_m).0));
        }
        let grids: BTreeMap<usize, Option<(f64, f64)>> =
            steps.iter().map(|(&block, places)| (block, grid(places, length))).collect();
        let lines = self.lines(turn);
        for row in &mut self.rows {
            let (along, across) = turn(row.across_m, row.along_m);
            let place = number[&row.strip];
            let line = lines[&(row.strip, row.pass)];
            let on_grid = grids[&row.block].map(|(sign, begin)| {
                begin + sign * f64::from(self.joined.assigned.segments[row.segment].along) * length
            });
            // strips that bend, or that run otherwise than their block, keep their own places
            let bent = (across - line).abs() > 0.5 * length;
            row.along_m = on_grid.filter(|_| !bent).unwrap_or(along);
            row.across_m = if bent { across - first } else { line - first };
            row.strip = place;
        }
        self.strips = order.into_iter().map(|strip| strip.0).collect();
        self.rows.sort_by(|one, other| {
            one.strip
                .cmp(&other.strip)
                .then(one.along_m.total_cmp(&other.along_m))
                .then(one.segment.cmp(&other.segment))
                .then(one.pass.cmp(&other.pass))
        });
    }

    /// Where across the strips each pass of each strip runs; passes of one line of ground share its place.
    fn lines(&self, turn: impl Fn(f64, f64) -> (f64, f64)) -> BTreeMap<(usize, u32), f64> {
        let mut sums: BTreeMap<(usize, u32), (f64, f64)> = BTreeMap::new();
        for row in &self.rows {
            let sum = sums.entry((row.strip, row.pass)).or_default();
            *sum = (sum.0 + turn(row.across_m, row.along_m).1, sum.1 + 1.0);
        }
        let mut places: Vec<(usize, f64, f64, u32)> =
            sums.iter().map(|(&(strip, pass), &(sum, count))| (strip, sum / count, count, pass)).collect();
        places.sort_by(|one, other| one.0.cmp(&other.0).then(one.1.total_cmp(&other.1)).then(one.3.cmp(&other.3)));
        let mut lines = BTreeMap::new();
        let mut start = 0;
        for end in 1..=places.len() {
            if end < places.len() && places[end].0 == places[start].0 && places[end].1 - places[start].1 < ONE_LINE_M {
                continue;
            }
            let line = &places[start..end];
            let (sum, count) = line.iter().fold((0.0, 0.0), |sums, one| (sums.0 + one.1 * one.2, sums.1 + one.2));
            lines.extend(line.iter().map(|one| ((one.0, one.3), sum / count)));
            start = end;
        }
        lines
    }

    fn weigh(&mut self) {
        let areas: Vec<f64> = self.rows.iter().map(|row| row.area_m2).collect();
        let Ok(middle) = robust::median(&areas) else { return };
        for row in &mut self.rows {
            let halvings = (WEIGHT_STEPS * (row.area_m2 / middle).log2()).round() / WEIGHT_STEPS;
            row.weight = halvings.clamp(-3.0, 1.0).exp2();
        }
    }

    /// Leaves out rows; strips without any are no longer counted.
    pub(super) fn keep(&mut self, is_kept: impl Fn(&Row) -> bool) {
        self.rows.retain(is_kept);
        let mut number = BTreeMap::new();
        for row in &mut self.rows {
            let next = number.len();
            row.strip = *number.entry(row.strip).or_insert(next);
        }
        self.strips = number.into_keys().map(|strip| self.strips[strip]).collect();
    }

    /// Area of the trial in each class, and without one, m².
    pub(super) fn class_areas(&self) -> (Vec<f64>, f64) {
        let mut areas = vec![0.0; self.joined.classes.len()];
        let mut without = 0.0;
        for row in &self.rows {
            for (sum, share) in areas.iter_mut().zip(&row.shares) {
                *sum += share * row.area_m2;
            }
            without += row.unclassed() * row.area_m2;
        }
        (areas, without)
    }

    /// Area-weighted mean of a property of the segments of one treatment, in the blocks where it and `beside` both
    /// stand, on a class (its pure segments) or on all ground.
    pub(super) fn mean(
        &self,
        treatment: usize,
        beside: usize,
        class: Option<usize>,
        of: impl Fn(&Row) -> f64,
    ) -> Option<f64> {
        let here: BTreeSet<usize> =
            self.rows.iter().filter(|row| row.treatment == beside).map(|row| row.block).collect();
        let (mut sum, mut area) = (0.0, 0.0);
        for row in &self.rows {
            let on_class = class.is_none() || row.class == class;
            if row.treatment == treatment && on_class && here.contains(&row.block) {
                sum += row.area_m2 * of(row);
                area += row.area_m2;
            }
        }
        (area > 0.0).then(|| sum / area)
    }
}

/// Area, and area times value, of both sides of a block: the check first.
type Sides = [(f64, f64); 2];

impl Trial<'_> {
    /// Standard error of the mean difference of a property between the segments of a treatment and of the check, from its scatter over
    /// blocks; `None` with fewer than two blocks that hold both.
    pub(super) fn block_std_error(
        &self,
        treatment: usize,
        class: Option<usize>,
        of: impl Fn(&Row) -> f64,
    ) -> Option<f64> {
        let mut blocks: BTreeMap<usize, Sides> = BTreeMap::new();
        for row in self.rows.iter().filter(|row| class.is_none() || row.class == class) {
            let side = match row.treatment {
                0 => 0,
                own if own == treatment => 1,
                _ => continue,
            };
            let sums = &mut blocks.entry(row.block).or_default()[side];
            *sums = (sums.0 + row.area_m2, sums.1 + row.area_m2 * of(row));
        }
        let both = blocks.values().filter(|[check, treated]| check.0 > 0.0 && treated.0 > 0.0);
        let differences: Vec<f64> = both.map(|[check, treated]| treated.1 / treated.0 - check.1 / check.0).collect();
        std_error_of_mean(&differences)
    }
}

/// Direction and origin of a block's grid in the field's frame: `place = origin ± number × length`, where nine tenths of the
/// places agree with it.
fn grid(places: &[(f64, f64)], length: f64) -> Option<(f64, f64)> {
    [1.0, -1.0].into_iter().find_map(|sign| {
        let origins: Vec<f64> = places.iter().map(|(step, place)| place - sign * step).collect();
        let origin = robust::median(&origins).ok()?;
        let near = origins.iter().filter(|one| (*one - origin).abs() <= 0.5 * length).count();
        (10 * near >= 9 * places.len()).then_some((sign, origin))
    })
}

/// What one pass cut of one segment, summed over its kept records.
#[derive(Clone, Default)]
struct Piece {
    records: f64,
    x: f64,
    y: f64,
    area_m2: f64,
    mass_kg: f64,
    of_class: Vec<f64>,
    of_machine: Vec<f64>,
}

/// By segment and pass.
fn pieces(joined: &Joined) -> BTreeMap<(usize, u32), Piece> {
    let assigned = &joined.assigned;
    let cleaned = &assigned.cleaned;
    let empty = Piece {
        of_class: vec![0.0; joined.classes.len()],
        of_machine: vec![0.0; cleaned.records.machine.names.len()],
        ..Piece::default()
    };
    let mut found: Vec<Piece> = Vec::new();
    let mut number: BTreeMap<(usize, u32), usize> = BTreeMap::new();
    // most records are of the same piece as the one before
    let mut last = None;
    for at in 0..cleaned.len() {
        let (area, segment) = (cleaned.area_m2[at], assigned.segment[at]);
        if !(area > 0.0) || !cleaned.is_kept(at) || segment == Labels::NONE {
            continue;
        }
        let key = (segment as usize, cleaned.pass[at]);
        let known = last.filter(|(of, _)| *of == key).map(|(_, at)| at);
        let which = known.unwrap_or_else(|| {
            *number.entry(key).or_insert_with(|| {
                found.push(empty.clone());
                found.len() - 1
            })
        });
        last = Some((key, which));
        let piece = &mut found[which];
        piece.records += 1.0;
        piece.x += cleaned.x_m[at];
        piece.y += cleaned.y_m[at];
        piece.area_m2 += area;
        piece.mass_kg += cleaned.dry_mass_kg(at);
        if let Some(sum) = piece.of_class.get_mut(joined.point_class[at] as usize) {
            *sum += area;
        }
        if let Some(sum) = piece.of_machine.get_mut(cleaned.records.machine.codes[at] as usize) {
            *sum += area;
        }
    }
    let mut pieces: BTreeMap<(usize, u32), Piece> =
        number.into_iter().map(|(key, which)| (key, std::mem::take(&mut found[which]))).collect();
    // Scraps of a pass that only touches a segment tell nothing of it.
    let mut whole: BTreeMap<usize, f64> = BTreeMap::new();
    for (&(segment, _), piece) in &pieces {
        let most = whole.entry(segment).or_default();
        *most = most.max(piece.area_m2);
    }
    pieces.retain(|(segment, _), piece| piece.area_m2 >= LEAST_PIECE * whole[segment]);
    pieces
}
