//! Columns of task data that need no map: the standard tells what they mean.

use std::borrow::Cow;

use super::readers::{self, Format};
use super::{IngestError, SiteYearFiles};
use crate::config::{Column, FieldSettings, GrainChannel, HarvestSettings, MeasuredColumn, TimeColumn, TimeFormat};
use crate::points::{Channel, Labelled, Readings};
use crate::quantity::YieldUnit;

/// Columns of the grain by worth: a flow at field moisture, a yield at field moisture. The standard's dry masses hold for a moisture
/// that the log may tell or not (number 184), so that they are read by a map only.
const FLOW: &str = "mass_per_time_yield_kg_s";
const YIELD: &str = "mass_per_area_yield_kg_ha";

const WORK_STATE: &str = "actual_work_state";

/// Key, column and unit of what the standard tells among some columns; of the grain the better one.
pub(crate) fn standard_columns(columns: &[String]) -> Vec<(&'static str, &'static str, &'static str)> {
    let grain = [("mass_flow", FLOW, "kg/s"), ("wet_yield", YIELD, "kg/ha")];
    // the readers hand on these columns in the SI unit of their channel
    let channel = |channel: Channel| Some((channel.key, channel.standard?, channel.units.map_or("", |units| units.si)));
    let readings = Readings::channels().filter_map(channel);
    let labels = Labelled::channels().filter_map(channel);
    let has = |name: &str| columns.iter().any(|column| column == name);
    let known = grain.into_iter().chain(readings).chain([("header", WORK_STATE, "")]).chain(labels);
    known.filter(|&(_, column, _)| has(column) && !(column == YIELD && has(FLOW))).collect()
}

/// The settings with the columns that the standard tells, for the entries without a map.
pub(super) fn resolved<'f>(
    files: &SiteYearFiles,
    field: &'f FieldSettings,
    most_bytes: u64,
) -> Result<Cow<'f, FieldSettings>, IngestError> {
    if !field.harvest.iter().any(|entry| entry.by_standard) {
        return Ok(Cow::Borrowed(field));
    }
    let mut field = field.clone();
    for (number, (entry, files)) in field.harvest.iter_mut().zip(&files.harvest).enumerate() {
        if !entry.by_standard {
            continue;
        }
        let mut first: Option<(&str, HarvestSettings)> = None;
        for file in files {
            let key = format!("field.toml: harvest[{}]", number + 1);
            if !Format::of(&file.path).is_some_and(Format::is_task_data) {
                return Err(IngestError::Contradiction(format!(
                    "{key}.columns: is missing; {} is not task data (ISO 11783-10), which alone needs none",
                    file.name
                )));
            }
            let columns = readers::columns_to_map(&file.name, &file.path, most_bytes)?;
            let found = mapped(&file.name, &key, entry, &columns)?;
            match &first {
                None => first = Some((&file.name, found)),
                Some((_, known)) if *known == found => {}
                Some((other, _)) => {
                    return Err(IngestError::Contradiction(format!(
                        "{key}.path: {other} and {} record other measures; give each an entry of its own",
                        file.name
                    )));
                }
            }
        }
        if let Some((_, found)) = first {
            *entry = found;
        }
    }
    Ok(Cow::Owned(field))
}

fn mapped(file: &str, key: &str, entry: &HarvestSettings, columns: &[String]) -> Result<HarvestSettings, IngestError> {
    let known = standard_columns(columns);
    let of_key = |key: &str| known.iter().find(|known| known.0 == key);
    let measured = |key: &str| {
        of_key(key).map(|(_, name, unit)| MeasuredColumn {
            name: (*name).to_owned(),
            factor: 1.0,
            unit: (*unit).to_owned(),
        })
    };
    let label = |key: &str| of_key(key).map(|(_, name, _)| Column { name: (*name).to_owned() });
    let wet = of_key("wet_yield").and_then(|(_, name, unit)| Some(((*name).to_owned(), YieldUnit::parse(unit).ok()?)));
    let grain = if let Some(flow) = measured("mass_flow") {
        GrainChannel::MassFlow(flow)
    } else if let Some((name, unit)) = wet {
        GrainChannel::WetYield(name, unit)
    } else {
        return Err(IngestError::Contradiction(format!(
            "{file}: records neither {FLOW} nor {YIELD}; map what it records under [harvest.columns]: {}",
            columns.join(", ")
        )));
    };
    let readings = Readings::of(|channel| measured(channel.key));
    if readings.swath_m.is_none() && entry.swath_m.is_none() && matches!(grain, GrainChannel::MassFlow(_)) {
        return Err(IngestError::Contradiction(format!(
            "{key}.swath: is missing, and {file} gives no working width; give `swath = \"30 ft\"`"
        )));
    }
    let mut labels = Labelled::of(|channel| label(channel.key));
    labels.machine.take_if(|_| entry.machine.is_some());
    Ok(HarvestSettings {
        grain,
        readings,
        time: Some(TimeColumn {
            name: readers::TIME.to_owned(),
            clock: None,
            format: TimeFormat::EpochSeconds,
            ahead_s: 0,
        }),
        header: label("header"),
        labels,
        ..entry.clone()
    })
}
