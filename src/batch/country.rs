//! The departure of precipitation around the site-years, for the maps of the index.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::inputs;
use crate::config::ArchiveSettings;
use crate::ingest;
use crate::results::{DepartureMap, SiteYear};

/// Cells along the longer side of the map (ours: enough to see a gradient, few enough to be read in no time).
const CELLS: f64 = 28.0;
/// Room around the site-years, as a share of the longer side, and the least size of the map, degrees (ours).
const ROOM: f64 = 0.18;
const LEAST_DEG: f64 = 0.12;

/// The departures of the seasons that have results; `None` without precipitation or without a place.
pub(super) fn departures(
    root: &Path,
    site_years: &[SiteYear],
    settings: &ArchiveSettings,
    allow_outside: bool,
) -> Option<DepartureMap> {
    let wetness = settings.wetness.as_ref()?;
    let seasons: BTreeSet<i32> = site_years.iter().map(|one| one.identity.season).collect();
    let extent_deg = extent(site_years)?;
    let [west, south, east, north] = extent_deg;
    // a degree of longitude is shorter than one of latitude
    let (wide, high) = ((east - west) * (0.5 * (south + north)).to_radians().cos(), north - south);
    let side = wide.max(high) / CELLS;
    let (columns, rows) = ((wide / side).ceil().max(1.0) as usize, (high / side).ceil().max(1.0) as usize);
    let centre = |at: usize, count: usize| (at as f64 + 0.5) / count as f64;
    let places: Vec<(f64, f64)> = (0..rows)
        .flat_map(|row| (0..columns).map(move |column| (row, column)))
        .map(|(row, column)| {
            (west + (east - west) * centre(column, columns), north - (north - south) * centre(row, rows))
        })
        .collect();
    let known = seasons.into_iter().filter_map(|season| {
        let grids = inputs::grids_of_season(root, wetness, season, allow_outside)?;
        Some((season, ingest::departures(&grids, wetness, &places)?))
    });
    let seasons: BTreeMap<i32, Vec<f64>> = known.collect();
    (!seasons.is_empty()).then_some(DepartureMap { extent_deg, columns, rows, seasons })
}

/// West, south, east and north of the site-years, with room around them.
fn extent(site_years: &[SiteYear]) -> Option<[f64; 4]> {
    let places = site_years.iter().map(|one| one.place_deg).filter(|(x, y)| x.is_finite() && y.is_finite());
    let [west, south, east, north] = places.fold(
        [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY],
        |[west, south, east, north], (x, y)| [west.min(x), south.min(y), east.max(x), north.max(y)],
    );
    if west > east {
        return None;
    }
    let room = (ROOM * (east - west).max(north - south)).max(0.5 * LEAST_DEG);
    Some([west - room, south - room, east + room, north + room])
}
