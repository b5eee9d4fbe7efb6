//! The CSV tables.

use super::first::suggests;
use super::units::{fixed, probability, yes_no};
use super::{LABEL_FIRST, ReportError, Units, columns};
use crate::config::ArchiveSettings;
use crate::points::Cautions;
use crate::results::{Estimate, Response, Returns, SensitivityRow, SiteYear, ZoneResponse};
use crate::text::plain;

/// A column of a table: its name, and what a row has there.
pub(super) type Column<F> = (&'static str, F);

/// What all response tables say of a row, in SI units.
pub(super) struct Row<'r> {
    place: [String; 4],
    treatment: &'r str,
    class: &'r str,
    wetness_class: &'r str,
    wetness_mm: Option<f64>,
    counts: [usize; 3],
    area_m2: f64,
    yields: [Option<f64>; 2],
    estimate: &'r Estimate,
    returns: &'r Returns,
    cautions: Cautions,
    units: &'r Units,
}

/// The columns that the response tables share.
pub(super) const RESPONSE: &[Column<fn(&Row<'_>) -> String>] = &[
    ("season", |row| row.place[0].clone()),
    ("farm", |row| row.place[1].clone()),
    ("field", |row| row.place[2].clone()),
    ("crop", |row| row.place[3].clone()),
    ("treatment", |row| row.treatment.to_owned()),
    ("drainage_class", |row| row.class.to_owned()),
    ("wetness_class", |row| row.wetness_class.to_owned()),
    ("wetness_mm", |row| fixed(row.wetness_mm, 1)),
    ("blocks", |row| row.counts[0].to_string()),
    ("strips", |row| row.counts[1].to_string()),
    ("segments", |row| row.counts[2].to_string()),
    ("area", |row| fixed(Some(row.units.area(row.area_m2)), 3)),
    ("area_unit", |row| row.units.area_unit.to_owned()),
    ("check_yield", |row| row.units.yield_cell(row.yields[0])),
    ("treated_yield", |row| row.units.yield_cell(row.yields[1])),
    ("response", |row| row.units.yield_cell(row.estimate.mean)),
    ("std_error", |row| row.units.yield_cell(row.estimate.std_error)),
    ("df", |row| fixed(row.estimate.df, 2)),
    ("ci_low", |row| row.units.yield_cell(row.estimate.low)),
    ("ci_high", |row| row.units.yield_cell(row.estimate.high)),
    ("p_value", |row| fixed(row.estimate.p_value, 4)),
    ("p_randomization", |row| fixed(row.estimate.p_randomization, 4)),
    ("probability_positive", |row| fixed(row.estimate.probability_positive, 4)),
    ("break_even", |row| row.units.yield_cell(row.returns.break_even)),
    ("probability_pays", |row| fixed(row.returns.probability_pays, 4)),
    ("net_return", |row| row.units.money_cell(row.returns.net_return)),
    ("yield_unit", |row| row.units.yield_unit.to_owned()),
    ("money_unit", |row| row.units.money_unit.clone()),
    ("caution", |row| row.cautions.codes()),
];

/// The columns that the synthesis adds.
pub(super) const SYNTHESIS: &[Column<fn(&(&ZoneResponse, &Units)) -> String>] = &[
    ("site_years", |(zone, _)| zone.site_years.to_string()),
    ("gained", |(zone, _)| zone.gained.to_string()),
    ("paid", |(zone, _)| zone.paid.to_string()),
    ("tau", |(zone, units)| units.yield_cell(zone.tau)),
    ("pi_low", |(zone, units)| units.yield_cell(zone.prediction.map(|ends| ends.0))),
    ("pi_high", |(zone, units)| units.yield_cell(zone.prediction.map(|ends| ends.1))),
    ("probability_new_site_pays", |(zone, _)| fixed(zone.probability_new_site_pays, 4)),
    ("shrunken_response", |(zone, units)| units.yield_cell(zone.shrunken.as_ref().map(|one| one.mean))),
    ("shrunken_low", |(zone, units)| units.yield_cell(zone.shrunken.as_ref().map(|one| one.low))),
    ("shrunken_high", |(zone, units)| units.yield_cell(zone.shrunken.as_ref().map(|one| one.high))),
    ("seasons", |(zone, _)| zone.seasons.to_string()),
    ("estimator", |(zone, _)| zone.estimator.code().to_owned()),
];

/// The columns that only `site_years.csv` adds: where the site-year lies.
pub(super) const PLACE: &[Column<fn(&SiteYear) -> String>] =
    &[("longitude", |one| fixed(Some(one.place_deg.0), 6)), ("latitude", |one| fixed(Some(one.place_deg.1), 6))];

/// The columns that only a site-year's own table adds: the response drawn towards those of the other classes.
pub(super) const SHRUNKEN: &[Column<fn(&(&Response, &Units)) -> String>] = &[
    ("shrunken_response", |(one, units)| units.yield_cell(one.shrunken.map(|one| one.mean))),
    ("shrunken_std_error", |(one, units)| units.yield_cell(one.shrunken.map(|one| one.std_error))),
];

/// The names of columns.
pub(super) fn names<R>(columns: &[Column<fn(&R) -> String>]) -> Vec<&'static str> {
    columns.iter().map(|column| column.0).collect()
}

/// What a row has in the columns.
pub(super) fn cells<R>(columns: &[Column<fn(&R) -> String>], row: &R) -> Vec<String> {
    columns.iter().map(|(_, cell)| cell(row)).collect()
}

/// A table whose rows have one kind.
pub(super) fn by_columns<R>(
    file: &'static str,
    columns: &[Column<fn(&R) -> String>],
    rows: impl IntoIterator<Item = R>,
) -> Result<Vec<u8>, ReportError> {
    write(file, &names(columns), rows.into_iter().map(|row| cells(columns, &row)))
}

/// A table; one that suggests spending or spraying says in each row what comes first.
pub(super) fn write(
    file: &'static str,
    header: &[&str],
    rows: impl IntoIterator<Item = Vec<String>>,
) -> Result<Vec<u8>, ReportError> {
    columns::known(file, header.iter().copied())?;
    let mut writer = csv::Writer::from_writer(Vec::new());
    let fault = |error: csv::Error| ReportError::new(file, error);
    let first = suggests(file).then_some(LABEL_FIRST);
    writer.write_record(header.iter().copied().chain(first.map(|_| "first"))).map_err(fault)?;
    for row in rows {
        let cells = row.iter().map(|cell| plain(cell)).chain(first.map(Into::into));
        writer.write_record(cells.map(std::borrow::Cow::into_owned)).map_err(fault)?;
    }
    writer.into_inner().map_err(|error| ReportError::new(file, error))
}

fn response_row<'r>(result: &'r SiteYear, response: &'r Response, units: &'r Units) -> Row<'r> {
    let mut cautions = response.cautions.clone();
    cautions.extend(&result.cautions);
    let identity = &result.identity;
    Row {
        place: [identity.season.to_string(), identity.farm.clone(), identity.field.clone(), identity.crop.clone()],
        treatment: &response.key.treatment,
        class: &response.class_name,
        wetness_class: result.wetness_class.as_deref().unwrap_or(""),
        wetness_mm: result.wetness_mm,
        counts: [response.blocks, response.strips, response.segments],
        area_m2: response.area_m2,
        yields: [response.check_yield, response.treated_yield],
        estimate: &response.estimate,
        returns: &response.returns,
        cautions,
        units,
    }
}

/// `response.csv`.
pub(super) fn response(result: &SiteYear, units: &Units) -> Result<Vec<u8>, ReportError> {
    let rows = result.responses.iter().map(|response| {
        [cells(RESPONSE, &response_row(result, response, units)), cells(SHRUNKEN, &(response, units))].concat()
    });
    write("response.csv", &[names(RESPONSE), names(SHRUNKEN)].concat(), rows)
}

/// `site_years.csv`.
pub(super) fn site_years(site_years: &[SiteYear], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = site_years.iter().flat_map(|result| {
        let units = Units::new(archive, &result.identity.crop);
        let whole = result.responses.iter().filter(|response| response.key.class.is_none());
        let row = |response| [cells(RESPONSE, &response_row(result, response, &units)), cells(PLACE, result)].concat();
        whole.map(row).collect::<Vec<_>>()
    });
    write("site_years.csv", &[names(RESPONSE), names(PLACE)].concat(), rows)
}

/// `response_by_zone.csv`.
pub(super) fn zones(zones: &[ZoneResponse], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = zones.iter().map(|zone| {
        let units = Units::new(archive, &zone.crop);
        let all = || "all".to_owned();
        let row = Row {
            place: [all(), all(), all(), zone.crop.clone()],
            treatment: &zone.treatment,
            class: &zone.class_name,
            wetness_class: &zone.wetness_class,
            wetness_mm: zone.wetness_mm,
            counts: [zone.blocks, zone.strips, zone.segments],
            area_m2: zone.area_m2,
            yields: [zone.check_yield, zone.treated_yield],
            estimate: &zone.estimate,
            returns: &zone.returns,
            cautions: zone.cautions.clone(),
            units: &units,
        };
        [cells(RESPONSE, &row), cells(SYNTHESIS, &(zone, &units))].concat()
    });
    write("response_by_zone.csv", &[names(RESPONSE), names(SYNTHESIS)].concat(), rows)
}

/// The columns of `removals.csv`: the reason, the records with it, and how many were read.
pub(super) const REMOVALS: &[Column<fn(&(&str, usize, usize)) -> String>] = &[
    ("reason", |(reason, ..)| (*reason).to_owned()),
    ("points", |(_, points, _)| points.to_string()),
    ("share", |&(_, points, read)| fixed(Some(if read == 0 { 0.0 } else { points as f64 / read as f64 }), 5)),
];

/// `removals.csv`: every reason in the order in which they are tested, then those kept.
pub(super) fn removals(result: &SiteYear) -> Result<Vec<u8>, ReportError> {
    let counts = &result.counts;
    let removed = counts.removed.iter().map(|(mark, points)| (mark.code(), *points, counts.read));
    by_columns("removals.csv", REMOVALS, removed.chain([("kept", counts.kept, counts.read)]))
}

/// A row of `contrasts.csv`.
pub(super) struct Contrast<'r> {
    kind: &'static str,
    treatment: &'r str,
    against: &'r str,
    classes: String,
    blocks: usize,
    estimate: &'r Estimate,
    cautions: String,
    units: &'r Units,
}

/// The columns of `contrasts.csv`.
pub(super) const CONTRASTS: &[Column<fn(&Contrast<'_>) -> String>] = &[
    ("contrast", |row| row.kind.to_owned()),
    ("treatment", |row| row.treatment.to_owned()),
    ("against", |row| row.against.to_owned()),
    ("drainage_class", |row| row.classes.clone()),
    ("blocks", |row| row.blocks.to_string()),
    ("difference", |row| row.units.yield_cell(row.estimate.mean)),
    ("std_error", |row| row.units.yield_cell(row.estimate.std_error)),
    ("df", |row| fixed(row.estimate.df, 2)),
    ("ci_low", |row| row.units.yield_cell(row.estimate.low)),
    ("ci_high", |row| row.units.yield_cell(row.estimate.high)),
    ("p_value", |row| fixed(row.estimate.p_value, 4)),
    ("probability_positive", |row| fixed(row.estimate.probability_positive, 4)),
    ("yield_unit", |row| row.units.yield_unit.to_owned()),
    ("caution", |row| row.cautions.clone()),
];

/// `contrasts.csv`: treatments against each other, then the change of each response from class to class.
pub(super) fn contrasts(result: &SiteYear, units: &Units) -> Result<Vec<u8>, ReportError> {
    let between = result.supplement.contrasts.iter().map(|one| Contrast {
        kind: "between-treatments",
        treatment: &one.treatment,
        against: &one.against,
        classes: one.class_name.clone(),
        blocks: one.blocks,
        estimate: &one.estimate,
        cautions: one.cautions.codes(),
        units,
    });
    let trends = result.supplement.trends.iter().map(|one| Contrast {
        kind: "trend-by-class",
        treatment: &one.treatment,
        against: "",
        classes: one.classes.join(" to "),
        blocks: one.blocks,
        estimate: &one.estimate,
        cautions: String::new(),
        units,
    });
    by_columns("contrasts.csv", CONTRASTS, between.chain(trends))
}

/// The columns of `sensitivity.csv`.
pub(super) const SENSITIVITY: &[Column<fn(&(&SensitivityRow, &SiteYear, &Units)) -> String>] = &[
    ("variant", |(row, ..)| row.variant.clone()),
    ("treatment", |(row, ..)| row.treatment.clone()),
    ("drainage_class", |(row, ..)| row.class_name.clone()),
    ("response", |(row, _, units)| units.yield_cell(row.response)),
    ("std_error", |(row, _, units)| units.yield_cell(row.std_error)),
    ("ci_low", |(row, _, units)| units.yield_cell(row.low)),
    ("ci_high", |(row, _, units)| units.yield_cell(row.high)),
    ("p_value", |(row, ..)| fixed(row.p_value, 4)),
    ("sign_changed", |(row, result, _)| result.sign_changed(row).map_or_else(String::new, yes_no)),
    ("yield_unit", |(.., units)| units.yield_unit.to_owned()),
];

/// `sensitivity.csv`.
pub(super) fn sensitivity(result: &SiteYear, units: &Units) -> Result<Vec<u8>, ReportError> {
    by_columns("sensitivity.csv", SENSITIVITY, result.sensitivity.iter().map(|row| (row, result, units)))
}

/// The zones as a table for the terminal: one line each, all wetness classes; what pays is reported where some zone rests on
/// enough blocks.
pub fn zone_text(zones: &[ZoneResponse], archive: &ArchiveSettings) -> String {
    let decisions = zones.iter().any(ZoneResponse::decision_allowed);
    let mut header = ["treatment", "soil", "wetness", "site-years", "response", "interval"].map(str::to_owned).to_vec();
    if decisions {
        header.extend(["pays", "paid"].map(str::to_owned));
    }
    let mut rows = vec![header];
    for zone in zones {
        let units = Units::new(archive, &zone.crop);
        let estimate = units.estimate(&zone.estimate);
        let response = match estimate.mean {
            Some(mean) => format!("{mean:+.1} {}", units.yield_unit),
            None => "not estimable".to_owned(),
        };
        let interval = match (estimate.low, estimate.high) {
            (Some(low), Some(high)) => format!("{low:.1} to {high:.1}"),
            _ => String::new(),
        };
        let mut row = vec![
            format!("{} ({})", zone.treatment, zone.crop),
            zone.class_name.clone(),
            zone.wetness_class.clone(),
            zone.site_years.to_string(),
            response,
            interval,
        ];
        if decisions && zone.decision_allowed() {
            row.push(zone.returns.probability_pays.map_or_else(String::new, probability));
            row.push(format!("{} of {}", zone.paid, zone.site_years));
        }
        rows.push(row);
    }
    aligned(&rows)
}

/// Columns padded to one width.
pub(crate) fn aligned(rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| {
        rows.iter().filter_map(|row| row.get(column)).map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..columns).map(width).collect();
    let mut text = String::new();
    for row in rows {
        let line: Vec<String> = row
            .iter()
            .zip(&widths)
            .map(|(cell, width)| format!("{cell}{}", " ".repeat(width - cell.chars().count())))
            .collect();
        text.push_str(line.join("  ").trim_end());
        text.push('\n');
    }
    text
}
