//! Harvests as messy as real ones: fields with known truth whose logs carry the faults that combines and their files show, each a
//! switch of its own.
//!
//! The physics is that of [`super::simulate()`]; what monitors and exports do to a log is done to its records afterwards. The ranges
//! are those of published descriptions where the switch names one, and common practice, no source, elsewhere.

use std::fmt::Write as _;
use std::path::Path;

use rand::RngExt;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use serde_json::json;

use super::error::{DemoError, write_file};
use super::layers;
use super::layout::TrialPlan;
use super::outcome::{RawRecord, Simulated};
use super::plan::{FaultPlan, HarvestPlan, MachinePlan, Pattern, Scenario, Sharing, Spot};
use super::random::{Wander, normal, stream};
use super::simulate::simulate;
use crate::geometry::{Crs, Projector};

macro_rules! switches {
    ($($(#[$doc:meta])* $name:ident = $code:literal,)+) => {
        /// One fault of a harvest or of its log.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Switch { $($(#[$doc])* $name,)+ }

        impl Switch {
            /// Every switch.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];

            /// Its name in tables.
            pub const fn code(self) -> &'static str {
                match self { $(Self::$name => $code),+ }
            }
        }
    };
}

switches! {
    /// A record every two seconds.
    TwoSeconds = "a record every 2 s",
    /// A record every 1 to 4 s, without a column for its seconds.
    Uneven = "a record every 1 to 4 s",
    /// Whole seconds, written up to half a second early or late.
    WholeSeconds = "whole seconds",
    /// The clock jumps back by an hour, or ahead by a minute, within the day.
    ClockJump = "the clock jumps",
    /// Rows out of order, in several files.
    Shuffled = "rows out of order, several files",
    /// No column of speeds.
    NoSpeed = "no speed",
    /// No column of the header.
    NoHeader = "no header",
    /// The header's column inverted.
    InvertedHeader = "header inverted",
    /// A lag that changes with throughput, ± 1.5 s along the field: Searcy et al. 1989, Trans. ASAE 32:826 (the delay depends on
    /// the flow; from memory).
    UnsteadyLag = "lag changes by 1.5 s",
    /// A shift of 5 to 12 s already applied by the export.
    Applied = "a lag already applied",
    /// All passes in one direction.
    OneDirection = "one direction",
    /// A nearly uniform field (3 %).
    Uniform = "nearly uniform field",
    /// Positions that wander by 0.3 to 1 m.
    Wander = "positions wander",
    /// Positions that step by 0.5 to 2 m for a minute.
    Steps = "positions step",
    /// A slanted end.
    Slant = "slanted end",
    /// The logged width stays full whatever is cut.
    FixedWidth = "logged width stays full",
    /// Stops to unload.
    Stops = "stops",
    /// Header and planter of different widths: passes straddle the strips.
    Straddling = "header does not divide the strips",
    /// No column of blocks.
    NoBlocks = "no block column",
    /// Two blocks only.
    TwoBlocks = "two blocks",
    /// Drowned spots of 10 to 60 m with 0 to 30 % of the yield.
    Drowned = "drowned spots",
    /// Zeros of the flow sensor for 2 to 20 s.
    DropOuts = "zero drop-outs",
    /// The last flow held for 5 to 60 s.
    Frozen = "flow held",
    /// Moisture in steps of half a point, missing for minutes.
    Moisture = "moisture in steps and missing",
    /// A gain that drifts by ± 5 % through the day: Arslan & Colvin 2002, Precision Agric. 3:135 (errors of single loads; from memory).
    Drift = "gain drifts",
    /// Two combines, 3 to 8 % apart, by pass.
    TwoByPass = "two combines by pass",
    /// Two combines, each its half.
    TwoByHalf = "two combines by half",
    /// Soil lines 10 to 40 m off.
    SoilOff = "soil lines off",
}

/// What the log says is not what was: the truth of a row of a file.
#[derive(Debug, Clone, Copy)]
pub struct RowTruth {
    /// Index into [`Messy::done`]'s records and truths.
    pub at: usize,
    /// Whether the flow is a zero of the sensor.
    pub dropped: bool,
    /// Whether the flow is an earlier one, held.
    pub held: bool,
}

/// A messy site-year: what was simulated, and what stands in each row of each file.
#[derive(Debug)]
pub struct Messy {
    /// Its folder's and field's name.
    pub name: String,
    /// The switches that are on.
    pub switches: Vec<Switch>,
    /// The plan.
    pub scenario: Scenario,
    /// The harvest.
    pub done: Simulated,
    /// By file, its name and the truth of each row.
    pub files: Vec<(String, Vec<RowTruth>)>,
    /// Seconds that the export had taken off.
    pub applied_s: f64,
}

impl Messy {
    /// The lag that is right for a machine's log: delay and most of the mixing, less what was taken off.
    pub fn lag_s(&self, machine: usize) -> f64 {
        let plan = &self.scenario.machines[machine];
        let share = if plan.mixing_stages > 1 { 0.95 } else { 0.87 };
        plan.delay_s + share * plan.mixing_s - self.applied_s
    }
}

/// About half of the switches, drawn at random, none that contradict each other.
pub fn draw(seed: u64) -> Vec<Switch> {
    let mut random = stream(seed, "messy/switches");
    let mut on: Vec<Switch> = Switch::ALL.iter().copied().filter(|_| random.random_bool(0.45)).collect();
    for [one, other] in [
        [Switch::TwoSeconds, Switch::Uneven],
        [Switch::NoHeader, Switch::InvertedHeader],
        [Switch::TwoByPass, Switch::TwoByHalf],
    ] {
        if on.contains(&one) {
            on.retain(|&switch| switch != other);
        }
    }
    // rarer in real archives, and what they hide is little
    for rare in [Switch::OneDirection, Switch::Uniform, Switch::TwoBlocks] {
        if random.random_bool(0.6) {
            on.retain(|&switch| switch != rare);
        }
    }
    on
}

fn scenario(seed: u64, on: &[Switch]) -> Scenario {
    let has = |switch: Switch| on.contains(&switch);
    let mut random = stream(seed, "messy/scenario");
    let blocks = if has(Switch::TwoBlocks) { 2 } else { random.random_range(3..8_usize) };
    let length_m = random.random_range(320.0..620.0);
    let level = random.random_range(9_500.0..13_500.0);
    let base = random.random_range(0.0..500.0);
    let response = [base, base + random.random_range(-100.0..400.0), base + random.random_range(0.0..700.0)];
    let mut one = Scenario::trial(seed, blocks, length_m, response);
    one.name = format!("messy-{seed}");
    one.placement.east_m += 2_500.0 * (seed % 40) as f64;
    one.placement.north_m += 2_500.0 * (seed / 40) as f64;
    one.placement.turn_rad = random.random_range(-0.3..0.3);
    one.field.surface.mean_kg_ha = level;
    one.field.surface.cv = if has(Switch::Uniform) { 0.03 } else { random.random_range(0.06..0.14) };
    one.field.surface.range_m = random.random_range(20.0..70.0);
    one.field.surface.trend_across = random.random_range(-0.1..0.1);
    one.field.surface.trend_along = random.random_range(-0.1..0.1);
    one.field.strip_sd_kg_ha = level * random.random_range(0.0..0.02);
    let rows: u32 = if has(Switch::Straddling) { [10, 14, 16][random.random_range(0..3_usize)] } else { 12 };
    let layout = TrialPlan { blocks, strip_rows: 24, border_rows: 12, headland_rows: 24, randomised: true };
    let (strips, width_m) = layout.strips(2, length_m, seed, &one.name);
    (one.field.strips, one.field.width_m) = (strips, width_m);
    let machine = &mut one.machines[0];
    machine.header_rows = rows;
    machine.delay_s = random.random_range(6.0..15.0);
    machine.mixing_stages = random.random_range(1..4);
    machine.mixing_s = random.random_range(1.0..4.0) * f64::from(machine.mixing_stages).sqrt();
    machine.moisture_delay_s = machine.delay_s + random.random_range(0.0..8.0);
    machine.speed_m_s = random.random_range(1.4..2.4);
    machine.speed_cv = random.random_range(0.04..0.12);
    machine.flow_noise = random.random_range(0.02..0.06);
    machine.position_sd_m = random.random_range(0.03..0.15);
    machine.sections = !has(Switch::FixedWidth);
    if has(Switch::Wander) {
        machine.drift_sd_m = random.random_range(0.3..1.0);
    }
    one.harvest = HarvestPlan {
        pattern: if has(Switch::OneDirection) { Pattern::SameDirection } else { Pattern::Serpentine },
        stops_per_1000_s: if has(Switch::Stops) { 2.0 } else { 0.0 },
        offset_m: if has(Switch::Straddling) { random.random_range(0.0..6.0) } else { 0.0 },
        ..HarvestPlan::default()
    };
    if has(Switch::Slant) {
        one.field.cut_corner_m = random.random_range(0.2..0.5) * width_m.min(length_m);
    }
    if has(Switch::Drowned) {
        for _ in 0..random.random_range(1..5) {
            one.field.surface.spots.push(Spot {
                u: random.random_range(0.0..width_m),
                v: random.random_range(0.0..length_m),
                radius_m: random.random_range(10.0..60.0),
                left: random.random_range(0.0..0.3),
            });
        }
    }
    if has(Switch::TwoByPass) || has(Switch::TwoByHalf) {
        let apart = random.random_range(0.03..0.08) * if random.random_bool(0.5) { 1.0 } else { -1.0 };
        let second = MachinePlan { name: "B".to_owned(), gain: 1.0 + apart, ..one.machines[0].clone() };
        one.machines.push(second);
        one.harvest.sharing = if has(Switch::TwoByPass) { Sharing::Alternate } else { Sharing::Sides };
    }
    one.faults = FaultPlan { stuck_moisture: u32::from(has(Switch::Moisture)), ..FaultPlan::USUAL };
    one
}

/// Values of another moment of the same machine's log, linear between records.
fn shifted(records: &[RawRecord], by_s: impl Fn(f64) -> f64) -> Vec<f64> {
    let flow: Vec<f64> = records.iter().map(|record| record.mass_kg / record.interval_s).collect();
    records
        .iter()
        .map(|record| {
            let time = record.time_s + by_s(record.time_s);
            let next = records.partition_point(|other| {
                other.machine < record.machine || other.machine == record.machine && other.time_s <= time
            });
            let Some(before) = next.checked_sub(1).filter(|&at| records[at].machine == record.machine) else {
                return 0.0;
            };
            let Some(after) = records.get(next).filter(|after| after.machine == record.machine) else {
                return flow[before];
            };
            let share = (time - records[before].time_s) / (after.time_s - records[before].time_s).max(1e-9);
            flow[before] + share * (flow[next] - flow[before])
        })
        .collect()
}

/// Simulates a messy site-year and writes its folder into an archive.
///
/// # Errors
/// [`DemoError`] when a file cannot be written.
#[expect(clippy::too_many_lines, reason = "one fault after the other, in the order in which they come about")]
pub fn write(archive: &Path, seed: u64, on: Vec<Switch>) -> Result<Messy, DemoError> {
    let has = |switch: Switch| on.contains(&switch);
    let scenario = scenario(seed, &on);
    let mut done = simulate(&scenario);
    let mut random = stream(seed, "messy/log");
    let name = format!("field-{seed:03}");
    let folder = archive.join("fields").join(&name);
    let to_degrees = Projector::new(&Crs::from_epsg(scenario.placement.epsg)?, &Crs::wgs84())?;

    // What the sensor and the export do to the flow.
    let applied_s = if has(Switch::Applied) { random.random_range(5.0..12.0_f64).round() } else { 0.0 };
    let mut flow = if has(Switch::UnsteadyLag) {
        let (start, phase) = (scenario.harvest.start_s, random.random_range(0.0..6.0));
        shifted(&done.records, |time| applied_s + 1.5 * ((time - start) / 180.0 + phase).sin())
    } else {
        shifted(&done.records, |_| applied_s)
    };
    if has(Switch::Drift) {
        let mut wander = Wander::new(1.0, 3_600.0, &mut random);
        for flow in &mut flow {
            *flow *= 1.0 + 0.05 * wander.next(&mut random).clamp(-1.0, 1.0);
        }
    }
    let rows = done.records.len();
    let (mut dropped, mut held) = (vec![false; rows], vec![false; rows]);
    let stretches = |random: &mut ChaCha8Rng, from: usize, to: usize| -> Vec<(usize, usize)> {
        (0..rows / 600).map(|_| (random.random_range(0..rows - 80), random.random_range(from..to))).collect()
    };
    if has(Switch::DropOuts) {
        for (start, length) in stretches(&mut random, 2, 20) {
            for at in start..start + length {
                dropped[at] = flow[at] > 0.2;
                flow[at] = 0.0;
            }
        }
    }
    if has(Switch::Frozen) {
        for (start, length) in stretches(&mut random, 5, 60) {
            let value = flow[start];
            for at in start + 1..start + length {
                (flow[at], held[at]) = (value, value > 0.2);
            }
        }
    }
    if has(Switch::Steps) {
        for (start, _) in stretches(&mut random, 5, 6) {
            let (far, angle) = (random.random_range(0.5..2.0), random.random_range(0.0..std::f64::consts::TAU));
            for record in &mut done.records[start..start + 60] {
                (record.x_m, record.y_m) = (record.x_m + far * angle.cos(), record.y_m + far * angle.sin());
            }
        }
    }

    // Which records are written, and when by the clock.
    let mut written = Vec::with_capacity(rows);
    let mut wait = 0_u32;
    for at in 0..rows {
        let every =
            if has(Switch::Uneven) { random.random_range(1..5) } else { 1 + u32::from(has(Switch::TwoSeconds)) };
        if wait == 0 {
            written.push(at);
            wait = every;
        }
        wait -= 1;
    }
    let jump = has(Switch::ClockJump).then(|| {
        let share = random.random_range(0.3..0.7);
        (share, if random.random_bool(0.5) { -3600.0 } else { 60.0 })
    });
    let (first, last) = done.records.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), record| {
        (low.min(record.time_s), high.max(record.time_s))
    });
    let clock = |time: f64, random: &mut ChaCha8Rng| {
        let jumped = jump.filter(|(share, _)| time > first + share * (last - first)).map_or(0.0, |jump| jump.1);
        let time = time + jumped;
        if has(Switch::WholeSeconds) { (time + 0.25 * normal(random)).round() } else { time }
    };
    let (mut lon, mut lat): (Vec<f64>, Vec<f64>) = done.records.iter().map(|record| (record.x_m, record.y_m)).unzip();
    to_degrees.convert(&mut lon, &mut lat)?;
    let mut lines: Vec<(usize, String)> = Vec::with_capacity(written.len());
    let mut missing = 0.0..0.0;
    for &at in &written {
        let record = &done.records[at];
        if has(Switch::Moisture) && random.random_bool(0.0005) {
            missing = record.time_s..record.time_s + 120.0;
        }
        let moisture = match has(Switch::Moisture) {
            true if missing.contains(&record.time_s) => String::new(),
            true => format!("{:.1}", (record.moisture_pct * 2.0).round() / 2.0),
            false => format!("{:.2}", record.moisture_pct),
        };
        let mut line = format!(
            "{:.2},{:.7},{:.7},{:.3},{moisture},{:.2}",
            clock(record.time_s, &mut random),
            if lon[at].is_finite() { lon[at] } else { 0.0 },
            if lat[at].is_finite() { lat[at] } else { 0.0 },
            flow[at].max(0.0),
            record.swath_m,
        );
        if !has(Switch::NoSpeed) {
            let _ = write!(line, ",{:.2}", record.speed_m_s);
        }
        if !has(Switch::NoHeader) {
            let _ = write!(line, ",{}", u8::from(record.header_down != has(Switch::InvertedHeader)));
        }
        let _ = write!(line, ",{}", scenario.machines[record.machine as usize].name);
        lines.push((at, line));
    }
    let parts: Vec<Vec<(usize, String)>> = if has(Switch::Shuffled) {
        let third = lines.len().div_ceil(3);
        let mut parts: Vec<_> = lines.chunks(third).map(<[_]>::to_vec).collect();
        for part in &mut parts {
            part.shuffle(&mut random);
        }
        parts
    } else {
        vec![lines]
    };
    let mut header = "time_s,lon,lat,flow_kg_s,moisture,width_m".to_owned();
    for (left_out, column) in [(Switch::NoSpeed, ",speed_m_s"), (Switch::NoHeader, ",down")] {
        if !has(left_out) {
            header.push_str(column);
        }
    }
    header.push_str(",combine\n");
    let mut files = Vec::new();
    for (number, part) in parts.into_iter().enumerate() {
        let file = format!("fields/{name}/harvest/part_{}.csv", number + 1);
        let text = part.iter().fold(header.clone(), |text, (_, line)| text + line + "\n");
        write_file(&archive.join(&file), text.as_bytes())?;
        let truth = part.iter().map(|&(at, _)| RowTruth { at, dropped: dropped[at], held: held[at] }).collect();
        files.push((file, truth));
    }

    write_file(
        &folder.join("strips.geojson"),
        layers::geojson(&layers::strips(&scenario.field, &scenario.placement, &to_degrees)?).as_bytes(),
    )?;
    let mut mapped = scenario.field.clone();
    if has(Switch::SoilOff) {
        for line in &mut mapped.soil.lines {
            line.base += random.random_range(10.0..40.0) * if random.random_bool(0.5) { 1.0 } else { -1.0 };
        }
    }
    let soils = layers::soils(&mapped, &scenario.placement, &to_degrees, seed as usize + 1)?;
    write_file(&folder.join("soils.geojson"), layers::geojson(&soils).as_bytes())?;
    let optional = |on: bool, line: &str| if on { format!("{line}\n") } else { String::new() };
    let toml = format!(
        r#"farm = "Messy Hollow"
field = "{name}"
season = 2023
crop = "corn"
[strips]
path = "strips.geojson"
treatment = "treatment"
{}strip = "strip"
randomized = true
[[harvest]]
path = "harvest/*.csv"
crs = "EPSG:4326"
[harvest.columns]
time = {{ column = "time_s", format = "epoch_s" }}
longitude = "lon"
latitude = "lat"
mass_flow = {{ column = "flow_kg_s", unit = "kg/s" }}
moisture = {{ column = "moisture", unit = "%" }}
swath = {{ column = "width_m", unit = "m" }}
machine = "combine"
{}{}"#,
        optional(!has(Switch::NoBlocks), "block = \"block\""),
        optional(!has(Switch::NoSpeed), "speed = { column = \"speed_m_s\", unit = \"m/s\" }"),
        optional(!has(Switch::NoHeader), "header = \"down\""),
    );
    write_file(&folder.join("field.toml"), toml.as_bytes())?;
    Ok(Messy { name, switches: on, scenario, done, files, applied_s })
}

/// Writes `archive.toml` and the soil map of the site-years that stand below the archive.
///
/// # Errors
/// [`DemoError`] when a file cannot be read or written.
pub fn finish(archive: &Path, site_years: &[Messy]) -> Result<(), DemoError> {
    let mut features = Vec::new();
    for one in site_years {
        let path = archive.join("fields").join(&one.name).join("soils.geojson");
        let text = std::fs::read_to_string(&path).map_err(|source| DemoError::Io { path: path.clone(), source })?;
        let layer: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
        features.extend(layer["features"].as_array().cloned().unwrap_or_default());
    }
    let soils = json!({ "type": "FeatureCollection", "features": features });
    write_file(&archive.join("layers/soils.geojson"), soils.to_string().as_bytes())?;
    let toml = r#"name = "Messy Hollow"
report_units = "us"
[soil]
path = "layers/soils.geojson"
drainage = "drclassdcd"
[crops.corn]
price = "4.20 USD/bu"
[treatments.check]
label = "untreated check"
cost = "0 USD/ac"
check = true
[treatments.band]
label = "at-planting band"
cost = "20 USD/ac"
"#;
    write_file(&archive.join("archive.toml"), toml.as_bytes())
}
