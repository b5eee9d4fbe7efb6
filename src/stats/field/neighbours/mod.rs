//! The neighbour form: each row given the nearest of those before it.

mod graph;
mod settings;
mod whiten;

use std::sync::Arc;

use super::{Columns, Gram, Lists, SpatialForm, check_parameters};
use crate::stats::dense::{Mat, MatRef};
use crate::stats::{Kernel, StatsError, check};
use graph::{Graph, Levels, Places, RowsBefore};
use settings::{Finder, Settings, Solved};
use whiten::{Solutions, gram};

/// A field with any kernel, its likelihood approximated by conditioning each row on its nearest predecessors: Vecchia 1988,
/// J. R. Stat. Soc. B 50:297–312; Datta et al. 2016, J. Am. Stat. Assoc. 111:800–812. With as many neighbours as rows it is
/// exact. Rows are taken in the order of the axis of greater extent. Rows whose neighbours lie alike share one solution, so
/// that even spacing and equal weights make it fast.
#[derive(Debug, Clone)]
pub struct NeighbourField {
    columns: Columns,
    kernel: Kernel,
    places: Places,
    /// Most neighbours of a row.
    count: usize,
    graph: Graph,
    settings: Settings,
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
        let places = Places { lead, follow, tolerance };
        let order = places.order();
        let mut before = RowsBefore::new(&places);
        let mut neighbours = Lists::default();
        for (index, &row) in order.iter().enumerate() {
            neighbours.push(before.nearest(row, count));
            before.push(index as u32, row);
        }
        Ok(Self::with_neighbours(columns, kernel, places, count, (order, neighbours)))
    }

    /// The same field with fewer neighbours: the nearest of those it has.
    #[must_use]
    pub fn with_nearest(&self, count: usize) -> Self {
        let Graph { order, neighbours, .. } = &self.graph;
        let count = count.max(1);
        let mut nearest = Lists::default();
        for all in neighbours.iter() {
            nearest.push(all.iter().copied().take(count));
        }
        Self::with_neighbours(self.columns.clone(), self.kernel, self.places.clone(), count, (order.clone(), nearest))
    }

    /// Finds the settings of rows whose neighbours are known.
    fn with_neighbours(
        columns: Columns,
        kernel: Kernel,
        places: Places,
        count: usize,
        (order, neighbours): (Vec<u32>, Lists<u32>),
    ) -> Self {
        let mut finder = Finder::new(&places, &columns.inverse_weights);
        let setting =
            order.iter().enumerate().map(|(index, &row)| finder.setting(row, neighbours.get(index))).collect();
        let settings = finder.settings();
        let levels = Levels::new(&columns, &order, &neighbours);
        Self { columns, kernel, places, count, graph: Graph { order, neighbours, setting, levels }, settings }
    }

    fn solve(&self, range: f64, nugget: f64) -> Result<Solved, StatsError> {
        check_parameters(range, nugget)?;
        self.settings.solve(self.kernel, range, nugget)
    }
}

impl SpatialForm for NeighbourField {
    fn columns(&self) -> &Columns {
        &self.columns
    }

    fn gram(&self, range: f64, nugget: f64) -> Result<Gram, StatsError> {
        Ok(gram(&self.graph, &self.graph.levels, Solutions::of(&self.solve(range, nugget)?), &self.columns))
    }
}

/// A field under a covariance that is known: asked with several designs, it is solved once.
#[derive(Debug)]
pub struct SolvedField {
    field: Arc<NeighbourField>,
    range: f64,
    nugget: f64,
    solved: Solved,
}

impl SolvedField {
    /// # Errors
    /// Parameters out of range, or a covariance that cannot be factored.
    pub fn new(field: Arc<NeighbourField>, range: f64, nugget: f64) -> Result<Self, StatsError> {
        let solved = field.solve(range, nugget)?;
        Ok(Self { field, range, nugget, solved })
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
        let columns = self.field.columns.with_design(x)?;
        Ok(gram(&self.field.graph, &self.field.graph.levels, Solutions::of(&self.solved), &columns))
    }

    /// With columns more behind the fixed effects, which may repeat them: by row those that are not 0, with their values.
    ///
    /// # Errors
    /// A basis of the wrong length.
    pub fn gram_with(&self, basis: &Lists<(u32, f64)>, count: usize) -> Result<Gram, StatsError> {
        let NeighbourField { columns, graph, .. } = self.field.as_ref();
        let (random, fixed) = (columns.random, columns.fixed);
        let columns = columns.with_basis(basis, count)?;
        let levels = Levels::new(&columns, &graph.order, &graph.neighbours);
        let found = gram(graph, &levels, Solutions::of(&self.solved), &columns);
        // where `[Z | X | B | y]` stand in `[Z | B | X | y]`
        let last = random + count + fixed;
        let from: Vec<usize> =
            (0..random).chain(random + count..last).chain(random..random + count).chain([last]).collect();
        let products = Mat::from_fn(from.len(), from.len(), |i, j| found.products[(from[i], from[j])]);
        Ok(Gram { products, random, fixed: fixed + count, ..found })
    }

    /// With the rows that are kept, and fixed effects `x` over them: as a field of these rows alone, but that only rows which had a
    /// neighbour among the others are given new ones and solved anew.
    ///
    /// # Errors
    /// As [`SolvedField::new`] and [`SolvedField::gram`].
    pub fn gram_of_kept(&self, is_kept: &[bool], x: MatRef<'_, f64>) -> Result<Gram, StatsError> {
        let NeighbourField { columns, kernel, places, count, graph, settings } = self.field.as_ref();
        check::length("rows that are kept or not", is_kept.len(), columns.rows())?;
        let columns = columns.of_kept(is_kept).with_design(x)?;
        let numbered = |next: &mut u32, is_kept: &bool| Some(std::mem::replace(next, *next + u32::from(*is_kept)));
        let numbers: Vec<u32> = is_kept.iter().scan(0, numbered).collect();
        let mut before = RowsBefore::new(places);
        let mut finder = Finder::new(places, &self.field.columns.inverse_weights);
        let (mut order, mut neighbours, mut setting) = (Vec::new(), Lists::default(), Vec::new());
        let mut found = Vec::new();
        for (index, &row) in graph.order.iter().enumerate().filter(|(_, row)| is_kept[**row as usize]) {
            let known = graph.neighbours.get(index);
            if known.iter().all(|&other| is_kept[other as usize]) {
                found.splice(.., known.iter().copied());
                setting.push(graph.setting[index]);
            } else {
                found.splice(.., before.nearest(row, *count));
                setting.push(settings.count as u32 + finder.setting(row, &found));
            }
            before.push(index as u32, row);
            order.push(numbers[row as usize]);
            neighbours.push(found.iter().map(|&other| numbers[other as usize]));
        }
        let own = finder.settings().solve(*kernel, self.range, self.nugget)?;
        let levels = Levels::new(&columns, &order, &neighbours);
        let graph = Graph { order, neighbours, setting, levels };
        Ok(gram(
            &graph,
            &graph.levels,
            Solutions { shared: &self.solved, count: settings.count, own: Some(&own) },
            &columns,
        ))
    }

    /// Number of fixed effects.
    pub fn fixed_effects(&self) -> usize {
        self.field.columns.fixed_effects()
    }
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
        assert!(near.settings.count < 150, "{}", near.settings.count);
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

    /// All earlier rows by distance, later ones first among equals.
    fn nearest_of_all(places: &Mat<f64>, order: &[u32], index: usize, count: usize) -> Vec<u32> {
        let apart = |a: u32, b: u32| {
            let part = |axis: usize| (places[(a as usize, axis)] - places[(b as usize, axis)]).powi(2);
            (part(0), part(1))
        };
        let row = order[index];
        let mut all: Vec<(usize, u32)> = order[..index].iter().copied().enumerate().collect();
        all.sort_by(|a, b| {
            // in the order of the leading axis first, as the field sums them
            let squared = |other: u32| apart(row, other).1 + apart(row, other).0;
            squared(a.1).total_cmp(&squared(b.1)).then(b.0.cmp(&a.0))
        });
        all.into_iter().take(count).map(|(_, other)| other).collect()
    }

    #[test]
    fn neighbours_are_the_nearest_of_all_rows_before() {
        for jitter in [0.0, 0.7, 6.0] {
            // 10 across, 30 along: the second axis leads
            let positions = grid(300, jitter);
            let field =
                NeighbourField::new(example(300, true), Kernel::Exponential, positions.as_ref(), 12, 0.01).unwrap();
            let order = &field.graph.order;
            for index in 0..order.len() {
                let expected = nearest_of_all(&positions, order, index, 12);
                assert_eq!(field.graph.neighbours.get(index), expected, "row {index} of the order, jitter {jitter}");
            }
        }
    }

    #[test]
    fn kept_rows_are_as_a_field_of_their_own() {
        for jitter in [0.0, 2.0] {
            let (n, positions) = (200, grid(200, jitter));
            let columns = example(n, true);
            let field = NeighbourField::new(columns.clone(), Kernel::Matern32, positions.as_ref(), 12, 1e-6).unwrap();
            let solved = SolvedField::new(Arc::new(field), 60.0, 0.2).unwrap();
            // without two lines in the middle
            let is_kept: Vec<bool> = (0..n).map(|row| !(3..5).contains(&(row % 10))).collect();
            let kept: Vec<usize> = (0..n).filter(|&row| is_kept[row]).collect();
            let of_kept = columns.of_kept(&is_kept);
            let first = of_kept.random;
            let x = Mat::from_fn(kept.len(), of_kept.fixed, |i, j| of_kept.value(i, first + j));
            let places = Mat::from_fn(kept.len(), 2, |i, j| positions[(kept[i], j)]);
            let alone = NeighbourField::new(of_kept, Kernel::Matern32, places.as_ref(), 12, 1e-6).unwrap();
            let found = solved.gram_of_kept(&is_kept, x.as_ref()).unwrap();
            assert_same(&found, &alone.gram(60.0, 0.2).unwrap(), 1e-9);
            // and with all rows kept, the field itself
            let x = Mat::from_fn(n, columns.fixed, |i, j| columns.value(i, columns.random + j));
            let whole = solved.gram_of_kept(&vec![true; n], x.as_ref()).unwrap();
            assert_same(&whole, &solved.gram(x.as_ref()).unwrap(), 1e-14);
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
