//! Yields outside the plausible range of the crop, or far outside those of the field.

use crate::config::{CleanSettings, CropSettings};
use crate::points::{Mark, Reasons};
use crate::stats::robust;

/// Fewest records for the field's own range.
const LEAST_RECORDS: usize = 30;

/// Marks the yields; `bare` ground keeps its zeros. Returns the limits used, kg/ha.
pub(crate) fn mark(
    yields: &[f64],
    bare: &[bool],
    crop: &CropSettings,
    settings: &CleanSettings,
    marks: &mut [Reasons],
) -> (f64, f64) {
    let (mut least, mut most) = crop.plausible_yield_kg_ha;
    let kept: Vec<f64> = (0..yields.len())
        .filter(|&at| marks[at].is_empty() && !bare[at] && (least..=most).contains(&yields[at]))
        .map(|at| yields[at])
        .collect();
    if settings.yield_rules
        && kept.len() >= LEAST_RECORDS
        && let Ok(fences) = robust::adjusted_fences(&kept, settings.yield_fence)
    {
        least = least.max(fences.lower);
        most = most.min(fences.upper);
    }
    for (at, mark) in marks.iter_mut().enumerate() {
        if mark.is_empty() && !bare[at] && !(least..=most).contains(&yields[at]) {
            mark.add(Mark::YieldRange);
        }
    }
    (least, most)
}
