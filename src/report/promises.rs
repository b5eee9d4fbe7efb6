//! The promises of plans: as they are kept beside the plan until the harvest, and what became of them.

use csv::StringRecord;

use super::tables::write;
use super::units::{fixed, level};
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::{Decision, Promise, Record, ScoredPromise};

/// The promises of one plan, in SI units, so that they can be read whatever the report's units are by then.
pub const PROMISED: &str = "promised.csv";

/// The columns of `promised.csv`.
pub(super) const PROMISED_COLUMNS: [&str; 19] = [
    "season",
    "known_to",
    "farm",
    "field",
    "crop",
    "treatment",
    "drainage_class",
    "decision",
    "treat_m2",
    "response_kg_ha",
    "predicted_low_kg_ha",
    "predicted_high_kg_ha",
    "confidence",
    "break_even_kg_ha",
    "net_return_per_ha",
    "currency",
    "probability_pays",
    "probability_new_site_pays",
    "outlook",
];

/// The columns of `promises.csv`.
pub(super) const PROMISE_COLUMNS: [&str; 26] = [
    "season",
    "known_to",
    "farm",
    "field",
    "crop",
    "treatment",
    "drainage_class",
    "decision",
    "area",
    "area_unit",
    "predicted",
    "predicted_low",
    "predicted_high",
    "response",
    "std_error",
    "ci_low",
    "ci_high",
    "check_low",
    "check_high",
    "inside",
    "yield_unit",
    "net_return_promised",
    "net_return_made",
    "money_unit",
    "money_promised",
    "money_made",
];

/// What was promised, of which ground, in the first columns of both files.
fn about(promise: &Promise) -> Vec<String> {
    vec![
        promise.season.to_string(),
        promise.known_to.to_string(),
        promise.farm.clone(),
        promise.field.clone(),
        promise.crop.clone(),
        promise.treatment.clone(),
        promise.class_name.clone(),
        promise.decision.code().to_owned(),
    ]
}

/// `promised.csv`.
pub(super) fn promised(promises: &[Promise], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let currency = archive.currency.clone().unwrap_or_default();
    let number = |value: f64| format!("{value}");
    let some = |value: Option<f64>| value.map_or_else(String::new, number);
    let rows = promises.iter().map(|one| {
        let mut cells = about(one);
        cells.extend([
            number(one.treat_m2),
            number(one.response),
            number(one.interval.0),
            number(one.interval.1),
            number(one.confidence),
            some(one.break_even),
            some(one.net_return),
            currency.clone(),
            some(one.probability_pays),
            some(one.probability_new_site_pays),
            one.outlook.iter().map(|share| number(*share)).collect::<Vec<_>>().join(","),
        ]);
        cells
    });
    write(PROMISED, &PROMISED_COLUMNS, rows)
}

/// Reads `promised.csv` back.
///
/// # Errors
/// What is wrong with it, with its row and column.
pub fn read_promised(bytes: &[u8]) -> Result<Vec<Promise>, String> {
    let mut reader = csv::Reader::from_reader(bytes);
    let header = reader.headers().map_err(|error| error.to_string())?.clone();
    let missing = PROMISED_COLUMNS.iter().find(|name| !header.iter().any(|one| one == **name));
    if let Some(missing) = missing {
        return Err(format!("expected a column `{missing}`, found {}", header.iter().collect::<Vec<_>>().join(", ")));
    }
    let rows = reader.records().enumerate();
    rows.map(|(at, row)| {
        let row = row.map_err(|error| error.to_string())?;
        promise(&header, &row).map_err(|fault| format!("row {}: {fault}", at + 2))
    })
    .collect()
}

fn promise(header: &StringRecord, row: &StringRecord) -> Result<Promise, String> {
    let cell = |name: &str| {
        let at = header.iter().position(|one| one == name);
        at.and_then(|at| row.get(at)).unwrap_or_default()
    };
    let text = |name: &str| cell(name).to_owned();
    let fault = |name: &str, expected: &str| format!("{name}: expected {expected}, found `{}`", cell(name));
    let year = |name: &str| cell(name).parse::<i32>().map_err(|_| fault(name, "a year"));
    let finite = |name: &str, text: &str| {
        text.parse::<f64>().ok().filter(|value| value.is_finite()).ok_or_else(|| fault(name, "a number"))
    };
    let number = |name: &str| finite(name, cell(name));
    let some = |name: &str| if cell(name).is_empty() { Ok(None) } else { number(name).map(Some) };
    let decisions = [Decision::Treat, Decision::Leave, Decision::Test];
    let decision = decisions.into_iter().find(|one| one.code() == cell("decision"));
    let outlook = cell("outlook").split(',').filter(|share| !share.is_empty());
    let promise = Promise {
        season: year("season")?,
        known_to: year("known_to")?,
        farm: text("farm"),
        field: text("field"),
        crop: text("crop"),
        treatment: text("treatment"),
        class_name: text("drainage_class"),
        decision: decision.ok_or_else(|| fault("decision", "treat, leave or test"))?,
        treat_m2: number("treat_m2")?,
        response: number("response_kg_ha")?,
        interval: (number("predicted_low_kg_ha")?, number("predicted_high_kg_ha")?),
        confidence: number("confidence")?,
        break_even: some("break_even_kg_ha")?,
        net_return: some("net_return_per_ha")?,
        probability_pays: some("probability_pays")?,
        probability_new_site_pays: some("probability_new_site_pays")?,
        outlook: outlook.map(|share| finite("outlook", share)).collect::<Result<_, _>>()?,
    };
    let (low, high) = promise.interval;
    if !(low <= promise.response && promise.response <= high) {
        return Err(fault("response_kg_ha", "a number within predicted_low_kg_ha and predicted_high_kg_ha"));
    }
    if !(promise.confidence > 0.0 && promise.confidence < 1.0) {
        return Err(fault("confidence", "a share between 0 and 1"));
    }
    Ok(promise)
}

/// `promises.csv`.
pub(super) fn table(records: &[Record], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = records.iter().flat_map(|record| {
        let units = Units::new(archive, &record.crop);
        record.scored.iter().map(move |one| row(one, &units))
    });
    write("promises.csv", &PROMISE_COLUMNS, rows)
}

fn row(one: &ScoredPromise, units: &Units) -> Vec<String> {
    let promise = &one.promise;
    let yields = |value: Option<f64>| fixed(value.map(|value| units.yields(value)), units.yield_decimals);
    let net = |value: Option<f64>| fixed(value.map(|value| units.money(value)), 2);
    let money = one.money();
    let mut cells = about(promise);
    cells.extend([
        fixed(Some(units.area(promise.treat_m2)), 3),
        units.area_unit.to_owned(),
        yields(Some(promise.response)),
        yields(Some(promise.interval.0)),
        yields(Some(promise.interval.1)),
        yields(one.found.mean),
        yields(one.found.std_error),
        yields(one.found.low),
        yields(one.found.high),
        yields(Some(one.check.0)),
        yields(Some(one.check.1)),
        if one.is_inside { "yes" } else { "no" }.to_owned(),
        units.yield_unit.to_owned(),
        net(promise.net_return),
        net(one.net_return),
        units.money_unit.clone(),
        fixed(money.map(|both| both.0), 0),
        fixed(money.map(|both| both.1), 0),
    ]);
    cells
}

/// What became of the promises of a crop, in a sentence.
pub(super) fn sentence(record: &Record, archive: &ArchiveSettings) -> String {
    let currency = archive.currency.clone().unwrap_or_default();
    let (low, high) = record.coverage;
    let seasons = if record.seasons == 1 { "one season".to_owned() } else { format!("{} seasons", record.seasons) };
    let money = record.money.map_or_else(String::new, |money| {
        format!(
            "; {:.0} {currency} were promised on ground to treat that was harvested in strips, and {:.0} made at the prices of each season",
            money.promised, money.made
        )
    });
    format!(
        "Of {} promises for {} in {seasons}, {} held within their {} intervals ({:.0} to {:.0} %){money}.{}",
        record.scored.len(),
        record.crop,
        record.inside,
        level(record.confidence),
        100.0 * low,
        100.0 * high,
        warning(record).map_or_else(String::new, |text| format!(" {text}")),
    )
}

/// What is said beside the next plan where the promises were not kept.
pub(super) fn warning(record: &Record) -> Option<String> {
    let mut faults = Vec::new();
    if record.falls_short {
        faults.push("fewer fields than promised fell within their intervals");
    }
    if record.money.is_some_and(|money| money.falls_short()) {
        faults.push("less money was made than promised");
    }
    let shown = "Former plans did not keep what they promised";
    (!faults.is_empty()).then(|| format!("{shown}: {}. Trust the next one less.", faults.join(", and ")))
}
