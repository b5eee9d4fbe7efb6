//! How the neighbours of a row lie about it: rows whose neighbours lie alike share one solution.

use std::collections::BTreeMap;

use pulp::{Arch, Simd, WithSimd};
use rustc_hash::FxHashMap;

use super::super::Lists;
use super::graph::Places;
use crate::stats::{Kernel, StatsError};

/// Settings that are solved side by side: the steps of the small Cholesky factors are the same in all of them.
const LANES: usize = 8;
type Lanes = [f64; LANES];
/// Distances that agree to a micrometre (where a position is in metres) share one correlation.
const SAME_DISTANCE: f64 = 1e-6;
/// Spreads whole numbers over all bits (Knuth 1973, The Art of Computer Programming 3, section 6.4).
const SPREAD: u64 = 0x9E37_79B9_7F4A_7C15;

/// The settings of some rows.
#[derive(Debug, Clone, Default)]
pub(super) struct Settings {
    pub(super) count: usize,
    batches: Vec<Batch>,
    /// The distances that occur, each once.
    distances: Vec<f64>,
}

/// Up to [`LANES`] settings with the same number of neighbours, each a row and its neighbours, up to a shift. Lanes that
/// stand empty repeat the first.
#[derive(Debug, Clone)]
struct Batch {
    settings: Vec<u32>,
    neighbours: usize,
    /// Index of the distances between the members, the row last: lower triangle row by row without the diagonal.
    apart: Vec<[u32; LANES]>,
    /// `1/w` of the neighbours, then of the row.
    inverse_weights: Vec<Lanes>,
}

/// A setting before it is put into a batch.
struct Setting {
    number: u32,
    /// Where its members lie.
    layout: u32,
    inverse_weights: Vec<f64>,
}

/// Lists that are known, by number: each once.
#[derive(Default)]
struct Known {
    lists: Lists<i64>,
    /// The first list of each hash.
    first: FxHashMap<u64, u32>,
}

impl Known {
    /// The number of a list, and whether it is new.
    fn number(&mut self, list: &[i64]) -> (u32, bool) {
        let mixed = |sum: u64, part: &i64| (sum.rotate_left(5) ^ part.cast_unsigned()).wrapping_mul(SPREAD);
        let next = self.lists.len() as u32;
        let known = *self.first.entry(list.iter().fold(0, mixed)).or_insert(next);
        if known != next && self.lists.get(known as usize) == list {
            return (known, false);
        }
        self.lists.push(list.iter().copied());
        (next, true)
    }
}

/// Weights of the neighbours and the variance left, by setting.
#[derive(Debug)]
pub(super) struct Solved {
    /// So many places a setting, of which some may be more than it has neighbours.
    weights: Vec<f64>,
    places: usize,
    neighbours: Vec<u32>,
    variances: Vec<f64>,
}

impl Solved {
    /// Weights of the neighbours, and the variance left.
    pub(super) fn of(&self, setting: usize) -> (&[f64], f64) {
        (&self.weights[setting * self.places..][..self.neighbours[setting] as usize], self.variances[setting])
    }
}

/// Finds the settings of rows, one after the other.
pub(super) struct Finder<'f> {
    places: &'f Places,
    inverse_weights: &'f [f64],
    per_tolerance: f64,
    found: Settings,
    /// Where members lie about a row, in tolerances, and with what weights.
    layouts: Known,
    settings: Known,
    key: Vec<i64>,
    /// By layout, the distances between the members.
    apart: Lists<u32>,
    known_distances: FxHashMap<i64, u32>,
    /// Distances that were asked for last, by ten bits of a product.
    recent: Vec<(i64, u32)>,
    /// Settings that wait for their batch to be full, by their number of neighbours.
    waiting: BTreeMap<usize, Vec<Setting>>,
}

impl<'f> Finder<'f> {
    pub(super) fn new(places: &'f Places, inverse_weights: &'f [f64]) -> Self {
        Self {
            places,
            inverse_weights,
            per_tolerance: 1.0 / places.tolerance,
            found: Settings::default(),
            layouts: Known::default(),
            settings: Known::default(),
            key: Vec::new(),
            apart: Lists::default(),
            known_distances: FxHashMap::default(),
            recent: vec![(i64::MIN, 0_u32); 1 << 10],
            waiting: BTreeMap::new(),
        }
    }

    /// The number of a row's setting.
    pub(super) fn setting(&mut self, row: u32, neighbours: &[u32]) -> u32 {
        let Places { lead, follow, .. } = self.places;
        let at = row as usize;
        let members = || neighbours.iter().map(|&other| other as usize);
        let grid = |value: f64| nearest_whole(value * self.per_tolerance);
        self.key.clear();
        self.key.extend(members().flat_map(|other| [lead[other] - lead[at], follow[other] - follow[at]]).map(grid));
        let (layout, is_new) = self.layouts.number(&self.key);
        if is_new {
            self.lay_out(at, neighbours);
        }
        let weight = |row: usize| self.inverse_weights[row].to_bits().cast_signed();
        self.key.clear();
        self.key.extend(members().chain([at]).map(weight).chain([i64::from(layout)]));
        let (number, is_new) = self.settings.number(&self.key);
        if is_new {
            let inverse_weights = members().chain([at]).map(|each| self.inverse_weights[each]).collect();
            let waiting = self.waiting.entry(neighbours.len()).or_default();
            waiting.push(Setting { number, layout, inverse_weights });
            if waiting.len() == LANES {
                self.found.batches.push(Batch::new(waiting, &self.apart));
                waiting.clear();
            }
            self.found.count += 1;
        }
        number
    }

    /// Tells the distances between the members about a row.
    fn lay_out(&mut self, row: usize, neighbours: &[u32]) {
        let Places { lead, follow, .. } = self.places;
        let members: Vec<usize> = neighbours.iter().map(|&other| other as usize).chain([row]).collect();
        let mut apart = Vec::with_capacity(members.len() * neighbours.len() / 2);
        for (i, &one) in members.iter().enumerate() {
            for &other in &members[..i] {
                let distance = ((lead[one] - lead[other]).powi(2) + (follow[one] - follow[other]).powi(2)).sqrt();
                let step = nearest_whole(distance / SAME_DISTANCE);
                let slot = &mut self.recent[(step as u64).wrapping_mul(SPREAD) as usize >> 54];
                if slot.0 != step {
                    let distances = &mut self.found.distances;
                    let at = self.known_distances.entry(step).or_insert_with(|| {
                        distances.push(distance);
                        distances.len() as u32 - 1
                    });
                    *slot = (step, *at);
                }
                apart.push(slot.1);
            }
        }
        self.apart.push(apart);
    }

    /// All that were found.
    pub(super) fn settings(mut self) -> Settings {
        let rest = self.waiting.into_values().filter(|waiting| !waiting.is_empty());
        self.found.batches.extend(rest.map(|waiting| Batch::new(&waiting, &self.apart)));
        self.found
    }
}

impl Settings {
    /// Solves each under a covariance; `range` and `nugget` have been checked.
    ///
    /// # Errors
    /// A covariance that is not positive definite.
    pub(super) fn solve(&self, kernel: Kernel, range: f64, nugget: f64) -> Result<Solved, StatsError> {
        let sill = 1.0 - nugget;
        let correlated: Vec<f64> =
            self.distances.iter().map(|distance| sill * kernel.correlation(distance / range)).collect();
        let places = self.batches.iter().map(|batch| batch.neighbours).max().unwrap_or(0);
        let mut solved = Solved {
            weights: vec![0.0; self.count * places],
            places,
            neighbours: vec![0; self.count],
            variances: vec![0.0; self.count],
        };
        let work = Work { batches: &self.batches, correlated: &correlated, nugget, solved: &mut solved };
        Arch::new()
            .dispatch(work)
            .ok_or(StatsError::NotPositiveDefinite { what: "the covariance of neighbouring rows" })?;
        Ok(solved)
    }
}

/// Batches to be solved, with the widest registers that the processor has: the lanes are apart, so that the results are the
/// same with any.
struct Work<'w> {
    batches: &'w [Batch],
    correlated: &'w [f64],
    nugget: f64,
    solved: &'w mut Solved,
}

impl WithSimd for Work<'_> {
    type Output = Option<()>;

    #[expect(clippy::inline_always, reason = "what is not compiled into the caller does not get its registers")]
    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Option<()> {
        let mut factor = Vec::new();
        self.batches.iter().try_for_each(|batch| batch.solve(self.correlated, self.nugget, &mut factor, self.solved))
    }
}

impl Batch {
    /// Of one to [`LANES`] settings with the same number of neighbours.
    fn new(settings: &[Setting], apart: &Lists<u32>) -> Self {
        let lane = |at: usize| settings.get(at).unwrap_or(&settings[0]);
        let apart: [&[u32]; LANES] = std::array::from_fn(|at| apart.get(lane(at).layout as usize));
        let neighbours = settings[0].inverse_weights.len() - 1;
        Self {
            settings: settings.iter().map(|one| one.number).collect(),
            neighbours,
            apart: (0..neighbours * (neighbours + 1) / 2).map(|entry| apart.map(|of_lane| of_lane[entry])).collect(),
            inverse_weights: (0..=neighbours)
                .map(|member| std::array::from_fn(|at| lane(at).inverse_weights[member]))
                .collect(),
        }
    }

    /// Factors the covariances of the neighbours bordered by the row; `factor` is scratch.
    #[expect(clippy::inline_always, reason = "as above")]
    #[inline(always)]
    fn solve(&self, correlated: &[f64], nugget: f64, factor: &mut Vec<Lanes>, solved: &mut Solved) -> Option<()> {
        let m = self.neighbours;
        // without a nugget the own variance is that of distance 0
        let sill = 1.0 - nugget;
        factor.clear();
        let mut inverse_pivots: Vec<Lanes> = Vec::with_capacity(m + 1);
        for i in 0..=m {
            let start = factor.len(); // i (i + 1) / 2
            let border = i * i.saturating_sub(1) / 2;
            for j in 0..i {
                let apart = &self.apart[border + j];
                let mut value: Lanes = std::array::from_fn(|lane| correlated[apart[lane] as usize]);
                let begin = j * (j + 1) / 2;
                for (a, b) in factor[start..start + j].iter().zip(&factor[begin..begin + j]) {
                    for lane in 0..LANES {
                        value[lane] -= a[lane] * b[lane];
                    }
                }
                for lane in 0..LANES {
                    value[lane] *= inverse_pivots[j][lane];
                }
                factor.push(value);
            }
            let mut pivot: Lanes = std::array::from_fn(|lane| sill + nugget * self.inverse_weights[i][lane]);
            for a in &factor[start..start + i] {
                for lane in 0..LANES {
                    pivot[lane] -= a[lane] * a[lane];
                }
            }
            if !pivot.iter().all(|pivot| pivot.is_finite() && *pivot > 1e-14) {
                return None;
            }
            factor.push(pivot.map(f64::sqrt));
            inverse_pivots.push(pivot.map(|pivot| 1.0 / pivot.sqrt()));
        }
        // L′ w = l, backwards by rows of L
        let last = m * (m + 1) / 2;
        let mut weights: Vec<Lanes> = factor[last..last + m].to_vec();
        for k in (0..m).rev() {
            for lane in 0..LANES {
                weights[k][lane] *= inverse_pivots[k][lane];
            }
            let (before, rest) = weights.split_at_mut(k);
            let begin = k * (k + 1) / 2;
            for (value, entry) in before.iter_mut().zip(&factor[begin..begin + k]) {
                for lane in 0..LANES {
                    value[lane] -= entry[lane] * rest[0][lane];
                }
            }
        }
        for (lane, setting) in self.settings.iter().map(|&setting| setting as usize).enumerate() {
            let own = &mut solved.weights[setting * solved.places..][..m];
            own.iter_mut().zip(&weights).for_each(|(own, weight)| *own = weight[lane]);
            solved.neighbours[setting] = m as u32;
            solved.variances[setting] = factor[last + m][lane].powi(2);
        }
        Some(())
    }
}

/// Rounded, halves away from 0, without a call into a library on processors that have no instruction for it.
fn nearest_whole(value: f64) -> i64 {
    (value + 0.5_f64.copysign(value)) as i64
}
