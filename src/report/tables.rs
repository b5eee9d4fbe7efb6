//! The CSV tables.

use super::first::suggests;
use super::units::{fixed, probability};
use super::{LABEL_FIRST, ReportError, Units, columns};
use crate::config::ArchiveSettings;
use crate::points::Cautions;
use crate::results::{Estimate, Response, Returns, SiteYear, ZoneResponse};
use crate::text::plain;

/// The columns that the response tables share.
pub const RESPONSE_COLUMNS: [&str; 29] = [
    "season",
    "farm",
    "field",
    "crop",
    "treatment",
    "drainage_class",
    "wetness_class",
    "wetness_mm",
    "blocks",
    "strips",
    "segments",
    "area",
    "area_unit",
    "check_yield",
    "treated_yield",
    "response",
    "std_error",
    "df",
    "ci_low",
    "ci_high",
    "p_value",
    "p_randomization",
    "probability_positive",
    "break_even",
    "probability_pays",
    "net_return",
    "yield_unit",
    "money_unit",
    "caution",
];

/// The columns that the synthesis adds.
pub const SYNTHESIS_COLUMNS: [&str; 12] = [
    "site_years",
    "gained",
    "paid",
    "tau",
    "pi_low",
    "pi_high",
    "probability_new_site_pays",
    "shrunken_response",
    "shrunken_low",
    "shrunken_high",
    "seasons",
    "estimator",
];

/// The columns that only `site_years.csv` adds: where the site-year lies.
pub(super) const PLACE_COLUMNS: [&str; 2] = ["longitude", "latitude"];

/// The columns of `removals.csv`.
pub(super) const REMOVAL_COLUMNS: [&str; 3] = ["reason", "points", "share"];

/// The columns that only a site-year's own table adds: the response drawn towards those of the other classes.
pub(super) const SHRUNKEN_COLUMNS: [&str; 2] = ["shrunken_response", "shrunken_std_error"];

/// What all response tables say of a row, in SI units.
struct Row<'r> {
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
}

impl Row<'_> {
    fn cells(&self, units: &Units) -> Vec<String> {
        let estimate = units.estimate(self.estimate);
        let yields = |value: Option<f64>| fixed(value.map(|value| units.yields(value)), units.yield_decimals);
        let as_yield = |value: Option<f64>| fixed(value, units.yield_decimals);
        let mut cells: Vec<String> = self.place.to_vec();
        cells.extend([self.treatment.to_owned(), self.class.to_owned(), self.wetness_class.to_owned()]);
        cells.push(fixed(self.wetness_mm, 1));
        cells.extend(self.counts.iter().map(usize::to_string));
        cells.extend([fixed(Some(units.area(self.area_m2)), 3), units.area_unit.to_owned()]);
        cells.extend(self.yields.iter().map(|value| yields(*value)));
        cells.extend([as_yield(estimate.mean), as_yield(estimate.std_error), fixed(estimate.df, 2)]);
        cells.extend([as_yield(estimate.low), as_yield(estimate.high)]);
        cells.extend(
            [estimate.p_value, estimate.p_randomization, estimate.probability_positive].map(|value| fixed(value, 4)),
        );
        cells.push(yields(self.returns.break_even));
        cells.push(fixed(self.returns.probability_pays, 4));
        cells.push(fixed(self.returns.net_return.map(|money| units.money(money)), 2));
        cells.extend([units.yield_unit.to_owned(), units.money_unit.clone(), self.cautions.codes()]);
        cells
    }
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

fn response_row<'r>(result: &'r SiteYear, response: &'r Response) -> Row<'r> {
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
    }
}

/// `response.csv`.
pub(super) fn response(result: &SiteYear, units: &Units) -> Result<Vec<u8>, ReportError> {
    let header: Vec<&str> = RESPONSE_COLUMNS.iter().chain(&SHRUNKEN_COLUMNS).copied().collect();
    let rows = result.responses.iter().map(|response| {
        let mut cells = response_row(result, response).cells(units);
        let yields = |value: Option<f64>| fixed(value.map(|value| units.yields(value)), units.yield_decimals);
        cells.extend([response.shrunken.map(|one| one.mean), response.shrunken.map(|one| one.std_error)].map(yields));
        cells
    });
    write("response.csv", &header, rows)
}

/// `site_years.csv`.
pub(super) fn site_years(site_years: &[SiteYear], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let rows = site_years.iter().flat_map(|result| {
        let units = Units::new(archive, &result.identity.crop);
        let whole = result.responses.iter().filter(|response| response.key.class.is_none());
        whole
            .map(|response| {
                let mut cells = response_row(result, response).cells(&units);
                cells.extend([result.place_deg.0, result.place_deg.1].map(|degrees| fixed(Some(degrees), 6)));
                cells
            })
            .collect::<Vec<_>>()
    });
    let header: Vec<&str> = RESPONSE_COLUMNS.iter().chain(&PLACE_COLUMNS).copied().collect();
    write("site_years.csv", &header, rows)
}

/// `response_by_zone.csv`.
pub(super) fn zones(zones: &[ZoneResponse], archive: &ArchiveSettings) -> Result<Vec<u8>, ReportError> {
    let header: Vec<&str> = RESPONSE_COLUMNS.iter().chain(&SYNTHESIS_COLUMNS).copied().collect();
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
        };
        let mut cells = row.cells(&units);
        let yields = |value: Option<f64>| fixed(value.map(|value| units.yields(value)), units.yield_decimals);
        cells.extend([zone.site_years, zone.gained, zone.paid].map(|count| count.to_string()));
        cells.extend([zone.tau, zone.prediction.map(|ends| ends.0), zone.prediction.map(|ends| ends.1)].map(yields));
        cells.push(fixed(zone.probability_new_site_pays, 4));
        let shrunken = zone.shrunken.as_ref();
        cells.extend(
            [shrunken.map(|one| one.mean), shrunken.map(|one| one.low), shrunken.map(|one| one.high)].map(yields),
        );
        cells.extend([zone.seasons.to_string(), zone.estimator.code().to_owned()]);
        cells
    });
    write("response_by_zone.csv", &header, rows)
}

/// `removals.csv`: every reason in the order in which they are tested, then those kept.
pub(super) fn removals(result: &SiteYear) -> Result<Vec<u8>, ReportError> {
    let share = |points: usize| {
        let share = if result.counts.read == 0 { 0.0 } else { points as f64 / result.counts.read as f64 };
        fixed(Some(share), 5)
    };
    let rows = result
        .counts
        .removed
        .iter()
        .map(|(mark, points)| vec![mark.code().to_owned(), points.to_string(), share(*points)])
        .chain([vec!["kept".to_owned(), result.counts.kept.to_string(), share(result.counts.kept)]]);
    write("removals.csv", &REMOVAL_COLUMNS, rows)
}

/// The columns of `contrasts.csv`.
pub(super) const CONTRAST_COLUMNS: [&str; 14] = [
    "contrast",
    "treatment",
    "against",
    "drainage_class",
    "blocks",
    "difference",
    "std_error",
    "df",
    "ci_low",
    "ci_high",
    "p_value",
    "probability_positive",
    "yield_unit",
    "caution",
];

/// `contrasts.csv`: treatments against each other, then the change of each response from class to class.
pub(super) fn contrasts(result: &SiteYear, units: &Units) -> Result<Vec<u8>, ReportError> {
    let row = |place: [&str; 4], blocks: usize, estimate: &Estimate, cautions: &Cautions| {
        let estimate = units.estimate(estimate);
        let yields = |value: Option<f64>| fixed(value, units.yield_decimals);
        let mut cells: Vec<String> = place.map(str::to_owned).to_vec();
        cells.push(blocks.to_string());
        cells.extend([yields(estimate.mean), yields(estimate.std_error), fixed(estimate.df, 2)]);
        cells.extend([yields(estimate.low), yields(estimate.high)]);
        cells.extend([fixed(estimate.p_value, 4), fixed(estimate.probability_positive, 4)]);
        cells.extend([units.yield_unit.to_owned(), cautions.codes()]);
        cells
    };
    let between = result.supplement.contrasts.iter().map(|one| {
        let place = ["between-treatments", &one.treatment, &one.against, &one.class_name];
        row(place, one.blocks, &one.estimate, &one.cautions)
    });
    let trends = result.supplement.trends.iter().map(|one| {
        let span = one.classes.join(" to ");
        row(["trend-by-class", &one.treatment, "", &span], one.blocks, &one.estimate, &Cautions::default())
    });
    write("contrasts.csv", &CONTRAST_COLUMNS, between.chain(trends))
}

/// The columns of `sensitivity.csv`.
pub(super) const SENSITIVITY_COLUMNS: [&str; 10] = [
    "variant",
    "treatment",
    "drainage_class",
    "response",
    "std_error",
    "ci_low",
    "ci_high",
    "p_value",
    "sign_changed",
    "yield_unit",
];

/// `sensitivity.csv`.
pub(super) fn sensitivity(result: &SiteYear, units: &Units) -> Result<Vec<u8>, ReportError> {
    let rows = result.sensitivity.iter().map(|row| {
        let yields = |value: Option<f64>| fixed(value.map(|value| units.yields(value)), units.yield_decimals);
        let changed = match result.sign_changed(row) {
            Some(true) => "yes",
            Some(false) => "no",
            None => "",
        };
        vec![
            row.variant.clone(),
            row.treatment.clone(),
            row.class_name.clone(),
            yields(row.response),
            yields(row.std_error),
            yields(row.low),
            yields(row.high),
            fixed(row.p_value, 4),
            changed.to_owned(),
            units.yield_unit.to_owned(),
        ]
    });
    write("sensitivity.csv", &SENSITIVITY_COLUMNS, rows)
}

/// The zones as a table for the terminal: one line each, all wetness classes; what pays is told where some zone rests on
/// enough blocks.
pub(super) fn zone_text(zones: &[ZoneResponse], archive: &ArchiveSettings) -> String {
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
