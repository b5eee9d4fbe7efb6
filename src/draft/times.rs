//! Columns of times: how they are written, and whether the clock is local.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate, NaiveDateTime, NaiveTime};

use crate::consistency::Numbers;
use crate::consistency::words::Header;
use crate::ingest::{self, TextColumn};

/// One reading of a log's times.
#[derive(Debug, Clone)]
pub(super) struct TimeGuess {
    /// The column, or that of the dates.
    pub(super) column: String,
    /// The column of the clock, where there are two.
    pub(super) clock: Option<String>,
    /// As in the settings: `epoch_s`, `epoch_ms`, `rfc3339` or a pattern.
    pub(super) format: String,
    /// Another pattern that the texts would fit, too: day and month exchanged.
    pub(super) other_format: Option<String>,
    /// Probability of the format.
    pub(super) probability: f64,
    /// The probability that the clock is local, and how many hours it would then be ahead of UTC.
    pub(super) local: Option<(f64, i32)>,
    pub(super) evidence: String,
    /// Seconds since 1970, NaN where missing, as if the clock were UTC where `local` is unlikely, else moved to UTC.
    pub(super) seconds: Vec<f64>,
}

const DATES: [&str; 11] = [
    "%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y", "%d/%m/%Y", "%Y/%m/%d", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y", "%m/%d/%y",
    "%d/%m/%y", "%Y%m%d",
];
const CLOCKS: [&str; 6] = ["%H:%M:%S", "%H:%M:%S%.f", "%I:%M:%S %p", "%H%M%S", "%H:%M", "%H.%M.%S"];
/// Texts that are tried before a whole column is read.
const TRIED: usize = 40;

/// All readings of a log's times, the most probable first.
pub(super) fn guess(
    columns: &[String],
    numbers: &[Numbers],
    texts: &BTreeMap<String, TextColumn>,
    unit_of: &dyn Fn(&String) -> Option<String>,
    middle_deg: (f64, f64),
) -> Vec<TimeGuess> {
    // a header, and what stands below it
    let called = |name: &String| unit_of(name).map_or_else(|| name.clone(), |unit| format!("{name} {unit}"));
    let mut found: Vec<(f64, TimeGuess)> = Vec::new();
    for column in numbers {
        let known: Vec<f64> = column.values.iter().copied().filter(|value| value.is_finite()).collect();
        let middle = super::sight::middle_of(&known);
        let (format, scale) = match middle {
            middle if (3e8..5e9).contains(&middle) => ("epoch_s", 1.0),
            middle if (3e11..5e12).contains(&middle) => ("epoch_ms", 1e-3),
            _ => continue,
        };
        if !goes_on(&known) {
            continue;
        }
        let seconds = column.values.iter().map(|value| value * scale).collect();
        let evidence = format!("numbers that go on and fall in {}", year_of(middle * scale));
        found.push((
            3.0,
            TimeGuess {
                column: column.name.clone(),
                clock: None,
                format: format.to_owned(),
                other_format: None,
                probability: 0.99,
                local: None,
                evidence,
                seconds,
            },
        ));
    }
    let is_text = |name: &&String| texts.get(*name).is_some_and(|column| column.iter().flatten().take(1).count() > 0);
    let names: Vec<&String> = columns.iter().filter(is_text).collect();
    for name in &names {
        let column = &texts[*name];
        if let Some(seconds) = rfc3339(column) {
            let evidence = "times with their offset from UTC".to_owned();
            found.push((
                4.0,
                TimeGuess {
                    column: (*name).clone(),
                    clock: None,
                    format: "rfc3339".to_owned(),
                    other_format: None,
                    probability: 0.99,
                    local: None,
                    evidence,
                    seconds,
                },
            ));
        } else if let Some((points, guess)) = patterns(&called(name), column, None, middle_deg) {
            found.push((points, TimeGuess { column: (*name).clone(), ..guess }));
        }
    }
    // date and clock in two columns
    let dates: Vec<&&String> = names.iter().filter(|name| reads_as(&texts[**name], &DATES)).collect();
    let clocks: Vec<&&String> = names.iter().filter(|name| reads_as_clock(&texts[**name])).collect();
    for date in &dates {
        for clock in &clocks {
            let joined = joined(&texts[**date], &texts[**clock]);
            if let Some((points, mut guess)) =
                patterns(&format!("{} {}", called(date), called(clock)), &joined, Some(clock), middle_deg)
            {
                guess.column.clone_from(**date);
                found.push((points - 0.5, guess));
            }
        }
    }
    found.sort_by(|one, other| other.0.total_cmp(&one.0));
    found.into_iter().map(|(_, guess)| guess).collect()
}

/// The readings of the times of lines, handed on to the points along them; lines may tell no more than a day.
pub(super) fn guess_of_lines(
    columns: &[String],
    lines: &super::sight::Lines,
    unit_of: &dyn Fn(&String) -> Option<String>,
    middle_deg: (f64, f64),
) -> Vec<TimeGuess> {
    let mut found = guess(columns, &lines.numbers, &lines.texts, unit_of, middle_deg);
    if found.is_empty() {
        let day = |name: &String| {
            let column = lines.texts.get(name)?;
            let parse = |text: &str, pattern: &str| date(text, pattern).map(|day| day.and_time(NaiveTime::MIN));
            let mut fitting = DATES.iter().filter_map(|&pattern| {
                let seconds = all_by(column, |text| parse(text, pattern))?;
                seconds.iter().any(|time| time.is_finite()).then_some((pattern, seconds))
            });
            let (pattern, seconds) = fitting.next()?;
            let other_format = fitting.next().map(|other| other.0.to_owned());
            Some(TimeGuess {
                column: name.clone(),
                clock: None,
                format: pattern.to_owned(),
                probability: if other_format.is_some() { 0.5 } else { 0.97 },
                other_format,
                local: None,
                evidence: format!("every text is a day by `{pattern}`"),
                seconds,
            })
        };
        found.extend(columns.iter().filter_map(day));
    }
    for guess in &mut found {
        guess.seconds = lines.line_of.iter().map(|&line| guess.seconds[line as usize]).collect();
    }
    found
}

fn year_of(seconds: f64) -> i32 {
    chrono::DateTime::from_timestamp(seconds as i64, 0).map_or(0, |time| time.year())
}

/// Whether values differ from row to row as times do.
fn goes_on(values: &[f64]) -> bool {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    sorted.len() >= 3 && sorted.len() * 12 >= values.len()
}

fn joined(dates: &TextColumn, clocks: &TextColumn) -> TextColumn {
    let mut both = TextColumn::default();
    for (date, clock) in dates.iter().zip(clocks.iter()) {
        let text = date.zip(clock).map(|(date, clock)| format!("{date} {clock}"));
        both.push(text.as_deref());
    }
    both
}

fn tried(column: &TextColumn) -> Vec<&str> {
    let every = (column.len() / TRIED).max(1);
    column.iter().step_by(every).flatten().take(2 * TRIED).collect()
}

fn reads_as(column: &TextColumn, patterns: &[&str]) -> bool {
    let texts = tried(column);
    !texts.is_empty() && patterns.iter().any(|pattern| texts.iter().all(|text| date(text, pattern).is_some()))
}

fn reads_as_clock(column: &TextColumn) -> bool {
    let texts = tried(column);
    // a column of whole numbers is hardly a clock
    let has_mark = texts.iter().all(|text| text.contains(':') || text.len() == 6 || text.matches('.').count() == 2);
    !texts.is_empty()
        && has_mark
        && CLOCKS.iter().any(|pattern| texts.iter().all(|text| NaiveTime::parse_from_str(text, pattern).is_ok()))
}

fn date(text: &str, pattern: &str) -> Option<NaiveDate> {
    let date = NaiveDate::parse_from_str(text, pattern).ok()?;
    // a year of two digits reads as one of four, too
    (1980..=2100).contains(&date.year()).then_some(date)
}

fn rfc3339(column: &TextColumn) -> Option<Vec<f64>> {
    let parse = |text: &str| chrono::DateTime::parse_from_rfc3339(text).ok().map(|time| time.naive_utc());
    if tried(column).is_empty() {
        return None;
    }
    let seconds = all_by(column, parse)?;
    goes_on(&seconds.iter().copied().filter(|value| value.is_finite()).collect::<Vec<_>>()).then_some(seconds)
}

/// Every text as a time.
fn all_by(column: &TextColumn, parse: impl Fn(&str) -> Option<NaiveDateTime>) -> Option<Vec<f64>> {
    // those that are tried fail soon
    if !tried(column).iter().all(|text| parse(text).is_some()) {
        return None;
    }
    let seconds = |text: Option<&str>| text.map_or(Some(f64::NAN), |text| parse(text).map(ingest::epoch_s));
    column.iter().map(seconds).collect()
}

/// Every text as a time by a pattern.
fn all_by_pattern(column: &TextColumn, pattern: &str) -> Option<Vec<f64>> {
    all_by(column, |text| {
        let time = NaiveDateTime::parse_from_str(text, pattern).ok()?;
        (1980..=2100).contains(&time.year()).then_some(time)
    })
}

/// Months in which crops are harvested, by hemisphere (common practice, no source).
fn is_harvest(month: u32, latitude: f64) -> bool {
    if latitude >= 0.0 { (6..=12).contains(&month) } else { month <= 8 || month == 12 }
}

fn patterns(
    name: &str,
    column: &TextColumn,
    clock: Option<&str>,
    (longitude, latitude): (f64, f64),
) -> Option<(f64, TimeGuess)> {
    let mut fitting: Vec<(f64, String, Vec<f64>)> = Vec::new();
    for dates in DATES {
        for clocks in CLOCKS {
            for between in [" ", "T", ", "] {
                let pattern = format!("{dates}{between}{clocks}");
                let Some(seconds) = all_by_pattern(column, &pattern) else { continue };
                let known: Vec<f64> = seconds.iter().copied().filter(|value| value.is_finite()).collect();
                if known.len() < 2 || !goes_on(&known) {
                    continue;
                }
                let middle = super::sight::middle_of(&known);
                let month = chrono::DateTime::from_timestamp(middle as i64, 0).map_or(1, |time| time.month());
                let low = known.iter().copied().fold(f64::INFINITY, f64::min);
                let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let mut points = if is_harvest(month, latitude) { 3.0 } else { 0.0 };
                // one harvest takes days, not months
                points -= ((high - low) / 86_400.0 / 10.0).min(4.0);
                fitting.push((points, pattern, seconds));
            }
        }
    }
    fitting.sort_by(|one, other| other.0.total_cmp(&one.0));
    fitting.dedup_by(|one, other| one.2 == other.2);
    let (points, format, mut seconds) = fitting.first()?.clone();
    let sum: f64 = fitting.iter().map(|other| (other.0 - points).exp()).sum();
    let other_format = fitting.get(1).map(|other| other.1.clone());
    let local = local(name, &seconds, longitude, latitude);
    if let Some((probability, hours)) = local
        && probability > 0.5
    {
        for time in &mut seconds {
            *time -= 3600.0 * f64::from(hours);
        }
    }
    let evidence = format!("every text reads as `{format}`");
    let guess = TimeGuess {
        column: name.to_owned(),
        clock: clock.map(str::to_owned),
        format,
        other_format,
        probability: 1.0 / sum,
        local,
        evidence,
        seconds,
    };
    Some((1.5 + f64::from(u8::from(local.is_none())), guess))
}

/// The probability that a clock without offset is local, with the offset it would have; `None` where the header says UTC.
fn local(name: &str, seconds: &[f64], longitude: f64, latitude: f64) -> Option<(f64, i32)> {
    let header = Header::of(name);
    let says = |words: &[&str]| header.words.iter().any(|word| words.iter().any(|known| word.starts_with(known)));
    if says(&["utc", "gmt", "gps", "zulu"])
        || header.in_brackets.as_deref().is_some_and(|text| text == "utc" || text == "gmt")
    {
        return None;
    }
    let month =
        chrono::DateTime::from_timestamp(super::sight::middle_of(seconds) as i64, 0).map_or(1, |time| time.month());
    // summer time is kept in North America and Europe (common practice, no source)
    let keeps = (latitude > 25.0 && (-130.0..=-50.0).contains(&longitude))
        || (latitude > 34.0 && (-11.0..=42.0).contains(&longitude));
    let summer = keeps && (4..=10).contains(&month);
    let hours = (longitude / 15.0).round() as i32 + i32::from(summer);
    let hour_of = |shift_h: f64| {
        let hours: Vec<f64> = seconds.iter().map(|time| (time / 3600.0 + shift_h).rem_euclid(24.0)).collect();
        super::sight::middle_of(&hours)
    };
    let by_day = |hour: f64| if (8.0..21.0).contains(&hour) { 1.0 } else { 0.05 };
    let as_utc = 0.35 * by_day(hour_of(longitude / 15.0));
    let as_local = 0.65
        * by_day(hour_of(0.0) - if summer { 1.0 } else { 0.0 })
        * if says(&["local", "lokal", "orts"]) { 20.0 } else { 1.0 };
    Some((as_local / (as_local + as_utc), hours))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn column(texts: &[String]) -> TextColumn {
        let mut column = TextColumn::default();
        for text in texts {
            column.push(Some(text));
        }
        column
    }

    #[test]
    fn day_and_month_follow_from_the_season_and_two_columns_are_joined() {
        let clocks: Vec<String> = (0..200).map(|at| format!("14:{:02}:{:02}", at / 60, at % 60)).collect();
        let dates: Vec<String> = (0..200).map(|_| "03/10/2022".to_owned()).collect();
        let texts = BTreeMap::from([("Datum".to_owned(), column(&dates)), ("Uhrzeit UTC".to_owned(), column(&clocks))]);
        let names: Vec<String> = texts.keys().cloned().collect();
        let found = guess(&names, &[], &texts, &|_| None, (-94.0, 42.0));
        assert_eq!((found[0].column.as_str(), found[0].clock.as_deref()), ("Datum", Some("Uhrzeit UTC")));
        assert_eq!(found[0].format, "%d/%m/%Y %H:%M:%S");
        assert_eq!(found[0].other_format.as_deref(), Some("%m/%d/%Y %H:%M:%S"));
        assert!(found[0].local.is_none());
        assert_eq!(found[0].seconds[0], 1_664_805_600.0 + 0.0);
    }

    #[test]
    fn a_clock_that_would_harvest_at_night_is_local() {
        let times: Vec<String> =
            (0..200).map(|at| format!("2022-10-08 09:{:02}:{:02}", 14 + at / 60, at % 60)).collect();
        let texts = BTreeMap::from([("Zeit".to_owned(), column(&times))]);
        let found = guess(&["Zeit".to_owned()], &[], &texts, &|_| None, (-94.6, 42.0));
        let (probability, hours) = found[0].local.unwrap();
        assert!(probability > 0.95 && hours == -5, "{probability} {hours}");
    }
}
