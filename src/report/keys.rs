//! The keys of `summary.json` and `run.json`, as the data dictionary tells them.

use super::columns::Column;

const fn key(
    name: &'static str,
    kind: &'static str,
    unit: &'static str,
    meaning: &'static str,
    when_empty: &'static str,
) -> Column {
    Column { name, kind, unit, meaning, when_empty }
}

/// By file.
pub(super) const KEYS: [(&str, &[Column]); 2] = [("site_years/…/summary.json", &SUMMARY), ("run.json", &RUN)];

const SUMMARY: [Column; 35] = [
    key("first", "text", "", "what comes before anything is applied", ""),
    key("identity", "object", "", "season, farm, field and crop", ""),
    key("yield_unit", "text", "", "the report's unit of yield", ""),
    key("yield_unit_kg_ha", "number", "kg/ha", "one yield_unit", ""),
    key("place_deg", "object", "degrees", "middle of the records: longitude and latitude, WGS 84", ""),
    key("epsg", "integer", "", "EPSG code of the coordinates in tables and layers", ""),
    key("wetness_mm", "number", "mm", "precipitation of the months of wetness less normal", "the wetness is not known"),
    key("wetness_class", "text", "", "class of the wetness", "the wetness is not known"),
    key("points_read", "integer", "records", "records read, with the rows that repeat one", ""),
    key("points_kept", "integer", "records", "records that no rule removed", ""),
    key("wet_mass_kg", "number", "kg", "wet mass of all records, after the ticket gain", ""),
    key("kept_area_m2", "number", "m²", "ground cut by the kept records", ""),
    key("strips_area_m2", "number", "m²", "of it, what was cut on strips", ""),
    key(
        "straddling_area_m2",
        "number",
        "m²",
        "of that, what passes over two strips cut, away from the strips' ends",
        "",
    ),
    key("strip_width_m", "number", "m", "usual width of the strips", "the strips' ground is not known"),
    key(
        "mean_yield_kg_ha",
        "number",
        "kg/ha",
        "dry yield of the field: mass by area of the kept records",
        "none is kept",
    ),
    key("passes", "integer", "", "passes found", ""),
    key("lag_s", "object", "s", "by machine: by how much the flow lags behind the position", ""),
    key("moisture_lag_s", "object", "s", "by machine: by how much the moisture lags", ""),
    key("machine_factor", "object", "ratio", "by machine: what its flow is multiplied by to agree with the others", ""),
    key(
        "ticket_gain",
        "object",
        "ratio",
        "by machine: what its flow is multiplied by to agree with the scale tickets",
        "",
    ),
    key("pass_entry_s", "object", "s", "how long a pass takes to fill", ""),
    key("pass_exit_s", "object", "s", "how long a pass takes to run empty", ""),
    key("limits", "object", "in the name", "limits that were found from the data, by name", ""),
    key("rules_not_run", "object", "", "rules of cleaning that need what was not recorded, with what that is", ""),
    key(
        "design",
        "object",
        "",
        "blocks, strips by treatment, whether the order was drawn at random",
        "a field without strips",
    ),
    key("variance", "object", "(kg/ha)²", "components of variance, by name", ""),
    key(
        "field_model",
        "object",
        "m, kg/ha",
        "ranges and standard deviations of the model of the segments",
        "no model could be fitted",
    ),
    key(
        "trend_by_class",
        "list",
        "kg/ha",
        "change of the response from one soil class to the next wetter one, by treatment",
        "",
    ),
    key("placebo", "list", "kg/ha", "responses where none can be: check against check", ""),
    key("sign_changes", "list", "", "of each response, how many other analyses change its sign or hold 0", ""),
    key("removal_by_treatment", "list", "records", "records and removed records on the strips of each treatment", ""),
    key("decision_allowed", "object", "", "by treatment: whether there are blocks enough to speak of paying", ""),
    key("cautions", "object", "", "reasons to doubt the numbers, by code, with what was measured", ""),
    key("settings", "object", "SI", "settings in force: clean, crop and model", ""),
];

const RUN: [Column; 13] = [
    key("version", "text", "", "version of the program", ""),
    key("began", "text", "UTC", "when the run began (RFC 3339)", ""),
    key("jobs", "integer", "", "site-years computed at a time", "as many as the machine has cores"),
    key("elapsed_seconds", "number", "s", "time by the clock", ""),
    key("seconds", "object", "s", "time by stage, summed over the site-years", ""),
    key("peak_memory_bytes", "integer", "byte", "most memory in use", "the system does not tell"),
    key("counts", "object", "", "site-years by what became of them, and records", ""),
    key("done", "object", "", "what became of each site-year that has a result", ""),
    key("failures", "list", "", "site-years that failed, with the reason", ""),
    key("retired", "list", "", "site-years that are no longer in the archive, with their last result", ""),
    key("warnings", "object", "", "cautions of each site-year", ""),
    key("notes", "list", "", "what else the archive holds that a reader should know", ""),
    key("inputs", "object", "", "hash (BLAKE3) of each file that was read, by site-year", ""),
];
