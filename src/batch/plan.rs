//! The plan of the season to come: the night first, then where to treat each field.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use chrono::NaiveDate;

use super::account::absent;
use super::basis::{self, Basis};
use super::night::{self, NightOptions, NightReport, Progress};
use super::store::Store;
use super::{BatchError, SiteYearFolder, archive, discover, inputs, unique_slugs};
use crate::config::{ArchiveSettings, FieldSettings, StripLayoutSettings};
use crate::ingest::{self, SharedLayers};
use crate::quantity::{YieldUnit, nearest, split_number};
use crate::report;
use crate::results::{PlanOutline, PlannedField, PlannedPlace, SeasonPlan, SiteYear};
use crate::targeting::{self, CropPlanner, FieldGround, Outlook};

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
    // What cannot be planned is reported before the night is spent on it.
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
        let wanted = options.precision.as_ref().map(|text| half_width_kg_ha(text, &settings, crop));
        wanted.transpose().map_err(|error| fault(format!("--precision: {error}")))
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
        options.crop.clone().or_else(|| targeting::commonest_crop(&night.site_years)).ok_or_else(|| {
            fault("no site-year has strips, so the archive says nothing about where to treat".to_owned())
        })?;
    let planner = Planner {
        read,
        root,
        of_crop: CropPlanner { settings: &settings, synthesis: &night.conclusions.synthesis, crop: &crop },
        weather: Weather { root, settings: &settings, given, allow_outside: options.night.allow_outside },
        allow_outside: options.night.allow_outside,
    };
    let mut plan = planner.plan(&night.site_years);
    let mut records = basis::records(&store, &night.site_years, settings.model.confidence).0;
    plan.record = records.iter().position(|one| one.crop == crop).map(|at| records.swap_remove(at));
    let half_width_kg_ha = half_width(&crop)?;
    // A folder for each crop: the plan of one leaves those of the others alone.
    let folder = unique_slugs(settings.crops.keys().map(String::as_str))[&crop].clone();
    let below = &Path::new(basis::PLANS).join(&folder);
    let files = report::plan(&plan, &settings)?;
    for (folder, file) in &files {
        store.write_file(&below.join(folder), &file.name, &file.bytes)?;
    }
    // What a former plan drew and prescribed would be planted by mistake.
    let written: BTreeSet<PathBuf> = files.iter().map(|(folder, file)| below.join(folder).join(&*file.name)).collect();
    store.remove_others(below, 3, &report::OF_SOME_FIELDS, &written)?;
    let season = next_season(&night.site_years);
    let known_to = planner.known_to(season);
    // once the harvest is in, what was promised stays as it was promised
    if known_to < season {
        let promises = targeting::promises(&plan, (season, known_to), settings.model.confidence);
        let file = report::promised(&promises, &settings)?;
        store.write_file(&below.join(basis::PROMISES).join(season.to_string()), &file.name, &file.bytes)?;
    }
    basis::remember(&store, &folder, &basis)?;
    basis::remember_outline(&store, &in_short(&plan, folder, &settings, season))?;
    basis::join_tables(&store)?;
    night.notes.extend(basis::mark_old_plans(&store, || basis)?);
    // what was promised just now is among them
    let (records, _) = basis::records(&store, &night.site_years, settings.model.confidence);
    let outline = night::outline((root, options.night.allow_outside), &store, &night.site_years, &settings, records);
    let absent = absent(&night.failures, &night.retired);
    let drawn = || super::drawings::write(&store, &night.site_years, (&night.conclusions, &outline), &settings);
    super::threads::in_pool(options.night.jobs, drawn)??;
    for file in report::index(&night.site_years, &night.conclusions, &outline, &absent, &settings)? {
        store.write_archive_file(&file.name, &file.bytes)?;
    }
    Ok(PlanReport { table: store.root().join(below).join(basis::TABLE), night, plan, half_width_kg_ha })
}

/// The plan in short, for the index.
fn in_short(plan: &SeasonPlan, folder: String, settings: &ArchiveSettings, season: i32) -> PlanOutline {
    let treatments: Vec<&str> =
        settings.treatments.iter().filter(|treatment| !treatment.check).map(|one| one.key.as_str()).collect();
    let place = |field: &PlannedField| PlannedPlace {
        farm: field.farm.clone(),
        field: field.field.clone(),
        folder: field.folder.clone(),
        area_m2: treatments.iter().map(|key| targeting::areas_m2(field.zones.iter(), key)).collect(),
        strips: field.strips.as_ref().map_or(0, |layout| layout.strips.len()),
    };
    PlanOutline {
        crop: plan.crop.clone(),
        folder,
        season,
        treatments: treatments.iter().map(|key| targeting::money(plan, key)).collect(),
        fields: plan.fields.iter().map(place).collect(),
        zones_risk: plan.zones_risk.clone(),
        stale: None,
    }
}

/// The season to come.
fn next_season(site_years: &[SiteYear]) -> i32 {
    site_years.iter().map(|one| one.identity.season).max().unwrap_or_default() + 1
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

/// The plan of a crop and what it is made from.
struct Planner<'p> {
    /// Every field.toml that can be read.
    read: Vec<(SiteYearFolder, FieldSettings)>,
    root: &'p Path,
    of_crop: CropPlanner<'p>,
    weather: Weather<'p>,
    allow_outside: bool,
}

impl Planner<'_> {
    fn plan(&self, site_years: &[SiteYear]) -> SeasonPlan {
        let season = next_season(site_years);
        let mut plan = SeasonPlan {
            crop: self.of_crop.crop.to_owned(),
            fields: Vec::new(),
            left_out: Vec::new(),
            zoning: self.of_crop.zoning(
                site_years,
                |one| self.weather.at(one.place_deg, self.settings_of(one).and_then(|(_, own)| own.planted)),
                |others| archive::conclude(others, self.of_crop.settings).synthesis.zones,
            ),
            replication: self.of_crop.replication(site_years),
            zones_risk: Vec::new(),
            strips_worth: Vec::new(),
            record: None,
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
        let mut grounds = Vec::new();
        for (&(farm, field), seasons) in &fields {
            let Some(last) = seasons.iter().max_by_key(|one| one.identity.season) else { continue };
            match self.ground(last, &shared) {
                Ok((ground, planted)) => grounds.push(((farm, field), seasons, *last, ground, planted)),
                Err(reason) => plan.left_out.push((format!("{farm} · {field}"), reason)),
            }
        }
        // what strips are worth depends on all the ground that they would decide on
        plan.strips_worth = self.of_crop.strips_worth(grounds.iter().map(|one| &one.3));
        for ((farm, field), seasons, last, ground, planted) in grounds {
            let outlook = self.weather.at(last.place_deg, planted);
            let has_own_strips = self.of_crop.has_own_strips(seasons);
            let zones = self.of_crop.zones(&ground, (farm, field), &outlook, has_own_strips, &plan.zoning);
            let known = (plan.replication.as_slice(), plan.strips_worth.as_slice());
            plan.fields.push(PlannedField {
                farm: farm.to_owned(),
                field: field.to_owned(),
                folder: format!("{}/{}", farms[farm], field_slugs[farm][field]),
                epsg: last.epsg,
                has_own_strips,
                outlook: outlook.shares,
                outlook_seasons: outlook.seasons,
                ground: ground.field.clone(),
                soils: ground.classes().into_iter().map(|class| ground.of_class(class)).collect(),
                strips: self.of_crop.strips(&ground, &zones, seasons, season, known),
                zones,
            });
        }
        plan.zones_risk = targeting::zones_risk(&plan.fields, &plan.zoning, self.of_crop.settings.target.sure);
        plan
    }

    /// The last season whose harvest is in the archive: the one before `season`, or a later one whose files are there though they may
    /// have failed.
    fn known_to(&self, season: i32) -> i32 {
        let archive = self.of_crop.settings;
        let has_files = |(folder, field): &&(SiteYearFolder, FieldSettings)| {
            inputs::resolve(self.root, folder, field, archive, self.allow_outside).is_ok()
        };
        let later = self.read.iter().filter(|(_, field)| field.season >= season);
        later.filter(has_files).map(|(_, field)| field.season).max().unwrap_or(season - 1)
    }

    /// The folder and settings of a site-year.
    fn settings_of(&self, one: &SiteYear) -> Option<&(SiteYearFolder, FieldSettings)> {
        let identity = (one.identity.season, one.identity.farm.as_str(), one.identity.field.as_str());
        self.read.iter().find(|(_, settings)| settings.identity() == identity)
    }

    /// The ground of a field, and when it was planted.
    fn ground(&self, one: &SiteYear, shared: &SharedLayers) -> Result<(FieldGround, Option<NaiveDate>), String> {
        let archive = self.of_crop.settings;
        let (folder, field) = self.settings_of(one).ok_or("its field.toml has gone")?;
        let files = inputs::resolve(self.root, folder, field, archive, self.allow_outside)
            .map_err(|fault| fault.to_string())?;
        let found = ingest::ground(&files, field, archive, shared, one.epsg).map_err(|error| error.to_string())?;
        let ground = found.field.ok_or("has neither a boundary nor strip polygons; give field.toml a [boundary]")?;
        let zone = |class: usize| archive.soil.zone_of_class[class];
        let soils = found.soils.into_iter().map(|soil| (soil.ground, soil.class.map(zone))).collect();
        Ok((FieldGround { field: ground, soils }, field.planted))
    }
}
