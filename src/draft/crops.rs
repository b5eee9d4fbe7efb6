//! Which crop a site-year probably is, where nothing names it: by moisture, yield and month.

use chrono::Datelike;

use super::Found;
use super::columns::{Columns, SURE};
use super::sight::{Kind, Log, middle_of};
use super::sites::Site;
use crate::consistency::units;

/// Key, share, moisture and months of a crop.
type Crop = (&'static str, f64, (f64, f64), std::ops::RangeInclusive<u32>);

/// Crops with their share among fields, usual moisture at harvest (mean and standard deviation, percent) and the months of harvest in
/// the north (common practice, no source).
const CROPS: [Crop; 6] = [
    ("corn", 0.40, (19.0, 4.5), 8..=12),
    ("soybean", 0.25, (12.5, 1.8), 8..=12),
    ("wheat", 0.20, (13.0, 2.0), 5..=9),
    ("barley", 0.06, (13.5, 2.0), 5..=9),
    ("canola", 0.05, (8.5, 1.5), 6..=9),
    ("sorghum", 0.04, (15.0, 3.0), 8..=12),
];

/// The crops with their probabilities, the most probable first. Never sure: other crops grow, too.
pub(super) fn probable(site: &Site, found: &Found) -> Vec<(&'static str, f64)> {
    let part = &site.parts[0];
    let (mut moisture_pct, mut kg_ha) = (f64::NAN, f64::NAN);
    if let (Kind::Log(log), Some(group)) =
        (&found.seen[part.file].kind, found.groups.iter().find(|group| group.files.contains(&part.file)))
    {
        moisture_pct = measured(log, &group.columns, "moisture").map_or(f64::NAN, |values| middle_of(&values));
        kg_ha = yield_of(log, &group.columns);
    }
    let south = part.extent[1] < 0.0;
    let month =
        part.time_s.and_then(|time| chrono::DateTime::from_timestamp(time.0 as i64, 0)).map(|time| time.month());
    let month = month.map(|month| if south { (month + 5) % 12 + 1 } else { month });
    let mut all: Vec<(&'static str, f64)> = CROPS
        .iter()
        .map(|(crop, share, (mean, sd), months)| {
            let mut points = share.ln();
            if moisture_pct.is_finite() {
                points -= 0.5 * ((moisture_pct - mean) / sd).powi(2) + sd.ln();
            }
            if kg_ha.is_finite() {
                let (middle, spread) = units::usual_yield(Some(crop));
                points -= 0.5 * ((kg_ha / middle).ln() / spread).powi(2) + spread.ln();
            }
            if month.is_some_and(|month| !months.contains(&month)) {
                points -= 4.0;
            }
            (*crop, points)
        })
        .collect();
    all.sort_by(|one, other| other.1.total_cmp(&one.1));
    let best = all[0].1;
    let sum: f64 = all.iter().map(|one| (one.1 - best).exp()).sum();
    // a tenth for all other crops
    all.iter().map(|(crop, points)| (*crop, 0.9 * (points - best).exp() / sum)).collect()
}

/// A measure in SI units, as drafted; moisture in percent.
fn measured(log: &Log, columns: &Columns, key: &str) -> Option<Vec<f64>> {
    let line = columns.lines.iter().find(|line| line.key == key)?;
    let list = match key {
        "moisture" => units::MOISTURES,
        "swath" => units::WIDTHS,
        "mass_flow" => units::FLOWS,
        _ => return None,
    };
    let factor = list.iter().find(|unit| unit.symbol == line.unit)?.factor;
    let column = log.numbers.iter().find(|column| column.name == line.column)?;
    Some(column.values.iter().map(|value| value * factor).collect())
}

/// The yield in the middle of the log, kg/ha, where the unit of the flow is sure.
fn yield_of(log: &Log, columns: &Columns) -> f64 {
    let sure = |key: &str| columns.lines.iter().any(|line| line.key == key && line.probability >= SURE);
    let (Some(flow), Some(width), true) =
        (measured(log, columns, "mass_flow"), measured(log, columns, "swath"), sure("mass_flow"))
    else {
        return f64::NAN;
    };
    let speed = log.track().speed_m_s;
    let tells: Vec<f64> = (0..flow.len())
        .filter(|&row| flow[row] > 0.5 && speed[row] > 0.5 && width[row] > 0.5)
        .map(|row| flow[row] / (speed[row] * width[row]) * 1e4)
        .collect();
    middle_of(&tells)
}
