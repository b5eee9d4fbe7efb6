//! Answers averaged over where the lines of the soil map may lie.
//!
//! Survey lines are drawn tens of metres from where the ground changes. That is one more thing of the covariance's kind that is not
//! known: the lines are moved as a whole and by smooth waves, and places count by how well the yields fit their map. Averaging over a
//! misclassified covariate by the likelihood: Cook & Stefanski 1994, J. Am. Stat. Assoc. 89:1314; Küchenhoff, Mwalili & Lesaffre 2006,
//! Biometrics 62:85. Places are drawn by elliptical slice sampling (Murray, Adams & MacKay 2010, Proc. Mach. Learn. Res. 9:541), under
//! the covariance that the lines as drawn gave.

use std::f64::consts::{PI, TAU};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::design::Design;
use super::field::KnownField;
use super::questions::{self, Question};
use super::trial::Trial;
use crate::points::{Labels, SoilLines};
use crate::results::FieldModel;
use crate::stats::StatsError;
use crate::stats::distribution::{Component, Mixture};

/// Places of the lines that are tried: of these so many far apart at first, to begin from the best.
const TRIED: usize = 120;
const FIRST: usize = 20;
/// Share of the sampled places that is left out at the beginning.
const SETTLING: f64 = 0.25;
/// Places that are kept, and groups of them that stay apart in an answer.
const KEPT: usize = 20;
const GROUPS: usize = 5;
/// Steps after which a direction of search is given up.
const STEPS: usize = 12;
/// Power of the likelihood by which places count. The waves, the covariance and the class as a constant are simpler than the ground, so
/// that the full likelihood trusts the best place too much (fractional likelihood: Miller & Dunson 2019, J. Am. Stat. Assoc.
/// 114:1113): intervals by class then hold the truth in 87 % with lines 30 m off, with this power in 89 % (benches/coverage.rs).
const POWER: f64 = 0.3;
/// Waves of a displacement, and the standard deviation of their wave numbers: lines err together over some hundred metres (ours).
const WAVES: usize = 8;
const WAVE_PER_M: f64 = 1.0 / 150.0;
/// Share of the variance that moves all lines as one (ours).
const RIGID: f64 = 0.5;
/// Places along a row that are looked up, by the length of a segment from its middle.
const LOOKS: [f64; 5] = [-0.4, -0.2, 0.0, 0.2, 0.4];

/// A way in which the lines may lie off: of all lines as one, and of each wave, by standard deviations, east and north.
pub(super) type Place = Vec<f64>;

/// The displacements that are looked for: a basis, in which a place is a vector of standard normal numbers.
#[derive(Debug, Clone, PartialEq)]
struct Basis {
    rigid_m: f64,
    wave_m: f64,
    /// Wave numbers east and north, 1/m, and phase.
    waves: Vec<([f64; 2], f64)>,
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
            waves: (0..WAVES).map(|_| wave()).collect(),
        }
    }

    /// A place before the data.
    fn place(&self, random: &mut ChaCha8Rng) -> Place {
        (0..2 + 2 * self.waves.len()).map(|_| StandardNormal.sample(random)).collect()
    }

    /// How far a line lies off, m east and north, at a spot that many metres from the middle of the trial.
    fn shift(&self, place: &[f64], x_m: f64, y_m: f64) -> (f64, f64) {
        let mut shift = (self.rigid_m * place[0], self.rigid_m * place[1]);
        for ((numbers, phase), amplitude) in self.waves.iter().zip(place[2..].chunks(2)) {
            let cosine = self.wave_m * (numbers[0] * x_m + numbers[1] * y_m + phase).cos();
            shift = (shift.0 + amplitude[0] * cosine, shift.1 + amplitude[1] * cosine);
        }
        shift
    }
}

/// Where the lines may lie by what the yields say of it; none where there is no map, or its lines are trusted.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Places {
    basis: Option<Basis>,
    kept: Vec<Place>,
}

/// A trial with its design, under a covariance that is known.
pub(super) struct Asked<'t, 'j> {
    pub(super) trial: &'t Trial<'j>,
    pub(super) own: &'t [Vec<usize>],
    pub(super) covariates: &'t [Vec<f64>],
    pub(super) questions: &'t [Question],
    pub(super) model: &'t FieldModel,
}

impl Asked<'_, '_> {
    /// Logarithm of the restricted likelihood of a map, and its answers; none where a class loses its support.
    fn on(&self, field: &KnownField, there: &Trial<'_>) -> Option<(f64, Vec<Component>)> {
        let design = Design::new(there, self.own, self.covariates);
        let is_all = self.questions.iter().any(|question| !matches!(question, Question::Response(..)));
        let asked = if is_all { questions::all(there, &design) } else { questions::responses(there, &design) };
        let (questions, contrasts): (Vec<Question>, Vec<Vec<f64>>) = asked.into_iter().unzip();
        (questions == self.questions).then(|| field.answers(there, &design, &contrasts).ok()).flatten()
    }

    fn field(&self) -> Result<KnownField, StatsError> {
        KnownField::new(self.trial, &Design::new(self.trial, self.own, self.covariates), self.model)
    }

    /// Samples where the lines may lie.
    ///
    /// # Errors
    /// As [`KnownField::new`].
    pub(super) fn places(&self, seed: u64) -> Result<Places, StatsError> {
        let Some(lines) = self.trial.joined.soil_lines.as_deref() else { return Ok(Places::default()) };
        let field = self.field()?;
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let basis = Basis::drawn(lines.error_m, &mut random);
        let judge = |place: &Place| Some(POWER * self.on(&field, &moved(self.trial, lines, &basis, place))?.0);
        let mut here = vec![0.0; 2 + 2 * basis.waves.len()];
        let Some(mut level) = judge(&here) else { return Ok(Places::default()) };
        for _ in 0..FIRST {
            let place = basis.place(&mut random);
            if let Some(found) = judge(&place).filter(|found| *found > level) {
                (here, level) = (place, found);
            }
        }
        let mut tried = FIRST;
        let mut sampled = Vec::new();
        while tried < TRIED {
            let other = basis.place(&mut random);
            let least = level + random.random::<f64>().ln();
            let mut angle = random.random_range(0.0..TAU);
            let (mut low, mut high) = (angle - TAU, angle);
            for _ in 0..STEPS {
                tried += 1;
                let (sine, cosine) = angle.sin_cos();
                let place = here.iter().zip(&other).map(|(here, other)| here * cosine + other * sine).collect();
                if let Some(found) = judge(&place).filter(|found| *found > least) {
                    (here, level) = (place, found);
                    break;
                }
                *(if angle < 0.0 { &mut low } else { &mut high }) = angle;
                angle = random.random_range(low..high);
            }
            sampled.push(here.clone());
        }
        let settled = &sampled[(SETTLING * sampled.len() as f64) as usize..];
        let kept = (0..KEPT).filter_map(|at| settled.get(at * settled.len() / KEPT)).cloned().collect();
        Ok(Places { basis: Some(basis), kept })
    }

    /// The answers on the map as drawn, averaged over places of its lines: each of `sets` holds one answer a question.
    ///
    /// # Errors
    /// As [`KnownField::new`] and [`Mixture::new`].
    pub(super) fn average<'s>(
        &self,
        places: &Places,
        sets: impl IntoIterator<Item = &'s mut Vec<Mixture>>,
    ) -> Result<(), StatsError> {
        let (Some(lines), Some(basis)) = (self.trial.joined.soil_lines.as_deref(), &places.basis) else {
            return Ok(());
        };
        let field = self.field()?;
        let Some((_, drawn)) = self.on(&field, self.trial) else { return Ok(()) };
        let found: Vec<Vec<Component>> = places
            .kept
            .iter()
            .filter_map(|place| Some(self.on(&field, &moved(self.trial, lines, basis, place))?.1))
            .collect();
        if found.is_empty() {
            return Ok(());
        }
        let change = |k: usize| {
            let against = |answers: &Vec<Component>| Change {
                share: 1.0 / found.len() as f64,
                shift: answers[k].centre - drawn[k].centre,
                ratio: if drawn[k].scale > 0.0 { answers[k].scale / drawn[k].scale } else { 1.0 },
                spread: 0.0,
            };
            grouped(found.iter().map(against).collect())
        };
        let changes: Vec<Vec<Change>> = (0..drawn.len()).map(change).collect();
        for answers in sets {
            for (answer, changes) in answers.iter_mut().zip(&changes) {
                *answer = Mixture::new(answer.components().flat_map(|part| {
                    changes.iter().map(|change| Component {
                        weight: part.weight * change.share,
                        centre: part.centre + change.shift,
                        scale: (part.scale * change.ratio).hypot(change.spread),
                        ..*part
                    })
                }))?;
            }
        }
        Ok(())
    }
}

/// Mean share of each segment that has its class, over the places where the lines may lie: the probability of the class.
pub(super) fn class_probability(trial: &Trial<'_>, places: &Places) -> Vec<f64> {
    let joined = trial.joined;
    let (Some(lines), Some(basis)) = (joined.soil_lines.as_deref(), &places.basis) else {
        return joined.segment_class_probability.clone();
    };
    let mut sums = vec![(0.0, 0.0); joined.segment_class.len()];
    for place in &places.kept {
        for row in &moved(trial, lines, basis, place).rows {
            let share = row.shares.get(joined.segment_class[row.segment] as usize).copied().unwrap_or(f64::NAN);
            let sum = &mut sums[row.segment];
            *sum = (sum.0 + row.area_m2 * share, sum.1 + row.area_m2);
        }
    }
    sums.iter()
        .zip(&joined.segment_class_probability)
        .map(|(sum, &before)| if sum.1 > 0.0 { sum.0 / sum.1 } else { before })
        .collect()
}

/// How an answer changes with the lines, against the lines as drawn: shift, ratio of the scales, and spread of the shifts.
#[derive(Debug, Clone, Copy)]
struct Change {
    share: f64,
    shift: f64,
    ratio: f64,
    spread: f64,
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

/// The trial on a map whose lines lie elsewhere.
fn moved<'j>(trial: &Trial<'j>, lines: &SoilLines, basis: &Basis, place: &[f64]) -> Trial<'j> {
    let mut there = trial.clone();
    // from a row of the trial, so that the waves mean the same everywhere on the globe
    let (east, north) = trial.rows.first().map_or((0.0, 0.0), |row| (row.x_m, row.y_m));
    for row in &mut there.rows {
        let mut shares = vec![0.0; row.shares.len()];
        for look in LOOKS {
            let along = look * trial.segment_length_m;
            let (x, y) = (row.x_m + along * trial.axis.0, row.y_m + along * trial.axis.1);
            let (dx, dy) = basis.shift(place, x - east, y - north);
            let moved = lines.zone_at(x - dx, y - dy);
            // what lies beyond the map has the class that is drawn
            let zone = if moved == Labels::NONE { lines.zone_at(x, y) } else { moved };
            if let Some(share) = shares.get_mut(zone as usize) {
                *share += 1.0 / LOOKS.len() as f64;
            }
        }
        row.shares = shares;
    }
    there
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
            let (x, y) = basis.shift(&basis.place(&mut random), 130.0, -240.0);
            square += 0.5 * (x * x + y * y);
        }
        let sd = (square / f64::from(draws)).sqrt();
        assert!((sd / 25.0 - 1.0).abs() < 0.05, "{sd}");
    }
}
