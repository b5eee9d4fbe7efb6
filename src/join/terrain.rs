//! Wetness by the lie of the land: the topographic index and the depth of depressions under records and segments.
//!
//! The index tells ground of one field apart; between fields and elevation models it does not compare. So classes are made
//! within the field, with equal shares of its area.

use crate::config::SoilSettings;
use crate::geometry::Crs;
use crate::points::{Assigned, Caution, Cautions, Cleaned, Labels, Surface};
use crate::raster::{Raster, Sampler, terrain};

/// Standardised difference of the index between treated and check segments from which the comparison is doubted (common
/// practice in observational studies, from memory: Austin 2009 uses 0.1, others 0.25).
const MOST_DIFFERENCE: f64 = 0.25;

/// What the terrain says of the records; NaN where it is not known.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct UnderRecords {
    /// Topographic wetness index.
    pub(super) index: Vec<f64>,
    /// Depth of the depression, m.
    pub(super) depth_m: Vec<f64>,
}

impl UnderRecords {
    /// Samples the terrain under the records. Without a surface nothing is known.
    pub(super) fn new(cleaned: &Cleaned, surface: Option<&Surface>, soil: &SoilSettings) -> Self {
        let rows = cleaned.len();
        let unknown = || Self { index: vec![f64::NAN; rows], depth_m: vec![f64::NAN; rows] };
        let Some(surface) = surface else { return unknown() };
        let cell_m = (surface.cell_m.0 * surface.cell_m.1).sqrt();
        let smoothed = terrain::smooth(&surface.raster.data, soil.dem_smoothing_m / cell_m);
        let Ok(wetness) = terrain::wetness(&smoothed, surface.cell_m) else { return unknown() };
        let sampler = |data| {
            let raster = Raster { data, transform: surface.raster.transform, crs: surface.raster.crs.clone() };
            Sampler::new(raster, &Crs::from_epsg(cleaned.records.epsg).ok()?).ok()
        };
        let Some((mut index, mut depth)) = sampler(wetness.index).zip(sampler(wetness.depth)) else { return unknown() };
        let mut under = Self { index: Vec::with_capacity(rows), depth_m: Vec::with_capacity(rows) };
        for (&x, &y) in cleaned.x_m.iter().zip(&cleaned.y_m) {
            let known = x.is_finite() && y.is_finite();
            let of = |sampler: &mut Sampler<Raster>| {
                if known { sampler.bilinear(x, y).ok().flatten().unwrap_or(f64::NAN) } else { f64::NAN }
            };
            under.index.push(of(&mut index));
            under.depth_m.push(of(&mut depth));
        }
        under
    }
}

/// What the terrain says of the segments: the area-weighted means of their records.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct UnderSegments {
    /// Topographic wetness index.
    pub(super) index: Vec<f64>,
    /// Depth of the depressions, m.
    pub(super) depth_m: Vec<f64>,
}

impl UnderSegments {
    /// With a doubt where treated ground is wetter than the check's.
    pub(super) fn new(assigned: &Assigned, under: &UnderRecords, cautions: &mut Cautions) -> Self {
        let index = by_segment(assigned, &under.index);
        compare(assigned, &index, cautions);
        Self { index, depth_m: by_segment(assigned, &under.depth_m) }
    }
}

/// Area-weighted means of the records of each segment; NaN where none has a value.
pub(super) fn by_segment(assigned: &Assigned, values: &[f64]) -> Vec<f64> {
    let mut sums = vec![(0.0, 0.0); assigned.segments.len()];
    for (at, &segment) in assigned.segment.iter().enumerate() {
        let area = assigned.cleaned.area_m2[at];
        if let Some(sum) = sums.get_mut(segment as usize)
            && values[at].is_finite()
            && area > 0.0
        {
            *sum = (sum.0 + area * values[at], sum.1 + area);
        }
    }
    sums.into_iter().map(|(sum, area)| if area > 0.0 { sum / area } else { f64::NAN }).collect()
}

/// Whether the treated segments of a treatment stand on wetter ground than the others.
fn compare(assigned: &Assigned, index: &[f64], cautions: &mut Cautions) {
    let treatments: std::collections::BTreeSet<&str> =
        assigned.strips.iter().map(|strip| strip.treatment.as_str()).collect();
    let moments = |keep: &dyn Fn(&str) -> bool| {
        let values: Vec<f64> = assigned
            .segments
            .iter()
            .zip(index)
            .filter(|(segment, value)| {
                segment.usable && value.is_finite() && keep(&assigned.strips[segment.strip as usize].treatment)
            })
            .map(|(_, &value)| value)
            .collect();
        let count = values.len() as f64;
        let mean = values.iter().sum::<f64>() / count;
        let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (count - 1.0);
        (values.len() > 2).then_some((mean, variance))
    };
    for treatment in treatments {
        let Some((own, others)) = moments(&|one| one == treatment).zip(moments(&|one| one != treatment)) else {
            continue;
        };
        let difference = (own.0 - others.0) / (0.5 * (own.1 + others.1)).sqrt();
        if difference > MOST_DIFFERENCE {
            cautions.add(
                Caution::TreatedWetter,
                format!("{treatment}: by {difference:.2} standard deviations of the terrain index"),
            );
        }
    }
}

/// Classes of equal area by the index, dry to wet: the zone of each record.
pub(super) fn classes(assigned: &Assigned, index: &[f64], soil: &SoilSettings) -> Vec<u32> {
    let count = soil.classes.len();
    let mut known: Vec<(f64, f64)> = index
        .iter()
        .enumerate()
        .filter(|(at, value)| value.is_finite() && assigned.cleaned.is_kept(*at))
        .map(|(at, &value)| (value, assigned.cleaned.area_m2[at]))
        .collect();
    known.sort_by(|one, other| one.0.total_cmp(&other.0).then(one.1.total_cmp(&other.1)));
    let total: f64 = known.iter().map(|one| one.1).sum();
    let mut limits = Vec::new();
    let mut below = 0.0;
    for (value, area) in known {
        below += area;
        if limits.len() + 1 < count && below >= total * (limits.len() + 1) as f64 / count as f64 {
            limits.push(value);
        }
    }
    index
        .iter()
        .map(|value| {
            if value.is_nan() {
                return Labels::NONE;
            }
            let class = limits.iter().filter(|limit| *value > **limit).count();
            soil.zone_of_class[class] as u32
        })
        .collect()
}
