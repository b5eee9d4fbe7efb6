//! The answer in words: one paragraph for each treatment, made of sentence rules. Every number in it stands in the tables, and
//! nothing is said that the numbers do not carry: no range from two site-years, no word of paying without a pooled mean.

use std::fmt::Write;

use super::observed::step;
use super::units::{counted, fixed, level, probability};
use super::{FIRST, Units};
use crate::config::ArchiveSettings;
use crate::economics::share_interval;
use crate::points::Caution;
use crate::results::{Conclusions, Estimate, Estimator, Gradient, LEAST_POOLED, Trend, Worth, ZoneResponse};
use crate::stats::distribution::StudentT;

/// Departures are reported for so many millimetres.
const WETNESS_STEP_MM: f64 = 25.0;
/// More site-years than this are not worth counting.
const MANY: f64 = 100.0;
/// Probability with which as many more site-years are to settle an open question (common practice, no source).
const POWER: f64 = 0.80;
/// Probability from which on more strips would seldom turn the answer: once in twenty (ours).
const SETTLED: f64 = 0.95;
/// Doubts that belong into the paragraph itself.
const DOUBTS: [Caution; 7] = [
    Caution::RestsOnOne,
    Caution::SingleYear,
    Caution::FewSeasons,
    Caution::FewSiteYears,
    Caution::NotRandomised,
    Caution::MachineAliased,
    Caution::TiledMixed,
];

/// A paragraph with what it is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// Label of the treatment and the crop.
    pub title: String,
    /// The sentences.
    pub text: String,
}

/// The answers, by crop and treatment in the order of the zones.
pub fn answers(conclusions: &Conclusions, archive: &ArchiveSettings) -> Vec<Answer> {
    let zones = &conclusions.synthesis.zones;
    zones
        .iter()
        .filter(|zone| zone.class.is_none() && zone.wetness.is_none())
        .map(|whole| {
            let of = Of { whole, zones, conclusions, archive, units: Units::new(archive, &whole.crop) };
            Answer { title: format!("{} on {}", of.label(), whole.crop), text: of.sentences().join(" ") }
        })
        .collect()
}

/// `answers.md`.
pub(super) fn markdown(answers: &[Answer], archive: &ArchiveSettings) -> String {
    let mut text = format!("# {}\n", archive.name);
    for answer in answers {
        let _ = write!(text, "\n## {}\n\n{}\n", answer.title, answer.text);
    }
    let _ = write!(text, "\n{FIRST}\n");
    text
}

/// One treatment in one crop.
struct Of<'a> {
    whole: &'a ZoneResponse,
    zones: &'a [ZoneResponse],
    conclusions: &'a Conclusions,
    archive: &'a ArchiveSettings,
    units: Units,
}

impl Of<'_> {
    fn label(&self) -> &str {
        self.archive.label(&self.whole.treatment)
    }

    fn sentences(&self) -> Vec<String> {
        let mut sentences = vec![self.effect()];
        if self.whole.estimator.is_pooled() {
            sentences.extend(
                [self.money(), self.ground(), self.grounds_that_pay(), self.normal_year(), self.wetness()]
                    .into_iter()
                    .flatten(),
            );
        }
        sentences.extend(self.observed());
        sentences.extend(self.doubts());
        sentences.extend(self.settle());
        sentences
    }

    fn yields(&self, kg_ha: f64) -> String {
        fixed(Some(self.units.yields(kg_ha)), if self.units.yield_decimals > 3 { 2 } else { 1 })
    }

    fn money_text(&self, per_ha: f64) -> String {
        format!("{} {}", fixed(Some(self.units.money(per_ha)), 2), self.units.money_unit)
    }

    fn range(&self, estimate: &Estimate, scale: f64) -> Option<String> {
        let (low, high) = (estimate.low?, estimate.high?);
        let confidence = level(self.archive.model.confidence);
        Some(format!("{confidence} interval {} to {}", self.yields(scale * low), self.yields(scale * high)))
    }

    fn more(&self, mean: f64) -> String {
        let word = if mean < 0.0 { "less" } else { "more" };
        format!("{} {} {word}", self.yields(mean.abs()), self.units.yield_unit)
    }

    fn effect(&self) -> String {
        let (label, crop) = (self.label(), &self.whole.crop);
        let estimate = &self.whole.estimate;
        let Some(mean) = estimate.mean else {
            return format!("No number can be given for {label} on {crop}: no site-year has an estimate.");
        };
        let more = self.more(mean);
        let range = self.range(estimate, 1.0);
        match self.whole.estimator {
            Estimator::SingleSiteYear | Estimator::None if self.whole.site_years == 1 => {
                let range = range.unwrap_or_else(|| "no interval: too few blocks".to_owned());
                format!(
                    "In the one site-year so far, {label} on {crop} yielded {more} than the check ({range}); that says nothing of other fields and years."
                )
            }
            Estimator::OneStage | Estimator::TwoStage => {
                let range = range.unwrap_or_default();
                format!(
                    "Over {} in {}, {label} on {crop} yielded {more} than the check on average ({range}); {} of the {} gained{}.",
                    counted(self.whole.site_years, "site-year"),
                    counted(self.whole.seasons, "season"),
                    self.whole.gained,
                    self.whole.site_years,
                    self.share_that_gained(),
                )
            }
            _ => format!(
                "In {} so far, {label} on {crop} yielded {more} than the check on average; that is too little to say how others would differ, so no range is given.",
                counted(self.whole.site_years, "site-year"),
            ),
        }
    }

    /// The interval of the share of site-years that gained.
    fn share_that_gained(&self) -> String {
        let confidence = self.archive.model.confidence;
        let interval = share_interval(self.whole.gained, self.whole.site_years, confidence);
        interval.map_or_else(String::new, |(low, high)| {
            format!(" ({} interval of their share {:.0} to {:.0} %)", level(confidence), 100.0 * low, 100.0 * high)
        })
    }

    fn worth(&self) -> Option<&Worth> {
        self.conclusions.worth.iter().find(|one| {
            one.is_configured
                && one.crop == self.whole.crop
                && one.treatment == self.whole.treatment
                && one.class.is_none()
        })
    }

    fn money(&self) -> Option<String> {
        let worth = self.worth()?;
        let (low, high) = self.whole.returns.net_interval?;
        let new_site = worth.probability_new_site_pays.map_or_else(String::new, |share| {
            format!(", and {} that it pays in a field and year of its own", probability(share))
        });
        Some(format!(
            "At {:.2} {} and a cost of {} it takes {} {} to pay; the average returns {} ({} to {}). The probability is {} that the average pays{new_site}.",
            self.units.price(worth.price_per_kg),
            self.units.price_unit,
            self.money_text(worth.cost_per_ha),
            self.yields(worth.break_even),
            self.units.yield_unit,
            self.money_text(worth.net_return),
            self.units.money(low).round() as i64,
            self.units.money(high).round() as i64,
            probability(worth.probability_pays?),
        ))
    }

    fn trend(&self, gradient: Gradient) -> Option<&Trend> {
        self.conclusions.synthesis.trends.iter().find(|one| {
            one.gradient == gradient && one.crop == self.whole.crop && one.treatment == self.whole.treatment
        })
    }

    fn ground(&self) -> Option<String> {
        let trend = self.trend(Gradient::Drainage)?;
        let Some((mean, range)) = trend.estimate.mean.zip(self.range(&trend.estimate, 1.0)) else {
            return Some("Whether it differs between soils is not known yet.".to_owned());
        };
        let unit = self.units.yield_unit;
        Some(if is_shown(&trend.estimate) {
            let word = if mean > 0.0 { "grows" } else { "falls" };
            format!(
                "From one soil class to the next wetter one the response {word} by {} {unit} ({range}).",
                self.yields(mean.abs())
            )
        } else {
            format!(
                "It is not shown to differ between drier and wetter soils ({} {unit} a class, {range}).",
                self.yields(mean)
            )
        })
    }

    /// Where it pays, by the shrunken responses; only where the soils are shown to differ.
    fn grounds_that_pay(&self) -> Option<String> {
        if !self.trend(Gradient::Drainage).is_some_and(|trend| is_shown(&trend.estimate)) {
            return None;
        }
        let sure = self.archive.target.sure;
        let named = |keep: &dyn Fn(f64) -> bool| {
            let classes = self.zones.iter().filter(|zone| {
                zone.crop == self.whole.crop
                    && zone.treatment == self.whole.treatment
                    && zone.class.is_some()
                    && zone.wetness.is_none()
                    && zone.estimator.is_pooled()
            });
            let names: Vec<String> = classes
                .filter_map(|zone| {
                    let needed = zone.returns.break_even? - zone.drawn_by();
                    let share = zone.shrunken.as_ref()?.distribution.survival(needed);
                    if !keep(share) {
                        return None;
                    }
                    Some(format!("{} ({})", zone.class_name, probability(share)))
                })
                .collect();
            (!names.is_empty()).then(|| names.join(", "))
        };
        let (pays, loses) = (named(&|share| share >= sure), named(&|share| share <= 1.0 - sure));
        match (pays, loses) {
            (Some(pays), Some(loses)) => Some(format!("It pays most surely on: {pays}; least on: {loses}.")),
            (Some(pays), None) => Some(format!("It pays most surely on: {pays}.")),
            (None, Some(loses)) => Some(format!("It pays least on: {loses}.")),
            (None, None) => None,
        }
    }

    fn normal_year(&self) -> Option<String> {
        let wetness = self.archive.wetness.as_ref()?;
        let rank = wetness.normal_rank();
        let label = &wetness.labels[rank];
        let zone = self.zones.iter().find(|zone| {
            zone.crop == self.whole.crop
                && zone.treatment == self.whole.treatment
                && zone.class.is_none()
                && zone.wetness == Some(rank)
        });
        let pooled = zone.filter(|zone| zone.estimator.is_pooled());
        Some(match pooled.and_then(|zone| Some((zone, zone.estimate.mean?, self.range(&zone.estimate, 1.0)?))) {
            Some((zone, mean, range)) => format!(
                "Where precipitation was {label}, it yielded {} ({range}; {} site-years).",
                self.more(mean),
                zone.site_years
            ),
            None => {
                let count = zone.map_or(0, |zone| zone.site_years);
                let count = match count {
                    0 => "no site-year".to_owned(),
                    1 => "one site-year".to_owned(),
                    count => format!("{count} site-years"),
                };
                format!("What it does where precipitation is {label} is not known yet ({count}).")
            }
        })
    }

    fn wetness(&self) -> Option<String> {
        let trend = self.trend(Gradient::Wetness)?;
        let mean = WETNESS_STEP_MM * trend.estimate.mean?;
        let range = self.range(&trend.estimate, WETNESS_STEP_MM)?;
        let unit = self.units.yield_unit;
        Some(if is_shown(&trend.estimate) {
            let word = if mean > 0.0 { "more" } else { "less" };
            format!(
                "{WETNESS_STEP_MM:.0} mm more precipitation than normal went with {} {unit} {word} response ({range}).",
                self.yields(mean.abs())
            )
        } else {
            format!(
                "Wetter seasons are not shown to change it ({} {unit} for {WETNESS_STEP_MM:.0} mm, {range}).",
                self.yields(mean)
            )
        })
    }

    /// What goes with the ratings; said as an association, whatever its interval.
    fn observed(&self) -> Vec<String> {
        let all = self.conclusions.synthesis.associations.iter();
        let own = all.filter(|one| one.crop == self.whole.crop && one.treatment == self.whole.treatment);
        own.filter_map(|one| {
            let (mean, range) = (one.estimate.mean?, self.range(&one.estimate, 1.0)?);
            let (unit, step, count) = (self.units.yield_unit, step(&one.scale), one.site_years);
            let slope = format!("{} {unit} per {step}, {range}; {count} site-years", self.yields(mean));
            Some(if is_shown(&one.estimate) {
                format!(
                    "Over site-years the response goes with the difference in {} ({slope}): an association, which need not be a cause.",
                    one.measure
                )
            } else {
                format!("Fields with more difference in {} are not shown to have more response ({slope}).", one.measure)
            })
        })
        .collect()
    }

    fn doubts(&self) -> Option<String> {
        let texts: Vec<String> = self
            .whole
            .cautions
            .iter()
            .filter(|(caution, _)| DOUBTS.contains(caution))
            .map(|(caution, detail)| match detail {
                "" => caution.text().to_owned(),
                detail => format!("{} ({detail})", caution.text()),
            })
            .collect();
        (!texts.is_empty()).then(|| format!("Reasons to doubt it: {}.", texts.join("; ")))
    }

    /// What more strips would bring: site-years until the interval leaves the break-even response, if the mean stays.
    fn settle(&self) -> Option<String> {
        if !self.whole.estimator.is_pooled() {
            let missing = LEAST_POOLED.saturating_sub(self.whole.site_years).max(1);
            let more = counted(missing, "more site-year");
            return Some(format!("Replicated strips in at least {more} would allow a range."));
        }
        let worth = self.worth()?;
        let value = worth.value_of_another_year.map(|value| self.money_text(value));
        let (mean, std_error) = (self.whole.estimate.mean?, self.whole.estimate.std_error?);
        let pays = worth.probability_pays?;
        let sure = self.archive.target.sure;
        let worth_of = value.map_or_else(String::new, |value| {
            format!("; another year like those so far is worth about {value} to the decision")
        });
        if pays > 1.0 - sure && pays < sure {
            let normal = StudentT::new(f64::INFINITY).ok()?;
            let reach =
                normal.quantile(0.5 + 0.5 * self.archive.model.confidence).ok()? + normal.quantile(POWER).ok()?;
            let k = self.whole.site_years as f64;
            let needed = (k * (reach * std_error / (mean - worth.break_even)).powi(2) - k).ceil().max(1.0);
            // seasons and fields as they were so far: more fields in one season tell nothing of other seasons
            let fields = (k / self.whole.seasons.max(1) as f64).round().max(1.0);
            let seasons = (needed / fields).ceil();
            let plural = |count: f64, one: &str| format!("{count:.0} {one}{}", if count > 1.5 { "s" } else { "" });
            let count = if needed > MANY {
                format!("more than {MANY:.0} more site-years")
            } else {
                format!(
                    "about {} ({} of {})",
                    plural(seasons * fields, "more site-year"),
                    plural(seasons, "season"),
                    plural(fields, "field")
                )
            };
            Some(format!(
                "Whether it pays on average is open: {count} would settle it with a probability of {} if the average stays where it is{worth_of}.",
                level(POWER)
            ))
        } else if (1.0 - SETTLED..=SETTLED).contains(&pays) {
            Some(format!(
                "The answer for the average is as sure as was asked for ({}), but more strips may still change it{worth_of}.",
                level(sure)
            ))
        } else {
            Some(format!("More strips would seldom change the answer for the average{worth_of}."))
        }
    }
}

/// Whether the interval leaves out 0.
fn is_shown(estimate: &Estimate) -> bool {
    estimate.low.zip(estimate.high).is_some_and(|(low, high)| low * high > 0.0)
}
