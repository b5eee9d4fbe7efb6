//! The grower's page in words. Every number in it stands in the tables; where the data carry none, none is given.

use serde::Serialize;

use super::text::{probability, signed, time_of_year};
use crate::config::ArchiveSettings;
use crate::points::Caution;
use crate::report::Units;
use crate::report::units::level;
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

    fn time_of_year(&self) -> &'static str {
        time_of_year(self.archive, self.result.place_deg.1)
    }

    fn check(&self) -> String {
        self.archive.check().map_or_else(|| "check".to_owned(), |check| check.label.clone())
    }

    fn confidence(&self) -> String {
        level(self.archive.model.confidence)
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
            return format!("{at} {}{}", self.sentence(one), self.paid(&all));
        }
        let named = |wanted: &str| -> Vec<String> {
            all.iter()
                .filter(|one| shown(one) == wanted)
                .map(|one| self.archive.label(&one.key.treatment).to_owned())
                .collect()
        };
        let (gains, losses, unknown) = (named("gain"), named("loss"), named("none"));
        if unknown.len() == all.len() {
            return format!("{at} no number can be given for any treatment: {}.", self.why_none(all[0]));
        }
        let check = self.check();
        let sentence = match (gains.is_empty(), losses.is_empty()) {
            (true, true) if unknown.is_empty() => format!("no treatment is shown to differ from the {check}."),
            (true, true) => format!("{} is not shown to differ from the {check}.", joined(&named("open"))),
            (false, true) if gains.len() == all.len() => {
                format!("every treatment yielded more than the {check}: {}.", joined(&gains))
            }
            (false, true) => {
                format!("{} yielded more than the {check}; of the others it is not shown.", joined(&gains))
            }
            (true, false) => format!("{} yielded less than the {check}; no gain is shown.", joined(&losses)),
            (false, false) => {
                format!("{} yielded more than the {check}, and {} less.", joined(&gains), joined(&losses))
            }
        };
        let unknown = if unknown.is_empty() {
            String::new()
        } else {
            format!(" No number can be given for {}.", joined(&unknown))
        };
        format!("{at} {sentence}{unknown}{}", self.paid(&all))
    }

    /// Which treatments probably paid, and which of them returned most; nothing where it cannot be estimated.
    fn paid(&self, all: &[&Response]) -> String {
        let mut known: Vec<(&Response, f64, f64)> = all
            .iter()
            .filter(|one| one.decision_allowed())
            .filter_map(|one| Some((*one, one.returns.probability_pays?, one.returns.net_return.unwrap_or(0.0))))
            .collect();
        known.sort_by(|one, other| other.2.total_cmp(&one.2));
        let Some(&(best, pays, net)) = known.first() else { return String::new() };
        let label = |one: &Response| self.archive.label(&one.key.treatment).to_owned();
        let money = best
            .returns
            .net_return
            .map_or_else(String::new, |_| format!("{} {}, ", signed(self.units.money(net), 0), self.units.money_unit));
        let in_numbers = format!("{money}probability {}", probability(Some(pays)));
        let paid: Vec<String> = known.iter().filter(|one| one.1 > 0.5).map(|one| label(one.0)).collect();
        match (paid.as_slice(), known.len()) {
            ([], 1) => format!(" It probably did not pay for itself ({in_numbers} that it did)."),
            ([], _) => {
                format!(" Probably none paid for itself; {} came nearest ({in_numbers} that it did).", label(best))
            }
            ([_], 1) => format!(" It probably paid for itself ({in_numbers})."),
            ([one], _) => format!(" Only {one} probably paid for itself ({in_numbers})."),
            (several, all) if several.len() == all => {
                format!(" Each probably paid for itself. What returned most: {} ({in_numbers}).", label(best))
            }
            (several, _) => format!(
                " These probably paid for themselves: {}. What returned most: {} ({in_numbers}).",
                joined(several),
                label(best)
            ),
        }
    }

    /// Whether combine and treatment coincide.
    fn is_aliased(&self, response: &Response) -> bool {
        let of_this = format!("{}:", response.key.treatment);
        let mut of_all = self.result.cautions.iter();
        response.cautions.contains(Caution::MachineAliased)
            || of_all.any(|(caution, detail)| caution == Caution::MachineAliased && detail.contains(&of_this))
    }

    /// Why there is no number for a treatment.
    fn why_none(&self, response: &Response) -> String {
        if self.is_aliased(response) {
            Caution::MachineAliased.text().to_owned()
        } else {
            let detail = response.cautions.iter().find(|one| one.0 == Caution::NotEstimable).map_or("", |one| one.1);
            let more = if detail.is_empty() { String::new() } else { format!(" ({detail})") };
            format!("the data do not carry one{more}")
        }
    }

    /// What one treatment did, as a clause.
    fn sentence(&self, response: &Response) -> String {
        let (name, check) = (self.archive.label(&response.key.treatment), self.check());
        let unit = self.units.yield_unit;
        let Some(mean) = response.estimate.mean else {
            return format!("no number can be given for {name}: {}.", self.why_none(response));
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
        let net = |net: f64| signed(self.units.money(net), 0);
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
            net_range: returns
                .net_interval
                .map_or_else(String::new, |(low, high)| format!("{} to {}", net(low), net(high))),
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
                Some(one) => format!("All of it is on {} ground.", one.class_name.to_lowercase()),
                None => String::new(),
            };
        }
        let kind = |one: &&Response| if one.cautions.contains(Caution::ClassUnsure) { "unsure" } else { shown(one) };
        let named = |wanted: &str| -> Vec<String> {
            let of_kind = classes.iter().filter(|one| kind(one) == wanted);
            of_kind.map(|one| one.class_name.to_lowercase()).collect()
        };
        let mut parts = Vec::new();
        for (wanted, words) in [
            ("gain", "More than the check on"),
            ("loss", "Less than the check on"),
            ("open", "Not shown either way on"),
            ("none", "Too little to judge by"),
            ("unsure", "Where the soil is mostly unsure, nothing is said"),
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
            parts.push("Drier and wetter soils are not shown to differ in it.".to_owned());
        }
        parts.join(" ")
    }

    /// What this field and year alone say of next spring. Where to treat is for the plan, which knows the other fields and years.
    fn next(&self, response: &Response) -> String {
        let name = self.archive.label(&response.key.treatment);
        if response.estimate.mean.is_none() {
            let how = if self.is_aliased(response) {
                "each block cut by one combine, treated and check alike"
            } else {
                "in blocks of treated and check strips side by side, at least four, whose order is drawn at random"
            };
            return format!("Nothing is advised for {name}: {}. Lay it out again, {how}.", self.why_none(response));
        }
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
                "{name} is likely to have paid here. Wherever it is used again, leave check strips in, to see whether it pays in another {}.",
                self.time_of_year()
            ),
            Some(pays) if pays <= 1.0 - sure => {
                format!(
                    "{name} is not likely to have paid here. If it is tried again, strips will show whether another {} differs.",
                    self.time_of_year()
                )
            }
            Some(_) => match Self::blocks_to_settle(response) {
                Some(more) => format!(
                    "Whether {name} pays here is open. Strips will show it: about {more} blocks in one season, if the response stays where it is."
                ),
                None => {
                    format!(
                        "Whether {name} pays here is open, and so near to even that strips alone will hardly show it."
                    )
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::points::{Cautions, CleaningFacts, Design};
    use crate::results::{Counts, Estimate, ResponseKey, Returns, SiteYearIdentity, Supplement};
    use std::collections::BTreeMap;

    const ARCHIVE: &str = "name = \"Test\"\nreport_units = \"us\"\n[soil]\nclasses = [\"dry\", \"wet\"]\n\
                           [crops.corn]\nprice = \"4.20 USD/bu\"\n[treatments.check]\nlabel = \"check\"\ncheck = true\n\
                           [treatments.a]\nlabel = \"half\"\ncost = \"9 USD/ac\"\n[treatments.b]\nlabel = \"full\"\n\
                           cost = \"20 USD/ac\"\n[treatments.c]\nlabel = \"both\"\ncost = \"30 USD/ac\"\n";

    /// A response of six blocks: mean and half width in kg/ha, and the probability that it paid.
    fn response(treatment: &str, numbers: Option<(f64, f64, f64)>) -> Response {
        let mut cautions = Cautions::default();
        if numbers.is_none() {
            cautions.add(Caution::NotEstimable, "compared in 6 blocks");
        }
        Response {
            key: ResponseKey { treatment: treatment.to_owned(), class: None },
            class_name: "all".to_owned(),
            blocks: 6,
            strips: 6,
            segments: 60,
            area_m2: 1e4,
            check_yield: None,
            treated_yield: None,
            check_moisture_pct: None,
            treated_moisture_pct: None,
            moisture_std_error_pct: None,
            estimate: numbers.map_or_else(Estimate::default, |(mean, half, _)| Estimate {
                std_error: Some(half / 2.0),
                low: Some(mean - half),
                high: Some(mean + half),
                ..Estimate::of_mean(mean)
            }),
            shrunken: None,
            returns: Returns { probability_pays: numbers.map(|one| one.2), ..Returns::default() },
            cautions,
        }
    }

    /// The headline, and what is said of next spring.
    fn sentences(responses: Vec<Response>, cautions: &[Caution]) -> (String, Vec<String>) {
        let archive = ArchiveSettings::parse("archive.toml", ARCHIVE).unwrap();
        let units = Units::new(&archive, "corn");
        let mut raised = Cautions::default();
        for caution in cautions {
            raised.add(*caution, "a: x; b: x");
        }
        let identity = SiteYearIdentity {
            season: 2023,
            farm: "Farm".to_owned(),
            field: "Field".to_owned(),
            crop: "corn".to_owned(),
        };
        let result = SiteYear {
            identity,
            folder: String::new(),
            place_deg: (0.0, 0.0),
            last_day: None,
            epsg: 32_615,
            wetness_mm: None,
            wetness_class: None,
            counts: Counts::default(),
            removal_by_treatment: Vec::new(),
            cleaning: CleaningFacts::default(),
            design: Some(Design::default()),
            class_area_m2: Vec::new(),
            soil_zone: Vec::new(),
            responses,
            differences: Vec::new(),
            variance: BTreeMap::new(),
            field_model: None,
            supplement: Supplement::default(),
            local: Vec::new(),
            sensitivity: Vec::new(),
            observed: Vec::new(),
            covariates: Vec::new(),
            cautions: raised,
        };
        let words = Words { result: &result, archive: &archive, units: &units, decimals: 1 };
        (words.headline(), words.verdicts().into_iter().map(|one| one.next).collect())
    }

    #[test]
    fn what_has_no_number_is_not_told_as_no_difference() {
        let (headline, next) = sentences(vec![response("a", None), response("b", None)], &[Caution::MachineAliased]);
        let why = "combine and treatment cannot be separated";
        assert!(headline.contains("no number can be given for any treatment") && headline.contains(why), "{headline}");
        for one in next {
            assert!(one.contains(why) && one.contains("cut by one combine") && !one.contains("four blocks"), "{one}");
        }
        let (headline, _) = sentences(vec![response("a", Some((100.0, 300.0, 0.4))), response("b", None)], &[]);
        assert!(headline.contains("half is not shown to differ"), "{headline}");
        assert!(headline.contains("No number can be given for full."), "{headline}");
    }

    #[test]
    fn a_gain_that_did_not_pay_is_reported_with_what_it_lost() {
        let all = [("a", 0.9), ("b", 0.25), ("c", 0.24)];
        let all = all.map(|(key, pays)| response(key, Some((500.0, 300.0, pays))));
        let (headline, _) = sentences(all.to_vec(), &[]);
        assert!(headline.contains("every treatment yielded more than the check: half, full and both."), "{headline}");
        assert!(headline.ends_with("Only half probably paid for itself (probability 90 %)."), "{headline}");
        let (headline, _) = sentences(vec![response("b", Some((500.0, 300.0, 0.25)))], &[]);
        assert!(headline.ends_with("It probably did not pay for itself (probability 25 % that it did)."), "{headline}");
    }

    #[test]
    fn one_site_year_does_not_say_where_to_treat() {
        let all = [("a", 0.95), ("b", 0.05)].map(|(key, pays)| response(key, Some((500.0, 300.0, pays))));
        let (_, next) = sentences(all.to_vec(), &[]);
        for one in next {
            assert!(!one.contains("reat more") && !one.contains("eave it out"), "{one}");
        }
    }
}
