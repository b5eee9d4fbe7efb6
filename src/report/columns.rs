//! The data dictionary: every column of every table and layer, declared once by name. `columns.csv` and `bandlift describe columns`
//! are made of it, and a table is not written with a column that it lacks.

use super::applied::APPLIED;
use super::doses::DOSES;
use super::economics::ECONOMICS;
use super::forest::{FOREST, TRENDS};
use super::observed::OBSERVED;
use super::plan::{PLAN, REPLICATION, ZONING};
use super::promises::{ABOUT, PROMISE, SCORED};
use super::tables::{
    CONTRASTS, PLACE, REMOVALS, RESPONSE, SENSITIVITY, SHRUNKEN, SYNTHESIS, aligned, by_columns, cells, names,
};
use super::{ReportError, covariates, layers, parquet, strips, tables};
use crate::points::COVARIATE_COLUMN;

/// What a column says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Column {
    /// Its name.
    pub name: &'static str,
    /// `text`, `integer`, `number`, `boolean`, `timestamp` or `geometry`; of a key of JSON also `object` or `list`.
    pub kind: &'static str,
    /// Its unit, or the column that gives it; empty where it has none.
    pub unit: &'static str,
    /// What it says.
    pub meaning: &'static str,
    /// When its cell is empty; empty where it never is.
    pub when_empty: &'static str,
}

/// Columns one a line: name, kind, unit, what it says, when its cell is empty.
macro_rules! columns {
    ($($name:literal, $kind:literal, $unit:literal, $meaning:literal, $when_empty:literal;)*) => {
        [$($crate::report::columns::Column {
            name: $name, kind: $kind, unit: $unit, meaning: $meaning, when_empty: $when_empty,
        }),*]
    };
}
pub(super) use columns;

/// The columns of `columns.csv`: of a file and one of its columns.
const COLUMNS: &[tables::Column<fn(&(&str, &Column)) -> String>] = &[
    ("file", |(file, _)| (*file).to_owned()),
    ("column", |(_, one)| one.name.to_owned()),
    ("type", |(_, one)| one.kind.to_owned()),
    ("unit", |(_, one)| one.unit.to_owned()),
    ("meaning", |(_, one)| one.meaning.to_owned()),
    ("when_empty", |(_, one)| one.when_empty.to_owned()),
];

/// Every column by its name. One name means one thing in all files.
pub static DICTIONARY: [Column; 218] = columns! {
    "season", "integer", "", "year of harvest; `all` in rows over site-years", "";
    "farm", "text", "", "the farm's name as typed; `all` in rows over site-years", "";
    "field", "text", "", "the field's name as typed; `all` in rows over site-years", "";
    "crop", "text", "", "key of the crop in archive.toml", "";
    "treatment", "text", "", "key of the treatment in archive.toml", "outside the strips";
    "label", "text", "", "what the reports call the treatment", "";
    "drainage_class", "text", "", "soil class, or its group; `all` for the whole field", "the soils do not cover the place";
    "drainage_class_probability", "number", "probability", "probability that the segment has its soil class, by the components of its map unit and by where the lines of the map may lie", "the segment has no class";
    "drainage_class_share", "number", "share", "part of the segment's records on its soil class", "the segment has no class";
    "wetness_class", "text", "", "class of the wetness of the season; `all` over all classes", "the wetness is not known";
    "wetness_mm", "number", "mm", "precipitation of the months of wetness less normal; in rows over site-years their mean", "the wetness is not known";
    "longitude", "number", "degrees", "middle of the records, or of a stretch, WGS 84", "the stretch has no ground";
    "latitude", "number", "degrees", "middle of the records, or of a stretch, WGS 84", "the stretch has no ground";
    "blocks", "integer", "", "blocks in which treatment and check were compared", "";
    "strips", "integer", "", "treated strips that were compared; in replication.csv all strips of a layout, in observed.csv all that were looked at", "";
    "segments", "integer", "", "treated segments that were compared", "";
    "area", "number", "area_unit", "ground of the treated segments; in a plan, of the zone; in promises.csv, to be treated; in applied.csv, of the stretch", "";
    "area_unit", "text", "", "unit of areas", "";
    "check_yield", "number", "yield_unit", "mean dry yield of the check where it was compared", "not estimable";
    "treated_yield", "number", "yield_unit", "mean dry yield of the treated segments", "not estimable";
    "response", "number", "yield_unit", "treated minus check, dry yield at market moisture; in a plan, what is expected under the outlook", "not estimable";
    "std_error", "number", "yield_unit", "standard error; in trends.csv in slope_unit", "one block, or two site-years";
    "df", "number", "", "degrees of freedom of the standard error", "no standard error";
    "ci_low", "number", "yield_unit", "lower end of the interval at the confidence of archive.toml", "no standard error";
    "ci_high", "number", "yield_unit", "upper end of the interval", "no standard error";
    "p_value", "number", "probability", "two-sided p value of no response", "no standard error";
    "p_randomization", "number", "probability", "two-sided p value of the sign-flip test over blocks", "order not drawn at random, or too few blocks";
    "probability_positive", "number", "probability", "probability that the response is above 0", "no standard error";
    "break_even", "number", "yield_unit", "response that pays for the treatment", "no price, or too few blocks to decide by";
    "probability_pays", "number", "probability", "probability that the mean response pays", "no price, or too few blocks to decide by";
    "net_return", "number", "money_unit", "expected return after the cost of the treatment", "no price, or too few blocks to decide by";
    "net_low", "number", "money_unit", "net return at the lower end of the interval", "no price, no interval, or too few blocks";
    "net_high", "number", "money_unit", "net return at the upper end of the interval", "no price, no interval, or too few blocks";
    "yield_unit", "text", "", "unit of yields and responses", "";
    "money_unit", "text", "", "unit of money by area", "nothing is costed";
    "caution", "text", "", "codes of the reasons to doubt the row, joined by semicolons", "none was raised";
    "first", "text", "", "what comes before anything is applied", "";
    "site_years", "integer", "", "site-years behind the row", "";
    "seasons", "integer", "", "seasons behind the row", "";
    "gained", "integer", "", "site-years with a response above 0", "";
    "paid", "integer", "", "site-years whose response was above what pays", "in economics.csv, in rows that are not of a treatment at the configured price over all soils";
    "paid_low", "number", "share", "lower end of the interval of the share that paid", "as paid";
    "paid_high", "number", "share", "upper end of the interval of the share that paid", "as paid";
    "probability_best", "number", "probability", "probability that no other choice, nothing included, returns more on average", "as paid";
    "probability_nothing_best", "number", "probability", "probability that no treatment's mean response pays", "as paid";
    "tau", "number", "yield_unit", "standard deviation between site-years", "fewer than three site-years";
    "pi_low", "number", "yield_unit", "lower end of the interval for a new site-year", "fewer than three site-years";
    "pi_high", "number", "yield_unit", "upper end of the interval for a new site-year", "fewer than three site-years";
    "probability_new_site_pays", "number", "probability", "probability that a new field in a new year pays", "fewer than three site-years, no price, or too few blocks";
    "shrunken_response", "number", "yield_unit", "the response drawn towards those of its neighbours", "no interval";
    "shrunken_std_error", "number", "yield_unit", "standard deviation of the shrunken response", "no interval";
    "shrunken_low", "number", "yield_unit", "lower end of the interval of the shrunken response", "no interval";
    "shrunken_high", "number", "yield_unit", "upper end of the interval of the shrunken response", "no interval";
    "estimator", "text", "", "how the mean was found: none, single-site-year, pair, one-stage or two-stage", "";
    "row", "text", "", "site-year, mean, or new-site-year", "";
    "weight", "number", "share", "share of the site-year in the mean", "rows that are not of a site-year";
    "response_without", "number", "yield_unit", "the mean without this site-year", "fewer than four site-years";
    "tau_without", "number", "yield_unit", "standard deviation between the others", "fewer than four site-years";
    "turns_sign", "text", "", "whether leaving it out changes the sign of the mean: yes or no", "fewer than four site-years";
    "folder", "text", "", "folder of its files, below site_years or below the plan", "rows over site-years";
    "gradient", "text", "", "along what the response changes: drainage, wetness, drainage-by-wetness, or `observed:` and a measure", "";
    "slope", "number", "slope_unit", "change of the response along the gradient", "cannot be estimated";
    "slope_unit", "text", "", "unit of the slope", "";
    "configured", "text", "", "whether price and cost are those of archive.toml: yes or no", "";
    "price", "number", "price_unit", "price of grain", "";
    "price_unit", "text", "", "unit of prices", "";
    "cost", "number", "money_unit", "cost of the treatment", "";
    "break_even_price", "number", "price_unit", "price at which the mean response just pays", "the mean response is not above 0";
    "loss_of_treating", "number", "money_unit", "expected loss of treating where it does not pay", "cannot be estimated";
    "loss_of_leaving", "number", "money_unit", "expected loss of leaving it out where it pays", "cannot be estimated";
    "loss_of_treating_new_site", "number", "money_unit", "expected loss of treating a new site-year", "fewer than three site-years";
    "value_of_another_year", "number", "money_unit", "what another year of strips gains for the decision on average", "the mean is not pooled";
    "reason", "text", "", "mark of the records that were removed, or `kept`", "";
    "points", "integer", "", "records", "";
    "share", "number", "share", "part of the records", "";
    "contrast", "text", "", "between-treatments, or trend-by-class", "";
    "against", "text", "", "key of the treatment it is compared with", "a trend by class";
    "difference", "number", "yield_unit", "the first minus the second; the change from one class to the next; in layers.gpkg treated minus the check that faces it", "not estimable";
    "variant", "text", "", "what was varied in the analysis", "";
    "sign_changed", "text", "", "whether the response has another sign: yes or no", "one of the two is missing";
    "decision", "text", "", "what to do: treat, leave or test", "";
    "why", "text", "", "advice, bridged, too-short or one-choice", "";
    "best", "text", "", "whether no other treatment is expected to return more here: yes or no", "";
    "expected_money", "number", "money", "money that is expected on the zone, less what plans of the archive promised too much", "it is not to be treated";
    "basis", "text", "", "own strips, or archive", "";
    "outlook", "text", "", "probability of each wetness class", "no wetness classes";
    "known_to", "integer", "", "last season whose harvest the archive held when the plan was made", "";
    "treat_m2", "number", "m²", "ground that was to be treated", "";
    "response_kg_ha", "number", "kg/ha", "expected response, shrunken", "";
    "predicted_low_kg_ha", "number", "kg/ha", "lower end of the interval of the response of one field", "";
    "predicted_high_kg_ha", "number", "kg/ha", "upper end of the interval of the response of one field", "";
    "confidence", "number", "share", "share of the fields that the interval is to hold", "";
    "break_even_kg_ha", "number", "kg/ha", "response that pays", "no price, or too few blocks to decide by";
    "net_return_per_ha", "number", "currency/ha", "expected return after the cost of the treatment; of ground to be treated, less what plans of the archive promised too much", "no price, or too few blocks to decide by";
    "currency", "text", "", "currency of money", "nothing is costed";
    "predicted", "number", "yield_unit", "response that a plan expected, shrunken", "";
    "predicted_low", "number", "yield_unit", "lower end of the interval of the response of one field", "";
    "predicted_high", "number", "yield_unit", "upper end of the interval of the response of one field", "";
    "check_low", "number", "yield_unit", "the same, widened by the error of the response that was found", "";
    "check_high", "number", "yield_unit", "the same, widened by the error of the response that was found", "";
    "inside", "text", "", "whether the response lies within check_low and check_high: yes or no", "";
    "net_return_promised", "number", "money_unit", "net return that a plan expected", "no price, or too few blocks";
    "net_return_made", "number", "money_unit", "net return of the response that was found, at the prices of the season", "no price, or too few blocks";
    "money_promised", "number", "money", "money that was expected on the ground to be treated", "none was to be treated, or one of the two is not known";
    "money_made", "number", "money", "money that the response that was found makes on the same ground", "none was to be treated, or one of the two is not known";
    "fitted", "number", "yield_unit", "response on the curve over rates", "";
    "fitted_low", "number", "yield_unit", "lower end of its interval", "";
    "fitted_high", "number", "yield_unit", "upper end of its interval", "";
    "probability_most_profitable", "number", "probability", "probability that no other tested rate, nothing included, returns more on average", "";
    "in_range", "text", "", "whether the rate is of the range that holds the most profitable one: yes or no", "";
    "forms", "text", "", "forms of the curve with their weights", "";
    "half_width", "number", "yield_unit", "half of the width of the interval", "";
    "detectable", "number", "yield_unit", "least response that is found four times in five", "";
    "left_out", "text", "", "what was left out at a time, season or field: of both the way by which zones earned less", "";
    "zoned", "number", "money_unit", "mean net return of zones, each season or field decided by the others", "";
    "everywhere", "number", "money_unit", "mean net return of treating everything", "";
    "gain", "number", "money_unit", "zones less the better of everything and nothing", "";
    "gain_std_error", "number", "money_unit", "standard error of the gain", "";
    "shown", "text", "", "whether the gain's interval lies above 0: yes or no", "";
    "probability_gains", "number", "share", "probability that the gain is above 0", "all that was left out gains the same";
    "promised", "number", "money_unit", "mean net return that the choice of zones promised", "";
    "optimism", "number", "money_unit", "what the choice promised above what was found, of each area that it treated", "it treated ground of fewer than two of the seasons, or fields, that were left out";
    "optimism_std_error", "number", "money_unit", "standard error of the optimism", "there is no optimism";
    "strip", "text", "", "name or number of the strip", "outside the strips";
    "block", "text", "", "name or number of the block", "outside the strips";
    "planter_passes", "integer", "", "passes of the planter in a strip", "";
    "header_passes", "integer", "", "passes of the combine that count in a strip", "";
    "planted_width", "number", "length_unit", "width of the strip as it is planted", "";
    "harvest_width", "number", "length_unit", "width on which a pass counts", "";
    "length", "number", "length_unit", "mean length of the strip, or of a stretch", "no length of a pass";
    "length_unit", "text", "", "unit of lengths", "";
    "harvest_area", "number", "area_unit", "ground on which a pass counts", "";
    "bearing_deg", "number", "degrees", "direction of the strips from true north", "";
    "seed", "integer", "", "seed of archive.toml that the order was drawn with", "";
    "draws_refused", "integer", "", "draws of the order that were refused before the one that stands", "";
    "source_file", "text", "", "file that the record was read from", "";
    "source_row", "integer", "", "its row, the first data row being 1", "";
    "time", "timestamp", "UTC", "moment of the record, to the microsecond", "no time was recorded, or none can be read";
    "x_m", "number", "m", "easting in the UTM zone of epsg: where the grain was cut; the middle of a segment", "no position was recorded";
    "geometry", "geometry", "m", "x_m and y_m as a WKB point (GeoParquet 1.1)", "no position was recorded";
    "y_m", "number", "m", "northing in the UTM zone of epsg", "no position was recorded";
    "epsg", "integer", "", "EPSG code of the coordinates", "";
    "machine", "text", "", "the combine", "";
    "pass", "integer", "", "number of the pass", "outside any pass";
    "mass_flow_kg_s", "number", "kg/s", "wet mass flow after lag and gain", "not recorded";
    "moisture_pct", "number", "%", "moisture of the grain after lag", "not recorded";
    "speed_m_s", "number", "m/s", "speed over ground", "not recorded";
    "swath_m", "number", "m", "width that was cut", "not recorded";
    "area_m2", "number", "m²", "ground that was cut; of a segment, that of its kept records", "not known";
    "dry_yield_kg_ha", "number", "kg/ha", "dry yield at market moisture", "not known";
    "kept", "boolean", "", "whether the record is kept", "";
    "removed_by", "text", "", "first reason for removal", "the record is kept";
    "removed_by_all", "text", "", "all reasons for removal, joined by semicolons", "the record is kept";
    "segment", "integer", "", "number of the segment", "outside the segments";
    "edge", "boolean", "", "whether the record lies within the edge buffer of its strip", "";
    "along", "integer", "", "number along the block; the same number in two strips faces the same ground", "";
    "along_m", "number", "m", "place of its middle along the block", "";
    "kept_share", "number", "share", "part of its records that are kept", "";
    "elevation_m", "number", "m", "mean elevation", "not recorded";
    "usable", "boolean", "", "whether the model uses the segment", "";
    "terrain_index", "number", "", "topographic wetness index", "no elevation model";
    "depression_m", "number", "m", "depth below the filled surface", "no elevation model";
    "yield", "number", "yield_unit", "dry yield at market moisture", "not known";
    "log", "text", "", "name of the log of what was put down", "";
    "finding", "text", "", "a strip, why a stretch was left out, or what disagrees", "";
    "from", "timestamp", "UTC", "its first moment", "of ground that several passes share";
    "to", "timestamp", "UTC", "its last moment", "of ground that several passes share";
    "rate", "number", "rate_unit", "mean rate that was logged; in doses.csv as set, 0 for the check", "not logged";
    "target_rate", "number", "rate_unit", "mean rate that was asked for", "not logged";
    "rate_unit", "text", "", "unit of rates", "";
    "first_row", "integer", "", "its first row, the first data row being 1", "of ground that several passes share";
    "last_row", "integer", "", "its last row", "of ground that several passes share";
    "used", "text", "", "what the analysis stands on: log or strips", "";
    "note", "text", "", "more in words", "no more is to be said";
    "measure", "text", "", "what was counted or rated", "";
    "scale", "text", "", "count, percent or ordinal", "";
    "spots", "integer", "", "places that were looked at", "";
    "plants", "integer", "", "plants or counts that were looked at", "";
    "check_level", "number", "level_unit", "mean of the check", "nothing was seen of both in one block";
    "treated_level", "number", "level_unit", "mean of the treated", "nothing was seen of both in one block";
    "level_unit", "text", "", "unit of the levels: count, % or % other than the first level", "";
    "observed_difference", "number", "difference_unit", "treated against check in what was seen", "not estimable";
    "difference_unit", "text", "", "ratio of counts, percent points, or odds ratio of a worse level", "";
    "difference_low", "number", "difference_unit", "lower end of the interval", "no standard error";
    "difference_high", "number", "difference_unit", "upper end of the interval", "no standard error";
    "link", "text", "", "scale of the model: log or logit", "";
    "link_difference", "number", "link", "the difference on that scale", "not estimable";
    "link_std_error", "number", "link", "its standard error, between blocks", "one block";
    "observers", "text", "", "who looked", "not recorded";
    "blind", "text", "", "whether they did not know the treatment: yes, partly or no", "not recorded";
    "first_day", "text", "", "first day of looking", "not recorded";
    "last_day", "text", "", "last day of looking", "not recorded";
    "covariate", "text", "", "another layer of the ground, or what holds for the whole field", "";
    "kind", "text", "", "class or number", "";
    "covariate_unit", "text", "", "unit of the numbers of the covariate, as typed", "a class, or no unit was given";
    "joined_by", "text", "", "how records took their value", "";
    "known_share", "number", "share", "part of the segments' area with a value", "";
    "covariate_mean", "number", "covariate_unit", "mean over the segments, by area", "a class";
    "covariate_sd", "number", "covariate_unit", "standard deviation over the segments; over site-years its root mean square, or that of the fields' values", "a class, or one value for the whole field";
    "field_value", "text", "covariate_unit", "the value of the whole field", "a layer";
    "term", "text", "", "slope or class (within fields), slope-by-wetness, between-fields or between-classes (over site-years)", "no interaction was asked";
    "class", "text", "", "class of the covariate", "a number";
    "response_low", "number", "yield_unit", "lower end of the interval of the response on the class", "a number";
    "response_high", "number", "yield_unit", "upper end of the interval of the response on the class", "a number";
    "change", "number", "change_unit", "slope of the response over the covariate, or the response on a class less that on the others", "cannot be estimated: see why_not";
    "change_unit", "text", "", "unit of the change, its standard error and interval", "no interaction was asked";
    "change_per_sd", "number", "yield_unit", "the slope for one standard deviation of the covariate", "a class, or cannot be estimated";
    "asked", "integer", "", "interactions that were estimated, and corrected for their number", "none was asked";
    "p_holm", "number", "", "p value with Holm's correction for the number of interactions", "cannot be estimated";
    "why_not", "text", "", "why the change cannot be estimated", "it can";
    "covariate_<name>", "number", "covariate_unit", "a covariate by its name: its number, or text for a class; of a segment the mean, or the class of most of it", "no value";
    "covariate_<name>_share", "number", "share", "part of the segment with a number, or with the class of most of it", "";
    "file", "text", "", "file that the column stands in", "";
    "column", "text", "", "its name", "";
    "type", "text", "", "text, integer, number or boolean", "";
    "unit", "text", "", "its unit, or the column that gives it", "it has none";
    "meaning", "text", "", "what it says", "";
    "when_empty", "text", "", "when the cell is empty", "it never is";
};

/// What a name stands for.
pub fn find(name: &str) -> Option<&'static Column> {
    let of_covariate = || {
        let rest = name.strip_prefix(COVARIATE_COLUMN)?;
        Some(if rest.ends_with("_share") { "covariate_<name>_share" } else { "covariate_<name>" })
    };
    let known = |name: &str| DICTIONARY.iter().find(|column| column.name == name);
    known(name).or_else(|| known(of_covariate()?))
}

/// Refuses a table with a column that the dictionary lacks.
pub(super) fn known<'n>(file: &'static str, names: impl IntoIterator<Item = &'n str>) -> Result<(), ReportError> {
    let unknown = names.into_iter().find(|name| find(name).is_none());
    unknown.map_or(Ok(()), |name| Err(ReportError::new(file, format!("the data dictionary lacks `{name}`"))))
}

/// Every file with columns, with those that it has. Layers are listed as `file:layer`.
pub fn files() -> Vec<(&'static str, Vec<&'static str>)> {
    let [of_site_year, pooled] = covariates::columns();
    let mut files = vec![
        ("response_by_zone.csv", [names(RESPONSE), names(SYNTHESIS)].concat()),
        ("site_years.csv", [names(RESPONSE), names(PLACE)].concat()),
        ("forest.csv", names(FOREST)),
        ("trends.csv", names(TRENDS)),
        ("economics.csv", names(ECONOMICS)),
        ("doses.csv", names(DOSES)),
        ("columns.csv", names(COLUMNS)),
        ("site_years/…/response.csv", [names(RESPONSE), names(SHRUNKEN)].concat()),
        ("site_years/…/removals.csv", names(REMOVALS)),
        ("site_years/…/contrasts.csv", names(CONTRASTS)),
        ("site_years/…/sensitivity.csv", names(SENSITIVITY)),
        ("site_years/…/applied.csv", names(APPLIED)),
        ("site_years/…/observed.csv", names(OBSERVED)),
        ("covariates.csv", pooled),
        ("site_years/…/covariates.csv", of_site_year),
        ("site_years/…/points.parquet", [parquet::names(parquet::POINTS), vec!["covariate_<name>"]].concat()),
        (
            "site_years/…/segments.parquet",
            [parquet::names(parquet::SEGMENTS), vec!["covariate_<name>", "covariate_<name>_share"]].concat(),
        ),
        ("plan/plan.csv", names(PLAN)),
        ("plan/strips.csv", names(strips::COLUMNS)),
        ("plan/…/zoning.csv", names(ZONING)),
        ("plan/…/replication.csv", names(REPLICATION)),
        ("plan/…/promised.csv", [names(ABOUT), names(PROMISE)].concat()),
        ("promises.csv", [names(ABOUT), names(SCORED)].concat()),
    ];
    for (file, columns) in &mut files {
        if super::first::suggests(file.rsplit('/').next().unwrap_or(file)) {
            columns.push("first");
        }
    }
    files.extend(layers::columns());
    files
}

/// Every column of every file, then every key at the top of the JSON files.
fn rows() -> impl Iterator<Item = (&'static str, &'static Column)> {
    let of_file = |(file, names): (_, Vec<_>)| names.into_iter().filter_map(find).map(move |one| (file, one));
    let keys = super::keys::KEYS.into_iter().flat_map(|(file, keys)| keys.iter().map(move |one| (file, one)));
    files().into_iter().flat_map(of_file).chain(keys)
}

/// `columns.csv`.
pub(super) fn table() -> Result<Vec<u8>, ReportError> {
    by_columns("columns.csv", COLUMNS, rows())
}

/// The dictionary as text, for the terminal.
pub fn as_text() -> String {
    let header = names(COLUMNS).into_iter().map(str::to_owned).collect();
    let rows: Vec<Vec<String>> = std::iter::once(header).chain(rows().map(|row| cells(COLUMNS, &row))).collect();
    aligned(&rows)
}

/// The dictionary as JSON.
pub fn as_json() -> serde_json::Value {
    let row = |row| COLUMNS.iter().map(|(name, cell)| ((*name).to_owned(), cell(&row).into())).collect();
    rows().map(|one| serde_json::Value::Object(row(one))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_column_is_declared_once_and_used() {
        let files = files();
        for (file, names) in &files {
            for name in names {
                assert!(find(name).is_some(), "{file}: {name}");
            }
        }
        for column in &DICTIONARY {
            assert_eq!(DICTIONARY.iter().filter(|one| one.name == column.name).count(), 1, "{}", column.name);
            let is_used = files.iter().any(|(_, names)| names.contains(&column.name));
            assert!(is_used, "{}: no file has it", column.name);
        }
    }
}
