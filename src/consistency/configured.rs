//! Whether the settings of a site-year can be right: the same relations that guess, held against what was configured.
//!
//! A contradiction is clear where the numbers miss by the factor between two units and the other unit fits; everything else is a
//! doubt. Only recorded channels are asked.

use chrono::{DateTime, Datelike, NaiveDate};

use super::relation::relation;
use super::track::Track;
use super::units::{self, ColumnUnit};
use crate::config::{CropSettings, FieldSettings, GrainChannel, HarvestSettings, TimeFormat};
use crate::points::{Caution, Header, Records, Ticket};
use crate::quantity::YieldUnit;
use crate::stats::robust;

/// Something that does not fit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Found {
    /// The caution that tells it; `None` for a clear contradiction, which fails the site-year.
    pub(crate) caution: Option<Caution>,
    /// The key and what was measured, and what would fit.
    pub(crate) text: String,
}

/// What is checked.
pub(crate) struct Configured<'a> {
    pub(crate) records: &'a Records,
    pub(crate) field: &'a FieldSettings,
    pub(crate) crop: &'a CropSettings,
    /// The `[[harvest]]` entry of each of the records' files.
    pub(crate) entry_of_file: &'a [usize],
    /// Numbers other than 0 and 1 in each entry's header column.
    pub(crate) header_numbers: &'a [Vec<i64>],
    pub(crate) tickets: &'a [Ticket],
    /// Longitude and latitude of the field, degrees.
    pub(crate) middle_deg: Option<(f64, f64)>,
}

/// Fewest pairs of numbers that carry a contradiction (common practice, no source).
const FEWEST: usize = 100;
/// Logarithm of the least factor that is a contradiction: units differ by at least 1.47 (mph and ft/s), sensors by some percent.
const APART: f64 = 0.34;
/// How near another unit must come, as a logarithm: about 10 %.
const FITS: f64 = 0.10;
/// The same for widths: passes overlap and straddle (common practice, no source).
const WIDTH_FITS: f64 = 0.30;
const WIDTH_APART: f64 = 0.9;

/// Checks a site-year's settings against its records.
pub(crate) fn check(of: &Configured<'_>) -> Vec<Found> {
    let mut found = Vec::new();
    for (number, harvest) in of.field.harvest.iter().enumerate() {
        let key = |name: &str| format!("harvest[{}].{name}", number + 1);
        let of_entry: Vec<usize> = (0..of.records.len())
            .filter(|&at| of.entry_of_file.get(of.records.file[at] as usize) == Some(&number))
            .collect();
        if of_entry.len() >= FEWEST {
            found.extend(of_track(of, harvest, &of_entry, &key));
        }
        found.extend(grain(of, harvest, &of_entry, &key));
        found.extend(moisture(of, harvest, &of_entry, &key));
        found.extend(header(of, harvest, number, &of_entry, &key));
    }
    found.extend(dates(of));
    found.dedup();
    found
}

fn clear(text: String) -> Found {
    Found { caution: None, text }
}

fn doubt(text: String) -> Found {
    Found { caution: Some(Caution::UnitsDoubtful), text }
}

/// The unit of a list whose factor lets numbers that are `ratio` times too great, read in `factor`, fit.
fn fitting(list: &[ColumnUnit], factor: f64, ratio: f64, within: f64) -> Option<ColumnUnit> {
    list.iter()
        .filter(|unit| (unit.factor / factor - 1.0).abs() > 1e-6)
        .map(|unit| ((ratio * unit.factor / factor).ln().abs(), *unit))
        .filter(|(off, _)| *off < within)
        .min_by(|one, other| one.0.total_cmp(&other.0))
        .map(|(_, unit)| unit)
}

fn of_track(
    of: &Configured<'_>,
    harvest: &HarvestSettings,
    rows: &[usize],
    key: &impl Fn(&str) -> String,
) -> Vec<Found> {
    let pick = |values: &[f64]| rows.iter().map(|&at| values[at]).collect::<Vec<f64>>();
    let records = of.records;
    let (x, y) = (pick(&records.x_m), pick(&records.y_m));
    let time = (harvest.time.is_some() && records.channels.time).then(|| pick(&records.time_s));
    let machine: Vec<u32> = rows.iter().map(|&at| records.machine.codes[at]).collect();
    let track = Track::of_machines(time.as_deref(), &x, &y, &machine);
    let mut found = Vec::new();
    let mut measured = |name: &str, values: &[f64], reference: &[f64], list: &[ColumnUnit], what: &str| {
        let column = match name {
            "speed" => harvest.readings.speed_m_s.as_ref(),
            "distance" => harvest.readings.distance_m.as_ref(),
            _ => harvest.readings.interval_s.as_ref(),
        };
        let Some(column) = column else { return };
        let Some(relation) = relation(&pick(values), reference) else { return };
        if relation.pairs < FEWEST || relation.spread > 0.5 || relation.off(1.0) < APART {
            return;
        }
        let key = key(&format!("columns.{name}"));
        let says =
            format!("{key}: `{}` read in {} is {:.3} times the {what}", column.name, column.unit, relation.ratio);
        found.push(match fitting(list, column.factor, relation.ratio, FITS) {
            Some(unit) => clear(format!("{says}; {} fits", unit.symbol)),
            None => doubt(says),
        });
    };
    if time.is_some() {
        measured("speed", &records.speed_m_s, &track.speed_m_s, units::SPEEDS, "speed from places and times");
        measured("interval", &records.interval_s, &track.step_s, units::TIMES, "time between records");
    }
    measured(
        "distance",
        &records.distance_m,
        &track.step_m,
        units::DISTANCES,
        "distance between the places of records",
    );
    found.extend(width(harvest, &pick(&records.swath_m), &track, records.channels.swath, key));
    found
}

fn width(
    harvest: &HarvestSettings,
    swath_m: &[f64],
    track: &Track,
    recorded: bool,
    key: &impl Fn(&str) -> String,
) -> Option<Found> {
    if !recorded && harvest.swath_m.is_none() {
        return None;
    }
    let spacing_m = track.spacing_m.filter(|_| track.is_even)?;
    let mut widths: Vec<f64> = swath_m.iter().copied().filter(|width| *width > 0.0).collect();
    let width_m = robust::quantile_in_place(&mut widths, 0.95).ok()?;
    let ratio = width_m / spacing_m;
    if ratio.ln().abs() < WIDTH_APART {
        return None;
    }
    let (key, typed, symbol) = match (&harvest.readings.swath_m, &harvest.swath_typed) {
        (Some(column), _) => {
            let number = width_m / column.factor;
            (key("columns.swath"), format!("{number:.4} {}", column.unit), column.unit.clone())
        }
        (None, Some(typed)) => {
            let symbol = typed.trim_start_matches(|c: char| !c.is_alphabetic()).trim().to_owned();
            (key("swath"), typed.clone(), symbol)
        }
        (None, None) => return None,
    };
    let typed = trimmed(&typed);
    let says = format!("{key}: {typed} is {width_m:.2} m but passes lie {spacing_m:.1} m apart");
    let factor = units::WIDTHS.iter().find(|unit| unit.symbol == symbol).map(|unit| unit.factor);
    let other = factor.and_then(|factor| fitting(units::WIDTHS, factor, ratio, WIDTH_FITS));
    Some(match (other, factor) {
        (Some(unit), Some(factor)) => {
            clear(format!("{says}; {} {} fits", trimmed(&format!("{:.4}", width_m / factor)), unit.symbol))
        }
        _ => doubt(says),
    })
}

/// A number without the zeros behind its point.
fn trimmed(text: &str) -> String {
    let (number, rest) = text.split_once(' ').map_or((text, ""), |(number, rest)| (number, rest));
    let number = if number.contains('.') { number.trim_end_matches('0').trim_end_matches('.') } else { number };
    if rest.is_empty() { number.to_owned() } else { format!("{number} {rest}") }
}

/// Share of the crop's greatest plausible yield above which a field's median is doubted (common practice, no source).
const MUCH: f64 = 0.75;
/// Shares of it between which a field's median is usual.
const USUAL: std::ops::RangeInclusive<f64> = 0.12..=0.70;

fn grain(
    of: &Configured<'_>,
    harvest: &HarvestSettings,
    rows: &[usize],
    key: &impl Fn(&str) -> String,
) -> Option<Found> {
    let records = of.records;
    let bushel = of.crop.bushel();
    let yields = units::yields(bushel);
    let (name, list, factor): (&str, &[ColumnUnit], f64) = match &harvest.grain {
        GrainChannel::MassFlow(column) => ("mass_flow", units::FLOWS, column.factor),
        GrainChannel::WetYield(_, unit) => ("wet_yield", &yields, YieldUnit::kg_per_ha(*unit, bushel)),
        GrainChannel::DryYield(_, unit) => ("dry_yield", &yields, YieldUnit::kg_per_ha(*unit, bushel)),
        GrainChannel::Mass(_) => return None,
    };
    let key = key(&format!("columns.{name}"));
    let column = format!("`{}` read in {}", harvest.grain.column(), harvest.grain.unit());
    // tickets weigh the grain itself
    if let Some(ratio) = against_tickets(of)
        && ratio.ln().abs() > APART
        && let Some(unit) = fitting(list, factor, ratio, FITS)
    {
        let says = format!("{key}: {column} gives {ratio:.2} times what the tickets weigh");
        return Some(clear(format!("{says}; {} fits", unit.symbol)));
    }
    let mut tells: Vec<f64> = rows
        .iter()
        .filter(|&&at| records.header[at] != Header::Up && records.speed_m_s[at] > 0.5 && records.mass_kg[at] > 0.0)
        .map(|&at| records.mass_kg[at] / (records.distance_m[at] * records.swath_m[at]) * 1e4)
        .filter(|kg_ha| kg_ha.is_finite())
        .collect();
    if tells.len() < FEWEST {
        return None;
    }
    let kg_ha = robust::median_in_place(&mut tells).ok()?;
    let most = of.crop.plausible_yield_kg_ha.1;
    let share = kg_ha / most;
    let fits = |unit: &&ColumnUnit| USUAL.contains(&(share * unit.factor / factor));
    let nearest = |unit: &&ColumnUnit| ((share * unit.factor / factor / 0.4).ln().abs() * 1e6) as u64;
    let other = list.iter().filter(fits).min_by_key(nearest);
    let says = format!("{key}: {column} gives a yield of {:.1} t/ha in the middle of the field", kg_ha / 1_000.0);
    let limit = format!("; up to {:.1} t/ha is plausible for the crop", most / 1_000.0);
    match other {
        Some(unit) if !(0.01..=1.0).contains(&share) => Some(clear(format!(
            "{says}{limit}; {} fits ({:.1} t/ha)",
            unit.symbol,
            kg_ha * unit.factor / factor / 1_000.0
        ))),
        Some(unit) if share > MUCH => Some(doubt(format!(
            "{says}{limit}; {} would give {:.1} t/ha",
            unit.symbol,
            kg_ha * unit.factor / factor / 1_000.0
        ))),
        None if share > 1.0 => Some(doubt(format!("{says}{limit}"))),
        _ => None,
    }
}

/// What the monitor says of the loads over what they weighed.
fn against_tickets(of: &Configured<'_>) -> Option<f64> {
    let records = of.records;
    let mut ratios: Vec<f64> = Vec::new();
    for ticket in of.tickets.iter().filter(|ticket| ticket.strip.is_none()) {
        let is_machine = |at: usize| {
            ticket.machine.as_ref().is_none_or(|name| {
                records.machine.names.get(records.machine.codes[at] as usize).is_some_and(|known| known == name)
            })
        };
        let within = |at: usize| match ticket.time_s {
            Some((from, to)) => (from..=to).contains(&records.time_s[at]),
            None => true,
        };
        let own = (0..records.len()).filter(|&at| is_machine(at) && within(at));
        let kg: f64 = own.map(|at| records.mass_kg[at]).filter(|kg| kg.is_finite()).sum();
        if kg > 0.0 {
            ratios.push(kg / ticket.net_kg);
        }
    }
    if ratios.is_empty() { None } else { robust::median_in_place(&mut ratios).ok() }
}

fn moisture(
    of: &Configured<'_>,
    harvest: &HarvestSettings,
    rows: &[usize],
    key: &impl Fn(&str) -> String,
) -> Option<Found> {
    let column = harvest.readings.moisture_pct.as_ref()?;
    let mut known: Vec<f64> =
        rows.iter().map(|&at| of.records.moisture_pct[at]).filter(|moisture| *moisture > 0.0).collect();
    if known.len() < FEWEST {
        return None;
    }
    let middle = robust::median_in_place(&mut known).ok()?;
    let key = key("columns.moisture");
    let says = format!("{key}: `{}` read in {} is {middle:.2} % in the middle of the field", column.name, column.unit);
    let (low, high) = of.crop.plausible_moisture_pct;
    if middle < 1.0 && (low..=high).contains(&(100.0 * middle)) {
        return Some(clear(format!("{says}; fraction fits")));
    }
    if middle > 100.0 && (low..=high).contains(&(middle / 100.0)) && column.unit == "fraction" {
        return Some(clear(format!("{says}; % fits")));
    }
    None
}

fn header(
    of: &Configured<'_>,
    harvest: &HarvestSettings,
    number: usize,
    rows: &[usize],
    key: &impl Fn(&str) -> String,
) -> Option<Found> {
    let column = harvest.header.as_ref()?;
    let numbers = of.header_numbers.get(number).filter(|numbers| !numbers.is_empty())?;
    let records = of.records;
    let flowing = |state: Header| {
        let own: Vec<usize> = rows.iter().copied().filter(|&at| records.header[at] == state).collect();
        let with = own.iter().filter(|&&at| records.mass_kg[at] > 0.0).count();
        (own.len(), with as f64 / own.len().max(1) as f64)
    };
    let ((down, down_flows), (up, up_flows)) = (flowing(Header::Down), flowing(Header::Up));
    let tells = up >= 20 && (down_flows - up_flows).abs() > 0.3;
    if tells || down + up < FEWEST {
        return None;
    }
    let list = numbers.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    let says = format!(
        "{}: `{}` holds {list}, but the grain flows the same whatever it says; expected 1 where it cuts and 0 where not",
        key("columns.header"),
        column.name
    );
    let more = "; a receiver's quality of fix looks so: map the header's own column, or leave `header` out";
    Some(if numbers.len() > 1 { clear(says + more) } else { doubt(says) })
}

fn date_of(time_s: f64) -> Option<NaiveDate> {
    DateTime::from_timestamp(time_s as i64, 0).map(|time| time.date_naive())
}

/// Days from planting to the earliest harvest of any crop here (common practice, no source).
const GROWING_D: i64 = 45;
/// The week counter of a satellite receiver begins anew after 1024 weeks (IS-GPS-200, from memory).
const WEEKS_D: i64 = 1024 * 7;

fn dates(of: &Configured<'_>) -> Vec<Found> {
    let records = of.records;
    let mapped = of.field.harvest.iter().find_map(|entry| entry.time.as_ref());
    let (Some(time), true) = (mapped, records.channels.time) else { return Vec::new() };
    let mut times: Vec<f64> = records.time_s.iter().copied().filter(|time| time.is_finite()).collect();
    let Some(date) = robust::median_in_place(&mut times).ok().and_then(date_of) else { return Vec::new() };
    let season = of.field.season;
    let doubtful = |text: String| vec![Found { caution: Some(Caution::DatesDoubtful), text }];
    // day and month exchanged, where the format leaves that open
    let exchanged = match &time.format {
        TimeFormat::Pattern(pattern) if pattern.contains("%d") && pattern.contains("%m") => {
            NaiveDate::from_ymd_opt(date.year(), date.day(), date.month())
                .map(|date| (date, pattern.replace("%d", "%\u{0}").replace("%m", "%d").replace("%\u{0}", "%m")))
        }
        _ => None,
    };
    if date.year() != season {
        let says = format!("season: {season}, but the records are of {date}");
        let rolled = date.checked_add_signed(chrono::Duration::days(WEEKS_D));
        if date.year() < 1990 || rolled.is_some_and(|date| date.year() == season) {
            return doubtful(format!(
                "{says}; a clock that was not set, or a receiver's week counter that started again"
            ));
        }
        let turn =
            (date.year() == season + 1 && date.month() <= 2) || (date.year() == season - 1 && date.month() == 12);
        if turn {
            return doubtful(says);
        }
        return vec![clear(format!("{says}; season = {} fits, or `time` is another column", date.year()))];
    }
    if let Some(planted) = of.field.planted {
        let since = (date - planted).num_days();
        if since < GROWING_D {
            let says =
                format!("harvest.columns.time: the records are of {date}, {since} days after planting on {planted}");
            return match exchanged {
                Some((date, pattern)) if (date - planted).num_days() >= GROWING_D => {
                    vec![clear(format!(
                        "{says}; day and month exchanged they are of {date}: format = \"{pattern}\" fits"
                    ))]
                }
                _ => doubtful(says),
            };
        }
    }
    let mut found = Vec::new();
    let Some((longitude, latitude)) = of.middle_deg else { return found };
    let summer_crop = matches!(of.field.crop.as_str(), "corn" | "soybean" | "sorghum" | "grain_sorghum");
    let off_season = summer_crop
        && ((latitude > 23.5 && (3..=6).contains(&date.month()))
            || (latitude < -23.5 && (9..=12).contains(&date.month())));
    if off_season {
        let more = exchanged.map_or_else(String::new, |(date, pattern)| {
            format!("; day and month exchanged they are of {date}: format = \"{pattern}\"")
        });
        found.extend(doubtful(format!("the records are of {date}, out of the season of {}{more}", of.field.crop)));
    }
    if matches!(&time.format, TimeFormat::Pattern(pattern) if !pattern.contains("%z") && !pattern.contains("%:z"))
        && time.ahead_s == 0
    {
        let mut hours: Vec<f64> =
            times.iter().map(|time| (time / 3600.0 + longitude / 15.0).rem_euclid(24.0)).collect();
        if let Ok(hour) = robust::median_in_place(&mut hours)
            && hour < 6.0
        {
            let zone = (longitude / 15.0).round();
            found.extend(doubtful(format!(
                "harvest.columns.time: read as UTC, the middle of the harvest is {hour:.0} o'clock by the sun; if the clock is local, `zone = \"{:+03}:00\"` or so fits",
                zone as i32
            )));
        }
    }
    found
}
