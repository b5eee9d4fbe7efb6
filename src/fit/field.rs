//! The segment model: fixed effects, strips, and a spatial field over the whole trial.
//!
//! `y = X β + strip + field + nugget`: the strips differ by independent deviations, because the strip is what was treated,
//! drilled and cut in one piece; neighbouring ground yields alike whatever strip it lies in, which is what makes a check
//! strip tell of the ground beside it. The covariance is never plugged in: range, nugget and strip variance are averaged
//! over their posterior, and so is the anisotropy of the field, since rows are driven, drained and fertilised lengthwise.

use std::sync::Arc;

use super::design::Design;
use super::trial::{Row, Side, Trial};
use crate::results::FieldModel;
use crate::stats::dense::{Cholesky, Mat, dot, product_transposed, quadratic_form};
use crate::stats::distribution::{Component, Mixture};
use crate::stats::field::{
    Columns, FieldPosterior, FieldPrior, IntegrationLimits, Lists, NeighbourField, Parts, Peak, SolvedField, Varying,
    given, integrate_around,
};
use crate::stats::{Kernel, StatsError, linear};

/// Twice differentiable in the mean square but not more (Matérn 1960, smoothness 3/2); roughness is left to the nugget. In
/// simulated fields of five kinds it was as good as the true correlation and better than the exponential.
const KERNEL: Kernel = Kernel::Matern32;
/// Nearest segments given which each is judged; 30 change the estimates by less than 1 % of their standard error.
const NEIGHBOURS: usize = 20;
/// The same while the covariance is sought from scratch.
const FEW_NEIGHBOURS: usize = 8;
/// Distance below which two surroundings count as alike, m.
const ALIKE_M: f64 = 1.0;
/// What is believed of the range across the strips over that along them, before the data. Correlation that reaches equally
/// far in all directions is believed unless the data say otherwise.
const BELIEFS: [(f64, f64); 4] = [(1.0, 0.85), (0.5, 0.08), (2.0, 0.05), (0.25, 0.02)];
/// An anisotropy whose posterior probability falls below this, by a first look, is left out.
const UNLIKELY: f64 = 0.01;
/// What may be won by climbing from the place of the isotropic mode, in the logarithm of the posterior.
const CLIMB: f64 = 2.0;
/// Median of the range before the data, m; 95 % between 8 and 430 m.
const RANGE_M: f64 = 60.0;
const RANGE_LN_SD: f64 = 1.0;
/// What is believed of the strips' standard deviation: a half-t distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct StripPrior {
    /// Its scale, by the mean yield.
    pub(super) share: f64,
    /// Its degrees of freedom; infinite for a half-normal.
    pub(super) df: f64,
}

/// Half-Cauchy (Gelman 2006, Bayesian Anal. 1:515–534): most fields differ by 1 to 3 % of the yield from strip to strip besides the
/// ground, some by far more, which a half-normal prior cannot believe. Set by placebo strips on uniformity trials and one raw
/// field (`placebo_tests`): their 90 % intervals hold 0 in 91 to 93 %, with a half-normal of 0.02 in 86 to 90 %.
pub(super) const STRIPS: StripPrior = StripPrior { share: 0.025, df: 1.0 };

/// Multiples of the scale of the strips' prior under which the answer is tried.
pub(super) const SCALES: [f64; 2] = [0.5, 2.0];

/// Components that an answer is kept in, of the hundreds that it is averaged over: its quantiles move by less than 0.3 % of its standard
/// deviation.
const CONDENSED: usize = 16;

/// What the segment model says of a set of contrasts.
#[derive(Debug, Clone)]
pub(super) struct Posterior {
    pub(super) contrasts: Vec<Mixture>,
    /// The same with the scale of the strips' prior multiplied by each of [`SCALES`].
    pub(super) rescaled: [Vec<Mixture>; SCALES.len()],
    pub(super) model: FieldModel,
    /// The form of a field that reaches equally far in all directions.
    isotropic: Arc<NeighbourField>,
}

/// Fits the model; `level_kg_ha` is the mean yield, from which the prior of the strips is scaled.
///
/// # Errors
/// No variation, no rows to spare, or contrasts of the wrong length.
pub(super) fn fit(
    trial: &Trial<'_>,
    design: &Design,
    contrasts: &[Vec<f64>],
    level_kg_ha: f64,
    strips: StripPrior,
) -> Result<Posterior, StatsError> {
    let y: Vec<f64> = trial.rows.iter().map(|row| row.yield_kg_ha).collect();
    let weights: Vec<f64> = trial.rows.iter().map(|row| row.weight).collect();
    let spread = linear::least_squares(design.x.as_ref(), &y, Some(&weights))?.residual_variance().sqrt();
    if spread <= 1e-9 * level_kg_ha.abs() {
        return Err(StatsError::NoVariation { what: "yields of the segments" });
    }
    let prior = FieldPrior {
        range_median: RANGE_M,
        range_ln_sd: RANGE_LN_SD,
        nugget_beta: (1.0, 1.0),
        ratio_scale: strips.share * level_kg_ha / spread,
        ratio_df: strips.df,
    };
    let forms = Forms { trial, columns: columns(trial, design)?, prior };
    let isotropic = forms.form(1.0, NEIGHBOURS)?;
    let found = forms.explore(&isotropic, contrasts)?;
    let top = found.iter().map(|(_, _, one)| one.ln_evidence).fold(f64::NEG_INFINITY, f64::max);
    let weight = |belief: f64, one: &FieldPosterior| belief * (one.ln_evidence - top).exp();
    let total: f64 = found.iter().map(|(_, belief, one)| weight(*belief, one)).sum();
    let mean = |of: &dyn Fn(f64, &FieldPosterior) -> f64| {
        found.iter().map(|(anisotropy, belief, one)| weight(*belief, one) * of(*anisotropy, one)).sum::<f64>() / total
    };
    let prior = forms.prior;
    let under = |scale: f64| {
        let other = FieldPrior { ratio_scale: scale * prior.ratio_scale, ..prior };
        // the same points of the same covariances, weighed by another prior
        let gain = |root: f64| (other.of_root_ratio(root) - prior.of_root_ratio(root)).exp();
        let averaged = (0..contrasts.len())
            .map(|k| {
                Mixture::new(found.iter().flat_map(|(_, belief, one)| {
                    let weight = weight(*belief, one);
                    one.contrasts[k]
                        .components()
                        .zip(&one.roots)
                        .map(move |(part, &root)| Component { weight: part.weight * weight * gain(root), ..*part })
                }))?
                .condensed(CONDENSED)
            })
            .collect::<Result<Vec<_>, _>>()?;
        widened(averaged, trial, design, contrasts)
    };
    Ok(Posterior {
        contrasts: under(1.0)?,
        rescaled: [under(SCALES[0])?, under(SCALES[1])?],
        model: FieldModel {
            range_along_m: mean(&|_, one| one.range.ln()).exp(),
            range_across_m: mean(&|anisotropy, one| (anisotropy * one.range).ln()).exp(),
            field_sd: mean(&|_, one| one.sigma * (1.0 - one.nugget).sqrt()),
            nugget_sd: mean(&|_, one| one.sigma * one.nugget.sqrt()),
            strip_sd: mean(&|_, one| one.random_sd),
            evaluations: found.iter().map(|(_, _, one)| one.evaluations).sum(),
        },
        isotropic: Arc::new(isotropic),
    })
}

/// The field of a trial under a covariance that is known, to be asked with several designs.
#[derive(Debug)]
pub(super) struct KnownField {
    field: SolvedField,
    root_ratio: f64,
}

impl KnownField {
    /// `model` is the covariance of a fit to nearly the same data.
    ///
    /// # Errors
    /// A covariance that cannot be factored.
    pub(super) fn new(trial: &Trial<'_>, design: &Design, model: &FieldModel) -> Result<Self, StatsError> {
        let form = form(trial, columns(trial, design)?, model.range_across_m / model.range_along_m, NEIGHBOURS)?;
        Self::of(Arc::new(form), model)
    }

    /// The field of a fit to the same trial and design.
    ///
    /// # Errors
    /// As [`KnownField::new`].
    pub(super) fn of_fit(posterior: &Posterior, trial: &Trial<'_>, design: &Design) -> Result<Self, StatsError> {
        let Posterior { model, isotropic, .. } = posterior;
        if model.range_across_m.total_cmp(&model.range_along_m).is_eq() {
            Self::of(Arc::clone(isotropic), model)
        } else {
            Self::new(trial, design, model)
        }
    }

    fn of(form: Arc<NeighbourField>, model: &FieldModel) -> Result<Self, StatsError> {
        let (nugget, root_ratio) = shares(model);
        Ok(Self { field: SolvedField::new(form, model.range_along_m, nugget)?, root_ratio })
    }

    /// The same field under another model with the same anisotropy.
    ///
    /// # Errors
    /// As [`KnownField::new`].
    pub(super) fn under(&self, model: &FieldModel) -> Result<Self, StatsError> {
        let (nugget, root_ratio) = shares(model);
        Ok(Self { field: self.field.under(model.range_along_m, nugget)?, root_ratio })
    }

    /// The logarithm of the restricted likelihood of a design, and its answers, without what combines add to their variance.
    ///
    /// # Errors
    /// As [`fit`].
    pub(super) fn answers(&self, design: &Design, contrasts: &[Vec<f64>]) -> Result<(f64, Vec<Component>), StatsError> {
        given(&self.field.gram(design.x.as_ref())?, contrasts, self.root_ratio)
    }

    /// The answers of a design over the rows that are kept.
    ///
    /// # Errors
    /// As [`fit`].
    pub(super) fn answers_of_kept(
        &self,
        is_kept: &[bool],
        design: &Design,
        contrasts: &[Vec<f64>],
    ) -> Result<Vec<Component>, StatsError> {
        Ok(given(&self.field.gram_of_kept(is_kept, design.x.as_ref())?, contrasts, self.root_ratio)?.1)
    }

    /// For a response that varies along some knots, under the same `model`.
    ///
    /// # Errors
    /// As [`Varying::new`].
    pub(super) fn varying(
        &self,
        basis: (&Lists<(u32, f64)>, usize),
        model: &FieldModel,
    ) -> Result<Varying, StatsError> {
        let variance = model.field_sd.powi(2) + model.nugget_sd.powi(2);
        Varying::new(&self.field, basis, variance, self.root_ratio.powi(2))
    }
}

/// The nugget's share of the variance, and the strips' standard deviation by the field's.
fn shares(model: &FieldModel) -> (f64, f64) {
    let sigma_2 = model.field_sd.powi(2) + model.nugget_sd.powi(2);
    (model.nugget_sd.powi(2) / sigma_2, model.strip_sd / sigma_2.sqrt())
}

/// Answers under a covariance that is known, with what combines add to their variance.
///
/// # Errors
/// As [`fit`].
pub(super) fn told(
    answers: Vec<Component>,
    trial: &Trial<'_>,
    design: &Design,
    contrasts: &[Vec<f64>],
) -> Result<Vec<Mixture>, StatsError> {
    let answers = answers.into_iter().map(|answer| Mixture::new([answer])).collect::<Result<_, _>>()?;
    widened(answers, trial, design, contrasts)
}

/// The field's forms, by anisotropy and number of neighbours.
struct Forms<'t> {
    trial: &'t Trial<'t>,
    columns: Columns,
    prior: FieldPrior,
}

impl Forms<'_> {
    fn form(&self, anisotropy: f64, neighbours: usize) -> Result<NeighbourField, StatsError> {
        form(self.trial, self.columns.clone(), anisotropy, neighbours)
    }

    /// The posterior for each anisotropy that is not unlikely, with what was believed of it. The mode is sought with few
    /// neighbours first; a form with few neighbours also tells which anisotropies are worth a look.
    fn explore(
        &self,
        isotropic: &NeighbourField,
        contrasts: &[Vec<f64>],
    ) -> Result<Vec<(f64, f64, FieldPosterior)>, StatsError> {
        let limits = IntegrationLimits::default();
        let prior = &self.prior;
        let rough = Peak::find(&isotropic.with_nearest(FEW_NEIGHBOURS), prior)?;
        let start = Peak::find_near(isotropic, prior, &rough, 1.0)?;
        let (_, belief) = BELIEFS[0];
        let plain = start.ln_evidence + belief.ln();
        let first = integrate_around(isotropic, prior, contrasts, &limits, &start)?;
        let mut found = vec![(1.0, belief, first)];
        for &(anisotropy, belief) in &BELIEFS[1..] {
            // a stronger anisotropy is looked at only where the weaker one is likely
            let weaker = found.iter().any(|one| (one.0 - 2.0 * anisotropy).abs() < 1e-9);
            if anisotropy < 0.5 && !weaker {
                continue;
            }
            // the same range on average over the directions
            let stretch = 1.0 / anisotropy.sqrt();
            let gain = rough.gain_of(&self.form(anisotropy, FEW_NEIGHBOURS)?, prior, stretch)?;
            if gain + belief.ln() + CLIMB < BELIEFS[0].1.ln() + UNLIKELY.ln() {
                continue;
            }
            let form = self.form(anisotropy, NEIGHBOURS)?;
            let peak = Peak::find_near(&form, prior, &start, stretch)?;
            if peak.ln_evidence + belief.ln() > plain + UNLIKELY.ln() {
                let posterior = integrate_around(&form, prior, contrasts, &limits, &peak)?;
                found.push((anisotropy, belief, posterior));
            }
        }
        Ok(found)
    }
}

fn columns(trial: &Trial<'_>, design: &Design) -> Result<Columns, StatsError> {
    let y: Vec<f64> = trial.rows.iter().map(|row| row.yield_kg_ha).collect();
    let part = |side: Side| (side.strip, side.share);
    let strips: Vec<Parts> = trial
        .rows
        .iter()
        .map(|row| Parts { first: part(row.sides.first), second: row.sides.second.map(part) })
        .collect();
    let weights: Vec<f64> = trial.rows.iter().map(|row| row.weight).collect();
    // a design keeps no column that others tell
    Columns::of_independent(&y, design.x.as_ref(), Some(&strips), Some(&weights))
}

fn form(trial: &Trial<'_>, columns: Columns, anisotropy: f64, neighbours: usize) -> Result<NeighbourField, StatsError> {
    let rows = &trial.rows;
    let places =
        Mat::from_fn(rows.len(), 2, |i, j| if j == 0 { rows[i].across_m / anisotropy } else { rows[i].along_m });
    NeighbourField::new(columns, KERNEL, places.as_ref(), neighbours, ALIKE_M)
}

/// The answers with the variance added that the factors between combines bring.
fn widened(
    answers: Vec<Mixture>,
    trial: &Trial<'_>,
    design: &Design,
    contrasts: &[Vec<f64>],
) -> Result<Vec<Mixture>, StatsError> {
    let added = machine_variances(trial, design, contrasts)?;
    answers
        .into_iter()
        .zip(added)
        .map(|(answer, added)| {
            if added > 0.0 {
                let wider = |part: &Component| Component { scale: part.scale.hypot(added.sqrt()), ..*part };
                Mixture::new(answer.components().map(wider))
            } else {
                Ok(answer)
            }
        })
        .collect()
}

/// Variance that the factors between combines add to each contrast: `g′ Σ g` with Σ the covariance of the log factors and
/// `g` what a log factor of one combine would shift the contrast by (its least-squares response to `yield × share of
/// the combine`). Where treated and check were cut by the same combines, `g` is small and the factors cancel.
///
/// # Errors
/// As least squares.
fn machine_variances(trial: &Trial<'_>, design: &Design, contrasts: &[Vec<f64>]) -> Result<Vec<f64>, StatsError> {
    let assigned = &trial.joined.assigned;
    let covariance = &assigned.cleaned.facts.factor_covariance;
    if covariance.is_empty() {
        return Ok(vec![0.0; contrasts.len()]);
    }
    let weights: Vec<f64> = trial.rows.iter().map(|row| row.weight).collect();
    let shifted = |machine: usize, row: &Row| row.yield_kg_ha * row.machine_share.get(machine).copied().unwrap_or(0.0);
    // the normal equations are good enough for a variance, unless the design is close to repeating itself
    let weighted = Mat::from_fn(trial.rows.len(), design.x.ncols(), |i, j| weights[i] * design.x[(i, j)]);
    let shifts: Vec<Vec<f64>> = match Cholesky::of_owned(product_transposed(weighted.as_ref(), design.x.as_ref())) {
        Some(factor) => {
            let y = Mat::from_fn(trial.rows.len(), covariance.len(), |i, machine| shifted(machine, &trial.rows[i]));
            let found = factor.solve(product_transposed(weighted.as_ref(), y.as_ref()).as_ref());
            (0..covariance.len()).map(|machine| found.col(machine).iter().copied().collect()).collect()
        }
        None => (0..covariance.len())
            .map(|machine| {
                let y: Vec<f64> = trial.rows.iter().map(|row| shifted(machine, row)).collect();
                Ok(linear::least_squares(design.x.as_ref(), &y, Some(&weights))?.coefficients)
            })
            .collect::<Result<_, StatsError>>()?,
    };
    let covariance = Mat::from_fn(shifts.len(), shifts.len(), |i, j| covariance[i][j]);
    Ok(contrasts
        .iter()
        .map(|contrast| {
            let g: Vec<f64> = shifts.iter().map(|shift| dot(shift, contrast)).collect();
            quadratic_form(covariance.as_ref(), &g).max(0.0)
        })
        .collect())
}
