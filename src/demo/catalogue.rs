//! The invented farms, fields, machines, treatments and seasons.
//!
//! Nothing here is real: the names are made up, the places lie in farming country without belonging to any farm that we know
//! of.

use rand::RngExt;

use super::crop::CLASSES;
use super::layout::{ROW_M, TrialPlan};
use super::plan::{
    FaultPlan, FieldPlan, HarvestPlan, MachinePlan, Pattern, Placement, Pond, RaisedLog, Scenario, Sharing, SoilPlan,
    Spot, SurfacePlan, WavyLine,
};
use super::random::{normal, stream};
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
    yield_bu_ac: f64,
}

pub(super) const FARMS: [Farm; 3] = [
    Farm { name: "Alder Bend", lon: -94.62, lat: 42.71, departure_mm: [58.0, -39.0, 4.0], yield_bu_ac: 196.0 },
    Farm { name: "Quillet Ridge", lon: -94.28, lat: 42.95, departure_mm: [7.0, 49.0, -46.0], yield_bu_ac: 204.0 },
    Farm { name: "Tamsin Flats", lon: -93.91, lat: 42.58, departure_mm: [-42.0, -8.0, 66.0], yield_bu_ac: 209.0 },
];

/// Keys, labels and costs (USD/ac) of the treatments; the first is the check.
pub(super) const TREATMENTS: [(&str, &str, f64); 4] = [
    ("check", "untreated check", 0.0),
    ("band_half", "at-planting band, half rate", 12.0),
    ("band_full", "at-planting band, full rate", 20.0),
    ("band_full_leaf", "at-planting band, full rate, and a later leaf pass", 34.0),
];

/// A field.
#[derive(Debug, Clone, Copy)]
struct Site {
    farm: usize,
    name: &'static str,
    east_m: f64,
    north_m: f64,
    turn_rad: f64,
    width_rows: u32,
    length_m: f64,
    cut_corner_m: f64,
    bend_m: f64,
    /// Drainage classes from one end to the other.
    classes: &'static [usize],
    tiled: &'static [&'static str],
    pond: bool,
}

const WELL: usize = 2;
const MODERATELY_WELL: usize = 3;
const SOMEWHAT_POORLY: usize = 4;
const POORLY: usize = 5;
const VERY_POORLY: usize = 6;

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

const SITES: [Site; 9] = [
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
    fn kg_ha_per_bu_ac(self) -> f64 {
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
struct Entry {
    season: i32,
    site: usize,
    crop: CropKind,
    treatments: &'static [usize],
    blocks: usize,
    randomised: bool,
    machines: &'static [usize],
    sharing: Sharing,
    pattern: Pattern,
    offset_m: f64,
    style: FileStyle,
    tickets: Tickets,
    strips_as_shapes: bool,
    compact: bool,
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

const ENTRIES: [Entry; 15] = [
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

/// A site-year, ready to be simulated and filed.
#[derive(Debug, Clone)]
pub(super) struct SiteYear {
    pub(super) season: i32,
    pub(super) farm: &'static Farm,
    pub(super) field: &'static str,
    pub(super) crop: CropKind,
    pub(super) planted: (u32, u32),
    pub(super) blocks: usize,
    pub(super) randomised: bool,
    pub(super) aliased: bool,
    pub(super) style: FileStyle,
    pub(super) tickets: Tickets,
    pub(super) strips_as_shapes: bool,
    pub(super) wetness_mm: f64,
    pub(super) scenario: Scenario,
}

fn machines() -> [MachinePlan; 3] {
    let first = MachinePlan { name: "A".to_owned(), delay_s: 10.2, gain: 1.03, ..MachinePlan::default() };
    let second = MachinePlan {
        name: "B".to_owned(),
        delay_s: 12.0,
        mixing_s: 2.4,
        moisture_delay_s: 16.0,
        gain: 0.965,
        speed_m_s: 1.95,
        raised_log: RaisedLog::Seconds(15.0),
        sections: false,
        flow_noise: 0.07,
        ..MachinePlan::default()
    };
    let third = MachinePlan {
        name: "C".to_owned(),
        header_rows: 8,
        delay_s: 8.4,
        mixing_s: 3.8,
        speed_m_s: 2.2,
        speed_cv: 0.09,
        position_sd_m: 0.08,
        drift_sd_m: 0.12,
        steering_sd_m: 0.1,
        raise_late_s: -0.5,
        ..MachinePlan::default()
    };
    [first, second, third]
}

/// The response that is expected of the full rate in corn, bu/ac: by class, at a departure of −40, 0 and +55 mm.
const EXPECTED_BU_AC: [(usize, [f64; 3]); 5] = [
    (WELL, [-0.5, 0.5, 1.5]),
    (MODERATELY_WELL, [0.5, 1.5, 4.0]),
    (SOMEWHAT_POORLY, [1.5, 4.0, 8.5]),
    (POORLY, [2.5, 7.0, 12.5]),
    (VERY_POORLY, [2.0, 8.0, 15.0]),
];

fn expected_bu_ac(at: [f64; 3], departure_mm: f64) -> f64 {
    if departure_mm < 0.0 {
        at[1] + (at[0] - at[1]) * (-departure_mm / 40.0).min(1.5)
    } else {
        at[1] + (at[2] - at[1]) * (departure_mm / 55.0).min(1.5)
    }
}

/// The site-years of an archive, before their wetness is known: `ground` gives the UTM zone and place of a farm, `wetness` the
/// departure at a place (longitude and latitude are the farm's).
pub(super) fn site_years(
    seed: u64,
    size: Size,
    ground: impl Fn(&Farm) -> Placement,
    wetness: impl Fn(i32, &Placement, &FieldPlan) -> f64,
) -> Vec<SiteYear> {
    ENTRIES
        .iter()
        .filter(|entry| size == Size::Full || entry.compact)
        .map(|entry| site_year(seed, size, entry, &ground, &wetness))
        .collect()
}

fn site_year(
    seed: u64,
    size: Size,
    entry: &Entry,
    ground: &impl Fn(&Farm) -> Placement,
    wetness: &impl Fn(i32, &Placement, &FieldPlan) -> f64,
) -> SiteYear {
    let site = &SITES[entry.site];
    let farm = &FARMS[site.farm];
    let name = format!("{}/{}/{}", entry.season, farm.name, site.name);
    let mut random = stream(seed, &format!("{name}/plan"));
    let (treatments, blocks, length_m) = match size {
        Size::Full => (entry.treatments, entry.blocks, site.length_m),
        Size::Compact => (&entry.treatments[..3], 4, 300.0),
    };
    let layout = TrialPlan { blocks, strip_rows: 24, border_rows: 12, headland_rows: 24, randomised: entry.randomised };
    let (strips, needed_m) = layout.strips(treatments.len(), length_m, seed, &name);
    let width_m = match size {
        Size::Full => needed_m.max(f64::from(site.width_rows) * ROW_M),
        Size::Compact => needed_m,
    };
    let shape = (width_m, length_m);
    let mut field = field_plan(seed, entry, site, farm, shape);
    field.strips = strips;
    field.treatments = treatments.iter().map(|&at| TREATMENTS[at].0.to_owned()).collect();
    let base = ground(farm);
    let placement = Placement {
        east_m: base.east_m + site.east_m,
        north_m: base.north_m + site.north_m,
        turn_rad: site.turn_rad,
        ..base
    };
    let wetness_mm = wetness(entry.season, &placement, &field);
    field.response_kg_ha = responses(entry.crop, treatments, wetness_mm, &mut random);
    let wet = wetness_mm / 60.0;
    field.surface.class_change =
        [0.0, 0.0, -0.01 + 0.03 * wet, 0.0, 0.01 - 0.04 * wet, -0.01 - 0.06 * wet, -0.03 - 0.08 * wet];
    if wetness_mm > 25.0 {
        // Small spots that drowned, outside the strips' middle.
        let u = random.random_range(0.2..0.8) * width_m;
        field.surface.spots.push(Spot { u, v: 0.9 * length_m, radius_m: 9.0, left: 0.1 });
        field.surface.spots.push(Spot { u: width_m - u, v: 0.07 * length_m, radius_m: 12.0, left: 0.0 });
    }
    let all = machines();
    let mut used: Vec<MachinePlan> = entry.machines.iter().map(|&at| all[at].clone()).collect();
    for machine in &mut used {
        machine.gain *= 1.0 + 0.01 * normal(&mut random);
        machine.delay_s = ((machine.delay_s + 0.4 * normal(&mut random)) * 10.0).round() / 10.0;
        if entry.site == 4 {
            machine.interval_s = 2.0;
        }
    }
    let rounds = 24 / used[0].header_rows;
    // Early October for corn, late September for soybean, at 14:00 UTC and a while.
    let day = random.random_range(0..12_u32) + if entry.crop == CropKind::Corn { 8 } else { 0 };
    let new_year = f64::from(entry.season - 1970) * 365.0 + f64::from((entry.season - 1969) / 4);
    let start_s = (new_year + f64::from(270 + day)) * 86_400.0 + f64::from(50_400 + random.random_range(0..5_400_u32));
    SiteYear {
        season: entry.season,
        farm,
        field: site.name,
        crop: entry.crop,
        planted: if entry.crop == CropKind::Corn { (4, 18 + day.min(12)) } else { (5, 10 + day) },
        blocks,
        randomised: entry.randomised,
        aliased: entry.sharing == Sharing::ByTreatment,
        style: entry.style,
        tickets: entry.tickets,
        strips_as_shapes: entry.strips_as_shapes,
        wetness_mm,
        scenario: Scenario {
            name,
            seed,
            field,
            placement,
            machines: used,
            harvest: HarvestPlan {
                pattern: entry.pattern,
                headland_rounds: rounds,
                sharing: entry.sharing,
                offset_m: entry.offset_m,
                start_s,
                ..HarvestPlan::default()
            },
            faults: FaultPlan::USUAL,
        },
    }
}

fn field_plan(seed: u64, entry: &Entry, site: &Site, farm: &Farm, (width_m, length_m): (f64, f64)) -> FieldPlan {
    // Soils and the lasting shape of a field belong to the field, not to the season.
    let mut lasting = stream(seed, &format!("{}/{}/soil", farm.name, site.name));
    let bands = site.classes.len();
    let lines = (1..bands)
        .map(|line| WavyLine {
            base: (line as f64 + lasting.random_range(-0.08..0.08)) / bands as f64 * length_m,
            amplitude: 0.025 * length_m,
            wavelength: lasting.random_range(220.0..380.0),
            phase: lasting.random_range(0.0..std::f64::consts::TAU),
        })
        .collect();
    let pond = site.pond.then(|| Pond {
        u: 0.6 * width_m,
        v: (bands as f64 - 0.5) / bands as f64 * length_m,
        across_m: 62.0,
        along_m: 0.09 * length_m,
        class: VERY_POORLY,
    });
    let per_bu = entry.crop.kg_ha_per_bu_ac();
    let mean_bu = match entry.crop {
        CropKind::Corn => farm.yield_bu_ac,
        CropKind::Soybean => 0.29 * farm.yield_bu_ac,
    };
    FieldPlan {
        width_m,
        length_m,
        cut_corner_m: site.cut_corner_m.min(0.3 * length_m),
        bend_m: site.bend_m,
        row_m: ROW_M,
        surface: SurfacePlan {
            mean_kg_ha: mean_bu * per_bu,
            cv: lasting.random_range(0.07..0.10),
            range_m: lasting.random_range(30.0..55.0),
            anisotropy: 1.3,
            trend_across: lasting.random_range(-0.05..0.05),
            trend_along: lasting.random_range(-0.03..0.03),
            nugget_cv: 0.03,
            class_change: [0.0; CLASSES],
            spots: Vec::new(),
        },
        soil: SoilPlan { lines, classes: site.classes.to_vec(), pond, tiled: site.tiled.to_vec() },
        treatments: Vec::new(),
        response_kg_ha: Vec::new(),
        strip_sd_kg_ha: 0.011 * mean_bu * per_bu,
        strips: Vec::new(),
        market_moisture_pct: if entry.crop == CropKind::Corn { 15.5 } else { 13.0 },
        moisture_pct: if entry.crop == CropKind::Corn { 18.6 } else { 12.4 },
        moisture_sd_pct: if entry.crop == CropKind::Corn { 1.1 } else { 0.5 },
    }
}

/// True responses of one site-year by treatment and class, kg/ha: what is expected, times and plus a chance of the site-year.
fn responses(
    crop: CropKind,
    treatments: &[usize],
    wetness_mm: f64,
    random: &mut rand_chacha::ChaCha8Rng,
) -> Vec<[f64; CLASSES]> {
    let (times, plus) = (1.0 + 0.15 * normal(random), 0.6 * normal(random));
    let size = if crop == CropKind::Corn { 1.0 } else { 0.25 };
    treatments
        .iter()
        .map(|&treatment| {
            let mut by_class = [0.0; CLASSES];
            for (class, at) in EXPECTED_BU_AC {
                let full = expected_bu_ac(at, wetness_mm) * times + plus;
                let bu_ac = match treatment {
                    0 => 0.0,
                    1 => 0.6 * full,
                    2 => full,
                    _ => full + 1.2,
                };
                by_class[class] = size * bu_ac * crop.kg_ha_per_bu_ac();
            }
            by_class
        })
        .collect()
}
