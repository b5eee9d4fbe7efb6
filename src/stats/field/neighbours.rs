//! The neighbour form: each row given the nearest of those before it.

use rustc_hash::FxHashMap;

use super::{Columns, Gram, SpatialForm, check_parameters};
use crate::stats::dense::{Mat, MatRef, product_transposed};
use crate::stats::{Kernel, StatsError, check};

/// A field with any kernel, its likelihood approximated by conditioning each row on its nearest predecessors: Vecchia 1988,
/// J. R. Stat. Soc. B 50:297–312; Datta et al. 2016, J. Am. Stat. Assoc. 111:800–812. With as many neighbours as rows it is
/// exact. Rows are taken in the order of the axis of greater extent. Rows whose neighbours lie alike share one solution, so
/// that even spacing and equal weights make it fast.
#[derive(Debug, Clone)]
pub struct NeighbourField {
    columns: Columns,
    kernel: Kernel,
    /// Rows in their order.
    order: Vec<usize>,
    /// Neighbours (rows) of each row in the order.
    neighbours: Vec<Vec<usize>>,
    /// Setting of each row in the order.
    setting: Vec<usize>,
    settings: Vec<Setting>,
}

/// A row and its neighbours, up to a shift.
#[derive(Debug, Clone)]
struct Setting {
    /// Distances of the row to its neighbours.
    to_row: Vec<f64>,
    /// Distances between the neighbours, lower triangle row by row without the diagonal.
    between: Vec<f64>,
    /// `1/w` of the neighbours, then of the row.
    inverse_weights: Vec<f64>,
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
        let mut field =
            Self { columns, kernel, order, neighbours: Vec::new(), setting: Vec::new(), settings: Vec::new() };
        let mut known: FxHashMap<Vec<i64>, usize> = FxHashMap::default();
        for index in 0..n {
            let row = field.order[index];
            let nearest = nearest_before(&field.order, index, &lead, &follow, count);
            let grid = |value: f64| (value / tolerance).round() as i64;
            let mut key = Vec::with_capacity(3 * nearest.len() + 1);
            for &other in &nearest {
                key.extend([grid(lead[other] - lead[row]), grid(follow[other] - follow[row])]);
                key.push(field.columns.inverse_weights[other].to_bits().cast_signed());
            }
            key.push(field.columns.inverse_weights[row].to_bits().cast_signed());
            let distance = |a: usize, b: usize| (lead[a] - lead[b]).hypot(follow[a] - follow[b]);
            let next = field.settings.len();
            let setting = *known.entry(key).or_insert(next);
            if setting == next {
                field.settings.push(Setting {
                    to_row: nearest.iter().map(|&other| distance(row, other)).collect(),
                    between: (0..nearest.len())
                        .flat_map(|i| (0..i).map(move |j| (i, j)))
                        .map(|(i, j)| distance(nearest[i], nearest[j]))
                        .collect(),
                    inverse_weights: nearest
                        .iter()
                        .chain(std::iter::once(&row))
                        .map(|&each| field.columns.inverse_weights[each])
                        .collect(),
                });
            }
            field.setting.push(setting);
            field.neighbours.push(nearest);
        }
        Ok(field)
    }

    /// Number of different settings; one small system is solved for each.
    pub fn settings(&self) -> usize {
        self.settings.len()
    }
}

impl SpatialForm for NeighbourField {
    fn columns(&self) -> &Columns {
        &self.columns
    }

    fn gram(&self, range: f64, nugget: f64) -> Result<Gram, StatsError> {
        check_parameters(range, nugget)?;
        let (n, width) = (self.columns.rows(), self.columns.width());
        let solved = self
            .settings
            .iter()
            .map(|setting| {
                setting
                    .solve(self.kernel, range, nugget)
                    .ok_or(StatsError::NotPositiveDefinite { what: "the covariance of neighbouring rows" })
            })
            .collect::<Result<Vec<_>, _>>()?;
        let random = self.columns.random;
        let dense = width - random; // the design and the response; the random effect is nearly all zeros
        let mut rows = vec![0.0; n * dense]; // row by row
        for i in 0..n {
            for j in 0..dense {
                rows[i * dense + j] = self.columns.matrix[(i, random + j)];
            }
        }
        let mut whitened = vec![0.0; n * dense];
        let mut products = Mat::<f64>::zeros(width, width);
        let mut touched: Vec<(usize, f64)> = Vec::new(); // levels in the row, with their whitened value
        let mut ln_determinant = 0.0;
        for (index, &row) in self.order.iter().enumerate() {
            let (weights, variance) = &solved[self.setting[index]];
            ln_determinant += variance.ln();
            let target = &mut whitened[index * dense..(index + 1) * dense];
            target.copy_from_slice(&rows[row * dense..(row + 1) * dense]);
            let neighbours = &self.neighbours[index];
            for (&other, weight) in neighbours.iter().zip(weights) {
                for (value, known) in target.iter_mut().zip(&rows[other * dense..(other + 1) * dense]) {
                    *value -= weight * known;
                }
            }
            let scale = 1.0 / variance.sqrt();
            for value in target.iter_mut() {
                *value *= scale;
            }
            if random == 0 {
                continue;
            }
            touched.clear();
            touched.push((self.columns.level[row], scale));
            for (&other, weight) in neighbours.iter().zip(weights) {
                let level = self.columns.level[other];
                match touched.iter_mut().find(|known| known.0 == level) {
                    Some(known) => known.1 -= weight * scale,
                    None => touched.push((level, -weight * scale)),
                }
            }
            for (k, &(level, value)) in touched.iter().enumerate() {
                for &(other, also) in &touched[..=k] {
                    // the lower triangle
                    products[(level.max(other), level.min(other))] += value * also;
                }
                for (j, known) in target.iter().enumerate() {
                    products[(random + j, level)] += value * known;
                }
            }
        }
        let whitened = MatRef::from_column_major_slice(&whitened, dense, n);
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
        Ok(Gram { ln_determinant, products, rows: n, random, fixed: self.columns.fixed })
    }
}

impl Setting {
    /// Weights of the neighbours and the variance left.
    fn solve(&self, kernel: Kernel, range: f64, nugget: f64) -> Option<(Vec<f64>, f64)> {
        let m = self.to_row.len();
        let sill = 1.0 - nugget;
        let own = |i: usize| sill + nugget * self.inverse_weights[i];
        // Cholesky factor of the neighbours' covariance bordered by the row, row by row
        let mut factor = Mat::<f64>::zeros(m + 1, m + 1);
        for i in 0..=m {
            for j in 0..=i {
                let value = if i == j {
                    own(i)
                } else {
                    let distance = if i == m { self.to_row[j] } else { self.between[i * (i - 1) / 2 + j] };
                    sill * kernel.correlation(distance / range)
                };
                let sum: f64 = (0..j).map(|k| factor[(k, i)] * factor[(k, j)]).sum();
                // stored turned, so that the inner loop runs along columns
                factor[(j, i)] = if i == j {
                    let pivot = value - sum;
                    if !(pivot.is_finite() && pivot > 1e-14) {
                        return None;
                    }
                    pivot.sqrt()
                } else {
                    (value - sum) / factor[(j, j)]
                };
            }
        }
        let mut weights = vec![0.0; m];
        for j in (0..m).rev() {
            let sum: f64 = (j + 1..m).map(|k| factor[(j, k)] * weights[k]).sum();
            weights[j] = (factor[(j, m)] - sum) / factor[(j, j)];
        }
        Some((weights, factor[(m, m)] * factor[(m, m)]))
    }
}

/// The nearest rows among those before `index` in the order, the nearest first.
fn nearest_before(order: &[usize], index: usize, lead: &[f64], follow: &[f64], count: usize) -> Vec<usize> {
    let row = order[index];
    let mut found: Vec<(f64, usize)> = Vec::with_capacity(count + 1);
    for &other in order[..index].iter().rev() {
        let ahead = lead[row] - lead[other];
        if found.len() == count && found.last().is_some_and(|worst| ahead * ahead > worst.0) {
            break; // all others lie farther back
        }
        let squared = ahead * ahead + (follow[row] - follow[other]).powi(2);
        if found.len() < count || found.last().is_some_and(|worst| squared < worst.0) {
            let at = found.partition_point(|each| each.0 <= squared);
            found.insert(at, (squared, other));
            found.truncate(count);
        }
    }
    found.into_iter().map(|(_, other)| other).collect()
}

#[cfg(test)]
mod tests {
    use super::super::DenseField;
    use super::super::gram::tests::{assert_same, example};
    use super::*;
    use crate::stats::mixed::Estimation;

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
        for kernel in [Kernel::Exponential, Kernel::Matern32, Kernel::Spherical] {
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
        assert!(near.settings() < 150, "{}", near.settings());
        let dense = DenseField::new(columns, Kernel::Exponential, positions.as_ref()).unwrap();
        for (range, nugget) in [(90.0, 0.1), (90.0, 0.4)] {
            let of = |form: &dyn SpatialForm| {
                form.gram(range, nugget).unwrap().profile(0.0, Estimation::Restricted).unwrap()
            };
            let (a, b) = (of(&near), of(&dense));
            assert!((a.log_likelihood - b.log_likelihood).abs() < 2.0, "{} {}", a.log_likelihood, b.log_likelihood);
            let (se_near, se_dense) = (a.contrast(&[0.0, 1.0]).unwrap().1, b.contrast(&[0.0, 1.0]).unwrap().1);
            assert!((se_near / se_dense - 1.0).abs() < 0.02, "{se_near} {se_dense}");
        }
    }

    #[test]
    fn bad_settings_are_refused() {
        let positions = grid(6, 0.0);
        assert!(NeighbourField::new(example(6, false), Kernel::Exponential, positions.as_ref(), 0, 0.1).is_err());
        assert!(NeighbourField::new(example(6, false), Kernel::Exponential, positions.as_ref(), 3, 0.0).is_err());
        assert!(NeighbourField::new(example(7, false), Kernel::Exponential, positions.as_ref(), 3, 0.1).is_err());
    }
}
