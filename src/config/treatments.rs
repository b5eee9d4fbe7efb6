//! `[treatments.…]`: what was done to the strips, and what it costs.

use std::collections::BTreeMap;

use serde::Serialize;

use super::section::Section;
use crate::quantity::{ApplicationRate, Currency, MoneyRate, QuantityError};

/// One treatment, or the check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Treatment {
    /// Its key, as in the strips' attribute.
    pub key: String,
    /// What the reports call it.
    pub label: String,
    /// Product, application and an extra pass, money per hectare.
    pub cost_per_ha: f64,
    /// What it cost in single seasons, where that differed.
    pub season_cost_per_ha: BTreeMap<i32, f64>,
    /// Whether it is the untreated check.
    pub check: bool,
    /// The rate that was tested, such as "8 fl oz/ac": with it a log of what was put down tells where the treatment stands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate: Option<ApplicationRate>,
    /// The treatments that it is made of, each recorded by a log of its own.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub of: Vec<String>,
}

impl Treatment {
    /// The treatment at its cost in a season.
    #[must_use]
    pub fn in_season(&self, season: i32) -> Self {
        let cost_per_ha = self.season_cost_per_ha.get(&season).copied().unwrap_or(self.cost_per_ha);
        Self { cost_per_ha, ..self.clone() }
    }
}

/// The parts of a cost: the whole of it, or what it is made of.
const WHOLE: &str = "cost";
const PARTS: [&str; 3] = ["product", "application", "extra_pass"];

pub(super) fn read(root: &Section<'_, '_>, currency: &mut Option<Currency>) -> Vec<Treatment> {
    let Some(section) = root.section("treatments") else { return Vec::new() };
    let mut treatments = Vec::new();
    for key in section.keys() {
        let Some(entry) = section.section(&key) else { continue };
        let label = entry.text("label").unwrap_or_else(|| key.clone());
        let check = entry.boolean("check").unwrap_or(false);
        let cost = cost(&entry, currency);
        if !check && cost.is_none() && !PARTS.iter().any(|part| entry.has(part)) {
            entry.required(WHOLE, cost, "a cost such as \"20 USD/ac\"");
        }
        let mut season_cost_per_ha = BTreeMap::new();
        for (season, own) in season_sections(&entry) {
            let cost = self::cost(&own, currency);
            if !PARTS.iter().chain([&WHOLE]).any(|part| own.has(part)) {
                own.required(WHOLE, cost, "the cost of that season, such as \"22 USD/ac\"");
            }
            own.finish_known();
            season_cost_per_ha.extend(cost.map(|cost| (season, cost)));
        }
        let rate = entry.with_unit("rate", ApplicationRate::parse);
        if let Some(rate) = rate {
            let fits = if check { rate.per_ha >= 0.0 } else { rate.per_ha > 0.0 };
            if !fits {
                entry.fault("rate", format!("must be greater than 0, found {}", rate.per_ha / rate.unit.per_ha));
            }
        }
        let of = entry.texts("of").unwrap_or_default();
        entry.finish_known();
        let cost_per_ha = cost.unwrap_or(0.0);
        treatments.push(Treatment { key, label, cost_per_ha, season_cost_per_ha, check, rate, of });
    }
    for one in treatments.iter().filter(|one| !one.of.is_empty()) {
        let has_rate = |part: &String| treatments.iter().any(|other| other.key == *part && other.rate.is_some());
        if one.of.len() < 2 || one.check || one.rate.is_some() || !one.of.iter().all(has_rate) {
            section.fault(
                &one.key,
                format!(
                    "`of` takes two treatments or more that have a rate, and none of its own; found {}",
                    one.of.join(", ")
                ),
            );
        }
    }
    let checks: Vec<_> = treatments.iter().filter(|treatment| treatment.check).map(|one| one.key.as_str()).collect();
    match checks.len() {
        1 => {}
        0 => root.fault("treatments", "no treatment is the check; give one of them `check = true`"),
        _ => root.fault("treatments", format!("only one treatment can be the check, found {}", checks.join(", "))),
    }
    treatments
}

/// Money per hectare: `cost`, or the sum of the parts that are given; `None` without any.
fn cost(entry: &Section<'_, '_>, currency: &mut Option<Currency>) -> Option<f64> {
    let mut rate = |key: &str| cost_rate(entry, key, MoneyRate::parse_cost, currency)?.per_ha();
    let whole = rate(WHOLE);
    let parts: Vec<f64> = PARTS.iter().filter_map(|part| rate(part)).collect();
    if whole.is_some() && !parts.is_empty() {
        entry.fault(WHOLE, format!("is the whole cost; give it, or its parts {}, not both", PARTS.join(", ")));
    }
    whole.or_else(|| (!parts.is_empty()).then(|| parts.iter().sum()))
}

/// The tables `seasons.<year>`.
pub(super) fn season_sections<'d, 'i>(entry: &Section<'d, 'i>) -> Vec<(i32, Section<'d, 'i>)> {
    let Some(seasons) = entry.section("seasons") else { return Vec::new() };
    let mut found = Vec::new();
    for key in seasons.keys() {
        let Some(section) = seasons.section(&key) else { continue };
        match key.parse::<i32>() {
            Ok(season) if (1900..=2200).contains(&season) => found.push((season, section)),
            _ => seasons.fault(&key, format!("expected a year such as 2024, found `{key}`")),
        }
    }
    found
}

/// A cost in the one currency of the archive; a negative one is a fault.
pub(super) fn cost_rate(
    section: &Section<'_, '_>,
    key: &str,
    parse: fn(&str) -> Result<MoneyRate, QuantityError>,
    currency: &mut Option<Currency>,
) -> Option<MoneyRate> {
    let rate = section.with_unit(key, parse)?;
    one_currency(section, key, rate, currency);
    if rate.amount < 0.0 {
        section.fault(key, format!("must not be negative, found {}", rate.amount));
    }
    Some(rate)
}

/// Records a fault when a rate is in another currency than those before it.
pub(super) fn one_currency(section: &Section<'_, '_>, key: &str, rate: MoneyRate, known: &mut Option<Currency>) {
    match known {
        None => *known = Some(rate.currency),
        Some(known) if *known == rate.currency => {}
        Some(known) => {
            section
                .fault(key, format!("is in {}, but amounts before it are in {known}; use one currency", rate.currency));
        }
    }
}
