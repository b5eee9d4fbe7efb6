//! The plan of the season to come: the night first, then where to treat each field.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::account::absent;
use super::basis::{self, Basis};
use super::driven::driven;
use super::night::{self, NightOptions, NightReport, Progress};
use super::store::Store;
use super::{BatchError, SiteYearFolder, archive, discover, inputs, unique_slugs};
use chrono::NaiveDate;
use geo::Area;

use crate::config::{ArchiveSettings, FieldSettings, StripLayoutSettings};
use crate::geometry::{Crs, Projector};
use crate::ingest::{self, SharedLayers, SiteYearFiles};
use crate::points::Caution;
use crate::quantity::{YieldUnit, nearest, split_number};
use crate::report;
use crate::results::{
    Advice, Course, Decision, NoStrips, PlanOutline, PlannedField, PlannedMoney, PlannedPlace, PlannedZone,
    Replication, SeasonPlan, SiteYear, StripLayout, Synthesis, Why, ZoneResponse,
};
use crate::targeting::{self, Ground, Lanes, Outlook, StripCase};

/// A treatment gets strips where they would tell on this share of the field or more: below it, a block hardly meets the ground
/// in question (common practice, no source).
const LEAST_TEST_SHARE: f64 = 0.1;

/// What is to be planned.
#[derive(Debug, Clone, Default)]
pub struct PlanOptions {
    /// How the site-years are computed.
    pub night: NightOptions,
    /// Key of the crop; that of the most site-years with responses when absent.
    pub crop: Option<String>,
    /// The outlook as `label=probability,…`; counted over the archive's seasons of precipitation when absent.
    pub outlook: Option<String>,
    /// Half of the width of the interval that strips are to reach, a yield with its unit.
    pub precision: Option<String>,
}

/// The plan, and the night before it.
#[derive(Debug)]
pub struct PlanReport {
    /// The night.
    pub night: NightReport,
    /// The plan.
    pub plan: SeasonPlan,
    /// The precision that was asked for.
    pub half_width_kg_ha: Option<f64>,
    /// Path of its table.
    pub table: PathBuf,
}

/// Runs the night, then plans and writes `plan/<crop>/` into the output folder.
///
/// # Errors
/// [`BatchError`] when nothing could be done.
pub fn plan(root: &Path, out: &Path, options: &PlanOptions, progress: &dyn Progress) -> Result<PlanReport, BatchError> {
    // What cannot be planned is told before the night is spent on it.
    let settings = super::archive_settings(root)?;
    let fault = |text: String| BatchError::NoPlan(text);
    if let Some(crop) = &options.crop
        && !settings.crops.contains_key(crop)
    {
        let known: Vec<&str> = settings.crops.keys().map(String::as_str).collect();
        return Err(fault(format!("--crop: `{crop}` is not in archive.toml; expected one of {}", known.join(", "))));
    }
    let given = options
        .outlook
        .as_ref()
        .map(|text| Outlook::parse(text, settings.wetness.as_ref()))
        .transpose()
        .map_err(|error| fault(format!("--outlook: {error}")))?;
    if settings.treatments.iter().all(|treatment| treatment.check) {
        return Err(fault("archive.toml has no treatment beside the check; there is nothing to place".to_owned()));
    }
    let half_width = |crop: &str| {
        let told = options.precision.as_ref().map(|text| half_width_kg_ha(text, &settings, crop));
        told.transpose().map_err(|error| fault(format!("--precision: {error}")))
    };
    for crop in settings.crops.keys() {
        half_width(crop)?;
    }
    let read: Vec<(SiteYearFolder, FieldSettings)> = discover(root)
        .folders
        .into_iter()
        .filter_map(|folder| {
            let field = super::field_settings(&folder, "field.toml", &settings).ok()?;
            Some((folder, field))
        })
        .collect();
    if let Some(strips) = &settings.target.strips {
        known_fields(strips, &read).map_err(fault)?;
    }
    let mut night = night::run(root, out, &NightOptions { plans_next: true, ..options.night.clone() }, progress)?;
    let store = Store::open(out, None)?;
    let basis = Basis::of(&night.site_years, &settings);
    // until the new one stands
    basis::mark_old_plans(&store, || basis.clone())?;
    let crop =
        options.crop.clone().or_else(|| commonest_crop(&night.site_years)).ok_or_else(|| {
            fault("no site-year has strips, so the archive tells nothing of where to treat".to_owned())
        })?;
    let planner = Planner {
        root,
        settings: &settings,
        zones: &night.conclusions.synthesis.zones,
        synthesis: &night.conclusions.synthesis,
        weather: Weather { root, settings: &settings, given, allow_outside: options.night.allow_outside },
        crop: &crop,
        allow_outside: options.night.allow_outside,
        read,
        store: &store,
    };
    let plan = planner.plan(&night.site_years);
    let half_width_kg_ha = half_width(&crop)?;
    // A folder for each crop: the plan of one leaves those of the others alone.
    let folder = unique_slugs(settings.crops.keys().map(String::as_str))[&crop].clone();
    let below = &Path::new(basis::PLANS).join(&folder);
    let files = report::plan(&plan, &settings)?;
    for (folder, file) in &files {
        store.write_file(&below.join(folder), &file.name, &file.bytes)?;
    }
    // Strips of a former plan would be planted by mistake.
    let written: BTreeSet<PathBuf> = files.iter().map(|(folder, file)| below.join(folder).join(&*file.name)).collect();
    store.remove_others(below, 3, &report::STRIP_FILES, &written)?;
    basis::remember(&store, &folder, &basis)?;
    basis::remember_outline(&store, &in_short(&plan, folder, &settings, &night.site_years))?;
    basis::join_tables(&store)?;
    night.notes.extend(basis::mark_old_plans(&store, || basis)?);
    let outline = night::outline(root, &store, &night.site_years, &settings, options.night.allow_outside);
    let absent = absent(&night.failures, &night.retired);
    let drawn = || super::drawings::write(&store, &night.site_years, (&night.conclusions, &outline), &settings);
    super::threads::in_pool(options.night.jobs, drawn)??;
    for file in report::index(&night.site_years, &night.conclusions, &outline, &absent, &settings)? {
        store.write_archive_file(&file.name, &file.bytes)?;
    }
    Ok(PlanReport { table: store.root().join(below).join(basis::TABLE), night, plan, half_width_kg_ha })
}

/// The plan in short, for the index.
fn in_short(plan: &SeasonPlan, folder: String, settings: &ArchiveSettings, site_years: &[SiteYear]) -> PlanOutline {
    let treatments: Vec<&str> =
        settings.treatments.iter().filter(|treatment| !treatment.check).map(|one| one.key.as_str()).collect();
    let areas = |zones: &mut dyn Iterator<Item = &PlannedZone>, key: &str| {
        let mut areas = [0.0; 3];
        for zone in zones.filter(|zone| zone.advice.treatment == key) {
            areas[zone.decision as usize] += zone.area_m2;
        }
        areas
    };
    let of_treatment = |&key: &&str| {
        let mut told = PlannedMoney {
            treatment: key.to_owned(),
            area_m2: areas(&mut plan.fields.iter().flat_map(|field| &field.zones), key),
            best_m2: 0.0,
            money: 0.0,
            money_interval: (0.0, 0.0),
        };
        let zones = plan.fields.iter().flat_map(|field| &field.zones);
        for zone in zones.filter(|zone| zone.is_best && zone.advice.treatment == key) {
            let advice = &zone.advice;
            let (Some(net), Some(response), Some(break_even), Some((low, high))) =
                (advice.net_return, advice.response, advice.break_even, advice.interval)
            else {
                continue;
            };
            // net return is a straight line of the response, 0 where it just pays
            let slope = if (response - break_even).abs() > 0.0 { net / (response - break_even) } else { 0.0 };
            let area_ha = zone.area_m2 / 10_000.0;
            told.best_m2 += zone.area_m2;
            told.money += net * area_ha;
            told.money_interval.0 += slope * (low - break_even) * area_ha;
            told.money_interval.1 += slope * (high - break_even) * area_ha;
        }
        told
    };
    PlanOutline {
        crop: plan.crop.clone(),
        folder,
        season: site_years.iter().map(|one| one.identity.season).max().unwrap_or_default() + 1,
        treatments: treatments.iter().map(of_treatment).collect(),
        fields: plan
            .fields
            .iter()
            .map(|field| PlannedPlace {
                farm: field.farm.clone(),
                field: field.field.clone(),
                folder: field.folder.clone(),
                area_m2: treatments.iter().map(|key| areas(&mut field.zones.iter(), key)).collect(),
                strips: field.strips.as_ref().map_or(0, |layout| layout.strips.len()),
            })
            .collect(),
        stale: None,
    }
}

/// A yield with its unit, above nothing.
fn half_width_kg_ha(text: &str, settings: &ArchiveSettings, crop: &str) -> Result<f64, String> {
    let expected = || format!("expected a yield with its unit such as \"3 bu/ac\", found `{text}`");
    let (number, unit) = split_number(text, "yield").map_err(|_| expected())?;
    let unit = YieldUnit::parse(unit).map_err(|error| error.to_string())?;
    let value = number * unit.kg_per_ha(settings.crops[crop].bushel());
    if value > 0.0 && value.is_finite() { Ok(value) } else { Err(expected()) }
}

/// Directions that are set for fields which the archive does not have.
fn known_fields(strips: &StripLayoutSettings, read: &[(SiteYearFolder, FieldSettings)]) -> Result<(), String> {
    let known: BTreeSet<String> = read.iter().map(|(_, field)| format!("{}/{}", field.farm, field.field)).collect();
    let unknown = strips.directions_deg.keys().find(|name| !known.contains(*name));
    unknown.map_or(Ok(()), |name| {
        let hint = nearest(name, known.iter().map(String::as_str));
        let hint = hint.map_or_else(String::new, |known| format!("; did you mean `{known}`?"));
        Err(format!("archive.toml: target.directions: the archive has no field `{name}`{hint}"))
    })
}

/// The crop of the most site-years with responses; of equals the first in the alphabet.
fn commonest_crop(site_years: &[SiteYear]) -> Option<String> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for one in site_years.iter().filter(|one| !one.responses.is_empty()) {
        *counts.entry(&one.identity.crop).or_insert(0) += 1;
    }
    let most = counts.values().copied().max()?;
    counts.into_iter().find(|(_, count)| *count == most).map(|(crop, _)| crop.to_owned())
}

/// What tells of the season's weather ahead.
struct Weather<'s> {
    root: &'s Path,
    settings: &'s ArchiveSettings,
    given: Option<Outlook>,
    allow_outside: bool,
}

impl Weather<'_> {
    /// The outlook at a place (degrees) for a planting on the same day of the year as the last one.
    fn at(&self, (longitude_deg, latitude_deg): (f64, f64), planted: Option<NaiveDate>) -> Outlook {
        if let Some(given) = &self.given {
            return given.clone();
        }
        let Some(wetness) = &self.settings.wetness else { return Outlook::none() };
        // A grid that is damaged, or silent here, tells nothing of that season; the count of seasons says so.
        let seasons = inputs::seasons_with_grids(self.root, wetness, planted, self.allow_outside).unwrap_or_default();
        let values: Vec<f64> = seasons
            .iter()
            .filter_map(|grids| ingest::wetness_at(grids, wetness, longitude_deg, latitude_deg).ok().flatten()?.measure)
            .collect();
        Outlook::of_seasons(&values, wetness)
    }
}

/// The direction of true north at a place (degrees) in a UTM zone, radians counter-clockwise from grid east.
fn true_north((longitude_deg, latitude_deg): (f64, f64), epsg: u32) -> Result<f64, String> {
    const STEP_DEG: f64 = 0.001;
    let utm = Crs::from_epsg(epsg).map_err(|error| error.to_string())?;
    let projector = Projector::new(&Crs::wgs84(), &utm).map_err(|error| error.to_string())?;
    let at = |latitude_deg: f64| {
        let found = projector.convert_point(longitude_deg, latitude_deg).map_err(|error| error.to_string())?;
        found.ok_or_else(|| "it lies off the map".to_owned())
    };
    let (from, to) = (at(latitude_deg)?, at(latitude_deg + STEP_DEG)?);
    Ok((to.1 - from.1).atan2(to.0 - from.0))
}

struct Planner<'p> {
    /// Every field.toml that can be read.
    read: Vec<(SiteYearFolder, FieldSettings)>,
    root: &'p Path,
    settings: &'p ArchiveSettings,
    zones: &'p [ZoneResponse],
    synthesis: &'p Synthesis,
    weather: Weather<'p>,
    crop: &'p str,
    allow_outside: bool,
    store: &'p Store,
}

impl Planner<'_> {
    fn plan(&self, site_years: &[SiteYear]) -> SeasonPlan {
        let season = site_years.iter().map(|one| one.identity.season).max().unwrap_or_default() + 1;
        let mut plan = SeasonPlan {
            crop: self.crop.to_owned(),
            fields: Vec::new(),
            left_out: Vec::new(),
            zoning: self.zoning(site_years),
            replication: self.replication(site_years),
        };
        // The last season of each field tells its ground.
        let mut fields: BTreeMap<(&str, &str), Vec<&SiteYear>> = BTreeMap::new();
        for one in site_years {
            fields.entry((&one.identity.farm, &one.identity.field)).or_default().push(one);
        }
        let farms = unique_slugs(fields.keys().map(|(farm, _)| *farm).collect::<BTreeSet<_>>());
        let mut field_slugs: BTreeMap<&str, BTreeMap<String, String>> = BTreeMap::new();
        for farm in farms.keys() {
            let own = fields.keys().filter(|(of, _)| of == farm).map(|(_, field)| *field);
            field_slugs.insert(farm, unique_slugs(own.collect::<BTreeSet<_>>()));
        }
        let shared = SharedLayers::default();
        for ((farm, field), seasons) in &fields {
            let Some(last) = seasons.iter().max_by_key(|one| one.identity.season) else { continue };
            let folder = format!("{}/{}", farms[*farm], field_slugs[farm][*field]);
            let own = self.settings_of(last);
            let files = own.ok_or_else(|| "its field.toml has gone".to_owned()).and_then(|(folder, settings)| {
                inputs::resolve(self.root, folder, settings, self.settings, self.allow_outside)
                    .map(|files| (files, settings))
                    .map_err(|fault| fault.to_string())
            });
            let has_own_strips = seasons.iter().any(|one| {
                one.identity.crop == self.crop && one.responses.iter().any(|response| response.estimate.mean.is_some())
            });
            let planned =
                files.and_then(|(files, settings)| self.ground(&files, settings, &shared, last.epsg)).map(|ground| {
                    let planted = own.and_then(|(_, settings)| settings.planted);
                    let mut planned = self.field(&ground, (last, planted), folder, has_own_strips);
                    planned.strips = self.strips(&ground, &planned.zones, seasons, season, &plan.replication);
                    planned
                });
            match planned {
                Ok(planned) => plan.fields.push(planned),
                Err(reason) => plan.left_out.push((format!("{farm} · {field}"), reason)),
            }
        }
        plan
    }

    /// What strips would tell of each treatment.
    fn replication(&self, site_years: &[SiteYear]) -> Vec<Replication> {
        let treated = self.settings.treatments.iter().filter(|treatment| !treatment.check);
        treated
            .filter_map(|treatment| {
                let whole = self.zones.iter().find(|zone| {
                    zone.crop == self.crop
                        && zone.treatment == treatment.key
                        && zone.class.is_none()
                        && zone.wetness.is_none()
                });
                let confidence = self.settings.model.confidence;
                targeting::replication(&treatment.key, self.crop, whole, site_years, confidence)
            })
            .collect()
    }

    /// The folder and settings of a site-year.
    fn settings_of(&self, one: &SiteYear) -> Option<&(SiteYearFolder, FieldSettings)> {
        let identity = (one.identity.season, one.identity.farm.as_str(), one.identity.field.as_str());
        self.read.iter().find(|(_, settings)| settings.identity() == identity)
    }

    fn planted(&self, one: &SiteYear) -> Option<NaiveDate> {
        self.settings_of(one).and_then(|(_, settings)| settings.planted)
    }

    fn ground(
        &self,
        files: &SiteYearFiles,
        field: &FieldSettings,
        shared: &SharedLayers,
        epsg: u32,
    ) -> Result<Ground, String> {
        let found = ingest::ground(files, field, self.settings, shared, epsg).map_err(|error| error.to_string())?;
        let ground = found.field.ok_or("has neither a boundary nor strip polygons; give field.toml a [boundary]")?;
        let zone = |class: usize| self.settings.soil.zone_of_class[class];
        let soils = found.soils.into_iter().map(|soil| (soil.ground, soil.class.map(zone))).collect();
        Ok(Ground { field: ground, soils })
    }

    fn field(
        &self,
        ground: &Ground,
        (last, planted): (&SiteYear, Option<NaiveDate>),
        folder: String,
        has_own_strips: bool,
    ) -> PlannedField {
        let outlook = self.weather.at(last.place_deg, planted);
        let classes: BTreeSet<usize> = ground.soils.iter().filter_map(|(_, zone)| *zone).collect();
        let lanes = Lanes::of(ground, &self.settings.target);
        let mut zones = Vec::new();
        for treatment in self.settings.treatments.iter().filter(|treatment| !treatment.check) {
            let advice: Vec<Advice> = classes
                .iter()
                .map(|&class| Some(class))
                .chain([None])
                .map(|class| {
                    let advice = self.advice(&treatment.key, class, &outlook, has_own_strips);
                    let place = (last.identity.farm.as_str(), last.identity.field.as_str());
                    match self.synthesis.of_field((self.crop, &treatment.key), place, class) {
                        Some(own) => targeting::for_field(advice, self.zones, self.settings, own),
                        None => advice,
                    }
                })
                .collect();
            let cost = treatment.cost_per_ha;
            zones.extend(lanes.iter().flat_map(|lanes| lanes.layout(&advice, cost, &self.settings.target)));
        }
        for at in 0..zones.len() {
            let of = |zone: &PlannedZone| zone.advice.net_return.unwrap_or(f64::NEG_INFINITY);
            let rivals = zones.iter().filter(|one| {
                one.advice.class == zones[at].advice.class && one.advice.treatment != zones[at].advice.treatment
            });
            let beaten =
                rivals.filter(|one| one.advice.decision == Decision::Treat).any(|one| of(one) > of(&zones[at]));
            zones[at].is_best = zones[at].decision == Decision::Treat && zones[at].why == Why::Advice && !beaten;
        }
        PlannedField {
            farm: last.identity.farm.clone(),
            field: last.identity.field.clone(),
            folder,
            epsg: last.epsg,
            has_own_strips,
            outlook: outlook.shares,
            outlook_seasons: outlook.seasons,
            soils: classes.iter().map(|&class| ground.of_class(class)).collect(),
            zones,
            strips: Err(NoStrips::NoPlanter),
        }
    }

    /// The strips of a field in the season to come, or why it has none.
    fn strips(
        &self,
        ground: &Ground,
        zones: &[PlannedZone],
        seasons: &[&SiteYear],
        season: i32,
        replication: &[Replication],
    ) -> Result<StripLayout, NoStrips> {
        let settings = self.settings.target.strips.as_ref().ok_or(NoStrips::NoPlanter)?;
        let unknown = |what: &str| NoStrips::Unknown(what.to_owned());
        let whole: f64 = ground.field.unsigned_area();
        let is_to_be_tested = |key: &str| {
            let tested = zones.iter().filter(|zone| zone.advice.treatment == key && zone.decision == Decision::Test);
            tested.map(|zone| zone.area_m2).sum::<f64>() >= LEAST_TEST_SHARE * whole
        };
        let (check, treated): (Vec<_>, Vec<_>) = self.settings.treatments.iter().partition(|one| one.check);
        let mut treatments: Vec<String> = check.iter().map(|one| one.key.clone()).collect();
        treatments.extend(treated.iter().filter(|one| is_to_be_tested(&one.key)).map(|one| one.key.clone()));
        if treatments.len() < 2 {
            return Err(NoStrips::Settled(LEAST_TEST_SHARE));
        }
        // That of the planned crop: another one may be cut by another header.
        let of_crop = seasons.iter().filter(|one| one.identity.crop == self.crop).max_by_key(|one| one.identity.season);
        let last = of_crop
            .or_else(|| seasons.iter().max_by_key(|one| one.identity.season))
            .ok_or_else(|| unknown("it has no harvest"))?;
        let name = (last.identity.farm.as_str(), last.identity.field.as_str());
        let found = driven(&self.store.results(&last.folder)).map_err(NoStrips::Unknown)?;
        let (header_m, header_source) = match (settings.header_m, found.header_m) {
            (Some(header_m), _) => (header_m, "as set in archive.toml".to_owned()),
            (None, Some(header_m)) => (
                header_m,
                format!("the widest swath of the {} harvest of {}", last.identity.crop, last.identity.season),
            ),
            (None, None) => {
                return Err(unknown("its harvest tells no width of the header; give archive.toml a target.header"));
            }
        };
        let north_rad = true_north(last.place_deg, last.epsg).map_err(NoStrips::Unknown)?;
        let courses = match (settings.directions_deg.get(&format!("{}/{}", name.0, name.1)), found.angle_rad) {
            (Some(bearing_deg), _) => vec![(Course::Set, north_rad - bearing_deg.to_radians())],
            (None, Some(angle)) => {
                vec![(Course::Along, angle), (Course::Across, angle + std::f64::consts::FRAC_PI_2)]
            }
            (None, None) => {
                return Err(unknown(
                    "its harvest has no main direction; give it one in [target.directions] of archive.toml",
                ));
            }
        };
        let model = &self.settings.model;
        let mut layout = targeting::lay_out(StripCase {
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
                let row = targeting::one_field(blocks, one.block_sd, model.confidence).ok()?;
                Some((one.treatment.clone(), row))
            })
            .collect();
        Ok(layout)
    }

    /// The advice on a class; one that no strip has stood on is to be tested.
    fn advice(&self, treatment: &str, class: Option<usize>, outlook: &Outlook, has_own_strips: bool) -> Advice {
        let found = targeting::advise(self.zones, self.settings, (self.crop, treatment), class, outlook);
        let mut advice = found.unwrap_or_else(|| Advice {
            crop: self.crop.to_owned(),
            treatment: treatment.to_owned(),
            class,
            class_name: class.map_or_else(|| "all".to_owned(), |class| self.settings.soil.zones[class].clone()),
            decision: Decision::Test,
            response: None,
            interval: None,
            break_even: None,
            net_return: None,
            probability_pays: None,
            probability_new_site_pays: None,
            site_years: 0,
            cautions: crate::points::Cautions::default(),
        });
        if advice.response.is_none() {
            advice.cautions.add(Caution::NotEstimable, "too few site-years of this ground");
        }
        if !has_own_strips {
            advice.cautions.add(Caution::ArchiveAnswer, "");
        }
        advice
    }

    /// What zoning would have earned under each treatment.
    fn zoning(&self, site_years: &[SiteYear]) -> Vec<crate::results::ZoningValue> {
        self.settings
            .treatments
            .iter()
            .filter(|treatment| !treatment.check)
            .filter_map(|treatment| {
                targeting::value_of_zoning(
                    site_years,
                    self.settings,
                    (self.crop, &treatment.key),
                    |one| self.weather.at(one.place_deg, self.planted(one)),
                    |others| archive::conclude(others, self.settings).synthesis.zones,
                )
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Snyder 1987, USGS Professional Paper 1395, chapter 8: on the sphere, the convergence of a transverse Mercator grid is
    /// atan(tan(λ − λ₀) sin φ) (from memory); inside a zone the ellipsoid differs by little.
    #[test]
    fn true_north_differs_from_the_grid_by_the_convergence() {
        for (longitude, latitude) in [(-93.0_f64, 42.0_f64), (-91.0, 42.5), (-95.5, 30.0)] {
            let expected = ((longitude + 93.0).to_radians().tan() * latitude.to_radians().sin()).atan().to_degrees();
            // east of the central meridian true north lies to the left of the grid's
            let found = true_north((longitude, latitude), 32_615).unwrap().to_degrees() - 90.0;
            assert!((found - expected).abs() < 2e-3, "{longitude} {latitude}: {found} {expected}");
        }
    }
}
