//! What the columns of logs of one make are: the engine's guesses, with labels and states, as the settings write them.

use std::collections::BTreeMap;

use super::sight::{Log, Place, best_label, distinct};
use crate::consistency::words::{self, Header};
use crate::consistency::{Channel, Guess, Numbers, Sight, Track, guess};
use crate::ingest::{TextColumn, header_state, standard_columns};
use crate::quantity::BushelWeight;

/// Below this a guess is a question.
pub(super) const SURE: f64 = 0.95;

/// One line of the drafted `[harvest.columns]`.
#[derive(Debug, Clone)]
pub(super) struct Line {
    /// The key.
    pub(super) key: &'static str,
    pub(super) column: String,
    /// The unit, where the channel has one.
    pub(super) unit: &'static str,
    pub(super) probability: f64,
    pub(super) evidence: String,
    /// Other units or columns with their probabilities; the first two words say which.
    pub(super) others: Vec<Other>,
}

/// An alternative.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Other {
    Unit(&'static str, f64),
    Column(String, f64),
}

/// What was made of the columns of a group of logs.
#[derive(Debug, Clone, Default)]
pub(super) struct Columns {
    pub(super) lines: Vec<Line>,
    /// A yield whose moisture is not known: whether it is dry, with the probability.
    pub(super) yield_is_dry: Option<(bool, f64)>,
    /// Columns of labels of the place: field, farm, crop, season.
    pub(super) labels: BTreeMap<Channel, String>,
    /// Columns that serve nothing, with what they look like.
    pub(super) left_out: Vec<(String, String)>,
    /// The width where no column tells it: that of the spacing of passes, m.
    pub(super) spacing_m: Option<f64>,
    /// The drafted grain, as mass flow.
    pub(super) has_grain: bool,
}

/// Guesses what the columns of logs with the same columns are.
pub(super) fn columns_of(logs: &[&Log], crop: Option<&str>, bushel: BushelWeight) -> Columns {
    let (track, numbers) = pooled(logs);
    let first = logs[0];
    let mut found = Columns::default();
    let times: Vec<&String> =
        first.times.iter().flat_map(|time| std::iter::once(&time.column).chain(&time.clock)).collect();
    let (lon, lat) = match &first.place {
        Place::Columns(lon, lat, _) | Place::Projected(lon, lat, _) => (Some(lon), Some(lat)),
        Place::Geometry => (None, None),
    };
    let is_used = |name: &String| Some(name) == lon || Some(name) == lat || times.contains(&name);
    let is_place = |column: &Numbers| {
        // places that repeat those of the geometry
        let near = |own: &[f64]| {
            let same = column.values.iter().zip(own).filter(|(value, own)| (*value - *own).abs() < 1e-3);
            same.count() * 2 > own.len()
        };
        logs.len() == 1 && (near(&first.longitude) || near(&first.latitude))
    };
    let measures: Vec<Numbers> =
        numbers.into_iter().filter(|column| !is_used(&column.name) && !is_place(column)).collect();
    if first.by_standard {
        return by_standard(logs, &track);
    }
    let guesses = guess(&Sight { track: &track, columns: &measures, crop, bushel });
    let flow = guesses.iter().find(|guess| guess.channel == Channel::Flow && guess.probability > 0.5);
    let yielded = guesses.iter().find(|guess| guess.channel == Channel::Yield && guess.probability > 0.5);
    let has_width = guesses.iter().any(|guess| guess.channel == Channel::Swath && guess.probability > 0.5);
    let mut left_out: BTreeMap<String, String> = BTreeMap::new();
    let mut taken: Vec<String> = Vec::new();
    for one in &guesses {
        let name = measures[one.column].name.clone();
        let key = match one.channel {
            Channel::Yield if flow.is_some() => {
                taken.push(name.clone());
                left_out.insert(name, format!("a yield in {}; the flow gives the grain", one.unit));
                continue;
            }
            Channel::Yield => "yield",
            Channel::Elevation if one.probability < SURE => {
                taken.push(name.clone());
                left_out.insert(name, "probably elevation; nothing shows its unit".to_owned());
                continue;
            }
            channel if one.probability < 0.5 && !(channel == Channel::Flow && yielded.is_none()) => continue,
            channel => channel.key(),
        };
        taken.push(name.clone());
        found.lines.push(line(key, one, &measures));
    }
    if flow.is_none()
        && let Some(one) = yielded
    {
        let name = &measures[one.column].name;
        found.yield_is_dry = Some(match words::dryness(name) {
            Some(dry) => (dry, 0.97),
            None => (true, 0.6),
        });
    }
    found.has_grain = found.lines.iter().any(|line| matches!(line.key, "mass_flow" | "yield"));
    found.spacing_m = track.spacing_m.filter(|_| !has_width);
    let free = |name: &String| !is_used(name) && !taken.contains(name);
    let grain = flow.or(yielded).map(|grain| measures[grain.column].values.as_slice());
    if let Some(line) = header_line(first, &track, grain, &free) {
        taken.push(line.column.clone());
        found.lines.push(line);
    }
    labels(logs, &track, &mut taken, &mut found, &is_used);
    for name in &first.columns {
        if !is_used(name) && !taken.contains(name) && !found.labels.values().any(|label| label == name) {
            left_out.insert(name.clone(), looks_like(first, name));
        }
    }
    for time in first.times.iter().skip(1) {
        if !time.column.is_empty()
            && first.times[0].column != time.column
            && first.times[0].clock.as_ref() != Some(&time.column)
        {
            left_out.insert(time.column.clone(), "times, given better by another column".to_owned());
        }
    }
    found.left_out = left_out.into_iter().collect();
    found
}

/// The columns that the standard of the files tells.
fn by_standard(logs: &[&Log], track: &Track) -> Columns {
    let first = logs[0];
    let mut found = Columns::default();
    for (key, column, unit) in standard_columns(&first.columns) {
        found.lines.push(Line {
            key,
            column: column.to_owned(),
            unit,
            probability: 1.0,
            evidence: "ISO 11783 defines it".to_owned(),
            others: Vec::new(),
        });
    }
    let has = |key: &str| found.lines.iter().any(|line| line.key == key);
    found.has_grain = has("mass_flow") || has("wet_yield");
    found.spacing_m = track.spacing_m.filter(|_| !has("swath"));
    let mut taken: Vec<String> = found.lines.iter().map(|line| line.column.clone()).collect();
    let is_time = |name: &String| first.times.iter().any(|time| time.column == *name);
    labels(logs, track, &mut taken, &mut found, &is_time);
    for name in &first.columns {
        if !is_time(name) && !taken.contains(name) && !found.labels.values().any(|label| label == name) {
            found.left_out.push((name.clone(), looks_like(first, name)));
        }
    }
    found
}

/// The numbers and the track of several logs one after the other.
pub(super) fn pooled(logs: &[&Log]) -> (Track, Vec<Numbers>) {
    /// Files that a guess rests on, at most: the largest ones.
    const FILES: usize = 4;
    let mut logs = logs.to_vec();
    logs.sort_by_key(|log| std::cmp::Reverse(log.x_m.len()));
    logs.truncate(FILES);
    let mut numbers: Vec<Numbers> =
        logs[0].numbers.iter().map(|column| Numbers { values: Vec::new(), ..column.clone() }).collect();
    // a column that is empty or holds text in one of the files is none of the measures
    numbers.retain(|column| logs.iter().all(|log| log.numbers.iter().any(|own| own.name == column.name)));
    let mut whole = Track::default();
    let (mut spacings, mut even) = (Vec::new(), 0);
    for log in &logs {
        let track = log.track();
        let before = whole.step_s.len();
        whole.order.extend(track.order.iter().map(|at| at + before));
        whole.step_s.extend(track.step_s);
        whole.step_m.extend(track.step_m);
        whole.speed_m_s.extend(track.speed_m_s);
        spacings.extend(track.spacing_m);
        even += usize::from(track.is_even);
        for column in &mut numbers {
            let own = log.numbers.iter().find(|own| own.name == column.name);
            column.values.extend(own.map_or(&[][..], |own| &own.values));
        }
    }
    whole.is_even = even * 2 > logs.len();
    whole.spacing_m = crate::stats::robust::median_in_place(&mut spacings).ok();
    (whole, numbers)
}

fn line(key: &'static str, one: &Guess, measures: &[Numbers]) -> Line {
    let others = one
        .others
        .iter()
        .map(|&(column, unit, probability)| {
            if column == one.column {
                Other::Unit(unit, probability)
            } else {
                Other::Column(measures[column].name.clone(), probability)
            }
        })
        .collect();
    Line {
        key,
        column: measures[one.column].name.clone(),
        unit: one.unit,
        probability: one.probability,
        evidence: one.evidence.clone(),
        others,
    }
}

/// The column of the header's state (a planter's, for a log of rates): two states, and something flows in one of them.
pub(super) fn header_line(
    log: &Log,
    track: &Track,
    flow: Option<&[f64]>,
    free: &impl Fn(&String) -> bool,
) -> Option<Line> {
    let mut best: Option<(f64, Line)> = None;
    for name in log.columns.iter().filter(|name| free(name)) {
        let Some(column) = log.texts.get(name) else { continue };
        if distinct(column, 4) > 2 {
            continue;
        }
        let states: Option<Vec<Option<bool>>> = column
            .iter()
            .map(|text| match text {
                None => Some(None),
                Some(text) => header_state(text).map(Some),
            })
            .collect();
        let Some(states) = states else { continue };
        let count = |state: bool| states.iter().filter(|known| **known == Some(state)).count();
        let (down, up) = (count(true), count(false));
        let apart = flow.map_or(0.0, |flow| flow_apart(&states, flow, track));
        let header = Header::of(name);
        let named = words::strength(&header, Channel::Header);
        let rival = Channel::ALL.iter().map(|&other| words::strength(&header, other)).fold(0.0, f64::max);
        let points = 4.0 * named - if rival > named + 0.1 { 4.0 * (rival - named) } else { 0.0 }
            + if apart > 0.3 { 4.0 } else { 0.0 }
            + if down > 0 && up > 0 { 1.0 } else { -0.5 };
        let probability = 1.0 / (1.0 + (1.0 - points).exp());
        if probability < 0.5 {
            continue;
        }
        let evidence = format!("two states; between them the flow differs by {:.0} % of its mean", 100.0 * apart);
        let line = Line { key: "header", column: name.clone(), unit: "", probability, evidence, others: Vec::new() };
        if best.as_ref().is_none_or(|known| points > known.0) {
            best = Some((points, line));
        }
    }
    best.map(|(_, line)| line)
}

/// How much the mean flow differs between the two states, as a share of its mean, at the delay at which it differs most: grain that is
/// cut is weighed some seconds later.
fn flow_apart(states: &[Option<bool>], flow: &[f64], track: &Track) -> f64 {
    const MOST_DELAY: usize = 20;
    let order: Vec<usize> = track.order.iter().copied().filter(|&row| row < states.len()).collect();
    (0..=MOST_DELAY)
        .map(|delay| {
            let (mut sums, mut counts) = ([0.0; 2], [0.0; 2]);
            for (&now, &then) in order.iter().zip(order.iter().skip(delay)) {
                if let (Some(state), true) = (states[now], flow[then].is_finite()) {
                    sums[usize::from(state)] += flow[then];
                    counts[usize::from(state)] += 1.0;
                }
            }
            let mean = (sums[0] + sums[1]) / (counts[0] + counts[1]);
            if counts[0] < 10.0 || counts[1] < 10.0 || mean <= 0.0 {
                return 0.0;
            }
            (sums[0] / counts[0] - sums[1] / counts[1]).abs() / mean
        })
        .fold(0.0, f64::max)
}

/// Labels: by name, where the values look like it.
fn labels(
    logs: &[&Log],
    track: &Track,
    taken: &mut Vec<String>,
    found: &mut Columns,
    is_used: &impl Fn(&String) -> bool,
) {
    let log = logs[0];
    let runs = |column: &TextColumn| {
        // a label stays for many records
        let texts: Vec<Option<&str>> =
            track.order.iter().filter(|&&at| at < column.len()).map(|&at| column.get(at)).collect();
        let same = texts.windows(2).filter(|pair| pair[0] == pair[1]).count();
        same as f64 >= 0.9 * texts.len().saturating_sub(1) as f64
    };
    let is_word = |column: &TextColumn| column.iter().flatten().all(|text| text.parse::<f64>().is_err());
    let whole = |column: &TextColumn| {
        column.iter().flatten().all(|text| text.parse::<f64>().map_or(true, |number| number.fract().abs() < 1e-9))
    };
    for channel in [
        Channel::Machine,
        Channel::Load,
        Channel::Pass,
        Channel::Field,
        Channel::Farm,
        Channel::Crop,
        Channel::Season,
        Channel::Treatment,
        Channel::Block,
        Channel::Strip,
        Channel::Drainage,
    ] {
        let columns: Vec<String> =
            log.columns.iter().filter(|name| !is_used(name) && !taken.contains(name)).cloned().collect();
        let best = if channel == Channel::Crop { crop_column(&columns, &log.texts) } else { None };
        let best = best.or_else(|| {
            best_label(channel, &columns, &log.texts, |column| match channel {
                Channel::Machine => (1..=12).contains(&distinct(column, 13)) && runs(column),
                Channel::Load => whole(column) && runs(column) && distinct(column, 2) > 0,
                Channel::Pass => whole(column) && runs(column) && distinct(column, 3) > 2,
                Channel::Field | Channel::Farm => {
                    is_word(column) && distinct(column, 400) < 400 && distinct(column, 1) > 0
                }
                Channel::Crop => column.iter().flatten().take(1).any(|text| words::crop(text).is_some()),
                Channel::Season => column.iter().flatten().all(|text| {
                    text.parse::<f64>().is_ok_and(|year| (1990.0..2100.0).contains(&year) && year.fract().abs() < 1e-9)
                }),
                Channel::Treatment => is_word(column) && (2..=12).contains(&distinct(column, 13)),
                Channel::Drainage => is_drainage(column),
                _ => (2..=400).contains(&distinct(column, 401)) && runs(column),
            })
        });
        let Some(name) = best else { continue };
        taken.push(name.clone());
        match channel {
            Channel::Field | Channel::Farm | Channel::Crop | Channel::Season => {
                found.labels.insert(channel, name);
            }
            // labels of trials are known by the treatment
            Channel::Block | Channel::Strip if !found.lines.iter().any(|line| line.key == "treatment") => {
                taken.pop();
            }
            _ => found.lines.push(Line {
                key: channel.key(),
                evidence: format!("the name `{name}`, values that stay for many records"),
                column: name,
                unit: "",
                probability: 0.97,
                others: Vec::new(),
            }),
        }
    }
}

/// The column that names the crop: by its own name, or because all it says is crops.
pub(super) fn crop_column(columns: &[String], texts: &BTreeMap<String, TextColumn>) -> Option<String> {
    let says = |column: &TextColumn| column.iter().flatten().take(1).any(|text| words::crop(text).is_some());
    let only = |column: &TextColumn| {
        says(column) && distinct(column, 8) < 8 && column.iter().flatten().all(|text| words::crop(text).is_some())
    };
    best_label(Channel::Crop, columns, texts, says)
        .or_else(|| columns.iter().find(|name| texts.get(*name).is_some_and(only)).cloned())
}

/// Whether most texts of a column are drainage classes.
pub(super) fn is_drainage(column: &TextColumn) -> bool {
    let known: Vec<&str> = column.iter().flatten().collect();
    let fold = |text: &str| text.to_lowercase().replace(" drained", "").trim().to_owned();
    let classes: Vec<String> = crate::config::DRAINAGE_CLASSES.iter().map(|class| fold(class)).collect();
    let fitting = known.iter().filter(|text| classes.contains(&fold(text))).count();
    !known.is_empty() && fitting * 10 >= known.len() * 8
}

fn looks_like(log: &Log, name: &str) -> String {
    let rows = log.x_m.len().max(1);
    let column = log.texts.get(name);
    match column.map_or(50, |column| distinct(column, 50)) {
        0 => "empty".to_owned(),
        1 => {
            let text = column.and_then(|column| column.iter().flatten().next()).unwrap_or("");
            format!("the same throughout: {}", crate::text::short(text))
        }
        _ => match log.numbers.iter().find(|own| own.name == name) {
            Some(own) => {
                let up = own.values.windows(2).filter(|pair| pair[1] > pair[0]).count();
                if up * 100 >= 99 * (rows - 1) {
                    "a running number".to_owned()
                } else {
                    "numbers that fit no channel".to_owned()
                }
            }
            None => "labels that are not used here".to_owned(),
        },
    }
}
