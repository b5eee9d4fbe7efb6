//! `[wetness]`: the precipitation departure from normal over chosen months.

use serde::Serialize;

use super::section::Section;
use crate::quantity::{Length, Quantity};

/// Where the departure comes from; `{season}` and `{month}` (two digits) are filled in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PrecipitationGrids {
    /// Monthly totals and monthly normals; the departure is their difference.
    TotalAndNormal {
        /// Pattern of the totals.
        total: String,
        /// Pattern of the normals.
        normal: String,
    },
    /// The departure itself, one grid a season (or a month, where the pattern holds `{month}`).
    Departure(String),
}

/// The resolved wetness settings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WetnessSettings {
    /// Months that are summed, 1–12.
    pub months: Vec<u32>,
    /// The grids.
    pub grids: PrecipitationGrids,
    /// Millimetres in one unit of the grids.
    pub mm_per_unit: f64,
    /// Class limits of the departure, mm, rising.
    pub breaks_mm: Vec<f64>,
    /// Class names, one more than the breaks, dry to wet.
    pub labels: Vec<String>,
}

impl WetnessSettings {
    /// Settings of grids in millimetres with the default classes.
    pub fn of(months: Vec<u32>, grids: PrecipitationGrids) -> Self {
        let labels = DEFAULT_LABELS.iter().map(|&label| label.to_owned()).collect();
        Self { months, grids, mm_per_unit: 1.0, breaks_mm: DEFAULT_BREAKS_MM.to_vec(), labels }
    }

    /// The class of a departure; a departure on a break belongs to the wetter class.
    pub fn class(&self, departure_mm: f64) -> &str {
        &self.labels[self.rank(departure_mm)]
    }

    /// Rank of the class of a departure, dry to wet.
    pub fn rank(&self, departure_mm: f64) -> usize {
        self.breaks_mm.iter().filter(|&&limit| departure_mm >= limit).count()
    }
}

/// An inch either side of normal (common practice, no source).
const DEFAULT_BREAKS_MM: [f64; 2] = [-25.0, 25.0];
const DEFAULT_LABELS: [&str; 3] = ["drier", "near normal", "wetter"];

pub(super) fn read(root: &Section<'_, '_>) -> Option<WetnessSettings> {
    let section = root.section("wetness")?;
    let months = section.required("months", section.integers("months", 1, 12), "the months to sum, such as [5]");
    if months.as_ref().is_some_and(Vec::is_empty) {
        section.fault("months", "is empty; expected at least one month, 1 to 12");
    }
    let mut months: Vec<u32> = months.unwrap_or_default().into_iter().map(|month| month as u32).collect();
    let written = months.len();
    months.sort_unstable();
    months.dedup();
    if months.len() < written {
        section.fault("months", "lists a month twice");
    }

    let (total, normal, departure) = (section.text("total"), section.text("normal"), section.text("departure"));
    for (key, pattern) in [("total", &total), ("normal", &normal), ("departure", &departure)] {
        let Some(pattern) = pattern else { continue };
        if key != "departure" && !pattern.contains("{month}") {
            section.fault(key, format!("expected a pattern with {{month}}, found `{pattern}`"));
        }
        if key != "normal" && !pattern.contains("{season}") {
            section.fault(key, format!("expected a pattern with {{season}}, found `{pattern}`"));
        }
    }
    let grids = match (total, normal, departure) {
        (Some(total), Some(normal), None) => Some(PrecipitationGrids::TotalAndNormal { total, normal }),
        (None, None, Some(departure)) => Some(PrecipitationGrids::Departure(departure)),
        (None, None, None) => {
            root.fault("wetness", "expected `total` and `normal`, or `departure`, found neither");
            None
        }
        _ => {
            root.fault("wetness", "expected either `total` and `normal` together, or `departure` alone");
            None
        }
    };
    let mm_per_unit = section
        .parsed("unit", |unit| match unit {
            "mm" => Ok(1.0),
            "in" => Ok(25.4),
            other => Err(format!("unknown unit `{other}`; the grids hold `mm` or `in`")),
        })
        .unwrap_or(1.0);

    let breaks_mm = section.texts("breaks").map_or_else(
        || DEFAULT_BREAKS_MM.to_vec(),
        |texts| {
            texts
                .iter()
                .filter_map(|text| Length::parse(text).map_err(|error| section.fault("breaks", error.to_string())).ok())
                .map(Length::millimetres)
                .collect()
        },
    );
    if breaks_mm.windows(2).any(|pair| pair[0] >= pair[1]) {
        section.fault("breaks", "must rise from dry to wet");
    }
    let labels = section
        .texts("labels")
        .unwrap_or_else(|| DEFAULT_LABELS.iter().map(|&label| label.to_owned()).collect());
    if labels.len() != breaks_mm.len() + 1 {
        let key = if section.has("labels") { "labels" } else { "breaks" };
        section.fault(
            key,
            format!("{} breaks make {} classes, found {} labels", breaks_mm.len(), breaks_mm.len() + 1, labels.len()),
        );
    }
    let distinct: std::collections::BTreeSet<_> = labels.iter().collect();
    if distinct.len() < labels.len() {
        section.fault("labels", "holds the same label twice");
    }
    section.finish_known();
    Some(WetnessSettings { months, grids: grids?, mm_per_unit, breaks_mm, labels })
}
