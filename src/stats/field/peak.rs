//! Where the posterior of a field's covariance is highest, and how wide it is there.

use super::{FieldPrior, SpatialForm};
use crate::stats::dense::{dot, quadratic_form};
use crate::stats::{StatsError, check};

/// A coarse grid over the root of the ratio while the mode is sought, in scales of its prior, and what each stands for.
const COARSE_ROOTS: [(f64, f64); 6] = [(0.05, 0.15), (0.25, 0.275), (0.6, 0.425), (1.1, 0.6), (1.8, 0.85), (2.8, 1.0)];
/// Most rounds of the search.
const ROUNDS: usize = 10;

/// The mode of the posterior over range and nugget share, the random effect summed over.
#[derive(Debug, Clone)]
pub struct Peak {
    /// `(ln range, logit nugget)`.
    pub(super) centre: [f64; 2],
    pub(super) axes: Axes,
    /// Log posterior there, up to the same constant.
    height: f64,
    /// Logarithm of the probability of the data, by Laplace's approximation, up to a constant that is the same for all
    /// forms with the same columns and prior.
    pub ln_evidence: f64,
    /// Evaluations of the covariance spent.
    pub evaluations: usize,
}

impl Peak {
    /// Climbs from the middle of the prior.
    ///
    /// # Errors
    /// A prior out of range, or a covariance that cannot be evaluated at the start.
    pub fn find(form: &dyn SpatialForm, prior: &FieldPrior) -> Result<Self, StatsError> {
        prior.check()?;
        Self::climb(form, prior, [prior.range_median.ln(), -0.85], [0.45, 0.7])
    }

    /// Climbs from the peak of a form that is nearly the same, with steps of its width; `stretch` multiplies its range.
    ///
    /// # Errors
    /// As [`Peak::find`].
    pub fn find_near(
        form: &dyn SpatialForm,
        prior: &FieldPrior,
        known: &Self,
        stretch: f64,
    ) -> Result<Self, StatsError> {
        prior.check()?;
        check::positive("stretch of the range", &[stretch])?;
        let steps = [known.axes.length(0).clamp(0.08, 1.2), known.axes.length(1).clamp(0.12, 1.6)];
        Self::climb(form, prior, [known.centre[0] + stretch.ln(), known.centre[1].clamp(-6.0, 6.0)], steps)
    }

    /// How much higher than this peak the posterior of another form is at the same place, its range multiplied by
    /// `stretch`; for a form with the same columns and prior.
    ///
    /// # Errors
    /// A covariance that cannot be evaluated there.
    pub fn gain_of(&self, form: &dyn SpatialForm, prior: &FieldPrior, stretch: f64) -> Result<f64, StatsError> {
        let at = [self.centre[0] + stretch.ln(), self.centre[1]];
        Ok(Cell::new(form, prior, &coarse_roots(form, prior), &[], at)?.height - self.height)
    }

    fn climb(
        form: &dyn SpatialForm,
        prior: &FieldPrior,
        mut centre: [f64; 2],
        mut steps: [f64; 2],
    ) -> Result<Self, StatsError> {
        let roots = coarse_roots(form, prior);
        let mut evaluations = 0;
        let mut height = |at: [f64; 2]| {
            evaluations += 1;
            Cell::new(form, prior, &roots, &[], at).map(|cell| cell.height)
        };
        let mut best = height(centre)?;
        let mut height = |at: [f64; 2]| height(at).unwrap_or(f64::NEG_INFINITY);
        let mut axes = Axes { columns: [[steps[0], 0.0], [0.0, steps[1]]] };
        for _ in 0..ROUNDS {
            let at = |i: f64, j: f64| [centre[0] + i * steps[0], centre[1] + j * steps[1]];
            let (east, west) = (height(at(1.0, 0.0)), height(at(-1.0, 0.0)));
            let (north, south) = (height(at(0.0, 1.0)), height(at(0.0, -1.0)));
            let corner = height(at(1.0, 1.0));
            let model = Parabola {
                slope: [0.5 * (east - west), 0.5 * (north - south)],
                bend: [2.0 * best - east - west, 2.0 * best - north - south],
                twist: east + north - best - corner,
            };
            let (shift, of_model) = model.vertex();
            let vertex = (at(shift[0], shift[1]), height(at(shift[0], shift[1])));
            let seen = [(at(1.0, 0.0), east), (at(-1.0, 0.0), west), (at(0.0, 1.0), north), (at(0.0, -1.0), south)];
            let before = best;
            for (place, found) in [vertex].into_iter().chain(seen).chain([(at(1.0, 1.0), corner)]) {
                if found > best {
                    (centre, best) = (place, found);
                }
            }
            if let Some(of_model) = of_model {
                axes = of_model.scaled(steps);
                // within a third of a standard deviation of the top, or a short way up a parabola to it, with steps near one
                let still = best - before < 0.06;
                let short = vertex.1 >= best && shift.iter().all(|step| step.abs() <= 1.0);
                let apt = (0..2).all(|k| (0.4..2.5).contains(&(axes.length(k) / steps[k])));
                steps = [axes.length(0).clamp(0.08, 1.2), axes.length(1).clamp(0.12, 1.6)];
                if (still || short) && apt {
                    break;
                }
            } else if best <= before {
                // a ridge oblique to both axes, narrower than the steps: closer by, its top shows
                steps = steps.map(|step| 0.5 * step);
            }
        }
        let ln_evidence = best + (std::f64::consts::TAU * axes.area()).ln();
        Ok(Self { centre, axes, height: best, ln_evidence, evaluations })
    }
}

/// A coarse grid over the root of the ratio, with the width that each point stands for.
fn coarse_roots(form: &dyn SpatialForm, prior: &FieldPrior) -> Vec<(f64, f64)> {
    match form.columns().random_levels() {
        0 => vec![(0.0, 1.0)],
        _ => COARSE_ROOTS.iter().map(|&(root, width)| (root * prior.ratio_scale, width * prior.ratio_scale)).collect(),
    }
}

/// The nugget share of its logit.
pub(super) fn share(logit: f64) -> f64 {
    1.0 / (1.0 + (-logit).exp())
}

/// One cell of the grid over `(ln range, logit nugget)`.
pub(super) struct Cell {
    /// Log posterior summed over the random effect.
    pub(super) height: f64,
    pub(super) points: Vec<Point>,
}

/// One point of the posterior.
pub(super) struct Point {
    /// Log posterior, and the logarithm of the width that the point stands for on the axis of the random effect.
    pub(super) height: f64,
    pub(super) range: f64,
    pub(super) nugget: f64,
    pub(super) root_ratio: f64,
    pub(super) variance: f64,
    pub(super) df: f64,
    /// Estimate and standard error of each contrast.
    pub(super) contrasts: Vec<(f64, f64)>,
}

impl Cell {
    /// `roots` are values of the root of the ratio with the width that each stands for.
    pub(super) fn new(
        form: &dyn SpatialForm,
        prior: &FieldPrior,
        roots: &[(f64, f64)],
        contrasts: &[Vec<f64>],
        at: [f64; 2],
    ) -> Result<Self, StatsError> {
        let (range, nugget) = (at[0].exp(), share(at[1]));
        let gram = form.gram(range, nugget)?;
        let absorber = gram.absorber();
        let base = prior.of_ln_range(at[0]) + prior.of_logit_nugget(nugget);
        let points = roots
            .iter()
            .map(|&(root_ratio, width)| {
                let profile = absorber.profile(root_ratio * root_ratio)?;
                let contrasts = contrasts
                    .iter()
                    .map(|c| {
                        let variance = profile.factor * quadratic_form(profile.unscaled_covariance.as_ref(), c);
                        (dot(c, &profile.coefficients), variance.max(0.0).sqrt())
                    })
                    .collect();
                Ok(Point {
                    // with the prior 1/σ² the integrated likelihood is the profiled one up to a constant
                    height: base + profile.log_likelihood + prior.of_root_ratio(root_ratio) + width.ln(),
                    range,
                    nugget,
                    root_ratio,
                    variance: profile.factor,
                    df: profile.df as f64,
                    contrasts,
                })
            })
            .collect::<Result<Vec<Point>, StatsError>>()?;
        let top = points.iter().map(|point| point.height).fold(f64::NEG_INFINITY, f64::max);
        Ok(Self { height: top + points.iter().map(|point| (point.height - top).exp()).sum::<f64>().ln(), points })
    }
}

/// Two directions of one posterior standard deviation each, uncorrelated.
#[derive(Debug, Clone)]
pub(super) struct Axes {
    columns: [[f64; 2]; 2],
}

impl Axes {
    pub(super) fn place(&self, centre: [f64; 2], i: f64, j: f64) -> [f64; 2] {
        let [a, b] = self.columns;
        [centre[0] + i * a[0] + j * b[0], centre[1] + i * a[1] + j * b[1]]
    }

    /// Area that the two directions span.
    pub(super) fn area(&self) -> f64 {
        let [a, b] = self.columns;
        (a[0] * b[1] - a[1] * b[0]).abs()
    }

    /// Standard deviation along a coordinate, the other left free.
    fn length(&self, coordinate: usize) -> f64 {
        self.columns[0][coordinate].hypot(self.columns[1][coordinate])
    }

    fn scaled(&self, steps: [f64; 2]) -> Self {
        Self { columns: self.columns.map(|column| [column[0] * steps[0], column[1] * steps[1]]) }
    }
}

/// A height over two coordinates: `slope · u − ½ u′ [bend_0 twist; twist bend_1] u`.
struct Parabola {
    slope: [f64; 2],
    bend: [f64; 2],
    twist: f64,
}

impl Parabola {
    /// The step to the top, and the axes where it is one; else two steps uphill.
    fn vertex(&self) -> ([f64; 2], Option<Axes>) {
        let determinant = self.bend[0] * self.bend[1] - self.twist * self.twist;
        if !(self.bend[0] > 1e-9 && self.bend[1] > 1e-9 && determinant > 1e-3 * self.bend[0] * self.bend[1]) {
            let size = self.slope[0].hypot(self.slope[1]);
            let shift =
                if size > 0.0 && size.is_finite() { self.slope.map(|slope| 2.0 * slope / size) } else { [1.0, 0.0] };
            return (shift, None);
        }
        let [a, b] = self.slope;
        let step =
            [(self.bend[1] * a - self.twist * b) / determinant, (self.bend[0] * b - self.twist * a) / determinant];
        let longest = step[0].abs().max(step[1].abs()).max(2.5) / 2.5;
        // the lower Cholesky factor of the inverse curvature
        let first = (self.bend[1] / determinant).sqrt();
        let second = -self.twist / determinant / first;
        let third = (1.0 / self.bend[1]).sqrt();
        (step.map(|value| value / longest), Some(Axes { columns: [[first, second], [0.0, third]] }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_is_climbed_in_one_step() {
        let model = Parabola { slope: [1.0, -0.5], bend: [2.0, 1.0], twist: 0.6 };
        let (shift, axes) = model.vertex();
        assert!((2.0 * shift[0] + 0.6 * shift[1] - 1.0).abs() < 1e-12);
        assert!((0.6 * shift[0] + shift[1] + 0.5).abs() < 1e-12);
        // the axes reproduce the inverse curvature
        let axes = axes.unwrap();
        let [a, b] = axes.columns;
        let determinant = 2.0 - 0.36;
        assert!((a[0] * a[0] + b[0] * b[0] - 1.0 / determinant).abs() < 1e-12);
        assert!((a[0] * a[1] + b[0] * b[1] + 0.6 / determinant).abs() < 1e-12);
        assert!((axes.length(1).powi(2) - 2.0 / determinant).abs() < 1e-12);
    }
}
