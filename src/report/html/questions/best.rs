//! Which treatment is best, how much of it, and does it pay?

use serde_json::{Value, json};

use super::super::figures::compare::{self, Chance, Money, Treated};
use super::super::figures::doses::{self as dose_curve, Dose, Point};
use super::super::figures::panel::Panel;
use super::super::text::{probability, signed};
use super::{Crop, Figure};
use crate::report::doses;
use crate::report::units::{level, trimmed};
use crate::results::{Choice, DoseCurve};

impl Crop<'_> {
    /// Which treatment is best, and does it pay?
    pub(in crate::report::html) fn compared(&self) -> Figure {
        self.compared_of(&self.choices.treatments.iter().collect::<Vec<_>>(), true)
    }

    /// Some of the treatments side by side, with nothing at all below them where that is wished.
    pub(super) fn compared_of(&self, choices: &[&Choice], with_nothing: bool) -> Figure {
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
    pub(in crate::report::html) fn dosed(&self) -> Option<Figure> {
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
                       intervals; dark: of the range that holds the most profitable tested rate, at the prices and costs of archive.toml, \
                       or of the sliders of the index."
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

    /// What the script of the sliders starts from.
    pub(in crate::report::html) fn what_if(&self) -> Option<Value> {
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
}
