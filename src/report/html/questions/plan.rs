//! Where to treat next, and what became of earlier plans.

use serde_json::{Value, json};

use super::super::figures::kept::{self, Kept};
use super::super::figures::panel::Panel;
use super::super::figures::planned::{self, Planned};
use super::super::text::signed;
use super::{Crop, Figure, capitalised};
use crate::report::{plan as plan_text, promises};
use crate::results::{Decision, PlanOutline, PlannedPlace};

/// How to read what was found against what was promised.
const KEPT: &str = "Each point is what one plan promised for one ground and what the harvest of its season gave there, with its interval; \
                    on the line both are alike. Points whose colour is that of a gain lie within what was promised, widened by the error of \
                    what was found; the others do not.";
/// Fields that the sentence of the plan names.
const MOST_FIELDS: usize = 3;

impl Crop<'_> {
    /// The plan as a figure.
    pub(in crate::report::html) fn plan_figure(&self) -> Option<Figure> {
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
        let mut caption = "Each treatment is compared by itself with no treatment, so the same ground may be listed under several. The interval \
                       of the money assumes that every zone lies at the same end of its own."
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

    /// The plan of this crop, as the index tells it.
    pub(in crate::report::html) fn planned(&self) -> Option<Value> {
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
