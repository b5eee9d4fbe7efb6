//! Segments: pieces of a strip of one length, with the same limits in all strips of a block.

use std::collections::BTreeMap;

use super::layout::Layout;
use crate::config::ModelSettings;
use crate::points::{Cleaned, Labels, Segment};
use crate::quantity::factor::M2_PER_HA;

#[derive(Clone, Default)]
struct Sums {
    records: u32,
    kept: u32,
    area_m2: f64,
    mass_kg: f64,
    x: f64,
    y: f64,
    moisture: f64,
    speed: f64,
    elevation: f64,
    machine_area: Vec<f64>,
    rows: Vec<u32>,
}

/// Forms the segments, sorted by strip and along it, and tells the segment of each kept record.
pub(super) fn form(
    cleaned: &Cleaned,
    layout: &Layout,
    strip_of: &[u32],
    edge: &[bool],
    settings: &ModelSettings,
) -> (Vec<Segment>, Vec<u32>) {
    let machines = cleaned.records.machine.names.len();
    let has_elevation = !cleaned.records.elevation_m.is_empty();
    let mut sums: BTreeMap<(u32, i32), Sums> = BTreeMap::new();
    for at in 0..cleaned.len() {
        let strip = strip_of[at];
        if strip == Labels::NONE || edge[at] || !cleaned.x_m[at].is_finite() {
            continue;
        }
        // Records that tell of no ground of their own do not count as lost.
        if !cleaned.mark[at].has_ground() {
            continue;
        }
        let number = layout.number_along(strip, (cleaned.x_m[at], cleaned.y_m[at]), settings.segment_length_m);
        let sums = sums.entry((strip, number)).or_default();
        sums.records += 1;
        if !cleaned.is_kept(at) {
            continue;
        }
        let area = cleaned.area_m2[at];
        sums.kept += 1;
        sums.rows.push(at as u32);
        sums.area_m2 += area;
        sums.mass_kg += cleaned.dry_yield_kg_ha[at] * area / M2_PER_HA;
        sums.x += cleaned.x_m[at];
        sums.y += cleaned.y_m[at];
        sums.moisture += cleaned.moisture_pct[at] * area;
        sums.speed += if cleaned.speed_m_s[at].is_finite() { cleaned.speed_m_s[at] * area } else { 0.0 };
        if has_elevation {
            sums.elevation += cleaned.records.elevation_m[at] * area;
        }
        sums.machine_area.resize(machines, 0.0);
        sums.machine_area[cleaned.records.machine.codes[at] as usize] += area;
    }
    let mut segment = vec![Labels::NONE; cleaned.len()];
    let mut segments = Vec::new();
    for ((strip, along), sums) in sums {
        if sums.kept == 0 || sums.area_m2 <= 0.0 {
            continue;
        }
        for &at in &sums.rows {
            segment[at as usize] = segments.len() as u32;
        }
        let kept = f64::from(sums.kept);
        let kept_share = kept / f64::from(sums.records);
        segments.push(Segment {
            strip,
            along,
            x_m: sums.x / kept,
            y_m: sums.y / kept,
            along_m: (f64::from(along) + 0.5) * settings.segment_length_m,
            area_m2: sums.area_m2,
            points: sums.kept,
            kept_share,
            dry_yield_kg_ha: sums.mass_kg / sums.area_m2 * M2_PER_HA,
            moisture_pct: sums.moisture / sums.area_m2,
            speed_m_s: sums.speed / sums.area_m2,
            machine_share: sums.machine_area.iter().map(|area| area / sums.area_m2).collect(),
            elevation_m: if has_elevation { sums.elevation / sums.area_m2 } else { f64::NAN },
            usable: kept_share >= settings.segment_kept_pct / 100.0 && sums.kept >= settings.segment_records,
        });
    }
    (segments, segment)
}
