//! The segments of the trial as the models see them.

use std::collections::{BTreeMap, BTreeSet};

use smallvec::{SmallVec, smallvec};

use crate::config::ModelSettings;
use crate::points::{Joined, Labels};
use crate::quantity::factor::M2_PER_HA;
use crate::stats::{robust, std_error_of_mean};

/// A pass that cut less of a segment than this share of what another pass cut of it is left out (ours).
const LEAST_PIECE: f64 = 0.25;
/// Passes of a strip that lie nearer to each other across are one line of ground, m (ours: no header is as narrow).
const ONE_LINE_M: f64 = 2.0;
/// Share of a straddling pass from which it tells of one of them (ours).
const LEAST_SHARE: f64 = 0.3;
/// Fewest records of a straddling pass on the length of a segment (ours).
const LEAST_RECORDS: f64 = 3.0;
/// Steps by which the weight of a segment is rounded: equal weights let equal surroundings share one solution.
const WEIGHT_STEPS: f64 = 2.0;

/// One number for each class or combine, of which there are few: a row holds them itself.
pub(super) type Few = SmallVec<[f64; 4]>;

/// What one pass cut of a usable segment, in a block where a treatment can be compared with the check.
///
/// Where strips are two or more passes wide, treated and check ground one header apart tells far more than strip means two
/// headers apart. A pass that straddles two strips tells of both by its shares of them, and has its part of the deviation of each.
#[derive(Debug, Clone)]
pub(super) struct Row {
    /// Index among the segments of the site-year; none of a straddling pass.
    pub(super) segment: Option<usize>,
    /// The strip, or both of a straddling pass.
    pub(super) sides: Sides,
    /// Number along the axis of the block of the first strip.
    pub(super) along: i32,
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
    pub(super) shares: Few,
    /// The class that holds nearly all of the segment.
    pub(super) class: Option<usize>,
    /// Share of the area cut by each combine.
    pub(super) machine_share: Few,
    /// Mean moisture, percent.
    pub(super) moisture_pct: f64,
    /// Mean elevation, m; NaN where not recorded.
    pub(super) elevation_m: f64,
    /// The pass, until rows are placed.
    pass: u32,
}

/// A part of a row that lies on one strip.
#[derive(Debug, Clone, Copy)]
pub(super) struct Side {
    /// Number of the strip, counted across the field.
    pub(super) strip: usize,
    /// Number of its block among those that are compared.
    pub(super) block: usize,
    /// Index into [`Trial::treatments`]; 0 is the check.
    pub(super) treatment: usize,
    /// Share of the row's area.
    pub(super) share: f64,
}

/// Numbers of one strip, or two.
type Strips = (usize, Option<usize>);

/// One strip, or two.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sides {
    pub(super) first: Side,
    pub(super) second: Option<Side>,
}

impl Sides {
    pub(super) fn iter(&self) -> impl Iterator<Item = Side> {
        std::iter::once(self.first).chain(self.second)
    }

    fn iter_mut(&mut self) -> impl Iterator<Item = &mut Side> {
        std::iter::once(&mut self.first).chain(&mut self.second)
    }

    /// The strips, by which passes over the same ones are known.
    fn strips(&self) -> Strips {
        (self.first.strip, self.second.map(|side| side.strip))
    }
}

impl Row {
    /// The strip that it lies on alone.
    pub(super) fn side(&self) -> Option<Side> {
        if self.sides.second.is_some() { None } else { Some(self.sides.first) }
    }

    /// The treatment of the one strip that it lies on.
    pub(super) fn treatment(&self) -> Option<usize> {
        self.side().map(|side| side.treatment)
    }

    /// Share of its area under a treatment.
    pub(super) fn dose(&self, treatment: usize) -> f64 {
        self.sides.iter().filter(|side| side.treatment == treatment).map(|side| side.share).sum()
    }

    /// The sides that tell of a treatment.
    pub(super) fn tells(&self, treatment: usize) -> impl Iterator<Item = Side> {
        self.sides.iter().filter(move |side| side.treatment == treatment && side.share >= LEAST_SHARE)
    }

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
    /// `treated` are the keys of the treatments.
    pub(super) fn new(joined: &'j Joined, check: &'j str, treated: &[&'j str], settings: &ModelSettings) -> Self {
        let assigned = &joined.assigned;
        let treatments: Vec<&str> = std::iter::once(check).chain(treated.iter().copied()).collect();
        let treatment_of = |strip: usize| treatments.iter().position(|key| *key == assigned.strips[strip].treatment);
        let usable = assigned.segments.iter().filter(|segment| segment.usable).map(|segment| segment.strip);
        let strips: BTreeSet<u32> = usable.chain(assigned.straddling.iter().flat_map(|one| one.strips)).collect();
        let strips = strips.into_iter().map(|strip| strip as usize).filter(|&strip| treatment_of(strip).is_some());
        let blocks: BTreeSet<&str> = strips.map(|strip| assigned.strips[strip].block.as_str()).collect();
        let blocks: Vec<&str> = blocks.into_iter().collect();
        let side = |strip: usize, share: f64| {
            let block = blocks.iter().position(|block| *block == assigned.strips[strip].block)?;
            Some(Side { strip, block, treatment: treatment_of(strip)?, share })
        };
        let mut rows = Vec::new();
        for ((at, pass), piece) in pieces(joined) {
            let segment = &assigned.segments[at];
            let Some(side) = side(segment.strip as usize, 1.0).filter(|_| segment.usable) else { continue };
            let class = joined.segment_class[at];
            rows.push(Row {
                segment: Some(at),
                class: (class != Labels::NONE).then_some(class as usize),
                moisture_pct: segment.moisture_pct,
                elevation_m: segment.elevation_m,
                ..piece.row(Sides { first: side, second: None }, segment.along, pass)
            });
        }
        for ((strips, along, pass), (piece, shares)) in straddling(joined) {
            let area: f64 = shares.iter().sum();
            let [first, second] = [0, 1].map(|at| side(strips[at] as usize, shares[at] / area));
            if let (Some(first), Some(_)) = (first, second) {
                let row = piece.row(Sides { first, second }, along, pass);
                let class = row.shares.iter().position(|share| 100.0 * share >= settings.class_share_pct);
                rows.push(Row { class, ..row });
            }
        }
        let segment_length_m = settings.segment_length_m;
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
        let mut of_strip: BTreeMap<_, (f64, f64, f64)> = BTreeMap::new();
        for row in &self.rows {
            let sums = of_strip.entry(row.sides.strips()).or_default();
            *sums = (sums.0 + row.across_m, sums.1 + row.along_m, sums.2 + 1.0);
        }
        let (mut sine, mut cosine) = (0.0, 0.0);
        for row in &self.rows {
            let (x, y, count) = of_strip[&row.sides.strips()];
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
        let mut by_side: BTreeMap<usize, (f64, f64, f64)> = BTreeMap::new();
        for row in &self.rows {
            for side in row.sides.iter() {
                let (sums, part) = (by_side.entry(side.strip).or_default(), side.share);
                *sums = (sums.0 + part * row.across_m, sums.1 + part * row.along_m, sums.2 + part);
            }
        }
        let mut order: Vec<(usize, f64)> =
            by_side.iter().map(|(&strip, &(x, y, count))| (strip, turn(x / count, y / count).1)).collect();
        order.sort_by(|one, other| one.1.total_cmp(&other.1).then(one.0.cmp(&other.0)));
        let first = order.first().map_or(0.0, |strip| strip.1);
        let number: BTreeMap<usize, usize> = order.iter().enumerate().map(|(at, strip)| (strip.0, at)).collect();
        // where the grid of each block begins, looking along the axis or against it
        let length = self.segment_length_m;
        let mut steps: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
        for row in &self.rows {
            let along = f64::from(row.along) * length;
            steps.entry(row.sides.first.block).or_default().push((along, turn(row.across_m, row.along_m).0));
        }
        let grids: BTreeMap<usize, Option<(f64, f64)>> =
            steps.iter().map(|(&block, places)| (block, grid(places, length))).collect();
        let lines = self.lines(turn);
        for row in &mut self.rows {
            let (along, across) = turn(row.across_m, row.along_m);
            let line = lines[&(row.sides.strips(), row.pass)];
            let on_grid =
                grids[&row.sides.first.block].map(|(sign, begin)| begin + sign * f64::from(row.along) * length);
            // strips that bend, or that run otherwise than their block, keep their own places
            let bent = (across - line).abs() > 0.5 * length;
            row.along_m = on_grid.filter(|_| !bent).unwrap_or(along);
            row.across_m = if bent { across - first } else { line - first };
            for side in row.sides.iter_mut() {
                side.strip = number[&side.strip];
            }
        }
        self.strips = order.into_iter().map(|strip| strip.0).collect();
        self.rows.sort_by(|one, other| {
            let strips = |row: &Row| row.sides.strips();
            (strips(one).cmp(&strips(other)))
                .then(one.along_m.total_cmp(&other.along_m))
                .then(one.segment.cmp(&other.segment))
                .then(one.pass.cmp(&other.pass))
        });
    }

    /// Where across the strips each pass of each strip runs; passes of one line of ground share its place.
    fn lines(&self, turn: impl Fn(f64, f64) -> (f64, f64)) -> BTreeMap<(Strips, u32), f64> {
        let mut sums: BTreeMap<(Strips, u32), (f64, f64)> = BTreeMap::new();
        for row in &self.rows {
            let sum = sums.entry((row.sides.strips(), row.pass)).or_default();
            *sum = (sum.0 + turn(row.across_m, row.along_m).1, sum.1 + 1.0);
        }
        let mut places: Vec<(Strips, f64, f64, u32)> =
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

    /// The same of the rows that are kept, in their places; strips without any are no longer counted.
    pub(super) fn of_kept(&self, is_kept: &[bool]) -> Self {
        let rows = self.rows.iter().zip(is_kept).filter(|(_, is_kept)| **is_kept).map(|(row, _)| row.clone()).collect();
        let (treatments, strips) = (self.treatments.clone(), self.strips.clone());
        let mut kept = Self { treatments, strips, rows, ..*self };
        kept.number_strips();
        kept
    }

    /// The block of a side, by name.
    pub(super) fn block_of(&self, side: Side) -> &'j str {
        &self.joined.assigned.strips[self.strips[side.strip]].block
    }

    /// Strips without any row are no longer counted.
    fn number_strips(&mut self) {
        let left: BTreeSet<usize> = self.rows.iter().flat_map(|row| row.sides.iter()).map(|side| side.strip).collect();
        let number: BTreeMap<usize, usize> = left.iter().enumerate().map(|(at, &strip)| (strip, at)).collect();
        for side in self.rows.iter_mut().flat_map(|row| row.sides.iter_mut()) {
            side.strip = number[&side.strip];
        }
        self.strips = left.into_iter().map(|strip| self.strips[strip]).collect();
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
    /// stand, on a class (its pure segments) or on all ground; where no pass lies on one strip there, of what tells of it anywhere.
    pub(super) fn mean(
        &self,
        treatment: usize,
        beside: usize,
        class: Option<usize>,
        of: impl Fn(&Row) -> f64,
    ) -> Option<f64> {
        let sides = |of: usize| self.rows.iter().filter_map(Row::side).filter(move |side| side.treatment == of);
        let here: BTreeSet<usize> = sides(beside).map(|side| side.block).collect();
        let mean = |part: &dyn Fn(&Row) -> f64| {
            let (mut sum, mut area) = (0.0, 0.0);
            for row in self.rows.iter().filter(|row| class.is_none() || row.class == class) {
                let own = part(row) * row.area_m2;
                if own > 0.0 {
                    sum += own * of(row);
                    area += own;
                }
            }
            (area > 0.0).then(|| sum / area)
        };
        let is_beside = |side: Side| side.treatment == treatment && here.contains(&side.block);
        mean(&|row| if row.side().is_some_and(is_beside) { 1.0 } else { 0.0 })
            .or_else(|| mean(&|row| row.tells(treatment).map(|side| side.share).sum()))
    }
}

/// Area, and area times value, of treated and check of a block: the check first.
type Compared = [(f64, f64); 2];

impl Trial<'_> {
    /// Standard error of the mean difference of a property between the segments of a treatment and of the check, from its scatter over
    /// blocks; `None` with fewer than two blocks that hold both.
    pub(super) fn block_std_error(
        &self,
        treatment: usize,
        class: Option<usize>,
        of: impl Fn(&Row) -> f64,
    ) -> Option<f64> {
        let mut blocks: BTreeMap<usize, Compared> = BTreeMap::new();
        for row in self.rows.iter().filter(|row| class.is_none() || row.class == class) {
            let Some(own) = row.side() else { continue };
            let side = match own.treatment {
                0 => 0,
                of if of == treatment => 1,
                _ => continue,
            };
            let sums = &mut blocks.entry(own.block).or_default()[side];
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
    /// Moisture and elevation times area.
    moisture: f64,
    elevation: f64,
    of_class: Few,
    of_machine: Few,
}

impl Piece {
    fn empty(joined: &Joined) -> Self {
        Self {
            of_class: smallvec![0.0; joined.classes.len()],
            of_machine: smallvec![0.0; joined.assigned.cleaned.records.machine.names.len()],
            ..Self::default()
        }
    }

    fn add(&mut self, joined: &Joined, at: usize) {
        let cleaned = &joined.assigned.cleaned;
        let area = cleaned.area_m2[at];
        self.records += 1.0;
        self.x += cleaned.x_m[at];
        self.y += cleaned.y_m[at];
        self.area_m2 += area;
        self.mass_kg += cleaned.dry_mass_kg(at);
        self.moisture += cleaned.moisture_pct[at] * area;
        self.elevation += cleaned.records.elevation_m.get(at).map_or(f64::NAN, |elevation| elevation * area);
        if let Some(sum) = self.of_class.get_mut(joined.point_class[at] as usize) {
            *sum += area;
        }
        if let Some(sum) = self.of_machine.get_mut(cleaned.records.machine.codes[at] as usize) {
            *sum += area;
        }
    }

    /// Its row, until it is placed.
    fn row(&self, sides: Sides, along: i32, pass: u32) -> Row {
        Row {
            segment: None,
            sides,
            along,
            x_m: self.x / self.records,
            y_m: self.y / self.records,
            across_m: self.x / self.records,
            along_m: self.y / self.records,
            weight: 1.0,
            area_m2: self.area_m2,
            yield_kg_ha: self.mass_kg / self.area_m2 * M2_PER_HA,
            shares: self.of_class.iter().map(|area| area / self.area_m2).collect(),
            class: None,
            machine_share: self.of_machine.iter().map(|area| area / self.area_m2).collect(),
            moisture_pct: self.moisture / self.area_m2,
            elevation_m: self.elevation / self.area_m2,
            pass,
        }
    }
}

/// By segment and pass.
fn pieces(joined: &Joined) -> BTreeMap<(usize, u32), Piece> {
    let assigned = &joined.assigned;
    let cleaned = &assigned.cleaned;
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
                found.push(Piece::empty(joined));
                found.len() - 1
            })
        });
        last = Some((key, which));
        found[which].add(joined, at);
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

/// The strips that a pass straddles, the number along them, and the pass.
type Straddled = ([u32; 2], i32, u32);

/// What straddling passes cut, with the area on each strip. A pass that lies on one strip for the most part is held to do so
/// throughout: its other records are errors of the position.
fn straddling(joined: &Joined) -> BTreeMap<Straddled, (Piece, [f64; 2])> {
    let cleaned = &joined.assigned.cleaned;
    // records of a pass on one strip, and straddling ones
    let mut counts: BTreeMap<u32, (usize, usize)> = BTreeMap::new();
    for one in &joined.assigned.straddling {
        counts.entry(cleaned.pass[one.record as usize]).or_default().1 += 1;
    }
    for (at, _) in joined.assigned.segment.iter().enumerate().filter(|(_, segment)| **segment != Labels::NONE) {
        if let Some(count) = counts.get_mut(&cleaned.pass[at]) {
            count.0 += 1;
        }
    }
    let mut pieces: BTreeMap<Straddled, (Piece, [f64; 2])> = BTreeMap::new();
    for one in &joined.assigned.straddling {
        let at = one.record as usize;
        let area = cleaned.area_m2[at];
        let (on_one, straddling) = counts[&cleaned.pass[at]];
        if area > 0.0 && straddling > on_one {
            let key = (one.strips, one.along, cleaned.pass[at]);
            let (piece, areas) = pieces.entry(key).or_insert_with(|| (Piece::empty(joined), [0.0; 2]));
            piece.add(joined, at);
            *areas = [0, 1].map(|side| areas[side] + one.shares[side] * area);
        }
    }
    let areas: Vec<f64> = pieces.values().map(|(piece, _)| piece.area_m2).collect();
    let usual = robust::median(&areas).unwrap_or(0.0);
    pieces.retain(|_, (piece, _)| piece.records >= LEAST_RECORDS && piece.area_m2 >= LEAST_PIECE * usual);
    pieces
}
