//! From the catalogue to scenarios: soils, yields, true responses, machines and dates of each site-year.

use rand::RngExt;

use super::catalogue::{
    CropKind, ENTRIES, Entry, FARMS, Farm, FileStyle, MODERATELY_WELL, POORLY, SITES, SOMEWHAT_POORLY, Site, Size,
    TREATMENTS, Tickets, VERY_POORLY, WELL,
};
use super::crop::CLASSES;
use super::layout::{ROW_M, TrialPlan};
use super::plan::{
    FaultPlan, FieldPlan, HarvestPlan, MachinePlan, Pattern, Placement, RaisedLog, Scenario, Sharing, Spot, SurfacePlan,
};
use super::random::{normal, stream};
use super::soil::{Pond, SoilPlan, WavyLine};

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
        if entry.pattern == Pattern::SameDirection {
            machine.raised_log = RaisedLog::Seconds(15.0);
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
        response_varies: None,
        strip_sd_kg_ha: 0.011 * mean_bu * per_bu,
        strips: Vec::new(),
        doses: Vec::new(),
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
