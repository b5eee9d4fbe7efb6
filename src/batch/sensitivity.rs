//! The answer again under variants of the analysis: what of it hangs on a choice.
//!
//! Variants of the data (other rules, buffers, lags, a block left out) and of the model (an adjustment) are repeated under
//! the covariance that the answer itself was given under, so that they show the variation and not a new search; the other
//! analyses of `fit` stand beside them.

use super::one::{Place, SiteYearWork};
use crate::clean;
use crate::config::ModelSettings;
use crate::fit::{self, Fit, Variant};
use crate::points::{Caution, Cleaned, Joined};
use crate::results::{Estimate, Response, SensitivityRow};

/// Seconds by which the lag is moved.
const LAG_STEP_S: f64 = 2.0;

/// The rows of `sensitivity.csv`, by variant, then in the order of the responses. `placed` are the records before the rules
/// on yields, `place` where they stand, `joined` what came of them.
pub(super) fn sensitivity(
    case: &SiteYearWork<'_>,
    placed: clean::Placed,
    place: &Place,
    joined: &Joined,
    primary: &Fit,
) -> Vec<SensitivityRow> {
    if primary.responses.is_empty() {
        return Vec::new();
    }
    let mut rows = Rows { primary, rows: Vec::new() };
    let archive = case.archive;
    let range_m = primary.field_model.map(|model| model.range_along_m);
    let others = fit::alternatives(joined, archive, &primary.differences, range_m);
    for other in others.iter().chain(&primary.strip_priors) {
        rows.add(other.analysis, &other.key.treatment, other.key.class, &other.estimate);
    }
    let Some(covariance) = primary.field_model.as_ref() else { return rows.rows };
    let same = Variant { covariance: Some(covariance), moved_lines: Some(&primary.moved_lines), ..Variant::default() };
    if joined.soil_lines.is_some() {
        rows.add_fit("soil lines as drawn", &fit::run(joined, archive, Variant { as_drawn: true, ..same }));
    }

    let adjusted = fit::run(joined, archive, Variant { elevation: true, ..same });
    if adjusted.covariates > 0 {
        rows.add_fit("adjusted for elevation", &adjusted);
    }
    if primary.straddling > 0 {
        let on_one_strip = fit::run(joined, archive, Variant { on_one_strip: true, ..same });
        rows.add_fit("passes on one strip", &on_one_strip);
    }
    let varied = |cleaned: Cleaned, place: &Place, model: &ModelSettings| {
        fit::run(&case.join(cleaned, place, model), archive, same)
    };
    let without_rules = case.without_yield_rules(placed);
    rows.add_fit("yield rules off", &varied(without_rules, place, &archive.model));
    // records that carry their labels have no edges to move
    if !case.ingested.strips.is_empty() {
        for (name, factor) in [("buffers halved", 0.5), ("buffers doubled", 2.0)] {
            let model = ModelSettings {
                edge_along_m: archive.model.edge_along_m * factor,
                edge_across_m: archive.model.edge_across_m * factor,
                ..archive.model.clone()
            };
            rows.add_fit(name, &varied(joined.assigned.cleaned.clone(), place, &model));
        }
    }
    if case.ingested.records.channels.time {
        for by_s in [-LAG_STEP_S, LAG_STEP_S] {
            let cleaned = case.moved(by_s, &joined.assigned.cleaned);
            if let Ok(place) = case.place_of(&cleaned) {
                rows.add_fit(&format!("lag {by_s:+.0} s"), &varied(cleaned, &place, &archive.model));
            }
        }
    }
    if joined.assigned.design.blocks.len() > 1 {
        for block in &joined.assigned.design.blocks {
            let without = Variant { without_block: Some(block), ..same };
            rows.add_fit(&format!("without block {block}"), &fit::run(joined, archive, without));
        }
    }
    rows.rows
}

/// A response whose interval leaves out 0, while all other analyses of the same strips hold it, rests on the field model alone:
/// that is said.
pub(super) fn doubt_unconfirmed(responses: &mut [Response], rows: &[SensitivityRow]) {
    for response in responses {
        let is_shown = response.estimate.low.zip(response.estimate.high).is_some_and(|(low, high)| low * high > 0.0);
        let of_same = |row: &&SensitivityRow| {
            row.treatment == response.key.treatment
                && row.class_name == response.class_name
                && fit::ANALYSES.contains(&row.variant.as_str())
        };
        let others: Vec<bool> = rows.iter().filter(of_same).filter_map(SensitivityRow::holds_zero).collect();
        if is_shown && !others.is_empty() && others.iter().all(|holds| *holds) {
            let detail = format!("{}: all {} that give an interval", response.key.treatment, others.len());
            response.cautions.add(Caution::OtherAnalysesDiffer, detail);
        }
    }
}

struct Rows<'f> {
    primary: &'f Fit,
    rows: Vec<SensitivityRow>,
}

impl Rows<'_> {
    fn add_fit(&mut self, variant: &str, fit: &Fit) {
        for response in &fit.responses {
            self.add(variant, &response.key.treatment, response.key.class, &response.estimate);
        }
    }

    /// A row for a response that the site-year has.
    fn add(&mut self, variant: &str, treatment: &str, class: Option<usize>, estimate: &Estimate) {
        let known = self.primary.responses.iter().find(|one| one.key.treatment == treatment && one.key.class == class);
        if let Some(known) = known {
            self.rows.push(SensitivityRow {
                variant: variant.to_owned(),
                treatment: treatment.to_owned(),
                class_name: known.class_name.clone(),
                response: estimate.mean,
                std_error: estimate.std_error,
                low: estimate.low,
                high: estimate.high,
                p_value: estimate.p_value,
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::points::Cautions;
    use crate::results::{ResponseKey, Returns};

    #[test]
    fn an_answer_that_no_other_analysis_shows_is_doubted() {
        let doubts = |own: (f64, f64), others: &[(&str, f64, f64)]| {
            let mut responses = [Response {
                key: ResponseKey { treatment: "band".to_owned(), class: None },
                class_name: "all".to_owned(),
                blocks: 4,
                strips: 4,
                segments: 40,
                area_m2: 1.0,
                check_yield: None,
                treated_yield: None,
                check_moisture_pct: None,
                treated_moisture_pct: None,
                moisture_std_error_pct: None,
                estimate: Estimate { low: Some(own.0), high: Some(own.1), ..Estimate::of_mean(own.0 + own.1) },
                shrunken: None,
                returns: Returns::default(),
                cautions: Cautions::default(),
            }];
            let row = |&(variant, low, high): &(&str, f64, f64)| SensitivityRow {
                variant: variant.to_owned(),
                treatment: "band".to_owned(),
                class_name: "all".to_owned(),
                response: Some(low + high),
                std_error: None,
                low: Some(low),
                high: Some(high),
                p_value: None,
            };
            doubt_unconfirmed(&mut responses, &others.iter().map(row).collect::<Vec<_>>());
            responses[0].cautions.contains(Caution::OtherAnalysesDiffer)
        };
        let [mixed, robust, flipped, along] = fit::ANALYSES;
        let all = [(mixed, -1.0, 5.0), (robust, -0.5, 4.0), (flipped, 0.0, 4.0), (along, -2.0, 6.0)];
        assert!(doubts((0.5, 4.0), &all));
        // the answer holds 0 itself; another analysis shows it; only variants of the data hold 0
        assert!(!doubts((-0.5, 4.0), &all));
        assert!(!doubts((0.5, 4.0), &[all[0], (robust, 0.1, 4.0)]));
        assert!(!doubts((0.5, 4.0), &[("buffers halved", -1.0, 5.0)]));
    }
}
