//! Where was it, and how wet?

use super::super::figures::sites::{self, Site};
use super::super::text::signed;
use super::{Crop, Figure};
use crate::report::ReportError;
use crate::results::{Choice, Gradient, SiteYear};

impl Crop<'_> {
    /// Where was it, and how wet?
    pub(in crate::report::html) fn placed(&self) -> Result<Option<Figure>, ReportError> {
        let Some(one) = self.focus() else { return Ok(None) };
        let mut sites: Vec<Site> = self
            .forest(&one.treatment)
            .into_iter()
            .filter_map(|row| {
                let site_year = self.site_year(row)?;
                let error = row.estimate.std_error.map(|error| self.yields(error));
                Some(Site {
                    season: site_year.identity.season,
                    place_deg: site_year.place_deg,
                    name: site_year.identity.field.clone(),
                    ground: self.ground_of(site_year),
                    response: row.estimate.mean.map(|mean| (self.yields(mean), error)),
                })
            })
            .collect();
        sites.sort_by_key(|site| site.season);
        if sites.is_empty() {
            return Ok(None);
        }
        let map = self.case.outline.departures.as_ref();
        let extent = map.map_or_else(|| around(&sites), |map| map.extent_deg);
        let panels = sites::draw(map, extent, &sites, self.units.yield_unit)?;
        let label = self.label(&one.treatment);
        let caption = format!(
            "Sites of {label}, coloured by its response and larger where it is surer{}; below each name the soil that most of its \
             strips stand on. North is up.",
            if map.is_some() { ", over the precipitation departure of the season (grid as given)" } else { "" }
        );
        Ok(Some(self.figure("3-places", &self.wetness_sentence(one), panels, caption)))
    }

    /// The soil that most of a site-year stands on.
    fn ground_of(&self, one: &SiteYear) -> String {
        let whole: f64 = one.class_area_m2.iter().sum();
        let most = one.class_area_m2.iter().enumerate().max_by(|one, other| one.1.total_cmp(other.1));
        let zone = most.filter(|_| whole > 0.0).and_then(|(class, _)| self.case.archive.soil.zones.get(class));
        zone.map_or_else(|| "soil not known".to_owned(), |zone| zone.to_lowercase())
    }

    fn wetness_sentence(&self, one: &Choice) -> String {
        let rows = self.forest(&one.treatment);
        let known: Vec<f64> = rows.iter().filter_map(|row| row.wetness_mm).collect();
        let low = known.iter().copied().fold(f64::INFINITY, f64::min);
        let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let label = self.label(&one.treatment);
        if known.is_empty() {
            return format!("How wet it was at the {} site-years of {label} is not known.", rows.len());
        }
        let sentence = format!(
            "The site-years of {label} on {} lay between {} and {} mm from normal precipitation; ",
            self.name(),
            signed(low, 0),
            signed(high, 0)
        );
        let trend = self.case.conclusions.synthesis.trends.iter().find(|trend| {
            trend.gradient == Gradient::Wetness && trend.crop == self.choices.crop && trend.treatment == one.treatment
        });
        let trend = trend.and_then(|trend| Some((trend.estimate.mean?, trend.estimate.low?, trend.estimate.high?)));
        let slope = match trend {
            Some((mean, low, high)) => {
                let step = |value: f64| signed(25.0 * self.yields(value), self.decimals);
                let is_shown = low * high > 0.0;
                format!(
                    "25 mm more {} {} {} ({} to {}).",
                    if is_shown { "goes with" } else { "is not shown to change it:" },
                    step(mean),
                    self.units.yield_unit,
                    step(low),
                    step(high)
                )
            }
            None => "whether wetter seasons change it is not known yet.".to_owned(),
        };
        sentence + &slope
    }
}

/// West, south, east and north of sites without a grid, with room.
fn around(sites: &[Site]) -> [f64; 4] {
    let places = sites.iter().map(|site| site.place_deg);
    let [west, south, east, north] = places
        .fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |all, (x, y)| {
            [all[0].min(x), all[1].min(y), all[2].max(x), all[3].max(y)]
        });
    let room = (0.18 * (east - west).max(north - south)).max(0.06);
    [west - room, south - room, east + room, north + room]
}
