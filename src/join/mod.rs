//! Join: [`Assigned`] → [`Joined`]: the soil class of points and segments, and the wetness of the site-year.
//!
//! Map units are mixtures and their lines are drawn at 1:12,000 or coarser, so a segment has a class only where most of
//! its area has one class; elsewhere it counts for the whole field alone.

mod covariates;
mod terrain;

use std::sync::Arc;

use crate::config::{ArchiveSettings, SoilSettings};
use crate::geometry::PolygonIndex;
use crate::points::{Assigned, Caution, Cautions, Cleaned, Ingested, Joined, Labels, SoilLines};
use terrain::{UnderRecords, UnderSegments};

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 3;

/// Joins soils and wetness.
pub fn run(assigned: Assigned, ingested: &Ingested, archive: &ArchiveSettings) -> Joined {
    Ground::new(&assigned.cleaned, ingested, archive).join(assigned, ingested, archive)
}

/// What lies under the records: all that depends on their ground alone, not on what is kept of them.
#[derive(Debug, Clone)]
pub struct Ground {
    /// The zone of each record; `None` where the lie of the land makes the zones.
    point_class: Option<Vec<u32>>,
    soil_lines: Option<Arc<SoilLines>>,
    /// As [`Joined::class_mixture`].
    mixture: Vec<Vec<f64>>,
    terrain: UnderRecords,
    covariates: covariates::UnderRecords,
    cautions: Cautions,
}

impl Ground {
    /// Under records on their ground.
    pub fn new(cleaned: &Cleaned, ingested: &Ingested, archive: &ArchiveSettings) -> Self {
        let mut cautions = Cautions::default();
        let is_terrain = archive.soil.is_terrain() && !ingested.records.drainage_class.is_present();
        let soil_lines = (!ingested.soils.is_empty() && !ingested.records.drainage_class.is_present())
            .then(|| Arc::new(soil_lines(ingested, &archive.soil)));
        let lines = soil_lines.as_deref();
        let point_class = (!is_terrain).then(|| point_classes(cleaned, ingested, &archive.soil, lines, &mut cautions));
        let mixture = mixture(cleaned, ingested, &archive.soil, lines);
        let soil_lines = soil_lines.filter(|lines| lines.error_m > 0.0);
        let terrain = UnderRecords::new(cleaned, ingested.surface.as_ref(), &archive.soil);
        let covariates = covariates::UnderRecords::new(cleaned, ingested);
        Self { point_class, soil_lines, mixture, terrain, covariates, cautions }
    }

    /// Joins it to the records: those of which this is the ground, whatever is kept of them.
    pub fn join(&self, assigned: Assigned, ingested: &Ingested, archive: &ArchiveSettings) -> Joined {
        let mut cautions = self.cautions.clone();
        let terrain = UnderSegments::new(&assigned, &self.terrain, &mut cautions);
        let point_class = match &self.point_class {
            Some(known) => known.clone(),
            None => terrain::classes(&assigned, &self.terrain.index, &archive.soil),
        };
        let least_share = archive.model.class_share_pct / 100.0;
        let (segment_class, segment_class_share) = segment_classes(&assigned, &point_class, &archive.soil, least_share);
        let has_soil =
            ingested.records.drainage_class.is_present() || archive.soil.path.is_some() || archive.soil.is_terrain();
        let without = segment_class_share.iter().filter(|share| **share <= 0.0).count();
        if has_soil && without > 0 {
            cautions
                .add(Caution::SoilIncomplete, format!("{without} of {} segments have no class", segment_class.len()));
        }
        let wetness_class = match (&archive.wetness, ingested.wetness_measure) {
            (Some(settings), Some(value)) => Some(settings.class(value).to_owned()),
            _ => None,
        };
        Joined {
            classes: archive.soil.zones.clone(),
            point_class,
            segment_class_probability: segment_class
                .iter()
                .map(|&class| self.mixture.get(class as usize).map_or(f64::NAN, |shares| shares[class as usize]))
                .collect(),
            class_mixture: self.mixture.clone(),
            segment_class,
            segment_class_share,
            soil_lines: self.soil_lines.clone(),
            segment_terrain: terrain.index,
            segment_depression_m: terrain.depth_m,
            covariates: self.covariates.join(&assigned, ingested, &mut cautions),
            wetness_mm: ingested.wetness_mm,
            wetness_class,
            assigned,
            cautions,
        }
    }
}

/// The zone of each record, by the label that it carries or by the polygon under it.
fn point_classes(
    cleaned: &Cleaned,
    ingested: &Ingested,
    soil: &SoilSettings,
    lines: Option<&SoilLines>,
    cautions: &mut Cautions,
) -> Vec<u32> {
    let labels = &cleaned.records.drainage_class;
    if labels.is_present() {
        let zone_of: Vec<u32> = labels
            .names
            .iter()
            .map(|name| match soil.class(name) {
                Ok(Some(class)) => soil.zone_of_class[class] as u32,
                _ => Labels::NONE,
            })
            .collect();
        return labels.codes.iter().map(|&code| zone_of.get(code as usize).copied().unwrap_or(Labels::NONE)).collect();
    }
    let Some(lines) = lines else { return vec![Labels::NONE; cleaned.len()] };
    let mut tiled = 0_usize;
    let codes = (0..cleaned.len())
        .map(|at| match lines.index.locate(cleaned.x_m[at], cleaned.y_m[at]) {
            Some(polygon) => {
                tiled += usize::from(ingested.soils[polygon as usize].tiled == Some(true));
                lines.zones[polygon as usize]
            }
            None => Labels::NONE,
        })
        .collect();
    if tiled > 0 {
        let share = 100.0 * tiled as f64 / cleaned.len() as f64;
        cautions.add(Caution::TiledMixed, format!("{share:.0} % of the records"));
    }
    codes
}

fn soil_lines(ingested: &Ingested, soil: &SoilSettings) -> SoilLines {
    let zone = |class: Option<usize>| class.map_or(Labels::NONE, |class| soil.zone_of_class[class] as u32);
    SoilLines {
        index: PolygonIndex::new(ingested.soils.iter().map(|soil| soil.ground.clone()).collect()),
        zones: ingested.soils.iter().map(|ground| zone(ground.class)).collect(),
        error_m: soil.line_error_m,
    }
}

/// What the ground mapped as each zone is expected to be, by the components of the map units under the records.
fn mixture(cleaned: &Cleaned, ingested: &Ingested, soil: &SoilSettings, lines: Option<&SoilLines>) -> Vec<Vec<f64>> {
    let zones = soil.zones.len();
    let mut shares = vec![vec![0.0; zones]; zones];
    let mut records = vec![0.0; zones];
    if let Some(lines) = lines.filter(|_| ingested.soils.iter().any(|soil| !soil.class_pct.is_empty())) {
        for polygon in (0..cleaned.len()).filter_map(|at| lines.index.locate(cleaned.x_m[at], cleaned.y_m[at])) {
            let zone = lines.zones[polygon as usize] as usize;
            let components = &ingested.soils[polygon as usize].class_pct;
            let Some(sums) = shares.get_mut(zone) else { continue };
            records[zone] += 1.0;
            if components.is_empty() {
                sums[zone] += 1.0;
            }
            for &(class, pct) in components {
                sums[soil.zone_of_class[class]] += pct / 100.0;
            }
        }
    }
    for (zone, (sums, records)) in shares.iter_mut().zip(records).enumerate() {
        if records > 0.0 {
            for sum in sums {
                *sum /= records;
            }
        } else {
            sums[zone] = 1.0;
        }
    }
    shares
}

/// The zone that holds most of each segment's area, and its share; no zone below the least share.
fn segment_classes(
    assigned: &Assigned,
    point_class: &[u32],
    soil: &SoilSettings,
    least_share: f64,
) -> (Vec<u32>, Vec<f64>) {
    let zones = soil.zones.len();
    let mut area = vec![vec![0.0; zones]; assigned.segments.len()];
    for (at, &segment) in assigned.segment.iter().enumerate() {
        if let (Some(area), Some(zone)) = (area.get_mut(segment as usize), point_class.get(at))
            && (*zone as usize) < zones
        {
            area[*zone as usize] += assigned.cleaned.area_m2[at];
        }
    }
    assigned
        .segments
        .iter()
        .zip(&area)
        .map(|(segment, area)| {
            // On a tie the wetter one.
            let (zone, most) = area
                .iter()
                .copied()
                .enumerate()
                .fold((0, 0.0), |best, (zone, area)| if area >= best.1 { (zone, area) } else { best });
            let share = most / segment.area_m2;
            (if share >= least_share { zone as u32 } else { Labels::NONE }, share)
        })
        .unzip()
}
