//! Promises: what a plan says of the season to come, kept until its harvest tells.
//!
//! A promise is held against the site-year's own response on the same ground. That response has an error of its own, so the promised
//! interval is widened by it: both reaches are added in squares (the method of variance estimates recovery: Zou and Donner 2008,
//! Statistics in Medicine 27:1693). The promises of one season share its weather and its prices: where they went well or badly together they
//! count as fewer (the design effect of Kish 1965, Survey Sampling, chapter 5), and money is compared season by season.

use std::collections::{BTreeMap, BTreeSet};

use crate::economics::interval_of_share;
use crate::results::{Advice, Decision, Promise, Record, RecordOfMoney, Response, ScoredPromise, SeasonPlan, SiteYear};
use crate::stats::distribution::StudentT;

/// By how much the share of intervals that held may fall short of what was promised (ours: intervals of 90 % are still of use when
/// 80 % hold).
const TOLERATED: f64 = 0.10;
/// Seasons below which nothing is said against the intervals: the promises of one season may all miss by one chance.
const LEAST_SEASONS: usize = 2;
/// Seasons below which nothing is said against the money.
const LEAST_SEASONS_OF_MONEY: usize = 3;

/// What an advice promises of a place (farm and field) in a season; `None` where it predicts no response of one field.
pub fn promise(
    advice: &Advice,
    (farm, field): (&str, &str),
    (season, known_to): (i32, i32),
    (decision, treat_m2): (Decision, f64),
    outlook: &[f64],
    confidence: f64,
) -> Option<Promise> {
    Some(Promise {
        season,
        known_to,
        farm: farm.to_owned(),
        field: field.to_owned(),
        crop: advice.crop.clone(),
        treatment: advice.treatment.clone(),
        class_name: advice.class_name.clone(),
        decision,
        treat_m2,
        response: advice.response?,
        interval: advice.field_interval?,
        confidence,
        break_even: advice.break_even,
        net_return: advice.net_return,
        probability_pays: advice.probability_pays,
        probability_new_site_pays: advice.probability_new_site_pays,
        outlook: outlook.to_vec(),
    })
}

/// What a plan promises, by field, treatment and class. Ground without a class beside ground with one promises nothing: no harvest
/// tells of it by itself.
pub fn promises(plan: &SeasonPlan, seasons: (i32, i32), confidence: f64) -> Vec<Promise> {
    let mut made = Vec::new();
    for field in &plan.fields {
        let has_classes = field.zones.iter().any(|zone| zone.advice.class.is_some());
        let mut seen = BTreeSet::new();
        for zone in field.zones.iter().filter(|zone| zone.advice.class.is_some() == has_classes) {
            let advice = &zone.advice;
            if !seen.insert((&advice.treatment, advice.class)) {
                continue;
            }
            let own = field.zones.iter().filter(|one| {
                one.advice.treatment == advice.treatment
                    && one.advice.class == advice.class
                    && one.decision == Decision::Treat
            });
            // the sum of nothing would be printed as -0
            let treat_m2 = own.fold(0.0, |sum, one| sum + one.area_m2);
            let place = (field.farm.as_str(), field.field.as_str());
            let promise = promise(advice, place, seasons, (advice.decision, treat_m2), &field.outlook, confidence);
            let take_off = if treat_m2 > 0.0 { plan.to_take_off(&advice.treatment) } else { 0.0 };
            made.extend(promise.map(|one| Promise { net_return: one.net_return.map(|net| net - take_off), ..one }));
        }
    }
    made
}

/// The promises that the site-years tell of, in their order. One that was made when the archive already held a harvest of its season
/// is not scored.
pub fn score(promises: &[Promise], site_years: &[SiteYear]) -> Vec<ScoredPromise> {
    let honest = promises.iter().filter(|promise| promise.known_to < promise.season);
    honest.filter_map(|promise| scored(promise, found(promise, site_years)?)).collect()
}

fn found<'s>(promise: &Promise, site_years: &'s [SiteYear]) -> Option<&'s Response> {
    let is_its = |one: &&SiteYear| {
        let identity = &one.identity;
        identity.season == promise.season
            && identity.crop == promise.crop
            && identity.farm == promise.farm
            && identity.field == promise.field
    };
    let own = &site_years.iter().find(is_its)?.responses;
    own.iter().find(|one| one.key.treatment == promise.treatment && one.class_name == promise.class_name)
}

fn scored(promise: &Promise, response: &Response) -> Option<ScoredPromise> {
    let found = response.estimate;
    let (mean, std_error, df) = (found.mean?, found.std_error?, found.df?);
    let reach = StudentT::new(df).ok()?.quantile(0.5 + 0.5 * promise.confidence).ok()? * std_error;
    let (low, high) = promise.interval;
    let check = (
        promise.response - (promise.response - low).hypot(reach),
        promise.response + (high - promise.response).hypot(reach),
    );
    Some(ScoredPromise {
        promise: promise.clone(),
        found,
        check,
        is_inside: (check.0..=check.1).contains(&mean),
        net_return: response.returns.net_return,
    })
}

/// What the scored promises of a crop come to; `None` without any. `confidence` is that of what is said of them.
pub fn record(crop: &str, scored: Vec<ScoredPromise>, confidence: f64) -> Option<Record> {
    if scored.is_empty() {
        return None;
    }
    let promised = scored.iter().map(|one| one.promise.confidence).sum::<f64>() / scored.len() as f64;
    let mut of_season: BTreeMap<i32, (usize, usize)> = BTreeMap::new();
    for one in &scored {
        let (inside, count) = of_season.entry(one.promise.season).or_default();
        *inside += usize::from(one.is_inside);
        *count += 1;
    }
    let inside = scored.iter().filter(|one| one.is_inside).count();
    let seasons: Vec<(usize, usize)> = of_season.into_values().collect();
    let share = inside as f64 / scored.len() as f64;
    let coverage = interval_of_share(share, worth_as(&seasons), confidence)?;
    let money = money(&scored, confidence);
    Some(Record {
        crop: crop.to_owned(),
        seasons: seasons.len(),
        inside,
        coverage,
        confidence: promised,
        money,
        falls_short: seasons.len() >= LEAST_SEASONS && coverage.1 < promised - TOLERATED,
        scored,
    })
}

/// As many independent promises as those of some seasons (held, made) tell as much: `n / (1 + (m − 1) ρ)`. The correlation of two
/// promises of one season is that of an analysis of variance between seasons, from 0 to 1; it is 1 where it cannot be estimated.
fn worth_as(seasons: &[(usize, usize)]) -> f64 {
    let (k, n) = (seasons.len() as f64, seasons.iter().map(|(_, count)| *count as f64).sum::<f64>());
    let share = seasons.iter().map(|(inside, _)| *inside as f64).sum::<f64>() / n;
    let of = |(inside, count): &(usize, usize)| (*inside as f64 / *count as f64, *count as f64);
    let squares: f64 = seasons.iter().map(|(_, count)| (*count as f64).powi(2)).sum();
    let between = seasons.iter().map(of).map(|(own, count)| count * (own - share).powi(2)).sum::<f64>() / (k - 1.0);
    let within = seasons.iter().map(of).map(|(own, count)| count * own * (1.0 - own)).sum::<f64>() / (n - k);
    // the size of a season that counts, less where seasons differ in size
    let size = (n - squares / n) / (k - 1.0);
    let found = (between - within) / (between + (size - 1.0) * within);
    let rho = if found.is_finite() { found.clamp(0.0, 1.0) } else { 1.0 };
    n / (1.0 + (squares / n - 1.0) * rho)
}

/// Money promised and made, with the interval of the sum of the seasons' differences by Student's t over seasons.
fn money(scored: &[ScoredPromise], confidence: f64) -> Option<RecordOfMoney> {
    let mut of_season: BTreeMap<i32, (f64, f64)> = BTreeMap::new();
    for (season, (promised, made)) in scored.iter().filter_map(|one| Some((one.promise.season, one.money()?))) {
        let sums = of_season.entry(season).or_default();
        sums.0 += promised;
        sums.1 += made;
    }
    let (promised, made) = of_season.values().fold((0.0, 0.0), |all, one| (all.0 + one.0, all.1 + one.1));
    let k = of_season.len();
    let interval = || {
        let mean = (made - promised) / k as f64;
        let squares: f64 = of_season.values().map(|(promised, made)| (made - promised - mean).powi(2)).sum();
        let t = StudentT::new((k - 1) as f64).ok()?.quantile(0.5 + 0.5 * confidence).ok()?;
        let reach = t * (k as f64 * squares / (k - 1) as f64).sqrt();
        Some((made - promised - reach, made - promised + reach))
    };
    let difference = if k >= LEAST_SEASONS_OF_MONEY { interval() } else { None };
    (k > 0).then_some(RecordOfMoney { promised, made, difference })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: three seasons of 10 with 10, 8 and 3 held. The mean squares are (0.9 + 0.1 + 1.6)/2 = 1.3 and (0 + 1.6 + 2.1)/27 = 0.1370, so
    /// ρ = 1.163/(1.3 + 9 × 0.137) = 0.4592 and 30 count as 30/(1 + 9 × 0.4592) = 5.845.
    #[test]
    fn promises_that_go_together_count_as_fewer() {
        assert!((worth_as(&[(10, 10), (8, 10), (3, 10)]) - 5.845).abs() < 2e-3);
        // alike in all seasons: as many as they are
        assert!((worth_as(&[(9, 10), (9, 10), (9, 10)]) - 30.0).abs() < 1e-9);
        // one season, or nothing that differs: the seasons
        assert!((worth_as(&[(7, 10)]) - 1.0).abs() < 1e-9);
        assert!((worth_as(&[(0, 10), (0, 10)]) - 2.0).abs() < 1e-9);
    }
}
