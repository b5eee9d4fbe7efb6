//! What the columns of a log of harvest probably are.
//!
//! Each pair of a column and a unit is a hypothesis for a channel. It earns points (natural logarithms of odds) for its name, for
//! a unit in its header, and above all for what it fits among the other columns. The probability of a hypothesis is its share
//! among all hypotheses of the channel and "none of these". The points are ours: set on invented harvests, so that a
//! name alone or a fit alone carries a guess over 0.95, and a name that the data contradict does not.

use super::relation::{Relation, relation};
use super::track::Track;
use super::units::{self, ColumnUnit};
use super::words::{self, Header};
use crate::quantity::BushelWeight;
use crate::stats::robust;

macro_rules! channels {
    ($($name:ident = $key:literal),+ $(,)?) => {
        /// What a column may hold.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub(crate) enum Channel {
            $($name,)+
        }

        impl Channel {
            /// Every channel.
            pub(crate) const ALL: &'static [Self] = &[$(Self::$name),+];

            /// What the settings call it.
            pub(crate) fn key(self) -> &'static str {
                match self { $(Self::$name => $key),+ }
            }
        }
    };
}

channels! {
    Time = "time", Longitude = "longitude", Latitude = "latitude", Speed = "speed", Distance = "distance", Interval = "interval",
    Swath = "swath", Moisture = "moisture", Flow = "mass_flow", Yield = "yield", Header = "header", Elevation = "elevation",
    Heading = "heading", Machine = "machine", Load = "load", Pass = "pass", Field = "field", Farm = "farm", Crop = "crop",
    Season = "season", Treatment = "treatment", Block = "block", Strip = "strip", Drainage = "drainage_class", Tiled = "tiled",
}

/// A column of numbers.
#[derive(Debug, Clone)]
pub(crate) struct Numbers {
    /// As the file calls it.
    pub(crate) name: String,
    /// A unit that stands in the file beside the name (a row of units).
    pub(crate) unit: Option<String>,
    /// Missing values are NaN.
    pub(crate) values: Vec<f64>,
}

/// What there is to judge by.
#[derive(Debug)]
pub(crate) struct Sight<'a> {
    pub(crate) track: &'a Track,
    pub(crate) columns: &'a [Numbers],
    /// The crop's key, where it is known.
    pub(crate) crop: Option<&'a str>,
    /// The crop's bushel, or that of corn.
    pub(crate) bushel: BushelWeight,
}

/// A hypothesis.
#[derive(Debug, Clone)]
pub(crate) struct Guess {
    pub(crate) channel: Channel,
    /// Index among the columns.
    pub(crate) column: usize,
    /// Symbol of the unit; empty for channels without.
    pub(crate) unit: &'static str,
    /// What speaks for it.
    pub(crate) evidence: String,
    pub(crate) probability: f64,
    /// The other hypotheses that are not out of the question: column, unit, probability.
    pub(crate) others: Vec<(usize, &'static str, f64)>,
}

/// Points of "none of these".
const NONE: f64 = 1.0;
/// Points that rule a hypothesis out.
const OUT: f64 = -30.0;

struct Hypothesis {
    column: usize,
    unit: ColumnUnit,
    points: f64,
    /// Whether the header names the unit.
    says_unit: bool,
    evidence: Vec<String>,
}

/// The most probable column and unit of each channel of measures; a column serves one channel.
pub(crate) fn guess(sight: &Sight<'_>) -> Vec<Guess> {
    let headers: Vec<Header> = sight.columns.iter().map(|column| Header::of(&column.name)).collect();
    let judge = Judge { sight, headers: &headers };
    let mut taken = vec![false; sight.columns.len()];
    let mut found: Vec<Guess> = Vec::new();
    // channels that places and times tell come first; what is found from them follows
    let first: [&[Channel]; 3] = [
        &[Channel::Speed, Channel::Distance, Channel::Interval, Channel::Swath],
        &[Channel::Moisture, Channel::Flow, Channel::Yield],
        &[Channel::Elevation],
    ];
    for group in first {
        let mut left: Vec<Channel> = group.to_vec();
        while !left.is_empty() {
            let best = left
                .iter()
                .filter_map(|&channel| judge.best(channel, &taken, &found))
                .max_by(|one, other| one.0.total_cmp(&other.0));
            let Some((_, guess)) = best else { break };
            left.retain(|&channel| channel != guess.channel);
            if guess.probability > 0.3 {
                taken[guess.column] = true;
                found.push(guess);
            }
        }
    }
    found
}

struct Judge<'a> {
    sight: &'a Sight<'a>,
    headers: &'a [Header],
}

impl Judge<'_> {
    /// The best hypothesis of a channel, with the points by which it leads "none of these".
    fn best(&self, channel: Channel, taken: &[bool], known: &[Guess]) -> Option<(f64, Guess)> {
        let yields = units::yields(self.sight.bushel);
        let of_channel: &[ColumnUnit] = match channel {
            Channel::Speed => units::SPEEDS,
            Channel::Distance => units::DISTANCES,
            Channel::Interval => units::TIMES,
            Channel::Swath => units::WIDTHS,
            Channel::Moisture => units::MOISTURES,
            Channel::Flow => units::FLOWS,
            Channel::Yield => &yields,
            Channel::Elevation => &units::DISTANCES[..2],
            _ => return None,
        };
        let mut all: Vec<Hypothesis> = Vec::new();
        for column in (0..taken.len()).filter(|&column| !taken[column]) {
            for unit in of_channel {
                let mut one = Hypothesis { column, unit: *unit, points: 0.0, says_unit: false, evidence: Vec::new() };
                self.by_name(channel, &mut one, of_channel);
                self.by_data(channel, &mut one, known);
                if one.points > OUT / 2.0 {
                    all.push(one);
                }
            }
        }
        all.sort_by(|one, other| other.points.total_cmp(&one.points));
        let best = all.first()?;
        let sum: f64 = all.iter().map(|one| (one.points - best.points).exp()).sum::<f64>() + (NONE - best.points).exp();
        let others = all[1..]
            .iter()
            .map(|one| (one.column, one.unit.symbol, (one.points - best.points).exp() / sum))
            .filter(|other| other.2 >= 0.01)
            .collect();
        let guess = Guess {
            channel,
            column: best.column,
            unit: best.unit.symbol,
            evidence: best.evidence.join("; "),
            probability: 1.0 / sum,
            others,
        };
        Some((best.points - NONE, guess))
    }

    fn by_name(&self, channel: Channel, one: &mut Hypothesis, of_channel: &[ColumnUnit]) {
        let header = &self.headers[one.column];
        let own = words::strength(header, channel);
        let rival = Channel::ALL
            .iter()
            .filter(|&&other| other != channel)
            .map(|&other| words::strength(header, other))
            .fold(0.0, f64::max);
        if own > 0.0 {
            one.points += 4.0 * own;
            one.evidence.push(format!("the name `{}`", self.sight.columns[one.column].name));
        }
        if rival > own + 0.1 {
            one.points -= 4.0 * (rival - own);
        }
        let own_unit = self.sight.columns[one.column].unit.as_deref().map(words::unit_text);
        let texts = own_unit.map_or_else(|| header.unit_texts(), |unit| vec![unit]);
        let named = texts.iter().find_map(|text| of_channel.iter().find(|unit| unit.written.contains(&text.as_str())));
        match named {
            Some(named) if named.symbol == one.unit.symbol => {
                one.points += 4.0;
                one.says_unit = true;
                one.evidence.push(format!("the header says {}", named.symbol));
            }
            Some(_) => one.points -= 5.0,
            None => {}
        }
    }

    fn by_data(&self, channel: Channel, one: &mut Hypothesis, known: &[Guess]) {
        let values = &self.sight.columns[one.column].values;
        let shape = Shape::of(values, self.sight.track);
        if shape.count < 10 || shape.is_negative {
            if channel != Channel::Elevation || shape.count < 10 {
                one.points = OUT;
            }
            return;
        }
        // a constant is a measure only where it is called so
        let named = words::strength(&self.headers[one.column], channel) > 0.4;
        if matches!(channel, Channel::Speed | Channel::Distance) && shape.distinct < 8 && !named {
            one.points = OUT;
            return;
        }
        match channel {
            Channel::Speed => {
                fit(one, relation(values, &self.sight.track.speed_m_s), (0.12, 0.5), "speed from places and times");
            }
            Channel::Distance => {
                fit(one, relation(values, &self.sight.track.step_m), (0.15, 0.6), "distance between places");
            }
            Channel::Interval => self.interval(one, values, &shape),
            Channel::Swath => self.swath(one, values, &shape),
            Channel::Moisture => moisture(one, &shape),
            Channel::Flow | Channel::Yield => self.grain(channel, one, values, &shape, known),
            Channel::Elevation => {
                let plausible = shape.low > -100.0 && shape.high < 4_500.0 && shape.high - shape.low < 400.0;
                let smooth = shape.next_alike > 0.8 && shape.distinct > 10;
                one.points += if plausible && smooth { 0.5 } else { OUT };
            }
            _ => {}
        }
    }

    fn interval(&self, one: &mut Hypothesis, values: &[f64], shape: &Shape) {
        let Some(found) = relation(values, &self.sight.track.step_s) else {
            one.points -= 3.0;
            return;
        };
        if found.off(one.unit.factor) > 0.12 || found.spread > 0.5 {
            one.points = OUT;
        } else {
            // a column of ones may be anything, unless it is called so
            let named = words::strength(&self.headers[one.column], Channel::Interval) > 0.4;
            one.points += match (shape.distinct > 1 && found.correlation > 0.3, named) {
                (true, _) => 5.0,
                (false, true) => 1.5,
                (false, false) => -1.0,
            };
            one.evidence.push(format!("{:.2} of the time between records", found.ratio * one.unit.factor));
        }
    }

    fn swath(&self, one: &mut Hypothesis, values: &[f64], shape: &Shape) {
        let width_m = shape.high * one.unit.factor;
        if !units::WIDTH_M.contains(&width_m) || values.iter().any(|value| *value < 0.0) {
            one.points = OUT;
            return;
        }
        // the full width is what is logged most, and little but steps of sections below it
        let steady = shape.mode_share >= 0.3 && (shape.mode / shape.high - 1.0).abs() < 0.1;
        one.points += if steady { 2.0 } else { -2.0 };
        one.points += if shape.distinct <= 60 { 0.5 } else { -1.5 };
        if let Some(spacing_m) = self.sight.track.spacing_m {
            let off = (width_m / spacing_m).ln().abs();
            one.points += match off {
                off if off < 0.12 => 5.0,
                off if off < 0.4 => 2.0,
                off if off < 0.8 || !self.sight.track.is_even => -1.5,
                _ => -6.0,
            };
            one.evidence.push(format!("full width {width_m:.2} m, passes lie {spacing_m:.2} m apart"));
        }
    }

    /// The ground that a record cuts in a second, m²/s; NaN where it is unknown.
    fn cut_m2_s(&self, known: &[Guess]) -> Option<Vec<f64>> {
        let swath = known.iter().find(|guess| guess.channel == Channel::Swath);
        let width = |row: usize| match swath {
            Some(guess) => {
                let factor =
                    units::WIDTHS.iter().find(|unit| unit.symbol == guess.unit).map_or(f64::NAN, |unit| unit.factor);
                self.sight.columns[guess.column].values[row] * factor
            }
            None => self.sight.track.spacing_m.unwrap_or(f64::NAN),
        };
        let speed = &self.sight.track.speed_m_s;
        let cut: Vec<f64> = speed.iter().enumerate().map(|(row, speed)| speed * width(row)).collect();
        cut.iter().any(|cut| cut.is_finite()).then_some(cut)
    }

    fn grain(&self, channel: Channel, one: &mut Hypothesis, values: &[f64], shape: &Shape, known: &[Guess]) {
        // running numbers and states are no grain
        if shape.distinct < 12 || shape.cv < 0.03 || shape.is_running {
            one.points = OUT;
            return;
        }
        let cut = self.cut_m2_s(known);
        // a mass per time or per area names what it is of
        let named = words::strength(&self.headers[one.column], channel) > 0.0 || one.says_unit;
        let (middle, spread) = units::usual_yield(self.sight.crop);
        let flowing = |row: usize| values[row] > 0.2 * shape.middle;
        let kg_ha = if channel == Channel::Yield {
            Some(shape.middle * one.unit.factor)
        } else {
            cut.as_ref().and_then(|cut| {
                let mut tells: Vec<f64> = (0..values.len())
                    .filter(|&row| flowing(row) && cut[row] > 0.0)
                    .map(|row| values[row] * one.unit.factor / cut[row] * 1e4)
                    .collect();
                robust::median_in_place(&mut tells).ok()
            })
        };
        let Some(kg_ha) = kg_ha else {
            one.points -= 2.0;
            return;
        };
        let z = (kg_ha / middle).ln() / spread;
        one.points += 2.0 - (0.5 * z * z).min(12.0);
        one.evidence.push(format!("that is a yield of {:.1} t/ha", kg_ha / 1_000.0));
        if !named {
            // grain stops where the machine turns
            let still =
                values.iter().filter(|value| **value < 0.05 * shape.middle).count() as f64 / values.len() as f64;
            one.points += if (0.003..0.6).contains(&still) { -0.5 } else { -3.0 };
        }
        if channel == Channel::Flow {
            // units of one country go together
            let us = |guess: &Guess| matches!(guess.unit, "ft" | "in" | "mph" | "ft/s");
            let measured = known.iter().filter(|guess| guess.channel != Channel::Moisture && !guess.unit.is_empty());
            let (customary, metric): (Vec<_>, Vec<_>) = measured.partition(|guess| us(guess));
            let lean = (customary.len() as f64 - metric.len() as f64).clamp(-1.0, 1.0);
            one.points += if one.unit.symbol.starts_with("lb") { lean } else { -lean };
            self.against_yield(one, values, cut.as_deref(), shape);
        }
    }

    /// A flow and a yield in one file tell each other's unit.
    fn against_yield(&self, one: &mut Hypothesis, values: &[f64], cut: Option<&[f64]>, shape: &Shape) {
        let Some(cut) = cut else { return };
        let per_area: Vec<f64> = values
            .iter()
            .zip(cut)
            .map(
                |(value, cut)| if *value > 0.2 * shape.middle { value * one.unit.factor / cut * 1e4 } else { f64::NAN },
            )
            .collect();
        for (at, column) in self.sight.columns.iter().enumerate() {
            if at == one.column {
                continue;
            }
            let Some(found) = relation(&per_area, &column.values) else { continue };
            if found.spread > 0.12 || found.correlation < 0.7 {
                continue;
            }
            // at field moisture, or at that of the market: up to a quarter less
            let fitting = units::yields(self.sight.bushel).into_iter().find(|unit| {
                let ratio = found.ratio / unit.factor;
                (0.96..1.30).contains(&ratio)
            });
            if let Some(unit) = fitting {
                one.points += 5.0;
                one.evidence.push(format!("over the ground cut it fits `{}` in {}", column.name, unit.symbol));
                return;
            }
            one.points -= 3.0;
        }
    }
}

fn fit(one: &mut Hypothesis, found: Option<Relation>, (off_most, spread_most): (f64, f64), of: &str) {
    let Some(found) = found else {
        one.points -= 2.0;
        return;
    };
    let off = found.off(one.unit.factor);
    if off > 2.0 * off_most || found.spread > spread_most {
        one.points = OUT;
        return;
    }
    one.points += if off < off_most { 4.0 - 45.0 * off } else { -2.0 };
    one.points += if found.correlation > 0.2 { 3.0 * found.correlation } else { -2.0 };
    one.evidence.push(format!(
        "{:.2} of the {of} (correlation {:.2})",
        found.ratio * one.unit.factor,
        found.correlation
    ));
}

fn moisture(one: &mut Hypothesis, shape: &Shape) {
    let (low, high) = (shape.low * one.unit.factor, shape.high * one.unit.factor);
    let range = units::MOISTURE_PCT;
    if !range.contains(&(shape.middle * one.unit.factor)) || high > *range.end() + 5.0 || shape.is_running {
        one.points = OUT;
        return;
    }
    one.points += if low >= *range.start() { 1.0 } else { -2.0 };
    one.points += if (0.002..0.3).contains(&shape.cv) { 1.5 } else { -1.0 };
    one.points += if shape.next_alike > 0.3 { 0.5 } else { 0.0 };
    one.evidence.push(format!("{low:.1} to {high:.1} %, no zeros where nothing is cut"));
}

/// What a column looks like by itself.
struct Shape {
    count: usize,
    is_negative: bool,
    low: f64,
    middle: f64,
    high: f64,
    cv: f64,
    distinct: usize,
    mode: f64,
    mode_share: f64,
    /// Correlation of a value with the one before it, along the track.
    next_alike: f64,
    /// Whether it only grows by steps of a counter.
    is_running: bool,
}

impl Shape {
    fn of(values: &[f64], track: &Track) -> Self {
        let known: Vec<f64> = track.order.iter().map(|&row| values[row]).filter(|value| value.is_finite()).collect();
        let mut sorted = known.clone();
        sorted.sort_by(f64::total_cmp);
        let count = sorted.len();
        let at = |share: f64| sorted.get(((count.max(1) - 1) as f64 * share) as usize).copied().unwrap_or(f64::NAN);
        let above: Vec<f64> = sorted.iter().copied().filter(|value| *value > 0.0).collect();
        let middle = robust::median(&above).unwrap_or(f64::NAN);
        let quarters = [at(0.25), at(0.75)];
        let (mut distinct, mut mode, mut most, mut run) = (0, f64::NAN, 0, 0);
        for (place, value) in sorted.iter().enumerate() {
            if place == 0 || (value - sorted[place - 1]).abs() > 0.0 {
                (distinct, run) = (distinct + 1, 0);
            }
            run += 1;
            if run > most {
                (most, mode) = (run, *value);
            }
        }
        let mean = known.iter().sum::<f64>() / count.max(1) as f64;
        let square: f64 = known.iter().map(|value| (value - mean).powi(2)).sum();
        let next: f64 = known.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
        let up = known.windows(2).filter(|pair| pair[1] >= pair[0]).count();
        let down = known.windows(2).filter(|pair| pair[1] <= pair[0]).count();
        Self {
            count,
            is_negative: at(0.05) < 0.0,
            low: at(0.05),
            middle,
            high: at(0.95),
            cv: (quarters[1] - quarters[0]) / 1.349 / middle.abs().max(1e-12),
            distinct,
            mode,
            mode_share: f64::from(most) / count.max(1) as f64,
            next_alike: if square > 0.0 { next / square } else { 1.0 },
            is_running: count > 1 && distinct > 2 && up.max(down) as f64 >= 0.995 * (count - 1) as f64,
        }
    }
}
