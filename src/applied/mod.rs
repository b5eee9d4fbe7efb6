//! Applied: [`Ingested`] with the logs of what was put down → its strips.
//!
//! A row of a log is at a tested rate, without the product (check), or left out: ramps, other rates, the first stretch after a long stop,
//! turns, rows without a rate. Rows of one rate are strips where passes lie side by side, as wide as the sections that were on; a later
//! log is laid over them. Where strips are drawn as well, both are reported, and what disagrees.
//!
//! What this cannot see: a log tells what the controller believed it put down. Blocked rows and a wrong calibration stand in no log.

mod compare;
mod error;
mod offset;
mod ribbons;
mod strips;
#[cfg(test)]
mod tests;
mod track;

pub use error::AppliedError;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use geo::{Area, BooleanOps, Centroid, Coord, LineString, MapCoords, MultiPolygon, Polygon, Simplify};

use self::compare::{Disagreement, Drawn};
use self::ribbons::Piece;
use self::strips::Leg;
use self::track::{State, Track};
use crate::config::{AppliedSettings, ArchiveSettings, FieldSettings, Trust};
use crate::geometry::Frame;
use crate::points::{
    Applied, AppliedLog, Caution, Cautions, Finding, Ingested, PutDown, Records, Stretch, StripGround,
};
use crate::stats::robust;

/// Version of this stage's results: part of the fingerprint of a site-year that has logs.
pub const VERSION: u32 = 1;

/// Two passes may lie over each other by this much, m: a row that was left between them (ours).
const OVERLAP_PLAY_M: f64 = 0.6;
/// An offset that is no more than the error of receivers is not moved, m; from the second on a reader must know of it (ours).
const LEAST_OFFSET_M: f64 = 0.1;
const TOLD_OFFSET_M: f64 = 0.3;
/// How far a border may be straightened, m: less than the error of the receivers (ours).
const SIMPLE_M: f64 = 0.05;
/// Share of the ground at work that may be left out before a reader must know (ours).
const LEFT_OUT_SHARE: f64 = 0.1;

/// Makes the strips of a site-year that has logs; others are left as they are.
///
/// # Errors
/// [`AppliedError`] when a log tells no strips, or contradicts itself or the drawn strips.
pub fn run(ingested: &mut Ingested, field: &FieldSettings, archive: &ArchiveSettings) -> Result<(), AppliedError> {
    if ingested.logs.is_empty() {
        return Ok(());
    }
    let least_m = 2.0 * archive.model.edge_along_m + archive.model.segment_length_m;
    let mut cautions = Cautions::default();
    let mut laid = Vec::new();
    for (log, settings) in ingested.logs.iter().zip(&field.applied) {
        laid.push(Laid::of(log, settings, &ingested.records, least_m, &mut cautions)?);
    }
    let check = archive.check().map(|check| check.key.clone()).unwrap_or_default();
    let mut applied = Applied {
        rate_units: ingested
            .logs
            .iter()
            .map(|log| (log.name.clone(), log.rate_unit.0.clone(), log.rate_unit.1))
            .collect(),
        ..Applied::default()
    };
    let trust = field.applied.iter().find_map(|settings| settings.trust);
    let (strips, disagree) = match laid.as_slice() {
        [only] => only.strips(&ingested.strips, &check, least_m),
        [first, later @ ..] => {
            let made = overlaid(first, later, archive, &check, &mut applied.stretches);
            let disagree = first.disagreements(&made, &ingested.strips, &check, least_m);
            (made, disagree)
        }
        [] => return Ok(()),
    };
    note_disagreements(&disagree, trust, &mut applied, &mut cautions)?;
    let drawn_are_true = trust == Some(Trust::Strips) && !ingested.strips.is_empty();
    applied.used = if drawn_are_true { PutDown::Strips } else { PutDown::Log };
    if !drawn_are_true {
        ingested.strips = strips;
    }
    if ingested.strips.is_empty() {
        return Err(AppliedError::NoStrips { log: laid[0].log.name.clone(), least_m: least_m as i64 });
    }
    for one in &mut laid {
        applied.stretches.append(&mut one.stretches);
    }
    applied.stretches.splice(0..0, ingested.strips.iter().map(|strip| strip_stretch(strip, &laid[0], &check)));
    ingested.applied = Some(applied);
    ingested.cautions.extend(&cautions);
    Ok(())
}

/// A log on the ground.
struct Laid<'l> {
    log: &'l AppliedLog,
    track: Track,
    pieces: Vec<Piece>,
    legs: Vec<Leg>,
    width_m: f64,
    /// Ground that is left out, in the frame.
    left_out: MultiPolygon<f64>,
    stretches: Vec<Stretch>,
}

impl<'l> Laid<'l> {
    fn of(
        log: &'l AppliedLog,
        settings: &AppliedSettings,
        records: &Records,
        least_m: f64,
        cautions: &mut Cautions,
    ) -> Result<Self, AppliedError> {
        let at_rest = || AppliedError::NoStrips { log: log.name.clone(), least_m: least_m as i64 };
        let mut track = Track::of(log, settings).ok_or_else(at_rest)?;
        let moved = move_log(&mut track, log, settings, records, cautions);
        let pieces: Vec<Piece> =
            track.passes.iter().enumerate().flat_map(|(number, pass)| ribbons::pieces(number, pass, log)).collect();
        let (legs, short) = strips::legs(&track, log, least_m);
        if !legs.iter().any(|leg| matches!(leg.state, State::Treated(_))) {
            return Err(no_rate(&track, log).unwrap_or_else(at_rest));
        }
        let width_m = track.width_m(log);
        if let Some(spacing) =
            strips::spacing_by_width(&legs).filter(|by| (0.5..0.9).contains(by) || (1.1..1.5).contains(by))
        {
            let first = legs.first().map_or(0, |leg| track.passes[leg.pass].rows[0].at);
            let (width_m, spacing_m) = (width_m, spacing * width_m);
            return Err(AppliedError::Width { file: file(log, first), row: log.row[first], width_m, spacing_m });
        }
        let mut laid =
            Self { log, track, pieces, legs, width_m, left_out: MultiPolygon::new(Vec::new()), stretches: Vec::new() };
        laid.leave_out(&short, moved, cautions);
        Ok(laid)
    }

    /// What is left out: its ground and its list.
    fn leave_out(&mut self, short: &[Leg], moved: [f64; 2], cautions: &mut Cautions) {
        let mut stretches = Vec::new();
        let mut grounds: Vec<MultiPolygon<f64>> = Vec::new();
        let mut worked_m2 = 0.0;
        for piece in &self.pieces {
            worked_m2 += piece.ground.unsigned_area() + piece.skipped.unsigned_area();
            if let State::LeftOut(finding) = piece.state {
                stretches.push(self.stretch(finding, piece.pass, piece.rows, &piece.ground));
                grounds.push(piece.ground.clone());
            }
            if !piece.skipped.0.is_empty() {
                stretches.push(self.stretch(Finding::SectionOff, piece.pass, piece.rows, &piece.skipped));
                grounds.push(piece.skipped.clone());
            }
        }
        for leg in short {
            let ground = strips::ground(std::iter::once(leg), &self.pieces, 0.0);
            let mut stretch = self.stretch(Finding::Short, leg.pass, leg.rows, &ground);
            stretch.treatment = self.treatment(leg.state);
            stretches.push(stretch);
            grounds.push(ground);
        }
        for (one, other, ground) in ribbons::overlaps(&self.pieces, OVERLAP_PLAY_M) {
            let rows = |pass: usize| {
                let rows = &self.track.passes[pass].rows;
                format!("rows {} to {}", self.log.row[rows[0].at], self.log.row[rows[rows.len() - 1].at])
            };
            let note = format!("the passes of {} and of {}", rows(one), rows(other));
            stretches.push(Stretch { note, ..self.on_ground(Finding::Overlap, &ground) });
            grounds.push(ground);
        }
        for turn in &self.track.turns {
            let rows = turn.iter().filter(|&&at| self.log.rate_per_ha[at] > 0.0).copied().collect::<Vec<_>>();
            if let (Some(&first), Some(&last)) = (rows.first(), rows.last()) {
                let (x, y) = (self.log.x_m[rows[rows.len() / 2]], self.log.y_m[rows[rows.len() / 2]]);
                let nowhere = self.on_ground(Finding::Turn, &MultiPolygon::new(Vec::new()));
                stretches.push(Stretch { middle_m: (x, y), ..self.between(nowhere, first, last, &rows) });
            }
        }
        self.left_out = ribbons::joined(grounds.iter(), 0.0);
        let left_m2: f64 = stretches.iter().filter(|one| one.finding != Finding::Turn).map(|one| one.area_m2).sum();
        if left_m2 > LEFT_OUT_SHARE * worked_m2 {
            let detail =
                format!("{}: {:.0} % of the ground that the log covers", self.log.name, 100.0 * left_m2 / worked_m2);
            cautions.add(Caution::GroundLeftOut, detail);
        }
        stretches.sort_by(|a, b| {
            let time = |one: &Stretch| one.time_s.map_or(f64::INFINITY, |time| time.0);
            a.finding.cmp(&b.finding).then(time(a).total_cmp(&time(b)))
        });
        if moved.iter().any(|m| m.abs() > 0.0) {
            let note = format!("{:+.2} m across the passes one way, {:+.2} m the other way", moved[0], moved[1]);
            let all = self.pieces.iter().map(|piece| &piece.ground);
            let middle = ribbons::joined(all, 0.0);
            stretches.push(Stretch { note, area_m2: 0.0, ..self.on_ground(Finding::LogMoved, &middle) });
        }
        self.stretches = stretches;
    }

    fn on_ground(&self, finding: Finding, ground: &MultiPolygon<f64>) -> Stretch {
        let middle =
            ground.centroid().map_or(Coord { x: f64::NAN, y: f64::NAN }, |at| self.track.frame.from_frame(at.into()));
        Stretch {
            log: self.log.name.clone(),
            finding,
            treatment: None,
            strip: None,
            time_s: None,
            middle_m: (middle.x, middle.y),
            length_m: None,
            area_m2: ground.unsigned_area(),
            rate_per_ha: None,
            target_per_ha: None,
            rows: None,
            note: String::new(),
        }
    }

    /// The same with the moments, rates and rows from one row of the log to another.
    fn between(&self, stretch: Stretch, first: usize, last: usize, rows: &[usize]) -> Stretch {
        let log = self.log;
        let mean = |values: &[f64]| {
            let known: Vec<f64> =
                rows.iter().filter_map(|&at| values.get(at).copied()).filter(|value| value.is_finite()).collect();
            (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
        };
        Stretch {
            time_s: Some((log.time_s[first], log.time_s[last])),
            rate_per_ha: mean(&log.rate_per_ha),
            target_per_ha: mean(&log.target_per_ha),
            rows: Some((file(log, first), log.row[first], log.row[last])),
            ..stretch
        }
    }

    fn stretch(
        &self,
        finding: Finding,
        pass: usize,
        (start, end): (usize, usize),
        ground: &MultiPolygon<f64>,
    ) -> Stretch {
        let rows = &self.track.passes[pass].rows[start..end];
        let at: Vec<usize> = rows.iter().map(|row| row.at).collect();
        let stretch = self.between(self.on_ground(finding, ground), at[0], at[at.len() - 1], &at);
        Stretch { length_m: Some(ground.unsigned_area() / self.log.width_m[at[0]].max(0.1)), ..stretch }
    }

    fn treatment(&self, state: State) -> Option<String> {
        match state {
            State::Treated(tested) => Some(self.log.tested[tested].0.clone()),
            State::Check | State::LeftOut(_) => None,
        }
    }

    /// A ground of the frame, UTM metres, without what is left out.
    fn on_earth(&self, ground: &MultiPolygon<f64>) -> MultiPolygon<f64> {
        earth(&self.track.frame, &ground.difference(&self.left_out))
    }

    /// The strips of a log alone, and where it disagrees with the drawn ones.
    fn strips(
        &self,
        drawn: &[StripGround],
        check: &str,
        least_m: f64,
    ) -> (Vec<StripGround>, Vec<(Disagreement, Stretch)>) {
        let key = |state: State| self.treatment(state).unwrap_or_else(|| check.to_owned());
        if drawn.is_empty() {
            let (states, mut grounds): (Vec<State>, Vec<_>) =
                strips::by_log(&self.legs, &self.pieces).into_iter().unzip();
            ribbons::part(&mut grounds, |a, b| states[a] == states[b]);
            let strips = states.iter().zip(&grounds).enumerate().map(|(at, (state, ground))| StripGround {
                ground: self.on_earth(ground),
                treatment: key(*state),
                block: None,
                name: Some(format!("strip {:02}", at + 1)),
            });
            return (strips.filter(|strip| !strip.ground.0.is_empty()).collect(), Vec::new());
        }
        let states: BTreeSet<usize> = self
            .legs
            .iter()
            .filter_map(|leg| if let State::Treated(at) = leg.state { Some(at) } else { None })
            .collect();
        let of_state = |state: State| {
            let ground = strips::ground(self.legs.iter().filter(|leg| leg.state == state), &self.pieces, 0.0);
            (key(state), ground)
        };
        let classes: Vec<(String, MultiPolygon<f64>)> =
            std::iter::once(State::Check).chain(states.into_iter().map(State::Treated)).map(of_state).collect();
        let meant = self.drawn(drawn);
        let (told, found) = compare::compare(&meant, &classes, check, (self.width_m, least_m));
        let outlines: Vec<MultiPolygon<f64>> = meant.iter().map(|one| one.ground.clone()).collect();
        let laid = strips::by_drawn(&self.legs, &self.pieces, &outlines, &told, key);
        let (places, mut grounds): (Vec<usize>, Vec<_>) = laid.into_iter().unzip();
        ribbons::part(&mut grounds, |a, b| told[places[a]] == told[places[b]]);
        let strips = places.iter().zip(&grounds).map(|(&at, ground)| StripGround {
            ground: self.on_earth(ground),
            treatment: told[at].clone().unwrap_or_default(),
            block: drawn[at].block.clone(),
            name: Some(meant[at].name.clone()),
        });
        let strips = strips.filter(|strip| !strip.ground.0.is_empty()).collect();
        (strips, self.told(&meant, found))
    }

    /// The drawn strips in the frame of the log.
    fn drawn(&self, drawn: &[StripGround]) -> Vec<Drawn> {
        let strips = drawn.iter().enumerate().map(|(at, strip)| Drawn {
            name: strip.name.clone().unwrap_or_else(|| format!("strip {:02}", at + 1)),
            block: strip.block.clone(),
            ground: strip.ground.map_coords(|at| self.track.frame.to_frame(at)),
            meant: strip.treatment.clone(),
        });
        strips.collect()
    }

    /// What disagrees, for the list.
    fn told(&self, drawn: &[Drawn], found: Vec<Disagreement>) -> Vec<(Disagreement, Stretch)> {
        let told = found.into_iter().map(|one| {
            let strip = &drawn[one.strip];
            let put_down = one.told.as_deref().unwrap_or("nothing");
            let mut note = format!("drawn as {}, put down {put_down}", strip.meant);
            if let Some(with) = one.with {
                let _ = write!(note, "; strip {} the other way round", drawn[with].name);
            }
            let stretch = Stretch {
                strip: Some(strip.name.clone()),
                treatment: one.told.clone(),
                area_m2: one.area_m2,
                note,
                ..self.on_ground(one.finding, &strip.ground)
            };
            (one, stretch)
        });
        told.collect()
    }

    /// Where the strips that several logs make disagree with the drawn ones.
    fn disagreements(
        &self,
        made: &[StripGround],
        drawn: &[StripGround],
        check: &str,
        least_m: f64,
    ) -> Vec<(Disagreement, Stretch)> {
        if drawn.is_empty() {
            return Vec::new();
        }
        let mut classes: BTreeMap<String, Vec<MultiPolygon<f64>>> = BTreeMap::new();
        for strip in made {
            let ground = strip.ground.map_coords(|at| self.track.frame.to_frame(at));
            classes.entry(strip.treatment.clone()).or_default().push(ground);
        }
        let classes: Vec<(String, MultiPolygon<f64>)> =
            classes.into_iter().map(|(key, grounds)| (key, ribbons::joined(grounds.iter(), 0.0))).collect();
        let meant = self.drawn(drawn);
        let (_, found) = compare::compare(&meant, &classes, check, (self.width_m, least_m));
        self.told(&meant, found)
    }
}

fn file(log: &AppliedLog, at: usize) -> String {
    log.files[log.file[at] as usize].clone()
}

/// A ground of the frame, UTM metres, without the corners that single rows make.
fn earth(frame: &Frame, ground: &MultiPolygon<f64>) -> MultiPolygon<f64> {
    // rings begin at a corner, which is kept
    let from_corner = |ring: &LineString<f64>| {
        let mut open: Vec<Coord<f64>> = ring.0.iter().skip(1).copied().collect();
        let corner = (0..open.len()).min_by(|&a, &b| (open[a].x + open[a].y).total_cmp(&(open[b].x + open[b].y)));
        open.rotate_left(corner.unwrap_or(0));
        let mut ring = LineString::new(open);
        ring.close();
        ring
    };
    let polygons = ground
        .0
        .iter()
        .map(|one| Polygon::new(from_corner(one.exterior()), one.interiors().iter().map(from_corner).collect()));
    polygons.collect::<MultiPolygon<f64>>().simplify(SIMPLE_M).map_coords(|at| frame.from_frame(at))
}

/// Moves the log by its offset from the combine's; returns by how much, m to the left of the axis, for passes along it and against it.
fn move_log(
    track: &mut Track,
    log: &AppliedLog,
    settings: &AppliedSettings,
    records: &Records,
    cautions: &mut Cautions,
) -> [f64; 2] {
    let moved = match settings.offset_m {
        // to the left of the track is to the left of the axis one way, and to its right the other way
        Some(to_left_m) => [-to_left_m, to_left_m],
        None => {
            let told = offset::between(track, log, records);
            if told.iter().all(Option::is_none) {
                cautions.add(Caution::LogOffsetUnknown, log.name.clone());
            }
            told.map(|m| m.filter(|m| m.abs() >= LEAST_OFFSET_M).unwrap_or(0.0))
        }
    };
    offset::move_rows(track, moved);
    let most = moved.iter().fold(0.0_f64, |most, m| most.max(m.abs()));
    if settings.offset_m.is_none() && most >= TOLD_OFFSET_M {
        cautions.add(Caution::LogMoved, format!("{}: {:+.2} and {:+.2} m", log.name, moved[0], moved[1]));
    }
    moved
}

/// Why a log has no stretch at a tested rate: its rates are far from them.
fn no_rate(track: &Track, log: &AppliedLog) -> Option<AppliedError> {
    let rows = track.passes.iter().flat_map(|pass| &pass.rows).filter(|row| row.rate > 0.0);
    let mut rates: Vec<(usize, f64)> = rows.map(|row| (row.at, row.rate)).collect();
    rates.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (at, rate) = *rates.get(rates.len() / 2)?;
    let (unit, of_one) = &log.rate_unit;
    let tested: Vec<String> = log.tested.iter().map(|one| format!("{} {unit}", round(one.1 / of_one))).collect();
    Some(AppliedError::Rate {
        file: file(log, at),
        row: log.row[at],
        found: format!("{} {unit}", round(rate / of_one)),
        tested: tested.join(", "),
    })
}

/// Four digits of a rate.
fn round(rate: f64) -> f64 {
    let step = 10_f64.powf((rate.abs().max(1e-12)).log10().floor() - 3.0);
    (rate / step).round() * step
}

/// Puts disagreements on the list; two swapped strips are an error until it is said which is true.
fn note_disagreements(
    found: &[(Disagreement, Stretch)],
    trust: Option<Trust>,
    applied: &mut Applied,
    cautions: &mut Cautions,
) -> Result<(), AppliedError> {
    let swapped: Vec<&Stretch> =
        found.iter().filter(|(one, _)| one.finding == Finding::Swapped).map(|(_, stretch)| stretch).collect();
    if !swapped.is_empty() && trust.is_none() {
        let strips: Vec<String> =
            swapped.iter().map(|one| format!("{} ({})", one.strip.as_deref().unwrap_or(""), one.note)).collect();
        return Err(AppliedError::Swapped { log: swapped[0].log.clone(), strips: strips.join("; ") });
    }
    if !found.is_empty() {
        let told: Vec<String> = found
            .iter()
            .map(|(one, stretch)| format!("{} {}", stretch.strip.as_deref().unwrap_or(""), one.finding.code()))
            .collect();
        let used = if trust == Some(Trust::Strips) { "the drawn strips" } else { "the log" };
        cautions.add(
            Caution::StripsDisagree,
            format!("{}; {used} were used", told.join(", ")).replace("the log were", "the log was"),
        );
    }
    applied.stretches.extend(found.iter().map(|(_, stretch)| stretch.clone()));
    Ok(())
}

/// The strips of a first log with later ones laid over them.
fn overlaid(
    first: &Laid<'_>,
    later: &[Laid<'_>],
    archive: &ArchiveSettings,
    check: &str,
    stretches: &mut Vec<Stretch>,
) -> Vec<StripGround> {
    /// A ground with the treatments that lie on it.
    struct Layered {
        name: String,
        treatments: BTreeSet<String>,
        ground: MultiPolygon<f64>,
    }
    let (alone, _) = first.strips(&[], check, 0.0);
    let own = |strip: &StripGround| (strip.treatment != check).then(|| strip.treatment.clone()).into_iter().collect();
    let mut strips: Vec<Layered> = alone
        .iter()
        .map(|strip| Layered {
            name: strip.name.clone().unwrap_or_default(),
            treatments: own(strip),
            ground: strip.ground.clone(),
        })
        .collect();
    for log in later {
        let mut classes: BTreeMap<usize, Vec<&Leg>> = BTreeMap::new();
        for leg in &log.legs {
            if let State::Treated(tested) = leg.state {
                classes.entry(tested).or_default().push(leg);
            }
        }
        let of_class = |legs: Vec<&Leg>| earth(&log.track.frame, &strips::ground(legs.into_iter(), &log.pieces, 0.0));
        let classes: Vec<(usize, MultiPolygon<f64>)> =
            classes.into_iter().map(|(tested, legs)| (tested, of_class(legs))).collect();
        let left_out = earth(&log.track.frame, &log.left_out);
        strips = strips
            .into_iter()
            .flat_map(|strip| {
                let clean = strip.ground.difference(&left_out);
                // ground that a later log does not reach was not gone over
                let mut without = clean.clone();
                let mut parts = Vec::new();
                for (tested, ground) in &classes {
                    let treatment = &log.log.tested[*tested].0;
                    without = without.difference(ground);
                    let treatments = strip.treatments.iter().chain([treatment]).cloned().collect();
                    let name = format!("{} with {treatment}", strip.name);
                    parts.push(Layered { name, treatments, ground: clean.intersection(ground) });
                }
                let name = format!("{} without {}", strip.name, log.log.name);
                parts.push(Layered { name, treatments: strip.treatments.clone(), ground: without });
                parts
            })
            .filter(|part| part.ground.unsigned_area() > 1.0)
            .collect();
    }
    let mut told = Vec::new();
    for strip in strips {
        match combined(&strip.treatments, archive, check) {
            Some(treatment) => {
                told.push(StripGround { ground: strip.ground, treatment, block: None, name: Some(strip.name) });
            }
            None => {
                let list: Vec<&str> = strip.treatments.iter().map(String::as_str).collect();
                let in_frame = strip.ground.map_coords(|at| first.track.frame.to_frame(at));
                stretches.push(Stretch {
                    strip: Some(strip.name),
                    note: format!("{}; name it under [treatments] with `of`", list.join(" and ")),
                    ..first.on_ground(Finding::Combination, &in_frame)
                });
            }
        }
    }
    told
}

/// The treatment that some others make together.
fn combined(treatments: &BTreeSet<String>, archive: &ArchiveSettings, check: &str) -> Option<String> {
    match treatments.len() {
        0 => Some(check.to_owned()),
        1 => treatments.first().cloned(),
        _ => {
            let is_it = |of: &[String]| of.iter().collect::<BTreeSet<_>>() == treatments.iter().collect();
            archive.treatments.iter().find(|one| is_it(&one.of)).map(|one| one.key.clone())
        }
    }
}

/// A strip in the list, with the mean rate of the rows on it.
fn strip_stretch(strip: &StripGround, first: &Laid<'_>, check: &str) -> Stretch {
    let log = first.log;
    let in_frame = strip.ground.map_coords(|at| first.track.frame.to_frame(at));
    let index = crate::geometry::PolygonIndex::new(vec![in_frame.clone()]);
    let rows: Vec<usize> = first
        .track
        .passes
        .iter()
        .filter(|pass| !pass.is_across)
        .flat_map(|pass| &pass.rows)
        .filter(|row| !matches!(row.state, State::LeftOut(_)) && index.locate(row.place.x, row.place.y).is_some())
        .map(|row| row.at)
        .collect();
    let (first_row, last_row) = (rows.iter().min().copied(), rows.iter().max().copied());
    let mut stretch = first.on_ground(Finding::Strip, &in_frame);
    if let (Some(from), Some(to)) = (first_row, last_row) {
        stretch = Stretch { rows: None, ..first.between(stretch, from, to, &rows) };
    }
    let mut widths: Vec<f64> = rows.iter().map(|&at| log.width_m[at]).collect();
    let _ = robust::median_in_place(&mut widths);
    let note = if strip.treatment == check { "check".to_owned() } else { String::new() };
    Stretch { treatment: Some(strip.treatment.clone()), strip: strip.name.clone(), note, ..stretch }
}
