//! The keys of `summary.json` and `run.json`, as the data dictionary lists them.

use super::columns::{Column, columns};

/// By file.
pub(super) const KEYS: [(&str, &[Column]); 2] = [("site_years/…/summary.json", &SUMMARY), ("run.json", &RUN)];

const SUMMARY: [Column; 36] = columns! {
    "first", "text", "", "what comes before anything is applied", "";
    "identity", "object", "", "season, farm, field and crop", "";
    "yield_unit", "text", "", "the report's unit of yield", "";
    "yield_unit_kg_ha", "number", "kg/ha", "one yield_unit", "";
    "place_deg", "object", "degrees", "middle of the records: longitude and latitude, WGS 84", "";
    "epsg", "integer", "", "EPSG code of the coordinates in tables and layers", "";
    "wetness_mm", "number", "mm", "precipitation of the months of wetness less normal", "the wetness is not known";
    "wetness_class", "text", "", "class of the wetness", "the wetness is not known";
    "points_read", "integer", "records", "records read, with the rows that repeat one", "";
    "points_kept", "integer", "records", "records that no rule removed", "";
    "wet_mass_kg", "number", "kg", "wet mass of all records, after the ticket gain", "";
    "kept_area_m2", "number", "m²", "ground cut by the kept records", "";
    "strips_area_m2", "number", "m²", "of it, what was cut on strips", "";
    "straddling_area_m2", "number", "m²", "of that, what passes that straddle two strips cut, away from the strips' ends", "";
    "strip_width_m", "number", "m", "usual width of the strips", "the strips' ground is not known";
    "mean_yield_kg_ha", "number", "kg/ha", "dry yield of the field: mass by area of the kept records", "none is kept";
    "passes", "integer", "", "passes found", "";
    "lag_s", "object", "s", "by machine: by how much the flow lags behind the position", "";
    "moisture_lag_s", "object", "s", "by machine: by how much the moisture lags", "";
    "machine_factor", "object", "ratio", "by machine: what its flow is multiplied by to agree with the others", "";
    "ticket_gain", "object", "ratio", "by machine: what its flow is multiplied by to agree with the scale tickets", "";
    "pass_entry_s", "object", "s", "how long a pass takes to fill", "";
    "pass_exit_s", "object", "s", "how long a pass takes to run empty", "";
    "limits", "object", "in the name", "limits that were found from the data, by name", "";
    "rules_not_run", "object", "", "rules of cleaning that need what was not recorded, with what that is", "";
    "design", "object", "", "blocks, strips by treatment, whether the order was drawn at random", "a field without strips";
    "variance", "object", "(kg/ha)²", "components of variance, by name", "";
    "field_model", "object", "m, kg/ha", "ranges and standard deviations of the model of the segments", "no model could be fitted";
    "trend_by_class", "list", "kg/ha", "change of the response from one soil class to the next wetter one, by treatment", "";
    "placebo", "list", "kg/ha", "responses where none can be: check against check", "";
    "sign_changes", "list", "", "of each response, how many other analyses change its sign or hold 0", "";
    "removal_by_treatment", "list", "records", "records and removed records on the strips of each treatment", "";
    "decision_allowed", "object", "", "by treatment: whether there are blocks enough to speak of paying", "";
    "covariates", "list", "kg/ha", "other layers of the ground: how they were joined, their spread, and the response along them", "";
    "cautions", "object", "", "reasons to doubt the numbers, by code, with what was measured", "";
    "settings", "object", "SI", "settings in force: clean, crop and model", "";
};

const RUN: [Column; 13] = columns! {
    "version", "text", "", "version of the program", "";
    "began", "text", "UTC", "when the run began (RFC 3339)", "";
    "jobs", "integer", "", "site-years computed at a time", "as many as the machine has cores";
    "elapsed_seconds", "number", "s", "time by the clock", "";
    "seconds", "object", "s", "time by stage, summed over the site-years", "";
    "peak_memory_bytes", "integer", "byte", "most memory in use", "the system does not report it";
    "counts", "object", "", "site-years by what became of them, and records", "";
    "done", "object", "", "what became of each site-year that has a result", "";
    "failures", "list", "", "site-years that failed, with the reason", "";
    "retired", "list", "", "site-years that are no longer in the archive, with their last result", "";
    "warnings", "object", "", "cautions of each site-year", "";
    "notes", "list", "", "what else the archive holds that a reader should know", "";
    "inputs", "object", "", "hash (BLAKE3) of each file that was read, by site-year", "";
};
