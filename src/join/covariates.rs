//! Other layers of the ground under records and segments.
//!
//! A grid is read between the centres of its cells (bilinear; a class from the cell), a polygon where it holds the record, a point where
//! it is the nearest within reach, or by the mean of all within reach. Segments have the area-weighted mean of their records, or the
//! class that holds most of their area.

use std::sync::Arc;

use super::terrain::by_segment;
use crate::geometry::{Crs, NeighbourGrid, PolygonIndex};
use crate::points::{
    Assigned, Caution, Cautions, Cleaned, Covariate, CovariateGround, CovariateKind, Ingested, JoinedCovariate,
};
use crate::raster::Sampler;

/// Share of the kept area without a value above which this is reported (ours: as for ground that is left out).
const MOST_MISSING: f64 = 0.1;

/// What lies under the records, by covariate.
#[derive(Debug, Clone)]
pub(super) struct UnderRecords(Vec<Arc<Vec<f64>>>);

impl UnderRecords {
    pub(super) fn new(cleaned: &Cleaned, ingested: &Ingested) -> Self {
        Self(ingested.covariates.iter().map(|one| Arc::new(under(one, cleaned))).collect())
    }

    /// The same under the segments.
    pub(super) fn join(
        &self,
        assigned: &Assigned,
        ingested: &Ingested,
        cautions: &mut Cautions,
    ) -> Vec<JoinedCovariate> {
        let joined = ingested.covariates.iter().zip(&self.0);
        joined.map(|(one, point)| join(one, point, assigned, cautions)).collect()
    }
}

fn under(covariate: &Covariate, cleaned: &Cleaned) -> Vec<f64> {
    let places = || {
        let all = cleaned.x_m.iter().zip(&cleaned.y_m);
        all.map(|(&x, &y)| (x.is_finite() && y.is_finite()).then_some((x, y)))
    };
    match &covariate.ground {
        CovariateGround::Field(_) => Vec::new(),
        CovariateGround::Polygons { grounds, values } => {
            let index = PolygonIndex::new(grounds.clone());
            let of = |(x, y)| index.locate(x, y).map(|at| values[at as usize]);
            places().map(|place| place.and_then(of).unwrap_or(f64::NAN)).collect()
        }
        CovariateGround::Points { x_m, y_m, values, reach_m, is_mean } => {
            let index = NeighbourGrid::new(x_m, y_m, *reach_m);
            let mut near = Vec::new();
            let mut found = Vec::new();
            let mut of = |(x, y): (f64, f64)| {
                if *is_mean {
                    index.within(x, y, *reach_m, &mut near);
                    near.sort_unstable();
                    let sum: f64 = near.iter().map(|&at| values[at as usize]).sum();
                    return sum / near.len() as f64;
                }
                index.nearest(x, y, 1, *reach_m, None, &mut found);
                found.first().map_or(f64::NAN, |one| values[one.1 as usize])
            };
            places().map(|place| place.map_or(f64::NAN, &mut of)).collect()
        }
        CovariateGround::Grid(raster) => {
            let utm = Crs::from_epsg(cleaned.records.epsg).ok();
            let sampler = utm.and_then(|utm| Sampler::new(raster.clone(), &utm).ok());
            let Some(mut sampler) = sampler else { return vec![f64::NAN; cleaned.len()] };
            let mut of = |(x, y): (f64, f64)| {
                let found = match covariate.kind {
                    CovariateKind::Number => sampler.bilinear(x, y),
                    CovariateKind::Class => sampler.nearest(x, y),
                };
                found.ok().flatten().unwrap_or(f64::NAN)
            };
            places().map(|place| place.map_or(f64::NAN, &mut of)).collect()
        }
    }
}

fn join(covariate: &Covariate, point: &Arc<Vec<f64>>, assigned: &Assigned, cautions: &mut Cautions) -> JoinedCovariate {
    let name = &covariate.name;
    let segments = assigned.segments.len();
    let field_value = match &covariate.ground {
        CovariateGround::Field(value) => Some(value.unwrap_or(f64::NAN)),
        _ => None,
    };
    let (segment, segment_share) = if let Some(value) = field_value {
        (vec![value; segments], vec![f64::from(u8::from(value.is_finite())); segments])
    } else {
        tell_missing(name, point, assigned, cautions);
        let known = |class: Option<usize>| -> Vec<f64> {
            let is = |value: f64| match class {
                _ if value.is_nan() => 0.0,
                Some(class) => f64::from(u8::from(value as usize == class)),
                None => 1.0,
            };
            by_segment(assigned, &point.iter().map(|&value| is(value)).collect::<Vec<_>>())
        };
        match covariate.kind {
            CovariateKind::Number => (by_segment(assigned, point), known(None)),
            CovariateKind::Class => {
                let shares: Vec<Vec<f64>> = (0..covariate.classes.len()).map(|class| known(Some(class))).collect();
                let of = |segment: usize| {
                    let held = shares.iter().enumerate().map(|(class, shares)| (class as f64, shares[segment]));
                    held.filter(|one| one.1 > 0.0)
                        .fold((f64::NAN, 0.0), |best, one| if one.1 > best.1 { one } else { best })
                };
                (0..segments).map(of).unzip()
            }
        }
    };
    let joined_by = match &covariate.ground {
        CovariateGround::Field(_) => "one value for the whole field".to_owned(),
        CovariateGround::Polygons { .. } => "the polygon that holds the record".to_owned(),
        CovariateGround::Points { reach_m, is_mean: true, .. } => {
            format!("the mean of the points within {reach_m:.0} m")
        }
        CovariateGround::Points { reach_m, .. } => format!("the nearest point within {reach_m:.0} m"),
        CovariateGround::Grid(_) if covariate.kind == CovariateKind::Class => "the cell of the grid".to_owned(),
        CovariateGround::Grid(_) => "the grid, between the centres of its cells".to_owned(),
    };
    JoinedCovariate {
        name: name.clone(),
        kind: covariate.kind,
        unit: covariate.unit.clone(),
        classes: covariate.classes.clone(),
        respond: covariate.respond,
        joined_by,
        of_field: field_value,
        point: Arc::clone(point),
        segment,
        segment_share,
    }
}

fn tell_missing(name: &str, point: &[f64], assigned: &Assigned, cautions: &mut Cautions) {
    let (mut area, mut missing) = (0.0, 0.0);
    for at in (0..assigned.cleaned.len()).filter(|&at| assigned.cleaned.is_kept(at)) {
        let own = assigned.cleaned.area_m2[at];
        if own > 0.0 {
            area += own;
            missing += if point[at].is_nan() { own } else { 0.0 };
        }
    }
    if missing > MOST_MISSING * area {
        let share = 100.0 * missing / area;
        cautions.add(Caution::CovariateIncomplete, format!("{name}: missing on {share:.0} % of the ground"));
    }
}
