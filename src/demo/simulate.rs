//! The harvest, tenth of a second by tenth: crop → header → transport and mixing → sensors → records.
//!
//! Grain reaches the flow sensor after a delay d and is mixed on the way: `m_out(t) = ∫ h(s) m_in(t − d − s) ds` with
//! `h(s) = exp(−s/τ)/τ`: first-order mixing, as in "A grain flow model to simulate grain yield sensor response", Sensors 2008,
//! 8(2):952–962. Nothing is lost on the way. A record stands for the interval round its time:
//! its position is that at its time, its mass what passed the sensor from half an interval before to half an interval after.

use std::collections::VecDeque;

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::crop::{Crop, FieldTruth};
use super::faults::spoil;
use super::outcome::{Load, MassBalance, RawRecord, RecordTruth, Simulated};
use super::path::{Drive, Place, Polyline, drives};
use super::plan::{MachinePlan, RaisedLog, Scenario};
use super::random::{Wander, normal, stream};
use crate::quantity::dry_factor;
use crate::quantity::factor::M2_PER_HA;

/// Step of the simulation, s.
const TICK_S: f64 = 0.1;
/// Greatest change of speed, m/s².
const ACCELERATION_M_S2: f64 = 0.8;
/// Speed of turns, m/s.
const TURN_M_S: f64 = 2.2;
/// Time that the machine runs on after the last pass, s.
const EMPTYING_S: f64 = 60.0;
/// Correlation times of speed, steering and position drift, s.
const SPEED_TIME_S: f64 = 12.0;
const STEERING_TIME_S: f64 = 8.0;
const DRIFT_TIME_S: f64 = 300.0;

/// Harvests a field. The same scenario gives the same records.
pub fn simulate(scenario: &Scenario) -> Simulated {
    let mut crop = Crop::new(scenario);
    let field = &scenario.field;
    let rows = scenario.machines.first().map_or(1, |machine| machine.header_rows);
    let swath_m = f64::from(rows) * field.row_m;
    let plan = drives(field, &scenario.harvest, swath_m, scenario.machines.len().max(1));
    let mut machines: Vec<Machine<'_>> =
        scenario.machines.iter().enumerate().map(|(at, machine)| Machine::new(scenario, at, machine)).collect();
    let mut cut = 1_u16;
    for (number, drive) in plan.iter().enumerate() {
        if let Some(machine) = machines.get_mut(drive.machine) {
            machine.drive(drive, number as u32, cut, &mut crop);
        }
        cut += drive.line.legs();
    }
    let mut out = Simulated {
        records: Vec::new(),
        truth: Vec::new(),
        field: FieldTruth::default(),
        loads: Vec::new(),
        balance: MassBalance { standing_m2: crop.left_m2(), ..MassBalance::default() },
    };
    for (at, mut machine) in machines.into_iter().enumerate() {
        machine.empty(&mut crop);
        let mut random = stream(scenario.seed, &format!("{}/faults/{at}", scenario.name));
        let (mut records, mut truth) = (std::mem::take(&mut machine.records), std::mem::take(&mut machine.truth));
        out.balance.recorded_kg += truth.iter().map(|truth| truth.mass_kg).sum::<f64>();
        spoil(&mut records, &mut truth, &scenario.faults, &mut random);
        out.records.append(&mut records);
        out.truth.append(&mut truth);
        out.loads.append(&mut machine.loads);
        out.balance.cut_kg += machine.cut_kg;
        out.balance.cut_m2 += machine.cut_m2;
        out.balance.passed_kg += machine.passed_kg;
        out.balance.left_kg += machine.flow.iter().map(Vessel::held).sum::<f64>() + machine.line_held();
    }
    out.field = crop.truth;
    out
}

/// A vessel that empties in proportion to what it holds: first-order mixing without loss.
#[derive(Debug, Clone)]
struct Vessel {
    mass: f64,
    water: f64,
    share: f64,
}

impl Vessel {
    fn new(time_constant_s: f64) -> Self {
        let share = if time_constant_s > 0.0 { 1.0 - (-TICK_S / time_constant_s).exp() } else { 1.0 };
        Self { mass: 0.0, water: 0.0, share }
    }

    /// What leaves it after something was added: mass and water, kg.
    fn pass(&mut self, (mass, water): (f64, f64)) -> (f64, f64) {
        self.mass += mass;
        self.water += water;
        let out = (self.mass * self.share, self.water * self.share);
        self.mass -= out.0;
        self.water -= out.1;
        out
    }

    fn held(&self) -> f64 {
        self.mass
    }
}

/// What is summed up over a record.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    ticks: u32,
    mass: f64,
    water: f64,
    distance: f64,
    cut_m2: f64,
    cut_dry: f64,
    cut_wet: f64,
    cut_water: f64,
    rows: f64,
    down_ticks: u32,
    place: Option<Place>,
    moisture: f64,
}

struct Machine<'s> {
    scenario: &'s Scenario,
    plan: &'s MachinePlan,
    index: usize,
    random: ChaCha8Rng,
    speed: Wander,
    steering: Wander,
    drift: (Wander, Wander),
    ticks: u64,
    per_record: u32,
    velocity: f64,
    delayed: VecDeque<(f64, f64)>,
    flow: Vec<Vessel>,
    moist_delayed: VecDeque<(f64, f64)>,
    moist: Vessel,
    moisture_pct: f64,
    stop_ticks: u32,
    raised_ticks: u32,
    sum: Sum,
    at: Option<((f64, f64), (f64, f64))>,
    records: Vec<RawRecord>,
    truth: Vec<RecordTruth>,
    loads: Vec<Load>,
    load: (f64, f64, Option<(f64, f64)>),
    cut_kg: f64,
    cut_m2: f64,
    passed_kg: f64,
}

impl<'s> Machine<'s> {
    fn new(scenario: &'s Scenario, index: usize, plan: &'s MachinePlan) -> Self {
        let mut random = stream(scenario.seed, &format!("{}/machine/{index}", scenario.name));
        let ticks_of = |seconds: f64| (seconds / TICK_S).round().max(0.0) as usize;
        let per_record = ticks_of(plan.interval_s).max(1) as u32;
        let (speed, steering) =
            (Wander::new(TICK_S, SPEED_TIME_S, &mut random), Wander::new(TICK_S, STEERING_TIME_S, &mut random));
        let drift = (
            Wander::new(plan.interval_s, DRIFT_TIME_S, &mut random),
            Wander::new(plan.interval_s, DRIFT_TIME_S, &mut random),
        );
        Self {
            scenario,
            plan,
            index,
            random,
            speed,
            steering,
            drift,
            ticks: 0,
            per_record,
            velocity: 0.0,
            delayed: vec![(0.0, 0.0); ticks_of(plan.delay_s)].into(),
            flow: vec![Vessel::new(plan.mixing_s / f64::from(plan.mixing_stages)); plan.mixing_stages as usize],
            moist_delayed: vec![(0.0, 0.0); ticks_of(plan.moisture_delay_s)].into(),
            moist: Vessel::new(plan.moisture_mixing_s),
            moisture_pct: scenario.field.moisture_pct,
            stop_ticks: 0,
            raised_ticks: 0,
            sum: Sum::default(),
            at: None,
            records: Vec::new(),
            truth: Vec::new(),
            loads: Vec::new(),
            load: (0.0, 0.0, None),
            cut_kg: 0.0,
            cut_m2: 0.0,
            passed_kg: 0.0,
        }
    }

    fn swath_m(&self) -> f64 {
        f64::from(self.plan.header_rows) * self.scenario.field.row_m
    }

    fn line_held(&self) -> f64 {
        self.delayed.iter().map(|part| part.0).sum()
    }

    /// Drives to the beginning of a drive, header raised, then along it.
    fn drive(&mut self, drive: &Drive, number: u32, cut: u16, crop: &mut Crop) {
        if let Some(from) = self.at {
            let turn = Polyline::turn(from, drive.line.start());
            let stays_down = self.random.random_bool(self.plan.stays_down_share);
            let (mut driven, mut stretch) = (0.0, 0);
            while driven < turn.length() {
                self.accelerate(TURN_M_S);
                let distance = (self.velocity * TICK_S).max(0.01);
                driven += distance;
                let place = turn.at(driven.min(turn.length()), &mut stretch);
                self.tick(place, distance, stays_down, None, u32::MAX, crop);
            }
        }
        // The switch follows the header late or early, a little differently each time.
        let lower = drive.run_up_m + (self.plan.lower_late_s + 0.4 * normal(&mut self.random)) * self.plan.speed_m_s;
        let raise = drive.line.length() - drive.run_up_m
            + (self.plan.raise_late_s + 0.4 * normal(&mut self.random)) * self.plan.speed_m_s;
        let (mut driven, mut stretch) = (0.0, 0);
        let chance_to_stop = self.scenario.harvest.stops_per_1000_s * TICK_S / 1000.0;
        while driven < drive.line.length() {
            let wanted = self.plan.speed_m_s * (1.0 + self.plan.speed_cv * self.speed.next(&mut self.random)).max(0.3);
            if self.stop_ticks > 0 {
                self.stop_ticks -= 1;
                self.accelerate(0.0);
            } else {
                self.accelerate(wanted);
                if chance_to_stop > 0.0 && self.random.random_bool(chance_to_stop) {
                    self.stop_ticks = self.random.random_range(100..600);
                }
            }
            let distance = self.velocity * TICK_S;
            driven += distance;
            let place = drive.line.at((driven - distance / 2.0).min(drive.line.length()), &mut stretch);
            let down = driven >= lower && driven < raise;
            self.tick(place, distance, down, Some(cut + place.leg), number, crop);
        }
        self.at = Some(drive.line.end());
    }

    /// Stands with the header raised until the grain is through.
    fn empty(&mut self, crop: &mut Crop) {
        let Some((at, course)) = self.at else { return };
        let place = Place { u: at.0, v: at.1, course, leg: 0 };
        for _ in 0..(EMPTYING_S / TICK_S) as u32 {
            self.velocity = 0.0;
            self.tick(place, 0.0, false, None, u32::MAX, crop);
        }
        self.close_load();
    }

    fn accelerate(&mut self, wanted: f64) {
        let most = ACCELERATION_M_S2 * TICK_S;
        self.velocity += (wanted - self.velocity).clamp(-most, most);
        self.velocity = self.velocity.max(0.0);
    }

    fn tick(&mut self, place: Place, distance: f64, down: bool, cut: Option<u16>, drive: u32, crop: &mut Crop) {
        let steering = self.plan.steering_sd_m * self.steering.next(&mut self.random);
        let (mut area, mut dry, mut wet, mut water) = (0.0, 0.0, 0.0, 0.0);
        let row_m = self.scenario.field.row_m;
        if let Some(by) = cut
            && distance > 0.0
        {
            let (across_u, across_v) = (place.course.1, -place.course.0);
            let market = self.scenario.field.market_moisture_pct;
            for row in 0..self.plan.header_rows {
                let aside = (f64::from(row) + 0.5) * row_m - self.swath_m() / 2.0 + steering;
                let found = crop.cut(place.u + aside * across_u, place.v + aside * across_v, by);
                if let Some((dry_kg_ha, moisture)) = found {
                    let row_dry = dry_kg_ha * row_m * distance / M2_PER_HA;
                    let row_wet = row_dry / dry_factor(moisture, market);
                    area += row_m * distance;
                    dry += row_dry;
                    wet += row_wet;
                    water += row_wet * moisture / 100.0;
                }
            }
        }
        self.cut_kg += wet;
        self.cut_m2 += area;
        self.delayed.push_back((wet, water));
        let arriving = self.delayed.pop_front().unwrap_or_default();
        let passing = self.flow.iter_mut().fold(arriving, |part, vessel| vessel.pass(part));
        self.passed_kg += passing.0;
        self.moist_delayed.push_back((wet, water));
        let arriving = self.moist_delayed.pop_front().unwrap_or_default();
        let sensed = self.moist.pass(arriving);
        if sensed.0 > 1e-4 {
            self.moisture_pct = 100.0 * sensed.1 / sensed.0;
        }

        let sum = &mut self.sum;
        if sum.ticks == self.per_record / 2 {
            let aside = steering;
            sum.place =
                Some(Place { u: place.u + aside * place.course.1, v: place.v - aside * place.course.0, ..place });
            sum.moisture = self.moisture_pct;
        }
        sum.ticks += 1;
        sum.mass += passing.0;
        sum.water += passing.1;
        sum.distance += distance;
        sum.cut_m2 += area;
        sum.cut_dry += dry;
        sum.cut_wet += wet;
        sum.cut_water += water;
        sum.rows += if distance > 0.0 { area / (row_m * distance) } else { 0.0 };
        sum.down_ticks += u32::from(down);
        self.ticks += 1;
        if sum.ticks == self.per_record {
            let sum = std::mem::take(&mut self.sum);
            self.write(&sum, drive);
        }
    }

    fn write(&mut self, sum: &Sum, drive: u32) {
        let plan = self.plan;
        let Some(place) = sum.place else { return };
        let (drift_x, drift_y) = (self.drift.0.next(&mut self.random), self.drift.1.next(&mut self.random));
        let mut noise = || normal(&mut self.random);
        let (x, y) = self.scenario.placement.to_ground(&self.scenario.field, place.u, place.v);
        let logged_x = x + plan.drift_sd_m * drift_x + plan.position_sd_m * noise();
        let logged_y = y + plan.drift_sd_m * drift_y + plan.position_sd_m * noise();
        let measured = sum.mass * plan.gain * (1.0 + plan.flow_noise / plan.interval_s.sqrt() * noise()).max(0.0);
        let moisture = sum.moisture + plan.moisture_noise_pct * noise();
        let speed = sum.distance / plan.interval_s * (1.0 + 0.01 * noise());

        let header_down = 2 * sum.down_ticks >= sum.ticks;
        self.raised_ticks = if header_down { 0 } else { self.raised_ticks + sum.ticks };
        let written = header_down
            || match plan.raised_log {
                RaisedLog::Always => true,
                RaisedLog::Seconds(seconds) => f64::from(self.raised_ticks) * TICK_S <= seconds,
                RaisedLog::Never => false,
            };
        let middle = (self.ticks as f64 - f64::from(sum.ticks) / 2.0) * TICK_S;
        let begin = self.scenario.harvest.start_s - plan.interval_s / 2.0;
        let time_s = begin + middle + plan.clock_ahead_s;
        self.weigh(sum, time_s);
        if !written {
            return;
        }
        let swath_m = if plan.sections && sum.rows > 0.0 {
            let share = sum.rows / (f64::from(sum.ticks) * f64::from(plan.header_rows));
            self.swath_m() * ((share * 4.0 - 0.2).ceil() / 4.0).clamp(0.25, 1.0)
        } else {
            self.swath_m()
        };
        self.records.push(RawRecord {
            time_s: (time_s * 1000.0).round() / 1000.0,
            x_m: logged_x,
            y_m: logged_y,
            mass_kg: measured,
            interval_s: plan.interval_s,
            distance_m: sum.distance,
            speed_m_s: speed.max(0.0),
            swath_m,
            moisture_pct: moisture,
            header_down,
            machine: self.index as u32,
            load: self.loads.len() as u32 + 1,
        });
        let field = &self.scenario.field;
        let strip = field.strips.iter().position(|strip| {
            place.u >= strip.u.0 && place.u < strip.u.1 && place.v >= strip.v.0 && place.v < strip.v.1
        });
        self.truth.push(RecordTruth {
            x_m: x,
            y_m: y,
            area_m2: sum.cut_m2,
            yield_kg_ha: if sum.cut_m2 > 0.0 { sum.cut_dry * M2_PER_HA / sum.cut_m2 } else { f64::NAN },
            moisture_pct: if sum.cut_wet > 0.0 { 100.0 * sum.cut_water / sum.cut_wet } else { f64::NAN },
            mass_kg: sum.mass,
            drive,
            strip: strip.map_or(u32::MAX, |at| at as u32),
            class: field.soil.class_at(place.u, place.v) as u32,
            fault: None,
        });
    }

    fn weigh(&mut self, sum: &Sum, time_s: f64) {
        let (mass, water, span) = &mut self.load;
        *mass += sum.mass;
        *water += sum.water;
        *span = Some((span.map_or(time_s, |(from, _)| from), time_s));
        if *mass >= self.scenario.harvest.load_kg {
            self.close_load();
        }
    }

    fn close_load(&mut self) {
        let (mass_kg, water, span) = std::mem::take(&mut self.load);
        if let Some((from_s, to_s)) = span
            && mass_kg > 0.0
        {
            let load = self.loads.len() as u32 + 1;
            let moisture_pct = 100.0 * water / mass_kg;
            self.loads.push(Load { machine: self.index as u32, load, from_s, to_s, mass_kg, moisture_pct });
        }
    }
}

#[cfg(test)]
#[path = "simulate_tests.rs"]
mod tests;
