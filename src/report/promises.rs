//! The promises of plans: as they are kept beside the plan until the harvest, and what became of them.

use csv::StringRecord;

use super::tables::{Column, cells, names, write};
use super::units::{counted, fixed, level, yes_no};
use super::{ReportError, Units};
use crate::config::ArchiveSettings;
use crate::results::{Decision, Promise, Record, ScoredPromise};

/// The promises of one plan, in SI units, so that they can be read whatever the report's units are by then.
pub const PROMISED: &str = "promised.csv";

/// A number with all its digits; empty where there is none.
fn exact(value: impl Into<Option<f64>>) -> String {
    value.into().map_or_else(String::new, |value: f64| value.to_string())
}

/// What was promised, of which ground: the first columns of both files.
pub(super) const ABOUT: &[Column<fn(&&Promise) -> String>] = &[
    ("season", |one| one.season.to_string()),
    ("known_to", |one| one.known_to.to_string()),
    ("farm", |one| one.farm.clone()),
    ("field", |one| one.field.clone()),
    ("crop", |one| one.crop.clone()),
    ("treatment", |one| one.treatment.clone()),
    ("drainage_class", |one| one.class_name.clone()),
    ("decision", |one| one.decision.code().to_owned()),
];

/// What `promised.csv` adds.
pub(super) const PROMISE: &[Column<fn(&(&Promise, &str)) -> String>] = &[
    ("treat_m2", |(one, _)| exact(one.treat_m2)),
    ("response_kg_ha", |(one, _)| exact(one.response)),
    ("predicted_low_kg_ha", |(one, _)| exact(one.interval.0)),
    ("predicted_high_kg_ha", |(one, _)| exact(one.interval.1)),
    ("confidence", |(one, _)| exact(one.confidence)),
    ("break_even_kg_ha", |(one, _)| exact(one.break_even)),
    ("net_return_per_ha", |(one, _)| exact(one.net_return)),
    ("currency", |(_, currency)| (*currency).to_owned()),
    ("probability_pays", |(one, _)| exact(one.probability_pays)),
    ("probability_new_site_pays", |(one, _)| exact(one.probability_new_site_pays)),
    ("outlook", |(one, _)| one.outlook.iter().copied().map(exact).collect::<Vec<_>>().join(",")),
];

/// What `promises.csv` adds.
pub(super) const SCORED: &[Column<fn(&(&ScoredPromise, &Units)) -> String>] = &[
    ("area", |(one, units)| fixed(Some(units.area(one.promise.treat_m2)), 3)),
    ("area_unit", |(_, units)| units.area_unit.to_owned()),
    ("predicted", |(one, units)| units.yield_cell(one.promise.response)),
    ("predicted_low", |(one, units)| units.yield_cell(one.promise.interval.0)),
    ("predicted_high", |(one, units)| units.yield_cell(one.promise.interval.1)),
    ("response", |(one, units)| units.yield_cell(one.found.mean)),
    ("std_error", |(one, units)| units.yield_cell(one.found.std_error)),
    ("ci_low", |(one, units)| units.yield_cell(one.found.low)),
    ("ci_high", |(one, units)| units.yield_cell(one.found.high)),
    ("check_low", |(one, units)| units.yield_cell(one.check.0)),
    ("check_high", |(one, units)| units.yield_cell(one.check.1)),
    ("inside", |(one, _)| yes_no(one.is_inside)),
    ("yield_unit", |(_, units)| units.yield_unit.to_owned()),
    ("net_return_promised", |(one, units)| units.money_cell(one.promise.net_return)),
    ("net_return_made", |(one, units)| units.money_cell(one.net_return)),
    ("money_unit", |(_, units)| units.money_unit.clone()),
    ("money_promised", |(one, _)| fixed(one.money().map(|money| money.0), 0)),
    ("money_made", |(one, _)| fixed(one.money().map(|money| money.1), 0)),
];

/// `promised.csv`.
pub(super) fn promised(promises: &[Promise], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let currency = archive.currency.as_deref().unwrap_or_default();
    let rows = promises.iter().map(|one| [cells(ABOUT, &one), cells(PROMISE, &(one, currency))].concat());
    write(PROMISED, &[names(ABOUT), names(PROMISE)].concat(), rows)
}

/// Reads `promised.csv` back.
///
/// # Errors
/// What is wrong with it, with its row and column.
pub fn read_promised(bytes: &[u8]) -> Result<Vec<Promise>, String> {
    let mut reader = csv::Reader::from_reader(bytes);
    let header = reader.headers().map_err(|error| error.to_string())?.clone();
    let needed = [names(ABOUT), names(PROMISE)].concat();
    if let Some(missing) = needed.into_iter().find(|name| !header.iter().any(|one| one == *name)) {
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
        let row = move |one: &ScoredPromise| [cells(ABOUT, &&one.promise), cells(SCORED, &(one, &units))].concat();
        record.scored.iter().map(row)
    });
    write("promises.csv", &[names(ABOUT), names(SCORED)].concat(), rows)
}

/// What became of the promises of a crop, in a sentence.
pub(super) fn sentence(record: &Record, archive: &ArchiveSettings) -> String {
    let currency = archive.currency.clone().unwrap_or_default();
    let (low, high) = record.coverage;
    let seasons = counted(record.seasons, "season");
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
