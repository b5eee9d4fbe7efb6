//! How wide a strip must be.

use crate::results::StripWidths;

/// Widths that differ by less are equal: `40 ft` and `480 in` are not the same number of metres to the last
/// digit (ours).
const SAME_M: f64 = 1e-6;

/// The fewest passes of the planter that hold a pass of the combine and a guard at each side, `k p ≥ n h + 2 g`, and as many
/// passes of the combine as they hold.
pub(super) fn widths(planter_m: f64, header_m: f64, guard_m: f64) -> StripWidths {
    let passes = ((header_m + 2.0 * guard_m - SAME_M) / planter_m).ceil().max(1.0);
    let headers = ((passes * planter_m - 2.0 * guard_m + SAME_M) / header_m).floor().max(1.0);
    StripWidths {
        planter_m,
        header_m,
        least_guard_m: guard_m,
        planter_passes: passes as u32,
        header_passes: headers as u32,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FT: f64 = 0.3048;

    /// By hand. Planter, header and guard in feet; then planter passes, header passes and what is left at each side.
    #[test]
    fn the_fewest_planter_passes_that_hold_a_header_and_its_guards() {
        for ((planter, header, guard), expected) in [
            ((60.0, 40.0, 2.5), (1, 1, 10.0)),
            ((60.0, 40.0, 10.0), (1, 1, 10.0)),
            ((60.0, 40.0, 10.5), (2, 2, 20.0)),
            ((40.0, 30.0, 2.5), (1, 1, 5.0)),
            ((30.0, 40.0, 2.5), (2, 1, 10.0)),
            ((30.0, 30.0, 2.5), (2, 1, 15.0)),
            ((30.0, 30.0, 0.0), (1, 1, 0.0)),
            ((60.0, 20.0, 2.5), (1, 2, 10.0)),
            ((60.0, 20.0, 0.0), (1, 3, 0.0)),
        ] {
            let found = widths(planter * FT, header * FT, guard * FT);
            assert_eq!(
                (found.planter_passes, found.header_passes),
                (expected.0, expected.1),
                "{planter} {header} {guard}"
            );
            assert!((found.guard_m() - expected.2 * FT).abs() < 1e-9, "{planter} {header} {guard}: {found:?}");
            assert!(found.harvest_m() + 1e-9 >= found.cut_m());
        }
    }
}
