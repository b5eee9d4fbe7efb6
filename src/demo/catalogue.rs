//! The invented farms, fields, machines, treatments and seasons.
//!
//! Nothing here is real: the names are made up, the places lie in farming country without belonging to any farm that we know
//! of.

use super::plan::{Pattern, Sharing};
use crate::quantity::BushelWeight;
use crate::quantity::factor::HA_PER_AC;

/// The seasons.
pub(super) const SEASONS: [i32; 3] = [2022, 2023, 2024];

/// A farm.
#[derive(Debug, Clone, Copy)]
pub(super) struct Farm {
    pub(super) name: &'static str,
    pub(super) lon: f64,
    pub(super) lat: f64,
    /// Precipitation departure of each season's May, mm.
    pub(super) departure_mm: [f64; 3],
    /// Mean corn yield, bu/ac.
    pub(super) yield_bu_ac: f64,
}

pub(super) const FARMS: [Farm; 3] = [
    Farm { name: "Alder Bend", lon: -94.62, lat: 42.71, departure_mm: [58.0, -39.0, 4.0], yield_bu_ac: 196.0 },
    Farm { name: "Quillet Ridge", lon: -94.28, lat: 42.95, departure_mm: [7.0, 49.0, -46.0], yield_bu_ac: 204.0 },
    Farm { name: "Tamsin Flats", lon: -93.91, lat: 42.58, departure_mm: [-42.0, -8.0, 66.0], yield_bu_ac: 209.0 },
];

/// Keys, labels and costs (USD/ac) of the treatments; the first is the check.
pub(super) const TREATMENTS: [(&str, &str, f64); 4] = [
    ("check", "untreated check", 0.0),
    ("band_half", "at-planting band, half rate", 10.0),
    ("band_full", "at-planting band, full rate", 20.0),
    ("band_full_leaf", "at-planting band, full rate, and a later leaf pass", 34.0),
];

/// A field.
#[derive(Debug, Clone, Copy)]
pub(super) struct Site {
    pub(super) farm: usize,
    pub(super) name: &'static str,
    pub(super) east_m: f64,
    pub(super) north_m: f64,
    pub(super) turn_rad: f64,
    pub(super) width_rows: u32,
    pub(super) length_m: f64,
    pub(super) cut_corner_m: f64,
    pub(super) bend_m: f64,
    /// Drainage classes from one end to the other.
    pub(super) classes: &'static [usize],
    pub(super) tiled: &'static [&'static str],
    pub(super) pond: bool,
}

pub(super) const WELL: usize = 2;
pub(super) const MODERATELY_WELL: usize = 3;
pub(super) const SOMEWHAT_POORLY: usize = 4;
pub(super) const POORLY: usize = 5;
pub(super) const VERY_POORLY: usize = 6;

const PLAIN: Site = Site {
    farm: 0,
    name: "",
    east_m: 0.0,
    north_m: 0.0,
    turn_rad: 0.01,
    width_rows: 552,
    length_m: 560.0,
    cut_corner_m: 0.0,
    bend_m: 0.0,
    classes: &[],
    tiled: &[],
    pond: false,
};

/// The fields.
pub(super) const SITES: [Site; 9] = [
    Site {
        name: "Heron Slough",
        classes: &[SOMEWHAT_POORLY, POORLY, VERY_POORLY, POORLY],
        tiled: &["no", "yes", "yes", "unknown"],
        ..PLAIN
    },
    Site {
        name: "Pump House",
        east_m: 1_850.0,
        north_m: 240.0,
        turn_rad: -0.02,
        width_rows: 504,
        length_m: 520.0,
        classes: &[MODERATELY_WELL, SOMEWHAT_POORLY, POORLY],
        tiled: &["no", "no", "yes"],
        pond: true,
        ..PLAIN
    },
    Site {
        name: "Old Orchard",
        east_m: 420.0,
        north_m: -1_700.0,
        width_rows: 432,
        length_m: 480.0,
        classes: &[SOMEWHAT_POORLY, POORLY, SOMEWHAT_POORLY],
        tiled: &["yes", "yes", "no"],
        ..PLAIN
    },
    Site {
        farm: 1,
        name: "Hilltop",
        length_m: 600.0,
        cut_corner_m: 120.0,
        turn_rad: 0.06,
        classes: &[WELL, MODERATELY_WELL, SOMEWHAT_POORLY],
        tiled: &["no", "no", "no"],
        ..PLAIN
    },
    Site {
        farm: 1,
        name: "Twin Oaks",
        east_m: -1_300.0,
        north_m: 1_100.0,
        turn_rad: 0.35,
        width_rows: 558,
        length_m: 540.0,
        bend_m: 7.0,
        classes: &[WELL, SOMEWHAT_POORLY, POORLY, WELL],
        tiled: &["no", "no", "yes", "no"],
        ..PLAIN
    },
    Site {
        farm: 1,
        name: "School Road",
        east_m: 1_900.0,
        north_m: -900.0,
        turn_rad: 1.56,
        width_rows: 432,
        classes: &[WELL, MODERATELY_WELL, WELL, SOMEWHAT_POORLY],
        tiled: &["no", "no", "no", "unknown"],
        ..PLAIN
    },
    Site {
        farm: 2,
        name: "Creek Quarter",
        width_rows: 648,
        classes: &[MODERATELY_WELL, SOMEWHAT_POORLY, POORLY, WELL],
        tiled: &["no", "yes", "yes", "no"],
        ..PLAIN
    },
    Site {
        farm: 2,
        name: "Windbreak",
        east_m: -1_600.0,
        north_m: 850.0,
        turn_rad: -0.01,
        length_m: 520.0,
        classes: &[SOMEWHAT_POORLY, MODERATELY_WELL, POORLY],
        tiled: &["unknown", "no", "yes"],
        ..PLAIN
    },
    Site {
        farm: 2,
        name: "Section Line",
        east_m: 700.0,
        north_m: -1_800.0,
        turn_rad: 0.0,
        width_rows: 504,
        length_m: 480.0,
        classes: &[WELL, MODERATELY_WELL, POORLY],
        tiled: &["no", "no", "no"],
        ..PLAIN
    },
];

/// Which crop stands on a field.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum CropKind {
    Corn,
    Soybean,
}

impl CropKind {
    pub(super) fn key(self) -> &'static str {
        match self {
            Self::Corn => "corn",
            Self::Soybean => "soybean",
        }
    }

    /// Kilograms per hectare in one bushel per acre (56 and 60 lb: USDA; the trade's legal weights).
    pub(super) fn kg_ha_per_bu_ac(self) -> f64 {
        let pounds = match self {
            Self::Corn => 56.0,
            Self::Soybean => 60.0,
        };
        BushelWeight::from_pounds(pounds).kg / HA_PER_AC
    }
}

/// How the harvest of a site-year is filed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FileStyle {
    /// One CSV, US units, a column for the machine.
    CsvUs,
    /// The same, compressed, one file and one entry for each machine.
    CsvUsGz,
    /// CSV, metric units, RFC 3339 times.
    CsvMetric,
    /// A zipped shapefile.
    ShapeZip,
    /// A shapefile in three files and a .prj.
    Shape,
}

/// Which scale tickets there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tickets {
    None,
    Loads,
    Total,
}

/// One site-year.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    pub(super) season: i32,
    pub(super) site: usize,
    pub(super) crop: CropKind,
    pub(super) treatments: &'static [usize],
    pub(super) blocks: usize,
    pub(super) randomised: bool,
    pub(super) machines: &'static [usize],
    pub(super) sharing: Sharing,
    pub(super) pattern: Pattern,
    pub(super) offset_m: f64,
    pub(super) style: FileStyle,
    pub(super) tickets: Tickets,
    pub(super) strips_as_shapes: bool,
    pub(super) compact: bool,
}

const USUAL: Entry = Entry {
    season: 2022,
    site: 0,
    crop: CropKind::Corn,
    treatments: &[0, 1, 2, 3],
    blocks: 5,
    randomised: true,
    machines: &[0],
    sharing: Sharing::One,
    pattern: Pattern::Serpentine,
    offset_m: 0.0,
    style: FileStyle::CsvUs,
    tickets: Tickets::None,
    strips_as_shapes: false,
    compact: false,
};

/// The site-years.
pub(super) const ENTRIES: [Entry; 15] = [
    Entry { tickets: Tickets::Loads, compact: true, ..USUAL },
    Entry { site: 1, treatments: &[0, 1, 2], blocks: 6, machines: &[0, 1], sharing: Sharing::Alternate, ..USUAL },
    Entry { site: 3, machines: &[2], style: FileStyle::CsvMetric, compact: true, ..USUAL },
    Entry { site: 6, blocks: 6, machines: &[0, 1], sharing: Sharing::Alternate, style: FileStyle::ShapeZip, ..USUAL },
    Entry { site: 8, crop: CropKind::Soybean, treatments: &[0, 2], blocks: 6, machines: &[2], ..USUAL },
    Entry { season: 2023, ..USUAL },
    Entry { season: 2023, site: 4, machines: &[2], style: FileStyle::CsvMetric, tickets: Tickets::Total, ..USUAL },
    Entry { season: 2023, site: 5, treatments: &[0, 2, 3], style: FileStyle::Shape, strips_as_shapes: true, ..USUAL },
    Entry {
        season: 2023,
        site: 7,
        treatments: &[0, 1, 2],
        blocks: 6,
        machines: &[0, 1],
        sharing: Sharing::Alternate,
        style: FileStyle::CsvUsGz,
        compact: true,
        ..USUAL
    },
    Entry { season: 2023, site: 8, treatments: &[0, 2], randomised: false, machines: &[2], offset_m: 1.524, ..USUAL },
    Entry {
        season: 2024,
        site: 1,
        treatments: &[0, 1, 2],
        blocks: 6,
        machines: &[0, 1],
        sharing: Sharing::ByTreatment,
        ..USUAL
    },
    Entry { season: 2024, site: 2, crop: CropKind::Soybean, treatments: &[0, 1, 2], ..USUAL },
    Entry { season: 2024, site: 3, machines: &[2], style: FileStyle::CsvMetric, ..USUAL },
    Entry {
        season: 2024,
        site: 6,
        blocks: 6,
        machines: &[0, 1],
        sharing: Sharing::Alternate,
        style: FileStyle::ShapeZip,
        tickets: Tickets::Loads,
        compact: true,
        ..USUAL
    },
    Entry {
        season: 2024,
        site: 7,
        treatments: &[0, 2],
        blocks: 1,
        randomised: false,
        pattern: Pattern::SameDirection,
        ..USUAL
    },
];

/// How much is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    /// Fifteen site-years, some 180,000 records.
    Full,
    /// Four site-years of short fields, a few MiB.
    Compact,
}
