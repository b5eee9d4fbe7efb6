//! The neighbour form: each row given the nearest of those before it.

use std::collections::BTreeMap;
use std::sync::Arc;

use pulp::{Arch, Simd, WithSimd};
use rustc_hash::FxHashMap;

use super::columns::WIDE;
use super::{Columns, Gram, SpatialForm, check_parameters};
use crate::stats::dense::{Mat, MatRef, product_transposed};
use crate::stats::{Kernel, StatsError, check};

/// Settings that are solved side by side: the steps of the small Cholesky factors are the same in all of them.
const LANES: usize = 8;
type Lanes = [f64; LANES];
/// Squared distance of the farthest neighbour, at most by that of the row before in most rows.
const NEXT_ROW: f64 = 1.3;
/// Distances that agree to a micrometre (where a position is in metres) share one correlation.
const SAME_DISTANCE: f64 = 1e-6;

/// A field with any kernel, its likelihood approximated by conditioning each row on its nearest predecessors: Vecchia 1988,
/// J. R. Stat. Soc. B 50:297–312; Datta et al. 2016, J. Am. Stat. Assoc. 111:800–812. With as many neighbours as rows it is
/// exact. Rows are taken in the order of the axis of greater extent. Rows whose neighbours lie alike share one solution, so
/// that even spacing and equal weights make it fast.
#[derive(Debug, Clone)]
pub struct NeighbourField {
    columns: Columns,
    kernel: Kernel,
    places: Places,
    /// Rows in their order.
    order: Vec<usize>,
    /// Neighbours (rows) of each row in the order.
    neighbours: Vec<Vec<usize>>,
    /// Setting of each row in the order.
    setting: Vec<usize>,
    settings: usize,
    batches: Vec<Batch>,
    /// The levels of the random effect about each row of the order. Empty without a random effect.
    levels: Vec<Levels>,
    /// The distances that occur, each once.
    distances: Vec<f64>,
}

/// Positions along the axis of greater extent and along the other, and the distance below which settings count as alike.
#[derive(Debug, Clone)]
struct Places {
    lead: Vec<f64>,
    follow: Vec<f64>,
    tolerance: f64,
}

/// Up to [`LANES`] settings with the same number of neighbours, each a row and its neighbours, up to a shift. Lanes that
/// stand empty repeat the first.
#[derive(Debug, Clone)]
struct Batch {
    settings: Vec<usize>,
    neighbours: usize,
    /// Index of the distances between the members, the row last: lower triangle row by row without the diagonal.
    apart: Vec<[u32; LANES]>,
    /// `1/w` of the neighbours, then of the row.
    inverse_weights: Vec<Lanes>,
}

/// Levels of the random effect about a row.
#[derive(Debug, Clone)]
struct Levels {
    /// Those of the row first.
    present: Vec<usize>,
    /// The row's parts of them.
    own: [f64; 2],
    /// Neighbour, place among the levels, and the neighbour's part of it.
    of_neighbours: Vec<(u32, u32, f64)>,
}

/// A setting before it is put into a batch.
struct Setting {
    apart: Vec<u32>,
    inverse_weights: Vec<f64>,
}

/// Weights of the neighbours and the variance left, by setting.
#[derive(Debug)]
struct Solved {
    /// So many places a setting, of which some may be more than it has neighbours.
    weights: Vec<f64>,
    places: usize,
    neighbours: Vec<u32>,
    variances: Vec<f64>,
}

impl Solved {
    fn weights_of(&self, setting: usize) -> &[f64] {
        &self.weights[setting * self.places..][..self.neighbours[setting] as usize]
    }
}

impl NeighbourField {
    /// With one position a row and two columns, and the number of neighbours. `tolerance` is the distance below which two
    /// settings count as alike.
    ///
    /// # Errors
    /// Positions of the wrong shape or not finite, no neighbours, or a tolerance not above 0.
    pub fn new(
        columns: Columns,
        kernel: Kernel,
        positions: MatRef<'_, f64>,
        count: usize,
        tolerance: f64,
    ) -> Result<Self, StatsError> {
        let n = columns.rows();
        check::length("positions", positions.nrows(), n)?;
        check::length("coordinates", positions.ncols(), 2)?;
        check::positive("tolerance of equal settings", &[tolerance])?;
        if count == 0 {
            return Err(StatsError::TooFew { what: "neighbours", found: 0, needed: 1 });
        }
        let coordinate = |axis: usize| -> Vec<f64> { positions.col(axis).iter().copied().collect() };
        let extent = |values: &[f64]| {
            values.iter().fold(f64::NEG_INFINITY, |a, &b| a.max(b))
                - values.iter().fold(f64::INFINITY, |a, &b| a.min(b))
        };
        let (mut lead, mut follow) = (coordinate(0), coordinate(1));
        check::finite("positions", &lead)?;
        check::finite("positions", &follow)?;
        if extent(&follow) > extent(&lead) {
            std::mem::swap(&mut lead, &mut follow);
        }
        let mut order: Vec<usize> = (0..n).collect();
        order.sort_by(|&a, &b| lead[a].total_cmp(&lead[b]).then(follow[a].total_cmp(&follow[b])).then(a.cmp(&b)));
        let mut farthest = f64::INFINITY;
        let neighbours = (0..n)
            .map(|index| {
                // rows beside each other have their neighbours about as far away
                let found = nearest_before((&order, index), (&lead, &follow), count, NEXT_ROW * farthest);
                farthest = found.1;
                found.0
            })
            .collect();
        Ok(Self::with_neighbours(columns, kernel, Places { lead, follow, tolerance }, order, neighbours))
    }

    /// The same field with fewer neighbours: the nearest of those it has.
    #[must_use]
    pub fn with_nearest(&self, count: usize) -> Self {
        let nearest = |all: &Vec<usize>| all.iter().copied().take(count.max(1)).collect();
        let neighbours = self.neighbours.iter().map(nearest).collect();
        Self::with_neighbours(self.columns.clone(), self.kernel, self.places.clone(), self.order.clone(), neighbours)
    }

    /// Finds the settings of rows whose neighbours are known.
    fn with_neighbours(
        columns: Columns,
        kernel: Kernel,
        places: Places,
        order: Vec<usize>,
        neighbours: Vec<Vec<usize>>,
    ) -> Self {
        let Places { lead, follow, tolerance } = &places;
        let mut setting_of = Vec::with_capacity(order.len());
        let mut settings: Vec<Setting> = Vec::new();
        let mut known: FxHashMap<Vec<i64>, usize> = FxHashMap::default();
        let mut distances = Vec::new();
        let mut known_distances: FxHashMap<i64, u32> = FxHashMap::default();
        // what was asked for last, by ten bits of a product (Knuth 1973, The Art of Computer Programming 3, section 6.4)
        const SPREAD: u64 = 0x9E37_79B9_7F4A_7C15;
        let mut recent = vec![(i64::MIN, 0_u32); 1 << 10];
        for (&row, nearest) in order.iter().zip(&neighbours) {
            let grid = |value: f64| nearest_whole(value / tolerance);
            let mut key = Vec::with_capacity(3 * nearest.len() + 1);
            for &other in nearest {
                key.extend([grid(lead[other] - lead[row]), grid(follow[other] - follow[row])]);
                key.push(columns.inverse_weights[other].to_bits().cast_signed());
            }
            key.push(columns.inverse_weights[row].to_bits().cast_signed());
            let next = settings.len();
            let setting = *known.entry(key).or_insert(next);
            if setting == next {
                let members: Vec<usize> = nearest.iter().copied().chain([row]).collect();
                let mut apart = Vec::with_capacity(members.len() * nearest.len() / 2);
                for (i, &one) in members.iter().enumerate() {
                    for &other in &members[..i] {
                        let distance =
                            ((lead[one] - lead[other]).powi(2) + (follow[one] - follow[other]).powi(2)).sqrt();
                        let step = nearest_whole(distance / SAME_DISTANCE);
                        let slot = &mut recent[(step as u64).wrapping_mul(SPREAD) as usize >> 54];
                        if slot.0 != step {
                            let at = known_distances.entry(step).or_insert_with(|| {
                                distances.push(distance);
                                distances.len() as u32 - 1
                            });
                            *slot = (step, *at);
                        }
                        apart.push(slot.1);
                    }
                }
                let inverse_weights = members.iter().map(|&each| columns.inverse_weights[each]).collect();
                settings.push(Setting { apart, inverse_weights });
            }
            setting_of.push(setting);
        }
        Self {
            levels: levels(&columns, &order, &neighbours),
            columns,
            kernel,
            places,
            order,
            neighbours,
            setting: setting_of,
            settings: settings.len(),
            batches: batches(&settings),
            distances,
        }
    }

    fn solve(&self, range: f64, nugget: f64) -> Result<Solved, StatsError> {
        check_parameters(range, nugget)?;
        let sill = 1.0 - nugget;
        let correlated: Vec<f64> =
            self.distances.iter().map(|distance| sill * self.kernel.correlation(distance / range)).collect();
        let places = self.batches.iter().map(|batch| batch.neighbours).max().unwrap_or(0);
        let mut solved = Solved {
            weights: vec![0.0; self.settings * places],
            places,
            neighbours: vec![0; self.settings],
            variances: vec![0.0; self.settings],
        };
        let work = Work { batches: &self.batches, correlated: &correlated, nugget, solved: &mut solved };
        Arch::new()
            .dispatch(work)
            .ok_or(StatsError::NotPositiveDefinite { what: "the covariance of neighbouring rows" })?;
        Ok(solved)
    }
}

fn levels(columns: &Columns, order: &[usize], neighbours: &[Vec<usize>]) -> Vec<Levels> {
    if columns.random == 0 {
        return Vec::new();
    }
    order
        .iter()
        .zip(neighbours)
        .map(|(&row, neighbours)| {
            let parts = columns.parts[row];
            let mut present: Vec<usize> = parts.iter().map(|(level, _)| level).collect();
            let mut of_neighbours = Vec::with_capacity(neighbours.len());
            for (neighbour, &other) in neighbours.iter().enumerate() {
                for (level, part) in columns.parts[other].iter() {
                    let at = present.iter().position(|known| *known == level).unwrap_or_else(|| {
                        present.push(level);
                        present.len() - 1
                    });
                    of_neighbours.push((neighbour as u32, at as u32, part));
                }
            }
            Levels { present, own: [parts.first.1, parts.second.map_or(0.0, |second| second.1)], of_neighbours }
        })
        .collect()
}

/// The settings by their number of neighbours, so many at a time.
fn batches(settings: &[Setting]) -> Vec<Batch> {
    let mut by_count: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (at, setting) in settings.iter().enumerate() {
        by_count.entry(setting.inverse_weights.len() - 1).or_default().push(at);
    }
    let mut batches = Vec::new();
    for (neighbours, members) in by_count {
        for few in members.chunks(LANES) {
            let lane = |lane: usize| &settings[few.get(lane).copied().unwrap_or(few[0])];
            batches.push(Batch {
                settings: few.to_vec(),
                neighbours,
                apart: (0..neighbours * (neighbours + 1) / 2)
                    .map(|entry| std::array::from_fn(|at| lane(at).apart[entry]))
                    .collect(),
                inverse_weights: (0..=neighbours)
                    .map(|member| std::array::from_fn(|at| lane(at).inverse_weights[member]))
                    .collect(),
            });
        }
    }
    batches
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
        for (lane, &setting) in self.settings.iter().enumerate() {
            let own = &mut solved.weights[setting * solved.places..][..m];
            own.iter_mut().zip(&weights).for_each(|(own, weight)| *own = weight[lane]);
            solved.neighbours[setting] = m as u32;
            solved.variances[setting] = factor[last + m][lane].powi(2);
        }
        Some(())
    }
}

impl SpatialForm for NeighbourField {
    fn columns(&self) -> &Columns {
        &self.columns
    }

    fn gram(&self, range: f64, nugget: f64) -> Result<Gram, StatsError> {
        Ok(self.gram_under(&self.solve(range, nugget)?, &self.columns))
    }
}

/// A field under a covariance that is known: asked with several designs, it is solved once.
#[derive(Debug)]
pub struct SolvedField {
    field: Arc<NeighbourField>,
    solved: Solved,
}

impl SolvedField {
    /// # Errors
    /// Parameters out of range, or a covariance that cannot be factored.
    pub fn new(field: Arc<NeighbourField>, range: f64, nugget: f64) -> Result<Self, StatsError> {
        let solved = field.solve(range, nugget)?;
        Ok(Self { field, solved })
    }

    /// The same field under another covariance.
    ///
    /// # Errors
    /// As [`SolvedField::new`].
    pub fn under(&self, range: f64, nugget: f64) -> Result<Self, StatsError> {
        Self::new(Arc::clone(&self.field), range, nugget)
    }

    /// With other fixed effects over the same rows.
    ///
    /// # Errors
    /// As [`Columns::with_design`].
    pub fn gram(&self, x: MatRef<'_, f64>) -> Result<Gram, StatsError> {
        Ok(self.field.gram_under(&self.solved, &self.field.columns.with_design(x)?))
    }

    /// With columns more beside the fixed effects, which may repeat them.
    ///
    /// # Errors
    /// A basis of the wrong length.
    pub fn gram_with(&self, basis: MatRef<'_, f64>) -> Result<Gram, StatsError> {
        Ok(self.field.gram_under(&self.solved, &self.field.columns.with_basis(basis)?))
    }

    /// Number of fixed effects.
    pub fn fixed_effects(&self) -> usize {
        self.field.columns.fixed_effects()
    }
}

impl NeighbourField {
    fn gram_under(&self, solved: &Solved, columns: &Columns) -> Gram {
        let (n, width, stride) = (columns.rows(), columns.width(), columns.pieces * WIDE);
        let random = columns.random;
        let dense = width - random; // the design and the response; the random effect is nearly all zeros
        let Sums { whitened, between, across, ln_determinant } =
            Arch::new().dispatch(Whitening { field: self, solved, columns });
        let mut products = Mat::<f64>::zeros(width, width);
        for level in 0..random {
            for other in 0..=level {
                products[(level, other)] = between[level * random + other];
            }
            for j in 0..dense {
                products[(random + j, level)] = across.as_flattened()[level * stride + j];
            }
        }
        let whitened = MatRef::from_column_major_slice(whitened.as_flattened(), stride, n).subrows(0, dense);
        let own = product_transposed(whitened.transpose(), whitened.transpose());
        for j in 0..dense {
            for i in 0..dense {
                products[(random + i, random + j)] = own[(i, j)];
            }
        }
        for j in 0..random {
            for i in j + 1..width {
                products[(j, i)] = products[(i, j)];
            }
        }
        Gram { ln_determinant, products, rows: n, random, fixed: columns.fixed }
    }
}

/// The rows of a field to be whitened, with the widest registers that the processor has.
struct Whitening<'w> {
    field: &'w NeighbourField,
    solved: &'w Solved,
    columns: &'w Columns,
}

/// The whitened rows in their order, and what they sum to.
struct Sums {
    whitened: Vec<[f64; WIDE]>,
    /// The lower triangle of the products of the levels.
    between: Vec<f64>,
    /// Their products with the design and the response, level by level.
    across: Vec<[f64; WIDE]>,
    ln_determinant: f64,
}

impl WithSimd for Whitening<'_> {
    type Output = Sums;

    #[expect(clippy::inline_always, reason = "what is not compiled into the caller does not get its registers")]
    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Sums {
        let Self { field, solved, columns } = self;
        let (random, pieces, rows) = (columns.random, columns.pieces, columns.dense.as_slice());
        let mut sums = Sums {
            whitened: Vec::with_capacity(rows.len()),
            between: vec![0.0; random * random],
            across: vec![[0.0; WIDE]; random * pieces],
            ln_determinant: 0.0,
        };
        let mut values = Vec::new(); // whitened values of the levels about a row
        for (index, &row) in field.order.iter().enumerate() {
            let setting = field.setting[index];
            let (weights, variance) = (solved.weights_of(setting), solved.variances[setting]);
            sums.ln_determinant += variance.ln();
            let scale = 1.0 / variance.sqrt();
            let neighbours = field.neighbours[index].as_slice();
            let (fours, rest) = neighbours.as_chunks::<4>();
            let (of_fours, of_rest) = weights.as_chunks::<4>();
            for piece in 0..pieces {
                let mut target = rows[row * pieces + piece];
                // four neighbours at a time, for the sake of memory traffic
                for (four, factors) in fours.iter().zip(of_fours) {
                    let [a, b, c, d] = four.map(|neighbour| &rows[neighbour * pieces + piece]);
                    for lane in 0..WIDE {
                        target[lane] -= (factors[0] * a[lane] + factors[1] * b[lane])
                            + (factors[2] * c[lane] + factors[3] * d[lane]);
                    }
                }
                for (neighbour, factor) in rest.iter().zip(of_rest) {
                    let known = &rows[neighbour * pieces + piece];
                    for lane in 0..WIDE {
                        target[lane] -= factor * known[lane];
                    }
                }
                sums.whitened.push(target.map(|value| value * scale));
            }
            if random == 0 {
                continue;
            }
            let levels = &field.levels[index];
            values.clear();
            values.resize(levels.present.len(), 0.0);
            for (value, part) in values.iter_mut().zip(levels.own) {
                *value = part;
            }
            for &(neighbour, slot, part) in &levels.of_neighbours {
                values[slot as usize] -= part * weights[neighbour as usize];
            }
            let target = &sums.whitened[index * pieces..];
            for (k, &level) in levels.present.iter().enumerate() {
                let value = values[k] * scale;
                for (&other, also) in levels.present[..=k].iter().zip(&values) {
                    sums.between[level.max(other) * random + level.min(other)] += value * scale * also;
                }
                for (sum, known) in sums.across[level * pieces..(level + 1) * pieces].iter_mut().zip(target) {
                    for lane in 0..WIDE {
                        sum[lane] += value * known[lane];
                    }
                }
            }
        }
        sums
    }
}

/// Rounded, halves away from 0, without a call into a library on processors that have no instruction for it.
fn nearest_whole(value: f64) -> i64 {
    (value + 0.5_f64.copysign(value)) as i64
}

/// The nearest rows among those before `index` in the order, the nearest first, and the squared distance of the last, where there are
/// enough. They are looked for within `guess` of it first.
fn nearest_before(
    (order, index): (&[usize], usize),
    (lead, follow): (&[f64], &[f64]),
    count: usize,
    guess: f64,
) -> (Vec<usize>, f64) {
    let row = order[index];
    let mut found: Vec<(f64, usize)> = Vec::with_capacity(count + 1);
    let mut farthest = guess;
    for &other in order[..index].iter().rev() {
        let ahead = (lead[row] - lead[other]).powi(2);
        if ahead > farthest {
            break; // all others lie farther back
        }
        let squared = ahead + (follow[row] - follow[other]).powi(2);
        if squared < farthest {
            let mut at = found.len();
            found.push((squared, other));
            while at > 0 && found[at - 1].0 > squared {
                found[at] = found[at - 1];
                at -= 1;
            }
            found[at] = (squared, other);
            if found.len() > count {
                found.truncate(count);
            }
            if found.len() == count {
                farthest = found[count - 1].0;
            }
        }
    }
    if found.len() < count && guess.is_finite() {
        return nearest_before((order, index), (lead, follow), count, f64::INFINITY);
    }
    (found.into_iter().map(|(_, other)| other).collect(), farthest)
}

#[cfg(test)]
mod tests {
    use super::super::DenseField;
    use super::super::gram::tests::{assert_same, example};
    use super::*;

    fn grid(n: usize, jitter: f64) -> Mat<f64> {
        Mat::from_fn(n, 2, |i, j| {
            let even = if j == 0 { 9.0 * (i % 10) as f64 } else { 20.0 * (i / 10) as f64 };
            even + jitter * ((7 * i + j) as f64).sin()
        })
    }

    #[test]
    fn with_every_row_before_as_neighbour_it_is_exact() {
        let columns = example(50, true);
        let positions = grid(50, 2.0);
        for kernel in [Kernel::Exponential, Kernel::Matern32] {
            let near = NeighbourField::new(columns.clone(), kernel, positions.as_ref(), 50, 0.01).unwrap();
            let dense = DenseField::new(columns.clone(), kernel, positions.as_ref()).unwrap();
            for (range, nugget) in [(30.0, 0.3), (200.0, 0.1)] {
                assert_same(&near.gram(range, nugget).unwrap(), &dense.gram(range, nugget).unwrap(), 1e-8);
            }
        }
    }

    #[test]
    fn thirty_neighbours_come_near_and_even_spacing_shares_settings() {
        let columns = example(400, false);
        let positions = grid(400, 0.0);
        let near = NeighbourField::new(columns.clone(), Kernel::Exponential, positions.as_ref(), 30, 0.01).unwrap();
        assert!(near.settings < 150, "{}", near.settings);
        let dense = DenseField::new(columns, Kernel::Exponential, positions.as_ref()).unwrap();
        for (range, nugget) in [(90.0, 0.1), (90.0, 0.4)] {
            let of = |form: &dyn SpatialForm| form.gram(range, nugget).unwrap().profile(0.0).unwrap();
            let (a, b) = (of(&near), of(&dense));
            assert!((a.log_likelihood - b.log_likelihood).abs() < 2.0, "{} {}", a.log_likelihood, b.log_likelihood);
            let (se_near, se_dense) = (a.contrast(&[0.0, 1.0]).unwrap().1, b.contrast(&[0.0, 1.0]).unwrap().1);
            assert!((se_near / se_dense - 1.0).abs() < 0.02, "{se_near} {se_dense}");
        }
    }

    #[test]
    fn fewer_neighbours_are_the_nearest() {
        let columns = example(80, true);
        let positions = grid(80, 1.0);
        let new =
            |count| NeighbourField::new(columns.clone(), Kernel::Matern32, positions.as_ref(), count, 0.01).unwrap();
        let (fewer, few) = (new(20).with_nearest(6), new(6));
        assert_same(&fewer.gram(50.0, 0.2).unwrap(), &few.gram(50.0, 0.2).unwrap(), 1e-12);
    }

    #[test]
    fn bad_settings_are_refused() {
        let positions = grid(6, 0.0);
        assert!(NeighbourField::new(example(6, false), Kernel::Exponential, positions.as_ref(), 0, 0.1).is_err());
        assert!(NeighbourField::new(example(6, false), Kernel::Exponential, positions.as_ref(), 3, 0.0).is_err());
        assert!(NeighbourField::new(example(7, false), Kernel::Exponential, positions.as_ref(), 3, 0.1).is_err());
    }
}
