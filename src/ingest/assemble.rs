//! Joins the channels of all files to the records of the site-year: projects, fills gaps, sorts.

use std::collections::hash_map::Entry;
use std::hash::Hasher as _;
use std::ops::Range;

use geo::{Coord, Rect};
use rustc_hash::{FxHashMap, FxHasher};

use super::channels::{FileChannels, GrainValues};
use super::{IngestError, clocks, spacing};
use crate::config::{ArchiveSettings, CropSettings, HarvestSettings};
use crate::geometry::{Crs, Projector, looks_swapped, utm_epsg_of};
use crate::points::{Caution, Cautions, Channels, Copied, Header, Labelled, Labels, LabelsBuilder, Readings, Records};
use crate::quantity::dry_factor;
use crate::stats::robust;

/// One file's channels with what they need to be placed on Earth.
pub(super) struct Part<'s> {
    pub(super) file: String,
    /// Place of its entry among `[[harvest]]`.
    pub(super) entry: usize,
    pub(super) crs: Crs,
    pub(super) harvest: &'s HarvestSettings,
    pub(super) channels: FileChannels,
}

/// An extent in degrees: west, south, east, north.
pub(super) type Extent = [f64; 4];

/// The EPSG code of the UTM zone that holds most of the records.
///
/// # Errors
/// When no position is usable, or longitude and latitude were mistaken for each other.
pub(super) fn utm_zone(parts: &[Part<'_>], layers: Option<Extent>) -> Result<u32, IngestError> {
    let (mut longitudes, mut latitudes) = (Vec::new(), Vec::new());
    for part in parts {
        let place = |reason: String| IngestError::misplaced(&part.file, reason);
        let crs_fault = |error: crate::geometry::CrsError| place(error.to_string());
        let (mut x, mut y) = (part.channels.x.clone(), part.channels.y.clone());
        if part.crs.is_geographic() && looks_swapped(&x, &y, layers) {
            return Err(place(
                "longitude and latitude are swapped: the positions fall where the field's other layers are not, and fall there when exchanged"
                    .to_owned(),
            ));
        }
        blank_null_island(&mut x, &mut y);
        Projector::new(&part.crs, &Crs::wgs84()).map_err(crs_fault)?.convert(&mut x, &mut y).map_err(crs_fault)?;
        if part.channels.rows > 0 && x.iter().all(|x| x.is_nan()) {
            return Err(place(format!(
                "no position is possible in {}; is `crs` that of the numbers in the file?",
                part.crs.name()
            )));
        }
        longitudes.extend(x);
        latitudes.extend(y);
    }
    utm_epsg_of(&longitudes, &latitudes).ok_or_else(|| {
        IngestError::misplaced(
            &parts.first().map(|part| part.file.clone()).unwrap_or_default(),
            "the positions lie outside the UTM zones (80° S to 84° N)",
        )
    })
}

/// A receiver without a fix writes 0, 0.
fn blank_null_island(x: &mut [f64], y: &mut [f64]) {
    for (x, y) in x.iter_mut().zip(y) {
        if x.abs() < 1e-9 && y.abs() < 1e-9 {
            (*x, *y) = (f64::NAN, f64::NAN);
        }
    }
}

/// Joins the parts.
pub(super) fn records(
    mut parts: Vec<Part<'_>>,
    epsg: u32,
    crop: &CropSettings,
    archive: &ArchiveSettings,
    cautions: &mut Cautions,
) -> Result<Records, IngestError> {
    let utm = Crs::from_epsg(epsg)
        .map_err(|error| IngestError::Contradiction(format!("the UTM zone of the field: {error}")))?;
    let total: usize = parts.iter().map(|part| part.channels.rows).sum();
    let mut raw = Raw::with_capacity(total);
    // The order of the files is that of their names, whatever the order of the entries.
    parts.sort_by(|one, other| one.file.cmp(&other.file));
    let files: Vec<String> = parts.iter().map(|part| part.file.clone()).collect();
    for (number, part) in parts.into_iter().enumerate() {
        raw.append(number as u32, part, &utm, crop)?;
    }
    let channels = raw.channels();
    if channels.rate && !channels.knows_interval() && !channels.speed {
        return Err(IngestError::Contradiction(format!(
            "{}: a mass flow gives a yield only with speed, time or interval; map `time` or `speed`, or write `interval` beside the path",
            files.first().map_or("", String::as_str)
        )));
    }
    let mut records = raw.finish(files, epsg, crop, channels, cautions);
    refuse_without_swath(&records)?;
    check_labels(&mut records, archive)?;
    Ok(records)
}

/// A combine without any swath cuts no ground.
fn refuse_without_swath(records: &Records) -> Result<(), IngestError> {
    let machines = records.machine.names.iter().enumerate();
    for (code, name) in machines {
        let mut own = (0..records.len()).filter(|&at| records.machine.codes[at] as usize == code).peekable();
        let Some(&first) = own.peek() else { continue };
        if own.all(|at| records.swath_m[at].is_nan()) {
            return Err(IngestError::Contradiction(format!(
                "{}: combine {name} has no swath, and the spacing of its passes does not give one; give `swath = \"30 ft\"` in field.toml or a swath column",
                records.files[records.file[first] as usize]
            )));
        }
    }
    Ok(())
}

/// Checks the labels against the archive's settings and spells soil classes as the settings do.
fn check_labels(records: &mut Records, archive: &ArchiveSettings) -> Result<(), IngestError> {
    let first_row = |labels: &Labels, code: usize| {
        let at = labels.codes.iter().position(|&found| found as usize == code).unwrap_or(0);
        (records.files[records.file[at] as usize].clone(), records.row[at] as usize)
    };
    let cell = |labels: &Labels, code: usize, column: &str, expected: String| {
        let (file, row) = first_row(labels, code);
        IngestError::cell(&file, row, column, labels.names[code].clone(), expected)
    };
    for (code, label) in records.treatment.names.iter().enumerate() {
        if archive.treatment(label).is_none() {
            return Err(cell(&records.treatment, code, "treatment", expected_treatment(archive, label)));
        }
    }
    let mut classes = Vec::new();
    for (code, label) in records.drainage_class.names.iter().enumerate() {
        let class = archive
            .soil
            .class(label)
            .map_err(|reason| cell(&records.drainage_class, code, "drainage_class", reason))?;
        classes.push(class.map(|class| archive.soil.classes[class].as_str()));
    }
    let spelled: Vec<Option<&str>> = records
        .drainage_class
        .codes
        .iter()
        .map(|&code| if code == Labels::NONE { None } else { classes[code as usize] })
        .collect();
    records.drainage_class = Labels::from_texts(&spelled);
    Ok(())
}

/// The columns before they are sorted and completed.
struct Raw {
    file: Vec<u32>,
    row: Vec<u32>,
    time_s: Vec<f64>,
    x_m: Vec<f64>,
    y_m: Vec<f64>,
    /// Flow (kg/s), mass (kg) or wet yield (kg/ha), as `kind` says.
    grain: Vec<f64>,
    kind: Vec<GrainKind>,
    readings: Readings<Vec<f64>>,
    header: Vec<Header>,
    labels: Labelled<LabelsBuilder>,
    /// What all files have: what tells the grain, times and the header's state here, the rest in `has`.
    channels: Channels,
    has: Readings<bool>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum GrainKind {
    Flow,
    Mass,
    WetYield,
}

impl Raw {
    fn with_capacity(rows: usize) -> Self {
        let numbers = || Vec::with_capacity(rows);
        Self {
            file: Vec::with_capacity(rows),
            row: Vec::with_capacity(rows),
            time_s: numbers(),
            x_m: numbers(),
            y_m: numbers(),
            grain: numbers(),
            kind: Vec::with_capacity(rows),
            readings: Readings::of(|_| numbers()),
            header: Vec::with_capacity(rows),
            labels: Labelled::default(),
            channels: Channels { time: true, flow: true, rate: true, header: true, ..Channels::default() },
            has: Readings::of(|_| true),
        }
    }

    /// Which channels were recorded.
    fn channels(&self) -> Channels {
        let Readings { moisture_pct: moisture, speed_m_s: speed, swath_m: swath, .. } = self.has;
        let Readings { interval_s: interval, distance_m: distance, .. } = self.has;
        Channels { moisture, speed, distance, swath, interval, ..self.channels }
    }

    fn append(&mut self, number: u32, part: Part<'_>, utm: &Crs, crop: &CropSettings) -> Result<(), IngestError> {
        let Part { file, crs, harvest, channels, .. } = part;
        let rows = channels.rows;
        let crs_fault = |error: crate::geometry::CrsError| IngestError::crs(&file, error);
        let (mut x, mut y) = (channels.x, channels.y);
        blank_null_island(&mut x, &mut y);
        Projector::new(&crs, utm).map_err(crs_fault)?.convert(&mut x, &mut y).map_err(crs_fault)?;
        self.channels.time &= channels.time_s.is_some();
        let by_row = || (0..rows).map(|row| row as f64 * harvest.interval_s.unwrap_or(1.0)).collect();
        let time_s: Vec<f64> = channels.time_s.unwrap_or_else(by_row);
        self.file.extend(std::iter::repeat_n(number, rows));
        self.row.extend(channels.row);
        self.x_m.extend(x);
        self.y_m.extend(y);
        self.time_s.extend(time_s);

        let mut has = channels.readings.as_each(Option::is_some);
        has.interval_s |= harvest.interval_s.is_some();
        self.has.all_mut().zip(has.all()).for_each(|(all, has)| *all &= has);
        // a column that is missing, and empty cells of one that is there
        let missing = Readings { moisture_pct: crop.market_moisture_pct, ..Readings::of(|_| f64::NAN) };
        let configured = Readings { swath_m: harvest.swath_m, interval_s: harvest.interval_s, ..Readings::default() };
        let columns = channels.readings.into_all().zip(missing.into_all()).zip(configured.into_all());
        for (values, ((column, missing), configured)) in self.readings.all_mut().zip(columns) {
            let filled = |value: f64| if value.is_nan() { configured.unwrap_or(value) } else { value };
            values.extend(column.unwrap_or_else(|| vec![missing; rows]).into_iter().map(filled));
        }
        let moisture = &self.readings.moisture_pct[self.readings.moisture_pct.len() - rows..];
        let (kind, grain) = match channels.grain {
            GrainValues::FlowKgS(values) => (GrainKind::Flow, values),
            GrainValues::MassKg(values) => (GrainKind::Mass, values),
            GrainValues::WetYieldKgHa(values) => (GrainKind::WetYield, values),
            GrainValues::DryYieldKgHa(values) => {
                let wet = values
                    .iter()
                    .zip(moisture)
                    .map(|(dry, &moisture)| dry / dry_factor(moisture, crop.market_moisture_pct))
                    .collect();
                (GrainKind::WetYield, wet)
            }
        };
        self.channels.flow &= kind != GrainKind::WetYield;
        self.channels.rate &= kind == GrainKind::Flow;
        self.kind.extend(std::iter::repeat_n(kind, rows));
        self.grain.extend(grain);
        self.channels.header &= channels.header.is_some();
        self.header.extend(channels.header.unwrap_or_else(|| vec![Header::Unknown; rows]));
        let unnamed =
            Labelled { machine: Some(harvest.machine.as_deref().unwrap_or("combine")), ..Labelled::default() };
        for (labels, (column, unnamed)) in self.labels.all_mut().zip(channels.labels.into_all().zip(unnamed.into_all()))
        {
            match column {
                Some(column) => column.iter().for_each(|text| labels.push(text.or(unnamed))),
                None => labels.push_repeated(unnamed, rows),
            }
        }
        Ok(())
    }

    /// Rows that repeat an earlier one in everything that was recorded, with the row that each repeats.
    fn copies(&self, machine: &Labels, channels: Channels) -> Vec<(u32, u32)> {
        let filled = Readings::channels().zip(self.readings.all()).filter(|(channel, _)| channel.is_filled);
        let columns: Vec<&Vec<f64>> =
            [&self.x_m, &self.y_m, &self.grain].into_iter().chain(filled.map(|(_, values)| values)).collect();
        let cells = |at: usize| {
            // without times the time of a row is its number
            let time = if channels.time { self.time_s[at].to_bits() } else { 0 };
            columns.iter().map(move |column| column[at].to_bits()).chain([time, u64::from(machine.codes[at])])
        };
        let mut seen: FxHashMap<u64, u32> = FxHashMap::default();
        let mut copies = Vec::new();
        for at in 0..self.row.len() {
            let mut hasher = FxHasher::default();
            cells(at).for_each(|cell| hasher.write_u64(cell));
            match seen.entry(hasher.finish()) {
                Entry::Vacant(entry) => {
                    entry.insert(at as u32);
                }
                Entry::Occupied(entry) => {
                    let first = *entry.get();
                    if self.header[at] == self.header[first as usize] && cells(at).eq(cells(first as usize)) {
                        copies.push((at as u32, first));
                    }
                }
            }
        }
        copies
    }

    /// Moves times on after clocks that were set back; `order` lists the records that are no copies, and is left by machine and time.
    fn set_clocks(
        &mut self,
        files: &[String],
        rows_of_files: &[Range<usize>],
        order: &mut [u32],
        machine: &Labels,
        cautions: &mut Cautions,
    ) {
        for (name, rows) in files.iter().zip(rows_of_files) {
            let from = order.partition_point(|&at| (at as usize) < rows.start);
            let to = order.partition_point(|&at| (at as usize) < rows.end);
            let own: Vec<usize> = order[from..to].iter().map(|&at| at as usize).collect();
            let times = clocks::move_on(&own, &mut self.time_s, &self.x_m, &self.y_m, &machine.codes);
            if times > 0 {
                cautions.add(Caution::ClockSetBack, format!("{name}: {times}"));
            }
        }
        order.sort_by(|&one, &other| {
            let (a, b) = (one as usize, other as usize);
            machine.codes[a].cmp(&machine.codes[b]).then_with(|| self.time_s[a].total_cmp(&self.time_s[b]))
        });
        for code in clocks::untangle(order, &mut self.time_s, &self.x_m, &self.y_m, &machine.codes) {
            let name = machine.name(code);
            cautions.add(Caution::ClockSetBack, format!("{name}: in two places at one time"));
        }
    }

    fn finish(
        mut self,
        files: Vec<String>,
        epsg: u32,
        crop: &CropSettings,
        channels: Channels,
        cautions: &mut Cautions,
    ) -> Records {
        let machine = std::mem::take(&mut self.labels.machine).finish();
        let copies = self.copies(&machine, channels);
        let mut is_copy = vec![false; self.row.len()];
        for &(copy, _) in &copies {
            is_copy[copy as usize] = true;
        }
        let rows_of_files: Vec<Range<usize>> = (0..files.len() as u32)
            .map(|file| self.file.partition_point(|&of| of < file)..self.file.partition_point(|&of| of <= file))
            .collect();
        let mut order: Vec<u32> = (0..self.row.len() as u32).filter(|&at| !is_copy[at as usize]).collect();
        if channels.time {
            self.set_clocks(&files, &rows_of_files, &mut order, &machine, cautions);
        }
        let bits = |value: f64| value.to_bits();
        order.sort_by(|&one, &other| {
            let (a, b) = (one as usize, other as usize);
            let by_machine = machine.codes[a].cmp(&machine.codes[b]);
            if !channels.time {
                return by_machine.then(one.cmp(&other));
            }
            by_machine
                .then_with(|| self.time_s[a].total_cmp(&self.time_s[b]))
                .then_with(|| bits(self.x_m[a]).cmp(&bits(self.x_m[b])))
                .then_with(|| bits(self.y_m[a]).cmp(&bits(self.y_m[b])))
                .then_with(|| bits(self.grain[a]).cmp(&bits(self.grain[b])))
                .then_with(|| bits(self.readings.moisture_pct[a]).cmp(&bits(self.readings.moisture_pct[b])))
                .then(one.cmp(&other))
        });
        if channels.time {
            clocks::part(
                &mut order,
                &mut self.time_s,
                (&self.x_m, &self.y_m),
                &self.readings.interval_s,
                &machine.codes,
            );
        }
        let rows = order.len();
        let pick = |values: &[f64]| order.iter().map(|&at| values[at as usize]).collect::<Vec<f64>>();
        let mut records = Records {
            epsg,
            file: order.iter().map(|&at| self.file[at as usize]).collect(),
            row: order.iter().map(|&at| self.row[at as usize]).collect(),
            files,
            time_s: pick(&self.time_s),
            x_m: pick(&self.x_m),
            y_m: pick(&self.y_m),
            header: order.iter().map(|&at| self.header[at as usize]).collect(),
            channels,
            ..Records::default()
        };
        let mut columns = Readings::channels().zip(self.has.all());
        let readings = self.readings.as_each(|values| {
            let is_used = columns.next().is_none_or(|(channel, has)| channel.is_filled || *has);
            if is_used { pick(values) } else { Vec::new() }
        });
        let mut labels = Labelled::default();
        for (labels, builder) in labels.all_mut().zip(self.labels.into_all()) {
            *labels = builder.finish().reordered(&order);
        }
        labels.machine = machine.reordered(&order);
        records = records.with(readings, labels);
        let mut place = vec![0_u32; self.row.len()];
        for (at, &row) in order.iter().enumerate() {
            place[row as usize] = at as u32;
        }
        let copied = |&(copy, of): &(u32, u32)| Copied {
            file: self.file[copy as usize],
            row: self.row[copy as usize],
            of: place[of as usize],
        };
        records.copies = copies.iter().map(copied).collect();
        if !channels.time {
            // Rows of several files follow each other.
            for (at, time) in records.time_s.iter_mut().enumerate() {
                *time = at as f64 * records.interval_s.get(at).copied().filter(|s| s.is_finite()).unwrap_or(1.0);
            }
        }
        fill_gaps(&mut records);
        // from a flow, a guessed width would make a guessed yield
        if !channels.flow {
            for (machine, spacing_m) in spacing::fill(&mut records) {
                cautions.add(Caution::SwathDerived, format!("combine {machine}: {spacing_m:.2} m"));
            }
        }
        let grain = pick(&self.grain);
        records.mass_kg = (0..rows)
            .map(|at| match self.kind[order[at] as usize] {
                GrainKind::Flow => grain[at] * records.interval_s[at],
                GrainKind::Mass => grain[at],
                GrainKind::WetYield => {
                    grain[at] * records.distance_m[at] * records.swath_m[at] / crate::quantity::factor::M2_PER_HA
                }
            })
            .collect();
        if !channels.moisture {
            records.moisture_pct = vec![crop.market_moisture_pct; rows];
        }
        records
    }
}

/// What a treatment label may be.
pub(super) fn expected_treatment(archive: &ArchiveSettings, found: &str) -> String {
    let keys: Vec<&str> = archive.treatments.iter().map(|treatment| treatment.key.as_str()).collect();
    let hint = crate::quantity::nearest(found, keys.iter().copied())
        .map_or_else(String::new, |word| format!(" (did you mean `{word}`?)"));
    format!("a treatment of archive.toml: {}{hint}", keys.join(", "))
}

/// Records on either side that tell the speed by their positions, and seconds on either side that at least count.
const SPEED_RECORDS: usize = 2;
const SPEED_REACH_S: f64 = 4.0;

/// Fills the interval (the time since the record before), speed and distance where they were not recorded.
fn fill_gaps(records: &mut Records) {
    let rows = records.len();
    let mut start = 0;
    while start < rows {
        let machine = records.machine.codes[start];
        let end = (start..rows).find(|&at| records.machine.codes[at] != machine).unwrap_or(rows);
        fill_intervals(records, start..end);
        let by_positions = records.speed_m_s[start..end]
            .iter()
            .zip(&records.distance_m[start..end])
            .any(|(speed, distance)| speed.is_nan() && distance.is_nan());
        let walked = if by_positions { walked(records, start..end) } else { vec![f64::NAN; end - start] };
        for at in start..end {
            let interval = records.interval_s[at];
            if records.distance_m[at].is_nan() {
                let speed = records.speed_m_s[at];
                records.distance_m[at] = if speed.is_nan() { walked[at - start] } else { speed } * interval;
            }
            if records.speed_m_s[at].is_nan() {
                records.speed_m_s[at] = records.distance_m[at] / interval;
            }
        }
        start = end;
    }
}

/// A record stands for the time since the one before it, in the same pass where the file names passes; after a gap, and where
/// no time was recorded, for the usual step.
fn fill_intervals(records: &mut Records, rows: Range<usize>) {
    let step = |at: usize| records.time_s[at] - records.time_s[at - 1];
    let mut steps: Vec<f64> = (rows.start + 1..rows.end).map(step).filter(|&step| step > 0.0).collect();
    let usual = robust::median_in_place(&mut steps).unwrap_or(1.0);
    for at in rows.clone() {
        if records.interval_s[at].is_finite() && records.interval_s[at] > 0.0 {
            continue;
        }
        let same_pass = at > rows.start && records.pass.get(at) == records.pass.get(at - 1);
        let since = if same_pass { records.time_s[at] - records.time_s[at - 1] } else { f64::NAN };
        let follows = records.channels.time && since > 0.0 && since <= clocks::LONGEST_STEP_S.max(1.5 * usual);
        records.interval_s[at] = if follows { since } else { usual };
    }
}

/// Ground speed from the positions about each record, m/s; NaN where they do not tell.
///
/// With times, the slope of a straight line through the positions within some seconds: the error of a position, and of a time
/// that was rounded to whole seconds, would else pass for a change of speed. A running median takes out fixes off the track.
fn walked(records: &Records, rows: Range<usize>) -> Vec<f64> {
    let metres =
        |from: usize, to: usize| (records.x_m[to] - records.x_m[from]).hypot(records.y_m[to] - records.y_m[from]);
    if !records.channels.time {
        // Rows of one pass follow each other at even steps; the step to another pass is a long one.
        return rows
            .clone()
            .map(|at| {
                let before = if at > rows.start { metres(at - 1, at) } else { f64::INFINITY };
                let after = if at + 1 < rows.end { metres(at, at + 1) } else { f64::INFINITY };
                let step = before.min(after);
                if step.is_finite() { step / records.interval_s[at] } else { f64::NAN }
            })
            .collect();
    }
    let placed: Vec<usize> = rows.clone().filter(|&at| records.has_position(at)).collect();
    let time: Vec<f64> = placed.iter().map(|&at| records.time_s[at]).collect();
    let gap = |at: usize| !(time[at] - time[at - 1] <= clocks::LONGEST_STEP_S);
    let mut run_start = 0;
    let mut speed = vec![f64::NAN; rows.len()];
    for run_end in 1..=placed.len() {
        if run_end < placed.len() && !gap(run_end) {
            continue;
        }
        let run = run_start..run_end;
        let still = |values: &[f64]| -> Vec<f64> {
            run.clone()
                .map(|at| {
                    let near = at.saturating_sub(SPEED_RECORDS).max(run.start)..(at + SPEED_RECORDS + 1).min(run.end);
                    // at an end the window would lag behind
                    if near.len() < 2 * SPEED_RECORDS + 1 {
                        return values[placed[at]];
                    }
                    let mut near: Vec<f64> = near.map(|at| values[placed[at]]).collect();
                    robust::median_in_place(&mut near).unwrap_or(f64::NAN)
                })
                .collect()
        };
        let (x, y) = (still(&records.x_m), still(&records.y_m));
        let time = &time[run.clone()];
        let (mut from, mut to) = (0, 0);
        for at in 0..time.len() {
            while time[at] - time[from] > SPEED_REACH_S {
                from += 1;
            }
            while to < time.len() && time[to] - time[at] <= SPEED_REACH_S {
                to += 1;
            }
            let from = from.min(at.saturating_sub(SPEED_RECORDS));
            let to = to.max((at + SPEED_RECORDS + 1).min(time.len()));
            let count = (to - from) as f64;
            let middle = time[from..to].iter().sum::<f64>() / count;
            let (mut tt, mut tx, mut ty) = (0.0, 0.0, 0.0);
            for near in from..to {
                let off = time[near] - middle;
                (tt, tx, ty) = (tt + off * off, tx + off * x[near], ty + off * y[near]);
            }
            if tt > 0.0 {
                speed[placed[run.start + at] - rows.start] = tx.hypot(ty) / tt;
            }
        }
        run_start = run_end;
    }
    speed
}

/// The extent of points, `[west, south, east, north]`; what is NaN does not count.
pub(super) fn extent_of_points(x: &[f64], y: &[f64]) -> Extent {
    let least = |values: &[f64]| values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    [least(x), least(y), most(x), most(y)]
}

/// The extent of polygons in their own coordinates, `[west, south, east, north]`.
pub(super) fn extent(rects: impl IntoIterator<Item = Rect<f64>>) -> Option<Extent> {
    rects.into_iter().fold(None, |known: Option<Extent>, rect| {
        let (Coord { x: west, y: south }, Coord { x: east, y: north }) = (rect.min(), rect.max());
        Some(
            known.map_or([west, south, east, north], |[w, s, e, n]| {
                [w.min(west), s.min(south), e.max(east), n.max(north)]
            }),
        )
    })
}
