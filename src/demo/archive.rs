//! Writing the invented archive.

use std::collections::BTreeMap;
use std::path::Path;

use rayon::prelude::*;

use super::catalogue::{FARMS, Farm, SEASONS, Size};
use super::crop::CLASSES;
use super::error::{DemoError, write_file};
use super::outcome::Simulated;
use super::plan::{Placement, Scenario};
use super::seasons::{SiteYear, site_years};
use super::simulate::simulate;
use super::soil::DRAINAGE_CLASSES;
use super::truth::{ALL_CLASSES, SiteYearTruth, TrueMachine, TrueResponse, Truth};
use super::{harvest_files, layers, settings, weather};
use crate::geometry::{Crs, Projector};

/// What is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Options {
    /// The seed of everything random.
    pub seed: u64,
    /// How much.
    pub size: Size,
}

impl Default for Options {
    fn default() -> Self {
        Self { seed: 1862, size: Size::Full }
    }
}

/// The UTM zone of all farms.
const EPSG: u32 = 32_615;

/// Writes the invented archive into `dir` (made if absent) and returns its truth. The same options give the same bytes at any
/// number of threads.
///
/// # Errors
/// [`DemoError`] when a file cannot be written.
pub fn write(dir: &Path, options: Options) -> Result<Truth, DemoError> {
    let to_degrees = Projector::new(&Crs::from_epsg(EPSG)?, &Crs::wgs84())?;
    let all = plan(options, &to_degrees)?;
    write_file(&dir.join("archive.toml"), settings::archive_toml().as_bytes())?;
    write_file(&dir.join("layers/normal_05.tif"), &weather::normal_file()?)?;
    for (at, season) in SEASONS.iter().enumerate() {
        if all.iter().any(|one| one.season == *season) {
            write_file(&dir.join(format!("layers/total_{season}_05.tif")), &weather::total_file(at)?)?;
        }
    }
    let mut soils = Vec::new();
    let mut mapped = std::collections::BTreeSet::new();
    for one in &all {
        // A field has one soil map, whatever its seasons.
        if mapped.insert((one.farm.name, one.field)) {
            soils.extend(layers::soils(&one.scenario.field, &one.scenario.placement, &to_degrees, mapped.len())?);
        }
    }
    write_file(&dir.join("layers/soils.geojson"), layers::geojson(&soils).as_bytes())?;
    let truths: Result<Vec<SiteYearTruth>, DemoError> =
        all.par_iter().map(|one| write_site_year(dir, one, &to_degrees)).collect();
    let mut site_years = truths?;
    site_years.sort_by(|p, q| (p.season, &p.farm, &p.field).cmp(&(q.season, &q.farm, &q.field)));
    write_file(&dir.join("README.md"), settings::readme(&site_years).as_bytes())?;
    Ok(Truth { seed: options.seed, site_years })
}

/// Refuses a folder that holds something else than the demo's own archive, which [`write()`] would overwrite.
///
/// # Errors
/// [`DemoError::NotOwn`].
pub fn refuse_other(dir: &Path) -> Result<(), DemoError> {
    let not_own = |found: &'static str| DemoError::NotOwn { path: dir.to_path_buf(), found };
    match std::fs::read(dir.join("archive.toml")) {
        Ok(text) if text == settings::archive_toml().as_bytes() => Ok(()),
        Ok(_) => Err(not_own("an archive.toml that is not the demo's own, or was changed")),
        Err(_) => match std::fs::read_dir(dir).map(|mut entries| entries.next().is_none()) {
            Ok(false) => Err(not_own("a folder that holds other files")),
            _ => Ok(()),
        },
    }
}

/// The scenarios of the archive's site-years, in its order, named `season/farm/field`: for tests and measurements that need no
/// files.
///
/// # Errors
/// [`DemoError`] when coordinates cannot be converted.
pub fn scenarios(options: Options) -> Result<Vec<Scenario>, DemoError> {
    let to_degrees = Projector::new(&Crs::from_epsg(EPSG)?, &Crs::wgs84())?;
    Ok(plan(options, &to_degrees)?.into_iter().map(|one| one.scenario).collect())
}

fn plan(options: Options, to_degrees: &Projector) -> Result<Vec<SiteYear>, DemoError> {
    let to_plane = Projector::new(&Crs::wgs84(), &Crs::from_epsg(EPSG)?)?;
    let mut bases = BTreeMap::new();
    for farm in &FARMS {
        let (east, north) = to_plane.convert_point(farm.lon, farm.lat)?.unwrap_or((f64::NAN, f64::NAN));
        bases.insert(farm.name, (east.round(), north.round()));
    }
    let ground = |farm: &Farm| {
        let (east_m, north_m) = bases[farm.name];
        Placement { epsg: EPSG, east_m, north_m, turn_rad: 0.0 }
    };
    let wetness = |season: i32, placement: &Placement, field: &super::plan::FieldPlan| {
        let (x, y) = placement.to_ground(field, field.width_m / 2.0, field.length_m / 2.0);
        let middle = to_degrees.convert_point(x, y).ok().flatten();
        middle.and_then(|(lon, lat)| weather::departure_at(season, lon, lat).ok()).unwrap_or(f64::NAN)
    };
    Ok(site_years(options.seed, options.size, ground, wetness))
}

fn write_site_year(dir: &Path, one: &SiteYear, to_degrees: &Projector) -> Result<SiteYearTruth, DemoError> {
    let slug = |name: &str| name.to_lowercase().replace(' ', "-");
    let folder = dir.join(one.season.to_string()).join(slug(one.farm.name)).join(slug(one.field));
    let (field, placement) = (&one.scenario.field, &one.scenario.placement);
    write_file(&folder.join("field.toml"), settings::field_toml(one).as_bytes())?;
    let boundary = layers::boundary(field, placement, to_degrees, one.field)?;
    write_file(&folder.join("boundary.geojson"), layers::geojson(&[boundary]).as_bytes())?;
    let strips = layers::strips(field, placement, to_degrees)?;
    if one.strips_as_shapes {
        let path = folder.join("strips.shp");
        layers::shapes(&path, &strips)?.write(&path)?;
    } else {
        write_file(&folder.join("strips.geojson"), layers::geojson(&strips).as_bytes())?;
    }
    let done = simulate(&one.scenario);
    harvest_files::write(&folder, one, &done, to_degrees)?;
    Ok(truth_of(one, &done))
}

fn truth_of(one: &SiteYear, done: &Simulated) -> SiteYearTruth {
    let field = &one.scenario.field;
    let mut responses = Vec::new();
    for (treatment, key) in field.treatments.iter().enumerate() {
        let cells = &done.field.cells[treatment];
        let area: f64 = cells.iter().map(|cell| cell.area_m2).sum();
        let yield_sum: f64 = cells.iter().map(|cell| cell.area_m2 * cell.yield_kg_ha).sum();
        let mut add = |class: &str, area_m2: f64, response_kg_ha: f64, yield_kg_ha: f64| {
            responses.push(TrueResponse {
                treatment: key.clone(),
                drainage_class: class.to_owned(),
                area_m2,
                response_kg_ha,
                yield_kg_ha,
            });
        };
        for class in (0..CLASSES).filter(|&class| cells[class].area_m2 > 0.0) {
            let cell = cells[class];
            add(DRAINAGE_CLASSES[class], cell.area_m2, cell.response_kg_ha, cell.yield_kg_ha);
        }
        if let Some(response) = done.field.response_kg_ha(treatment, None) {
            add(ALL_CLASSES, area, response, yield_sum / area);
        }
    }
    let mut faults = BTreeMap::new();
    for fault in done.truth.iter().filter_map(|truth| truth.fault) {
        *faults.entry(fault).or_insert(0) += 1;
    }
    SiteYearTruth {
        season: one.season,
        farm: one.farm.name.to_owned(),
        field: one.field.to_owned(),
        crop: one.crop.key().to_owned(),
        wetness_mm: one.wetness_mm,
        blocks: one.blocks,
        randomised: one.randomised,
        machine_aliased: one.aliased,
        responses,
        machines: one
            .scenario
            .machines
            .iter()
            .map(|machine| TrueMachine {
                machine: machine.name.clone(),
                delay_s: machine.delay_s,
                mixing_s: machine.mixing_s,
                lag_s: machine.lag_s(),
                moisture_lag_s: machine.moisture_lag_s(),
                gain: machine.gain,
            })
            .collect(),
        records: done.records.len(),
        faults,
        cut_wet_kg: done.balance.cut_kg,
        cut_m2: done.balance.cut_m2,
    }
}

#[cfg(test)]
#[path = "archive_tests.rs"]
mod tests;
