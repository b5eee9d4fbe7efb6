//! The answer again under variants of the analysis: what of it hangs on a choice.
//!
//! Variants of the data (other rules, buffers, lags, a block left out) and of the model (an adjustment) are repeated under
//! the covariance that the answer itself was given under, so that they show the variation and not a new search; the other
//! analyses of `fit` stand beside them.

use super::one::{Case, Place};
use crate::clean;
use crate::config::ModelSettings;
use crate::fit::{self, Fit, Variant};
use crate::points::{Cleaned, Joined};
use crate::results::{Estimate, SensitivityRow};

/// Seconds by which the lag is moved.
const LAG_STEP_S: f64 = 2.0;

/// The rows of `sensitivity.csv`, by variant, then in the order of the responses. `placed` are the records before the rules
/// on yields, `place` where they stand, `joined` what came of them.
pub(super) fn sensitivity(
    case: &Case<'_>,
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
    for other in fit::alternatives(joined, archive, &primary.differences, range_m) {
        rows.add(other.analysis, &other.key.treatment, other.key.class, &other.estimate);
    }
    let Some(covariance) = primary.field_model.as_ref() else { return rows.rows };
    let same = Variant { covariance: Some(covariance), ..Variant::default() };

    let adjusted = fit::run(joined, archive, Variant { elevation: true, ..same });
    if adjusted.covariates > 0 {
        rows.add_fit("adjusted for elevation", &adjusted);
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
