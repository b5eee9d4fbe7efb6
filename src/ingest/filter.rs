//! `[[harvest]] where`: the rows of a file that belong to the field.

use super::channels::FileChannels;
use super::readers::TextColumn;
use super::{IngestError, layers};
use crate::config::{HarvestSettings, RowFilter, Within};
use crate::geometry::{Crs, PolygonIndex, Projector, utm_epsg_of};
use crate::points::Cautions;

/// Keeps the rows of one file that fit the entry's filter; `labels` is the filter's column.
///
/// # Errors
/// Where no row fits, or the filter asks for a boundary and there is none.
pub(super) fn apply(
    file: &str,
    harvest: &HarvestSettings,
    labels: Option<&TextColumn>,
    crs: &Crs,
    boundary: Option<&layers::Layer>,
    channels: &mut FileChannels,
) -> Result<(), IngestError> {
    let Some(filter) = &harvest.filter else { return Ok(()) };
    let mut keep = vec![true; channels.rows];
    by_label(file, filter, labels, &mut keep)?;
    if let Some((from_s, to_s)) = filter.days_s {
        let Some(times) = &channels.time_s else {
            return Err(IngestError::Contradiction(format!(
                "{file}: `where` asks for days, but field.toml maps no `time`"
            )));
        };
        keep.iter_mut().zip(times).for_each(|(keep, time)| *keep &= (from_s..to_s).contains(time));
    }
    by_place(file, filter, crs, boundary, channels, &mut keep)?;
    if !keep.contains(&true) {
        return Err(IngestError::Contradiction(format!(
            "{file}: none of {} rows fits `where`; expected the label, the place or the days of this field",
            channels.rows
        )));
    }
    channels.retain(&keep);
    Ok(())
}

fn by_label(file: &str, filter: &RowFilter, labels: Option<&TextColumn>, keep: &mut [bool]) -> Result<(), IngestError> {
    let (Some((column, is)), Some(labels)) = (&filter.labels, labels) else { return Ok(()) };
    let fits = |text: Option<&str>| text.is_some_and(|text| is.iter().any(|label| label.trim() == text));
    if !labels.iter().any(fits) {
        let mut known: Vec<&str> = labels.iter().flatten().collect();
        known.sort_unstable();
        known.dedup();
        known.truncate(12);
        return Err(IngestError::Contradiction(format!(
            "{file}: column `{}`: no row is called {}; found: {}",
            column.name,
            is.join(", "),
            known.join(", ")
        )));
    }
    keep.iter_mut().zip(labels.iter()).for_each(|(keep, text)| *keep &= fits(text));
    Ok(())
}

/// A row whose position was lost goes with the row before it in the file.
fn keep_inside(keep: &mut [bool], (x, y): (&[f64], &[f64]), inside: impl Fn(usize) -> bool) {
    let is_lost =
        |row: usize| !(x[row].is_finite() && y[row].is_finite()) || (x[row].abs() < 1e-9 && y[row].abs() < 1e-9);
    let mut last = (0..keep.len()).find(|&row| !is_lost(row)).is_some_and(&inside);
    for (row, keep) in keep.iter_mut().enumerate() {
        if !is_lost(row) {
            last = inside(row);
        }
        *keep &= last;
    }
}

fn by_place(
    file: &str,
    filter: &RowFilter,
    crs: &Crs,
    boundary: Option<&layers::Layer>,
    channels: &FileChannels,
    keep: &mut [bool],
) -> Result<(), IngestError> {
    let Some(within) = filter.within else { return Ok(()) };
    let fault = |error: crate::geometry::CrsError| IngestError::crs(file, error);
    let (mut x, mut y) = (channels.x.clone(), channels.y.clone());
    match within {
        Within::Degrees([west, south, east, north]) => {
            Projector::new(crs, &Crs::wgs84()).and_then(|to| to.convert(&mut x, &mut y)).map_err(fault)?;
            let inside = |x: f64, y: f64| (west..=east).contains(&x) && (south..=north).contains(&y);
            keep_inside(keep, (&channels.x, &channels.y), |row| inside(x[row], y[row]));
        }
        Within::Boundary(margin_m) => {
            let layer = boundary.ok_or_else(|| {
                IngestError::Contradiction(format!("{file}: `where` asks for the boundary, but field.toml has none"))
            })?;
            let extent = layer.extent_degrees().unwrap_or([f64::NAN; 4]);
            let epsg = utm_epsg_of(&[extent[0], extent[2]], &[extent[1], extent[3]]).ok_or_else(|| {
                IngestError::Contradiction(format!("{file}: the boundary lies outside the UTM zones"))
            })?;
            let utm = Crs::from_epsg(epsg).map_err(fault)?;
            let ground = layers::boundary(layer, &utm, &mut Cautions::default())?;
            Projector::new(crs, &utm).and_then(|to| to.convert(&mut x, &mut y)).map_err(fault)?;
            let index = PolygonIndex::new(vec![ground]);
            let inside = |x: f64, y: f64| index.distance_to_edge(x, y).is_some_and(|inside_m| inside_m >= -margin_m);
            keep_inside(keep, (&channels.x, &channels.y), |row| inside(x[row], y[row]));
        }
    }
    Ok(())
}
