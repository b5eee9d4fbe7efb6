//! Estimates in nested groups that are crossed with one factor of few levels; every standard deviation averaged over.
//!
//! `y = Xβ + t + f + g + u + v + e`: `t` the crossed factor ([`Part::Cross`]), `f` the outer group, `g` the inner group within
//! it, `u` the leaf within that, `v` the row itself, `e` the sampling error, whose variance is known and of which the rows of
//! one leaf may share a part. β has a flat prior, each standard deviation a half-normal one. Given the standard deviations
//! everything is normal, so what is reported is a mixture over them (Röver 2020, J. Stat. Softw. 93(6), does the same with one
//! standard deviation); none is ever plugged in. A part that the layout cannot tell from another keeps its prior instead of
//! being dropped.
//!
//! The nested parts are eliminated one by one as rank-one changes, the crossed factor last: the cost of one likelihood is
//! that of reading the rows once, and its memory does not grow with them (Harville 1977, J. Am. Stat. Assoc. 72:320–338, on the
//! likelihood; Henderson 1984, Applications of Linear Models in Animal Breeding, on absorbing effects, from memory).

mod posterior;
mod sweep;

pub use posterior::{CrossedPosterior, GroupAnswer, Peak};

use super::{StatsError, check};

/// A source of variation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Between levels of the crossed factor.
    Cross,
    /// Between outer groups.
    Outer,
    /// Between inner groups of one outer group.
    Inner,
    /// Between leaves of one inner group.
    Leaf,
    /// Between rows of one leaf.
    Unit,
    /// Of the slope over the rows' values between leaves.
    Slope,
    /// Of one observation, where the variances of the rows are multiples of it.
    Within,
}

impl Part {
    /// Every part.
    pub const ALL: [Self; PARTS] =
        [Self::Cross, Self::Outer, Self::Inner, Self::Leaf, Self::Unit, Self::Slope, Self::Within];
}

/// How many parts there are.
pub const PARTS: usize = 7;

/// One value a part, in the order of [`Part::ALL`]: standard deviations, in the unit of the estimates.
pub type Deviations = [f64; PARTS];

/// An estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossedRow {
    /// Its value.
    pub y: f64,
    /// Its sampling variance without the part that its leaf shares; with [`Part::Within`] a multiple of that variance.
    pub variance: f64,
    /// Its leaf.
    pub leaf: usize,
    /// What its leaf's slope is multiplied with.
    pub slope: f64,
    /// Its entries in the design that are not 0: column, value; columns rising.
    pub x: Vec<(usize, f64)>,
}

/// What rows are estimates of, in one group and one level of the crossed factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrossedLeaf {
    /// The outer group.
    pub outer: usize,
    /// The inner group, numbered within the outer one or over all.
    pub inner: usize,
    /// The level of the crossed factor.
    pub cross: usize,
    /// Covariance of the sampling errors of its rows.
    pub shared: f64,
}

/// Deviations of observations from the means that the rows are: they tell of [`Part::Within`].
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Scatter {
    /// Sum of squares.
    pub squares: f64,
    /// Degrees of freedom.
    pub df: f64,
}

/// The estimates, laid out for elimination.
#[derive(Debug, Clone)]
pub struct Crossed {
    /// Columns of the design, levels of the crossed factor.
    columns: usize,
    levels: usize,
    scatter: Scatter,
    /// Entries of all rows, `y` the last of each.
    entries: Vec<Entry>,
    rows: Vec<Row>,
    /// Columns of the leaves, one after the other.
    leaf_columns: Vec<LeafColumn>,
    leaves: Vec<Leaf>,
    /// Columns of the inner groups, one after the other.
    inner_columns: Vec<usize>,
    inners: Vec<Inner>,
    outers: Vec<Outer>,
}

/// What is known at given deviations.
#[derive(Debug, Clone)]
pub struct AtDeviations {
    /// The logarithm of the restricted likelihood, without `−½ (n − p) ln 2π + ½ ln det X′X`.
    pub height: f64,
    /// The coefficients.
    pub coefficients: Vec<f64>,
    /// `(X′V⁻¹X)⁻¹`.
    pub covariance: super::dense::Mat<f64>,
}

#[derive(Debug, Clone, Copy)]
struct Entry {
    column: usize,
    /// Place among the columns of the leaf.
    local: usize,
    value: f64,
}

#[derive(Debug, Clone)]
struct Row {
    /// Place in the order in which the rows were given.
    given: usize,
    entries: std::ops::Range<usize>,
    y: f64,
    variance: f64,
    slope: f64,
}

#[derive(Debug, Clone, Copy)]
struct LeafColumn {
    column: usize,
    /// Place among the columns of the inner group.
    inner: usize,
}

#[derive(Debug, Clone)]
struct Leaf {
    rows: std::ops::Range<usize>,
    columns: std::ops::Range<usize>,
    cross: usize,
    /// Place of the crossed factor's level among the columns of the inner group.
    cross_inner: usize,
    shared: f64,
}

#[derive(Debug, Clone)]
struct Inner {
    leaves: std::ops::Range<usize>,
    columns: std::ops::Range<usize>,
    /// As given.
    key: (usize, usize),
}

#[derive(Debug, Clone)]
struct Outer {
    inners: std::ops::Range<usize>,
}

impl Crossed {
    /// From rows, the leaves that they name, and the number of columns of the design.
    ///
    /// # Errors
    /// No rows; values that are not finite; variances not above 0; a leaf or column out of range; collinear columns.
    pub fn new(
        rows: &[CrossedRow],
        leaves: &[CrossedLeaf],
        columns: usize,
        scatter: Scatter,
    ) -> Result<Self, StatsError> {
        let y: Vec<f64> = rows.iter().map(|row| row.y).collect();
        check::sample("estimates", &y, 1)?;
        check::positive("variances", &rows.iter().map(|row| row.variance).collect::<Vec<_>>())?;
        check::finite("slopes", &rows.iter().map(|row| row.slope).collect::<Vec<_>>())?;
        check::finite("design", &rows.iter().flat_map(|row| row.x.iter().map(|entry| entry.1)).collect::<Vec<_>>())?;
        if rows.iter().any(|row| row.leaf >= leaves.len()) {
            return Err(StatsError::TooFew { what: "leaves", found: leaves.len(), needed: leaves.len() + 1 });
        }
        let mut levels: Vec<usize> = rows.iter().map(|row| leaves[row.leaf].cross).collect();
        levels.sort_unstable();
        levels.dedup();
        let mut order: Vec<usize> = (0..rows.len()).collect();
        order.sort_by_key(|&at| {
            let leaf = &leaves[rows[at].leaf];
            (leaf.outer, leaf.inner, rows[at].leaf, at)
        });
        let mut laid = Self {
            columns,
            levels: levels.len(),
            scatter,
            entries: Vec::new(),
            rows: Vec::new(),
            leaf_columns: Vec::new(),
            leaves: Vec::new(),
            inner_columns: Vec::new(),
            inners: Vec::new(),
            outers: Vec::new(),
        };
        for of_outer in order.chunk_by(|&a, &b| leaves[rows[a].leaf].outer == leaves[rows[b].leaf].outer) {
            let first = laid.inners.len();
            for of_inner in of_outer.chunk_by(|&a, &b| leaves[rows[a].leaf].inner == leaves[rows[b].leaf].inner) {
                laid.add_inner(of_inner, rows, leaves, &levels);
            }
            laid.outers.push(Outer { inners: first..laid.inners.len() });
        }
        let any = [1.0; PARTS];
        laid.sweep(&any, None).map(|_| laid).ok_or(StatsError::NotPositiveDefinite { what: "the design of the rows" })
    }

    fn add_inner(&mut self, of_inner: &[usize], rows: &[CrossedRow], leaves: &[CrossedLeaf], levels: &[usize]) {
        let (y_column, first_leaf, first_column) = (self.columns, self.leaves.len(), self.inner_columns.len());
        let cross_column = |leaf: usize| y_column + 1 + levels.partition_point(|level| *level < leaves[leaf].cross);
        let mut all: Vec<usize> = of_inner
            .iter()
            .flat_map(|&at| rows[at].x.iter().map(|entry| entry.0).chain([y_column, cross_column(rows[at].leaf)]))
            .collect();
        all.sort_unstable();
        all.dedup();
        for of_leaf in of_inner.chunk_by(|&a, &b| rows[a].leaf == rows[b].leaf) {
            let leaf = rows[of_leaf[0]].leaf;
            let mut own: Vec<usize> =
                of_leaf.iter().flat_map(|&at| rows[at].x.iter().map(|entry| entry.0)).chain([y_column]).collect();
            own.sort_unstable();
            own.dedup();
            let (first_row, first) = (self.rows.len(), self.leaf_columns.len());
            for &at in of_leaf {
                let row = &rows[at];
                let begin = self.entries.len();
                self.entries.extend(row.x.iter().copied().chain([(y_column, row.y)]).map(|(column, value)| Entry {
                    column,
                    local: own.partition_point(|other| *other < column),
                    value,
                }));
                self.rows.push(Row {
                    given: at,
                    entries: begin..self.entries.len(),
                    y: row.y,
                    variance: row.variance,
                    slope: row.slope,
                });
            }
            let inner = |column: usize| all.partition_point(|other| *other < column);
            self.leaf_columns.extend(own.iter().map(|&column| LeafColumn { column, inner: inner(column) }));
            self.leaves.push(Leaf {
                rows: first_row..self.rows.len(),
                columns: first..self.leaf_columns.len(),
                cross: cross_column(leaf),
                cross_inner: inner(cross_column(leaf)),
                shared: leaves[leaf].shared,
            });
        }
        let leaf = &leaves[rows[of_inner[0]].leaf];
        self.inner_columns.extend(all);
        self.inners.push(Inner {
            leaves: first_leaf..self.leaves.len(),
            columns: first_column..self.inner_columns.len(),
            key: (leaf.outer, leaf.inner),
        });
    }

    /// What is known at given deviations; `None` where a value overflows.
    pub fn at(&self, deviations: &Deviations) -> Option<AtDeviations> {
        let swept = self.sweep(deviations, None)?;
        Some(AtDeviations { height: swept.height, coefficients: swept.beta, covariance: swept.covariance })
    }

    /// Number of estimates.
    pub fn count(&self) -> usize {
        self.rows.len()
    }

    /// Number of coefficients.
    pub fn coefficients(&self) -> usize {
        self.columns
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::dense::{Cholesky, Mat, column, product, product_transposed};
    use crate::stats::distribution::Mixture;

    /// Two outer groups, five inner, nine leaves over three levels, one to three rows a leaf; two columns.
    fn small(with_slope: bool) -> (Vec<CrossedRow>, Vec<CrossedLeaf>) {
        let leaves: Vec<CrossedLeaf> =
            [(0, 0, 0), (0, 0, 1), (0, 1, 0), (0, 1, 2), (1, 2, 1), (1, 3, 1), (1, 3, 2), (1, 4, 0), (1, 4, 2)]
                .into_iter()
                .enumerate()
                .map(|(at, (outer, inner, cross))| CrossedLeaf { outer, inner, cross, shared: 0.1 * (at % 3) as f64 })
                .collect();
        let mut rows = Vec::new();
        for leaf in [3, 0, 1, 2, 4, 5, 6, 7, 8] {
            for unit in 0..=leaf % 3 {
                let at = rows.len() as f64;
                rows.push(CrossedRow {
                    y: (7.0 * at + 3.0 * leaf as f64).sin() * 3.0 + 2.0,
                    variance: 0.4 + 0.1 * (at % 4.0),
                    leaf,
                    slope: if with_slope { unit as f64 - 0.7 } else { 0.0 },
                    x: if unit == 0 { vec![(0, 1.0)] } else { vec![(0, 1.0), (1, at.cos())] },
                });
            }
        }
        (rows, leaves)
    }

    /// The covariance of the rows, and that of the first two groups' effects with them, written out.
    fn dense(rows: &[CrossedRow], leaves: &[CrossedLeaf], sd: &Deviations) -> Mat<f64> {
        let square = |part: Part| sd[part as usize].powi(2);
        Mat::from_fn(rows.len(), rows.len(), |i, j| {
            let (a, b) = (leaves[rows[i].leaf], leaves[rows[j].leaf]);
            let same = |yes: bool, value: f64| if yes { value } else { 0.0 };
            let leaf = rows[i].leaf == rows[j].leaf;
            same(a.cross == b.cross, square(Part::Cross))
                + same(a.outer == b.outer, square(Part::Outer))
                + same((a.outer, a.inner) == (b.outer, b.inner), square(Part::Inner))
                + same(leaf, a.shared + square(Part::Leaf) + square(Part::Slope) * rows[i].slope * rows[j].slope)
                + same(i == j, rows[i].variance + square(Part::Unit))
        })
    }

    const SD: Deviations = [0.7, 0.5, 0.9, 0.4, 0.6, 0.8, 0.0];

    fn design(rows: &[CrossedRow]) -> Mat<f64> {
        Mat::from_fn(rows.len(), 2, |i, j| rows[i].x.iter().find(|one| one.0 == j).map_or(0.0, |one| one.1))
    }

    #[test]
    fn the_likelihood_is_that_of_the_whole_covariance() {
        let (rows, leaves) = small(true);
        let laid = Crossed::new(&rows, &leaves, 2, Scatter::default()).unwrap();
        let swept = laid.sweep(&SD, None).unwrap();
        let factor = Cholesky::of_owned(dense(&rows, &leaves, &SD)).unwrap();
        let x = design(&rows);
        let y = column(&rows.iter().map(|row| row.y).collect::<Vec<_>>());
        let (vx, vy) = (factor.solve(x.as_ref()), factor.solve(y.as_ref()));
        let information = Cholesky::of_owned(product_transposed(x.as_ref(), vx.as_ref())).unwrap();
        let beta = information.solve(product_transposed(x.as_ref(), vy.as_ref()).as_ref());
        let rest = Mat::from_fn(rows.len(), 1, |i, _| y[(i, 0)] - x[(i, 0)] * beta[(0, 0)] - x[(i, 1)] * beta[(1, 0)]);
        let quadratic = product_transposed(rest.as_ref(), factor.solve(rest.as_ref()).as_ref())[(0, 0)];
        let height = -0.5 * (factor.ln_determinant() + information.ln_determinant() + quadratic);
        assert!((swept.height - height).abs() < 1e-10, "{} {height}", swept.height);
        for j in 0..2 {
            assert!((swept.beta[j] - beta[(j, 0)]).abs() < 1e-11);
            assert!((swept.covariance[(j, 0)] - information.inverse()[(j, 0)]).abs() < 1e-12);
        }
    }

    #[test]
    fn solutions_and_groups_are_those_of_the_whole_covariance() {
        let (rows, leaves) = small(false);
        let laid = Crossed::new(&rows, &leaves, 2, Scatter::default()).unwrap();
        let mut sd = SD;
        sd[Part::Slope as usize] = 0.0;
        let swept = laid.sweep(&sd, None).unwrap();
        let factor = Cholesky::of_owned(dense(&rows, &leaves, &sd)).unwrap();
        let y = column(&rows.iter().map(|row| row.y).collect::<Vec<_>>());
        let given: Vec<f64> = laid.rows.iter().map(|row| row.y).collect();
        let expected = factor.solve(y.as_ref());
        for (row, value) in laid.rows.iter().zip(laid.solve(&sd, &swept, &given)) {
            assert!((value - expected[(row.given, 0)]).abs() < 1e-11);
        }
        let (x, c) = (design(&rows), [1.0, 0.3]);
        let rest =
            Mat::from_fn(rows.len(), 1, |i, _| y[(i, 0)] - x[(i, 0)] * swept.beta[0] - x[(i, 1)] * swept.beta[1]);
        for (inner, (mean, variance)) in laid.inners.iter().zip(laid.of_groups(&sd, &c).unwrap()) {
            let k = Mat::from_fn(rows.len(), 1, |i, _| {
                let leaf = leaves[rows[i].leaf];
                let outer = if leaf.outer == inner.key.0 { 0.25 } else { 0.0 };
                outer + if (leaf.outer, leaf.inner) == inner.key { 0.81 } else { 0.0 }
            });
            let turned = factor.solve(k.as_ref());
            let pull = product_transposed(turned.as_ref(), rest.as_ref())[(0, 0)];
            assert!((mean - (dot2(&c, &swept.beta) + pull)).abs() < 1e-11);
            let along = product_transposed(x.as_ref(), turned.as_ref());
            let d = Mat::from_fn(2, 1, |i, _| c[i] - along[(i, 0)]);
            let spread =
                product_transposed(d.as_ref(), product(swept.covariance.as_ref(), d.as_ref()).as_ref())[(0, 0)];
            let explained = product_transposed(k.as_ref(), turned.as_ref())[(0, 0)];
            assert!((variance - (0.25 + 0.81 - explained + spread)).abs() < 1e-11);
        }
    }

    fn dot2(a: &[f64], b: &[f64]) -> f64 {
        a[0] * b[0] + a[1] * b[1]
    }

    fn one_mean(y: &[f64], v: &[f64], of: impl Fn(usize) -> CrossedLeaf) -> Crossed {
        let row = |at: usize| CrossedRow { y: y[at], variance: v[at], leaf: at, slope: 0.0, x: vec![(0, 1.0)] };
        let (rows, leaves): (Vec<_>, Vec<_>) = (0..y.len()).map(|at| (row(at), of(at))).unzip();
        Crossed::new(&rows, &leaves, 1, Scatter::default()).unwrap()
    }

    /// Levels of one: nothing tells the crossed factor, so a new level brings the whole prior, and the mean as well.
    #[test]
    fn what_the_layout_does_not_tell_keeps_its_prior() {
        let laid =
            one_mean(&[1.0, 2.0, 4.0], &[0.5; 3], |at| CrossedLeaf { outer: 0, inner: at, cross: 0, shared: 0.0 });
        let mut scales = [None; PARTS];
        (scales[Part::Cross as usize], scales[Part::Inner as usize], scales[Part::Leaf as usize]) =
            (Some(2.0), Some(1.0), Some(1.0));
        let posterior = CrossedPosterior::new(laid.clone(), &scales).unwrap();
        // half-normal: mean √(2/π) s, mean square s²
        let cross = Part::Cross as usize;
        assert!((posterior.mean_of(|sd| sd[cross]) / (2.0 * 0.797_885) - 1.0).abs() < 0.02);
        assert!((posterior.mean_of(|sd| sd[cross].powi(2)) / 4.0 - 1.0).abs() < 0.04);
        let variance = |mixture: Mixture| mixture.variance().unwrap();
        assert!(variance(posterior.coefficient(&[1.0]).unwrap()) > 4.0);
    }

    /// The points against a dense grid of the two deviations that vary.
    #[test]
    fn the_points_agree_with_a_grid() {
        let (y, v) = ([1.0, 2.5, 6.0, -1.0, 3.0, 2.0, 4.5, 0.0], [0.5, 0.3, 0.8, 0.5, 0.4, 0.6, 0.5, 0.3]);
        let laid = one_mean(&y, &v, |at| CrossedLeaf { outer: 0, inner: at, cross: at % 3, shared: 0.0 });
        let mut scales = [None; PARTS];
        (scales[Part::Cross as usize], scales[Part::Inner as usize]) = (Some(1.5), Some(2.0));
        let posterior = CrossedPosterior::new(laid.clone(), &scales).unwrap();
        let mut grid = Vec::new();
        for i in 0..120 {
            for j in 0..120 {
                let (cross, inner) = ((f64::from(i) + 0.5) * 0.06, (f64::from(j) + 0.5) * 0.07);
                let sd = [cross, 0.0, inner, 0.0, 0.0, 0.0, 0.0];
                let swept = laid.sweep(&sd, None).unwrap();
                let height = swept.height - 0.5 * ((cross / 1.5).powi(2) + (inner / 2.0).powi(2));
                grid.push(crate::stats::distribution::Component {
                    weight: height.exp(),
                    centre: swept.beta[0],
                    scale: (swept.covariance[(0, 0)] + cross * cross + inner * inner).sqrt(),
                    df: f64::INFINITY,
                });
            }
        }
        let exact = Mixture::new(grid).unwrap();
        let told = posterior.prediction(&[1.0], &[Part::Cross, Part::Inner]).unwrap();
        for p in [0.05, 0.25, 0.5, 0.75, 0.95] {
            let (one, other) = (told.quantile(p).unwrap(), exact.quantile(p).unwrap());
            assert!((one - other).abs() < 0.02 * exact.variance().unwrap().sqrt(), "{p}: {one} {other}");
        }
    }

    #[test]
    fn a_new_case_is_never_surer_than_the_mean() {
        let (rows, leaves) = small(false);
        let laid = Crossed::new(&rows, &leaves, 2, Scatter::default()).unwrap();
        let scales = [Some(1.0), Some(1.0), Some(1.0), Some(1.0), Some(1.0), None, None];
        let posterior = CrossedPosterior::new(laid.clone(), &scales).unwrap();
        let (mean, new) = (
            posterior.coefficient(&[1.0, 0.0]).unwrap(),
            posterior.prediction(&[1.0, 0.0], &[Part::Cross, Part::Inner, Part::Leaf]).unwrap(),
        );
        for level in [0.1, 0.5, 0.9, 0.99] {
            assert!(new.interval(level).unwrap().width() > mean.interval(level).unwrap().width());
        }
        for group in posterior.groups(&[1.0, 0.0], &[Part::Cross, Part::Leaf]).unwrap() {
            assert!(group.new_case.scale > group.mean.scale);
        }
    }

    #[test]
    fn bad_input_is_refused() {
        let (rows, leaves) = small(false);
        let fails =
            |rows: &[CrossedRow], columns: usize| Crossed::new(rows, &leaves, columns, Scatter::default()).is_err();
        assert!(fails(&[], 1));
        assert!(fails(&rows, 3)); // a column without entries
        let mut bad = rows.clone();
        bad[0].variance = 0.0;
        assert!(fails(&bad, 2));
        bad[0] = CrossedRow { y: f64::NAN, ..rows[0].clone() };
        assert!(fails(&bad, 2));
        bad[0] = CrossedRow { leaf: 99, ..rows[0].clone() };
        assert!(fails(&bad, 2));
        let laid = Crossed::new(&rows, &leaves, 2, Scatter::default()).unwrap();
        assert!(CrossedPosterior::new(laid.clone(), &[Some(0.0); PARTS]).is_err());
    }
}
