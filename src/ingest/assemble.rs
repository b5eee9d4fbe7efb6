//! Joins the channels of all files to the records of the site-year: projects, fills gaps, sorts.

use geo::{Coord, Rect};

use super::channels::{FileChannels, GrainValues};
use super::readers::TextColumn;
use super::{IngestError, clocks, spacing};
use crate::config::{ArchiveSettings, CropSettings, HarvestSettings};
use crate::geometry::{Crs, Projector, looks_swapped, utm_epsg_of};
use crate::points::{Caution, Cautions, Channels, Header, Labels, LabelsBuilder, Records};
use crate::quantity::dry_factor;
use crate::stats::robust;

/// One file's channels with what they need to be placed on Earth.
pub(super) struct Part<'s> {
    pub(super) file: String,
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
        let place = |reason: String| IngestError::Place { file: part.file.clone(), reason };
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
    utm_epsg_of(&longitudes, &latitudes).ok_or_else(|| IngestError::Place {
        file: parts.first().map(|part| part.file.clone()).unwrap_or_default(),
        reason: "the positions lie outside the UTM zones (80° S to 84° N)".to_owned(),
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
    parts: Vec<Part<'_>>,
    epsg: u32,
    crop: &CropSettings,
    archive: &ArchiveSettings,
    cautions: &mut Cautions,
) -> Result<Records, IngestError> {
    let utm = Crs::from_epsg(epsg)
        .map_err(|error| IngestError::Contradiction(format!("the UTM zone of the field: {error}")))?;
    let total: usize = parts.iter().map(|part| part.channels.rows).sum();
    let mut raw = Raw::with_capacity(total);
    let mut channels = Channels {
        time: true,
        flow: true,
        moisture: true,
        speed: true,
        distance: true,
        swath: true,
        header: true,
        elevation: true,
    };
    let mut files = Vec::new();
    for (number, part) in parts.into_iter().enumerate() {
        files.push(part.file.clone());
        raw.append(number as u32, part, &utm, crop, &mut channels, cautions)?;
    }
    let mut records = raw.finish(&files, epsg, crop, channels, cautions);
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
                "{}: combine {name} has no swath, and the spacing of its passes does not tell one; give `swath = \"30 ft\"` in field.toml or a swath column",
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
        IngestError::Cell { file, row, column: column.to_owned(), found: labels.names[code].clone(), expected }
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
    /// Flow (kg/s), mass (kg) or wet yield (kg/ha), told by `kind`.
    grain: Vec<f64>,
    kind: Vec<GrainKind>,
    interval_s: Vec<f64>,
    distance_m: Vec<f64>,
    speed_m_s: Vec<f64>,
    swath_m: Vec<f64>,
    moisture_pct: Vec<f64>,
    elevation_m: Vec<f64>,
    header: Vec<Header>,
    machine: LabelsBuilder,
    load: LabelsBuilder,
    pass: LabelsBuilder,
    treatment: LabelsBuilder,
    block: LabelsBuilder,
    strip: LabelsBuilder,
    drainage_class: LabelsBuilder,
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
            interval_s: numbers(),
            distance_m: numbers(),
            speed_m_s: numbers(),
            swath_m: numbers(),
            moisture_pct: numbers(),
            elevation_m: numbers(),
            header: Vec::with_capacity(rows),
            machine: LabelsBuilder::default(),
            load: LabelsBuilder::default(),
            pass: LabelsBuilder::default(),
            treatment: LabelsBuilder::default(),
            block: LabelsBuilder::default(),
            strip: LabelsBuilder::default(),
            drainage_class: LabelsBuilder::default(),
        }
    }

    fn append(
        &mut self,
        number: u32,
        part: Part<'_>,
        utm: &Crs,
        crop: &CropSettings,
        known: &mut Channels,
        cautions: &mut Cautions,
    ) -> Result<(), IngestError> {
        let Part { file, crs, harvest, channels } = part;
        let rows = channels.rows;
        let crs_fault =
            |error: crate::geometry::CrsError| IngestError::Crs { file: file.clone(), reason: error.to_string() };
        let (mut x, mut y) = (channels.x, channels.y);
        blank_null_island(&mut x, &mut y);
        Projector::new(&crs, utm).map_err(crs_fault)?.convert(&mut x, &mut y).map_err(crs_fault)?;
        known.time &= channels.time_s.is_some();
        let by_row = || (0..rows).map(|row| row as f64 * harvest.interval_s.unwrap_or(1.0)).collect();
        let recorded = channels.time_s.is_some();
        let mut time_s: Vec<f64> = channels.time_s.unwrap_or_else(by_row);
        if recorded {
            let name = |row: usize| channels.machine.as_ref().and_then(|names| names.get(row));
            let times = clocks::move_on(&mut time_s, &x, &y, name);
            if times > 0 {
                cautions.add(Caution::ClockSetBack, format!("{file}: {times}"));
            }
        }
        self.file.extend(std::iter::repeat_n(number, rows));
        self.row.extend(1..=rows as u32);
        self.x_m.extend(x);
        self.y_m.extend(y);
        self.time_s.extend(time_s);

        known.moisture &= channels.moisture_pct.is_some();
        let moisture = channels.moisture_pct.unwrap_or_else(|| vec![crop.market_moisture_pct; rows]);
        let (kind, grain) = match channels.grain {
            GrainValues::FlowKgS(values) => (GrainKind::Flow, values),
            GrainValues::MassKg(values) => (GrainKind::Mass, values),
            GrainValues::WetYieldKgHa(values) => (GrainKind::WetYield, values),
            GrainValues::DryYieldKgHa(values) => {
                let wet = values
                    .iter()
                    .zip(&moisture)
                    .map(|(dry, &moisture)| dry / dry_factor(moisture, crop.market_moisture_pct))
                    .collect();
                (GrainKind::WetYield, wet)
            }
        };
        known.flow &= kind != GrainKind::WetYield;
        self.kind.extend(std::iter::repeat_n(kind, rows));
        self.grain.extend(grain);
        self.moisture_pct.extend(moisture);

        let missing = || vec![f64::NAN; rows];
        known.speed &= channels.speed_m_s.is_some();
        self.speed_m_s.extend(channels.speed_m_s.unwrap_or_else(missing));
        known.distance &= channels.distance_m.is_some();
        self.distance_m.extend(channels.distance_m.unwrap_or_else(missing));
        known.swath &= channels.swath_m.is_some();
        let mut swath = channels.swath_m.unwrap_or_else(missing);
        if let Some(configured) = harvest.swath_m {
            swath.iter_mut().filter(|swath| swath.is_nan()).for_each(|swath| *swath = configured);
        }
        self.swath_m.extend(swath);
        let mut interval = channels.interval_s.unwrap_or_else(missing);
        if let Some(configured) = harvest.interval_s {
            interval.iter_mut().filter(|interval| interval.is_nan()).for_each(|interval| *interval = configured);
        }
        self.interval_s.extend(interval);
        known.elevation &= channels.elevation_m.is_some();
        self.elevation_m.extend(channels.elevation_m.unwrap_or_else(missing));
        known.header &= channels.header.is_some();
        self.header.extend(channels.header.unwrap_or_else(|| vec![Header::Unknown; rows]));

        let fill = |labels: &mut LabelsBuilder, column: Option<TextColumn>, default: Option<&str>| match column {
            Some(column) => column.iter().for_each(|text| labels.push(text.or(default))),
            None => labels.push_repeated(default, rows),
        };
        fill(&mut self.machine, channels.machine, Some(harvest.machine.as_deref().unwrap_or("combine")));
        fill(&mut self.load, channels.load, None);
        fill(&mut self.pass, channels.pass, None);
        fill(&mut self.treatment, channels.treatment, None);
        fill(&mut self.block, channels.block, None);
        fill(&mut self.strip, channels.strip, None);
        fill(&mut self.drainage_class, channels.drainage_class, None);
        Ok(())
    }

    fn finish(
        mut self,
        files: &[String],
        epsg: u32,
        crop: &CropSettings,
        channels: Channels,
        cautions: &mut Cautions,
    ) -> Records {
        let rows = self.row.len();
        let machine = self.machine.finish();
        // The order of the files is that of their names, whatever the order of the entries.
        let mut rank: Vec<u32> = (0..files.len() as u32).collect();
        rank.sort_by_key(|&file| &files[file as usize]);
        let mut place = vec![0_u32; files.len()];
        for (at, &file) in rank.iter().enumerate() {
            place[file as usize] = at as u32;
        }
        let mut order: Vec<u32> = (0..rows as u32).collect();
        let bits = |value: f64| value.to_bits();
        order.sort_by(|&one, &other| {
            let (a, b) = (one as usize, other as usize);
            let by_row =
                || (place[self.file[a] as usize], self.row[a]).cmp(&(place[self.file[b] as usize], self.row[b]));
            let by_machine = machine.codes[a].cmp(&machine.codes[b]);
            if !channels.time {
                return by_machine.then_with(by_row);
            }
            by_machine
                .then_with(|| self.time_s[a].total_cmp(&self.time_s[b]))
                .then_with(|| bits(self.x_m[a]).cmp(&bits(self.x_m[b])))
                .then_with(|| bits(self.y_m[a]).cmp(&bits(self.y_m[b])))
                .then_with(|| bits(self.grain[a]).cmp(&bits(self.grain[b])))
                .then_with(|| bits(self.moisture_pct[a]).cmp(&bits(self.moisture_pct[b])))
                .then_with(by_row)
        });
        if channels.time {
            clocks::spread(&mut order, &mut self.time_s, &self.x_m, &self.y_m, &machine.codes);
        }
        let pick = |values: &[f64]| order.iter().map(|&at| values[at as usize]).collect::<Vec<f64>>();
        let mut records = Records {
            epsg,
            file: order.iter().map(|&at| place[self.file[at as usize] as usize]).collect(),
            row: order.iter().map(|&at| self.row[at as usize]).collect(),
            files: rank.iter().map(|&file| files[file as usize].clone()).collect(),
            time_s: pick(&self.time_s),
            x_m: pick(&self.x_m),
            y_m: pick(&self.y_m),
            mass_kg: Vec::new(),
            interval_s: pick(&self.interval_s),
            distance_m: pick(&self.distance_m),
            speed_m_s: pick(&self.speed_m_s),
            swath_m: pick(&self.swath_m),
            moisture_pct: pick(&self.moisture_pct),
            elevation_m: if channels.elevation { pick(&self.elevation_m) } else { Vec::new() },
            header: order.iter().map(|&at| self.header[at as usize]).collect(),
            machine: machine.reordered(&order),
            load: self.load.finish().reordered(&order),
            pass: self.pass.finish().reordered(&order),
            treatment: self.treatment.finish().reordered(&order),
            block: self.block.finish().reordered(&order),
            strip: self.strip.finish().reordered(&order),
            drainage_class: self.drainage_class.finish().reordered(&order),
            channels,
        };
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

/// Fills the interval (median time step of the machine), speed and distance where they were not recorded.
fn fill_gaps(records: &mut Records) {
    let rows = records.len();
    let mut start = 0;
    while start < rows {
        let machine = records.machine.codes[start];
        let end = (start..rows).find(|&at| records.machine.codes[at] != machine).unwrap_or(rows);
        let mut steps: Vec<f64> =
            records.time_s[start..end].windows(2).map(|pair| pair[1] - pair[0]).filter(|&step| step > 0.0).collect();
        let step = robust::median_in_place(&mut steps).unwrap_or(1.0);
        for at in start..end {
            if !(records.interval_s[at].is_finite() && records.interval_s[at] > 0.0) {
                records.interval_s[at] = step;
            }
        }
        for at in start..end {
            let walked = walked(records, at, start, end);
            let interval = records.interval_s[at];
            if records.distance_m[at].is_nan() {
                let speed = records.speed_m_s[at];
                records.distance_m[at] = if speed.is_nan() { walked * interval } else { speed * interval };
            }
            if records.speed_m_s[at].is_nan() {
                records.speed_m_s[at] = records.distance_m[at] / interval;
            }
        }
        start = end;
    }
}

/// Ground speed from the positions about a record, m/s; NaN where they do not tell.
fn walked(records: &Records, at: usize, start: usize, end: usize) -> f64 {
    let metres =
        |from: usize, to: usize| (records.x_m[to] - records.x_m[from]).hypot(records.y_m[to] - records.y_m[from]);
    if !records.channels.time {
        // Rows of one pass follow each other at even steps; the step to another pass is a long one.
        let before = if at > start { metres(at - 1, at) } else { f64::INFINITY };
        let after = if at + 1 < end { metres(at, at + 1) } else { f64::INFINITY };
        let step = before.min(after);
        return if step.is_finite() { step / records.interval_s[at] } else { f64::NAN };
    }
    const REACH: usize = 2;
    let (from, to) = (at.saturating_sub(REACH).max(start), (at + REACH).min(end - 1));
    let seconds = records.time_s[to] - records.time_s[from];
    let near = seconds > 0.0 && seconds <= 10.0 * REACH as f64 * records.interval_s[at];
    if near { metres(from, to) / seconds } else { f64::NAN }
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
