//! Logs of what was put down: known by rates that stay at few levels along the passes, not by the names of their files.

use super::columns::{Columns, Line, Other, header_line, pooled};
use super::sight::{Log, Place, distinct, middle_of};
use crate::consistency::units::{WIDTHS, rate_unit};
use crate::consistency::words::{self, Header};
use crate::consistency::{Channel, Numbers, Track};
use crate::quantity::RateUnit;

/// What was made of the columns of a log of an application.
pub(super) struct Rates {
    /// The column of the rate; none where the standard of the file tells it.
    pub(super) rate: Option<Line>,
    /// The rate that was asked for.
    pub(super) target: Option<String>,
    pub(super) width: Option<Line>,
    /// Distance of the passes, where no column tells the width, m.
    pub(super) spacing_m: Option<f64>,
    pub(super) state: Option<Line>,
    pub(super) sections: Option<String>,
    /// The column of the product with what it tells, where that is more than one.
    pub(super) product: Option<(String, Vec<String>)>,
    /// Symbol of the unit of the rates, where something tells it.
    pub(super) unit: Option<&'static str>,
    /// Whether the column of the rate is called so.
    pub(super) is_named: bool,
    /// The rates that it was run at, rising, in that unit.
    pub(super) levels: Vec<f64>,
    /// Whether it also ran without the product.
    pub(super) runs_without: bool,
}

/// Rates that come into question where no header tells the unit, with how often they are met (common practice, no source).
const UNITS: [(&str, f64); 5] = [("L/ha", 0.3), ("gal/ac", 0.2), ("fl oz/ac", 0.2), ("kg/ha", 0.15), ("lb/ac", 0.15)];
/// Deviation of a rate that belongs to a level, as a share.
const NEAR: f64 = 0.06;
/// Two levels that lie nearer are one rate, as a share.
pub(super) const SAME: f64 = 0.08;
/// A level stands out: it holds so many times the rows of its shoulders, which reach to this deviation.
const STANDS_OUT: usize = 3;
const SHOULDER: f64 = 0.15;
/// Least share of the rows that a level holds.
const LEAST: f64 = 0.04;
/// Least share of the rows that all levels hold together: ramps and failing sections are the rest.
const HELD: f64 = 0.75;
/// A level of the log of a season's many fields is one of few.
const MOST_LEVELS: usize = 8;
/// Longest usual step between the rows of a log that runs, s.
const RUNS_S: f64 = 30.0;
/// Fewest rows of a log.
const FEWEST: usize = 60;

/// The levels that a column keeps to, rising, and whether it is also 0.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Levels {
    pub(super) above: Vec<f64>,
    pub(super) has_zero: bool,
}

/// The levels of a column, where it has two or more and stays at each for many rows in the order of driving.
fn levels(values: &[f64], order: &[usize]) -> Option<Levels> {
    let in_order: Vec<f64> =
        order.iter().filter_map(|&at| values.get(at)).copied().filter(|value| value.is_finite()).collect();
    let count = in_order.len();
    let mut sorted = in_order.clone();
    sorted.sort_by(f64::total_cmp);
    let top = *sorted.get((0.99 * count.saturating_sub(1) as f64) as usize)?;
    if count < FEWEST || top <= 0.0 || sorted[0] < -0.02 * top {
        return None;
    }
    let zeros = sorted.partition_point(|value| *value <= 0.02 * top);
    let mut left: Vec<f64> = sorted.split_off(zeros);
    let has_zero = zeros as f64 >= LEAST * count as f64;
    let (mut above, mut held) = (Vec::new(), zeros);
    while above.len() <= MOST_LEVELS && !left.is_empty() {
        let near = |centre: f64| {
            left.partition_point(|value| *value < centre * (1.0 - NEAR))
                ..left.partition_point(|value| *value <= centre * (1.0 + NEAR))
        };
        let step = left.len().div_ceil(400);
        let best = left
            .iter()
            .step_by(step)
            .map(|&centre| near(centre))
            .max_by_key(|range| (range.len(), std::cmp::Reverse(range.start)))?;
        if (best.len() as f64) < LEAST * count as f64 {
            break;
        }
        held += best.len();
        above.push(left[best.start + best.len() / 2]);
        left.drain(best);
    }
    above.sort_by(f64::total_cmp);
    // what wanders, such as a flow of grain, fills the ground between
    let rows_in = |from: f64, to: f64| in_order.iter().filter(|value| **value >= from && **value <= to).count();
    let stands_out = |level: &f64| {
        let own = rows_in(level * (1.0 - NEAR), level * (1.0 + NEAR));
        own >= STANDS_OUT * (rows_in(level * (1.0 - SHOULDER), level * (1.0 + SHOULDER)) - own)
    };
    let few = (2..=MOST_LEVELS).contains(&(above.len() + usize::from(has_zero)));
    let stays = in_order.windows(2).filter(|pair| (pair[0] - pair[1]).abs() <= 2.0 * NEAR * top).count();
    (few && above.iter().all(stands_out)
        && held as f64 >= HELD * count as f64
        && stays as f64 >= 0.85 * (count - 1) as f64)
        .then_some(Levels { above, has_zero })
}

/// A rate as people write it: three digits, or two where these are as near as the log can tell.
fn rounded(rate: f64) -> f64 {
    let to = |digits: i32| {
        let unit = 10_f64.powi(rate.log10().floor() as i32 - digits + 1);
        (rate / unit).round() * unit
    };
    let short = to(2);
    // products of powers of ten carry a rounding error in their last digits
    let plain = |rate: f64| format!("{rate:.6e}").parse().unwrap_or(rate);
    plain(if (short / rate - 1.0).abs() < 0.003 { short } else { to(3) })
}

/// A column that keeps to few levels.
struct Candidate<'n> {
    /// What speaks for a rate, as a logarithm of odds.
    points: f64,
    column: &'n Numbers,
    levels: Levels,
    unit: Option<&'static str>,
}

fn candidate<'n>(column: &'n Numbers, track: &Track) -> Option<Candidate<'n>> {
    const RIVALS: [Channel; 13] = [
        Channel::Swath,
        Channel::Speed,
        Channel::Header,
        Channel::Pass,
        Channel::Machine,
        Channel::Load,
        Channel::Yield,
        Channel::Flow,
        Channel::Moisture,
        Channel::Elevation,
        Channel::Heading,
        Channel::Distance,
        Channel::Interval,
    ];
    let header = Header::of(&column.name);
    if words::named(&header, words::SECTIONS) >= 0.6 {
        return None;
    }
    let levels = levels(&column.values, &track.order)?;
    // states are no rates
    let is_state = levels.above.iter().all(|level| (level - 1.0).abs() < 1e-9);
    let unit = rate_unit(&header, column.unit.as_deref());
    let rival = RIVALS.iter().map(|&channel| words::strength(&header, channel)).fold(0.0, f64::max);
    let own = words::named(&header, words::RATE);
    let points = 1.5 + 4.0 * own + if unit.is_some() { 2.5 } else { 0.0 } - if rival > own { 4.0 * rival } else { 0.0 };
    (!is_state && points > 0.0).then_some(Candidate { points, column, levels, unit })
}

/// Whether a column holds a digit, 0 or 1, for each of some sections.
fn is_digits(log: &Log, name: &String) -> bool {
    let Some(column) = log.texts.get(name) else { return false };
    let is_digit = |byte: u8| matches!(byte, b'0' | b'1');
    let mut lengths = column.iter().flatten().map(|text| if text.bytes().all(is_digit) { text.len() } else { 0 });
    lengths.next().is_some_and(|length| length >= 2 && lengths.all(|other| other == length))
}

/// Whether a column tells several products.
fn is_product(log: &Log, name: &String) -> bool {
    let is_named = words::named(&Header::of(name), words::PRODUCT) >= 0.6;
    is_named && log.texts.get(name).is_some_and(|column| (2..=12).contains(&distinct(column, 13)))
}

/// What the logs of one make tell of an application; `None` where no column keeps to few levels as rates do.
pub(super) fn rates(logs: &[&Log], columns: &Columns) -> Option<Rates> {
    let first = *logs.first()?;
    let (track, numbers) = pooled(logs);
    if first.by_standard {
        return by_standard(&track, &numbers, columns);
    }
    let mut steps: Vec<f64> = track.step_s.iter().copied().filter(|step| *step > 0.0).collect();
    let step = crate::stats::robust::median_in_place(&mut steps).unwrap_or(f64::INFINITY);
    if first.times.is_empty() || !(first.of_lines || step <= RUNS_S && steps.len() >= FEWEST / 2) {
        return None;
    }
    let times: Vec<&String> =
        first.times.iter().flat_map(|time| std::iter::once(&time.column).chain(&time.clock)).collect();
    let is_place = |name: &String| match &first.place {
        Place::Columns(x, y, _) | Place::Projected(x, y, _) => name == x || name == y,
        Place::Geometry => false,
    };
    let mut found: Vec<Candidate<'_>> = numbers
        .iter()
        .filter(|column| !is_place(&column.name) && !times.contains(&&column.name))
        .filter_map(|column| candidate(column, &track))
        .collect();
    // what was asked for keeps to its levels exactly, and may be called so
    let is_target = |column: &Numbers| words::named(&Header::of(&column.name), words::TARGET) >= 0.6;
    let exact = |column: &Numbers| {
        let mut known: Vec<f64> = column.values.iter().copied().filter(|value| value.is_finite()).collect();
        known.sort_by(f64::total_cmp);
        known.dedup();
        known.len() <= MOST_LEVELS + 1
    };
    found.sort_by(|one, other| {
        let rank = |of: &Candidate<'_>| of.points - if is_target(of.column) { 3.0 } else { 0.0 };
        rank(other).total_cmp(&rank(one)).then_with(|| exact(one.column).cmp(&exact(other.column)))
    });
    let Candidate { points, column, levels: own, unit } = found.first()?;
    let alike = |other: &Levels| {
        other.above.len() == own.above.len()
            && other.above.iter().zip(&own.above).all(|(one, other)| (one / other - 1.0).abs() < 2.0 * SAME)
    };
    let target =
        found[1..].iter().find(|other| alike(&other.levels) && (is_target(other.column) || exact(other.column)));
    let rivals: f64 = found[1..]
        .iter()
        .filter(|other| target.is_none_or(|target| target.column.name != other.column.name))
        .map(|other| (other.points - points).exp())
        .sum();
    let probability = 1.0 / (1.0 + rivals + (0.5 - points).exp());
    let levels =
        target.map_or(own, |target| &target.levels).above.iter().map(|&rate| rounded(rate)).collect::<Vec<_>>();
    let others = found[1..]
        .iter()
        .map(|other| (other.column.name.clone(), probability * (other.points - points).exp()))
        .filter(|other| other.1 >= 0.01)
        .map(|(name, probability)| Other::Column(name, probability))
        .collect();
    let unit = unit.or_else(|| target.and_then(|target| target.unit));
    let listed: Vec<String> = levels.iter().map(ToString::to_string).collect();
    let line = Line {
        key: "rate",
        column: column.name.clone(),
        unit: unit.unwrap_or(""),
        probability,
        evidence: format!(
            "keeps to {}{} along the passes",
            if own.has_zero { "0 and " } else { "" },
            listed.join(", ")
        ),
        others,
    };
    let taken = |name: &String| *name == column.name || target.is_some_and(|target| target.column.name == *name);
    let width = columns.lines.iter().find(|line| line.key == "swath" && !taken(&line.column)).cloned();
    let width = width.or_else(|| named_width(&numbers, &track, &taken));
    let free = |name: &String| {
        !is_place(name)
            && !times.contains(&name)
            && !taken(name)
            && width.as_ref().is_none_or(|width| width.column != *name)
    };
    let state = header_line(first, &track, Some(&column.values), &free).filter(|line| line.probability > 0.9);
    let is_state = |name: &String| state.as_ref().is_some_and(|state| state.column == *name);
    let sections = first.columns.iter().find(|name| free(name) && !is_state(name) && is_digits(first, name)).cloned();
    let product = first.columns.iter().find(|name| free(name) && is_product(first, name)).map(|name| {
        let all: std::collections::BTreeSet<&str> = first.texts[name].iter().flatten().collect();
        (name.clone(), all.into_iter().map(str::to_owned).collect())
    });
    Some(Rates {
        rate: Some(line),
        target: target.map(|target| target.column.name.clone()),
        spacing_m: track.spacing_m.filter(|_| width.is_none()),
        width,
        state,
        sections,
        product,
        unit,
        is_named: words::named(&Header::of(&column.name), words::RATE) >= 0.6,
        runs_without: own.has_zero,
        levels,
    })
}

/// A width by its name, where it fits the distance of the passes or its header tells the unit.
fn named_width(numbers: &[Numbers], track: &Track, taken: &impl Fn(&String) -> bool) -> Option<Line> {
    numbers.iter().filter(|column| !taken(&column.name)).find_map(|column| {
        let header = Header::of(&column.name);
        if words::strength(&header, Channel::Swath) < 0.6 {
            return None;
        }
        let width = middle_of(&column.values.iter().copied().filter(|width| *width > 0.0).collect::<Vec<_>>());
        let texts = column.unit.as_deref().map_or_else(|| header.unit_texts(), |unit| vec![words::unit_text(unit)]);
        let told = WIDTHS.iter().find(|unit| texts.iter().any(|text| unit.written.contains(&text.as_str())));
        let fits = |factor: f64| track.spacing_m.is_some_and(|spacing| (width * factor / spacing).ln().abs() < 0.15);
        let unit = told.or_else(|| WIDTHS.iter().find(|unit| fits(unit.factor)))?;
        Some(Line {
            key: "swath",
            column: column.name.clone(),
            unit: unit.symbol,
            probability: 0.97,
            evidence: format!("the name `{}`; {width} {}", column.name, unit.symbol),
            others: Vec::new(),
        })
    })
}

/// The columns that the standard calls rates, with the unit that they are read in.
const STANDARD: [(&str, &str); 3] = [
    ("actual_volume_per_area_application_rate_l_ha", "L/ha"),
    ("actual_mass_per_area_application_rate_kg_ha", "kg/ha"),
    ("actual_count_per_area_application_rate_per_m2", "1/m2"),
];

/// The column of the rate that keeps to levels, among those that the standard tells.
pub(super) fn standard_rate(log: &Log) -> Option<String> {
    let track = log.track();
    let of = |name: &str| log.numbers.iter().find(|column| column.name == name);
    let stays = |name: &&str| of(name).is_some_and(|column| levels(&column.values, &track.order).is_some());
    STANDARD.iter().map(|(name, ..)| *name).find(stays).map(str::to_owned)
}

/// Of the rates that the standard tells the one that keeps to levels: seeds are counted in the same log.
fn by_standard(track: &Track, numbers: &[Numbers], columns: &Columns) -> Option<Rates> {
    let of = |name: &str| numbers.iter().find(|column| column.name == name);
    let (unit, levels) = STANDARD.iter().find_map(|&(name, unit)| {
        let own = levels(&of(name)?.values, &track.order)?;
        let target = of(&name.replacen("actual", "setpoint", 1));
        let target = target.and_then(|target| levels(&target.values, &track.order));
        Some((unit, Levels { above: target.map_or(own.above, |target| target.above), has_zero: own.has_zero }))
    })?;
    let has_width = columns.lines.iter().any(|line| line.key == "swath");
    Some(Rates {
        rate: None,
        target: None,
        width: None,
        spacing_m: track.spacing_m.filter(|_| !has_width),
        state: None,
        sections: None,
        product: None,
        unit: Some(unit),
        is_named: true,
        runs_without: levels.has_zero,
        levels: levels.above.iter().map(|&rate| rounded(rate)).collect(),
    })
}

impl Rates {
    /// What its columns are, for a look at a file: column, what, probability, evidence.
    pub(super) fn listed(&self) -> Vec<(String, String, f64, String)> {
        let mut all = Vec::new();
        if let Some(rate) = &self.rate {
            let unit = if rate.unit.is_empty() { "an unknown unit".to_owned() } else { rate.unit.to_owned() };
            all.push((
                rate.column.clone(),
                format!("rate of application in {unit}"),
                rate.probability,
                rate.evidence.clone(),
            ));
        }
        if let Some(target) = &self.target {
            let evidence = "keeps to the levels of the rate".to_owned();
            all.push((target.clone(), "target, the rate that was asked for".to_owned(), 0.97, evidence));
        }
        for (line, what) in [(&self.width, "width"), (&self.state, "state, at work or not")] {
            if let Some(line) = line {
                let unit = if line.unit.is_empty() { String::new() } else { format!(" in {}", line.unit) };
                all.push((line.column.clone(), format!("{what}{unit}"), line.probability, line.evidence.clone()));
            }
        }
        if let Some(sections) = &self.sections {
            all.push((sections.clone(), "sections, a digit for each".to_owned(), 0.97, "digits 0 and 1".to_owned()));
        }
        if let Some((product, products)) = &self.product {
            all.push((product.clone(), "product".to_owned(), 0.9, format!("its name; {}", products.join(", "))));
        }
        all
    }

    /// The rates that it was run at, as they are written.
    pub(super) fn levels_text(&self) -> String {
        let unit = self.unit.map_or_else(String::new, |unit| format!(" {unit}"));
        let mut texts: Vec<String> = self.levels.iter().map(|rate| format!("{rate}{unit}")).collect();
        if self.runs_without {
            texts.insert(0, "none".to_owned());
        }
        texts.join(", ")
    }
}

/// The units that a rate may be in, where none is recorded, with their probabilities.
pub(super) fn possible_units() -> Vec<(String, f64)> {
    UNITS.iter().map(|(unit, probability)| ((*unit).to_owned(), *probability)).collect()
}

/// The same rate: of one kind of unit and no farther apart than a log tells.
pub(super) fn is_same((rate, unit): (f64, &str), (other, of): (f64, &str)) -> bool {
    match (RateUnit::parse(unit), RateUnit::parse(of)) {
        (Ok(one), Ok(two)) => one.kind == two.kind && ((rate * one.per_ha) / (other * two.per_ha)).ln().abs() < SAME,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_those_that_a_column_stays_at() {
        let order: Vec<usize> = (0..900).collect();
        let at = |row: usize| [0.0, 50.0, 100.0][row / 50 % 3] * (1.0 + 0.02 * (row as f64 * 1.7).sin());
        let stepped: Vec<f64> = (0..900).map(at).collect();
        let found = levels(&stepped, &order).unwrap();
        assert!(found.has_zero && found.above.len() == 2, "{found:?}");
        assert_eq!(found.above.iter().map(|&rate| rounded(rate)).collect::<Vec<_>>(), [50.0, 100.0]);
        // a yield wanders, a constant has one level, and what jumps from row to row stays nowhere
        let wanders: Vec<f64> = (0..900).map(|row| 80.0 + 60.0 * (f64::from(row) / 40.0).sin()).collect();
        assert_eq!(levels(&wanders, &order), None);
        assert_eq!(levels(&vec![12.0; 900], &order), None);
        let jumps: Vec<f64> = (0..900).map(|row| [0.0, 50.0][row % 2]).collect();
        assert_eq!(levels(&jumps, &order), None);
        assert!((rounded(9.354) - 9.35).abs() < 1e-9 && (rounded(34_020.0) - 34_000.0).abs() < 1e-9);
    }
}
