//! The cross products of the rows, each freed of what its neighbours tell of it.

use pulp::{Arch, Simd, WithSimd};

use super::super::columns::WIDE;
use super::super::{Columns, Gram};
use super::graph::{Graph, Levels};
use super::settings::Solved;
use crate::stats::dense::{Mat, MatRef, product_transposed};

/// Solutions of the settings: those that are shared with a field of more rows, then `own`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Solutions<'s> {
    pub(super) shared: &'s Solved,
    /// Number of the shared ones.
    pub(super) count: usize,
    pub(super) own: Option<&'s Solved>,
}

impl<'s> Solutions<'s> {
    pub(super) fn of(solved: &'s Solved) -> Self {
        Self { shared: solved, count: usize::MAX, own: None }
    }

    /// Weights of the neighbours, and the variance left.
    fn of_setting(&self, setting: usize) -> (&'s [f64], f64) {
        match (setting.checked_sub(self.count), self.own) {
            (Some(at), Some(own)) => own.of(at),
            _ => self.shared.of(setting),
        }
    }
}

/// `A′H⁻¹A` of the columns.
pub(super) fn gram(graph: &Graph, levels: &Levels, solutions: Solutions<'_>, columns: &Columns) -> Gram {
    let (n, width, stride) = (columns.rows(), columns.width(), columns.pieces * WIDE);
    let random = columns.random;
    let dense = width - random; // the design and the response; the random effect is nearly all zeros
    let Sums { whitened, between, across, ln_determinant } =
        Arch::new().dispatch(Whitening { graph, about: levels, solutions, columns });
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

/// The rows of a field to be whitened, with the widest registers that the processor has.
struct Whitening<'w> {
    graph: &'w Graph,
    about: &'w Levels,
    solutions: Solutions<'w>,
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
        let Self { graph, about, solutions, columns } = self;
        let (random, pieces, rows) = (columns.random, columns.pieces, columns.dense.as_slice());
        let mut sums = Sums {
            whitened: Vec::with_capacity(rows.len()),
            between: vec![0.0; random * random],
            across: vec![[0.0; WIDE]; random * pieces],
            ln_determinant: 0.0,
        };
        let mut values = Vec::new(); // whitened values of the levels about a row
        for (index, row) in graph.order.iter().map(|&row| row as usize).enumerate() {
            let (weights, variance) = solutions.of_setting(graph.setting[index] as usize);
            sums.ln_determinant += variance.ln();
            let scale = 1.0 / variance.sqrt();
            let neighbours = graph.neighbours.get(index);
            let (fours, rest) = neighbours.as_chunks::<4>();
            let (of_fours, of_rest) = weights.as_chunks::<4>();
            for piece in 0..pieces {
                let mut target = rows[row * pieces + piece];
                // four neighbours at a time, for the sake of memory traffic
                for (four, factors) in fours.iter().zip(of_fours) {
                    let [a, b, c, d] = four.map(|neighbour| &rows[neighbour as usize * pieces + piece]);
                    for lane in 0..WIDE {
                        target[lane] -= (factors[0] * a[lane] + factors[1] * b[lane])
                            + (factors[2] * c[lane] + factors[3] * d[lane]);
                    }
                }
                for (neighbour, factor) in rest.iter().zip(of_rest) {
                    let known = &rows[*neighbour as usize * pieces + piece];
                    for lane in 0..WIDE {
                        target[lane] -= factor * known[lane];
                    }
                }
                sums.whitened.push(target.map(|value| value * scale));
            }
            if random == 0 {
                continue;
            }
            let levels = about.present.get(index);
            values.clear();
            values.resize(levels.len(), 0.0);
            for (value, part) in values.iter_mut().zip(about.own.get(index)) {
                *value = *part;
            }
            for one in about.of_neighbours.get(index) {
                values[one.level as usize] -= one.part * weights[one.neighbour as usize];
            }
            let target = &sums.whitened[index * pieces..];
            for (k, level) in levels.iter().map(|&level| level as usize).enumerate() {
                let value = values[k] * scale;
                for (other, also) in levels[..=k].iter().map(|&other| other as usize).zip(&values) {
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
