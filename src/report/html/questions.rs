//! The six questions of the index: for each one sentence and one figure. The pages and the figures to take along are made of the same.

use std::collections::BTreeSet;
use std::fmt::Write;

use serde_json::{Value, json};

use super::ArchiveCase;
use super::figures::compare::{self, Chance, Money, Treated};
use super::figures::doses::{self as dose_curve, Dose, Point};
use super::figures::kept::{self, Kept};
use super::figures::overturn::{self, Again, Tried};
use super::figures::panel::Panel;
use super::figures::planned::{self, Planned};
use super::figures::repeat::{self, Repeated, SiteYearLine};
use super::figures::sites::{self, Site};
use super::figures::soils::{self, Cell, Grounds, Soil};
use super::text::{decimals, probability, signed};
use crate::report::units::{level, trimmed};
use crate::report::{ReportError, Units, doses, plan as plan_text, promises};
use crate::results::{
    Choice, Choices, Decision, DoseCurve, Estimate, ForestKind, ForestRow, Gradient, PlanOutline, PlannedPlace,
    Returns, SiteYear, ZoneResponse,
};

/// Variants of single blocks, which other site-years do not share.
const OF_BLOCKS: &str = "without block";
/// Share of the site-years that must tell of an analysis before it is told over all of them (ours).
const LEAST_SHARE: f64 = 0.5;

/// Treatments that a sheet compares.
const MOST_COMPARED: usize = 4;
/// How to read what was found against what was promised.
const KEPT: &str = "Each point is what one plan promised for one ground and what the harvest of its season gave there, with its interval; \
                    on the line both are alike. Points whose colour is that of a gain lie within what was promised, widened by the error of \
                    what was found; the others do not.";
/// Fields that the sentence of the plan names.
const MOST_FIELDS: usize = 3;
/// Tallest panel that a sheet shows with text of a readable size, px.
const TALLEST: f64 = 470.0;

/// A figure with what it says.
#[derive(Debug, Clone)]
pub(super) struct Figure {
    /// The name of its files.
    pub(super) name: String,
    /// What it says, in one sentence.
    pub(super) sentence: String,
    pub(super) panels: Vec<Panel>,
    /// How to read it.
    pub(super) caption: String,
}

/// One crop of the archive.
pub(super) struct Crop<'a> {
    case: &'a ArchiveCase<'a>,
    choices: &'a Choices,
    units: Units,
    decimals: usize,
}

/// The crops, those of the most site-years first.
pub(super) fn crops<'a>(case: &'a ArchiveCase<'a>) -> Vec<Crop<'a>> {
    let mut crops: Vec<Crop<'a>> = case
        .conclusions
        .choices
        .iter()
        .map(|choices| {
            let units = Units::new(case.archive, &choices.crop);
            let decimals = decimals(&units);
            Crop { case, choices, units, decimals }
        })
        .collect();
    crops.sort_by_key(|crop| std::cmp::Reverse(crop.choices.treatments.iter().map(|one| one.site_years).max()));
    crops
}

impl Crop<'_> {
    pub(super) fn name(&self) -> &str {
        &self.choices.crop
    }

    fn label<'l>(&'l self, key: &'l str) -> &'l str {
        self.case.archive.label(key)
    }

    pub(super) fn has_money(&self) -> bool {
        self.choices.treatments.iter().any(|one| one.worth.is_some())
    }

    fn yields(&self, kg_ha: f64) -> f64 {
        self.units.yields(kg_ha)
    }

    fn scaled(&self, estimate: &Estimate) -> (Option<f64>, Option<(f64, f64)>) {
        let estimate = self.units.estimate(estimate);
        (estimate.mean, estimate.low.zip(estimate.high))
    }

    /// The treatment that the questions after the first are told of: the likeliest best, or that of the most site-years.
    fn focus(&self) -> Option<&Choice> {
        let rank = |one: &&Choice| (one.worth.as_ref().map_or(-1.0, |worth| worth.probability_best), one.site_years);
        self.choices.treatments.iter().rev().max_by(|one, other| {
            let (one, other) = (rank(one), rank(other));
            one.0.total_cmp(&other.0).then(one.1.cmp(&other.1))
        })
    }

    fn zone<'z>(&'z self, treatment: &'z str) -> Option<&'z ZoneResponse> {
        self.zones(treatment).find(|zone| zone.class.is_none() && zone.wetness.is_none())
    }

    fn zones<'z>(&'z self, treatment: &'z str) -> impl Iterator<Item = &'z ZoneResponse> {
        let zones = self.case.conclusions.synthesis.zones.iter();
        zones.filter(move |zone| zone.crop == self.choices.crop && zone.treatment == treatment)
    }

    /// The site-years of a treatment in the order of seasons and wetness.
    fn forest(&self, treatment: &str) -> Vec<&ForestRow> {
        let is_own = |row: &&ForestRow| {
            row.kind == ForestKind::SiteYear
                && row.class.is_none()
                && row.crop == self.choices.crop
                && row.treatment == treatment
                && row.estimate.mean.is_some()
        };
        let mut rows: Vec<&ForestRow> = self.case.conclusions.synthesis.forest.iter().filter(is_own).collect();
        let season = |row: &ForestRow| row.identity.as_ref().map_or(0, |one| one.season);
        rows.sort_by(|one, other| {
            let wetness = |row: &ForestRow| row.wetness_mm.unwrap_or(f64::INFINITY);
            season(one).cmp(&season(other)).then(wetness(one).total_cmp(&wetness(other)))
        });
        rows
    }

    fn site_year(&self, row: &ForestRow) -> Option<&SiteYear> {
        let identity = row.identity.as_ref()?;
        let at = self.case.site_years.binary_search_by(|one| one.identity.cmp(identity)).ok()?;
        self.case.site_years.get(at)
    }

    /// What a site-year's own response was worth.
    fn returns(&self, row: &ForestRow) -> Option<Returns> {
        let own = self.site_year(row)?.responses.iter();
        own.filter(|one| one.key.class.is_none()).find(|one| one.key.treatment == row.treatment).map(|one| one.returns)
    }

    fn figure(&self, number: &str, sentence: &str, panels: Vec<Panel>, caption: String) -> Figure {
        let crop = crate::report::file_part(self.name());
        Figure { name: format!("{number}-{crop}"), sentence: capitalised(sentence), panels, caption }
    }

    /// Which treatment is best, and does it pay?
    pub(super) fn compared(&self) -> Figure {
        self.compared_of(&self.choices.treatments.iter().collect::<Vec<_>>(), true)
    }

    /// Some of the treatments side by side, with nothing at all below them where that is wished.
    fn compared_of(&self, choices: &[&Choice], with_nothing: bool) -> Figure {
        let treated: Vec<Treated> = choices
            .iter()
            .map(|one| {
                let (mean, interval) = self.scaled(&one.estimate);
                let count = if one.site_years == 1 { "site-year" } else { "site-years" };
                Treated {
                    key: one.treatment.clone(),
                    label: self.label(&one.treatment).to_owned(),
                    mean,
                    interval,
                    money: self.money(one),
                    why_not: format!("too little to judge by ({} {count})", one.site_years),
                }
            })
            .collect();
        let nothing = self.choices.probability_nothing_best.filter(|_| with_nothing).map(|share| Chance {
            name: "is the best choice",
            kind: "best",
            share,
            interval: None,
            printed: probability(Some(share)),
        });
        let units = (self.units.yield_unit, self.units.money_unit.as_str());
        let panels = compare::draw(&treated, nothing.as_ref(), units, self.decimals);
        let level = level(self.case.archive.model.confidence);
        let mut caption = format!("Lines are {level} intervals; grey: not shown to differ from 0.");
        if self.has_money() {
            caption.push_str(
                " Orange dash: what it takes to pay, hauling and drying included. Best: the probability that no other choice, nothing included, returns more \
                 on average; treatments share checks and weather, so their errors are taken to go together as the site-years' \
                 responses do.",
            );
        }
        self.figure("1-treatments", &self.best(), panels, caption)
    }

    /// How much of it? A panel for each product whose rates were tested.
    pub(super) fn dosed(&self) -> Option<Figure> {
        let panels = self.doses().map(|one| {
            let drawn = Dose {
                curve: one
                    .curve
                    .iter()
                    .map(|&(rate, mean, low, high)| {
                        (doses::rate(one, rate), [mean, low, high].map(|at| self.yields(at)))
                    })
                    .collect(),
                points: one
                    .rates
                    .iter()
                    .map(|at| {
                        let (mean, low, high) = at.found;
                        Point {
                            key: at.treatment.clone(),
                            rate: doses::rate(one, at.rate_per_ha),
                            response: [mean, low, high].map(|value| self.yields(value)),
                            in_range: at.in_range,
                        }
                    })
                    .collect(),
            };
            dose_curve::draw(&drawn, self.units.yield_unit, one.unit.symbol)
        });
        let panels: Vec<Panel> = panels.collect();
        let sentence = self.doses().map(|one| doses::sentence(one, self.case.archive)).collect::<Vec<_>>().join(" ");
        let mut caption = "The curve is averaged over its forms by BIC, with its band; points are the treatments' own means with their \
                       intervals; dark: of the range that holds the most profitable tested rate, at the prices and costs chosen below."
            .to_owned();
        let mut zones = self.case.conclusions.synthesis.zones.iter().filter(|zone| zone.crop == self.choices.crop);
        if zones.any(|zone| zone.class.is_none() && zone.among_treatments.is_some()) {
            caption.push_str(
                " The best choice above draws treatments towards each other without regard to their rates; the curve does not, so the two \
                 may differ.",
            );
        }
        (!panels.is_empty()).then(|| self.figure("1-rates", &sentence, panels, caption))
    }

    /// The responses over rates of this crop.
    fn doses(&self) -> impl Iterator<Item = &DoseCurve> {
        self.case.conclusions.doses.iter().filter(|one| one.crop == self.choices.crop)
    }

    fn money(&self, one: &Choice) -> Option<Money> {
        let worth = one.worth.as_ref()?;
        let money = |per_ha: f64| self.units.money(per_ha);
        let chance =
            |name, kind, share: f64| Chance { name, kind, share, interval: None, printed: probability(Some(share)) };
        let mut chances = vec![chance("pays on average", "mean", worth.probability_pays)];
        chances.extend(worth.probability_new_site_pays.map(|share| chance("pays in a new field, year", "new", share)));
        chances.push(Chance {
            name: "site-years that paid",
            kind: "",
            share: worth.paid as f64 / one.site_years.max(1) as f64,
            interval: Some(worth.paid_share),
            printed: format!("{} of {}", worth.paid, one.site_years),
        });
        chances.push(chance("is the best choice", "best", worth.probability_best));
        Some(Money {
            break_even: self.yields(worth.break_even),
            net: money(worth.net_return),
            interval: (money(worth.net_interval.0), money(worth.net_interval.1)),
            chances,
        })
    }

    fn best(&self) -> String {
        let crop = self.name();
        let known = self.focus().and_then(|one| Some((one, one.worth.as_ref()?)));
        let Some((one, worth)) = known else { return self.without_money() };
        let nothing = self.choices.probability_nothing_best.unwrap_or(0.0);
        let (label, money) = (self.label(&one.treatment), |per_ha: f64| signed(self.units.money(per_ha), 0));
        let pays = probability(Some(worth.probability_pays));
        let net = format!(
            "returns {} {} ({} to {}) and pays on average with a probability of {pays}",
            money(worth.net_return),
            self.units.money_unit,
            money(worth.net_interval.0),
            money(worth.net_interval.1),
        );
        let best = probability(Some(worth.probability_best));
        if nothing > worth.probability_best {
            format!(
                "On {crop}, no treatment at all is the likeliest best choice ({}); the nearest, {label} ({best}), {net}.",
                probability(Some(nothing))
            )
        } else {
            format!(
                "On {crop}, {label} is the likeliest best choice ({best}; no treatment at all {}): it {net}.",
                probability(Some(nothing))
            )
        }
    }

    fn without_money(&self) -> String {
        let crop = self.name();
        let Some(one) = self.focus() else { return format!("On {crop}, nothing was compared.") };
        let count = match one.site_years {
            1 => "one site-year".to_owned(),
            count => format!("{count} site-years"),
        };
        match self.scaled(&one.estimate).0 {
            Some(mean) => format!(
                "On {crop}, {} differed from the check by {} {} in {count} so far; that is too little to choose by.",
                self.label(&one.treatment),
                signed(mean, self.decimals),
                self.units.yield_unit
            ),
            None => format!("On {crop}, no site-year gives a number yet."),
        }
    }

    /// Does it repeat? The responses, and what they returned where that is known.
    pub(super) fn repeated(&self) -> Vec<Figure> {
        let known: Vec<(&Choice, Vec<&ForestRow>)> = self
            .choices
            .treatments
            .iter()
            .map(|one| (one, self.forest(&one.treatment)))
            .filter(|(_, rows)| !rows.is_empty())
            .collect();
        let of = |in_money: bool| -> Vec<Repeated> {
            known
                .iter()
                .map(|(one, rows)| Repeated {
                    title: self.label(&one.treatment).to_owned(),
                    cases: rows.iter().filter_map(|row| self.case_of(row, in_money)).collect(),
                    overall: if in_money {
                        let worth = one.worth.as_ref();
                        worth.map(|worth| {
                            let money = |per_ha: f64| self.units.money(per_ha);
                            let ends = (money(worth.net_interval.0), money(worth.net_interval.1));
                            (money(worth.net_return), Some(ends))
                        })
                    } else {
                        let (mean, interval) = self.scaled(&one.estimate);
                        mean.map(|mean| (mean, interval))
                    },
                })
                .filter(|one| !one.cases.is_empty())
                .collect()
        };
        let level = level(self.case.archive.model.confidence);
        let decisions = self.has_money();
        let caption = format!(
            "Site-years by season, dry to wet within it, with the departure of precipitation; lines are {level} intervals, grey: not \
             shown to differ from 0, a point alone: no interval can be given{}.",
            if decisions { "; orange dash: what it took to pay there" } else { "" }
        );
        let responses = repeat::draw(&of(false), self.units.yield_unit);
        let mut figures = vec![self.figure("2-repeats", &self.repeats(), responses, caption)];
        let money = of(true);
        if decisions && !money.is_empty() {
            let sentence = format!("What each site-year returned on {}, at its own prices and costs.", self.name());
            let panels = repeat::draw(&money, &self.units.money_unit);
            let caption = "Net return after the cost of the treatment; right of the line it paid.".to_owned();
            figures.push(self.figure("2-repeats-in-money", &sentence, panels, caption));
        }
        figures
    }

    fn case_of(&self, row: &ForestRow, in_money: bool) -> Option<SiteYearLine> {
        let identity = row.identity.as_ref()?;
        let returns = self.returns(row);
        let (mean, interval) = if in_money {
            let returns = returns?;
            let net = |kg_ha: f64| Some(self.units.money(returns.net_return_of(kg_ha)?));
            let ends = returns.net_interval.map(|(low, high)| (self.units.money(low), self.units.money(high)));
            (net(row.estimate.mean?)?, ends)
        } else {
            let (mean, interval) = self.scaled(&row.estimate);
            (mean?, interval)
        };
        let break_even = returns.and_then(|one| one.break_even).map(|kg_ha| self.yields(kg_ha));
        Some(SiteYearLine {
            season: identity.season,
            field: identity.field.clone(),
            wetness_mm: row.wetness_mm,
            mean,
            interval,
            break_even: break_even.filter(|_| !in_money),
        })
    }

    fn repeats(&self) -> String {
        let Some((one, zone)) = self.focus().and_then(|one| Some((one, self.zone(&one.treatment)?))) else {
            return self.without_money();
        };
        let label = self.label(&one.treatment);
        let seasons = if zone.seasons == 1 { "one season".to_owned() } else { format!("{} seasons", zone.seasons) };
        let mut sentence = format!(
            "{label} on {} yielded more than the check in {} of {} site-years over {seasons}",
            self.name(),
            zone.gained,
            zone.site_years
        );
        if one.worth.is_some() {
            let _ = write!(sentence, " and paid in {}", zone.paid);
        }
        if let Some((low, high)) = zone.prediction {
            let _ = write!(
                sentence,
                "; a new field in a new year would lie between {} and {} {} ({} interval)",
                signed(self.yields(low), self.decimals),
                signed(self.yields(high), self.decimals),
                self.units.yield_unit,
                level(self.case.archive.model.confidence),
            );
        }
        sentence.push('.');
        sentence
    }

    /// Where was it, and how wet?
    pub(super) fn placed(&self) -> Result<Option<Figure>, ReportError> {
        let Some(one) = self.focus() else { return Ok(None) };
        let mut sites: Vec<Site> = self
            .forest(&one.treatment)
            .into_iter()
            .filter_map(|row| {
                let site_year = self.site_year(row)?;
                let error = row.estimate.std_error.map(|error| self.yields(error));
                Some(Site {
                    season: site_year.identity.season,
                    place_deg: site_year.place_deg,
                    name: site_year.identity.field.clone(),
                    ground: self.ground_of(site_year),
                    response: row.estimate.mean.map(|mean| (self.yields(mean), error)),
                })
            })
            .collect();
        sites.sort_by_key(|site| site.season);
        if sites.is_empty() {
            return Ok(None);
        }
        let map = self.case.outline.departures.as_ref();
        let extent = map.map_or_else(|| around(&sites), |map| map.extent_deg);
        let panels = sites::draw(map, extent, &sites, self.units.yield_unit)?;
        let label = self.label(&one.treatment);
        let caption = format!(
            "Sites of {label}, coloured by its response and larger where it is surer{}; below each name the soil that most of its \
             strips stand on. North is up.",
            if map.is_some() { ", over the precipitation departure of the season (grid as given)" } else { "" }
        );
        Ok(Some(self.figure("3-places", &self.wetness_sentence(one), panels, caption)))
    }

    /// The soil that most of a site-year stands on.
    fn ground_of(&self, one: &SiteYear) -> String {
        let whole: f64 = one.class_area_m2.iter().sum();
        let most = one.class_area_m2.iter().enumerate().max_by(|one, other| one.1.total_cmp(other.1));
        let zone = most.filter(|_| whole > 0.0).and_then(|(class, _)| self.case.archive.soil.zones.get(class));
        zone.map_or_else(|| "soil not known".to_owned(), |zone| zone.to_lowercase())
    }

    fn wetness_sentence(&self, one: &Choice) -> String {
        let rows = self.forest(&one.treatment);
        let known: Vec<f64> = rows.iter().filter_map(|row| row.wetness_mm).collect();
        let low = known.iter().copied().fold(f64::INFINITY, f64::min);
        let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let label = self.label(&one.treatment);
        if known.is_empty() {
            return format!("How wet it was at the {} site-years of {label} is not known.", rows.len());
        }
        let sentence = format!(
            "The site-years of {label} on {} lay between {} and {} mm from normal precipitation; ",
            self.name(),
            signed(low, 0),
            signed(high, 0)
        );
        let trend = self.case.conclusions.synthesis.trends.iter().find(|trend| {
            trend.gradient == Gradient::Wetness && trend.crop == self.choices.crop && trend.treatment == one.treatment
        });
        let trend = trend.and_then(|trend| Some((trend.estimate.mean?, trend.estimate.low?, trend.estimate.high?)));
        let slope = match trend {
            Some((mean, low, high)) => {
                let step = |value: f64| signed(25.0 * self.yields(value), self.decimals);
                let is_shown = low * high > 0.0;
                format!(
                    "25 mm more {} {} {} ({} to {}).",
                    if is_shown { "goes with" } else { "is not shown to change it:" },
                    step(mean),
                    self.units.yield_unit,
                    step(low),
                    step(high)
                )
            }
            None => "whether wetter seasons change it is not known yet.".to_owned(),
        };
        sentence + &slope
    }

    /// On which ground?
    pub(super) fn grounds(&self) -> Option<Figure> {
        self.grounds_of(false)
    }

    /// Soil by wetness, or soil alone.
    fn grounds_of(&self, soil_alone: bool) -> Option<Figure> {
        let treated: Vec<Grounds> = self
            .choices
            .treatments
            .iter()
            .filter_map(|one| {
                let zones: Vec<&ZoneResponse> = self.zones(&one.treatment).collect();
                let soils: Vec<Soil> = zones
                    .chunk_by(|one, next| one.class == next.class)
                    .map(|zones| Soil {
                        name: if zones[0].class.is_some() {
                            zones[0].class_name.clone()
                        } else {
                            "all soils".to_owned()
                        },
                        cells: zones
                            .iter()
                            .filter(|zone| !soil_alone || zone.wetness.is_none())
                            .map(|zone| {
                                let (mean, interval) = self.scaled(&zone.estimate);
                                let wetness = if zone.wetness.is_some() { &zone.wetness_class } else { "all seasons" };
                                Cell { wetness: wetness.to_owned(), mean, interval }
                            })
                            .collect(),
                    })
                    .collect();
                let break_even = one.worth.as_ref().map(|worth| self.yields(worth.break_even));
                let title = self.label(&one.treatment).to_owned();
                (soils.len() > 1).then_some(Grounds { title, soils, break_even })
            })
            .collect();
        if treated.is_empty() {
            return None;
        }
        let panels = soils::draw(&treated, self.units.yield_unit);
        let caption = format!(
            "Soils dry to wet, seasons dry to wet within each; lines are {} intervals, grey: not shown to differ from 0, a point alone: no \
             interval can be given{}. Soil was not assigned at random: a difference between soils goes with drainage, it need not come from it.",
            level(self.case.archive.model.confidence),
            if self.has_money() { "; orange line: what it takes to pay" } else { "" }
        );
        Some(self.figure("4-soils", &self.ground_sentence(), panels, caption))
    }

    fn ground_sentence(&self) -> String {
        let Some(one) = self.focus() else { return String::new() };
        let mut named: [Vec<String>; 3] = Default::default();
        for zone in self.zones(&one.treatment).filter(|zone| zone.class.is_some() && zone.wetness.is_none()) {
            let place = match super::figures::panel::shown(zone.estimate.low.zip(zone.estimate.high)) {
                "gain" => 0,
                "loss" => 1,
                _ => 2,
            };
            named[place].push(zone.class_name.to_lowercase());
        }
        let parts = [
            ("more yield than the check is shown on", &named[0]),
            ("less yield is shown on", &named[1]),
            ("neither more nor less is shown on", &named[2]),
        ];
        let sides: Vec<String> = parts
            .iter()
            .filter(|(_, names)| !names.is_empty())
            .map(|(words, names)| format!("{words} {}", names.join(", ")))
            .collect();
        format!("For {} on {}, {}.", self.label(&one.treatment), self.name(), sides.join("; "))
    }

    /// How sure: what would overturn it?
    pub(super) fn tried(&self) -> Option<Figure> {
        let tried: Vec<(&Choice, Tried)> =
            self.choices.treatments.iter().filter_map(|one| Some((one, self.tried_of(one)?))).collect();
        let focus = self.focus()?;
        let sentence = tried
            .iter()
            .find(|(one, _)| one.treatment == focus.treatment)
            .map_or_else(|| self.without_money(), |(one, tried)| self.overturned(one, tried));
        let panels: Vec<Tried> = tried.into_iter().map(|(_, one)| one).collect();
        if panels.is_empty() {
            return None;
        }
        let panels = overturn::draw(&panels, self.units.yield_unit);
        let caption = format!(
            "Each point is the mean response again with one thing changed{}. An analysis is carried over from the site-years by their \
             weights.",
            if self.has_money() { "; orange line: what it takes to pay" } else { "" }
        );
        Some(self.figure("6-sure", &sentence, panels, caption))
    }

    fn tried_of(&self, one: &Choice) -> Option<Tried> {
        let zone = self.zone(&one.treatment).filter(|zone| zone.estimator.is_pooled())?;
        let (mean, interval) = self.scaled(&zone.estimate);
        let forest = self.forest(&one.treatment);
        let sites = forest.iter().filter_map(|row| {
            let identity = row.identity.as_ref()?;
            let mean = self.yields(row.without?.mean);
            Some(Again { name: format!("without {} {}", identity.season, identity.field), mean })
        });
        let of_treatment = self.case.conclusions.synthesis.without_season.iter();
        let seasons = of_treatment
            .filter(|out| out.crop == self.choices.crop && out.treatment == one.treatment)
            .map(|out| Again { name: format!("without {}", out.season), mean: self.yields(out.mean) });
        let priors = zone.prior_checks.iter().filter_map(|check| {
            let mean = self.yields(check.estimate.mean?);
            Some(Again { name: format!("prior spread × {}", check.factor), mean })
        });
        let kinds: Vec<(&'static str, Vec<Again>)> = vec![
            ("one site-year left out", sites.collect()),
            ("one season left out", seasons.collect()),
            ("another prior for the spread between seasons", priors.collect()),
            ("another analysis of the records", self.analyses(&forest, zone)),
        ];
        Some(Tried {
            title: self.label(&one.treatment).to_owned(),
            mean: mean?,
            interval,
            break_even: one.worth.as_ref().map(|worth| self.yields(worth.break_even)),
            kinds: kinds.into_iter().filter(|(_, all)| !all.is_empty()).collect(),
        })
    }

    /// The mean under the other analyses: it moves as the site-years' responses do, each by its weight.
    fn analyses(&self, forest: &[&ForestRow], zone: &ZoneResponse) -> Vec<Again> {
        let Some(mean) = zone.estimate.mean else { return Vec::new() };
        let members: Vec<(&SiteYear, f64, f64)> =
            forest.iter().filter_map(|row| Some((self.site_year(row)?, row.estimate.mean?, row.weight?))).collect();
        let is_own = |name: &str| name == zone.treatment;
        let names: BTreeSet<&str> = members
            .iter()
            .flat_map(|(site_year, ..)| &site_year.sensitivity)
            .filter(|row| is_own(&row.treatment) && !row.variant.starts_with(OF_BLOCKS))
            .map(|row| row.variant.as_str())
            .collect();
        let again = names.into_iter().filter_map(|name| {
            let (mut moved, mut weights, mut count) = (0.0, 0.0, 0);
            for (site_year, own, weight) in &members {
                let row = site_year.sensitivity.iter().find(|row| is_own(&row.treatment) && row.variant == name);
                if let Some(response) = row.and_then(|row| row.response) {
                    moved += weight * (response - own);
                    weights += weight;
                    count += 1;
                }
            }
            let is_known = f64::from(count) >= LEAST_SHARE * members.len() as f64 && weights > 0.0;
            is_known.then(|| Again { name: name.to_owned(), mean: self.yields(mean + moved / weights) })
        });
        again.collect()
    }

    fn overturned(&self, one: &Choice, tried: &Tried) -> String {
        let label = self.label(&one.treatment);
        let all: Vec<&Again> = tried.kinds.iter().flat_map(|(_, all)| all).collect();
        let crosses = |limit: f64| -> Vec<&str> {
            let other = all.iter().filter(|again| (again.mean - limit) * (tried.mean - limit) < 0.0);
            other.map(|again| again.name.as_str()).collect()
        };
        let some = |names: &[&str]| {
            let shown: Vec<&str> = names.iter().take(3).copied().collect();
            let more = if names.len() > 3 { format!(" and {} more", names.len() - 3) } else { String::new() };
            // names hold commas
            format!("{}{more}", shown.join("; "))
        };
        let signs = crosses(0.0);
        let sign = if signs.is_empty() {
            format!(
                "none of {} other looks at {label} on {} turns the sign of its mean response",
                all.len(),
                self.name()
            )
        } else {
            format!("the sign of the mean response of {label} on {} turns under: {}", self.name(), some(&signs))
        };
        let pays = tried.break_even.map(|limit| {
            let names = crosses(limit);
            if names.is_empty() {
                "; none moves it across what it takes to pay".to_owned()
            } else {
                format!("; {} of {} move it across what it takes to pay ({})", names.len(), all.len(), some(&names))
            }
        });
        format!("{sign}{}.", pays.unwrap_or_default())
    }

    /// The figures to take along, none with panels too tall for text of a readable size.
    pub(super) fn slides(&self) -> Result<Vec<Figure>, ReportError> {
        let mut slides = Vec::new();
        let all: Vec<&Choice> = self.choices.treatments.iter().collect();
        let parts: Vec<&[&Choice]> = all.chunks(MOST_COMPARED).collect();
        let of_several = parts.len() > 1;
        for (at, part) in parts.iter().enumerate() {
            let mut figure = self.compared_of(part, at + 1 == parts.len());
            if of_several {
                figure.name = format!("{}-{}", figure.name, at + 1);
            }
            slides.push(figure);
        }
        slides.extend(self.dosed());
        slides.extend(self.repeated());
        slides.extend(self.placed()?);
        let is_tall = |figure: &Figure| figure.panels.iter().any(|panel| panel.height > TALLEST);
        slides.extend(self.grounds_of(false).and_then(
            |all| {
                if is_tall(&all) { self.grounds_of(true) } else { Some(all) }
            },
        ));
        slides.extend(self.plan_figure());
        slides.extend(self.tried());
        Ok(slides)
    }

    /// The plan as a figure.
    pub(super) fn plan_figure(&self) -> Option<Figure> {
        let plan = self.case.outline.plans.iter().find(|plan| plan.crop == self.choices.crop)?;
        let currency = self.case.archive.currency.clone().unwrap_or_default();
        let planned: Vec<Planned> = plan
            .treatments
            .iter()
            .map(|one| Planned {
                label: self.planned_label(&one.treatment),
                areas: one.area_m2.map(|m2| self.units.area(m2)),
                money: (one.best_m2 > 0.0).then_some((one.money, one.money_interval)),
            })
            .collect();
        let mut caption = "Each treatment is weighed against nothing by itself, so the same ground may stand under several. The interval \
                       of the money takes every zone to lie at the same end of its own."
            .to_owned();
        let mut sentence = self.plan_sentence(plan, &currency);
        if plan.stale.is_some() {
            sentence.push_str(" (This plan is older than the results.)");
        }
        let mut panels = planned::draw(&planned, (self.units.area_unit, &currency));
        if let Some((said, panel)) = self.record() {
            sentence.push(' ');
            sentence.push_str(&said);
            panels.extend(panel);
            caption.push(' ');
            caption.push_str(KEPT);
        }
        Some(self.figure("5-plan", &sentence, panels, caption))
    }

    /// What became of the promises of former plans: in a sentence, and drawn.
    fn record(&self) -> Option<(String, Option<Panel>)> {
        let record = self.case.outline.records.iter().find(|one| one.crop == self.choices.crop)?;
        let shown = record.scored.iter().filter_map(|one| {
            let (mean, interval) = self.scaled(&one.found);
            Some(Kept {
                predicted: self.yields(one.promise.response),
                found: mean?,
                interval,
                is_inside: one.is_inside,
            })
        });
        let shown: Vec<Kept> = shown.collect();
        Some((promises::sentence(record, self.case.archive), kept::draw(&shown, self.units.yield_unit)))
    }

    /// What the script of the sliders starts from.
    pub(super) fn what_if(&self) -> Option<Value> {
        let price = self.units.price(self.choices.price_per_kg?);
        let short = |values: &[f64]| -> Vec<f64> {
            let digits = 10.0_f64.powf(self.units.yield_decimals as f64);
            values.iter().map(|&kg_ha| (self.yields(kg_ha) * digits).round() / digits).collect()
        };
        let treatments: Vec<Value> = self
            .choices
            .treatments
            .iter()
            .filter_map(|one| {
                let worth = one.worth.as_ref()?;
                let estimate = self.units.estimate(&one.estimate);
                Some(json!({
                    "key": one.treatment,
                    "label": self.label(&one.treatment),
                    "mean": estimate.mean,
                    "low": estimate.low,
                    "high": estimate.high,
                    "taken": price - self.units.price(worth.worth_per_kg),
                    "cost": self.units.money(worth.cost_per_ha),
                    "drying": self.units.money(worth.drying_per_ha),
                    "means": short(&worth.mean_at),
                    "news": short(&worth.new_site_at),
                    "draws": short(&worth.draws),
                }))
            })
            .collect();
        let doses: Vec<Value> = self
            .doses()
            .map(|one| {
                let rates = one.rates.iter().enumerate().map(|(at, rate)| {
                    json!({
                        "key": rate.treatment,
                        "rate": trimmed(doses::rate(one, rate.rate_per_ha), 2),
                        "draws": short(&one.draws.iter().map(|draw| draw[at]).collect::<Vec<_>>()),
                    })
                });
                json!({ "unit": one.unit.symbol, "rates": rates.collect::<Vec<_>>() })
            })
            .collect();
        (!treatments.is_empty()).then(|| {
            json!({
                "crop": self.name(),
                "price": price,
                "price_unit": self.units.price_unit,
                "money_unit": self.units.money_unit,
                "yield_unit": self.units.yield_unit,
                "decimals": self.decimals,
                "treatments": treatments,
                "doses": doses,
                "confidence": self.case.archive.model.confidence,
            })
        })
    }

    /// The plan of this crop, as the index tells it.
    pub(super) fn planned(&self) -> Option<Value> {
        let plan = self.case.outline.plans.iter().find(|plan| plan.crop == self.choices.crop)?;
        let area = |m2: f64| format!("{:.0}", self.units.area(m2));
        let currency = self.case.archive.currency.clone().unwrap_or_default();
        let treatments: Vec<Value> = plan
            .treatments
            .iter()
            .map(|one| {
                let (low, high) = one.money_interval;
                json!({
                    "label": self.planned_label(&one.treatment),
                    "areas": one.area_m2.map(area),
                    "best": area(one.best_m2),
                    "money": (one.best_m2 > 0.0).then(|| format!("{} {currency}", signed(one.money, 0))),
                    "interval": format!("{} to {}", signed(low, 0), signed(high, 0)),
                })
            })
            .collect();
        let record = self.record();
        let risks = plan.zones_risk.iter().map(|one| {
            let sentence = plan_text::zones_risk(one, self.case.archive, &self.units);
            format!("{}: {sentence}", capitalised(self.label(&one.treatment)))
        });
        let taken_off = plan.treatments.iter().filter(|one| one.best_m2 > 0.0 && one.taken_off_per_ha > 0.0).map(|one| {
            format!(
                "{}: {:.2} {} is taken off the expected money. With seasons or fields left out, the ground that was chosen returned less \
                 than promised.",
                capitalised(self.label(&one.treatment)),
                self.units.money(one.taken_off_per_ha),
                self.units.money_unit,
            )
        });
        let notes: Vec<String> = risks.chain(taken_off).collect();
        let fields: Vec<Value> = plan
            .fields
            .iter()
            .map(|field| {
                json!({
                    "farm": field.farm,
                    "field": field.field,
                    "areas": field.area_m2.iter().map(|areas| areas.map(area)).collect::<Vec<_>>(),
                    "zones": format!("plan/{}/{}/zones.gpkg", plan.folder, field.folder),
                    "sheet": (field.strips > 0).then(|| format!("plan/{}/{}/strips.html", plan.folder, field.folder)),
                    "strips": field.strips,
                })
            })
            .collect();
        Some(json!({
            "season": plan.season,
            "sentence": self.plan_sentence(plan, &currency),
            "area_unit": self.units.area_unit,
            "treatments": treatments,
            "notes": notes,
            "fields": fields,
            "stale": plan.stale,
            "record": record.map(|(sentence, panel)| json!({
                "sentence": sentence,
                "panels": panel.map(|panel| panel.svg).as_slice(),
                "caption": KEPT,
            })),
            "table": format!("plan/{}/plan.csv", plan.folder),
        }))
    }

    /// What a treatment is called in the plan, which also weighs one that no strip of the crop has had.
    fn planned_label(&self, treatment: &str) -> String {
        let label = self.label(treatment);
        let is_known = self.choices.treatments.iter().any(|one| one.treatment == treatment);
        if is_known { label.to_owned() } else { format!("{label} (no strips so far)") }
    }

    fn plan_sentence(&self, plan: &PlanOutline, currency: &str) -> String {
        let area = |m2: f64| format!("{:.0} {}", self.units.area(m2), self.units.area_unit);
        let best: Vec<_> = plan.treatments.iter().filter(|one| one.best_m2 > 0.0).collect();
        let strips: usize = plan.fields.iter().map(|field| field.strips).sum();
        let laid_out = plan.fields.iter().filter(|field| field.strips > 0).count();
        let tests = format!("lays out {strips} test strips in {laid_out} of {} fields", plan.fields.len());
        if best.is_empty() {
            return format!("The plan for {} treats no ground on {} and {tests}.", plan.season, self.name());
        }
        let fields = |treatment: &str| {
            let at = plan.treatments.iter().position(|one| one.treatment == treatment);
            let treats = |field: &&PlannedPlace| {
                at.and_then(|at| field.area_m2.get(at)).is_some_and(|areas| areas[Decision::Treat as usize] > 0.0)
            };
            let names: Vec<&str> = plan.fields.iter().filter(treats).map(|field| field.field.as_str()).collect();
            let more = names.len().saturating_sub(MOST_FIELDS);
            let more = match more {
                0 => String::new(),
                1 => " and 1 more field".to_owned(),
                _ => format!(" and {more} more fields"),
            };
            format!("{}{more}", names[..names.len().min(MOST_FIELDS)].join(", "))
        };
        let treated: Vec<String> = best
            .iter()
            .map(|one| {
                format!("{} with {} ({})", area(one.best_m2), self.label(&one.treatment), fields(&one.treatment))
            })
            .collect();
        let sum = |pick: fn(&crate::results::PlannedMoney) -> f64| best.iter().map(|one| pick(one)).sum::<f64>();
        format!(
            "The plan for {} treats {}, for an expected {} {currency} ({} to {} at the ends of the intervals), and {tests}.",
            plan.season,
            treated.join(" and "),
            signed(sum(|one| one.money), 0),
            signed(sum(|one| one.money_interval.0), 0),
            signed(sum(|one| one.money_interval.1), 0),
        )
    }
}

/// West, south, east and north of sites without a grid, with room.
fn around(sites: &[Site]) -> [f64; 4] {
    let places = sites.iter().map(|site| site.place_deg);
    let [west, south, east, north] = places
        .fold([f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY], |all, (x, y)| {
            [all[0].min(x), all[1].min(y), all[2].max(x), all[3].max(y)]
        });
    let room = (0.18 * (east - west).max(north - south)).max(0.06);
    [west - room, south - room, east + room, north + room]
}

/// A sentence that begins with a capital.
fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
