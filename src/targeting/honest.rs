//! What a zone map is worth, each site-year decided by the others.

use super::{Outlook, advise};
use crate::config::ArchiveSettings;
use crate::economics::Budget;
use crate::results::{SiteYear, ZoneResponse, ZoningValue};
use crate::stats::distribution::StudentT;

/// Site-years up to which each is predicted from all others; beyond, they are left out in that many groups.
const GROUPS: usize = 60;
/// Fewest site-years that can tell anything of zones.
const LEAST: usize = 4;

/// Sets the net return of zones against treating everything and nothing.
///
/// Each site-year is left out, the zones that are expected to pay are chosen from the others (`synthesise` does that, from any
/// site-years), and the choice is scored on the responses of the one left out, by the area of its soils. `outlook` is what
/// would have been known of its weather ahead. `None` with too few site-years that have responses by class.
pub fn value_of_zoning(
    site_years: &[SiteYear],
    archive: &ArchiveSettings,
    (crop, treatment): (&str, &str),
    outlook: impl Fn(&SiteYear) -> Outlook,
    synthesise: impl Fn(&[SiteYear]) -> Vec<ZoneResponse>,
) -> Option<ZoningValue> {
    let scored: Vec<(usize, Nets)> = site_years
        .iter()
        .enumerate()
        .filter(|(_, one)| one.identity.crop == crop)
        .map(|(at, one)| (at, nets(one, archive, (crop, treatment))))
        .filter(|(_, nets)| !nets.is_empty())
        .collect();
    if scored.len() < LEAST {
        return None;
    }
    let groups = scored.len().min(GROUPS);
    let (mut zoned, mut blanket) = (Vec::new(), Vec::new());
    for group in 0..groups {
        let left_out: Vec<usize> =
            scored.iter().enumerate().filter(|(order, _)| order % groups == group).map(|(_, (at, _))| *at).collect();
        let others: Vec<SiteYear> = site_years
            .iter()
            .enumerate()
            .filter(|(at, one)| !left_out.contains(at) && one.identity.crop == crop)
            .map(|(_, one)| one.clone())
            .collect();
        let zones = synthesise(&others);
        for (at, nets) in scored.iter().filter(|(at, _)| left_out.contains(at)) {
            let outlook = outlook(&site_years[*at]);
            let area: f64 = nets.iter().map(|one| one.1).sum();
            let is_chosen = |class: usize| {
                advise(&zones, archive, (crop, treatment), Some(class), &outlook)
                    .and_then(|advice| advice.net_return)
                    .is_some_and(|net| net > 0.0)
            };
            let chosen = nets.iter().filter(|one| is_chosen(one.0));
            zoned.push(chosen.map(|one| one.1 * one.2).sum::<f64>() / area);
            blanket.push(nets.iter().map(|one| one.1 * one.2).sum::<f64>() / area);
        }
    }
    let count = zoned.len() as f64;
    let mean = |values: &[f64]| values.iter().sum::<f64>() / count;
    let everywhere = mean(&blanket);
    // The better of the two in hindsight: zoning has to beat what could not have been known, too.
    let gains: Vec<f64> =
        zoned.iter().zip(&blanket).map(|(zoned, all)| zoned - if everywhere > 0.0 { *all } else { 0.0 }).collect();
    let gain = mean(&gains);
    let gain_std_error = (gains.iter().map(|one| (one - gain).powi(2)).sum::<f64>() / (count - 1.0) / count).sqrt();
    let reach = StudentT::new(count - 1.0).ok()?.quantile(0.5 + 0.5 * archive.model.confidence).ok()?;
    Some(ZoningValue {
        treatment: treatment.to_owned(),
        site_years: zoned.len(),
        zoned: mean(&zoned),
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
        let moisture = response.treated_moisture_pct.zip(response.check_moisture_pct);
        let budget = Budget::new(crop, treatment, response.check_yield, moisture)?;
        let area = one.class_area_m2.get(class).copied().unwrap_or(0.0).max(response.area_m2);
        (area > 0.0).then_some((class, area, budget.net_return(response.estimate.mean?)))
    })
    .collect()
}
