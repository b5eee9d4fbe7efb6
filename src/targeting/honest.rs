//! What a zone map is worth, each season and each field decided by the others.

use std::collections::{BTreeMap, BTreeSet};

use super::{Outlook, advise};
use crate::config::ArchiveSettings;
use crate::economics::Budget;
use crate::results::{HeldOut, SiteYear, ZoneResponse, ZoningValue};
use crate::stats::distribution::StudentT;

/// Seasons or fields up to which each is predicted from all others; beyond, they are left out in that many groups.
const GROUPS: usize = 60;
/// Fewest site-years, and fewest seasons or fields, that can tell anything of zones.
const LEAST: usize = 4;
const LEAST_GROUPS: usize = 3;

/// Sets the net return of zones against treating everything and nothing.
///
/// Each season is left out, the zones that are expected to pay are chosen from the others (`synthesise` does that, from any
/// site-years), and the choice is scored on the responses of the one left out, by the area of its soils; then each field likewise.
/// Site-years of one season, and of one field, share what they err by, so a single one left out would be predicted by its like. Told is
/// the way by which zones earn less; with fewer than three seasons nothing is shown. `outlook` is what would have been known of the weather ahead. `None` with too few site-years
/// that have responses by class, or too few seasons and fields.
pub fn value_of_zoning(
    site_years: &[SiteYear],
    archive: &ArchiveSettings,
    (crop, treatment): (&str, &str),
    outlook: impl Fn(&SiteYear) -> Outlook,
    synthesise: impl Fn(&[SiteYear]) -> Vec<ZoneResponse>,
) -> Option<ZoningValue> {
    let own: Vec<&SiteYear> = site_years.iter().filter(|one| one.identity.crop == crop).collect();
    let scored: Vec<(&SiteYear, Nets)> = own
        .iter()
        .map(|one| (*one, nets(one, archive, (crop, treatment))))
        .filter(|(_, nets)| !nets.is_empty())
        .collect();
    if scored.len() < LEAST {
        return None;
    }
    let seasons: BTreeSet<i32> = scored.iter().map(|(one, _)| one.identity.season).collect();
    let has_seasons = seasons.len() >= LEAST_GROUPS;
    let value = [HeldOut::Season, HeldOut::Field]
        .into_iter()
        .filter_map(|left_out| {
            let key = |one: &SiteYear| match left_out {
                HeldOut::Season => one.identity.season.to_string(),
                HeldOut::Field => format!("{}\n{}", one.identity.farm, one.identity.field),
            };
            let mut number: BTreeMap<String, usize> = BTreeMap::new();
            for (one, _) in &scored {
                let next = number.len();
                number.entry(key(one)).or_insert(next);
            }
            if number.len() < LEAST_GROUPS {
                return None;
            }
            let groups = number.len().min(GROUPS);
            let group_of = |one: &SiteYear| number.get(&key(one)).map(|at| at % groups);
            let mut sums = vec![Sums::default(); groups];
            for (group, sum) in sums.iter_mut().enumerate() {
                let others: Vec<SiteYear> =
                    own.iter().filter(|one| group_of(one) != Some(group)).map(|one| (*one).clone()).collect();
                let zones = synthesise(&others);
                for (one, nets) in scored.iter().filter(|(one, _)| group_of(one) == Some(group)) {
                    let outlook = outlook(one);
                    let area: f64 = nets.iter().map(|one| one.1).sum();
                    let promise = |class: usize| {
                        advise(&zones, archive, (crop, treatment), Some(class), &outlook)
                            .and_then(|advice| advice.net_return)
                            .filter(|net| *net > 0.0)
                    };
                    for &(class, area_m2, net) in nets {
                        let share = area_m2 / area;
                        if let Some(promised) = promise(class) {
                            sum.zoned += share * net;
                            sum.promised += share * promised;
                            sum.treated += share;
                        }
                        sum.everywhere += share * net;
                    }
                    sum.site_years += 1.0;
                }
            }
            summed(treatment, left_out, &sums, archive)
        })
        .min_by(|one, other| one.gain.total_cmp(&other.gain))?;
    Some(ZoningValue { is_shown: value.is_shown && has_seasons, ..value })
}

/// Sums over the site-years of a group, each by shares of its area. Money per hectare.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    site_years: f64,
    /// Net return of the zones.
    zoned: f64,
    /// What they promised.
    promised: f64,
    /// The share that they treat.
    treated: f64,
    /// Net return of treating everything.
    everywhere: f64,
}

/// The value from the sums of each group. Standard errors of means over all site-years, and over all ground that is treated, take what the
/// groups differ by (cluster-robust: Liang & Zeger 1986, Biometrika 73:13).
fn summed(treatment: &str, left_out: HeldOut, sums: &[Sums], archive: &ArchiveSettings) -> Option<ZoningValue> {
    let total = |of: fn(&Sums) -> f64| sums.iter().map(of).sum::<f64>();
    let (site_years, treated) = (total(|one| one.site_years), total(|one| one.treated));
    let (zoned, everywhere) = (total(|one| one.zoned) / site_years, total(|one| one.everywhere) / site_years);
    let groups = sums.len() as f64;
    let std_error = |left: &dyn Fn(&Sums) -> f64, over: f64| {
        let spread: f64 = sums.iter().map(|one| left(one).powi(2)).sum();
        (groups / (groups - 1.0) * spread).sqrt() / over
    };
    // The better of the two in hindsight: zoning has to beat what could not have been known, too.
    let gain_of = |one: &Sums| one.zoned - if everywhere > 0.0 { one.everywhere } else { 0.0 };
    let gain = sums.iter().map(gain_of).sum::<f64>() / site_years;
    let gain_std_error = std_error(&|one| gain_of(one) - gain * one.site_years, site_years);
    let too_much = |one: &Sums| one.promised - one.zoned;
    // of one season, or one field, nothing tells the error
    let optimism = (sums.iter().filter(|one| one.treated > 0.0).count() > 1).then(|| {
        let optimism = sums.iter().map(too_much).sum::<f64>() / treated;
        (optimism, std_error(&|one| too_much(one) - optimism * one.treated, treated))
    });
    let t_dist = StudentT::new(groups - 1.0).ok()?;
    let reach = t_dist.quantile(0.5 + 0.5 * archive.model.confidence).ok()?;
    let probability = (gain_std_error > 0.0).then(|| t_dist.cdf(gain / gain_std_error));
    Some(ZoningValue {
        treatment: treatment.to_owned(),
        left_out,
        site_years: site_years as usize,
        zoned,
        promised: total(|one| one.promised) / site_years,
        blanket: everywhere,
        gain,
        gain_std_error,
        probability,
        is_shown: gain > reach * gain_std_error,
        optimism,
    })
}

/// Class, area (m²) and net return (money per hectare).
type Nets = Vec<(usize, f64, f64)>;

/// The responses of a site-year by class at the prices to come.
fn nets(one: &SiteYear, archive: &ArchiveSettings, (crop, treatment): (&str, &str)) -> Nets {
    let Some((crop, treatment)) = archive.crops.get(crop).zip(archive.treatment(treatment)) else { return Vec::new() };
    let own = one.responses.iter().filter(|response| response.key.treatment == treatment.key);
    own.filter_map(|response| {
        let class = response.key.class?;
        let budget = Budget::new(crop, treatment, response.check_yield, response.moistures())?;
        let area = one.class_area_m2.get(class).copied().unwrap_or(0.0).max(response.area_m2);
        (area > 0.0).then_some((class, area, budget.net_return(response.estimate.mean?)))
    })
    .collect()
}
