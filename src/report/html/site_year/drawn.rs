//! What a site-year's page shows of its records: maps and figures, which no price changes.

use serde_json::{Value, json};

use super::super::colour::{of_mark, of_yield};
use super::super::figures::{along, match_curve, range};
use super::super::ground::MapGround;
use super::super::text::{decimals, shown};
use super::super::{map, raster, records, script_json};
use super::Parts;
use crate::points::{Cleaned, LagCurve};
use crate::report::yield_grid::YieldGrid;
use crate::report::{Drawn, ReportError, SiteYearCase, Units, applied, photos};
use crate::stats::robust;

/// Shares of the yields between which the scale of colours runs.
const SCALE_ENDS: (f64, f64) = (0.02, 0.98);

/// Side of a record on the map, as a share of the swath: neighbouring passes stay apart.
const STAMP_SHARE: f64 = 0.75;

/// What the page shows of the records: maps and figures, which no price changes.
pub(in crate::report) fn drawn(
    case: SiteYearCase<'_>,
    units: &Units,
    grid: Option<&YieldGrid>,
) -> Result<Drawn, ReportError> {
    let SiteYearCase { joined, result, archive, .. } = case;
    let parts = Parts { result, archive, units, decimals: decimals(units) };
    let ground = MapGround::of(case, units);
    let scale = grid.and_then(|grid| yield_scale(grid, units));
    let picture = match (grid, scale) {
        (Some(grid), Some((low, high))) => {
            Some(raster::picture(&grid.yields, |value| of_yield((units.yields(value) - low) / (high - low)))?)
        }
        _ => None,
    };
    let map_data = match (&ground, scale) {
        (Some(ground), Some(scale)) => Some(script_json(&map_data(case, ground, scale, units)?)?),
        _ => None,
    };
    let map = ground.as_ref().and_then(|ground| map::of_differences(ground, archive.model.segment_length_m, units));
    let mut drawn = json!({
        "difference_map": map,
        "lines_unsure": ground.as_ref().is_some_and(|ground| ground.line_error_m > 0.0),
        "picture": picture,
        "scale": scale.map(|ends| <[f64; 2]>::from(ends).map(|end| format!("{end:.0$}", parts.decimals))),
        "map_data": map_data,
        "curves": parts.curves(&joined.assigned.cleaned.lag_curves),
        "strips": ground.as_ref().map(|ground| parts.strips(case, ground)),
        "strip_names": ground.as_ref().map(|ground| parts.strip_names(ground)),
        "along": ground.as_ref().map(|ground| Parts::along(case, ground)),
    });
    if let Some(part) = applied::part(case.ingested, archive, units) {
        drawn["applied"] = part;
    }
    let pairs = crate::observed::photo_pairs(&case.ingested.observed, case.joined, archive);
    if let Some(part) = photos::part(case.ingested, &pairs, archive) {
        drawn["photos"] = part;
    }
    Ok(Drawn(drawn))
}

/// The yields between which the colours run, in the report's unit.
fn yield_scale(grid: &YieldGrid, units: &Units) -> Option<(f64, f64)> {
    let mut values: Vec<f64> =
        grid.yields.iter().filter(|value| value.is_finite()).map(|&value| units.yields(f64::from(value))).collect();
    values.sort_by(f64::total_cmp);
    let low = robust::quantile_sorted(&values, SCALE_ENDS.0).ok()?;
    let high = robust::quantile_sorted(&values, SCALE_ENDS.1).ok()?;
    Some((low, if high > low { high } else { low + 1.0 }))
}

/// What the map of the records is drawn from.
fn map_data(
    case: SiteYearCase<'_>,
    ground: &MapGround,
    scale: (f64, f64),
    units: &Units,
) -> Result<Value, ReportError> {
    let crop = case.archive.crops.get(&case.result.identity.crop);
    let moisture = crop.map_or(f64::NAN, |crop| crop.market_moisture_pct);
    let removed = &case.result.counts.removed;
    Ok(json!({
        "width": ground.width_m,
        "height": ground.height_m,
        "unit": units.yield_unit,
        "decimals": decimals(units),
        "scale": [scale.0, scale.1],
        "colours": (0..256).map(|at| of_yield(f64::from(at) / 255.0)).collect::<Vec<_>>(),
        "marks": records::marks().map(|mark| json!({
            "code": mark.code(),
            "text": mark.text(),
            "colour": of_mark(mark),
            "points": removed.get(&mark).copied().unwrap_or(0),
        })).collect::<Vec<_>>(),
        "strips": ground.strips,
        "segments": ground.segments,
        "stamp_m": STAMP_SHARE * swath_m(&case.joined.assigned.cleaned),
        "segment_m": case.archive.model.segment_length_m,
        "soils": ground.soils,
        "classes": case.joined.classes,
        "records": records::pack(case.joined, ground, moisture, units)?,
    }))
}

/// The usual width that the kept records cut, m.
fn swath_m(cleaned: &Cleaned) -> f64 {
    let mut kept: Vec<f64> =
        (0..cleaned.len()).filter(|&at| cleaned.is_kept(at)).map(|at| cleaned.swath_m[at]).collect();
    robust::median_in_place(&mut kept).unwrap_or(5.0)
}

impl Parts<'_> {
    /// The curves by which the lags were found.
    fn curves(&self, curves: &[LagCurve]) -> Vec<Value> {
        let drawn = curves.iter().filter_map(|curve| {
            let svg = match_curve::draw(curve, self.result.cleaning.machines.get(&curve.machine)?);
            Some(json!({ "machine": curve.machine, "svg": svg }))
        });
        drawn.collect()
    }

    /// The strips of each treatment by their names, the check first: what the numbers on the map stand for.
    fn strip_names(&self, ground: &MapGround) -> Vec<Value> {
        let treatments = self.archive.treatments.iter();
        let (checks, treated): (Vec<_>, Vec<_>) = treatments.partition(|one| one.check);
        let all = checks.into_iter().chain(treated).map(|one| one.label.as_str());
        all.filter_map(|label| {
            let own = ground.strips.iter().filter(|strip| strip.label == label);
            let mut names: Vec<&str> = own.map(|strip| strip.name.as_str()).collect();
            names.sort_by_key(|name| by_number(name));
            names.dedup();
            (!names.is_empty()).then(|| json!({ "label": label, "names": names }))
        })
        .collect()
    }

    /// Means and ranges of the segments of each strip.
    fn strips(&self, case: SiteYearCase<'_>, ground: &MapGround) -> Vec<Value> {
        let assigned = &case.joined.assigned;
        let mut counts = vec![(0_usize, 0_usize); assigned.strips.len()];
        for (&strip, &edge) in assigned.strip.iter().zip(&assigned.edge) {
            if let Some((records, at_edge)) = counts.get_mut(strip as usize) {
                *records += 1;
                *at_edge += usize::from(edge);
            }
        }
        let mut order: Vec<usize> = (0..ground.strips.len()).collect();
        order.sort_by_key(|&at| by_number(&ground.strips[at].name));
        order
            .into_iter()
            .map(|at| (at, &ground.strips[at]))
            .map(|(at, strip)| {
                let segments: Vec<_> = assigned.segments.iter().filter(|one| one.strip as usize == at).collect();
                let usable: Vec<_> = segments.iter().filter(|one| one.usable).collect();
                let area: f64 = usable.iter().map(|one| one.area_m2).sum();
                let mean = |pick: &dyn Fn(&crate::points::Segment) -> f64| {
                    (area > 0.0).then(|| usable.iter().map(|one| pick(one) * one.area_m2).sum::<f64>() / area)
                };
                let (records, edge) = counts[at];
                json!({
                    "name": strip.name,
                    "label": strip.label,
                    "block": strip.block,
                    "segments": segments.len(),
                    "usable": usable.len(),
                    "records": records,
                    "edge": edge,
                    "area": shown(Some(self.units.area(area)), 2),
                    "yield": self.yields(mean(&|one| one.dry_yield_kg_ha)),
                    "moisture": shown(mean(&|one| one.moisture_pct), 1),
                })
            })
            .collect()
    }

    /// A figure for each treated strip, all on one scale.
    fn along(case: SiteYearCase<'_>, ground: &MapGround) -> Vec<Value> {
        let mut values: Vec<f64> =
            ground.along.iter().flat_map(|(_, stretches)| stretches.iter().map(|one| one.difference)).collect();
        values.sort_by(f64::total_cmp);
        let end = |share: f64| robust::quantile_sorted(&values, share).unwrap_or(0.0);
        let ends = range([end(0.02), end(0.98)], true);
        ground
            .along
            .iter()
            .map(|(at, stretches)| {
                let strip = &ground.strips[*at];
                let title = format!("{} · {} · block {}", strip.label, strip.name, strip.block);
                json!({ "title": title, "svg": along::draw(&title, stretches, ends, &case.joined.classes) })
            })
            .collect()
    }
}

/// The order of names that hold numbers: "2" before "10", "B1-10" after "B1-9".
fn by_number(name: &str) -> Vec<(String, u64)> {
    let mut parts: Vec<(String, u64)> = Vec::new();
    let mut is_digit = false;
    for c in name.chars() {
        if parts.is_empty() || c.is_ascii_digit() != is_digit {
            parts.push((String::new(), 0));
        }
        is_digit = c.is_ascii_digit();
        if let Some(part) = parts.last_mut() {
            match c.to_digit(10) {
                Some(digit) => part.1 = part.1.saturating_mul(10).saturating_add(u64::from(digit)),
                None => part.0.push(c),
            }
        }
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strips_sort_by_their_numbers() {
        let mut names = vec!["10", "2", "1", "B2-1", "B1-10", "B1-9"];
        names.sort_by_key(|name| by_number(name));
        assert_eq!(names, ["1", "2", "10", "B1-9", "B1-10", "B2-1"]);
    }
}
