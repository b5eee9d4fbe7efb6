//! `summary.json`.

use serde_json::{Map, Value, json};

use super::{FIRST, ReportError, Units};
use crate::config::ArchiveSettings;
use crate::points::{Cautions, Sourced};
use crate::results::SiteYear;
use crate::text::plain_json;

fn sourced(value: &Sourced) -> Value {
    json!(value)
}

/// The cautions as a map from code to what was measured.
pub(super) fn cautions(cautions: &Cautions) -> Value {
    Value::Object(cautions.iter().map(|(caution, detail)| (caution.code().to_owned(), json!(detail))).collect())
}

/// Whether each treatment's response over the field rests on enough blocks to say what it would pay.
fn decisions(result: &SiteYear) -> Value {
    let whole = result.responses.iter().filter(|one| one.key.class.is_none());
    Value::Object(whole.map(|one| (one.key.treatment.clone(), json!(one.decision_allowed()))).collect())
}

/// The summary of a site-year; keys sorted, so that the same result gives the same bytes.
pub(super) fn site_year(result: &SiteYear, archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let by_machine = |pick: &dyn Fn(&crate::points::MachineFacts) -> Sourced| {
        let machines = result.cleaning.machines.iter();
        Value::Object(machines.map(|(name, facts)| (name.clone(), sourced(&pick(facts)))).collect::<Map<_, _>>())
    };
    let units = Units::new(archive, &result.identity.crop);
    let summary = json!({
        "first": FIRST,
        "yield_unit": units.yield_unit,
        "yield_unit_kg_ha": units.yield_kg_ha,
        "identity": result.identity,
        "place_deg": { "longitude": result.place_deg.0, "latitude": result.place_deg.1 },
        "epsg": result.epsg,
        "wetness_mm": result.wetness_mm,
        "wetness_class": result.wetness_class,
        "points_read": result.counts.read,
        "points_kept": result.counts.kept,
        "wet_mass_kg": result.counts.wet_mass_kg,
        "kept_area_m2": result.counts.kept_area_m2,
        "strips_area_m2": result.counts.strips_m2,
        "straddling_area_m2": result.counts.straddling_m2,
        "strip_width_m": result.counts.strip_width_m,
        "mean_yield_kg_ha": result.counts.mean_yield_kg_ha,
        "passes": result.cleaning.passes,
        "lag_s": by_machine(&|facts| facts.lag_s),
        "moisture_lag_s": by_machine(&|facts| facts.moisture_lag_s),
        "machine_factor": by_machine(&|facts| facts.machine_factor),
        "ticket_gain": by_machine(&|facts| facts.ticket_gain),
        "pass_entry_s": result.cleaning.pass_entry_s,
        "pass_exit_s": result.cleaning.pass_exit_s,
        "limits": result.cleaning.limits,
        "rules_not_run": Value::Object(
            result.cleaning.not_run.iter().map(|mark| (mark.code().to_owned(), json!(format!("needs {}", mark.needs())))).collect(),
        ),
        "design": result.design,
        "variance": result.variance,
        "field_model": result.field_model,
        "trend_by_class": result.supplement.trends,
        "placebo": result.supplement.placebos,
        "sign_changes": result.sign_changes(),
        "decision_allowed": decisions(result),
        "covariates": result.covariates,
        "removal_by_treatment": result.removal_by_treatment,
        "cautions": cautions(&result.all_cautions()),
        "settings": {
            "clean": archive.clean,
            "model": archive.model,
            "crop": archive.crops.get(&result.identity.crop),
        },
    });
    let text = serde_json::to_string_pretty(&summary).map_err(|error| ReportError::new("summary.json", error))?;
    Ok(plain_json(&format!("{text}\n")).into_owned().into_bytes())
}
