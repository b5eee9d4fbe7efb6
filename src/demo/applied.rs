//! The planter's run with a product and its log: rates that rise and fall, stops, sections that fail, a receiver that lies aside.
//!
//! What the product did not reach, or reached at another rate, is taken from the crop's response, so that a harvest simulated afterwards
//! carries it. The ranges are common practice, no source.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::plan::{Dose, Scenario};
use super::random::{Wander, normal, stream};
use crate::points::{AppliedLog, Header, Labels};

/// Change of speed, m/s².
const ACCELERATION_M_S2: f64 = 0.7;
/// Seconds of a turn.
const TURN_S: f64 = 25.0;
/// Correlation time of the drift of positions, s.
const DRIFT_TIME_S: f64 = 300.0;
/// Error of single positions, m.
const POSITION_SD_M: f64 = 0.03;
/// Usual length of a section's failure, s.
const FAILURE_S: f64 = 60.0;
/// By how much settled product runs out too fast at first.
const SETTLED: f64 = 3.0;
/// Response to a rate that is far too high, as a share of that to the right one (the crop suffers).
const TOO_MUCH: f64 = -0.5;

/// A planter and how it ran.
#[derive(Debug, Clone, PartialEq)]
pub struct ApplicationPlan {
    /// Rows of the planter.
    pub planter_rows: u32,
    /// Its sections.
    pub sections: u32,
    /// Rate by treatment, litres per hectare; the first is the check.
    pub rates_l_ha: Vec<f64>,
    /// Noise of a reading of the rate, by the rate.
    pub rate_noise: f64,
    /// Ground speed, m/s.
    pub speed_m_s: f64,
    /// Time constant of the rate after a start, s.
    pub ramp_s: f64,
    /// Short stops in the passes of the field.
    pub stops: u32,
    /// Long stops (a parked planter).
    pub long_stops: u32,
    /// Ground on which settled product runs out after a long stop, m.
    pub flush_m: f64,
    /// By how much all positions lie to the right of the rows' side (u), m.
    pub offset_m: f64,
    /// Slow drift of positions, m (standard deviation).
    pub drift_sd_m: f64,
    /// Share of the sections' time in which they fail.
    pub failing_share: f64,
    /// Start, seconds since 1970-01-01T00:00:00Z.
    pub start_s: f64,
}

impl Default for ApplicationPlan {
    fn default() -> Self {
        Self {
            planter_rows: 24,
            sections: 12,
            rates_l_ha: vec![0.0, 50.0],
            rate_noise: 0.03,
            speed_m_s: 2.5,
            ramp_s: 1.5,
            stops: 6,
            long_stops: 1,
            flush_m: 60.0,
            offset_m: 0.5,
            drift_sd_m: 0.08,
            failing_share: 0.05,
            start_s: 1_682_769_600.0,
        }
    }
}

/// The planter on its way.
struct Planter<'p> {
    plan: &'p ApplicationPlan,
    scenario: &'p Scenario,
    random: ChaCha8Rng,
    drift: (Wander, Wander),
    time_s: f64,
    /// Seconds until each failing section works again.
    failing: Vec<f64>,
    log: AppliedLog,
    sections: Vec<Option<String>>,
    doses: Vec<Dose>,
    /// Ground that settled product still lasts for, m.
    settled_m: f64,
}

impl Planter<'_> {
    fn width_m(&self) -> f64 {
        f64::from(self.plan.planter_rows) * self.scenario.field.row_m
    }

    fn write(&mut self, (u, v): (f64, f64), rate: f64, target: f64, heading: Option<f64>) {
        let field = &self.scenario.field;
        let (x, y) = self.scenario.placement.to_ground(field, u + self.plan.offset_m, v);
        let drift = (self.drift.0.next(&mut self.random), self.drift.1.next(&mut self.random));
        let mut aside = |drift: f64| self.plan.drift_sd_m * drift + POSITION_SD_M * normal(&mut self.random);
        let (x, y) = (x + aside(drift.0), y + aside(drift.1));
        let log = &mut self.log;
        let idle = log.time_s.last().map_or(0.0, |last| self.time_s - last);
        // rows while it stands are no movement
        log.idle_s.push(idle);
        log.file.push(0);
        log.row.push(log.row.len() as u32 + 1);
        log.time_s.push(self.time_s);
        log.x_m.push(x);
        log.y_m.push(y);
        log.rate_per_ha.push((rate * (1.0 + self.plan.rate_noise * normal(&mut self.random))).max(0.0));
        log.target_per_ha.push(target);
        let width_m = self.width_m();
        self.log.width_m.push(width_m);
        self.log.state.push(if heading.is_some() { Header::Down } else { Header::Up });
        let digit = |left: &f64| if *left > 0.0 { '0' } else { '1' };
        // seen along the course, left and right change places on the way back
        self.sections.push(Some(match heading {
            Some(heading) if heading < 0.0 => self.failing.iter().rev().map(digit).collect(),
            _ => self.failing.iter().map(digit).collect(),
        }));
    }

    /// One pass from v to v, at u, with a stop (its seconds) at some place.
    fn pass(&mut self, u: f64, (from, to): (f64, f64), treatment: usize, stops: &[(f64, f64)]) {
        let heading = (to - from).signum();
        let target = self.plan.rates_l_ha[treatment];
        let (mut v, mut speed, mut rate) = (from, 1.0, 0.0);
        let mut stops: Vec<(f64, f64)> = stops.to_vec();
        while (to - v) * heading > 0.0 {
            if let Some(at) = stops.iter().position(|stop| (v - stop.0) * heading >= 0.0) {
                let (_, seconds) = stops.remove(at);
                self.time_s += seconds;
                (speed, rate) = (0.4, 0.0);
                if seconds > 600.0 {
                    self.settled_m = self.plan.flush_m;
                }
            }
            speed = (speed + ACCELERATION_M_S2).min(self.plan.speed_m_s * (1.0 + 0.03 * normal(&mut self.random)));
            let (old, step) = (v, speed.max(0.3));
            v += heading * step;
            rate += (target - rate) * (1.0 - (-1.0 / self.plan.ramp_s).exp());
            let mut put_down = rate;
            if target > 0.0 && self.settled_m > 0.0 {
                put_down *= 1.0 + (SETTLED - 1.0) * (self.settled_m / self.plan.flush_m).min(1.0);
                self.settled_m -= step;
            }
            self.fail_sections();
            self.time_s += 1.0;
            self.dose(u, (old.min(v), old.max(v)), put_down, target);
            self.write((u, f64::midpoint(old, v)), put_down, target, Some(heading));
        }
        // the turn, raised
        for _ in 0..4 {
            self.time_s += TURN_S / 4.0;
            self.write((u, to + 6.0 * heading), 0.0, 0.0, None);
        }
    }

    fn fail_sections(&mut self) {
        let begins = self.plan.failing_share / (1.0 - self.plan.failing_share) / FAILURE_S;
        for left in &mut self.failing {
            if *left > 0.0 {
                *left -= 1.0;
            } else if begins > 0.0 && self.random.random_bool(begins) {
                *left = self.random.random_range(0.5 * FAILURE_S..1.5 * FAILURE_S);
            }
        }
    }

    /// What of the response is lost on this ground.
    fn dose(&mut self, u: f64, v: (f64, f64), rate: f64, target: f64) {
        if target <= 0.0 {
            return;
        }
        let share = if rate > 1.25 * target { TOO_MUCH } else { (rate / target).min(1.0) };
        let (width, left) = (self.width_m(), u - self.width_m() / 2.0);
        if share < 0.98 {
            self.doses.push(Dose { u: (left, left + width), v, share });
        }
        // from left to right along the course; the field's u grows to the right of a northward one
        let count = self.failing.len() as f64;
        for (at, _) in self.failing.iter().enumerate().filter(|(_, failing)| **failing > 0.0) {
            let at = at as f64;
            self.doses.push(Dose { u: (left + at * width / count, left + (at + 1.0) * width / count), v, share: 0.0 });
        }
    }
}

/// Runs the planter over the field's passes, the product on in the treated strips; returns its log, and takes what the product missed
/// from the scenario's responses.
pub fn apply(scenario: &mut Scenario, plan: &ApplicationPlan) -> AppliedLog {
    let before = scenario.clone();
    let field = &before.field;
    let mut random = stream(before.seed, &format!("{}/applied", before.name));
    let drift = (Wander::new(1.0, DRIFT_TIME_S, &mut random), Wander::new(1.0, DRIFT_TIME_S, &mut random));
    let mut planter = Planter {
        plan,
        scenario: &before,
        random,
        drift,
        time_s: plan.start_s,
        failing: vec![0.0; plan.sections as usize],
        log: AppliedLog {
            name: "planter".to_owned(),
            rate_unit: ("L/ha".to_owned(), 1.0),
            tested: field.treatments.iter().cloned().zip(plan.rates_l_ha.iter().copied()).skip(1).collect(),
            files: vec!["simulated".to_owned()],
            ..AppliedLog::default()
        },
        sections: Vec::new(),
        doses: Vec::new(),
        settled_m: 0.0,
    };
    let width = planter.width_m();
    let (low, high) = field.strips.first().map_or((width, field.length_m - width), |strip| strip.v);
    let first = field.strips.first().map_or(width, |strip| strip.u.0);
    let begin = first - ((first - width) / width + 1e-6).floor() * width;
    let count = ((field.width_m - width - begin) / width + 1e-6).floor() as usize;
    let mut stops = vec![Vec::new(); count];
    for number in 0..plan.stops + plan.long_stops {
        let pass = planter.random.random_range(0..count);
        let at = planter.random.random_range(low..high);
        let seconds = if number < plan.stops { planter.random.random_range(15.0..90.0) } else { 5400.0 };
        stops[pass].push((at, seconds));
    }
    for (at, stops) in stops.iter().enumerate() {
        let u = begin + (at as f64 + 0.5) * width;
        let treatment =
            field.strips.iter().find(|strip| u > strip.u.0 && u < strip.u.1).map_or(0, |strip| strip.treatment);
        let ends = if at % 2 == 0 { (low, high) } else { (high, low) };
        planter.pass(u, ends, treatment, stops);
    }
    let Planter { mut log, sections, doses, .. } = planter;
    log.sections = Labels::from_texts(&sections);
    scenario.field.doses.extend(doses);
    log
}
