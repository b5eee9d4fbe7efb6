//! Whether fields with more difference in a rating have more response: an association between site-years.

use std::collections::{BTreeMap, BTreeSet};

use super::FEW_SITE_YEARS;
use crate::points::Scale;
use crate::results::{Association, Estimate, ObservedDifference, SiteYear};
use crate::stats::dense::Mat;
use crate::stats::linear::least_squares;

/// Percent points that a change is reported for.
const POINTS: f64 = 10.0;

/// A site-year that has both.
struct Member<'s> {
    seen: &'s ObservedDifference,
    x: f64,
    response: f64,
    season: i32,
}

/// By crop, treatment and measure, where enough site-years have both: the slope of the response on the difference, each site-year
/// counting once, with a t interval.
pub(super) fn associations(site_years: &[&SiteYear], confidence: f64) -> Vec<Association> {
    let mut members: BTreeMap<(&str, &str, &str), Vec<Member<'_>>> = BTreeMap::new();
    for site_year in site_years {
        for one in site_year.observed.iter().filter(|one| one.class.is_none()) {
            let whole = site_year
                .responses
                .iter()
                .find(|response| response.key.class.is_none() && response.key.treatment == one.treatment);
            let Some(response) = whole.and_then(|response| response.estimate.mean) else { continue };
            let x = match one.scale {
                Scale::Percent => one.difference.map(|points| points / POINTS),
                Scale::Count | Scale::Ordinal(_) => one.estimate.mean.map(|ln| ln / std::f64::consts::LN_2),
            };
            let Some(x) = x else { continue };
            let key = (site_year.identity.crop.as_str(), one.treatment.as_str(), one.measure.as_str());
            members.entry(key).or_default().push(Member { seen: one, x, response, season: site_year.identity.season });
        }
    }
    members
        .into_iter()
        .filter_map(|((crop, treatment, measure), members)| {
            let scale = &members[0].seen.scale;
            let same_scale = members.iter().all(|one| one.seen.scale == *scale);
            if members.len() < FEW_SITE_YEARS || !same_scale {
                return None;
            }
            let x = Mat::from_fn(members.len(), 2, |i, j| if j == 0 { 1.0 } else { members[i].x });
            let y: Vec<f64> = members.iter().map(|one| one.response).collect();
            let fit = least_squares(x.as_ref(), &y, None).ok()?;
            let estimate = Estimate::of_t(fit.coefficients[1], fit.standard_errors()[1], fit.df as f64, confidence)?;
            Some(Association {
                crop: crop.to_owned(),
                treatment: treatment.to_owned(),
                measure: measure.to_owned(),
                scale: scale.clone(),
                estimate,
                site_years: members.len(),
                seasons: members.iter().map(|one| one.season).collect::<BTreeSet<_>>().len(),
            })
        })
        .collect()
}
