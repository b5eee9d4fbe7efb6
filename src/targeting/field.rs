//! What is planned of a crop: each treatment on each field's ground, the strips that would tell more, and what zones are worth.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;

use geo::Area;

use super::zones_risk::one_choice_where_zones_cost_more;
use super::{
    FieldGround, Governed, Lanes, Outlook, StripCase, advise, for_field, lay_out, one_field, replication, strips_worth,
    value_of_zoning, without_optimism,
};
use crate::config::{ArchiveSettings, Treatment};
use crate::geometry::true_north;
use crate::points::Caution;
use crate::results::{
    Advice, Course, Decision, NoStrips, PlannedMoney, PlannedZone, Replication, SeasonPlan, SiteYear, SiteYearIdentity,
    StripLayout, StripsWorth, Synthesis, Why, ZoneResponse, ZoningValue,
};

/// A treatment gets strips where they would tell on this share of the field or more: below it, a block hardly meets the ground
/// in question (common practice, no source).
const LEAST_TEST_SHARE: f64 = 0.1;

/// The crop of the most site-years with responses; of equals the first in the alphabet.
pub fn commonest_crop(site_years: &[SiteYear]) -> Option<String> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for one in site_years.iter().filter(|one| !one.responses.is_empty()) {
        *counts.entry(&one.identity.crop).or_insert(0) += 1;
    }
    let most = counts.values().copied().max()?;
    counts.into_iter().find(|(_, count)| *count == most).map(|(crop, _)| crop.to_owned())
}

/// What the plan of a crop rests on.
#[derive(Debug, Clone, Copy)]
pub struct CropPlanner<'p> {
    /// The archive's settings.
    pub settings: &'p ArchiveSettings,
    /// What the archive concludes.
    pub synthesis: &'p Synthesis,
    /// Key of the crop.
    pub crop: &'p str,
}

impl<'p> CropPlanner<'p> {
    fn treated(&self) -> impl Iterator<Item = &'p Treatment> + use<'p> {
        self.settings.treatments.iter().filter(|treatment| !treatment.check)
    }

    /// What strips would tell of each treatment.
    pub fn replication(&self, site_years: &[SiteYear]) -> Vec<Replication> {
        let of_treatment = |treatment: &Treatment| {
            let whole = self.synthesis.zones.iter().find(|zone| {
                zone.crop == self.crop
                    && zone.treatment == treatment.key
                    && zone.class.is_none()
                    && zone.wetness.is_none()
            });
            replication(&treatment.key, self.crop, whole, site_years, self.settings.model.confidence)
        };
        self.treated().filter_map(of_treatment).collect()
    }

    /// What zoning would have earned under each treatment; `zones_of` concludes from some of the site-years.
    pub fn zoning(
        &self,
        site_years: &[SiteYear],
        outlook_of: impl Fn(&SiteYear) -> Outlook,
        zones_of: impl Fn(&[SiteYear]) -> Vec<ZoneResponse>,
    ) -> Vec<ZoningValue> {
        // the treatments mostly leave out the same seasons and fields, of which one conclusion tells for all of them
        let known: RefCell<BTreeMap<Vec<SiteYearIdentity>, Vec<ZoneResponse>>> = RefCell::default();
        let zones_of = |others: &[SiteYear]| {
            let key: Vec<SiteYearIdentity> = others.iter().map(|one| one.identity.clone()).collect();
            known.borrow_mut().entry(key).or_insert_with(|| zones_of(others)).clone()
        };
        let of_treatment = |treatment: &Treatment| {
            value_of_zoning(site_years, self.settings, (self.crop, &treatment.key), &outlook_of, zones_of)
        };
        self.treated().filter_map(of_treatment).collect()
    }

    /// What strips would be worth over the fields, by their grounds, the most first.
    pub fn strips_worth<'g>(&self, grounds: impl Iterator<Item = &'g FieldGround>) -> Vec<StripsWorth> {
        let Some(layout) = &self.settings.target.strips else { return Vec::new() };
        let fields: Vec<Governed> = grounds
            .map(|ground| {
                let classes = 0..self.settings.soil.zones.len();
                let of_class_m2: Vec<f64> = classes.map(|class| ground.of_class(class).unsigned_area()).collect();
                let rest_m2 = (ground.field.unsigned_area() - of_class_m2.iter().sum::<f64>()).max(0.0);
                Governed { of_class_m2, rest_m2 }
            })
            .collect();
        let of = |one: &Treatment| strips_worth(self.synthesis, self.settings, (self.crop, &one.key), &fields, layout);
        let mut all: Vec<StripsWorth> = self.treated().filter_map(of).collect();
        all.sort_by(|one, other| (other.gain - other.cost).total_cmp(&(one.gain - one.cost)));
        all
    }

    /// Whether strips of this crop tell something of a field by themselves.
    pub fn has_own_strips(&self, seasons: &[&SiteYear]) -> bool {
        seasons.iter().any(|one| {
            one.identity.crop == self.crop && one.responses.iter().any(|response| response.estimate.mean.is_some())
        })
    }

    /// What to do with each treatment on a field's ground; `place` is farm and field, `zoning` what choices of ground were worth.
    pub fn zones(
        &self,
        ground: &FieldGround,
        place: (&str, &str),
        outlook: &Outlook,
        has_own_strips: bool,
        zoning: &[ZoningValue],
    ) -> Vec<PlannedZone> {
        let lanes = Lanes::of(ground, &self.settings.target);
        let mut zones = Vec::new();
        for treatment in self.treated() {
            let classes = ground.classes().into_iter().map(Some).chain([None]);
            let of_class = |class: Option<usize>| {
                let advice = self.advice(&treatment.key, class, outlook, has_own_strips);
                let advice = match self.synthesis.of_field((self.crop, &treatment.key), place, class) {
                    Some(own) => for_field(advice, &self.synthesis.zones, self.settings, own),
                    None => advice,
                };
                without_optimism(advice, ZoningValue::of(zoning, &treatment.key))
            };
            let advice: Vec<Advice> = classes.map(of_class).collect();
            let cost = treatment.cost_per_ha;
            let mut own: Vec<PlannedZone> =
                lanes.iter().flat_map(|lanes| lanes.layout(&advice, cost, &self.settings.target)).collect();
            let whole = advice.last().map_or(Decision::Test, |one| one.decision);
            one_choice_where_zones_cost_more(&mut own, whole, &self.settings.target);
            zones.extend(own);
        }
        for at in 0..zones.len() {
            let of = |zone: &PlannedZone| zone.advice.net_return.unwrap_or(f64::NEG_INFINITY);
            let rivals = zones.iter().filter(|one| {
                one.advice.class == zones[at].advice.class && one.advice.treatment != zones[at].advice.treatment
            });
            let beaten =
                rivals.filter(|one| one.advice.decision == Decision::Treat).any(|one| of(one) > of(&zones[at]));
            let is_chosen = matches!(zones[at].why, Why::Advice | Why::OneChoice);
            zones[at].is_best = zones[at].decision == Decision::Treat && is_chosen && !beaten;
        }
        zones
    }

    /// The advice on a class; one that no strip has stood on is to be tested.
    fn advice(&self, treatment: &str, class: Option<usize>, outlook: &Outlook, has_own_strips: bool) -> Advice {
        let found = advise(&self.synthesis.zones, self.settings, (self.crop, treatment), class, outlook);
        let name = class.map_or("all", |class| &self.settings.soil.zones[class]);
        let mut advice = found.unwrap_or_else(|| Advice::to_test((self.crop, treatment), class, name));
        if advice.response.is_none() {
            advice.cautions.add(Caution::NotEstimable, "too few site-years of this ground");
        }
        if !has_own_strips {
            advice.cautions.add(Caution::ArchiveAnswer, "");
        }
        advice
    }

    /// The strips of a field in the season to come.
    ///
    /// # Errors
    /// Why it has none.
    pub fn strips(
        &self,
        ground: &FieldGround,
        zones: &[PlannedZone],
        seasons: &[&SiteYear],
        season: i32,
        (replication, worth): (&[Replication], &[StripsWorth]),
    ) -> Result<StripLayout, NoStrips> {
        let settings = self.settings.target.strips.as_ref().ok_or(NoStrips::NoPlanter)?;
        let unknown = |what: &str| NoStrips::Unknown(what.to_owned());
        let whole: f64 = ground.field.unsigned_area();
        let is_to_be_tested = |key: &str| {
            let tested = zones.iter().filter(|zone| zone.advice.treatment == key && zone.decision == Decision::Test);
            tested.map(|zone| zone.area_m2).sum::<f64>() >= LEAST_TEST_SHARE * whole
        };
        let checks = self.settings.treatments.iter().filter(|one| one.check);
        let tested: Vec<&Treatment> = self.treated().filter(|one| is_to_be_tested(&one.key)).collect();
        let is_worth = |one: &&&Treatment| worth.iter().all(|of| of.treatment != one.key || of.is_worth());
        let treatments: Vec<String> =
            checks.chain(tested.iter().filter(is_worth).copied()).map(|one| one.key.clone()).collect();
        if treatments.len() < 2 {
            return Err(if tested.is_empty() { NoStrips::Settled(LEAST_TEST_SHARE) } else { NoStrips::NotWorth });
        }
        // That of the planned crop: another one may be cut by another header.
        let of_crop = seasons.iter().filter(|one| one.identity.crop == self.crop).max_by_key(|one| one.identity.season);
        let last = of_crop
            .or_else(|| seasons.iter().max_by_key(|one| one.identity.season))
            .ok_or_else(|| unknown("it has no harvest"))?;
        let name = (last.identity.farm.as_str(), last.identity.field.as_str());
        let (header_m, header_source) = match (settings.header_m, last.cleaning.header_m) {
            (Some(header_m), _) => (header_m, "as set in archive.toml".to_owned()),
            (None, Some(header_m)) => (
                header_m,
                format!("the widest swath of the {} harvest of {}", last.identity.crop, last.identity.season),
            ),
            (None, None) => {
                return Err(unknown("its harvest gives no width of the header; give archive.toml a target.header"));
            }
        };
        let north_rad = true_north(last.place_deg, last.epsg).map_err(NoStrips::Unknown)?;
        let set = settings.directions_deg.get(&format!("{}/{}", name.0, name.1));
        let courses = match (set, last.cleaning.axis_rad) {
            (Some(bearing_deg), _) => vec![(Course::Set, north_rad - bearing_deg.to_radians())],
            (None, Some(axis)) => vec![(Course::Along, FRAC_PI_2 - axis), (Course::Across, 2.0 * FRAC_PI_2 - axis)],
            (None, None) => {
                return Err(unknown(
                    "its harvest has no main direction; give it one in [target.directions] of archive.toml",
                ));
            }
        };
        let model = &self.settings.model;
        let mut layout = lay_out(StripCase {
            ground,
            class_names: &self.settings.soil.zones,
            treatments: &treatments,
            settings,
            header_m,
            header_source: &header_source,
            courses: &courses,
            north_rad,
            enough_m: f64::from(model.class_segments) * model.segment_length_m,
            name,
            season,
        })?;
        let blocks = layout.blocks() as u32;
        layout.tells = replication
            .iter()
            .filter(|one| treatments.contains(&one.treatment))
            .filter_map(|one| {
                let row = one_field(blocks, one.block_sd, model.confidence).ok()?;
                Some((one.treatment.clone(), row))
            })
            .collect();
        Ok(layout)
    }
}

/// Ground of some zones under a treatment by decision, m².
pub fn areas_m2<'z>(zones: impl Iterator<Item = &'z PlannedZone>, treatment: &str) -> [f64; 3] {
    let mut areas = [0.0; 3];
    for zone in zones.filter(|zone| zone.advice.treatment == treatment) {
        areas[zone.decision as usize] += zone.area_m2;
    }
    areas
}

/// What a plan earns with a treatment where it is the best choice.
pub fn money(plan: &SeasonPlan, treatment: &str) -> PlannedMoney {
    let zones = || plan.fields.iter().flat_map(|field| &field.zones);
    let mut money = PlannedMoney {
        treatment: treatment.to_owned(),
        area_m2: areas_m2(zones(), treatment),
        best_m2: 0.0,
        money: 0.0,
        taken_off_per_ha: plan.to_take_off(treatment),
        money_interval: (0.0, 0.0),
    };
    let take_off = money.taken_off_per_ha;
    for zone in zones().filter(|zone| zone.is_best && zone.advice.treatment == treatment) {
        let advice = &zone.advice;
        let (Some(net), Some(response), Some(break_even), Some((low, high))) =
            (advice.net_return, advice.response, advice.break_even, advice.interval)
        else {
            continue;
        };
        // net return is a straight line of the response, 0 where it just pays
        let slope = if (response - break_even).abs() > 0.0 { net / (response - break_even) } else { 0.0 };
        let area_ha = zone.area_m2 / 10_000.0;
        money.best_m2 += zone.area_m2;
        money.money += (net - take_off) * area_ha;
        money.money_interval.0 += (slope * (low - break_even) - take_off) * area_ha;
        money.money_interval.1 += (slope * (high - break_even) - take_off) * area_ha;
    }
    money
}
