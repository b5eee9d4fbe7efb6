//! Synthesise: the responses of all site-years → zones, spread between site-years, prediction.
//!
//! Random effects over site-years (REML), with the modified Knapp–Hartung adjustment, which few and unequal studies need
//! (Röver, Knapp & Friede 2015, BMC Med. Res. Methodol. 15:99). One site-year says nothing of others; two give no usable
//! variance between, so no pooled interval is told.

mod pool;
mod shrink;

use std::collections::{BTreeMap, BTreeSet};

use crate::config::ArchiveSettings;
use crate::points::{Caution, Cautions};
use crate::results::{Response, SiteYear, ZoneResponse};

/// Version of this stage's results.
pub const VERSION: u32 = 1;

/// Site-years below which the spread between them is poorly known (common practice, no source).
const FEW_SITE_YEARS: usize = 5;

/// One zone's members: the responses of the site-years in it.
struct Zone<'s> {
    crop: String,
    treatment: String,
    class: Option<usize>,
    wetness_class: Option<String>,
    members: Vec<(&'s SiteYear, &'s Response)>,
}

/// The zones: each treatment × soil class × wetness class that occurs, and each of the two over all of the other.
///
/// `site_years` in any order; the result does not depend on it.
pub fn run(site_years: &[SiteYear], archive: &ArchiveSettings) -> Vec<ZoneResponse> {
    let mut sorted: Vec<&SiteYear> = site_years.iter().collect();
    sorted.sort_by(|one, other| one.identity.cmp(&other.identity));
    let mut zones: Vec<ZoneResponse> = zones(&sorted, archive).iter().map(|zone| pool::pool(zone, archive)).collect();
    shrink::towards_neighbours(&mut zones);
    zones
}

fn zones<'s>(site_years: &[&'s SiteYear], archive: &ArchiveSettings) -> Vec<Zone<'s>> {
    let crops: BTreeSet<&str> = site_years.iter().map(|one| one.identity.crop.as_str()).collect();
    let mut zones = Vec::new();
    for crop in crops {
        for treatment in archive.treatments.iter().filter(|treatment| !treatment.check) {
            let responses: Vec<(&SiteYear, &Response)> = site_years
                .iter()
                .filter(|one| one.identity.crop == crop)
                .flat_map(|one| one.responses.iter().map(move |response| (*one, response)))
                .filter(|(_, response)| response.key.treatment == treatment.key)
                .collect();
            let classes: BTreeSet<Option<usize>> = responses.iter().map(|(_, response)| response.key.class).collect();
            // The classes dry to wet, then the whole field.
            let order =
                classes.iter().filter(|class| class.is_some()).chain(classes.iter().filter(|class| class.is_none()));
            for &class in order {
                let of_class: Vec<_> =
                    responses.iter().copied().filter(|(_, response)| response.key.class == class).collect();
                let wetness: Vec<&String> = archive
                    .wetness
                    .iter()
                    .flat_map(|settings| &settings.labels)
                    .filter(|label| of_class.iter().any(|(one, _)| one.wetness_class.as_ref() == Some(label)))
                    .collect();
                for label in wetness.into_iter().map(Some).chain([None]) {
                    let members = of_class
                        .iter()
                        .copied()
                        .filter(|(one, _)| label.is_none() || one.wetness_class.as_ref() == label)
                        .collect();
                    zones.push(Zone {
                        crop: crop.to_owned(),
                        treatment: treatment.key.clone(),
                        class,
                        wetness_class: label.cloned(),
                        members,
                    });
                }
            }
        }
    }
    zones
}

/// The doubts of a zone: its own, and those that concern any of its members.
fn doubts(zone: &Zone<'_>, estimated: usize) -> Cautions {
    let mut cautions = Cautions::default();
    let mut from: BTreeMap<Caution, Vec<String>> = BTreeMap::new();
    for (site_year, response) in &zone.members {
        let name = format!("{} {} {}", site_year.identity.season, site_year.identity.farm, site_year.identity.field);
        for (caution, _) in response.cautions.iter().chain(site_year.cautions.iter()) {
            let names = from.entry(caution).or_default();
            if names.last() != Some(&name) {
                names.push(name.clone());
            }
        }
    }
    for (caution, names) in from {
        // What makes one member's number impossible leaves it out; it is no doubt of the others.
        let own = matches!(caution, Caution::NotEstimable | Caution::Unreplicated | Caution::FewBlocks);
        if !own {
            cautions.add(caution, format!("{} of {} site-years", names.len(), zone.members.len()));
        }
    }
    let seasons: BTreeSet<i32> = zone.members.iter().map(|(one, _)| one.identity.season).collect();
    if seasons.len() == 1 {
        cautions.add(Caution::SingleYear, "");
    }
    match estimated {
        0 => cautions.add(Caution::NotEstimable, "no site-year with an interval"),
        1 => cautions.add(Caution::SingleSiteYear, ""),
        few if few < FEW_SITE_YEARS => cautions.add(Caution::FewSiteYears, format!("{few} site-years")),
        _ => {}
    }
    cautions
}
