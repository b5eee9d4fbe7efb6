//! The plan of the season to come: the night first, then where to treat each field.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::night::{self, NightOptions, NightReport, Progress};
use super::store::Store;
use super::{BatchError, SiteYearFolder, archive, discover, inputs, unique_slugs};
use chrono::NaiveDate;

use crate::config::{ArchiveSettings, FieldSettings};
use crate::ingest::{self, SharedLayers, SiteYearFiles};
use crate::points::Caution;
use crate::quantity::{YieldUnit, split_number};
use crate::report;
use crate::results::{Advice, Decision, PlannedField, Replication, SeasonPlan, SiteYear, ZoneResponse};
use crate::targeting::{self, Ground, Outlook};

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
    pub table: std::path::PathBuf,
}

/// Runs the night, then plans and writes `plan/` into the output folder.
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
    let night = night::run(root, out, &options.night, progress)?;
    let crop =
        options.crop.clone().or_else(|| commonest_crop(&night.site_years)).ok_or_else(|| {
            fault("no site-year has strips, so the archive tells nothing of where to treat".to_owned())
        })?;
    let planner = Planner {
        root,
        settings: &settings,
        zones: &night.conclusions.synthesis.zones,
        weather: Weather { root, settings: &settings, given, allow_outside: options.night.allow_outside },
        crop: &crop,
        allow_outside: options.night.allow_outside,
        read: discover(root)
            .folders
            .into_iter()
            .filter_map(|folder| {
                let text = std::fs::read_to_string(folder.path.join("field.toml")).ok()?;
                let field = FieldSettings::parse("field.toml", &text, &settings).ok()?;
                Some((folder, field))
            })
            .collect(),
    };
    let plan = planner.plan(&night.site_years);
    let half_width_kg_ha = half_width(&crop)?;
    let store = Store::open(out, None)?;
    for (folder, file) in report::plan(&plan, &settings)? {
        store.write_file(&Path::new("plan").join(folder), file.name, &file.bytes)?;
    }
    Ok(PlanReport { table: store.root().join("plan").join("plan.csv"), night, plan, half_width_kg_ha })
}

/// A yield with its unit, above nothing.
fn half_width_kg_ha(text: &str, settings: &ArchiveSettings, crop: &str) -> Result<f64, String> {
    let expected = || format!("expected a yield with its unit such as \"3 bu/ac\", found `{text}`");
    let (number, unit) = split_number(text, "yield").map_err(|_| expected())?;
    let unit = YieldUnit::parse(unit).map_err(|error| error.to_string())?;
    let value = number * unit.kg_per_ha(settings.crops[crop].bushel());
    if value > 0.0 && value.is_finite() { Ok(value) } else { Err(expected()) }
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

struct Planner<'p> {
    /// Every field.toml that can be read.
    read: Vec<(SiteYearFolder, FieldSettings)>,
    root: &'p Path,
    settings: &'p ArchiveSettings,
    zones: &'p [ZoneResponse],
    weather: Weather<'p>,
    crop: &'p str,
    allow_outside: bool,
}

impl Planner<'_> {
    fn plan(&self, site_years: &[SiteYear]) -> SeasonPlan {
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
                    self.field(&ground, (last, planted), folder, has_own_strips)
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
        let mut zones = Vec::new();
        for treatment in self.settings.treatments.iter().filter(|treatment| !treatment.check) {
            let advice: Vec<Advice> = classes
                .iter()
                .map(|&class| Some(class))
                .chain([None])
                .map(|class| self.advice(&treatment.key, class, &outlook, has_own_strips))
                .collect();
            zones.extend(targeting::layout(ground, &advice, &self.settings.target));
        }
        for at in 0..zones.len() {
            let of = |zone: &crate::results::PlannedZone| zone.advice.net_return.unwrap_or(f64::NEG_INFINITY);
            let rivals = zones.iter().filter(|one| {
                one.advice.class == zones[at].advice.class && one.advice.treatment != zones[at].advice.treatment
            });
            let beaten =
                rivals.filter(|one| one.advice.decision == Decision::Treat).any(|one| of(one) > of(&zones[at]));
            zones[at].is_best = zones[at].decision == Decision::Treat && !beaten;
        }
        PlannedField {
            farm: last.identity.farm.clone(),
            field: last.identity.field.clone(),
            folder,
            epsg: last.epsg,
            has_own_strips,
            outlook: outlook.shares,
            outlook_seasons: outlook.seasons,
            zones,
        }
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
