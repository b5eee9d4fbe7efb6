//! Clean: [`Ingested`] → [`Cleaned`]: which records tell the yield of the ground they stand on.
//!
//! Every record ends with one reason or none; nothing is deleted. The rules run in the order of [`Mark`], so that a
//! record carries the first that applies:
//!
//! 1. hard errors: position, duplicate, jump;
//! 2. positions that step sideways are moved back; passes, from header, gaps, turns and stops, on the track;
//! 3. the transport lag, estimated from opposing passes; each record is put on the ground where its grain was cut;
//! 4. boundary, header, filling and emptying, short passes, turns;
//! 5. flow, moisture, speed, swath;
//! 6. the level of several combines, and scale tickets;
//! 7. yields: plausible range, neighbours under the same treatment.
//!
//! The rules look at the treatments only to compare like with like; no limit depends on the contrast.

mod calibrate;
mod clocks;
mod driven;
mod filters;
mod ground;
mod hard_errors;
mod lag;
mod levels;
mod machines;
mod moisture;
mod neighbour_passes;
mod on_strips;
mod passes;
mod ramps;
mod sensor;
mod sideways;
mod track;
mod zero;

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::sync::Arc;

use geo::MultiPolygon;

use crate::config::{CleanSettings, CropSettings};
use crate::geometry::PolygonIndex;
use crate::points::{
    Caution, Cautions, Cleaned, CleaningFacts, Header, Ingested, Labels, MachineFacts, Mark, Reasons, Records,
};
use crate::quantity::dry_factor;
use crate::quantity::factor::M2_PER_HA;
use crate::stats::robust;
pub use lag::KnownLags;
use levels::Levels;
use on_strips::OnStrips;
use track::Track;

/// Version of this stage's results: part of the fingerprint of a site-year.
pub const VERSION: u32 = 9;

/// Share of removed records beyond which the data are poor.
const HEAVY_REMOVAL: f64 = 0.40;
/// Difference of cut and bounded area that is reported.
const AREA_MISMATCH: f64 = 0.03;

/// What does not depend on the rules that follow the lag: the tracks, their passes and lags.
#[derive(Debug, Clone)]
pub struct Tracked {
    records: Arc<Records>,
    /// Hard errors.
    marks: Vec<Reasons>,
    tracks: Vec<Track>,
    passes: Vec<passes::Pass>,
    /// Neighbouring passes, all machines.
    pairs: Vec<neighbour_passes::PassPair>,
    lags: KnownLags,
    /// Whether it is known which of two combines cut a piece of ground first.
    clocks_agree: bool,
    /// Moisture readings, held ones replaced.
    moisture_pct: Vec<f64>,
    /// Flows that are faults of the sensor.
    faulty: Vec<bool>,
    cautions: Cautions,
}

/// Cleans a site-year. `seed` drives the bootstrap of the lag.
pub fn run(ingested: &Ingested, crop: &CropSettings, settings: &CleanSettings, seed: u64) -> Cleaned {
    judge(&track(ingested, settings, seed, None), ingested, crop, settings, 0.0)
}

/// The first half of cleaning: hard errors, passes, lags. Lags that are known are taken where they would be estimated from the same.
pub fn track(ingested: &Ingested, settings: &CleanSettings, seed: u64, known: Option<&KnownLags>) -> Tracked {
    let mut cautions = Cautions::default();
    let mut records = upright_header(&ingested.records, &mut cautions);
    let mut marks: Vec<Reasons> = vec![Reasons::default(); records.len()];
    hard_errors::mark(&records, settings, &mut marks);
    let mut tracks = Track::all(&records, &marks);
    for track in &tracks {
        sideways::report(&records, track, &mut cautions);
    }
    let passes = passes::find(&records, settings, &mut tracks);
    let drift_kg_s = zero::drift_kg_s(&records, &tracks, &mut cautions);
    take_off(&drift_kg_s, &mut records);
    let widest_m = records.header_widths_m().into_iter().fold(f64::NAN, f64::max);
    let faulty = sensor::faults(&records, &tracks);
    let case = lag::LagCase {
        records: &records,
        faulty: &faulty,
        tracks: &tracks,
        passes: &passes,
        swath_m: widest_m,
        settings,
        seed,
    };
    let lags = KnownLags::of(case, &ingested.records, known);
    cautions.extend(&lags.cautions);
    let clocks_disagree =
        records.channels.time.then(|| clocks::disagreement(&records.machine, &tracks, &passes, widest_m)).flatten();
    let clocks_agree = clocks_disagree.is_none();
    if let Some(detail) = clocks_disagree {
        cautions.add(Caution::ClocksDisagree, detail);
    }
    let every_pass: Vec<usize> = (0..passes.len()).collect();
    let pairs = neighbour_passes::find(&tracks, &passes, &every_pass, widest_m, neighbour_passes::TOUCHING_SWATHS);
    let moisture_pct = moisture::thawed(&records, &tracks, &mut cautions);
    Tracked { records, marks, tracks, passes, pairs, lags, clocks_agree, moisture_pct, faulty, cautions }
}

impl Tracked {
    /// The lags, to be kept.
    pub fn lags(&self) -> &KnownLags {
        &self.lags
    }
}

/// Records on their ground, judged by all rules but those that look at yields.
#[derive(Debug, Clone)]
pub struct Placed {
    lags: Vec<lag::Lags>,
    ground: ground::Ground,
    ramps: ramps::Ramps,
    widths: filters::swath::Widths,
    bare: Vec<bool>,
    on_strips: OnStrips,
    levels: Levels,
    dry_yield_kg_ha: Vec<f64>,
    marks: Vec<Reasons>,
    cautions: Cautions,
}

/// The second half: places the records (the lags moved by `shift_s`), and judges them.
pub fn judge(
    tracked: &Tracked,
    ingested: &Ingested,
    crop: &CropSettings,
    settings: &CleanSettings,
    shift_s: f64,
) -> Cleaned {
    judge_yields(tracked, place(tracked, ingested, crop, settings, shift_s), ingested, crop, settings)
}

/// The second half but for the rules that look at yields.
pub fn place(
    tracked: &Tracked,
    ingested: &Ingested,
    crop: &CropSettings,
    settings: &CleanSettings,
    shift_s: f64,
) -> Placed {
    let Tracked { records, tracks, passes, pairs, .. } = tracked;
    let mut marks = tracked.marks.clone();
    let mut cautions = tracked.cautions.clone();
    let lags: Vec<lag::Lags> = tracked.lags.each.iter().map(|lags| lags.moved(shift_s)).collect();
    let mut ground = ground::of_records(records, tracks, passes, &lags, &tracked.moisture_pct);

    let boundary = ingested.boundary.as_ref().map(|boundary| PolygonIndex::new(vec![boundary.clone()]));
    let boundary = boundary.as_ref();
    let seen = filters::Seen { records, tracks, boundary, passes, ground: &ground, crop, settings };
    filters::mark(filters::BEFORE_RAMPS, &seen, &mut marks);
    let rough = yields(records, &ground, crop, None);
    let ramps = ramps::find(records, &ground, passes, &rough, &marks, settings);
    ramps::mark(&ground, &ramps, &mut marks);
    filters::mark(filters::AFTER_RAMPS, &seen, &mut marks);
    let bare = filters::ranges::mark(records, &tracked.faulty, settings, &mut marks);
    filters::mark(filters::AFTER_FLOW, &seen, &mut marks);
    let swaths = filters::swath::SwathCase {
        records,
        passes,
        pairs,
        settings,
        row_spacing_m: ingested.row_spacing_m,
        clocks_agree: tracked.clocks_agree,
    };
    let widths = filters::swath::mark(swaths, &mut ground, &mut marks);

    let on_strips = OnStrips::new(ingested, records, &ground);
    let levels = levels::find(tracked, ingested, &mut ground, &on_strips, &marks, crop, settings, &mut cautions);
    let dry_yield_kg_ha = yields(records, &ground, crop, Some(&levels.multiple));
    Placed { lags, ground, ramps, widths, bare, on_strips, levels, dry_yield_kg_ha, marks, cautions }
}

/// The rules that look at yields, and what was learnt in all.
pub fn judge_yields(
    tracked: &Tracked,
    placed: Placed,
    ingested: &Ingested,
    crop: &CropSettings,
    settings: &CleanSettings,
) -> Cleaned {
    let Tracked { records, tracks, passes, .. } = tracked;
    let Placed { lags, ground, ramps, widths, mut bare, on_strips, levels, dry_yield_kg_ha, mut marks, mut cautions } =
        placed;
    let poor = filters::low_ground::find(&ground, passes, &dry_yield_kg_ha, widths.full_m, &marks);
    for (bare, poor) in bare.iter_mut().zip(poor) {
        *bare |= poor;
    }
    let range = filters::yields::mark(&dry_yield_kg_ha, &bare, crop, settings, &mut marks);
    let mut spread = f64::NAN;
    if settings.yield_rules {
        let field = filters::neighbours::Field {
            x_m: &ground.x_m,
            y_m: &ground.y_m,
            yields: &dry_yield_kg_ha,
            pass: &ground.pass,
            treatment: &on_strips.treatment,
            bare: &bare,
            treatments_known: on_strips.known,
        };
        let limits = filters::neighbours::Limits {
            radius_m: settings.neighbour_radius_m,
            robust_deviations: settings.neighbour_limit,
            least_neighbours: settings.neighbour_least as usize,
            rounds: filters::neighbours::ROUNDS,
        };
        spread = filters::neighbours::mark(&field, limits, &mut marks);
    }

    let area_m2 = areas(&ground);
    heavy_removal(&marks, &mut cautions);
    let mut limits = BTreeMap::from([
        ("least yield, kg/ha".to_owned(), range.0),
        ("greatest yield, kg/ha".to_owned(), range.1),
        ("full swath, m".to_owned(), widths.full_m),
        ("records logged below the full swath".to_owned(), widths.logged_narrow as f64),
        ("swath corrected for ground cut before (1 yes, 0 no)".to_owned(), f64::from(u8::from(widths.trusted))),
        ("scatter of the spacing between passes, m".to_owned(), widths.scatter_m),
        ("spread against neighbours, ln".to_owned(), spread),
    ]);
    for (track, lags) in tracks.iter().zip(&lags) {
        if let Some(second) = lags.second_opinion_s {
            let name = records.machine.name(track.machine);
            limits.insert(format!("lag of {name} by phase correlation, s"), second);
        }
    }
    if levels.strips_weighed > 0 {
        limits.insert("strips weighed by the scale".to_owned(), levels.strips_weighed as f64);
    }
    if levels.offset_kg_s.abs() > 0.0 {
        limits.insert("offset by the tickets, kg/s".to_owned(), levels.offset_kg_s);
    }
    conserve_area(ingested.boundary.as_ref(), &area_m2, &ground, &mut limits, &mut cautions);
    limits.retain(|_, value| value.is_finite());
    let (axis_rad, header_m) = driven::driven(records, &ground, &marks);
    let facts = CleaningFacts {
        machines: machine_facts(tracked, &lags, &levels),
        pass_entry_s: Some(ramps.entry_s),
        pass_exit_s: Some(ramps.exit_s),
        factor_covariance: levels.factor_covariance,
        not_run: Mark::ALL.iter().copied().filter(|mark| !mark.can_run(&records.channels)).collect(),
        passes: passes.len(),
        axis_rad,
        header_m,
        limits,
    };
    let mass_flow_kg_s = (0..records.len())
        .map(|at| ground.mass_kg[at] / records.interval_s[at] * levels.multiple[records.machine.codes[at] as usize])
        .collect();
    Cleaned {
        mass_flow_kg_s,
        x_m: ground.x_m,
        y_m: ground.y_m,
        course_rad: ground.course_rad,
        pass: ground.pass,
        moisture_pct: ground.moisture_pct,
        speed_m_s: ground.speed_m_s,
        swath_m: ground.swath_m,
        area_m2,
        dry_yield_kg_ha,
        mark: marks,
        facts,
        lag_curves: tracked.lags.curves.clone(),
        cautions,
        records: Arc::clone(records),
    }
}

fn machine_facts(tracked: &Tracked, lags: &[lag::Lags], levels: &Levels) -> BTreeMap<String, MachineFacts> {
    lags.iter()
        .zip(&tracked.tracks)
        .map(|(lags, track)| {
            let code = track.machine as usize;
            let facts = MachineFacts {
                lag_s: lags.mass_s,
                moisture_lag_s: lags.moisture_s,
                machine_factor: levels.factor[code],
                ticket_gain: levels.gain,
            };
            (tracked.records.machine.names[code].clone(), facts)
        })
        .collect()
}

fn heavy_removal(marks: &[Reasons], cautions: &mut Cautions) {
    // A record written twice is one record.
    let copies = marks.iter().filter(|mark| mark.first() == Some(Mark::Duplicate)).count();
    let removed = marks.iter().filter(|mark| !mark.is_empty()).count() - copies;
    let share = removed as f64 / (marks.len() - copies).max(1) as f64;
    if share > HEAVY_REMOVAL {
        cautions.add(Caution::HeavyRemoval, format!("{:.0} %", 100.0 * share));
    }
}

/// Turns a header state that was recorded the other way round: most of the grain flows while it says "raised".
fn upright_header(records: &Arc<Records>, cautions: &mut Cautions) -> Arc<Records> {
    const MOST: f64 = 3.0;
    if !records.channels.header {
        return Arc::clone(records);
    }
    let (mut down, mut up) = (0.0, 0.0);
    for (header, mass) in records.header.iter().zip(&records.mass_kg).filter(|(_, mass)| **mass > 0.0) {
        match header {
            Header::Down => down += mass,
            Header::Up => up += mass,
            Header::Unknown => {}
        }
    }
    if up > MOST * down {
        cautions.add(Caution::HeaderInverted, "");
        let mut turned = Records::clone(records);
        for header in &mut turned.header {
            *header = match header {
                Header::Down => Header::Up,
                Header::Up => Header::Down,
                Header::Unknown => Header::Unknown,
            };
        }
        return Arc::new(turned);
    }
    Arc::clone(records)
}

/// Takes the zero drift off the masses; clamped at zero.
fn take_off(drift_kg_s: &[f64], records: &mut Arc<Records>) {
    if drift_kg_s.iter().all(|&drift| drift <= 0.0) {
        return;
    }
    let records = Arc::make_mut(records);
    for at in 0..records.mass_kg.len() {
        let drift = drift_kg_s[records.machine.codes[at] as usize] * records.interval_s[at];
        if records.mass_kg[at] > 0.0 {
            records.mass_kg[at] = (records.mass_kg[at] - drift).max(0.0);
        }
    }
}

fn areas(ground: &ground::Ground) -> Vec<f64> {
    ground.distance_m.iter().zip(&ground.swath_m).map(|(distance, swath)| distance * swath).collect()
}

/// Yield at market moisture, kg/ha: the ratio of mass to area; NaN where no ground is known.
fn yields(records: &Records, ground: &ground::Ground, crop: &CropSettings, multiple: Option<&[f64]>) -> Vec<f64> {
    (0..records.len())
        .map(|at| {
            let area = ground.distance_m[at] * ground.swath_m[at];
            let factor = multiple.map_or(1.0, |multiple| multiple[records.machine.codes[at] as usize]);
            let dry = dry_factor(ground.moisture_pct[at], crop.market_moisture_pct);
            if area > 0.0 { ground.mass_kg[at] * factor * dry / area * M2_PER_HA } else { f64::NAN }
        })
        .collect()
}

/// The area cut in passes against the area inside the boundary.
fn conserve_area(
    boundary: Option<&MultiPolygon<f64>>,
    area_m2: &[f64],
    ground: &ground::Ground,
    limits: &mut BTreeMap<String, f64>,
    cautions: &mut Cautions,
) {
    let Some(boundary) = boundary else { return };
    let bounded = geo::Area::unsigned_area(boundary);
    let cut: f64 = area_m2
        .iter()
        .zip(&ground.pass)
        .filter(|(area, pass)| **pass != Labels::NONE && area.is_finite())
        .map(|(area, _)| area)
        .sum();
    if bounded > 0.0 {
        let ratio = cut / bounded;
        limits.insert("area cut / area inside the boundary".to_owned(), ratio);
        if (ratio - 1.0).abs() > AREA_MISMATCH {
            cautions.add(Caution::AreaMismatch, format!("cut {:.0} % of it", 100.0 * ratio));
        }
    }
}

/// The usual yield of the kept records, kg/ha.
pub fn median_yield_kg_ha(cleaned: &Cleaned) -> Option<f64> {
    let mut kept: Vec<f64> =
        (0..cleaned.len()).filter(|&at| cleaned.is_kept(at)).map(|at| cleaned.dry_yield_kg_ha[at]).collect();
    robust::median_in_place(&mut kept).ok()
}
