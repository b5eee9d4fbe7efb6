//! The answer again under variants of the analysis: what of it hangs on a choice.
//!
//! Variants of the data (other rules, buffers, lags, a block left out) and of the model (an adjustment) are repeated under
//! the covariance that the answer itself was given under, so that they show the variation and not a new search; the other
//! analyses of `fit` stand beside them.

use super::one::{Place, SiteYearWork};
use crate::clean;
use crate::config::ModelSettings;
use crate::fit::{self, Alternative, Fitted};
use crate::points::{Caution, Cleaned, Joined};
use crate::results::{Response, SensitivityRow};

/// Seconds by which the lag is moved.
const LAG_STEP_S: f64 = 2.0;

/// The rows of `sensitivity.csv`, by variant, then in the order of the responses. `placed` are the records before the rules
/// on yields, `place` where they stand, `joined` what came of them.
pub(super) fn sensitivity(
    case: &SiteYearWork<'_>,
    placed: clean::Placed,
    place: &Place,
    joined: &Joined,
    fitted: &Fitted<'_>,
) -> Vec<SensitivityRow> {
    let (archive, primary) = (case.archive, &fitted.fit);
    if primary.responses.is_empty() {
        return Vec::new();
    }
    let range_m = primary.field_model.map(|model| model.range_along_m);
    let mut all = fit::alternatives(joined, archive, &primary.differences, range_m);
    all.extend(primary.strip_priors.iter().cloned());
    all.extend(fitted.of_the_model(&archive.model));
    if primary.field_model.is_some() {
        of_the_data(case, placed, place, joined, fitted, &mut all);
    }
    all.extend(fitted.without_blocks(&archive.model));
    all.into_iter().filter_map(|one| row(one, &primary.responses)).collect()
}

/// Other rules, buffers and lags.
fn of_the_data(
    case: &SiteYearWork<'_>,
    placed: clean::Placed,
    place: &Place,
    joined: &Joined,
    fitted: &Fitted<'_>,
    all: &mut Vec<Alternative>,
) {
    let archive = case.archive;
    let mut varied = |variant: &str, cleaned: Cleaned, place: &Place, model: &ModelSettings| {
        all.extend(fitted.of_other_data(variant, &case.join(cleaned, place, model), archive));
    };
    varied("yield rules off", case.without_yield_rules(placed), place, &archive.model);
    // records that carry their labels have no edges to move
    if !case.ingested.strips.is_empty() {
        for (name, factor) in [("buffers halved", 0.5), ("buffers doubled", 2.0)] {
            let model = ModelSettings {
                edge_along_m: archive.model.edge_along_m * factor,
                edge_across_m: archive.model.edge_across_m * factor,
                ..archive.model.clone()
            };
            varied(name, joined.assigned.cleaned.clone(), place, &model);
        }
    }
    if case.ingested.records.channels.time {
        for by_s in [-LAG_STEP_S, LAG_STEP_S] {
            let cleaned = case.moved(by_s, &joined.assigned.cleaned);
            if let Ok(place) = case.place_of(&cleaned) {
                varied(&format!("lag {by_s:+.0} s"), cleaned, &place, &archive.model);
            }
        }
    }
}

/// The row of a response that the site-year has.
fn row(one: Alternative, responses: &[Response]) -> Option<SensitivityRow> {
    let Alternative { analysis, key, estimate } = one;
    let known = responses.iter().find(|known| known.key == key)?;
    Some(SensitivityRow {
        variant: analysis.into_owned(),
        treatment: key.treatment,
        class_name: known.class_name.clone(),
        response: estimate.mean,
        std_error: estimate.std_error,
        low: estimate.low,
        high: estimate.high,
        p_value: estimate.p_value,
    })
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::points::Cautions;
    use crate::results::{Estimate, ResponseKey, Returns};

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
