//! What the archive says of one ground in a season of which only an outlook is known.

use super::Outlook;
use crate::config::ArchiveSettings;
use crate::economics::{self, Budget};
use crate::points::Caution;
use crate::results::{Advice, Decision, Estimate, FieldAnswer, LEAST_POOLED, ZoneResponse, ZoningValue};
use crate::stats::StatsError;
use crate::stats::distribution::{Component, Mixture, StudentT};

/// Seasons below which the outlook gets a caution: a decade of a climate whose normals take three (common practice, no
/// source).
const FEW_SEASONS: usize = 10;

/// What is known of the response in one wetness class.
struct Weather {
    /// Its probability.
    share: f64,
    /// The shrunken mean as a t distribution: centre, scale, degrees of freedom.
    centre: f64,
    scale: f64,
    t_dist: StudentT,
    /// One field of that weather.
    new_site: Option<Mixture>,
}

/// The advice on a treatment and soil class (`None`: ground of any class), or `None` where the synthesis has no such row.
///
/// The means of the wetness classes are taken to err together: the interval of their average under the outlook is then too
/// wide rather than too narrow.
pub fn advise(
    zones: &[ZoneResponse],
    archive: &ArchiveSettings,
    (crop, treatment): (&str, &str),
    class: Option<usize>,
    outlook: &Outlook,
) -> Option<Advice> {
    let of_class = |wetness: Option<usize>| {
        zones.iter().find(|zone| {
            zone.crop == crop && zone.treatment == treatment && zone.class == class && zone.wetness == wetness
        })
    };
    let whole = of_class(None)?;
    let mut advice = Advice {
        site_years: whole.site_years,
        cautions: whole.cautions.clone(),
        ..Advice::to_test((crop, treatment), class, &whole.class_name)
    };
    if outlook.seasons.is_some_and(|seasons| seasons < FEW_SEASONS) {
        advice.cautions.add(Caution::OutlookShort, format!("{} seasons", outlook.seasons.unwrap_or(0)));
    }
    let classes: Vec<(f64, &ZoneResponse)> = outlook
        .shares
        .iter()
        .enumerate()
        .filter(|(_, share)| **share > 0.0)
        .map(|(rank, &share)| (share, of_class(Some(rank)).filter(|zone| zone.shrunken.is_some()).unwrap_or(whole)))
        .collect();
    let classes = if classes.is_empty() { vec![(1.0, whole)] } else { classes };
    // Of one or two site-years nothing is decided: how others would differ from them is not known.
    if !whole.estimator.is_pooled() || whole.site_years < LEAST_POOLED {
        return Some(advice);
    }
    let weathers: Option<Vec<Weather>> =
        classes.iter().map(|(share, zone)| weather(*share, zone, whole).ok().flatten()).collect();
    let Some(weathers) = weathers else { return Some(advice) };
    let mean: f64 = weathers.iter().map(|one| one.share * one.centre).sum();
    advice.response = Some(mean);
    let tail = 0.5 * (1.0 - archive.model.confidence);
    advice.interval = quantile(&weathers, tail).zip(quantile(&weathers, 1.0 - tail));
    advice.field_interval = field_interval(&weathers, archive.model.confidence);
    let budget = archive
        .crops
        .get(crop)
        .zip(archive.treatment(treatment))
        .and_then(|(crop, treatment)| Budget::new(crop, treatment, whole.check_yield, whole.moistures));
    let Some(budget) = budget else { return Some(advice) };
    // set against the price, the response is as unsure as the moistures, too
    let weathers: Vec<Weather> =
        weathers.into_iter().map(|one| Weather { scale: budget.widened(one.scale), ..one }).collect();
    let needed = budget.break_even();
    advice.break_even = Some(needed);
    advice.net_return = Some(budget.net_return(mean));
    advice.probability_pays = Some(probability_above(&weathers, needed));
    advice.probability_new_site_pays =
        weathers.iter().map(|one| Some(one.share * one.new_site.as_ref()?.survival(needed))).sum();
    // Where few seasons leave much to the priors, it must hold under twice their scale, too.
    let sure = archive.target.sure;
    let needed_alone = needed - whole.drawn_by();
    let under_twice =
        |least: f64, most: f64| whole.holds_under_twice(|one| probability_pays(one, needed_alone, least, most));
    advice.decision = match advice.probability_pays {
        Some(pays) if pays >= sure && mean > needed && under_twice(sure, 1.0) => Decision::Treat,
        Some(pays) if pays <= 1.0 - sure && mean <= needed && under_twice(0.0, 1.0 - sure) => Decision::Leave,
        _ => Decision::Test,
    };
    Some(advice)
}

/// Whether the probability that a mean response pays lies within limits.
fn probability_pays(estimate: &Estimate, needed: f64, least: f64, most: f64) -> bool {
    economics::probability_above(estimate, needed).is_some_and(|pays| pays >= least && pays <= most)
}

/// The advice on a field with strips of its own: the archive's, moved by what its own strips showed and as sure as these make it.
/// `own` is what the synthesis tells of the field on the advice's ground.
pub fn for_field(advice: Advice, zones: &[ZoneResponse], archive: &ArchiveSettings, own: &FieldAnswer) -> Advice {
    let whole = zones.iter().find(|zone| {
        zone.crop == advice.crop
            && zone.treatment == advice.treatment
            && zone.class == advice.class
            && zone.wetness.is_none()
    });
    let moved = || -> Option<Advice> {
        let whole = whole?;
        let apart = own.mean.mean? - whole.estimate.mean?;
        let mean = advice.response? + apart;
        let about = |of: &Estimate| Estimate::of_t(mean, of.std_error?, of.df?, archive.model.confidence);
        let (average, next) = (about(&own.mean)?, about(&own.next_season)?);
        let mut moved = Advice {
            response: Some(mean),
            interval: average.low.zip(average.high),
            field_interval: next.low.zip(next.high),
            ..advice.clone()
        };
        let Some(needed) = advice.break_even else { return Some(moved) };
        let sure = archive.target.sure;
        let holds = |least: f64, most: f64| {
            probability_pays(&average, needed, least, most)
                && whole.holds_under_twice(|one| probability_pays(one, needed - apart - whole.drawn_by(), least, most))
        };
        moved.net_return = whole.returns.net_return_of(mean).or(advice.net_return);
        moved.probability_pays = economics::probability_above(&average, needed);
        moved.probability_new_site_pays = economics::probability_above(&next, needed);
        moved.decision = match mean > needed {
            true if holds(sure, 1.0) => Decision::Treat,
            false if holds(0.0, 1.0 - sure) => Decision::Leave,
            _ => Decision::Test,
        };
        Some(moved)
    };
    moved().unwrap_or(advice)
}

/// The advice after what choices of ground promised too much is taken off: treated is only what is still expected to pay.
pub fn without_optimism(mut advice: Advice, zoning: Option<&ZoningValue>) -> Advice {
    let take_off = zoning.map_or(0.0, ZoningValue::to_take_off);
    if advice.decision == Decision::Treat && advice.net_return.is_some_and(|net| net <= take_off) {
        advice.decision = Decision::Test;
        advice.cautions.add(Caution::PromisedTooMuch, "");
    }
    advice
}

fn weather(share: f64, zone: &ZoneResponse, whole: &ZoneResponse) -> Result<Option<Weather>, StatsError> {
    let Some(shrunken) = &zone.shrunken else { return Ok(None) };
    let (_, scale, df) = shrunken.distribution.nearest_t()?;
    let new_site = zone
        .tau
        .or(whole.tau)
        .map(|tau| {
            let wider = |part: &Component| Component { scale: part.scale.hypot(tau), ..*part };
            Mixture::new(shrunken.distribution.components().map(wider))
        })
        .transpose()?;
    // The mean of the distribution, not its median, is what is earned on average.
    Ok(Some(Weather { share, centre: shrunken.mean, scale, t_dist: StudentT::new(df)?, new_site }))
}

/// Interval of the response of one field: whichever weather it gets.
fn field_interval(weathers: &[Weather], confidence: f64) -> Option<(f64, f64)> {
    let mut parts = Vec::new();
    for one in weathers {
        let of_one = one.new_site.as_ref()?.components();
        parts.extend(of_one.map(|part| Component { weight: one.share * part.weight, ..*part }));
    }
    let interval = Mixture::new(parts).ok()?.interval(confidence).ok()?;
    Some((interval.lower, interval.upper))
}

/// Quantile of the average when all its parts err together.
fn quantile(weathers: &[Weather], p: f64) -> Option<f64> {
    weathers.iter().map(|one| Some(one.share * (one.centre + one.scale * one.t_dist.quantile(p).ok()?))).sum()
}

/// Probability that the average lies above a limit, by bisection of its quantiles.
fn probability_above(weathers: &[Weather], limit: f64) -> f64 {
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        match quantile(weathers, middle) {
            Some(value) if value < limit => low = middle,
            Some(_) => high = middle,
            None => break,
        }
    }
    1.0 - 0.5 * (low + high)
}
