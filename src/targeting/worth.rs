//! What another season of strips is worth: the gain of the decision over the ground that it governs, less what the strips cost.

use crate::config::{ArchiveSettings, FEWEST_BLOCKS, StripLayoutSettings};
use crate::economics;
use crate::results::{StripsWorth, Synthesis};

/// Ground that a decision governs.
#[derive(Debug, Clone, Default)]
pub struct Governed {
    /// By soil class, dry to wet, and what has none, m².
    pub of_class_m2: Vec<f64>,
    /// Without a class, m².
    pub rest_m2: f64,
}

/// What strips of a treatment on fields of a crop are worth in the season to come; `None` where the archive cannot tell, so that strips
/// are what is needed.
///
/// The gain is the expected value of another year's site-years (see [`Worth::value_of_another_year`](crate::results::Worth), an upper
/// limit) over one season of the fields. The cost is that of the smallest trial that is laid out, with the fewest blocks of the shortest
/// strips: its ground that is not treated as would pay best by what is known. Where even that costs more than all could gain, no strips
/// are worth it.
pub fn strips_worth(
    synthesis: &Synthesis,
    archive: &ArchiveSettings,
    (crop, treatment): (&str, &str),
    fields: &[Governed],
    layout: &StripLayoutSettings,
) -> Option<StripsWorth> {
    let zones: Vec<_> =
        synthesis.zones.iter().filter(|zone| zone.crop == crop && zone.treatment == treatment).cloned().collect();
    let rows: Vec<_> = economics::worth(&zones, archive).into_iter().filter(|row| row.is_configured).collect();
    let whole = rows.iter().find(|row| row.class.is_none())?;
    let of_year = |class: Option<usize>| {
        let own = rows.iter().find(|row| row.class == class).and_then(|row| row.value_of_another_year);
        own.or(whole.value_of_another_year)
    };
    let of_field = |field: &Governed| {
        let mut gain = field.rest_m2 / 10_000.0 * of_year(None)?;
        for (class, &area_m2) in field.of_class_m2.iter().enumerate().filter(|(_, area)| **area > 0.0) {
            gain += area_m2 / 10_000.0 * of_year(Some(class))?;
        }
        Some(gain)
    };
    let of_fields: Vec<f64> = fields.iter().map(of_field).collect::<Option<_>>()?;
    // of a treated strip and a check strip one stands against what would pay
    let against_m2 = f64::from(FEWEST_BLOCKS) * layout.planter_m * layout.least_strip_m;
    let cost = whole.net_return.abs() * against_m2 / 10_000.0;
    let gain = of_fields.iter().sum();
    Some(StripsWorth { treatment: treatment.to_owned(), gain, of_fields, cost })
}
