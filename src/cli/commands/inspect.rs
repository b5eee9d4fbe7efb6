//! `bandlift inspect`: what is in an archive, a site-year or one file, and what is wrong with it. Writes nothing.

use std::path::{Path, PathBuf};

use chrono::DateTime;
use serde_json::{Value, json};

use crate::batch::{self, SiteYearFolder, discover, resolve};
use crate::bundle::on_disk;
use crate::cli::args::InspectArguments;
use crate::cli::{Exit, Output};
use crate::config::{ArchiveSettings, FieldSettings};
use crate::draft;
use crate::geometry::{Crs, Projector};
use crate::ingest::{self, SharedLayers};
use crate::points::{Ingested, Readings};
use crate::raster::{Ask, RasterFile, is_grid};

/// What was found, for people and for programs.
struct Finding {
    lines: Vec<String>,
    json: Value,
    faults: Vec<String>,
}

pub(in crate::cli) fn run(arguments: &InspectArguments, out: &mut Output) -> Exit {
    let path = &arguments.path;
    let (holder, member) = on_disk(path);
    if !holder.exists() {
        out.error(&format!("{}: no such file or folder", path.display()));
        return Exit::Nothing;
    }
    let finding =
        if holder.is_file() && path.file_name().is_some_and(|name| name != "archive.toml" && name != "field.toml") {
            let members = if member.is_none() { ingest::members(&holder) } else { Vec::new() };
            if members.len() > 1 { packed(path, &members) } else { data_file(path) }
        } else {
            let folder = if path.is_file() { path.parent().unwrap_or(Path::new(".")) } else { path };
            if folder.join("archive.toml").is_file() && path.file_name().is_none_or(|name| name != "field.toml") {
                archive(folder, arguments.allow_outside)
            } else if folder.join("field.toml").is_file() {
                site_year(folder, arguments.allow_outside)
            } else {
                raw_folder(folder)
            }
        };
    if arguments.json {
        let mut json = finding.json;
        json["faults"] = json!(finding.faults);
        out.json(&json);
    } else {
        for line in &finding.lines {
            out.result(&format!("{line}\n"));
        }
        for fault in &finding.faults {
            out.error(fault);
        }
    }
    if finding.faults.is_empty() { Exit::Done } else { Exit::SomeFailed }
}

/// A folder of files as they come: what each is.
fn raw_folder(folder: &Path) -> Finding {
    let files = draft::glance(folder);
    if files.is_empty() {
        let fault = format!("{}: holds neither archive.toml nor field.toml, nor files of data", folder.display());
        return Finding { lines: Vec::new(), json: json!({}), faults: vec![fault] };
    }
    let mut lines =
        vec![format!("{} files; `bandlift draft` writes the settings of an archive from them", files.len())];
    lines.extend(files.iter().map(|(name, what)| format!("  {name}: {what}")));
    let listed: Vec<Value> = files.iter().map(|(name, what)| json!({ "file": name, "what": what })).collect();
    Finding { lines, json: json!({ "folder": folder, "files": listed }), faults: Vec::new() }
}

/// A .zip of several files: what each is.
fn packed(path: &Path, members: &[String]) -> Finding {
    let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let what: Vec<(String, String)> = members
        .iter()
        .map(|member| (format!("{name}/{member}"), draft::glance_at(member, &path.join(member))))
        .collect();
    let mut lines = vec![format!("{name}: {} files; each is named as if the .zip were a folder", members.len())];
    lines.extend(what.iter().map(|(name, what)| format!("  {name}: {what}")));
    let listed: Vec<Value> = what.iter().map(|(name, what)| json!({ "file": name, "what": what })).collect();
    Finding { lines, json: json!({ "file": name, "files": listed }), faults: Vec::new() }
}

fn data_file(path: &Path) -> Finding {
    let name = path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    if is_grid(path) {
        return raster_file(&name, path);
    }
    match ingest::summarise(&name, path) {
        Err(error) => Finding { lines: Vec::new(), json: json!({}), faults: vec![error.to_string()] },
        Ok(summary) => {
            let mut lines = vec![
                format!("{name}: {}", summary.format),
                format!("rows:    {}", summary.rows),
                format!("columns: {}", summary.columns.join(", ")),
            ];
            if let Some([west, south, east, north]) = summary.extent {
                lines.push(format!("extent:  {west:.6} to {east:.6}, {south:.6} to {north:.6} in its own system"));
            }
            let probable = draft::probable_columns(&name, path);
            let mut listed = Vec::new();
            for column in &summary.columns {
                let Some((missing, distinct)) = summary.cells.get(column) else { continue };
                let range = summary.ranges.get(column);
                let kind = match (range, distinct) {
                    (_, 0) => "empty".to_owned(),
                    (Some([least, most]), _) => format!("{least} to {most}"),
                    (None, _) => "text".to_owned(),
                };
                let count = match distinct {
                    1 => "1 value".to_owned(),
                    &ingest::MOST_DISTINCT => format!("{distinct} values or more"),
                    more => format!("{more} values"),
                };
                let guess = probable.iter().find(|guess| guess.0 == *column);
                let what = guess.map_or_else(String::new, |(_, what, probability, evidence)| {
                    if probability.is_nan() {
                        format!("; serves nothing: {what}")
                    } else {
                        format!("; probably {what} ({probability:.2}: {evidence})")
                    }
                });
                lines.push(format!("  {column}: {kind}; {:.0} % missing; {count}{what}", 100.0 * missing));
                listed.push(json!({
                    "column": column, "type": if range.is_some() { "number" } else { "text" }, "range": range,
                    "missing": missing, "distinct": distinct,
                    "probably": guess.filter(|guess| !guess.2.is_nan()).map(|guess| json!({ "what": guess.1, "probability": guess.2, "evidence": guess.3 })),
                }));
            }
            if summary.is_place {
                let none = "none in the file; write `crs` in field.toml";
                lines.push(format!("CRS:     {}", summary.crs.as_deref().unwrap_or(none)));
            }
            let json = json!({
                "file": name, "format": summary.format, "rows": summary.rows, "columns": summary.columns,
                "ranges": summary.ranges, "extent": summary.extent, "crs": summary.crs, "cells": listed,
            });
            Finding { lines, json, faults: Vec::new() }
        }
    }
}

fn raster_file(name: &str, path: &Path) -> Finding {
    let ask = Ask { any_month: true, ..Ask::default() };
    match RasterFile::open_with(path, ask).and_then(|mut raster| raster.summary()) {
        Err(error) => Finding { lines: Vec::new(), json: json!({}), faults: vec![error.to_string()] },
        Ok(found) => {
            let [west, south, east, north] = found.extent;
            // seven digits are enough to read, and all that most rasters hold
            let range = found
                .range
                .map_or_else(|| "no data in any cell".to_owned(), |[a, b]| format!("{} to {}", a as f32, b as f32));
            let nodata = found.nodata.map_or_else(|| "not declared".to_owned(), |value| value.to_string());
            let months = match found.months.as_slice() {
                [] => "not known".to_owned(),
                [only] => only.to_string(),
                [first, .., last] => {
                    format!("{}, {first} to {last}; the values are those of the first", found.months.len())
                }
            };
            let lines = vec![
                format!("{name}: {}", found.format),
                format!("size:    {} columns, {} rows", found.columns, found.rows),
                format!("extent:  {west:.6} to {east:.6}, {south:.6} to {north:.6} in its own system"),
                format!("CRS:     {}", found.crs.as_deref().unwrap_or("none in the file")),
                format!(
                    "values:  {range}; {} of {} cells hold data",
                    found.cells_with_data,
                    found.columns * found.rows
                ),
                format!("nodata:  {nodata}"),
                format!("unit:    {}", found.unit.as_deref().unwrap_or("not recorded")),
                format!("months:  {months}"),
            ];
            let json = json!({
                "file": name, "format": found.format, "unit": found.unit, "months": found.months.iter().map(ToString::to_string).collect::<Vec<_>>(), "columns": found.columns, "rows": found.rows,
                "extent": found.extent, "crs": found.crs, "range": found.range, "nodata": found.nodata,
                "cells_with_data": found.cells_with_data,
            });
            Finding { lines, json, faults: Vec::new() }
        }
    }
}

fn archive(folder: &Path, allow_outside: bool) -> Finding {
    let settings = match batch::archive_settings(folder) {
        Ok(settings) => settings,
        Err(error) => {
            let faults = error.to_string().lines().map(str::to_owned).collect();
            return Finding { lines: Vec::new(), json: json!({}), faults };
        }
    };
    let found = discover(folder);
    let mut lines = vec![
        format!("archive {}", settings.name),
        format!("crops: {}", settings.crops.keys().cloned().collect::<Vec<_>>().join(", ")),
        format!(
            "treatments: {}",
            settings
                .treatments
                .iter()
                .map(|one| if one.check { format!("{} (check)", one.key) } else { one.key.clone() })
                .collect::<Vec<_>>()
                .join(", ")
        ),
        format!("soil: {}", settings.soil.zones.join(" < ")),
        match &settings.wetness {
            Some(wetness) => {
                let when = match wetness.window_d {
                    Some((first, end)) => format!("days {first} to {end} from planting"),
                    None => format!("months {:?}", wetness.months),
                };
                format!("wetness: {} over {when}, classes {}", wetness.measure.code(), wetness.labels.join(" < "))
            }
            None => "wetness: not configured".to_owned(),
        },
        format!("site-years: {}", found.folders.len()),
    ];
    lines.extend(found.dangling.iter().map(|(link, reason)| format!("note: {link}: {reason}")));
    let mut faults: Vec<String> = found.unreadable.iter().map(|(place, reason)| format!("{place}: {reason}")).collect();
    let mut all = Vec::new();
    let shared = SharedLayers::default();
    for one in &found.folders {
        let finding = examine(folder, one, &settings, allow_outside, &shared);
        lines.push(String::new());
        lines.extend(finding.lines);
        faults.extend(finding.faults.into_iter().filter(|fault| !faults.contains(fault)).collect::<Vec<_>>());
        all.push(finding.json);
    }
    if found.folders.is_empty() {
        faults.push(format!("{}: no site-year found; expected folders with a field.toml", folder.display()));
    }
    Finding { lines, json: json!({ "archive": settings.name, "settings": settings, "site_years": all }), faults }
}

fn site_year(folder: &Path, allow_outside: bool) -> Finding {
    let absolute = folder.canonicalize().unwrap_or_else(|_| folder.to_path_buf());
    let Some(root) = absolute.ancestors().find(|above| above.join("archive.toml").is_file()).map(PathBuf::from) else {
        return Finding {
            lines: Vec::new(),
            json: json!({}),
            faults: vec![format!("{}: no archive.toml in this folder or above it", folder.display())],
        };
    };
    match batch::archive_settings(&root) {
        Err(error) => {
            let faults = error.to_string().lines().map(str::to_owned).collect();
            Finding { lines: Vec::new(), json: json!({}), faults }
        }
        Ok(settings) => {
            let name = absolute.strip_prefix(&root).unwrap_or(&absolute).to_string_lossy().replace('\\', "/");
            let name = if name.is_empty() { ".".to_owned() } else { name };
            let one = SiteYearFolder { name, path: absolute.clone() };
            examine(&root, &one, &settings, allow_outside, &SharedLayers::default())
        }
    }
}

fn examine(
    root: &Path,
    folder: &SiteYearFolder,
    settings: &ArchiveSettings,
    allow_outside: bool,
    shared: &SharedLayers,
) -> Finding {
    let fault =
        |text: String| Finding {
            lines: vec![format!("{}: has faults", folder.name)],
            json: json!({ "folder": folder.name }),
            // a fault of the archive is reported without the site-year in which it was met
            faults: text
                .lines()
                .map(|line| {
                    if line.starts_with("archive.toml: ") {
                        line.to_owned()
                    } else {
                        format!("{}: {line}", folder.name)
                    }
                })
                .collect(),
        };
    let field = match batch::field_settings(folder, "field.toml", settings) {
        Ok(field) => field,
        Err(text) => return fault(text),
    };
    let files = match resolve(root, folder, &field, settings, allow_outside) {
        Ok(files) => files,
        Err(path_fault) => return fault(path_fault.to_string()),
    };
    match ingest::run(&files, &field, settings, shared) {
        Err(error) => fault(error.to_string()),
        Ok(mut ingested) => match crate::applied::run(&mut ingested, &field, settings) {
            Err(error) => fault(error.to_string()),
            Ok(()) => describe(folder, &field, settings, &files, &ingested),
        },
    }
}

fn describe(
    folder: &SiteYearFolder,
    field: &FieldSettings,
    settings: &ArchiveSettings,
    files: &ingest::SiteYearFiles,
    ingested: &Ingested,
) -> Finding {
    let records = &ingested.records;
    let known = |values: &[f64]| {
        values
            .iter()
            .copied()
            .filter(|value| value.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
    };
    let (first, last) = known(&records.time_s);
    let stamp = |seconds: f64| {
        DateTime::from_timestamp(seconds as i64, 0)
            .map_or_else(String::new, |time| time.format("%Y-%m-%d %H:%M:%S").to_string())
    };
    let ((west, east), (south, north)) = (known(&records.x_m), known(&records.y_m));
    let middle = Crs::from_epsg(records.epsg)
        .and_then(|utm| Projector::new(&utm, &Crs::wgs84()))
        .and_then(|to| to.convert_point(f64::midpoint(west, east), f64::midpoint(south, north)))
        .ok()
        .flatten();
    let channels = records.channels;
    let channel = |name: &str, recorded: bool, otherwise: &str| {
        format!("{name} {}", if recorded { "recorded" } else { otherwise })
    };
    let strips = strips_by_treatment(ingested);
    let strip_text = if field.strips.is_none() {
        "none: the field is cleaned and mapped only".to_owned()
    } else if ingested.strips.is_empty() {
        format!("by the treatment column: {}", records.treatment.names.join(", "))
    } else {
        strips.iter().map(|(treatment, count)| format!("{count} × {treatment}")).collect::<Vec<_>>().join(", ")
    };
    let mut lines = vec![
        format!("{}: {} {} {}, {}", folder.name, field.season, field.farm, field.field, field.crop),
        format!("  files:    {}", files.all().iter().map(|file| file.name.as_str()).collect::<Vec<_>>().join(", ")),
        format!("  records:  {} of {}", records.len(), records.machine.names.join(", ")),
        if channels.time {
            format!("  time:     {} to {} UTC", stamp(first), stamp(last))
        } else {
            "  time:     not recorded; the order of the rows is used".to_owned()
        },
        format!("  extent:   {:.0} × {:.0} m, UTM zone EPSG:{}", east - west, north - south, records.epsg),
        format!(
            "  channels: {}",
            [
                channel("flow", channels.flow, "rebuilt from the yield"),
                channel("moisture", channels.moisture, "taken to be at market moisture"),
                channel("speed", channels.speed, "derived"),
                channel("distance", channels.distance, "speed × interval"),
                channel("swath", channels.swath, "configured or derived"),
                channel("header", channels.header, "unknown"),
            ]
            .join(", ")
        ),
        format!("  units:    {}", units(field)),
        format!("  strips:   {strip_text}"),
        format!(
            "  soils:    {}",
            if records.drainage_class.is_present() {
                format!("by column: {}", records.drainage_class.names.join(", "))
            } else {
                format!("{} polygons near the field", ingested.soils.len())
            }
        ),
        format!(
            "  wetness:  {}",
            match (&settings.wetness, ingested.wetness_mm.zip(ingested.wetness_measure)) {
                (Some(wetness), Some((mm, value))) => format!("{mm:+.0} mm against normal: {}", wetness.class(value)),
                (Some(_), None) => "no data at the field".to_owned(),
                (None, _) => "not configured".to_owned(),
            }
        ),
    ];
    if let Some((longitude, latitude)) = middle {
        lines.insert(5, format!("  middle:   {latitude:.5}, {longitude:.5}"));
    }
    let entries = super::entries::told(field, files, ingested);
    lines.extend(entries.lines);
    lines.extend(ingested.cautions.iter().map(|(caution, detail)| {
        let more = if detail.is_empty() { String::new() } else { format!(" ({detail})") };
        format!("  caution:  {}: {}{more}", caution.code(), caution.text())
    }));
    let mut json = json!({
        "folder": folder.name,
        "settings": field,
        "files": files.all().iter().map(|file| file.name.clone()).collect::<Vec<_>>(),
        "records": records.len(),
        "machines": records.machine.names,
        "time_s": channels.time.then_some([first, last]),
        "epsg": records.epsg,
        "extent_m": [west, south, east, north],
        "middle_deg": middle.map(|(longitude, latitude)| [longitude, latitude]),
        "strips": strips,
        "soil_polygons": ingested.soils.len(),
        "wetness_mm": ingested.wetness_mm,
        "cautions": ingested.cautions.iter().map(|(caution, _)| caution.code()).collect::<Vec<_>>(),
    });
    json.as_object_mut().into_iter().for_each(|own| own.extend(entries.json.clone()));
    Finding { lines, json, faults: Vec::new() }
}

/// How many strips each treatment has.
fn strips_by_treatment(ingested: &Ingested) -> std::collections::BTreeMap<&str, usize> {
    let mut strips = std::collections::BTreeMap::new();
    for strip in &ingested.strips {
        *strips.entry(strip.treatment.as_str()).or_insert(0) += 1;
    }
    strips
}

/// The units of the mapped columns, as typed.
fn units(field: &FieldSettings) -> String {
    let mut all: Vec<String> = Vec::new();
    for entry in &field.harvest {
        let columns = Readings::channels().zip(entry.readings.all());
        let mut texts: Vec<String> = columns
            .filter_map(|(channel, column)| Some(format!("{} {}", channel.key, column.as_ref()?.unit)))
            .collect();
        texts.insert(0, format!("grain {}", entry.grain.unit()));
        all.push(texts.join(", "));
    }
    all.dedup();
    all.join("; ")
}
