//! The archive as a whole: from the site-years' results to what they come to.

use crate::config::ArchiveSettings;
use crate::economics::{choices, doses, price_zone, worth};
use crate::results::{Conclusions, SiteYear};
use crate::synthesise;

/// Synthesises the site-years and prices what comes of it.
pub fn conclude(site_years: &[SiteYear], archive: &ArchiveSettings) -> Conclusions {
    let mut synthesis = synthesise::run(site_years, archive);
    for zone in &mut synthesis.zones {
        if let (Some(crop), Some(treatment)) = (archive.crops.get(&zone.crop), archive.treatment(&zone.treatment)) {
            price_zone(zone, crop, treatment);
        }
    }
    let worth = worth(&synthesis.zones, archive);
    let choices = choices(&synthesis, archive);
    let doses = doses(&choices, &synthesis, archive);
    Conclusions { synthesis, worth, choices, doses }
}
