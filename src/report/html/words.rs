//! The grower's page in words. Every number in it stands in the tables; where the data carry none, none is told.

use serde::Serialize;

use super::text::{probability, signed};
use crate::config::ArchiveSettings;
use crate::report::Units;
use crate::results::{Response, SiteYear};

/// One treatment over the whole field.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Verdict {
    label: String,
    /// `gain`, `loss`, `open` or `none`: what is shown of its response.
    shown: &'static str,
    response: String,
    range: String,
    net: String,
    net_range: String,
    pays: String,
    break_even: String,
    sentence: String,
    ground: String,
    next: String,
}

/// What is shown of a response.
fn shown(response: &Response) -> &'static str {
    match (response.estimate.mean, response.estimate.low, response.estimate.high) {
        (_, Some(low), _) if low > 0.0 => "gain",
        (_, _, Some(high)) if high < 0.0 => "loss",
        (Some(_), _, _) => "open",
        (None, _, _) => "none",
    }
}

/// The words of one site-year.
pub(super) struct Words<'w> {
    pub(super) result: &'w SiteYear,
    pub(super) archive: &'w ArchiveSettings,
    pub(super) units: &'w Units,
    pub(super) decimals: usize,
}

impl Words<'_> {
    fn whole(&self) -> impl Iterator<Item = &Response> {
        self.result.responses.iter().filter(|response| response.key.class.is_none())
    }

    fn yields(&self, kg_ha: f64) -> String {
        signed(self.units.yields(kg_ha), self.decimals)
    }

    fn amount(&self, kg_ha: f64) -> String {
        format!("{:.*}", self.decimals, self.units.yields(kg_ha).abs())
    }

    fn check(&self) -> String {
        self.archive.check().map_or_else(|| "check".to_owned(), |check| check.label.clone())
    }

    fn confidence(&self) -> String {
        format!("{:.0} %", 100.0 * self.archive.model.confidence)
    }

    /// The answer in one sentence.
    pub(super) fn headline(&self) -> String {
        let identity = &self.result.identity;
        let at = format!("On {} in {},", identity.field, identity.season);
        let all: Vec<&Response> = self.whole().collect();
        if all.is_empty() {
            return if self.result.design.is_none() {
                format!("{at} no strips were laid out: the field is cleaned and mapped, and nothing is compared.")
            } else {
                format!("{at} no treated strip could be compared with a check strip.")
            };
        }
        if let [one] = all[..] {
            return format!("{at} {}", self.sentence(one));
        }
        let named = |wanted: &str| -> Vec<String> {
            all.iter()
                .filter(|one| shown(one) == wanted)
                .map(|one| self.archive.label(&one.key.treatment).to_owned())
                .collect()
        };
        let (gains, losses) = (named("gain"), named("loss"));
        let check = self.check();
        match (gains.is_empty(), losses.is_empty()) {
            (true, true) => format!("{at} no treatment is shown to differ from the {check}."),
            (false, true) if gains.len() == all.len() => {
                format!("{at} every treatment yielded more than the {check}: {}.", joined(&gains))
            }
            (false, true) => {
                format!("{at} {} yielded more than the {check}; of the others it is not shown.", joined(&gains))
            }
            (true, false) => format!("{at} {} yielded less than the {check}; no gain is shown.", joined(&losses)),
            (false, false) => {
                format!("{at} {} yielded more than the {check}, and {} less.", joined(&gains), joined(&losses))
            }
        }
    }

    /// What one treatment did, as a clause.
    fn sentence(&self, response: &Response) -> String {
        let (name, check) = (self.archive.label(&response.key.treatment), self.check());
        let unit = self.units.yield_unit;
        let Some(mean) = response.estimate.mean else {
            return format!("no number can be given for {name}: the data do not carry one.");
        };
        let word = if mean < 0.0 { "less" } else { "more" };
        let amount = self.amount(mean);
        match response.estimate.low.zip(response.estimate.high) {
            None => format!(
                "{name} yielded {amount} {unit} {word} than the {check} in a single block; no range can be given, so this is a demonstration and not a trial."
            ),
            Some((low, high)) => {
                let range = format!("{} interval {} to {}", self.confidence(), self.yields(low), self.yields(high));
                if low * high > 0.0 {
                    format!("{name} yielded {amount} {unit} {word} than the {check} ({range}).")
                } else {
                    format!("{name} is not shown to differ from the {check}: {amount} {unit} {word} ({range}).")
                }
            }
        }
    }

    /// The treatments over the whole field.
    pub(super) fn verdicts(&self) -> Vec<Verdict> {
        self.whole().map(|response| self.verdict(response)).collect()
    }

    fn verdict(&self, response: &Response) -> Verdict {
        let estimate = &response.estimate;
        let unit = self.units.yield_unit;
        let interval = estimate.low.zip(estimate.high);
        let returns = &response.returns;
        let net_of = |kg_ha: f64| returns.net_return_of(kg_ha).map(|net| signed(self.units.money(net), 0));
        Verdict {
            label: self.archive.label(&response.key.treatment).to_owned(),
            shown: shown(response),
            response: estimate
                .mean
                .map_or_else(|| "not estimable".to_owned(), |mean| format!("{} {unit}", self.yields(mean))),
            range: interval.map_or_else(String::new, |(low, high)| {
                format!("{} interval {} to {}", self.confidence(), self.yields(low), self.yields(high))
            }),
            net: returns.net_return.map_or_else(String::new, |net| {
                format!("{} {}", signed(self.units.money(net), 0), self.units.money_unit)
            }),
            net_range: interval
                .and_then(|(low, high)| Some(format!("{} to {}", net_of(low)?, net_of(high)?)))
                .unwrap_or_default(),
            pays: returns.probability_pays.map_or_else(String::new, |share| probability(Some(share))),
            break_even: returns.break_even.map_or_else(String::new, |kg_ha| format!("{} {unit}", self.amount(kg_ha))),
            sentence: self.sentence(response),
            ground: self.ground(response),
            next: self.next(response),
        }
    }

    /// On which ground it is shown.
    fn ground(&self, whole: &Response) -> String {
        let classes: Vec<&Response> = self
            .result
            .responses
            .iter()
            .filter(|one| one.key.treatment == whole.key.treatment && one.key.class.is_some())
            .collect();
        if classes.len() < 2 {
            return match classes.first() {
                Some(one) => format!("All of it stands on {} ground.", one.class_name.to_lowercase()),
                None => String::new(),
            };
        }
        let named = |wanted: &str| -> Vec<String> {
            let of_kind = classes.iter().filter(|one| shown(one) == wanted);
            of_kind.map(|one| one.class_name.to_lowercase()).collect()
        };
        let mut parts = Vec::new();
        for (wanted, words) in [
            ("gain", "More than the check on"),
            ("loss", "Less than the check on"),
            ("open", "Not shown either way on"),
            ("none", "Too little to tell on"),
        ] {
            let names = named(wanted);
            if !names.is_empty() {
                parts.push(format!("{words}: {}.", names.join(", ")));
            }
        }
        let trend = self.result.supplement.trends.iter().find(|one| one.treatment == whole.key.treatment);
        if let Some((low, high)) = trend.and_then(|trend| trend.estimate.low.zip(trend.estimate.high))
            && low * high <= 0.0
        {
            parts.push("That drier and wetter soils differ in it is not shown.".to_owned());
        }
        parts.join(" ")
    }

    /// What to do next spring, from this field and year alone.
    fn next(&self, response: &Response) -> String {
        let name = self.archive.label(&response.key.treatment);
        if !response.decision_allowed() {
            return format!(
                "Nothing is advised for {name} from {}: lay it out again, in at least four blocks whose order is drawn at random.",
                blocks(response.blocks)
            );
        }
        let sure = self.archive.target.sure;
        match response.returns.probability_pays {
            None => format!("No price or cost is set for {name}, so nothing is said of what it would pay."),
            Some(pays) if pays >= sure => format!(
                "{name} is likely to have paid here. Treat more of this ground only with check strips left in, to see whether it pays in another spring."
            ),
            Some(pays) if pays <= 1.0 - sure => {
                format!(
                    "{name} is not likely to have paid here. Leave it out on this ground, or keep strips to test it again."
                )
            }
            Some(_) => match Self::blocks_to_settle(response) {
                Some(more) => format!(
                    "Whether {name} pays here is open. Strips will tell: about {more} blocks in one season, if the response stays where it is."
                ),
                None => {
                    format!("Whether {name} pays here is open, and so near to even that strips alone will hardly tell.")
                }
            },
        }
    }

    /// Blocks in all until the interval would leave out the break-even response, if the mean stays; `None` beyond 40.
    fn blocks_to_settle(response: &Response) -> Option<usize> {
        let (mean, low, high) = (response.estimate.mean?, response.estimate.low?, response.estimate.high?);
        let gap = (mean - response.returns.break_even?).abs();
        let needed = (response.blocks as f64 * (0.5 * (high - low) / gap).powi(2)).ceil();
        (needed <= 40.0).then_some((needed as usize).max(response.blocks + 1))
    }
}

fn blocks(count: usize) -> String {
    match count {
        0 => "no block".to_owned(),
        1 => "one block".to_owned(),
        count => format!("{count} blocks"),
    }
}

/// "a, b and c"; names that hold commas themselves are set apart by semicolons.
fn joined(names: &[String]) -> String {
    let (between, before_last) =
        if names.iter().any(|name| name.contains(',')) { ("; ", "; and ") } else { (", ", " and ") };
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [one, other] => format!("{one} and {other}"),
        [all @ .., last] => format!("{}{before_last}{last}", all.join(between)),
    }
}
