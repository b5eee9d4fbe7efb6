//! From a log's rows to passes, and what each row says: a tested rate, the check, or why it is left out.

use std::f64::consts::PI;

use geo::Coord;

use crate::config::AppliedSettings;
use crate::geometry::Frame;
use crate::points::{AppliedLog, Finding, Header};
use crate::quantity::factor::M2_PER_HA;
use crate::stats::robust;

/// Rows and way on either side that tell the course (ours: single positions of a plain receiver err by some decimetres).
const COURSE_ROWS: usize = 2;
const COURSE_M: f64 = 4.0;
/// Change of the course over these rows that is a turn, and from the direction of the passes that is a pass across them, radians (ours).
const TURN_RAD: f64 = 12.0 * PI / 180.0;
const ACROSS_RAD: f64 = 30.0 * PI / 180.0;
/// A step that is longer parts two passes, m beside three usual steps (ours).
const GAP_M: f64 = 10.0;
/// The planter has stopped where it stood for longer than so many usual intervals, and this long, s (ours).
const STOP_INTERVALS: f64 = 4.0;
const STOP_S: f64 = 5.0;
/// Rows of which the median is a row's rate: a single reading of the flow is no change of the rate (ours).
const RATE_ROWS: usize = 2;

/// What a row says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum State {
    /// The rate of a treatment, by its place among the tested ones.
    Treated(usize),
    /// Run without the product, or with what the check had.
    Check,
    /// Left out.
    LeftOut(Finding),
}

/// A row in the frame along the passes.
#[derive(Debug, Clone)]
pub(super) struct Row {
    /// Its place in the log.
    pub(super) at: usize,
    /// Along and across, m.
    pub(super) place: Coord<f64>,
    /// Unit vector of the course.
    pub(super) course: Coord<f64>,
    /// What was put down: per hectare.
    pub(super) rate: f64,
    pub(super) state: State,
    /// Whether the planter had stopped before it.
    pub(super) after_stop: bool,
}

/// One continuous run of the planter.
#[derive(Debug, Clone, Default)]
pub(super) struct Pass {
    pub(super) rows: Vec<Row>,
    /// Whether it runs across the others: a headland.
    pub(super) is_across: bool,
}

/// A log in the frame along its passes.
#[derive(Debug, Clone)]
pub(super) struct Track {
    pub(super) frame: Frame,
    pub(super) passes: Vec<Pass>,
    /// Rows of turns in which the planter was at work, by turn.
    pub(super) turns: Vec<Vec<usize>>,
}

impl Track {
    /// `None` where the planter never moved.
    pub(super) fn of(log: &AppliedLog, settings: &AppliedSettings) -> Option<Self> {
        let rows: Vec<usize> = moving(log);
        let (mut sine, mut cosine) = (0.0, 0.0);
        for pair in rows.windows(2) {
            let (dx, dy) = (log.x_m[pair[1]] - log.x_m[pair[0]], log.y_m[pair[1]] - log.y_m[pair[0]]);
            let (length, angle) = (dx.hypot(dy), dy.atan2(dx));
            // a jump to another part of the field is no direction of travel
            if length < GAP_M {
                sine += length * (2.0 * angle).sin();
                cosine += length * (2.0 * angle).cos();
            }
        }
        let first = *rows.first()?;
        let frame = Frame::new(Coord { x: log.x_m[first], y: log.y_m[first] }, 0.5 * sine.atan2(cosine));
        let mut track = Self { frame, passes: Vec::new(), turns: Vec::new() };
        track.part(log, &rows);
        for pass in &mut track.passes {
            judge(pass, log, settings);
        }
        after_long_stops(&mut track.passes, log, settings);
        Some(track)
    }

    /// Parts the rows into passes and turns.
    fn part(&mut self, log: &AppliedLog, rows: &[usize]) {
        let places: Vec<Coord<f64>> =
            rows.iter().map(|&at| self.frame.to_frame(Coord { x: log.x_m[at], y: log.y_m[at] })).collect();
        let step = |at: usize| (places[at].x - places[at - 1].x).hypot(places[at].y - places[at - 1].y);
        let mut steps: Vec<f64> = (1..rows.len()).map(step).collect();
        let usual = robust::median_in_place(&mut steps).unwrap_or(2.0);
        let (three_steps, reach) = (3.0 * usual, COURSE_ROWS.max((COURSE_M / usual).ceil() as usize));
        let mut intervals: Vec<f64> = rows.windows(2).map(|pair| log.time_s[pair[1]] - log.time_s[pair[0]]).collect();
        let stop_s = STOP_S.max(STOP_INTERVALS * robust::median_in_place(&mut intervals).unwrap_or(1.0));
        let mut start = 0;
        for end in 1..=rows.len() {
            // after a pause the planter goes on where it stood, or it was driven elsewhere
            let paused = |end: usize| log.time_s[rows[end]] - log.time_s[rows[end - 1]] > stop_s;
            let longest = |end: usize| if paused(end) { three_steps } else { GAP_M + three_steps };
            if end < rows.len() && step(end) <= longest(end) {
                continue;
            }
            self.part_run(log, &rows[start..end], &places[start..end], (stop_s, reach));
            start = end;
        }
        // of a turn at an end a row or two may be straight
        self.passes.retain(|pass| pass.rows.len() > 2 * reach);
    }

    fn part_run(&mut self, log: &AppliedLog, rows: &[usize], places: &[Coord<f64>], (stop_s, reach): (f64, usize)) {
        let angle = |at: usize| {
            let (low, high) = (at.saturating_sub(reach), (at + reach).min(rows.len() - 1));
            (places[high].y - places[low].y).atan2(places[high].x - places[low].x)
        };
        let angles: Vec<f64> = (0..rows.len()).map(angle).collect();
        let apart = |a: f64, b: f64| (a - b + PI).rem_euclid(2.0 * PI) - PI;
        let (mut pass, mut turn, mut had_turn) = (Pass::default(), Vec::new(), false);
        for at in 0..rows.len() {
            let (low, high) = (at.saturating_sub(reach), (at + reach).min(rows.len() - 1));
            if apart(angles[high], angles[low]).abs() > TURN_RAD {
                turn.push(rows[at]);
                had_turn = true;
                continue;
            }
            let axial = (angles[at] + PI / 2.0).rem_euclid(PI) - PI / 2.0;
            let is_across = axial.abs() > ACROSS_RAD;
            if had_turn || is_across != pass.is_across {
                self.passes.extend((!pass.rows.is_empty()).then(|| std::mem::take(&mut pass)));
                self.turns.extend((!turn.is_empty()).then(|| std::mem::take(&mut turn)));
                had_turn = false;
                pass.is_across = is_across;
            }
            pass.rows.push(Row {
                at: rows[at],
                place: places[at],
                course: Coord { x: angles[at].cos(), y: angles[at].sin() },
                rate: f64::NAN,
                state: State::Check,
                after_stop: log.idle_s[rows[at]] > stop_s,
            });
        }
        self.passes.extend((!pass.rows.is_empty()).then_some(pass));
        self.turns.extend((!turn.is_empty()).then_some(turn));
    }

    /// Usual working width, m.
    pub(super) fn width_m(&self, log: &AppliedLog) -> f64 {
        let rows = self.passes.iter().filter(|pass| !pass.is_across).flat_map(|pass| &pass.rows);
        let mut widths: Vec<f64> = rows.map(|row| log.width_m[row.at]).filter(|width| *width > 0.0).collect();
        robust::median_in_place(&mut widths).unwrap_or(f64::NAN)
    }
}

/// Rows at which the planter moved on, in the ground as far as that was recorded.
fn moving(log: &AppliedLog) -> Vec<usize> {
    let mut rows: Vec<usize> = Vec::new();
    for at in 0..log.len() {
        let is_placed = log.x_m[at].is_finite() && log.y_m[at].is_finite() && log.width_m[at] > 0.0;
        let has_moved =
            rows.last().is_none_or(|&last| (log.x_m[at] - log.x_m[last]).hypot(log.y_m[at] - log.y_m[last]) > 0.5);
        if is_placed && has_moved && log.state[at] != Header::Up {
            rows.push(at);
        }
    }
    rows
}

/// Judges the rows of a pass by their rates and sections.
fn judge(pass: &mut Pass, log: &AppliedLog, settings: &AppliedSettings) {
    let tolerance = settings.tolerance_pct / 100.0;
    let is_near = |rate: f64, wanted: f64| (rate - wanted).abs() <= tolerance * wanted;
    let least = log.tested.iter().map(|one| one.1).fold(f64::INFINITY, f64::min);
    let rates: Vec<f64> = pass.rows.iter().map(|row| put_down(log, row.at)).collect();
    for (at, row) in pass.rows.iter_mut().enumerate() {
        let near = at.saturating_sub(RATE_ROWS)..(at + RATE_ROWS + 1).min(rates.len());
        let mut near: Vec<f64> = rates[near].iter().copied().filter(|rate| rate.is_finite()).collect();
        row.rate = if rates[at].is_nan() { f64::NAN } else { robust::median_in_place(&mut near).unwrap_or(f64::NAN) };
        let fits = log.tested.iter().enumerate().filter(|(_, one)| is_near(row.rate, one.1));
        let apart = |one: &(usize, &(String, f64))| (row.rate / one.1.1 - 1.0).abs();
        let nearest = fits.min_by(|a, b| apart(a).total_cmp(&apart(b))).map(|(tested, _)| tested);
        let is_check =
            if log.check_per_ha > 0.0 { is_near(row.rate, log.check_per_ha) } else { row.rate <= tolerance * least };
        row.state = match nearest {
            _ if row.rate.is_nan() => State::LeftOut(Finding::RateMissing),
            None if is_check => State::Check,
            _ if log.share_on.get(row.at).is_some_and(|share| *share < 1.0 - 1e-9) => {
                State::LeftOut(Finding::SectionOff)
            }
            Some(tested) => State::Treated(tested),
            None => State::LeftOut(Finding::OffRate),
        };
    }
    tell_ramps(pass);
}

/// What a row put down: nothing where all sections were off.
fn put_down(log: &AppliedLog, at: usize) -> f64 {
    let all_off = log.sections.get(at).is_some_and(|digits| !digits.contains('1'));
    let none_on = log.share_on.get(at).is_some_and(|share| *share <= 0.0);
    if all_off || none_on { 0.0 } else { log.rate_per_ha[at] }
}

/// Rows off the rate beside a start, a stop or a change of the rate are a ramp.
fn tell_ramps(pass: &mut Pass) {
    let rows = &mut pass.rows;
    let is_off = |row: &Row| row.state == State::LeftOut(Finding::OffRate);
    let mut start = 0;
    while start < rows.len() {
        if !is_off(&rows[start]) {
            start += 1;
            continue;
        }
        let end = (start..rows.len()).find(|&at| !is_off(&rows[at])).unwrap_or(rows.len());
        let (before, after) = (start.checked_sub(1).map(|at| rows[at].state), rows.get(end).map(|row| row.state));
        let stopped = (start..(end + 1).min(rows.len())).any(|at| rows[at].after_stop);
        if before.is_none() || after.is_none() || before != after || stopped {
            rows[start..end].iter_mut().for_each(|row| row.state = State::LeftOut(Finding::Ramp));
        }
        start = end;
    }
}

/// Ground that the planter covers until what stood in the lines is out, m: volume by rate by width.
pub(super) fn flush_m(settings: &AppliedSettings, rate_per_ha: f64, width_m: f64) -> f64 {
    settings.line_volume_l.map_or(settings.flush_length_m, |litres| litres / rate_per_ha * M2_PER_HA / width_m)
}

/// Leaves out what was put down first after each long stop.
fn after_long_stops(passes: &mut [Pass], log: &AppliedLog, settings: &AppliedSettings) {
    let mut order: Vec<(usize, usize)> =
        passes.iter().enumerate().flat_map(|(number, pass)| (0..pass.rows.len()).map(move |at| (number, at))).collect();
    order.sort_by_key(|&(pass, at)| passes[pass].rows[at].at);
    let mut stood = vec![false; log.len()];
    log.idle_s.iter().zip(&mut stood).for_each(|(idle, stood)| *stood = *idle >= settings.long_stop_s);
    let (mut seen, mut left_m, mut is_fresh) = (0, 0.0, false);
    for (number, at) in order {
        let row = &passes[number].rows[at];
        if stood[seen..=row.at].contains(&true) {
            is_fresh = true;
        }
        seen = row.at + 1;
        let product = if log.check_per_ha > 0.0 { row.rate > 0.0 } else { row.state != State::Check && row.rate > 0.0 };
        if !product {
            continue;
        }
        if is_fresh {
            let nearest = |one: &&(String, f64)| (row.rate / one.1).ln().abs();
            let rate = log.tested.iter().min_by(|a, b| nearest(a).total_cmp(&nearest(b))).map_or(row.rate, |one| one.1);
            (left_m, is_fresh) = (flush_m(settings, rate, log.width_m[row.at]), false);
        }
        if left_m <= 0.0 {
            continue;
        }
        let rows = &mut passes[number].rows;
        left_m -= if at > 0 {
            (rows[at].place.x - rows[at - 1].place.x).hypot(rows[at].place.y - rows[at - 1].place.y)
        } else {
            0.0
        };
        rows[at].state = State::LeftOut(Finding::AfterLongStop);
    }
}
