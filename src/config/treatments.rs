//! `[treatments.…]`: what was done to the strips, and what it costs.

use serde::Serialize;

use super::section::Section;
use crate::quantity::{Currency, MoneyRate};

/// One treatment, or the check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Treatment {
    /// Its key, as in the strips' attribute.
    pub key: String,
    /// What the reports call it.
    pub label: String,
    /// Product and application, money per hectare.
    pub cost_per_ha: f64,
    /// Whether it is the untreated check.
    pub check: bool,
}

pub(super) fn read(root: &Section<'_, '_>, currency: &mut Option<Currency>) -> Vec<Treatment> {
    let Some(section) = root.section("treatments") else { return Vec::new() };
    let mut treatments = Vec::new();
    for key in section.keys() {
        let Some(entry) = section.section(&key) else { continue };
        let label = entry.text("label").unwrap_or_else(|| key.clone());
        let check = entry.boolean("check").unwrap_or(false);
        let cost = entry.with_unit("cost", MoneyRate::parse_cost);
        let cost = if check { cost } else { entry.required("cost", cost, "a cost such as \"20 USD/ac\"") };
        if let Some(cost) = cost {
            one_currency(&entry, "cost", cost, currency);
            if cost.amount < 0.0 {
                entry.fault("cost", format!("must not be negative, found {}", cost.amount));
            }
        }
        entry.finish_known();
        treatments.push(Treatment { key, label, cost_per_ha: cost.and_then(MoneyRate::per_ha).unwrap_or(0.0), check });
    }
    let checks: Vec<_> = treatments.iter().filter(|treatment| treatment.check).map(|one| one.key.as_str()).collect();
    match checks.len() {
        1 => {}
        0 => root.fault("treatments", "no treatment is the check; give one of them `check = true`"),
        _ => root.fault("treatments", format!("only one treatment can be the check, found {}", checks.join(", "))),
    }
    treatments
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
