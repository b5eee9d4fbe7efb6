//! The design, the responses, and the answer again under other analyses.

use serde::Serialize;
use serde_json::{Value, json};

use super::super::figures::intervals::{self, Look, Row};
use super::super::text::{Doubt, doubts, interval, p_value, probability, shown, signed, signed_or_dash};
use super::Parts;
use crate::results::{Estimate, Response, SignChanges};

/// A row of the table of responses.
#[derive(Debug, Serialize)]
struct Line {
    treatment: String,
    class: String,
    blocks: usize,
    strips: usize,
    segments: usize,
    check: String,
    treated: String,
    response: String,
    interval: String,
    std_error: String,
    df: String,
    p_randomization: String,
    shrunken: String,
    break_even: String,
    pays: String,
    net: String,
    cautions: Vec<Doubt>,
}

impl Parts<'_> {
    /// The design, the responses and the answer under other analyses.
    pub(super) fn classes(&self) -> Value {
        let Self { result, archive, units, .. } = self;
        let design = result.design.as_ref();
        let whole_field = |one: &&SignChanges| one.class_name == "all";
        json!({
            "design": design.map(|design| json!({
                "blocks": design.blocks.len(),
                "randomized": design.randomized,
                "strips": design.strips_by_treatment.iter().map(|(key, strips)| json!([archive.label(key), strips])).collect::<Vec<_>>(),
            })),
            "lines": result.responses.iter().map(|response| self.line(response)).collect::<Vec<_>>(),
            "decisions": result.responses.iter().any(Response::decision_allowed),
            "chart": self.responses(false),
            "trends": self.trends(),
            "contrasts": self.contrasts(),
            "placebos": self.placebos(),
            "variance": result.variance.iter().map(|(name, value)| json!([name, shown(Some(units.yields(value.sqrt())), self.decimals)])).collect::<Vec<_>>(),
            "ranges": result.field_model.map(|model| json!({
                "along": format!("{:.0} m", model.range_along_m),
                "across": format!("{:.0} m", model.range_across_m),
            })),
            "sensitivity": self.sensitivity(),
            "sign_changes": result.sign_changes().iter().filter(whole_field).map(|one| json!({
                "treatment": archive.label(&one.treatment),
                "changed": one.changed,
                "variants": one.variants,
                "intervals": one.intervals,
                "hold_zero": one.hold_zero,
            })).collect::<Vec<_>>(),
        })
    }

    fn line(&self, response: &Response) -> Line {
        let estimate = self.units.estimate(&response.estimate);
        Line {
            treatment: self.archive.label(&response.key.treatment).to_owned(),
            class: response.class_name.clone(),
            blocks: response.blocks,
            strips: response.strips,
            segments: response.segments,
            check: self.yields(response.check_yield),
            treated: self.yields(response.treated_yield),
            response: signed_or_dash(estimate.mean, self.decimals),
            interval: interval(&estimate, self.decimals),
            std_error: shown(estimate.std_error, self.decimals),
            df: shown(estimate.df, 1),
            p_randomization: p_value(estimate.p_randomization),
            shrunken: self.yields(response.shrunken.map(|shrunken| shrunken.mean)),
            break_even: self.yields(response.returns.break_even),
            pays: probability(response.returns.probability_pays),
            net: signed_or_dash(response.returns.net_return.map(|money| self.units.money(money)), 0),
            cautions: doubts(&response.cautions),
        }
    }

    /// The responses with their intervals; `short` leaves the treatments' names to the whole field where there is one alone.
    pub(super) fn responses(&self, short: bool) -> String {
        let treatments = self.archive.treatments.iter().filter(|treatment| !treatment.check).count();
        let rows: Vec<Row> = self
            .result
            .responses
            .iter()
            .map(|response| {
                let estimate = self.units.estimate(&response.estimate);
                let whole = response.key.class.is_none();
                let ground = if whole { "whole field" } else { response.class_name.as_str() };
                let name = self.archive.label(&response.key.treatment);
                Row {
                    label: match (short, treatments > 1, whole) {
                        (true, false, _) => ground.to_owned(),
                        (true, true, true) => name.to_owned(),
                        (true, true, false) => format!("   {ground}"),
                        (false, ..) => format!("{name} · {ground}"),
                    },
                    mean: estimate.mean,
                    interval: estimate.low.zip(estimate.high),
                    break_even: response.returns.break_even.map(|value| self.units.yields(value)),
                    weight: None,
                    look: if whole { Look::Strong } else { Look::Plain },
                }
            })
            .collect();
        let rows = if short { whole_first(rows) } else { rows };
        // the grower's part has panels for narrow screens
        let draw = if short { intervals::wide } else { intervals::draw };
        draw(&rows, "Treated minus check by treatment and ground, with intervals", self.units.yield_unit, self.decimals)
    }

    fn trends(&self) -> Vec<Value> {
        let trends = self.result.supplement.trends.iter();
        trends
            .map(|one| {
                let estimate = self.units.estimate(&one.estimate);
                json!({
                    "treatment": self.archive.label(&one.treatment),
                    "from": one.classes.first(),
                    "to": one.classes.last(),
                    "slope": signed_or_dash(estimate.mean, self.decimals),
                    "interval": interval(&estimate, self.decimals),
                    "p": p_value(estimate.p_value),
                })
            })
            .collect()
    }

    fn contrasts(&self) -> Vec<Value> {
        let contrasts = self.result.supplement.contrasts.iter();
        contrasts
            .map(|one| {
                let estimate = self.units.estimate(&one.estimate);
                json!({
                    "treatment": self.archive.label(&one.treatment),
                    "against": self.archive.label(&one.against),
                    "class": one.class_name,
                    "blocks": one.blocks,
                    "difference": signed_or_dash(estimate.mean, self.decimals),
                    "interval": interval(&estimate, self.decimals),
                    "cautions": doubts(&one.cautions),
                })
            })
            .collect()
    }

    fn placebos(&self) -> Vec<Value> {
        let placebos = self.result.supplement.placebos.iter();
        placebos
            .map(|one| {
                json!({
                    "treatment": self.archive.label(&one.treatment),
                    "observed": signed(self.units.yields(one.observed), self.decimals),
                    "usual": self.yields(Some(one.usual)),
                    "as_large": one.as_large,
                    "positions": one.positions,
                })
            })
            .collect()
    }

    /// The answer over the whole field again, a figure for each treatment.
    fn sensitivity(&self) -> Vec<Value> {
        let whole = self.result.responses.iter().filter(|response| response.key.class.is_none());
        whole
            .filter_map(|response| {
                let row = |name: &str, estimate: &Estimate, look| {
                    let estimate = self.units.estimate(estimate);
                    let interval = estimate.low.zip(estimate.high);
                    Row { label: name.to_owned(), mean: estimate.mean, interval, break_even: None, weight: None, look }
                };
                let others = self
                    .result
                    .sensitivity
                    .iter()
                    .filter(|one| one.class_name == "all" && one.treatment == response.key.treatment);
                let mut rows = vec![row("the answer", &response.estimate, Look::Strong)];
                rows.extend(others.map(|one| {
                    let estimate = Estimate { mean: one.response, low: one.low, high: one.high, ..Estimate::default() };
                    row(&one.variant, &estimate, Look::Plain)
                }));
                let name = self.archive.label(&response.key.treatment);
                let title = format!("{name}: the answer under other analyses");
                let svg = intervals::draw(&rows, &title, self.units.yield_unit, self.decimals);
                (rows.len() > 1 && !svg.is_empty()).then(|| json!({ "treatment": name, "svg": svg }))
            })
            .collect()
    }
}

/// Each treatment's line for the whole field before those of its classes, which stand before it in the tables.
fn whole_first(rows: Vec<Row>) -> Vec<Row> {
    let mut ordered: Vec<Row> = Vec::with_capacity(rows.len());
    let mut begin = 0;
    for row in rows {
        if row.look == Look::Strong {
            ordered.insert(begin, row);
            begin = ordered.len();
        } else {
            ordered.push(row);
        }
    }
    ordered
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_field_leads_its_classes() {
        let row = |label: &str, look| Row {
            label: label.to_owned(),
            mean: None,
            interval: None,
            break_even: None,
            weight: None,
            look,
        };
        let rows = vec![
            row("a1", Look::Plain),
            row("a2", Look::Plain),
            row("a", Look::Strong),
            row("b1", Look::Plain),
            row("b", Look::Strong),
        ];
        let labels: Vec<String> = whole_first(rows).into_iter().map(|row| row.label).collect();
        assert_eq!(labels, ["a", "a1", "a2", "b", "b1"]);
    }
}
