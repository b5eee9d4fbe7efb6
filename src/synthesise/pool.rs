//! Pooling the responses of one zone over site-years.

use super::{Zone, doubts};
use crate::config::ArchiveSettings;
use crate::results::{Estimate, Response, Returns, SiteYear, ZoneResponse};
use crate::stats::dense::Mat;
use crate::stats::distribution::StudentT;
use crate::stats::meta::{BetweenVariance, CoefficientInference, Estimates, MetaFit, PredictionDegrees};

/// Fewest site-years for a pooled interval.
const LEAST_POOLED: usize = 3;

/// Responses with a standard error, and their variances. A variance from few degrees of freedom is too small as often as
/// too large, and the small ones get too much weight; it is inflated by `(df + 1) / (df − 1)` where that exists.
fn estimates<'z>(zone: &'z Zone<'_>) -> Vec<(&'z SiteYear, &'z Response, f64, f64)> {
    zone.members
        .iter()
        .filter_map(|(site_year, response)| {
            let (mean, std_error, df) = (response.estimate.mean?, response.estimate.std_error?, response.estimate.df?);
            let inflation = if df > 1.5 { (df + 1.0) / (df - 1.0) } else { 5.0 };
            Some((*site_year, *response, mean, std_error * std_error * inflation))
        })
        .collect()
}

fn fit(zone: &Zone<'_>) -> Option<MetaFit> {
    let members = estimates(zone);
    if members.len() < LEAST_POOLED {
        return None;
    }
    let y: Vec<f64> = members.iter().map(|member| member.2).collect();
    let variances: Vec<f64> = members.iter().map(|member| member.3).collect();
    let ones = Mat::from_fn(y.len(), 1, |_, _| 1.0);
    let estimates = Estimates::new(&y, &variances, ones.as_ref()).ok()?;
    MetaFit::new(estimates, BetweenVariance::RestrictedLikelihood, CoefficientInference::KnappHartungModified).ok()
}

/// The synthesis of a zone, without what it is worth.
pub(super) fn pool(zone: &Zone<'_>, archive: &ArchiveSettings) -> ZoneResponse {
    let members = estimates(zone);
    let confidence = archive.model.confidence;
    let (mut estimate, mut tau, mut prediction, mut predictive) = (Estimate::default(), None, None, None);
    match members.as_slice() {
        [] => {}
        // One site-year: its own interval; it says nothing of others.
        [(_, response, ..)] => estimate = Estimate { p_randomization: None, ..response.estimate },
        // Two: their mean, and no interval.
        [one, other] => estimate.mean = Some(f64::midpoint(one.2, other.2)),
        _ => {
            if let Some(fit) = fit(zone) {
                estimate = pooled(&fit, confidence);
                tau = Some(fit.tau2.sqrt());
                prediction = fit
                    .prediction_interval(&[1.0], confidence, PredictionDegrees::OneLess)
                    .ok()
                    .map(|interval| (interval.lower, interval.upper));
                // Higgins, Thompson & Spiegelhalter 2009, J. R. Stat. Soc. A 172:137: t on k − 2 degrees of freedom.
                let scale = (fit.tau2 + fit.wald_covariance[(0, 0)]).sqrt();
                predictive = Some((scale, (members.len() - 2) as f64));
            }
        }
    }
    let with_mean: Vec<&Response> =
        zone.members.iter().map(|(_, response)| *response).filter(|one| one.estimate.mean.is_some()).collect();
    let pays =
        |response: &Response| response.estimate.mean.zip(response.returns.break_even).is_some_and(|(m, b)| m > b);
    let mean_of = |pick: &dyn Fn(&Response) -> Option<f64>| {
        let values: Vec<f64> = members.iter().filter_map(|member| pick(member.1)).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let wetness: Vec<f64> = zone.members.iter().filter_map(|(one, _)| one.wetness_mm).collect();
    ZoneResponse {
        crop: zone.crop.clone(),
        treatment: zone.treatment.clone(),
        class: zone.class,
        class_name: zone.class.map_or_else(|| "all".to_owned(), |class| archive.soil.zones[class].clone()),
        wetness_class: zone.wetness_class.clone().unwrap_or_else(|| "all".to_owned()),
        wetness_mm: (!wetness.is_empty()).then(|| wetness.iter().sum::<f64>() / wetness.len() as f64),
        site_years: members.len(),
        gained: with_mean.iter().filter(|one| one.estimate.mean.is_some_and(|mean| mean > 0.0)).count(),
        paid: with_mean.iter().filter(|one| pays(one)).count(),
        blocks: members.iter().map(|member| member.1.blocks).sum(),
        strips: members.iter().map(|member| member.1.strips).sum(),
        segments: members.iter().map(|member| member.1.segments).sum(),
        area_m2: members.iter().map(|member| member.1.area_m2).sum(),
        check_yield: mean_of(&|response| response.check_yield),
        treated_yield: mean_of(&|response| response.treated_yield),
        estimate,
        tau,
        prediction,
        predictive,
        returns: Returns::default(),
        probability_new_site_pays: None,
        shrunken_response: None,
        cautions: doubts(zone, members.len()),
    }
}

fn pooled(fit: &MetaFit, confidence: f64) -> Estimate {
    let mean = fit.coefficients[0];
    let std_error = fit.standard_errors()[0];
    let interval = fit.interval(&[1.0], confidence).ok();
    Estimate {
        mean: Some(mean),
        std_error: Some(std_error),
        df: Some(fit.df),
        low: interval.map(|interval| interval.lower),
        high: interval.map(|interval| interval.upper),
        p_value: fit.p_value(&[1.0]).ok(),
        p_randomization: None,
        probability_positive: StudentT::new(fit.df).ok().map(|t| t.cdf(mean / std_error)),
    }
}
