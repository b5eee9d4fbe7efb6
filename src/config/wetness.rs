//! `[wetness]`: precipitation against normal over chosen months, or over a window about the day of planting.

use serde::Serialize;

use super::section::Section;
use crate::quantity::{Length, Percent, Quantity, QuantityError};

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
    /// Tables of weather stations.
    Stations(StationSettings),
}

/// Tables of weather stations: a row a day or a month.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StationSettings {
    /// The tables; may be a glob.
    pub path: String,
    /// Column of the day (2023-05-04) or month (2023-05).
    pub date: String,
    /// Column of the precipitation.
    pub precipitation: String,
    /// Column of the stations' names.
    pub station: Option<String>,
    /// Whether the settings name that column: it must be there then.
    pub named: bool,
    /// Column of the longitude, degrees.
    pub longitude: String,
    /// Column of the latitude, degrees.
    pub latitude: String,
    /// First and last year of the normals; all years of the tables where absent.
    pub normal_years: Option<(i32, i32)>,
}

/// What the wetness classes are made of.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum WetnessMeasure {
    /// Total less normal, mm.
    #[default]
    Departure,
    /// Total as a percentage of normal.
    Percent,
    /// Standardised precipitation index: the total as a quantile of a gamma distribution fitted to the archive's seasons.
    Spi,
}

impl WetnessMeasure {
    /// The word in the settings and the reports.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Departure => "departure",
            Self::Percent => "percent",
            Self::Spi => "spi",
        }
    }

    /// An inch either side of normal (common practice, no source); a fifth either side (likewise); one standard deviation,
    /// within which WMO-No. 1090, Standardized Precipitation Index User Guide, table 1, calls precipitation near normal.
    fn default_breaks(self) -> Vec<f64> {
        match self {
            Self::Departure => vec![-25.0, 25.0],
            Self::Percent => vec![80.0, 120.0],
            Self::Spi => vec![-1.0, 1.0],
        }
    }

    /// The value of a season that is just normal.
    pub const fn normal(self) -> f64 {
        match self {
            Self::Departure | Self::Spi => 0.0,
            Self::Percent => 100.0,
        }
    }
}

/// The resolved wetness settings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WetnessSettings {
    /// Months that are summed, 1–12; empty where a window about planting is.
    pub months: Vec<u32>,
    /// First day and the day after the last one, counted from the day of planting; monthly grids are prorated by day.
    pub window_d: Option<(i32, i32)>,
    /// The grids.
    pub grids: PrecipitationGrids,
    /// Millimetres in one unit of the grids.
    pub mm_per_unit: f64,
    /// What the classes are made of.
    pub measure: WetnessMeasure,
    /// Class limits of the measure, rising: mm, percent, or standard deviations.
    pub breaks: Vec<f64>,
    /// Class names, one more than the breaks, dry to wet.
    pub labels: Vec<String>,
}

impl WetnessSettings {
    /// Settings of grids in millimetres with the default classes.
    pub fn of(months: Vec<u32>, grids: PrecipitationGrids) -> Self {
        let labels = DEFAULT_LABELS.iter().map(|&label| label.to_owned()).collect();
        let measure = WetnessMeasure::Departure;
        Self { months, window_d: None, grids, mm_per_unit: 1.0, measure, breaks: measure.default_breaks(), labels }
    }

    /// The class of a value of the measure; one on a break belongs to the wetter class.
    pub fn class(&self, value: f64) -> &str {
        &self.labels[self.rank(value)]
    }

    /// Rank of the class of a value of the measure, dry to wet.
    pub fn rank(&self, value: f64) -> usize {
        self.breaks.iter().filter(|&&limit| value >= limit).count()
    }

    /// Rank of the class that a normal season belongs to.
    pub fn normal_rank(&self) -> usize {
        self.rank(self.measure.normal())
    }

    /// The class limits in mm, where the classes are those of departures.
    pub fn breaks_mm(&self) -> Option<&[f64]> {
        (self.measure == WetnessMeasure::Departure).then_some(self.breaks.as_slice())
    }
}

/// Whether the files of a pattern say by themselves which months they hold: NetCDF.
pub fn holds_months(pattern: &str) -> bool {
    let lower = pattern.to_ascii_lowercase();
    lower.split('/').any(|part| [".nc", ".nc4"].iter().any(|end| part.ends_with(end)))
}

/// The unit of a depth of rain that is so many millimetres, as the settings write it.
pub fn unit_of_depth(mm_per_unit: f64) -> &'static str {
    match mm_per_unit {
        mm if mm > 500.0 => "m",
        mm if mm > 20.0 => "in",
        mm if mm > 5.0 => "cm",
        _ => "mm",
    }
}

const DEFAULT_LABELS: [&str; 3] = ["drier", "near normal", "wetter"];

pub(super) fn read(root: &Section<'_, '_>) -> Option<WetnessSettings> {
    let section = root.section("wetness")?;
    let window_d = window(&section);
    let months = section.integers("months", 1, 12);
    match (&months, section.has("window")) {
        (None, false) => {
            section.required("months", months.as_ref(), "the months to sum, such as [5], or a window about planting");
        }
        (Some(_), true) => section.fault("window", "stands beside `months`; give one of them"),
        (Some(months), false) if months.is_empty() => {
            section.fault("months", "is empty; expected at least one month, 1 to 12");
        }
        _ => {}
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
        if holds_months(pattern) {
            continue;
        }
        if key != "departure" && !pattern.contains("{month}") {
            section.fault(key, format!("expected a pattern with {{month}}, found `{pattern}`"));
        }
        if key != "normal" && !pattern.contains("{season}") {
            section.fault(key, format!("expected a pattern with {{season}}, found `{pattern}`"));
        }
    }
    let stations = stations(&section);
    let grids = match (total, normal, departure) {
        (None, None, None) if stations.is_some() => stations.map(PrecipitationGrids::Stations),
        _ if stations.is_some() => {
            section.fault("stations", "stands beside grids; give one of them");
            None
        }
        (Some(total), Some(normal), None) => Some(PrecipitationGrids::TotalAndNormal { total, normal }),
        (None, None, Some(departure)) => Some(PrecipitationGrids::Departure(departure)),
        (None, None, None) => {
            root.fault("wetness", "expected `total` and `normal`, or `departure`, or `stations`, found none");
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
            "cm" => Ok(10.0),
            "m" => Ok(1_000.0),
            "in" => Ok(25.4),
            other => Err(format!("unknown unit `{other}`; the grids hold `mm`, `cm`, `m` or `in`")),
        })
        .unwrap_or(1.0);

    let measure = section
        .parsed("measure", |text| match text {
            "departure" => Ok(WetnessMeasure::Departure),
            "percent" => Ok(WetnessMeasure::Percent),
            "spi" => Ok(WetnessMeasure::Spi),
            other => Err(format!("expected `departure`, `percent` or `spi`, found `{other}`")),
        })
        .unwrap_or_default();
    if matches!(grids, Some(PrecipitationGrids::Departure(_))) && measure != WetnessMeasure::Departure {
        section.fault("measure", format!("`{}` takes grids of totals and normals, found departures", measure.code()));
    }
    if let (Some(_), Some(PrecipitationGrids::Departure(pattern))) = (window_d, &grids)
        && !(pattern.contains("{month}") || holds_months(pattern))
    {
        section.fault("window", format!("takes monthly grids, found `{pattern}` without {{month}}"));
    }
    let breaks = breaks(&section, measure);
    if breaks.windows(2).any(|pair| pair[0] >= pair[1]) {
        section.fault("breaks", "must rise from dry to wet");
    }
    let labels =
        section.texts("labels").unwrap_or_else(|| DEFAULT_LABELS.iter().map(|&label| label.to_owned()).collect());
    if labels.len() != breaks.len() + 1 {
        let key = if section.has("labels") { "labels" } else { "breaks" };
        section.fault(
            key,
            format!("{} breaks make {} classes, found {} labels", breaks.len(), breaks.len() + 1, labels.len()),
        );
    }
    let distinct: std::collections::BTreeSet<_> = labels.iter().collect();
    if distinct.len() < labels.len() {
        section.fault("labels", "holds the same label twice");
    }
    section.finish_known();
    Some(WetnessSettings { months, window_d, grids: grids?, mm_per_unit, measure, breaks, labels })
}

/// The tables of stations and their columns.
fn stations(section: &Section<'_, '_>) -> Option<StationSettings> {
    let path = section.text("stations");
    let column = |key: &str| section.column(key).unwrap_or_else(|| key.to_owned());
    let (named, years) = (section.has("station"), section.integers("normal_years", 1_700, 2_200));
    let settings = StationSettings {
        path: path.clone().unwrap_or_default(),
        date: column("date"),
        precipitation: column("precipitation"),
        station: Some(column("station")),
        named,
        longitude: column("longitude"),
        latitude: column("latitude"),
        normal_years: match years.as_deref() {
            None => None,
            Some(&[first, last]) if first < last => Some((first as i32, last as i32)),
            Some(_) => {
                section.fault("normal_years", "expected the first and the last year, such as [1991, 2020]");
                None
            }
        },
    };
    for key in ["date", "precipitation", "station", "longitude", "latitude", "normal_years"] {
        if path.is_none() && section.has(key) {
            section.fault(key, "belongs to `stations`, which is missing");
        }
    }
    path.map(|_| settings)
}

/// Days from planting, such as `["-30 d", "60 d"]`.
fn window(section: &Section<'_, '_>) -> Option<(i32, i32)> {
    let texts = section.texts("window")?;
    let day = |text: &str| -> Option<i32> {
        let (number, unit) = crate::quantity::split_number(text, "day").ok()?;
        (matches!(unit, "d" | "day" | "days") && number.fract().abs() < f64::EPSILON && number.abs() <= 400.0)
            .then_some(number as i32)
    };
    let days: Vec<Option<i32>> = texts.iter().map(|text| day(text)).collect();
    match days.as_slice() {
        [Some(first), Some(end)] if first < end => Some((*first, *end)),
        _ => {
            let found = texts.join(", ");
            section.fault("window", format!("expected two whole days, the first before the second, such as [\"-30 d\", \"60 d\"], found [{found}]"));
            None
        }
    }
}

/// The class limits in the unit of the measure.
fn breaks(section: &Section<'_, '_>, measure: WetnessMeasure) -> Vec<f64> {
    section.texts("breaks").map_or_else(
        || measure.default_breaks(),
        |texts| {
            let one = |text: &str| match measure {
                WetnessMeasure::Departure => Length::parse(text).map(Length::millimetres),
                WetnessMeasure::Percent => Percent::parse(text).map(Quantity::si),
                WetnessMeasure::Spi => crate::quantity::split_number(text, "index").and_then(|(number, unit)| {
                    if unit.is_empty() {
                        Ok(number)
                    } else {
                        Err(QuantityError::UnknownUnit {
                            quantity: "standardised precipitation index",
                            found: unit.to_owned(),
                            fitting: "no unit".to_owned(),
                            nearest: None,
                        })
                    }
                }),
            };
            let read = texts.iter().map(|text| one(text).map_err(|error| section.fault("breaks", error.to_string())));
            read.filter_map(Result::ok).collect()
        },
    )
}
