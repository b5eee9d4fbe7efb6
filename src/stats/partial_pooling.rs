//! Several estimates of one case with their full covariance, drawn towards a common line.

use crate::stats::dense::{self, Cholesky, Mat, MatRef, dot, product, product_transposed, quadratic_form};
use crate::stats::distribution::{Component, Mixture};
use crate::stats::{StatsError, check};

const POINTS: usize = 200;

/// The step of a grid over τ > 0 and the log posterior at its midpoints, as far up as there is anything to count.
fn tau_grid(prior_scale: f64, height: impl Fn(f64) -> Result<f64, StatsError>) -> Result<(f64, Vec<f64>), StatsError> {
    // the prior alone reaches no further than 6 scales
    let mut top = 6.0 * prior_scale;
    for _ in 0..20 {
        let values = (0..=64).map(|i| height(top * f64::from(i) / 64.0)).collect::<Result<Vec<_>, _>>()?;
        let peak = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let last = values.iter().rposition(|value| *value > peak - 25.0).unwrap_or(64);
        if last >= 32 {
            break;
        }
        top *= (last + 1) as f64 / 64.0;
    }
    let step = top / POINTS as f64;
    let heights = (0..POINTS).map(|index| height((index as f64 + 0.5) * step)).collect::<Result<Vec<_>, _>>()?;
    Ok((step, heights))
}

/// The posterior of `θ` in `θ̂ ~ N(θ, S)`, `θ ~ N(Xβ, τ² R)`, with flat β and a half-normal prior on τ that is averaged over.
///
/// With `R = I` the estimates are drawn towards `Xβ` independently; with an `R` that falls off along an order, towards their
/// neighbours in it too. With few estimates τ is poorly known, so it is summed over a grid rather than plugged in: Gelman
/// 2006, Bayesian Anal. 1:515–534, advises a weak half-normal or half-t prior there.
#[derive(Debug, Clone)]
pub struct PartialPooling {
    points: Vec<Point>,
    estimates: usize,
    #[cfg(test)]
    coefficients: usize,
}

#[derive(Debug, Clone)]
struct Point {
    #[cfg(test)]
    tau: f64,
    weight: f64,
    /// Mean and covariance of θ.
    theta: Vec<f64>,
    covariance: Mat<f64>,
    #[cfg(test)]
    beta: Vec<f64>,
    #[cfg(test)]
    beta_covariance: Mat<f64>,
}

impl PartialPooling {
    /// With estimates, their sampling covariance, the design of their expectation (one row an estimate), the correlation
    /// of their deviations from it, and the scale of the half-normal prior on τ, in the unit of the estimates.
    ///
    /// # Errors
    /// Sizes that differ, values that are not finite, matrices that are not positive definite, collinear columns, a scale
    /// not above 0.
    pub fn new(
        estimates: &[f64],
        sampling: MatRef<'_, f64>,
        design: MatRef<'_, f64>,
        correlation: MatRef<'_, f64>,
        prior_scale: f64,
    ) -> Result<Self, StatsError> {
        let k = estimates.len();
        check::sample("estimates", estimates, 1)?;
        check::positive("scale of the prior of τ", &[prior_scale])?;
        for (what, matrix) in [("rows of the sampling covariance", sampling), ("rows of the correlation", correlation)]
        {
            check::length(what, matrix.nrows(), k)?;
            check::length("columns of the same", matrix.ncols(), k)?;
        }
        check::length("rows of the design", design.nrows(), k)?;
        let kept = crate::stats::linear::independent_columns(design)?;
        if kept.len() < design.ncols() {
            let aliased = (0..design.ncols()).filter(|column| !kept.contains(column)).collect();
            return Err(StatsError::RankDeficient { rank: kept.len(), columns: design.ncols(), aliased });
        }
        if Cholesky::new(correlation).is_none() {
            return Err(StatsError::NotPositiveDefinite { what: "the correlation of the deviations" });
        }
        let at = |tau: f64| Point::new(estimates, sampling, design, correlation, tau);
        let height = |tau: f64| Ok(at(tau)?.weight - 0.5 * (tau / prior_scale).powi(2));
        let (step, heights) = tau_grid(prior_scale, height)?;
        let peak = heights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = heights.iter().map(|value| (value - peak).exp()).sum();
        let points = (0..POINTS)
            .map(|index| {
                let mut point = at((index as f64 + 0.5) * step)?;
                point.weight = (heights[index] - peak).exp() / total;
                Ok(point)
            })
            .collect::<Result<Vec<_>, StatsError>>()?;
        Ok(Self {
            points,
            estimates: k,
            #[cfg(test)]
            coefficients: design.ncols(),
        })
    }

    /// The posterior of `c′θ`: the estimates themselves, drawn in.
    ///
    /// # Errors
    /// A contrast of the wrong length.
    pub fn estimate(&self, c: &[f64]) -> Result<Mixture, StatsError> {
        check::length("contrast", c.len(), self.estimates)?;
        Mixture::new(self.points.iter().map(|point| normal(point.weight, c, &point.theta, &point.covariance)))
    }

    /// The posterior of `c′β`: the line they are drawn to.
    ///
    /// # Errors
    /// A contrast of the wrong length.
    #[cfg(test)]
    pub fn coefficient(&self, c: &[f64]) -> Result<Mixture, StatsError> {
        check::length("contrast", c.len(), self.coefficients)?;
        Mixture::new(self.points.iter().map(|point| normal(point.weight, c, &point.beta, &point.beta_covariance)))
    }

    /// The posterior mean of τ, in the unit of the estimates.
    #[cfg(test)]
    pub fn tau_mean(&self) -> f64 {
        self.points.iter().map(|point| point.weight * point.tau).sum()
    }
}

fn normal(weight: f64, c: &[f64], mean: &[f64], covariance: &Mat<f64>) -> Component {
    Component {
        weight,
        centre: dot(c, mean),
        scale: quadratic_form(covariance.as_ref(), c).max(0.0).sqrt(),
        df: f64::INFINITY,
    }
}

impl Point {
    /// At one τ; `weight` holds the logarithm of the restricted likelihood.
    fn new(
        estimates: &[f64],
        sampling: MatRef<'_, f64>,
        design: MatRef<'_, f64>,
        correlation: MatRef<'_, f64>,
        tau: f64,
    ) -> Result<Self, StatsError> {
        let k = estimates.len();
        let between = Mat::from_fn(k, k, |i, j| tau * tau * correlation[(i, j)]);
        let total = Mat::from_fn(k, k, |i, j| sampling[(i, j)] + between[(i, j)]);
        let factor = Cholesky::of_owned(total)
            .ok_or(StatsError::NotPositiveDefinite { what: "the sampling covariance of the estimates" })?;
        let y = dense::column(estimates);
        let mut x = design.to_owned();
        factor.whiten(x.as_mut());
        let mut whitened = y.clone();
        factor.whiten(whitened.as_mut());
        let information = Cholesky::of_owned(product_transposed(x.as_ref(), x.as_ref()))
            .ok_or(StatsError::NotPositiveDefinite { what: "the information of the coefficients" })?;
        let beta = information.solve(product_transposed(x.as_ref(), whitened.as_ref()).as_ref());
        let beta_covariance = information.inverse();
        let residual = Mat::from_fn(k, 1, |i, _| {
            y[(i, 0)] - (0..design.ncols()).map(|j| design[(i, j)] * beta[(j, 0)]).sum::<f64>()
        });
        let mut standard = residual.clone();
        factor.whiten(standard.as_mut());
        let quadratic: f64 = standard.col(0).iter().map(|value| value * value).sum();
        // θ = Xβ + B (θ̂ − Xβ) with B = τ²R (S + τ²R)⁻¹
        let keep = factor.solve(between.as_ref()).transpose().to_owned();
        let drawn = product(keep.as_ref(), residual.as_ref());
        let theta = (0..k).map(|i| estimates[i] - residual[(i, 0)] + drawn[(i, 0)]).collect();
        // given β: τ²R − B τ²R; and (I − B) X β varies with β
        let within = product(keep.as_ref(), between.as_ref());
        let shifted = product(keep.as_ref(), design);
        let line = Mat::from_fn(k, design.ncols(), |i, j| design[(i, j)] - shifted[(i, j)]);
        let of_line = product(product(line.as_ref(), beta_covariance.as_ref()).as_ref(), line.transpose());
        Ok(Self {
            #[cfg(test)]
            tau,
            weight: -0.5 * (factor.ln_determinant() + information.ln_determinant() + quadratic),
            theta,
            covariance: Mat::from_fn(k, k, |i, j| between[(i, j)] - within[(i, j)] + of_line[(i, j)]),
            #[cfg(test)]
            beta: beta.col(0).iter().copied().collect(),
            #[cfg(test)]
            beta_covariance,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::crossed::{Crossed, CrossedLeaf, CrossedPosterior, CrossedRow, PARTS, Part, Scatter};

    fn ones(k: usize) -> Mat<f64> {
        Mat::from_fn(k, 1, |_, _| 1.0)
    }

    #[test]
    fn independent_estimates_are_the_univariate_model() {
        let (y, v) = ([1.0, 2.0, 6.0, -1.0], [1.0, 2.0, 1.0, 0.3]);
        let sampling = Mat::from_fn(4, 4, |i, j| if i == j { v[i] } else { 0.0 });
        let pooled =
            PartialPooling::new(&y, sampling.as_ref(), ones(4).as_ref(), Mat::<f64>::identity(4, 4).as_ref(), 2.0)
                .unwrap();
        let row = |at: usize| CrossedRow { y: y[at], variance: v[at], leaf: at, slope: 0.0, x: vec![(0, 1.0)] };
        let leaf = |at: usize| CrossedLeaf { outer: 0, inner: at, cross: 0, shared: 0.0 };
        let (rows, leaves): (Vec<_>, Vec<_>) = (0..4).map(|at| (row(at), leaf(at))).unzip();
        let data = Crossed::new(&rows, &leaves, 1, Scatter::default()).unwrap();
        let mut scales = [None; PARTS];
        scales[Part::Leaf as usize] = Some(2.0);
        let single = CrossedPosterior::new(data, &scales).unwrap();
        assert!((pooled.tau_mean() - single.mean_of(|sd| sd[Part::Leaf as usize])).abs() < 1e-4);
        let (a, b) = (pooled.coefficient(&[1.0]).unwrap(), single.coefficient(&[1.0]).unwrap());
        for p in [0.05, 0.5, 0.9] {
            assert!((a.quantile(p).unwrap() - b.quantile(p).unwrap()).abs() < 1e-4);
        }
    }

    #[test]
    fn a_wide_prior_leaves_the_estimates_and_a_tight_one_the_line() {
        let y = [1.0, 2.0, 6.0];
        let sampling = Mat::from_fn(3, 3, |i, j| if i == j { 1.0 } else { 0.3 });
        let of = |scale: f64| {
            PartialPooling::new(&y, sampling.as_ref(), ones(3).as_ref(), Mat::<f64>::identity(3, 3).as_ref(), scale)
                .unwrap()
        };
        let wide = of(1e4).estimate(&[0.0, 0.0, 1.0]).unwrap();
        assert!((wide.quantile(0.5).unwrap() - 6.0).abs() < 0.7);
        let tight = of(1e-5).estimate(&[0.0, 0.0, 1.0]).unwrap();
        assert!((tight.mean().unwrap() - 3.0).abs() < 1e-6); // equal variances: the plain mean
        // the difference of two is drawn in, and its uncertainty shrinks with it
        let mild = of(0.3).estimate(&[-1.0, 0.0, 1.0]).unwrap();
        assert!(mild.mean().unwrap() > 0.0 && mild.mean().unwrap() < 2.5);
        assert!(mild.variance().unwrap() < 1.4);
    }

    #[test]
    fn one_tau_by_the_textbook_formula() {
        // posterior precision S⁻¹ + (τ²R)⁻¹ with β known is what the covariance given β must be
        let (y, tau) = ([1.0, 3.0], 0.8);
        let sampling = Mat::from_fn(2, 2, |i, j| if i == j { 1.0 + i as f64 } else { 0.4 });
        let r = Mat::from_fn(2, 2, |i, j| if i == j { 1.0 } else { 0.5 });
        let point = Point::new(&y, sampling.as_ref(), ones(2).as_ref(), r.as_ref(), tau).unwrap();
        let prior = Mat::from_fn(2, 2, |i, j| tau * tau * r[(i, j)]);
        let (s_inverse, p_inverse) =
            (Cholesky::new(sampling.as_ref()).unwrap().inverse(), Cholesky::new(prior.as_ref()).unwrap().inverse());
        let precision = Mat::from_fn(2, 2, |i, j| s_inverse[(i, j)] + p_inverse[(i, j)]);
        let posterior = Cholesky::new(precision.as_ref()).unwrap().inverse();
        let pull = Mat::from_fn(2, 1, |i, _| {
            (0..2).map(|j| s_inverse[(i, j)] * y[j] + p_inverse[(i, j)] * point.beta[0]).sum::<f64>()
        });
        let mean = product(posterior.as_ref(), pull.as_ref());
        for i in 0..2 {
            assert!((point.theta[i] - mean[(i, 0)]).abs() < 1e-12);
        }
        // the spread of β adds (posterior × prior precision × 1) squared times its variance
        let share = product(product(posterior.as_ref(), p_inverse.as_ref()).as_ref(), ones(2).as_ref());
        for i in 0..2 {
            let expected = posterior[(i, i)] + share[(i, 0)] * share[(i, 0)] * point.beta_covariance[(0, 0)];
            assert!((point.covariance[(i, i)] - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn bad_input_is_refused() {
        let eye = Mat::<f64>::identity(2, 2);
        let fails = |y: &[f64], s: &Mat<f64>, r: &Mat<f64>, scale: f64| {
            PartialPooling::new(y, s.as_ref(), ones(2).as_ref(), r.as_ref(), scale).is_err()
        };
        assert!(fails(&[1.0], &eye, &eye, 1.0) && fails(&[1.0, 2.0], &eye, &eye, 0.0));
        assert!(fails(&[1.0, 2.0], &eye, &Mat::from_fn(2, 2, |_, _| 1.0), 1.0));
        assert!(fails(&[1.0, 2.0], &Mat::from_fn(2, 2, |_, _| f64::NAN), &eye, 1.0));
        let single = PartialPooling::new(&[1.0, 2.0], eye.as_ref(), ones(2).as_ref(), eye.as_ref(), 1.0).unwrap();
        assert!(single.estimate(&[1.0]).is_err() && single.coefficient(&[1.0, 0.0]).is_err());
    }
}
