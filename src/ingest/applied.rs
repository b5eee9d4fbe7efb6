//! `[applied]`: the logs of what was put down, by the readers, filters and clocks of the harvest's logs.

use std::borrow::Cow;

use super::channels::{self, GrainValues};
use super::layers::{InputFile, Layer, reference_system};
use super::readers::{self, Format, Shapes, TextColumn, Wanted};
use super::{IngestError, SiteYearFiles, TIME, filter, refuse_one_time, refuse_other_positions};
use crate::config::{
    AppliedSettings, ArchiveSettings, Column, FieldSettings, GrainChannel, MeasuredColumn, TimeColumn, TimeFormat,
    tested,
};
use crate::geometry::{Crs, Projector};
use crate::points::{AppliedLog, Caution, Cautions, Header, Labels, LabelsBuilder, Records};
use crate::quantity::{RateKind, RateUnit};
use crate::stats::robust;

/// Distance of the points that a line is read as, m: what a planter's log of points usually has (common practice, no source).
const LINE_STEP_M: f64 = 2.0;
/// Days from the application to the end of the harvest: winter crops are sown in the autumn before (common practice, no source).
const LONGEST_SEASON_D: f64 = 400.0;
/// Ground around the harvest's records from which rows of a log still count, m: headlands and the width of a planter.
const MARGIN_M: f64 = 60.0;
/// A step of the positions that is a movement, m.
const MOVED_M: f64 = 0.5;
/// A width that differs from the configured one by more is another one, as a share.
const WIDTH_SHARE: f64 = 0.05;

/// Reads the logs of a site-year, beside its boundary, the field's UTM zone and the records of its harvest.
pub(super) fn logs(
    files: &SiteYearFiles,
    field: &FieldSettings,
    archive: &ArchiveSettings,
    (boundary, utm): (Option<&Layer>, &Crs),
    records: &Records,
    cautions: &mut Cautions,
) -> Result<Vec<AppliedLog>, IngestError> {
    let mut logs = Vec::new();
    for (number, (settings, files)) in field.applied.iter().zip(&files.applied).enumerate() {
        let key = format!("applied[{}]", number + 1);
        let settings = &*resolved(settings, files, &key, archive)?;
        let mut rows = Rows::default();
        for file in files {
            rows.append(file, settings, &key, archive.read.most_unpacked_bytes, (boundary, utm))?;
        }
        let season = season(field, records);
        let mut log = rows.finish(settings, season, records, cautions)?;
        if number > 0 {
            // the check's own rate is that of the first pass; without a later one nothing is put down
            log.check_per_ha = 0.0;
        }
        logs.push(log);
    }
    Ok(logs)
}

/// First and last moment at which something may have been put down for the harvest, s.
fn season(field: &FieldSettings, records: &Records) -> (f64, f64) {
    const DAY_S: f64 = 86_400.0;
    let last = records.time_s.iter().copied().filter(|time| time.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let last = if records.channels.time && last.is_finite() {
        last
    } else {
        let day = chrono::NaiveDate::from_ymd_opt(field.season, 12, 31).unwrap_or_default();
        day.and_time(chrono::NaiveTime::MIN).and_utc().timestamp() as f64 + DAY_S
    };
    (last - LONGEST_SEASON_D * DAY_S, last)
}

/// The settings with the columns that the standard tells, for a log without a map.
fn resolved<'s>(
    settings: &'s AppliedSettings,
    files: &[InputFile],
    key: &str,
    archive: &ArchiveSettings,
) -> Result<Cow<'s, AppliedSettings>, IngestError> {
    if !settings.log.by_standard {
        return Ok(Cow::Borrowed(settings));
    }
    let mut columns: Option<Vec<String>> = None;
    for file in files {
        if !Format::of(&file.path).is_some_and(Format::is_task_data) {
            return Err(IngestError::Contradiction(format!(
                "field.toml: {key}.columns: is missing; {} is not task data (ISO 11783-10), which alone needs none",
                file.name
            )));
        }
        let own = readers::columns_to_map(&file.name, &file.path, archive.read.most_unpacked_bytes)?;
        columns.get_or_insert_default().retain(|name| own.contains(name));
        columns = columns.filter(|columns| !columns.is_empty()).or(Some(own));
    }
    let columns = columns.unwrap_or_default();
    let fault = |reason: String| IngestError::Contradiction(format!("field.toml: {key}: {reason}"));
    const KINDS: [(&str, RateKind, f64); 3] = [
        ("volume_per_area_application_rate_l_ha", RateKind::Volume, 1.0),
        ("mass_per_area_application_rate_kg_ha", RateKind::Mass, 1.0),
        ("count_per_area_application_rate_per_m2", RateKind::Count, crate::quantity::factor::M2_PER_HA),
    ];
    let has = |name: &str| columns.iter().any(|column| column == name);
    let recorded: Vec<_> = KINDS.into_iter().filter(|(name, _, _)| has(&format!("actual_{name}"))).collect();
    let wanted = |kind: RateKind| {
        archive.treatments.iter().any(|one| {
            let is_meant =
                settings.treatments.is_empty() || settings.treatments.iter().any(|own| own.treatment == one.key);
            is_meant && one.rate.is_some_and(|rate| rate.unit.kind == kind)
        })
    };
    // seeds are counted in the same log: what the treatments' rates count is meant
    let [(name, kind, factor)] = *recorded.iter().filter(|(_, kind, _)| wanted(*kind)).copied().collect::<Vec<_>>()
    else {
        return Err(fault(format!(
            "the files give no rate, or several, that treatments of archive.toml have; map one under [applied.columns]: {}",
            columns.join(", ")
        )));
    };
    let rate = |name: String| MeasuredColumn { name, factor, unit: kind.symbol().to_owned() };
    let measured =
        |name: &str| has(name).then(|| MeasuredColumn { name: name.to_owned(), factor: 1.0, unit: "m".to_owned() });
    let label = |name: &str| has(name).then(|| Column { name: name.to_owned() });
    let mut one = settings.clone();
    one.log.grain = GrainChannel::Mass(rate(format!("actual_{name}")));
    one.target = has(&format!("setpoint_{name}")).then(|| rate(format!("setpoint_{name}")));
    one.log.readings.swath_m = measured("actual_working_width_m");
    one.log.header = label("actual_work_state");
    one.log.time =
        Some(TimeColumn { name: TIME.to_owned(), clock: None, format: TimeFormat::EpochSeconds, ahead_s: 0 });
    if one.section_count.is_some() {
        one.sections_on = columns
            .iter()
            .filter(|name| name.starts_with("sections_on_"))
            .map(|name| Column { name: name.clone() })
            .collect();
    }
    if one.log.readings.swath_m.is_none() && one.log.swath_m.is_none() {
        return Err(fault(
            "width: is missing, and the files give no working width; give `width = \"40 ft\"`".to_owned(),
        ));
    }
    let names: Vec<String> = settings.treatments.iter().map(|one| one.treatment.clone()).collect();
    let names = (!names.is_empty()).then_some(names.as_slice());
    (one.treatments, one.check_per_ha) = tested(names, kind, &archive.treatments).map_err(fault)?;
    one.kind = Some(kind);
    let typed = archive.treatments.iter().filter_map(|one| one.rate).find(|rate| rate.unit.kind == kind);
    one.rate_unit = Some(typed.map_or_else(|| RateUnit::of_kind(kind), |rate| rate.unit));
    Ok(Cow::Owned(one))
}

/// The rows of a log before they are sorted.
#[derive(Default)]
struct Rows {
    files: Vec<String>,
    file: Vec<u32>,
    row: Vec<u32>,
    /// Whether the row is a point of a line, all of which have one time.
    is_of_line: Vec<bool>,
    time_s: Vec<f64>,
    x_m: Vec<f64>,
    y_m: Vec<f64>,
    rate: Vec<f64>,
    target: Vec<f64>,
    width_m: Vec<f64>,
    state: Vec<Header>,
    sections: LabelsBuilder,
    share_on: Vec<f64>,
}

/// The columns of a log's file beside those that a harvest has, too.
fn wanted(settings: &AppliedSettings) -> Wanted {
    let mut wanted = Wanted { shapes: Shapes::Tracks, ..channels::wanted(&settings.log) };
    wanted.numbers.extend(settings.target.iter().map(|column| column.name.clone()));
    wanted.numbers.extend(settings.sections_on.iter().map(|column| column.name.clone()));
    wanted.texts.extend(settings.sections.iter().map(|column| column.name.clone()));
    for names in [&mut wanted.numbers, &mut wanted.texts] {
        names.sort();
        names.dedup();
    }
    wanted
}

impl Rows {
    fn append(
        &mut self,
        file: &InputFile,
        settings: &AppliedSettings,
        key: &str,
        most_unpacked_bytes: u64,
        (boundary, utm): (Option<&Layer>, &Crs),
    ) -> Result<(), IngestError> {
        let log = &settings.log;
        let wanted = Wanted { most_unpacked_bytes, ..wanted(settings) };
        let table = readers::read(&file.name, &file.path, &wanted)?;
        if table.rows == 0 {
            return Err(IngestError::Empty { file: file.name.clone(), what: "records" });
        }
        let mut crs = reference_system(&file.name, table.crs.as_ref(), log.crs.as_deref(), "")?;
        let fault =
            |error: crate::geometry::CrsError| IngestError::Crs { file: file.name.clone(), reason: error.to_string() };
        let (table, line_of) = if table.lines.is_empty() {
            (table, None)
        } else {
            if let Some(product) = &log.labels.load {
                return Err(IngestError::Contradiction(format!(
                    "field.toml: {key}.columns.product: {} holds lines, of which column `{}` cannot be summed; expected a file of one product",
                    file.name, product.name
                )));
            }
            let to = Projector::new(&crs, utm).map_err(fault)?;
            let (table, rows) = table.along_lines(&to, LINE_STEP_M).map_err(fault)?;
            crs = utm.clone();
            (table, Some(rows))
        };
        if line_of.is_none() {
            refuse_other_positions(&file.name, key, log, &crs)?;
        }
        let labels = log.filter.as_ref().and_then(|filter| filter.labels.as_ref());
        let labels = labels.and_then(|(column, _)| table.texts.get(&column.name)).cloned();
        let target = settings
            .target
            .as_ref()
            .map(|column| table.numbers[&column.name].iter().map(|value| value * column.factor).collect::<Vec<f64>>());
        let sections =
            settings.sections.as_ref().map(|column| (column.name.clone(), table.texts[&column.name].clone()));
        let on: Vec<Vec<f64>> = settings.sections_on.iter().map(|column| table.numbers[&column.name].clone()).collect();
        let rows = table.rows;
        // what a bushel weighs means nothing here
        let mut channels = channels::channels(&file.name, table, log, crate::quantity::BushelWeight { kg: 1.0 })?;
        filter::apply(&file.name, log, labels.as_ref(), &crs, boundary, &mut channels)?;
        // the points of a line have one time, and so may all lines of a day: their order is that of the file
        if line_of.is_none() {
            refuse_one_time(&file.name, log, &channels)?;
        }
        if let Some((column, texts)) = &sections {
            check_sections(&file.name, column, texts)?;
        }
        refuse_other_width(&file.name, settings, &channels)?;
        let GrainValues::MassKg(mut rate) = channels.grain else { return Ok(()) };
        if let Some(product) = &channels.labels.load {
            let is_other =
                |text: Option<&str>| text.is_some_and(|text| settings.product.iter().all(|own| own.trim() != text));
            rate.iter_mut().zip(product.iter()).filter(|(_, text)| is_other(*text)).for_each(|(rate, _)| *rate = 0.0);
        }
        Projector::new(&crs, utm).and_then(|to| to.convert(&mut channels.x, &mut channels.y)).map_err(fault)?;
        let count = channels.rows;
        let kept = |row: &u32| *row as usize - 1;
        self.file.extend(std::iter::repeat_n(self.files.len() as u32, count));
        self.files.push(file.name.clone());
        let missing = || vec![f64::NAN; rows];
        let (target, on_of) =
            (target.unwrap_or_else(missing), |row: usize| on.iter().map(|column| column[row]).sum::<f64>());
        self.target.extend(channels.row.iter().map(|row| target[kept(row)]));
        if let Some(of) = settings.section_count.filter(|_| !on.is_empty()) {
            self.share_on.extend(channels.row.iter().map(|row| (on_of(kept(row)) / f64::from(of)).min(1.0)));
        }
        for row in &channels.row {
            self.sections.push(sections.as_ref().and_then(|(_, texts)| texts.get(kept(row))));
        }
        self.is_of_line.extend(std::iter::repeat_n(line_of.is_some(), count));
        match &line_of {
            None => self.row.extend(&channels.row),
            Some(line) => self.row.extend(channels.row.iter().map(|row| line[kept(row)] + 1)),
        }
        self.time_s.extend(channels.time_s.unwrap_or_else(missing));
        self.x_m.extend(channels.x);
        self.y_m.extend(channels.y);
        self.rate.extend(rate);
        let width = channels.readings.swath_m.unwrap_or_else(|| vec![f64::NAN; count]);
        self.width_m
            .extend(width.into_iter().map(|width| if width > 0.0 { width } else { log.swath_m.unwrap_or(f64::NAN) }));
        self.state.extend(channels.header.unwrap_or_else(|| vec![Header::Unknown; count]));
        Ok(())
    }

    /// For each row at which the planter has moved: how long it had not, s; the rows in order of time.
    fn idle_s(&self, order: &[usize]) -> Vec<f64> {
        let mut idle = vec![0.0; self.row.len()];
        let mut last: Option<usize> = None;
        for &at in order.iter().filter(|&&at| self.x_m[at].is_finite() && self.y_m[at].is_finite()) {
            let moved = |from: usize| (self.x_m[at] - self.x_m[from]).hypot(self.y_m[at] - self.y_m[from]) > MOVED_M;
            if last.is_none_or(moved) {
                // a line tells one time: how long it took is no stop
                let is_told = |from: usize| !self.is_of_line[at] && !self.is_of_line[from];
                idle[at] = last.filter(|&from| is_told(from)).map_or(0.0, |from| self.time_s[at] - self.time_s[from]);
                last = Some(at);
            }
        }
        idle
    }

    /// The log: rows of the season and the place, sorted by time, those of one moment joined.
    fn finish(
        self,
        settings: &AppliedSettings,
        (from_s, to_s): (f64, f64),
        records: &Records,
        cautions: &mut Cautions,
    ) -> Result<AppliedLog, IngestError> {
        let first = self.files.first().cloned().unwrap_or_default();
        let name = settings.log.time.as_ref().map(|time| time.name.clone()).unwrap_or_default();
        let is_timed = |at: &usize| self.time_s[*at].is_finite();
        let in_season = |at: &usize| (from_s..=to_s).contains(&self.time_s[*at]);
        let timed: Vec<usize> = (0..self.row.len()).filter(is_timed).collect();
        let mut order: Vec<usize> = timed.iter().copied().filter(in_season).collect();
        let stamp = |time: f64| {
            chrono::DateTime::from_timestamp(time as i64, 0)
                .map_or_else(String::new, |time| time.format("%Y-%m-%d").to_string())
        };
        if order.len() < timed.len() || timed.is_empty() {
            let outside = timed.iter().copied().find(|at| !in_season(at)).unwrap_or(0);
            if order.is_empty() {
                return Err(IngestError::cell(
                    &self.file.get(outside).map_or(first, |&file| self.files[file as usize].clone()),
                    self.row.get(outside).map_or(1, |&row| row as usize),
                    &name,
                    self.time_s.get(outside).map_or_else(String::new, |&time| stamp(time)),
                    format_args!(
                        "a time of the season, from {} to {}; no row of the log has one",
                        stamp(from_s),
                        stamp(to_s)
                    ),
                ));
            }
            let left = timed.len() - order.len();
            let detail =
                format!("{first}: {left} of {} rows of the log are of other seasons and were left out", timed.len());
            cautions.add(Caution::DatesDoubtful, detail);
        }
        order.sort_by(|&a, &b| {
            let place = |at: usize| (self.file[at], self.row[at]);
            self.time_s[a].total_cmp(&self.time_s[b]).then_with(|| place(a).cmp(&place(b)))
        });
        // in other fields, too, the planter is not parked
        let idle_s = self.idle_s(&order);
        // where the harvest was: the outermost hundredth of its records may be strays
        let ends = |values: &[f64]| {
            let mut known: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
            let low = robust::quantile_in_place(&mut known, 0.005).unwrap_or(f64::NAN);
            (low - MARGIN_M)..=(robust::quantile_in_place(&mut known, 0.995).unwrap_or(f64::NAN) + MARGIN_M)
        };
        let (east, north) = (ends(&records.x_m), ends(&records.y_m));
        order.retain(|&at| east.contains(&self.x_m[at]) && north.contains(&self.y_m[at]));
        if order.is_empty() {
            let reason = "no row of the log lies where the harvest was; is its `crs` right, and is it of this field?";
            return Err(IngestError::misplaced(&first, reason));
        }
        let unit = settings.rate_unit.unwrap_or(RateUnit::of_kind(RateKind::Volume));
        let sections = self.sections.finish();
        let mut log = AppliedLog {
            name: settings.name.clone(),
            rate_unit: (unit.symbol.to_owned(), unit.per_ha),
            tested: settings.treatments.iter().map(|one| (one.treatment.clone(), one.per_ha)).collect(),
            check_per_ha: settings.check_per_ha,
            files: self.files,
            ..AppliedLog::default()
        };
        let joins = settings.log.labels.load.is_some();
        let mut codes = Vec::new();
        for at in order {
            let last = log.time_s.len().wrapping_sub(1);
            let same = log.time_s.last().is_some_and(|time| (time - self.time_s[at]).abs() < 1e-6);
            if same && (joins || (log.x_m[last] - self.x_m[at]).hypot(log.y_m[last] - self.y_m[at]) < 0.01) {
                // another tank of the same moment; without a product, the same row again
                if joins {
                    log.rate_per_ha[last] += self.rate[at];
                }
                continue;
            }
            log.file.push(self.file[at]);
            log.row.push(self.row[at]);
            log.time_s.push(self.time_s[at]);
            log.x_m.push(self.x_m[at]);
            log.y_m.push(self.y_m[at]);
            log.rate_per_ha.push(self.rate[at]);
            log.width_m.push(self.width_m[at]);
            log.state.push(self.state[at]);
            log.idle_s.push(idle_s[at]);
            log.target_per_ha.push(self.target[at]);
            log.share_on.extend(self.share_on.get(at));
            codes.push(sections.codes.get(at).copied().unwrap_or(Labels::NONE));
        }
        if settings.target.is_none() {
            log.target_per_ha.clear();
        }
        if settings.sections.is_some() {
            log.sections = Labels { codes, names: sections.names };
        }
        Ok(log)
    }
}

/// Sections are digits, as many in each row.
fn check_sections(file: &str, column: &str, texts: &TextColumn) -> Result<(), IngestError> {
    let mut count = None;
    for (row, text) in texts.iter().enumerate() {
        let Some(text) = text else { continue };
        let of = *count.get_or_insert(text.len());
        if of < 2 || text.len() != of || !text.bytes().all(|digit| matches!(digit, b'0' | b'1')) {
            return Err(IngestError::cell(
                file,
                row + 1,
                column,
                text,
                format_args!("a digit, 1 or 0, for each of {} sections", of.max(2)),
            ));
        }
    }
    Ok(())
}

/// A width that is recorded twice must be the same.
fn refuse_other_width(
    file: &str,
    settings: &AppliedSettings,
    channels: &channels::FileChannels,
) -> Result<(), IngestError> {
    let (Some(configured), Some(column), Some(widths)) =
        (settings.log.swath_m, &settings.log.readings.swath_m, &channels.readings.swath_m)
    else {
        return Ok(());
    };
    // fewer sections make a narrower width; a wider one is another planter
    let widest = widths.iter().copied().fold(0.0, f64::max);
    if widest <= 0.0 || (widest / configured - 1.0).abs() <= WIDTH_SHARE {
        return Ok(());
    }
    let at = widths.iter().position(|width| (width - widest).abs() < 1e-9).unwrap_or(0);
    Err(IngestError::cell(
        file,
        channels.row[at] as usize,
        &column.name,
        format_args!("{}", widest / column.factor),
        format_args!(
            "no more and no less than the `width` of field.toml, {:.2} {}; give one of them",
            configured / column.factor,
            column.unit
        ),
    ))
}
