//! Columns of task data that need no map: the standard tells what they mean.

use std::borrow::Cow;

use super::readers::{self, Format};
use super::{IngestError, SiteYearFiles};
use crate::config::{Column, FieldSettings, GrainChannel, HarvestSettings, MeasuredColumn, TimeColumn, TimeFormat};
use crate::quantity::YieldUnit;

/// Columns of the grain by worth: a flow at field moisture, a yield at field moisture. The standard's dry masses hold for a moisture
/// that the log may tell or not (number 184), so that they are read by a map only.
const FLOW: &str = "mass_per_time_yield_kg_s";
const YIELD: &str = "mass_per_area_yield_kg_ha";

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
                    "{key}.columns: is missing; {} is no task data (ISO 11783-10), which alone needs none",
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
                        "{key}.path: {other} and {} tell other measures; give each an entry of its own",
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
    let has = |name: &str| columns.iter().any(|column| column == name);
    let measured = |name: &str, unit: &str| {
        has(name).then(|| MeasuredColumn { name: name.to_owned(), factor: 1.0, unit: unit.to_owned() })
    };
    let label = |name: &str| has(name).then(|| Column { name: name.to_owned() });
    let grain = if let Some(flow) = measured(FLOW, "kg/s") {
        GrainChannel::MassFlow(flow)
    } else if let (true, Ok(unit)) = (has(YIELD), YieldUnit::parse("kg/ha")) {
        GrainChannel::WetYield(YIELD.to_owned(), unit)
    } else {
        return Err(IngestError::Contradiction(format!(
            "{file}: tells neither {FLOW} nor {YIELD}; map what it tells under [harvest.columns]: {}",
            columns.join(", ")
        )));
    };
    let swath = measured("actual_working_width_m", "m");
    if swath.is_none() && entry.swath_m.is_none() && matches!(grain, GrainChannel::MassFlow(_)) {
        return Err(IngestError::Contradiction(format!(
            "{key}.swath: is missing, and {file} tells no working width; give `swath = \"30 ft\"`"
        )));
    }
    Ok(HarvestSettings {
        grain,
        swath,
        time: Some(TimeColumn { name: "time".to_owned(), clock: None, format: TimeFormat::EpochSeconds, ahead_s: 0 }),
        moisture: measured("crop_moisture_pct", "%"),
        speed: measured("actual_speed_m_s", "m/s"),
        elevation: measured("elevation_m", "m"),
        header: label("actual_work_state"),
        machine_column: if entry.machine.is_none() { label("machine") } else { None },
        ..entry.clone()
    })
}
