//! The records as the page's map draws them: columns of small whole numbers, compressed.
//!
//! A column is stored as differences from row to row, low bytes first, then high bytes, so that it compresses well; the
//! script of the page undoes that.

use std::io::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flate2::Compression;
use flate2::write::ZlibEncoder;
use serde::Serialize;

use super::ground::MapGround;
use crate::points::{Cleaned, Joined, Labels, Mark};
use crate::quantity::dry_factor;
use crate::quantity::factor::M2_PER_HA;
use crate::report::{ReportError, Units};

/// Stands for a value that is missing.
const NONE: u16 = u16::MAX;
/// The largest number of a value that is there.
const MOST: f64 = 65_534.0;

/// The columns with what is needed to read them.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Packed {
    records: usize,
    /// Metres in one unit of a coordinate.
    metre_step: f64,
    /// The report's unit of yield in one unit of a yield.
    yield_step: f64,
    /// Base64 of the zlib stream of all columns: x, y where the grain was cut, x, y as logged, yield cleaned, yield as
    /// logged, pass, segment, mark (0 where kept).
    columns: String,
}

/// Packs the records of a site-year.
pub(super) fn pack(
    joined: &Joined,
    ground: &MapGround,
    market_moisture_pct: f64,
    units: &Units,
) -> Result<Packed, ReportError> {
    let cleaned = &joined.assigned.cleaned;
    // the records, then the rows that repeat one of them
    let copies = &cleaned.records.copies;
    let rows = || (0..cleaned.len()).chain(copies.iter().map(|copy| copy.of as usize));
    let records = cleaned.len() + copies.len();
    let metre_step = ground.width_m.max(ground.height_m) / MOST;
    let yield_step = if units.yield_decimals > 3 { 0.01 } else { 0.1 };
    let number = |value: f64, step: f64| {
        let steps = (value / step).round();
        if (0.0..=MOST).contains(&steps) { steps as u16 } else { NONE }
    };
    let east =
        |values: &[f64]| -> Vec<u16> { rows().map(|at| number(values[at] - ground.west_m, metre_step)).collect() };
    let north =
        |values: &[f64]| -> Vec<u16> { rows().map(|at| number(values[at] - ground.south_m, metre_step)).collect() };
    let label = |value: u32| if value == Labels::NONE || f64::from(value) > MOST { NONE } else { value as u16 };
    let raw = &cleaned.records;
    let marks = cleaned.mark.iter().map(|reasons| reasons.first()).chain(copies.iter().map(|_| Some(Mark::Duplicate)));
    let columns: [Vec<u16>; 9] = [
        east(&cleaned.x_m),
        north(&cleaned.y_m),
        east(&raw.x_m),
        north(&raw.y_m),
        rows().map(|at| number(units.yields(cleaned.dry_yield_kg_ha[at]), yield_step)).collect(),
        rows().map(|at| number(units.yields(as_logged(cleaned, at, market_moisture_pct)), yield_step)).collect(),
        rows().map(|at| label(cleaned.pass[at])).collect(),
        rows().map(|at| label(joined.assigned.segment[at])).collect(),
        marks.map(|mark| mark.map_or(0, |mark| mark as u16 + 1)).collect(),
    ];
    let mut bytes = Vec::with_capacity(18 * records);
    for column in &columns {
        let mut before = 0_u16;
        let steps: Vec<[u8; 2]> = column
            .iter()
            .map(|&value| value.wrapping_sub(std::mem::replace(&mut before, value)).to_le_bytes())
            .collect();
        bytes.extend(steps.iter().map(|step| step[0]));
        bytes.extend(steps.iter().map(|step| step[1]));
    }
    let fault = |error: std::io::Error| ReportError::new("report.html", error);
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::new(5));
    encoder.write_all(&bytes).map_err(fault)?;
    Ok(Packed { records, metre_step, yield_step, columns: STANDARD.encode(encoder.finish().map_err(fault)?) })
}

/// The yield that the monitor's own record gives, at market moisture, kg/ha.
fn as_logged(cleaned: &Cleaned, at: usize, market_moisture_pct: f64) -> f64 {
    let raw = &cleaned.records;
    let area = raw.distance_m[at] * raw.swath_m[at];
    let dry = dry_factor(raw.moisture_pct[at], market_moisture_pct);
    if area > 0.0 { raw.mass_kg[at] * dry / area * M2_PER_HA } else { f64::NAN }
}

/// The reasons for removal in the order of their numbers in the mark column, from 1.
pub(super) fn marks() -> impl Iterator<Item = Mark> {
    Mark::ALL.iter().copied()
}
