//! Generalised linear models by quasi-likelihood: counts with a logarithmic link, shares with a logit.
//!
//! McCullagh & Nelder 1989, Generalized Linear Models, chapters 2 and 9; Wedderburn 1974, Biometrika 61:439–447. The variance is known
//! but for a factor, the dispersion, which is estimated by Pearson's χ².

use super::dense::{Cholesky, Mat, MatRef, column, product_transposed};
use super::{StatsError, check};

/// How the variance goes with the mean, up to the dispersion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Family {
    /// Counts, `μ`.
    Poisson,
    /// Counts, `μ + μ²/θ`.
    NegativeBinomial(f64),
    /// Shares, `μ (1 − μ)`.
    Binomial,
}

impl Family {
    fn mean(self, eta: f64) -> f64 {
        match self {
            Self::Binomial => 1.0 / (1.0 + (-eta).exp()),
            Self::Poisson | Self::NegativeBinomial(_) => eta.exp(),
        }
    }

    fn link(self, mean: f64) -> f64 {
        match self {
            Self::Binomial => (mean / (1.0 - mean)).ln(),
            Self::Poisson | Self::NegativeBinomial(_) => mean.ln(),
        }
    }

    /// `dμ/dη`.
    fn slope(self, mean: f64) -> f64 {
        match self {
            Self::Binomial => mean * (1.0 - mean),
            Self::Poisson | Self::NegativeBinomial(_) => mean,
        }
    }

    fn variance(self, mean: f64) -> f64 {
        match self {
            Self::Poisson => mean,
            Self::NegativeBinomial(theta) => mean + mean * mean / theta,
            Self::Binomial => mean * (1.0 - mean),
        }
    }

    /// A mean to begin with.
    fn start(self, y: f64) -> f64 {
        match self {
            Self::Binomial => 0.5 * (y + 0.5),
            Self::Poisson | Self::NegativeBinomial(_) => y + 1.0 / 6.0,
        }
    }

    /// Twice the loss of likelihood of one value against its own mean.
    #[cfg(test)]
    fn deviance(self, y: f64, mean: f64) -> f64 {
        let by = |y: f64, ratio: f64| if y > 0.0 { y * ratio.ln() } else { 0.0 };
        2.0 * match self {
            Self::Poisson => by(y, y / mean) - (y - mean),
            Self::NegativeBinomial(theta) => by(y, y / mean) - (y + theta) * ((y - mean) / (mean + theta)).ln_1p(),
            Self::Binomial => by(y, y / mean) + by(1.0 - y, (1.0 - y) / (1.0 - mean)),
        }
    }
}

/// A fitted model.
#[derive(Debug, Clone)]
pub struct QuasiFit {
    /// On the scale of the link.
    pub coefficients: Vec<f64>,
    /// `(X′WX)⁻¹`: times the dispersion, the covariance of the coefficients.
    pub unscaled_covariance: Mat<f64>,
    /// The means.
    pub fitted: Vec<f64>,
    /// Sum of `(y − μ)² / V(μ)`.
    pub pearson: f64,
    /// Twice the loss of likelihood against a model with a mean for each value.
    #[cfg(test)]
    pub deviance: f64,
    /// Rows less coefficients.
    pub df: usize,
}

/// Most steps; Fisher's scoring takes five to ten.
const STEPS: usize = 60;
/// The coefficients stand still, as a share of the largest.
const STILL: f64 = 1e-10;

impl QuasiFit {
    /// Fits `y`, one value a row of `x`, by Fisher's scoring; `offset` is added to the linear predictor.
    ///
    /// # Errors
    /// Lengths that differ, values out of range, collinear columns, or a search that does not end (a mean at the edge of its range).
    pub fn new(family: Family, x: MatRef<'_, f64>, y: &[f64], offset: &[f64]) -> Result<Self, StatsError> {
        let (what, top) = if family == Family::Binomial { ("share", 1.0) } else { ("count", f64::INFINITY) };
        check::sample(what, y, 1)?;
        check::length("rows of the design", x.nrows(), y.len())?;
        check::length("offset", offset.len(), y.len())?;
        if let Some(&value) = y.iter().find(|value| !(0.0..=top).contains(*value)) {
            return Err(StatsError::OutOfRange { what, allowed: "from 0 up, a share at most 1", value });
        }
        if y.len() <= x.ncols() {
            return Err(StatsError::NoResidualDegreesOfFreedom { rows: y.len(), rank: x.ncols() });
        }
        let none = StatsError::NoConvergence { what: "the quasi-likelihood", iterations: STEPS };
        let mut mean: Vec<f64> = y.iter().map(|y| family.start(*y)).collect();
        let mut last: Vec<f64> = vec![f64::INFINITY; x.ncols()];
        for _ in 0..STEPS {
            let root: Vec<f64> = mean.iter().map(|m| family.slope(*m) / family.variance(*m).sqrt()).collect();
            let working = |i: usize| family.link(mean[i]) - offset[i] + (y[i] - mean[i]) / family.slope(mean[i]);
            let wx = Mat::from_fn(x.nrows(), x.ncols(), |i, j| root[i] * x[(i, j)]);
            let wz = column(&(0..y.len()).map(|i| root[i] * working(i)).collect::<Vec<f64>>());
            let gram = Cholesky::of_owned(product_transposed(wx.as_ref(), wx.as_ref())).ok_or(none.clone())?;
            let solved = gram.solve(product_transposed(wx.as_ref(), wz.as_ref()).as_ref());
            let coefficients: Vec<f64> = (0..x.ncols()).map(|j| solved[(j, 0)]).collect();
            let eta = |i: usize| offset[i] + (0..x.ncols()).map(|j| x[(i, j)] * coefficients[j]).sum::<f64>();
            mean = (0..y.len()).map(|i| family.mean(eta(i))).collect();
            let moved = coefficients.iter().zip(&last).map(|(now, last)| (now - last).abs()).fold(0.0, f64::max);
            let largest = coefficients.iter().map(|one| one.abs()).fold(1.0, f64::max);
            if moved <= STILL * largest {
                return Ok(Self {
                    coefficients,
                    unscaled_covariance: gram.inverse(),
                    pearson: y.iter().zip(&mean).map(|(y, m)| (y - m) * (y - m) / family.variance(*m)).sum(),
                    #[cfg(test)]
                    deviance: y.iter().zip(&mean).map(|(y, m)| family.deviance(*y, *m)).sum(),
                    fitted: mean,
                    df: y.len() - x.ncols(),
                });
            }
            last = coefficients;
        }
        Err(none)
    }

    /// Pearson's χ² by its degrees of freedom.
    pub fn dispersion(&self) -> f64 {
        self.pearson / self.df as f64
    }

    /// Standard error of a coefficient under a dispersion.
    pub fn std_error(&self, at: usize, dispersion: f64) -> f64 {
        (dispersion * self.unscaled_covariance[(at, at)]).sqrt()
    }
}

/// A negative binomial model of counts.
#[derive(Debug, Clone)]
pub struct NegativeBinomialFit {
    /// The variance is `μ + μ²/θ`.
    #[cfg(test)]
    pub theta: f64,
    /// The means, at that θ.
    pub fit: QuasiFit,
}

/// Means this many times smaller than θ are Poisson's to all that data can tell.
const LIKE_POISSON: f64 = 1e3;

impl NegativeBinomialFit {
    /// Fits means and θ in turn by maximum likelihood (Venables & Ripley 2002, Modern Applied Statistics with S, section 7.4);
    /// `None` where the counts vary no more than Poisson's do.
    ///
    /// # Errors
    /// As [`QuasiFit::new`].
    pub fn new(x: MatRef<'_, f64>, y: &[f64], offset: &[f64]) -> Result<Option<Self>, StatsError> {
        let mut fit = QuasiFit::new(Family::Poisson, x, y, offset)?;
        let mut theta: Option<f64> = None;
        for _ in 0..200 {
            let largest = fit.fitted.iter().copied().fold(1.0, f64::max);
            let Some(next) = root(|ln| score(ln.exp(), y, &fit.fitted), (LIKE_POISSON * largest).ln()) else {
                return Ok(None);
            };
            let next = next.exp();
            fit = QuasiFit::new(Family::NegativeBinomial(next), x, y, offset)?;
            if theta.is_some_and(|theta| (next / theta - 1.0).abs() < 1e-8) {
                return Ok(Some(Self {
                    #[cfg(test)]
                    theta: next,
                    fit,
                }));
            }
            theta = Some(next);
        }
        Err(StatsError::NoConvergence { what: "the negative binomial model", iterations: 200 })
    }

    /// Standard error of θ by the observed information, the means held.
    #[cfg(test)]
    pub fn theta_std_error(&self, y: &[f64]) -> f64 {
        let step = 1e-5 * self.theta;
        let at = |theta: f64| score(theta, y, &self.fit.fitted);
        (2.0 * step / (at(self.theta - step) - at(self.theta + step))).sqrt()
    }
}

/// Slope of the log likelihood in θ.
fn score(theta: f64, y: &[f64], mean: &[f64]) -> f64 {
    use statrs::function::gamma::digamma;
    let of = |y: f64, mean: f64| {
        // ψ(θ + y) − ψ(θ) is a short sum for whole counts, which loses no digits
        let whole = y.fract() == 0.0 && y < 1e5;
        let rise = if whole {
            (0..y as u32).map(|j| 1.0 / (theta + f64::from(j))).sum()
        } else {
            digamma(theta + y) - digamma(theta)
        };
        rise - (mean / theta).ln_1p() + (mean - y) / (mean + theta)
    };
    y.iter().zip(mean).map(|(y, mean)| of(*y, *mean)).sum()
}

/// Where a function falls through 0 below `high`, by bisection; `None` where it is still above 0 there.
fn root(of: impl Fn(f64) -> f64, mut high: f64) -> Option<f64> {
    if of(high) > 0.0 {
        return None;
    }
    let mut low = high - 40.0;
    while high - low > 4.0 * f64::EPSILON * high.abs().max(1.0) {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if of(middle) > 0.0 { low = middle } else { high = middle }
    }
    Some(0.5 * (low + high))
}
