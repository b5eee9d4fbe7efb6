//! What a zone map is worth, each season and each field decided by the others.

use std::collections::BTreeMap;

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
/// the way by which zones earn less. `outlook` is what would have been known of the weather ahead. `None` with too few site-years
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
    [HeldOut::Season, HeldOut::Field]
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
            // net returns of the zones and of treating everything, summed over the site-years of each group
            let mut sums = vec![(0.0, 0.0, 0.0); groups];
            for (group, sum) in sums.iter_mut().enumerate() {
                let others: Vec<SiteYear> =
                    own.iter().filter(|one| group_of(one) != Some(group)).map(|one| (*one).clone()).collect();
                let zones = synthesise(&others);
                for (one, nets) in scored.iter().filter(|(one, _)| group_of(one) == Some(group)) {
                    let outlook = outlook(one);
                    let area: f64 = nets.iter().map(|one| one.1).sum();
                    let is_chosen = |class: usize| {
                        advise(&zones, archive, (crop, treatment), Some(class), &outlook)
                            .and_then(|advice| advice.net_return)
                            .is_some_and(|net| net > 0.0)
                    };
                    let chosen = nets.iter().filter(|one| is_chosen(one.0));
                    sum.0 += chosen.map(|one| one.1 * one.2).sum::<f64>() / area;
                    sum.1 += nets.iter().map(|one| one.1 * one.2).sum::<f64>() / area;
                    sum.2 += 1.0;
                }
            }
            summed(treatment, left_out, &sums, archive.model.confidence)
        })
        .min_by(|one, other| one.gain.total_cmp(&other.gain))
}

/// The value from the sums of each group: net returns of the zones and of everything, and site-years. The standard error of the mean
/// over all site-years takes what the groups differ by (cluster-robust: Liang & Zeger 1986, Biometrika 73:13).
fn summed(treatment: &str, left_out: HeldOut, sums: &[(f64, f64, f64)], confidence: f64) -> Option<ZoningValue> {
    let total = sums.iter().fold((0.0, 0.0, 0.0), |all, one| (all.0 + one.0, all.1 + one.1, all.2 + one.2));
    let (zoned, everywhere) = (total.0 / total.2, total.1 / total.2);
    // The better of the two in hindsight: zoning has to beat what could not have been known, too.
    let gain_of = |one: &(f64, f64, f64)| one.0 - if everywhere > 0.0 { one.1 } else { 0.0 };
    let gain = gain_of(&total) / total.2;
    let groups = sums.len() as f64;
    let spread: f64 = sums.iter().map(|one| (gain_of(one) - gain * one.2).powi(2)).sum();
    let gain_std_error = (groups / (groups - 1.0) * spread).sqrt() / total.2;
    let reach = StudentT::new(groups - 1.0).ok()?.quantile(0.5 + 0.5 * confidence).ok()?;
    Some(ZoningValue {
        treatment: treatment.to_owned(),
        left_out,
        site_years: total.2 as usize,
        zoned,
        blanket: everywhere,
        gain,
        gain_std_error,
        is_shown: gain > reach * gain_std_error,
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
