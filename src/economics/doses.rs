//! Dose and response: the treatments of a crop whose rates have one kind of unit, taken as rates of one product.
//!
//! A straight line, a parabola, and a parabola with a plateau (the forms of fertiliser trials: Cerrato and Blackmer 1990, Agronomy Journal 82:138) through
//! no response at the check's rate are fitted to the treatments' mean responses by generalised least squares with their joint covariance
//! (`results::correlations`). Since that covariance is taken as known, a standard error stands for the reach of the mean's
//! own interval, whatever its degrees of freedom. The forms are averaged with weights by BIC (Buckland, Burnham and Augustin 1997, Biometrics
//! 53:603): the misfit plus the number of parameters times the logarithm of the number of responses, each site-year telling one at each of
//! its rates. Where the plateau begins is averaged over, each place by its likelihood. Only tested rates are compared.

use super::choice::evenly;
use crate::config::ArchiveSettings;
use crate::results::{Choice, Choices, DoseCurve, DoseForm, Synthesis, TestedRate, ZoneResponse, correlations};
use crate::stats::dense::{Cholesky, Mat, dot, product_transposed};
use crate::stats::distribution::{Component, Mixture, standard_normal_quantile};

/// Fewest rates beside the check for a curve.
const LEAST_RATES: usize = 2;
/// Fewest rates for a plateau: with two, a place and a height say no more than the points do.
const LEAST_FOR_PLATEAU: usize = 3;
/// Places where the plateau may begin, evenly from the lowest rate to the highest.
const PLACES: usize = 60;
/// Draws of each curve (ours: with [`PLACES`] of them a probability is exact to the percent).
const DRAWS: usize = 400;
/// Points along the curve.
const POINTS: usize = 41;

/// Responses at some rates (differences from the check) with what makes them err together.
#[derive(Debug, Clone)]
pub(crate) struct Tested {
    /// Rates, rising, above that of the check.
    pub(crate) rates: Vec<f64>,
    /// Rate of the check.
    pub(crate) check: f64,
    /// Responses.
    pub(crate) responses: Vec<f64>,
    /// Their covariance, factored.
    pub(crate) covariance: Cholesky,
    /// Responses of site-years behind them.
    pub(crate) count: f64,
}

/// A curve with the normal distribution of its coefficients.
#[derive(Debug, Clone)]
pub(crate) struct Fit {
    form: DoseForm,
    /// Where the plateau begins.
    pub(crate) plateau: f64,
    /// Coefficients of the terms.
    pub(crate) coefficients: Vec<f64>,
    /// Their covariance, factored.
    covariance: Cholesky,
    /// Generalised sum of squares that is left.
    pub(crate) misfit: f64,
}

impl Fit {
    /// The terms of a rate.
    fn terms(form: DoseForm, plateau: f64, rate: f64) -> Vec<f64> {
        match form {
            DoseForm::Linear => vec![rate],
            DoseForm::Quadratic => vec![rate, rate * rate],
            DoseForm::QuadraticPlateau => {
                let up = rate.min(plateau);
                vec![up - up * up / (2.0 * plateau)]
            }
        }
    }

    fn terms_at(&self, tested: &Tested, rate: f64) -> Vec<f64> {
        Self::terms_beyond(tested.check, (self.form, self.plateau), rate)
    }

    /// The terms of a rate less those of the check's.
    fn terms_beyond(check: f64, (form, plateau): (DoseForm, f64), rate: f64) -> Vec<f64> {
        let of = |rate: f64| Self::terms(form, plateau, rate);
        of(rate).into_iter().zip(of(check)).map(|(own, check)| own - check).collect()
    }

    /// Mean and standard deviation of the response at a rate.
    fn response_at(&self, tested: &Tested, rate: f64) -> (f64, f64) {
        let terms = self.terms_at(tested, rate);
        let covariance = self.covariance.lower();
        let spread = (0..terms.len())
            .map(|column| (column..terms.len()).map(|row| terms[row] * covariance[(row, column)]).sum::<f64>().powi(2));
        (dot(&terms, &self.coefficients), spread.sum::<f64>().sqrt())
    }

    /// Parameters that were fitted.
    fn parameters(&self) -> f64 {
        if self.form == DoseForm::Linear { 1.0 } else { 2.0 }
    }
}

/// Fits a form by generalised least squares; `None` where the rates do not tell its coefficients.
pub(crate) fn fit(tested: &Tested, form: DoseForm, plateau: f64) -> Option<Fit> {
    let terms = |rate: f64| Fit::terms_beyond(tested.check, (form, plateau), rate);
    let columns: Vec<Vec<f64>> = tested.rates.iter().map(|&rate| terms(rate)).collect();
    let (n, p) = (columns.len(), columns[0].len());
    let mut whitened = Mat::from_fn(n, p + 1, |i, j| columns[i].get(j).copied().unwrap_or(tested.responses[i]));
    tested.covariance.whiten(whitened.as_mut());
    let (x, y) = (whitened.subcols(0, p), whitened.subcols(p, 1));
    let normal = Cholesky::new(product_transposed(x, x).as_ref())?;
    let solution = normal.solve(product_transposed(x, y).as_ref());
    let rest = y - x * &solution;
    Some(Fit {
        form,
        plateau,
        coefficients: solution.col(0).iter().copied().collect(),
        covariance: Cholesky::of_owned(normal.inverse())?,
        misfit: rest.col(0).iter().map(|own| own * own).sum(),
    })
}

/// The plateau that fits best, between the lowest rate and the highest.
pub(crate) fn best_plateau(tested: &Tested) -> Option<Fit> {
    let (mut low, mut high) = (*tested.rates.first()?, *tested.rates.last()?);
    let mut best: Option<Fit> = None;
    // each round looks closer around the best of the round before
    for _ in 0..8 {
        let step = (high - low) / PLACES as f64;
        for place in 0..=PLACES {
            let Some(one) = fit(tested, DoseForm::QuadraticPlateau, low + step * place as f64) else { continue };
            if best.as_ref().is_none_or(|best| one.misfit < best.misfit) {
                best = Some(one);
            }
        }
        let at = best.as_ref()?.plateau;
        (low, high) = ((at - step).max(tested.rates[0]), (at + step).min(tested.rates[tested.rates.len() - 1]));
    }
    best
}

/// The curves with their weights, which sum to 1.
pub(crate) fn weighed(tested: &Tested) -> Vec<(Fit, f64)> {
    let bic = |fit: &Fit| fit.misfit + fit.parameters() * tested.count.ln();
    let mut fits: Vec<(Fit, f64)> = [DoseForm::Linear, DoseForm::Quadratic]
        .into_iter()
        .filter_map(|form| fit(tested, form, 0.0))
        .map(|fit| {
            let bic = bic(&fit);
            (fit, -0.5 * bic)
        })
        .collect();
    if tested.rates.len() >= LEAST_FOR_PLATEAU
        && let Some(best) = best_plateau(tested)
    {
        let (low, high) = (tested.rates[0], tested.rates[tested.rates.len() - 1]);
        let place = |at: usize| low + (high - low) * (at as f64 + 0.5) / PLACES as f64;
        let places: Vec<Fit> =
            (0..PLACES).filter_map(|at| fit(tested, DoseForm::QuadraticPlateau, place(at))).collect();
        let likelihood = |fit: &Fit| (-0.5 * (fit.misfit - best.misfit)).exp();
        let all: f64 = places.iter().map(likelihood).sum();
        fits.extend(places.into_iter().map(|fit| {
            let share = likelihood(&fit) / all;
            (fit, -0.5 * bic(&best) + share.ln())
        }));
    }
    let most = fits.iter().map(|(_, log)| *log).fold(f64::NEG_INFINITY, f64::max);
    for (_, weight) in &mut fits {
        *weight = (*weight - most).exp();
    }
    let sum: f64 = fits.iter().map(|(_, weight)| weight).sum();
    for (_, weight) in &mut fits {
        *weight /= sum;
    }
    fits.retain(|(_, weight)| *weight > 1e-9);
    fits
}

/// The response at a rate, averaged over the curves: its mean and interval.
fn told(fits: &[(Fit, f64)], tested: &Tested, rate: f64, confidence: f64) -> Option<(f64, f64, f64)> {
    let parts = fits.iter().map(|(fit, weight)| {
        let (centre, scale) = fit.response_at(tested, rate);
        Component { weight: *weight, centre, scale, df: f64::INFINITY }
    });
    let mixture = Mixture::new(parts).ok()?;
    let mean = mixture.mean()?;
    let interval = mixture.interval(confidence).ok()?;
    Some((mean, interval.lower, interval.upper))
}

/// The curves of each crop.
pub fn doses(choices: &[Choices], synthesis: &Synthesis, archive: &ArchiveSettings) -> Vec<DoseCurve> {
    let mut curves = Vec::new();
    for of_crop in choices {
        let mut rated: Vec<(f64, &Choice, &ZoneResponse)> = Vec::new();
        for one in &of_crop.treatments {
            let zone = synthesis.zones.iter().find(|zone| {
                zone.crop == of_crop.crop
                    && zone.treatment == one.treatment
                    && zone.class.is_none()
                    && zone.wetness.is_none()
            });
            let rate = archive.treatment(&one.treatment).and_then(|treatment| treatment.rate);
            if let (Some(rate), Some(zone), Some(_)) = (rate, zone, &one.worth) {
                rated.push((rate.per_ha, one, zone));
            }
        }
        rated.sort_by(|one, other| one.0.total_cmp(&other.0));
        let kind = |one: &&(f64, &Choice, &ZoneResponse)| {
            archive.treatment(&one.1.treatment).and_then(|treatment| treatment.rate).map(|rate| rate.unit.kind)
        };
        let mut kinds = Vec::new();
        for one in &rated {
            if !kinds.contains(&kind(&one)) {
                kinds.push(kind(&one));
            }
        }
        for of_kind in kinds {
            let group: Vec<_> = rated.iter().filter(|one| kind(one) == of_kind).copied().collect();
            curves.extend(curve(&of_crop.crop, &group, synthesis, archive));
        }
    }
    curves
}

fn curve(
    crop: &str,
    group: &[(f64, &Choice, &ZoneResponse)],
    synthesis: &Synthesis,
    archive: &ArchiveSettings,
) -> Option<DoseCurve> {
    let unit = archive.treatment(&group.first()?.1.treatment)?.rate?.unit;
    let check = archive.check().and_then(|check| check.rate);
    let check = check.filter(|rate| rate.unit.kind == unit.kind).map_or(0.0, |rate| rate.per_ha);
    let confidence = archive.model.confidence;
    let z = standard_normal_quantile(0.5 + 0.5 * confidence).ok()?;
    // one rate twice is two treatments that differ in something else
    let is_once = group.windows(2).all(|pair| pair[1].0 > pair[0].0 * (1.0 + 1e-9));
    // what was put down together is not one product
    let of_group = |key: &&String| group.iter().any(|one| one.1.treatment == **key);
    let is_mixed = archive.treatments.iter().any(|one| one.of.iter().filter(of_group).count() > 1);
    if group.len() < LEAST_RATES || !is_once || is_mixed || group[0].0 <= check {
        return None;
    }
    let zones: Vec<&ZoneResponse> = group.iter().map(|one| one.2).collect();
    let scales: Vec<f64> =
        zones.iter().map(|zone| Some(0.5 * (zone.estimate.high? - zone.estimate.low?) / z)).collect::<Option<_>>()?;
    let together = correlations(&zones, &synthesis.forest);
    let covariance =
        Cholesky::of_owned(Mat::from_fn(zones.len(), zones.len(), |i, j| scales[i] * scales[j] * together[(i, j)]))?;
    let tested = Tested {
        rates: group.iter().map(|one| one.0).collect(),
        check,
        responses: zones.iter().map(|zone| zone.estimate.mean).collect::<Option<_>>()?,
        covariance,
        count: zones.iter().map(|zone| zone.site_years as f64).sum(),
    };
    let fits = weighed(&tested);
    let worths: Vec<_> = group.iter().map(|one| one.1.worth.as_ref()).collect::<Option<_>>()?;
    let probabilities = best(&fits, &tested, |at, response| worths[at].net_return_of(response));
    let (from, to) = shortest(&probabilities, confidence);
    let rates = group.iter().enumerate().map(|(at, (rate, choice, zone))| {
        let fitted = told(&fits, &tested, *rate, confidence)?;
        Some(TestedRate {
            treatment: choice.treatment.clone(),
            rate_per_ha: *rate,
            found: (zone.estimate.mean?, zone.estimate.low?, zone.estimate.high?),
            fitted,
            net_return: worths[at].net_return_of(fitted.0),
            probability_best: probabilities[at + 1],
            in_range: (from..=to).contains(&(at + 1)),
        })
    });
    let rates: Vec<TestedRate> = rates.collect::<Option<_>>()?;
    let largest = tested.rates[tested.rates.len() - 1];
    let points = (0..POINTS).map(|at| {
        let rate = check + (largest - check) * at as f64 / (POINTS - 1) as f64;
        let (mean, low, high) = told(&fits, &tested, rate, confidence)?;
        Some((rate, mean, low, high))
    });
    let mut forms: Vec<(DoseForm, f64)> = Vec::new();
    for (fit, weight) in &fits {
        match forms.iter_mut().find(|(form, _)| *form == fit.form) {
            Some((_, sum)) => *sum += weight,
            None => forms.push((fit.form, *weight)),
        }
    }
    Some(DoseCurve {
        crop: crop.to_owned(),
        unit,
        rates,
        probability_nothing_best: probabilities[0],
        nothing_in_range: from == 0,
        forms,
        curve: points.collect::<Option<_>>()?,
    })
}

/// Probability of each choice to return most: nothing, then the rates.
fn best(fits: &[(Fit, f64)], tested: &Tested, net: impl Fn(usize, f64) -> f64) -> Vec<f64> {
    let mut shares = vec![0.0; tested.rates.len() + 1];
    let points = [evenly(DRAWS, 1), evenly(DRAWS, 2)];
    for (fit, weight) in fits {
        let terms: Vec<Vec<f64>> = tested.rates.iter().map(|&rate| fit.terms_at(tested, rate)).collect();
        let lower = fit.covariance.lower();
        for z in &points[fit.coefficients.len() - 1] {
            let moved: Vec<f64> = (0..z.len())
                .map(|row| fit.coefficients[row] + (0..=row).map(|k| lower[(row, k)] * z[k]).sum::<f64>())
                .collect();
            let mut winner = (0, 0.0);
            for (at, terms) in terms.iter().enumerate() {
                let net = net(at, dot(terms, &moved));
                if net > winner.1 {
                    winner = (at + 1, net);
                }
            }
            shares[winner.0] += weight / DRAWS as f64;
        }
    }
    shares
}

/// The shortest run of neighbours that holds a share, first and last; of equals the likeliest.
fn shortest(shares: &[f64], least: f64) -> (usize, usize) {
    let sum = |from: usize, to: usize| shares[from..=to].iter().sum::<f64>();
    for length in 0..shares.len() {
        let runs = (0..shares.len() - length).map(|from| (from, from + length));
        let likeliest = runs.max_by(|one, other| sum(one.0, one.1).total_cmp(&sum(other.0, other.1)));
        if let Some((from, to)) = likeliest.filter(|run| sum(run.0, run.1) >= least - 1e-9) {
            return (from, to);
        }
    }
    (0, shares.len() - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shortest_run_that_is_sure_enough_is_named() {
        assert_eq!(shortest(&[0.02, 0.05, 0.91, 0.02], 0.9), (2, 2));
        assert_eq!(shortest(&[0.02, 0.45, 0.50, 0.03], 0.9), (1, 2));
        assert_eq!(shortest(&[0.3, 0.3, 0.1, 0.3], 0.95), (0, 3));
    }

    /// With known independent errors the curve through two points is the parabola through them, and a point's own error is the
    /// band's.
    #[test]
    fn a_parabola_passes_through_two_points_with_their_errors() {
        let tested = Tested {
            rates: vec![1.0, 2.0],
            check: 0.0,
            responses: vec![3.0, 4.0],
            covariance: Cholesky::of_owned(Mat::from_fn(2, 2, |i, j| if i == j { [0.25, 0.49][i] } else { 0.0 }))
                .unwrap(),
            count: 10.0,
        };
        let found = fit(&tested, DoseForm::Quadratic, 0.0).unwrap();
        assert!(found.misfit < 1e-20);
        for (rate, mean, sd) in [(1.0, 3.0, 0.5), (2.0, 4.0, 0.7)] {
            let told = found.response_at(&tested, rate);
            assert!((told.0 - mean).abs() < 1e-12 && (told.1 - sd).abs() < 1e-12, "{told:?}");
        }
        // no plateau from two rates
        assert!(weighed(&tested).iter().all(|(fit, _)| fit.form != DoseForm::QuadraticPlateau));
    }
}
