//! Answers averaged over where the lines of the soil map may lie.
//!
//! Survey lines are drawn tens of metres from where the ground changes. That is one more thing of the covariance's kind that is not
//! known: the lines are moved as a whole and by smooth waves, and places count by how well the yields fit their map. Averaging over a
//! misclassified covariate by the likelihood: Cook & Stefanski 1994, J. Am. Stat. Assoc. 89:1314; Küchenhoff, Mwalili & Lesaffre 2006,
//! Biometrics 62:85. Places are drawn by elliptical slice sampling (Murray, Adams & MacKay 2010, Proc. Mach. Learn. Res. 9:541), under
//! the covariance that the lines as drawn gave.

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};
use std::rc::Rc;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::design::Design;
use super::field::KnownField;
use super::questions::{self, Question};
use super::trial::{Row, Trial};
use crate::points::{Labels, SoilLines};
use crate::stats::StatsError;
use crate::stats::distribution::{Component, Mixture};

/// Places of the lines that are tried: of these so many far apart at first, to begin from the best.
const TRIED: usize = 80;
const FIRST: usize = 16;
/// Share of the sampled places that is left out at the beginning.
const SETTLING: f64 = 0.25;
/// Groups of places that stay apart in an answer.
const GROUPS: usize = 4;
/// Steps after which a direction of search is given up.
const STEPS: usize = 12;
/// Power of the likelihood by which places count. The waves, the covariance and the class as a constant are simpler than the ground, so
/// that the full likelihood trusts the best place too much (fractional likelihood: Miller & Dunson 2019, J. Am. Stat. Assoc.
/// 114:1113): intervals by class then hold the truth in 87 % with lines 30 m off, with this power in 89 % (benches/coverage.rs).
const POWER: f64 = 0.3;
/// Waves of a displacement, and the standard deviation of their wave numbers: lines err together over some hundred metres (ours).
const WAVES: usize = 8;
const WAVE_PER_M: f64 = 1.0 / 150.0;
/// Numbers of a place: east and north, of all lines as one and of each wave.
const PARTS: usize = 2 + 2 * WAVES;
/// Share of the variance that moves all lines as one (ours).
const RIGID: f64 = 0.5;
/// Places along a row that are looked up, by the length of a segment from its middle.
const LOOKS: [f64; 5] = [-0.4, -0.2, 0.0, 0.2, 0.4];

/// Width of a cell of the map that is looked up, m (ours: far less than the lines' error), wider where a side would have more cells than
/// these; and standard deviations of the error that the map reaches beyond the trial.
const CELL_M: f64 = 4.0;
const MOST_CELLS: f64 = 1000.0;
const REACH: f64 = 3.0;

/// A way in which the lines may lie off: of all lines as one, and of each wave, by standard deviations, east and north.
type Place = Vec<f64>;

/// The displacements that are looked for: a basis, in which a place is a vector of standard normal numbers.
#[derive(Debug, Clone, PartialEq)]
struct Basis {
    rigid_m: f64,
    wave_m: f64,
    /// Wave numbers east and north, 1/m, and phase.
    waves: [([f64; 2], f64); WAVES],
}

impl Basis {
    /// With a standard deviation of `error_m` in each direction.
    fn drawn(error_m: f64, random: &mut ChaCha8Rng) -> Self {
        let mut normal = || -> f64 { StandardNormal.sample(random) };
        let mut wave = || ([WAVE_PER_M * normal(), WAVE_PER_M * normal()], PI * normal());
        Self {
            rigid_m: RIGID.sqrt() * error_m,
            // a cosine of random phase has half the variance of its amplitude squared
            wave_m: (2.0 * (1.0 - RIGID) / WAVES as f64).sqrt() * error_m,
            waves: std::array::from_fn(|_| wave()),
        }
    }

    /// A place before the data.
    fn place(random: &mut ChaCha8Rng) -> Place {
        (0..PARTS).map(|_| StandardNormal.sample(random)).collect()
    }

    /// The height of each wave, m, at a spot that many metres from the middle of the trial.
    fn heights(&self, x_m: f64, y_m: f64) -> [f64; WAVES] {
        std::array::from_fn(|at| {
            let (numbers, phase) = self.waves[at];
            self.wave_m * (numbers[0] * x_m + numbers[1] * y_m + phase).cos()
        })
    }

    /// How far a line lies off, m east and north, where the waves have these heights.
    fn shift(&self, place: &[f64], heights: &[f64; WAVES]) -> (f64, f64) {
        let mut shift = (self.rigid_m * place[0], self.rigid_m * place[1]);
        for (height, amplitude) in heights.iter().zip(place[2..].chunks(2)) {
            shift = (shift.0 + amplitude[0] * height, shift.1 + amplitude[1] * height);
        }
        shift
    }
}

/// What moving the lines does to the answers, averaged over where they may lie by what the yields say of it; nothing where there is no
/// map, or its lines are trusted.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct MovedLines {
    changes: BTreeMap<Question, Vec<Change>>,
    /// What the map as drawn says under the covariance that is known.
    drawn: BTreeMap<Question, Component>,
}

/// How an answer changes with the lines, against the lines as drawn: shift, ratio of the scales, and spread of the shifts.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Change {
    share: f64,
    shift: f64,
    ratio: f64,
    spread: f64,
}

impl MovedLines {
    /// The answers on the map as drawn, where all were asked.
    pub(super) fn as_drawn(&self, questions: &[Question]) -> Option<Vec<Component>> {
        questions.iter().map(|question| self.drawn.get(question).copied()).collect()
    }

    /// Averages answers that were given on the map as drawn.
    ///
    /// # Errors
    /// As [`Mixture::new`].
    pub(super) fn average(&self, questions: &[Question], answers: &mut [Mixture]) -> Result<(), StatsError> {
        for (question, answer) in questions.iter().zip(answers) {
            let Some(changes) = self.changes.get(question) else { continue };
            *answer = Mixture::new(answer.components().flat_map(|part| {
                changes.iter().map(|change| Component {
                    weight: part.weight * change.share,
                    centre: part.centre + change.shift,
                    scale: (part.scale * change.ratio).hypot(change.spread),
                    ..*part
                })
            }))?;
        }
        Ok(())
    }
}

/// What a map with its lines in some place says.
struct There {
    place: Place,
    /// [`POWER`] times the logarithm of the restricted likelihood.
    level: f64,
    answers: Vec<Component>,
}

/// A trial with its design, under a covariance that is known.
pub(super) struct Asked<'t, 'j> {
    pub(super) trial: &'t Trial<'j>,
    pub(super) own: &'t [Vec<usize>],
    pub(super) questions: &'t [Question],
    pub(super) field: &'t KnownField,
}

impl<'j> Asked<'_, 'j> {
    /// What a map says: the level of its likelihood, and the answers; none where a class loses its support.
    fn on(&self, trial: &Trial<'j>) -> Option<(f64, Vec<Component>)> {
        let design = Design::new(trial, self.own, &[]);
        let (questions, contrasts): (Vec<Question>, Vec<Vec<f64>>) = questions::all(trial, &design).into_iter().unzip();
        if questions != self.questions {
            return None;
        }
        let (likelihood, answers) = self.field.answers(&design, &contrasts).ok()?;
        Some((POWER * likelihood, answers))
    }

    /// Samples where the lines may lie: what that does to the answers, and the probability of each segment's class.
    pub(super) fn moved_lines(&self, seed: u64) -> (MovedLines, Vec<f64>) {
        let joined = self.trial.joined;
        let nothing = || (MovedLines::default(), joined.segment_class_probability.clone());
        let Some(lines) = joined.soil_lines.as_deref() else { return nothing() };
        let Some((drawn_level, drawn)) = self.on(self.trial) else { return nothing() };
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut moving = Moving::new(self.trial, lines, Basis::drawn(lines.error_m, &mut random));
        let sampled = self.sampled(&mut moving, drawn_level, random);
        let settling = (SETTLING * sampled.len() as f64) as usize;
        let kept = &sampled[settling..];
        if kept.is_empty() {
            return nothing();
        }
        let change = |k: usize| {
            let Component { centre, scale, .. } = drawn[k];
            let against = |there: &Rc<There>| Change {
                share: 1.0 / kept.len() as f64,
                shift: there.answers[k].centre - centre,
                ratio: if scale > 0.0 { there.answers[k].scale / scale } else { 1.0 },
                spread: 0.0,
            };
            grouped(kept.iter().map(against).collect())
        };
        let changes = self.questions.iter().enumerate().map(|(k, &question)| (question, change(k))).collect();
        let drawn = self.questions.iter().copied().zip(drawn).collect();
        (MovedLines { changes, drawn }, self.class_probability(&mut moving, kept))
    }

    /// Elliptical slice sampling from the best of some places, which may be the map as drawn.
    fn sampled(&self, moving: &mut Moving<'j>, drawn_level: f64, mut random: ChaCha8Rng) -> Vec<Rc<There>> {
        let mut judge = |place: Place| {
            let (level, answers) = self.on(moving.to(&place))?;
            Some(There { place, level, answers })
        };
        let mut there: Option<Rc<There>> = None;
        for _ in 0..FIRST {
            let level = there.as_ref().map_or(drawn_level, |there| there.level);
            if let Some(found) = judge(Basis::place(&mut random)).filter(|found| found.level > level) {
                there = Some(Rc::new(found));
            }
        }
        let as_drawn = vec![0.0; PARTS];
        let Some(mut there) = there.or_else(|| judge(as_drawn).map(Rc::new)) else { return Vec::new() };
        let mut tried = FIRST;
        let mut sampled = Vec::new();
        while tried < TRIED {
            let other = Basis::place(&mut random);
            let least = there.level + random.random::<f64>().ln();
            let mut angle = random.random_range(0.0..TAU);
            let (mut low, mut high) = (angle - TAU, angle);
            for _ in 0..STEPS {
                tried += 1;
                let (sine, cosine) = angle.sin_cos();
                let place = there.place.iter().zip(&other).map(|(here, other)| here * cosine + other * sine).collect();
                if let Some(found) = judge(place).filter(|found| found.level > least) {
                    there = Rc::new(found);
                    break;
                }
                *(if angle < 0.0 { &mut low } else { &mut high }) = angle;
                angle = random.random_range(low..high);
            }
            sampled.push(Rc::clone(&there));
        }
        sampled
    }

    /// Mean share of each segment that is expected to have its class.
    fn class_probability(&self, moving: &mut Moving<'j>, kept: &[Rc<There>]) -> Vec<f64> {
        let joined = self.trial.joined;
        let mut sums = vec![(0.0, 0.0); joined.segment_class.len()];
        let mut here: Option<&Rc<There>> = None;
        for there in kept {
            if !here.is_some_and(|here| Rc::ptr_eq(here, there)) {
                moving.to(&there.place);
                here = Some(there);
            }
            for row in &moving.trial.rows {
                let Some(segment) = row.segment else { continue };
                let class = joined.segment_class[segment] as usize;
                let mapped = row.shares.iter().zip(&joined.class_mixture);
                let share: f64 = mapped.map(|(share, of)| share * of.get(class).copied().unwrap_or(f64::NAN)).sum();
                let sum = &mut sums[segment];
                *sum = (sum.0 + row.area_m2 * share, sum.1 + row.area_m2);
            }
        }
        let known = sums.iter().zip(&joined.segment_class_probability);
        known.map(|(sum, &before)| if sum.1 > 0.0 { sum.0 / sum.1 } else { before }).collect()
    }
}

/// Few groups of like shifts in place of all, with the same mean and variance.
fn grouped(mut changes: Vec<Change>) -> Vec<Change> {
    changes.sort_by(|one, other| one.shift.total_cmp(&other.shift));
    let size = changes.len().div_ceil(GROUPS).max(1);
    let group = |group: &[Change]| {
        let share: f64 = group.iter().map(|change| change.share).sum();
        let mean = |of: &dyn Fn(&Change) -> f64| group.iter().map(|one| one.share * of(one)).sum::<f64>() / share;
        let shift = mean(&|one| one.shift);
        let spread = mean(&|one| (one.shift - shift).powi(2)).sqrt();
        Change { share, shift, ratio: mean(&|one| one.ratio.powi(2)).sqrt(), spread }
    };
    changes.chunks(size).map(group).collect()
}

/// The classes about a trial, as drawn, on a grid that is looked up many times.
struct Map {
    /// South-west corner, UTM m.
    west_m: f64,
    south_m: f64,
    cell_m: f64,
    columns: usize,
    zones: Vec<u32>,
}

impl Map {
    fn new(trial: &Trial<'_>, lines: &SoilLines) -> Self {
        let reach = REACH * lines.error_m + trial.segment_length_m;
        let span = |of: &dyn Fn(&Row) -> f64| {
            let of_rows = trial.rows.iter().map(of);
            let (low, high) =
                of_rows.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), at| (low.min(at), high.max(at)));
            (low - reach, high - low + 2.0 * reach)
        };
        let ((west_m, width_m), (south_m, height_m)) = (span(&|row| row.x_m), span(&|row| row.y_m));
        let cell_m = CELL_M.max(width_m.max(height_m) / MOST_CELLS);
        let (columns, rows) = ((width_m / cell_m).ceil() as usize, (height_m / cell_m).ceil() as usize);
        let at = |low: f64, cell: usize| low + (cell as f64 + 0.5) * cell_m;
        let zones = (0..rows * columns)
            .map(|cell| lines.zone_at(at(west_m, cell % columns), at(south_m, cell / columns)))
            .collect();
        Self { west_m, south_m, cell_m, columns, zones }
    }

    fn zone_at(&self, x_m: f64, y_m: f64) -> u32 {
        let (column, row) = ((x_m - self.west_m) / self.cell_m, (y_m - self.south_m) / self.cell_m);
        let inside = column >= 0.0 && row >= 0.0 && column < self.columns as f64;
        let cell = row as usize * self.columns + column as usize;
        if inside { self.zones.get(cell).copied().unwrap_or(Labels::NONE) } else { Labels::NONE }
    }
}

/// A trial on a map whose lines are moved about.
struct Moving<'j> {
    trial: Trial<'j>,
    map: Map,
    basis: Basis,
    /// Of each row.
    heights: Vec<[f64; WAVES]>,
}

impl<'j> Moving<'j> {
    fn new(trial: &Trial<'j>, lines: &SoilLines, basis: Basis) -> Self {
        // from a row of the trial, so that the waves mean the same everywhere on the globe
        let (east, north) = trial.rows.first().map_or((0.0, 0.0), |row| (row.x_m, row.y_m));
        let heights = trial.rows.iter().map(|row| basis.heights(row.x_m - east, row.y_m - north)).collect();
        Self { trial: trial.clone(), map: Map::new(trial, lines), basis, heights }
    }

    /// Moves the lines to a place.
    fn to(&mut self, place: &[f64]) -> &Trial<'j> {
        let Self { trial, map, basis, heights } = self;
        let (length_m, axis) = (trial.segment_length_m, trial.axis);
        for (row, heights) in trial.rows.iter_mut().zip(heights) {
            let (dx, dy) = basis.shift(place, heights);
            row.shares.fill(0.0);
            for look in LOOKS {
                let along = look * length_m;
                let (x, y) = (row.x_m + along * axis.0, row.y_m + along * axis.1);
                let moved = map.zone_at(x - dx, y - dy);
                // what lies beyond the map has the class that is drawn
                let zone = if moved == Labels::NONE { map.zone_at(x, y) } else { moved };
                if let Some(share) = row.shares.get_mut(zone as usize) {
                    *share += 1.0 / LOOKS.len() as f64;
                }
            }
        }
        &self.trial
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_keep_the_mean_and_the_variance_of_the_places() {
        let changes: Vec<Change> = (0..17)
            .map(f64::from)
            .map(|at| Change { share: 1.0 / 17.0, shift: (at * 2.3).cos(), ratio: 1.0, spread: 0.0 })
            .collect();
        let moments = |changes: &[Change]| {
            let mean = changes.iter().map(|one| one.share * one.shift).sum::<f64>();
            let square = |one: &Change| one.share * ((one.shift - mean).powi(2) + one.spread.powi(2));
            (mean, changes.iter().map(square).sum::<f64>())
        };
        let (before, after) = (moments(&changes), moments(&grouped(changes.clone())));
        assert!((before.0 - after.0).abs() < 1e-12 && (before.1 - after.1).abs() < 1e-12, "{before:?} {after:?}");
    }

    #[test]
    fn lines_lie_off_by_their_error_in_each_direction() {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let (mut square, draws) = (0.0, 4000);
        for _ in 0..draws {
            let basis = Basis::drawn(25.0, &mut random);
            let (x, y) = basis.shift(&Basis::place(&mut random), &basis.heights(130.0, -240.0));
            square += 0.5 * (x * x + y * y);
        }
        let sd = (square / f64::from(draws)).sqrt();
        assert!((sd / 25.0 - 1.0).abs() < 0.05, "{sd}");
    }
}
