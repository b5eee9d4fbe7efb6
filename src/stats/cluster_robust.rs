//! Standard errors that hold whatever the correlation within clusters: CR2.

use super::dense::{self, Cholesky, Mat, MatRef, dot, product, product_transposed};
use super::linear::least_squares;
use super::{ContrastTest, StatsError, check};

/// Eigenvalues of `I − H_ii` below this count as 0.
const NULL: f64 = 1e-10;

/// A least-squares fit with the CR2 covariance of its coefficients.
///
/// Bell & `McCaffrey` 2002, Surv. Methodol. 28:169–179; Pustejovsky & Tipton 2018, J. Bus. Econ. Stat. 36:672–683, with
/// independent errors of equal variance (after weighting) as the working model. Plain sandwich forms (CR0, CR1) are not
/// offered: with fewer than some thirty clusters they reject too often.
#[derive(Debug, Clone)]
pub struct ClusterRobust {
    coefficients: Vec<f64>,
    factor: Cholesky,
    clusters: Vec<Cluster>,
}

/// In coordinates where `X′X = I`: with `G` the rows of the cluster, `K = G′G = W Λ W′`.
#[derive(Debug, Clone)]
struct Cluster {
    vectors: Mat<f64>,
    /// Eigenvalues λ of `K` and `f = (1 − λ)^(−1/2)`, 0 where `1 − λ` vanishes.
    values: Vec<(f64, f64)>,
    /// `W′ G′ e`.
    score: Vec<f64>,
}

/// Fits `y = Xb + e` by (weighted) least squares with clusters of dependent rows; `x` has one row an observation,
/// `clusters` one label a row.
///
/// # Errors
/// As [`least_squares`], or a number of labels that is not the number of rows.
pub fn cluster_robust(
    x: MatRef<'_, f64>,
    y: &[f64],
    clusters: &[usize],
    weights: Option<&[f64]>,
) -> Result<ClusterRobust, StatsError> {
    let fit = least_squares(x, y, weights)?;
    check::length("clusters", clusters.len(), y.len())?;
    dense::sequential();
    let (n, p) = (x.nrows(), x.ncols());
    let root = |i: usize| weights.map_or(1.0, |weights| weights[i].sqrt());
    let weighted = Mat::from_fn(n, p, |i, j| root(i) * x[(i, j)]);
    let factor = Cholesky::of_owned(product_transposed(weighted.as_ref(), weighted.as_ref()))
        .ok_or(StatsError::NotPositiveDefinite { what: "the information of the coefficients" })?;
    let mut coordinates = weighted.transpose().to_owned();
    factor.whiten(coordinates.as_mut()); // column i: the row of observation i
    let mut members: std::collections::BTreeMap<usize, Vec<usize>> = std::collections::BTreeMap::new();
    for (row, &label) in clusters.iter().enumerate() {
        members.entry(label).or_default().push(row);
    }
    let clusters = members
        .values()
        .map(|rows| {
            let g = Mat::from_fn(rows.len(), p, |i, j| coordinates[(j, rows[i])]);
            let eigen = product_transposed(g.as_ref(), g.as_ref())
                .self_adjoint_eigen(faer::Side::Lower)
                .map_err(|_| StatsError::NoConvergence { what: "the eigenvalues of a cluster", iterations: 0 })?;
            let vectors = eigen.U().to_owned();
            let values = (0..p)
                .map(|k| {
                    let lambda = eigen.S()[k].clamp(0.0, 1.0);
                    (lambda, if 1.0 - lambda < NULL { 0.0 } else { (1.0 - lambda).powf(-0.5) })
                })
                .collect();
            let residuals = Mat::from_fn(rows.len(), 1, |i, _| root(rows[i]) * fit.residuals[rows[i]]);
            let score = product_transposed(product(g.as_ref(), vectors.as_ref()).as_ref(), residuals.as_ref());
            Ok(Cluster { vectors, values, score: score.col(0).iter().copied().collect() })
        })
        .collect::<Result<Vec<_>, StatsError>>()?;
    Ok(ClusterRobust { coefficients: fit.coefficients, factor, clusters })
}

impl ClusterRobust {
    /// The test of `c′b = 0` with the CR2 standard error and Satterthwaite degrees of freedom under the working model.
    ///
    /// # Errors
    /// A contrast of the wrong length, or one that the clusters leave without variance.
    pub fn test(&self, c: &[f64]) -> Result<ContrastTest, StatsError> {
        check::length("contrast", c.len(), self.coefficients.len())?;
        let mut turned = dense::column(c);
        self.factor.whiten(turned.as_mut());
        let (mut variance, mut trace) = (0.0, Vec::with_capacity(self.clusters.len()));
        let mut through = Vec::with_capacity(self.clusters.len()); // G_i′ p_i with p_i = A_i G_i c
        for cluster in &self.clusters {
            let seen = product_transposed(cluster.vectors.as_ref(), turned.as_ref());
            let seen: Vec<f64> = seen.col(0).iter().copied().collect(); // W′ c
            variance += cluster
                .values
                .iter()
                .zip(&seen)
                .zip(&cluster.score)
                .map(|(((_, f), c), score)| f * c * score)
                .sum::<f64>()
                .powi(2);
            trace.push(cluster.values.iter().zip(&seen).map(|((lambda, f), c)| lambda * f * f * c * c).sum::<f64>());
            let scaled: Vec<f64> = cluster.values.iter().zip(&seen).map(|((lambda, f), c)| lambda * f * c).collect();
            let back = product(cluster.vectors.as_ref(), dense::column(&scaled).as_ref());
            through.push(back.col(0).iter().copied().collect::<Vec<f64>>());
        }
        // p_i′ (I − H) p_j
        let entry = |i: usize, j: usize| (if i == j { trace[i] } else { 0.0 }) - dot(&through[i], &through[j]);
        let count = self.clusters.len();
        let sum: f64 = (0..count).map(|i| entry(i, i)).sum();
        let squares: f64 =
            (0..count).flat_map(|i| (0..count).map(move |j| (i, j))).map(|(i, j)| entry(i, j).powi(2)).sum();
        let size = self.coefficients.iter().fold(0.0_f64, |largest, b| largest.max(b.abs()));
        if variance.sqrt() <= 1e-13 * size || squares <= 0.0 {
            return Err(StatsError::NoVariation { what: "clusters" });
        }
        ContrastTest::new(dot(c, &self.coefficients), variance.sqrt(), sum * sum / squares)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::linear::paired_t;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// `(I − H_ii)^(−1/2)` by its eigenvalues, everything written out.
    fn by_definition(x: &Mat<f64>, y: &[f64], clusters: &[usize], c: &[f64]) -> (f64, f64) {
        let n = x.nrows();
        let m = Cholesky::new(product_transposed(x.as_ref(), x.as_ref()).as_ref()).unwrap().inverse();
        let h = product(product(x.as_ref(), m.as_ref()).as_ref(), x.transpose());
        let residual_maker = Mat::from_fn(n, n, |i, j| f64::from(u8::from(i == j)) - h[(i, j)]);
        let e = product(residual_maker.as_ref(), dense::column(y).as_ref());
        let xmc = product(product(x.as_ref(), m.as_ref()).as_ref(), dense::column(c).as_ref());
        let (mut variance, mut columns) = (0.0, Vec::new());
        for label in 0..=*clusters.iter().max().unwrap() {
            let rows: Vec<usize> = (0..n).filter(|&i| clusters[i] == label).collect();
            let own = Mat::from_fn(rows.len(), rows.len(), |i, j| residual_maker[(rows[i], rows[j])]);
            let eigen = own.self_adjoint_eigen(faer::Side::Lower).unwrap();
            let root: Vec<f64> =
                (0..rows.len()).map(|k| if eigen.S()[k] < 1e-10 { 0.0 } else { eigen.S()[k].powf(-0.5) }).collect();
            let a = Mat::from_fn(rows.len(), rows.len(), |i, j| {
                (0..rows.len()).map(|k| eigen.U()[(i, k)] * root[k] * eigen.U()[(j, k)]).sum()
            });
            let p = product(a.as_ref(), Mat::from_fn(rows.len(), 1, |i, _| xmc[(rows[i], 0)]).as_ref());
            variance += (0..rows.len()).map(|i| p[(i, 0)] * e[(rows[i], 0)]).sum::<f64>().powi(2);
            columns.push(Mat::from_fn(n, 1, |i, _| {
                (0..rows.len()).map(|k| residual_maker[(rows[k], i)] * p[(k, 0)]).sum()
            }));
        }
        let entry = |a: &Mat<f64>, b: &Mat<f64>| (0..n).map(|i| a[(i, 0)] * b[(i, 0)]).sum::<f64>();
        let trace: f64 = columns.iter().map(|g| entry(g, g)).sum();
        let squares: f64 =
            columns.iter().flat_map(|a| columns.iter().map(move |b| (a, b))).map(|(a, b)| entry(a, b).powi(2)).sum();
        (variance.sqrt(), trace * trace / squares)
    }

    #[test]
    fn complete_pairs_with_their_own_levels_give_the_paired_t_test() {
        let (check, treated) = ([20.1, 18.3, 25.2, 19.0, 22.4, 21.7], [24.2, 24.6, 24.0, 24.5, 25.2, 28.7]);
        let y: Vec<f64> = check.iter().chain(&treated).copied().collect();
        let x = Mat::from_fn(12, 7, |i, j| f64::from(u8::from(if j == 0 { i >= 6 } else { i % 6 == j - 1 })));
        let pairs: Vec<usize> = (0..12).map(|i| i % 6).collect();
        let mut c = vec![0.0; 7];
        c[0] = 1.0;
        let found = cluster_robust(x.as_ref(), &y, &pairs, None).unwrap().test(&c).unwrap();
        let differences: Vec<f64> = check.iter().zip(&treated).map(|(c, t)| t - c).collect();
        let expected = paired_t(&differences).unwrap();
        assert!((found.se / expected.se - 1.0).abs() < 1e-12 && (found.df - 5.0).abs() < 1e-9, "{found:?}");
        assert!((found.p - expected.p).abs() < 1e-12);
    }

    #[test]
    fn the_short_way_equals_the_definition() {
        let mut random = ChaCha8Rng::seed_from_u64(5);
        let clusters: Vec<usize> = (0..30).map(|i| [0, 0, 0, 1, 1, 2, 3, 3, 3, 3][i % 10] + 4 * (i / 15)).collect();
        let x = Mat::from_fn(30, 4, |i, j| match j {
            0 => 1.0,
            1 => f64::from(u8::from(clusters[i].is_multiple_of(2))),
            _ => random.random::<f64>(),
        });
        let y: Vec<f64> = (0..30).map(|i| random.random::<f64>() + clusters[i] as f64).collect();
        let fit = cluster_robust(x.as_ref(), &y, &clusters, None).unwrap();
        for c in [[0.0, 1.0, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, -1.0]] {
            let found = fit.test(&c).unwrap();
            let (se, df) = by_definition(&x, &y, &clusters, &c);
            assert!((found.se / se - 1.0).abs() < 1e-10 && (found.df / df - 1.0).abs() < 1e-10, "{found:?} {se} {df}");
        }
    }

    #[test]
    fn one_row_a_cluster_is_the_leverage_corrected_form() {
        // CR2 with single rows is HC2: e² / (1 − h)
        let x = Mat::from_fn(5, 2, |i, j| if j == 0 { 1.0 } else { i as f64 });
        let y = [1.0, 3.0, 2.0, 5.0, 4.0];
        let fit = least_squares(x.as_ref(), &y, None).unwrap();
        let mut expected = 0.0;
        for i in 0..5 {
            let h: f64 = 0.2 + (i as f64 - 2.0).powi(2) / 10.0;
            expected += ((i as f64 - 2.0) / 10.0).powi(2) * fit.residuals[i].powi(2) / (1.0 - h);
        }
        let found = cluster_robust(x.as_ref(), &y, &[0, 1, 2, 3, 4], None).unwrap().test(&[0.0, 1.0]).unwrap();
        assert!((found.se * found.se / expected - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_single_cluster_is_refused() {
        let x = Mat::from_fn(4, 1, |_, _| 1.0);
        let fit = cluster_robust(x.as_ref(), &[1.0, 2.0, 3.0, 5.0], &[0; 4], None).unwrap();
        assert!(matches!(fit.test(&[1.0]), Err(StatsError::NoVariation { .. })));
        assert!(cluster_robust(x.as_ref(), &[1.0, 2.0, 3.0, 5.0], &[0; 3], None).is_err());
    }
}
